"""One affine map of all positions, found with the object following it.

Where all positions are stretched, turned or sheared together and the object with them, neighbouring frames agree
as well as before: only the probe, which does not follow, tells. Steps of single positions hardly see it, so this
direction gets a step of its own. A probe of another defocus throws a larger shadow: a wrong scale and a wrong defocus
look nearly alike (a wrong asymmetry and astigmatism too), so that the probe's curvature is found in the same step.
"""

from __future__ import annotations

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from recon.backend import array_module, fft2, ifft2, to_host
from recon.global_directions import Directions, loss_of, phase_products, thinned
from recon.groups import Groups, Middles
from recon.likelihoods import Likelihood
from recon.problem import Problem
from recon.state import State

# No position moves farther in one step [pixels]: the step is linear in the object's detail.
LONGEST_PX = 1.0
# Frames that are enough to tell so few numbers: four of the matrix, three of the probe's curvature.
ENOUGH, ENOUGH_FOR_PHASES = 400, 100
# Orders of the phase: defocus and astigmatism; with coma and spherical aberration.
CURVATURE, ORDERS = (2,), (2, 3, 4)
# Of no sample the frames tell no phase at all: what they seem to tell then is rounding.
LEAST_TOLD = 1e-5
# All of the seven numbers but a common scale: rotation, shear, unequal axes, and the probe's curvature.
NO_SCALE = np.zeros((7, 6))
NO_SCALE[[1, 2], 0], NO_SCALE[[1, 2], 1], NO_SCALE[[0, 3], 2] = (1, -1), (1, 1), (1, -1)
NO_SCALE[4:, 3:] = np.eye(3)
# Shares of the step that are tried, one after the other.
SHARES = (1.0, 0.3)


def affine_step(
    problem: Problem,
    state: State,
    likelihood: Likelihood,
    gain: float = 1.0,
    batch: int = 8,
    *,
    ways: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Move all positions by a matrix about their middle, and the object with them; returns it ``(2, 2)`` without gain.

    A Gauss-Newton step in the four elements A of ``r' = r + A (r - c)``, ``O'(x) = O(x - A (x - c))``, and in the
    three numbers of a quadratic phase of the probe's spectrum. Our own estimator. With slices nothing is done: they
    do not follow one map.

    Parameters
    ----------
    gain
        Factor on the step.
    ways
        ``(7, K)``: what the seven numbers are combined from, e.g. `NO_SCALE`; None where all are free.
    """
    if state.object_.ndim == 3:
        return np.zeros((2, 2))
    forces, stiffness = affine_moments(problem, state, likelihood, batch)
    ways = np.eye(len(forces)) if ways is None else ways
    stiffness = ways.T @ stiffness @ ways
    step = ways @ _newton(ways.T @ forces, stiffness, np.diag(stiffness), 1e-8)
    matrix = step[:4].reshape(2, 2)
    share = _share(state, problem.groups, matrix, gain)
    apply_affine(state, matrix * share, problem.groups)
    apply_phase(state, step[4:] * share, CURVATURE)
    return matrix


def global_step(
    problem: Problem, state: State, likelihood: Likelihood, *, positions: bool, orders: tuple[int, ...] = ORDERS
) -> None:
    """Gauss-Newton step in the low-order phases of the probe's spectrum; with the positions' map where wanted.

    Where the frames that were looked at fit worse after it, a shorter one is tried, and then none.
    """
    ways = Directions.of(problem, state, orders, positions=positions)
    some = thinned(state.active(problem.n_frames), ENOUGH_FOR_PHASES)
    step = _newton(*ways.moments(problem, state, likelihood, some))
    matrix, phases = (step[:4].reshape(2, 2), step[4:]) if positions else (np.zeros((2, 2)), step)
    before, parts = loss_of(problem, state, likelihood, some), state.keep()
    for share in SHARES:
        share *= _share(state, problem.groups, matrix, 1.0)
        if positions:
            apply_affine(state, matrix * share, problem.groups)
        apply_phase(state, phases * share, orders)
        if problem.limits is not None:  # a phase of the spectrum widens the probe
            state.probe = problem.limits(state.probe)
        if loss_of(problem, state, likelihood, some) < before:
            return
        state.restore({name: array.copy() for name, array in parts.items()})


def _newton(
    forces: NDArray[np.float64], stiffness: NDArray[np.float64], most: NDArray[np.float64], least: float = LEAST_TOLD
) -> NDArray[np.float64]:
    """Solve for the step; ways of which the frames tell less than the `least` share of `most` stay as they are."""
    scale = np.sqrt(np.maximum(most, 1e-300))
    values, ways = np.linalg.eigh(stiffness / np.outer(scale, scale))
    told = values > least
    return np.asarray(ways[:, told] @ ((ways[:, told].T @ (forces / scale)) / values[told]) / scale, np.float64)


def _share(state: State, groups: Groups | None, matrix: NDArray[np.float64], gain: float) -> float:
    """Factor on a step that moves no position too far."""
    away = state.positions_px - Middles.of(state.positions_px, state.object_.shape[-1], groups).of_frames
    return float(min(gain, LONGEST_PX / max(np.abs(away @ matrix.T).max(), 1e-12)))


def affine_moments(
    problem: Problem, state: State, likelihood: Likelihood, batch: int = 8
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Minus slope ``(7,)`` and curvature ``(7, 7)`` of the loss by A, row by row, and by the probe's curvature."""
    ways = Directions.of(problem, state, CURVATURE, positions=True)
    return ways.moments(problem, state, likelihood, thinned(state.active(problem.n_frames), ENOUGH), batch)[:2]


def apply_phase(state: State, numbers: NDArray[np.float64], orders: tuple[int, ...]) -> None:
    """Give the probe's spectrum a phase [rad]: the numbers times `phase_products` [cycles/pixel] of these orders."""
    xp = array_module(state.probe)
    products = phase_products(xp, state.probe.shape[-1], orders)
    phase = sum(float(q) * product for q, product in zip(numbers, products, strict=True))
    turn = xp.exp(1j * phase).astype(state.probe.dtype)
    state.probe = ifft2(fft2(state.probe.copy()) * turn)
    if state.variation is not None:
        state.variation = ifft2(fft2(state.variation.copy()) * turn)


def apply_affine(state: State, matrix: NDArray[np.float64], groups: Groups | None = None) -> None:
    """Move positions by ``A (r - c)`` about the middle c of their field, and resample the object so that it follows."""
    middles = Middles.of(state.positions_px, state.object_.shape[-1], groups)
    state.positions_px = state.positions_px + (state.positions_px - middles.of_frames) @ matrix.T
    host = to_host(state.object_).copy()
    for first, last, middle in middles.fields:
        host[:, first:last] = _stretched(host[:, first:last], matrix, middle - (0, first))
    state.object_ = array_module(state.object_).asarray(host)


def _stretched(
    object_: NDArray[np.complexfloating], matrix: NDArray[np.float64], middle: NDArray[np.float64]
) -> NDArray[np.complexfloating]:
    back = np.linalg.inv(np.eye(2) + matrix)
    parts = [
        scipy.ndimage.affine_transform(part, back, middle - back @ middle, order=5, mode="nearest", prefilter=True)
        for part in (object_.real.astype(np.float64), object_.imag.astype(np.float64))
    ]
    return np.asarray(parts[0] + 1j * parts[1], object_.dtype)
