"""Shares of the modes: what the noise adds to the strongest is seen on counts drawn from the estimate."""

from __future__ import annotations

import signal
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from helpers_core import curved_probe, noise, problem_from_model, smooth_object, spiral_px
from helpers_core import plain_waves as waves_of

from recon.loop import Hooks
from recon.mode_shares import LEAST_TOLD, SOON, drawn_counts, share_shift
from recon.probe import mode_shares, orthogonal_modes, with_modes
from recon.solvers import make_solver
from recon.solvers.maximum_likelihood import AUTOMATIC
from recon.state import start_state

N = 16


def two_modes(rng, power=3e3, n_frames=120, mask=None):
    """Frames of a beam of two modes, and the state of the truth."""
    probe = orthogonal_modes(with_modes(curved_probe(N, sigma=2.2), 2, share=0.3))
    probe *= np.sqrt(power / (np.abs(probe) ** 2).sum())
    object_ = smooth_object(rng, (64, 64))
    problem = problem_from_model(object_, probe, 32 + spiral_px(n_frames, 2.5), rng=rng, mask=mask)
    state = start_state(problem, probe, 0)
    state.object_ = object_
    return problem, state


def test_shares_against_a_singular_value_decomposition(rng):
    modes = noise(rng, 3, 8, 8)
    power = np.linalg.svd(modes.reshape(3, -1), compute_uv=False) ** 2
    np.testing.assert_allclose(mode_shares(modes), power / power.sum(), rtol=1e-12)
    np.testing.assert_array_equal(mode_shares(0 * modes), 0)


def test_counts_are_drawn_from_the_state(rng):
    # expectation and scatter against the plain model: the sum of (seen - e)²/e is chi-squared (a standard result)
    mask = rng.random((N, N)) > 0.1
    problem, state = two_modes(rng, power=1e6, mask=mask[None])
    drawn = drawn_counts(problem, state, np.random.default_rng(1)).counts
    waves = waves_of(state.object_, state.probe, state.batch(problem, np.arange(problem.n_frames)))[1]
    expected = (np.abs(np.fft.fft2(waves, norm="ortho")) ** 2).sum(axis=1)
    assert not drawn[:, ~mask].any()
    lit = (expected > 20) & mask
    chi2 = ((drawn - expected)[lit] ** 2 / expected[lit]).sum()
    assert abs(scipy.stats.norm.isf(scipy.stats.chi2.sf(chi2, lit.sum()))) < 4
    assert not np.array_equal(drawn, problem.counts)
    again = drawn_counts(problem, state, np.random.default_rng(1)).counts
    np.testing.assert_array_equal(drawn, again)
    noisy = drawn_counts(replace(problem, read_noise=3.0), state, np.random.default_rng(1)).counts
    dark = mask & (expected < 1e-3)
    assert noisy[dark].std() == pytest.approx(3.0, rel=0.1)


def test_a_strength_that_was_chosen_is_not_chosen_again(rng):
    problem, state = two_modes(rng, n_frames=12)
    state.prior_strength = np.array(2.0)
    given, chosen = (
        make_solver("maximum_likelihood", {"prior": "total_variation", "strength": s}) for s in (2.0, AUTOMATIC)
    )
    # no pixel is held out: with a strength to be chosen the repetition could not begin
    shifts = [share_shift(problem, state, solver, 3, 0, Hooks(), []) for solver in (given, chosen)]
    np.testing.assert_array_equal(*(shift.by for shift in shifts))


def test_the_state_stays_and_an_interrupt_leaves_the_shares_as_fitted(rng):
    problem, state = two_modes(rng, n_frames=12)
    before, solver = state.keep(), make_solver("maximum_likelihood", {})
    seen = []

    def stop(record, seconds_left):
        seen.append((record.stage, record.iteration))
        if len(seen) == 2:
            signal.raise_signal(signal.SIGINT)

    assert share_shift(problem, state, solver, 5, 0, Hooks(on_pass=stop), []) is None
    assert seen == [("shares", 1), ("shares", 2)]
    assert share_shift(problem, state, solver, 5, 0, Hooks(), []).by.sum() == pytest.approx(0, abs=1e-9)
    for name, array in state.keep().items():
        np.testing.assert_array_equal(array, before[name])
    assert state.iteration == 0


def test_light_moved_between_modes_comes_back_where_the_sample_is_strong():
    # a beam's coherence is seen by the fringes that a sample makes: of none there is nothing to tell it by
    problem, state = two_modes(np.random.default_rng(0), power=1e5)
    solver, came_back = make_solver("maximum_likelihood", {}), []
    for contrast in (1.0, 0.01):
        of = replace(state, object_=1 + contrast * (state.object_ - 1))
        came_back.append(share_shift(drawn_counts(problem, of, of.rng), of, solver, SOON, 0, Hooks(), []).came_back)
    assert came_back[0] > 0.7
    assert came_back[1] < LEAST_TOLD


@pytest.mark.slow
def test_the_shift_is_what_the_noise_does():
    # four scans of known shares; the same fit from the truth, so that what is off is the noise's doing
    solver, off, left = make_solver("maximum_likelihood", {}), [], []
    for seed in range(4):
        problem, state = two_modes(np.random.default_rng(seed))
        true = mode_shares(state.probe)
        for _ in range(60):
            solver.step(problem, state)
        solver.finish(problem, state)
        state.memory = {}
        found = mode_shares(state.probe)
        off.append((found - true)[0])
        left.append((found - share_shift(problem, state, solver, 60, seed, Hooks(), []).by - true)[0])
    assert np.mean(off) > 2 * scipy.stats.sem(off)
    assert abs(np.mean(left)) < 0.4 * np.mean(off)
