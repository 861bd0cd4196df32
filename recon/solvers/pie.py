"""The PIE family: object and probe step after every batch of frames, in random order.

With one frame a batch these are the published updates. With more, numerators and weights are summed over
the batch first: frames of a batch that do not overlap step as if alone, overlapping ones share the step.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array
from recon.kernels import Batch, PassSums, frame_pass
from recon.physics import amplitude_step
from recon.problem import Problem
from recon.shares import Shares
from recon.solvers.base import check_range
from recon.state import State

# Σ|P|² or Σ|O|² of a batch -> what its numerator is divided by.
Weight = Callable[[Array], Array]


@dataclass(frozen=True)
class EPIE:
    """Extended ptychographic iterative engine (ePIE).

    ``O += a Σ P* d / max Σ|P|²``, ``P += b Σ O* d / max Σ|O|²`` with d the step onto the measured modulus.
    Maiden & Rodenburg, Ultramicroscopy 109 (2009) 1256, doi:10.1016/j.ultramic.2009.05.012, equations 2
    and 3 (from memory).

    Parameters
    ----------
    object_step, probe_step
        a and b.
    hold_probe
        Passes of a cold start during which the probe stays as it is.
    batch
        Frames a step.
    """

    object_step: float = 1.0
    probe_step: float = 1.0
    hold_probe: int = 1
    batch: int = 4

    def __post_init__(self) -> None:
        check_range(self, object_step=(1e-3, 2), probe_step=(1e-3, 2), hold_probe=(0, 10_000), batch=(1, 100_000))

    def prepare(self, problem: Problem, state: State) -> None:
        """Nothing to make."""

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """Batch work arrays and one set of sums."""
        return pie_memory_bytes(problem, n_modes, self.batch)

    def step(self, problem: Problem, state: State) -> Array:
        """One pass in random order."""
        return pie_pass(self, problem, state, self._object_weight, self._probe_weight)

    def _object_weight(self, weight: Array) -> Array:
        return weight.max() / self.object_step

    def _probe_weight(self, weight: Array) -> Array:
        return weight.max() / self.probe_step


@dataclass(frozen=True)
class RPIE:
    """Regularised PIE (rPIE).

    ``O += Σ P* d / [(1 - α) Σ|P|² + α max Σ|P|²]``, the probe alike with β. Small α takes large steps where
    the probe is dim: fast on clean data, and it amplifies noise there; α = 1 is ePIE.
    Maiden, Johnson & Li, Optica 4 (2017) 736, doi:10.1364/OPTICA.4.000736 (from memory).

    Parameters
    ----------
    alpha, beta
        Regularisation of object and probe.
    hold_probe
        Passes of a cold start during which the probe stays as it is.
    batch
        Frames a step.
    """

    alpha: float = 0.1
    beta: float = 0.5
    hold_probe: int = 1
    batch: int = 4

    def __post_init__(self) -> None:
        check_range(self, alpha=(1e-3, 1), beta=(1e-3, 1), hold_probe=(0, 10_000), batch=(1, 100_000))

    def prepare(self, problem: Problem, state: State) -> None:
        """Nothing to make."""

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """Batch work arrays and one set of sums."""
        return pie_memory_bytes(problem, n_modes, self.batch)

    def step(self, problem: Problem, state: State) -> Array:
        """One pass in random order."""
        return pie_pass(self, problem, state, self._object_weight, self._probe_weight)

    def _object_weight(self, weight: Array) -> Array:
        return (1 - self.alpha) * weight + self.alpha * weight.max()

    def _probe_weight(self, weight: Array) -> Array:
        return (1 - self.beta) * weight + self.beta * weight.max()


def pie_pass(solver: EPIE | RPIE, problem: Problem, state: State, object_weight: Weight, probe_weight: Weight) -> Array:
    """One pass of the family: for each batch a frame pass, then both steps from the same old state."""
    with_probe = state.iteration >= solver.hold_probe
    shares = Shares.like(state.object_, state.probe)
    data_term = partial(amplitude_step, dark=problem.dark)

    def task(batch: Batch, memory: Array | None, sums: PassSums) -> None:
        frame_pass(state.object_, state.probe, batch, data_term, sums, with_probe=with_probe)

    for index in shuffled_batches(problem.n_frames, solver.batch, state.rng):
        shares.clear_updates()
        shares.run(task, problem.batch(index, state.positions_px))
        sums = shares.updates()
        state.object_ += sums.object_numerator / object_weight(sums.illumination)
        if with_probe:
            state.probe += sums.probe_step() / probe_weight(sums.probe_weight)
    return shares.residuals()


def shuffled_batches(n_frames: int, size: int, rng: np.random.Generator) -> Iterator[NDArray[np.int64]]:
    """Yield every frame once, in random order, `size` at a time (the last batch may be smaller)."""
    order = rng.permutation(n_frames)
    for start in range(0, n_frames, size):
        yield np.sort(order[start : start + size])


def pie_memory_bytes(problem: Problem, n_modes: int, batch: int) -> int:
    """Memory of a pass: about six complex arrays of a batch and the sums [bytes]."""
    item = problem.complex_dtype.itemsize
    frame = problem.size**2
    return int(item * (6 * batch * n_modes * frame + 3 * np.prod(problem.object_shape) + 3 * n_modes * frame))
