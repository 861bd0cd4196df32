"""Strength of a prior by held-out pixels: the parabola, the natural strength, and a margin that no light reaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import scipy.stats
from helpers_core import curved_probe, problem_from_model, smooth_object, spiral_px

from recon import prior_strength
from recon.prior_strength import choose_strength, natural_strength, vertex, with_calm_margin
from recon.state import start_state


def test_the_parabola_through_three_strengths():
    # d = (ln f / ln 4 - 0.3)²: its lowest point lies at 4^0.3
    found = {0.0: 9.0} | {4.0**k: (k - 0.3) ** 2 for k in (-1, 0, 1)}
    assert vertex(found) == pytest.approx(4**0.3)
    # the first or the last has no neighbour on one side
    assert vertex({0.0: 1.0, 0.25: 0.5, 1.0: 0.7}) == 0.25
    assert vertex({0.0: 1.0, 0.25: 2.0, 0.0625: 3.0}) == 0.0


@dataclass
class Asked:
    """Stands for a solver: remembers the strengths that it worked at."""

    seen: list[float]

    def step(self, problem, state):
        self.seen.append(float(state.prior_strength))
        return np.zeros(3)

    def finish(self, problem, state):
        return


@pytest.mark.parametrize(
    ("best", "expected"),
    [(0.25, [0, 1 / 16, 1 / 4, 1]), (4, [0, 1 / 16, 1 / 4, 1, 4, 16]), (1 / 64, [0, 1 / 16, 1 / 4, 1 / 64, 1 / 256])],
)
def test_strengths_are_tried_upwards_until_the_pixels_object(rng, monkeypatch, best, expected):
    object_ = smooth_object(rng, (48, 48))
    problem = problem_from_model(object_, curved_probe(16, sigma=2.5), 24 + spiral_px(9, 2.5))
    state = start_state(problem, curved_probe(16, sigma=2.5), 0)
    state.object_ = object_.copy()
    natural = 5.0

    def deviance(problem, state):
        factor = float(state.prior_strength) / natural
        return np.array([abs(np.log(max(factor, 1e-3) / max(best, 1e-3)))])

    monkeypatch.setattr(prior_strength, "held_out_deviance", deviance)
    solver, before = Asked([]), state.object_.copy()
    found = choose_strength(problem, state, solver, natural)
    tried = list(dict.fromkeys(solver.seen))
    np.testing.assert_allclose(np.array(tried) / natural, expected, atol=1e-12)
    assert found / natural == pytest.approx(best, rel=0.01)
    np.testing.assert_array_equal(state.object_, before)
    assert state.prior_strength is None


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
