"""Single photons between brighter places: their charge in 2 x 2 pixels with a dark ring of 12 around them.

The 3 x 3 sums of `scans.single_photons` ask for 7 x 7 pixels with one photon. Speckle at high flux has no such
places, but dark spots of 4 x 4 pixels: the cloud of a photon lies within the 2 x 2 pixels nearest to where it
landed, but for a share that follows from its width, and that is seen in how the charge is divided.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from scans.detector_charge import sharing_weights
from scans.single_photons import (
    RING,
    THRESHOLD,
    Peak,
    cells,
    first_peak,
    local_tops,
    response_error,
    scatter_of_mean,
)

MOST_BLOCKS = 30_000
FEWEST_BLOCKS = 12
# Rms of a block's sum in units of the pixel noise: four pixels, and the mean of a ring of 12 taken four times.
SUM_NOISE = math.sqrt(4 + 16 / 12)
# Charge below the noise passes the ring both ways; with another photon just outside it more of it does (simulated
# scans).
LEAST_ERROR_ALONE, LEAST_ERROR_CLOSE = 0.006, 0.01
# Where the noise is above this share of a photon it hides too much of others' charge: then only those photons
# count that have none just outside the ring.
FINE_NOISE = 0.1
# A photon alone and one of all may differ by this share.
APART = 0.15
# The peak must lie so many rms of the noise a pixel above it: more where charge is shared, for what is seen then is a
# biased choice (simulated scans: 9 % low at 11, 5 % at 14).
CLEAR, CLEAR_SHARED = 10.0, 16.0
# From this share of charge beside the pixel on it counts as shared.
SHARED = 0.1
# Share of the charge lost from the block that is not known better than this part of itself.
LOSS_UNSURE = 0.25
# Widths of the cloud that are tried.
CLOUDS_PX = np.linspace(0.02, 0.4, 20)
# The block is {0, 1} x {0, 1} in steps towards one of four sides.
BLOCK = [(dy, dx) for dy in (0, 1) for dx in (0, 1)]
RING_STEPS = [(dy, dx) for dy in range(-1, 3) for dx in range(-1, 3) if {dy, dx} & {-1, 2}]
OUTER_STEPS = [(dy, dx) for dy in range(-2, 4) for dx in range(-2, 4) if {dy, dx} & {-2, 3}]


class BlockHits:
    """Photons in blocks of 2 x 2 found frame by frame; `good` ``(h, w)`` says where, `noise` is rms a pixel."""

    def __init__(self, good: NDArray[np.bool_]) -> None:
        self._usable = ndimage.binary_erosion(good, np.ones((5, 5), bool))
        self._usable[[0, 1, 2, -1, -2, -3]] = self._usable[:, [0, 1, 2, -1, -2, -3]] = False
        self._parts: list[tuple[NDArray[Any], ...]] = []
        self.n = 0

    def add(self, frame: NDArray[np.float64], noise: float) -> None:
        """Take one frame ``(h, w)``; without noise nothing is empty, and nothing is taken."""
        if self.n >= MOST_BLOCKS or noise <= 0:
            return
        y, x = np.nonzero(local_tops(frame, self._usable & (frame > THRESHOLD * noise)))
        sums, levels, fit, alone = (np.zeros(len(y)) for _ in range(4))
        for sy in (-1, 1):
            for sx in (-1, 1):
                ring, level, total = _block(frame, y, x, sy, sx)
                limit = noise * math.sqrt(1 + 1 / len(RING_STEPS))
                empty = ring <= RING * limit
                outer = np.zeros(len(y))
                at = np.flatnonzero(empty)
                for dy, dx in OUTER_STEPS:
                    outer[at] = np.maximum(outer[at], frame[y[at] + sy * dy, x[at] + sx * dx] - level[at])
                sums += np.where(empty, total, 0)
                levels += np.where(empty, level, 0)
                fit += empty
                alone += empty & (outer <= 3.5 * limit)
        keep = (fit > 0) & (frame[y, x] > THRESHOLD * noise)
        y, x, fit, levels = y[keep], x[keep], fit[keep], levels[keep]
        # the mean of all that fit: the largest would be chosen by its noise
        tops = frame[y, x] - levels / fit
        self._parts.append((y * frame.shape[1] + x, sums[keep] / fit, tops, alone[keep] == fit))
        self.n += len(y)

    def peak(self, quiet: NDArray[np.bool_], noise: float) -> Peak:
        """Find the first peak of the sums, of photons alone where these suffice."""
        if not self._parts:
            return Peak(None, math.inf, 0, None, "No block was looked at.")
        place, total, top, alone = (np.concatenate(each) for each in zip(*self._parts, strict=True))
        number = np.bincount(place, minlength=quiet.size)
        # a pixel that hits often is hot; an honest one is dark, so it has few
        clean = (number[place] <= 4 + 4 * number.sum() / quiet.size) & quiet.ravel()[place]
        found = [
            _peak(total[chosen], top[chosen], cells(place[chosen], quiet.shape), noise, least)
            for chosen, least in ((clean & alone, LEAST_ERROR_ALONE), (clean, LEAST_ERROR_CLOSE))
        ]
        alone_, close = found
        # a first peak that all together do not show is that of two photons, or none
        if close.gain is None or alone_.gain is None or abs(alone_.gain / close.gain - 1) > APART:
            return close if close.gain is None or noise <= FINE_NOISE * close.gain else replace(close, gain=None)
        return alone_ if noise > FINE_NOISE * close.gain or alone_.error < close.error else close


def _block(
    frame: NDArray[np.float64], y: NDArray[np.int64], x: NDArray[np.int64], sy: int, sx: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Largest difference in the ring from its mean, that mean, and the block's sum above it."""
    ring = np.stack([frame[y + sy * dy, x + sx * dx] for dy, dx in RING_STEPS])
    level = ring.mean(axis=0)
    total = np.sum([frame[y + sy * dy, x + sx * dx] for dy, dx in BLOCK], axis=0) - 4 * level
    return np.abs(ring - level).max(axis=0, initial=0), level, total


def _peak(
    total: NDArray[np.float64], top: NDArray[np.float64], cell: NDArray[np.int64], noise: float, least: float
) -> Peak:
    inside = first_peak(total, SUM_NOISE * noise, CLEAR * noise, FEWEST_BLOCKS)
    divided = 0.0 if inside is None else min(float(top[inside].mean() / total[inside].mean()), 1.0)
    clear = CLEAR + (CLEAR_SHARED - CLEAR) * min((1 - divided) / SHARED, 1.0)
    if inside is None or total[inside].mean() < clear * noise:
        return Peak(None, math.inf, len(total), None, f"The sums of {len(total)} close photons show no clear peak.")
    centre, error = scatter_of_mean(total[inside])
    kept, loss = _lost(divided, noise / centre)
    centre, n = centre / (1 - loss), int(inside.sum())
    error = math.hypot(error, *(share * centre for share in (least, LOSS_UNSURE * loss, response_error(cell[inside]))))
    text = f"{n} of {len(total)} photons in dark spots gather at {centre:.5g} +- {error:.2g} counts"
    return Peak(
        centre, error, n, kept, f"{text} (noise {noise:.3g} a pixel; {100 * loss:.1f} % added for lost charge)."
    )


def _lost(divided: float, noise: float) -> tuple[float, float]:
    """Share of the charge kept by the pixel, and share lost from the sum, from top over sum; noise in photons."""
    modelled = np.array([_expected(cloud, noise) for cloud in CLOUDS_PX])
    ratio = modelled[:, 0] / modelled[:, 1]
    # the ratio falls with the cloud; np.interp wants it rising
    block = float(np.interp(divided, ratio[::-1], modelled[::-1, 1], right=1.0))
    kept = float(np.interp(divided, ratio[::-1], modelled[::-1, 2], right=1.0))
    return kept, 1 - block


def _expected(cloud: float, noise: float) -> tuple[float, float, float]:
    """Mean of top and of sum over photons that pass as dark around, and of the top over all photons.

    Photons land evenly in the pixel; what they leave in the ring passes it where the noise lets it, and the
    ring's mean takes it from each pixel.
    """
    weights = sharing_weights(cloud, landings=16)
    middle = weights.shape[1] // 2
    line = np.pad(weights, ((0, 0), (2, 2)))[:, middle : middle + 5]
    shares = line[:, None, :, None] * line[None, :, None, :]  # (16, 16, 5, 5), centre at [2, 2]
    ring = np.stack([shares[..., 2 + dy, 2 + dx] for dy, dx in RING_STEPS])
    passes = special.ndtr(RING - ring / noise).prod(axis=0)
    level = ring.mean(axis=0)
    top = shares[..., 2, 2]
    total = np.sum([shares[..., 2 + dy, 2 + dx] for dy, dx in BLOCK], axis=0) - 4 * level
    # one of the four blocks, and the landings all around, give what the four give together
    return (
        float((passes * (top - level)).sum() / passes.sum()),
        float((passes * total).sum() / passes.sum()),
        float(top.mean()),
    )
