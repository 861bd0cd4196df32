"""Plain float64 optics of the simulated truth: zone-plate illumination, free space, far field.

Kept apart from the propagation that reconstructions use, so that known truth never comes from the model
under test. Waves go as exp(+ikz); transforms are unitary with kernel exp(-2πi f·x).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from scans.errors import InputError
from scans.scan import ZonePlate

# Sub-samples a side with which the rim of a pupil is averaged over each frequency pixel.
_PUPIL_SUBSAMPLES = 8


@dataclass(frozen=True)
class Aberrations:
    """Wave aberrations of the pupil as it appears on the detector, in waves at the pupil's rim.

    With ρ the radius over the pupil's and θ the angle from +x towards +y, the pupil carries 2π times
    ``astigmatism ρ² cos 2(θ - angle) + coma (3ρ³ - 2ρ) cos(θ - angle) + spherical (6ρ⁴ - 6ρ² + 1)``: the
    Zernike polynomials without their norms (Born & Wolf, Principles of Optics, section 9.2; from memory).
    """

    astigmatism_waves: float = 0.0
    astigmatism_angle_rad: float = 0.0
    coma_waves: float = 0.0
    coma_angle_rad: float = 0.0
    spherical_waves: float = 0.0

    def waves(self, rho: NDArray[np.float64], theta: NDArray[np.float64]) -> NDArray[np.float64]:
        """Wave aberration [waves] at pupil radius `rho` (rim = 1) and angle `theta` [rad]."""
        astigmatism = self.astigmatism_waves * rho**2 * np.cos(2 * (theta - self.astigmatism_angle_rad))
        coma = self.coma_waves * (3 * rho**3 - 2 * rho) * np.cos(theta - self.coma_angle_rad)
        spherical = self.spherical_waves * (6 * rho**4 - 6 * rho**2 + 1)
        return astigmatism + coma + spherical


def frequencies(shape: tuple[int, int], pixel_m: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Spatial frequencies ``(H, 1)`` along y and ``(1, W)`` along x [1/m], zero at index 0."""
    return scipy.fft.fftfreq(shape[0], pixel_m)[:, None], scipy.fft.fftfreq(shape[1], pixel_m)[None, :]


def free_space_kernel(
    shape: tuple[int, int], distance_m: float, pixel_m: float, wavelength_m: float
) -> NDArray[np.complex128]:
    """Exact angular-spectrum transfer function without its carrier exp(ikz), zero frequency at index 0.

    H(f) = exp[2πi z (sqrt(1/λ² - f²) - 1/λ)], whose paraxial form is exp(-iπλz f²) (Goodman, Introduction to
    Fourier Optics, section 3.10). Evanescent waves (f > 1/λ) decay with |z| in both directions, so that
    going back stays bounded.

    Parameters
    ----------
    shape
        ``(H, W)`` of the grid.
    distance_m
        Distance z [m], downstream positive.
    pixel_m, wavelength_m
        Grid pixel and wavelength [m].

    Returns
    -------
    ``(H, W)`` complex128.
    """
    fy, fx = frequencies(shape, pixel_m)
    # sqrt(1/λ² - f²) - 1/λ written so that small angles lose no digits
    f_squared = fy**2 + fx**2
    root = np.sqrt((1 / wavelength_m**2 - f_squared).astype(np.complex128))
    longitudinal = -f_squared / (root + 1 / wavelength_m)
    travelling = 2 * np.pi * distance_m * longitudinal.real
    return np.exp(1j * travelling - 2 * np.pi * abs(distance_m) * np.abs(root.imag))


def propagate(
    wave: NDArray[np.complexfloating], distance_m: float, pixel_m: float, wavelength_m: float
) -> NDArray[np.complex128]:
    """Carry a wave ``(..., H, W)`` through free space on its own grid; see `free_space_kernel`.

    The grid is periodic: what leaves it on one side returns on the other.
    """
    shape = (wave.shape[-2], wave.shape[-1])
    kernel = free_space_kernel(shape, distance_m, pixel_m, wavelength_m)
    return scipy.fft.ifft2(scipy.fft.fft2(np.asarray(wave, np.complex128)) * kernel)


def far_field(wave: NDArray[np.complexfloating]) -> NDArray[np.complex128]:
    """Unitary far field of a centred wave ``(..., H, W)``; zero frequency at ``(H//2, W//2)``.

    With unitary normalisation sum |wave|² = sum |far field|² (Parseval); on a detector at distance z the
    pixel is λz/(N·pixel).
    """
    axes = (-2, -1)
    spectrum = scipy.fft.fft2(scipy.fft.ifftshift(np.asarray(wave, np.complex128), axes=axes), norm="ortho")
    return scipy.fft.fftshift(spectrum, axes=axes)


def annular_pupil(
    shape: tuple[int, int], pixel_m: float, outer_zone_m: float, stop_fraction: float
) -> NDArray[np.float64]:
    """Annular pupil on the frequency grid of a focal plane, zero frequency at index 0.

    The rim lies at f = NA/λ = 1/(2·outer zone); each frequency pixel holds the share of its area inside the
    annulus, so that the rim is not a staircase.

    Parameters
    ----------
    shape, pixel_m
        ``(H, W)`` and pixel [m] of the focal plane.
    outer_zone_m
        Outermost zone width [m].
    stop_fraction
        Diameter of the central stop over that of the zone plate.

    Returns
    -------
    ``(H, W)`` float64 from 0 to 1.

    Raises
    ------
    InputError
        When the pupil does not fit on the grid.
    """
    radius = 1 / (2 * outer_zone_m)
    if radius >= 0.5 / pixel_m:
        raise InputError(
            f"pixel {pixel_m * 1e9:.4g} nm for an outermost zone of {outer_zone_m * 1e9:.4g} nm",
            where="zone-plate pupil",
            expected="a pixel smaller than the outermost zone width",
            fix="Use a finer pixel, or a coarser zone plate.",
        )
    fy, fx = frequencies(shape, pixel_m)
    inner = stop_fraction * radius
    width_y, width_x = 1 / (shape[0] * pixel_m), 1 / (shape[1] * pixel_m)
    f = np.hypot(fy, fx)
    pupil = ((f <= radius) & (f >= inner)).astype(np.float64)
    # only pixels that a rim may cross need sub-samples
    reach = np.hypot(width_y, width_x) / 2
    rim = np.nonzero((np.abs(f - radius) <= reach) | (np.abs(f - inner) <= reach))
    offsets = (np.arange(_PUPIL_SUBSAMPLES) + 0.5) / _PUPIL_SUBSAMPLES - 0.5
    y = (fy[rim[0], 0, None] + offsets * width_y)[:, :, None]
    x = (fx[0, rim[1], None] + offsets * width_x)[:, None, :]
    fine = np.hypot(y, x)
    pupil[rim] = ((fine <= radius) & (fine >= inner)).mean(axis=(1, 2))
    return pupil


def zone_plate_probe(
    shape: tuple[int, int],
    pixel_m: float,
    wavelength_m: float,
    zone_plate: ZonePlate,
    defocus_m: float,
    *,
    aberrations: Aberrations | None = None,
) -> NDArray[np.complex128]:
    """Wave of a zone plate's first order at a distance behind its focus.

    Annular pupil with central stop, aberrations, exact angular-spectrum propagation. The pupil is the one
    seen on a detector; on the zone plate itself it is turned by 180 degrees.

    Parameters
    ----------
    shape
        ``(H, W)`` of the sample-plane grid.
    pixel_m, wavelength_m
        Grid pixel and wavelength [m].
    zone_plate
        Outer zone width and stop are used; its own (nominal) defocus is not.
    defocus_m
        True distance of the plane behind the focus, downstream positive [m].
    aberrations
        None for a perfect zone plate.

    Returns
    -------
    ``(H, W)`` complex128, centred at ``(H//2, W//2)``, with sum |P|² = 1.

    Raises
    ------
    InputError
        When the pupil does not fit on the grid.
    """
    pupil = annular_pupil(shape, pixel_m, zone_plate.outer_zone_m, zone_plate.stop_fraction)
    spectrum = pupil * free_space_kernel(shape, defocus_m, pixel_m, wavelength_m)
    if aberrations is not None:
        fy, fx = frequencies(shape, pixel_m)
        rho = np.hypot(fy, fx) * 2 * zone_plate.outer_zone_m
        spectrum *= np.exp(2j * np.pi * aberrations.waves(rho, np.arctan2(fy, fx)))
    probe = scipy.fft.fftshift(scipy.fft.ifft2(spectrum))
    return probe / np.sqrt((np.abs(probe) ** 2).sum())
