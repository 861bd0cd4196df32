"""Bad pixels against the truth of a simulated detector, and on patterns that only look like faults."""

from __future__ import annotations

import numpy as np
import pytest

from scans.bad_pixels import find_bad_pixels
from scans.detector_model import DetectorModel, dirty_detector
from scans.errors import InputError
from scans.pixel_statistics import PixelStatistics
from scans.scenario import build


@pytest.fixture(scope="module")
def patterns():
    """Expected photons of a scan, for one photon a frame: ``(J, h, w)``, from the project's own simulation."""
    scan, _ = build("catalyst", poisson=False, n_frames=120)
    frames = scan.frames[slice(0, 120)].astype(float)
    return frames / frames.sum(axis=(1, 2)).mean()


def statistics(*blocks):
    found = PixelStatistics()
    for block in blocks:
        found.add(block)
    return found


def in_parts(frames):
    """The frames as blocks of unequal size."""
    return statistics(frames[:7], frames[7], frames[8:])


def knowable(expected, truth):
    """Where a dead pixel can be told, from the truth alone ``(h, w)``.

    200 photons of a healthy pixel in the whole scan (14 standard errors, Poisson law), spread over at least ten
    independent values: (sum)² / sum of squares, photon noise included. Read noise is far below at this gain.
    """
    light = truth.flux[:, None, None] * (expected + truth.scatter)
    return (light.sum(0) >= 200) & (light.sum(0) ** 2 / (light**2 + light).sum(0) >= 10)


@pytest.fixture(scope="module")
def held_out():
    """A scan that the rules were not set on; pixels of twice the width halve the speckles' size in pixels."""
    scan, _ = build("testchart", poisson=False, n_frames=100, centre_offset_y_px=6.3, centre_offset_x_px=-4.4)
    frames = scan.frames[slice(0, 100)].astype(float)
    frames = frames / frames.sum(axis=(1, 2)).mean()
    return {"as it is": frames, "fine speckle": frames.reshape(100, 48, 2, 48, 2).sum(axis=(2, 4))}


@pytest.mark.parametrize("speckle", ["as it is", "fine speckle"])
@pytest.mark.parametrize(("photons", "noise_e"), [(1e5, 10), (1e6, 5), (1e7, 1)])
def test_precision_and_recall_at_three_noise_levels(held_out, photons, noise_e, speckle):
    # precision of all that is rejected, recall of all that can be known, against the simulated truth: 99 %
    expected = held_out[speckle] * photons
    n = 10 if speckle == "fine speckle" else 40
    model = dirty_detector(read_noise_e=noise_e, adc_top=(1 << 32) - 1, dead=3 * n, hot=n, warm=n // 2, stuck=n // 4)
    hit = known_hit = total = known_total = dead = 0
    for seed in range(2):
        record = model.expose(expected, np.random.default_rng(900 + seed), dark_frames=20)
        found, truth = find_bad_pixels(in_parts(record.frames), statistics(record.darks)), record.truth
        known = truth.hot | truth.warm | truth.stuck | (truth.dead & knowable(expected, truth))
        hit += (found.combined & ~truth.good).sum()
        total += found.combined.sum()
        known_hit += (found.combined & known).sum()
        known_total += known.sum()
        dead += (truth.dead & knowable(expected, truth)).sum()
    assert dead >= 5  # the check means something
    assert hit >= 0.99 * total
    assert known_hit >= 0.99 * known_total


def test_a_dead_column_across_the_beam_is_found_whole(held_out):
    expected = held_out["as it is"] * 1e6
    for seed in range(1):
        record = dirty_detector(dead_columns=4).expose(expected, np.random.default_rng(seed), dark_frames=20)
        found, truth = find_bad_pixels(statistics(record.frames), statistics(record.darks)), record.truth
        known = truth.dead_columns & knowable(expected, truth)
        assert not (known & ~found.combined).any()
        assert not (found.lines & ~truth.dead_columns).any()


def test_weak_pixels_in_even_light_are_found(rng):
    # uniform light of 3000 photons: a response of 0.15 to 0.6 is 20 standard errors below 1 (Poisson law)
    record = DetectorModel(weak=30, read_noise_e=3).expose(np.full((100, 64, 64), 30.0), rng, dark_frames=10)
    found, truth = find_bad_pixels(statistics(record.frames), statistics(record.darks)), record.truth
    assert (found.combined & truth.weak).sum() >= 0.9 * truth.weak.sum()
    assert not (found.combined & truth.good).any()


def test_dead_column_and_dead_pixels_of_a_flat_field(rng):
    # a uniform field has no structure: every pixel is known, Poisson counts (analytic case)
    model = DetectorModel(dead=20, dead_columns=2, hot=10, hot_e=2000, stuck=6, weak=20, dark_level=50)
    record = model.expose(np.full((100, 64, 64), 30.0), rng, dark_frames=10)
    found, truth = find_bad_pixels(in_parts(record.frames), statistics(record.darks)), record.truth
    assert np.array_equal(found.lines, truth.dead_columns)
    # the weakest of the weak pixels pass for dead
    assert found.dead[truth.dead].all()
    assert not (found.dead & ~truth.dead & ~truth.weak).any()
    assert found.combined[truth.stuck | truth.hot].all()
    assert found.hot[truth.hot].all()
    assert ((found.weak | found.dead) & truth.weak).sum() >= 0.6 * truth.weak.sum()
    assert not (found.combined & truth.good).any()
    assert "dead" in str(found)
    assert found.counts["dead"] >= 20
    # one that has two faults on each side of a line may stay unknown
    assert found.lit[~found.combined | found.dead].mean() > 0.99


def test_transposed_frames_give_dead_rows(rng):
    record = DetectorModel(dead_columns=1).expose(np.full((60, 48, 48), 20.0), rng)
    found = find_bad_pixels(statistics(record.frames.swapaxes(1, 2)))
    assert np.array_equal(found.lines, record.truth.dead_columns.T)


def test_beamstop_and_speckle_are_no_faults(patterns, rng):
    model = DetectorModel(beamstop_px=9, beamstop_transmission=0.002)
    wire = np.ones(patterns.shape[1:])
    wire[:48, 47:50] = 0  # a holder three pixels wide
    record = model.expose(patterns * wire * 1e6, rng)
    assert not find_bad_pixels(statistics(record.frames)).combined.any()


def test_noise_free_patterns_have_no_faults(patterns):
    assert not find_bad_pixels(statistics(patterns.astype(np.float32) * 1e6)).combined.any()


def test_cosmic_rays_make_no_bad_pixels(patterns, rng):
    model = dirty_detector(hot=0, warm=0, dead=0, stuck=0, weak=0, dead_columns=0, cosmic_rays=1.0)
    record = model.expose(patterns * 1e6, rng, dark_frames=20)
    assert record.truth.spikes.sum() > 200
    assert not find_bad_pixels(statistics(record.frames), statistics(record.darks)).combined.any()


def test_without_darks_nothing_good_is_rejected(patterns):
    record = dirty_detector().expose(patterns * 1e6, np.random.default_rng(3))
    found, truth = find_bad_pixels(statistics(record.frames)), record.truth
    assert not (found.combined & truth.good).any()
    faint = patterns.mean(0) * 1e6 < 1  # a hot pixel in the beam cannot be told without darks
    faults = (truth.hot | truth.warm) & faint
    assert (found.combined & faults).sum() >= 0.9 * faults.sum()


def test_known_bad_pixels_are_not_reported_again(rng):
    record = DetectorModel(dead=10).expose(np.full((50, 40, 40), 20.0), rng)
    found = find_bad_pixels(statistics(record.frames), good=~record.truth.dead)
    assert not found.combined.any()


def test_statistics_equal_numpy(rng):
    # reference: NumPy over the whole stack
    frames = rng.normal(1e6, 3, (50, 9, 11))
    found = in_parts(frames)
    mean, variance, largest = found.trimmed()
    kept = np.sort(frames, axis=0)[:-4]
    np.testing.assert_allclose(mean, kept.mean(0), rtol=1e-12)
    np.testing.assert_allclose(variance, kept.var(0, ddof=1), rtol=1e-8)
    np.testing.assert_array_equal(found.maximum, frames.max(0))
    np.testing.assert_array_equal(found.minimum, frames.min(0))
    np.testing.assert_allclose(largest, np.sort(frames, axis=0)[-4], rtol=1e-12)
    assert found.n == 50


def test_dropped_frames_and_values_that_are_not_finite_do_no_harm(rng):
    frames = rng.poisson(20, (40, 32, 32)).astype(float)
    frames[3] = 0
    frames[5, 4, 4] = np.nan
    found = statistics(frames)
    assert found.n == 39
    assert np.isfinite(found.trimmed()[1]).all()
    assert not find_bad_pixels(found).combined.any()


def test_dark_frames_of_zeros_say_nothing(rng):
    record = DetectorModel(dead=10).expose(np.full((50, 40, 40), 20.0), rng, dark_frames=4)
    found = find_bad_pixels(statistics(record.frames), statistics(record.darks))
    assert np.array_equal(found.dead, record.truth.dead)


@pytest.mark.parametrize("case", ["few frames", "dark shape", "mask shape"])
def test_what_does_not_fit_is_an_error(rng, case):
    light, dark, good = statistics(rng.poisson(9, (20, 16, 16))), None, None
    if case == "few frames":
        light = statistics(rng.poisson(9, (7, 16, 16)))
    elif case == "dark shape":
        dark = statistics(rng.poisson(9, (4, 16, 12)))
    else:
        good = np.ones((8, 8), bool)
    with pytest.raises(InputError, match="bad pixels"):
        find_bad_pixels(light, dark, good)
