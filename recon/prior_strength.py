"""How strong a prior do the frames ask for? Weak to strong, judged by the pixels that were held out."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from recon.backend import Array, array_module
from recon.held_out import held_out_deviance
from recon.problem import Problem
from recon.state import State

# Strengths tried, as factors of the natural one: each this many times the one before, until the pixels object.
WEAKEST, STRONGEST, RATIO = 1 / 16, 256.0, 4.0
# Passes at each of them.
STRENGTH_PASSES = 15


class Stepping(Protocol):
    """What is needed of a solver."""

    def step(self, problem: Problem, state: State) -> Array:
        """One pass."""
        ...

    def finish(self, problem: Problem, state: State) -> None:
        """End on a measured state."""
        ...


def choose_strength(problem: Problem, state: State, solver: Stepping, prior: str) -> float:
    """Return the strength, 0 among them, that predicts the held-out pixels best; the state moves on to it.

    Each strength goes on from the estimate of the weaker one. The best is refined by the parabola through its
    deviance and those of its neighbours, by the logarithm of the strength.

    Parameters
    ----------
    problem
        With held-out pixels.
    solver
        Works at the state's `prior_strength`.
    prior
        Its name, as `recon.priors.PRIORS`.
    """
    natural = natural_strength(state, prior)
    trial = _trial(state, 0.0)
    best, found = _run(problem, trial, solver), {0.0: 0.0}
    first, parts = best, trial.keep()
    trial = _trial(state, 0.0)
    factor = WEAKEST
    while factor <= STRONGEST:
        trial = _trial(trial, factor * natural)
        held = _run(problem, trial, solver)
        found[factor] = held - first
        if held >= best:
            break
        best, parts = held, trial.keep()
        factor *= RATIO
    state.restore({name: array for name, array in parts.items() if name != "prior_strength"})
    return natural * vertex(found)


def _trial(state: State, strength: float) -> State:
    trial = replace(state, memory={})
    trial.restore(state.keep())
    trial.prior_strength = np.array(strength)
    return trial


def _run(problem: Problem, trial: State, solver: Stepping) -> float:
    for _ in range(STRENGTH_PASSES):
        solver.step(problem, trial)
    solver.finish(problem, trial)
    return float(held_out_deviance(problem, trial).sum())


def vertex(found: dict[float, float]) -> float:
    """Return the factor at the lowest of `found`, between neighbours that are both known and above 0."""
    factors = sorted(found)
    k = min(range(len(factors)), key=lambda i: found[factors[i]])
    if not 1 < k < len(factors) - 1:
        return factors[k]
    below, here, above = (found[factors[i]] for i in (k - 1, k, k + 1))
    bend = below - 2 * here + above
    return factors[k] * RATIO ** ((below - above) / (2 * bend)) if bend > 0 else factors[k]


def natural_strength(state: State, prior: str) -> float:
    """Strength of a prior that expects differences of neighbours as large as the object's own.

    A complex difference of variance σ² has ``-ln p = |∂O|²/σ²``; σ² is the median over the object, which noise
    at its dim margin does not move. Of total variation, ``-ln p = |∂O|/b`` in the plane has a mean of 2b. Other
    priors begin with that of the gradient.
    """
    xp = array_module(state.object_)
    object_ = state.object_
    square = (
        abs(object_[..., 1:, :-1] - object_[..., :-1, :-1]) ** 2
        + abs(object_[..., :-1, 1:] - object_[..., :-1, :-1]) ** 2
    )
    lit = square[square > 0]
    if not lit.size:
        return 0.0
    typical = xp.sqrt(lit).mean() if prior == "total_variation" else xp.median(lit)
    return 2 / max(float(typical), 1e-12)
