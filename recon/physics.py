"""The physics of one far-field frame: shifts, data terms and residuals. Pure functions of arrays.

Conventions: exit wave ``ψ = P(r - s) O(r + r_j)``, unitary transform `F`, model intensity
``i = Σ_m |F ψ_m|²``. Detector arrays have the direct beam at index (0, 0).
"""

from __future__ import annotations

from collections.abc import Callable

from recon.backend import Array, array_module

# Model counts below this are treated as this: far below one photon, so no measured pixel decides by it.
INTENSITY_FLOOR = 1e-3
# Counts below this are none: far above float32's smallest number times any intensity.
NO_COUNTS = 1e-25

# (model intensity, counts, mask or None) -> factor c with d = F⁻¹[c F ψ] = -∂L/∂ψ*, zero where masked.
DataTerm = Callable[[Array, Array, Array | None], Array]


def amplitude_step(intensity: Array, counts: Array, mask: Array | None, dark: float = 1e-20) -> Array:
    """Gaussian amplitude model ``f = (√i - √I)²``: step factor ``-f'(i) = √(I/i) - 1``.

    The step is the projection onto the measured modulus minus the wave itself. Pixels where `mask` is
    False keep their modelled value. Negative counts count as zero.

    Parameters
    ----------
    dark
        Model intensity below which i counts as this. Where a model is dark to rounding, its phase is
        rounding noise, and full steps would write that noise into the object, differently on each machine.

    Source: Guizar-Sicairos & Fienup, Opt. Express 16 (2008) 7264; Thibault & Guizar-Sicairos,
    New J. Phys. 14 (2012) 063004, doi:10.1088/1367-2630/14/6/063004 (from memory).
    """
    xp = array_module(intensity)
    # Damped as a whole below `dark`, so that a model that fits there stays as it is.
    factor = (xp.sqrt(xp.maximum(counts, 0)) - xp.sqrt(intensity)) / xp.sqrt(xp.maximum(intensity, dark))
    return factor if mask is None else factor * mask


def poisson_step(intensity: Array, counts: Array, mask: Array | None) -> Array:
    """Poisson model ``f = i - I ln i``: step factor ``-f'(i) = I/i - 1``.

    Source: Thibault & Guizar-Sicairos, New J. Phys. 14 (2012) 063004 (from memory).
    """
    xp = array_module(intensity)
    factor = xp.maximum(counts, 0) / xp.maximum(intensity, INTENSITY_FLOOR) - 1
    return factor if mask is None else factor * mask


def amplitude_loss(intensity: Array, counts: Array, mask: Array | None) -> Array:
    """Return ``Σ (√i - √I)²`` over the measured pixels; the loss of which `amplitude_step` is the step."""
    xp = array_module(intensity)
    terms = (xp.sqrt(intensity) - xp.sqrt(xp.maximum(counts, 0))) ** 2
    return terms.sum() if mask is None else (terms * mask).sum()


def poisson_loss(intensity: Array, counts: Array, mask: Array | None) -> Array:
    """Return ``Σ i - I ln i`` over the measured pixels, without the constant of the counts."""
    xp = array_module(intensity)
    floored = xp.maximum(intensity, INTENSITY_FLOOR)
    terms = floored - xp.maximum(counts, 0) * xp.log(floored)
    return terms.sum() if mask is None else (terms * mask).sum()


def r_factor_terms(intensity: Array, counts: Array, mask: Array | None) -> Array:
    """Return ``Σ |√I - √i|`` over the measured pixels (float64), the numerator of the R factor."""
    xp = array_module(intensity)
    terms = xp.abs(xp.sqrt(xp.maximum(counts, 0)) - xp.sqrt(intensity))
    if mask is not None:
        terms *= mask
    return terms.sum(dtype=xp.float64)


def pixel_deviance(intensity: Array, counts: Array, read_variance: float = 0.0) -> Array:
    """Poisson deviance ``2 [i - I + I ln(I/i)]`` of every pixel; `intensity` is above 0.

    At the true model its mean is near 1 above a few counts and falls to 0 with the counts (1.147 at one count,
    0.092 at 0.01). Both sides get the variance of the read noise [counts²], as in `recon.likelihoods.Poisson`:
    without it dark pixels that were read out high would decide.
    """
    xp = array_module(intensity)
    if read_variance:
        intensity, counts = intensity + read_variance, counts + read_variance
    seen = xp.maximum(counts, 0)
    # I ln I -> 0 at I = 0: the ratio is set to one there, so that its logarithm vanishes. Not only at 0:
    # noise-free counts may be so small that the ratio underflows.
    return 2 * (intensity - seen + seen * xp.log(xp.where(seen > NO_COUNTS, seen / intensity, 1)))


def deviance_terms(intensity: Array, counts: Array, mask: Array | None, read_variance: float = 0.0) -> Array:
    """Return the sum of `pixel_deviance` over the measured pixels (float64)."""
    xp = array_module(intensity)
    terms = pixel_deviance(xp.maximum(intensity, INTENSITY_FLOOR), counts, read_variance)
    if mask is not None:
        terms *= mask
    return terms.sum(dtype=xp.float64)


def shift_ramps(shifts_px: Array, size: int, dtype: object) -> tuple[Array, Array]:
    """Fourier factors that move an ``(N, N)`` array by real-valued shifts.

    Parameters
    ----------
    shifts_px
        ``(B, 2)`` shifts (y, x) in pixels, positive moves the content to larger indices.
    size
        N.

    Returns
    -------
    ramp_y, ramp_x
        ``(B, N, 1)`` and ``(B, 1, N)`` complex: ``exp(-2πi f s)``; their product with ``F P`` is ``F`` of
        the shifted P. The operator is unitary, also at the Nyquist frequency.
    """
    xp = array_module(shifts_px)
    frequency = xp.fft.fftfreq(size)
    phase = -2j * xp.pi * shifts_px[:, :, None] * frequency
    ramps = xp.exp(phase).astype(dtype)
    return ramps[:, 0, :, None], ramps[:, 1, None, :]
