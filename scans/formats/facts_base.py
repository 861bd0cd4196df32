"""What a reader collects: the values themselves, where each came from, and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.companions import true_values
from scans.formats.hdf5 import InputFile
from scans.formats.overrides import Overrides
from scans.formats.units import KINDS, PLAUSIBLE, implausible, unit_factor
from scans.formats.values import attribute
from scans.scan import Frames, Note, Orientation, RawPositions, ZonePlate

GIVEN = "given by the user"


@dataclass(frozen=True)
class PositionTable:
    """Stage readings as read, before they are paired with frames and brought to metres.

    Parameters
    ----------
    where
        File and dataset(s).
    values
        ``(P, 2)`` in the order of `names`.
    units
        Of the two columns as stored; None where the file is silent.
    names
        Of the two columns.
    directions
        ``(2, 2)``, rows sample y and x, columns as `names`: how the illuminated patch moves.
    why, guess
        For the note.
    readings
        ``(P, K, 2)`` readings during each exposure, whose mean is `values`; None for one a frame.
    """

    where: str
    values: NDArray[np.float64]
    units: tuple[str | None, str | None]
    names: tuple[str, str]
    directions: NDArray[np.float64]
    why: str
    guess: bool = False
    readings: NDArray[np.float64] | None = None


@dataclass
class FactsBase:
    """Values of one scan being read, and the notes and problems on them. `Facts` has the setters."""

    file: InputFile
    layout: str
    entry: str
    overrides: Overrides
    energy_ev: float | None = None
    distance_m: float | None = None
    pixel_stored_m: tuple[float, float] | None = None
    orientation: Orientation | None = None
    # What is chosen of the stack so far; `all_frames` is the stack as the file has it.
    frames: Frames | None = None
    all_frames: Frames | None = None
    frames_path: str = ""
    unwritten: list[tuple[int, int]] = field(default_factory=list)
    growing: bool = False  # the file is still being written
    # The table as read; `positions` in metres, one for each frame, only after `settling.settle`.
    table: PositionTable | None = None
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
    # Monitors in order of preference: values, where.
    monitors: list[tuple[NDArray[np.float64], str]] = field(default_factory=list)
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

    def values(self, dataset: h5py.Dataset) -> NDArray[np.float64]:
        """Values of a small dataset as float64, ``<name>_offset`` and ``<name>_scaling_factor`` applied and noted.

        Raises
        ------
        InputError
            When it cannot be read.
        """
        values, why = true_values(self.file, dataset)
        where = self.file.where(dataset)
        if why and not any(n.where == where and n.value == why for n in self.notes):
            self.note(f"values of {dataset.name}", why, dataset, "its offset and scaling factor (NXdata)")
        return values

    def number(self, dataset: h5py.Dataset | None) -> float | None:
        """One number of a dataset: a scalar, or an array of equal values (per frame or per pixel)."""
        if dataset is None:
            return None
        values = self.values(dataset).reshape(-1)
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
