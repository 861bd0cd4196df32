"""Positions by trial: for errors beyond the reach of slopes, and for single frames that are trapped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, fft2, to_host
from recon.frames import Batch
from recon.kernels import expected_counts, illuminate
from recon.likelihoods import Likelihood
from recon.problem import Problem
from recon.state import State
from recon.unknowns import within_object

# A frame is trapped where its loss stands out from those of all by this many times their scatter.
OUTLYING = 5.0


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
) -> NDArray[np.float64]:
    """Try every offset ``(K, 2)`` on each frame of `index`, object and probe fixed; returns the best positions.

    Maiden, Humphry, Sarahan, Kraus & Rodenburg, Ultramicroscopy 120 (2012) 64 (from memory), with trials on a list
    in place of random ones.
    """
    best, found = np.full(len(index), np.inf), state.positions_px[index].copy()
    for offset in offsets_px:
        trial = state.positions_px.copy()
        trial[index] = within_object(trial[index] + offset, state)
        losses = frame_losses(problem, replace(state, positions_px=trial), likelihood, index)
        better = losses < best
        best[better], found[better] = losses[better], trial[index][better]
    return found


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
    bends the object, and with it the positions around. Aside, it is searched for within `reach_px` on the object
    that the others show, and takes part again where it fits as they do. At most a tenth of the frames are aside.
    """
    every = np.arange(problem.n_frames)
    losses = frame_losses(problem, state, likelihood, every)
    aside = np.zeros(0, np.int64) if state.aside is None else state.aside
    limit = _outlying(losses[state.active(problem.n_frames)])
    still = []
    if len(aside):
        for reach, step in ((reach_px, 1.0), (0.75, 0.25)):
            found = search(problem, state, likelihood, aside, rings(reach, step))
            state.positions_px = state.positions_px.copy()
            state.positions_px[aside] = found
        again = frame_losses(problem, state, likelihood, aside)
        still = list(aside[again > limit])
    worst = np.argsort(losses)[::-1][: problem.n_frames // 10]
    fresh = np.setdiff1d(worst[losses[worst] > limit], aside)
    new = np.unique(np.array([*still, *fresh], np.int64))[: problem.n_frames // 10]
    state.aside = new if len(new) else None


def _outlying(losses: NDArray[np.float64]) -> float:
    """Loss beyond which a frame stands out from these."""
    middle = float(np.median(losses))
    return middle + OUTLYING * 1.4826 * float(np.median(np.abs(losses - middle)))
