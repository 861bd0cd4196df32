"""Difference map: all exit waves at once, between the modulus and the overlap constraint."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module
from recon.frames import Batch
from recon.kernels import (
    PassSums,
    frame_pass,
    illuminate,
    overlap_object_pass,
    overlap_probe_pass,
)
from recon.physics import amplitude_step
from recon.problem import Problem
from recon.shares import Shares, Task, share_count
from recon.solvers.base import check_range
from recon.state import State

# Share of the largest weight added to every weight: unlit pixels keep their old value instead of noise.
_WEIGHT_FLOOR = 1e-3


@dataclass(frozen=True)
class DifferenceMap:
    """Difference map with an alternating overlap solve.

    ``ψ += Π_F(2 Π_O ψ - ψ) - Π_O ψ`` with Π_F the measured modulus and ``Π_O ψ = P O`` the object and probe
    that fit all ψ best. Thibault et al., Ultramicroscopy 109 (2009) 338,
    doi:10.1016/j.ultramic.2008.12.011, equations 6 to 9 with β = 1 (from memory).

    The iterates never settle where frames and model differ, by noise or by the finite pixel: they go on
    around the solution. The state's object and probe are therefore a running mean of the iterates, which
    are kept beside it. With much noise, follow it with a stage of another solver.

    Parameters
    ----------
    average
        Passes that the running mean spans.
    overlap_rounds
        Alternations of the overlap solve a pass.
    hold_probe
        Passes of a cold start during which the probe stays as it is.
    batch
        Frames worked on together; does not change the result.
    """

    average: int = 30
    overlap_rounds: int = 2
    hold_probe: int = 2
    batch: int = 16

    def __post_init__(self) -> None:
        check_range(self, average=(1, 10_000), overlap_rounds=(1, 100), hold_probe=(0, 10_000), batch=(1, 100_000))

    def prepare(self, problem: Problem, state: State) -> None:
        """Start the exit waves at ``P O``, unless a checkpoint brought them back."""
        if "exit_waves" in state.memory:
            return
        xp = array_module(state.object_)
        waves = xp.empty((problem.n_frames, *state.probe.shape), state.probe.dtype)
        for rows, index in self._batches(problem):
            lit = illuminate(state, state.batch(problem, index))
            waves[rows] = lit.exit_waves()
        state.memory["exit_waves"] = waves
        state.memory["object"], state.memory["probe"] = state.object_.copy(), state.probe.copy()

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """All exit waves, the iterates, a batch and the sums."""
        frame, object_ = n_modes * problem.size**2, np.prod(problem.object_shape)
        sums = 2 * share_count(problem.device, self.batch) * (object_ + frame)
        waves = (problem.n_frames + 8 * self.batch) * frame
        return int(problem.complex_dtype.itemsize * (waves + 2 * (object_ + frame) + sums))

    def step(self, problem: Problem, state: State) -> Array:
        """One map of all waves, the overlap solve, and a step of the running mean."""
        means = state.object_, state.probe
        state.object_, state.probe = state.memory["object"], state.memory["probe"]
        residuals = self._map(problem, state)
        iterates = state.object_, state.probe
        state.memory["object"], state.memory["probe"] = iterates
        share = 1 / min(state.iteration + 1, self.average)
        state.object_, state.probe = (
            mean + share * (iterate - mean) for mean, iterate in zip(means, iterates, strict=True)
        )
        return residuals

    def _map(self, problem: Problem, state: State) -> Array:
        """Move ``state.object_`` and ``state.probe``, here the iterates, by one pass."""
        shares = Shares.like(state, share_count(problem.device, self.batch))
        data_term = partial(amplitude_step, dark=problem.dark)

        def map_waves(batch: Batch, memory: Array | None, sums: PassSums) -> None:
            frame_pass(state, batch, data_term, sums, memory=memory, with_probe=False)

        def fit_object(batch: Batch, memory: Array | None, sums: PassSums) -> None:
            overlap_object_pass(state, batch, memory, sums)

        def fit_probe(batch: Batch, memory: Array | None, sums: PassSums) -> None:
            overlap_probe_pass(state, batch, memory, sums)

        sums = self._sweep(problem, state, shares, map_waves)
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

    def _sweep(self, problem: Problem, state: State, shares: Shares, task: Task) -> PassSums:
        shares.clear_updates()
        for rows, index in self._batches(problem):
            shares.run(task, state.batch(problem, index), state.memory["exit_waves"][rows])
        return shares.updates()

    def _batches(self, problem: Problem) -> Iterator[tuple[slice, NDArray[np.int64]]]:
        for start in range(0, problem.n_frames, self.batch):
            stop = min(start + self.batch, problem.n_frames)
            yield slice(start, stop), np.arange(start, stop)


def _weight(weight: Array) -> Array:
    return weight + _WEIGHT_FLOOR * weight.max()
