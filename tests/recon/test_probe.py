import numpy as np
import pytest
import tolerances as tol
from helpers_core import noise, relative

import scans
from recon.probe import (
    defocus_phase,
    frequencies_per_m,
    orthogonal_modes,
    probe_from_data,
    scaled_to_power,
    with_modes,
    zone_plate_probe,
)
from scans import optics
from scans.geometry import Geometry
from scans.scan import ZonePlate

# 710 eV, λ = 1.7463 nm; pixel λz/(N p) = 9.0 nm, zone plate of 25 nm: the pupil is 46 detector pixels in radius
GEOMETRY = Geometry(energy_ev=710.0, distance_m=0.0583, pixel_size_m=(88e-6, 88e-6), frame_shape=(128, 128))
PIXEL_M = GEOMETRY.object_pixel_m[0]
WAVELENGTH_M = 1.239841984e-6 / 710  # hc/E, CODATA 2018


def overlap(a, b):
    """|<a, b>| of two waves, 1 when they are the same up to a factor."""
    return float(abs(np.vdot(a, b)) / np.sqrt(np.vdot(a, a).real * np.vdot(b, b).real))


@pytest.mark.parametrize("defocus_m", [0.0, 3e-6, -8e-6])
@pytest.mark.parametrize("stop", [0.0, 0.4])
def test_zone_plate_probe_against_the_optics_of_the_simulation(defocus_m, stop):
    optic = ZonePlate(diameter_m=240e-6, outer_zone_m=25e-9, stop_fraction=stop)
    ours = zone_plate_probe(GEOMETRY, optic, defocus_m)
    theirs = optics.zone_plate_probe(GEOMETRY.frame_shape, PIXEL_M, WAVELENGTH_M, optic, defocus_m)
    assert ours.shape == (1, 128, 128)
    assert np.vdot(ours, ours).real == pytest.approx(1)
    # the two differ in how a pixel on the pupil's rim is filled
    assert 1 - overlap(ours[0], theirs) < tol.PUPIL_RIM, overlap(ours[0], theirs)


def test_focus_has_the_rayleigh_width():
    # aberration-free lens without stop: first dark ring at 1.2197 drn, FWHM 1.0290 drn (X-Ray Data Booklet,
    # section 4.4: Rayleigh resolution 1.22 drn; zeros of J1, Abramowitz & Stegun table 9.5; from memory)
    optic = ZonePlate(diameter_m=240e-6, outer_zone_m=25e-9)
    probe = zone_plate_probe(GEOMETRY, optic, 0.0)[0]
    spectrum = np.fft.fft2(np.fft.ifftshift(probe))
    r = np.linspace(0, 2 * 25e-9, 400)
    _, fx = frequencies_per_m(GEOMETRY)
    along_x = np.abs((spectrum.sum(axis=0) * np.exp(2j * np.pi * r[:, None] * fx)).sum(axis=1)) ** 2
    dark = r[np.argmin(along_x)]
    assert float(abs(dark / 25e-9 / 1.2197 - 1)) < tol.RAYLEIGH, dark
    half = np.interp(0.5, along_x[200::-1] / along_x[0], r[200::-1])
    assert float(abs(2 * half / 25e-9 / 1.0290 - 1)) < tol.RAYLEIGH, half


def gaussian_beam(tilt_per_m, defocus_m, spread_per_m=3e6):
    """Beam of Gaussian spectrum about (0, tilt), propagated by the product's transfer function."""
    fy, fx = frequencies_per_m(GEOMETRY)
    spectrum = np.exp(-((fx - tilt_per_m) ** 2 + fy**2) / (2 * spread_per_m**2))
    wave = np.fft.fftshift(np.fft.ifft2(spectrum * defocus_phase(GEOMETRY, defocus_m)))
    return wave, (np.arange(128) - 64) * PIXEL_M


def test_rays_go_where_they_point():
    # a ray at spatial frequency +f is at +λzf behind the focus (z > 0)
    wave, x = gaussian_beam(1.2e7, 6e-6)
    at = ((np.abs(wave) ** 2).sum(axis=0) * x).sum() / (np.abs(wave) ** 2).sum()
    assert float(abs(at / (WAVELENGTH_M * 6e-6 * 1.2e7) - 1)) < tol.PARAXIAL, at


@pytest.mark.parametrize("defocus_m", [6e-6, -4e-6])
def test_gaussian_beam_spreads_and_curves_as_in_the_textbook(defocus_m):
    # w² = w0² (1 + z²/zR²), R = z (1 + zR²/z²), zR = π w0²/λ, phase +π r²/(λR) for waves exp(+ikz)
    # (Kogelnik & Li, Appl. Opt. 5 (1966) 1550; from memory); the spectrum's spread s gives w0 = 1/(√2 π s)
    wave, x = gaussian_beam(0.0, defocus_m)
    waist = 1 / (np.sqrt(2) * np.pi * 3e6)
    rayleigh = np.pi * waist**2 / WAVELENGTH_M
    line = wave[64]
    middle = np.abs(line) > 0.05 * np.abs(line).max()
    curvature = np.polyfit(x[middle], np.unwrap(np.angle(line[middle])), 2)[0]
    radius = defocus_m * (1 + (rayleigh / defocus_m) ** 2)
    assert float(abs(curvature * WAVELENGTH_M * radius / np.pi - 1)) < tol.PARAXIAL, curvature
    width = np.sqrt(-2 / np.polyfit(x[middle], np.log(np.abs(line[middle]) ** 2), 2)[0])
    expected = waist * np.sqrt(1 + (defocus_m / rayleigh) ** 2)
    assert float(abs(width / expected - 1)) < tol.PARAXIAL, width


def test_defocused_probe_fills_the_geometric_cone():
    # diameter λz/drn (geometrical optics): nearly all of the power is inside
    probe = zone_plate_probe(GEOMETRY, ZonePlate(240e-6, 25e-9), 6e-6)[0]
    x = (np.arange(128) - 64) * PIXEL_M
    r = np.hypot(x[:, None], x)
    cone = 0.5 * WAVELENGTH_M * 6e-6 / 25e-9
    power = np.abs(probe) ** 2
    assert power[r < 1.1 * cone].sum() > 0.9  # 0.936: the rest is diffraction at the rim
    assert power[r < 0.8 * cone].sum() < 0.8  # a disc evenly lit holds 0.64 there


def test_propagation_is_lossless_and_undone():
    phase = defocus_phase(GEOMETRY, 7e-6)
    assert float(np.abs(np.abs(phase) - 1).max()) < tol.PARSEVAL
    assert relative(phase * defocus_phase(GEOMETRY, -7e-6), np.ones_like(phase)) < tol.PARSEVAL
    # near the axis exp(-iπλz f²): Goodman, Introduction to Fourier Optics, section 4.2 (from memory)
    fy, fx = frequencies_per_m(GEOMETRY)
    near = np.hypot(fy, fx) < 5e6
    paraxial = np.exp(-1j * np.pi * WAVELENGTH_M * 7e-6 * (fy**2 + fx**2))
    assert relative(phase[near], paraxial[near]) < tol.PARAXIAL


# --- modes --------------------------------------------------------------------------------------------------


def test_orthogonal_modes_keep_the_intensity(rng):
    modes = noise(rng, 4, 12, 12) * np.array([1, 3, 0.2, 2])[:, None, None]
    found = orthogonal_modes(modes)
    gram = found.reshape(4, -1) @ found.reshape(4, -1).conj().T
    power = np.diag(gram).real
    assert float(np.abs(gram - np.diag(power)).max() / power.max()) < tol.ORTHOGONAL
    assert (np.diff(power) < 0).all()
    before, after = ((np.abs(m) ** 2).sum(axis=0) for m in (modes, found))
    assert relative(after, before) < tol.ORTHOGONAL
    # not only that: every frame's intensity, through any object (mixed state, Thibault & Menzel 2013)
    patch = noise(rng, 12, 12)
    seen = [(np.abs(np.fft.fft2(m * patch)) ** 2).sum(axis=0) for m in (modes, found)]
    assert relative(seen[1], seen[0]) < tol.ORTHOGONAL


def test_orthogonal_modes_of_one_and_in_single_precision(rng):
    one = noise(rng, 1, 8, 8).astype(np.complex64)
    np.testing.assert_array_equal(orthogonal_modes(one), one)
    assert orthogonal_modes(noise(rng, 3, 8, 8).astype(np.complex64)).dtype == np.complex64


@pytest.mark.parametrize("n_modes", [1, 2, 4, 8])
def test_new_modes_are_orthogonal(n_modes):
    # an update takes all modes through one linear map, so what starts dependent stays dependent
    probe = zone_plate_probe(GEOMETRY, ZonePlate(240e-6, 25e-9, 0.4), 4e-6)
    modes = with_modes(probe, n_modes)
    assert modes.shape == (n_modes, 128, 128)
    np.testing.assert_array_equal(modes[0], probe[0])
    flat = modes.reshape(n_modes, -1)
    grams = np.abs(flat @ flat.conj().T)
    # each has a tenth of the power of those before it
    np.testing.assert_allclose(np.diag(grams), [1, *(0.1 for _ in range(n_modes - 1))], rtol=1e-9)
    assert np.abs(grams - np.diag(np.diag(grams))).max() < 1e-9


def test_a_blur_by_the_source_is_what_new_modes_begin_with():
    # the mixture of shifted probes: to first order its modes are the probe and its derivatives (Taylor's series)
    probe = zone_plate_probe(GEOMETRY, ZonePlate(240e-6, 25e-9, 0.4), 4e-6)
    y, x = np.meshgrid(np.fft.fftfreq(128), np.fft.fftfreq(128), indexing="ij")
    spectrum = np.fft.fft2(probe[0])
    shifts = [(dy, dx) for dy in (-0.3, 0, 0.3) for dx in (-0.3, 0, 0.3)]
    shifted = [np.fft.ifft2(spectrum * np.exp(-2j * np.pi * (y * dy + x * dx))) for dy, dx in shifts]
    blurred = orthogonal_modes(np.stack(shifted))[:3].reshape(3, -1)
    begun = np.linalg.qr(with_modes(probe, 3).reshape(3, -1).T)[0]
    within = np.linalg.norm(blurred.conj() @ begun, axis=1) / np.linalg.norm(blurred, axis=1)
    assert within.min() > 0.99


@pytest.mark.parametrize("kind", [np.complex64, np.complex128])
def test_power_scaling(rng, kind):
    probe = scaled_to_power(noise(rng, 3, 8, 8).astype(kind), 1234.5)
    assert probe.dtype == kind
    assert (np.abs(probe) ** 2).sum() == pytest.approx(1234.5, rel=1e-6)


# --- a probe from the frames --------------------------------------------------------------------------------

# Where several were measured (48 scans of three specimens, defocus 5 to 25 µm of either sign, four trajectories):
# rms 9 % at 1e6 photons a frame, more below the depth of focus 2 drn²/λ (2.4 µm here).
CASES = [
    ("catalyst", 20e-6, 1e6, "fermat_spiral"),
    ("catalyst", 20e-6, 1e4, "fermat_spiral"),
    ("catalyst", -25e-6, 1e6, "concentric_rings"),
    ("testchart", -10e-6, 1e5, "fermat_spiral"),
    ("weak", 10e-6, 1e6, "jittered_raster"),
]


@pytest.mark.parametrize(("name", "defocus_m", "photons", "trajectory"), CASES)
def test_defocus_and_probe_from_the_frames(name, defocus_m, photons, trajectory):
    scan, truth = scans.build(name, defocus_m=defocus_m, photons_per_frame=photons, trajectory=trajectory, n_frames=80)
    prepared = scans.prepare(scan)
    guess = probe_from_data(prepared.counts, prepared.mask, prepared.geometry, prepared.positions_m)
    assert abs(guess.defocus_m / defocus_m - 1) < tol.DEFOCUS, guess.defocus_m
    # against the true wave, band-limited to the frames' pixel; its aberrations alone cost 0.104 of the overlap
    n, fine = prepared.counts.shape[-1], truth.probe.shape[-1]
    middle = slice(fine // 2 - n // 2, fine // 2 - n // 2 + n)
    spectrum = np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(truth.probe[0])))[middle, middle]
    true = np.fft.fftshift(np.fft.ifft2(np.fft.ifftshift(spectrum)))
    assert 1 - overlap(guess.probe[0], true) < tol.PROBE_MISMATCH, overlap(guess.probe[0], true)


def test_masked_beam_pixels_do_not_matter(rng):
    scan, _ = scans.build("catalyst", defocus_m=20e-6, photons_per_frame=1e6, n_frames=80)
    prepared = scans.prepare(scan)
    mask = rng.random(prepared.counts.shape) > 0.1  # other pixels in every frame: none is good in all of them
    guess = probe_from_data(np.where(mask, prepared.counts, 0), mask, prepared.geometry, prepared.positions_m)
    assert abs(guess.defocus_m / 20e-6 - 1) < tol.DEFOCUS, guess.defocus_m


def test_without_a_sample_the_step_decides(rng):
    optic = ZonePlate(240e-6, 25e-9, 0.4)
    pattern = np.fft.fftshift(np.abs(np.fft.fft2(zone_plate_probe(GEOMETRY, optic, 4e-6)[0])) ** 2)
    counts = rng.poisson(1e5 * pattern / pattern.sum(), (49, 128, 128)).astype(np.float32)
    step = 100e-9
    positions = np.stack(np.meshgrid(np.arange(7), np.arange(7), indexing="ij"), axis=-1).reshape(-1, 2) * step
    guess = probe_from_data(counts, np.ones((128, 128), bool), GEOMETRY, positions)
    assert "no shadows" in guess.how
    # a cone of step/0.3 = λz/drn, with the step as the grid's area a point (6/7 of the step here)
    assert guess.defocus_m == pytest.approx(step * 6 / 7 / 0.3 * 25e-9 / WAVELENGTH_M, rel=0.05)


def test_a_line_scan_is_no_reason_to_fail(rng):
    counts = rng.poisson(50.0, (12, 128, 128)).astype(np.float32)
    positions = np.stack([np.zeros(12), np.arange(12) * 1e-7], axis=1)
    guess = probe_from_data(counts, np.ones((128, 128), bool), GEOMETRY, positions)
    assert np.isfinite(guess.probe).all()
    assert np.isfinite(guess.defocus_m)
