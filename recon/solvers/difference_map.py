"""Difference map: all exit waves at once, between the modulus and the overlap constraint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.backend import Array
from recon.kernels import REFLECTION, WaveRule
from recon.problem import Problem
from recon.solvers.base import check_range
from recon.solvers.projections import Projections
from recon.state import State


@dataclass(frozen=True)
class DifferenceMap(Projections):
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
    overlap_rounds, hold_probe, batch
        As for the family.
    """

    average: int = 30

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range(self, average=(1, 10_000))

    @property
    def rule(self) -> WaveRule:
        """The modulus of the reflected waves."""
        return REFLECTION

    def prepare(self, problem: Problem, state: State) -> None:
        """Start exit waves and iterates at the state's, unless a checkpoint brought them back."""
        super().prepare(problem, state)
        for name, array in (("object", state.object_), ("probe", state.probe)):
            if name not in state.memory:
                state.memory[name] = array.copy()

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """As the family, and the iterates [bytes]."""
        iterates = 2 * (np.prod(problem.object_shape) + n_modes * problem.size**2)
        return super().memory_bytes(problem, n_modes) + int(problem.complex_dtype.itemsize * iterates)

    def step(self, problem: Problem, state: State) -> Array:
        """One map of all waves, the overlap solve, and a step of the running mean."""
        means = state.object_, state.probe
        state.object_, state.probe = state.memory["object"], state.memory["probe"]
        residuals = super().step(problem, state)
        iterates = state.object_, state.probe
        state.memory["object"], state.memory["probe"] = iterates
        share = 1 / min(state.iteration + 1, self.average)
        state.object_, state.probe = (
            mean + share * (iterate - mean) for mean, iterate in zip(means, iterates, strict=True)
        )
        return residuals
