"""The error against a known truth: a sum of plane waves written out, and noise of known size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers_cli import recipe, simulated

from recon.result import Result
from recon.truth_error import error_against, truth_on_grid, well_lit
from recon.workflow import reconstruct
from scans.preparation import prepare
from scans.truth import Truth


@pytest.fixture(scope="module")
def exact() -> tuple[Result, Truth]:
    """A result whose object is the truth on the result's grid."""
    scan, truth = simulated()
    result = reconstruct(prepare(scan), recipe(passes=(1, 1)), device="cpu")
    return replace(result, transmission=truth_on_grid(truth, result.y_m, result.x_m)), truth


def truth_of(object_: np.ndarray, pixel_m: float, origin_m: tuple[float, float] = (0.0, 0.0)) -> Truth:
    y, x = (o + pixel_m * np.arange(n) for o, n in zip(origin_m, object_.shape, strict=True))
    nothing = np.zeros((1, 4, 4), complex)
    return Truth(object_, pixel_m, y, x, nothing, np.zeros((1, 2)), np.ones(object_.shape), 2 * pixel_m)


def waves(rng, y_m, x_m, width_m, highest: int):
    """Plane waves with whole numbers of periods (up to `highest`) over `width_m`, at any coordinates."""
    total = np.zeros((len(y_m), len(x_m)), complex)
    for _ in range(12):
        ky, kx = rng.integers(-highest, highest + 1, 2)
        phase = np.add.outer(ky * np.asarray(y_m) / width_m, kx * np.asarray(x_m) / width_m)
        total += (rng.normal() + 1j * rng.normal()) * np.exp(2j * np.pi * phase)
    return total


def test_a_band_limited_truth_is_exact_between_its_pixels(rng):
    # A finite Fourier series is its own interpolation (sampling theorem): the analytic sum is the reference.
    n, pixel = 60, 7e-9
    own = pixel * np.arange(n)
    seed = rng.integers(1 << 31)
    truth = truth_of(waves(np.random.default_rng(seed), own, own, n * pixel, 12), pixel)
    y, x = 3.3e-9 + 16e-9 * np.arange(20), 41.7e-9 + 16e-9 * np.arange(17)
    expected = waves(np.random.default_rng(seed), y, x, n * pixel, 12)
    assert np.abs(truth_on_grid(truth, y, x) - expected).max() < 1e-11 * np.abs(expected).max()


def test_frequencies_that_the_result_cannot_hold_are_left_out():
    n, pixel = 60, 7e-9
    own = pixel * np.arange(n) / (n * pixel)
    slow, fast = (np.exp(2j * np.pi * np.add.outer(k * own, 0 * own)) for k in (5, 16))
    truth = truth_of(slow + fast, pixel)
    coarse = 2 * pixel * np.arange(n // 2)  # holds up to 15 periods over the width, not 16
    got = truth_on_grid(truth, coarse, coarse)
    assert np.abs(got - slow[::2, ::2]).max() < 1e-12


def test_the_truth_itself_has_no_error_and_noise_has_its_own(exact, rng):
    result, truth = exact
    assert error_against(result, truth) < 2e-6  # single precision of the result's arrays
    # Independent noise of rms s times the object: with the best scale the residual is s/sqrt(1 + s^2) of the
    # truth (projection of the truth on the noisy image). The 1/sqrt(2 n) scatter of s over n pixels is below 1 %.
    s = 0.3
    lit = well_lit(result.coverage)
    level = np.sqrt((np.abs(result.transmission[lit]) ** 2).mean())
    noise = (rng.normal(size=lit.shape) + 1j * rng.normal(size=lit.shape)) * s * level / np.sqrt(2)
    noisy = replace(result, transmission=result.transmission + noise)
    assert error_against(noisy, truth) == pytest.approx(s / np.sqrt(1 + s**2), rel=0.03)


def test_scale_and_ramp_are_free(exact):
    result, truth = exact
    rows, columns = (np.arange(n) for n in result.transmission.shape)
    ramp = np.exp(2j * np.pi * np.add.outer(0.013 * rows, -0.021 * columns))
    turned = replace(result, transmission=(0.4 - 1.3j) * ramp * result.transmission)
    assert error_against(turned, truth) < 1e-5


def test_only_well_lit_pixels_count(exact, rng):
    result, truth = exact
    dim = ~well_lit(result.coverage)
    assert 0.2 < dim.mean() < 0.9
    garbage = result.transmission.copy()
    garbage[dim] = rng.normal(size=dim.sum())
    assert error_against(replace(result, transmission=garbage), truth) < 1e-3


def test_well_lit_is_a_share_of_the_typical_light():
    coverage = np.zeros((10, 40))
    coverage[:, :30] = 100.0
    coverage[:, 30:35] = 20.0  # a fifth: dim
    coverage[0, 0] = 1e3  # one bright pixel does not decide
    assert well_lit(coverage).sum() == 300
