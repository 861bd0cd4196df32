"""Fourier ring correlation of two images: down to which period do they agree?

::

    F(ring) = Re sum A B* / sqrt(sum |A|^2 sum |B|^2)

over rings one step of spatial frequency wide. A and B are the transforms of the two images, registered, ramp and
scale matched, cropped to the common lit rectangle, means removed, then apodised. docs/resolution.md says what the
number means and when not to believe it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from recon.registration import Match, lit_area, register, remove_ramp
from scans.errors import InputError
from scans.scan import Finding

# Rings 0 to 2 hold the removed mean, smeared by the window: they say nothing and are left out of the search.
FIRST_RING = 3
# A threshold counts as crossed where this many usable rings in a row lie below it: one is often a fluctuation.
RINGS_BELOW = 2
MIN_RINGS = 20
MIN_SIDE_PX = 16
# Rings this near to a multiple of 1/period of a position lattice are left out.
LATTICE_RINGS = 1.5
FIXED_THRESHOLDS = {"1/7": 1 / 7, "0.5": 0.5}
HALF_BIT_SNR = (math.sqrt(2) - 1) / 2  # log2(1 + 2s) = 1/2
ONE_BIT_SNR = 0.5  # log2(1 + 2s) = 1

FloatArray = NDArray[np.float64]


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
        (every value has its Hermitian twin), 2n for complex ones, less where a window ties neighbours together.
        This is the n of the threshold curves and of `noise_band`.
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

    `status` is "crossed"; "not crossed": above it up to the last ring, so the limit was not measured; or "below
    from the start": nothing in common at any period that fits the area. Only "crossed" has a frequency.
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
            return f"{self.threshold}: not crossed up to half period {half:.1f} nm: beyond the edge, not measured"
        return f"{self.threshold}: below it from the start, nothing in common"


@dataclass(frozen=True)
class RingCorrelation(RingCurve):
    """Ring correlation of two images and what follows from it.

    Parameters
    ----------
    left_out
        ``(R,)`` True for rings that were not searched for crossings (centre, position lattice).
    crossings
        "1/7", "half-bit", "1-bit" and "0.5", in this order.
    match
        How the second image was brought onto the first.
    area
        Rows and columns of the first image that were compared.
    pixel_m
        ``(y, x)`` [m].
    findings
        What a reader of the number should know.
    window
        Name of the apodisation.
    """

    left_out: NDArray[np.bool_]
    crossings: Mapping[str, Crossing]
    match: Match
    area: tuple[slice, slice]
    pixel_m: tuple[float, float]
    findings: tuple[Finding, ...] = ()
    window: str = "Hann"

    @property
    def shift_m(self) -> tuple[float, float]:
        """Shift ``(y, x)`` [m] of the second image against the first that was taken out."""
        (y, x), (py, px) = self.match.shift_px, self.pixel_m
        return y * py, x * px

    def __str__(self) -> str:
        ny, nx = (s.stop - s.start for s in self.area)
        lines = [f"ring correlation over {ny} x {nx} pixels, {len(self.frc)} rings, {self.window} window"]
        lines += [f"  {crossing}" for crossing in self.crossings.values()]
        return "\n".join(lines + [f"  {f.level}: {f.text} {f.fix}".rstrip() for f in self.findings])


def ring_correlation(
    a: NDArray[Any],
    b: NDArray[Any],
    pixel_m: float | tuple[float, float],
    *,
    weight: NDArray[Any] | None = None,
    weight_b: NDArray[Any] | None = None,
    lattice_m: Sequence[float] = (),
) -> RingCorrelation:
    """Compare two images of the same sample ring by ring of spatial frequency.

    Each image's own phase ramp goes first (it would move the centre of the rings), then `b` is registered on `a`
    to a small part of a pixel, both are cropped to the largest rectangle that is well lit in both, their means
    under the window are removed and a Hann window is applied.

    Parameters
    ----------
    a, b
        Images ``(H, W)`` and ``(h, w)``, both complex (transmission) or both real (such as an unwrapped phase
        without ramp), on the same pixel size.
    pixel_m
        Pixel size, or ``(y, x)`` [m].
    weight, weight_b
        ``(H, W)``, ``(h, w)`` >= 0: photons that fell on each pixel, or a mask. None: everywhere alike; for `b`
        also `weight`, where the shapes agree.
    lattice_m
        Periods of a regular lattice of scan positions (`lattice_periods`) [m]: rings within 1.5 rings of a
        multiple of 1/period are left out of the search, and a finding says so.

    Raises
    ------
    InputError
        As `registration.register`; a pixel size <= 0; no common lit rectangle of 16 x 16 pixels.
    """
    a, b = np.asarray(a), np.asarray(b)
    pixel = _checked_pixel(pixel_m)
    if weight_b is None:
        weight_b = weight if weight is not None and a.shape == b.shape else np.ones(b.shape)
    match = register(b, a, weight, moving_weight=weight_b)
    lit_b = np.asarray(weight_b) > 0
    common = match.covers(lit_area(weight_b) & lit_b)
    if weight is not None:
        common &= lit_area(weight)
    area = largest_rectangle(common)
    if min(s.stop - s.start for s in area) < MIN_SIDE_PX:
        raise InputError(
            f"largest common lit rectangle {[s.stop - s.start for s in area]} pixels",
            where="the two images",
            expected=f"at least {MIN_SIDE_PX} pixels a side",
            fix="Compare scans of the same place, or larger ones.",
        )
    b = match.apply(b, lit_area(weight_b, 0.1))
    if np.iscomplexobj(a):
        flat, ramp = remove_ramp(np.where(np.isfinite(a), a, 0), weight)
        b = b * (flat / np.where(a == 0, 1, a))
        a = flat
    curve = correlate_rings(a[area], b[area], pixel, hann(tuple(s.stop - s.start for s in area)))
    return _judge(curve, match, area, pixel, lattice_m)
