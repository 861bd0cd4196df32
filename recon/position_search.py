"""Positions by trial: for errors beyond the reach of slopes, and for single frames that are trapped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, fft2, to_host
from recon.frames import Batch
from recon.groups import without_means
from recon.kernels import expected_counts, illuminate
from recon.likelihoods import Likelihood
from recon.problem import Problem
from recon.state import State
from recon.unknowns import within_object

# A frame is trapped where its loss stands out from those of all by this many times their scatter, and is twice as
# large: without noise losses scatter widely.
OUTLYING = 5.0
# Frames that fit worse than most by so many times the scatter, at most this share of all, are searched for around where
# they are; they move where that closes this share of the gap to the others.
WORSE, MOST_WORSE, CLOSED = 3.0, 0.05, 0.5
# Predicted by an object that was made without it, a frame in its place has some 2 times the loss of the others, a
# trapped one 10 times and more: it takes part again below so many times the limit.
AGAIN = 2.0
# It is searched for within so many times the rms error of the others.
FAR = 3.0
# Steps of the search [pixels]: a loss is smooth over the size of the detail, some 2 pixels.
COARSE_PX, FINE_PX = 1.5, 0.25
# Places that are tried for each frame in a step of annealing.
TRIALS = 8


def frame_losses(
    problem: Problem, state: State, likelihood: Likelihood, index: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Loss of the frames `index` over their fitted pixels, each at its position, ``(len(index),)``."""
    found = []
    for start in range(0, len(index), 16):
        found.append(to_host(_losses(state, state.batch(problem, index[start : start + 16]), likelihood)))
    return np.concatenate(found)


def _losses(state: State, batch: Batch, likelihood: Likelihood) -> Array:
    expected = expected_counts(state, batch, fft2(illuminate(state, batch).exit_waves()))
    loss = likelihood.loss(expected, batch.counts)
    loss = batch.without_held(loss if batch.mask is None else loss * batch.mask)
    return loss.sum(axis=(1, 2), dtype=array_module(loss).float64)


def search(
    problem: Problem,
    state: State,
    likelihood: Likelihood,
    index: NDArray[np.int64],
    offsets_px: NDArray[np.float64],
    around_px: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Try offsets ``(K, 2)`` on each frame of `index`, object and probe fixed; returns the best positions.

    Maiden, Humphry, Sarahan, Kraus & Rodenburg, Ultramicroscopy 120 (2012) 64 (from memory), with trials on a list
    in place of random ones.

    Parameters
    ----------
    around_px
        ``(len(index), 2)``: what the offsets are from; None for the positions. The positions are tried as well.
    """
    found = within_object(state.positions_px[index], state)
    around = found.copy() if around_px is None else around_px
    best = np.full(len(index), np.inf)
    for place in (found.copy(), *(within_object(around + offset, state) for offset in offsets_px)):
        trial = state.positions_px.copy()
        trial[index] = place
        losses = frame_losses(problem, replace(state, positions_px=trial), likelihood, index)
        better = losses < best
        best[better], found[better] = losses[better], place[better]
    return found


def expected_places(problem: Problem, state: State) -> tuple[NDArray[np.float64], float]:
    """Where frames should be by the recorded positions, mapped as those that take part have moved, and the rms of that.

    Returns
    -------
    tuple
        Positions ``(J, 2)`` and the rms length by which the frames that take part miss them [pixels].
    """
    active = state.active(problem.n_frames)
    label = np.zeros(problem.n_frames) if problem.groups is None else problem.groups.of_frame
    design = np.column_stack([*(label == one for one in np.unique(label)), problem.positions_px])
    fit = np.linalg.lstsq(design[active], state.positions_px[active], rcond=None)[0]
    places = design @ fit
    missed = places[active] - state.positions_px[active]
    return places, float(np.sqrt((missed**2).sum(axis=1).mean()))


def anneal(problem: Problem, state: State, likelihood: Likelihood, reach_px: float, trials: int = TRIALS) -> float:
    """Move frames to the best of a few random places within `reach_px`, mostly near, with no common shift.

    Called pass after pass with a falling reach it finds positions beyond the reach of slopes: Maiden, Humphry,
    Sarahan, Kraus & Rodenburg, Ultramicroscopy 120 (2012) 64 (from memory).

    Returns
    -------
    float
        Share of the frames that moved.
    """
    active = state.active(problem.n_frames)
    angle, radius = 2 * np.pi * state.rng.random(trials), reach_px * state.rng.random(trials)
    offsets = np.column_stack([radius * np.sin(angle), radius * np.cos(angle)])
    moves = search(problem, state, likelihood, active, offsets) - state.positions_px[active]
    state.positions_px = state.positions_px.copy()
    state.positions_px[active] += without_means(moves, problem.groups, active)
    return float(moves.any(axis=1).mean())


def rings(reach_px: float, step_px: float) -> NDArray[np.float64]:
    """Offsets ``(K, 2)`` on a square grid within a circle, the middle first."""
    n = int(np.ceil(reach_px / step_px))
    y, x = np.mgrid[-n : n + 1, -n : n + 1]
    grid = step_px * np.stack([y.ravel(), x.ravel()], axis=1)
    distance = np.hypot(*grid.T)
    order = np.argsort(distance, kind="stable")
    return grid[order][distance[order] <= reach_px]


def set_aside_trapped(problem: Problem, state: State, likelihood: Likelihood, reach_px: float) -> None:
    """Set frames aside that fit far worse than the others, and look again for those that are aside.

    On periodic samples a frame may sit a period away from its place, where its fit is locally the best; it then
    bends the object, and with it the positions around. Aside, it is searched for on the object that the others show,
    around where it was recorded, and takes part again where it fits nearly as they do. At most a tenth of the
    frames are aside.

    Parameters
    ----------
    reach_px
        How far it is searched for at least; farther where the others' errors are large.
    """
    most, active = problem.n_frames // 10, state.active(problem.n_frames)
    losses = search_worst(problem, state, likelihood, reach_px)
    limit = _outlying(losses)
    worst = np.argsort(losses)[::-1][:most]
    fresh = active[worst[losses[worst] > limit]]
    find_again(problem, state, likelihood, reach_px, limit)
    aside = fresh if state.aside is None else np.concatenate([state.aside, fresh])
    state.aside = np.sort(aside[:most]) if len(aside) else None


def search_worst(problem: Problem, state: State, likelihood: Likelihood, reach_px: float) -> NDArray[np.float64]:
    """Search for the frames that fit worst around where they are; returns the losses of those that take part.

    A frame far from its place bends the object around it and so fits less badly than it would otherwise: one of 225
    at a sharp edge stayed 4 pixels away, with 2.1 times the loss of the others.
    """
    active = state.active(problem.n_frames)
    losses = frame_losses(problem, state, likelihood, active)
    middle, scatter = _middle_and_scatter(losses)
    worst = np.argsort(losses)[::-1][: int(MOST_WORSE * len(active))]
    worst = worst[losses[worst] > middle + WORSE * scatter]
    if not len(worst):
        return losses
    trial = replace(state, positions_px=state.positions_px.copy())
    for offsets in (rings(reach_px, COARSE_PX), rings(COARSE_PX, FINE_PX)):
        trial.positions_px[active[worst]] = search(problem, trial, likelihood, active[worst], offsets)
    found = frame_losses(problem, trial, likelihood, active[worst])
    better = losses[worst] - found > CLOSED * (losses[worst] - middle)
    moved = worst[better]
    state.positions_px = state.positions_px.copy()
    state.positions_px[active[moved]] = trial.positions_px[active[moved]]
    losses[moved] = found[better]
    return losses


def find_again(
    problem: Problem, state: State, likelihood: Likelihood, reach_px: float, limit: float | None = None
) -> None:
    """Search for the frames that are aside, and let those take part again that fit nearly as the others do.

    Parameters
    ----------
    limit
        Loss beyond which a frame stands out; None where it is to be found from those that take part.
    """
    if state.aside is None:
        return
    if limit is None:
        limit = _outlying(frame_losses(problem, state, likelihood, state.active(problem.n_frames)))
    aside = state.aside[_find(problem, state, likelihood, state.aside, reach_px) > AGAIN * limit]
    state.aside = aside if len(aside) else None


def _find(
    problem: Problem, state: State, likelihood: Likelihood, index: NDArray[np.int64], reach_px: float
) -> NDArray[np.float64]:
    """Move frames to the best places around where they were recorded; returns their losses there."""
    places, typical = expected_places(problem, state)
    state.positions_px = state.positions_px.copy()
    coarse = rings(max(reach_px, FAR * typical), COARSE_PX)
    state.positions_px[index] = search(problem, state, likelihood, index, coarse, places[index])
    state.positions_px[index] = search(problem, state, likelihood, index, rings(COARSE_PX, FINE_PX))
    return frame_losses(problem, state, likelihood, index)


def _outlying(losses: NDArray[np.float64]) -> float:
    """Loss beyond which a frame stands out from these."""
    middle, scatter = _middle_and_scatter(losses)
    return middle + max(OUTLYING * scatter, middle)


def _middle_and_scatter(losses: NDArray[np.float64]) -> tuple[float, float]:
    """Median, and standard deviation by the median distance from it."""
    middle = float(np.median(losses))
    return middle, 1.4826 * float(np.median(np.abs(losses - middle)))
