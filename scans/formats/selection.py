"""Some frames of a stack, as a stack of its own that is still read slice by slice."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.formats.stack_frames import StackFrames
from scans.scan import Frames


class SelectedFrames(StackFrames):
    """Chosen frames of a stack ``(J, h, w)``; pickles and copies as freely as the stack does.

    Parameters
    ----------
    frames
        The whole stack.
    indices
        ``(J,)`` which of its frames, ascending.
    """

    def __init__(self, frames: Frames, indices: NDArray[np.int64]) -> None:
        super().__init__(
            (len(indices), *frames.shape[1:]), frames.dtype, chunk_frames=getattr(frames, "chunk_frames", 1)
        )
        self.frames, self.indices = frames, indices

    def __repr__(self) -> str:
        return f"SelectedFrames({len(self)} of {self.frames!r})"

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        """Read the frames in runs."""
        wanted = self.indices[start:stop]
        out = np.empty((len(wanted), *self.shape[1:]), dtype=self.dtype)
        for part in self._runs(wanted):
            numbers = wanted[part]
            out[part] = self.frames[int(numbers[0]) : int(numbers[-1]) + 1][numbers - numbers[0]]
        return out

    def _runs(self, wanted: NDArray[np.int64]) -> list[slice]:
        """Cut ascending indices into runs read at once: neighbours, and frames of the same chunk."""
        if not wanted.size:
            return []
        same_chunk = np.diff(wanted // self.chunk_frames) == 0
        cuts = np.flatnonzero((np.diff(wanted) > 1) & ~same_chunk) + 1
        edges = [0, *cuts.tolist(), wanted.size]
        return [slice(a, b) for a, b in itertools.pairwise(edges)]


def select(frames: Frames, indices: NDArray[np.int64]) -> Frames:
    """Return the chosen frames; the stack itself where that is all of them, its start where it can say so."""
    n = len(indices)
    if n and indices[0] == 0 and indices[-1] == n - 1:
        if n == frames.shape[0]:
            return frames
        if hasattr(frames, "truncated"):
            start: Frames = frames.truncated(n)
            return start
    return SelectedFrames(frames, indices)
