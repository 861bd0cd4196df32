"""One affine map of all positions, found with the object following it.

Where all positions are stretched, turned or sheared together and the object with them, neighbouring frames agree
as well as before: only the probe, which does not follow, tells. Steps of single positions hardly see it, so this
direction gets a step of its own. A probe of another defocus throws a larger shadow: a wrong scale and a wrong defocus
look nearly alike (a wrong asymmetry and astigmatism too), so that the probe's curvature is found in the same step.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from recon.backend import Array, array_module, fft2, ifft2, to_host
from recon.frames import Batch
from recon.kernels import expected_counts, gather, illuminate, probe_spectra
from recon.likelihoods import Likelihood
from recon.problem import Problem
from recon.state import State

# No position moves farther in one step [pixels]: the step is linear in the object's detail.
LONGEST_PX = 1.0
# Frames that are enough to tell so few numbers: four of the matrix, three of the probe's curvature.
ENOUGH, UNKNOWNS = 400, 7


def affine_step(
    problem: Problem, state: State, likelihood: Likelihood, gain: float = 1.0, batch: int = 8
) -> NDArray[np.float64]:
    """Move all positions by a matrix about their middle, and the object with them; returns it ``(2, 2)`` without gain.

    A Gauss-Newton step in the four elements A of ``r' = r + A (r - c)``, ``O'(x) = O(x - A (x - c))``, and in the
    three numbers of a quadratic phase of the probe's spectrum. Our own estimator. With slices nothing is done: they
    do not follow one map.

    Parameters
    ----------
    gain
        Factor on the step.
    """
    if state.object_.ndim == 3:
        return np.zeros((2, 2))
    middle = state.positions_px.mean(axis=0)
    forces, stiffness = affine_moments(problem, state, likelihood, batch)
    scale = np.sqrt(np.maximum(np.diag(stiffness), 1e-300))
    step = np.linalg.lstsq(stiffness / np.outer(scale, scale), forces / scale, rcond=1e-8)[0] / scale
    matrix = step[:4].reshape(2, 2)
    farthest = np.abs((state.positions_px - middle) @ matrix.T).max()
    share = min(gain, LONGEST_PX / max(farthest, 1e-12))
    apply_affine(state, matrix * share)
    apply_curvature(state, step[4:] * share)
    return matrix


def affine_moments(
    problem: Problem, state: State, likelihood: Likelihood, batch: int = 8
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Minus slope ``(7,)`` and curvature ``(7, 7)`` of the loss by A, row by row, and by the probe's curvature."""
    middle = state.positions_px.mean(axis=0)
    stretched = _stretched_objects(state.object_, middle)
    forces, stiffness = np.zeros(UNKNOWNS), np.zeros((UNKNOWNS, UNKNOWNS))
    index = state.active(problem.n_frames)
    index = index[:: -(-len(index) // ENOUGH)]
    for start in range(0, len(index), batch):
        some = index[start : start + batch]
        g, h = _moments(state, state.batch(problem, some), likelihood, stretched, state.positions_px[some] - middle)
        forces, stiffness = forces + g, stiffness + h
    return forces, stiffness


def apply_curvature(state: State, curvature: NDArray[np.float64]) -> None:
    """Give the probe's spectrum the phase ``q . (fy fy, fy fx, fx fx)`` [rad, cycles/pixel]: another defocus."""
    xp = array_module(state.probe)
    n = state.probe.shape[-1]
    phase = sum(float(q) * product for q, product in zip(curvature, _products(xp, n), strict=True))
    turn = xp.exp(1j * phase).astype(state.probe.dtype)
    state.probe = ifft2(fft2(state.probe.copy()) * turn)
    if state.variation is not None:
        state.variation = ifft2(fft2(state.variation.copy()) * turn)


def _products(xp: Any, n: int) -> list[Array]:
    """Products of frequencies ``(N, N)`` that a quadratic phase is made of."""
    f = xp.fft.fftfreq(n)
    y, x = f[:, None], f[None, :]
    return [y * y + 0 * x, y * x, 0 * y + x * x]


def apply_affine(state: State, matrix: NDArray[np.float64]) -> None:
    """Move positions by ``A (r - c)`` about their middle c, and resample the object so that it follows."""
    middle = state.positions_px.mean(axis=0)
    state.positions_px = state.positions_px + (state.positions_px - middle) @ matrix.T
    back = np.linalg.inv(np.eye(2) + matrix)
    host = to_host(state.object_)
    parts = [
        scipy.ndimage.affine_transform(part, back, middle - back @ middle, order=5, mode="nearest", prefilter=True)
        for part in (host.real.astype(np.float64), host.imag.astype(np.float64))
    ]
    moved = (parts[0] + 1j * parts[1]).astype(host.dtype)
    xp = array_module(state.object_)
    state.object_ = xp.asarray(moved)


def _stretched_objects(object_: Array, middle: NDArray[np.float64]) -> Array:
    """Change of the object ``(4, H, W)`` with each element of the matrix, row by row."""
    xp = array_module(object_)
    slopes = xp.gradient(object_)
    y, x = (xp.arange(n) - middle[k] for k, n in enumerate(object_.shape))
    away = y[:, None].astype(object_.real.dtype), x[None, :].astype(object_.real.dtype)
    return xp.stack([-slopes[row] * away[column] for row in (0, 1) for column in (0, 1)])


def _moments(
    state: State, batch: Batch, likelihood: Likelihood, stretched: Array, away: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Minus slope ``(7,)`` and curvature ``(7, 7)`` of a batch's loss, as `affine_moments`."""
    xp = array_module(state.object_)
    lit = illuminate(state, batch)
    field = fft2(lit.exit_waves())
    expected = expected_counts(state, batch, field)
    fitted = batch.fitted(expected)
    n = expected.shape[-1]
    f = xp.fft.fftfreq(n).astype(expected.dtype)
    ramp_y, ramp_x = lit.ramp
    spectra = (probe_spectra(state, batch)[:, None] * ramp_y * ramp_x).reshape(field.shape)
    turns = [ifft2(spectra * (-2j * np.pi * along).astype(field.dtype)) for along in (f[:, None], f[None, :])]
    lever = xp.asarray(away.astype(expected.dtype))[:, :, None, None, None]
    changes = []
    for k in range(4):
        row, column = divmod(k, 2)
        follow = gather(stretched[k], batch.corners, n)[:, None]
        moved = fft2(turns[row] * lever[:, column] * lit.patches + lit.probes * follow)
        changes.append(batch.expected(2 * (field.conj() * moved).real.sum(axis=1)))
    for product in _products(xp, n):
        moved = fft2(ifft2(spectra * (1j * product).astype(field.dtype)) * lit.patches)
        changes.append(batch.expected(2 * (field.conj() * moved).real.sum(axis=1)))
    change = xp.stack(changes)
    slope = likelihood.slope(expected, batch.counts) * fitted
    forces = -(change * slope).sum(axis=(1, 2, 3), dtype=xp.float64)
    weighted = change * (fitted / (expected + 0.1))
    stiffness = xp.einsum("abyx,cbyx->ac", weighted.astype(xp.float64), change.astype(xp.float64))
    return to_host(forces), to_host(stiffness)
