"""Where the probe passes during an exposure: from the stage's readings, or from the order of the positions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from scans.prepared import PreparedScan

# Points of a path: this far apart [object pixels], and at most so many (each costs a transform).
SPACING_PX, FEWEST, MOST = 2.5, 3, 9
# Lines are scanned where steps along one direction have this many times the mean square of those across.
LINES = 4.0
# Elsewhere a step of more than this many usual ones is a jump between exposures.
JUMP = 2.0
# A stage that goes on during exposures goes from neighbour to neighbour: where the usual step is longer than so many
# distances of neighbours it jumps, and is at rest in between.
FARTHEST_NEIGHBOUR = 3.0


def exposure_path(prepared: PreparedScan, travel: float = 1.0, most: int = MOST) -> NDArray[np.float64] | None:
    """Return where the probe is during each exposure beside its position ``(J, T, 2)`` [object pixels].

    Parameters
    ----------
    travel
        Share of the way to the next position, or of the way that the readings show, that passes in an exposure.
    most
        Points of a path at most.

    Returns
    -------
    None where the outermost points lie within half a pixel.
    """
    pixel, readings = np.array(prepared.geometry.object_pixel_m), prepared.scan.readings_m
    if readings is not None:
        path = _from_readings(readings[prepared.frame_index], most)
    else:
        moves = moves_a_frame(prepared.positions_m, prepared.file_index)
        n = min(most, _points(np.median(np.hypot(*(moves / pixel).T)) * travel))
        path = moves[:, None, :] * evenly(n)[None, :, None]
    in_pixels = np.asarray(travel * path / pixel, np.float64)
    extent = np.hypot(*(in_pixels.max(axis=1) - in_pixels.min(axis=1)).T)
    return in_pixels if len(extent) and np.median(extent) > 0.5 else None


def paths_of(parts: Sequence[PreparedScan], travel: float, most: int = MOST) -> NDArray[np.float64] | None:
    """Return the paths of all frames of some scans ``(J, T, 2)``, those that stand still among them; None of none."""
    paths = [exposure_path(part, travel, most) for part in parts] if travel else []
    moving = [path for path in paths if path is not None]
    if not moving:
        return None
    n = max(path.shape[1] for path in moving)
    return np.concatenate([_with_points(path, len(part.counts), n) for path, part in zip(paths, parts, strict=True)])


def _with_points(path: NDArray[np.float64] | None, n_frames: int, n: int) -> NDArray[np.float64]:
    """Return a path ``(J, T, 2)`` with `n` points, evenly from its own; of a probe that stands still, of zeros."""
    if path is None:
        return np.zeros((n_frames, n, 2))
    at = (np.arange(n) + 0.5) / n * path.shape[1] - 0.5
    low = np.clip(np.floor(at).astype(int), 0, path.shape[1] - 2)
    share = (at - low)[:, None]
    return path[:, low] * (1 - share) + path[:, low + 1] * share


def jumps(prepared: PreparedScan) -> bool:
    """Say whether frames that follow each other are no neighbours: then the stage is at rest in between."""
    positions_m = prepared.positions_m
    if has_readings(prepared) or len(positions_m) < 3:
        return False
    steps = np.hypot(*(np.diff(positions_m, axis=0) / np.diff(prepared.file_index)[:, None]).T)
    apart = cKDTree(positions_m).query(positions_m, k=2)[0][:, 1]
    return bool(np.median(steps) > FARTHEST_NEIGHBOUR * np.median(apart))


def has_readings(prepared: PreparedScan) -> bool:
    """Say whether the scan file has the stage's path during each exposure."""
    return prepared.scan.readings_m is not None


def moves_a_frame(positions_m: NDArray[np.float64], index: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return how far the stage moves from frame to frame ``(J, 2)`` [m], by the positions before and after.

    Parameters
    ----------
    index
        ``(J,)`` number of each frame in the scan: frames may be missing.

    Notes
    -----
    At the end of a line one neighbour lies on the next line, across; there the other one counts. So it does beside
    a jump, from ring to ring. Between two jumps nothing is known but that the way was as long as usual.
    """
    if len(positions_m) < 2:
        return np.zeros_like(positions_m)
    steps = np.diff(positions_m, axis=0) / np.diff(index)[:, None]
    before, after = np.vstack([steps[:1], steps]), np.vstack([steps, steps[-1:]])
    usual = _at_most(steps, JUMP * np.median(np.hypot(*steps.T)))  # a single jump is no line
    spread, axes = np.linalg.eigh(usual.T @ usual)
    if spread[1] < LINES * max(spread[0], 1e-300):
        return _without_jumps(before, after)
    # speeds along the lines: a turn shows as a neighbour that is slower, or flies back
    first, second = before @ axes[:, 1], after @ axes[:, 1]
    typical = np.median(np.abs(steps @ axes[:, 1]))
    turns = (np.abs(first - second) > typical / 2)[:, None]
    is_usual = np.abs(np.abs(first) - typical) < np.abs(np.abs(second) - typical)
    return np.where(turns, np.where(is_usual[:, None], before, after), (before + after) / 2)


def evenly(n: int) -> NDArray[np.float64]:
    """Return n points ``(n,)`` of equal distance with the mean and the variance, 1/12, of a way from -1/2 to 1/2.

    The midpoints of n equal parts would blur less than the way does: by 1/9 with three points.
    """
    return ((np.arange(n) + 0.5) / n - 0.5) / np.sqrt(1 - 1 / n**2)


def _without_jumps(before: NDArray[np.float64], after: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of the steps ``(J, 2)`` before and after each frame, of those that are no jumps."""
    lengths = np.stack([np.hypot(*before.T), np.hypot(*after.T)])
    typical = np.median(lengths)
    weights = (lengths <= JUMP * typical).astype(float)
    weights[:, ~weights.any(axis=0)] = 1
    mean = (weights[0, :, None] * before + weights[1, :, None] * after) / weights.sum(axis=0)[:, None]
    return _at_most(mean, JUMP * typical)


def _at_most(vectors: NDArray[np.float64], length: float) -> NDArray[np.float64]:
    """Shorten the vectors ``(J, 2)`` that are longer."""
    return vectors * np.minimum(1, length / np.maximum(np.hypot(*vectors.T), 1e-300))[:, None]


def _points(length_px: float) -> int:
    return int(np.clip(np.ceil(length_px / SPACING_PX), FEWEST, MOST))


def _from_readings(readings_m: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    """Return at most so many points of the readings ``(J, K, 2)`` beside their mean; missing ones count as that."""
    seen = np.isfinite(readings_m)
    mean = np.where(seen, readings_m, 0).sum(axis=1, keepdims=True) / np.maximum(seen.sum(axis=1, keepdims=True), 1)
    beside = np.where(seen, readings_m - mean, 0)
    parts = np.array_split(np.arange(beside.shape[1]), min(most, beside.shape[1]))
    return np.stack([beside[:, part].sum(axis=1) / np.maximum(seen[:, part].sum(axis=1), 1) for part in parts], axis=1)
