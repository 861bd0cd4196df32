"""Momentum PIE and the projection solvers against formulas written out, a brute-force optimum and known truth."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize
import tolerances as tol
from helpers_core import (
    CPU,
    complex_error,
    curved_probe,
    fourier_matrix,
    noise,
    plain_shift,
    plain_waves,
    problem_from_model,
    relative,
    smooth_object,
    spiral_px,
)
from test_solvers import _lit, everything, published_pie, run, simulated, small  # noqa: F401  (a fixture)
from test_state import same

from recon import shares
from recon.backend import open_device, to_device, to_host
from recon.probe import scaled_to_power, zone_plate_probe
from recon.solvers import make_solver
from recon.solvers.momentum_pie import MomentumPIE
from recon.state import State, start_state
from scans.errors import InputError

PROJECTIONS = ("difference_map", "raar", "relaxed_projections")
# Loss over the least minus one, after the passes of the test; measured values behind, margins 1.3 to 1.5.
ABOVE_OPTIMUM = {
    "epie": 0.8,  # 0.547: dim pixels are slow
    "rpie": 0.07,  # 0.048
    "momentum_pie": 0.06,  # 0.041
    "difference_map": 1.0,  # 0.761: never settles with noise, 1.0 after 30 passes
    "raar": 0.08,  # 0.054, and there it stays
    "relaxed_projections": 0.027,  # 0.018, falling
    "maximum_likelihood": 0.022,  # 0.015, falling
}


@pytest.fixture(autouse=True)
def one_thread(monkeypatch):
    """Small frames do not pay for threads."""
    monkeypatch.setattr(shares, "thread_count", lambda: 1)


# --- against formulas written out, in float64 -----------------------------------------------------------------


def test_momentum_pie_is_rpie_with_the_published_momentum(rng):
    # rPIE steps of each frame times 0.4 and 0.6; after every 4 frames v <- 0.7 v + (O - O0), O <- O0 + v, probe alike:
    # Maiden, Johnson & Li 2017 (from memory). 11 frames: the count goes on through the passes.
    object_step, probe_step, eta = 0.4, 0.6, 0.7
    weights = (
        lambda s: (0.8 * s + 0.2 * s.max()) / object_step,
        lambda s: (0.3 * s + 0.7 * s.max()) / probe_step,
    )
    truth, positions = smooth_object(rng, (40, 40)), np.rint(20 + spiral_px(11, 2.7))
    problem = problem_from_model(truth, 50 * noise(rng, 1, 12, 12), positions)
    start = 50 * noise(rng, 2, 12, 12)
    state = start_state(problem, start, seed=3)
    state.object_ = noise(rng, 40, 40)
    batch, draws = everything(problem, state), np.random.default_rng(3)
    now = before = (state.object_.copy(), start)
    velocity, frames = [np.zeros_like(part) for part in now], 0
    for frame in [*draws.permutation(11), *draws.permutation(11)]:
        now, frames = published_pie(*now, batch, [frame], weights), frames + 1
        if frames % 4 == 0:
            velocity = [eta * v + (new - old) for v, new, old in zip(velocity, now, before, strict=True)]
            now = before = tuple(old + v for old, v in zip(before, velocity, strict=True))

    settings = {"alpha": 0.2, "beta": 0.7, "object_step": object_step, "probe_step": probe_step, "momentum": eta}
    run(problem, state, "momentum_pie", 2, momentum_frames=4, hold_probe=0, batch=1, **settings)
    assert relative(state.object_, now[0]) < tol.PASS_C128
    assert relative(state.probe, now[1]) < tol.PASS_C128


@pytest.mark.parametrize(("batch", "batches"), [(1, 30), (4, 8), (16, 2), (64, 1)])
def test_momentum_counts_frames_not_batches(monkeypatch, batch, batches):
    taken, made = [], []
    monkeypatch.setattr("recon.solvers.momentum_pie._momentum_step", lambda *_: taken.append(len(made)))
    problem, state = small(np.random.default_rng(1))
    solver = MomentumPIE(batch=batch)
    solver.prepare(problem, state)
    for _ in range(2 * batches):
        made.append(batch)
        solver.after_batch(state, batch)
    assert taken == [batches, batches, 2 * batches, 2 * batches]  # object and probe, after 30 frames or just more


def test_without_momentum_it_is_rpie(rng):
    states = []
    for name, settings in (("rpie", {}), ("momentum_pie", {"momentum": 0, "object_step": 1, "probe_step": 1})):
        problem, state = small(np.random.default_rng(2))
        run(problem, state, name, 4, alpha=0.3, beta=0.6, **settings)
        states.append(state)
    assert relative(states[1].object_, states[0].object_) < tol.PASS_C128
    assert relative(states[1].probe, states[0].probe) < tol.PASS_C128


def project_on_modulus(psi, batch, background):
    """Π_F ψ of ``(J, M, N, N)``: fitted pixels get the modulus that explains the counts beside the background."""
    w = fourier_matrix(psi.shape[-1])
    field = w @ psi @ w
    expected = ((np.abs(field) ** 2).sum(axis=1) + background) * batch.response
    ratio = np.where(batch.mask, np.sqrt(batch.counts / expected), 1)
    return w.conj() @ (ratio[:, None] * field) @ w.conj()


def project_on_overlap(chi, object_, probe, corners, rounds):
    """Object and probe that fit χ, by turns from old ones; a share of the largest weight pulls to the old values."""
    n = probe.shape[-1]
    for _ in range(rounds):
        top, weight = np.zeros_like(object_), np.zeros(object_.shape)
        for one, (y, x) in zip(chi, corners, strict=True):
            top[y : y + n, x : x + n] += (probe.conj() * one).sum(axis=0)
            weight[y : y + n, x : x + n] += (np.abs(probe) ** 2).sum(axis=0)
        pull = 1e-3 * weight.max()
        object_ = (top + pull * object_) / (weight + pull)
        patches = np.stack([object_[y : y + n, x : x + n] for y, x in corners])[:, None]
        weight = (np.abs(patches) ** 2).sum(axis=0)
        pull = 1e-3 * weight.max()
        probe = ((patches.conj() * chi).sum(axis=0) + pull * probe) / (weight + pull)
    return object_, probe


def published_raar(psi, in_modulus, overlap, beta=0.8):
    """``ψ <- β [Π_O(2 Π_F ψ - ψ) + ψ] + (1 - 2β) Π_F ψ``: Luke 2005 (from memory)."""
    return beta * (overlap(2 * in_modulus - psi) + psi) + (1 - 2 * beta) * in_modulus


def published_relaxed(psi, in_modulus, overlap, a=0.9, b=1.4):
    """``ψ <- Π_O^a Π_F^b ψ``, ``Π^w = 1 + w (Π - 1)``."""
    moved = psi + b * (in_modulus - psi)
    return moved + a * (overlap(moved) - moved)


FORMULAS = {
    "raar": (published_raar, {"relaxation": 0.8}),
    "relaxed_projections": (published_relaxed, {"overlap_relaxation": 0.9, "modulus_relaxation": 1.4}),
    "relaxed_projections, a = 1": (
        lambda *args: published_relaxed(*args, a=1, b=1.4),
        {"overlap_relaxation": 1, "modulus_relaxation": 1.4},
    ),
}


def detector_problem(rng):
    """Whole-pixel positions, a mask, a response, a background and two modes; the state starts at random."""
    mask = rng.random((1, 12, 12)) > 0.1
    positions = np.rint(20 + spiral_px(9, 3))
    problem = problem_from_model(smooth_object(rng, (40, 40)), 50 * noise(rng, 1, 12, 12), positions, mask=mask)
    problem = replace(problem, response=rng.uniform(0.5, 2, (9, 12, 12)))
    state = start_state(problem, 50 * noise(rng, 2, 12, 12), seed=0)
    state.object_, state.background = noise(rng, 40, 40), rng.uniform(0, 3, (12, 12))
    return problem, state


@pytest.mark.parametrize("case", FORMULAS)
def test_projection_passes_are_the_published_ones(rng, case):
    formula, settings = FORMULAS[case]
    problem, state = detector_problem(rng)
    batch = everything(problem, state)
    object_, probe = state.object_.copy(), state.probe.copy()
    psi = plain_waves(object_, probe, batch)[1]  # start: ψ = P O

    def overlap(chi):
        nonlocal object_, probe
        object_, probe = project_on_overlap(chi, object_, probe, batch.corners, 2)
        return plain_waves(object_, probe, batch)[1]

    for _ in range(3):
        psi = formula(psi, project_on_modulus(psi, batch, state.background), overlap)
    run(problem, state, case.split(",")[0], 3, hold_probe=0, overlap_rounds=2, batch=4, **settings)
    assert relative(state.object_, object_) < tol.PASS_C128
    assert relative(state.probe, probe) < tol.PASS_C128


# --- against a brute-force optimum ----------------------------------------------------------------------------

SIDE, FRAMES = 26, 16


@pytest.fixture(scope="module")
def optimum():
    """Noisy 16-px frames, known probe: problem, loss, and the least loss that L-BFGS finds near the truth.

    Loss ``Σ (√i - √I)²`` and its gradient from the definition, with explicit transform matrices; SciPy's
    L-BFGS-B in float64 from the truth with noise, unknowns scaled by the root of the light on them.
    """
    rng = np.random.default_rng(20260101)
    truth, probe = smooth_object(rng, (SIDE, SIDE)), 300 * curved_probe(16, 3.0, 0.12)
    problem = problem_from_model(truth, probe, SIDE // 2 + spiral_px(FRAMES, 2.5), rng=rng)
    batch, w, root = everything(problem, start_state(problem, probe, 0)), fourier_matrix(16), np.sqrt(problem.counts)
    moved = np.stack([plain_shift(probe[0], shift) for shift in batch.shifts])
    rows, columns = (batch.corners[:, k, None] + np.arange(16) for k in (0, 1))
    where = (rows[:, :, None] * SIDE + columns[:, None, :]).ravel()
    light = np.bincount(where, (np.abs(moved) ** 2).ravel(), SIDE**2)
    scale = 1 / np.sqrt(light + 1e-4 * light.max())

    def loss_and_slope(v):
        field = w @ (moved * (scale * v.view(complex))[where].reshape(moved.shape)) @ w
        modulus = np.abs(field)
        back = moved.conj() * (w.conj() @ (field - root * field / np.maximum(modulus, 1e-30)) @ w.conj())
        slope = [np.bincount(where, part.ravel(), SIDE**2) for part in (back.real, back.imag)]
        return float(((modulus - root) ** 2).sum()), 2 * np.stack([scale * part for part in slope], axis=1).ravel()

    def loss(object_):
        return loss_and_slope((object_.ravel() / scale).view(float))[0]

    start = ((truth + 0.05 * noise(rng, SIDE, SIDE)).ravel() / scale).view(float)
    way = rng.normal(size=start.size)
    rise = (loss_and_slope(start + 1e-5 * way)[0] - loss_and_slope(start - 1e-5 * way)[0]) / 2e-5
    assert abs(rise / np.vdot(way, loss_and_slope(start)[1]) - 1) < 1e-5
    options = {"maxiter": 3000, "maxfun": 5000, "ftol": 1e-13, "gtol": 1e-9}
    best = scipy.optimize.minimize(loss_and_slope, start, jac=True, method="L-BFGS-B", options=options)
    assert best.fun < loss(truth)
    return problem, probe, loss, best.fun


@pytest.mark.parametrize(
    ("name", "settings", "passes"),
    [
        ("epie", {"batch": FRAMES}, 150),
        ("rpie", {"batch": FRAMES, "alpha": 0.01}, 150),
        ("momentum_pie", {"batch": FRAMES, "alpha": 0.01, "object_step": 1.0}, 100),
        ("difference_map", {}, 15),  # with noise it leaves the solution again later
        ("raar", {}, 100),
        ("relaxed_projections", {}, 100),
        ("maximum_likelihood", {"likelihood": "amplitude"}, 100),
    ],
)
def test_solvers_end_at_the_optimum_of_the_amplitude_loss(optimum, name, settings, passes):
    # from a flat object; with all frames in a batch the PIE family is a preconditioned descent on that loss
    problem, probe, loss, least = optimum
    state = start_state(problem, probe, 0)
    before = loss(state.object_)
    run(problem, state, name, passes, hold_probe=10_000, **settings)
    reached = loss(state.object_)
    assert before > 10 * least
    assert -1e-9 < reached / least - 1 < ABOVE_OPTIMUM[name], (reached, least)


def test_plain_alternating_projections_never_raise_the_loss(optimum):
    # error reduction: each projection is the nearest point; Fienup, Appl. Opt. 21 (1982) 2758 (from memory)
    problem, probe, loss, _ = optimum
    state = start_state(problem, probe, 0)
    solver = make_solver("relaxed_projections", {"modulus_relaxation": 1, "hold_probe": 10_000})
    solver.prepare(problem, state)
    losses = [loss(state.object_)]
    for _ in range(30):
        solver.step(problem, state)
        losses.append(loss(state.object_))
    assert np.all(np.diff(losses) < 0)


# --- against known truth --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "settings", "passes"),
    [
        ("momentum_pie", {}, 40),
        ("raar", {"overlap_rounds": 1, "relaxation": 0.9}, 50),
        ("relaxed_projections", {"overlap_rounds": 1, "modulus_relaxation": 1.9}, 105),
    ],
)
def test_noise_free_scans_are_solved_to_a_per_cent(simulated, name, settings, passes):  # noqa: F811
    prepared, problem, truth = simulated
    optic = prepared.scan.zone_plate
    probe = zone_plate_probe(prepared.geometry, optic, optic.defocus_m)
    state = start_state(problem, scaled_to_power(probe, problem.power), 0)
    run(problem, state, name, passes, **settings)
    error = complex_error(state.object_.astype(complex), truth, _lit(problem, state).astype(float))
    assert error < tol.SOLVED, error


# --- the rest of the contract ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "settings"),
    [
        ("momentum_pie", {"batch": 3, "momentum_frames": 7}),  # the count of frames is inside a step at the cut
        ("difference_map", {"batch": 5}),
        ("raar", {"batch": 5}),
        ("relaxed_projections", {"batch": 5, "overlap_relaxation": 0.8}),
    ],
)
def test_a_resumed_run_ends_with_the_same_bytes(name, settings):
    problem, state = small(np.random.default_rng(2), real=np.float32)
    run(problem, state, name, 7, **settings)
    problem, first = small(np.random.default_rng(2), real=np.float32)
    run(problem, first, name, 4, **settings)
    resumed = State.from_checkpoint(first.to_checkpoint(), CPU)
    run(problem, resumed, name, 3, **settings)
    same(resumed, state)


@pytest.mark.parametrize("name", ["raar", "relaxed_projections"])
def test_projections_do_not_depend_on_their_batches(name):
    results = []
    for batch in (1, 4, 100):
        problem, state = small(np.random.default_rng(2))
        run(problem, state, name, 4, batch=batch)
        results.append(state.object_)
    assert max(relative(r, results[0]) for r in results) < tol.FIXED_POINT


@pytest.mark.parametrize("name", ["momentum_pie", *PROJECTIONS])
def test_frames_set_aside_take_no_part(name):
    results = []
    for batch, garbage in ((1, 1.0), (1, 9.0), (5, 9.0)):  # a frame a batch leaves no gaps
        problem, state = small(np.random.default_rng(2))
        state.aside = np.array([2, 7])
        problem.counts[state.aside] *= garbage
        run(problem, state, name, 4, batch=batch)
        results.append(state.object_)
    np.testing.assert_array_equal(results[1], results[0])
    if name in PROJECTIONS:
        assert relative(results[2], results[0]) < tol.FIXED_POINT


@pytest.mark.parametrize("name", PROJECTIONS)
def test_a_path_without_moves_changes_nothing(name):
    results = []
    for points in (0, 2):
        problem, state = small(np.random.default_rng(2))
        if points:
            problem = replace(problem, path_px=np.zeros((problem.n_frames, points, 2)))
        run(problem, state, name, 4, hold_probe=1)
        results.append(state.object_)
    assert relative(results[1], results[0]) < tol.PASS_C128


@pytest.mark.parametrize("name", PROJECTIONS)
def test_slices_are_refused(rng, name):
    problem, state = small(rng)
    state.object_ = np.stack([state.object_] * 3)
    with pytest.raises(InputError, match=r"an object of 3 slices.*one slice.*rpie.*maximum_likelihood"):
        make_solver(name, {}).prepare(problem, state)


@pytest.mark.parametrize("name", ["momentum_pie", *PROJECTIONS])
def test_what_is_remembered_is_in_the_memory_estimate(rng, name):
    problem, state = small(rng)
    state.probe = np.concatenate([state.probe, 0.1j * state.probe])
    run(problem, state, name, 1)
    kept = sum(array.nbytes for array in state.memory.values())
    assert kept <= make_solver(name, {"batch": 1}).memory_bytes(problem, 2) < 4 * kept


@pytest.mark.parametrize("name", ["momentum_pie", *PROJECTIONS])
def test_a_pass_in_single_precision_is_that_in_double(xp, name):
    device = CPU if xp is np else open_device("gpu")
    objects = []
    for real, where in ((np.float64, CPU), (np.float32, device)):
        problem, _ = small(np.random.default_rng(2), real=np.float64)
        problem = replace(problem, counts=to_device(problem.counts.astype(real), where), device=where)
        state = start_state(problem, 90 * curved_probe(16), 0)
        run(problem, state, name, 2, hold_probe=0, **({"momentum_frames": 8} if name == "momentum_pie" else {}))
        assert {array.dtype for array in state.memory.values()} <= {np.dtype(problem.complex_dtype), np.dtype(int)}
        objects.append(to_host(state.object_))
    assert objects[1].dtype == np.complex64
    assert relative(objects[1], objects[0]) < tol.CARD_PASS


@pytest.mark.parametrize(
    ("name", "key", "value"),
    [
        ("momentum_pie", "momentum", 1.0),
        ("momentum_pie", "momentum_frames", 0),
        ("momentum_pie", "object_step", 0.0),
        ("raar", "relaxation", 1.1),
        ("relaxed_projections", "modulus_relaxation", 2.0),
        ("relaxed_projections", "overlap_relaxation", 0.0),
        ("raar", "overlap_rounds", 0),
        ("difference_map", "average", 0),
    ],
)
def test_settings_out_of_range_are_refused(name, key, value):
    with pytest.raises(InputError, match=rf"key {key}: "):
        make_solver(name, {key: value})
