"""Whole-pixel shift between two objects, blind to phase ramps and scales."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

# Smoothing (rms) and neighbour distance, in pixels, of the products that find the whole-pixel shift: fine
# detail, and coarse detail for images whose fine detail is noise. Every candidate is refined; the best is
# kept.
COARSE_SCALES_PX = ((0.0, 1), (2.0, 3))
MIN_OVERLAP = 0.4


def coarse_shifts(
    moving: NDArray[Any], reference: NDArray[Any], lit_m: NDArray[np.float64], lit_r: NDArray[np.float64]
) -> list[tuple[int, int]]:
    """Return the candidate shifts of each of `COARSE_SCALES_PX`, without repeats.

    Parameters
    ----------
    moving, reference
        Images ``(h, w)`` and ``(H, W)``, both complex or both real.
    lit_m, lit_r
        Their weights, 0 where nothing was measured.
    """
    found = (_coarse_shift(moving, reference, lit_m, lit_r, *scale) for scale in COARSE_SCALES_PX)
    return list(dict.fromkeys(found))


def neighbours(array: NDArray[Any], axis: int, distance: int) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return views of `array`: `distance` ahead, and here."""
    ahead, here = [slice(None)] * 2, [slice(None)] * 2
    ahead[axis], here[axis] = slice(distance, None), slice(None, -distance)
    return array[tuple(ahead)], array[tuple(here)]


def _features(
    image: NDArray[Any], lit: NDArray[np.float64], smooth_px: float, distance: int
) -> list[tuple[NDArray[Any], NDArray[np.float64]]]:
    """Ramp-blind images with their weights: O(r + a) O*(r) for a along y and x; a real image itself."""
    # Amplitudes are compressed towards 1: bright garbage must not outvote the rest.
    # The weight stays out of the image: its slow fall at the margin would be a feature of its own.
    inside = (lit > 0).astype(float)
    image = inside * image / (np.abs(image) + np.median(np.abs(image[lit > 0])) + 1e-300)
    if smooth_px:
        share = ndimage.gaussian_filter(inside, smooth_px)
        image = inside * ndimage.gaussian_filter(image, smooth_px) / np.maximum(share, 0.1)
    if not np.iscomplexobj(image):
        return [(image, lit)]
    found = []
    for axis in (0, 1):
        (ahead, here), (lit_ahead, lit_here) = (neighbours(a, axis, distance) for a in (image, lit))
        found.append((ahead * np.conj(here), lit_ahead * lit_here))
    return found


def _coarse_shift(
    moving: NDArray[Any],
    reference: NDArray[Any],
    lit_m: NDArray[np.float64],
    lit_r: NDArray[np.float64],
    smooth_px: float,
    distance: int,
) -> tuple[int, int]:
    """Whole-pixel shift at which the ramp-blind images correlate best: masked, normalised correlation.

    Means and variances are those of each shift's overlap: otherwise a shift that lays one image's strongest
    detail on the other's lit area wins. Padfield, IEEE Trans. Image Process. 21 (2012) 2706 (from memory).
    """
    size = [fft.next_fast_len(a + b) for a, b in zip(moving.shape, reference.shape, strict=True)]
    total = np.zeros(size)
    pairs = (_features(o, w, smooth_px, distance) for o, w in ((moving, lit_m), (reference, lit_r)))
    for (g_m, w_m), (g_r, w_r) in zip(*pairs, strict=True):
        parts = (g_m * w_m, w_m, np.abs(g_m) ** 2 * w_m, g_r * w_r, w_r, np.abs(g_r) ** 2 * w_r)
        gm, wm, ggm, gr, wr, ggr = (fft.fft2(a.astype(np.complex64), size) for a in parts)
        overlap = np.maximum(fft.ifft2(wm * np.conj(wr)).real, 1.0)
        mean_m, mean_r = fft.ifft2(gm * np.conj(wr)), fft.ifft2(wm * np.conj(gr))
        cross = np.abs(fft.ifft2(gm * np.conj(gr)) - mean_m * mean_r / overlap) ** 2
        var_m = fft.ifft2(ggm * np.conj(wr)).real - np.abs(mean_m) ** 2 / overlap
        var_r = fft.ifft2(wm * np.conj(ggr)).real - np.abs(mean_r) ** 2 / overlap
        common = overlap >= MIN_OVERLAP * overlap.max()
        floors = (1e-3 * np.median(v[common]) + 1e-30 for v in (var_m, var_r))
        spread = np.prod([np.maximum(v, f) for v, f in zip((var_m, var_r), floors, strict=True)], axis=0)
        total += np.where(common, overlap * cross / spread, 0)
    y, x = np.unravel_index(np.argmax(total), total.shape)
    # Shifts run from -(H - 1) to h - 1; the negative ones are wrapped to the end.
    return int(y - size[0] * (y >= moving.shape[0])), int(x - size[1] * (x >= moving.shape[1]))
