"""What a reader collects from one file: values, where each came from, and what is wrong with it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.hdf5 import InputFile, names
from scans.formats.lazy import LazyFrames, lazy_frames
from scans.formats.overrides import Overrides, option_error
from scans.formats.preflight import check_frames
from scans.formats.units import (
    KINDS,
    PLAUSIBLE,
    implausible,
    implausible_positions,
    normalise_unit,
    plausible_position_units,
    unit_factor,
)
from scans.formats.values import attribute, read_array
from scans.scan import Note, Orientation, RawPositions, ZonePlate

GIVEN = "given by the user"


@dataclass
class Facts:
    """One scan being read.

    Pixel sizes and the beam centre are those of the *stored* frame, ``(slow, fast)`` = (row, column).
    Problems are collected, not raised, so that a person can put everything right in one go.
    """

    file: InputFile
    layout: str
    entry: str
    overrides: Overrides
    energy_ev: float | None = None
    distance_m: float | None = None
    pixel_stored_m: tuple[float, float] | None = None
    orientation: Orientation | None = None
    frames: LazyFrames | None = None
    frames_path: str = ""
    positions: RawPositions | None = None
    positions_where: str = ""
    title: str = ""
    mask: NDArray[np.bool_] | None = None
    dark: NDArray[Any] | None = None
    dark_exposures_s: NDArray[np.float64] | None = None
    flat: NDArray[np.float64] | None = None
    counts_per_photon: float | None = None
    saturation: float | None = None
    beam_centre_px: tuple[float, float] | None = None
    zone_plate: ZonePlate | None = None
    readings_m: NDArray[np.float64] | None = None
    monitor: NDArray[np.float64] | None = None
    exposure_s: float | None = None
    exposures_s: NDArray[np.float64] | None = None
    index_in_file: NDArray[np.int64] | None = None
    notes: list[Note] = field(default_factory=list)
    problems: list[InputError] = field(default_factory=list)
    refused: set[str] = field(default_factory=set)

    def refuse(self, problem: InputError, name: str = "") -> None:
        """Record a problem; `name` is the value it leaves without, which is then not reported missing too."""
        self.problems.append(problem)
        self.refused.add(name)

    def note(self, what: str, value: Any, where: Any, why: str = "", *, guess: bool = False) -> None:
        """Record where a value came from; `where` is an HDF5 object or text."""
        if isinstance(where, h5py.Group | h5py.Dataset):
            where = self.file.where(where)
        text = f"{value:.9g}" if isinstance(value, float) else str(value)
        self.notes.append(Note(what, text, str(where), why, guess))

    def given(self, name: str) -> bool:
        """Tell whether the user gave the value `name`."""
        return getattr(self.overrides, name, None) is not None

    def number(self, dataset: h5py.Dataset | None) -> float | None:
        """One number of a dataset: a scalar, or an array of equal values (per frame or per pixel)."""
        if dataset is None:
            return None
        values = np.asarray(read_array(self.file, dataset), dtype=np.float64).reshape(-1)
        if not values.size:
            return None
        low, high = float(values.min()), float(values.max())
        if values.size > 1 and not high - low <= 1e-3 * abs(high):
            raise InputError(
                f"varies from {low:.6g} to {high:.6g}",
                where=self.file.where(dataset),
                expected="one value for the whole scan",
                fix="Split the scan into parts of constant value, or give the value with -s.",
            )
        return float(np.median(values))

    def quantity(self, what: str, dataset: h5py.Dataset | None, kind: str, default: str) -> float | None:
        """Read a number with a unit into m, eV or s, and note it.

        Parameters
        ----------
        what
            Name for the note and, where it is a key of ``PLAUSIBLE``, for the check.
        dataset
            Where it is; None gives None.
        kind
            ``"length"``, ``"energy"`` or ``"time"``.
        default
            Unit where the file names none. It ends in "?" where no standard fixes it, and is then a guess.
        """
        if dataset is None or self.given(what):
            return None
        try:
            raw = self.number(dataset)
            unit = attribute(dataset, "units")
            where = self.file.where(dataset)
            option = f"scan.{what}=VALUE" if what in PLAUSIBLE else ""
            factor = KINDS[kind][default.rstrip("?")]
            if unit is not None:
                factor = unit_factor(unit, kind, where=where, option=option)
        except InputError as problem:
            self.refuse(problem, what)
            return None
        if raw is None:
            return None
        value = raw * factor
        wrong = implausible(what, value, where=where, raw=raw) if what in PLAUSIBLE else None
        if wrong is not None:
            self.problems.append(wrong)
        why = f"no unit, taken as {default.rstrip('?')}" if unit is None else f"stored as {raw:.9g} {unit}"
        self.note(what, value, where, why, guess=unit is None and default.endswith("?"))
        return value

    def set_frames(self, datasets: list[h5py.Dataset], path: str) -> None:
        """Check datasets of frames (joined in order) and keep them lazily."""
        try:
            stores = [check_frames(self.file, dataset) for dataset in datasets]
        except InputError as problem:
            self.refuse(problem, "frames")
            return
        frames = lazy_frames(datasets, sum((s.sources for s in stores), ()))
        total, wanted = len(frames), self.overrides.n_frames
        holes, first = [], 0
        for dataset, store in zip(datasets, stores, strict=True):
            holes += [(a + first, b + first) for a, b in store.unwritten if a + first < (wanted or total)]
            first += math.prod(dataset.shape[:-2])
        if wanted is not None and wanted > total:
            self.problems.append(option_error("n_frames", wanted, f"at most the {total} frames there are"))
        elif wanted is not None:
            frames = frames.truncated(wanted)
            self.note("n_frames", f"the first {wanted} of {total}", GIVEN)
        self._report_holes(holes, len(frames), datasets[-1])
        self.frames, self.frames_path = frames, path
        self.note("frames", f"{' x '.join(map(str, frames.shape))} {frames.dtype}", self.file.where(path))

    def _report_holes(self, holes: list[tuple[int, int]], total: int, dataset: h5py.Dataset) -> None:
        """Refuse frames that end before the dataset does; note other frames that were never written."""
        if holes and holes[-1][1] >= total:
            start = holes[-1][0]
            self.problems.append(
                InputError(
                    f"frames {start} to {total - 1} of {total} were never written",
                    where=self.file.where(dataset),
                    expected="all frames written (the scan was aborted, or its file copied too early)",
                    fix=f"Copy the finished file, or use what is there with -s scan.n_frames={start}.",
                )
            )
        elif holes:
            text = ", ".join(f"{a} to {b - 1}" for a, b in holes[:5]) + (" ..." if len(holes) > 5 else "")
            self.note("frames never written", text, dataset, "they read as the dataset's fill value")

    def set_positions(
        self,
        where: str,
        values: NDArray[np.float64],
        unit: str | None,
        *,
        names: tuple[str, str],
        directions: NDArray[np.float64],
        why: str,
        guess: bool = False,
    ) -> None:
        """Keep stage readings.

        Parameters
        ----------
        where
            File and dataset.
        values
            Readings ``(J, 2)`` in the order of `names`.
        unit
            As stored; None where the file is silent: the only plausible one is guessed, otherwise asked for.
        names
            Of the two columns.
        directions
            ``(2, 2)``, rows sample y and x, columns as `names`: how the illuminated patch moves.
        why, guess
            For the note.
        """
        values = values[: self.overrides.n_frames]
        given = self.overrides.position_unit
        if given is not None:
            self.note("position_unit", given, GIVEN, f"the file says {unit}" if unit else "the file is silent")
        elif unit is None:
            unit = self._guess_unit(where, values, names)
        factor = math.nan
        try:
            if given or unit:
                factor = unit_factor(given or unit or "", "length", where=where, option="scan.position_unit=um")
                wrong = implausible_positions(values, values @ directions.T * factor, where=where)
                if wrong is not None:
                    self.problems.append(wrong)
        except InputError as problem:
            self.problems.append(problem)
        unit = normalise_unit(given or unit or "")
        self.positions = RawPositions(values, unit, names, directions * factor)
        self.positions_where = where
        self.note("positions", f"{len(values)} of ({', '.join(names)}) [{unit}]", where, why, guess=guess)

    def _guess_unit(self, where: str, values: NDArray[np.float64], names: tuple[str, str]) -> str | None:
        """Return the only unit in which the readings are a plausible scan, None (a problem) for several."""
        fitting = plausible_position_units(values)
        if len(fitting) == 1 and len(values) > 1:
            self.note("position_unit", fitting[0], where, "no unit; the only plausible one", guess=True)
            return fitting[0]
        low, high = (values.min(), values.max()) if values.size else (math.nan, math.nan)
        self.problems.append(
            InputError(
                f"{len(values)} positions ({', '.join(names)}) from {low:.6g} to {high:.6g} have no unit",
                where=where,
                expected="a units attribute",
                fix="Give it with -s scan.position_unit=um (or m, mm, nm).",
            )
        )
        return None

    def set_mask(self, bad: NDArray[np.bool_], where: h5py.Dataset, why: str) -> None:
        """Keep a mask ``(h, w)``, or ``(J, h, w)`` of which a pixel bad in any frame counts as bad.

        Several masks are joined: a pixel bad in one of them is bad.
        """
        if bad.ndim > 2:
            bad = np.asarray(bad.reshape(-1, *bad.shape[-2:]).any(axis=0))
            why += "; bad in any frame counts as bad"
        share = float(bad.mean()) if bad.size else 0.0
        if share > 0.5:
            self.problems.append(
                InputError(
                    f"the mask rejects {share:.0%} of the pixels",
                    where=self.file.where(where),
                    expected="0 = good, and at most half of the pixels bad",
                    fix="If 1 means good in this file, invert the mask in a copy of it.",
                )
            )
        if self._fits(bad.shape, where):
            self.mask = ~bad if self.mask is None else self.mask & ~bad
            self.note("mask", f"{int(bad.sum())} bad pixels", where, why)

    def _fits(self, shape: tuple[int, ...], where: h5py.Dataset) -> bool:
        """Tell whether the last two axes of a mask or dark frame are the frames'; a problem otherwise."""
        if self.frames is None or tuple(shape[-2:]) == self.frames.shape[1:]:
            return True
        self.refuse(
            InputError(
                f"shape {tuple(shape)}",
                where=self.file.where(where),
                expected=f"the frames' {self.frames.shape[1:]} pixels",
                fix="Correct or remove it in a copy of the file.",
            )
        )
        return False

    def set_dark(self, dataset: h5py.Dataset) -> None:
        """Keep dark frames ``(K, h, w)`` or ``(h, w)``."""
        if len(dataset.shape or ()) in (2, 3) and self._fits(dataset.shape, dataset):
            self.dark = read_array(self.file, dataset)
            self.note("dark frames", f"{' x '.join(map(str, self.dark.shape))} {self.dark.dtype}", dataset)

    def set_saturation(self, dataset: h5py.Dataset | None, why: str = "") -> None:
        """Keep the largest trustworthy count; 0 stands for unset."""
        limit = self.number(dataset)
        if limit is not None and limit > 0:
            self.saturation = limit
            self.note("saturation", limit, dataset, why)

    def set_centre(self, point: tuple[float, float], where: Any, why: str) -> None:
        """Keep the direct beam's stored ``(row, column)``, unless it is unset or off the frame."""
        if self.frames is None:
            return
        _, height, width = self.frames.shape
        value = f"({point[0]:.6g}, {point[1]:.6g}) px"
        if point == (0.0, 0.0) or not (0 <= point[0] <= height - 1 and 0 <= point[1] <= width - 1):
            text = "zero stands for unset" if point == (0.0, 0.0) else f"not on the {height} x {width} frame"
            self.note("beam centre", "unknown", where, f"{value} in the file: {text}", guess=True)
            return
        self.beam_centre_px = (float(point[0]), float(point[1]))
        self.note("beam centre", value, where, why)

    def set_monitor(self, dataset: h5py.Dataset) -> None:
        """Keep the incident flux per frame where it is usable."""
        try:
            values = np.asarray(read_array(self.file, dataset), dtype=np.float64).reshape(-1)
        except InputError as problem:
            self.note("monitor", "not used", dataset, problem.found)
            return
        values = values[: self.overrides.n_frames]
        if self.frames is not None and len(values) != len(self.frames):
            self.note("monitor", "not used", dataset, f"{len(values)} values for {len(self.frames)} frames")
        elif not (np.isfinite(values).all() and (values > 0).all()):
            self.note("monitor", "not used", dataset, "values that are not finite and positive")
        else:
            self.monitor = values
            self.note("monitor", f"{len(values)} values, mean {values.mean():.6g}", dataset)

    def set_zone_plate(
        self, where: h5py.Group, diameter_m: float | None, outer_zone_m: float | None, **more: Any
    ) -> None:
        """Keep the zone plate where at least diameter and outermost zone are known."""
        if diameter_m is None or outer_zone_m is None:
            self.note("zone plate", "unknown", where, "no diameter or no outermost zone width")
            return
        try:
            self.zone_plate = ZonePlate(diameter_m, outer_zone_m, **more)
        except InputError as problem:
            self.problems.append(
                InputError(problem.found, where=self.file.where(where), expected=problem.expected, fix=problem.fix)
            )

    def note_unused(self, group: h5py.Group, used: set[str]) -> None:
        """List what a group holds that was not read."""
        unused = sorted(name for name in names(group) if name not in used)
        if unused:
            self.note("not used", ", ".join(unused), group, "not understood, or of no use here")
