from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import fresnel, j1

from scans.errors import InputError
from scans.geometry import Geometry
from scans.optics import (
    Aberrations,
    annular_pupil,
    far_field,
    free_space_kernel,
    propagate,
    zone_plate_probe,
)
from scans.scan import ZonePlate
from scans.trajectories import effective_diameter

ENERGY_EV = 710.0
WAVELENGTH = 1.746256e-9  # hc/E at 710 eV, CODATA 2018
PLATE = ZonePlate(diameter_m=240e-6, outer_zone_m=25e-9)


def _centred(n: int, pixel_m: float) -> tuple[np.ndarray, np.ndarray]:
    axis = (np.arange(n) - n // 2) * pixel_m
    return axis[:, None], axis[None, :]


def _annular_amplitude(radius_in_zones: np.ndarray | float, stop: float) -> np.ndarray | float:
    """Focal amplitude of an annular pupil (Born & Wolf, section 8.6.2), 1 at the centre."""
    v = np.pi * np.maximum(radius_in_zones, 1e-9)
    outer = 2 * j1(v) / v
    inner = 2 * j1(stop * v) / (stop * v) if stop else 0.0
    return (outer - stop**2 * inner) / (1 - stop**2)


# --- zone plate: numbers of the X-Ray Data Booklet, section 4.4


@pytest.mark.parametrize(
    ("energy_ev", "diameter_m", "outer_zone_m", "focal_m", "na"),
    [
        # f = D·drn/λ and NA = λ/(2 drn), X-Ray Data Booklet section 4.4, evaluated by hand
        (400.0, 240e-6, 25e-9, 1.935731e-3, 0.0619921),
        (710.0, 240e-6, 25e-9, 3.435922e-3, 0.0349251),
        (2200.0, 240e-6, 25e-9, 10.646518e-3, 0.0112713),
        (710.0, 333e-6, 60e-9, 11.441619e-3, 0.0145521),
    ],
)
def test_zone_plate_focal_length_and_aperture(energy_ev, diameter_m, outer_zone_m, focal_m, na):
    wavelength = Geometry(energy_ev, 0.08, (44e-6, 44e-6), (64, 64)).wavelength_m
    plate = ZonePlate(diameter_m=diameter_m, outer_zone_m=outer_zone_m)
    assert plate.focal_length_m(wavelength) == pytest.approx(focal_m, rel=1e-6)
    # the rim of the pupil as it is really used, measured on the frequency grid from its area
    pixel, n = outer_zone_m / 5, 400
    pupil = annular_pupil((n, n), pixel, outer_zone_m, 0.0)
    radius = np.sqrt(pupil.sum() / np.pi) / (n * pixel)
    assert radius * wavelength == pytest.approx(na, rel=1e-3)


@pytest.mark.parametrize(
    ("stop", "first_zero", "fwhm"),
    # in outermost zone widths; the first row is the Rayleigh 1.22 drn of the X-Ray Data Booklet, the others
    # the diffraction integral of the annulus (Born & Wolf, section 8.6.2)
    [(0.0, 1.2197, 1.0290), (0.4, 1.0577, 0.9486), (0.5, 1.0009, 0.9117)],
)
def test_focus_of_an_annular_pupil(stop, first_zero, fwhm):
    # the quoted numbers are those of the Bessel formula
    assert brentq(lambda r: _annular_amplitude(r, stop), 0.7, 1.4) == pytest.approx(first_zero, abs=1e-4)
    half = brentq(lambda r: _annular_amplitude(r, stop) ** 2 - 0.5, 0.1, 1.0)
    assert 2 * half == pytest.approx(fwhm, abs=1e-4)

    plate = ZonePlate(diameter_m=240e-6, outer_zone_m=25e-9, stop_fraction=stop)
    n, pixel = 1024, 1.25e-9
    row = zone_plate_probe((n, n), pixel, WAVELENGTH, plate, 0.0)[n // 2]
    radius = (np.arange(n) - n // 2) * pixel / 25e-9
    profile = np.abs(row) ** 2 / np.abs(row[n // 2]) ** 2
    near = np.abs(radius) < 5
    np.testing.assert_allclose(profile[near], _annular_amplitude(np.abs(radius[near]), stop) ** 2, atol=4e-3)

    outward = slice(n // 2, n)
    amplitude = row[outward].real / row[n // 2].real
    crossing = int(np.argmax(amplitude < 0))
    a, b = amplitude[crossing - 1], amplitude[crossing]
    measured = radius[outward][crossing - 1] + a / (a - b) * pixel / 25e-9
    assert measured == pytest.approx(first_zero, rel=0.005)
    below = int(np.argmax(profile[outward] < 0.5))
    a, b = profile[outward][below - 1] - 0.5, profile[outward][below] - 0.5
    measured = 2 * (radius[outward][below - 1] + a / (a - b) * pixel / 25e-9)
    assert measured == pytest.approx(fwhm, rel=0.005)


@pytest.mark.parametrize("stop", [0.0, 0.4])
def test_pupil_area_is_that_of_the_annulus(stop):
    n, pixel = 256, 10e-9
    pupil = annular_pupil((n, n), pixel, 40e-9, stop)
    radius_px = n * pixel / (2 * 40e-9)
    assert pupil.sum() == pytest.approx(np.pi * radius_px**2 * (1 - stop**2), rel=1e-3)
    assert pupil.min() == 0
    assert pupil.max() == 1


def test_pupil_larger_than_the_grid_is_refused():
    with pytest.raises(InputError, match=r"zone-plate pupil: pixel 30 nm .* finer pixel"):
        annular_pupil((64, 64), 30e-9, 25e-9, 0.0)


# --- defocus


def test_defocused_probe_fills_the_geometric_cone():
    # d = λ dz/drn: 10 µm at 710 eV and 25 nm gives 0.6985 µm (similar triangles)
    n, pixel = 512, 4e-9
    probe = zone_plate_probe((n, n), pixel, WAVELENGTH, PLATE, 10e-6)
    y, x = _centred(n, pixel)
    inside = np.hypot(y, x) < 0.6985e-6 / 2
    intensity = np.abs(probe) ** 2
    assert intensity.sum() == pytest.approx(1, abs=1e-12)
    # What diffracts past the geometric edge, per length of rim: that of a straight edge, the integral of its
    # shadow (½ - C)²/2 + (½ - S)²/2 over w (Born & Wolf, section 8.7), w in units of sqrt(λ dz/2)
    w = np.linspace(0, 200, 400001)
    sine, cosine = fresnel(w)
    shadow = np.trapezoid((0.5 - cosine) ** 2 / 2 + (0.5 - sine) ** 2 / 2, w) * np.sqrt(WAVELENGTH * 10e-6 / 2)
    assert intensity[inside].sum() == pytest.approx(1 - 2 * shadow / (0.6985e-6 / 2), abs=0.01)
    assert effective_diameter(probe, pixel) == pytest.approx(0.6985e-6, rel=0.05)


@pytest.mark.parametrize("defocus_m", [10e-6, -10e-6])
def test_wave_behind_the_focus_diverges(defocus_m):
    # with exp(+ikz) a spherical wave from the focus has the phase +k r²/(2 dz): its slope is k r/dz
    n, pixel = 512, 4e-9
    probe = zone_plate_probe((n, n), pixel, WAVELENGTH, PLATE, defocus_m)
    y, x = _centred(n, pixel)
    here = (np.hypot(y, x) < 0.25e-6)[:, 1:-1]
    slope = np.angle(probe[:, 2:] * probe[:, :-2].conj()) / (2 * pixel)
    weight = np.abs(probe[:, 1:-1]) ** 2 * here
    measured = (weight * slope * x[:, 1:-1]).sum() / (weight * x[:, 1:-1] ** 2).sum()
    assert measured == pytest.approx(2 * np.pi / WAVELENGTH / defocus_m, rel=0.05)


def test_defocus_is_propagation_from_the_focus():
    shape, pixel = (128, 128), 6e-9
    blurred = Aberrations(astigmatism_waves=0.2, coma_waves=0.1)
    focus = zone_plate_probe(shape, pixel, WAVELENGTH, PLATE, 0.0, aberrations=blurred)
    there = zone_plate_probe(shape, pixel, WAVELENGTH, PLATE, 3e-6, aberrations=blurred)
    np.testing.assert_allclose(propagate(focus, 3e-6, pixel, WAVELENGTH), there, atol=1e-12)


def test_aberrations_follow_their_polynomials():
    rim = Aberrations(astigmatism_waves=0.3, astigmatism_angle_rad=0.5)
    theta = np.array([0.5, 0.5 + np.pi / 2, 0.5 + np.pi / 4])
    np.testing.assert_allclose(rim.waves(np.ones(3), theta), [0.3, -0.3, 0.0], atol=1e-15)
    # Zernike coma and spherical aberration are orthogonal to piston, tilt and defocus over the disc
    rho, angle = np.meshgrid((np.arange(400) + 0.5) / 400, np.arange(64) * 2 * np.pi / 64, indexing="ij")
    coma = Aberrations(coma_waves=1.0).waves(rho, angle)
    spherical = Aberrations(spherical_waves=1.0).waves(rho, angle)
    for lower in (rho**0, rho * np.cos(angle), rho * np.sin(angle), 2 * rho**2 - 1):
        for shape in (coma, spherical):
            assert abs((shape * lower * rho).mean()) < 1e-5


def test_astigmatism_moves_the_line_foci_apart():
    # a ρ² cos 2θ = a (f_x² - f_y²)/f_rim² waves; defocus carries -λ dz f²/2 waves: x focuses at
    # dz = 2a/(λ f_rim²) = 8 a drn²/λ, y as far on the other side (the two paraxial phases added by hand)
    shape, pixel, waves = (256, 256), 5e-9, 0.5
    there = 8 * waves * 25e-9**2 / WAVELENGTH
    y, x = _centred(256, pixel)
    for defocus_m, narrow, wide in ((there, x, y), (-there, y, x)):
        probe = zone_plate_probe(
            shape, pixel, WAVELENGTH, PLATE, defocus_m, aberrations=Aberrations(astigmatism_waves=waves)
        )
        intensity = np.abs(probe) ** 2
        share = (intensity * (np.abs(narrow) < 20e-9)).sum()
        other = (intensity * (np.abs(wide) < 20e-9)).sum()
        assert share > 0.75
        assert other < 0.55


# --- free space


@pytest.mark.parametrize("distance_m", [20e-6, -35e-6])
def test_gaussian_beam_width_and_curvature(distance_m):
    # Saleh & Teich, Fundamentals of Photonics, section 3.1: w(z), R(z) and the Gouy phase, with exp(+ikz)
    n, pixel, waist = 512, 8e-9, 150e-9
    y, x = _centred(n, pixel)
    r_squared = y**2 + x**2
    rayleigh = np.pi * waist**2 / WAVELENGTH
    width = waist * np.sqrt(1 + (distance_m / rayleigh) ** 2)
    curvature = distance_m * (1 + (rayleigh / distance_m) ** 2)
    k = 2 * np.pi / WAVELENGTH
    expected = (
        waist
        / width
        * np.exp(-r_squared / width**2 + 1j * k * r_squared / (2 * curvature))
        * np.exp(-1j * np.arctan(distance_m / rayleigh))
    )
    there = propagate(np.exp(-r_squared / waist**2), distance_m, pixel, WAVELENGTH)
    # the formula is paraxial: the next term is of the order (λ/πw)² z/z_R = 1e-5
    np.testing.assert_allclose(there, expected, atol=2e-4)


def test_free_space_keeps_power_and_undoes_itself(rng):
    wave = rng.standard_normal((3, 40, 56)) + 1j * rng.standard_normal((3, 40, 56))
    there = propagate(wave, 12e-6, 10e-9, WAVELENGTH)
    assert np.abs(there - wave).max() > 0.1
    assert (np.abs(there) ** 2).sum() == pytest.approx((np.abs(wave) ** 2).sum(), rel=1e-12)
    np.testing.assert_allclose(propagate(there, -12e-6, 10e-9, WAVELENGTH), wave, atol=1e-12)


def test_kernel_is_the_exact_angular_spectrum():
    # Goodman, Introduction to Fourier Optics, section 3.10; a tilted plane wave gains k z (cos θ - 1)
    n, pixel, z = 64, 10e-9, 7e-6
    kernel = free_space_kernel((n, n), z, pixel, WAVELENGTH)
    sine = WAVELENGTH * 9 / (n * pixel)
    expected = np.exp(2j * np.pi / WAVELENGTH * z * (np.cos(np.arcsin(sine)) - 1))
    assert kernel[9, 0] == pytest.approx(expected, abs=1e-9)
    f_squared = (1 / (n * pixel)) ** 2
    assert np.angle(kernel[0, 1]) == pytest.approx(-np.pi * WAVELENGTH * z * f_squared, rel=1e-4)


def test_evanescent_waves_decay_both_ways():
    # f = 1/(2 pixel) = 2/λ: |H| = exp(-2π |z| sqrt(f² - 1/λ²))
    kernel = free_space_kernel((8, 8), -3e-9, WAVELENGTH / 4, WAVELENGTH)
    expected = np.exp(-2 * np.pi * 3e-9 / WAVELENGTH * np.sqrt(3))
    assert abs(kernel[4, 0]) == pytest.approx(expected, rel=1e-9)


# --- far field


def test_far_field_is_the_direct_sum(rng):
    shape = (8, 9)
    wave = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    y, x, v, u = (np.arange(n) - n // 2 for n in (*shape, *shape))
    rows = np.exp(-2j * np.pi * np.outer(v, y) / 8)
    columns = np.exp(-2j * np.pi * np.outer(x, u) / 9)
    np.testing.assert_allclose(far_field(wave), rows @ wave @ columns / np.sqrt(72), atol=1e-13)
    assert (np.abs(far_field(wave)) ** 2).sum() == pytest.approx((np.abs(wave) ** 2).sum(), rel=1e-13)


def test_wave_towards_positive_x_lands_at_higher_columns():
    # exp(+ikz) with k_x > 0 travels towards +x
    x = np.arange(32)
    pattern = np.abs(far_field(np.broadcast_to(np.exp(2j * np.pi * 5 * x / 32), (32, 32)))) ** 2
    assert np.unravel_index(pattern.argmax(), pattern.shape) == (16, 21)


def test_circular_aperture_gives_the_airy_pattern():
    # first dark ring at 1.2197 λ z/D (Hecht, Optics, section 10.2.5): in frequency 1.2197/D
    n, diameter = 512, 61.3
    y, x = _centred(n, 1.0)
    fine = (np.arange(8) + 0.5) / 8 - 0.5
    aperture = np.mean([np.hypot(y + a, x + b) <= diameter / 2 for a in fine for b in fine], axis=0)
    row = far_field(aperture)[n // 2].real
    amplitude = row[n // 2 :] / row[n // 2]
    v = np.pi * diameter * np.arange(1, 60) / n
    np.testing.assert_allclose(amplitude[1:60], 2 * j1(v) / v, atol=2e-3)
    crossing = int(np.argmax(amplitude < 0))
    a, b = amplitude[crossing - 1], amplitude[crossing]
    assert (crossing - 1 + a / (a - b)) / n == pytest.approx(1.2197 / diameter, rel=0.005)


def test_single_slit_gives_sinc_squared():
    # I = sinc²(a f), dark at every multiple of 1/a (Hecht, Optics, section 10.2.1)
    n, width = 512, 16
    slit = np.zeros((4, n))
    slit[:, n // 2 - width // 2 : n // 2 + width // 2] = 1
    pattern = np.abs(far_field(slit)[2]) ** 2
    pattern /= pattern[n // 2]
    order = np.arange(-64, 65)
    np.testing.assert_allclose(pattern[n // 2 + order], np.sinc(width * order / n) ** 2, atol=2e-3)
    dark = n // 2 + np.arange(1, 8) * n // width
    assert pattern[dark].max() < 1e-28
