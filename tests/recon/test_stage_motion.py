"""Does the stage move during exposures, and how far: frames as sums over an exposure, written out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from helpers_core import curved_probe, problem_from_model, smooth_object, spiral_px

from recon.exposure_path import evenly
from recon.model_choice import ModelChoice, choose_model
from recon.stage_motion import Fitted, crossing, drawn_in, excess, turned, ways
from recon.state import start_state

N, WAY_PX = 16, 9.0
SETTINGS = {"alpha": 0.3, "beta": 0.5, "batch": 4}


def moving_scan(rng, share: float):
    """Return a problem of 49 frames exposed over this share of a way along x, its probe and its object."""
    object_, where = smooth_object(rng, (56, 56)), 28 + spiral_px(49, 3.0)
    probe = np.sqrt(2e5) * curved_probe(N, sigma=2.2)
    # an integral by nine midpoints, where the model has three points
    places = [np.array([0.0, share * WAY_PX * at]) for at in (np.arange(9) + 0.5) / 9 - 0.5]
    counts = np.mean([problem_from_model(object_, probe, where + place).counts for place in places], axis=0)
    made = problem_from_model(object_, probe, where)
    held = np.stack([np.sort(rng.choice(N * N, 40, replace=False)) for _ in range(49)])
    path = np.stack([0 * evenly(3), WAY_PX * evenly(3)], axis=1)
    return (
        replace(
            made,
            counts=rng.poisson(counts).astype(float),
            held=held,
            n_held=held.size,
            path_px=np.broadcast_to(path, (49, 3, 2)),
        ),
        probe,
        object_,
    )


@pytest.mark.slow
@pytest.mark.parametrize("share", [1.0, 0.5, 0.0])
def test_the_share_of_the_way_is_found(rng, share):
    problem, probe, _ = moving_scan(rng, share)
    options = {"steps": (SETTINGS, SETTINGS), "passes": 16, "seed": 0}
    choice = choose_model(problem, probe, ModelChoice(), ("travel", "background"), **options)
    assert choice.travel == pytest.approx(share, abs=0.1)
    assert not choice.background
    assert "than across" in choice.reasons["positions.travel"]


@pytest.mark.parametrize("known", [0.0, 0.3])
def test_at_the_true_object_the_excess_is_the_square_that_is_missing(rng, known):
    # variances of blurs add: what a model of a shorter way lacks is the difference of the squares
    problem, probe, object_ = moving_scan(rng, 0.4)
    path = problem.path_px
    problem = replace(problem, path_px=known * path if known else None)
    state = start_state(problem, probe, 0)
    state.object_ = object_
    assert excess(Fitted(problem, state, state), path) == pytest.approx(0.4**2 - known**2, abs=0.015)


def test_a_straight_way_has_the_direction_and_the_variance_of_its_path():
    path = np.array([[[0.0, -3.0], [0.0, 0.0], [0.0, 3.0]]])
    # variance 6 of the three points, w²/12 of a uniform way (any handbook of statistics)
    np.testing.assert_allclose(ways(path), [[0.0, np.sqrt(72)]])
    np.testing.assert_allclose(ways(turned(path)) @ ways(path).T, 0)
    np.testing.assert_allclose(ways(np.zeros((2, 3, 2))), 0)


def test_where_values_fall_through_zero():
    assert crossing({0.0: 1.0, 0.25: -1.0}) == pytest.approx(0.125)
    assert crossing({0.0: -0.5, 0.25: 1.0, 1.0: -2.0}) == pytest.approx(0.5)
    # on a curve that bends the line through the values that are nearly 0 is nearer than the one across
    assert crossing({0.0: 1.0, 0.25: -3.0, 0.0625: 0.5}) == pytest.approx(0.125)
    assert crossing({0.0: 1.0, 0.25: -3.0, 0.0625: 0.9}) == pytest.approx(0.0625 + 0.1875 * 0.9 / 3.9)


def test_single_frames_far_off_hardly_count(rng):
    values = rng.normal(1.0, 0.5, 200)
    plain = drawn_in(values)
    # of normal values nearly the plain mean and its standard error
    assert plain.mean == pytest.approx(values.mean(), abs=0.01)
    assert plain.sigma == pytest.approx(scipy.stats.sem(values), rel=0.05)
    wild = values.copy()
    wild[:4] = -300
    assert drawn_in(wild).mean == pytest.approx(plain.mean, abs=0.1)
    assert drawn_in(wild).significance > 15
    assert drawn_in(np.zeros(9)).significance == 0
