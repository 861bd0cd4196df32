"""Wiener filter of an image, ring by ring of spatial frequency, from two halves of its data.

Halves with a signal-to-noise ratio s have the ring correlation F = s/(1 + s). All data have half the noise power,
2s = 2F/(1 - F), and the factor on their spectrum that leaves the least mean square error is 2s/(1 + 2s)::

    C²(k) = 2F/(1 + F)

the square of what `ring_curve.to_reference` gives, not its root. Signal to noise from halves: Frank & Al-Ali, Nature
256 (1975) 376; C: Rosenthal & Henderson, J. Mol. Biol. 333 (2003) 721; filter: Wiener, Extrapolation, Interpolation
and Smoothing of Stationary Time Series (1949); all from memory. A filtered image must not be asked for its resolution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, optimize

from recon.registration import remove_ramp
from recon.ring_correlation import FIRST_RING, NOTHING, RingCorrelation, ring_correlation
from recon.ring_curve import to_reference
from recon.shift_fit import phasor
from scans.errors import InputError

# Shares of the greatest illumination: below the first an image stays as it is, from the second on it is filtered.
DARK, LIT = 0.03, 0.06
# The gain is smoothed over so many rings (standard deviation): steps would ring in the image.
SMOOTH_RINGS = 1.5
# Neighbours' weights under the kernel, over the pixel's own, count as no less: the kernel's negative lobes could
# cancel them where the illumination falls steeply.
LEAST_WEIGHT = 0.25
# Frequencies beyond the edge: as if so many pixels without weight lay around the image.
PAD_PX = 32


@dataclass(frozen=True)
class RingFiltered:
    """A filtered image and how it was filtered.

    Parameters
    ----------
    image
        ``(H, W)``, in the precision it came in.
    frequency_per_m, gain
        ``(R,)`` ring radius [1/m] and C² there, 0 to 1.
    rings
        The correlation of the halves.
    """

    image: NDArray[Any]
    frequency_per_m: NDArray[np.floating]
    gain: NDArray[np.float64]
    rings: RingCorrelation

    @property
    def used(self) -> bool:
        """False where the halves had nothing in common, and the image is as it was."""
        return bool(self.rings.crossings["half-bit"].status != NOTHING)


def ring_wiener(
    object_: NDArray[Any],
    half_a: NDArray[Any],
    half_b: NDArray[Any],
    illumination: NDArray[Any],
    pixel_m: float | tuple[float, float] = 1.0,
    *,
    lattice_m: Sequence[float] = (),
) -> RingFiltered:
    """Filter an image by the ring correlation of two images from halves of its data.

    Parameters
    ----------
    object_
        ``(H, W)`` from all data, complex or real.
    half_a, half_b
        ``(H, W)`` from independent halves (`halves.split_by_photons`), each solved cold. They are registered on
        each other, so their ramps, scales and small shifts do not matter.
    illumination
        ``(H, W)`` >= 0: photons that fell on each pixel.
    pixel_m, lattice_m
        As `ring_correlation`.

    Raises
    ------
    InputError
        As `ring_correlation`; shapes that differ.
    """
    shapes = {np.shape(one) for one in (object_, half_a, half_b, illumination)}
    if len(shapes) > 1:
        raise InputError(
            f"images of shapes {sorted(shapes)}",
            where="ring filter",
            expected="one grid for the image, its halves and the illumination",
            fix="Cut them to their common area first.",
        )
    rings = ring_correlation(half_a, half_b, pixel_m, weight=illumination, lattice_m=lattice_m)
    return filter_by_rings(object_, illumination, rings)


def filter_by_rings(object_: NDArray[Any], illumination: NDArray[Any], rings: RingCorrelation) -> RingFiltered:
    """Filter an image by a ring correlation that is at hand; parameters and errors as `ring_wiener`.

    The image's mean stays, and its phase ramp is taken off for the filter: it would move the spectrum off the
    centre of the rings. Each pixel becomes a mean of its neighbours under the filter's kernel, weighted with
    their illumination (normalised convolution: Knutsson & Westin, Proc. CVPR (1993) 515, from memory), because
    the noise power is as its inverse. Pixels with little light stay as they are.
    """
    object_, light = np.asarray(object_), np.asarray(illumination, np.float64)
    real = not np.iscomplexobj(object_)
    turn = 1.0 if real else phasor(object_.shape, -np.array(remove_ramp(object_, light)[1]))
    gain = ring_gain(rings)
    share = np.clip((light / light.max() - DARK) / (LIT - DARK), 0, 1)
    share = np.where(np.isfinite(object_), share**2 * (3 - 2 * share), 0)
    weight = light * share
    flat = np.where(share > 0, object_, 0) * turn
    mean = (weight * flat).sum() / weight.sum()
    shape = [fft.next_fast_len(n + PAD_PX) for n in object_.shape]
    kernel = _on_grid(gain, rings, shape)
    rows, columns = (slice(0, n) for n in object_.shape)

    def smoothed(values: NDArray[Any]) -> NDArray[Any]:
        return fft.ifft2(fft.fft2(values, shape) * kernel)[rows, columns]

    around = np.maximum(smoothed(weight).real, LEAST_WEIGHT * weight)
    change = smoothed(weight * (flat - mean)) / np.where(around > 0, around, 1) - (flat - mean)
    change = share * change / turn
    image = np.where(share > 0, object_ + (change.real if real else change), object_)
    out = object_.dtype if object_.dtype.kind in "fc" else np.dtype(np.float64)
    return RingFiltered(image.astype(out), rings.frequency_per_m, gain, rings)


def ring_gain(rings: RingCorrelation) -> NDArray[np.float64]:
    """Gain C² ``(R,)`` of each ring; 1 where nothing is to be filtered.

    F is taken to fall with frequency: it is replaced by the nearest curve that never rises (least squares,
    weighted with the independent samples; Barlow et al., Statistical Inference under Order Restrictions, 1972,
    from memory), less its standard error. That costs little signal, and outer rings are so many that what chance
    leaves in them would be much noise. Rings of a position lattice, whose F is too high, are filled from their
    neighbours. The innermost rings take no part: their F is chance and the smeared mean, and if it is low the
    others must not follow. They stay as they are, and so does everything where the halves have nothing in common.
    """
    used = np.flatnonzero(~rings.left_out)
    if rings.crossings["half-bit"].status == NOTHING or not used.size:
        return np.ones(rings.frc.size)
    samples = rings.effective_samples[used]
    fit = optimize.isotonic_regression(rings.frc[used], weights=samples, increasing=False)
    lengths = np.diff(fit.blocks)
    together = np.repeat(np.add.reduceat(samples, fit.blocks[:-1]), lengths)
    sure = fit.x - (1 - np.clip(fit.x, 0, 1) ** 2) / np.sqrt(together)
    falling = np.maximum.accumulate(sure[::-1])[::-1]  # what is sure further out is so further in
    c2 = np.interp(np.arange(rings.frc.size), used, to_reference(np.minimum(falling, 1)) ** 2)
    gain = ndimage.gaussian_filter1d(c2, SMOOTH_RINGS, mode="nearest")
    gain[:FIRST_RING] = 1
    return np.asarray(gain, np.float64)


def _on_grid(gain: NDArray[np.float64], rings: RingCorrelation, shape: Sequence[int]) -> NDArray[np.float64]:
    """Gain at each frequency of an FFT grid; beyond the last ring as in it."""
    fy, fx = (fft.fftfreq(n, pixel) for n, pixel in zip(shape, rings.pixel_m, strict=True))
    radius = np.hypot(fy[:, None], fx)
    return np.interp(radius, rings.frequency_per_m, gain)
