"""A solver of the PIE family on scans that share an object, each with a probe of its own: one scan after the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.backend import Array, array_module
from recon.own_probes import own_probe, set_own_waves
from recon.problem import Problem
from recon.solvers.base import Around
from recon.state import State


@dataclass(frozen=True)
class ScanByScan(Around):
    """A pass over the frames of each scan with its own strongest mode.

    Object and weaker modes go on from one scan to the next.
    """

    def step(self, problem: Problem, state: State) -> Array:
        """One pass of the solver over each scan."""
        if problem.groups is None or state.variation is None:
            return self.solver.step(problem, state)
        of_frame, aside = problem.groups.of_frame, state.aside
        active, coefficients = state.active(problem.n_frames), state.coefficients
        labels = np.unique(of_frame)
        starts = [own_probe(state, int(np.flatnonzero(of_frame == label)[0])) for label in labels]
        state.variation = state.coefficients = None
        own, residuals = [], None
        for label, start in zip(labels, starts, strict=True):
            state.probe = array_module(start).concatenate([start[:1], state.probe[1:]])
            state.aside = np.setdiff1d(np.arange(problem.n_frames), active[of_frame[active] == label])
            found = self.solver.step(problem, state)
            residuals = found if residuals is None else residuals + found
            own.append(state.probe[0])
        state.aside, state.coefficients = aside, coefficients
        set_own_waves(state, array_module(own[0]).stack(own))
        return residuals
