"""Some frames of a stack, as a stack of its own that is still read slice by slice."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.scan import Frames


class SelectedFrames:
    """Chosen frames of a stack ``(J, h, w)``; pickles and copies as freely as the stack does.

    Parameters
    ----------
    frames
        The whole stack.
    indices
        ``(J,)`` which of its frames, ascending.
    """

    def __init__(self, frames: Frames, indices: NDArray[np.int64]) -> None:
        self.frames, self.indices = frames, indices
        self.shape: tuple[int, int, int] = (len(indices), *frames.shape[1:])
        self.dtype: np.dtype[Any] = frames.dtype
        self.chunk_frames = int(getattr(frames, "chunk_frames", 1))

    @property
    def ndim(self) -> int:
        """Three."""
        return 3

    @property
    def nbytes(self) -> int:
        """Bytes of all chosen frames in memory, if they were read."""
        return math.prod(self.shape) * self.dtype.itemsize

    def __len__(self) -> int:
        return self.shape[0]

    def __repr__(self) -> str:
        return f"SelectedFrames({len(self)} of {self.frames!r})"

    def __getitem__(self, key: slice | int) -> NDArray[Any]:
        """Read frames ``(n, h, w)`` for a slice, ``(h, w)`` for one index, as the whole stack does."""
        if isinstance(key, int | np.integer):
            if not -len(self) <= key < len(self):
                raise IndexError(f"frame {key} of {len(self)}")
            index = int(self.indices[key])
            found: NDArray[Any] = self.frames[index : index + 1][0]
            return found
        if not isinstance(key, slice):
            raise TypeError(f"frames are read by slice or index, not by {type(key).__name__}")
        if key.step is not None and key.step < 1:
            raise TypeError("frames are read forwards: the slice's step must be positive")
        wanted = self.indices[key]
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
