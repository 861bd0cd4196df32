"""Scans that share object and probe: each is moved as a whole until it fits the others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.backend import Array, to_host
from recon.gradients import measure
from recon.likelihoods import make_likelihood
from recon.problem import Problem
from recon.solvers.base import Around
from recon.state import State
from recon.unknowns import set_values

# Passes between steps, the longest step [pixels], and the factor on it: the object lies between the scans, so that
# each of them sees a part only of how far it is off.
EVERY, LONGEST_PX, GAIN = 3, 0.5, 1.5
LIKELIHOOD = "anscombe"


@dataclass(frozen=True)
class MovingScans(Around):
    """A solver, and every few passes a Gauss-Newton step of each scan's common shift; the mean of all stays."""

    def step(self, problem: Problem, state: State) -> Array:
        """One pass of the solver, and at times one to move the scans."""
        residuals = self.solver.step(problem, state)
        if problem.groups is None or state.stage_pass % EVERY != EVERY - 1:
            return residuals
        sums = measure(problem, state, make_likelihood(LIKELIHOOD, problem.read_noise), ("positions_px",))
        slopes, weights, labels = to_host(sums.position), to_host(sums.position_weight), problem.groups.of_frame
        moves = np.zeros_like(state.positions_px)
        for label in np.unique(labels):
            mine = labels == label  # frames that are aside have no slope, and move with the others
            weight = weights[mine].sum(axis=0)
            step = GAIN * np.linalg.solve(weight + 1e-9 * np.trace(weight) * np.eye(2), slopes[mine].sum(axis=0))
            moves[mine] = step * min(1.0, LONGEST_PX / max(float(np.hypot(*step)), 1e-12))
        set_values(state, {"positions_px": state.positions_px + moves - moves.mean(axis=0)})
        return residuals
