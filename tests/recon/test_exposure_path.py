"""Where the probe passes during exposures: raster lines with turns, spirals, gaps, and the stage's own readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import scans
from recon.exposure_path import FEWEST, MOST, exposure_path, jumps, moves_a_frame
from scans import scenario
from scans.prepared import PreparedScan

STEP_M = 100e-9


@pytest.fixture(scope="module")
def prepared() -> PreparedScan:
    return scans.prepare(scenario.build("catalyst", n_frames=40, frame_px=48)[0])


def at(prepared: PreparedScan, positions_m: np.ndarray, readings_m: np.ndarray | None = None) -> PreparedScan:
    n = len(positions_m)
    part = prepared.part(slice(0, n))
    return replace(
        part, positions_m=positions_m, frame_index=np.arange(n), scan=replace(part.scan, readings_m=readings_m)
    )


def snake(lines: int, points: int) -> np.ndarray:
    x = np.arange(points) * STEP_M
    return np.array([(k * STEP_M, value) for k in range(lines) for value in (x if k % 2 == 0 else x[::-1])])


def test_a_stage_that_turns_at_the_end_of_a_line_still_moved_along_it():
    # a snake of unit speed along its lines: known everywhere
    moves = moves_a_frame(snake(4, 6), np.arange(24))
    along = np.concatenate([np.full(6, sign) for sign in (1, -1, 1, -1)]) * STEP_M
    np.testing.assert_allclose(moves[:, 1], along, rtol=1e-9)
    np.testing.assert_allclose(moves[:, 0], 0, atol=1e-20)


def test_a_line_that_always_starts_on_the_same_side_flies_back_between_exposures():
    x = np.arange(6) * STEP_M
    positions = np.array([(k * STEP_M, value) for k in range(4) for value in x])
    moves = moves_a_frame(positions, np.arange(24))
    np.testing.assert_allclose(moves[:, 1], STEP_M, rtol=1e-9)


def test_on_a_curve_the_move_is_the_mean_of_those_before_and_after():
    # the central difference of a circle of radius r: 2 r sin(dφ) / 2 along the tangent
    angle = 2 * np.pi * np.arange(40) / 20
    positions = 1e-6 * np.stack([np.sin(angle), np.cos(angle)], axis=1)
    moves = moves_a_frame(positions, np.arange(40))[1:-1]
    tangent = np.stack([np.cos(angle), -np.sin(angle)], axis=1)[1:-1]
    np.testing.assert_allclose(moves, 1e-6 * np.sin(2 * np.pi / 20) * tangent, atol=1e-15)


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [("raster", False), ("snake", False), ("concentric_rings", False), ("fermat_spiral", True), ("a walk", False)],
)
def test_a_stage_that_goes_to_frames_far_away_jumps(pattern, expected):
    # the points of a Fermat spiral in their own order lie a golden angle apart (Vogel, Math. Biosci. 44 (1979) 179,
    # from memory); in an order in which each is followed by the nearest that is left a stage may go on
    name = "fermat_spiral" if pattern == "a walk" else pattern
    if name == "snake":
        positions = snake(8, 8)
    else:
        positions = scenario.scenario("catalyst", n_frames=64, trajectory=name).positions_m()
    if pattern == "a walk":
        left, order = list(range(1, len(positions))), [0]
        while left:
            order.append(min(left, key=lambda k: np.hypot(*(positions[k] - positions[order[-1]]))))
            left.remove(order[-1])
        positions = positions[order]
    scan = scenario.build("catalyst", n_frames=len(positions), frame_px=32)[0]
    made = at(scans.prepare(scan), positions)
    assert jumps(made) == expected
    # the stage's own readings tell more than the order
    assert not jumps(at(made, positions, np.zeros((len(positions), 2, 2))))


def test_a_jump_from_ring_to_ring_is_no_way():
    # rings of 6k points: within a ring the chord's mean is known, 2 r sin(dφ/2) cos(dφ/2); jumps are four times as long
    rings = [(k, 2 * np.pi * np.arange(6 * k) / (6 * k)) for k in range(2, 6)]
    positions = 4e-7 * np.concatenate([k * np.stack([np.sin(a), np.cos(a)], axis=1) for k, a in rings])
    positions += np.repeat(1e-6 * np.arange(4), [len(a) for _, a in rings])[:, None]
    lengths = np.hypot(*moves_a_frame(positions, np.arange(len(positions))).T)
    usual = np.median(np.hypot(*np.diff(positions, axis=0).T))
    assert np.hypot(*np.diff(positions, axis=0).T).max() > 2.5 * usual
    np.testing.assert_allclose(lengths, usual, rtol=0.1)
    # a frame between two jumps has a way of two usual steps at most
    lone = np.insert(positions, 5, [1e-4, 1e-4], axis=0)
    assert np.hypot(*moves_a_frame(lone, np.arange(len(lone))).T).max() < 2.001 * usual


def test_missing_frames_do_not_lengthen_the_way():
    index = np.array([0, 1, 2, 5, 6, 7])
    moves = moves_a_frame(index[:, None] * np.array([[0.0, STEP_M]]), index)
    np.testing.assert_allclose(moves[:, 1], STEP_M, rtol=1e-9)
    assert moves_a_frame(np.zeros((1, 2)), np.zeros(1, int)).shape == (1, 2)


def test_points_lie_evenly_about_the_position(prepared):
    path = exposure_path(at(prepared, snake(4, 6)), 0.5)
    pixel = np.array(prepared.geometry.object_pixel_m)
    n = path.shape[1]
    assert FEWEST <= n <= MOST
    np.testing.assert_allclose(path.mean(axis=1), 0, atol=1e-12)
    # the variance of a uniform distribution of width w is w²/12 (any handbook of statistics)
    assert np.ptp(np.diff(path[0, :, 1])) < 1e-9
    assert path[0, :, 1].var() == pytest.approx((0.5 * STEP_M / pixel[1]) ** 2 / 12)
    assert exposure_path(at(prepared, snake(4, 6)), 0.5, most=3).shape[1] == 3


def test_a_way_of_less_than_a_pixel_is_none(prepared):
    assert exposure_path(at(prepared, snake(4, 6)), 1e-3) is None


def test_readings_of_the_stage_come_first(prepared):
    # ten readings a frame, evenly over 80 nm across the lines: nothing that the order of the positions tells
    beside = np.zeros((24, 10, 2))
    beside[:, :, 0] = np.linspace(-40e-9, 40e-9, 10)
    positions, readings = snake(4, 6), np.zeros((40, 10, 2))
    readings[:24] = positions[:, None] + beside
    readings[3, 4] = np.nan
    path = exposure_path(at(prepared, positions, readings))
    pixel = prepared.geometry.object_pixel_m[0]
    assert path.shape == (24, MOST, 2)
    assert np.ptp(path[0, :, 0]) == pytest.approx((80e-9 - 80e-9 / 9 / 2) / pixel, rel=0.01)
    np.testing.assert_allclose(path[..., 1], 0, atol=1e-9)
    assert np.isfinite(path).all()
