"""What a mapping may name besides a scan's essentials: how frames lie, and what was done to them already."""

from __future__ import annotations

import dataclasses
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.axes import orientation_from_vectors
from scans.formats.facts import Facts
from scans.formats.mapped_items import Mapped, MappedItems, one_number
from scans.formats.mapping_text import Mapping, Reference
from scans.formats.role_own import TURNS, orientation_hints
from scans.scan import Note, Orientation, Scan


def read_orientation(facts: Facts, items: MappedItems) -> None:
    """Set how stored frames are turned, from 0-or-1 numbers or from pixel axes; name what only might say it.

    Raises
    ------
    InputError
        For values that are neither, or that contradict each other.
    """
    mapping = items.mapping
    axes = items.read("pixel_axes")
    if axes is not None:
        name = cast(Reference, mapping.reference("pixel_axes")).path
        orientation_from_vectors(facts, axes.values.astype(np.float64), cast(Any, name))
    said = {key: _yes_or_no(items, key) for key in TURNS if mapping.reference(key) is not None}
    if said:
        orientation = Orientation(**said)
        where = cast(Mapped, items.read(next(iter(said)))).where
        if axes is not None and facts.orientation not in (None, orientation) and not facts.given("orientation"):
            raise InputError(
                f"{', '.join(said)} say {orientation}, the pixel axes {facts.orientation}",
                where=where,
                expected="one orientation",
                fix="Leave one of them out of [scan.mapping].",
            )
        facts.orientation = orientation
        facts.note("orientation", orientation, where, f"by the mapping: {', '.join(said)}")
    elif axes is None and not facts.given("orientation"):
        for hint in orientation_hints(i for source in (items.source, *items.parts[:1]) for i in source.items()):
            why = "the mapping does not name it: frames are not turned; if they should be, give -s scan.orientation"
            facts.note("orientation", "not used", f"{items.source.path}::{hint}", why, guess=True)


def _yes_or_no(items: MappedItems, key: str) -> bool:
    value = one_number(cast(Mapped, items.read(key)))
    if value not in (0.0, 1.0):
        raise items.wrong(key, cast(Reference, items.mapping.reference(key)), f"{value:g}", "0 or 1")
    return value == 1.0


def is_kept(flat: NDArray[Any], facts: Facts, mapping: Mapping) -> bool:
    """Tell whether a flat field is that of a prepared scan, or one picture a frame: it is kept as it is."""
    return (flat.ndim == 3 and flat.shape[0] == facts.n_in_file > 1) or (
        flat.ndim == 2 and mapping.prepared is not None
    )


def restore(scan: Scan, mapping: Mapping, items: MappedItems) -> Scan:
    """Put into a scan what our own files hold of it: numbers of the frames, read noise, what was done already.

    Raises
    ------
    InputError
        When an item is not what its role needs.
    """
    rows = np.arange(scan.n_frames) if scan.index_in_file is None else scan.index_in_file
    changes: dict[str, Any] = {}
    notes = []
    for key in ("read_noise", "index_in_file", "prepared", "flat"):
        reference = mapping.reference(key)
        value: Any = None if reference is None else _value(key, items, rows)
        if reference is not None and value is not None:
            changes[key] = value
            where = items.where(reference, items.holders(reference))
            notes.append(Note(key.replace("_", " "), _shown(value), where, "by the mapping, as it was written"))
    return dataclasses.replace(scan, notes=scan.notes + tuple(notes), **changes) if changes else scan


def _value(key: str, items: MappedItems, rows: NDArray[np.int64]) -> Any:
    """Value of one of the fields of `restore`; None where it is of another kind."""
    if key == "prepared":
        reference = items.as_one_name(cast(Reference, items.mapping.reference(key)))
        item = items.holders(reference)[0].item(reference.path)
        values = np.zeros(0) if item is None else np.asarray(item.read())
        if values.dtype.kind not in "US":
            raise items.wrong(key, reference, f"values of type {values.dtype}", "lines of text")
        return tuple(str(line) for line in values.astype(str).reshape(-1)) or None
    mapped = cast(Mapped, items.read(key, joined=key != "read_noise"))
    if key == "read_noise":
        noise = one_number(mapped)
        return noise if noise > 0 else None
    last = int(rows.max())
    if key == "flat":
        flat = mapped.values.astype(np.float64)
        if flat.ndim == 2:
            return flat if items.mapping.prepared is not None else None
        return flat[rows] if len(flat) > last else None
    values = mapped.values.reshape(-1)
    if len(values) <= last or not (np.rint(values) == values).all():
        reference = cast(Reference, items.mapping.reference(key))
        raise items.wrong(key, reference, f"{values.shape} {values.dtype}", "one whole number a frame")
    return values.astype(np.int64)[rows]


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        return f"{len(value)} lines, the first: {value[0]}"
    if isinstance(value, float):
        return f"{value:.6g}"
    return {1: "one number a frame", 2: "one picture", 3: "one picture a frame"}[value.ndim]
