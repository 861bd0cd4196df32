"""Items of a source that a mapping names: found, joined over the parts of a scan, and read."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.items import Item, Source
from scans.formats.mapping_text import Mapping, Reference


@dataclass(frozen=True)
class Mapped:
    """One entry, found and read.

    Parameters
    ----------
    values
        The selected part.
    unit
        Of the mapping, otherwise of the source.
    where
        File and name.
    said
        Unit that the source says, where the mapping says another.
    """

    values: NDArray[Any]
    unit: str | None
    where: str
    said: str | None = None


@dataclass(frozen=True)
class MappedItems:
    """What a mapping names in a file and its parts.

    Parameters
    ----------
    mapping
        Which item has which role.
    source
        The file.
    parts
        Files that hold the scan in parts, in order; none where it is whole.
    """

    mapping: Mapping
    source: Source
    parts: tuple[Source, ...] = ()

    def holders(self, reference: Reference, joined: bool = True) -> list[Source]:
        """Return the sources that hold an item: all parts, or the file itself, or the first part.

        Raises
        ------
        InputError
            When none does, or only some parts do.
        """
        parts = [p for p in self.parts if p.item(reference.path) is not None] if joined else []
        if parts and len(parts) == len(self.parts):
            return parts
        if self.source.item(reference.path) is not None:
            return [self.source]
        if parts:
            lacking = next(p for p in self.parts if p not in parts)
            raise self.wrong("frames", reference, f"not in {lacking.path.name}", "the same names in every part")
        if self.parts and self.parts[0].item(reference.path) is not None:
            return [self.parts[0]]
        near = _nearest(reference.path, (item.path for item in self.source.items()))
        raise InputError(
            "nothing of that name",
            where=self.where(reference, [self.source]),
            expected="an item of the file",
            fix=(f"The nearest is {near}. " if near else "") + "Correct [scan.mapping].",
        )

    def read(self, key: str, joined: bool = False) -> Mapped | None:
        """Read what a key refers to; None where the mapping has no such key."""
        reference = self.mapping.reference(key)
        if reference is None:
            return None
        reference = self.as_one_name(reference)
        holders = self.holders(reference, joined)
        items = [cast(Item, h.item(reference.path)) for h in holders]
        where = self.where(reference, holders)
        for item in items:
            if item.dtype.kind not in "biuf":
                raise self.wrong(key, reference, f"values of type {item.dtype}", "numbers")
        values = [np.asarray(item.read()) for item in items]
        taken = [reference.take(v, where) for v in values]
        unit = reference.unit or items[0].unit
        said = items[0].unit if reference.unit and items[0].unit and reference.unit != items[0].unit else None
        together = taken[0] if len(taken) == 1 else np.concatenate([np.atleast_1d(v) for v in taken])
        return Mapped(together, unit, where, said)

    def as_one_name(self, reference: Reference) -> Reference:
        """Take a name that itself ends in "[1]" or " in s" as a name, where there is such an item and no other."""
        if not (reference.select or reference.unit) or self.source.item(reference.path) is not None:
            return reference
        unit = f" in {reference.unit}" if reference.unit else ""
        with_index = str(Reference(reference.path, reference.select))
        for name, rest in (
            (with_index, Reference(with_index, unit=reference.unit)),
            (reference.path + unit, Reference(reference.path + unit, reference.select)),
            (with_index + unit, Reference(with_index + unit)),
        ):
            if self.source.item(name) is not None:
                return rest
        return reference

    def where(self, reference: Reference, holders: Sequence[Source]) -> str:
        """File (or first and last part) and name, for messages."""
        more = f" to {holders[-1].path.name}" if len(holders) > 1 else ""
        return f"{holders[0].path}{more}::{reference.path}"

    def wrong(self, key: str, reference: Reference, found: str, expected: str) -> InputError:
        """Return the error for an item that is not what its role needs."""
        where = self.where(reference, [self.source])
        return InputError(found, where=where, expected=expected, fix=f"Correct scan.mapping.{key}.")


def one_number(mapped: Mapped) -> float:
    """Return the number in values that are all the same.

    Raises
    ------
    InputError
        When there is none, or they vary.
    """
    values = mapped.values.astype(np.float64).reshape(-1)
    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 0.0)
    if values.size and np.isfinite(values).all() and high - low <= 1e-3 * abs(high):
        return float(np.median(values))
    raise InputError(
        f"varies from {low:.6g} to {high:.6g}" if values.size else "no number",
        where=mapped.where,
        expected="one finite value for the whole scan",
        fix="Take one of them in the mapping, such as [0], or give the value with -s.",
    )


def _nearest(path: str, known: Iterable[str]) -> str:
    return next(iter(difflib.get_close_matches(path, list(known), 1, 0.4)), "")
