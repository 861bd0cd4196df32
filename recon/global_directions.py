"""Ways in which all frames change together: low-order phases of the probe's spectrum, a map of all positions.

Steps of single pixels and single positions hardly see them: each pixel's slope is small, and neighbours hold each
other back. Where all positions are stretched and the object with them, neighbouring frames agree as well as before,
and a probe of another defocus throws a larger shadow. So few numbers can be solved for by Gauss and Newton.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, fft2, ifft2, to_host
from recon.frames import Batch
from recon.groups import Middles
from recon.kernels import expected_counts, gather, illuminate, probe_spectra
from recon.likelihoods import Likelihood
from recon.problem import Problem
from recon.state import State

# Minus the slope ``(K,)`` of the loss along directions, its expected curvature ``(K, K)``, and the most that each
# diagonal element could be, ``4 Σ|∂ψ|²`` (K,): where the frames tell nothing it is rounding beside that.
Moments = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def phase_products(xp: Any, n: int, orders: tuple[int, ...]) -> list[Array]:
    """Products of frequencies ``(N, N)`` [cycles/pixel] of these orders: ``fy fy, fy fx, fx fx`` for 2."""
    f = xp.fft.fftfreq(n)
    y, x = f[:, None] + 0 * f, f + 0 * f[:, None]
    return [y ** (order - k) * x**k for order in orders for k in range(order + 1)]


def stretched_objects(object_: Array, middles: Middles) -> Array:
    """Change of the object ``(4, H, W)`` with each element of a matrix that maps positions, row by row."""
    xp = array_module(object_)
    slopes = xp.gradient(object_)
    (height, width), middle = object_.shape, middles.of_columns(object_.shape[1])
    lever = np.arange(height)[:, None] - middle[0], np.arange(width) - middle[1]
    away = [xp.asarray(one.astype(object_.real.dtype)) for one in lever]
    return xp.stack([-slopes[row] * away[column] for row in (0, 1) for column in (0, 1)])


def thinned(frames: NDArray[np.int64], enough: int) -> NDArray[np.int64]:
    """Return every so-and-so-many-th of the frames, `enough` at most."""
    return frames[:: -(-len(frames) // enough)]


def loss_of(problem: Problem, state: State, likelihood: Likelihood, frames: NDArray[np.int64], batch: int = 8) -> float:
    """Loss of some frames, by their numbers."""
    total = 0.0
    for start in range(0, len(frames), batch):
        part = state.batch(problem, frames[start : start + batch])
        expected = expected_counts(state, part, fft2(illuminate(state, part).exit_waves()))
        xp = array_module(expected)
        loss = (likelihood.loss(expected, part.counts) * part.fitted(expected)).sum(dtype=xp.float64)
        total += float(to_host(loss))
    return total


@dataclass(frozen=True)
class Directions:
    """Which ways: the four elements A of ``r' = r + A (r - c)``, row by row, then phases of the probe's spectrum.

    Parameters
    ----------
    middles
        c of each frame ``(J, 2)``; None for no map of the positions.
    stretched
        `stretched_objects` about them.
    orders
        Of the phases.
    """

    orders: tuple[int, ...]
    middles: NDArray[np.float64] | None = None
    stretched: Array = None

    @classmethod
    def of(cls, problem: Problem, state: State, orders: tuple[int, ...], *, positions: bool) -> Directions:
        """Directions at a state; those of the positions where wanted."""
        if not positions:
            return cls(orders)
        middles = Middles.of(state.positions_px, state.object_.shape[-1], problem.groups)
        return cls(orders, middles.of_frames, stretched_objects(state.object_, middles))

    def moments(
        self, problem: Problem, state: State, likelihood: Likelihood, frames: NDArray[np.int64], batch: int = 8
    ) -> Moments:
        """Slope and curvature of the loss along the directions.

        Parameters
        ----------
        frames
            Numbers of those that are looked at.
        """
        found: Moments = (np.zeros(()), np.zeros(()), np.zeros(()))
        for start in range(0, len(frames), batch):
            some = frames[start : start + batch]
            lever = None if self.middles is None else state.positions_px[some] - self.middles[some]
            more = self._batch_moments(state, state.batch(problem, some), likelihood, lever)
            found = (found[0] + more[0], found[1] + more[1], found[2] + more[2])
        return found

    def _batch_moments(
        self, state: State, batch: Batch, likelihood: Likelihood, lever_px: NDArray[np.float64] | None
    ) -> Moments:
        xp = array_module(state.object_)
        lit = illuminate(state, batch)
        field = fft2(lit.exit_waves())
        expected = expected_counts(state, batch, field)
        fitted = batch.fitted(expected)
        n = expected.shape[-1]
        ramp_y, ramp_x = lit.ramp
        spectra = (probe_spectra(state, batch)[:, None] * ramp_y * ramp_x).reshape(field.shape)
        changes, most = [], []

        def add(exit_waves: Array) -> None:
            most.append(4 * (abs(exit_waves) ** 2).sum(dtype=xp.float64))
            changes.append(batch.expected(2 * (field.conj() * fft2(exit_waves)).real.sum(axis=1)))

        if lever_px is not None:
            f = xp.fft.fftfreq(n).astype(expected.dtype)
            turns = [ifft2(spectra * (-2j * np.pi * along).astype(field.dtype)) for along in (f[:, None], f[None, :])]
            lever = xp.asarray(lever_px.astype(expected.dtype))[:, :, None, None, None]
            for k in range(4):
                row, column = divmod(k, 2)
                follow = gather(self.stretched[k], batch.corners, n)[:, None]
                add(turns[row] * lever[:, column] * lit.patches + lit.probes * follow)
        for product in phase_products(xp, n, self.orders):
            add(ifft2(spectra * (1j * product).astype(field.dtype)) * lit.patches)
        change = xp.stack(changes)
        slope = likelihood.slope(expected, batch.counts) * fitted
        forces = -(change * slope).sum(axis=(1, 2, 3), dtype=xp.float64)
        weighted = change * (fitted / (expected + 0.1))
        stiffness = xp.einsum("abyx,cbyx->ac", weighted.astype(xp.float64), change.astype(xp.float64))
        return to_host(forces), to_host(stiffness), to_host(xp.stack(most))
