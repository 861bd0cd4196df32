"""How strong a prior do the frames ask for? Weak to strong, judged by the pixels that were held out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, fft2, ifft2
from recon.held_out import gain, held_out_deviance, noise_deviance
from recon.parabola import lowest
from recon.problem import Problem
from recon.state import State

# Strengths tried, as factors of the natural one: upwards until the pixels object; and weaker ones if the first of
# those is the best.
UP, DOWN, RATIO = (1 / 16, 1 / 4, 1.0, 4.0, 16.0, 64.0), (1 / 64, 0.0), 4.0
# The least strength that is taken unless the pixels object: where a weaker one predicted them best it was up to
# sixteen times too weak for the object (docs/methods.md).
USUAL = 1 / 4
# They object to a strength that predicts them worse than the best by more than this share of the deviance that noise
# leaves, and by more than a standard error.
TOLERATED = 0.001
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
    """Return the strength that the held-out pixels ask for, 0 among them; the state stays as it is.

    The one that predicts them best, but no weaker than `USUAL` times the natural one as far as they tolerate that. A
    stronger one goes on from the estimate of the weaker.

    Parameters
    ----------
    problem
        With held-out pixels.
    solver
        Works at the state's `prior_strength`.
    natural
        Strength that the trials begin around, `natural_strength`.
    """
    if natural == 0:  # nothing to smooth
        return 0.0
    tried = Tried(problem, float(noise_deviance(problem, state).sum()))

    def go_on(trial: State, factors: tuple[float, ...]) -> None:
        for factor in factors:
            trial = _trial(trial, factor * natural)
            tried.deviance[factor] = _run(problem, trial, solver)
            if tried.objection(factor) > 1:
                return

    go_on(state, UP)
    if tried.best == UP[0]:
        go_on(state, DOWN)
    return natural * max(tried.vertex, min(USUAL, tried.strongest))


@dataclass
class Tried:
    """Strengths that were tried, as factors, and what the held-out pixels say of them.

    Parameters
    ----------
    noise
        Deviance of all held-out pixels that the noise alone would leave.
    deviance
        ``(J,)`` at each factor.
    """

    problem: Problem
    noise: float
    deviance: dict[float, NDArray[np.float64]] = field(default_factory=dict)

    @property
    def best(self) -> float:
        """Factor that predicts the pixels best."""
        return min(self.deviance, key=lambda factor: self.deviance[factor].sum())

    def objection(self, factor: float) -> float:
        """By how much more the pixels are predicted worse than by the best, in units of what is tolerated."""
        rise = gain(self.deviance[factor], self.deviance[self.best], self.problem)
        noise = max(self.noise / self.problem.n_held, rise.before - rise.mean)
        return rise.mean / max(TOLERATED * noise, rise.sigma, 1e-300)

    @property
    def vertex(self) -> float:
        """Factor at the lowest point of the parabola through the best and its neighbours."""
        return lowest({factor: float(each.sum()) for factor, each in self.deviance.items()}, RATIO)

    @property
    def strongest(self) -> float:
        """The strongest factor that is tolerated; between those tried the objection's root goes as the logarithm."""
        factors = sorted(self.deviance)
        at = max(k for k, factor in enumerate(factors) if self.objection(factor) <= 1)
        inner = factors[at]
        if at + 1 == len(factors) or inner == 0:
            return inner
        near, far = (np.sqrt(self.objection(factor)) for factor in factors[at : at + 2])
        return inner * float((factors[at + 1] / inner) ** ((1 - near) / (far - near)))


def _trial(state: State, strength: float) -> State:
    trial = replace(state, memory={})
    trial.restore(state.keep())
    trial.prior_strength = np.array(strength)
    return trial


def _run(problem: Problem, trial: State, solver: Stepping) -> NDArray[np.float64]:
    for _ in range(STRENGTH_PASSES):
        solver.step(problem, trial)
    solver.finish(problem, trial)
    return held_out_deviance(problem, trial)


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
