"""What happens to a photon's charge in a silicon pixel detector: spread, Fano noise, cosmic rays.

Pure functions of arrays; random numbers come in as a generator.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

# Silicon near room temperature (X-ray Data Booklet, from memory; the same in common detector handbooks).
ELECTRON_EV = 3.65
FANO = 0.118
# Photons land on a grid of this many points a pixel side.
LANDINGS = 4


def sharing_weights(sharing_px: float, landings: int = LANDINGS) -> NDArray[np.float64]:
    """Share of a photon's charge along one axis, ``(landings, taps)``: a row for each place in the pixel.

    Integral of a Gaussian of rms `sharing_px` over the pixel where the photon lands (middle tap) and its
    neighbours (error functions).
    """
    reach = max(1, math.ceil(4 * sharing_px))
    edges = np.arange(-reach, reach + 2) - 0.5
    places = (np.arange(landings) + 0.5) / landings - 0.5
    below = special.ndtr((edges[None] - places[:, None]) / sharing_px)
    weights: NDArray[np.float64] = np.diff(below, axis=1)
    return weights / weights.sum(axis=1, keepdims=True)


def collect(light: NDArray[np.floating], sharing_px: float, rng: np.random.Generator | None) -> NDArray[np.float64]:
    """Charge that pixels ``(n, h, w)`` collect, in photons, from expected photons: they land anywhere in a pixel.

    Poisson photons, or the expectation when `rng` is None. The charge is split exactly for each of
    `LANDINGS`² places in the pixel; the multinomial noise of that split, below one electron in ten of a
    photon's charge, is left out.
    """

    def drawn(mean: NDArray[np.floating]) -> NDArray[np.float64]:
        photons: NDArray[Any] = mean if rng is None else rng.poisson(mean)
        return photons.astype(np.float64)

    if sharing_px == 0:
        return drawn(light)
    weights = sharing_weights(sharing_px)
    total = np.zeros(light.shape)
    for along_y in weights:
        row = np.zeros(light.shape)
        for along_x in weights:
            row += ndimage.convolve1d(drawn(light / LANDINGS**2), along_x, axis=-1, mode="constant")
        total += ndimage.convolve1d(row, along_y, axis=-2, mode="constant")
    return total


def fano_noise(electrons: NDArray[np.float64], fano: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Add the noise of charge creation: variance `fano` times the electrons."""
    if fano == 0:
        return electrons
    noise: NDArray[np.float64] = np.sqrt(fano * electrons) * rng.standard_normal(electrons.shape)
    return electrons + noise


def cosmic_rays(
    electrons: NDArray[np.float64], rate: float, typical_e: float, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Add hits to `electrons` ``(n, h, w)`` in place, `rate` a frame; return their pixels.

    Half of them are single pixels, the others straight tracks of 2 to 6.
    """
    hit = np.zeros(electrons.shape, bool)
    h, w = electrons.shape[1:]
    for n, count in enumerate(rng.poisson(rate, len(electrons))):
        for _ in range(count):
            length = 1 if rng.random() < 0.5 else int(rng.integers(2, 7))
            angle, steps = rng.uniform(0, np.pi), np.arange(length)
            y = np.rint(rng.uniform(0, h - 1) + steps * np.sin(angle)).astype(int)
            x = np.rint(rng.uniform(0, w - 1) + steps * np.cos(angle)).astype(int)
            inside = (y < h) & (x >= 0) & (x < w)
            y, x = y[inside], x[inside]
            np.add.at(electrons[n], (y, x), typical_e * rng.uniform(0.5, 2, len(y)))
            hit[n, y, x] = True
    return hit
