"""First guess of the inverse Hessian: natural steps in each unknown, from the weights of a pass."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, to_host
from recon.blocks import Blocks
from recon.gradients import GradientSums
from recon.groups import without_means
from recon.priors import Prior
from recon.problem import Problem
from recon.state import State

# Largest step of any position [pixels].
LONGEST_PX = 0.5
# Modes of a smaller share of the power step as if they had this.
FAINTEST = 0.03
# A frame that tells less of its position than this share of what the others do stays where it is: in an empty field it
# would wander (noise-free grains: six of 225 frames by 4 pixels in 120 passes).
UNTOLD = 1e-3
# The slices follow where their distance changes, so that the loss bends this much less than with slices that stay.
FOLLOWING = 20.0
# Rounds of the solver of neighbouring pixels.
ROUNDS = 10


class Preconditioner:
    """Applies the guess to a vector of unknowns, and keeps steps sensible.

    The curvature of a likelihood by an exit wave is 2 on average and 4 at most, so that by an object pixel is at
    most 4 Σ|P|²; half of the room is left to the probe.

    Parameters
    ----------
    sums
        Of a pass at `state`.
    floor
        Share of the largest weight added to the weights of object and probe.
    """

    def __init__(self, sums: GradientSums, state: State, problem: Problem, floor: float) -> None:
        light = sums.illumination
        self.weights: Blocks = {"object_": 4 * (light + floor * light.max())}
        met = sums.probe_weight
        # the expected curvature by a mode goes with its share of the light
        power = (abs(state.probe) ** 2).sum(axis=(1, 2))
        share = array_module(met).maximum(power / power.sum(), FAINTEST)[:, None, None]
        self.weights["probe"] = 4 * (met + 0.02 * met.max()) * share
        if sums.background is not None:
            xp = array_module(sums.background)
            self.weights["background"] = xp.maximum(sums.background_weight, 1e-3 * sums.background_weight.max())
        if sums.intensity is not None:
            self.weights["intensity"] = np.maximum(to_host(sums.intensity_weight), 1e-9)
        if sums.depth is not None:
            self.weights["depths_m"] = to_host(sums.depth_weight) / FOLLOWING
        if sums.variation is not None and state.coefficients is not None:
            # in no frame to begin with: a step as if a tenth of the wave were there
            share = np.maximum((np.abs(state.coefficients) ** 2).mean(axis=0), 0.01)
            xp = array_module(state.variation)
            self.weights["variation"] = self.weights["probe"][:1] * xp.asarray(share.astype(met.dtype))[:, None, None]
        if sums.coefficients is not None and state.variation is not None:
            power = to_host((abs(state.variation) ** 2).sum(axis=(1, 2)))
            self.weights["coefficients"] = 4 * power * float(met.mean()) / problem.n_frames
        self.stiff: Callable[[Array], Array] | None = None
        self.stiff_scale: Array = None
        self.limits, self.groups = problem.limits, problem.groups
        self.position_weight = None if sums.position is None else to_host(sums.position_weight)

    def add_prior(self, prior: Prior, object_: Array) -> None:
        """Let the object's curvature hold that of a prior: neighbours that it ties move together."""
        parabola = prior.parabola(object_)
        weight, self.stiff_scale = self.weights["object_"], self.weights["object_"] + 2 * prior.curvature(object_)
        self.stiff = lambda step: weight * step + 2 * parabola(step)

    def __call__(self, blocks: Blocks) -> Blocks:
        """Return the guess times a vector."""
        return {name: self._block(name, one) for name, one in blocks.items()}

    def _block(self, name: str, one: Array) -> Array:
        if name == "positions_px":
            return self._positions(one)
        if name == "object_" and self.stiff is not None:
            return conjugate_gradient(self.stiff, self.stiff_scale, one)
        if name == "probe" and self.limits is not None:  # of the form A W⁻¹ Aᵀ: steps stay within the limits
            return self.limits(self.limits.adjoint(one) / self.weights[name])
        return one / self.weights[name]

    def _positions(self, forces: NDArray[np.float64]) -> NDArray[np.float64]:
        """Gauss-Newton steps of single positions."""
        weight = self.position_weight
        assert weight is not None
        traces = np.trace(weight, axis1=1, axis2=2)
        told = traces > UNTOLD * np.median(traces)
        steps = np.linalg.solve(weight + 0.05 * traces.mean() * np.eye(2), forces[:, :, None])[:, :, 0]
        return np.asarray(steps * told[:, None], np.float64)

    def without_gauge(self, direction: Blocks) -> Blocks:
        """Take out what no frame can tell: a move of all positions, a factor of all intensities."""
        for name in ("positions_px", "intensity"):
            if name in direction:
                step = direction[name].copy()
                moving = np.flatnonzero((step != 0).reshape(len(step), -1).any(axis=1))  # frames aside stay
                step[moving] = without_means(step[moving], self.groups, moving)
                direction[name] = step
        return direction

    def longest(self, direction: Blocks) -> float:
        """Return the largest share of a direction, at most 1, that moves no position too far."""
        moves = direction.get("positions_px")
        farthest = 0.0 if moves is None else float(np.abs(moves).max())
        return 1.0 if farthest <= LONGEST_PX else LONGEST_PX / farthest


def conjugate_gradient(matrix: Callable[[Array], Array], scale: Array, right: Array, steps: int = ROUNDS) -> Array:
    """Return about ``A⁻¹ b`` by a few steps of the method of conjugate gradients with a diagonal guess.

    Nothing is tested on the way: numbers of a card stay there. Hestenes & Stiefel, J. Res. NBS 49 (1952) 409;
    Saad, Iterative Methods for Sparse Linear Systems, algorithm 9.1 (both from memory).

    Parameters
    ----------
    matrix
        Symmetric, positive definite, on arrays like `right`.
    scale
        About its diagonal.
    """
    rest, found = right, right * 0
    search = step = rest / scale
    power = _real_dot(rest, step)
    for _ in range(steps):
        image = matrix(search)
        length = power / _at_least_tiny(_real_dot(search, image))
        found = found + length * search
        rest = rest - length * image
        step = rest / scale
        power, before = _real_dot(rest, step), power
        search = step + power / _at_least_tiny(before) * search
    return found


def _real_dot(a: Array, b: Array) -> Array:
    """``Σ Re a* b`` in the arrays' own precision, on their device."""
    return (a.conj() * b).real.sum()


def _at_least_tiny(number: Array) -> Array:
    """Keep a divisor from 0: nothing is left to do there."""
    return array_module(number).maximum(number, 1e-30)
