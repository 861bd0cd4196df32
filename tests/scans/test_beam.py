"""Centre and drift of the beam, against simulated scans whose beam is where we put it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, optimize

from scans.beam import BLUR_PX, REACH, BeamDisc, beam_drift, find_beam, follow_beam, symmetry_centre
from scans.detector import Readout, Sections
from scans.scan import Orientation
from scans.scenario import build
from scans.window import beam_centre

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


def ring(centre, radius=20.0, size=128, photons=300.0):
    """Bright ring of a stopped zone plate and fading scatter around it."""
    y, x = np.indices((size, size))
    r = np.hypot(y - centre[0], x - centre[1])
    return photons * np.clip(radius - r + 0.5, 0, 1) * np.clip(r - 0.4 * radius + 0.5, 0, 1) + 20 / (
        1 + (r / radius) ** 3
    )


def brute_force(pattern, start, radius):
    """The same sum over pairs, each point by scipy's general interpolation, minimised from `start`."""
    smooth = ndimage.gaussian_filter(np.sqrt(pattern), BLUR_PX)
    k = np.indices((101, 101)).reshape(2, -1) - 50.0
    k = k[:, np.hypot(*k) <= REACH * radius]

    def misfit(c):
        there, back = (ndimage.map_coordinates(smooth, c[:, None] + s * k, order=3) for s in (1, -1))
        return ((there - back) ** 2).mean()

    return optimize.minimize(misfit, start, method="Nelder-Mead", options={"xatol": 1e-6, "fatol": math.inf}).x


def test_the_centre_is_that_of_a_brute_force_search(rng):
    pattern = rng.poisson(ring((60.3, 66.8))).astype(float)
    found = symmetry_centre(pattern, np.ones(pattern.shape, bool), (61.5, 65.0), 20.0)
    # the search ends within 2e-4 pixels
    np.testing.assert_allclose(found, brute_force(pattern, (60.0, 67.0), 20.0), atol=1e-3)
    assert math.dist(found, (60.3, 66.8)) < 0.05


@pytest.mark.parametrize("name", ["catalyst", "weak"])
def test_two_dead_pixels_a_dead_column_or_a_gap_leave_it_where_it_is(name):
    frames, true = pattern_of(name, (3.3, -7.8), 1e6)
    mean, (y, x) = frames.mean(axis=0), (round(c) for c in true)
    whole = find_beam(mean, np.ones(mean.shape, bool)).centre
    for k in (-15, -12, -3, 4, 13):
        for rows, columns in (
            (y + 6, slice(x + k, x + k + 2)),
            (slice(None), x + k),
            (slice(None), slice(x + k, x + k + 4)),
            (slice(y + k, y + k + 2), slice(None)),
        ):
            good = np.ones(mean.shape, bool)
            good[rows, columns] = False
            # the largest move over all places was 0.033
            assert math.dist(find_beam(np.where(good, mean, 0), good).centre, whole) < 0.05


@pytest.mark.parametrize("counts", [0.01, 0.5, 1.0, 5.0, 1000.0])
@pytest.mark.parametrize("size", [32, 128])
def test_even_light_and_noise_are_no_beam(rng, counts, size):
    good = np.ones((size, size), bool)
    assert find_beam(rng.poisson(counts, good.shape) / 40, good) is None
    assert find_beam(rng.normal(counts, 1.0, good.shape), good) is None


def test_a_beam_is_followed_further_than_a_search_reaches(rng):
    true = [(52.3 + 2.4 * t, 67.6 - 1.0 * t) for t in range(12)]  # by more than two radii in all
    parts = [rng.poisson(ring(c, radius=12.0)).astype(float) for c in true]
    good = rng.random((128, 128)) > 0.005
    parts[4][:] = 0
    found = follow_beam(parts, good, BeamDisc((65.0, 62.0), 24.0))
    assert found[4] is None
    assert max(math.dist(c, t) for c, t in zip(found, true, strict=True) if c) < LIMIT_PX


@pytest.mark.parametrize(("top", "doubted"), [(1e9, False), (150.0, True)])
def test_the_centre_of_a_saturated_disc_is_doubted(rng, top, doubted):
    scan, _ = build("catalyst", n_frames=2, frame_px=128)
    scan, means = replace(scan, beam_centre_px=None), np.minimum(rng.poisson(ring((60.3, 66.8)), (8, 128, 128)), top)
    sections = Sections(means.astype(np.float32), np.arange(8.0), 8)
    readout = Readout(np.ones((128, 128), bool), Orientation(), limit=top, sections=sections)
    centre, _, findings = beam_centre(scan, readout, None)
    assert math.dist(centre, (60.3, 66.8)) < LIMIT_PX
    assert ("centre-saturated" in {f.code for f in findings}) == doubted


def test_frames_without_a_beam_have_their_centre_guessed_and_say_so(rng):
    scan, _ = build("catalyst", n_frames=2, frame_px=128)
    means = rng.poisson(3.0, (8, 128, 128)).astype(np.float32)
    readout = Readout(np.ones((128, 128), bool), Orientation(), sections=Sections(means, np.arange(8.0), 8))
    _, _, findings = beam_centre(replace(scan, beam_centre_px=None), readout, None)
    assert [(f.level, f.code) for f in findings] == [("caution", "centre-guessed")]
    assert "shows no beam" in findings[0].text
