"""Pixels that are never fitted: drawn once, left alone by every solver, and what they tell of two models."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from helpers_core import CPU, curved_probe, prepared_scan, problem_from_model, smooth_object, spiral_px

from recon.held_out import Gain, gain, held_out_deviance, noise_deviance
from recon.loop import Loop, Stage
from recon.model_choice import ModelChoice, TimeIsUp, choose_model
from recon.problem import make_problem
from recon.solvers import SOLVERS, make_solver
from recon.state import start_state

N = 16


def problem_with_held(rng, share=0.05, mask=None, power=2e4, n_frames=30):
    probe = np.sqrt(power) * curved_probe(N, sigma=2.2)
    made = problem_from_model(smooth_object(rng, (48, 48)), probe, 24 + spiral_px(n_frames, 3.0), rng=rng, mask=mask)
    k = round(share * N * N)
    held = np.stack([np.sort(rng.choice(N * N, k, replace=False)) for _ in range(n_frames)])
    return replace(made, held=held, n_held=held.size), probe


def test_the_share_is_drawn_from_the_seed_each_pixel_once(rng):
    counts = rng.poisson(5.0, (12, 20, 20)).astype(np.float32)
    scan = prepared_scan(counts, 1e-7 * spiral_px(12, 3.0))
    first, same, other = (make_problem(scan, CPU, held_out=0.02, seed=seed) for seed in (4, 4, 5))
    assert first.held.shape == (12, 8)
    assert all(len(set(row)) == 8 for row in first.held)
    np.testing.assert_array_equal(first.held, same.held)
    assert (first.held != other.held).any()
    shifted = np.fft.ifftshift(counts, axes=(1, 2)).reshape(12, -1)
    fitted = np.sqrt(counts).sum(dtype=float) - np.sqrt(shifted[np.arange(12)[:, None], first.held]).sum(dtype=float)
    assert first.n_held == 96
    assert first.n_measured == counts.size - 96
    assert first.sum_amplitude == pytest.approx(fitted)


def test_masked_pixels_do_not_count_as_held_out(rng):
    counts = rng.poisson(5.0, (6, 20, 20)).astype(np.float32)
    mask = rng.random((20, 20)) > 0.5
    made = make_problem(prepared_scan(counts, 1e-7 * spiral_px(6, 3.0), mask=mask), CPU, held_out=0.1)
    flat = np.fft.ifftshift(mask).ravel()
    assert made.n_held == flat[made.held].sum()
    assert made.n_held + made.n_measured == 6 * mask.sum()


@pytest.mark.parametrize("name", SOLVERS)
def test_no_solver_sees_them(rng, name):
    # the result has to be the same whatever their counts are
    problem, probe = problem_with_held(rng)
    wild = problem.counts.copy()
    wild.reshape(len(wild), -1)[np.arange(len(wild))[:, None], problem.held] = 1e5
    images = []
    for counts in (problem.counts, wild):
        state = start_state(problem, probe, 0)
        Loop(replace(problem, counts=counts), [Stage("a", make_solver(name, {}), 3)]).run(state)
        images.append(state.object_)
    np.testing.assert_allclose(images[0], images[1], rtol=0, atol=1e-12)


@pytest.mark.parametrize("read_noise", [0.0, 2.0])
def test_deviance_against_a_general_library(rng, read_noise):
    # Poisson deviance = 2 [ln p(I; I) - ln p(I; e)], scipy.stats; with read noise of counts and mean with its variance
    # added (shifted Poisson: Snyder, Hammoud & White, J. Opt. Soc. Am. A 10 (1993) 1014, from memory)
    problem, probe = problem_with_held(rng)
    problem = replace(problem, read_noise=read_noise)
    state = start_state(problem, probe, 0)
    found = held_out_deviance(problem, state)
    batch = state.batch(problem, np.arange(problem.n_frames))
    from recon.kernels import PassSums, residual_pass

    sums = PassSums.like(state)
    expected = np.maximum(residual_pass(state, batch, sums), 0.01) + read_noise**2
    counts = problem.counts + read_noise**2
    terms = 2 * (
        scipy.stats.poisson.logpmf(counts, np.maximum(counts, 1e-300)) - scipy.stats.poisson.logpmf(counts, expected)
    )
    rows = np.arange(len(counts))[:, None]
    there = terms.reshape(len(counts), -1)[rows, problem.held]
    np.testing.assert_allclose(found, there.sum(axis=1), rtol=1e-9)
    # and so do the residuals of each pass, whose floor of a dark model is lower
    assert float(sums.residuals[2]) == pytest.approx(there.sum(), rel=0.05)
    assert float(sums.residuals[1]) == pytest.approx(terms.sum() - there.sum(), rel=0.05)


@pytest.mark.parametrize("power", [500.0, 2e4])
def test_deviance_that_noise_leaves(rng, power):
    # counts drawn from the model itself (NumPy's generator): the mean over 9000 pixels has an error of about 1.5 %
    object_, probe = smooth_object(rng, (48, 48)), np.sqrt(power) * curved_probe(N, sigma=2.2)
    made = problem_from_model(object_, probe, 24 + spiral_px(120, 1.5), rng=rng)
    held = np.stack([np.sort(rng.choice(N * N, 77, replace=False)) for _ in range(120)])
    problem = replace(made, held=held, n_held=held.size)
    state = start_state(problem, probe, 0)
    state.object_ = object_
    assert held_out_deviance(problem, state).sum() == pytest.approx(noise_deviance(problem, state).sum(), rel=0.04)


def test_gain_is_the_paired_mean_and_its_error(rng):
    problem, _ = problem_with_held(rng)
    first, fall = rng.uniform(20, 30, 30), rng.normal(1.0, 0.2, 30)
    found = gain(first, first - fall, problem)
    per_pixel = problem.n_held / 30
    assert found.mean == pytest.approx(fall.mean() / per_pixel)
    assert found.sigma == pytest.approx(scipy.stats.sem(fall) / per_pixel)
    assert found.before == pytest.approx(first.mean() / per_pixel)
    assert found.significance == pytest.approx(found.mean / found.sigma)
    assert Gain(0.0, 0.0, 1.0).significance == 0.0


# --- which model the pixels ask for -------------------------------------------------------------------------

SETTINGS = {"alpha": 0.3, "beta": 0.5, "batch": 4}


def chosen(problem, probe, passes=8, **options):
    return choose_model(
        problem,
        probe,
        ModelChoice(),
        ("modes", "positions", "background"),
        steps=(SETTINGS, SETTINGS),
        passes=passes,
        seed=0,
        **options,
    )


def test_a_simple_scan_gets_the_simple_model(rng):
    problem, probe = problem_with_held(rng, power=2e5)
    choice = chosen(problem, probe)
    assert (choice.modes, choice.positions, choice.background) == (1, False, False)
    assert set(dict(choice.reasons)) == {"probe.modes", "positions.refine", "probe.background"}


def test_trials_end_when_time_is_up(rng):
    problem, probe = problem_with_held(rng, power=2e5)
    done = []

    def tell(k, n):
        done.append(k)
        if k == 2:
            raise TimeIsUp

    choice = chosen(problem, probe, progress=tell)
    assert done == [1, 2]
    assert (choice.modes, choice.stopped) == (1, False)
    assert set(choice.reasons.values()) == {"no time was left for a trial"}


def test_wrong_positions_are_noticed(rng):
    problem, probe = problem_with_held(rng, power=2e5, n_frames=49)
    wrong = problem.positions_px + rng.normal(0, 1.0, problem.positions_px.shape)
    done = []
    choice = chosen(replace(problem, positions_px=wrong), probe, progress=lambda k, n: done.append((k, n)))
    assert choice.positions
    assert [k for k, _ in done] == list(range(1, len(done) + 1))


def test_background_is_noticed(rng):
    problem, probe = problem_with_held(rng, power=2e5)
    counts = problem.counts + rng.poisson(30.0, problem.counts.shape)
    assert chosen(replace(problem, counts=counts.astype(float)), probe).background


def test_a_second_mode_is_noticed(rng):
    object_, where = smooth_object(rng, (48, 48)), 24 + spiral_px(49, 3.0)
    first = curved_probe(N, sigma=2.2)[0]
    y = np.arange(N)[:, None] - N // 2
    modes = np.sqrt(2e5) * np.stack([np.sqrt(0.6) * first, np.sqrt(0.4) * y * first / np.linalg.norm(y * first)])
    made = problem_from_model(object_, modes, where, rng=rng)
    held = np.stack([np.sort(rng.choice(N * N, 40, replace=False)) for _ in range(49)])
    choice = chosen(replace(made, held=held, n_held=held.size), np.sqrt(2e5) * first[None], passes=24)
    assert (choice.modes, choice.positions) == (2, False)
