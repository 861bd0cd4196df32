"""From stored detector values to counts: dark, gain, marks, bad pixels, beam centre.

Pure functions and frozen objects on arrays; the passes over a scan are in `preparation` and `checks`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from scans.errors import InputError
from scans.scan import Orientation, Scan

SAMPLE_FRAMES = 48
SAMPLE_BYTES = 256 << 20
# Area detectors write these into signed frames for gaps and bad pixels (common practice, no source).
NEGATIVE_MARKS = (-1, -2)


class Block(NamedTuple):
    """Cleaned frames of one block, oriented and cropped.

    `values` are ``(n, h, w)`` float32 in the unit of the `Readout`, 0 where unmeasured. `bad` and
    `saturated` are ``(n, h, w)`` bool, or None where no pixel is. `blank` marks frames that are stored as
    nothing but zeros. `nonfinite` and `marked` count pixels of each frame, bad pixels of the mask left out.
    """

    values: NDArray[np.float32]
    bad: NDArray[np.bool_] | None
    saturated: NDArray[np.bool_] | None
    blank: NDArray[np.bool_]
    nonfinite: NDArray[np.int64]
    marked: NDArray[np.int64]


@dataclass(frozen=True)
class Readout:
    """How one scan's stored values become counts.

    Parameters
    ----------
    good
        ``(h, w)`` bool, oriented: pixels that the mask and the dark frames allow.
    dark
        ``(h, w)`` float32 mean dark, oriented, in stored counts; None when there is none.
    gain
        Stored counts a photon; 1 while unknown.
    unit
        "photon", or "ADU" while the gain is unknown.
    read_noise
        Rms a pixel in `unit`, from several dark frames; 0 when unknown.
    limit
        Stored values at and above it are saturated; None for none.
    marks
        Whether -1 and -2 mean "no value".
    orientation
        Applied to every block.
    steps
        What will be done, in words.
    """

    good: NDArray[np.bool_]
    dark: NDArray[np.float32] | None
    gain: float
    unit: str
    read_noise: float
    limit: float | None
    marks: bool
    orientation: Orientation
    steps: tuple[str, ...] = ()

    def clean(self, stored: NDArray[Any], window: tuple[slice, slice] = (slice(None), slice(None))) -> Block:
        """Clean stored frames ``(n, h, w)``; `window` is a part of the oriented frame."""
        part = self.orientation.apply(stored)[(slice(None), *window)]
        good = self.good[window]
        # marks are compared as stored: after a cast to float32 neighbouring integers look alike
        saturated = None if self.limit is None else _some((part >= self.limit) & good)
        marked = _some(np.isin(part, NEGATIVE_MARKS) & good) if self.marks else None
        nonfinite = _some(~np.isfinite(part) & good) if part.dtype.kind == "f" else None
        bad: NDArray[np.bool_] | None = None
        for each in (saturated, marked, nonfinite):
            if each is not None:
                bad = each if bad is None else bad | each
        values = np.asarray(part, dtype=np.float32, order="C", copy=True)
        if self.dark is not None:
            values -= self.dark[window]
        if self.gain != 1:
            values /= np.float32(self.gain)
        values[:, ~good] = 0
        if bad is not None:
            values[bad] = 0
        blank = ~np.any(part, axis=(1, 2), keepdims=False)
        return Block(values, bad, saturated, blank, _per_frame(nonfinite, part), _per_frame(marked, part))


def _some(flags: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    return flags if flags.any() else None


def _per_frame(flags: NDArray[np.bool_] | None, part: NDArray[Any]) -> NDArray[np.int64]:
    return np.zeros(len(part), np.int64) if flags is None else flags.sum(axis=(1, 2), dtype=np.int64)


def plan_readout(scan: Scan, counts_per_photon: float | None = None, saturation: float | None = None) -> Readout:
    """Decide how the stored values of `scan` are read; the options go before what the file says.

    Counts are called photons only when the file or the caller states the gain. Without it the stored
    values stay as they are and the unit is "ADU": integers alone prove nothing, since a CCD writes them too.

    Raises
    ------
    InputError
        Gain or saturation not positive, dark frames of another shape, or no good pixel.
    """
    shape = tuple(int(n) for n in scan.frames.shape[1:])
    gain = counts_per_photon if counts_per_photon is not None else scan.counts_per_photon
    limit = saturation if saturation is not None else scan.saturation
    for name, value in (("counts_per_photon", gain), ("saturation", limit)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise InputError(
                f"{name} = {value:g}",
                where=f"{scan.name}, {name}",
                expected="a positive number",
                fix=f"Give it with -s prepare.{name}=VALUE, or leave it out.",
            )
    steps = []
    good = np.ones(shape, bool) if scan.mask is None else scan.mask.astype(bool)
    dark, noise = None, 0.0
    if scan.dark is not None:
        dark, noise, usable = mean_dark(scan.dark, shape, scan.name)
        good = good & usable
        n_dark = scan.dark.shape[0] if scan.dark.ndim == 3 else 1
        steps.append(f"dark: mean of {n_dark} dark frame(s) subtracted, median {np.median(dark):.4g} counts")
    if not good.any():
        raise InputError(
            "no good pixel is left",
            where=f"{scan.name}, mask",
            expected="a mask that is True (good) somewhere",
            fix="Check the mask's polarity in the file, or remove the mask.",
        )
    if good.size > good.sum():
        steps.append(f"mask: {good.size - good.sum()} of {good.size} pixels are bad in every frame")
    limit = _whole_limit(limit, scan.frames.dtype)
    if limit is not None:
        steps.append(f"saturation: stored values from {limit:.10g} on are masked frame by frame")
    marks = scan.frames.dtype.kind == "i" and scan.dark is None and not _goes_below_marks(scan)
    if gain is not None:
        steps.append(f"gain: {gain:.6g} counts a photon; unit photon")
    else:
        steps.append("gain: unknown, counts kept as stored; unit ADU")
    scale = 1.0 if gain is None else float(gain)
    if scan.orientation != Orientation():
        steps.append(f"orientation: {scan.orientation}")
    return Readout(
        good=scan.orientation.apply(good),
        dark=None if dark is None else scan.orientation.apply(dark),
        gain=scale,
        unit="ADU" if gain is None else "photon",
        read_noise=noise / scale,
        limit=limit,
        marks=marks,
        orientation=scan.orientation,
        steps=tuple(steps),
    )


def _whole_limit(limit: float | None, dtype: np.dtype[Any]) -> float | None:
    """Saturation limit; the top of an integer type is one too: overflow, or unsigned forms of the marks."""
    if dtype.kind not in "iu":
        return limit
    top = int(np.iinfo(dtype).max) - (1 if dtype.kind == "u" and dtype.itemsize > 1 else 0)
    # a Python int compares exactly with any integer type, a float would widen the whole block
    return top if limit is None else min(math.ceil(limit), top)


def _goes_below_marks(scan: Scan) -> bool:
    """Whether a sample of frames holds values below the marks: then negative values are noise."""
    return any(int(frame.min()) < min(NEGATIVE_MARKS) for frame in sample_frames(scan))


def sample_frames(scan: Scan) -> Iterator[NDArray[Any]]:
    """Yield a bounded number of stored frames ``(1, h, w)`` spread evenly over the scan."""
    frame_bytes = int(np.prod(scan.frames.shape[1:])) * scan.frames.dtype.itemsize
    n = min(SAMPLE_FRAMES, scan.n_frames, max(8, SAMPLE_BYTES // frame_bytes))
    for j in np.unique(np.linspace(0, scan.n_frames - 1, n).round().astype(int)):
        yield scan.frames[slice(int(j), int(j) + 1)]


def sample_mean(scan: Scan, readout: Readout) -> tuple[NDArray[np.float64], int]:
    """Return the mean pattern ``(h, w)`` of a sample of frames, oriented, and the number of frames."""
    total = np.zeros(readout.good.shape)
    seen = np.zeros(readout.good.shape, np.int64)
    n = 0
    for frame in sample_frames(scan):
        block = readout.clean(frame)
        total += block.values[0]
        seen += readout.good if block.bad is None else readout.good & ~block.bad[0]
        n += 1
    return total / np.maximum(seen, 1), n


def mean_dark(
    dark: NDArray[Any], shape: tuple[int, ...], where: str
) -> tuple[NDArray[np.float32], float, NDArray[np.bool_]]:
    """Reduce dark frames ``(K, h, w)`` or ``(h, w)`` to mean, read noise and usable pixels.

    The read noise is the rms over pixels of the standard deviation along the K frames [stored counts].
    Pixels far outside the chi-square law of that variance (flickering, hit by a cosmic ray) are left out of
    the rms; 0 when K is 1.
    """
    stack = dark[None] if dark.ndim == 2 else dark
    if stack.ndim != 3 or stack.shape[0] < 1 or stack.shape[1:] != shape:
        raise InputError(
            f"dark frames of shape {dark.shape}",
            where=f"{where}, dark",
            expected=f"the stored frame's shape {shape}, or (frames, rows, columns) of that shape",
            fix="Give the dark frames of the same detector region, or remove them from the file.",
        )
    total, usable = np.zeros(shape), np.ones(shape, bool)
    for frame in stack:  # one at a time: a dark stack may be as large as the scan
        usable &= np.isfinite(frame)
        total += np.where(np.isfinite(frame), frame, 0)
    mean = np.where(usable, total / len(stack), 0.0)
    if len(stack) < 2:
        return mean.astype(np.float32), 0.0, usable
    spread = np.zeros(shape)
    for frame in stack:
        spread += np.where(usable, frame - mean, 0) ** 2
    variance = spread[usable] / (len(stack) - 1)
    return mean.astype(np.float32), math.sqrt(_clipped_mean_variance(variance, len(stack) - 1)), usable


def _clipped_mean_variance(variance: NDArray[np.float64], dof: int) -> float:
    """Mean of sample variances, values beyond the 1e-4 quantile of their chi-square law left out."""
    if not variance.size:
        return 0.0
    factor = float(special.chdtri(dof, 1e-4)) / dof
    mean = float(variance.mean())
    for _ in range(20):
        kept = variance[variance <= factor * mean]
        if not kept.size or kept.mean() == mean:
            break
        mean = float(kept.mean())
    return mean


def stored_point(
    point: tuple[float, float], orientation: Orientation, oriented_shape: tuple[int, int]
) -> tuple[float, float]:
    """Turn oriented pixel coordinates back into those of the stored frame (inverse of `apply_point`)."""
    y = oriented_shape[0] - 1 - point[0] if orientation.flip_y else point[0]
    x = oriented_shape[1] - 1 - point[1] if orientation.flip_x else point[1]
    return (x, y) if orientation.transpose else (y, x)


def hot_pixels(pattern: NDArray[Any], good: NDArray[np.bool_], floor: float) -> NDArray[np.bool_]:
    """Return pixels that stick out of the mean pattern ``(h, w)``.

    Hot is a value over `floor` plus three times the fourth largest of the 5 x 5 around it: up to three
    neighbouring hot pixels are found, sharp edges of the beam are not (factors: common practice, no source).
    """
    clean = np.where(good, pattern, 0.0)
    fourth = ndimage.rank_filter(clean, rank=-4, size=5, mode="reflect")
    return good & (clean > 3 * np.maximum(fourth, 0) + floor)


def dead_pixels(pattern: NDArray[Any], good: NDArray[np.bool_], floor: float) -> NDArray[np.bool_]:
    """Return pixels that stay dark in the mean pattern ``(h, w)`` while both sides of them are lit.

    Dead is a value below a tenth of what the pixels within three steps show on *both* sides, along rows or
    along columns; that level must exceed `floor`. Edges of the beam are dark on one side only, and what hangs
    on a larger shadow is left out.
    """
    clean = np.where(good, pattern, 0.0)
    level = np.zeros(clean.shape)
    for axis in (0, 1):
        size = (3, 1) if axis == 0 else (1, 3)
        near = ndimage.maximum_filter(clean, size=size, mode="constant")
        before, after = _shifted(near, 2, axis), _shifted(near, -2, axis)
        # the filter reaches one pixel, so shifted by two it covers distances 1 to 3 on that side
        level = np.maximum(level, np.minimum(before, after))
    dead = good & (level > floor) & (clean < 0.1 * level)
    # narrow tips of a shadow (central stop, beam edge) look alike, but hang on an extended dark area
    shadow = (clean < 0.1 * ndimage.maximum_filter(clean, size=7)) & ~dead
    reach = ndimage.binary_dilation(shadow, np.ones((3, 3), bool), iterations=2, mask=dead | shadow)
    return dead & ~reach


def _shifted(image: NDArray[Any], by: int, axis: int) -> NDArray[Any]:
    """Shift by whole pixels, zeros coming in."""
    shift = (by, 0) if axis == 0 else (0, by)
    return ndimage.shift(image, shift, order=0, mode="constant")


def outlier_floor(n_frames: int, unit: str, read_noise: float) -> float:
    """Smallest mean count at which a pixel can be judged: 50 photons over the scan, and above the read noise.

    A pixel expecting 50 photons shows 5 or fewer with probability 6e-16 (Poisson). In ADU a photon may be
    tens of counts, so twenty times more is wanted.
    """
    return max(50 * (1 if unit == "photon" else 20) / n_frames, 3 * read_noise)
