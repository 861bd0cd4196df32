"""The loop with scripted solvers: what it records, when it stops, what it leaves behind."""

import os
import signal
import threading
import types
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from helpers_core import curved_probe, problem_from_model, smooth_object, spiral_px

from recon import loop
from recon.loop import Hooks, Loop, PassRecord, Stage
from recon.result import StopReason
from recon.state import State


@dataclass
class Scripted:
    """Solver that returns given residuals and writes the number of its pass into object and probe."""

    residuals: list
    seconds: float = 1.0
    clock: list | None = None
    prepared: int = 0
    fill: dict = field(default_factory=dict)  # pass -> value written instead

    def prepare(self, problem, state):
        self.prepared += 1

    def finish(self, problem, state):
        return

    def step(self, problem, state):
        if self.clock is not None:
            self.clock[0] += self.seconds
        n = state.stage_pass
        state.object_[...] = self.fill.get(n, n + 1)
        state.probe[...] = self.fill.get(n, n + 1)
        value = self.residuals[min(n, len(self.residuals) - 1)]
        return np.array(value if isinstance(value, tuple) else (value, value))


@pytest.fixture
def problem(rng):
    made = problem_from_model(smooth_object(rng, (24, 24)), curved_probe(8), 12 + spiral_px(3, 3.0))
    return replace(made, sum_amplitude=2.0, n_measured=4)


@pytest.fixture
def state():
    return State(
        object_=np.zeros((3, 3), complex),
        probe=np.zeros((1, 2, 2), complex),
        positions_px=np.zeros((3, 2)),
        rng=np.random.default_rng(0),
    )


@pytest.fixture
def clock(monkeypatch):
    """Seconds that only the solver's passes make go by."""
    now = [100.0]
    monkeypatch.setattr(loop, "time", types.SimpleNamespace(perf_counter=lambda: now[0]))
    return now


def falling(n, start=1.0):
    return [start * 0.9**k for k in range(n)]


def test_records_scale_the_residuals_and_count_through_stages(problem, state, clock):
    stages = [
        Stage("first", Scripted([(8.0, 2.0), (4.0, 1.0)], clock=clock), 2),
        Stage("second", Scripted([(1.0, 0.4)], 0.5, clock), 1),
    ]
    run = Loop(problem, stages)
    assert run.run(state) is StopReason.ITERATION_LIMIT
    # R factor over Σ√I = 2, deviance per pixel of 4
    assert run.records == [
        PassRecord(1, "first", 4.0, 0.5, 1.0),
        PassRecord(2, "first", 2.0, 0.25, 2.0),
        PassRecord(3, "second", 0.5, 0.1, 2.5),
    ]
    assert (state.stage, state.stage_pass, state.iteration) == (1, 1, 3)


def test_each_stage_is_prepared_and_starts_without_memory(problem, state):
    solvers = [Scripted(falling(3)), Scripted(falling(3))]
    state.memory["kept"] = np.ones(2)
    seen = []
    hooks = Hooks(on_pass=lambda record, left: seen.append((record.stage, dict(state.memory))))
    Loop(problem, [Stage("a", solvers[0], 1), Stage("b", solvers[1], 1)], hooks).run(state)
    assert [s.prepared for s in solvers] == [1, 1]
    assert "kept" in seen[0][1]  # what a checkpoint brought back is kept in its own stage
    assert seen[1] == ("b", {})


def test_no_passes_left(problem, state):
    run = Loop(problem, [Stage("a", Scripted([1.0]), 0)])
    assert run.run(state) is StopReason.ITERATION_LIMIT
    assert run.records == []


def test_a_stage_goes_on_while_pixels_that_are_not_fitted_are_told_better(problem, state):
    problem = replace(problem, n_held=1)
    fitted = falling(60)

    def passes(held, iterations, extend):
        state.stage = state.stage_pass = 0
        run = Loop(
            problem, [Stage("a", Scripted([(r, r, h) for r, h in zip(fitted, held, strict=True)]), iterations, extend)]
        )
        return run.run(state), len(run.records)

    helps = [0.98**k for k in range(60)]  # far more than 1 % in ten passes
    assert passes(helps, 12, 18) == (StopReason.ITERATION_LIMIT, 30)  # all that it may have
    assert passes([0.9995**k for k in range(60)], 12, 18) == (StopReason.CONVERGED, 12)
    assert passes(helps[:20] + [helps[19]] * 40, 12, 40) == (StopReason.CONVERGED, 30)  # ten after the last fall
    assert passes([0.9995**k for k in range(60)], 5, 18) == (StopReason.CONVERGED, 11)  # five are too few to tell
    assert passes(helps, 12, 0) == (StopReason.ITERATION_LIMIT, 12)


def test_a_stage_is_not_begun_when_its_preparation_would_take_too_long(problem, state, clock):
    solvers = [Scripted(falling(20), clock=clock), Scripted(falling(20), clock=clock)]
    for budget, passes, reason in (
        (25.0, 10, StopReason.TIME_LIMIT),  # 15 s are left, and 20 passes of a second each are needed
        (35.0, 15, StopReason.ITERATION_LIMIT),
    ):
        state.stage = state.stage_pass = state.iteration = 0
        stages = [Stage("a", solvers[0], 10), Stage("b", solvers[1], 5, begins_with=20)]
        run = Loop(problem, stages, Hooks(time_budget_s=budget))
        assert run.run(state) is reason
        assert len(run.records) == passes
    assert (state.stage, state.stage_pass) == (1, 5)
    assert [s.prepared for s in solvers] == [2, 1]


# --- interrupts ---------------------------------------------------------------------------------------------


def handlers():
    return [signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_after_the_running_pass(problem, state, number):
    before, seen = handlers(), []

    def send(record, left):
        seen.append(record.iteration)
        if record.iteration == 3:
            assert handlers() != before
            os.kill(os.getpid(), number)

    run = Loop(problem, [Stage("a", Scripted(falling(50)), 50)], Hooks(on_pass=send))
    assert run.run(state) is StopReason.INTERRUPTED
    assert seen == [1, 2, 3]
    assert (state.iteration, state.stage_pass) == (3, 3)
    assert (state.object_ == 3).all()  # the pass was finished
    assert handlers() == before


def test_a_second_signal_stops_at_once(problem, state):
    before = handlers()

    class Stuck(Scripted):
        def step(self, problem, state):
            os.kill(os.getpid(), signal.SIGINT)
            os.kill(os.getpid(), signal.SIGINT)
            pytest.fail("the second signal was ignored")

    with pytest.raises(KeyboardInterrupt):
        Loop(problem, [Stage("a", Stuck([1.0]), 5)]).run(state)
    assert handlers() == before


def test_handlers_come_back_after_an_error(problem, state):
    before = handlers()

    class Broken(Scripted):
        def step(self, problem, state):
            raise RuntimeError("broken")

    with pytest.raises(RuntimeError, match="broken"):
        Loop(problem, [Stage("a", Broken([1.0]), 5)]).run(state)
    assert handlers() == before


def test_other_threads_run_without_handlers(problem, state):
    found = []

    def work():
        run = Loop(problem, [Stage("a", Scripted(falling(3)), 3)], Hooks(on_pass=lambda *_: found.append(handlers())))
        found.append(run.run(state))

    before = handlers()
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert found == [before, before, before, StopReason.ITERATION_LIMIT]


# --- time -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("budget", "passes"), [(3.5, 4), (3.0, 3), (0.0, 1)])
def test_time_budget(problem, state, clock, budget, passes):
    run = Loop(problem, [Stage("a", Scripted(falling(9), clock=clock), 9)], Hooks(time_budget_s=budget))
    assert run.run(state) is StopReason.TIME_LIMIT
    assert len(run.records) == passes


def test_budget_of_a_resumed_run_counts_the_time_before(problem, state, clock):
    state.stage_pass = state.iteration = 2
    earlier = [PassRecord(1, "a", 1.0, 1.0, 4.0), PassRecord(2, "a", 0.9, 0.9, 8.0)]
    run = Loop(problem, [Stage("a", Scripted(falling(9), clock=clock), 9)], Hooks(time_budget_s=10.0), list(earlier))
    assert run.run(state) is StopReason.TIME_LIMIT
    assert [r.seconds for r in run.records] == [4.0, 8.0, 9.0, 10.0]


def test_seconds_left_follow_the_recent_pace(problem, state, clock):
    slow, left = Scripted(falling(40), 2.0, clock), []
    stages = [Stage("a", slow, 4), Stage("b", Scripted(falling(40), 6.0, clock), 13)]
    Loop(problem, stages, Hooks(on_pass=lambda record, seconds: left.append(seconds))).run(state)
    assert left[:4] == [2.0 * 16, 2.0 * 15, 2.0 * 14, 2.0 * 13]
    assert left[-1] == 0
    assert left[-2] == pytest.approx(6.0)  # the last ten passes are all of the second stage


def test_seconds_left_do_not_exceed_the_budget(problem, state, clock):
    left = []
    hooks = Hooks(on_pass=lambda record, seconds: left.append(seconds), time_budget_s=5.0)
    Loop(problem, [Stage("a", Scripted(falling(99), clock=clock), 99)], hooks).run(state)
    assert left == [4.0, 3.0, 2.0, 1.0, 0.0]


def test_checkpoints_are_no_more_frequent_than_asked(problem, state, clock):
    made = []
    hooks = Hooks(
        checkpoint=lambda now, records: made.append((now.iteration, len(records))),
        checkpoint_every_s=3.0,
    )
    Loop(problem, [Stage("a", Scripted(falling(20), clock=clock), 10)], hooks).run(state)
    assert made == [(3, 3), (6, 6), (9, 9)]


# --- convergence and divergence -------------------------------------------------------------------------------


def test_a_settled_run_has_converged(problem, state):
    run = Loop(problem, [Stage("a", Scripted([1.0, 0.5, 0.3, 0.2]), 99)])
    assert run.run(state) is StopReason.CONVERGED
    # passes 4 to 14 are alike: ten passes without a change
    assert len(run.records) == 4 + loop.SETTLED_PASSES


def test_both_metrics_have_to_settle(problem, state):
    still_falling = [(0.2, 10 - 0.1 * k) for k in range(40)]
    assert Loop(problem, [Stage("a", Scripted(still_falling), 40)]).run(state) is StopReason.ITERATION_LIMIT


def test_a_converged_stage_hands_over_to_the_next(problem, state):
    stages = [Stage("a", Scripted([0.5]), 99), Stage("b", Scripted(falling(5)), 5)]
    run = Loop(problem, stages)
    assert run.run(state) is StopReason.ITERATION_LIMIT
    assert [r.stage for r in run.records].count("a") == 1 + loop.SETTLED_PASSES
    assert [r.stage for r in run.records].count("b") == 5


def test_a_resumed_run_settles_when_the_uninterrupted_one_would(problem, state):
    stages = [Stage("a", Scripted([1.0, 0.5, 0.3, 0.2]), 99)]
    straight = Loop(problem, stages)
    straight.run(replace(state, object_=state.object_.copy(), probe=state.probe.copy()))
    first = Loop(problem, [replace(stages[0], iterations=9)])
    first.run(state)
    second = Loop(problem, stages, records=list(first.records))
    assert second.run(state) is StopReason.CONVERGED
    assert len(second.records) == len(straight.records)


def test_divergence_brings_back_the_best(problem, state):
    script = [1.0, 0.6, 0.4, *[0.7] * 50]
    run = Loop(problem, [Stage("a", Scripted(script), 50)])
    assert run.run(state) is StopReason.DIVERGED
    assert len(run.records) == 3 + loop.DIVERGENCE_PASSES
    # the third pass measured what the second had left: a solver's residual is of what it was given
    assert (state.object_ == 2).all()
    assert (state.probe == 2).all()


def test_a_short_excursion_is_no_divergence(problem, state):
    script = [0.4, *[0.7] * (loop.DIVERGENCE_PASSES - 1), *falling(30, 0.39)]
    run = Loop(problem, [Stage("a", Scripted(script), 40)])
    assert run.run(state) is StopReason.ITERATION_LIMIT


@pytest.mark.parametrize("bad", [np.nan, np.inf, (0.3, np.nan), (0.3, np.inf)])
def test_non_finite_metrics_bring_back_the_best(problem, state, bad):
    # the second pass leaves a broken object, which the third measures
    run = Loop(problem, [Stage("a", Scripted([1.0, 0.4, bad], fill={1: np.nan}), 50)])
    assert run.run(state) is StopReason.NON_FINITE
    assert len(run.records) == 3
    assert (state.object_ == 1).all()
    assert (state.probe == 1).all()


def test_non_finite_at_the_start_of_a_stage(problem, state):
    stages = [Stage("a", Scripted(falling(4)), 4), Stage("b", Scripted([np.nan], fill={0: np.nan}), 4)]
    run = Loop(problem, stages)
    assert run.run(state) is StopReason.NON_FINITE
    assert (state.object_ == 4).all()  # what the first stage had reached
    assert (state.probe == 4).all()
