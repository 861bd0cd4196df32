"""Detector pixels that were never fitted: which of two models predicts them better."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, to_host
from recon.frames import Batch
from recon.kernels import PassSums, residual_pass
from recon.metrics import expected_deviance
from recon.physics import pixel_deviance
from recon.problem import Problem
from recon.state import State

# A pixel of which less is expected [counts] is not told from one of so much: or else a single count there would decide.
LEAST_COUNTS = 0.01


def held_out_deviance(problem: Problem, state: State, batch: int = 16) -> NDArray[np.float64]:
    """Poisson deviance of the held-out pixels of each frame ``(J,)``; less expected than `LEAST_COUNTS` is that.

    Read noise is taken in as in `recon.physics.pixel_deviance`. Dim pixels stay in: where only bright ones were kept,
    a fit of the noise would not show.
    """
    return _deviance(problem, state, Batch.at_held, batch)


def frame_deviance(problem: Problem, state: State, batch: int = 16) -> NDArray[np.float64]:
    """Return the same ``(J,)`` of all measured pixels, fitted ones too: for models that fit the noise alike."""
    return _deviance(problem, state, _at_all, batch)


def noise_deviance(problem: Problem, state: State, batch: int = 16) -> NDArray[np.float64]:
    """Return ``(J,)`` what `held_out_deviance` would be on average of photons, if the model were the truth."""

    def of_noise(expected: Array, counts: Array, read_variance: float) -> Array:
        mean = to_host(expected)
        terms = expected_deviance(np.maximum(mean, LEAST_COUNTS) + read_variance)
        if not read_variance:
            # mostly no counts, and seldom one: from 2 `LEAST_COUNTS` where nothing comes, in proportion
            dim = np.minimum(mean / LEAST_COUNTS, 1.0)
            terms = np.where(dim < 1, 2 * LEAST_COUNTS * (1 - dim) + terms * dim, terms)
        return array_module(expected).asarray(terms)

    return _deviance(problem, state, Batch.at_held, batch, of_noise)


def _of_counts(expected: Array, counts: Array, read_variance: float) -> Array:
    return pixel_deviance(array_module(expected).maximum(expected, LEAST_COUNTS), counts, read_variance)


def _at_all(frames: Batch, plane: Array) -> Array:
    return array_module(plane).broadcast_to(plane, frames.counts.shape).reshape(len(frames.counts), -1)


def _deviance(
    problem: Problem,
    state: State,
    at: Callable[[Batch, Array], Array],
    batch: int,
    of: Callable[[Array, Array, float], Array] = _of_counts,
) -> NDArray[np.float64]:
    """Return the deviance (`of` model and counts) of the pixels ``(B, K)`` that `at` takes of a batch."""
    found = []
    for start in range(0, problem.n_frames, batch):
        frames = state.batch(problem, np.arange(start, min(start + batch, problem.n_frames)))
        expected = residual_pass(state, frames, PassSums.like(state))
        xp = array_module(expected)
        model, counts = (at(frames, plane).astype(xp.float64) for plane in (expected, frames.counts))
        terms = of(model, counts, frames.read_variance)
        if frames.mask is not None:
            terms = terms * at(frames, frames.mask)
        found.append(to_host(terms.sum(axis=1)))
    return np.concatenate(found)


@dataclass(frozen=True)
class Difference:
    """A mean difference of two models, paired by frames, and its standard error."""

    mean: float
    sigma: float

    @property
    def significance(self) -> float:
        """Standard errors by which the mean is above 0."""
        return self.mean / self.sigma if self.sigma > 0 else 0.0

    def __str__(self) -> str:
        return f"{self.mean:.3g} +- {self.sigma:.2g}"


@dataclass(frozen=True)
class Gain(Difference):
    """What a second model gains over a first, in deviance per held-out pixel; `before` is that of the first."""

    before: float

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
