"""How far does the noise shift the shares of the modes? The run repeated on counts drawn from its own estimate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.backend import array_module, to_device, to_host
from recon.kernels import PassSums, residual_pass
from recon.loop import Hooks, Loop, PassRecord, Stage
from recon.probe import mode_shares
from recon.problem import Problem
from recon.result import StopReason
from recon.solvers.base import Solver
from recon.solvers.maximum_likelihood import MaximumLikelihood
from recon.state import State

# Frames worked on together.
BATCH = 16


def share_shift(
    problem: Problem,
    state: State,
    solver: Solver,
    passes: int,
    seed: int,
    hooks: Hooks,
    records: list[PassRecord],
) -> NDArray[np.float64] | None:
    """Return by how much the noise of the counts shifts the shares ``(M,)`` of the modes; None when interrupted.

    Where object and probe together have many numbers to fit, part of the noise is fitted, and a beam that is more
    coherent fits it better: the strongest mode's share comes out too large. How much is seen where the truth is
    known: on counts drawn from the estimate itself, with the same frames, mask and solver (the bias by the
    parametric bootstrap: Efron & Tibshirani, An Introduction to the Bootstrap, chapter 10, from memory).

    Parameters
    ----------
    state
        At the end of the run; stays as it is.
    solver
        Its last one.
    passes
        From the estimate on.
    records
        Of the run: its passes and its clock go on.
    """
    trial = replace(state, memory={}, stage=0, stage_pass=0, rng=np.random.default_rng([seed, 4]))
    trial.restore(state.keep())
    drawn = drawn_counts(problem, trial, np.random.default_rng([seed, 3]))
    loop = Loop(drawn, [Stage("shares", _settled(solver, state), passes)], hooks, list(records))
    if loop.run(trial) not in (StopReason.ITERATION_LIMIT, StopReason.CONVERGED):
        return None
    return mode_shares(to_host(trial.probe)) - mode_shares(to_host(state.probe))


def drawn_counts(problem: Problem, state: State, rng: np.random.Generator) -> Problem:
    """Return the problem with counts drawn from a state: Poisson, and normal where the detector reads with noise."""
    counts = array_module(problem.counts).empty_like(problem.counts)
    for start in range(0, problem.n_frames, BATCH):
        index = np.arange(start, min(start + BATCH, problem.n_frames))
        frames = state.batch(problem, index)
        expected = to_host(residual_pass(state, frames, PassSums.like(state))).astype(np.float64)
        seen = rng.poisson(expected) + problem.read_noise * rng.standard_normal(expected.shape)
        if frames.mask is not None:
            seen = np.where(to_host(frames.mask), seen, 0)
        counts[start : start + len(index)] = to_device(seen.astype(problem.counts.dtype), problem.device)
    return replace(problem, counts=counts)


def _settled(solver: Solver, state: State) -> Solver:
    """Return the solver with the prior's strength that it has chosen."""
    if isinstance(solver, MaximumLikelihood) and state.prior_strength is not None:
        return replace(solver, strength=float(state.prior_strength))
    return solver
