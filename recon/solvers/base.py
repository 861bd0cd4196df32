"""The contract of a solver."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from recon.backend import Array
from recon.problem import Problem
from recon.state import State
from scans.errors import InputError


class Solver(Protocol):
    """A small frozen object of settings; what it remembers between passes lives in ``state.memory``."""

    def prepare(self, problem: Problem, state: State) -> None:
        """Make what the first pass needs; keeps what a checkpoint brought back."""
        ...

    def step(self, problem: Problem, state: State) -> Array:
        """One pass over all frames; returns ``(3,)`` on the device, as `PassSums.residuals`."""
        ...

    def finish(self, problem: Problem, state: State) -> None:
        """Leave the state as good as was measured when the last pass of a stage is done."""
        ...

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """Device memory a pass needs beyond frames, object and probe [bytes]."""
        ...


@dataclass(frozen=True)
class Around:
    """A solver with more to do around its passes; all else is as the solver's.

    Parameters
    ----------
    solver
        Does the pass.
    """

    solver: Solver

    def prepare(self, problem: Problem, state: State) -> None:
        """As the solver's."""
        self.solver.prepare(problem, state)

    def finish(self, problem: Problem, state: State) -> None:
        """As the solver's."""
        self.solver.finish(problem, state)

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """As the solver's: what is done besides needs no more."""
        return self.solver.memory_bytes(problem, n_modes)


def check_range(solver: Any, **limits: tuple[float, float]) -> None:
    """Raise `InputError` where a field of a solver lies outside its closed range."""
    for name, (low, high) in limits.items():
        value = getattr(solver, name)
        if not low <= value <= high:
            raise InputError(
                f"{value}",
                where=f"recipe, solver {type(solver).__name__}, key {name}",
                expected=f"{low:g} to {high:g}",
                fix=f"Give it with -s solve.{name}=VALUE.",
            )
