"""Running statistics of every pixel over a stack too large for memory."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

# The largest values of a pixel that can be left out: cosmic rays.
TOP = 4
LEVEL_STEP = 5


class PixelStatistics:
    """Mean, variance, extremes of pixels ``(h, w)``, from blocks of frames given one at a time.

    Memory is that of ten frames, and of the block. Values that are not finite count as the pixel's first one.
    Frames that are nothing but zeros (dropped) are left out.
    """

    def __init__(self) -> None:
        self.n, self.whole = 0, True
        self._levels: list[float] = []
        self._first: NDArray[np.float64] | None = None
        self._sum: NDArray[np.float64]
        self._square: NDArray[np.float64]
        self._top: NDArray[np.float64]
        self.minimum: NDArray[np.float64]

    def add(self, block: NDArray[Any]) -> None:
        """Take frames ``(n, h, w)``, or one frame ``(h, w)``."""
        for frame in block[None] if block.ndim == 2 else block:
            if frame.any():
                self._add(np.asarray(frame, np.float64))

    def _add(self, frame: NDArray[np.float64]) -> None:
        if self._first is None:
            self._first = np.where(np.isfinite(frame), frame, 0.0)
            self._sum, self._square = np.zeros(frame.shape), np.zeros(frame.shape)
            self._top = np.full((TOP, *frame.shape), -np.inf)
            self.minimum = self._first.copy()
        # sums of differences from the first frame keep their digits above a large offset
        difference = np.where(np.isfinite(frame), frame - self._first, 0.0)
        value = difference + self._first
        self.n += 1
        self.whole = self.whole and bool((value == np.rint(value)).all())
        # a sample of pixels does for the level of the dim part of the frame
        sample = value.ravel()[::LEVEL_STEP]
        lowest = max(len(sample) // 10, 1)
        self._levels.append(float(np.partition(sample, lowest - 1)[:lowest].mean()))
        self._sum += difference
        self._square += difference**2
        np.minimum(self.minimum, value, out=self.minimum)
        for kept in self._top:  # in order, largest first; what is pushed out goes on to the next place
            lower = np.minimum(kept, value)
            np.maximum(kept, value, out=kept)
            value = lower

    @property
    def maximum(self) -> NDArray[np.float64]:
        """Largest value ``(h, w)``."""
        return self._top[0].copy()

    @property
    def first(self) -> NDArray[np.float64]:
        """First frame ``(h, w)``."""
        if self._first is None:
            raise ValueError("no frames yet")
        return self._first

    @property
    def drift_variance(self) -> float:
        """Variance over frames of the level of the dim part: mean of the lowest tenth of a frame's values."""
        return float(np.var(self._levels))

    @property
    def level_steps(self) -> float:
        """Variance of one frame's step of that level: the median square, so that a few leaps do not count."""
        # 0.455: median of the chi-square law with one degree of freedom
        return float(np.median(np.diff(self._levels) ** 2)) / 0.455 if self.n > 1 else 0.0

    def trimmed(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Mean and variance ``(h, w)`` without each pixel's largest values, and a usual largest value.

        The latter is the largest that is kept, or the fourth largest where four are left out: 4 of more than
        40 frames are left out, 2 of more than 10, none of fewer than 4, and one between. It lowers the variance
        of normal pixels by some ten per cent, of all alike.
        """
        first = self.first
        drop = TOP if self.n > 40 else 2 if self.n > 10 else 1 if self.n >= 4 else 0
        gone = self._top[:drop] - first
        n = self.n - drop
        total = self._sum - gone.sum(axis=0)
        square = self._square - (gone**2).sum(axis=0)
        variance = np.maximum(square - total**2 / n, 0) / max(n - 1, 1)
        largest = self._top[drop] if drop < TOP else self._top[-1]
        return first + total / n, variance, np.where(np.isfinite(largest), largest, self._top[0])
