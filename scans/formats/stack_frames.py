"""What all frames share that stay in their file until a slice of them is asked for."""

from __future__ import annotations

import copy
import math
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray


class StackFrames:
    """Stack of frames ``(J, h, w)`` that is read slice by slice; the base of all frames that stay in their file.

    Parameters
    ----------
    shape
        ``(J, h, w)``.
    dtype
        As stored; frames come in native byte order, booleans as uint8.
    chunk_frames
        Frames that are cheapest read together.
    """

    def __init__(self, shape: tuple[int, int, int], dtype: np.dtype[Any], *, chunk_frames: int = 1) -> None:
        self.shape = shape
        self.dtype: np.dtype[Any] = np.dtype(np.uint8) if dtype.kind == "b" else dtype.newbyteorder("=")
        self.chunk_frames = chunk_frames

    @property
    def ndim(self) -> int:
        """Three."""
        return 3

    @property
    def nbytes(self) -> int:
        """Bytes of all frames in memory, if they were read."""
        return math.prod(self.shape) * self.dtype.itemsize

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: slice | int) -> NDArray[Any]:
        """Read frames ``(n, h, w)`` for a slice, ``(h, w)`` for one index.

        Raises
        ------
        InputError
            When a file has changed, gone, or is damaged; names file and frames.
        """
        if isinstance(key, int | np.integer):
            index = int(key) + (self.shape[0] if key < 0 else 0)
            if not 0 <= index < self.shape[0]:
                raise IndexError(f"frame {key} of {self.shape[0]}")
            return self._read(index, index + 1)[0]
        if not isinstance(key, slice):
            raise TypeError(f"frames are read by slice or index, not by {type(key).__name__}")
        start, stop, step = key.indices(self.shape[0])
        if step < 1:
            raise TypeError("frames are read forwards: the slice's step must be positive")
        if step == 1 or stop - start <= 1:
            return self._read(start, max(stop, start))
        return np.stack([self._read(j, j + 1)[0] for j in range(start, stop, step)])

    def truncated(self, n_frames: int) -> Self:
        """Return the first `n_frames` frames."""
        first = copy.copy(self)
        first.shape = (n_frames, *self.shape[1:])
        return first

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        """Read frames `start` to `stop` in `dtype`."""
        raise NotImplementedError
