"""Any solver of object and probe, with everything else refined beside it after each pass."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from recon.affine_refinement import affine_step
from recon.backend import Array, to_host
from recon.gradients import measure
from recon.likelihoods import Likelihood, make_likelihood
from recon.position_search import set_aside_trapped
from recon.preconditioner import Preconditioner
from recon.problem import Problem
from recon.solvers.base import Around
from recon.state import State
from recon.unknowns import descent_of, set_values, unknowns, values

# Passes between steps of all positions by one map, and between searches for trapped frames.
AFFINE_EVERY, RESCUE_EVERY = 5, 10
# How far such a search goes at least [pixels].
REACH_PX = 6.0
# Amplitudes are biased where counts are few, towards less light far out: that stretches positions and object.
LIKELIHOOD = "anscombe"
# Steps grow while they agree with the ones before, up to this; single positions, and the common map.
LARGEST_GAIN, LARGEST_AFFINE_GAIN = 8.0, 6.0


@dataclass(frozen=True)
class Refining(Around):
    """A solver, and Gauss-Newton steps of further unknowns after each of its passes.

    Positions follow the slope of the likelihood by each of them, and by one affine map of all. Where successive
    steps of a position agree they grow: neighbours hold each other back through the object that they share
    (feedback as in Zhang et al., Opt. Express 21 (2013) 13592, from memory). Frames that fit far worse than the
    others are set aside and searched for.

    Parameters
    ----------
    solver
        Moves object and probe.
    words
        What else is refined, as `recon.unknowns.WORDS`.
    wait
        Passes from the start of the run before anything else is refined: the object has to show first.
    """

    words: str
    wait: int = 5
    names: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "names", unknowns(self.words))

    def step(self, problem: Problem, state: State) -> Array:
        """One pass of the solver, and one to refine the rest."""
        residuals = self.solver.step(problem, state)
        passes = state.iteration - self.wait
        if passes < 0:
            return residuals
        likelihood = make_likelihood(LIKELIHOOD, problem.read_noise)
        sums = measure(problem, state, likelihood, self.names)
        scaled = Preconditioner(sums, state, problem, floor=0.1)
        steps = scaled(descent_of(sums, state, self.names))
        moving = "positions_px" in steps
        if moving:
            steps["positions_px"] = _grown(state, steps["positions_px"])
        active = state.active(problem.n_frames)
        for name in ("positions_px", "intensity"):  # what no frame can tell; those aside stay where they are
            if name in steps:
                steps[name][active] -= steps[name][active].mean(axis=0)
        here = values(state, self.names)
        set_values(state, {name: here[name] + one for name, one in steps.items()})
        if moving and passes and passes % AFFINE_EVERY == 0:
            _affine(problem, state, likelihood)
        if moving and passes and passes % RESCUE_EVERY == 0:
            set_aside_trapped(problem, state, likelihood, REACH_PX)
        return residuals


def _affine(problem: Problem, state: State, likelihood: Likelihood) -> None:
    """Step of all positions by one map, the longer the more it agrees with the one before."""
    gain = float(to_host(state.memory.get("affine_gain", np.ones(1)))[0])
    matrix = affine_step(problem, state, likelihood, gain)
    agree = (matrix * to_host(state.memory.get("affine_step", np.zeros((2, 2))))).sum() > 0
    gain = min(1.5 * gain, LARGEST_AFFINE_GAIN) if agree else max(gain / 2, 1.0)
    state.memory["affine_gain"], state.memory["affine_step"] = np.array([gain]), matrix


def _grown(state: State, steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return steps of positions ``(J, 2)``, longer where they agree with the last ones, half a pixel at most."""
    before, gains = state.memory.get("position_steps"), state.memory.get("position_gains")
    gains = np.ones(len(steps)) if gains is None else to_host(gains)
    before = None if before is None else to_host(before)
    if before is not None:
        agree = (steps * before).sum(axis=1)
        gains = np.clip(np.where(agree > 0, 1.2 * gains, 0.5 * gains), 0.5, LARGEST_GAIN)
    state.memory["position_steps"], state.memory["position_gains"] = steps, gains
    moves = gains[:, None] * steps
    length = np.hypot(*moves.T)[:, None]
    return moves * np.minimum(1, 0.5 / np.maximum(length, 1e-12))
