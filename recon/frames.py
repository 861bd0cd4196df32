"""What predicts the frames, and the frames that are worked on together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module


@dataclass
class Model:
    """The unknowns that all frames share; arrays on one device.

    The intensity of a frame is ``i = Σ_q |F ψ_q|² + b`` over probe modes and points of the frame's path.

    Parameters
    ----------
    object_
        ``(H, W)`` complex, or ``(S, H, W)``: slices in the order in which the beam meets them.
    probe
        ``(M, N, N)`` complex: incoherent modes.
    background
        ``(N, N)`` real, 0 and more: intensity that no exit wave explains, direct beam at index (0, 0); or None.
    variation
        ``(K, N, N)`` complex: how the strongest mode varies over the scan,
        ``P_j = P + Σ_k c_jk V_k``; or None. Orthogonal probe relaxation: Odstrcil et al., Opt. Express 24
        (2016) 8360, doi:10.1364/OE.24.008360 (from memory).
    depths_m
        ``(S - 1,)`` float64 on the host: free space between slices [m]; None for one slice.
    """

    object_: Array
    probe: Array
    background: Array | None = None
    variation: Array | None = None
    depths_m: NDArray[np.float64] | None = None

    @property
    def slices(self) -> Array:
        """``(S, H, W)`` view of the object."""
        return self.object_ if self.object_.ndim == 3 else self.object_[None]

    @property
    def transmission(self) -> Array:
        """``(H, W)``: the product of the slices; the object itself where there is one."""
        return self.object_ if self.object_.ndim == 2 else self.object_.prod(axis=0)


@dataclass(frozen=True)
class Batch:
    """Frames that are worked on together, all arrays on one device.

    Parameters
    ----------
    counts
        ``(B, N, N)`` real, direct beam at index (0, 0).
    mask
        ``(1 or B, N, N)`` bool, True = measured; None when every pixel is.
    corners
        ``(B, 2)`` int: object row and column under the frame's pixel (0, 0).
    shifts
        ``(B, 2)`` real: the rest of the position in pixels, as a shift of the probe: within ±0.5 where corners are the
        nearest, within ±1 where they stay.
    response
        ``(B, 1 or N, 1 or N)`` real: counts expected where the model intensity is one; None when all are 1.
    held
        ``(B, K)`` int: pixels, as index of the flattened frame, that are never fitted; or None.
    path
        ``(B, T, 2)`` real: where the probe passes during the exposure, beside the position [pixels]; None
        where it stands still.
    coefficients
        ``(B, K)`` complex: shares of the probe's variation; or None.
    axial
        ``(N, N)`` real: phase of free space a metre at each spatial frequency [rad/m]; None for one slice.
    rows
        ``(B,)`` int: numbers of the frames in the scan, where sums a frame are asked for.
    read_variance
        Of the counts [counts²], beside that of the photons.
    """

    counts: Array
    mask: Array | None
    corners: Array
    shifts: Array
    response: Array | None = None
    held: Array | None = None
    path: Array | None = None
    coefficients: Array | None = None
    axial: Array | None = None
    rows: NDArray[np.int64] | None = None
    read_variance: float = 0.0

    def part(self, rows: slice) -> Batch:
        """Return some of the frames, without a copy."""

        def some(array: Array | None) -> Array | None:
            return None if array is None else array[rows]

        return Batch(
            self.counts[rows],
            self.mask if self.mask is None or len(self.mask) == 1 else self.mask[rows],
            self.corners[rows],
            self.shifts[rows],
            response=some(self.response),
            held=some(self.held),
            path=some(self.path),
            coefficients=some(self.coefficients),
            axial=self.axial,
            rows=some(self.rows),
            read_variance=self.read_variance,
        )

    def expected(self, intensity: Array) -> Array:
        """Return the counts ``(B, N, N)`` that the detector shows of a model intensity."""
        return intensity if self.response is None else intensity * self.response

    def without_held(self, factor: Array) -> Array:
        """Set ``factor`` ``(B, N, N)`` to zero, in place, at the pixels that are never fitted; returns it."""
        if self.held is not None:
            every = array_module(factor).arange(len(factor))[:, None]
            factor.reshape(len(factor), -1)[every, self.held] = 0
        return factor

    def fitted(self, like: Array) -> Array:
        """Return 1 where a pixel is fitted and 0 elsewhere, of the shape and type of `like` ``(B, N, N)``."""
        ones = array_module(like).ones_like(like)
        return self.without_held(ones if self.mask is None else ones * self.mask)

    def at_held(self, plane: Array) -> Array:
        """``(B, K)`` values of ``(1 or B, N, N)`` at the pixels that are never fitted."""
        xp = array_module(self.counts)
        flat = xp.broadcast_to(plane, self.counts.shape).reshape(len(self.counts), -1)
        return flat[xp.arange(len(flat))[:, None], self.held]
