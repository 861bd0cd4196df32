"""What a reader collects about each frame: stage readings, monitor, exposures, and which frames are the scan's."""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts_base import FactsBase, PositionTable
from scans.formats.selection import select
from scans.formats.units import KINDS, unit_factor
from scans.formats.values import attribute

# Exposures that differ less are one exposure.
SAME_EXPOSURE = 1e-3


class PositionFacts(FactsBase):
    """Setters of what there is one of for each frame.

    Everything is kept as read: `settling.settle` pairs it with the frames.
    """

    @property
    def n_in_file(self) -> int:
        """Number of frames in the file's stack; 0 without frames."""
        stack = self.all_frames if self.all_frames is not None else self.frames
        return 0 if stack is None else int(stack.shape[0])

    @property
    def chosen(self) -> NDArray[np.int64]:
        """Numbers in the file's stack of the frames chosen so far."""
        return np.arange(self.n_in_file) if self.index_in_file is None else self.index_in_file

    def select_frames(self, indices: NDArray[Any], why: str, where: Any = None) -> None:
        """Keep only some frames of the stack, such as those whose key says that they belong to the scan.

        Positions, monitor, exposures and masks may have been or may yet be set for all frames of the file or
        for these only: their number tells.

        Parameters
        ----------
        indices
            Their numbers in the file's stack, ascending and different.
        why, where
            For the note; `where` is the frames' dataset by default.
        """
        indices = np.asarray(indices, dtype=np.int64).reshape(-1)
        where = self.file.where(self.frames_path) if where is None else where
        if not indices.size:
            fix = "Name another dataset of frames after '::', or correct the keys in a copy of the file."
            name = where if isinstance(where, str) else self.file.where(where)
            problem = InputError("no frame is left", where=name, expected="frames of the scan", fix=f"({why}) {fix}")
            self.refuse(problem, "frames")
            return
        if self.all_frames is None:
            self.all_frames = self.frames
        if self.all_frames is None:
            return
        self.index_in_file = np.intersect1d(indices, self.chosen).astype(np.int64)
        self.frames = select(self.all_frames, self.index_in_file)
        self.note("frames used", f"{len(self.index_in_file)} of {self.n_in_file}", where, why)

    def set_positions(
        self,
        where: str,
        values: NDArray[np.float64],
        unit: str | tuple[str | None, str | None] | None,
        *,
        names: tuple[str, str],
        directions: NDArray[np.float64],
        why: str,
        guess: bool = False,
        readings: NDArray[np.float64] | None = None,
    ) -> None:
        """Keep stage readings.

        Parameters
        ----------
        where
            File and dataset.
        values
            Readings ``(P, 2)`` in the order of `names`.
        unit
            As stored, of both columns or of each; None where the file is silent: the only plausible one is
            guessed, otherwise asked for.
        names
            Of the two columns.
        directions
            ``(2, 2)``, rows sample y and x, columns as `names`: how the illuminated patch moves.
        why, guess
            For the note.
        readings
            ``(P, K, 2)`` where several were taken during each exposure, in order of time (nan where there were
            fewer); `values` is their mean.
        """
        values = np.asarray(values, dtype=np.float64)
        units = unit if isinstance(unit, tuple) else (unit, unit)
        self.table = PositionTable(where, values, units, names, directions, why, guess, readings)
        self.positions_where = where

    def set_monitor(self, dataset: h5py.Dataset | NDArray[Any], where: Any = None) -> None:
        """Keep a monitor of the incident flux; the first that turns out usable when all is read becomes the scan's."""
        where = dataset if where is None else where
        name = where if isinstance(where, str) else self.file.where(where)
        try:
            values = self.values(dataset) if isinstance(dataset, h5py.Dataset) else np.asarray(dataset, np.float64)
        except InputError as problem:
            self.note("monitor", "not used", name, problem.found)
            return
        self.monitors.append((values.reshape(-1), name))

    def set_exposures(
        self,
        exposures: h5py.Dataset | NDArray[Any] | float | None,
        default: str = "s?",
        where: Any = None,
        why: str = "",
    ) -> None:
        """Keep the exposure time: one for all frames, or one for each where frames differ.

        Parameters
        ----------
        exposures
            Dataset (with its unit) or seconds; one number, or one for each frame of the file; None does nothing.
        default
            Unit where a dataset names none; "?" at its end marks a guess.
        where
            HDF5 object or text; the dataset by default.
        why
            For the note.
        """
        if exposures is None:
            return
        where = exposures if where is None else where
        try:
            seconds, unit = self._seconds(exposures, default)
        except InputError as problem:
            self.refuse(problem)
            return
        seconds = seconds[np.isfinite(seconds)] if seconds.size == 1 else seconds
        if not seconds.size or not (np.isfinite(seconds).all() and (seconds > 0).all()):
            if seconds.size and np.any(seconds != 0):  # zero stands for unset
                self.note("exposure_s", "not used", where, "exposures that are not finite and positive")
            return
        low, high = float(seconds.min()), float(seconds.max())
        guess = unit is None and default.endswith("?")
        text = why or (f"no unit, taken as {default.rstrip('?')}" if unit is None else f"stored in {unit}")
        if high - low <= SAME_EXPOSURE * high:
            self.exposure_s = float(np.median(seconds))
            self.note("exposure_s", self.exposure_s, where, text, guess=guess)
            return
        self.exposures_s = seconds
        self.note("exposures_s", f"{len(seconds)} from {low:.6g} to {high:.6g}", where, text, guess=guess)

    def _seconds(
        self, exposures: h5py.Dataset | NDArray[Any] | float, default: str
    ) -> tuple[NDArray[np.float64], str | None]:
        """Exposures ``(K,)`` in seconds, and their unit as stored."""
        if not isinstance(exposures, h5py.Dataset):
            return np.asarray(exposures, dtype=np.float64).reshape(-1), "s"
        unit = attribute(exposures, "units")
        factor = KINDS["time"][default.rstrip("?")]
        if unit is not None:
            factor = unit_factor(unit, "time", where=self.file.where(exposures))
        return self.values(exposures).reshape(-1) * factor, unit
