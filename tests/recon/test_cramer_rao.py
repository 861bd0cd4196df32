"""Maximum likelihood against the Cramér-Rao bound, and the Fisher matrix that the bound comes from."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.linalg
from helpers_core import noise, plain_shift, plain_waves, relative, smooth_object

from recon.frames import Batch
from recon.solvers.maximum_likelihood import MaximumLikelihood
from recon.state import start_state

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def bench():
    """The benchmark's file as a module: it holds the Fisher matrix and the bound."""
    sys.path.insert(0, str(BENCHMARKS))
    try:
        spec = importlib.util.spec_from_file_location("bench_cramer_rao", BENCHMARKS / "bench_cramer_rao.py")
        module = importlib.util.module_from_spec(spec)
        sys.modules[spec.name] = module  # data classes look for their module there
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(BENCHMARKS))
    return module


def grid_positions(rng, side, room):
    """Positions on a `side` x `side` grid over `room` pixels, each moved by up to half a pixel."""
    rows, columns = np.meshgrid(*[np.linspace(0.5, room - 0.5, side)] * 2, indexing="ij")
    return np.stack([rows.ravel(), columns.ravel()], axis=1) + rng.uniform(-0.5, 0.5, (side * side, 2))


@pytest.fixture(scope="module")
def scene(bench):
    """25 frames of 8 px on an object of 14 px."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[:8, :8] - 4
    square = y**2 + x**2
    probe = np.exp(-square / (2 * 1.6**2) + 0.25j * square)
    positions = 4 + grid_positions(rng, 5, 6)
    return bench.Scene(smooth_object(rng, (14, 14)), probe / np.linalg.norm(probe), positions)


def test_trace_of_each_object_pixel_is_four_times_its_light(bench, rng):
    # exact, whatever object and probe: |∂Ψ/∂u|² = |D|², so F_re,re + F_im,im = 4 Σ_j |P_j|² (derived by hand)
    scene = bench.Scene(noise(rng, 12, 13), noise(rng, 6, 6), 3 + rng.uniform(0, 6, (9, 2)))
    diagonal = np.diag(bench.fisher_matrix(scene, with_probe=True))
    n = scene.object_.size
    light = np.zeros(scene.object_.shape)
    for (y, x), at in zip(np.rint(scene.positions_px - 3).astype(int), scene.positions_px, strict=True):
        light[y : y + 6, x : x + 6] += np.abs(plain_shift(scene.probe, at - 3 - (y, x))) ** 2
    assert relative(diagonal[:n] + diagonal[n : 2 * n], 4 * light.ravel()) < 1e-9


def test_fisher_matrix_is_that_of_the_counts(bench, rng):
    # F_ab = Σ (1/i) ∂i/∂a ∂i/∂b, with slopes by central differences of the plain forward model of the tests
    shape, n, positions = (6, 7), 4, 2 + rng.uniform(0, 2, (3, 2))
    object_, probe = noise(rng, *shape), noise(rng, n, n)
    corners = np.rint(positions - n // 2).astype(int)
    batch = Batch(np.empty((3, n, n)), None, corners, positions - n // 2 - corners)

    def counts(unknowns):
        parts = np.split(unknowns, np.cumsum([object_.size, object_.size, n * n]))
        o, p = parts[0] + 1j * parts[1], parts[2] + 1j * parts[3]
        waves = plain_waves(o.reshape(shape), p.reshape(1, n, n), batch)[1]
        return (np.abs(np.fft.fft2(waves, norm="ortho")) ** 2).ravel()

    here = bench.real_parts(object_[None], probe[None])[0]
    steps = 1e-5 * np.eye(len(here))
    slopes = np.array([(counts(here + d) - counts(here - d)) / 2e-5 for d in steps])
    found = bench.fisher_matrix(bench.Scene(object_, probe, positions), with_probe=True)
    assert relative(found, (slopes / counts(here)) @ slopes.T) < 1e-6


def test_what_the_frames_leave_open_has_no_information(bench, rng):
    # a phase and a factor between object and probe, whole-pixel positions: ramps too
    scene = bench.Scene(noise(rng, 12, 12), noise(rng, 6, 6), 3.0 + rng.integers(0, 7, (12, 2)))
    fisher = bench.fisher_matrix(scene, with_probe=True)
    ways = bench.real_parts(*bench.open_ways(scene, with_probe=True))
    assert np.abs(fisher @ ways.T).max() < 1e-9 * np.abs(fisher).max() * np.abs(ways).max()


def test_maximum_likelihood_reaches_the_bound(bench, scene):
    # 1e6 photons a frame, probe known, same gauge in both; an independent estimator (Fisher scoring, 40 draws) reached
    # 0.987 in such a case. One draw scatters by 0.16, the mean of 20 by 0.035; measured 0.970
    light = scene.illumination()
    lit = light > 0.25 * light.max()
    fisher = bench.fisher_matrix(scene, with_probe=False)
    least = bench.bound(scene, fisher, lit, with_probe=False)
    assert least > 0.98 * (1 / light[lit]).sum()  # what the trace of each pixel sets, but for the open phase
    ratios = []
    for seed in range(20):
        problem = bench.problem_of(scene, 1e6, np.random.default_rng(seed))
        state = start_state(problem, 1e3 * scene.probe[None], seed)
        state.object_ = scene.object_.copy()
        solver = MaximumLikelihood(hold_probe=100_000, batch=25)
        for _ in range(30):
            solver.step(problem, state)
        solver.finish(problem, state)
        ratios.append(1e6 * bench.misfit(state.object_, scene, lit, with_probe=False) / least)
    assert 0.85 < np.mean(ratios) < 1.25, ratios


@pytest.mark.parametrize(("with_probe", "n_open"), [(False, 1), (True, 5)])
def test_bound_is_the_pseudo_inverse_behind_the_same_projection(bench, rng, with_probe, n_open):
    # the textbook form: tr(Q F⁺ Qᵀ) over the compared pixels, null space by eigenvalues instead of known ways;
    # at whole pixels phase ramps are in it exactly
    scene = bench.Scene(noise(rng, 12, 12), noise(rng, 6, 6), 3.0 + rng.integers(0, 7, (40, 2)))
    light = scene.illumination()
    lit = light > 0.25 * light.max()
    fisher = bench.fisher_matrix(scene, with_probe)
    n, own = scene.object_.size, np.flatnonzero(lit)
    values, vectors = np.linalg.eigh(fisher)
    at = vectors[np.concatenate([own, n + own])]
    ways = scipy.linalg.orth(bench.real_parts(bench.open_ways(scene, with_probe)[0][:, lit]).T)
    at = at - ways @ (ways.T @ at)
    first = n_open + 2 * np.count_nonzero(light <= bench.UNLIT * light.max())
    assert values[first] > 1e6 * np.abs(values[:first]).max()
    expected = (at[:, first:] ** 2 / values[first:]).sum()
    assert bench.bound(scene, fisher, lit, with_probe) == pytest.approx(expected, rel=1e-6)
