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


@pytest.mark.parametrize(("photons", "noise_e"), [(1e5, 10), (1e6, 5), (1e7, 1)])
def test_precision_and_recall_at_three_noise_levels(patterns, photons, noise_e):
    # converter far away: among saturated pixels a stuck one is not to be told
    model = dirty_detector(read_noise_e=noise_e, adc_top=(1 << 32) - 1, dead=300, hot=60, warm=30)
    record = model.expose(patterns * photons, np.random.default_rng(1), dark_frames=20)
    found, truth = find_bad_pixels(in_parts(record.frames), statistics(record.darks)), record.truth
    # hot, flickering and stuck pixels are in the darks; dead ones can be told where `lit` says so
    known = truth.hot | truth.warm | truth.stuck | (truth.dead & found.lit)
    assert (truth.dead & found.lit).sum() >= 4
    assert (found.combined & ~truth.good).sum() >= 0.99 * found.combined.sum()
    assert (found.combined & known).sum() >= 0.99 * known.sum()


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
