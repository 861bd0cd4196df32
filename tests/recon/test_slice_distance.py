"""The distance of slices is found from the frames; a search that is cut short says so."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from helpers_cli import recipe, simulated
from helpers_core import CPU, smooth_object

from recon.kernels import PassSums, residual_pass
from recon.model_choice import TimeIsUp, clocked
from recon.parabola import lowest
from recon.probe import scaled_to_power, zone_plate_probe
from recon.problem import make_problem
from recon.slice_distance import find_slice_distance
from recon.state import start_state
from recon.workflow import reconstruct
from scans.preparation import prepare

STEPS = ({"alpha": 0.1, "batch": 4}, {"alpha": 0.3, "batch": 4})


@pytest.fixture(scope="module")
def thick():
    """Frames through two different layers so far apart, with the wave and the wavelength."""

    def made(distance_m):
        prepared = prepare(simulated()[0])
        problem = make_problem(prepared, CPU, held_out=0.02, precision="double")
        optic = prepared.scan.zone_plate
        probe = scaled_to_power(zone_plate_probe(prepared.geometry, optic, optic.defocus_m), problem.power)
        state, rng = start_state(problem, probe, 0, 2), np.random.default_rng(3)
        state.object_ = np.stack([smooth_object(rng, problem.object_shape, 0.5) for _ in range(2)])
        state.depths_m = np.array([distance_m])
        counts = residual_pass(state, state.batch(problem, np.arange(problem.n_frames)), PassSums.like(state))
        return replace(problem, counts=rng.poisson(counts).astype(float)), probe, prepared.geometry.wavelength_m

    return made


@pytest.mark.slow
def test_the_distance_of_two_layers_is_found(thick, monkeypatch):
    monkeypatch.setattr("recon.slice_distance.PASSES", 8)
    monkeypatch.setattr("recon.slice_distance.JUDGED", 8)
    # frames by the model that is checked against automatic differentiation and a direct sum (test_gradients)
    problem, probe, wavelength_m = thick(6e-6)
    found = find_slice_distance(problem, probe, 2, wavelength_m, steps=STEPS, seed=0)
    assert found.value_m == pytest.approx(6e-6, rel=0.15)
    assert "beyond" not in found.reason
    assert not found.stopped


@pytest.mark.parametrize(("after", "ending"), [(0, TimeIsUp), (1, TimeIsUp), (2, KeyboardInterrupt)])
def test_a_search_that_is_cut_short(thick, monkeypatch, after, ending):
    monkeypatch.setattr("recon.slice_distance.PASSES", 1)
    monkeypatch.setattr("recon.slice_distance.JUDGED", 1)
    problem, probe, wavelength_m = thick(6e-6)

    def tell(done, expected):
        if done == after:
            raise ending

    found = find_slice_distance(problem, probe, 2, wavelength_m, steps=STEPS, seed=0, progress=tell)
    unit = min(problem.pixel_m) ** 2 / wavelength_m
    assert found.value_m / unit == pytest.approx({0: 16, 1: 4}[after]) if after < 2 else found.value_m / unit < 9
    assert ("cut short" if after else "no time") in found.reason
    assert found.stopped == (ending is KeyboardInterrupt)


def test_the_lowest_point_by_the_logarithm():
    # deviance (ln d/3)²: known at a factor of two, and nowhere about the first
    assert lowest({d: np.log(d / 3) ** 2 for d in (1.0, 2.0, 4.0, 8.0)}, 2.0) == pytest.approx(3)
    assert lowest({d: np.log(d / 0.5) ** 2 for d in (1.0, 2.0, 4.0)}, 2.0) == 1.0
    assert lowest({0.0: 1.0, 1.0: 2.0, 2.0: 3.0}, 2.0) == 0.0


def test_the_clock_ends_trials(monkeypatch):
    told, now = [], SimpleNamespace(perf_counter=lambda: 10.0)
    monkeypatch.setattr("recon.model_choice.time", now)
    clocked(lambda *seen: told.append(seen), 10.0)(1, 5)
    with pytest.raises(TimeIsUp):
        clocked(lambda *seen: told.append(seen), 9.0)(2, 5)
    clocked(None, None)(3, 5)
    assert told == [(1, 5), (2, 5)]


def test_a_recipe_that_says_how_many_slices_gets_their_distance(monkeypatch):
    monkeypatch.setattr("recon.slice_distance.MOST", 2)
    monkeypatch.setattr("recon.slice_distance.PASSES", 1)
    monkeypatch.setattr("recon.slice_distance.JUDGED", 1)
    got = reconstruct(simulated()[0], recipe("object.slices=3"), device="cpu")
    chosen = got.recipe.object.slice_distance_m
    np.testing.assert_allclose(got.slice_positions_m, [0, chosen, 2 * chosen])
    reason = got.recipe.reason("object.slice_distance_m")
    assert "deviance per pixel" in reason
    assert "may lie beyond" in reason  # two distances and one pass show no lowest point between others
    assert any(note.what == "distance of slices" and note.guess for note in got.notes)
