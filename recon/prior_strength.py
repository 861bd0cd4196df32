"""How strong a prior do the frames ask for? Weak to strong, judged by the pixels that were held out."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Protocol

import numpy as np

from recon.backend import Array, array_module, fft2, ifft2
from recon.held_out import held_out_deviance
from recon.problem import Problem
from recon.state import State

# Strengths tried, as factors of the natural one: upwards until the pixels object; and the weaker ones if the first
# of those is the best.
UP, DOWN, RATIO = (1 / 16, 1 / 4, 1.0, 4.0, 16.0, 64.0), (1 / 64, 1 / 256), 4.0
# Where less than this share of the brightest light falls on an object pixel, it is told nothing; its neighbourhood.
DARK, MARGIN_BLUR_PX = 0.01, 8.0
# Where more than this share falls it is well lit.
LIT = 0.1
# Passes at each of them: with 15 the frames seemed to ask for half of what they asked for with 30.
STRENGTH_PASSES = 25


class Stepping(Protocol):
    """What is needed of a solver."""

    def step(self, problem: Problem, state: State) -> Array:
        """One pass."""
        ...

    def finish(self, problem: Problem, state: State) -> None:
        """End on a measured state."""
        ...


def choose_strength(problem: Problem, state: State, solver: Stepping, natural: float) -> float:
    """Return the strength, 0 among them, that predicts the held-out pixels best; the state stays as it is.

    A stronger one goes on from the estimate of the weaker. The best is refined by the parabola through its
    deviance and those of its neighbours, by the logarithm of the strength.

    Parameters
    ----------
    problem
        With held-out pixels.
    solver
        Works at the state's `prior_strength`.
    natural
        Strength that the trials begin around, `natural_strength`.
    """
    found: dict[float, float] = {}

    def go_on(trial: State, factors: Iterable[float]) -> None:
        for factor in factors:
            trial = _trial(trial, factor * natural)
            held = _run(problem, trial, solver)
            is_best = held < min(found.values(), default=math.inf)
            found[factor] = held
            if not is_best:
                return

    go_on(state, (0.0,))
    go_on(state, UP)
    if min(found, key=lambda factor: found[factor]) <= UP[0]:
        go_on(state, DOWN)
    return natural * vertex(found)


def _trial(state: State, strength: float) -> State:
    trial = replace(state, memory={})
    trial.restore(state.keep())
    trial.prior_strength = np.array(strength)
    return trial


def _run(problem: Problem, trial: State, solver: Stepping) -> float:
    for _ in range(STRENGTH_PASSES):
        solver.step(problem, trial)
    solver.finish(problem, trial)
    return float(held_out_deviance(problem, trial).sum())


def vertex(found: dict[float, float]) -> float:
    """Return the factor at the lowest of `found`, between neighbours that are both known and above 0."""
    factors = sorted(found)
    k = min(range(len(factors)), key=lambda i: found[factors[i]])
    if not 1 < k < len(factors) - 1:
        return factors[k]
    below, here, above = (found[factors[i]] for i in (k - 1, k, k + 1))
    bend = below - 2 * here + above
    return factors[k] * RATIO ** ((below - above) / (2 * bend)) if bend > 0 else factors[k]


def with_calm_margin(object_: Array, light: Array) -> Array:
    """Return an object ``(..., H, W)`` that is smooth where next to no light falls: noise there costs a prior most.

    A prior on an object with a wild margin is busy with that for dozens of steps, and what is seen suffers from it
    on the way. The smooth values are those around, weighted by light (normalised convolution: Knutsson & Westin,
    CVPR 1993, from memory).

    Parameters
    ----------
    light
        ``Σ_j |P_j|²`` on each pixel.
    """
    xp = array_module(object_)
    fy, fx = (xp.fft.fftfreq(n) for n in object_.shape[-2:])
    blur = xp.exp(-2 * (np.pi * MARGIN_BLUR_PX) ** 2 * (fy[:, None] ** 2 + fx[None, :] ** 2)).astype(light.dtype)
    values = ifft2(fft2(object_ * light) * blur)
    weights = ifft2(fft2(light.astype(object_.dtype)) * blur).real
    far = 1e-4 * weights.max()  # where none of the light is near, the mean of all
    mean = (object_ * light).sum(axis=(-2, -1), keepdims=True) / light.sum(axis=(-2, -1), keepdims=True)
    smooth = (values + far * mean) / (xp.maximum(weights, 0) + far)
    return xp.where(light < DARK * light.max(), smooth, object_).astype(object_.dtype)


def natural_strength(object_: Array, light: Array, prior: str) -> float:
    """Strength of a prior that expects differences of neighbours as large as the object's own, where it is well lit.

    A complex difference of variance σ² has ``-ln p = |∂O|²/σ²``; σ² is the median, which single edges do not move.
    Of total variation, ``-ln p = |∂O|/b`` in the plane has a mean of 2b. Other priors begin with that of the gradient.
    """
    xp = array_module(object_)
    square = (
        abs(object_[..., 1:, :-1] - object_[..., :-1, :-1]) ** 2
        + abs(object_[..., :-1, 1:] - object_[..., :-1, :-1]) ** 2
    )[light[..., :-1, :-1] > LIT * light.max()]
    seen = square[square > 0]
    if not seen.size:
        return 0.0
    typical = xp.sqrt(seen).mean() if prior == "total_variation" else xp.median(seen)
    return 2 / max(float(typical), 1e-12)
