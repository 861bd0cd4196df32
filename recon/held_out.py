"""Detector pixels that were never fitted: which of two models predicts them better."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, to_host
from recon.frames import Batch
from recon.kernels import PassSums, residual_pass
from recon.problem import Problem
from recon.state import State


def held_out_deviance(problem: Problem, state: State, batch: int = 16) -> NDArray[np.float64]:
    """Poisson deviance of the held-out pixels of each frame, ``(J,)``; a mean expectation below 0.01 counts as that.

    Read noise is taken in as in `recon.physics.deviance_terms`. Dim pixels stay in: where only bright ones were kept,
    a fit of the noise would not show.
    """
    return _deviance(problem, state, Batch.at_held, batch)


def frame_deviance(problem: Problem, state: State, batch: int = 16) -> NDArray[np.float64]:
    """Return the same ``(J,)`` of all measured pixels, fitted ones too: for models that fit the noise alike."""
    return _deviance(problem, state, _at_all, batch)


def _at_all(frames: Batch, plane: Array) -> Array:
    return array_module(plane).broadcast_to(plane, frames.counts.shape).reshape(len(frames.counts), -1)


def _deviance(problem: Problem, state: State, at: Callable[[Batch, Array], Array], batch: int) -> NDArray[np.float64]:
    """Return the deviance of the pixels ``(B, K)`` that `at` takes of a batch."""
    found = []
    for start in range(0, problem.n_frames, batch):
        frames = state.batch(problem, np.arange(start, min(start + batch, problem.n_frames)))
        expected = residual_pass(state, frames, PassSums.like(state))
        xp = array_module(expected)
        model = xp.maximum(at(frames, expected), 0.01).astype(xp.float64) + frames.read_variance
        seen = xp.maximum(at(frames, frames.counts).astype(xp.float64) + frames.read_variance, 0)
        terms = model - seen + seen * xp.log(xp.where(seen > 0, seen / model, 1))
        if frames.mask is not None:
            terms = terms * at(frames, frames.mask)
        found.append(to_host(2 * terms.sum(axis=1)))
    return np.concatenate(found)


@dataclass(frozen=True)
class Gain:
    """What a second model gains over a first: paired by frames, in deviance per held-out pixel.

    Parameters
    ----------
    mean, sigma
        Fall of the deviance and its standard error.
    before
        Deviance of the first model.
    """

    mean: float
    sigma: float
    before: float

    @property
    def significance(self) -> float:
        """Standard errors by which the second model is better."""
        return self.mean / self.sigma if self.sigma > 0 else 0.0

    def __str__(self) -> str:
        return f"{self.before:.4g} -> {self.before - self.mean:.4g} +- {self.sigma:.2g} per held-out pixel"


def gain(first: NDArray[np.float64], second: NDArray[np.float64], problem: Problem) -> Gain:
    """Compare two models by the deviances ``(J,)`` of their frames (`held_out_deviance`)."""
    fall = (first - second) * problem.n_frames / problem.n_held
    return Gain(
        mean=float(fall.mean()),
        sigma=float(fall.std(ddof=1) / np.sqrt(len(fall))),
        before=float(first.sum() / problem.n_held),
    )
