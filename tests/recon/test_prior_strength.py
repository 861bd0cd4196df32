"""Strength of a prior by held-out pixels: what they tolerate, the natural strength, the dark margin."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.stats
from helpers_core import curved_probe, problem_from_model, smooth_object, spiral_px

from recon import prior_strength
from recon.prior_strength import Tried, choose_strength, natural_strength, with_calm_margin
from recon.state import start_state


@dataclass
class Asked:
    """Stands for a solver: remembers the strengths that it worked at."""

    seen: list[float]

    def step(self, problem, state):
        self.seen.append(float(state.prior_strength))
        return np.zeros(3)

    def finish(self, problem, state):
        return


# Deviance 100 (1 + c (ln f/f0)²), so a rise of 0.1 %, which is tolerated, lies at f0 exp(± √(0.001 / c)).
STEEP, FLAT = 0.01, 0.0002
REACH = np.exp(np.sqrt(0.001 / STEEP))


@pytest.mark.parametrize(
    ("best", "curve", "expected", "tried"),
    [
        pytest.param(0.25, STEEP, 0.25, [1 / 16, 1 / 4, 1], id="the usual one"),
        pytest.param(4, STEEP, 4, [1 / 16, 1 / 4, 1, 4, 16], id="stronger"),
        pytest.param(2, STEEP, 2, [1 / 16, 1 / 4, 1, 4, 16], id="stronger, between two"),
        pytest.param(1 / 64, STEEP, REACH / 64, [1 / 16, 1 / 4, 1 / 64, 0], id="weaker, as little as they let it"),
        pytest.param(1 / 16, FLAT, 0.25, [1 / 16, 1 / 4, 1, 1 / 64, 0], id="the usual one where they hardly mind"),
        pytest.param(0.0, STEEP, 0.0, [1 / 16, 1 / 4, 1 / 64, 0], id="none"),
    ],
)
def test_a_strength_is_taken_that_the_pixels_tolerate(rng, monkeypatch, best, curve, expected, tried):
    object_ = smooth_object(rng, (48, 48))
    problem = problem_from_model(object_, curved_probe(16, sigma=2.5), 24 + spiral_px(9, 2.5))
    problem = replace(problem, n_held=problem.n_frames)
    state = start_state(problem, curved_probe(16, sigma=2.5), 0)
    state.object_ = object_.copy()
    natural = 5.0

    def deviance(problem, state):
        factor = float(state.prior_strength) / natural
        off = np.log(max(factor, 1e-6) / max(best, 1e-6))
        return 100 * (1 + curve * off**2) * np.ones(problem.n_frames)

    monkeypatch.setattr(prior_strength, "held_out_deviance", deviance)
    solver, before = Asked([]), state.object_.copy()
    found = choose_strength(problem, state, solver, natural)
    np.testing.assert_allclose(np.array(list(dict.fromkeys(solver.seen))) / natural, tried, atol=1e-12)
    assert found / natural == pytest.approx(expected, rel=1e-9)
    np.testing.assert_array_equal(state.object_, before)
    assert state.prior_strength is None


def test_differences_within_their_error_or_far_below_the_noise_are_tolerated(rng):
    problem = SimpleNamespace(n_frames=100, n_held=100)
    best = rng.uniform(0.9, 1.1, 100)
    worse = best + 0.01 + 0.2 * np.tile([-1, 1], 50)
    # half of a standard error, 0.02; then the same mean with next to none, in units of 0.1 % of the deviance
    assert Tried(problem, 0.0, {1.0: best, 2.0: worse}).objection(2.0) == pytest.approx(0.5, rel=0.01)
    sure = Tried(problem, 0.0, {1.0: best, 2.0: best + 0.01})
    assert sure.objection(2.0) == pytest.approx(0.01 / 0.001, rel=0.05)
    # frames without noise, fitted far better than counts could be: the noise that they might have is the measure
    assert Tried(problem, 5000.0, sure.deviance).objection(2.0) == pytest.approx(0.01 / (0.001 * 50))


def test_where_nothing_differs_no_strength_is_tried():
    solver = Asked([])
    assert choose_strength(None, None, solver, 0.0) == 0.0
    assert not solver.seen


def test_natural_strengths_of_what_is_well_lit(rng):
    # white noise of variance s² a complex pixel: each difference has 2 s², so |D|² is 2 s² times a gamma number of
    # shape 2, of median 1.678 (SciPy); neighbouring differences share a pixel, which takes 4 % off at most
    object_ = 1 + 0.1 * (rng.normal(size=(400, 400)) + 1j * rng.normal(size=(400, 400))) / np.sqrt(2)
    light = np.ones((400, 400))
    found = natural_strength(object_, light, "gradient")
    assert found == pytest.approx(2 / (2 * 0.01 * scipy.stats.gamma(2).median()), rel=0.06)
    assert natural_strength(object_, light, "total_variation") == pytest.approx(
        2 / (0.1 * np.sqrt(2) * scipy.stats.gamma(2).expect(np.sqrt)), rel=0.04
    )
    # a wild margin in the dark changes nothing, and without differences there is nothing to expect
    wild, dark = object_.copy(), light.copy()
    wild[:200] *= 1 + 10 * rng.normal(size=(200, 400))
    dark[:201] = 0.01
    assert natural_strength(wild, dark, "gradient") == pytest.approx(found, rel=0.03)
    assert natural_strength(np.ones((8, 8), complex), np.ones((8, 8)), "gradient") == 0


@pytest.mark.parametrize("shape", [(64, 64), (2, 64, 64)])
def test_only_the_dark_margin_is_calmed(rng, shape):
    y, x = np.mgrid[:64, :64] - 32
    light = np.broadcast_to(np.exp(-(x**2 + y**2) / (2 * 9.0**2)), shape)
    truth = np.exp(0.3j) * np.ones(shape)
    dark = light < 0.01 * light.max()
    noisy = np.where(dark, truth + rng.normal(size=shape), truth)
    calm = with_calm_margin(noisy, light)
    np.testing.assert_array_equal(calm[~dark], noisy[~dark])
    # what surrounds it is one constant, so the margin becomes that
    assert np.abs(calm - truth)[dark].max() < 0.06
    assert with_calm_margin(noisy.astype(np.complex64), light.astype(np.float32)).dtype == np.complex64
