import json

import numpy as np
import pytest
from helpers_core import CPU, curved_probe, problem_from_model, smooth_object, spiral_px

from recon.loop import Loop, Stage
from recon.result import StopReason
from recon.solvers import make_solver
from recon.state import State, start_state

SOLVERS = [
    ("epie", {"hold_probe": 2, "batch": 3}),
    ("rpie", {"hold_probe": 2, "batch": 8}),
    ("difference_map", {"hold_probe": 2, "batch": 5}),
]


@pytest.fixture
def problem(rng):
    object_ = smooth_object(rng, (48, 48))
    probe = 100 * curved_probe(24)
    # counts as a detector gives them, in single precision: the path that users run
    return problem_from_model(object_, probe, 24 + spiral_px(17, 3.1), rng=rng, real=np.float32)


def start(problem, seed=5):
    modes = np.concatenate([curved_probe(24), 0.1j * curved_probe(24, 3.0, -0.1)])
    return start_state(problem, modes * np.sqrt(problem.power), seed)


def same(a, b):
    """Every array and number of two states, to the last bit."""
    first, second = a.to_checkpoint(), b.to_checkpoint()
    assert first.keys() == second.keys()
    for key, value in first.items():
        if isinstance(value, np.ndarray):
            assert value.dtype == second[key].dtype
            assert value.tobytes() == second[key].tobytes(), key
        else:
            assert value == second[key], key


def test_start_matches_the_mean_counts(problem):
    state = start(problem)
    assert state.object_.dtype == np.complex64
    assert state.object_.shape == problem.object_shape
    # a uniform object of this amplitude lets the mean counts through: |O|² Σ|P|² = mean
    mean = problem.counts.sum(dtype=float) / problem.n_frames
    np.testing.assert_allclose(np.abs(state.object_) ** 2 * problem.power, mean, rtol=1e-6)
    assert (state.stage, state.stage_pass, state.iteration) == (0, 0, 0)
    np.testing.assert_array_equal(state.positions_px, problem.positions_px)
    assert not np.shares_memory(state.positions_px, problem.positions_px)


def test_checkpoint_round_trip(problem):
    state = start(problem)
    state.stage, state.stage_pass, state.iteration = 1, 7, 19
    state.memory["exit_waves"] = np.full((3, 2), 1 + 2j, np.complex64)
    state.rng.normal(size=3)
    parts = state.to_checkpoint()
    # only arrays, numbers and text, so that any file can hold it
    assert all(isinstance(v, np.ndarray | int | str) for v in parts.values())
    json.loads(parts["rng"])
    again = State.from_checkpoint(parts, CPU)
    same(state, again)
    np.testing.assert_array_equal(state.rng.normal(size=5), again.rng.normal(size=5))


def test_checkpoint_is_not_the_living_state(problem):
    state = start(problem)
    state.memory["waves"] = np.zeros(4, np.complex64)
    parts = state.to_checkpoint()
    before = {k: v.copy() for k, v in parts.items() if isinstance(v, np.ndarray)}

    def spoil(one):
        for array in (one.object_, one.probe, one.positions_px, one.memory["waves"]):
            array += 1

    spoil(state)  # the run goes on in place
    spoil(State.from_checkpoint(parts, CPU))  # and so does a resumed one
    for key, value in before.items():
        np.testing.assert_array_equal(parts[key], value, err_msg=key)


@pytest.mark.parametrize(("name", "settings"), SOLVERS)
def test_resumed_run_equals_the_uninterrupted_one(problem, name, settings):
    stages = [Stage("a", make_solver(name, settings), 4), Stage("b", make_solver("epie", {"hold_probe": 0}), 3)]
    whole = start(problem)
    straight = Loop(problem, stages)
    assert straight.run(whole) is StopReason.ITERATION_LIMIT
    for stop in (1, 3, 4, 6):
        first = start(problem)
        done = Loop(problem, _limited(stages, stop))
        done.run(first)
        # through a checkpoint, as a file would hold it
        second = State.from_checkpoint(first.to_checkpoint(), CPU)
        resumed = Loop(problem, stages, records=list(done.records))
        assert resumed.run(second) is StopReason.ITERATION_LIMIT
        same(second, whole)
        assert [(r.iteration, r.stage, r.r_factor, r.deviance) for r in resumed.records] == [
            (r.iteration, r.stage, r.r_factor, r.deviance) for r in straight.records
        ]


def _limited(stages, passes):
    """The same stages, cut after so many passes."""
    cut = []
    for stage in stages:
        n = min(stage.iterations, passes)
        passes -= n
        if n:
            cut.append(Stage(stage.name, stage.solver, n))
    return cut


@pytest.mark.parametrize(("name", "settings"), SOLVERS)
def test_same_seed_same_bytes(problem, name, settings):
    stages = [Stage("a", make_solver(name, settings), 4)]
    runs = [start(problem, seed) for seed in (5, 5, 6)]
    for state in runs:
        Loop(problem, stages).run(state)
    same(runs[0], runs[1])
    if name != "difference_map":  # takes all frames at once: no random order
        assert runs[0].object_.tobytes() != runs[2].object_.tobytes()
