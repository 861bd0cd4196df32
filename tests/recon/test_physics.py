import numpy as np
import pytest
import scipy.stats
import tolerances as tol
from helpers_core import noise, plain_shift, relative

from recon import physics
from recon.backend import fft2, ifft2, to_host


def shifted(xp, array, shifts, dtype=np.complex128):
    """`array` ``(N, N)`` moved by each shift ``(B, 2)`` with the product's ramps, on the host."""
    ramp_y, ramp_x = physics.shift_ramps(xp.asarray(shifts), array.shape[-1], dtype)
    return to_host(ifft2(fft2(xp.asarray(array.astype(dtype))) * ramp_y * ramp_x))


def gaussian(size, centre, sigma=3.2):
    """Tilted Gaussian beam at a real-valued place: analytic, and below 1e-15 at the band's and frame's edges."""
    y, x = np.arange(size)[:, None] - centre[0], np.arange(size)[None, :] - centre[1]
    return np.exp(-(y**2 + x**2) / (2 * sigma**2) + 1j * (0.3 * y - 0.2 * x))


@pytest.mark.parametrize("size", [56, 57])
@pytest.mark.parametrize(("dtype", "limit"), [(np.complex128, tol.SHIFT_C128), (np.complex64, tol.SHIFT_C64)])
def test_shift_of_an_analytic_beam(xp, size, dtype, limit):
    shifts = np.array([[0.37, -0.5], [-0.25, 0.125], [1.6, -2.3], [0.0, 0.0]])
    moved = shifted(xp, gaussian(size, (28, 28)), shifts, dtype)
    for found, (dy, dx) in zip(moved, shifts, strict=True):
        error = relative(found, gaussian(size, (28 + dy, 28 + dx)))
        assert error < limit, (dy, dx, error)


@pytest.mark.parametrize("size", [8, 9])
def test_shift_is_unitary_and_undone_by_its_opposite(xp, rng, size):
    # white noise: all frequencies, that of Nyquist too
    array, shifts = noise(rng, size, size), rng.uniform(-0.5, 0.5, (6, 2))
    moved = shifted(xp, array, shifts)
    power = (np.abs(moved) ** 2).sum(axis=(1, 2)) / (np.abs(array) ** 2).sum()
    assert float(np.abs(power - 1).max()) < tol.PARSEVAL
    for one, shift in zip(moved, shifts, strict=True):
        assert relative(shifted(xp, one, -shift[None])[0], array) < tol.TRANSFORM_C128
        assert relative(one, plain_shift(array, shift)) < tol.TRANSFORM_C128


def test_shift_by_whole_pixels_rolls(xp, rng):
    array = noise(rng, 7, 7)
    moved = shifted(xp, array, np.array([[2.0, -3.0]]))[0]
    assert relative(moved, np.roll(array, (2, -3), axis=(0, 1))) < tol.TRANSFORM_C128


def detector(rng, shape=(3, 6, 6)):
    intensity, counts = rng.gamma(2.0, 5.0, shape), rng.poisson(10.0, shape).astype(float)
    return intensity, counts, rng.random(shape) > 0.3


def test_amplitude_step_projects_onto_the_measured_modulus(rng):
    # the modulus constraint: F ψ' = √I F ψ/|F ψ| (Fienup, Appl. Opt. 21 (1982) 2758; from memory)
    field = noise(rng, 3, 6, 6)
    _, counts, mask = detector(rng)
    stepped = field * (1 + physics.amplitude_step(np.abs(field) ** 2, counts, mask))
    expected = np.where(mask, np.sqrt(counts) * field / np.abs(field), field)
    assert relative(stepped, expected) < tol.TRANSFORM_C128


def test_negative_counts_count_as_zero(rng):
    intensity, counts, _ = detector(rng)
    lower = np.where(counts < 8, -3.0, counts)
    zeroed = np.maximum(lower, 0)
    for function in (
        physics.amplitude_step,
        physics.poisson_step,
        physics.amplitude_loss,
        physics.poisson_loss,
        physics.r_factor_terms,
        physics.deviance_terms,
    ):
        np.testing.assert_array_equal(function(intensity, lower, None), function(intensity, zeroed, None))


def test_step_at_dark_pixels_is_bounded():
    # where the model holds nothing but rounding, the step may not exceed the measured amplitude
    field = np.array([1e-9, 1e-5, 1e-3, 1.0])
    step = field * physics.amplitude_step(field**2, np.array(4.0), None, dark=1e-4)
    assert (step < 2.0).all()
    np.testing.assert_allclose(step[:2], field[:2] * (2.0 - field[:2]) / 1e-2)
    np.testing.assert_allclose(step[3], 2.0 - 1.0)
    # and a model that fits stays as it is, however dark
    assert not physics.amplitude_step(field**2, field**2, None, dark=1e-4).any()


@pytest.mark.parametrize(
    ("step", "loss"),
    [(physics.amplitude_step, physics.amplitude_loss), (physics.poisson_step, physics.poisson_loss)],
)
def test_steps_are_minus_the_slope_of_their_loss(rng, step, loss):
    intensity, counts, mask = detector(rng)
    intensity += 0.5
    h = 1e-5 * intensity  # central difference: error of h² f'''/6 ~ 1e-10 f', rounding 1e-16/h ~ 1e-11
    for index in [(0, 0, 0), (1, 2, 3), (2, 5, 5)]:
        up, down = intensity.copy(), intensity.copy()
        up[index] += h[index]
        down[index] -= h[index]
        slope = (loss(up, counts, mask) - loss(down, counts, mask)) / (2 * h[index])
        found = step(intensity, counts, mask)[index]
        assert float(abs(found + slope)) < tol.CENTRAL_DIFFERENCE, (index, found, -slope)


def test_poisson_loss_and_deviance_are_those_of_scipy(rng):
    intensity, counts, mask = detector(rng)
    intensity += 0.1
    counts[0, 0, :3] = 0
    log_likelihood = scipy.stats.poisson.logpmf(counts, intensity)
    # the loss leaves out ln k!, so only differences compare
    other = intensity * 1.3
    change = physics.poisson_loss(other, counts, mask) - physics.poisson_loss(intensity, counts, mask)
    expected = -((scipy.stats.poisson.logpmf(counts, other) - log_likelihood) * mask).sum()
    assert float(abs(change / expected - 1)) < tol.EXACT_SUM
    # deviance = twice the log likelihood lost against the saturated model (McCullagh & Nelder, 1989; from memory)
    saturated = scipy.stats.poisson.logpmf(counts, counts)
    expected = 2 * ((saturated - log_likelihood) * mask).sum()
    assert float(abs(physics.deviance_terms(intensity, counts, mask) / expected - 1)) < tol.EXACT_SUM


def test_r_factor_terms_and_amplitude_loss_written_out():
    intensity, counts = np.array([[4.0, 9.0]]), np.array([[1.0, 16.0]])
    mask = np.array([[True, False]])
    assert physics.r_factor_terms(intensity, counts, None) == 1 + 1  # |1 - 2| + |4 - 3|
    assert physics.r_factor_terms(intensity, counts, mask) == 1
    assert physics.amplitude_loss(intensity, counts, None) == 1 + 1
    assert physics.amplitude_loss(intensity, counts, mask) == 1


def test_single_precision_deviance_at_high_and_vanishing_counts(rng):
    mean = np.full(4096, 1e6)
    counts = rng.poisson(mean).astype(float)
    exact = physics.deviance_terms(mean, counts, None)
    found = physics.deviance_terms(mean.astype(np.float32), counts.astype(np.float32), None)
    assert float(abs(found / exact - 1)) < tol.DEVIANCE_C64, found / exact
    # noise-free counts fall to denormal numbers, whose ratio to the model is zero
    tiny = np.array([1e-42, 0.0], np.float32)
    assert physics.deviance_terms(np.array([1e4, 1e4], np.float32), tiny, None) == pytest.approx(4e4)


def test_dark_model_is_floored():
    # common practice: a floor far below one photon keeps ln i and I/i finite
    step = physics.poisson_step(np.zeros(1), np.ones(1), None)
    assert step == 1 / physics.INTENSITY_FLOOR - 1
    assert np.isfinite(physics.poisson_loss(np.zeros(1), np.ones(1), None))
    assert np.isfinite(physics.deviance_terms(np.zeros(1), np.ones(1), None))
