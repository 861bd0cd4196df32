"""Bring one reconstructed object onto another: shift, phase ramp and complex scale.

A ptychographic object is known only up to a complex factor and a linear phase ramp (the probe takes up
both), and two scans rarely share their origin. All three are removed before two objects are compared::

    reference(r) = scale * exp(2 pi i ramp . r) * moving(r + shift),    r = (row, column) from the first pixel

Real images have no phase: for them only the shift and a real scale are free.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from recon.coarse_shift import coarse_shifts, neighbours
from recon.shift_fit import FADE_PX, Fit, ShiftProblem, SubpixelView, cut, phasor, tilt
from scans.errors import InputError

LOW_PASS_CYCLES_PER_PX = 0.08
EDGE_PX = 8


@dataclass(frozen=True)
class Match:
    """How `moving` becomes `reference` (the module's formula).

    Parameters
    ----------
    shift_px
        ``(y, x)``: a feature at r in the reference lies at r + shift in the moving image [pixels].
    ramp_cycles_per_px
        ``(y, x)`` phase ramp of the reference relative to the moving image [cycles/pixel].
    scale
        Complex factor (imaginary part 0 for real images).
    residual
        ``||aligned - reference|| / ||reference||`` over the weighted region.
    shape
        ``(H, W)`` of the reference, and so of the aligned image.
    carrier_cycles_per_px
        The moving image's own ramp: it is taken off for the interpolation, so that the spectrum is centred
        and nothing wraps round the band edge.
    """

    shift_px: tuple[float, float]
    ramp_cycles_per_px: tuple[float, float]
    scale: complex
    residual: float
    shape: tuple[int, int]
    carrier_cycles_per_px: tuple[float, float] = (0.0, 0.0)

    def apply(self, moving: NDArray[Any], lit: NDArray[np.bool_] | None = None) -> NDArray[Any]:
        """Return `moving` ``(h, w)`` on the reference's pixels ``(H, W)``, in the precision it came in.

        Interpolated by Fourier shift behind a mirrored, tapered border. Where `lit` ``(h, w)`` is False the
        values are arbitrary and replaced by the mean, lest they leak into the others; `covers` tells which
        pixels are true. Pixels outside the moving image are 0.
        """
        moving = np.asarray(moving)
        out = moving.dtype if moving.dtype.kind in "fc" else np.dtype(np.float64)
        if moving.dtype.kind != "c":
            values = SubpixelView(moving, lit).shifted(self.shift_px, self.shape)
            return (self.scale.real * values).astype(out)
        carrier = np.array(self.carrier_cycles_per_px)
        flat = SubpixelView(tilt(moving, -carrier), lit).shifted(self.shift_px, self.shape)
        constant = self.scale * np.exp(2j * np.pi * (carrier @ np.array(self.shift_px)))
        return (constant * phasor(self.shape, self.ramp_cycles_per_px + carrier) * flat).astype(out)

    def covers(self, lit: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Pixels ``(H, W)`` of the reference that `apply` fills from well inside `lit` ``(h, w)``."""
        inside = np.ones(lit.shape, bool) if lit.all() else ndimage.distance_transform_edt(lit) >= FADE_PX
        # 1e-3 pixel beside a whole pixel counts as on it.
        corners = [{int(np.floor(s + 1e-3)), int(np.ceil(s - 1e-3))} for s in self.shift_px]
        return np.logical_and.reduce([cut(inside, start, self.shape) for start in product(*corners)])


def register(
    moving: NDArray[Any],
    reference: NDArray[Any],
    weight: NDArray[Any] | None = None,
    *,
    moving_weight: NDArray[Any] | None = None,
) -> Match:
    """Find the shift, phase ramp and scale that bring `moving` onto `reference`.

    The whole-pixel shift comes from the correlation of products of neighbouring pixels, O(r + a) O*(r), in
    which a ramp is only a constant factor. Shift, ramp and scale are then refined together by Gauss-Newton
    steps on the weighted difference; each ring of spatial frequency counts F/(1 + F), F the ring
    correlation of the two. That is s/(1 + 2s) for a signal-to-noise ratio s in both: noise beyond the
    resolution does not steer the shift.

    Parameters
    ----------
    moving, reference
        Objects ``(h, w)`` and ``(H, W)``, both complex or both real, on the same pixel size.
    weight
        ``(H, W)`` >= 0: how well the reference is lit (photons, or a mask); None: everywhere alike.
    moving_weight
        ``(h, w)`` >= 0, of the moving image; None: `weight` where the shapes agree, else everywhere alike.

    Raises
    ------
    InputError
        Wrong or mixed kinds and shapes, negative or empty weights, values in the lit area not finite.
    """
    moving, reference = np.asarray(moving), np.asarray(reference)
    if moving_weight is None and moving.shape == reference.shape:
        moving_weight = weight
    moving, lit_m = _checked(moving, moving_weight, "moving")
    reference, lit_r = _checked(reference, weight, "reference")
    if np.iscomplexobj(moving) != np.iscomplexobj(reference):
        raise InputError(
            "one image is real, the other complex",
            where="moving, reference",
            expected="both complex objects, or both real images",
            fix="Take the same quantity of both.",
        )
    own_m, own_r = _own_ramp(moving, lit_m), _own_ramp(reference, lit_r)
    moving, reference = tilt(moving, -own_m), tilt(reference, -own_r)
    view = SubpixelView(moving, lit_m > 0)
    starts = coarse_shifts(moving, reference, lit_m, lit_r)
    trials = [trial for start in starts for trial in _trials(view, reference, lit_m, lit_r, start)]
    problem, fit = max(trials, key=lambda trial: _likelihood(*trial))
    fit = problem.evaluate(problem.solve(fit, _ring_gain(problem, fit)))
    constant = complex(fit.scale * np.exp(-2j * np.pi * (own_m @ fit.shift)))
    ramp = own_r + fit.ramp - own_m
    return Match(_pair(fit.shift), _pair(ramp), constant, fit.misfit, _pair_of_int(reference.shape), _pair(own_m))


def object_error(estimate: NDArray[Any], truth: NDArray[Any], weight: NDArray[Any] | None = None) -> float:
    """Return the normalised rms error ``min ||c O exp(i k.r) - T(r + s)||_w / ||T(r + s)||_w`` over c, k, s.

    Parameters
    ----------
    estimate, truth
        Objects ``(H, W)`` and ``(h, w)`` on the same pixel size. The truth is the one that is moved: nothing
        unmeasured can leak from its margins.
    weight
        ``(H, W)`` >= 0 illumination of the estimate, ``||a||_w^2 = sum w |a|^2``; None: everywhere alike.

    Raises
    ------
    InputError
        As `register`.
    """
    estimate, truth = np.asarray(estimate), np.asarray(truth)
    everywhere = np.ones(truth.shape)
    match = register(truth, estimate, weight, moving_weight=everywhere)
    w = match.covers(everywhere > 0) * (np.ones(match.shape) if weight is None else np.asarray(weight, float))
    carrier = np.array(match.carrier_cycles_per_px)
    view = SubpixelView(tilt(truth, -carrier))
    problem = ShiftProblem(view, np.where(w > 0, estimate, 0), np.sqrt(w / w.max()))
    # ||c O - T||/||T|| at the best c is sqrt(1 - |<O,T>|^2/(|O|^2 |T|^2)), the same whichever one is scaled.
    return problem.solve(Fit(np.array(match.shift_px), np.array(match.ramp_cycles_per_px) + carrier)).misfit


def remove_ramp(
    obj: NDArray[Any], weight: NDArray[Any] | None = None, *, empty: NDArray[np.bool_] | None = None
) -> tuple[NDArray[Any], tuple[float, float]]:
    """Take the constant phase and the linear phase ramp off a complex object.

    Without an empty area the ramp is the weighted mean phase gradient (phases of the summed products of
    neighbouring pixels, three passes of growing distance) and the phase of the mean becomes 0: good to look
    at, not absolute. With one, the phase there becomes 0 on the least-squares plane: the rest is the
    sample's own.

    Parameters
    ----------
    obj
        Complex ``(H, W)``.
    weight
        ``(H, W)`` >= 0 illumination; None: everywhere alike.
    empty
        ``(H, W)`` True where there is no sample.

    Returns
    -------
    flattened, ramp_cycles_per_px
        The object with both removed, same dtype, and the ramp ``(y, x)`` that was in it [cycles/pixel].

    Raises
    ------
    InputError
        Not a complex image, a weight that does not fit, or no lit pixel in the empty area.
    """
    obj = np.asarray(obj)
    used, area = _checked(obj.astype(np.complex128), weight, "object")
    if empty is not None:
        area = area * np.asarray(empty, bool)
        if not area.any():
            raise InputError(
                "no pixel of it is lit",
                where="empty area",
                expected="lit pixels without sample",
                fix="Mark another empty area, or leave it out.",
            )
    ramp = _own_ramp(used, area)
    for _ in range(3 if empty is not None else 0):
        ramp = ramp + _plane(tilt(used, -ramp), area)
    turn = phasor(obj.shape, -ramp)
    turn = turn * np.exp(-1j * np.angle((area * used * turn).sum()))
    return (obj * turn).astype(obj.dtype), _pair(ramp)


def lit_area(weight: NDArray[Any], fraction: float = 0.25) -> NDArray[np.bool_]:
    """Pixels lit at least `fraction` as well as the bright ones (90th percentile of the lit pixels)."""
    return np.asarray(weight) >= fraction * _bright(np.asarray(weight))


def _bright(weight: NDArray[Any]) -> float:
    return float(np.percentile(weight[weight > 0.05 * weight.max()], 90))


def _checked(image: NDArray[Any], weight: Any, name: str) -> tuple[NDArray[Any], NDArray[np.float64]]:
    """Image in double precision and its weight scaled to at most 1 and 0 in the dark."""
    if image.ndim != 2 or min(image.shape) < 16 or image.dtype.kind not in "fciu":
        raise InputError(
            f"{image.dtype} array of shape {image.shape}",
            where=name,
            expected="a 2-D image of numbers, at least 16 pixels a side",
            fix="Give one object, (rows, columns).",
        )
    lit = np.ones(image.shape) if weight is None else np.asarray(weight, np.float64)
    if lit.shape != image.shape or not np.isfinite(lit).all() or lit.min() < 0 or lit.max() == 0:
        raise InputError(
            f"weight of shape {lit.shape}, {lit.min():g} to {lit.max():g}",
            where=name,
            expected=f"shape {image.shape}, finite, >= 0 and not all 0",
            fix="Give the photons that fell on each object pixel, or a mask.",
        )
    lit = np.where(lit_area(lit, 0.1), np.minimum(lit / _bright(lit), 1), 0)
    if not np.isfinite(image[lit > 0]).all():
        raise InputError(
            f"{(~np.isfinite(image[lit > 0])).sum()} lit pixels are not finite",
            where=name,
            expected="finite values wherever the weight is not 0",
            fix="The reconstruction diverged there: reconstruct again, or set the weight to 0.",
        )
    image = np.where(np.isfinite(image), image, 0)
    return image.astype(np.complex128 if image.dtype.kind == "c" else np.float64), lit


def _own_ramp(obj: NDArray[Any], weight: NDArray[Any]) -> NDArray[np.float64]:
    """Weighted mean phase gradient ``(y, x)`` [cycles/px]; 0 for real images, and where none is coherent."""
    ramp = np.zeros(2)
    if not np.iscomplexobj(obj):
        return ramp
    lit = np.where(weight > 0, obj, 0) * weight
    for distance, axis in product((1, 4, 16), (0, 1)):
        ahead, here = neighbours(lit, axis, distance)
        pairs = ahead * np.conj(here)
        total, size = pairs.sum(), np.abs(pairs).sum()
        if size > 0 and abs(total) > 0.05 * size:
            turn = np.angle(total * np.exp(-2j * np.pi * distance * ramp[axis]))
            ramp[axis] += turn / (2 * np.pi * distance)
    return ramp


def _plane(obj: NDArray[Any], area: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weighted least-squares phase plane ``(y, x)`` [cycles/pixel] of a nearly flat object over `area`."""
    rows, cols = np.nonzero(area)
    values = obj[rows, cols]
    root = np.sqrt(area[rows, cols]) * np.abs(values)
    phase = np.angle(values * np.conj((area[rows, cols] * values).sum()))
    design = np.stack([rows - rows.mean(), cols - cols.mean(), np.ones(rows.size)], axis=1)
    return np.linalg.lstsq(design * root[:, None], phase * root, rcond=None)[0][:2] / (2 * np.pi)


def _trials(
    view: SubpixelView,
    reference: NDArray[Any],
    lit_m: NDArray[np.float64],
    lit_r: NDArray[np.float64],
    start: tuple[int, int],
) -> list[tuple[ShiftProblem, Fit]]:
    """First fits from one whole-pixel shift: straight on, and by way of the coarse detail only."""
    there = cut(lit_m, start, reference.shape)
    # Noise of both images adds: the weight is the harmonic mean. The soft edge keeps rings apart.
    both = 2 * lit_r * there / np.maximum(lit_r + there, 1e-12)
    edge = ndimage.distance_transform_edt(np.pad(both > 0, 1))[1:-1, 1:-1] - FADE_PX
    window = np.sqrt(both) * np.clip(edge / EDGE_PX, 0, 1)
    if not window.any():
        raise InputError(
            f"lit areas that do not overlap at a shift of {start} pixels",
            where="moving, reference",
            expected="a common lit area",
            fix="Compare objects of the same place, or larger scans.",
        )
    problem = ShiftProblem(view, reference, window)
    ramp = np.zeros(2)
    if not view.real:
        beat = both * reference * np.conj(view.shifted(np.array(start), reference.shape))
        size = [2 * n for n in beat.shape]
        peak = np.unravel_index(np.argmax(np.abs(fft.fft2(beat, size))), size)
        ramp = np.array([fft.fftfreq(n)[i] for n, i in zip(size, peak, strict=True)])
    fit = Fit(np.array(start, float), ramp)
    low_pass = np.exp(-0.5 * (_radius(problem.shape) / LOW_PASS_CYCLES_PER_PX) ** 2)
    return [(problem, problem.solve(first, steps=8)) for first in (fit, problem.solve(fit, low_pass, steps=8))]


def _radius(shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Spatial frequency [cycles/pixel] of an FFT grid."""
    return np.hypot(fft.fftfreq(shape[0])[:, None], fft.fftfreq(shape[1]))


def _rings(problem: ShiftProblem, fit: Fit) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Ring of each frequency, ring correlation, pixels a ring; ring 0 (means removed) stands with ring 1."""
    a, b = problem.spectra(fit)
    ring = np.maximum(np.rint(_radius(a.shape) * min(a.shape)).astype(np.int64), 1)
    cross, power_a, power_b, n = (
        np.bincount(ring.ravel(), v.ravel())
        for v in ((a * np.conj(b)).real, np.abs(a) ** 2, np.abs(b) ** 2, np.ones(a.shape))
    )
    return ring, cross / np.sqrt(np.maximum(power_a * power_b, 1e-300)), n


def _likelihood(problem: ShiftProblem, fit: Fit) -> float:
    """How much better than unrelated images, as -sum n ln(1 - F^2) (Gaussian signals of coherence F)."""
    _, frc, n = _rings(problem, fit)
    return float(-(n * np.log1p(-(np.clip(frc, 0, 1 - 1e-9) ** 2))).sum())


def _ring_gain(problem: ShiftProblem, fit: Fit) -> NDArray[np.float64] | None:
    """Square root of F/(1 + F) for each frequency, rings within two standard deviations of 0 left out."""
    ring, frc, n = _rings(problem, fit)
    weight = np.where(frc > 2 / np.sqrt(np.maximum(n, 1)), frc / (1 + np.abs(frc)), 0)
    return np.sqrt(weight[ring]) if weight.any() else None


def _pair(values: Any) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _pair_of_int(values: Any) -> tuple[int, int]:
    return int(values[0]), int(values[1])
