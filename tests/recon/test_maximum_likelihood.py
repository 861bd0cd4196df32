"""Quasi-Newton maximum likelihood: monotone, with priors, slices and a varying beam, and resumed to the byte."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers_core import CPU, complex_error, curved_probe, problem_from_model, smooth_object, spiral_px

from recon.backend import to_host
from recon.gradients import measure
from recon.likelihoods import LIKELIHOODS, make_likelihood
from recon.loop import Loop, Stage
from recon.solvers import make_solver
from recon.solvers.maximum_likelihood import AUTOMATIC
from recon.state import State, add_unknowns, start_state
from scans.errors import InputError

N = 16


def noisy(rng, power=3e3, n_frames=36, share=0.05):
    truth, probe = smooth_object(rng, (48, 48)), np.sqrt(power) * curved_probe(N, sigma=2.5)
    problem = problem_from_model(truth, probe, 24 + spiral_px(n_frames, 2.5), rng=rng)
    held = np.stack([np.sort(rng.choice(N * N, round(share * N * N), replace=False)) for _ in range(n_frames)])
    return truth, probe, replace(problem, held=held, n_held=held.size)


def light(problem, probe):
    """Photons that fall on each object pixel, by a plain loop."""
    found = np.zeros(problem.object_shape)
    for y, x in np.rint(problem.positions_px - N // 2).astype(int):
        found[y : y + N, x : x + N] += np.abs(probe[0]) ** 2
    return found


def loss_of(problem, state, name="poisson"):
    return float(to_host(measure(problem, state, make_likelihood(name)).loss))


@pytest.mark.parametrize("name", LIKELIHOODS)
def test_every_pass_that_is_kept_lowers_the_loss(rng, name):
    _, probe, problem = noisy(rng)
    state, solver, losses = start_state(problem, probe, 0), make_solver("maximum_likelihood", {"likelihood": name}), []
    for _ in range(20):
        solver.step(problem, state)
        losses.append(float(state.memory["numbers"][0]))  # of the last step that was taken
    assert np.all(np.diff(losses) <= 1e-7 * losses[0])
    assert losses[-1] < 0.8 * losses[0]


def test_finish_goes_back_from_a_step_that_no_pass_has_measured(rng):
    _, probe, problem = noisy(rng)
    state, solver = start_state(problem, probe, 0), make_solver("maximum_likelihood", {})
    for _ in range(5):
        solver.step(problem, state)
    before = state.memory["from/object_"].copy()
    state.object_ = state.object_ + 10
    solver.finish(problem, state)
    np.testing.assert_array_equal(state.object_, before)


@pytest.mark.parametrize("strength", [AUTOMATIC, 15.0])
def test_a_prior_lowers_the_error_of_few_photons_and_keeps_the_estimate_without(rng, strength):
    truth, probe, problem = noisy(rng, share=0.15)
    state = start_state(problem, probe, 0)
    stages = [
        Stage("plain", make_solver("maximum_likelihood", {"hold_probe": 1000}), 30),
        Stage(
            "prior",
            make_solver("maximum_likelihood", {"hold_probe": 1000, "prior": "gradient", "strength": strength}),
            30,
        ),
    ]
    run = Loop(problem, stages)
    run.run(state)
    assert float(state.prior_strength) == strength or strength == AUTOMATIC
    assert float(state.prior_strength) > 0
    held_out = [run.records[k].held_out for k in (29, 59)]
    assert held_out[1] < held_out[0]
    weight = light(problem, probe) > 0.3 * light(problem, probe).max()
    with_prior, without = (complex_error(o, truth, weight) for o in (state.object_, state.without_prior))
    assert with_prior < without


def test_a_prior_does_to_data_without_noise_far_less_than_noise_would(rng):
    truth, probe = smooth_object(rng, (48, 48)), 1e3 * curved_probe(N, sigma=2.5)
    held = np.stack([np.sort(rng.choice(N * N, 12, replace=False)) for _ in range(36)])
    errors = []
    for noise, prior in ((None, "gradient"), (rng, "none")):
        made = problem_from_model(truth, probe, 24 + spiral_px(36, 2.5), rng=noise)
        problem = replace(made, held=held, n_held=held.size)
        state = start_state(problem, probe, 0)
        state.object_ = truth.copy()
        settings = {"prior": prior} | ({"strength": AUTOMATIC} if noise is None else {})
        Loop(problem, [Stage("a", make_solver("maximum_likelihood", settings), 40)]).run(state)
        weight = light(problem, probe) > 0.3 * light(problem, probe).max()
        errors.append(complex_error(state.object_, truth, weight))
    assert errors[0] < 0.25 * errors[1]


def test_choosing_a_strength_needs_held_out_pixels(rng):
    _, probe, problem = noisy(rng)
    state = start_state(problem, probe, 0)
    solver = make_solver("maximum_likelihood", {"prior": "gradient", "strength": AUTOMATIC})
    with pytest.raises(InputError, match="no held-out pixels") as caught:
        solver.prepare(replace(problem, held=None, n_held=0), state)
    assert "run.held_out" in caught.value.fix


def test_a_resumed_run_with_a_prior_is_the_same_to_the_byte(rng):
    _, probe, problem = noisy(rng)
    settings = {"prior": "gradient", "strength": AUTOMATIC}
    stages = [Stage("a", make_solver("maximum_likelihood", settings, "intensity background"), 12)]
    whole = start_state(problem, probe, 0)
    add_unknowns(problem, whole, {"intensity", "background"})
    half = State.from_checkpoint(whole.to_checkpoint(), CPU)
    Loop(problem, stages).run(whole)
    Loop(problem, [replace(stages[0], iterations=5)]).run(half)
    # as a run that was stopped: no pass measured the last step, so the stage has not ended
    half = start_state(problem, probe, 0)
    add_unknowns(problem, half, {"intensity", "background"})
    solver = stages[0].solver
    solver.prepare(problem, half)
    for _ in range(5):
        solver.step(problem, half)
        half.iteration, half.stage_pass = half.iteration + 1, half.stage_pass + 1
    again = State.from_checkpoint(half.to_checkpoint(), CPU)
    Loop(problem, stages).run(again)
    for name, array in whole.parts().items():
        np.testing.assert_array_equal(array, again.parts()[name], err_msg=name)


def test_two_slices_and_their_distance_come_back(rng):
    # the frames are made by the model itself, whose forward form test_gradients.py compares with plain loops
    size, shape = 24, (56, 56)
    slices = np.stack([smooth_object(rng, shape, 0.5), smooth_object(rng, shape, 0.5)])
    probe = 300 * curved_probe(size, sigma=3.0)
    made = problem_from_model(slices[0], probe, 28 + spiral_px(49, 2.5))
    f = np.fft.fftfreq(size)
    # paraxial free space: a distance of 1 turns the highest frequency by 12 rad
    made = replace(made, axial=-48 * (f[:, None] ** 2 + f[None, :] ** 2))
    truth = State(object_=slices, probe=probe, positions_px=made.positions_px, rng=rng, depths_m=np.array([1.0]))
    from recon.kernels import PassSums, residual_pass

    counts = residual_pass(truth, truth.batch(made, np.arange(49)), PassSums.like(truth))
    problem = replace(made, counts=counts)
    state = start_state(problem, probe, 0, slices=2)
    state.depths_m = np.array([0.8])
    before = loss_of(problem, state)
    Loop(problem, [Stage("a", make_solver("maximum_likelihood", {"hold_probe": 1000}, "depths"), 60)]).run(state)
    assert loss_of(problem, state) < 1e-2 * before
    assert abs(state.depths_m[0] - 1) < 0.2
    weight = np.zeros(shape)
    weight[18:38, 18:38] = 1
    apart = [complex_error(one, true, weight) for one, true in zip(state.object_, slices, strict=True)]
    swapped = [complex_error(one, true, weight) for one, true in zip(state.object_[::-1], slices, strict=True)]
    assert max(apart) < 0.5 * min(swapped)


def test_a_varying_beam_is_told_by_its_waves(rng):
    truth, probe, problem = noisy(rng, power=1e5, n_frames=49)
    y = (np.arange(N) - N // 2)[:, None] / 2.5
    wave = y * probe[0]
    strength = np.linspace(-0.3, 0.3, 49)
    counts = [
        problem_from_model(truth, (probe[0] + c * wave)[None], problem.positions_px[j : j + 1]).counts[0]
        for j, c in enumerate(strength)
    ]
    problem = replace(problem, counts=rng.poisson(counts).astype(float))
    losses = {}
    for words in ("", "variation"):
        state = start_state(problem, probe, 0)
        add_unknowns(problem, state, {"variation"} if words else set(), 0.1 * wave[None])
        Loop(problem, [Stage("a", make_solver("maximum_likelihood", {}, words), 40)]).run(state)
        losses[words] = loss_of(problem, state)
    assert losses["variation"] < 0.75 * losses[""]
