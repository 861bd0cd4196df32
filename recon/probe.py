"""First guess of the probe, and its modes.

The optics here are the solver's own: simulated truth comes from `scans.optics`, and tests compare the two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.geometry import Geometry
from scans.scan import ZonePlate

ProbeArray = NDArray[np.complex128]

# Frames and joined pixels that the shadows are taken from, defocus values tried, and standard errors by which
# the best must stand out.
_SHADOW_FRAMES, _SHADOW_RAYS, _SHADOW_TRIALS, _SHADOW_SIGMA = 300, 1000, 41, 5.0


def frequencies_per_m(geometry: Geometry) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Spatial frequencies of the detector pixels in FFT order, ``(N, 1)`` and ``(1, N)`` [1/m]."""
    (ny, nx), (dy, dx) = geometry.frame_shape, geometry.object_pixel_m
    y, x = (np.asarray(np.fft.fftfreq(n, d), np.float64) for n, d in ((ny, dy), (nx, dx)))
    return y[:, None], x[None, :]


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


@dataclass(frozen=True)
class ProbeGuess:
    """A probe guessed from the frames, and what was assumed.

    Parameters
    ----------
    probe
        ``(1, N, N)`` complex, centred at ``(N//2, N//2)``, unit power.
    defocus_m
        The defocus that was used [m], downstream positive.
    how
        Where it came from, for the result's notes.
    stands_out
        Whether the frames tell the defocus.
    """

    probe: ProbeArray
    defocus_m: float
    how: str
    stands_out: bool


def probe_from_data(
    counts: NDArray[np.floating],
    mask: NDArray[np.bool_],
    geometry: Geometry,
    positions_m: NDArray[np.float64],
) -> ProbeGuess:
    """Guess the probe from the frames alone: pupil from the mean pattern, defocus from the sample's shadows.

    A ray at spatial frequency f of the pupil meets the sample λ z f off the probe's centre, so its detector
    pixel records the sample at ``r_j + λ z f``. With the right z, signed, all pixels and frames tell of the same
    sample: their correlation is highest there (`_shadow_agreement`). Where no z stands out (no contrast, or
    frames too far apart), the scan's step is taken as three tenths of the probe's diameter.

    Ideal shadows (geometrical optics) are common to defocused scanning microscopes; the estimator is our own.
    On simulated scans with aberrations and 1e6 photons a frame it is right within 15 % or the depth of focus;
    at 1e4 photons mostly so.

    Parameters
    ----------
    counts, mask
        Prepared frames ``(J, N, N)`` and mask ``(N, N)`` or ``(J, N, N)``, direct beam at ``(N//2, N//2)``.
    positions_m
        ``(J, 2)`` [m].
    """
    chosen = _central_frames(positions_m)
    measured = np.broadcast_to(mask, counts.shape)[chosen]
    frames, places = counts[chosen], positions_m[chosen]
    mean = frames.sum(axis=0, dtype=np.float64) / np.maximum(measured.sum(axis=0), 1)
    bright = _bright(mean)
    fy, fx = (np.fft.fftshift(f) for f in frequencies_per_m(geometry))
    outer = np.percentile(np.hypot(fy, fx)[bright], 95)
    step_m = np.sqrt(np.prod(np.ptp(places, axis=0)) / len(places))
    cell_m = max(step_m / 4, *geometry.object_pixel_m)
    variation = np.where(measured & bright, frames / np.where(bright, mean, 1) - 1, 0)
    rays, f = _joined_pixels(variation, bright, np.stack(np.broadcast_arrays(fy, fx), axis=-1))
    widest_m = min(geometry.frame_width_m) / (2 * geometry.wavelength_m * outer)
    found = _best_defocus(rays, geometry.wavelength_m * f, places, cell_m, widest_m)
    how, stands_out = "the sample's shadows agree best at this defocus", found is not None
    if found is None:
        found = min(step_m / 0.3 / (2 * geometry.wavelength_m * outer), widest_m)
        how = "no shadows to tell from: the step taken as 0.3 of the probe's diameter, the sign as positive"
    pupil = np.fft.ifftshift(np.sqrt(np.where(bright, mean, 0)))
    return ProbeGuess(_from_spectrum(pupil * defocus_phase(geometry, found)), found, how, stands_out)


def _central_frames(positions_m: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the indices of the frames nearest to the scan's middle: enough, and neighbours."""
    away = np.hypot(*(positions_m - np.median(positions_m, axis=0)).T)
    return np.sort(np.argsort(away, kind="stable")[:_SHADOW_FRAMES])


def _bright(mean: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Pixels of the direct beam: above a tenth of the brightness that half of the power exceeds."""
    falling = np.sort(mean, axis=None)[::-1]
    power = np.cumsum(np.maximum(falling, 0))
    return mean > 0.1 * falling[np.searchsorted(power, 0.5 * power[-1])]


def _joined_pixels(
    variation: NDArray[np.float64], bright: NDArray[np.bool_], f: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sum blocks of bright pixels until few are left: rays ``(J, K)``, frame mean removed, and f ``(K, 2)``."""
    b = int(np.ceil(np.sqrt(bright.sum() / _SHADOW_RAYS)))
    ny, nx = (n // b for n in bright.shape)

    def joined(array: NDArray[Any]) -> NDArray[np.float64]:
        blocks = array[..., : ny * b, : nx * b].reshape(*array.shape[:-2], ny, b, nx, b)
        return blocks.sum(axis=(-3, -1), dtype=np.float64)

    share = joined(bright)
    kept = share >= 0.5 * b * b
    where = np.stack([joined(bright * f[..., k])[kept] for k in (0, 1)], axis=-1) / share[kept][:, None]
    rays = joined(variation)[:, kept] / share[kept]
    return rays - rays.mean(axis=1, keepdims=True), where


def _best_defocus(
    rays: NDArray[np.float64],
    reach: NDArray[np.float64],
    positions_m: NDArray[np.float64],
    cell_m: float,
    widest_m: float,
) -> float | None:
    """Defocus of the highest agreement within ±`widest_m`; None where none stands out."""

    def agreement(trials_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        each = [_shadow_agreement(rays, positions_m[:, None] + z * reach, cell_m) for z in trials_m]
        product, pairs = np.array(each).T
        usable = pairs > max(0.2 * np.median(pairs), 1)
        return np.where(usable, product / np.maximum(pairs, 1), -np.inf), pairs

    variance = rays.var()
    if variance == 0:
        return None
    trials = np.linspace(-widest_m, widest_m, _SHADOW_TRIALS)
    level, pairs = agreement(trials)
    best = int(np.argmax(level))
    usual = np.median(level[np.isfinite(level)]) if np.isfinite(level).any() else 0.0
    if not (level[best] - usual) * np.sqrt(pairs[best]) > _SHADOW_SIGMA * variance:
        return None
    near = trials[best] + (trials[1] - trials[0]) * np.linspace(-1, 1, 9)
    return float(near[np.argmax(agreement(near)[0])])


def _shadow_agreement(rays: NDArray[np.float64], places: NDArray[np.float64], cell_m: float) -> tuple[float, float]:
    """Sum of products over all pairs of rays ``(J, K)`` of different frames that meet one cell, and the pairs.

    Pairs within a frame are left out: neighbouring pixels share their speckle, which says nothing of z.
    """
    cell = np.floor((places - places.min(axis=(0, 1))) / cell_m).astype(np.int64)
    number = cell[..., 0] * (cell[..., 1].max() + 1) + cell[..., 1]
    cells, number = np.unique(number, return_inverse=True)
    key = number.reshape(rays.shape) + len(cells) * np.arange(len(rays))[:, None]
    own = np.bincount(key.ravel(), rays.ravel(), len(cells) * len(rays)).reshape(len(rays), -1)
    n = np.bincount(key.ravel(), minlength=len(cells) * len(rays)).reshape(len(rays), -1)
    product = (own.sum(axis=0) ** 2).sum() - (own**2).sum()
    pairs = (n.sum(axis=0).astype(np.float64) ** 2).sum() - (n.astype(np.float64) ** 2).sum()
    return float(product), float(pairs)


def scaled_to_power(probe: NDArray[np.complexfloating], power: float) -> NDArray[np.complexfloating]:
    """Return the probe with ``Σ|P|² = power`` [counts per frame] over all modes."""
    return probe * np.sqrt(power / (np.abs(probe) ** 2).sum())


def with_modes(probe: NDArray[np.complexfloating], n_modes: int, share: float = 0.1) -> ProbeArray:
    """Add incoherent modes to those of a probe ``(M, N, N)``, each of a `share` of its power: what a blur makes of it.

    A source or a stage that moves shifts the probe, a pixel of the detector that is wide tilts it; to first order
    the modes are its derivatives and its products with the coordinates, to further orders these again. Each new
    mode is the one of these that is most unlike those that are there, without what it has in common with them:
    modes that start at zero or alike would stay so, since an update takes all through the same linear map.
    Thibault & Menzel, Nature 494 (2013) 68, doi:10.1038/nature11806, describe the mixed state; the start is our own
    choice, and so is its power: on a simulated scan modes of a fifth of that were further off after 60 passes of
    rPIE than these after 30.
    """
    modes, power, order = list(probe.astype(np.complex128)), (np.abs(probe) ** 2).sum(), 0
    waves: list[ProbeArray] = []
    while len(modes) < n_modes:
        while len(modes) + len(waves) < n_modes or not waves:
            order += 1
            waves += _blurred(modes[0], order)
        basis = np.linalg.qr(np.reshape(modes, (len(modes), -1)).T)[0]
        apart = [_apart(wave, basis) for wave in waves]
        best = int(np.argmax([np.linalg.norm(wave) for wave in apart]))
        modes.append(apart[best] * np.sqrt(share * power) / np.linalg.norm(apart[best]))
        del waves[best]
    return np.stack(modes)


def _apart(wave: ProbeArray, basis: ProbeArray) -> ProbeArray:
    """Return a wave ``(N, N)``, brought to unit power, without its part in an orthonormal `basis` ``(N², M)``."""
    flat = wave.ravel() / np.linalg.norm(wave)
    return np.reshape(flat - basis @ (basis.conj().T @ flat), wave.shape)


def _blurred(wave: ProbeArray, order: int) -> list[ProbeArray]:
    """Return derivatives of a centred wave ``(N, N)``, then its products with coordinates, of one order."""
    n = wave.shape[-1]
    along, frequency = (np.arange(n) - n // 2) / n, np.fft.fftfreq(n)
    powers = [(k, order - k) for k in range(order, -1, -1)]
    spectrum = np.fft.fft2(wave)
    derivatives = [np.fft.ifft2(spectrum * np.outer(frequency**k, frequency**m)) for k, m in powers]
    return derivatives + [wave * np.outer(along**k, along**m) for k, m in powers]


def orthogonal_modes(probe: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
    """Turn modes ``(M, N, N)`` into orthogonal ones, strongest first, with the same summed intensity.

    Singular value decomposition of the modes-by-pixels matrix, ``P_k = s_k V_k``.
    """
    if len(probe) == 1:
        return probe
    _, s, v = np.linalg.svd(probe.reshape(len(probe), -1), full_matrices=False)
    return (s[:, None] * v).reshape(probe.shape).astype(probe.dtype)


def mode_shares(probe: NDArray[np.complexfloating]) -> NDArray[np.float64]:
    """Share of the power in each of the orthogonal modes that a probe ``(M, N, N)`` comes to, strongest first."""
    flat = probe.reshape(len(probe), -1).astype(np.complex128)
    power = np.maximum(np.linalg.eigvalsh(flat @ flat.conj().T)[::-1], 0)
    total = power.sum()
    return np.asarray(power / total if total > 0 else power, np.float64)


def _from_spectrum(spectrum: NDArray[np.complexfloating]) -> ProbeArray:
    """Unit-power probe ``(1, N, N)`` of a spectrum in FFT order."""
    probe = np.fft.fftshift(np.fft.ifft2(spectrum))[None]
    return probe / np.sqrt((np.abs(probe) ** 2).sum())
