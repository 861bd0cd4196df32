"""Single photons in dim pixels: their charge, summed over 3 x 3 pixels, and the peak of these sums."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

# A hit rises this many rms of the noise above the empty pixels around it (a false one in 3e6 pixels).
THRESHOLD = 5.0
# The ring around a hit must be empty within this, both ways.
RING = 2.5
# One step further out there must be none above this.
OUTSIDE = 3.5
# Nearer to the threshold only photons are seen that noise lifted or that kept their charge: rms of the noise.
CLEAR = 12.0
MOST_HITS = 100_000
FEWEST_HITS = 100
# Rms of a hit's sum in units of the pixel noise: nine pixels, and the mean of a ring of 16 taken nine times.
SUM_NOISE = math.sqrt(9 + 81 / 16)
# Light around and charge below the noise do not let a peak be known better (simulated scans, 30 seeds).
LEAST_ERROR = 0.006
# The response of a detector varies smoothly by about so much (common practice, no source): a gain from one corner
# is that corner's.
RESPONSE_VARIES = 0.018
CELLS = 6
# Steps to the pixels two and three away from a hit, nearest first.
AROUND = [(dy, dx) for n in (2, 3) for dy in range(-n, n + 1) for dx in range(-n, n + 1) if max(abs(dy), abs(dx)) == n]


class PhotonHits:
    """Isolated hits found frame by frame; `good` ``(h, w)`` says where, `noise` is the rms a pixel [counts]."""

    def __init__(self, good: NDArray[np.bool_], noise: float | None) -> None:
        # the 5 x 5 around a hit must be measured, and three pixels away there must be some
        self._usable = ndimage.binary_erosion(good, np.ones((5, 5), bool))
        self._usable[[0, 1, 2, -1, -2, -3]] = self._usable[:, [0, 1, 2, -1, -2, -3]] = False
        self.noise = noise
        self._parts: list[tuple[NDArray[Any], ...]] = []
        self._n = 0

    def add(self, block: NDArray[Any]) -> None:
        """Take frames ``(n, h, w)``."""
        for frame in block:
            if self._n < MOST_HITS:
                self._add_frame(np.asarray(frame, np.float64))

    def _add_frame(self, frame: NDArray[np.float64]) -> None:
        if self.noise is None:
            self.noise = dim_noise(frame[self._usable])
        nine = box_sum(frame, 3)
        ring = (box_sum(frame, 5) - nine) / 16
        limit = max(THRESHOLD * self.noise, 1e-9 * float(np.abs(frame).max()))
        y, x = np.nonzero(local_tops(frame, self._usable & (frame - ring > limit)))
        y, x = self._alone(frame, ring, y, x)
        sums, tops = nine[y, x] - 9 * ring[y, x], frame[y, x] - ring[y, x]
        self._parts.append((y * frame.shape[1] + x, sums, tops))
        self._n += len(y)

    def _alone(
        self, frame: NDArray[np.float64], ring: NDArray[np.float64], y: NDArray[np.int64], x: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Places that have an empty ring two steps away, and no photon at three.

        Charge that a photon three steps away shares would lift the ring, and lower the sum.
        """
        limit = (self.noise or 0.0) * math.sqrt(1 + 1 / 16)
        for dy, dx in AROUND:
            rise = frame[y + dy, x + dx] - ring[y, x]
            keep = np.abs(rise) <= RING * limit if max(abs(dy), abs(dx)) == 2 else rise <= OUTSIDE * limit
            y, x = y[keep], x[keep]
        return y, x

    def collected(self, quiet: NDArray[np.bool_]) -> Hits:
        """Hits so far; those near pixels that hit too often, or are not `quiet`, left out."""
        if not self._parts:
            return Hits(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
        place, sums, tops = (np.concatenate(each) for each in zip(*self._parts, strict=True))
        shape = self._usable.shape
        number = np.bincount(place, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float64)
        density = np.maximum(ndimage.uniform_filter(number, 9) * 81 / 80 - number / 80, 0)
        noisy = (number > 4 * density + 8) | ~quiet
        # a noisy pixel spoils the sums of its neighbours
        clean = ~ndimage.binary_dilation(noisy, np.ones((5, 5), bool)).ravel()[place]
        return Hits(sums[clean], tops[clean], density.ravel()[place][clean], cells(place[clean], shape))


def box_sum(image: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Sum squares of n x n pixels (n odd) around each pixel ``(h, w)``; 0 where they reach over the edge."""
    h, w = image.shape
    rows = image[: h - n + 1].copy()
    for k in range(1, n):
        rows += image[k : h - n + 1 + k]
    total = np.zeros((h, w))
    inner = total[n // 2 : h - n // 2, n // 2 : w - n // 2]
    for k in range(n):
        inner += rows[:, k : w - n + 1 + k]
    return total


def local_tops(image: NDArray[np.float64], where: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels ``(h, w)`` of `where` that no pixel of their 3 x 3 exceeds; none at the edge."""
    found = np.zeros(image.shape, bool)
    inner, middle = found[1:-1, 1:-1], image[1:-1, 1:-1]
    inner[...] = where[1:-1, 1:-1]
    h, w = middle.shape
    for dy in range(3):
        for dx in range(3):
            inner &= image[dy : dy + h, dx : dx + w] <= middle
    return found


class Hits(NamedTuple):
    """Isolated hits ``(n,)``: 3 x 3 sum, centre value, hits a pixel around it, cell of the frame."""

    sums: NDArray[np.float64]
    tops: NDArray[np.float64]
    density: NDArray[np.float64]
    cell: NDArray[Any]

    def where(self, chosen: NDArray[np.bool_]) -> Hits:
        """Return some of the hits."""
        return Hits(self.sums[chosen], self.tops[chosen], self.density[chosen], self.cell[chosen])


def cells(place: NDArray[np.int64], shape: tuple[int, ...]) -> NDArray[np.int64]:
    """Which of the cells of a coarse grid over the frame each flat pixel index ``(n,)`` lies in."""
    y, x = np.divmod(place, shape[1])
    found: NDArray[np.int64] = (y * CELLS // shape[0]) * CELLS + x * CELLS // shape[1]
    return found


def response_error(cell: NDArray[Any]) -> float:
    """Share that a gain may differ from the frame's mean gain: less, the more evenly its photons lie over it."""
    number = np.bincount(cell, minlength=CELLS**2).astype(np.float64)
    even = number.sum() ** 2 / max(CELLS**2 * (number**2).sum(), 1.0)
    return RESPONSE_VARIES * math.sqrt(max(1 - even, 0.0))


def dim_noise(values: NDArray[np.float64]) -> float:
    """Rms of the noise of dim pixels: from the lower flank of the densest values, where no photon is.

    The mode is the middle of the shortest interval with a quarter of the values; values below it give the
    rms (half-normal law).
    """
    ordered = np.sort(values)
    span = max(len(ordered) // 4, 1)
    widths = ordered[span:] - ordered[:-span]
    first = int(np.argmin(widths))
    mode = float(np.median(ordered[first : first + span + 1]))
    below = mode - ordered[ordered < mode]
    # 0.6745: median of the half-normal law
    return float(np.median(below)) / 0.6745 if len(below) > 0.02 * len(ordered) else 0.0


@dataclass(frozen=True)
class Peak:
    """The single-photon peak: gain [counts] and error, hits in it, share of a photon's charge kept by its pixel."""

    gain: float | None
    error: float
    n: int
    kept: float | None
    text: str


def find_peak(hits: PhotonHits, quiet: NDArray[np.bool_]) -> Peak:
    """Find the first peak of the sums; none where it does not stand clear of the noise and of its foot.

    Hits whose neighbours happen to be empty would make a narrower peak, but with sharing they are those that
    noise made look smaller: all shapes are taken.
    """
    noise, found = hits.noise or 0.0, hits.collected(quiet)
    total = len(found.sums)
    if total < FEWEST_HITS:
        return Peak(None, math.inf, total, None, f"Only {total} isolated photons were seen.")
    inside = first_peak(found.sums, SUM_NOISE * noise, CLEAR * noise)
    if inside is None or found.sums[inside].mean() < CLEAR * noise:
        return Peak(None, math.inf, total, None, f"The sums of {total} isolated hits show no peak clear of the noise.")
    centre, error, n, kept = _measured(found.where(inside), noise)
    text = f"{n} of {total} isolated photons gather at {centre:.5g} +- {error:.2g} counts (noise {noise:.3g} a pixel)."
    return Peak(centre, error, n, kept, text)


def _measured(near: Hits, noise: float) -> tuple[float, float, int, float]:
    """Gain, error, number of hits in the peak, and share of its charge that a pixel keeps."""
    centre, error = scatter_of_mean(near.sums)
    # light in the neighbourhood lifts the ring: sparser places tell how much
    sparse = near.where(near.density <= np.quantile(near.density, 0.3))
    if len(sparse.sums) >= FEWEST_HITS:
        thin, thin_error = scatter_of_mean(sparse.sums)
        error = math.hypot(thin_error, 0.5 * max(abs(thin - centre) - thin_error, 0.0))
        centre = thin
    kept = min(float(near.tops.mean() / near.sums.mean()), 1.0)
    least = math.hypot(LEAST_ERROR, response_error(near.cell)) if noise else 0.0
    return centre, math.hypot(error, least * centre), len(near.sums), kept


def scatter_of_mean(values: NDArray[np.float64]) -> tuple[float, float]:
    """Mean and its error; the window follows the peak, which makes the error of a plain mean half as large again."""
    return float(values.mean()), 1.5 * float(values.std()) / math.sqrt(max(len(values), 1))


def first_peak(
    values: NDArray[np.float64], noise: float, lowest: float, fewest: int = FEWEST_HITS
) -> NDArray[np.bool_] | None:
    """Values ``(n,)`` that belong to the first peak, of rms width `noise` or a little more; None without one."""
    start = _densest(values, noise, fewest)
    if start is None or start <= lowest:
        return None
    centre, width = start, max(noise, 0.03 * start)
    near = np.abs(values - centre) < 1.5 * width
    for _ in range(50):
        last, centre = centre, float(values[near].mean())
        near = np.abs(values - centre) < 1.5 * width
        if abs(last - centre) < 1e-6 * centre or not near.any():
            break
    away = np.abs(values - centre) / width
    # as long a stretch beside the peak: a Gaussian has 16 times fewer there, a smooth slope about as many
    if near.sum() < fewest or (away < 1).sum() < 2.5 * ((away >= 2) & (away < 3)).sum():
        return None
    return near


def _densest(values: NDArray[np.float64], noise: float, fewest: int) -> float | None:
    """Place of the first clear peak of the density of values of rms width `noise`; None without one."""
    positive = values[values > max(noise, 0.0)]
    if len(positive) < fewest:
        return None
    decades = math.log(positive.max() / positive.min())
    if decades < 1e-6:  # all hits alike: an exact counter
        return float(np.median(positive))
    grid = np.geomspace(positive.min() * 0.8, positive.max() * 1.25, 20 + int(30 * decades))
    number, _ = np.histogram(positive, grid)
    density = ndimage.gaussian_filter1d(number.astype(float), 1.5, mode="constant")
    middle = np.sqrt(grid[1:] * grid[:-1])
    tops = np.flatnonzero((density == ndimage.maximum_filter1d(density, 9)) & (density > 0.4 * density.max()))
    return float(middle[tops[0]])
