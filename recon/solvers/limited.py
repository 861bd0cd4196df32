"""Any solver, with the probe kept within limits after each pass."""

from __future__ import annotations

from dataclasses import dataclass

from recon.backend import Array
from recon.problem import Problem
from recon.solvers.base import Around, Solver
from recon.solvers.maximum_likelihood import MaximumLikelihood
from recon.state import State


@dataclass(frozen=True)
class Limited(Around):
    """A solver whose probe is put back within `Problem.limits` when a pass is done."""

    def prepare(self, problem: Problem, state: State) -> None:
        """Begin within the limits."""
        _limit(problem, state)
        super().prepare(problem, state)

    def step(self, problem: Problem, state: State) -> Array:
        """One pass of the solver, then the limits."""
        residuals = self.solver.step(problem, state)
        _limit(problem, state)
        return residuals


def within_limits(solver: Solver, problem: Problem) -> Solver:
    """Return a solver that keeps the probe within `Problem.limits`; maximum likelihood does that by itself."""
    free = problem.limits is None or isinstance(solver, MaximumLikelihood)
    return solver if free else Limited(solver)


def _limit(problem: Problem, state: State) -> None:
    if problem.limits is not None:
        state.probe = problem.limits(state.probe)
