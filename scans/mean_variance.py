"""Mean and variance between frames, and the line through them at dim pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from scans.single_photons import box_sum

# The dimmest of these shares of all tiles are tried for the fit.
SHARES = (1.0, 0.97, 0.94, 0.9, 0.85, 0.8, 0.7, 0.6, 0.5, 0.4)
# Dim means: at most so many photons a pixel and frame.
DIM_PHOTONS = 2.0
TILE = 6
FEWEST_TILES = 50
# Parts of the jackknife.
PARTS = 20
# No fit is better than this share.
LEAST_ERROR = 0.01


class PixelMoments:
    """Running sums of pixels ``(h, w)`` over frames: mean, variance and covariance with the neighbours.

    Variances come from differences of successive frames, so slow drifts of dark and flux are not in them, nor
    is most of the sample's change where the steps are small.
    """

    def __init__(self, good: NDArray[np.bool_]) -> None:
        self.good = good
        self.n = self._steps = 0
        self._sum, self._square, self._nine = (np.zeros(good.shape) for _ in range(3))
        self._largest = np.zeros(good.shape)
        self._last: NDArray[np.float64] | None = None
        self._around: tuple[int, NDArray[np.float64]] | None = None  # of so many frames: slow to make
        self.whole, self.lowest, self._n_zero = True, math.inf, 0

    def add(self, block: NDArray[Any], *, follows: bool = True) -> None:
        """Take frames ``(n, h, w)``; `follows`: the first is the neighbour in time of the last one taken."""
        self._last = self._last if follows else None
        for raw in block:
            frame = np.where(self.good, raw, 0).astype(np.float64)
            self.n += 1
            self._sum += frame
            self.whole = self.whole and bool((frame == np.rint(frame)).all())
            self.lowest = min(self.lowest, float(frame.min()))
            self._n_zero += int((frame[self.good] == 0).sum())
            if self._last is not None:
                step = frame - self._last
                square = step * step
                self._square += square
                np.maximum(self._largest, square, out=self._largest)
                self._nine += step * box_sum(step, 3)
                self._steps += 1
            self._last = frame

    @property
    def mean(self) -> NDArray[np.float64]:
        """Mean of each pixel ``(h, w)``."""
        return self._sum / self.n

    @property
    def variance(self) -> NDArray[np.float64]:
        """Variance of each pixel ``(h, w)``."""
        return self._square / (2 * self._steps)

    @property
    def shared_variance(self) -> NDArray[np.float64]:
        """Variance and covariances with the eight neighbours, summed ``(h, w)``."""
        return self._nine / (2 * self._steps)

    @property
    def zeros(self) -> float:
        """Share of good values that are 0."""
        return self._n_zero / max(self.n * int(self.good.sum()), 1)

    def quiet(self, photon: float = 0.0) -> NDArray[np.bool_]:
        """Pixels ``(h, w)`` whose variance is not far above that of their surroundings.

        `photon` is about the counts of a photon: some of them in one pixel, none around it, are no fault.
        """
        if self._around is None or self._around[0] != self.n:
            weight = ndimage.uniform_filter(self.good.astype(np.float64), 7)
            capped = np.minimum(self.variance, ndimage.percentile_filter(self.variance, 90, 7, mode="nearest"))
            around = ndimage.uniform_filter(np.where(self.good, capped, 0), 7) / np.maximum(weight, 1e-3)
            self._around = self.n, around
        return self.good & (self.variance <= 10 * self._around[1] + 20 * photon**2 / self.n)

    def unspoilt(self, photon: float) -> NDArray[np.bool_]:
        """Pixels ``(h, w)`` without a leap (a cosmic ray) beyond other differences and a few photons."""
        rest = (self._square - self._largest) / max(self._steps - 1, 1)
        return np.sqrt(self._largest) <= 8 * np.sqrt(np.maximum(rest, 0)) + 6 * photon


@dataclass(frozen=True)
class Slopes:
    """Gain [counts] and error from mean and variance; `kept_power`: variance left in a pixel by sharing."""

    gain: float | None
    error: float
    kept_power: float | None
    text: str


def slopes(moments: PixelMoments, photon: float | None = None) -> Slopes:
    """Fit shared variance = noise + gain mean + change mean² over dim pixels.

    The range of means is chosen for the smallest error; the error holds the scatter between parts of the
    frame and what a cubic term would change. `photon` is a first guess of the gain, to tell spikes; without it
    one is made with all pixels.
    """
    guess = photon
    if guess is None:
        first = _slopes(moments, moments.good)
        guess = first.gain if first.gain is not None else math.inf
    return _slopes(moments, moments.good & moments.quiet(guess) & moments.unspoilt(guess))


def _slopes(moments: PixelMoments, good: NDArray[np.bool_]) -> Slopes:
    use = ndimage.binary_erosion(good, np.ones((3, 3), bool))
    mean, own, shared = _tiles(use, moments.mean, moments.variance, moments.shared_variance)
    best: tuple[float, float, float] | None = None
    for share in SHARES if len(mean) >= FEWEST_TILES else ():
        dim = mean <= np.quantile(mean, share)
        found = _fit(mean[dim], shared[dim])
        if found is not None and (best is None or found[1] / found[0] < best[1] / best[0]):
            best = (*found, share)
    if best is None:
        return Slopes(None, math.inf, None, "Variance does not follow the mean at dim pixels.")
    gain, error, share = best
    dim = mean <= np.quantile(mean, share)
    single = _fit(mean[dim], own[dim])
    kept = None if single is None else min(single[0] / gain, 1.0)
    text = (
        f"The variance grows by {gain:.4g} +- {error:.2g} a count of mean, "
        f"from {int(dim.sum())} tiles of {TILE} x {TILE} pixels below {mean[dim].max():.3g} counts."
    )
    return Slopes(gain, error, kept, text)


def _tiles(use: NDArray[np.bool_], *maps: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Means over tiles of the frame, of tiles that are half used at least ``(tiles,)``.

    One pixel's mean is too noisy to be the abscissa of a fit.
    """
    h, w = (n // TILE * TILE for n in use.shape)

    def summed(image: NDArray[Any]) -> NDArray[np.float64]:
        cut = image[:h, :w].reshape(h // TILE, TILE, w // TILE, TILE)
        total: NDArray[np.float64] = cut.sum(axis=(1, 3), dtype=np.float64)
        return total

    number = summed(use)
    enough = number >= TILE**2 / 2
    return [summed(np.where(use, each, 0))[enough] / number[enough] for each in maps]


def _fit(mean: NDArray[np.float64], variance: NDArray[np.float64]) -> tuple[float, float] | None:
    """Slope at 0 and its error; None where there is none, or the quadratic term rules."""
    order = np.argsort(mean)
    mean = mean[order]
    variance = variance[order]
    top = float(mean[-1])
    if not top > max(float(mean[0]), 0.0):
        return None
    # the variance of a variance goes with its square; smooth, so that a tile does not choose its own weight
    typical = ndimage.median_filter(variance, 9, mode="nearest")
    weight: NDArray[np.float64] = 1 / np.maximum(typical, 1e-9 * typical.max() + 1e-300)
    powers = [(mean / top) ** k for k in range(4)]
    bend = float(_solve(powers[:3], variance, weight)[2])
    # changes of the sample only add variance: a negative square term is noise
    terms = 3 if bend > 0 else 2
    slope = float(_solve(powers[:terms], variance, weight)[1])
    wider = _solve(powers[: terms + 1], variance, weight)[1]
    kept = np.stack([_without_parts(powers[:n], variance, weight) for n in (terms, terms + 1)], axis=1)
    scatter = float(np.std(kept[:, 0])) * math.sqrt(PARTS - 1)
    unsure = float(np.std(kept[:, 1] - kept[:, 0])) * math.sqrt(PARTS - 1)
    model = max(abs(float(wider - slope)) - unsure, 0.0)
    if not slope > 0 or (terms == 3 and bend > slope) or top > DIM_PHOTONS * slope / top:
        return None
    return slope / top, math.hypot(scatter, model, LEAST_ERROR * slope) / top


def _solve(
    terms: list[NDArray[np.float64]], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Least squares with relative errors 1 / weight."""
    matrix = np.stack(terms, axis=1) * weight[:, None]
    return np.asarray(np.linalg.lstsq(matrix, values * weight, rcond=None)[0], np.float64)


def _without_parts(
    terms: list[NDArray[np.float64]], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Slopes ``(PARTS,)`` of fits that each leave out every twentieth value.

    In an orthonormal basis (QR), where the sums of squares that are left stay well conditioned.
    """
    basis, upper = np.linalg.qr(np.stack(terms, axis=1) * weight[:, None])
    right = values * weight
    squares = np.stack([basis[k::PARTS].T @ basis[k::PARTS] for k in range(PARTS)])
    products = np.stack([basis[k::PARTS].T @ right[k::PARTS] for k in range(PARTS)])
    inverse = np.linalg.pinv(np.eye(len(terms)) - squares, hermitian=True)
    found = np.einsum("kij,kj->ki", inverse, products.sum(axis=0) - products)
    slopes_: NDArray[np.float64] = np.linalg.lstsq(upper, found.T, rcond=None)[0][1]
    return slopes_
