"""Solvers against the published formulas, a brute-force optimum, and known truth."""

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
    jax_loss,
    noise,
    plain_mask,
    plain_shift,
    plain_waves,
    problem_from_model,
    relative,
    smooth_object,
    spiral_px,
)

import scans
from recon import shares
from recon.backend import open_device, to_device, to_host
from recon.kernels import PassSums, residual_pass
from recon.probe import scaled_to_power, zone_plate_probe
from recon.problem import make_problem
from recon.solvers import SOLVERS, make_solver
from recon.solvers.pie import shuffled_batches
from recon.state import start_state
from recon.truth_error import truth_on_grid, well_lit
from scans.errors import InputError


def run(problem, state, name, passes, **settings):
    """Prepare a solver and take some passes."""
    solver = make_solver(name, settings)
    solver.prepare(problem, state)
    for _ in range(passes):
        residuals = solver.step(problem, state)
        state.iteration += 1
    return residuals


def everything(problem, state):
    """All frames as one batch."""
    return state.batch(problem, np.arange(problem.n_frames))


# --- against the publications ----------------------------------------------------------------------------


def published_pie(object_, probe, batch, order, weights):
    """One PIE sweep from the papers' formulas, one frame after the other.

    With chi = Π_F ψ - ψ and S = Σ|P_k|² over the modes (mixed states: Thibault & Menzel, Nature 494 (2013) 68),
    O += Σ P_k* chi_k / w_O(S), P_k += O* chi_k / w_P(|O|²), both from the old O and P. The formulas are written
    from memory of Maiden & Rodenburg 2009 (ePIE) and Maiden, Johnson & Li 2017 (rPIE).
    """
    object_, probe, n = object_.copy(), probe.copy(), probe.shape[-1]
    w, by_object, by_probe = fourier_matrix(n), *weights
    for j in order:
        (y, x), shift = batch.corners[j], batch.shifts[j]
        here = np.s_[y : y + n, x : x + n]
        patch = object_[here].copy()
        moved = np.stack([plain_shift(mode, shift) for mode in probe])
        field = w @ (moved * patch) @ w
        wanted = np.sqrt(batch.counts[j] / (np.abs(field) ** 2).sum(axis=0)) * field
        chi = w.conj() @ wanted @ w.conj() - moved * patch
        object_[here] += (moved.conj() * chi).sum(axis=0) / by_object((np.abs(moved) ** 2).sum(axis=0))
        for k in range(len(probe)):  # found where the frame is, then moved back to the common probe
            probe[k] += plain_shift(patch.conj() * chi[k], -shift) / by_probe(np.abs(patch) ** 2)
    return object_, probe


PUBLISHED = {
    "epie": ({"object_step": 0.8, "probe_step": 0.6}, (lambda s: s.max() / 0.8, lambda s: s.max() / 0.6)),
    "rpie": (
        {"alpha": 0.2, "beta": 0.7},
        (lambda s: 0.8 * s + 0.2 * s.max(), lambda s: 0.3 * s + 0.7 * s.max()),
    ),
}


@pytest.mark.parametrize("real_valued", [False, True])
@pytest.mark.parametrize("modes", [1, 2])
@pytest.mark.parametrize("name", PUBLISHED)
def test_pie_sweep_is_the_published_one(rng, name, modes, real_valued):
    settings, weights = PUBLISHED[name]
    positions = 20 + spiral_px(11, 2.7)
    if not real_valued:
        positions = np.rint(positions)
    truth = smooth_object(rng, (40, 40))
    problem = problem_from_model(truth, 50 * noise(rng, 1, 12, 12), positions)
    start = 50 * noise(rng, modes, 12, 12)
    state = start_state(problem, start, seed=3)
    state.object_ = noise(rng, 40, 40)
    if not real_valued:  # the weights act where the frame is: at whole pixels also on the unmoved probe
        assert not everything(problem, state).shifts.any()
    order = np.random.default_rng(3).permutation(11)
    expected = published_pie(state.object_, start, everything(problem, state), order, weights)
    run(problem, state, name, 1, hold_probe=0, batch=1, **settings)
    assert relative(state.object_, expected[0]) < tol.PASS_C128
    assert relative(state.probe, expected[1]) < tol.PASS_C128


def test_difference_map_step_is_the_published_one(rng):
    # ψ' = ψ + Π_F(2 P O - ψ) - P O, then the overlap solve; Thibault et al. 2009, β = 1 (from memory)
    problem = problem_from_model(
        smooth_object(rng, (40, 40)), 50 * noise(rng, 1, 12, 12), np.rint(20 + spiral_px(9, 3))
    )
    state = start_state(problem, 50 * noise(rng, 1, 12, 12), seed=0)
    state.object_ = noise(rng, 40, 40)
    batch, w = everything(problem, state), fourier_matrix(12)
    probes, psi, patches = plain_waves(state.object_, state.probe, batch)  # start: ψ = P O
    field = w @ psi[:, 0] @ w
    psi = w.conj() @ (np.sqrt(batch.counts) * field / np.abs(field)) @ w.conj()

    def overlap(weights, waves, old):
        """Least-squares overlap; a share of the largest weight pulls to the old value where little light falls."""
        pull = 1e-3 * weights.max()
        return (waves + pull * old) / (weights + pull)

    top, weight = np.zeros((40, 40), complex), np.zeros((40, 40))
    for j, (y, x) in enumerate(batch.corners):
        top[y : y + 12, x : x + 12] += probes[j, 0].conj() * psi[j]
        weight[y : y + 12, x : x + 12] += np.abs(probes[j, 0]) ** 2
    object_ = overlap(weight, top, state.object_)
    patches = np.stack([object_[y : y + 12, x : x + 12] for y, x in batch.corners])
    probe = overlap((np.abs(patches) ** 2).sum(axis=0), (patches.conj() * psi).sum(axis=0), state.probe[0])

    run(problem, state, "difference_map", 1, hold_probe=0, overlap_rounds=1)
    assert relative(state.memory["exit_waves"][:, 0], psi) < tol.PASS_C128
    assert relative(state.object_, object_) < tol.PASS_C128
    assert relative(state.probe[0], probe) < tol.PASS_C128


@pytest.mark.parametrize("name", SOLVERS)
def test_the_truth_is_a_fixed_point(rng, name):
    truth = smooth_object(rng, (44, 44))
    probe = 100 * curved_probe(20)
    problem = problem_from_model(truth, probe, 22 + spiral_px(14, 3.3))
    state = start_state(problem, probe, 0)
    state.object_ = truth.copy()
    residuals = run(problem, state, name, 3, hold_probe=0)
    assert relative(state.object_, truth) < tol.FIXED_POINT
    assert relative(state.probe, probe) < tol.FIXED_POINT
    assert residuals[0] / problem.sum_amplitude < tol.FIXED_POINT


# --- against a brute-force optimum -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def optimum():
    """Noisy frames of 16 px with a known probe, and the least amplitude loss that SciPy's L-BFGS finds for them."""
    jax = pytest.importorskip("jax")
    rng = np.random.default_rng(20260101)
    truth, probe = smooth_object(rng, (30, 30)), 60 * curved_probe(16, 3.0, 0.12)
    problem = problem_from_model(truth, probe, 15 + spiral_px(16, 3.0), rng=rng)
    state = start_state(problem, probe, 0)
    gradient = jax.jit(jax.value_and_grad(jax_loss(everything(problem, state), "amplitude")))

    def loss(v):
        value, slope = gradient(v.view(complex).reshape(30, 30), probe)
        return float(value), np.conj(np.asarray(slope)).ravel().view(float)

    start = state.object_.ravel().view(float).copy()
    options = {"maxiter": 2000, "maxfun": 5000, "ftol": 1e-12}
    best = scipy.optimize.minimize(loss, start, jac=True, method="L-BFGS-B", options=options)
    return problem, probe, lambda object_: loss(np.ascontiguousarray(object_).ravel().view(float))[0], best.fun


@pytest.mark.parametrize(
    ("name", "settings", "limit"),
    [("epie", {}, tol.OPTIMUM_EPIE), ("rpie", {"alpha": 0.01}, tol.OPTIMUM_RPIE)],
)
def test_full_batches_approach_the_optimum_of_the_amplitude_loss(optimum, name, settings, limit):
    # with all frames in a batch the family is a (preconditioned) descent on that loss, and has to end there too
    problem, probe, loss, least = optimum
    state = start_state(problem, probe, 0)
    before = loss(state.object_)
    run(problem, state, name, 300, hold_probe=10_000, batch=16, **settings)
    reached = loss(state.object_)
    assert before > 3 * least
    assert reached / least - 1 < limit, (reached, least)


# --- against known truth -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "settings"), [("rpie", {"alpha": 0.05}), ("difference_map", {})])
def test_real_valued_positions_leave_no_error_floor(rng, name, settings):
    # data of the model itself, probe known: what is left is the solver's own error
    truth, probe = smooth_object(rng, (52, 52)), 1000 * curved_probe(24)
    problem = problem_from_model(truth, probe, 26 + spiral_px(30, 3.6))
    errors = []
    for positions in (problem.positions_px, np.rint(problem.positions_px)):
        state = start_state(problem, probe, 1)
        state.positions_px = positions
        run(problem, state, name, 150, hold_probe=10_000, **settings)
        lit = _lit(problem, state)
        # the global phase is all that the frames leave open
        phase = np.exp(1j * np.angle(np.vdot(state.object_[lit], truth[lit])))
        errors.append(relative(phase * state.object_[lit], truth[lit]))
    assert errors[0] < tol.NO_FLOOR, errors
    assert errors[1] > 10 * errors[0], errors  # rounded to whole pixels: there is the floor


@pytest.fixture(scope="module")
def simulated():
    """Noise-free scan made by the simulation: finer grid, aberrations, nominal defocus 8 % wrong."""
    scan, truth = scans.build(
        "catalyst",
        frame_px=32,
        detector_pixel_m=264e-6,
        n_frames=81,
        step_m=90e-9,
        defocus_m=8e-6,
        edge_m=20e-9,
        photons_per_frame=1e7,
        poisson=False,
    )
    prepared = scans.prepare(scan)
    problem = make_problem(prepared, CPU)
    return prepared, problem, truth_on_grid(truth, *problem.coordinates_m())


@pytest.mark.parametrize(
    ("name", "settings", "passes"),
    [
        pytest.param("epie", {}, 80, marks=pytest.mark.slow),
        ("rpie", {"alpha": 0.1}, 90),
        pytest.param("difference_map", {}, 70, marks=pytest.mark.slow),
    ],
)
def test_noise_free_scans_are_solved_to_a_per_cent(simulated, name, settings, passes):
    # the whole model is unknown here but the nominal optic; truth from the independent simulation.
    prepared, problem, truth = simulated
    optic = prepared.scan.zone_plate
    probe = zone_plate_probe(prepared.geometry, optic, optic.defocus_m)
    state = start_state(problem, scaled_to_power(probe, problem.power), 0)
    run(problem, state, name, passes, **settings)
    assert state.object_.dtype == np.complex64
    error = complex_error(state.object_.astype(complex), truth, _lit(problem, state).astype(float))
    assert error < tol.SOLVED, error


def _lit(problem, state):
    sums = PassSums.like(state)
    residual_pass(state, everything(problem, state), sums)
    return well_lit(sums.illumination)


# --- the rest of the contract ------------------------------------------------------------------------------


def small(rng, **options):
    truth, probe = smooth_object(rng, (40, 40)), 80 * curved_probe(16)
    problem = problem_from_model(truth, probe, 20 + spiral_px(13, 3.0), rng=rng, **options)
    return problem, start_state(problem, 1.1 * probe, 0)


def test_masked_pixels_do_not_act(rng):
    mask = rng.random((1, 16, 16)) > 0.1
    problem, _ = small(np.random.default_rng(1), mask=mask)
    garbage, _ = small(np.random.default_rng(1), mask=mask)
    garbage.counts[np.broadcast_to(~mask, garbage.counts.shape)] = 1e6
    assert (~plain_mask(problem.batch(np.arange(13), problem.positions_px))).any()
    for name in SOLVERS:
        states = [start_state(problem, curved_probe(16) * 80, 0) for _ in range(2)]
        for one, state in zip((problem, garbage), states, strict=True):
            run(one, state, name, 4)
        np.testing.assert_array_equal(states[0].object_, states[1].object_)


@pytest.mark.parametrize("name", SOLVERS)
def test_probe_is_held_for_the_first_passes(rng, name):
    problem, state = small(rng)
    before = state.probe.copy()
    run(problem, state, name, 3, hold_probe=3)
    np.testing.assert_array_equal(state.probe, before)
    run(problem, state, name, 1, hold_probe=3)
    assert relative(state.probe, before) > 1e-4


def test_difference_map_does_not_depend_on_its_batches(rng):
    results = []
    for batch in (1, 4, 100):
        problem, state = small(np.random.default_rng(2))
        run(problem, state, "difference_map", 4, batch=batch)
        results.append(state.object_)
    assert max(relative(r, results[0]) for r in results) < tol.FIXED_POINT


@pytest.mark.parametrize("name", SOLVERS)
def test_threads_only_change_the_order_of_sums(monkeypatch, name):
    results = []
    for threads in (1, 3):
        monkeypatch.setattr(shares, "thread_count", lambda n=threads: n)
        problem, state = small(np.random.default_rng(2))
        residuals = run(problem, state, name, 4, batch=13)
        results.append((state.object_, state.probe, residuals))
    for one, three in zip(*results, strict=True):
        assert relative(three, one) < tol.FIXED_POINT


def test_an_error_in_a_thread_is_raised(monkeypatch, rng):
    monkeypatch.setattr(shares, "thread_count", lambda: 2)
    problem, state = small(rng)
    state.positions_px[-1] += 100  # outside the object
    with pytest.raises(ValueError, match="broadcast"):
        run(problem, state, "epie", 1, batch=13)


def test_every_pass_takes_every_frame_once(rng):
    batches = list(shuffled_batches(np.arange(23), 8, rng))
    assert [len(b) for b in batches] == [8, 8, 7]
    assert sorted(np.concatenate(batches)) == list(range(23))
    assert not np.array_equal(np.concatenate(batches), np.concatenate(list(shuffled_batches(np.arange(23), 8, rng))))


@pytest.mark.gpu
@pytest.mark.parametrize("name", SOLVERS)
def test_a_pass_on_a_card_is_that_of_the_processor(name):
    pytest.importorskip("cupy")
    card, objects = open_device("gpu"), []
    for device in (CPU, card):
        problem, _ = small(np.random.default_rng(2), real=np.float32)
        problem = replace(problem, counts=to_device(problem.counts, device), device=device)
        state = start_state(problem, 90 * curved_probe(16), 0)
        run(problem, state, name, 1, hold_probe=0)
        objects.append(to_host(state.object_))
    assert relative(objects[1], objects[0]) < tol.CARD_PASS


@pytest.mark.parametrize("name", SOLVERS)
def test_memory_estimate_grows_with_the_work(rng, name):
    problem, _ = small(rng)
    solver = make_solver(name, {"batch": 4})
    one, two = solver.memory_bytes(problem, 1), solver.memory_bytes(problem, 2)
    assert one < two
    waves = problem.n_frames if name == "difference_map" else 4
    assert one >= waves * 16 * 16 * 16  # exit waves that are held at once, complex128


def test_settings_are_checked():
    with pytest.raises(InputError, match=r"unknown solver 'rpi'.*one of epie, rpie, difference_map.*rpie"):
        make_solver("rpi", {})
    with pytest.raises(InputError, match=r"solver rpie, key alfa: unknown key.*alpha"):
        make_solver("rpie", {"alfa": 0.1})
    with pytest.raises(InputError, match=r"key alpha: 'a lot' of type str; expected a value of type float"):
        make_solver("rpie", {"alpha": "a lot"})
    with pytest.raises(InputError, match=r"key batch: 2.5 of type float; expected a value of type int"):
        make_solver("epie", {"batch": 2.5})
    with pytest.raises(InputError, match=r"key batch: True of type bool"):
        make_solver("epie", {"batch": True})
    with pytest.raises(InputError, match=r"key alpha: 1.5; expected 0.001 to 1.*-s solve.alpha=VALUE"):
        make_solver("rpie", {"alpha": 1.5})
    with pytest.raises(InputError, match=r"key object_step: nan; expected"):
        make_solver("epie", {"object_step": float("nan")})
    assert make_solver("rpie", {"alpha": 1}).alpha == 1.0
