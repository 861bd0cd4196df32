"""The part of the frames that sees no light: found from a sample, with its level and noise."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from scans.pipeline import cores

CLIP_SIGMA = 3.5
LEAST_SHARE = 0.02  # of the frame, and
LEAST_PIXELS = 200  # below which a dark corner proves nothing (common practice, no source)
DARKEST = 0.05  # share of the frame from which the margin grows
MEDIAN_FRAMES = 32
BAND_ROWS = 32
WITHIN = 3.0  # standard errors of the smoothed typical frame


@dataclass(frozen=True)
class Margin:
    """Pixels without light and what they show.

    Parameters
    ----------
    pixels
        ``(h, w)`` bool.
    level, level_error
        Mean of the typical frame over them, and its error [counts].
    noise
        Rms of one pixel in one frame [counts].
    values
        Number of values that `noise` was taken from.
    beam
        Centre ``(row, column)`` of the light.
    surrounds
        Whether they lie on all sides of the beam, so that a curved surface can be laid through them.
    coefficients
        Of that surface, in powers of the distance from the middle of the frame.
    """

    pixels: NDArray[np.bool_] = field(repr=False)
    level: float
    level_error: float
    noise: float
    values: int
    beam: tuple[float, float]
    surrounds: bool
    coefficients: NDArray[np.float64] = field(repr=False)

    def surface(self, shape: tuple[int, ...]) -> NDArray[np.float32]:
        """Smooth level ``(h, w)`` through the margin, carried on below the beam."""
        basis = _basis(np.arange(shape[0])[:, None], np.arange(shape[1])[None, :], shape, len(self.coefficients))
        return np.asarray(sum(c * b for c, b in zip(self.coefficients, basis, strict=True)), np.float32)


def typical_frame(sample: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of each pixel ``(h, w)`` over frames ``(n, h, w)``, values far from the median left out.

    Where photons are rare and each stands out of the noise, this is the level without any: it is free of
    scatter. Some rows at a time, in threads, so that memory is that of the sample.
    """
    out = np.empty(sample.shape[1:], np.float32)
    # medians of so many frames are sharp enough to tell what is far away
    some = sample[:: max(1, len(sample) // MEDIAN_FRAMES)]

    def band(first: int) -> None:
        rows = slice(first, first + BAND_ROWS)
        few = np.ascontiguousarray(np.moveaxis(some[:, rows], 0, -1))  # values of a pixel side by side
        median = np.median(few, axis=-1)
        # whole counts: never narrower than one
        width = np.maximum(CLIP_SIGMA * 1.4826 * np.median(np.abs(few - median[..., None]), axis=-1), 1.0)
        kept = np.abs(sample[:, rows] - median) <= width
        out[rows] = np.where(kept, sample[:, rows], 0).sum(axis=0) / kept.sum(axis=0)

    with ThreadPoolExecutor(cores()) as pool:
        list(pool.map(band, range(0, len(out), BAND_ROWS)))
    return out


def clipped_level(values: NDArray[np.floating], real: NDArray[np.bool_], noise: float) -> NDArray[np.float64]:
    """Mean of each row of values ``(m, k)`` within `CLIP_SIGMA` of its median, entries not `real` left out.

    0 for rows without entries.
    """
    count = real.sum(axis=1)
    if real.all():
        median = np.median(values, axis=1)
    else:
        ordered = np.sort(np.where(real, values, np.inf), axis=1)
        last = np.maximum(count - 1, 0)
        row = np.arange(len(values))
        median = np.where(count > 0, ordered[row, last // 2] / 2 + ordered[row, (last + 1) // 2] / 2, 0)
    kept = real & (np.abs(values - median[:, None]) <= max(CLIP_SIGMA * noise, 1.0))
    total = np.sum(values, axis=1, where=kept, dtype=np.float64)
    return np.asarray(total / np.maximum(kept.sum(axis=1), 1), np.float64)


def find_margin(sample: NDArray[np.float32], typical: NDArray[np.float32], good: NDArray[np.bool_]) -> Margin | None:
    """Find the pixels without light; None when the frame is lit everywhere.

    Parameters
    ----------
    sample
        ``(n, h, w)`` dark-corrected frames.
    typical
        ``(h, w)`` of `typical_frame`.
    good
        ``(h, w)`` bool.
    """
    if good.sum() < LEAST_PIXELS:
        return None
    size = max(5, min(good.shape) // 24 | 1)
    smooth = _smooth(typical, good, size)
    spread = _smoothed_noise(sample, typical, smooth, good, size)
    # a smoothed value at the edge of a bad patch rests on few pixels
    usable = good & (ndimage.uniform_filter(good.astype(np.float64), size, mode="nearest") > 0.5)
    beam = _centre(typical, smooth, good)
    pixels, coefficients = _grow(smooth, usable, spread, beam)
    # a beam of any kind lifts some of the frame far above its darkest part
    n = int(pixels.sum())
    if n < max(LEAST_PIXELS, LEAST_SHARE * good.sum()) or not _even(smooth, pixels, coefficients, beam, spread):
        return None
    noise, values = _noise(sample, typical, pixels)
    level = float(typical[pixels].mean(dtype=np.float64))
    # beyond the noise of its pixels the level is no better known than the smoothed frame
    error = math.hypot(noise / math.sqrt(len(sample) * n), 0.5 * spread * size / math.sqrt(n) * 3)
    surrounds = len(coefficients) > 1
    return Margin(pixels, level, error, noise, values, beam, surrounds, coefficients)


def _smooth(image: NDArray[np.floating], good: NDArray[np.bool_], size: int) -> NDArray[np.float64]:
    weight = ndimage.uniform_filter(good.astype(np.float64), size, mode="nearest")
    filled = ndimage.uniform_filter(np.where(good, image, 0.0).astype(np.float64), size, mode="nearest")
    return np.asarray(filled / np.maximum(weight, 1e-6))


def _smoothed_noise(
    sample: NDArray[np.float32],
    typical: NDArray[np.float32],
    smooth: NDArray[np.float64],
    good: NDArray[np.bool_],
    size: int,
) -> float:
    """Rms of the smoothed typical frame where it is dark: changes from frame to frame, and a fixed pattern."""
    dark = good & (smooth <= np.quantile(smooth[good], 0.25))
    # odd minus even frames: everything static drops out
    half = typical_frame(sample[::2]) - typical_frame(sample[1::2])
    change = _smooth(half / 2, good, size)[dark]
    temporal = 1.4826 * float(np.median(np.abs(change - np.median(change))))
    steps = (np.diff(typical, axis=1) ** 2 / 2)[dark[:, 1:] & dark[:, :-1]]
    if not steps.size:
        return temporal
    # mean of the squares without the largest: hot pixels that nobody masked
    pixel = math.sqrt(float(steps[steps <= np.quantile(steps, 0.995)].mean(dtype=np.float64)))
    return max(temporal, pixel / size)


def _centre(typical: NDArray[np.float32], smooth: NDArray[np.float64], good: NDArray[np.bool_]) -> tuple[float, float]:
    low, high = float(np.quantile(smooth[good], 0.05)), float(smooth[good].max())
    light = np.where(good & (smooth > low + 0.1 * (high - low)), smooth - low, 0.0)
    if not light.sum() > 0:
        return (typical.shape[0] - 1) / 2, (typical.shape[1] - 1) / 2
    y, x = ndimage.center_of_mass(light)
    return float(y), float(x)


def _basis(
    y: NDArray[np.integer], x: NDArray[np.integer], shape: tuple[int, ...], terms: int
) -> list[NDArray[np.float64]]:
    v, u = 2 * y / shape[0] - 1, 2 * x / shape[1] - 1
    one = np.ones(np.broadcast_shapes(v.shape, u.shape))
    return [one, one * v, one * u, v * u, one * (v**2 - u**2), one * (v**2 + u**2)][:terms]


def _grow(
    smooth: NDArray[np.float64], usable: NDArray[np.bool_], spread: float, beam: tuple[float, float]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Grow the margin twice, and take the larger: from the darkest pixels, and from the rim of the frame.

    The first finds a dark corner anywhere; the second follows a leak that is not even.
    """
    darkest = usable & (smooth <= np.quantile(smooth[usable], DARKEST))
    first = _fit(smooth, usable, darkest, spread, (1, 1, 1, 1, 3, 3, 6, 6, 6), beam)
    rim = usable.copy()
    y, x = (n // 8 for n in smooth.shape)
    rim[y : smooth.shape[0] - y, x : smooth.shape[1] - x] = False
    second = _fit(smooth, usable, rim, spread, (6,) * 8, beam)
    return second if second[0].sum() > first[0].sum() else first


def _fit(
    smooth: NDArray[np.float64],
    usable: NDArray[np.bool_],
    pixels: NDArray[np.bool_],
    spread: float,
    schedule: tuple[int, ...],
    beam: tuple[float, float],
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Lay surfaces of so many terms through the margin, pixels above them left out; stop where it is one-sided."""
    coefficients = np.array([float(np.median(smooth[pixels]))]) if pixels.any() else np.zeros(1)
    none = np.zeros_like(pixels)
    y, x = np.arange(smooth.shape[0])[:, None], np.arange(smooth.shape[1])[None, :]
    for step, terms in enumerate(schedule):
        if terms > 1 and not _around(pixels, beam):
            return (pixels, coefficients) if len(coefficients) == 1 and schedule[0] == 1 else (none, coefficients)
        grid = _basis(y, x, smooth.shape, terms)
        some = np.flatnonzero(pixels)
        some = some[:: len(some) // 20000 + 1]  # enough for six coefficients
        basis = np.stack([b.reshape(-1)[some] for b in grid], axis=1)
        coefficients = np.asarray(np.linalg.lstsq(basis, smooth.reshape(-1)[some], rcond=None)[0], np.float64)
        above = smooth - sum(c * b for c, b in zip(coefficients, grid, strict=True))
        # light only adds: the first surfaces lie too high, and half of the pixels are below them
        allowed = max(WITHIN * spread, float(np.quantile(above[pixels], 0.6)) if step < len(schedule) - 2 else 0.0)
        grown = usable & (above <= allowed)
        if grown.sum() < LEAST_PIXELS:
            return none, coefficients
        pixels = grown
    return pixels, coefficients


def _around(pixels: NDArray[np.bool_], beam: tuple[float, float]) -> bool:
    """Whether each of the four quadrants about the beam has a fair part of the margin."""
    y, x = np.nonzero(pixels)
    if not len(y):
        return False
    quadrant = 2 * (y > beam[0]) + (x > beam[1])
    return bool((np.bincount(quadrant, minlength=4) > 0.05 * len(y)).all())


def _even(
    smooth: NDArray[np.float64],
    pixels: NDArray[np.bool_],
    coefficients: NDArray[np.float64],
    beam: tuple[float, float],
    spread: float,
) -> bool:
    """Whether the margin's near half is as dark as its far half, the smooth surface taken out."""
    y, x = np.nonzero(pixels)
    basis = _basis(y, x, smooth.shape, len(coefficients))
    rest = smooth[pixels] - sum(c * b for c, b in zip(coefficients, basis, strict=True))
    r = np.hypot(y - beam[0], x - beam[1])
    near = r < np.median(r)
    return float(np.median(rest[near]) - np.median(rest[~near])) < WITHIN * spread


def _noise(sample: NDArray[np.float32], typical: NDArray[np.float32], pixels: NDArray[np.bool_]) -> tuple[float, int]:
    """Rms of a margin pixel about its mean, without drift of the frame and outliers; and number of values."""
    index = np.flatnonzero(pixels)
    index = index[np.linspace(0, len(index) - 1, min(len(index), 8192)).astype(int)]
    values = sample.reshape(len(sample), -1)[:, index] - typical.reshape(-1)[index]
    values = values - np.median(values, axis=1, keepdims=True)
    off = 1.4826 * float(np.median(np.abs(values)))
    kept = np.abs(values) <= max(CLIP_SIGMA * off, 1.0)
    variance = float((values[kept] ** 2).mean(dtype=np.float64))
    n = len(sample)
    return max(math.sqrt(variance * n / (n - 1)), 1e-6), int(kept.sum())
