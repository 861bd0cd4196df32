"""Fourier ring correlation of two images: the period down to which they agree.

The images are brought together first (ramp, shift, scale; common lit rectangle; Hann window), then
correlated ring by ring (`recon.ring_curve`). docs/resolution.md says what the number means and when not to
believe it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, spatial

from recon.registration import Match, lit_area, register, remove_ramp
from recon.ring_curve import (
    Crossing,
    RingCurve,
    bit_threshold,
    checked_pixel,
    correlate_rings,
    first_crossing,
    half_bit_threshold,
    hann,
    one_bit_threshold,
    to_reference,
)
from recon.shift_fit import phasor
from scans.errors import InputError
from scans.scan import Finding

__all__ = [
    "Crossing",
    "RingCorrelation",
    "RingCurve",
    "bit_threshold",
    "correlate_rings",
    "half_bit_threshold",
    "largest_rectangle",
    "lattice_periods",
    "one_bit_threshold",
    "raster_period",
    "ring_correlation",
    "to_reference",
]

# Rings 0 to 2 hold the removed mean, smeared by the window: they say nothing and take no part in the search.
FIRST_RING = 3
# Fewer rings than this and a crossing is known to no better than some 5 %.
MIN_RINGS = 20
MIN_SIDE_PX = 16
# Rings this near to a multiple of 1/period of a position lattice take no part either.
LATTICE_RINGS = 1.5
# Still this high at the detector's edge: more likely something shared than resolution.
SUSPICIOUS = 0.9
# Amplitude of the positions' sum at a Bragg peak, 1 for a perfect lattice. Random jitter of +-a steps
# lowers it to sinc(2a): 0.9 is +-0.12 steps, between a raster with stage errors and one jittered on purpose
# (0.1 to 0.2).
LATTICE_ORDER = 0.9
MIN_POSITIONS = 9
# A lattice that would leave out more of the rings than this is left in: there would be nothing to judge by.
LATTICE_SHARE = 0.6
NOTHING: Final = "below from the start"


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
        return "\n".join(lines + [f"  {f.level}: {f.text}. {f.fix}".rstrip() for f in self.findings])


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

    `b` is registered on `a` to a small part of a pixel, its ramp and scale matched; the ramp that both then
    share is removed (it would move the centre of the rings). Both are cropped to the largest rectangle that
    is well lit in both, their means under the window are removed, and a Hann window is applied: its side
    lobes fall fast enough that the strong low frequencies do not leak into the weak high ones, where a
    leak from the edges, being the same in both images, would pass for correlation.

    Parameters
    ----------
    a, b
        Images ``(H, W)`` and ``(h, w)``, both complex (transmission) or both real (such as an unwrapped phase
        without ramp), on the same pixel size.
    pixel_m
        Pixel size, or ``(y, x)`` [m].
    weight, weight_b
        ``(H, W)``, ``(h, w)`` >= 0: photons that fell on each pixel, or a mask. None: everywhere alike; for
        `b` also `weight`, where the shapes agree.
    lattice_m
        Periods of a regular lattice of scan positions (`lattice_periods`) [m]: rings within 1.5 rings of a
        multiple of 1/period are left out of the search, and a finding says so.

    Raises
    ------
    InputError
        As `registration.register`; a pixel size <= 0; no common lit rectangle of 16 x 16 pixels.
    """
    a, b = np.asarray(a), np.asarray(b)
    pixel = checked_pixel(pixel_m)
    if weight_b is None:
        weight_b = weight if weight is not None and a.shape == b.shape else np.ones(b.shape)
    match = register(b, a, weight, moving_weight=weight_b)
    common = match.covers(lit_area(weight_b))
    area = largest_rectangle(common if weight is None else common & lit_area(weight))
    sides = [s.stop - s.start for s in area]
    if min(sides) < MIN_SIDE_PX:
        raise InputError(
            f"largest common lit rectangle of {sides[0]} x {sides[1]} pixels",
            where="the two images",
            expected=f"at least {MIN_SIDE_PX} pixels a side",
            fix="Compare scans of the same place, or larger ones.",
        )
    aligned = match.apply(b, lit_area(weight_b))
    if np.iscomplexobj(a):
        turn = phasor(a.shape, -np.array(remove_ramp(a, weight)[1]))
        a, aligned = a * turn, aligned * turn
    curve = correlate_rings(a[area], aligned[area], pixel, hann(sides))
    return _judge(curve, match, area, pixel, lattice_m)


def largest_rectangle(mask: NDArray[np.bool_]) -> tuple[slice, slice]:
    """Rows and columns of the rectangle of largest area in which `mask` ``(H, W)`` is all True.

    Masks of more than 512 pixels a side are searched on blocks of pixels: the rectangle still lies inside,
    and is at most a block short on each side.
    """
    block = max(1, math.ceil(max(mask.shape) / 512))
    rows, cols = (n // block for n in mask.shape)
    blocks = mask[: rows * block, : cols * block].reshape(rows, block, cols, block)
    coarse = np.logical_and.reduce(blocks, axis=(1, 3))
    heights = np.zeros(cols, np.int64)
    best, found = 0, (0, 0, 0, 0)
    for row in range(rows):
        heights = (heights + 1) * coarse[row]
        area, top, left, right = _widest(heights.tolist())
        if area > best:
            best, found = area, (row + 1 - top, row + 1, left, right)
    y0, y1, x0, x1 = (block * v for v in found)
    return slice(y0, y1), slice(x0, x1)


def _widest(heights: list[int]) -> tuple[int, int, int, int]:
    """Largest rectangle under a row of columns: area, height, left, right (a stack of rising columns)."""
    best, stack = (0, 0, 0, 0), list[tuple[int, int]]()
    for at, height in enumerate([*heights, 0]):
        left = at
        while stack and stack[-1][1] >= height:
            left, top = stack.pop()
            best = max(best, (top * (at - left), top, left, at))
        stack.append((left, height))
    return best


def _judge(
    curve: RingCurve,
    match: Match,
    area: tuple[slice, slice],
    pixel_m: tuple[float, float],
    lattice_m: Sequence[float],
) -> RingCorrelation:
    """Crossings and findings of a curve."""
    index = np.arange(curve.frc.size)
    centre = index < FIRST_RING
    lattice = np.zeros(index.size, bool)
    for period in lattice_m:
        apart = 1 / (period * curve.frequency_per_m[1])  # rings from one multiple of 1/period to the next
        order = np.maximum(np.rint(index / apart), 1)
        lattice |= np.abs(index - order * apart) <= LATTICE_RINGS
    lattice &= ~centre
    left_out = centre | lattice if lattice.mean() <= LATTICE_SHARE else centre
    thresholds = {
        "1/7": np.full(index.size, 1 / 7),
        "half-bit": curve.half_bit,
        "1-bit": curve.one_bit,
        "0.5": np.full(index.size, 0.5),
    }
    crossings = {name: first_crossing(name, curve, values, ~left_out) for name, values in thresholds.items()}
    if crossings["half-bit"].status == NOTHING:  # a fixed threshold knows nothing of chance
        crossings = {name: Crossing(name, NOTHING) for name in crossings}
    return RingCorrelation(
        curve.frequency_per_m,
        curve.frc,
        curve.ring_pixels,
        curve.effective_samples,
        left_out,
        MappingProxyType(crossings),
        match,
        area,
        pixel_m,
        tuple(_findings(curve, crossings, lattice, left_out, lattice_m)),
    )


def _findings(
    curve: RingCurve,
    crossings: Mapping[str, Crossing],
    lattice: NDArray[np.bool_],
    left_out: NDArray[np.bool_],
    lattice_m: Sequence[float],
) -> Iterator[Finding]:
    """Say what a reader of the number should know."""
    if curve.frc.size < MIN_RINGS:
        yield Finding(
            "caution",
            "few rings",
            f"the common lit rectangle gives only {curve.frc.size} rings",
            "Compare a larger area.",
        )
    if lattice.any():
        yield _lattice_finding(int(lattice.sum()), bool(left_out[lattice].any()), lattice_m)
    if crossings["half-bit"].status == NOTHING:
        yield Finding(
            "serious",
            "nothing in common",
            "the two images do not agree at any period that fits the common area",
            "Check that both show the same place, at the same pixel size and orientation, and that both runs "
            "converged.",
        )
    headline = crossings["1/7"]
    at_edge = float(np.median(curve.frc[-10:]))
    if headline.status == "not crossed" and at_edge > SUSPICIOUS:
        yield Finding(
            "caution",
            "shared data",
            f"the correlation is still {at_edge:.2f} at the detector's edge",
            "Make sure that the two images share no frames or photons, and no prior.",
        )
    edge = curve.frequency_per_m[-1]
    if headline.frequency_per_m is not None and headline.frequency_per_m > 2 / 3 * edge:
        yield Finding(
            "note",
            "near the edge",
            "the crossing lies beyond two thirds of the highest measured frequency",
            "Measure to larger angles to be sure of it.",
        )


def _lattice_finding(rings: int, removed: bool, lattice_m: Sequence[float]) -> Finding:
    periods = " and ".join(f"{period * 1e9:.0f}" for period in lattice_m)
    what = f"the {rings} rings at its orders " + ("were left out" if removed else "are nearly all")
    return Finding(
        "caution" if removed else "serious",
        "position lattice",
        f"the positions are a lattice of period {periods} nm, and both images may share an artefact of it: "
        f"{what}, and the number may be too good",
        "Scan a spiral, or jitter each point by at least 0.2 steps.",
    )


def raster_period(positions_m: NDArray[np.float64]) -> float | None:
    """Longest period [m] of the lattice on which scan positions ``(J, 2)`` lie; None where they do not."""
    periods = lattice_periods(positions_m)
    return periods[0] if periods else None


def lattice_periods(positions_m: NDArray[np.float64]) -> tuple[float, ...]:
    """Periods [m] of the lattice of scan positions ``(J, 2)``, longest first: none, one or two.

    A lattice shows as spatial frequencies q at which all positions are in step, abs(mean exp(2 pi i q.r))
    near 1 (Bragg peaks). The shortest such q gives the longest period; the shortest in another direction
    the second. One period means order in one direction only, as in lines of irregular points.
    """
    r = np.asarray(positions_m, np.float64)
    r = r - r.mean(axis=0)
    size = r.max(axis=0) - r.min(axis=0)
    if len(r) < MIN_POSITIONS or not size.any():
        return ()
    near = np.asarray(spatial.cKDTree(r).query(r, k=2)[0])[:, 1]
    found: list[NDArray[np.float64]] = []
    for start in _bright_frequencies(r, size, float(np.median(near[near > 0])) / 4):
        q = _in_step(r, start)
        # Below one and a half turns over the field any set of positions is in step.
        if (np.abs(q) * size < 1.5).all() or abs(np.exp(2j * np.pi * (r @ q)).mean()) < LATTICE_ORDER:
            continue
        cross = [abs(q[0] * p[1] - q[1] * p[0]) / (np.hypot(*q) * np.hypot(*p)) for p in found]
        if not found or cross[0] > 0.2:
            found.append(q)
        if len(found) == 2:
            break
    return tuple(float(1 / np.hypot(*q)) for q in found)


def _bright_frequencies(r: NDArray[np.float64], size: NDArray[np.float64], bin_m: float) -> list[NDArray[np.float64]]:
    """Frequencies ``(y, x)`` [1/m] near Bragg peaks, shortest first, from a histogram of the positions."""
    bin_m = max(bin_m, float(size.max()) / 1024)
    cells = np.rint((r - r.min(axis=0)) / bin_m).astype(int)
    counts = np.zeros(cells.max(axis=0) + 1)
    np.add.at(counts, tuple(cells.T), 1)
    shape = [fft.next_fast_len(3 * n) for n in counts.shape]
    fy, fx = (fft.fftfreq(n, bin_m) for n in shape)
    # The bins' own blur is divided out; frequencies beyond 3/4 of the histogram's band are left alone.
    power = np.abs(fft.fft2(counts, shape)) / len(r) / np.outer(np.sinc(fy * bin_m), np.sinc(fx * bin_m))
    q = np.hypot(fy[:, None], fx)
    peak = (power > 0.7) & (power == ndimage.maximum_filter(power, 3, mode="wrap")) & (q < 0.375 / bin_m)
    peak &= (np.abs(fy) * size[0] >= 1)[:, None] | (np.abs(fx) * size[1] >= 1)
    peak &= (fy > 0)[:, None] | ((fy == 0)[:, None] & (fx > 0))
    rows, cols = np.nonzero(peak)
    order = np.argsort(q[rows, cols])
    return [np.array([fy[rows[i]], fx[cols[i]]]) for i in order]


def _in_step(r: NDArray[np.float64], q: NDArray[np.float64]) -> NDArray[np.float64]:
    """`q` moved to where the positions are most in step (regression of the phases left over)."""
    for _ in range(4):
        wave = np.exp(2j * np.pi * (r @ q))
        q = q - np.linalg.lstsq(r, np.angle(wave * np.conj(wave.mean())), rcond=None)[0] / (2 * np.pi)
    return q
