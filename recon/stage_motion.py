"""Does the stage move while frames are exposed, and how far? Its way, against the same way turned across.

A blur along the way is not yet a moving stage: a partly coherent beam and a probe that is not yet right gain by any
blur. Turned by 90 degrees the same way has as many unknowns, and blurs as much: only a stage that moves fits better
along. Our own estimator.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module
from recon.held_out import Difference, frame_deviance, gain, held_out_deviance
from recon.kernels import PassSums, residual_pass
from recon.problem import Problem
from recon.state import State

# A stage moves where the frames fit better along than across by so many standard errors: at rest up to 3 were seen,
# and 4.3 where all ways have one direction, along which the sample minds a blur less. A share has to be found as well.
CERTAIN = 5.0
# Share of the way at which that is asked.
ASKED = 0.5
# Fits between those that enclose the share, and the least share that is a motion.
FITS, LEAST = 2, 0.1
# A way of at least half a step is taken for a whole one, as stages that do not stop go, unless the held-out pixels
# object by this many standard errors.
HALF, OBJECTION = 0.5, 2.0
# Share of the way by which frames are moved to and fro to see how a longer way would change them, and the counts
# that are added to the variance of a dark pixel.
MOVED, DIM = 0.25, 0.1

Path = NDArray[np.float64]


@dataclass(frozen=True)
class Fitted:
    """A short reconstruction with some path: its problem, where others go on from, and how far it is judged by."""

    problem: Problem
    state: State
    judged: State


Fit = Callable[[Path, State], Fitted]


@dataclass(frozen=True)
class Motion:
    """Share of the way that passes in an exposure, 0 for a stage at rest; why; and where to go on from."""

    share: float
    reason: str
    state: State


def find_motion(still: Fitted, path_px: Path, fit: Fit) -> Motion:
    """Find the share of the way that passes in an exposure.

    Parameters
    ----------
    still
        The frames fitted with a stage at rest.
    path_px
        ``(J, T, 2)`` [pixels]: the whole way to the next position.
    fit
        Goes on from a state with some path.
    """
    along = fit(ASKED * path_px, still.state)
    across = fit(ASKED * turned(path_px), still.state)
    better = drawn_in(frame_deviance(across.problem, across.judged) - frame_deviance(along.problem, along.judged))
    told = f"half of the way along it leaves a deviance of {better} a frame less than across it"
    if better.significance < CERTAIN:
        return Motion(0.0, f"{told}; {CERTAIN:g} standard errors are asked", still.state)
    share, fitted = _share(still, along, path_px, fit)
    if share < LEAST:
        return Motion(0.0, f"{told}, but frames are not blurred more along it than across", still.state)
    if HALF <= share < 1:
        whole = fit(path_px, fitted.state)
        part, all_of_it = (held_out_deviance(one.problem, one.judged) for one in (fitted, whole))
        change = gain(part, all_of_it, whole.problem)
        if change.significance > -OBJECTION:
            return Motion(1.0, f"{told}; {share:.2f} found, and a whole way does as well: {change}", whole.state)
    return Motion(round(share, 3), f"{told}; as far as frames are blurred more along it than across", fitted.state)


def turned(path_px: Path) -> Path:
    """Return the path turned by 90 degrees."""
    return path_px[..., ::-1] * np.array([1.0, -1.0])


def _share(still: Fitted, along: Fitted, path_px: Path, fit: Fit) -> tuple[float, Fitted]:
    """Return the share at which no more blur is left along the way than across, and the last fit on the way there."""
    found = {0.0: excess(still, path_px), ASKED**2: excess(along, path_px)}
    fitted = along
    if found[ASKED**2] > 0:
        fitted = fit(path_px, along.state)
        found[1.0] = excess(fitted, path_px)
        if found[1.0] >= 0:
            return 1.0, fitted
    for _ in range(FITS):
        if max(found.values()) <= 0:
            return 0.0, fitted
        square = crossing(found)
        fitted = fit(np.sqrt(square) * path_px, fitted.state)
        found[square] = excess(fitted, path_px)
    return float(np.sqrt(crossing(found))), fitted


def crossing(found: dict[float, float]) -> float:
    """Return where values by their places last fall through 0.

    By the line through the two values nearest to 0, where it does so between the two around it; or else through these.
    """
    low = max(place for place, value in found.items() if value > 0)
    high = min(place for place in found if place > low)
    for a, b in (sorted(found, key=lambda place: abs(found[place]))[:2], (low, high)):
        if found[a] != found[b]:
            at = a - found[a] * (b - a) / (found[b] - found[a])
            if low < at <= high:
                return at
    return low


def excess(fitted: Fitted, path_px: Path, batch: int = 16) -> float:
    """Square of the share of the way by which frames are blurred along it beyond the model, less that across.

    To second order a longer way adds to the counts what moving the probe to and fro adds: frame less model is
    fitted by what that adds along the way and across, weighted by the variance of the counts. What is found across,
    an error of the probe or a fit of the noise, is taken off.
    """
    problem, state = fitted.problem, fitted.judged
    along = 0.5 * MOVED * ways(path_px)
    matrix, forces = np.zeros((2, 2)), np.zeros(2)
    for start in range(0, problem.n_frames, batch):
        index = np.arange(start, min(start + batch, problem.n_frames))
        frames, model = state.batch(problem, index), _expected(problem, state, index)
        xp = array_module(model)
        added = [
            sum(_expected(problem, state, index, sign * moved) for sign in (1, -1)) / 2 - model
            for moved in (along, turned(along))
        ]
        weight = frames.fitted(model) / (model + frames.read_variance + DIM)
        left = frames.counts - model
        matrix += [[float((weight * a * b).sum(dtype=xp.float64)) for a in added] for b in added]
        forces += [float((weight * a * left).sum(dtype=xp.float64)) for a in added]
    found = np.linalg.lstsq(matrix, forces, rcond=None)[0]
    # to and fro by half of MOVED has 3 MOVED² times the variance of the whole way, 1/12
    return float(found[0] - found[1]) * 3 * MOVED**2


def ways(path_px: Path) -> NDArray[np.float64]:
    """Return straight ways ``(J, 2)`` of the direction and the variance, ``|way|²/12``, of the paths ``(J, T, 2)``."""
    ends = path_px[:, -1] - path_px[:, 0]
    variance = ((path_px - path_px.mean(axis=1, keepdims=True)) ** 2).sum(axis=-1).mean(axis=1)
    return ends * np.sqrt(12 * variance / np.maximum((ends**2).sum(axis=1), 1e-300))[:, None]


def _expected(
    problem: Problem, state: State, index: NDArray[np.int64], moved_px: NDArray[np.float64] | float = 0.0
) -> Array:
    """Return the counts expected of some frames where all positions are moved."""
    there = replace(state, positions_px=state.positions_px + moved_px)
    return residual_pass(there, there.batch(problem, index), PassSums.like(there))


def drawn_in(values: NDArray[np.float64]) -> Difference:
    """Mean of ``(J,)`` and its standard error; single frames far off count as near ones.

    Those are drawn in to three standard deviations about the median (Winsorised, by the median deviation).
    """
    middle = np.median(values)
    reach = 3 * 1.4826 * np.median(np.abs(values - middle))
    near = np.clip(values, middle - reach, middle + reach)
    return Difference(float(near.mean()), float(near.std(ddof=1) / np.sqrt(len(near))))
