"""Darks are judged against simulated ones, NumPy's mean and median, and chi-square statistics."""

from __future__ import annotations

import re

import numpy as np
import pytest

from scans.darks import combine_darks
from scans.detector_model import dirty_detector
from scans.errors import InputError

SHAPE = (48, 56)


def darks_of(rng, k, sigma=3.0, level=400.0, pattern=5.0, shape=SHAPE):
    fixed = level + pattern * rng.standard_normal(shape)
    return fixed, fixed + sigma * rng.standard_normal((k, *shape))


@pytest.mark.parametrize("method", ["mean", "median"])
def test_plain_methods_are_those_of_numpy(rng, method):
    _, stack = darks_of(rng, 9)
    out = combine_darks(stack, SHAPE, "x", method=method)
    # levels that drift by the noise of a mean over all pixels are taken out: medians move by as much
    np.testing.assert_allclose(out.sets[0].values, getattr(np, method)(stack, axis=0), atol=0.3)


@pytest.mark.parametrize("k", [2, 3, 5, 20])
@pytest.mark.parametrize("sigma", [1.0, 3.0, 30.0])
def test_cosmic_rays_leave_no_trace(rng, k, sigma):
    fixed, stack = darks_of(rng, k, sigma)
    hit = rng.random(stack.shape) < 2e-4
    stack[hit] += rng.uniform(30, 300, hit.sum()) * sigma
    stack = np.rint(stack).astype(np.uint16)
    out = combine_darks(stack, SHAPE, "x")
    # read noise and rounding of one count: sigma² + 1/12, averaged over k
    error = np.sqrt((sigma**2 + 1 / 12) / k)
    pull = (out.sets[0].values - fixed) / error
    assert np.abs(pull).max() < 7
    assert pull.std() == pytest.approx(1, abs=0.08)
    assert out.spikes == pytest.approx(hit.sum(), abs=2)
    assert out.read_noise == pytest.approx(np.sqrt(sigma**2 + 1 / 12), rel=0.04)


def test_one_dark_frame(rng):
    _, stack = darks_of(rng, 1)
    out = combine_darks(stack[0], SHAPE, "x")
    np.testing.assert_array_equal(out.sets[0].values, stack[0].astype(np.float32))
    assert out.read_noise == 0
    assert not out.noisy.any()
    np.testing.assert_array_equal(out.at(0.3)[0], out.sets[0].values)


def test_exposures_are_interpolated(rng):
    offset, current = rng.uniform(300, 500, SHAPE), rng.uniform(0, 40, SHAPE)
    t = np.array([0.1] * 6 + [1.0] * 6 + [2.0] * 12)
    stack = offset + current * t[:, None, None] + 0.5 * rng.standard_normal((24, *SHAPE))
    out = combine_darks(stack, SHAPE, "x", exposures_s=t)
    assert [s.exposure_s for s in out.sets] == [0.1, 1.0, 2.0]
    for wanted, words in ((1.0, "own"), (0.5, "interpolated"), (4.0, "extrapolated")):
        dark, how = out.at(wanted)
        assert words in how
        assert np.abs(dark - offset - current * wanted).std() < 0.5
    # numpy.polyfit with the frames one by one is the independent line
    slope, start = np.polyfit(t, stack.reshape(24, -1), 1)
    np.testing.assert_allclose(out.at(0.5)[0].ravel(), start + 0.5 * slope, atol=0.02)


def test_a_missing_exposure_is_a_guess(rng):
    _, stack = darks_of(rng, 4)
    out = combine_darks(stack, SHAPE, "x", exposures_s=np.full(4, 0.2))
    assert "guess" in out.at(1.0)[1]
    assert [f.code for f in out.needs_care(np.array([0.2, 1.0]))] == ["dark-exposure"]
    assert not out.needs_care(np.array([0.2]))
    assert not out.needs_care(None)
    two = combine_darks(stack, SHAPE, "x", exposures_s=np.array([0.2, 0.2, 1.0, 1.0]))
    assert [f.code for f in two.needs_care(None)] == ["dark-exposure"]


def test_sets_before_and_after(rng):
    fixed, stack = darks_of(rng, 20, 1.0)
    stack[10:] += 8.0
    out = combine_darks(stack, SHAPE, "x", when=np.repeat([0.0, 1.0], 10))
    for when in (0.0, 0.25, 1.0):
        assert np.abs(out.at(when=when)[0] - fixed - 8 * when).std() < 0.5
        assert np.mean(out.at(when=when)[0] - fixed) == pytest.approx(8 * when, abs=0.05)
    assert np.mean(out.at()[0] - fixed) == pytest.approx(4, abs=0.05)
    (finding,) = [f for f in out.findings if f.code == "dark-before-after"]
    assert float(re.search(r"by ([\d.]+) counts", finding.text)[1]) == pytest.approx(8, abs=0.05)
    assert out.read_noise == pytest.approx(1.0, rel=0.02)


def test_a_drifting_level_is_no_read_noise(rng):
    _, stack = darks_of(rng, 20, 2.0)
    stack += 5 * rng.standard_normal((20, 1, 1))
    out = combine_darks(stack, SHAPE, "x")
    assert out.read_noise == pytest.approx(2.0, rel=0.03)
    assert "dark-drift" in {f.code for f in out.findings}
    steady = combine_darks(darks_of(rng, 20, 2.0)[1], SHAPE, "x")
    assert "dark-drift" not in {f.code for f in steady.findings}


@pytest.mark.parametrize("noise_e", [3.0, 10.0, 30.0])
def test_hot_and_flickering_pixels_of_a_simulated_detector(rng, noise_e):
    model = dirty_detector(read_noise_e=noise_e, hot_e=5000.0, warm_e=1000.0, stuck=0, cosmic_rays=2.0, row_drift=0)
    shot = model.expose(np.zeros((1, 96, 96)), rng, dark_frames=30)
    out = combine_darks(shot.darks, (96, 96), "x")
    truth = shot.truth
    assert (out.hot & truth.hot).sum() == truth.hot.sum()
    # flickering ones are on for 40 % of the time, so their mean is high as well
    assert not (out.hot & ~truth.hot & ~truth.warm).any()
    assert (out.noisy & truth.warm).sum() == truth.warm.sum()
    assert not (out.noisy & ~truth.hot & ~truth.warm).any()
    scale = model.counts_per_electron
    assert out.read_noise == pytest.approx(np.hypot(noise_e * scale, 12**-0.5), rel=0.02)


def test_pixels_not_finite_are_not_usable(rng):
    _, stack = darks_of(rng, 4)
    stack[1, 2, 3] = np.nan
    out = combine_darks(stack, SHAPE, "x")
    assert np.argwhere(~out.usable).tolist() == [[2, 3]]
    assert np.isfinite(out.sets[0].values).all()


def test_what_does_not_fit_is_refused(rng):
    _, stack = darks_of(rng, 4)
    with pytest.raises(InputError, match="dark frames of shape"):
        combine_darks(stack, (5, 5), "x")
    with pytest.raises(InputError, match="exposures of shape"):
        combine_darks(stack, SHAPE, "x", exposures_s=np.ones(3))
    with pytest.raises(InputError, match="dark method"):
        combine_darks(stack, SHAPE, "x", method="mode")
