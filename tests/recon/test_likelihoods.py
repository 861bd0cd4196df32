"""Likelihoods against SciPy's distributions, exact expectations and JAX."""

from functools import cache

import numpy as np
import pytest
from scipy import stats

from recon.backend import to_host
from recon.likelihoods import ANSCOMBE, DARK, LIKELIHOODS, Gaussian, Poisson, RootCounts, make_likelihood
from scans.errors import InputError

COUNTS = np.array([0.0, 1, 2, 3, 10, 57, 1000])
EXPECTED = np.array([0.002, 0.1, 0.7, 1, 2.5, 10, 40, 1100.0])
# every likelihood with and without read noise
ALL = [(name, read_noise) for name in LIKELIHOODS for read_noise in (0.0, 1.7)]
every = pytest.mark.parametrize(("name", "read_noise"), ALL)


def grid(expected=EXPECTED, counts=COUNTS):
    return tuple(a.ravel() for a in np.meshgrid(expected, counts, indexing="ij"))


def gain(likelihood, e, counts, reference=1.5):
    """``f(e) - f(reference)``: what a probability fixes; the constant of the counts is free."""
    return likelihood.loss(e, counts) - likelihood.loss(np.full_like(e, reference), counts)


# --- values: minus the logarithm of a probability --------------------------------------------------------------------


@pytest.mark.parametrize("variance", [0, 1, 9])
def test_poisson_is_its_probability(variance):
    # P(I + s²; e + s²): with an integer variance SciPy knows it
    e, counts = grid()
    expected = stats.poisson.logpmf(counts + variance, 1.5 + variance) - stats.poisson.logpmf(
        counts + variance, e + variance
    )
    np.testing.assert_allclose(gain(Poisson(variance), e, counts), expected, rtol=1e-12, atol=1e-9)


@pytest.mark.parametrize("variance", [0, 2.3])
def test_gaussian_is_its_density(variance):
    e, counts = grid()
    sigma = np.sqrt(counts + 1 + variance)
    expected = stats.norm.logpdf(counts, 1.5, sigma) - stats.norm.logpdf(counts, e, sigma)
    np.testing.assert_allclose(gain(Gaussian(variance), e, counts), expected, rtol=1e-12, atol=1e-9)


@pytest.mark.parametrize("offset", [1e-3, 0.375, 4.0])
def test_roots_are_normal_of_variance_a_quarter(offset):
    e, counts = grid()
    roots = np.sqrt(counts + offset)
    expected = stats.norm.logpdf(roots, np.sqrt(1.5 + offset), 0.5) - stats.norm.logpdf(roots, np.sqrt(e + offset), 0.5)
    np.testing.assert_allclose(gain(RootCounts(offset), e, counts), expected, rtol=1e-12, atol=1e-9)


@every
def test_least_where_the_counts_are_the_expected_ones(name, read_noise):
    likelihood, counts = make_likelihood(name, read_noise), COUNTS[1:]
    np.testing.assert_allclose(likelihood.loss(counts, counts), 0, atol=1e-12)
    np.testing.assert_allclose(likelihood.slope(counts, counts), 0, atol=1e-12)
    for other in (0.9 * counts, 1.1 * counts):
        assert np.all(likelihood.loss(other, counts) > 0)


def test_shared_curvature_of_many_counts():
    # at many counts all curve as Poisson does: f'' = 1/I; the curvature as a difference of slopes over 1 %
    counts = np.array([1e4, 1e6])
    for name, read_noise in ALL:
        likelihood = make_likelihood(name, read_noise)
        ends = [likelihood.slope(counts * (1 + h), counts) for h in (-0.005, 0.005)]
        np.testing.assert_allclose((ends[1] - ends[0]) / 0.01, 1, rtol=1e-3, err_msg=name)


@cache
def jax_slopes():
    """Compiled derivatives by e of the formulas: ``(e, I, offset, s²) -> {kind: (P,)}``."""
    jax = pytest.importorskip("jax")
    jax.config.update("jax_enable_x64", True)
    jnp = jax.numpy

    def losses(e, counts, offset, variance):
        k = jnp.maximum(counts + offset, 0)
        return {
            "poisson": (e + offset - k * jnp.log(e + offset)).sum(),
            "root": (2 * (jnp.sqrt(e + offset) - jnp.sqrt(k)) ** 2).sum(),
            "gaussian": ((e - counts) ** 2 / (2 * (jnp.maximum(counts, 0) + 1 + variance))).sum(),
        }

    def slopes(*arguments):
        return {kind: jax.grad(lambda *a, kind=kind: losses(*a)[kind])(*arguments) for kind in losses(*arguments)}

    return jax.jit(slopes)


@every
def test_slopes_are_the_derivatives(name, read_noise):
    # also at no counts, at less than none (read noise) and in the dark
    e, counts = grid(np.append(EXPECTED, 0.1 * DARK), np.append(COUNTS, [-1.5, -4.0]))
    offset = read_noise**2 + (3 / 8 if name == "anscombe" else DARK)
    kind = "root" if name in ("anscombe", "amplitude") else name
    expected = jax_slopes()(e, counts, offset, read_noise**2)[kind]
    np.testing.assert_allclose(make_likelihood(name, read_noise).slope(e, counts), expected, rtol=1e-11, atol=1e-11)


# --- where little light is expected ----------------------------------------------------------------------------------


@every
def test_a_right_model_is_right_in_the_dark_too(name, read_noise):
    # counts without noise may be far below one; the model that made them has to stay
    dark = np.array([1e-9, 1e-6, 1e-4, 1e-3, 1e-2])
    np.testing.assert_allclose(make_likelihood(name, read_noise).slope(dark, dark), 0, atol=1e-12)


def test_dark_pixels_keep_what_they_say():
    # no counts where e is expected: half the deviance is e, of which the offset takes c ln(1 + e/c)
    likelihood, none = make_likelihood("poisson"), np.zeros(3)
    e = np.array([0.01, 0.1, 1.0])
    np.testing.assert_allclose(likelihood.loss(e, none), e - DARK * np.log1p(e / DARK), rtol=1e-9)
    assert np.all(likelihood.loss(e, none) > [0.0085, 0.097, 0.996])


@every
def test_loss_and_slope_are_finite_and_convex_in_the_dark(name, read_noise):
    likelihood, e = make_likelihood(name, read_noise), np.linspace(0, 5 * DARK, 401)
    for counts in (-2.0, 0.0, 1e-30, 1.0, 1e6):
        loss, slope = (f(e, np.full_like(e, counts)) for f in (likelihood.loss, likelihood.slope))
        assert np.isfinite(loss).all()
        assert np.isfinite(slope).all()
        assert np.all(np.diff(slope) >= -1e-12 * np.abs(slope).max())
        # the loss is the integral of the slope (trapezium, exact to e''' h²)
        steps = 0.5 * (slope[1:] + slope[:-1]) * np.diff(e)
        np.testing.assert_allclose(loss[-1] - loss[0], steps.sum(), rtol=1e-3, atol=1e-6)


# --- what the statistics promise -------------------------------------------------------------------------------------


def expectation(mean, read_noise=0.0):
    """Values and probabilities of counts of this mean with normal read noise: exact sum, Gauss-Hermite."""
    k = np.arange(int(mean + 12 * np.sqrt(mean) + 30))
    if not read_noise:
        return k.astype(float), stats.poisson.pmf(k, mean)
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    values = k[:, None] + read_noise * nodes
    return values.ravel(), (stats.poisson.pmf(k, mean)[:, None] * weights / weights.sum()).ravel()


@pytest.mark.parametrize(("mean", "read_noise"), [(0.3, 0.0), (5.0, 0.0), (40.0, 0.0), (40.0, 2.0), (25.0, 1.0)])
def test_shifted_poisson_has_the_mean_and_variance_of_photons_and_noise(mean, read_noise):
    # A Poisson variable of mean m + s² has that variance too, as photons and noise have, shifted by s². So at the
    # truth the slope is zero on average, and its variance is the curvature, 1/(m + s²): the information identity.
    counts, p = expectation(mean, read_noise)
    likelihood, variance = Poisson(read_noise**2), mean + read_noise**2
    slope, h = likelihood.slope(np.full_like(counts, mean), counts), 1e-5
    ends = [(p * likelihood.slope(np.full_like(counts, mean + d), counts)).sum() for d in (-h, h)]
    assert abs((p * slope).sum()) < 1e-9
    assert (p * slope**2).sum() == pytest.approx(1 / variance, rel=1e-8)
    assert (ends[1] - ends[0]) / (2 * h) == pytest.approx(1 / variance, rel=1e-8)


def test_poisson_without_the_noise_would_not():
    counts, p = expectation(25.0, 3.0)
    slope = Poisson().slope(np.full_like(counts, 25.0), counts)
    assert (p * slope**2).sum() > 1.3 / 25


@pytest.mark.parametrize(("mean", "read_noise"), [(4.0, 0.0), (10.0, 0.0), (100.0, 0.0), (12.0, 2.0), (50.0, 3.0)])
def test_anscombe_roots_have_the_variance_a_quarter(mean, read_noise):
    # Anscombe (1948): 2√(I + 3/8) has the variance 1 + 1/(16 m²) + ..., whatever the mean; with normal noise
    # 2√(I + 3/8 + s²): Murtagh, Starck & Bijaoui, Astron. Astrophys. Suppl. 112 (1995) 179 (both from memory)
    counts, p = expectation(mean, read_noise)
    found = make_likelihood("anscombe", read_noise)
    # f(e, I) at an e of no effect: 2√(I + c) = 2√(e + c) ∓ √(2 f), below and above e
    e = np.full_like(counts, mean)
    roots = np.sign(counts - mean) * np.sqrt(2 * found.loss(e, counts))
    variance = (p * roots**2).sum() - (p * roots).sum() ** 2
    assert variance == pytest.approx(1, abs=0.02)


def test_anscombe_misfit_is_even_where_that_of_amplitudes_is_not():
    # twice the mean loss at the truth: 1 for a perfect stabiliser; the root's bias -1/(8√m) leaves 1/(16 m)
    def twice(name, mean):
        counts, p = expectation(mean)
        return 2 * (p * make_likelihood(name).loss(np.full_like(counts, mean), counts)).sum()

    for mean in (4.0, 10.0, 30.0, 100.0):
        assert twice("anscombe", mean) == pytest.approx(1 + 1 / (16 * mean), abs=0.05 / mean), mean
    assert twice("amplitude", 4.0) > 1.15
    assert twice("amplitude", 100.0) == pytest.approx(1, abs=0.01)


# --- making one ------------------------------------------------------------------------------------------------------


def test_names_and_read_noise_are_what_they_say():
    assert make_likelihood("poisson", 3.0) == Poisson(9.0 + DARK)
    assert make_likelihood("gaussian", 3.0) == Gaussian(9.0)
    assert make_likelihood("anscombe", 3.0) == RootCounts(9 + 3 / 8)
    assert make_likelihood("anscombe") == RootCounts(ANSCOMBE)
    assert make_likelihood("amplitude") == RootCounts(DARK)


def test_unknown_name_says_which_there_are():
    with pytest.raises(InputError) as caught:
        make_likelihood("cauchy")
    assert "cauchy" in str(caught.value)
    for name in LIKELIHOODS:
        assert name in str(caught.value)


@every
def test_single_precision_stays_single(xp, name, read_noise):
    # also with a read noise that NumPy measured: a NumPy float64 would turn float32 arrays into float64
    e, counts = grid()
    likelihood = make_likelihood(name, np.float64(read_noise))
    single = xp.asarray(e.astype(np.float32)), xp.asarray(counts.astype(np.float32))
    for function in (likelihood.loss, likelihood.slope):
        found, expected = function(*single), function(e, counts)
        assert found.dtype == np.float32
        # losses are differences of numbers of the size of the counts
        np.testing.assert_allclose(to_host(found), expected, rtol=2e-5, atol=2e-6 * counts.max())
