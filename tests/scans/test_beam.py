"""Centre and drift of the beam, against simulated scans whose beam is where we put it."""

import math

import numpy as np
import pytest

from scans.beam import beam_drift, find_beam, symmetry_centre
from scans.scenario import build

# Asked for is 0.2; the largest error over these cases was 0.05.
LIMIT_PX = 0.1


def pattern_of(name, offset, photons, **more):
    scan, _ = build(
        name,
        centre_offset_y_px=offset[0],
        centre_offset_x_px=offset[1],
        n_frames=60,
        photons_per_frame=photons,
        **more,
    )
    return np.asarray(scan.frames).astype(float), scan.beam_centre_px


@pytest.mark.parametrize("name", ["catalyst", "testchart", "weak"])
@pytest.mark.parametrize(("photons", "offset"), [(1e5, (3.3, -7.8)), (1e6, (-0.45, 0.27)), (1e7, (9.5, 4.9))])
def test_centre_at_three_noise_levels(name, photons, offset):
    frames, true = pattern_of(name, offset, photons)
    found = find_beam(frames.mean(axis=0), np.ones(frames.shape[1:], bool))
    assert math.dist(found.centre, true) < LIMIT_PX


def test_dead_columns_gaps_and_hot_pixels_do_not_pull_it(rng):
    frames, true = pattern_of("catalyst", (2.4, -3.3), 1e6)
    mean = frames.mean(axis=0)
    good = np.ones(mean.shape, bool)
    good[:, 43] = False
    good[60:64, :] = False
    good &= rng.random(good.shape) > 0.02
    spoiled = np.where(good, mean, 0)
    assert math.dist(find_beam(spoiled, good).centre, true) < LIMIT_PX
    hot = mean.copy()
    hot[rng.integers(0, 96, 12), rng.integers(0, 96, 12)] = 50 * mean.max()
    assert math.dist(find_beam(hot, np.ones(mean.shape, bool)).centre, true) < LIMIT_PX


def test_a_beam_that_the_frame_cuts_off():
    frames, true = pattern_of("catalyst", (38.4, 2.2), 1e6)
    found = find_beam(frames.mean(axis=0), np.ones(frames.shape[1:], bool))
    assert math.dist(found.centre, true) < 0.2


def test_no_counts_no_beam():
    assert find_beam(np.zeros((32, 32)), np.ones((32, 32), bool)) is None


def test_a_picture_without_symmetry_keeps_the_start(rng):
    noise = rng.random((32, 32))
    good = np.zeros((32, 32), bool)
    assert symmetry_centre(noise, good, (15.0, 16.0), 8.0) == (15.0, 16.0)


def test_drift_is_a_line_where_it_is_beyond_its_error(rng):
    at = np.arange(20.0) * 50 + 25
    still = rng.normal(0, 0.05, (20, 2))
    found = beam_drift(still, at, 1000)
    assert found.range_px == (0.0, 0.0)
    assert not found.centre_px.any()
    moved = still + np.stack([at * 0.002, 0 * at], axis=1)
    found = beam_drift(moved, at, 1000)
    # slope error: σ/√Σ(t-t̄)² = 0.05 / 7.4e3 a frame, times 1000 frames: 0.04 px... at four sigma 0.15
    assert found.range_px[0] == pytest.approx(2.0, abs=0.15)
    assert found.range_px[1] == 0
    assert found.error_px == pytest.approx(0.05, rel=0.6)
    assert abs(found.centre_px.mean()) < 0.01
