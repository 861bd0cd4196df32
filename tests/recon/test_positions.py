"""Positions and what else is refined: against JAX, dense sums and analytic waves, and on scans of known truth."""

from dataclasses import replace

import numpy as np
import pytest
import tolerances as tol
from helpers_core import (
    CPU,
    curved_probe,
    fourier_matrix,
    problem_from_model,
    relative,
    smooth_object,
    spiral_px,
)
from test_state import same

import scans
from recon import affine_refinement, shares
from recon.affine_refinement import (
    CURVATURE,
    NO_SCALE,
    ORDERS,
    affine_moments,
    affine_step,
    apply_affine,
    apply_phase,
    global_step,
)
from recon.backend import open_device
from recon.global_directions import Directions, loss_of
from recon.gradients import measure
from recon.kernels import PassSums, residual_pass
from recon.likelihoods import make_likelihood
from recon.position_search import anneal, expected_places, frame_losses, rings, search, search_worst, set_aside_trapped
from recon.probe import scaled_to_power, zone_plate_probe
from recon.problem import make_problem
from recon.solvers import make_solver, maximum_likelihood
from recon.solvers.maximum_likelihood import MaximumLikelihood
from recon.solvers.refining import WIDEST_PX, Refining
from recon.state import State, start_state
from recon.unknowns import descent_of, set_values, unknowns, values, within_object
from scans.errors import InputError
from scans.scenario import scenario

SIZE, SHAPE = 32, (76, 76)
POISSON = make_likelihood("poisson")


@pytest.fixture(autouse=True)
def one_thread(monkeypatch):
    """Small frames do not pay for threads."""
    monkeypatch.setattr(shares, "thread_count", lambda: 1)


def solved(rng, *, n_frames=49, photons=1e6, noisy=False, real=np.float64):
    """Problem of known truth, and the state that is the truth."""
    object_, probe = smooth_object(rng, SHAPE, depth=1.5), np.sqrt(photons) * curved_probe(SIZE)
    positions = 38.2 + spiral_px(n_frames, 3.0)
    problem = problem_from_model(object_, probe, positions, rng=rng if noisy else None, real=real)
    state = start_state(problem, probe, seed=4)
    state.object_ = object_.astype(problem.complex_dtype)
    return problem, state


def misplaced(problem, by):
    """The problem whose recorded positions are wrong, and the state before its first pass."""
    problem = replace(problem, positions_px=problem.positions_px + by)
    probe = np.sqrt(problem.power) * curved_probe(SIZE)
    return problem, start_state(problem, probe, seed=4)


def passes(solver, problem, state, n):
    """Take some passes as the loop does."""
    if not state.iteration:
        solver.prepare(problem, state)
    for _ in range(n):
        residuals = solver.step(problem, state)
        state.iteration, state.stage_pass = state.iteration + 1, state.stage_pass + 1
    return residuals


def errors(state, truth):
    """Lengths of the errors of positions, their common shift removed [pixels]."""
    error = state.positions_px - truth
    return np.hypot(*(error - error.mean(axis=0)).T)


def counts_of(state, j):
    """Counts of frame j by transform matrices."""
    w, f, at = fourier_matrix(SIZE), np.fft.fftfreq(SIZE), state.positions_px[j] - SIZE // 2
    corner = np.rint(at).astype(int)
    rows, columns = (slice(k, k + SIZE) for k in corner)
    ramp = np.exp(-2j * np.pi * ((at - corner)[0] * f[:, None] + (at - corner)[1] * f))
    wave = w.conj() @ (ramp * (w @ state.probe[0] @ w)) @ w.conj()
    return np.abs(w @ (wave * state.object_[rows, columns]) @ w) ** 2


# --- one map of all positions -------------------------------------------------------------------------------------


def dense_expected(problem, state, theta):
    """Expected counts with the four elements of A and the three numbers of the curvature, from the definition.

    Positions by A about their middle, the object changed by -grad O . A (x - c) with central differences, the phase
    q . (fy fy, fy fx, fx fx) on the probe's spectrum.
    """
    a, q, w, f = theta[:4].reshape(2, 2), theta[4:], fourier_matrix(SIZE), np.fft.fftfreq(SIZE)
    middle, corners = state.positions_px.mean(axis=0), np.rint(state.positions_px - SIZE // 2).astype(int)
    y, x = (np.arange(float(k)) - m for k, m in zip(SHAPE, middle, strict=True))
    down, right = np.gradient(state.object_)
    change = down * (a[0, 0] * y[:, None] + a[0, 1] * x) + right * (a[1, 0] * y[:, None] + a[1, 1] * x)
    moved = state.positions_px + (state.positions_px - middle) @ a.T
    phase = q[0] * f[:, None] ** 2 + q[1] * f[:, None] * f + q[2] * f**2
    found = []
    for corner, at in zip(corners, moved, strict=True):
        shift = at - SIZE // 2 - corner
        ramp = np.exp(1j * phase - 2j * np.pi * (shift[0] * f[:, None] + shift[1] * f))
        wave = w.conj() @ (ramp * (w @ state.probe[0] @ w)) @ w.conj()
        rows, columns = (slice(k, k + SIZE) for k in corner)
        found.append(np.abs(w @ (wave * (state.object_ - change)[rows, columns]) @ w) ** 2)
    return np.array(found) + state.background


def test_moments_are_slope_and_gauss_newton_curvature(rng):
    problem, state = solved(rng, n_frames=7, photons=2e4, noisy=True)
    state.object_ = state.object_ * np.exp(0.1j * rng.normal(size=SHAPE))  # away from the minimum
    state.background = rng.gamma(2, 0.5, (SIZE, SIZE))
    mask, counts = rng.random((1, SIZE, SIZE)) > 0.1, problem.counts
    forces, stiffness = affine_moments(replace(problem, mask=mask), state, make_likelihood("gaussian"))
    e = dense_expected(problem, state, np.zeros(7))
    steps = 1e-5 * np.eye(7)
    slopes = [(dense_expected(problem, state, s) - dense_expected(problem, state, -s)) / 2e-5 for s in steps]
    # weighted least squares of counts, 1 / (I + 1) their variance, and central differences of the dense model
    expected = [-(slope * (e - counts) / (counts + 1) * mask).sum() for slope in slopes]
    assert relative(forces, expected) < 1e-7  # measured 2e-9
    dense = np.einsum("ajyx,jyx,bjyx->ab", slopes, mask / (e + 0.1), slopes)
    assert relative(stiffness, dense) < 1e-7  # measured 3e-10


def waves(y, x):
    """Object of three plane waves of periods of 12 pixels and more, known at every real-valued place."""
    turns = np.array([[0.06, 0.03], [-0.05, 0.06], [0.02, -0.08]])
    return 1 + sum((0.2 + 0.1j * k) * np.exp(2j * np.pi * (a * y + b * x)) for k, (a, b) in enumerate(turns))


def test_the_object_follows_the_map(rng):
    _problem, state = solved(rng)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    state.object_ = waves(y, x)
    before, middle = state.positions_px.copy(), state.positions_px.mean(axis=0)
    matrix = np.array([[0.02, -0.013], [0.008, -0.015]])
    apply_affine(state, matrix)
    away = before - middle
    # r' = c + (1 + A)(r - c), and what was at r is at r'
    np.testing.assert_allclose(state.positions_px, middle + away @ (np.eye(2) + matrix).T, atol=1e-12)
    np.testing.assert_allclose(state.positions_px.mean(axis=0), middle, atol=1e-12)
    back = np.linalg.inv(np.eye(2) + matrix)
    from_y, from_x = (back @ np.stack([y - middle[0], x - middle[1]]).reshape(2, -1)).reshape(2, *SHAPE)
    inner = np.s_[8:-8, 8:-8]
    # fifth-order splines (Unser, IEEE Signal Process. Mag. 16 (1999) 22) of waves of 12 pixels; measured 3.4e-5
    assert relative(state.object_[inner], waves(middle[0] + from_y, middle[1] + from_x)[inner]) < 2e-4


def test_curvature_is_the_defocus_of_a_gaussian_beam(rng):
    _problem, state = solved(rng)
    y, x = np.mgrid[:SIZE, :SIZE] - SIZE // 2
    state.probe = np.exp(-(y**2 / (2 * 3.0**2)) - x**2 / (2 * 4.0**2))[None].astype(complex)
    apply_phase(state, np.array([20.0, 0.0, -15.0]), CURVATURE)
    # exp(-x²/2s²) has the spectrum s exp(-2π² s² f²): the phase q f² makes s² - iq/2π² of s²
    wide = [s**2 - 1j * q / (2 * np.pi**2) for s, q in ((3.0, 20.0), (4.0, -15.0))]
    profiles = [s / np.sqrt(w) * np.exp(-(r**2) / (2 * w)) for s, w, r in zip((3, 4), wide, (y, x), strict=True)]
    assert relative(state.probe[0], profiles[0] * profiles[1]) < 1e-3  # the beam is cut at the frame's edge

    state.probe = curved_probe(SIZE)
    w, f = fourier_matrix(SIZE), np.fft.fftfreq(SIZE)
    turned = w.conj() @ (np.exp(7j * f[:, None] * f) * (w @ state.probe[0] @ w)) @ w.conj()
    apply_phase(state, np.array([0.0, 7.0, 0.0]), CURVATURE)
    assert relative(state.probe[0], turned) < tol.PASS_C128


@pytest.mark.parametrize("curvature", [(0.0, 0.0, 0.0), (12.0, -5.0, 8.0)])
def test_a_stretch_of_object_and_positions_is_undone(rng, curvature):
    problem, state = solved(rng)
    truth, probe = state.positions_px.copy(), state.probe.copy()
    apply_affine(state, np.array([[0.03, -0.02], [0.01, 0.02]]))
    apply_phase(state, np.array(curvature), CURVATURE)
    assert errors(state, truth).max() > 0.4
    middle = state.positions_px.mean(axis=0)
    for _ in range(6):
        affine_step(problem, state, POISSON)
        np.testing.assert_allclose(state.positions_px.mean(axis=0), middle, atol=1e-9)
    # measured 0.003 px: the object was resampled seven times
    assert errors(state, truth).max() < 0.02
    assert relative(state.probe, probe) < 0.01


def test_corners_stay_until_a_position_is_far_off(rng):
    problem, state = solved(rng, n_frames=6)
    state.positions_px = np.rint(state.positions_px) + 0.4
    near = state.batch(problem, np.arange(6))
    assert not state.hold_corners()
    state.positions_px[2] += (0.3, -0.1)
    held = state.batch(problem, np.arange(6))
    np.testing.assert_array_equal(held.corners, near.corners)
    np.testing.assert_allclose(held.shifts[2], (0.7, 0.3))
    assert not state.hold_corners(0.8)
    assert state.hold_corners(0.6)
    moved = state.batch(problem, np.arange(6))
    np.testing.assert_array_equal(moved.corners[2], near.corners[2] + [1, 0])
    np.testing.assert_array_equal(moved.corners[[0, 1, 3, 4, 5]], near.corners[[0, 1, 3, 4, 5]])
    again = State.from_checkpoint(state.to_checkpoint(), problem.device)
    np.testing.assert_array_equal(again.corners, state.corners)


def test_the_likelihood_does_not_jump_where_corners_are_held(rng):
    problem, state = solved(rng, n_frames=6, photons=2e4, noisy=True)
    state.probe = state.probe + rng.normal(size=(1, SIZE, SIZE))  # light at the frame's edge, as noise leaves it
    state.positions_px = np.rint(state.positions_px)

    def jump():
        losses = []
        for offset in (0.5 - 1e-9, 0.5 + 1e-9):
            state.positions_px[3, 1] = np.rint(problem.positions_px[3, 1]) + offset
            losses.append(loss_of(problem, state, POISSON, np.arange(6)))
        return abs(losses[1] - losses[0])

    free = jump()
    state.hold_corners()
    assert jump() < 1e-4 * free


def test_a_frame_that_sees_nothing_stays_where_it_is(rng):
    problem, state = solved(rng, n_frames=12, photons=2e4, noisy=True)
    row, column = state.batch(problem, np.array([7])).corners[0]
    state.object_[row : row + SIZE, column : column + SIZE] = 1
    before = state.positions_px.copy()
    passes(make_solver("maximum_likelihood", {}, "positions"), problem, state, 1)
    moved = (state.positions_px != before).any(axis=1)
    assert not moved[7]
    assert moved.sum() > 6


def test_likelihood_lets_corners_go_at_its_end(rng):
    problem, state = solved(rng, n_frames=12, photons=2e4, noisy=True)
    solver = make_solver("maximum_likelihood", {}, "positions")
    passes(solver, problem, state, 3)
    assert state.corners is not None
    solver.finish(problem, state)
    assert state.corners is None


def test_a_step_without_scale_turns_and_shears_only(rng):
    problem, state = solved(rng)
    truth = state.positions_px.copy()
    apply_affine(state, np.array([[0.015, -0.03], [0.02, -0.015]]))
    for _ in range(6):
        before = state.positions_px - state.positions_px.mean(axis=0)
        matrix = affine_step(problem, state, POISSON, ways=NO_SCALE)
        assert abs(np.trace(matrix)) < 1e-12
        share = np.linalg.lstsq(before, state.positions_px - state.positions_px.mean(axis=0) - before, rcond=None)[0]
        assert abs(np.trace(share)) < 1e-9
    assert errors(state, truth).max() < 0.03


def test_steps_of_the_map_are_limited_and_slices_are_left_alone(rng):
    problem, state = solved(rng, n_frames=12)
    state.object_ = np.conj(state.object_)
    for _ in range(3):
        before = state.positions_px.copy()
        affine_step(problem, state, POISSON, gain=1e6)
        assert np.abs(state.positions_px - before).max() < affine_refinement.LONGEST_PX + 1e-9
    state.object_ = np.stack([state.object_, state.object_])
    before = state.keep()
    assert not affine_step(problem, state, POISSON).any()
    assert all(np.array_equal(before[name], array) for name, array in state.parts().items())


def test_moments_of_higher_phases_are_slope_and_curvature(rng):
    # central differences of the loss, and of the expected counts, along each phase
    problem, state = solved(rng, n_frames=5, photons=2e4, noisy=True)
    state.object_ = state.object_ * np.exp(0.1j * rng.normal(size=SHAPE))
    frames, start, step = np.arange(5), state.probe.copy(), 1e-4
    ways = Directions.of(problem, state, ORDERS, positions=False)
    forces, stiffness, most = ways.moments(problem, state, POISSON, frames)
    assert forces.shape == (12,)

    def at(numbers):
        state.probe = start.copy()
        apply_phase(state, numbers, ORDERS)
        batch = state.batch(problem, frames)
        return loss_of(problem, state, POISSON, frames), residual_pass(state, batch, PassSums.like(state))

    pairs = [(at(step * one), at(-step * one)) for one in np.eye(12)]
    slopes = [-(up[0] - down[0]) / (2 * step) for up, down in pairs]
    assert relative(forces, slopes) < 1e-6
    changes = np.array([(up[1] - down[1]) / (2 * step) for up, down in pairs])
    _, expected = at(np.zeros(12))
    dense = np.einsum("ajyx,jyx,bjyx->ab", changes, 1 / (expected + 0.1), changes)
    assert relative(stiffness, dense) < 1e-6
    assert (np.diag(stiffness) < most).all()  # Cauchy and Schwarz


def test_a_wrong_defocus_and_coma_are_undone(rng):
    problem, state = solved(rng)
    probe, numbers = state.probe.copy(), np.zeros(12)
    numbers[[0, 1, 2, 3, 5]] = 4.0, -2.0, 5.0, 10.0, -8.0
    apply_phase(state, numbers, ORDERS)
    wrong = relative(state.probe, probe)
    for _ in range(3):
        global_step(problem, state, POISSON, positions=False)
    assert relative(state.probe, probe) < 0.02 * wrong


def test_frames_without_a_sample_tell_no_phase(rng):
    # the modulus of a probe's spectrum is all that they show (a textbook fact)
    probe = 1e3 * curved_probe(SIZE)
    problem = problem_from_model(np.ones(SHAPE, complex), probe, 24 + spiral_px(12, 3.0), rng=rng)
    state = start_state(problem, probe, 0)
    for positions in (False, True):
        global_step(problem, state, POISSON, positions=positions)
        assert relative(state.probe, probe) < 1e-6
        np.testing.assert_allclose(state.positions_px, problem.positions_px, atol=1e-6)


def test_a_step_after_which_the_frames_fit_worse_is_not_taken(rng, monkeypatch):
    problem, state = solved(rng, n_frames=12, photons=2e4, noisy=True)
    before = state.keep()
    monkeypatch.setattr(affine_refinement, "_newton", lambda forces, stiffness, most: 50.0 * np.ones(len(forces)))
    global_step(problem, state, POISSON, positions=True)
    assert all(np.array_equal(before[name], array) for name, array in state.parts().items())


def test_the_map_comes_from_enough_frames_and_not_from_those_aside(rng, monkeypatch):
    problem, state = solved(rng, n_frames=20, photons=1e5, noisy=True)
    apply_affine(state, np.array([[0.02, 0.0], [0.0, 0.02]]))
    whole = affine_moments(problem, state, POISSON)
    monkeypatch.setattr(affine_refinement, "ENOUGH", 10)
    thinned = affine_moments(problem, state, POISSON)
    monkeypatch.undo()
    parts = []
    for first in (0, 1):
        state.aside = np.arange(1 - first, 20, 2)
        parts.append(affine_moments(problem, state, POISSON))
    for k in (0, 1):  # every other frame, and the two halves add up
        np.testing.assert_allclose(thinned[k], parts[0][k], rtol=1e-12)
        assert relative(parts[0][k] + parts[1][k], whole[k]) < tol.EXACT_SUM


# --- search -------------------------------------------------------------------------------------------------------


def test_rings_cover_their_circle(rng):
    offsets = rings(4.0, 0.7)
    np.testing.assert_array_equal(offsets[0], 0)
    lengths = np.hypot(*offsets.T)
    assert lengths.max() <= 4.0
    assert (np.diff(lengths) > -1e-12).all()
    radius, angle = 4.0 * np.sqrt(rng.random(2000)), 2 * np.pi * rng.random(2000)
    points = np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=1)
    points = points[radius < 4.0 - 0.7]  # the grid's own cells near the rim may be cut
    nearest = np.hypot(*(points[:, None] - offsets).transpose(2, 0, 1)).min(axis=1)
    assert nearest.max() <= 0.7 / np.sqrt(2) + 1e-12
    np.testing.assert_array_equal(rings(0.3, 1.0), [[0, 0]])


def test_search_finds_a_known_displacement(rng):
    problem, state = solved(rng)
    index, moved = np.array([3, 20, 31]), np.array([[4.0, -3.0], [-2.5, 5.0], [0.0, 6.5]])
    truth = state.positions_px.copy()
    state.positions_px[index] += moved
    kept = state.positions_px.copy()
    found = search(problem, state, POISSON, index, rings(7.0, 0.5))
    np.testing.assert_allclose(found, truth[index], atol=1e-9)  # the displacements lie on the grid
    np.testing.assert_array_equal(state.positions_px, kept)
    # from elsewhere; and with no offset that is better the positions stay
    found = search(problem, state, POISSON, index, rings(1.0, 0.5), truth[index] + 0.5)
    np.testing.assert_allclose(found, truth[index], atol=1e-9)
    state.positions_px = truth.copy()
    np.testing.assert_array_equal(search(problem, state, POISSON, index, rings(2.0, 1.5)), truth[index])


def test_annealing_finds_what_is_near_and_keeps_the_mean(rng):
    problem, state = solved(rng)
    truth = state.positions_px.copy()
    assert anneal(problem, state, POISSON, 4.0) == 0  # every frame is at its best place
    np.testing.assert_allclose(state.positions_px, truth, atol=1e-12)
    state.positions_px[[3, 20]] += [[2.0, -1.0], [-1.5, 1.5]]
    state.aside, middle = np.array([20]), state.positions_px[np.arange(49) != 20].mean(axis=0)
    kept, last = state.positions_px[20].copy(), errors(state, truth)[3]
    moved = 0.0
    for reach in np.geomspace(4.0, 0.5, 20):
        moved += anneal(problem, state, POISSON, reach)
    assert moved >= 1 / 48
    assert errors(state, truth)[3] < 0.25 * last
    np.testing.assert_array_equal(state.positions_px[20], kept)  # aside, it takes no part
    np.testing.assert_allclose(state.positions_px[np.arange(49) != 20].mean(axis=0), middle, atol=1e-9)


def test_losses_are_those_of_the_likelihood(rng):
    problem, state = solved(rng, n_frames=20, photons=2e4, noisy=True)
    mask, held = rng.random((1, SIZE, SIZE)) > 0.1, rng.integers(0, SIZE**2, (20, 3))
    problem = replace(problem, mask=mask, held=held)
    found = frame_losses(problem, state, POISSON, np.array([2, 5, 19]))
    for loss, j in zip(found, (2, 5, 19), strict=True):
        counts = counts_of(state, j)
        terms = POISSON.loss(counts, problem.counts[j]) * mask[0]
        terms.ravel()[held[j]] = 0
        np.testing.assert_allclose(loss, terms.sum(), rtol=1e-9)


def test_expected_places_undo_a_map(rng):
    problem, state = solved(rng)
    scatter = rng.normal(size=state.positions_px.shape)
    design = np.column_stack([np.ones(49), problem.positions_px])
    scatter[5] = 0
    others = np.arange(49) != 5  # scatter without any map in it
    scatter[others] -= design[others] @ np.linalg.lstsq(design[others], scatter[others], rcond=None)[0]
    mapped = problem.positions_px @ np.array([[1.02, 0.01], [-0.03, 0.98]]).T + (0.7, -0.4)
    state.positions_px, state.aside = mapped + scatter, np.array([5])
    state.positions_px[5] += 50
    places, typical = expected_places(problem, state)
    np.testing.assert_allclose(places, mapped, atol=1e-9)
    np.testing.assert_allclose(typical, np.sqrt((scatter[others] ** 2).sum(axis=1).mean()), rtol=1e-9)


def test_the_frame_that_fits_worst_is_searched_for_around_its_place(rng):
    problem, state = solved(rng, photons=1e5, noisy=True)
    truth = state.positions_px.copy()
    state.positions_px[7] += (3.0, -3.5)
    state.aside = np.array([20])
    losses = search_worst(problem, state, POISSON, 6.0)
    assert np.hypot(*(state.positions_px[7] - truth[7])) < 0.25
    others = np.arange(49) != 7
    np.testing.assert_array_equal(state.positions_px[others], truth[others])
    np.testing.assert_allclose(losses, frame_losses(problem, state, POISSON, state.active(49)), rtol=1e-12)
    # a bad frame that fits nowhere better stays
    counts = problem.counts.copy()
    counts[30] = rng.permutation(counts[30].ravel()).reshape(SIZE, SIZE)
    before = state.positions_px.copy()
    search_worst(replace(problem, counts=counts), state, POISSON, 6.0)
    np.testing.assert_array_equal(state.positions_px, before)


def test_a_trapped_frame_is_set_aside_and_found_again(rng):
    problem, state = solved(rng, photons=1e5, noisy=True)
    truth = state.positions_px.copy()
    set_aside_trapped(problem, state, POISSON, 8.0)
    assert state.aside is None
    np.testing.assert_array_equal(state.positions_px, truth)
    state.positions_px[7] += (5.0, -4.0)
    set_aside_trapped(problem, state, POISSON, 2.0)
    np.testing.assert_array_equal(state.aside, [7])
    assert 7 not in state.active(49)
    set_aside_trapped(problem, state, POISSON, 3.0)  # recorded rightly, it is found near there
    assert state.aside is None
    assert np.hypot(*(state.positions_px[7] - truth[7])) < 0.25
    # displaced once more, but to where it was also recorded: out of reach, and then within
    far = problem.positions_px.copy()
    far[7] += (9.0, 6.0)
    problem = replace(problem, positions_px=far)
    state.positions_px[7] = far[7]
    set_aside_trapped(problem, state, POISSON, 2.0)
    set_aside_trapped(problem, state, POISSON, 2.0)
    np.testing.assert_array_equal(state.aside, [7])
    assert np.hypot(*(state.positions_px[7] - truth[7])) > 2
    set_aside_trapped(problem, state, POISSON, 12.0)
    assert state.aside is None
    assert np.hypot(*(state.positions_px[7] - truth[7])) < 0.25


def test_likelihood_lets_frames_take_part_again(rng):
    problem, state = solved(rng)
    truth = state.positions_px.copy()
    state.positions_px[[7, 30]] += [(0.9, -0.8), (-1.0, 0.6)]
    state.aside, state.iteration = np.array([7, 30]), 40
    solver = make_solver("maximum_likelihood", {}, "positions")
    passes(solver, problem, state, 1)
    assert state.aside is None
    assert np.hypot(*(state.positions_px - truth)[[7, 30]].T).max() < 0.3  # the search has steps of 0.25 pixels
    passes(solver, problem, state, 12)
    assert np.hypot(*(state.positions_px - truth).T).max() < 0.1


def test_a_frame_in_its_place_takes_part_again_where_nothing_else_shows_what_it_sees(rng):
    # a rim that only the outermost frame sees is worse known: it fits too badly to go on, and too well to be trapped
    problem, state = solved(rng, photons=1e5, noisy=True)
    light = np.zeros(SHAPE)
    for y, x in np.rint(state.positions_px[:48]).astype(int) - SIZE // 2:
        light[y : y + SIZE, x : x + SIZE] += np.abs(state.probe[0]) ** 2
    state.object_ = np.where(light < 0.03 * light.max(), state.object_ * np.exp(0.5j), state.object_)
    state.aside = np.array([48])
    losses = frame_losses(problem, state, POISSON, np.arange(49))
    assert 2 < losses[48] / np.median(losses) < 4
    set_aside_trapped(problem, state, POISSON, 2.0)
    assert 48 in state.active(49)  # others may be: they see a little of it


def test_never_more_than_a_tenth_is_aside(rng):
    problem, state = solved(rng, photons=1e5, noisy=True)
    state.positions_px[::5] += (6.0, 5.0)
    problem = replace(problem, positions_px=state.positions_px.copy())
    for _ in range(2):
        set_aside_trapped(problem, state, POISSON, 1.0)
        assert len(state.aside) == 4
        assert set(state.aside) <= set(range(0, 49, 5))


def test_frames_aside_take_no_part(rng):
    results = []
    for factor in (1.0, 3.0):
        problem, state = solved(np.random.default_rng(2), n_frames=20, photons=1e4, noisy=True)
        problem.counts[[4, 11]] *= factor
        state.aside = np.array([4, 11])
        passes(make_solver("rpie", {}, "positions intensity background"), problem, prepare(problem, state), 8)
        np.testing.assert_array_equal(state.positions_px[state.aside], problem.positions_px[state.aside])
        np.testing.assert_array_equal(state.intensity[state.aside], 1)
        results.append(state)
    same(*results)


# --- with a solver ------------------------------------------------------------------------------------------------


def prepare(problem, state):
    """What a run adds before intensities and a background are refined."""
    state.intensity = np.ones(problem.n_frames)
    state.background = np.zeros((SIZE, SIZE), problem.counts.dtype)
    return state


def test_random_errors_come_back(rng):
    problem, state = solved(rng)
    truth = problem.positions_px
    error = rng.normal(size=truth.shape)  # 1.4 px rms
    problem, state = misplaced(problem, error - error.mean(axis=0))
    middle = state.positions_px.mean(axis=0)
    solver = make_solver("rpie", {}, "positions")
    assert isinstance(solver, Refining)
    passes(solver, problem, state, 50)
    np.testing.assert_allclose(state.positions_px.mean(axis=0), middle, atol=1e-6)
    found = errors(state, truth)
    assert np.sqrt((found**2).mean()) < 0.2  # their common scale is left to maximum likelihood
    state.memory, state.iteration = {}, 0
    passes(make_solver("maximum_likelihood", {}, "positions"), problem, state, 50)
    assert np.sqrt((errors(state, truth) ** 2).mean()) < 0.1


@pytest.mark.slow
def test_errors_beyond_the_reach_of_slopes_come_back():
    # 5 px rms on sharp edges; by slopes alone 63 of the 100 frames are lost, with the search none or one at the rim
    pixel_m = scenario("testchart", frame_px=64).geometry.object_pixel_m[0]
    scan, truth = scans.build(
        "testchart",
        frame_px=64,
        n_frames=100,
        photons_per_frame=1e6,
        position_jitter_m=5 * pixel_m / np.sqrt(2),
        specimen_seed=1,
        seed=1,
    )
    prepared = scans.prepare(scan)
    problem = make_problem(prepared, open_device("cpu"), margin_px=24)
    probe = zone_plate_probe(prepared.geometry, scan.zone_plate, scan.zone_plate.defocus_m)
    state = start_state(problem, scaled_to_power(probe, problem.power), seed=1)
    true = (truth.positions_m - np.array(problem.origin_m)) / np.array(problem.pixel_m)
    assert np.median(errors(state, true)) > 3
    passes(make_solver("rpie", {}, "positions"), problem, state, 60)
    found = errors(state, true)
    assert (found > 2).sum() <= 3
    assert np.median(found) < 0.3


def test_the_curvature_is_found_before_anything_moves(rng):
    problem, state = solved(rng)
    probe = state.probe.copy()
    problem, state = misplaced(problem, np.zeros((49, 2)))
    apply_phase(state, np.array([12.0, 0.0, 12.0]), CURVATURE)
    passes(Refining(make_solver("rpie", {}), "positions", wait=12), problem, state, 12)
    np.testing.assert_array_equal(state.positions_px, problem.positions_px)
    found, wanted = (np.fft.fft2(one[0]) for one in (state.probe, probe))
    f = np.fft.fftfreq(SIZE)
    lit = np.abs(wanted) > 0.3 * np.abs(wanted).max()
    square = (f[:, None] ** 2 + f**2)[lit]
    phase = np.angle(found * wanted.conj())[lit]
    assert abs(np.polyfit(square, phase, 1, w=np.abs(wanted)[lit])[0]) < 3  # of 12


def test_nothing_moves_before_the_object_shows(rng):
    problem, state = solved(rng, n_frames=12)
    problem, state = misplaced(problem, rng.normal(size=(12, 2)))
    solver = Refining(make_solver("rpie", {}), "positions", wait=3)
    passes(solver, problem, state, 3)
    np.testing.assert_array_equal(state.positions_px, problem.positions_px)
    passes(solver, problem, state, 1)
    moves = state.positions_px - problem.positions_px
    assert 0 < np.hypot(*moves.T).max() <= WIDEST_PX + 1


def dirty(rng, intensity, background, **settings):
    """The problem with a factor on each frame, background and all, and the state of the true object and probe."""
    problem, state = solved(rng, **settings)
    return replace(problem, counts=intensity[:, None, None] * (problem.counts + background)), state


def test_intensities_and_background_come_back(rng):
    intensity = np.exp(0.1 * rng.normal(size=49))
    intensity /= np.exp(np.log(intensity).mean())
    y, x = np.mgrid[:SIZE, :SIZE]
    background = 40 * np.exp(-((y - 20) ** 2 + (x - 9) ** 2) / 50)
    problem, state = dirty(rng, intensity, background)
    passes(make_solver("rpie", {}, "intensity background"), problem, prepare(problem, state), 30)
    wrong = np.abs(state.intensity / intensity - 1)
    # measured 0.009 within the spiral; at its rim an object of its own explains a frame's intensity: 0.06
    assert np.sqrt((wrong[:25] ** 2).mean()) < 0.02
    assert wrong.max() < 0.1
    assert abs(np.log(state.intensity).mean()) < 1e-9
    assert relative(state.background, background) < 0.4  # measured 0.22
    assert state.background.min() >= 0


def test_a_run_goes_on_as_if_never_stopped(rng):
    problem, state = solved(rng, n_frames=20, photons=1e4, noisy=True, real=np.float32)
    error = rng.normal(size=(20, 2))
    finals = []
    for parts in ((24,), (13, 11)):
        wrong, state = misplaced(problem, error)
        solver = make_solver("rpie", {}, "positions intensity background")
        prepare(wrong, state)
        for n in parts:
            passes(solver, wrong, state, n)
            state = State.from_checkpoint(state.to_checkpoint(), CPU)
        finals.append(state)
    same(*finals)


# --- maximum likelihood -------------------------------------------------------------------------------------------

WAVELENGTH_M, PIXEL_M, DEPTH_M = 1.746e-9, 10e-9, 1.5e-6


def axial():
    """Phase of free space a metre [rad/m]: exact propagation of plane waves."""
    f = np.fft.fftfreq(SIZE, PIXEL_M)
    return 2 * np.pi * (np.sqrt(WAVELENGTH_M**-2 - f[:, None] ** 2 - f[None, :] ** 2) - 1 / WAVELENGTH_M)


def sliced(rng, intensity, background):
    """Two slices: counts written out with transform matrices; the state that is the truth."""
    problem, state = solved(rng, n_frames=25)
    slices = np.stack([state.object_, smooth_object(rng, SHAPE, depth=1.0)])
    w, f = fourier_matrix(SIZE), np.fft.fftfreq(SIZE)
    counts = []
    for j, at in enumerate(problem.positions_px - SIZE // 2):
        corner = np.rint(at).astype(int)
        rows, columns = (slice(k, k + SIZE) for k in corner)
        ramp = np.exp(-2j * np.pi * ((at - corner)[0] * f[:, None] + (at - corner)[1] * f))
        wave = w.conj() @ (ramp * (w @ state.probe[0] @ w)) @ w.conj()
        between = w.conj() @ (np.exp(1j * DEPTH_M * axial()) * (w @ (wave * slices[0, rows, columns]) @ w)) @ w.conj()
        counts.append(intensity[j] * (np.abs(w @ (between * slices[1, rows, columns]) @ w) ** 2 + background))
    state.object_, state.depths_m = slices, np.array([DEPTH_M])
    return replace(problem, counts=np.array(counts), axial=axial()), prepare(problem, state)


def test_likelihood_lowers_every_error_and_the_loss(rng):
    intensity = np.exp(0.05 * rng.normal(size=25))
    intensity /= np.exp(np.log(intensity).mean())
    background = np.full((SIZE, SIZE), 20.0)
    problem, state = sliced(rng, intensity, background)
    truth = state.positions_px.copy()
    state.positions_px = truth + 0.4 * rng.normal(size=truth.shape)
    state.depths_m = np.array([1.2 * DEPTH_M])
    start = errors(state, truth), state.positions_px.mean(axis=0)
    solver = make_solver("maximum_likelihood", {}, "positions intensity background depths")
    lowest = []
    for _ in range(60):
        before = state.positions_px.copy()
        passes(solver, problem, state, 1)
        assert np.abs(state.positions_px - before).max() < 1.0 + 1e-9  # half a pixel on, or half back and on
        lowest.append(state.memory["numbers"][0])
    solver.finish(problem, state)
    assert (np.diff(lowest) <= 1e-7 * np.abs(lowest[:-1])).all()
    assert lowest[-1] < 0.01 * lowest[0]
    assert np.sqrt((errors(state, truth) ** 2).mean()) < 0.2 * np.sqrt((start[0] ** 2).mean())
    np.testing.assert_allclose(state.positions_px.mean(axis=0), start[1], atol=1e-9)
    assert np.abs(state.intensity / intensity - 1).max() < 0.2 * np.abs(intensity - 1).max()
    assert relative(state.background, background) < 0.8  # a small one, and slow: measured 0.61
    assert abs(state.depths_m[0] / DEPTH_M - 1) < 0.15


def test_a_refused_step_goes_back(rng):
    problem, state = solved(rng, n_frames=20, photons=1e5, noisy=True)
    state.positions_px = state.positions_px + 0.3 * rng.normal(size=(20, 2))
    solver = MaximumLikelihood(refine="positions")
    passes(solver, problem, state, 4)
    origin = {name: state.memory[f"from/{name}"].copy() for name in solver._names(state)}
    direction = state.memory["direction/positions_px"].copy()
    loss, _, length, refusals = state.memory["numbers"]
    state.object_ = state.object_ * np.exp(0.5j * rng.normal(size=SHAPE))  # a step that led nowhere good
    passes(solver, problem, state, 1)
    now = state.memory["numbers"]
    assert (now[0], now[3]) == (loss, refusals + 1)
    assert 0.1 * length <= now[2] <= 0.5 * length
    np.testing.assert_allclose(state.positions_px, origin["positions_px"] + now[2] * direction, atol=1e-12)
    state.object_ = state.object_ * np.exp(0.5j * rng.normal(size=SHAPE))
    solver.finish(problem, state)
    for name in solver._names(state):
        np.testing.assert_array_equal(getattr(state, name), origin[name])


# --- unknowns -----------------------------------------------------------------------------------------------------


def test_a_common_step_is_not_taken_back_with_a_refused_one(rng, monkeypatch):
    # what was refused after it had its corners, too, and was refused for ever
    problem, state = solved(rng, n_frames=12)
    state.positions_px = state.positions_px + 0.2 * rng.normal(size=(12, 2))
    solver = make_solver("maximum_likelihood", {}, "positions")
    passes(solver, problem, state, 3)
    here, by = state.memory["from/positions_px"].copy(), np.array([0.3, -0.2])

    def common(problem, state, likelihood, *, positions):
        np.testing.assert_array_equal(state.positions_px, here)  # the refused step is gone before
        state.positions_px = state.positions_px + by

    monkeypatch.setattr(maximum_likelihood, "global_step", common)
    monkeypatch.setattr(maximum_likelihood, "GLOBAL_AFTER", 0)
    monkeypatch.setattr(maximum_likelihood, "MAP_EVERY", 3)
    state.object_ = state.object_ + 10.0  # worse than anything
    passes(solver, problem, state, 1)
    np.testing.assert_allclose(state.memory["from/positions_px"], here + by, atol=1e-12)
    assert state.memory["numbers"][3] == 0


def test_words_stand_for_fields():
    assert unknowns("") == ()
    assert unknowns("  depths   positions positions ") == ("positions_px", "depths_m")
    assert unknowns("probes") == ("variation",)
    assert unknowns("variation background intensity") == ("background", "intensity", "variation", "coefficients")
    for wrong in ("position", "positions,intensity", "Positions"):
        with pytest.raises(InputError) as caught:
            unknowns(wrong)
        assert repr(wrong) in str(caught.value)
        assert "positions, background, intensity, variation, probes, offsets, depths" in str(caught.value)
        assert 'refine = "positions background"' in str(caught.value)
    with pytest.raises(InputError):
        Refining(make_solver("rpie", {}), "drift")
    with pytest.raises(InputError):
        make_solver("maximum_likelihood", {}, "drift")


def test_values_go_and_come_back(rng):
    problem, state = solved(rng, n_frames=12)
    prepare(problem, state).intensity = rng.uniform(0.5, 2, 12)
    names = ("positions_px", "intensity", "background", "object_")
    before = state.keep()
    blocks = values(state, names)
    np.testing.assert_allclose(blocks["intensity"], np.log(before["intensity"]))
    set_values(state, blocks)
    for name in names:
        np.testing.assert_allclose(getattr(state, name), before[name], rtol=1e-14)
    set_values(state, {"intensity": np.full(12, -3.0), "background": np.linspace(-1, 1, SIZE**2).reshape(SIZE, SIZE)})
    np.testing.assert_allclose(state.intensity, np.exp(-3.0))
    assert state.background.min() == 0
    assert state.background.max() == 1


@pytest.mark.parametrize("size", [SIZE, SIZE - 1])
def test_positions_stay_within_the_object(rng, size):
    _problem, state = solved(rng, n_frames=12)
    state.probe = state.probe[:, :size, :size]
    asked = np.array([[-9.0, 500.0], [500.0, -9.0], [30.3, 40.7], [size // 2 - 0.4, 38.0]])
    kept = within_object(asked, state)
    np.testing.assert_array_equal(kept[2], asked[2])
    corners = np.rint(kept - size // 2)
    assert corners.min() == 0
    assert (corners.max(axis=0) + size == SHAPE).all()


def test_an_empty_background_does_not_fall(rng):
    problem, state = solved(rng, n_frames=12)
    prepare(problem, state).background[0, :3] = 1.0
    sums = measure(problem, state, POISSON, ("background",))
    sums.background[:] = -1.0
    descent = descent_of(sums, state, ("background",))["background"]
    np.testing.assert_array_equal(descent[0, :3], -1.0)
    assert not descent.ravel()[3:].any()
    sums.background[:] = 1.0
    assert (descent_of(sums, state, ("background",))["background"] == 1.0).all()
