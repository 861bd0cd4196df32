"""Least-squares maximum likelihood against plain loops, dense least squares, and a brute-force optimum."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize
import tolerances as tol
from helpers_core import (
    CPU,
    curved_probe,
    fourier_matrix,
    jax_loss,
    noise,
    plain_shift,
    problem_from_model,
    relative,
    smooth_object,
    spiral_px,
)

from recon.backend import open_device, to_device, to_host
from recon.frames import Model
from recon.kernels import PassSums, illuminate
from recon.solvers import make_solver
from recon.solvers.least_squares import RIDGE, LeastSquares, changed_exit, frame_groups, likelihood_step
from recon.state import State, start_state
from scans.errors import InputError

OPTIMUM = 0.01  # loss after 120 passes above that of 500 SciPy iterations; measured 0.0032, margin 3


def run(problem, state, passes, **settings):
    solver = make_solver("least_squares", settings)
    solver.prepare(problem, state)
    for _ in range(passes):
        residuals = solver.step(problem, state)
        state.iteration += 1
    return residuals


def small(rng, *, noisy=False, real=np.float64):
    truth, probe = smooth_object(rng, (40, 40)), 80 * curved_probe(16)
    problem = problem_from_model(truth, probe, 20 + spiral_px(13, 3.0), rng=rng if noisy else None, real=real)
    return problem, start_state(problem, 1.1 * probe, 0)


# --- against the publication -------------------------------------------------------------------------------


def plain_group(object_, probe, batch, damping, averaging=0.0, all_light=0.0):
    """One group's new object, probe and light from the formulas (Odstrcil et al. 2018, from memory), frame by frame.

    Step lengths from a dense least-squares solution of the real equations of each frame, RIDGE as added rows.
    `averaging` of the light of the frames outside the group (all_light: of all of them) is ours.
    """
    n, w = probe.shape[-1], fourier_matrix(probe.shape[-1])
    frames, light, top = [], np.zeros(object_.shape), np.zeros(object_.shape, complex)
    met, probe_top = np.zeros((n, n)), np.zeros(probe.shape, complex)
    for (y, x), shift, counts in zip(batch.corners, batch.shifts, batch.counts, strict=True):
        here = np.s_[y : y + n, x : x + n]
        moved, patch = np.stack([plain_shift(mode, shift) for mode in probe]), object_[here].copy()
        field = w @ (moved * patch) @ w
        wanted = np.sqrt(counts / (np.abs(field) ** 2).sum(axis=0)) * field
        chi = w.conj() @ wanted @ w.conj() - moved * patch
        top[here] += (moved.conj() * chi).sum(axis=0)
        light[here] += (np.abs(moved) ** 2).sum(axis=0)
        probe_top += np.stack([plain_shift(part, -shift) for part in patch.conj() * chi])
        met += np.abs(patch) ** 2
        frames.append((here, shift, moved, patch, chi))
    d_object = top / (light + damping * light.max())
    d_probe = probe_top / (met + damping * met.max())
    share, lengths = np.zeros(object_.shape), []
    for here, shift, moved, patch, chi in frames:
        ways = moved * d_object[here], np.stack([plain_shift(mode, shift) for mode in d_probe]) * patch
        columns = np.stack([way.ravel().view(float) for way in ways], axis=1)
        rows = np.diag(np.sqrt(RIDGE) * np.linalg.norm(columns, axis=0))
        right = np.concatenate([chi.ravel().view(float), [0, 0]])
        a, b = np.clip(np.linalg.lstsq(np.concatenate([columns, rows]), right)[0], 0, 2)
        share[here] += a * (np.abs(moved) ** 2).sum(axis=0)
        lengths.append(b)
    lit = light > 0
    object_ = object_.copy()
    weight = light + averaging * np.maximum(all_light - light, 0)
    object_[lit] += (d_object * share)[lit] / weight[lit]
    return object_, probe + np.mean(lengths) * d_probe, light


@pytest.mark.parametrize("grouping", ["compact", "sparse"])
@pytest.mark.parametrize("modes", [1, 2])
def test_passes_are_those_of_the_formulas(rng, modes, grouping):
    # the first pass is the published one; later ones average, by the light that the pass before gathered
    problem = problem_from_model(smooth_object(rng, (40, 40)), 50 * noise(rng, 1, 12, 12), 20 + spiral_px(11, 2.7))
    start = 50 * noise(rng, modes, 12, 12)
    state = start_state(problem, start, seed=3)
    state.object_ = noise(rng, 40, 40)
    object_, probe, same = state.object_, start, np.random.default_rng(3)
    settings = {"averaging": 0.3, "momentum": 0, "hold_probe": 0, "damping": 0.2, "batch": 4, "grouping": grouping}
    all_light = 0.0
    for _ in range(2):
        gathered = np.zeros((40, 40))
        for index in frame_groups(state.positions_px, 4, grouping, same):
            batch = state.batch(problem, index)
            object_, probe, light = plain_group(object_, probe, batch, 0.2, 0.3, all_light)
            gathered += light
        all_light = gathered
        run(problem, state, 1, **settings)
        assert relative(state.object_, object_) < tol.GRADIENT
        assert relative(state.probe, probe) < tol.GRADIENT


def test_changes_of_the_exit_wave_go_through_all_slices(rng):
    # exact: the exit wave of two slices is quadratic in the objects, and linear in the probe
    problem, state = small(rng)
    state.object_ = noise(rng, 2, 40, 40)
    state.depths_m = np.array([3e-6])
    batch = replace(state.batch(problem, np.arange(5)), axial=rng.normal(scale=2e5, size=(16, 16)))
    d_object, d_probe = noise(rng, 2, 40, 40), noise(rng, 1, 16, 16)

    def exits(object_, probe):
        return illuminate(Model(object_, probe, depths_m=state.depths_m), batch).exit_waves()

    lit = illuminate(state, batch)
    patches = np.stack([[s[y : y + 16, x : x + 16] for s in d_object] for y, x in batch.corners])
    by_object = (exits(state.object_ + d_object, state.probe) - exits(state.object_ - d_object, state.probe)) / 2
    assert relative(changed_exit(lit, None, patches), by_object) < tol.GRADIENT
    moved = np.stack([[plain_shift(mode, shift) for mode in d_probe] for shift in batch.shifts])
    assert relative(changed_exit(lit, moved, None), exits(state.object_, d_probe)) < tol.GRADIENT


@pytest.mark.parametrize("poisson", [False, True])
def test_each_frame_steps_to_its_best_likelihood(rng, poisson):
    # against a scalar minimiser; background and response make the amplitude model's step differ from one, which
    # it takes with the expected curvature only
    problem, state = small(rng, noisy=True)
    state.background = rng.uniform(0.5, 2, (16, 16))
    state.object_ *= np.exp(0.3j * rng.normal(size=(40, 40)))
    batch = replace(state.batch(problem, np.arange(13)), response=rng.uniform(0.5, 1.5, (1, 16, 16)))
    field = np.fft.fft2(illuminate(state, batch).exit_waves(), norm="ortho")
    intensity = (np.abs(field) ** 2).sum(axis=1)
    expected = batch.response * (intensity + state.background)
    factor = batch.response * (batch.counts / expected - 1 if poisson else np.sqrt(batch.counts / expected) - 1)
    found = likelihood_step(state, batch, expected, factor, poisson)
    for j in range(13):

        def loss(step, j=j):
            e = batch.response[0] * (intensity[j] * (1 + step * factor[j]) ** 2 + state.background)
            counts = batch.counts[j]
            terms = e - counts * np.log(e) if poisson else 2 * (np.sqrt(e) - np.sqrt(counts)) ** 2
            return terms.sum()

        best = scipy.optimize.minimize_scalar(loss, bounds=(0, 2 * found[j]), method="bounded")
        gained = (loss(0) - loss(found[j])) / (loss(0) - best.fun)
        assert gained > (0.99 if poisson else 0.9), (j, found[j], best.x)


# --- against a brute-force optimum -------------------------------------------------------------------------


def test_full_groups_end_at_the_optimum_of_the_amplitude_loss(rng):
    jax = pytest.importorskip("jax")
    truth, probe = smooth_object(rng, (30, 30)), 60 * curved_probe(16, 3.0, 0.12)
    problem = problem_from_model(truth, probe, 15 + spiral_px(16, 3.0), rng=rng)
    state = start_state(problem, probe, 0)
    gradient = jax.jit(jax.value_and_grad(jax_loss(state.batch(problem, np.arange(16)), "amplitude")))

    def loss(v):
        value, slope = gradient(v.view(complex).reshape(30, 30), probe)
        return float(value), np.conj(np.asarray(slope)).ravel().view(float)

    options = {"maxiter": 500, "maxfun": 2000, "ftol": 1e-12}
    best = scipy.optimize.minimize(loss, truth.ravel().view(float).copy(), jac=True, method="L-BFGS-B", options=options)
    before = loss(state.object_.ravel().view(float))[0]
    run(problem, state, 120, hold_probe=10_000, batch=16, damping=0.01)
    reached = loss(np.ascontiguousarray(state.object_).ravel().view(float))[0]
    assert before > 3 * best.fun
    assert reached / best.fun - 1 < OPTIMUM, (reached, best.fun)


# --- what is ours ------------------------------------------------------------------------------------------


def test_averaging_grows_while_passes_undo_each_other(rng, monkeypatch):
    # noise undoes itself: successive differences of white noise have the cosine -1/2
    problem, state = small(rng)
    found = []
    for agreement in 4 * [-0.5] + 3 * [0.5] + 12 * [-0.5]:
        monkeypatch.setattr(LeastSquares, "_accelerate", lambda *_, a=agreement: a)
        run(problem, state, 1, averaging=0.2)
        found.append(float(state.memory.get("averaging", [0.2])[0]))
    up, down = np.exp(0.5), np.exp(-1.5)
    expected = [0.2, 0.2, 0.2 * up, 0.2 * up**2, 0.2, 0.2, 0.2]
    np.testing.assert_allclose(found[:7], expected, rtol=1e-12)  # the first two passes say nothing yet
    assert up**2 * down < 1
    np.testing.assert_allclose(found[7:], np.minimum(1, 0.2 * up ** np.arange(1, 13)), rtol=1e-12)


def test_momentum_goes_on_only_while_passes_agree(rng):
    _, state = small(rng)
    solver = make_solver("least_squares", {"momentum": 0.5})
    way, aside = noise(rng, 40, 40), noise(rng, 40, 40)
    aside -= way * np.vdot(way, aside) / np.vdot(way, way)
    aside *= np.linalg.norm(way) / np.linalg.norm(aside)

    def moved(by):
        before = {"object_": state.object_.copy(), "probe": state.probe.copy()}
        state.object_ += by
        agreement = solver._accelerate(state, before)
        return agreement, state.object_ - before["object_"] - by

    assert moved(way)[0] is None
    agreement, more = moved(0.6 * (way + aside))  # 45 degrees off, 0.6 √2 as long
    assert agreement == pytest.approx(np.sqrt(0.5))
    np.testing.assert_allclose(more, 0.5 * 0.6 * way, rtol=0, atol=1e-12)
    agreement, more = moved(-way)
    assert agreement < 0
    assert not np.any(np.abs(more) > 1e-12)


@pytest.mark.parametrize("size", [1, 4, 7, 60, 100])
@pytest.mark.parametrize("grouping", ["compact", "sparse"])
def test_groups_take_every_frame_once(rng, grouping, size):
    groups = list(frame_groups(spiral_px(60, 3.0), size, grouping, rng))
    assert sorted(np.concatenate(groups)) == list(range(60))
    assert len(groups) == -(-60 // size)
    assert max(map(len, groups)) <= size


def test_groups_are_compact_or_sparse(rng):
    # nearest neighbours within a group, in steps of the scan: one for compact groups, √(60/12) at most for others
    at = spiral_px(240, 3.0)

    def nearest(groups):
        apart = [np.linalg.norm(at[g][:, None] - at[g], axis=2) + 1e9 * np.eye(len(g)) for g in groups]
        return np.median(np.concatenate([one.min(axis=0) for one in apart])) / 3.0

    random = nearest(np.array_split(rng.permutation(240), 20))
    compact, sparse = (nearest(list(frame_groups(at, 12, name, rng))) for name in ("compact", "sparse"))
    assert compact < 1.2, compact
    assert sparse > 1.4 * random, (sparse, random)
    orders = [np.concatenate(list(frame_groups(at, 12, "sparse", np.random.default_rng(s)))) for s in (1, 1, 2)]
    assert np.array_equal(orders[0], orders[1])
    assert not np.array_equal(orders[0], orders[2])


# --- the rest of the contract ------------------------------------------------------------------------------


@pytest.mark.parametrize("likelihood", ["amplitude", "poisson"])
def test_a_resumed_run_is_the_same_to_the_byte(rng, likelihood):
    problem, state = small(rng, noisy=True, real=np.float32)
    settings = {"likelihood": likelihood, "batch": 3}
    run(problem, state, 5, **settings)
    resumed = State.from_checkpoint(state.to_checkpoint(), CPU)
    for one in (state, resumed):
        run(problem, one, 4, **settings)
    assert state.object_.tobytes() == resumed.object_.tobytes()
    assert state.probe.tobytes() == resumed.probe.tobytes()


@pytest.mark.parametrize("likelihood", ["amplitude", "poisson"])
def test_held_out_pixels_are_not_fitted_but_judged(rng, likelihood):
    held = np.stack([rng.choice(256, 5, replace=False) for _ in range(13)])
    results = []
    for wrong in (False, True):
        problem, _ = small(np.random.default_rng(5), noisy=True)
        problem = replace(problem, held=held, n_held=held.size)
        if wrong:
            problem.counts.reshape(13, -1)[np.arange(13)[:, None], held] += 300
        state = start_state(problem, 90 * curved_probe(16), 0)
        residuals = run(problem, state, 4, likelihood=likelihood, batch=4)
        results.append((state.object_, residuals))
    np.testing.assert_array_equal(results[0][0], results[1][0])
    assert results[1][1][2] > 10 * results[0][1][2]
    assert results[1][1][1] == pytest.approx(results[0][1][1])


def test_slices_and_paths_are_fitted(rng):
    # fit of noise-free frames of two slices and a moving probe: the deviance falls to a small share
    probe = 80 * curved_probe(16)
    problem = problem_from_model(smooth_object(rng, (40, 40)), probe, 20 + spiral_px(30, 2.0))
    truth = start_state(problem, probe, 0)
    truth.object_ = np.stack([smooth_object(rng, (40, 40), 0.4) for _ in range(2)])
    truth.depths_m = np.array([2e-6])
    f = np.fft.fftfreq(16)
    axial = -np.pi * 1e6 * (f[:, None] ** 2 + f**2)
    path = np.stack([np.linspace(-1, 1, 3), np.zeros(3)], axis=1)[None].repeat(30, axis=0)
    problem = replace(problem, axial=axial, path_px=path)
    batch = truth.batch(problem, np.arange(30))
    counts = (np.abs(np.fft.fft2(illuminate(truth, batch).exit_waves(), norm="ortho")) ** 2).sum(axis=1)
    problem = replace(problem, counts=counts)
    state = start_state(problem, probe, 0)
    state.object_, state.depths_m = np.ones((2, 40, 40), complex), truth.depths_m
    first = run(problem, state, 1, batch=4)[1]
    assert run(problem, state, 20, batch=4)[1] < 0.02 * first
    assert PassSums.like(state).illumination.shape == state.memory["light"].shape


@pytest.mark.gpu
@pytest.mark.parametrize("settings", [{"batch": 4}, {"likelihood": "poisson", "grouping": "sparse", "batch": 6}])
def test_a_pass_on_a_card_is_that_of_the_processor(settings):
    pytest.importorskip("cupy")
    card, objects = open_device("gpu"), []
    for device in (CPU, card):
        problem, _ = small(np.random.default_rng(2), noisy=True, real=np.float32)
        problem = replace(problem, counts=to_device(problem.counts, device), device=device)
        state = start_state(problem, 90 * curved_probe(16), 0)
        run(problem, state, 1, hold_probe=0, **settings)
        objects.append(to_host(state.object_))
    assert relative(objects[1], objects[0]) < tol.CARD_PASS


def test_settings_are_checked():
    with pytest.raises(InputError, match=r"key grouping: 'dense'; expected one of compact, sparse"):
        make_solver("least_squares", {"grouping": "dense"})
    with pytest.raises(InputError, match=r"key likelihood: 'normal'; expected one of amplitude, poisson"):
        make_solver("least_squares", {"likelihood": "normal"})
    with pytest.raises(InputError, match=r"key momentum: 1\.0; expected 0 to 0\.99"):
        make_solver("least_squares", {"momentum": 1})
