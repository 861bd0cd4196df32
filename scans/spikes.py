"""Cosmic-ray spikes: pixels of single frames far above what their neighbours and other frames allow.

Two independent expectations must both be exceeded: what the same pixel shows in other frames, and what the
pixel's neighbours show in the frame. A bright speckle fails the second: a speckle spreads over more than one
pixel when the frame's field is wider than the probe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

SIGMA = 8.0  # above both expectations
SPARE = 1.5  # factor on the level of other frames: the next frame may reach a little more than all before
HALO_SIGMA = 4.0  # for pixels that touch a spike: tracks and shared charge
ROUNDS = 3  # each one reaches a pixel further along a track
REACH = ROUNDS + 2  # pixels from which a verdict may come: along a track, from neighbours, into the halo
AROUND = np.array([(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)])


class HighLevels:
    """Mean and two highest values of each pixel, block by block.

    The second highest is what a pixel reaches without a hit: a cosmic ray strikes a pixel once.
    """

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.n = 0
        self._total = np.zeros(shape)
        self._first = np.full(shape, -np.inf, np.float32)
        self._second = np.full(shape, -np.inf, np.float32)

    def add(self, frames: NDArray[np.floating]) -> None:
        """Take in frames ``(n, h, w)``; unmeasured pixels hold 0."""
        for frame in frames:
            np.maximum(self._second, np.minimum(self._first, frame), out=self._second)
            np.maximum(self._first, frame, out=self._first)
            self._total += frame
        self.n += len(frames)

    @property
    def mean(self) -> NDArray[np.float64]:
        """Mean of each pixel ``(h, w)``."""
        return self._total / max(self.n, 1)

    @property
    def high(self) -> NDArray[np.float32]:
        """Second highest value of each pixel ``(h, w)``; the highest of a single frame."""
        return np.maximum(self._second if self.n > 1 else self._first, 0)


@dataclass(frozen=True)
class SpikePlan:
    """Limits for `find`.

    Parameters
    ----------
    limit, halo
        ``(h, w)`` float32: a spike exceeds `limit`, its halo `halo`.
    gain, variance
        Counts a photon, and read-noise variance [counts²]: a level L varies by ``gain·max(L, gain) + variance``.
    good
        ``(h, w)`` bool.
    """

    limit: NDArray[np.float32] = field(repr=False)
    halo: NDArray[np.float32] = field(repr=False)
    gain: float
    variance: float
    good: NDArray[np.bool_] = field(repr=False)
    steps: tuple[str, ...] = ()

    def part(self, box: tuple[slice, slice]) -> SpikePlan:
        """Return the limits of some rows and columns; spikes within `REACH` of the rim may be judged otherwise."""
        levels = (np.ascontiguousarray(a[box]) for a in (self.limit, self.halo))
        return replace(self, limit=next(levels), halo=next(levels), good=np.ascontiguousarray(self.good[box]))

    def find(self, frames: NDArray[Any], bad: NDArray[np.bool_] | None = None) -> NDArray[np.bool_] | None:
        """Flag spikes in frames ``(n, h, w)``; None when there are none.

        `bad` ``(n, h, w)`` marks pixels without a value in single frames (saturated); they are not judged, nor
        are pixels with three or more unmeasured neighbours (those in the frame's corners among them).
        """
        # where nothing sticks out of the other frames, nothing costs more than one comparison
        where = self._candidates(frames, bad)
        if not where.size:
            return None
        flags, struck = np.zeros(frames.shape, bool), []
        for _ in range(ROUNDS):
            chosen = where[self._exceeds_neighbours(frames, where, flags, bad)]
            if not chosen.size:
                break
            flags.reshape(-1)[chosen] = True
            struck.append(chosen)
            where = np.setdiff1d(where, chosen, assume_unique=True)
        if not struck:
            return None
        self._add_halo(frames, flags, np.concatenate(struck), bad)
        return flags

    def _candidates(self, frames: NDArray[Any], bad: NDArray[np.bool_] | None) -> NDArray[np.int64]:
        """Flat indices of good pixels above the limit."""
        above = frames > self._limit_in(frames.dtype)
        if not above.any():
            return np.zeros(0, np.int64)
        at = np.flatnonzero(above)
        sound = self.good.reshape(-1)[at % self.good.size]
        return at[sound if bad is None else sound & ~bad.reshape(-1)[at]]

    def _limit_in(self, dtype: np.dtype[Any]) -> NDArray[Any]:
        """Limit ``(h, w)`` in the type of the frames, so that integers are compared as such."""
        if dtype.kind not in "iu":
            return self.limit
        limit = self._whole_limits.get(dtype.str)
        if limit is None:
            # a whole number exceeds a limit where it exceeds the whole number below; nothing exceeds the type's top
            top = np.iinfo(dtype).max
            below = np.where(self.good, np.floor(self.limit.astype(np.float64)), top)
            limit = self._whole_limits[dtype.str] = np.minimum(below, top).astype(dtype)
        return limit

    @cached_property
    def _whole_limits(self) -> dict[str, NDArray[Any]]:
        """Limits ``(h, w)`` in integer types, as they are needed."""
        return {}

    def _exceeds_neighbours(
        self,
        frames: NDArray[Any],
        where: NDArray[np.int64],
        flags: NDArray[np.bool_],
        bad: NDArray[np.bool_] | None,
    ) -> NDArray[np.bool_]:
        """Compare candidates with the third highest of their eight neighbours, and how fast those fall off.

        A track through the pixel has two bright neighbours. The narrowest peak, that of a round probe half as
        wide as the field, has four neighbours of 0.52 and four of 0.25 of its height (Airy's pattern):
        ``third + 3·(third - lowest)`` bounds it wherever it lies between pixels.
        """
        n, y, x = np.unravel_index(where, frames.shape)
        ny, nx = y[:, None] + AROUND[:, 0], x[:, None] + AROUND[:, 1]
        out_y, out_x = (ny < 0) | (ny >= frames.shape[1]), (nx < 0) | (nx >= frames.shape[2])
        # outside the frame: the pixel mirrored in the candidate, those at the corners unknown
        ny, nx = np.where(out_y, 2 * y[:, None] - ny, ny), np.where(out_x, 2 * x[:, None] - nx, nx)
        unknown = ((out_y | out_x) & AROUND.all(axis=1)) | ~self.good[ny, nx]
        index = np.ravel_multi_index((np.broadcast_to(n[:, None], ny.shape), ny, nx), frames.shape)
        around = frames.reshape(-1)[index].astype(np.float32)
        around[flags.reshape(-1)[index]] = 0  # found already: says nothing of the expectation
        lowest = np.maximum(around.min(axis=1), 0)
        if bad is not None:
            unknown |= bad.reshape(-1)[index]
        around[unknown] = np.inf
        third = np.maximum(np.partition(around, -3, axis=1)[:, -3], 0)
        with np.errstate(invalid="ignore"):  # three neighbours unknown: inf, never exceeded
            expected = third + 3 * np.maximum(third - lowest, 0)
        limit = expected + SIGMA * np.sqrt(self.gain * np.maximum(expected, self.gain) + self.variance)
        return np.asarray(frames.reshape(-1)[where] > limit)

    def _add_halo(
        self,
        frames: NDArray[Any],
        flags: NDArray[np.bool_],
        struck: NDArray[np.int64],
        bad: NDArray[np.bool_] | None,
    ) -> None:
        """Flag, in place, pixels that touch a spike (flat indices `struck`) and exceed the lower limit."""
        n, y, x = np.unravel_index(struck, flags.shape)
        for dy, dx in AROUND:
            inside = (y + dy >= 0) & (y + dy < frames.shape[1]) & (x + dx >= 0) & (x + dx < frames.shape[2])
            at = n[inside], y[inside] + dy, x[inside] + dx
            high = (frames[at] > self.halo[at[1:]]) & self.good[at[1:]]
            if bad is not None:
                high &= ~bad[at]
            flags[at] |= high


def plan_spikes(
    high: NDArray[Any],
    good: NDArray[np.bool_],
    *,
    n_frames: int,
    mean: NDArray[Any] | None = None,
    counts_per_photon: float = 1.0,
    read_noise: float = 0.0,
) -> SpikePlan | None:
    """Fix the limits from what pixels reach in other frames; None with fewer than five of them.

    Parameters
    ----------
    high
        ``(h, w)`` second highest value of each pixel (`HighLevels.high`), or a high quantile [counts].
    good
        ``(h, w)`` bool.
    n_frames
        Frames that `high` and `mean` were made from; a bounded sample will do.
    mean
        ``(h, w)`` mean pattern: where counts are few, the level is not taken below it.
    counts_per_photon
        Counts a photon, 1 for photons; the best guess where it is unknown: too low a gain makes false spikes.
    read_noise
        Rms [counts].
    """
    if n_frames < 5:
        return None
    level = np.asarray(high, np.float32)
    level = np.maximum(level, 0 if mean is None else np.asarray(mean, np.float32))
    # a peak moves between frames: its neighbours say more of what a pixel may reach
    wide = level.copy()
    for dy, dx in AROUND:
        source = level[max(dy, 0) : level.shape[0] + min(dy, 0), max(dx, 0) : level.shape[1] + min(dx, 0)]
        target = wide[max(-dy, 0) : wide.shape[0] + min(-dy, 0), max(-dx, 0) : wide.shape[1] + min(-dx, 0)]
        np.maximum(target, np.where(_part(good, dy, dx), source, 0), out=target)
    gain, variance = float(counts_per_photon), read_noise**2

    def noise(levels: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.sqrt(np.float32(gain) * np.maximum(levels, np.float32(gain)) + np.float32(variance))

    text = (
        f"spikes: pixels {SIGMA:g} sigma above their neighbours and above {SPARE:g} times the second highest of "
        f"{n_frames} frames are masked there; sigma of an empty pixel {math.sqrt(gain**2 + variance):.3g} counts"
    )
    limit = np.float32(SPARE) * wide + SIGMA * noise(wide)
    return SpikePlan(limit, np.float32(SPARE) * level + HALO_SIGMA * noise(level), gain, variance, good, (text,))


def _part(array: NDArray[np.bool_], dy: int, dx: int) -> NDArray[np.bool_]:
    return array[max(dy, 0) : array.shape[0] + min(dy, 0), max(dx, 0) : array.shape[1] + min(dx, 0)]
