"""Back-lash of simulated stages: the displacement put into the true positions is the truth."""

from __future__ import annotations

import functools

import numpy as np
import pytest
import scipy.stats

from scans import scenario as scenarios
from scans.backlash import _minus_log_likelihood, estimate_backlash, move_directions
from scans.optics import zone_plate_probe
from scans.simulation import simulate
from scans.trajectories import raster

STEP_M, SIDE = 120e-9, 12


def snake(n=SIDE, step_m=STEP_M):
    """Rows in turn towards +x and -x."""
    rows = raster(((n - 1) * step_m,) * 2, step_m).reshape(n, n, 2)
    rows[1::2] = rows[1::2, ::-1]
    return rows.reshape(-1, 2)


def true_positions(recorded_m, backlash_m):
    """Half of the back-lash behind or ahead; worked out here frame by frame, not by the code under test."""
    out, way = recorded_m.copy(), np.zeros(2)
    ways = []
    for j in range(len(recorded_m)):
        if j:
            move = recorded_m[j] - recorded_m[j - 1]
            way = np.where(np.abs(move) > 1e-12, np.sign(move), way)
        ways.append(way.copy())
    ways = np.array(ways)
    for axis in range(2):
        first = np.flatnonzero(ways[:, axis])
        ways[: first[0], axis] = ways[first[0], axis]
    return out + 0.5 * ways * np.asarray(backlash_m)


def record(specimen, backlash_m, photons=1e6, seed=0, recorded=None):
    """Totals and centres of mass of simulated frames, and the recorded positions."""
    recorded = snake() if recorded is None else recorded
    true = true_positions(recorded, backlash_m)
    chosen = scenarios.scenario(
        specimen, photons_per_frame=photons, seed=seed, specimen_seed=seed + 1, frame_px=64, n_frames=len(true)
    )
    probe = zone_plate_probe(
        (chosen.frame_px * chosen.oversampling,) * 2,
        chosen.pixel_m,
        chosen.geometry.wavelength_m,
        chosen.zone_plate,
        chosen.defocus_m,
    )
    scan, _ = simulate(chosen.sample(true), probe, true, chosen.geometry, chosen.measurement(), seed=seed)
    counts = np.asarray(scan.frames[:], dtype=np.float64)
    total = counts.sum(axis=(1, 2))
    y, x = np.indices(counts.shape[1:])
    return recorded, np.stack([total, (counts * y).sum((1, 2)) / total, (counts * x).sum((1, 2)) / total])


@functools.cache
def estimated(specimen, backlash_x_m):
    """One snake scan and its estimate, made once for all tests."""
    recorded, signals = record(specimen, (0, backlash_x_m))
    return recorded, estimate_backlash(recorded, signals)


# 1e6 photons a frame; measured: -28.7, -22.2, -23.6 nm with errors 5.6, 5.0, 6.5 nm
@pytest.mark.parametrize("specimen", ["catalyst", "testchart", "weak"])
def test_a_known_backlash_is_found(specimen):
    _, found = estimated(specimen, -25e-9)
    assert found.distance_m[0] is None  # rows follow each other one way only
    assert found.error_m[1] < 10e-9
    assert abs(found.distance_m[1] + 25e-9) < min(2 * found.error_m[1], 10e-9)
    assert found.significant
    assert "nm along x" in str(found)
    assert "along y" not in str(found)


def test_the_other_axis_and_the_other_sign():
    found = estimate_backlash(*record("testchart", (25e-9, 0), recorded=snake()[:, ::-1].copy()))
    assert found.distance_m[1] is None
    assert abs(found.distance_m[0] - 25e-9) < 10e-9


def test_correction_brings_positions_back():
    recorded, found = estimated("testchart", -25e-9)
    true = true_positions(recorded, (0, -25e-9))
    # what is left of 12.5 nm either way, a common shift apart
    left = found.corrected(recorded) - true
    left -= left.mean(axis=0)
    assert np.abs(left).max() < 4e-9


@pytest.mark.parametrize("specimen", ["catalyst", "weak"])
def test_none_is_not_claimed(specimen):
    _, found = estimated(specimen, 0.0)
    assert not found.significant
    assert abs(found.distance_m[1]) < 2 * found.error_m[1]
    assert "not significant" in str(found)


def test_what_cannot_be_told_is_none():
    rng = np.random.default_rng(0)
    one_way = raster(((SIDE - 1) * STEP_M,) * 2, STEP_M)
    smooth = np.sin(one_way / 300e-9).sum(axis=1)
    assert estimate_backlash(one_way[:SIDE], smooth[None, :SIDE]) is None  # a single line, one way
    assert estimate_backlash(snake(), rng.normal(size=(3, SIDE * SIDE))) is None  # nothing but noise
    assert estimate_backlash(snake(), np.ones((1, SIDE * SIDE))) is None  # nothing at all
    assert estimate_backlash(snake(), np.full((1, SIDE * SIDE), np.nan)) is None
    assert estimate_backlash(np.zeros((50, 2)), rng.normal(size=(1, 50))) is None  # no movement


def test_a_smooth_map_gives_it_almost_exactly():
    # analytic case: a plane wave of the true position, without noise; period 10 steps
    true = true_positions(snake(), (0, 40e-9))
    k = 2 * np.pi / 1.2e-6
    signals = np.stack([np.cos(k * (true[:, 1] + 0.3 * true[:, 0])), np.sin(k * (true[:, 0] - true[:, 1]))])
    found = estimate_backlash(snake(), signals)
    assert abs(found.distance_m[1] - 40e-9) < 1.5e-9  # measured 0.7 nm


def test_directions_by_hand():
    x = np.array([0.0, 1, 2, 3, 3, 2, 1, 0, 0, 1]) * 1e-7
    y = np.array([0.0, 0, 0, 0, 1, 1, 1, 1, 2, 2]) * 1e-7
    ways = move_directions(np.stack([y, x], axis=1))
    # the frame after the turn has not moved along x yet: still the old way
    np.testing.assert_array_equal(ways[:, 1], [1, 1, 1, 1, 1, -1, -1, -1, -1, 1])
    np.testing.assert_array_equal(ways[:, 0], np.ones(10))


def test_likelihood_against_a_reference_library(rng):
    # scipy.stats.multivariate_normal with the same covariance; the Matern 5/2 kernel written out pair by pair
    positions, ways = rng.normal(size=(20, 2)) * 3, rng.choice([-1, 1], size=(20, 2)).astype(np.int8)
    maps, shifts, length, noise = rng.normal(size=(2, 20)), np.array([0.3, -0.2]), 1.7, 0.05
    moved = positions + ways * shifts / 2
    kernel = np.eye(20) * noise
    for i in range(20):
        for j in range(20):
            r = np.sqrt(5) * np.hypot(*(moved[i] - moved[j])) / length
            kernel[i, j] += (1 + r + r**2 / 3) * np.exp(-r)
    expected = 0.0
    for channel in maps:
        amplitude = channel @ np.linalg.solve(kernel, channel) / 20
        expected -= scipy.stats.multivariate_normal(np.zeros(20), amplitude * kernel).logpdf(channel)
    ours = _minus_log_likelihood((positions, ways, maps), shifts, np.log(length), np.log(noise))
    # constants left out: n/2 (1 + ln 2 pi) for each channel
    assert ours + 2 * 10 * (1 + np.log(2 * np.pi)) == pytest.approx(expected, rel=1e-10)
