"""The PIE family: object and probe step after every batch of frames, in random order.

With one frame a batch these are the published updates. With more, numerators and weights are summed over
the batch first: frames of a batch that do not overlap step as if alone, overlapping ones share the step.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array
from recon.frames import Batch
from recon.kernels import PassSums, frame_pass
from recon.physics import amplitude_step
from recon.problem import Problem
from recon.shares import Shares, share_count
from recon.solvers.base import check_range
from recon.state import State


@dataclass(frozen=True)
class _PIE(ABC):
    """What the members share: the pass, and which frames go together.

    Parameters
    ----------
    hold_probe
        Passes of a cold start during which the probe stays as it is.
    batch
        Frames a step.
    """

    hold_probe: int = 1
    batch: int = 4

    @abstractmethod
    def object_weight(self, weight: Array) -> Array:
        """Turn ``Σ|P|²`` of a batch into what the object's numerator is divided by."""

    @abstractmethod
    def probe_weight(self, weight: Array) -> Array:
        """Turn ``Σ|O|²`` of a batch into what the probe's numerator is divided by."""

    def __post_init__(self) -> None:
        check_range(self, hold_probe=(0, 10_000), batch=(1, 100_000))

    def prepare(self, problem: Problem, state: State) -> None:
        """Make nothing: the family remembers no more than object and probe."""
        return

    def finish(self, problem: Problem, state: State) -> None:
        """Do nothing: the last pass left the best that is known."""
        return

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """About six complex arrays of a batch, and the sums of each share [bytes]."""
        frame = n_modes * problem.size**2
        sums = 2 * share_count(problem.device, self.batch) * (np.prod(problem.object_shape) + frame)
        return int(problem.complex_dtype.itemsize * (6 * self.batch * frame + sums))

    def step(self, problem: Problem, state: State) -> Array:
        """One pass: for each batch a frame pass, then both steps from the same old state."""
        with_probe = state.iteration >= self.hold_probe
        shares = Shares.like(state, share_count(problem.device, self.batch))
        data_term = partial(amplitude_step, dark=problem.dark)

        def task(batch: Batch, memory: Array | None, sums: PassSums) -> None:
            frame_pass(state, batch, data_term, sums, with_probe=with_probe)

        for index in shuffled_batches(state.active(problem.n_frames), self.batch, state.rng):
            shares.clear_updates()
            shares.run(task, state.batch(problem, index))
            sums = shares.updates()
            state.object_ += sums.object_numerator / self.object_weight(sums.illumination)
            if with_probe:
                state.probe += sums.probe_step() / self.probe_weight(sums.probe_weight)
            self.after_batch(state, len(index))
        return shares.residuals()

    def after_batch(self, state: State, n_frames: int) -> None:
        """Do nothing more after the steps of a batch of so many frames."""
        return


@dataclass(frozen=True)
class EPIE(_PIE):
    """Extended ptychographic iterative engine (ePIE).

    ``O += a Σ P* d / max Σ|P|²``, ``P += b Σ O* d / max Σ|O|²`` with d the step onto the measured modulus.
    Maiden & Rodenburg, Ultramicroscopy 109 (2009) 1256, doi:10.1016/j.ultramic.2009.05.012, equations 2
    and 3 (from memory).

    Parameters
    ----------
    object_step, probe_step
        a and b.
    hold_probe, batch
        As for the family.
    """

    object_step: float = 1.0
    probe_step: float = 1.0

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range(self, object_step=(1e-3, 2), probe_step=(1e-3, 2))

    def object_weight(self, weight: Array) -> Array:
        """``max Σ|P|² / a``."""
        return weight.max() / self.object_step

    def probe_weight(self, weight: Array) -> Array:
        """``max Σ|O|² / b``."""
        return weight.max() / self.probe_step


@dataclass(frozen=True)
class RPIE(_PIE):
    """Regularised PIE (rPIE).

    ``O += Σ P* d / [(1 - α) Σ|P|² + α max Σ|P|²]``, the probe alike with β. Small α takes large steps where
    the probe is dim: fast on clean data, and it amplifies noise there; α = 1 is ePIE.
    Maiden, Johnson & Li, Optica 4 (2017) 736, doi:10.1364/OPTICA.4.000736 (from memory).

    Parameters
    ----------
    alpha, beta
        Regularisation of object and probe.
    hold_probe, batch
        As for the family.
    """

    alpha: float = 0.1
    beta: float = 0.5

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range(self, alpha=(1e-3, 1), beta=(1e-3, 1))

    def object_weight(self, weight: Array) -> Array:
        """``(1 - α) Σ|P|² + α max Σ|P|²``."""
        return (1 - self.alpha) * weight + self.alpha * weight.max()

    def probe_weight(self, weight: Array) -> Array:
        """``(1 - β) Σ|O|² + β max Σ|O|²``."""
        return (1 - self.beta) * weight + self.beta * weight.max()


def shuffled_batches(frames: NDArray[np.int64], size: int, rng: np.random.Generator) -> Iterator[NDArray[np.int64]]:
    """Yield every one of `frames` once, in random order, `size` at a time (the last batch may be smaller)."""
    order = rng.permutation(frames)
    for start in range(0, len(frames), size):
        yield np.sort(order[start : start + size])
