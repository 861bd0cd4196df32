"""What lies around a pixel: along four lines, beside it, and in the 5 x 5 square."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Mask = NDArray[np.bool_]
Map = NDArray[np.float64]

# Steps along a row, a column and the two diagonals.
LINES = ((0, 1), (1, 0), (1, 1), (1, -1))


def neighbours(image: Map, usable: Mask) -> Iterator[tuple[Map, Map, Map, Map]]:
    """For each line, the four pixels one and two steps away, in ascending order; infinite where unusable.

    Beyond the frame's border the frame is mirrored, so that lines do not end there.
    """
    h, w = image.shape
    padded = np.pad(np.where(usable, image, np.inf), 2, mode="reflect")
    for dy, dx in LINES:
        a, b, c, d = (padded[2 + k * dy : 2 + k * dy + h, 2 + k * dx : 2 + k * dx + w] for k in (-2, -1, 1, 2))
        # a sorting network: several times faster than sorting along an axis of four
        a, b, c, d = np.minimum(a, b), np.maximum(a, b), np.minimum(c, d), np.maximum(c, d)
        a, c, b, d = np.minimum(a, c), np.maximum(a, c), np.minimum(b, d), np.maximum(b, d)
        yield a, np.minimum(b, c), np.maximum(b, c), d


def over_lines(image: Map, usable: Mask, which: str) -> Map:
    """Level of the surroundings ``(h, w)``: the lowest, middle or highest of four lines; nan where unknown.

    A line's level is its second smallest value for "lowest" and the second largest for "highest", so that one
    more fault on the line does not matter; two usable pixels at least.
    """
    levels = []
    for a, b, c, d in neighbours(image, usable):
        level = b if which != "highest" else np.where(np.isfinite(d), c, np.where(np.isfinite(c), b, a))
        levels.append(np.where(np.isfinite(b), level, np.nan))
    if which == "lowest":
        return np.fmin(np.fmin(levels[0], levels[1]), np.fmin(levels[2], levels[3]))
    if which == "highest":
        return np.fmax(np.fmax(levels[0], levels[1]), np.fmax(levels[2], levels[3]))
    stack = np.stack(levels)
    empty = np.isnan(stack).all(axis=0)
    stack[:, empty] = 0.0
    return np.where(empty, np.nan, np.nanmedian(stack, axis=0))


def beside(image: Map, usable: Mask) -> Map:
    """Level of the row beside a pixel: the second smallest of four; nan where unknown."""
    level = next(neighbours(image, usable))[1]
    return np.where(np.isfinite(level), level, np.nan)


def lowest(image: Map, usable: Mask, place: int) -> Map:
    """Return the smallest (`place` 0) or a next value of the 24 pixels around each one; infinite where unknown."""
    around = np.ones((5, 5), bool)
    around[2, 2] = False
    return ndimage.rank_filter(np.where(usable, image, np.inf), place, footprint=around, mode="mirror")
