"""What a reader collects from one file: values, where each came from, and what is wrong with it.

`facts_base` holds the values, notes and problems, `facts_pixels` and `facts_positions` the setters of what there
is for each pixel and for each frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np

from scans.errors import InputError
from scans.formats.facts_base import GIVEN, PositionTable
from scans.formats.facts_pixels import PixelFacts
from scans.formats.facts_positions import PositionFacts
from scans.formats.hdf5 import names
from scans.formats.lazy import lazy_frames
from scans.formats.preflight import check_frames, complete_of
from scans.formats.selection import select
from scans.scan import Frames, ZonePlate

__all__ = ["GIVEN", "Facts", "PositionTable"]


@dataclass
class Facts(PixelFacts, PositionFacts):
    """One scan being read.

    Pixel sizes and the beam centre are those of the *stored* frame, ``(slow, fast)`` = (row, column).
    Problems are collected, not raised, so that a person can put everything right in one go.
    """

    def set_frames(self, datasets: list[h5py.Dataset], path: str) -> None:
        """Check datasets of frames (joined in order) and keep them lazily."""
        try:
            stores = [check_frames(self.file, dataset) for dataset in datasets]
        except InputError as problem:
            self.refuse(problem, "frames")
            return
        counts = [math.prod(dataset.shape[:-2]) for dataset in datasets]
        frames: Frames = lazy_frames(datasets, sum((s.sources for s in stores), ()))
        complete = complete_of(stores, counts)
        self.growing = complete is not None
        if complete is not None and complete < frames.shape[0]:
            frames = select(frames, np.arange(complete))
        holes = [(a + f, b + f) for s, f in zip(stores, _starts(counts), strict=True) for a, b in s.unwritten]
        self.unwritten = [(a, min(b, frames.shape[0])) for a, b in holes if a < frames.shape[0]]
        self.keep_frames(frames, path)
        self._note_holes(datasets[-1])
        if self.growing:
            text = f"the first {frames.shape[0]} of {sum(counts)} are complete"
            self.note("growing file", text, datasets[0], "it is still being written", guess=True)

    def _note_holes(self, dataset: h5py.Dataset) -> None:
        """Note frames in between that were never written; those at the end are settled with the positions."""
        holes = [hole for hole in self.unwritten if hole[1] < self.n_in_file]
        if holes:
            text = ", ".join(f"{a} to {b - 1}" for a, b in holes[:5]) + (" ..." if len(holes) > 5 else "")
            self.note("frames never written", text, dataset, "they read as the dataset's fill value", guess=True)

    def keep_frames(self, frames: Frames, path: str, where: str = "") -> None:
        """Keep a stack that is checked already, such as one of single-frame files."""
        self.frames = self.all_frames = frames
        self.frames_path = path
        self.note("frames", f"{' x '.join(map(str, frames.shape))} {frames.dtype}", where or self.file.where(path))

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


def _starts(counts: list[int]) -> list[int]:
    """Return the number of the first frame of each dataset."""
    return [sum(counts[:i]) for i in range(len(counts))]
