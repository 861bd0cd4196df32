"""How far does the noise shift the shares of the modes? The run repeated on counts drawn from its own estimate."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.backend import array_module, to_device, to_host
from recon.kernels import PassSums, residual_pass
from recon.loop import Hooks, Loop, PassRecord, Stage
from recon.probe import mode_shares, orthogonal_modes
from recon.problem import Problem
from recon.result import StopReason
from recon.solvers.base import Solver
from recon.solvers.maximum_likelihood import MaximumLikelihood
from recon.state import State
from scans.scan import Finding

# Frames worked on together.
BATCH = 16
# Light that is moved from the strongest mode to the others to see whether it comes back, as a share of all; the passes
# in which it has to; and the least that comes back where the frames tell the shares. On simulated scans of 1e6
# photons a frame 95 to 102 % were back (test chart, shares right to .005), and 6 to 7 % (.06 rad, wrong by .18).
TAKEN, SOON, LEAST_TOLD = 0.05, 30, 0.5
SHARES_UNTOLD = "shares untold"


@dataclass(frozen=True)
class ShareShift:
    """What the noise of the counts does to the shares of the modes.

    Parameters
    ----------
    by
        ``(M,)`` what it adds to the shares.
    came_back
        Part of some light moved from the strongest mode to the others that came back; None where it was not tried.
    """

    by: NDArray[np.float64]
    came_back: float | None


def share_shift(
    problem: Problem,
    state: State,
    solver: Solver,
    passes: int,
    seed: int,
    hooks: Hooks,
    records: list[PassRecord],
) -> ShareShift | None:
    """Return by how much the noise of the counts shifts the shares of the modes; None when interrupted.

    Where object and probe together have many numbers to fit, part of the noise is fitted, and a beam that is more
    coherent fits it better: the strongest mode's share comes out too large. How much is seen where the truth is
    known: on counts drawn from the estimate itself, with the same frames, mask and solver (the bias by the
    parametric bootstrap: Efron & Tibshirani, An Introduction to the Bootstrap, chapter 10, from memory).

    Do the frames tell the shares at all? Of a weak sample they hardly do: object and modes of other shares fit as
    well. Light that is moved between the modes on the drawn counts comes back where they do.

    Parameters
    ----------
    state
        At the end of the run; stays as it is.
    solver
        Its last one.
    passes
        From the estimate on; with at least `SOON` it is tried whether moved light comes back.
    records
        Of the run: its passes and its clock go on.
    """
    fitted = mode_shares(to_host(state.probe))
    drawn = drawn_counts(problem, _copy(state, seed), np.random.default_rng([seed, 3]))
    settled, records = _settled(solver, state), list(records)

    def go_on(trial: State, passes: int) -> NDArray[np.float64] | None:
        loop = Loop(drawn, [Stage("shares", settled, passes)], hooks, records)
        ended = loop.run(trial) in (StopReason.ITERATION_LIMIT, StopReason.CONVERGED)
        return mode_shares(to_host(trial.probe)) - fitted if ended else None

    trial, came_back = _copy(state, seed), None
    if passes >= SOON:
        other = _copy(state, seed)
        amount = _move_light(other, fitted)
        moved = go_on(other, SOON)
        stayed = None if moved is None else go_on(trial, SOON)
        if moved is None or stayed is None:
            return None
        came_back = float(1 - (stayed - moved)[0] / amount)
    by = go_on(trial, passes)
    return None if by is None else ShareShift(by, came_back)


def _copy(state: State, seed: int) -> State:
    trial = replace(state, memory={}, stage=0, stage_pass=0, rng=np.random.default_rng([seed, 4]))
    trial.restore(state.keep())
    return trial


def _move_light(state: State, shares: NDArray[np.float64]) -> float:
    """Make the modes orthogonal and move light from the strongest to the others; returns the share that was moved."""
    amount = min(TAKEN, float(shares[0]) / 2)
    wanted = shares * (1 - shares[0] + amount) / max(1 - shares[0], 1e-6)
    wanted[0] = shares[0] - amount
    factors = np.sqrt(wanted / np.maximum(shares, 1e-12))
    probe = orthogonal_modes(to_host(state.probe)) * factors[:, None, None]
    state.probe = array_module(state.probe).asarray(probe.astype(state.probe.dtype))
    return amount


def share_findings(shift: ShareShift) -> tuple[Finding, ...]:
    """Say where the shares of the modes are not to be relied on."""
    if shift.came_back is None or shift.came_back >= LEAST_TOLD:
        return ()
    text = (
        "the frames hardly tell the shares of the modes: of light moved between them on purpose "
        f"{100 * max(shift.came_back, 0):.0f} % came back"
    )
    fix = "Take the shares as a guess; a sample of stronger contrast tells them. The image depends little on them."
    return (Finding("note", SHARES_UNTOLD, text, fix),)


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
