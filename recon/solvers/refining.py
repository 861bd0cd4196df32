"""Any solver of object and probe, with everything else refined beside it after each pass."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from recon.affine_refinement import CURVATURE, NO_SCALE, affine_step, global_step
from recon.backend import Array, to_host
from recon.gradients import measure
from recon.groups import without_means
from recon.likelihoods import Likelihood, make_likelihood
from recon.position_search import anneal, find_again, set_aside_trapped
from recon.preconditioner import Preconditioner
from recon.problem import Problem
from recon.solvers.base import Around
from recon.state import State
from recon.unknowns import descent_of, set_values, unknowns, values

# Passes between steps of all positions by one map, between searches for trapped frames, and between annealings.
MAP_EVERY, RESCUE_EVERY, ANNEAL_EVERY = 5, 10, 20
# How far such a search goes at least [pixels].
REACH_PX = 6.0
# Reach of annealing at first and when it ends [pixels], and its fall from pass to pass: slow where more than a few of
# the frames have found a better place.
WIDEST_PX, NARROWEST_PX, SLOW, FAST, FEW = 6.0, 1.0, 0.96, 0.5, 0.01
# Amplitudes are biased where counts are few, towards less light far out: that stretches positions and object.
LIKELIHOOD = "anscombe"
# Steps grow while they agree with the ones before, up to this; single positions, and the common map.
LARGEST_GAIN, LARGEST_MAP_GAIN = 8.0, 6.0


@dataclass(frozen=True)
class Refining(Around):
    """A solver, and Gauss-Newton steps of further unknowns after each of its passes.

    Positions follow the slope of the likelihood by each of them, and by one map of all that leaves the scale. Where
    successive steps of a position agree they grow: neighbours hold each other back through the object that they share
    (feedback as in Zhang et al., Opt. Express 21 (2013) 13592, from memory). Beside that places at random are tried,
    the nearer the later. Frames that fit far worse than the others are set aside and searched for.

    A common scale and a defocus look nearly alike, and the noise that these solvers have fitted pushes it: on a weak
    sample at 1e6 photons a frame it went wrong by 1.5 %. Therefore the probe's curvature comes first, and the scale is
    left to maximum likelihood.

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
        likelihood = make_likelihood(LIKELIHOOD, problem.read_noise)
        moving = "positions_px" in self.names
        if passes < 0:
            if moving and state.iteration and state.object_.ndim == 2:
                global_step(problem, state, likelihood, positions=False, orders=CURVATURE)
            return residuals
        sums = measure(problem, state, likelihood, self.names)
        scaled = Preconditioner(sums, state, problem, floor=0.1)
        steps = scaled(descent_of(sums, state, self.names))
        if moving:
            steps["positions_px"] = _grown(state, steps["positions_px"])
        active = state.active(problem.n_frames)
        for name in ("positions_px", "intensity"):  # what no frame can tell; those aside stay where they are
            if name in steps:
                steps[name][active] = without_means(steps[name][active], problem.groups, active)
        here = values(state, self.names)
        set_values(state, {name: here[name] + one for name, one in steps.items()})
        if moving:
            _move_together(problem, state, likelihood, passes)
        return residuals

    def finish(self, problem: Problem, state: State) -> None:
        """Let frames take part again that were set aside last: no later stage looks for them."""
        self.solver.finish(problem, state)
        if "positions_px" in self.names:
            find_again(problem, state, make_likelihood(LIKELIHOOD, problem.read_noise), REACH_PX)


def _move_together(problem: Problem, state: State, likelihood: Likelihood, passes: int) -> None:
    """Whatever positions do beside following their slopes; their mean stays."""
    before = state.positions_px
    _anneal(problem, state, likelihood, afresh=passes % ANNEAL_EVERY == 0)
    if passes and passes % MAP_EVERY == 0:
        _map(problem, state, likelihood)
    if passes and passes % RESCUE_EVERY == 0:
        set_aside_trapped(problem, state, likelihood, REACH_PX)
    state.positions_px = before + without_means(state.positions_px - before, problem.groups)


def _anneal(problem: Problem, state: State, likelihood: Likelihood, *, afresh: bool) -> None:
    """Try places at random, the nearer the later, and sooner nearer where there is little to find."""
    reach = WIDEST_PX if afresh else float(to_host(state.memory.get("reach", np.zeros(1)))[0])
    if reach < NARROWEST_PX:
        return
    moved = anneal(problem, state, likelihood, reach)
    state.memory["reach"] = np.array([reach * (SLOW if moved > FEW else FAST)])


def _map(problem: Problem, state: State, likelihood: Likelihood) -> None:
    """Step of all positions by one map, the longer the more it agrees with the one before."""
    gain = float(to_host(state.memory.get("map_gain", np.ones(1)))[0])
    matrix = affine_step(problem, state, likelihood, gain, ways=NO_SCALE)
    agree = (matrix * to_host(state.memory.get("map_step", np.zeros((2, 2))))).sum() > 0
    gain = min(1.5 * gain, LARGEST_MAP_GAIN) if agree else max(gain / 2, 1.0)
    state.memory["map_gain"], state.memory["map_step"] = np.array([gain]), matrix


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
