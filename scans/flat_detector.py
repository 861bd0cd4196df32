"""A flat detector at large angles: from its pixels to an even grid of spatial frequencies.

A pixel at X from the direct beam, z behind the sample, sees the angle θ with tan θ = |X|/z, but a far-field
frame is even in sin θ. Detector index i and frequency index u, both from the direct beam in pixels p, are
``i = u / √(1 - s²)`` with ``s = |u| p / z = sin θ`` (elementary geometry), and one frequency cell covers
``J = (1 - s²)^-2`` detector pixels (the determinant of that map). The obliquity factor cos θ of the far field
is left out: it is under 1 % up to 8 degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


def distortion_px(radius_px: float, pixel_m: float, distance_m: float) -> float:
    """How far a flat detector puts a spatial frequency from its place, `radius_px` from the beam [pixels]."""
    t = radius_px * pixel_m / distance_m
    return radius_px * (1 - 1 / math.sqrt(1 + t * t))


def corner_distance_px(centre: tuple[float, float], shape: tuple[int, int]) -> float:
    """Distance from the beam to the farthest pixel of a frame."""
    return math.hypot(*(max(c, n - 1 - c) for c, n in zip(centre, shape, strict=True)))


@dataclass(frozen=True, eq=False)
class FlatRemap:
    """Interpolation of frames from a flat detector to an even grid of frequencies.

    Both grids share the direct beam and the pixel there. Counts are interpolated between four pixels, not
    scaled, so that their noise stays that of photons; `response` is the share of a frequency cell that one
    detector pixel sees, 1/J.

    Parameters
    ----------
    corner
        ``(2, h, w)`` int: the pixel up and left of each cell's place.
    share
        ``(2, h, w)`` float32: how far the place lies beyond it, 0 to 1.
    inside
        ``(h, w)`` bool: whether all four pixels are on the detector.
    response
        ``(h, w)`` float32.
    """

    corner: NDArray[np.intp]
    share: NDArray[np.float32]
    inside: NDArray[np.bool_]
    response: NDArray[np.float32]

    @classmethod
    def plan(
        cls, shape: tuple[int, int], centre: tuple[float, float], pixel_m: tuple[float, float], distance_m: float
    ) -> FlatRemap:
        """Lay out the map for oriented frames ``(h, w)`` with the direct beam at `centre` [pixels]."""
        u = [np.arange(n) - c for n, c in zip(shape, centre, strict=True)]
        sine = [k * p / distance_m for k, p in zip(u, pixel_m, strict=True)]
        s2 = np.minimum(sine[0][:, None] ** 2 + sine[1][None, :] ** 2, 0.99)
        stretch = 1 / np.sqrt(1 - s2)
        place = np.stack([centre[0] + u[0][:, None] * stretch, centre[1] + u[1][None, :] * stretch])
        last = np.array(shape)[:, None, None] - 1
        # a place on the last row or column has its corner one before, with a share of 1
        corner = np.clip(np.floor(place), 0, last - 1).astype(np.intp)
        share = place - corner
        inside = ((share >= -1e-9) & (share <= 1 + 1e-9)).all(axis=0)
        return cls(corner, np.clip(share, 0, 1).astype(np.float32), inside, ((1 - s2) ** 2).astype(np.float32))

    def counts(self, frames: NDArray[np.float32]) -> NDArray[np.float32]:
        """Interpolate frames ``(n, h, w)``; 0 where the detector ends."""
        out = np.zeros(frames.shape, np.float32)
        for pixel, weight in self._neighbours():
            out += frames[:, pixel[0], pixel[1]] * weight
        return out

    def good(self, flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Cells ``(..., h, w)`` whose contributing pixels are all good; a share below 1 % does not count."""
        out = np.broadcast_to(self.inside, flags.shape).copy()
        for pixel, weight in self._neighbours():
            out &= flags[..., pixel[0], pixel[1]] | (weight < 0.01)
        return out

    def _neighbours(self) -> list[tuple[tuple[NDArray[Any], NDArray[Any]], NDArray[np.float32]]]:
        (y, x), (fy, fx) = self.corner, self.share
        inside = self.inside.astype(np.float32)
        return [
            ((y, x), (1 - fy) * (1 - fx) * inside),
            ((y, x + 1), (1 - fy) * fx * inside),
            ((y + 1, x), fy * (1 - fx) * inside),
            ((y + 1, x + 1), fy * fx * inside),
        ]
