"""The words of a mapping: which item of a file has which role, as text in the recipe's ``[scan.mapping]``."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, fields
from typing import Any

from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.units import KINDS, normalise_unit

SYNTAX = '"/path/of/data", with "[:,1]" for a column and " in UNIT" where the file names no unit'
BAD_VALUES = ("nonzero", "zero")
# Key -> kind of unit; None for what has no unit.
KEYS: dict[str, str | None] = {
    **dict.fromkeys(("frames", "mask", "mask_bad", "dark", "flat", "monitor"), None),
    **dict.fromkeys(("positions", "y", "x", "wavelength", "distance"), "length"),
    **dict.fromkeys(("pixel_size", "pixel_size_y", "pixel_size_x"), "length"),
    **dict.fromkeys(("zone_plate_diameter", "outer_zone", "stop_diameter", "defocus"), "length"),
    "energy": "energy",
    "exposure": "time",
    **dict.fromkeys(("counts_per_photon", "saturation", "stop_fraction"), None),
    **dict.fromkeys(("beam_centre", "beam_centre_y", "beam_centre_x"), None),
    **dict.fromkeys(("transpose", "flip_y", "flip_x", "pixel_axes"), None),
    "dark_exposure": "time",
    **dict.fromkeys(("read_noise", "index_in_file", "prepared"), None),
}
# What a scan cannot do without: any of the sets of keys, the option that may take their place, and its name.
ESSENTIAL: tuple[tuple[str, tuple[frozenset[str], ...], str], ...] = (
    ("frames", (frozenset({"frames"}),), ""),
    ("positions", (frozenset({"positions"}), frozenset({"y", "x"})), ""),
    ("energy", (frozenset({"energy"}), frozenset({"wavelength"})), "energy_ev"),
    ("distance", (frozenset({"distance"}),), "distance_m"),
    ("pixel size", (frozenset({"pixel_size"}), frozenset({"pixel_size_y", "pixel_size_x"})), "pixel_size_m"),
)


class UnknownLayout(InputError):
    """A file whose names mean nothing to us, without a complete mapping."""


@dataclass(frozen=True)
class Reference:
    """One entry of a mapping.

    Parameters
    ----------
    path
        Of the item in its source.
    select
        Index for each axis; empty takes everything.
    unit
        As given; None leaves it to the source.
    """

    path: str
    select: tuple[int | slice, ...] = ()
    unit: str | None = None

    def take(self, values: NDArray[Any], where: str) -> NDArray[Any]:
        """Return the selected part of an item's values.

        Raises
        ------
        InputError
            When the values have no such part.
        """
        try:
            return values[self.select] if self.select else values
        except IndexError as exc:
            raise InputError(
                f"no part {_shown(self.select)} in values of shape {values.shape}",
                where=where,
                expected="a column, row or number that is there",
                fix=f"Correct the index in the mapping (it counts from 0): {self.path}",
            ) from exc

    def __str__(self) -> str:
        return self.path + (_shown(self.select) if self.select else "") + (f" in {self.unit}" if self.unit else "")


def _shown(select: tuple[int | slice, ...]) -> str:
    parts = (
        str(s)
        if isinstance(s, int)
        else f"{'' if s.start is None else s.start}:{'' if s.stop is None else s.stop}"
        + ("" if s.step is None else f":{s.step}")
        for s in select
    )
    return f"[{','.join(parts)}]"


def parse_reference(text: str, key: str = "frames") -> Reference:
    """Read one entry; `key` tells what kind of unit it may have, and names it in messages.

    Raises
    ------
    InputError
        For an empty path, a wrong index, or a unit of another kind.
    """
    where = f"scan.mapping.{key}"
    pattern = r"\s*(?P<path>\S.*?)(?P<select>\[[-\d:,\s]*\])?(?:\s+in\s+(?P<unit>\S+))?\s*"
    match = re.fullmatch(pattern, str(text), re.DOTALL)
    if match is None:
        raise InputError(f"{text!r}", where=where, expected=SYNTAX, fix='For example "/raw/stage_x in um".')
    unit, kind = match["unit"], KEYS.get(key)
    if unit is not None and (kind is None or normalise_unit(unit) not in KINDS[kind]):
        known = f"a unit of {kind}: {', '.join(KINDS[kind])}" if kind else "no unit"
        raise InputError(f"unit {unit!r}", where=where, expected=known, fix=f'Correct "in {unit}" in the mapping.')
    return Reference(match["path"], _index(match["select"], where), unit)


def _index(text: str | None, where: str) -> tuple[int | slice, ...]:
    """Read ``[:,1]``."""
    if text is None:
        return ()
    parts: list[int | slice] = []
    for part in text[1:-1].replace(" ", "").split(","):
        numbers = part.split(":")
        try:
            values = [int(n) if n else None for n in numbers]
        except ValueError:
            values = [None] * 4
        if not part or len(values) > 3:
            raise InputError(
                f"index {text!r}", where=where, expected="[:,1], [0] or [2:8]", fix="Correct it; it counts from 0."
            )
        parts.append(values[0] if len(values) == 1 and values[0] is not None else slice(*values))
    return tuple(parts)


@dataclass(frozen=True)
class Mapping:
    """Which item has which role. Each field is a key of ``[scan.mapping]``; None leaves the role empty.

    Parameters
    ----------
    frames
        The diffraction frames ``(J, h, w)`` or ``(ny, nx, h, w)``.
    positions, y, x
        ``(J, 2)`` in the order y, x; or an item for each axis: ``(J,)``, or the two axes of a grid.
    energy, wavelength
        Photon energy, or the wavelength instead.
    distance, pixel_size, pixel_size_y, pixel_size_x
        Sample to detector; detector pixel, of the frame as stored: y along its first axis.
    mask, mask_bad
        One value a pixel, and which marks bad pixels: "nonzero" (default) or "zero".
    dark, flat
        Dark frames ``(h, w)`` or ``(K, h, w)``; response of each pixel.
    monitor, exposure
        Incident flux, one a frame; exposure time, one for all or one a frame.
    counts_per_photon, saturation
        Gain, largest trustworthy count (0 stands for unset).
    beam_centre, beam_centre_y, beam_centre_x
        Direct beam in the stored frame [pixels]: ``(row, column)``, or one item each.
    zone_plate_diameter, outer_zone, stop_fraction, stop_diameter, defocus
        The focusing optic; sample behind the focus counts positive.
    transpose, flip_y, flip_x
        0 or 1: what the stored frames need so that rows and columns run with sample y and x, in this order.
    pixel_axes
        ``(2, 3)`` instead: slow and fast pixel axis in x (left, seen from the source), y (up), z, as in CXI.
    dark_exposure
        Exposure of each dark frame.
    read_noise, index_in_file, prepared
        What our own files hold: rms of a pixel in stored counts; number of each frame in the first file; lines
        that say what was done to the frames already.
    """

    frames: str | None = None
    positions: str | None = None
    y: str | None = None
    x: str | None = None
    energy: str | None = None
    wavelength: str | None = None
    distance: str | None = None
    pixel_size: str | None = None
    pixel_size_y: str | None = None
    pixel_size_x: str | None = None
    mask: str | None = None
    mask_bad: str | None = None
    dark: str | None = None
    flat: str | None = None
    monitor: str | None = None
    exposure: str | None = None
    counts_per_photon: str | None = None
    saturation: str | None = None
    beam_centre: str | None = None
    beam_centre_y: str | None = None
    beam_centre_x: str | None = None
    zone_plate_diameter: str | None = None
    outer_zone: str | None = None
    stop_fraction: str | None = None
    stop_diameter: str | None = None
    defocus: str | None = None
    transpose: str | None = None
    flip_y: str | None = None
    flip_x: str | None = None
    pixel_axes: str | None = None
    dark_exposure: str | None = None
    read_noise: str | None = None
    index_in_file: str | None = None
    prepared: str | None = None

    def __post_init__(self) -> None:
        for f in fields(self):
            text = getattr(self, f.name)
            if text is None:
                continue
            where = f"scan.mapping.{f.name}"
            if not isinstance(text, str):
                raise InputError(f"{text!r}", where=where, expected=SYNTAX, fix="Write the path in quotes.")
            if f.name == "mask_bad" and text not in BAD_VALUES:
                raise InputError(f'"{text}"', where=where, expected=" or ".join(BAD_VALUES), fix="Correct it.")
            if f.name != "mask_bad":
                parse_reference(text, f.name)

    def reference(self, key: str) -> Reference | None:
        """Return the entry of a key; None where it has none."""
        text = getattr(self, key)
        return None if text is None else parse_reference(text, key)

    def missing(self, overrides: Any) -> list[str]:
        """Name the essential roles that are neither mapped nor given by an option."""
        have = {f.name for f in fields(self) if getattr(self, f.name) is not None}
        return [
            role
            for role, ways, option in ESSENTIAL
            if not any(way <= have for way in ways) and not (option and getattr(overrides, option) is not None)
        ]


def mapping_of(entries: MappingOf[str, str]) -> Mapping:
    """Make a mapping of a table.

    Raises
    ------
    InputError
        For an unknown key (the nearest is named) or an entry that cannot be read.
    """
    for key in entries:
        if key not in KEYS:
            near = difflib.get_close_matches(str(key), list(KEYS), 1, 0.0)[0]
            raise InputError(
                f'unknown key "{key}"',
                where=f"scan.mapping.{key}",
                expected="a role of the mapping",
                fix=f"The nearest is {near}.",
            )
    return Mapping(**entries)
