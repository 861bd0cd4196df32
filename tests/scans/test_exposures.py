"""Merging is checked by brute force on the likelihood, and on simulated detectors with saturation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from scans.detector_model import DetectorModel
from scans.errors import InputError
from scans.exposures import fit_ratio, group_exposures, joint_sums, merge_exposures


def places(n, repeats=1):
    j = np.arange(n)
    xy = np.stack([np.sqrt(j) * np.cos(2.4 * j), np.sqrt(j) * np.sin(2.4 * j)], axis=1) * 100e-9
    return np.repeat(xy, repeats, axis=0)


def test_merging_is_maximum_likelihood(rng):
    """scipy.stats.poisson is the likelihood, minimised by brute force."""
    times = np.array([0.1, 1.0, 2.5])
    counts = rng.poisson(times[:, None, None] * rng.uniform(2, 50, (4, 5)))
    usable = rng.random(counts.shape) < 0.8
    usable[1] = True
    out = merge_exposures(counts.astype(np.float32), times, usable, times.sum())
    for y, x in np.ndindex(4, 5):
        use = usable[:, y, x]

        def minus_log(rate, n=counts[use, y, x], t=times[use]):
            return -stats.poisson.logpmf(n, rate * t).sum()

        best = optimize.minimize_scalar(minus_log, bounds=(1e-6, 200), method="bounded", options={"xatol": 1e-9})
        assert out.values[y, x] == pytest.approx(best.x * times.sum(), rel=1e-4)
        assert out.weight[y, x] == pytest.approx(times[use].sum() / times.sum(), rel=1e-6)


@pytest.mark.parametrize("read_noise", [0.0, 2.0, 8.0])
@pytest.mark.parametrize("usable", [(True, True), (True, False)])
def test_variance_is_as_stated(rng, read_noise, usable):
    """Over 40,000 seeds; a variance is then known to sqrt(2/40000) = 0.7 %."""
    times, rate, n = np.array([1.0, 10.0]), 6.0, 40000
    counts = rng.poisson(rate * times[:, None, None], (2, 1, n)) + read_noise * rng.standard_normal((2, 1, n))
    use = np.broadcast_to(np.array(usable)[:, None, None], counts.shape)
    expected = np.full((1, n), rate)
    out = merge_exposures(counts, times, use, 11.0, read_noise=read_noise, expected_rate=expected)
    stated = rate * 11 / out.weight[0, 0] + out.read_variance[0, 0]
    assert out.values.mean() == pytest.approx(rate * 11, abs=4 * math.sqrt(stated / n))
    assert out.values.var() == pytest.approx(stated, rel=0.03)


def test_read_noise_weights_are_the_best_ones():
    """Any other pair of weights gives a larger variance (scipy minimises over the ratio)."""
    times, rate, noise = np.array([1.0, 20.0]), 0.3, 3.0
    out = merge_exposures(np.zeros((2, 1, 1)), times, None, 21.0, read_noise=noise, expected_rate=np.full((1, 1), rate))
    stated = rate * 21 / out.weight[0, 0] + out.read_variance[0, 0]

    def variance(log_ratio):
        a = np.array([math.exp(log_ratio), 1.0])
        return 21**2 * (a**2 * (rate * times + noise**2)).sum() / (a * times).sum() ** 2

    assert stated == pytest.approx(optimize.minimize_scalar(variance).fun, rel=1e-5)
    assert stated < 0.75 * variance(0.0)  # the plain sum would be much worse


def test_own_counts_as_weights_hardly_bias(rng):
    times, n = np.array([1.0, 10.0]), 40000
    for rate in (0.05, 0.5, 5.0):
        counts = rng.poisson(rate * times[:, None, None], (2, 1, n)) + 2 * rng.standard_normal((2, 1, n))
        out = merge_exposures(counts, times, None, 11.0, read_noise=2.0)
        error = out.values.std() / math.sqrt(n)
        assert abs(out.values.mean() - 11 * rate) < 0.02 * 11 * rate + 0.2 + 4 * error


def test_nothing_usable_has_no_weight():
    out = merge_exposures(np.full((2, 2, 2), np.inf), np.array([1.0, 2.0]), np.zeros((2, 2, 2), bool), 3.0)
    assert not out.values.any()
    assert not out.weight.any()


@pytest.mark.parametrize("order", ["pairs", "passes"])
def test_recorded_exposures_are_grouped(rng, order):
    xy = places(40)
    if order == "pairs":
        positions, times = np.repeat(xy, 2, axis=0), np.tile([0.1, 1.0], 40)
    else:
        positions, times = np.concatenate([xy, xy]), np.repeat([0.1, 1.0], 40)
    positions = positions + rng.normal(0, 0.3e-9, positions.shape)
    groups = group_exposures(positions, times * rng.normal(1, 1e-3, 80), np.ones(80))
    want = [[2 * k, 2 * k + 1] if order == "pairs" else [k, k + 40] for k in range(40)]
    assert [g.tolist() for g in groups.members] == want
    assert groups.total == pytest.approx(1.1, rel=0.01)
    assert not groups.guess
    assert not groups.findings


def test_incomplete_groups_are_named():
    positions, times = np.repeat(places(10), 2, axis=0)[:-1], np.tile([0.1, 1.0], 10)[:-1]
    groups = group_exposures(positions, times, np.ones(19))
    assert groups.total == pytest.approx(1.1)
    assert [f.code for f in groups.findings] == ["exposures-incomplete"]
    assert "1 of 10" in groups.findings[0].text


def test_one_exposure_needs_no_merging(rng):
    assert group_exposures(places(20), np.full(20, 0.5), np.ones(20)) is None
    # different exposures at different places have nothing to merge
    assert group_exposures(places(20), np.tile([0.1, 1.0], 10), np.ones(20)) is None


@pytest.mark.parametrize("ratio", [2.0, 10.0, 100.0])
def test_exposures_are_told_from_the_totals(rng, ratio):
    sample = np.repeat(rng.uniform(0.6, 1.0, 60), 2)  # transmission at each place
    totals = rng.poisson(2e4 * sample * np.tile([1.0, ratio], 60)).astype(float)
    groups = group_exposures(np.repeat(places(60), 2, axis=0), None, totals)
    assert groups.guess
    assert groups.ratio == pytest.approx(ratio, abs=4 * groups.ratio_error)
    assert groups.ratio_error < 0.01 * ratio
    np.testing.assert_allclose(groups.times, np.tile([1.0, groups.ratio], 60))
    assert {f.code for f in groups.findings} == {"exposures-guessed"}


def test_interleaved_exposures_at_different_places_are_told_too(rng):
    totals = 2e4 * rng.uniform(0.8, 1.0, 80) * np.tile([1.0, 8.0], 40)
    groups = group_exposures(places(80), None, totals)
    assert len(groups.members) == 80
    assert groups.ratio == pytest.approx(8.0, abs=4 * groups.ratio_error)


def test_an_object_is_not_taken_for_exposures(rng):
    edge = np.where(places(200)[:, 0] > 0, 1.0, 0.2) * rng.uniform(0.9, 1, 200)  # thick on one side
    assert group_exposures(places(200), None, 1e5 * edge) is None
    assert group_exposures(places(200), None, 1e5 * rng.uniform(0.2, 1, 200)) is None


def test_the_ratio_has_an_honest_error(rng):
    pulls = []
    for _ in range(300):
        light = rng.uniform(500, 1500, 50)
        ratio, error = fit_ratio(rng.poisson(7 * light).astype(float), rng.poisson(light).astype(float))
        pulls.append((ratio - 7) / error)
    # 300 pulls: their rms is known to 4 %
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1, abs=0.15)


def test_bad_exposures_are_refused():
    with pytest.raises(InputError, match="positive numbers"):
        group_exposures(places(4), np.array([1.0, 0.0, 1.0, 1.0]), np.ones(4))


@pytest.mark.parametrize("read_noise_e", [0.0, 5.0, 30.0])
def test_high_dynamic_range_of_a_simulated_detector(rng, read_noise_e):
    y, x = np.indices((48, 48)) - 24
    expected = np.broadcast_to(1500 / (1 + (np.hypot(y, x) / 3) ** 3), (60, 48, 48))
    model = DetectorModel(
        counts_per_photon=20.0, read_noise_e=read_noise_e, full_well_e=80000.0, dark_level=100.0, adc_top=65535
    )
    times = np.tile([0.1, 1.0], 30)
    shot = model.expose(expected, rng, exposures_s=times)
    assert shot.truth.saturated[1::2, 24, 24].all()
    photons = (shot.frames.astype(np.float32) - 100) / 20
    groups = group_exposures(np.repeat(places(30), 2, axis=0), times, photons.sum(axis=(1, 2)))
    noise = read_noise_e / model.electrons_per_photon
    mean, squares = np.zeros((48, 48)), np.zeros((48, 48))
    for g in groups.members:
        rate = expected[0]
        out = merge_exposures(
            photons[g], times[g], ~shot.truth.saturated[g], groups.total, read_noise=noise, expected_rate=rate
        )
        mean += out.values
        error = np.sqrt(1.1 * rate / out.weight + out.read_variance + 1 / 12 / 400)
        squares += ((out.values - 1.1 * rate) / error) ** 2
    # 30 x 2304 squared normal values: known to sqrt(2/69120) = 0.5 %
    assert squares.mean() / 30 == pytest.approx(1, abs=0.03)
    # 55,000 of the photons rest on the short exposure: sqrt(55000 · 11 / 30) = 142; four times that
    assert mean.sum() / 30 == pytest.approx(1.1 * expected[0].sum(), abs=570)
    # the ratio from pixels that never come near the limit
    usable = np.broadcast_to(photons[1::2].max(axis=0) < 300, photons[::2].shape)
    ratio, error = fit_ratio(*joint_sums(photons[1::2], photons[::2], usable))
    assert ratio == pytest.approx(10, abs=4 * error)
    assert error < 0.1
