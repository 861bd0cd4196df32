"""Sub-pixel shift of an image, and the least-squares fit of shift, phase ramp and scale to another one.

The inner part of `recon.registration`; host arrays, float64. Pixel coordinates count from the first pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

# A Fourier shift of an image whose opposite edges differ rings. A mirrored border of this many pixels,
# tapered to the mean, leaves nothing to ring at the edge and only a small, distant step in the gradient.
BORDER_PX = 24
# What was not lit is arbitrary, and its interpolation would reach far into the rest (and not at whole-pixel
# shifts, which the fit would then prefer): so many pixels inside the lit area the image has faded to its
# mean.
FADE_PX = 4


def phasor(shape: Sequence[int], ramp_cycles_per_px: Any) -> NDArray[np.complex128]:
    """``exp(2 pi i ramp . r)`` on `shape`, r counted from the first pixel."""
    rows, cols = (np.exp(2j * np.pi * k * np.arange(n)) for k, n in zip(ramp_cycles_per_px, shape, strict=True))
    return np.multiply.outer(rows, cols)


def tilt(image: NDArray[Any], ramp_cycles_per_px: NDArray[np.float64]) -> NDArray[Any]:
    """`image` with a phase ramp added; a real image (whose ramp is always 0) stays as it is."""
    return image * phasor(image.shape, ramp_cycles_per_px) if ramp_cycles_per_px.any() else image


def cut(array: NDArray[Any], start: Sequence[int], shape: Sequence[int]) -> NDArray[Any]:
    """Part of a 2-D array from `start` on (negative: before its first pixel), 0 where there is none."""
    out = np.zeros(tuple(shape), array.dtype)
    source, target = [], []
    for first, size, want in zip(start, array.shape, shape, strict=True):
        low, high = max(first, 0), min(first + want, size)
        source.append(slice(low, max(low, high)))
        target.append(slice(low - first, max(low, high) - first))
    if all(s.stop > s.start for s in source):
        out[tuple(target)] = array[tuple(source)]
    return out


class SubpixelView:
    """Band-limited values of an image ``(h, w)`` between its pixels.

    The border is mirrored and tapered to the mean. Outside `lit` ``(h, w)`` the image is its mean, and values
    within FADE_PX of there are not to be used. Values that are not finite count as 0.
    """

    def __init__(self, image: NDArray[Any], lit: NDArray[np.bool_] | None = None) -> None:
        self.real = not np.iscomplexobj(image)
        self.image_shape = image.shape
        self.pad = min(BORDER_PX, *image.shape)
        image = np.where(np.isfinite(image), image, 0)
        rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(self.pad) + 0.5) / self.pad)
        taper_y, taper_x = (np.concatenate([rise, np.ones(n), rise[::-1]]) for n in image.shape)
        mean = image.mean() if lit is None else image[lit].mean()
        if lit is not None and not lit.all():
            depth = np.minimum(ndimage.distance_transform_edt(lit), FADE_PX)
            image = mean + (0.5 - 0.5 * np.cos(np.pi * depth / FADE_PX)) * (image - mean)
        padded = mean + np.multiply.outer(taper_y, taper_x) * (np.pad(image, self.pad, mode="symmetric") - mean)
        self.spectrum = fft.fft2(padded.astype(np.complex128))
        self.frequency = [fft.fftfreq(n) for n in padded.shape]

    def shifted(self, shift_px: Any, shape: Sequence[int], axis: int | None = None) -> NDArray[Any]:
        """``image(r + shift)`` on `shape` (0 outside the image), or its derivative along `axis` [1/pixel]."""
        whole = np.round(np.asarray(shift_px)).astype(int)
        parts = np.asarray(shift_px) - whole
        factors = [np.exp(2j * np.pi * f * d) for f, d in zip(self.frequency, parts, strict=True)]
        if axis is not None:
            factors[axis] = factors[axis] * 2j * np.pi * self.frequency[axis]
        values = fft.ifft2(self.spectrum * factors[0][:, None] * factors[1])
        inner = values[tuple(slice(self.pad, self.pad + n) for n in self.image_shape)]
        return cut(inner.real if self.real else inner, (int(whole[0]), int(whole[1])), shape)


@dataclass(frozen=True)
class Fit:
    """One trial: shift [px], ramp [cycles/px], complex scale, misfit relative to the reference."""

    shift: NDArray[np.float64]
    ramp: NDArray[np.float64]
    scale: Any = 1.0
    misfit: float = np.inf


class ShiftProblem:
    """Least squares of ``window * (scale * exp(2 pi i ramp . r) * moving(r + shift) - reference)``.

    Parameters
    ----------
    view
        The moving image.
    reference
        ``(H, W)``, of the same kind (real or complex) as the moving image.
    window
        ``(H, W)`` >= 0, not all 0: square root of the weight of each pixel.
    """

    def __init__(self, view: SubpixelView, reference: NDArray[Any], window: NDArray[np.float64]) -> None:
        rows, cols = (np.flatnonzero(window.any(axis=axis)) for axis in (1, 0))
        box = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
        self.corner = np.array([rows[0], cols[0]], float)
        self.view, self.window, self.reference = view, window[box], reference[box]
        self.shape = self.window.shape
        # Ramp steps turn about the centre of the box: nearly independent of the phase of the scale.
        self.y, self.x = (np.arange(n) - (n - 1) / 2 for n in self.shape)

    def evaluate(self, fit: Fit, gain: NDArray[np.float64] | None = None) -> Fit:
        """`fit` with the best scale for its shift and ramp, and the misfit."""
        model, target = self._seen(self._model(fit), gain), self._seen(self.reference, gain)
        power, norm = _power(model), _power(target)
        scale = (np.conj(model) * target).sum() / power if power > 0 else 0.0
        scale = np.real(scale) if self.view.real else scale
        misfit = math.sqrt(_power(scale * model - target) / norm) if norm > 0 else 0.0
        return Fit(fit.shift, fit.ramp, scale, misfit)

    def spectra(self, fit: Fit) -> tuple[NDArray[Any], NDArray[Any]]:
        """Spectra of the aligned and the reference image in the window, weighted means removed first."""
        aligned, reference = fit.scale * self._model(fit), self.reference
        total = self.window.sum()
        a, b = (self.window * (o - (o * self.window).sum() / total) for o in (aligned, reference))
        return fft.fft2(a), fft.fft2(b)

    def solve(self, fit: Fit, gain: NDArray[np.float64] | None = None, *, steps: int = 20) -> Fit:
        """Refine `fit` by Gauss-Newton steps, each halved until the misfit falls.

        Parameters
        ----------
        fit
            Where to start: within about half a period of the finest detail that counts.
        gain
            Factor on each spatial frequency of the difference, in FFT order of the window's box; None: 1.
        steps
            At most so many; the end is a step below 1e-4 pixel, or one that does not help.
        """
        fit = self.evaluate(fit, gain)
        for _ in range(steps):
            shift, ramp = self._step(fit, gain)
            length = min(1.0, 0.7 / max(np.abs(shift).max(), 1e-12))
            shortest = length / 16
            trial = self.evaluate(Fit(fit.shift + length * shift, fit.ramp + length * ramp), gain)
            while trial.misfit > fit.misfit and length > shortest:
                length /= 2
                trial = self.evaluate(Fit(fit.shift + length * shift, fit.ramp + length * ramp), gain)
            if trial.misfit > fit.misfit:
                break
            fit = trial
            if np.abs(length * shift).max() < 1e-4:
                break
        return fit

    def _seen(self, image: NDArray[Any], gain: NDArray[np.float64] | None) -> NDArray[Any]:
        """Window an image on the box and, with a gain, filter its spectrum (norms by Parseval)."""
        return self.window * image if gain is None else fft.fft2(self.window * image, norm="ortho") * gain

    def _model(self, fit: Fit, axis: int | None = None) -> NDArray[Any]:
        values = self.view.shifted(self.corner + fit.shift, self.shape, axis)
        if self.view.real:
            return values
        return values * phasor(self.shape, fit.ramp) * np.exp(2j * np.pi * (self.corner @ fit.ramp))

    def _step(self, fit: Fit, gain: NDArray[np.float64] | None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Gauss-Newton step of shift and ramp; the scale is a linear unknown beside them."""
        model = fit.scale * self._model(fit)
        images = [fit.scale * self._model(fit, axis) for axis in (0, 1)]
        if not self.view.real:
            images += [2j * np.pi * self.y[:, None] * model, 2j * np.pi * self.x * model, 1j * model]
        columns = np.array([self._seen(o, gain).ravel() for o in (*images, model, self.reference - model)])
        # Real and imaginary parts side by side: one product holds the normal equations and their right side.
        columns = columns.view(np.float64)
        products = columns @ columns.T
        normal, right = products[:-1, :-1], products[:-1, -1]
        size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        step = np.linalg.lstsq(normal / np.outer(size, size), right / size, rcond=1e-10)[0] / size
        return step[:2], np.zeros(2) if self.view.real else step[2:4]


def _power(image: NDArray[Any]) -> float:
    return float((image.real**2 + image.imag**2).sum())
