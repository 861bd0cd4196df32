"""First guess of the probe, and its modes.

The optics here are the solver's own: simulated truth comes from `scans.optics`, and tests compare the two.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from scans.geometry import Geometry
from scans.scan import ZonePlate

ProbeArray = NDArray[np.complex128]


def frequencies_per_m(geometry: Geometry) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Spatial frequencies of the detector pixels in FFT order, ``(N, 1)`` and ``(1, N)`` [1/m]."""
    (ny, nx), (dy, dx) = geometry.frame_shape, geometry.object_pixel_m
    return np.fft.fftfreq(ny, dy)[:, None], np.fft.fftfreq(nx, dx)[None, :]


def defocus_phase(geometry: Geometry, distance_m: float) -> ProbeArray:
    """Free-space transfer function over `distance_m` in FFT order.

    ``H = exp[2πi z (√(1/λ² - f²) - 1/λ)]``, exact for waves exp(+ikz); near the axis
    ``exp(-iπ λ z f²)``. Goodman, Introduction to Fourier Optics, section 3.10 (from memory).
    """
    fy, fx = frequencies_per_m(geometry)
    k = 1 / geometry.wavelength_m
    longitudinal = np.sqrt(np.maximum(k**2 - fy**2 - fx**2, 0))
    return np.exp(2j * np.pi * distance_m * (longitudinal - k))


def zone_plate_probe(geometry: Geometry, zone_plate: ZonePlate, defocus_m: float) -> ProbeArray:
    """Probe of an aberration-free zone plate at `defocus_m` behind its focus.

    Parameters
    ----------
    geometry
        Of the prepared frames; the probe is on its object pixel.

    Returns
    -------
    ``(1, N, N)`` complex, centred at ``(N//2, N//2)``, unit power.

    Notes
    -----
    The pupil is an annulus of outer radius ``f = 1/(2 drn)`` in spatial frequency (NA = λ/2drn, X-Ray
    Data Booklet, section 4.4) with edges one pixel wide.
    """
    fy, fx = frequencies_per_m(geometry)
    f = np.hypot(fy, fx)
    outer = 1 / (2 * zone_plate.outer_zone_m)
    step = max(fy[1, 0], fx[0, 1])
    pupil = np.clip((outer - f) / step + 0.5, 0, 1)
    if zone_plate.stop_fraction:
        pupil = pupil * np.clip((f - zone_plate.stop_fraction * outer) / step + 0.5, 0, 1)
    return _from_spectrum(pupil * defocus_phase(geometry, defocus_m))


def probe_from_data(
    counts: NDArray[np.floating], mask: NDArray[np.bool_], geometry: Geometry
) -> tuple[ProbeArray, float]:
    """Guess the probe from the frames alone: pupil from the mean pattern, size from the speckle.

    The mean pattern is the pupil blurred by the sample. The frame-to-frame variation holds every
    interference between two points of the lit area, so its autocorrelation is as wide as twice the probe;
    the defocus is what spreads this pupil over that width. The sign cannot be seen and is taken as positive.

    Parameters
    ----------
    counts, mask
        Prepared frames ``(J, N, N)`` and mask, direct beam at ``(N//2, N//2)``.

    Returns
    -------
    probe
        ``(1, N, N)`` complex, unit power.
    defocus_m
        The defocus that was used [m].
    """
    frames = counts[:: max(1, len(counts) // 64)].astype(np.float64)
    mean = np.where(mask.all(axis=0) if mask.ndim == 3 else mask, frames.mean(axis=0), 0)
    pupil = np.sqrt(np.maximum(np.fft.ifftshift(mean), 0))
    fy, fx = frequencies_per_m(geometry)
    pupil_radius = np.sqrt(2 * np.average(fy**2 + fx**2, weights=_bright(pupil**2) + 0 * fx))
    width_m = _lit_width(frames - frames.mean(axis=0), geometry)
    # Geometric cone: a ray at spatial frequency f lands λ z f off the axis.
    defocus = width_m / (2 * geometry.wavelength_m * pupil_radius)
    return _from_spectrum(pupil * defocus_phase(geometry, defocus)), float(defocus)


def _bright(pattern: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mask of the direct beam: above a tenth of its typical brightness."""
    level = np.percentile(pattern[pattern > 0.01 * pattern.max()], 75)
    return (pattern > 0.1 * level).astype(float)


def _lit_width(variation: NDArray[np.float64], geometry: Geometry) -> float:
    """Diameter of the lit area from the autocorrelation of frame variations [m]."""
    spectrum = np.fft.fft2(variation)
    autocorrelation = np.sqrt((np.abs(spectrum) ** 2).mean(axis=0))
    n = autocorrelation.shape[0]
    y, x = (np.fft.fftfreq(k, 1 / k) for k in autocorrelation.shape)
    radius = np.rint(np.hypot(y[:, None], x[None, :])).astype(int).ravel()
    ring = np.bincount(radius, autocorrelation.ravel()) / np.bincount(radius)
    ring = ring[: n // 2]
    floor = np.median(ring[-max(3, n // 16) :])
    signal = np.maximum(ring - floor, 0)
    # The autocorrelation of a disc of diameter d ends at d; 2 % of its level at small lags is taken as its end.
    inside = np.flatnonzero(signal > 0.05 * np.median(signal[2 : max(4, n // 16)]))
    end = inside[-1] if inside.size else n // 4
    return float(end) * max(geometry.object_pixel_m)


def scaled_to_power(probe: NDArray[np.complexfloating], power: float) -> NDArray[np.complexfloating]:
    """Return the probe with ``Σ|P|² = power`` [counts per frame] over all modes."""
    return probe * np.sqrt(power / (np.abs(probe) ** 2).sum())


def with_modes(probe: ProbeArray, n_modes: int, rng: np.random.Generator) -> ProbeArray:
    """Add incoherent modes to a single-mode probe: itself times smooth random waves, 2 % of the power each.

    Modes that start at zero would stay there. Thibault & Menzel, Nature 494 (2013) 68,
    doi:10.1038/nature11806, describe the mixed state; the start is our own choice.
    """
    n = probe.shape[-1]
    y, x = (np.arange(n) - n // 2)[:, None] / n, (np.arange(n) - n // 2)[None, :] / n
    modes = [probe[0]]
    for _ in range(n_modes - 1):
        slope = rng.normal(size=2)
        tilt = probe[0] * (slope[0] * y + slope[1] * x)
        modes.append(tilt * np.sqrt(0.02 * (np.abs(probe[0]) ** 2).sum() / (np.abs(tilt) ** 2).sum()))
    return np.stack(modes)


def orthogonal_modes(probe: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
    """Turn modes ``(M, N, N)`` into orthogonal ones, strongest first, with the same summed intensity.

    Singular value decomposition of the modes-by-pixels matrix, ``P_k = s_k V_k``.
    """
    if len(probe) == 1:
        return probe
    _, s, v = np.linalg.svd(probe.reshape(len(probe), -1), full_matrices=False)
    return (s[:, None] * v).reshape(probe.shape).astype(probe.dtype)


def _from_spectrum(spectrum: NDArray[np.complexfloating]) -> ProbeArray:
    """Unit-power probe ``(1, N, N)`` of a spectrum in FFT order."""
    probe = np.fft.fftshift(np.fft.ifft2(spectrum))[None]
    return probe / np.sqrt((np.abs(probe) ** 2).sum())
