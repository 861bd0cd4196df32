"""Reader for files of any layout by a mapping: which item has which role is said by the user's recipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.array_frames import JoinedFrames
from scans.formats.assemble import assemble
from scans.formats.facts import Facts
from scans.formats.flat_use import summed, weigh
from scans.formats.hdf5 import InputFile
from scans.formats.hdf5_source import Hdf5Source
from scans.formats.items import Source
from scans.formats.mapped_items import Mapped, MappedItems, one_number
from scans.formats.mapped_own import is_kept, read_orientation, restore
from scans.formats.mapping_text import KEYS, Mapping, Reference, UnknownLayout, mapping_of
from scans.formats.mask_bits import polarity
from scans.formats.overrides import Overrides
from scans.formats.units import KINDS, PLAUSIBLE, implausible, unit_factor
from scans.geometry import PLANCK_TIMES_C_EV_M
from scans.scan import Frames, Scan

__all__ = ["LAYOUT", "Mapping", "mapping_of", "read_mapped"]

LAYOUT = "mapped"
# So many files that were not used are named.
MAX_IGNORED = 8
LOOKED_AT = {
    "frames": "scan.mapping.frames",
    "positions": "scan.mapping.y and scan.mapping.x",
    "energy_ev": "scan.mapping.energy or scan.mapping.wavelength",
    "distance_m": "scan.mapping.distance",
    "pixel_size_m": "scan.mapping.pixel_size",
}


@dataclass(frozen=True)
class _Place:
    """Stands for an HDF5 file where messages need one and there is none."""

    path: Path

    def where(self, node: Any) -> str:
        """File and name, for messages."""
        return f"{self.path}::{node}"


def read_mapped(
    source: Source, mapping: Mapping, overrides: Overrides | None = None, parts: Sequence[Source] = ()
) -> Scan:
    """Read a scan by a mapping.

    Parameters
    ----------
    source
        The file. What `parts` do not hold is read from it.
    mapping
        Which item has which role.
    overrides
        Values that replace the file's.
    parts
        Files that hold the scan in parts: frames and what goes with them are joined in this order.

    Raises
    ------
    UnknownLayout
        When the mapping lacks what a scan needs.
    InputError
        When an item is not there, is implausible, or does not fit the others.
    """
    overrides = overrides or Overrides()
    missing = mapping.missing(overrides)
    if missing:
        raise UnknownLayout(
            f"the mapping has no {', '.join(missing)}",
            where=str(source.path),
            expected="an entry of [scan.mapping] for each",
            fix=f"Run 'halfbit inspect {source.path}', which proposes a mapping, and fill in what is open.",
        )
    file = source.file if isinstance(source, Hdf5Source) else cast(InputFile, _Place(source.path))
    facts = Facts(file, LAYOUT, "/", overrides)
    for one in (source, *parts):
        note_files(facts, one)
    reader = _Reader(facts, mapping, MappedItems(mapping, source, tuple(parts)))
    steps = (reader.frames, reader.numbers, reader.orientation, reader.pixels, reader.positions, reader.each_frame)
    for step in (*steps, reader.optic):
        try:
            step()
        except InputError as problem:
            facts.refuse(problem)
    return restore(assemble(facts, LOOKED_AT), mapping, reader.items)


def note_files(facts: Facts, source: Source) -> None:
    """Note what is odd about the files of a source, and which were not used."""
    for finding in source.findings:
        facts.note(finding.code, finding.text, str(source.path), finding.fix, guess=True)
    if source.ignored:
        names = "; ".join(f"{name} ({why})" for name, why in source.ignored[:MAX_IGNORED])
        more = f"; and {len(source.ignored) - MAX_IGNORED} more" if len(source.ignored) > MAX_IGNORED else ""
        facts.note("files not used", len(source.ignored), str(source.path), names + more)


@dataclass
class _Reader:
    """Goes through the roles; every value becomes a note."""

    facts: Facts
    mapping: Mapping
    items: MappedItems

    def frames(self) -> None:
        """Find the frames; those of parts are joined."""
        reference = self.mapping.reference("frames")
        if reference is None:
            return
        reference = self.items.as_one_name(reference)
        self.facts.refused.add("frames")  # what is wrong is said below
        holders = self.items.holders(reference)
        if reference.select:
            raise self.items.wrong("frames", reference, "a part of a stack", "the whole dataset of frames")
        datasets = [h.dataset(reference.path) for h in holders if isinstance(h, Hdf5Source)]
        whole = [d for d in datasets if d is not None and d.shape is not None and len(d.shape) > 2]
        if len(holders) == 1 and whole:
            self.facts.set_frames(whole, reference.path)
            return
        stacks = [(item, str(h.path)) for h in holders if (item := h.item(reference.path)) is not None]
        for item, _ in stacks:
            if item.frames is None:
                shape = f"an array of shape {item.shape} {item.dtype}"
                raise self.items.wrong("frames", reference, shape, "a stack (frames, rows, columns) of counts")
        found = [cast(Any, item.frames)() for item, _ in stacks]
        joined: Frames = found[0] if len(found) == 1 else JoinedFrames(found, [name for _, name in stacks])
        self.facts.keep_frames(joined, reference.path, self.items.where(reference, holders))

    def numbers(self) -> None:
        """Read energy, distance and pixel size."""
        facts = self.facts
        for key, name in (("energy", "energy_ev"), ("distance", "distance_m")):
            value = self._quantity(key, name)
            if value is not None:
                setattr(facts, name, value)
        length = None if facts.energy_ev or self.mapping.energy else self._quantity("wavelength", "energy_ev")
        if length:
            facts.energy_ev = PLANCK_TIMES_C_EV_M / length
            self._check("energy_ev", facts.energy_ev, self.items.read("wavelength"))
        both = self._quantity("pixel_size", "pixel_size_m")
        y, x = (self._quantity(f"pixel_size_{axis}", "pixel_size_m") or both for axis in "yx")
        facts.pixel_stored_m = None if y is None or x is None else (y, x)

    def orientation(self) -> None:
        """Read how the stored frames lie."""
        read_orientation(self.facts, self.items)

    def pixels(self) -> None:
        """Read mask, dark frames, flat field, gain, limit and beam centre."""
        facts, mapping = self.facts, self.mapping
        mask, dark, flat = (self.items.read(key) for key in ("mask", "dark", "flat"))
        if mask is not None:
            good = polarity(facts.overrides)
            zero = mapping.mask_bad == "zero" if good is None else good == "one"
            bad = mask.values == 0 if zero else mask.values != 0
            by = "by the mapping" if good is None else "as the user said"
            facts.set_mask(np.asarray(bad), mask.where, f"{'zero' if zero else 'nonzero'} is bad, {by}")
        if dark is not None:
            times = self.items.read("dark_exposure")
            exposures = None if times is None else times.values.reshape(-1) * self._factor("dark_exposure", times)
            facts.set_dark(dark.values, exposures, where=dark.where)
        if flat is not None:
            self._flat(flat)
        for key, name in (("counts_per_photon", "counts per photon"), ("saturation", "saturation")):
            value = self._number(key)
            if value is not None and value > 0:
                setattr(facts, key, value)
                facts.note(name, value, cast(Mapped, self.items.read(key)).where, "by the mapping")
            elif value == 0:
                facts.note(name, "unknown", cast(Mapped, self.items.read(key)).where, "zero stands for unset")
            elif value is not None:
                raise self.items.wrong(key, cast(Reference, mapping.reference(key)), f"{value:g}", "a number above 0")
        self._centre()

    def positions(self) -> None:
        """Read the stage readings of both axes."""
        whole = self.items.read("positions", joined=True)
        if whole is not None:
            if whole.values.ndim != 2 or whole.values.shape[1] != 2:
                found = f"an array of shape {whole.values.shape}"
                where = cast(Reference, self.mapping.reference("positions"))
                fix = f'Say which column is which: y = "{where.path}[:,1]" and x = "{where.path}[:,0]".'
                raise InputError(found, where=whole.where, expected="(J, 2) in the order y, x", fix=fix)
            self._keep(whole, whole, whole.values.astype(np.float64))
            return
        y, x = self.items.read("y", joined=True), self.items.read("x", joined=True)
        if y is None or x is None:
            return
        values, readings, why = self._together(y, x)
        self._keep(y, x, values, readings, why)

    def each_frame(self) -> None:
        """Read monitor and exposures."""
        monitor, exposure = self.items.read("monitor", joined=True), self.items.read("exposure", joined=True)
        if monitor is not None:
            self.facts.set_monitor(monitor.values, monitor.where)
        if exposure is not None:
            factor = self._factor("exposure", exposure)
            self.facts.set_exposures(
                exposure.values.astype(np.float64).reshape(-1) * factor,
                where=exposure.where,
                why=f"stored in {exposure.unit}",
            )

    def optic(self) -> None:
        """Read the zone plate."""
        diameter = self._quantity("zone_plate_diameter", "zone plate diameter")
        outer = self._quantity("outer_zone", "outer zone")
        if diameter is None and outer is None:
            return
        fraction, stop = self._number("stop_fraction"), self._quantity("stop_diameter", "stop diameter")
        if fraction is None:
            fraction = stop / diameter if stop is not None and diameter else 0.0
        key = "zone_plate_diameter" if diameter is not None else "outer_zone"
        where = cast(Any, self.mapping.reference(key)).path
        defocus = self._quantity("defocus", "defocus")
        self.facts.set_zone_plate(where, diameter, outer, stop_fraction=fraction, defocus_m=defocus)

    # --- parts of the above

    def _number(self, key: str) -> float | None:
        """One number: alone, or the same for every frame."""
        mapped = self.items.read(key)
        return None if mapped is None else one_number(mapped)

    def _quantity(self, key: str, name: str) -> float | None:
        """Read a number with its unit into eV, m or s, and note it; problems are recorded."""
        if self.mapping.reference(key) is None or self.facts.given(name):
            return None
        try:
            mapped = cast(Mapped, self.items.read(key))
            raw = one_number(mapped)
            value = raw * self._factor(key, mapped)
        except InputError as problem:
            self.facts.refuse(problem, name)
            return None
        if key != "wavelength":
            self._check(name, value, mapped)
        why = f"stored as {raw:.9g} {mapped.unit}" + (f"; the file says {mapped.said}" if mapped.said else "")
        self.facts.note(name if key != "wavelength" else "wavelength", value, mapped.where, why)
        return value

    def _check(self, name: str, value: float, mapped: Mapped | None) -> None:
        where = "" if mapped is None else mapped.where
        wrong = implausible(name, value, where=where) if name in PLAUSIBLE else None
        if wrong is not None:
            self.facts.problems.append(wrong)

    def _factor(self, key: str, mapped: Mapped) -> float:
        """Factor to eV, m or s.

        Raises
        ------
        InputError
            When no unit is known, or one of another kind.
        """
        kind = KEYS[key] or ""
        if mapped.unit is None:
            raise InputError(
                "no unit",
                where=mapped.where,
                expected=f"a unit of {kind}: {', '.join(KINDS[kind])}",
                fix=f'Write it into the mapping: {key} = "{self.mapping.reference(key)} in UNIT".',
            )
        return unit_factor(mapped.unit, kind, where=mapped.where, option=f'scan.mapping.{key}="... in UNIT"')

    def _flat(self, flat: Mapped) -> None:
        """Keep the flat field as the pixels' response, unless the frames speak against that."""
        facts = self.facts
        if is_kept(flat.values, facts, self.mapping):
            return  # `restore` has it
        values = flat.values.astype(np.float64)
        if facts.overrides.flat is None and facts.frames is not None and values.shape == tuple(facts.frames.shape[1:]):
            evidence = weigh(summed(facts.frames, facts.dark), values)
            if evidence is not None and evidence.use == "multiplies":
                why = f"the frames say that it multiplies ({evidence}): give -s scan.flat=multiplies or divides"
                facts.note("flat field", "not applied", flat.where, why, guess=True)
                return
        facts.set_flat(values, flat.where, "taken as the response, by the mapping")

    def _centre(self) -> None:
        """Read the beam centre ``(row, column)``."""
        both = self.items.read("beam_centre")
        if both is not None:
            point = both.values.astype(np.float64).reshape(-1)
            if point.size != 2:
                reference = cast(Reference, self.mapping.reference("beam_centre"))
                raise self.items.wrong("beam_centre", reference, f"{point.size} numbers", "two: row, column")
            self.facts.set_centre((float(point[0]), float(point[1])), both.where, "row, column by the mapping")
            return
        row, column = self._number("beam_centre_y"), self._number("beam_centre_x")
        if row is not None and column is not None:
            where = cast(Mapped, self.items.read("beam_centre_y")).where
            self.facts.set_centre((row, column), where, "row, column by the mapping")

    def _together(self, y: Mapped, x: Mapped) -> tuple[NDArray[np.float64], NDArray[np.float64] | None, str]:
        """Return readings ``(P, 2)``, several a frame ``(P, K, 2)`` or None, and what was done.

        Raises
        ------
        InputError
            When the two do not go together.
        """
        stack = self.facts.all_frames
        n_frames = 0 if stack is None else stack.shape[0]
        lead = self._scan_shape(n_frames)
        a, b = y.values.astype(np.float64), x.values.astype(np.float64)
        if a.ndim == b.ndim == 1 and a.size != n_frames and a.size * b.size == n_frames:
            slow_y = lead != (b.size, a.size) or a.size == b.size
            grid = np.meshgrid(a, b, indexing="ij" if slow_y else "xy")
            sure = len(lead) == 2 and a.size != b.size
            why = f"axes of a grid, {'y' if slow_y else 'x'} slow" + ("" if sure else " (taken so: nothing says which)")
            return np.stack([g.reshape(-1) for g in grid], axis=1), None, why
        if a.shape == b.shape and a.ndim == 2 and a.shape[0] == n_frames and a.shape != lead:
            readings = np.stack([a, b], axis=2)
            return readings.mean(axis=1), readings, f"mean of {a.shape[1]} readings a frame"
        if a.size == b.size:
            return np.stack([a.reshape(-1), b.reshape(-1)], axis=1), None, ""
        raise InputError(
            f"{a.shape} readings of y and {b.shape} of x",
            where=f"{y.where} and {x.where}",
            expected=f"as many of each as frames ({n_frames}), or the two axes of a grid",
            fix="Correct scan.mapping.y and scan.mapping.x.",
        )

    def _scan_shape(self, n_frames: int) -> tuple[int, ...]:
        """Scan axes of the frames: ``(J,)`` or ``(ny, nx)``."""
        reference = self.mapping.reference("frames")
        item = None if reference is None else self.items.source.item(reference.path)
        return (n_frames,) if item is None or self.items.parts else tuple(item.shape[:-2])

    def _keep(
        self,
        y: Mapped,
        x: Mapped,
        values: NDArray[np.float64],
        readings: NDArray[np.float64] | None = None,
        why: str = "",
    ) -> None:
        """Hand over the readings; that the patch moves with them is a guess unless the user says."""
        names = (y.where.rpartition("::")[2], x.where.rpartition("::")[2])
        text = "taken that the illuminated patch moves to +y, +x with them"
        self.facts.set_positions(
            y.where if y.where == x.where else f"{y.where} and {names[1]}",
            values,
            (y.unit, x.unit),
            names=names,
            directions=np.eye(2),
            why=f"{why}; {text}" if why else text,
            guess=not self.facts.given("position_axes"),
            readings=readings,
        )
