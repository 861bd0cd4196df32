"""The only loop: passes, clock, stop rules, interrupts and checkpoints. Solvers know nothing of these."""

from __future__ import annotations

import math
import signal
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import FrameType, TracebackType
from typing import Any

from recon.backend import Array, synchronize, to_host
from recon.problem import Problem
from recon.result import StopReason
from recon.solvers.base import Solver
from recon.state import State

# A run is given up when its R factor stays this much above its best for this many passes.
DIVERGENCE_RATIO, DIVERGENCE_PASSES = 1.5, 12
# Both metrics still to this share over this many passes: nothing more will happen.
SETTLED_SHARE, SETTLED_PASSES = 1e-5, 10
# A stage that may be extended goes on while the held-out deviance falls by this share over so many passes.
FALLING_SHARE, FALLING_PASSES = 0.01, 10


@dataclass(frozen=True)
class Stage:
    """One entry of the recipe's ``[[solve]]`` list, made ready.

    Parameters
    ----------
    iterations, extend
        Passes, and how many more at most while they still help.
    begins_with
        Passes that its preparation is worth: it is not begun when the time is too short for that.
    """

    name: str
    solver: Solver
    iterations: int
    extend: int = 0
    begins_with: int = 0


@dataclass(frozen=True)
class PassRecord:
    """What one pass over all frames showed."""

    iteration: int
    stage: str
    r_factor: float
    deviance: float  # per fitted pixel
    seconds: float  # since the run began, resumed time included
    held_out: float | None = None  # deviance per held-out pixel


@dataclass(frozen=True)
class Hooks:
    """What a caller may attach to the loop.

    `on_pass` gets each record and the expected seconds left; `checkpoint` is called with the records so far
    at most every `checkpoint_every_s`; `time_budget_s` bounds the passes. With `stopping` a person has asked to stop
    before the first pass: one is made, so that there is something to keep.
    """

    on_pass: Callable[[PassRecord, float], None] | None = None
    checkpoint: Callable[[State, list[PassRecord]], None] | None = None
    checkpoint_every_s: float = 120.0
    time_budget_s: float | None = None
    stopping: bool = False


class StopSignal:
    """Turns SIGINT and SIGTERM into a request to stop after the running pass; a second one stops at once.

    Outside the main thread Python delivers no signals, so nothing is installed there; a signal that is
    ignored (background jobs of a shell) stays ignored.
    """

    def __init__(self) -> None:
        self.requested = False
        self._old: dict[int, Any] = {}

    def __enter__(self) -> StopSignal:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                if signal.getsignal(number) is not signal.SIG_IGN:
                    self._old[number] = signal.signal(number, self._request)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._old.items():
            signal.signal(number, handler)

    def _request(self, number: int, frame: FrameType | None) -> None:
        if self.requested:
            raise KeyboardInterrupt
        self.requested = True


@dataclass
class _Best:
    """Everything refined, as before the pass of lowest R factor; what a diverged run falls back to.

    A pass measures what it was given: what it leaves behind may be worse, or not even finite.
    """

    parts: dict[str, Array]
    r_factor: float = math.inf
    passes_above: int = 0

    def watch(self, record: PassRecord, before: dict[str, Array]) -> StopReason | None:
        """Compare a new record, of a pass that began with these arrays; return a reason to give up."""
        if not math.isfinite(record.r_factor) or not math.isfinite(record.deviance):
            return StopReason.NON_FINITE
        if record.r_factor < self.r_factor:
            self.r_factor, self.parts = record.r_factor, before
        above = record.r_factor > DIVERGENCE_RATIO * self.r_factor
        self.passes_above = self.passes_above + 1 if above else 0
        return StopReason.DIVERGED if self.passes_above >= DIVERGENCE_PASSES else None

    def restore(self, state: State) -> None:
        """Put the best of everything back into `state`."""
        state.restore(self.parts)


@dataclass
class Loop:
    """Runs stages in order on one state.

    Parameters
    ----------
    records
        Grows by one a pass; a resumed run starts with the earlier ones.
    """

    problem: Problem
    stages: Sequence[Stage]
    hooks: Hooks = field(default_factory=Hooks)
    records: list[PassRecord] = field(default_factory=list)

    def run(self, state: State) -> StopReason:
        """Run from where `state` stands to the end; returns why it ended."""
        before = self.records[-1].seconds if self.records else 0.0
        self._began = time.perf_counter() - before
        self._saved = time.perf_counter()
        with StopSignal() as stop:
            stop.requested = stop.requested or self.hooks.stopping
            for number in range(state.stage, len(self.stages)):
                if number != state.stage:
                    state.stage, state.stage_pass, state.memory = number, 0, {}
                if self._too_late_for(self.stages[number], state):
                    return StopReason.TIME_LIMIT
                reason = self._run_stage(self.stages[number], state, stop)
                if reason not in (StopReason.ITERATION_LIMIT, StopReason.CONVERGED):
                    return reason
        return reason

    def _too_late_for(self, stage: Stage, state: State) -> bool:
        budget = self.hooks.time_budget_s
        if budget is None or not stage.begins_with or not self.records or state.stage_pass:
            return False
        return budget - (time.perf_counter() - self._began) < stage.begins_with * self._pace()

    def _run_stage(self, stage: Stage, state: State, stop: StopSignal) -> StopReason:
        stage.solver.prepare(self.problem, state)
        best = _Best(state.keep())
        first = max(0, len(self.records) - state.stage_pass)  # a resumed stage settles as if never stopped
        reason = self._passes(stage, state, stop, best, first)
        if reason in (StopReason.ITERATION_LIMIT, StopReason.CONVERGED):  # an interrupted stage goes on as it stands
            stage.solver.finish(self.problem, state)
        return reason

    def _passes(self, stage: Stage, state: State, stop: StopSignal, best: _Best, first: int) -> StopReason:
        while self._goes_on(stage, state.stage_pass, first):
            before = state.keep()
            record = self._one_pass(stage, state)
            reason = best.watch(record, before)
            if reason:
                best.restore(state)
                return reason
            if stop.requested:
                return StopReason.INTERRUPTED
            if self.hooks.time_budget_s is not None and record.seconds >= self.hooks.time_budget_s:
                return StopReason.TIME_LIMIT
            if not best.passes_above and _settled(self.records[first:]):  # still, and not after a fall
                return StopReason.CONVERGED
            self._maybe_checkpoint(state)
        more = state.stage_pass < stage.iterations + stage.extend
        return StopReason.CONVERGED if more else StopReason.ITERATION_LIMIT

    def _goes_on(self, stage: Stage, done: int, first: int) -> bool:
        """Say whether a stage has passes left, or more are worth while."""
        if done < stage.iterations:
            return True
        return done < stage.iterations + stage.extend and _falling(self.records[first:])

    def _one_pass(self, stage: Stage, state: State) -> PassRecord:
        residuals = to_host(stage.solver.step(self.problem, state))
        synchronize(self.problem.device)
        state.iteration += 1
        state.stage_pass += 1
        record = PassRecord(
            iteration=state.iteration,
            stage=stage.name,
            r_factor=float(residuals[0]) / self.problem.sum_amplitude,
            deviance=float(residuals[1]) / self.problem.n_measured,
            seconds=time.perf_counter() - self._began,
            held_out=float(residuals[2]) / self.problem.n_held if self.problem.n_held else None,
        )
        self.records.append(record)
        if self.hooks.on_pass:
            self.hooks.on_pass(record, self._seconds_left(state, record))
        return record

    def _seconds_left(self, state: State, record: PassRecord) -> float:
        """Return the time of the passes to come at the pace of the last ten, within the time budget."""
        total = sum(s.iterations for s in self.stages[state.stage :]) - state.stage_pass
        left = self._pace() * max(total, 0)
        budget = self.hooks.time_budget_s
        return min(left, max(0.0, budget - record.seconds)) if budget is not None else left

    def _pace(self) -> float:
        """Seconds a pass, of the last ten."""
        recent = self.records[-11:]
        if len(recent) == 1:
            return recent[0].seconds
        return (recent[-1].seconds - recent[0].seconds) / (len(recent) - 1)

    def _maybe_checkpoint(self, state: State) -> None:
        now = time.perf_counter()
        if self.hooks.checkpoint and now - self._saved >= self.hooks.checkpoint_every_s:
            self.hooks.checkpoint(state, self.records)
            self._saved = time.perf_counter()


def _falling(records: Sequence[PassRecord]) -> bool:
    """Say whether the pixels that are not fitted (all, where none are left out) are still told better, or may be."""
    if len(records) <= FALLING_PASSES:
        return True
    old, new = (r.deviance if r.held_out is None else r.held_out for r in (records[-1 - FALLING_PASSES], records[-1]))
    return new < (1 - FALLING_SHARE) * old


def _settled(records: Sequence[PassRecord]) -> bool:
    if len(records) <= SETTLED_PASSES:
        return False
    old, new = records[-1 - SETTLED_PASSES], records[-1]
    return all(
        abs(a - b) <= SETTLED_SHARE * abs(a) for a, b in ((old.r_factor, new.r_factor), (old.deviance, new.deviance))
    )
