"""What the solvers that keep all exit waves share: a sweep between the modulus and the overlap constraint.

The waves that fit the measured modulus are found frame by frame; the overlap constraint is object and probe that
fit all waves best, found by turns.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module
from recon.frames import Batch
from recon.kernels import PassSums, WaveRule, frame_pass, illuminate, overlap_object_pass, overlap_probe_pass
from recon.physics import amplitude_step
from recon.problem import Problem
from recon.shares import Shares, Task, share_count
from recon.solvers.base import check_range
from recon.state import State
from scans.errors import InputError

# Share of the largest weight added to every weight: unlit pixels keep their old value instead of noise.
_WEIGHT_FLOOR = 1e-3


@dataclass(frozen=True)
class Projections(ABC):
    """A pass over remembered exit waves ψ by a `WaveRule`, then the overlap solve.

    With Π_F the measured modulus and Π_O ψ = ``P O``, the object and probe that fit all ψ best. The new
    ``P O`` enters ψ when the next pass meets it, which saves a sweep.

    Parameters
    ----------
    overlap_rounds
        Alternations of the overlap solve a pass.
    hold_probe
        Passes of a cold start during which the probe stays as it is.
    batch
        Frames worked on together; does not change the result.
    """

    overlap_rounds: int = 2
    hold_probe: int = 2
    batch: int = 16

    @property
    @abstractmethod
    def rule(self) -> WaveRule:
        """How the waves move."""

    def __post_init__(self) -> None:
        check_range(self, overlap_rounds=(1, 100), hold_probe=(0, 10_000), batch=(1, 100_000))

    def prepare(self, problem: Problem, state: State) -> None:
        """Start the exit waves at ``P O``, unless a checkpoint brought them back.

        Raises
        ------
        InputError
            For an object of several slices, which no overlap of exit waves gives.
        """
        if state.object_.ndim == 3:
            raise InputError(
                f"an object of {len(state.object_)} slices",
                where=f"recipe, solver {type(self).__name__}",
                expected="one slice: the overlap of exit waves tells nothing of the slices before the last",
                fix="Use -s solve.solver=rpie or -s solve.solver=maximum_likelihood.",
            )
        if "exit_waves" in state.memory:
            return
        for index in self._batches(np.arange(problem.n_frames)):
            first = self.start(illuminate(state, state.batch(problem, index)).exit_waves())
            if not index[0]:
                memory = array_module(first).empty((problem.n_frames, *first.shape[1:]), first.dtype)
            memory[index[0] : index[-1] + 1] = first
        state.memory["exit_waves"] = memory

    def finish(self, problem: Problem, state: State) -> None:
        """Do nothing: the last pass left the best that is known."""
        return

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """All exit waves, a batch and the sums [bytes]."""
        frame, object_ = n_modes * problem.size**2, np.prod(problem.object_shape)
        sums = 2 * share_count(problem.device, self.batch) * (object_ + frame)
        waves = (self._kept * problem.n_frames + 8 * self.batch) * frame
        return int(problem.complex_dtype.itemsize * (waves + sums))

    def step(self, problem: Problem, state: State) -> Array:
        """One pass: all waves once, then object and probe by turns."""
        shares = Shares.like(state, share_count(problem.device, self.batch))
        data_term = partial(amplitude_step, dark=problem.dark)

        def move_waves(batch: Batch, memory: Array | None, sums: PassSums) -> None:
            frame_pass(state, batch, data_term, sums, memory=memory, rule=self.rule, with_probe=False)

        def fit_object(batch: Batch, memory: Array | None, sums: PassSums) -> None:
            overlap_object_pass(state, batch, self._fitted(memory), sums)

        def fit_probe(batch: Batch, memory: Array | None, sums: PassSums) -> None:
            overlap_probe_pass(state, batch, self._fitted(memory), sums)

        sums = self._sweep(problem, state, shares, move_waves)
        state.object_ += sums.object_numerator / _weight(sums.illumination)
        if state.iteration < self.hold_probe:
            return shares.residuals()
        for overlap_round in range(self.overlap_rounds):
            if overlap_round:
                sums = self._sweep(problem, state, shares, fit_object)
                state.object_ += sums.object_numerator / _weight(sums.illumination)
            sums = self._sweep(problem, state, shares, fit_probe)
            state.probe += sums.probe_step() / _weight(sums.probe_weight)
        return shares.residuals()

    def start(self, waves: Array) -> Array:
        """Return what is remembered of waves ``P O`` ``(B, Q, N, N)`` that start as ψ."""
        return waves

    @property
    def _kept(self) -> int:
        """Arrays of all waves that the rule needs."""
        return 1 if self.rule.kept is None else 2

    def _fitted(self, memory: Array | None) -> Array:
        assert memory is not None
        return memory[:, : memory.shape[1] // self._kept]

    def _sweep(self, problem: Problem, state: State, shares: Shares, task: Task) -> PassSums:
        shares.clear_updates()
        waves = state.memory["exit_waves"]
        for index in self._batches(state.active(problem.n_frames)):
            rows = slice(index[0], index[-1] + 1)
            gaps = rows.stop - rows.start > len(index)
            memory = waves[index] if gaps else waves[rows]  # a slice is moved in place
            shares.run(task, state.batch(problem, index), memory)
            if gaps:
                waves[index] = memory
        return shares.updates()

    def _batches(self, frames: NDArray[np.int64]) -> Iterator[NDArray[np.int64]]:
        for start in range(0, len(frames), self.batch):
            yield frames[start : start + self.batch]


def _weight(weight: Array) -> Array:
    return weight + _WEIGHT_FLOOR * weight.max()
