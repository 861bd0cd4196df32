"""The ring correlation curve itself: rings, independent samples, thresholds, crossings.

::

    F(ring) = Re sum A B* / sqrt(sum |A|^2 sum |B|^2)

over rings one step of spatial frequency wide, A and B the transforms of two images as they are given.
Bringing two reconstructions to that point is the work of `recon.ring_correlation`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from scans.errors import InputError

HALF_BIT_SNR = (math.sqrt(2) - 1) / 2  # log2(1 + 2s) = 1/2
ONE_BIT_SNR = 0.5  # log2(1 + 2s) = 1

FloatArray = NDArray[np.floating]


@dataclass(frozen=True)
class RingCurve:
    """Ring correlation as a function of spatial frequency; arrays ``(R,)``, ring 0 is the centre.

    Parameters
    ----------
    frequency_per_m
        Ring radius [1/m], one step a ring.
    frc
        F, from -1 to 1.
    ring_pixels
        Pixels of the transform in each ring.
    effective_samples
        1 / variance of F for unrelated white images under the same window: n for real images without a window
        (every value has its Hermitian twin), 2n for complex ones, less where a window ties neighbours
        together. This is the n of the threshold curves and of `noise_band`.
    """

    frequency_per_m: FloatArray
    frc: FloatArray
    ring_pixels: NDArray[np.int64]
    effective_samples: FloatArray

    @property
    def half_bit(self) -> FloatArray:
        """Half-bit threshold curve ``(R,)``."""
        return half_bit_threshold(self.effective_samples)

    @property
    def one_bit(self) -> FloatArray:
        """1-bit threshold curve ``(R,)``."""
        return one_bit_threshold(self.effective_samples)

    @property
    def noise_band(self) -> FloatArray:
        """Standard deviation of F ``(R,)`` where the images have nothing in common."""
        return 1 / np.sqrt(self.effective_samples)


@dataclass(frozen=True)
class Crossing:
    """Where the curve first falls below one threshold.

    `status` is "crossed"; "not crossed": above it up to the last ring, so the limit was not measured; or
    "below from the start": at most one ring above it, nothing in common at any period that fits the area.
    Only "crossed" has a frequency.
    """

    threshold: str
    status: Literal["crossed", "not crossed", "below from the start"]
    frequency_per_m: float | None = None
    last_frequency_per_m: float = math.nan

    @property
    def full_period_m(self) -> float | None:
        """Full period 1/k [m]: one dark and one bright line."""
        return None if self.frequency_per_m is None else 1 / self.frequency_per_m

    @property
    def half_period_m(self) -> float | None:
        """Half period 1/(2k) [m]: one line."""
        return None if self.frequency_per_m is None else 0.5 / self.frequency_per_m

    def __str__(self) -> str:
        if self.frequency_per_m is not None:
            half, full = 0.5e9 / self.frequency_per_m, 1e9 / self.frequency_per_m
            return f"{self.threshold}: half period {half:.1f} nm, full period {full:.1f} nm"
        if self.status == "not crossed":
            half = 0.5e9 / self.last_frequency_per_m
            return f"{self.threshold}: not crossed down to half period {half:.1f} nm, the end of the measurement"
        return f"{self.threshold}: below it from the start, nothing in common"


def correlate_rings(
    a: NDArray[Any],
    b: NDArray[Any],
    pixel_m: float | tuple[float, float],
    window: FloatArray | None = None,
) -> RingCurve:
    """Ring correlation of two images just as they are: no registration, no crop.

    Parameters
    ----------
    a, b
        Images ``(H, W)``, both real or both complex; their means (under the window) are removed before the
        window is applied: a window on an offset correlates with itself.
    pixel_m
        Pixel size, or ``(y, x)`` [m]. Rings are one step of the coarser of the two frequency axes wide and
        end where the coarser pixel's band ends.
    window
        ``(H, W)`` >= 0; None: all 1.
    """
    window = np.ones(a.shape) if window is None else window
    spectra = [fft.fft2(window * (o - (window * o).sum() / window.sum())) for o in (a, b)]
    ring, step = ring_of(a.shape, checked_pixel(pixel_m))
    n_rings = int(ring.max()) + 1  # the last bin is what lies beyond the rings
    cross, power_a, power_b = (
        np.bincount(ring.ravel(), v.ravel(), n_rings)[:-1]
        for v in ((spectra[0] * np.conj(spectra[1])).real, np.abs(spectra[0]) ** 2, np.abs(spectra[1]) ** 2)
    )
    power = np.sqrt(power_a * power_b)
    frc = np.divide(cross, power, out=np.zeros_like(cross), where=power > 0)
    n = np.bincount(ring.ravel(), minlength=n_rings)[:-1]
    samples = n * _independent_share(window, ring) * (2 if np.iscomplexobj(a) else 1)
    return RingCurve(np.arange(n.size) * step, frc, n, samples)


def hann(shape: Sequence[int]) -> FloatArray:
    """Hann window ``(H, W)``, sin^2 along both axes, not 0 at the edge pixels."""
    rows, cols = (np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 2 for n in shape)
    return np.multiply.outer(rows, cols)


def bit_threshold(snr: float, n: Any) -> FloatArray:
    """Threshold for a signal-to-noise ratio in each of the two images.

    T = (s + 2 sqrt(s/n) + 1/sqrt(n)) / (1 + s + 2 sqrt(s/n)): van Heel & Schatz, J. Struct. Biol. 151
    (2005) 250, doi 10.1016/j.jsb.2005.05.009.

    Parameters
    ----------
    snr
        Signal power over noise power in each image; log2(1 + 2 snr) bits a sample in both together.
    n
        Independent samples in the ring, >= 1.
    """
    n = np.asarray(n, np.float64)
    mixed = 2 * np.sqrt(snr / n)
    return (snr + mixed + 1 / np.sqrt(n)) / (1 + snr + mixed)


def half_bit_threshold(n: Any) -> FloatArray:
    """`bit_threshold` at half a bit a sample in both images together; tends to 0.1716."""
    return bit_threshold(HALF_BIT_SNR, n)


def one_bit_threshold(n: Any) -> FloatArray:
    """`bit_threshold` at one bit a sample in both images together; tends to 1/3."""
    return bit_threshold(ONE_BIT_SNR, n)


def to_reference(frc: Any) -> FloatArray:
    """Return the expected correlation of all data with the truth, C = sqrt(2F/(1 + F)); 0 for F < 0.

    For F between two independent halves: Rosenthal & Henderson, J. Mol. Biol. 333 (2003) 721.
    """
    frc = np.maximum(np.asarray(frc, np.float64), 0)
    return np.sqrt(2 * frc / (1 + frc))


def first_crossing(name: str, curve: RingCurve, threshold: FloatArray, usable: NDArray[np.bool_]) -> Crossing:
    """Find where the curve first falls below a threshold, between two rings.

    Parameters
    ----------
    name
        Of the threshold.
    threshold
        Its value at each ring ``(R,)``.
    usable
        ``(R,)`` False for rings that take no part. Two usable rings in a row must lie below (the last ring
        may do so alone); the crossing is interpolated between the first of them and the usable ring before
        it.
    """
    rings = np.flatnonzero(usable)
    last = float(curve.frequency_per_m[rings[-1]]) if rings.size else math.nan
    above = (curve.frc - threshold)[rings]
    below = above < 0
    below[:-1] &= above[1:] < 0  # one ring alone is often a fluctuation
    if rings.size and not below.any():
        return Crossing(name, "not crossed", last_frequency_per_m=last)
    first = int(np.argmax(below)) if rings.size else 0
    if first < 2:  # one ring above is as little a signal as one below is none
        return Crossing(name, "below from the start", last_frequency_per_m=last)
    (f0, f1), (d0, d1) = curve.frequency_per_m[rings[first - 1 : first + 1]], above[first - 1 : first + 1]
    return Crossing(name, "crossed", float(f0 + d0 / (d0 - d1) * (f1 - f0)), last)


def checked_pixel(pixel_m: float | tuple[float, float]) -> tuple[float, float]:
    """Pixel size as ``(y, x)`` [m]."""
    y, x = np.broadcast_to(np.asarray(pixel_m, np.float64), 2)
    if not (y > 0 and x > 0 and np.isfinite([y, x]).all()):
        raise InputError(
            f"{y:g} x {x:g} m",
            where="pixel size",
            expected="positive lengths (y, x) in metres",
            fix="Give the object pixel size.",
        )
    return float(y), float(x)


def ring_of(shape: tuple[int, ...], pixel_m: tuple[float, float]) -> tuple[NDArray[np.int64], float]:
    """Ring of each frequency, FFT order, and the ring step [1/m]; beyond the whole rings: one number more."""
    step = max(1 / (n * p) for n, p in zip(shape, pixel_m, strict=True))
    fy, fx = (fft.fftfreq(n, p) / step for n, p in zip(shape, pixel_m, strict=True))
    ring = np.rint(np.hypot(fy[:, None], fx)).astype(np.int64)
    last = math.floor(0.5 / (max(pixel_m) * step) - 0.5 + 1e-9)
    return np.minimum(ring, last + 1), step


def _independent_share(window: FloatArray, ring: NDArray[np.int64]) -> FloatArray:
    """Independent samples over pixels, for each ring.

    A window w spreads white noise with the correlation c(d) = |W2(d)|^2/W2(0)^2 over frequency distances d,
    W2 the transform of w^2: the variance of F grows by the mean over the ring's pixels of the c summed over
    all others.
    """
    spread = np.abs(fft.fft2(window**2)) ** 2
    spread /= spread[0, 0]
    inside = ring < ring.max()
    tied = np.zeros(int(ring.max()))
    # The spread is even, so half of the distances count twice; 12 steps hold all of any smooth window's.
    for dy in range(-12, 13):
        for dx in range(13):
            c = spread[dy % ring.shape[0], dx % ring.shape[1]]
            if c < 1e-5 or (dx == 0 and dy < 0):
                continue
            same = inside & (np.roll(ring, (dy, dx), (0, 1)) == ring)
            tied += (1 if dx == dy == 0 else 2) * c * np.bincount(ring[same], minlength=tied.size)
    return np.bincount(ring[inside], minlength=tied.size) / tied
