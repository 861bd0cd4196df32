"""Back-lash of a stage: how far frames reached by moves one way lie from those reached by moves the other way.

The totals and centres of mass of the frames are smooth maps of the position, as smooth as the probe is wide. With
the right displacement between forward and backward moves, frames of both fall onto the same maps. The maps are
Gaussian processes (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, chapters 2, 4 and 5) with
one length and one noise level, and the displacement is the most likely one given these; no smoothing is chosen by
hand, and the curvature of the likelihood gives the error.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg
import scipy.optimize
import scipy.spatial
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# An axis has moved when it changes by more than this share of the distance of neighbours.
SMALLEST_MOVE = 0.25
# Each direction must have this share of the frames, and so many.
SMALLEST_SHARE, FEWEST_FRAMES = 0.15, 12
# Frames whose covariance is held at once (time goes with the cube), and so many such parts of a scan.
PART_FRAMES, MOST_PARTS = 500, 4
# Displacements tried, in steps, before the best is refined; an error above the limit [steps] tells nothing.
LARGEST_STEPS, LARGEST_ERROR_STEPS = 1.0, 0.25
# The maps are not quite Gaussian processes of one length: errors are widened by this factor. On simulated snake
# rasters at 1e6 photons the true error is then 0.6 of the stated one, rms.
ERROR_FACTOR = 1.5


@dataclass(frozen=True)
class Backlash:
    """Displacement between moves in the two directions of each axis.

    Parameters
    ----------
    distance_m, error_m
        ``(y, x)`` by how much frames reached by moves towards + lie further along + than recorded, less the same
        for moves towards -, and its standard error [m]. Negative: the stage lags behind. None for an axis
        that does not move both ways, or of which the data cannot tell.
    directions
        ``(J, 2)`` int8, +1 or -1: the way of the last move before each frame.
    """

    distance_m: tuple[float | None, float | None]
    error_m: tuple[float | None, float | None]
    directions: NDArray[np.int8]

    @property
    def significant(self) -> bool:
        """Tell whether it is more than three standard errors along an axis."""
        pairs = zip(self.distance_m, self.error_m, strict=True)
        return any(d is not None and e is not None and abs(d) > 3 * e for d, e in pairs)

    def corrected(self, positions_m: Floats) -> Floats:
        """Positions ``(J, 2)`` [m] with half of the displacement added for either direction."""
        half = np.array([0.5 * (d or 0.0) for d in self.distance_m])
        return positions_m + self.directions * half

    def __str__(self) -> str:
        parts = [
            f"{1e9 * d:.1f} +- {1e9 * e:.1f} nm along {axis}"
            for axis, d, e in zip("yx", self.distance_m, self.error_m, strict=True)
            if d is not None and e is not None
        ]
        told = "" if self.significant else " (not significant: below three standard errors)"
        return f"back-lash: frames reached by moves towards + are displaced by {' and '.join(parts)}{told}"


def move_directions(positions_m: Floats) -> NDArray[np.int8]:
    """Direction +1 or -1 of the last move of each axis before each frame ``(J, 2)``.

    An axis that stands still keeps its direction: its back-lash is taken up by the next move only. Frames before
    the first move get the direction of that move; an axis that never moves gets +1.
    """
    moves = np.diff(positions_m, axis=0)
    typical = neighbour_distance(positions_m)
    out = np.ones(positions_m.shape, dtype=np.int8)
    for axis in range(2):
        moved = np.flatnonzero(np.abs(moves[:, axis]) > SMALLEST_MOVE * typical)
        if not moved.size:
            continue
        signs = np.sign(moves[moved, axis]).astype(np.int8)
        # frame j is reached by move j - 1
        latest = np.searchsorted(moved, np.arange(len(positions_m)) - 1, side="right") - 1
        out[:, axis] = signs[np.maximum(latest, 0)]
    return out


def neighbour_distance(positions_m: Floats) -> float:
    """Median distance of nearest, different neighbours; 0 where all positions are the same."""
    distinct = np.unique(positions_m, axis=0)
    if len(distinct) < 2:
        return 0.0
    nearest = scipy.spatial.cKDTree(distinct).query(distinct, k=2)[0][:, 1]
    return float(np.median(nearest))


def estimate_backlash(positions_m: Floats, signals: Floats) -> Backlash | None:
    """Estimate the back-lash along each axis.

    Parameters
    ----------
    positions_m
        ``(J, 2)`` recorded positions in the order of time [m], ``(y, x)``.
    signals
        ``(C, J)`` what is known of each frame and depends on the position alone, such as the total and the two
        centres of mass. Channels without variation or with values that are not finite are left out.

    Returns
    -------
    Backlash or None
        None when the data cannot tell along either axis: the stage moves one way only, the maps are flat or
        rougher than the scan's step, or there are too few frames.
    """
    maps = _standardised(np.atleast_2d(np.asarray(signals, dtype=np.float64)))
    positions = np.asarray(positions_m, dtype=np.float64) - np.mean(positions_m, axis=0)
    directions = move_directions(positions)
    axes = [a for a in range(2) if _both_ways(directions[:, a])]
    step = neighbour_distance(positions)
    if not len(maps) or not axes or step <= 0:
        return None
    parts = _parts(len(positions))
    chosen = [(positions[p] / step, directions[p], maps[:, p]) for p in parts]
    distance, error = _fit(chosen, axes)
    told = [a for a in axes if error[a] <= LARGEST_ERROR_STEPS and abs(distance[a]) < 0.95 * LARGEST_STEPS]
    if not told:
        return None

    def pair(values: Floats) -> tuple[float | None, float | None]:
        y, x = (float(values[a]) * step if a in told else None for a in range(2))
        return y, x

    return Backlash(pair(distance), pair(error), directions)


def _standardised(signals: Floats) -> Floats:
    """Channels that can be used, of mean 0 and variance 1."""
    finite = signals[np.isfinite(signals).all(axis=1)]
    spread = finite.std(axis=1)
    finite, spread = finite[spread > 0], spread[spread > 0]
    whole: Floats = (finite - finite.mean(axis=1, keepdims=True)) / spread[:, None]
    return whole


def _both_ways(directions: NDArray[np.int8]) -> bool:
    """Tell whether enough frames are reached by moves in either direction."""
    forward = int((directions > 0).sum())
    fewer = min(forward, len(directions) - forward)
    return fewer >= max(FEWEST_FRAMES, SMALLEST_SHARE * len(directions))


def _parts(n: int) -> list[slice]:
    """Choose runs of consecutive frames, spread over the scan."""
    count = min(MOST_PARTS, -(-n // PART_FRAMES))
    length = min(PART_FRAMES, -(-n // count))
    starts = np.linspace(0, n - length, count).astype(int)
    return [slice(int(s), int(s) + length) for s in starts]


Part = tuple[Floats, NDArray[np.int8], Floats]


def _fit(parts: Sequence[Part], axes: Sequence[int]) -> tuple[Floats, Floats]:
    """Most likely displacement ``(y, x)`` and its error, in steps; an error of inf where there is no maximum."""
    distance = np.zeros(2)

    def cost(values: Floats) -> float:
        """Of displacements of `axes`, ln(length) and ln(noise)."""
        shifts = np.zeros(2)
        shifts[list(axes)] = values[: len(axes)]
        return sum(_minus_log_likelihood(part, shifts, values[-2], values[-1]) for part in parts)

    # length and noise without back-lash first, then the best of a row of displacements, then everything together
    smooth = _refine(lambda v: cost(np.concatenate([np.zeros(len(axes)), v])), np.array([math.log(2.0), math.log(0.1)]))
    start = np.concatenate([np.zeros(len(axes)), smooth])
    for i in range(len(axes)):
        tried = np.linspace(-LARGEST_STEPS, LARGEST_STEPS, 17)
        costs = []
        for value in tried:
            start[i] = value
            costs.append(cost(start))
        start[i] = tried[int(np.argmin(costs))]
    best = _refine(cost, start)
    distance[list(axes)] = best[: len(axes)]
    error = np.full(2, math.inf)
    curvature = _curvature(cost, best)
    try:
        covariance = np.linalg.inv(curvature)
    except np.linalg.LinAlgError:
        return distance, error
    for i, axis in enumerate(axes):
        if covariance[i, i] > 0:
            error[axis] = ERROR_FACTOR * math.sqrt(covariance[i, i])
    return distance, error


def _refine(cost: Callable[[Floats], float], start: Floats) -> Floats:
    """Minimum near `start`, without derivatives (Nelder and Mead, Computer Journal 7, 1965, 308)."""
    options = {"xatol": 2e-3, "fatol": 1e-2, "maxiter": 200, "initial_simplex": _simplex(start)}
    found: Floats = scipy.optimize.minimize(cost, start, method="Nelder-Mead", options=options).x
    return found


def _simplex(start: Floats) -> Floats:
    """Corners around `start`, 0.15 away along each axis."""
    return np.concatenate([start[None], start + 0.15 * np.eye(len(start))])


def _curvature(cost: Callable[[Floats], float], best: Floats, h: float = 0.05) -> Floats:
    """Second derivatives by central differences."""
    n = len(best)
    out = np.empty((n, n))
    for i in range(n):
        for j in range(i, n):
            di, dj = h * np.eye(n)[i], h * np.eye(n)[j]
            corners = cost(best + di + dj) - cost(best + di - dj) - cost(best - di + dj) + cost(best - di - dj)
            out[i, j] = out[j, i] = corners / (4 * h * h)
    return out


def _minus_log_likelihood(part: Part, shifts: Floats, log_length: float, log_noise: float) -> float:
    """-ln of the marginal likelihood of all channels, their amplitudes at their best (constants left out).

    Rasmussen and Williams, equation 2.30, with K = amplitude (k(distance) + noise 1) and the Matern 5/2 kernel
    of equation 4.17; the best amplitude is y K^-1 y / n.
    """
    positions, directions, maps = part
    if not (-2.0 < log_length < 4.0 and -14.0 < log_noise < 4.0):
        return 1e12
    moved = positions + 0.5 * directions * shifts
    squared = ((moved[:, None, :] - moved[None, :, :]) ** 2).sum(axis=2)
    r = np.sqrt(5.0 * squared) / math.exp(log_length)
    kernel = (1 + r + r * r / 3) * np.exp(-r)
    kernel[np.diag_indices_from(kernel)] += math.exp(log_noise)
    try:
        factor = scipy.linalg.cholesky(kernel, lower=True, overwrite_a=True, check_finite=False)
    except np.linalg.LinAlgError:
        return 1e12
    white = scipy.linalg.solve_triangular(factor, maps.T, lower=True, check_finite=False)
    n = len(moved)
    amplitude = (white**2).sum(axis=0) / n
    determinant = 2 * float(np.log(np.diag(factor)).sum())
    return float(0.5 * n * np.log(amplitude).sum() + 0.5 * len(maps) * determinant)
