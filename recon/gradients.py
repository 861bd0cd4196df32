"""All derivatives of a likelihood in one pass over the frames: what the solvers that follow slopes stand on.

Everything here is *minus* the derivative, the direction of descent, with the weight that makes a natural step of
it. Complex unknowns have ``-∂L/∂u*``: a step du changes the loss by ``-2 Re<numerator, du>``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from recon.backend import Array, array_module, fft2, ifft2
from recon.frames import Batch, Model
from recon.kernels import (
    Lit,
    OnGap,
    PassSums,
    add_object,
    add_probe,
    add_residuals,
    expected_counts,
    illuminate,
    probe_spectra,
)
from recon.likelihoods import Likelihood
from recon.problem import Problem
from recon.shares import Shares, share_count
from recon.state import State

# Unknowns beside object and probe whose derivatives can be asked for.
EXTRAS = ("positions_px", "background", "intensity", "variation", "coefficients", "depths_m")


@dataclass
class GradientSums(PassSums):
    """Sums of a pass and the derivatives that were asked for; frames by their number in the scan (J).

    ``*_weight`` is the expected curvature of the loss by that unknown, diagonal or as stated.
    """

    loss: Array = None  # () float64
    position: Array = None  # (J, 2) float64 [1/px]
    position_weight: Array = None  # (J, 2, 2) float64 [1/px²]
    background: Array = None  # (N, N)
    background_weight: Array = None
    intensity: Array = None  # (J,) float64, by the logarithm of a frame's intensity
    intensity_weight: Array = None
    variation: Array = None  # (K, N, N) in Fourier space
    coefficients: Array = None  # (J, K) complex128
    depth: Array = None  # (S - 1,) float64 [1/m]
    depth_weight: Array = None

    @classmethod
    def wanting(cls, model: Model, n_frames: int, extras: Iterable[str] = ()) -> GradientSums:
        """Zeros for this model; `extras` of `EXTRAS`."""
        xp, probe = array_module(model.probe), model.probe
        sums, wanted = cls(**vars(PassSums.like(model)), loss=xp.zeros(())), set(extras)
        if "positions_px" in wanted:
            sums.position, sums.position_weight = xp.zeros((n_frames, 2)), xp.zeros((n_frames, 2, 2))
        if "background" in wanted:
            sums.background, sums.background_weight = (xp.zeros(probe.shape[1:], probe.real.dtype) for _ in range(2))
        if "intensity" in wanted:
            sums.intensity, sums.intensity_weight = xp.zeros(n_frames), xp.zeros(n_frames)
        if "variation" in wanted and model.variation is not None:
            sums.variation = xp.zeros_like(model.variation)
        if "coefficients" in wanted and model.variation is not None:
            sums.coefficients = xp.zeros((n_frames, len(model.variation)), complex)
        if "depths_m" in wanted and model.depths_m is not None:
            sums.depth, sums.depth_weight = (xp.zeros(len(model.depths_m)) for _ in range(2))
        return sums


def measure(
    problem: Problem, state: State, likelihood: Likelihood, extras: Iterable[str] = (), batch: int = 16
) -> GradientSums:
    """Return loss and derivatives over all frames that take part, `batch` at a time, over the cores."""
    shares = Shares(
        [GradientSums.wanting(state, problem.n_frames, extras) for _ in range(share_count(problem.device, batch))]
    )

    def task(frames: Batch, memory: Array | None, sums: PassSums) -> None:
        assert isinstance(sums, GradientSums)
        gradient_pass(state, frames, likelihood, sums)

    active = state.active(problem.n_frames)
    for start in range(0, len(active), batch):
        shares.run(task, state.batch(problem, active[start : start + batch]))
    sums = shares.updates()
    assert isinstance(sums, GradientSums)
    sums.residuals = shares.residuals()
    return sums


def gradient_pass(model: Model, batch: Batch, likelihood: Likelihood, sums: GradientSums) -> None:
    """Take one batch from gather to the loss and its derivatives, adding into `sums`."""
    lit = illuminate(model, batch)
    field = fft2(lit.exit_waves())
    expected = expected_counts(model, batch, field)
    add_residuals(sums, expected, batch)
    xp = array_module(expected)
    fitted = batch.fitted(expected)
    sums.loss += (likelihood.loss(expected, batch.counts) * fitted).sum(dtype=xp.float64)
    slope = likelihood.slope(expected, batch.counts) * fitted
    _add_detector(sums, batch, slope, expected, fitted)
    field *= batch.expected(-slope)[:, None]
    at_probe = add_object(sums, lit, batch, ifft2(field), _gaps(sums, batch))
    if sums.position is not None:
        _add_positions(sums, model, batch, lit, at_probe)
    spectra = add_probe(sums, lit, at_probe)
    if sums.variation is not None and batch.coefficients is not None:
        sums.variation += xp.tensordot(batch.coefficients.conj().T, spectra[:, 0], axes=1)
    if sums.coefficients is not None and model.variation is not None:
        basis = fft2(model.variation.copy())
        sums.coefficients[batch.rows] += xp.einsum("kyx,byx->bk", basis.conj(), spectra[:, 0])


def _add_detector(sums: GradientSums, batch: Batch, slope: Array, expected: Array, fitted: Array) -> None:
    """Background and intensity of each frame; expected curvature of Poisson counts, 1/e."""
    xp = array_module(slope)
    if sums.background is not None:
        sums.background -= batch.expected(slope).sum(axis=0)
        shown = batch.expected(batch.expected(fitted))
        sums.background_weight += (shown / xp.maximum(expected, 1e-3)).sum(axis=0)
    if sums.intensity is not None:
        sums.intensity[batch.rows] -= (slope * expected).sum(axis=(1, 2), dtype=xp.float64)
        sums.intensity_weight[batch.rows] += (expected * fitted).sum(axis=(1, 2), dtype=xp.float64)


def _add_positions(sums: GradientSums, model: Model, batch: Batch, lit: Lit, at_probe: Array) -> None:
    """Slope by each frame's position: exact, as the moved probe's spectrum times -2πi f.

    The weight is that of the wave ``P ∂O``: moving probe and object together changes nothing.
    """
    xp = array_module(at_probe)
    n = at_probe.shape[-1]
    f = xp.fft.fftfreq(n).astype(at_probe.real.dtype)
    ramp_y, ramp_x = lit.ramp
    moved = (probe_spectra(model, batch)[:, None] * ramp_y * ramp_x).reshape(at_probe.shape)
    product = fft2(at_probe.copy()).conj() * moved
    # -2 Re <numerator, dψ/ds>, with dψ/ds = -2πi f ψ: the imaginary part is what is left
    power = 2 * product.imag.sum(axis=1)
    for axis, along in enumerate((f[:, None], f[None, :])):
        sums.position[batch.rows, axis] += 2 * np.pi * (power * along).sum(axis=(1, 2), dtype=xp.float64)
    patch = lit.patches.prod(axis=1)
    slopes = [0.5 * (xp.roll(patch, -1, axis) - xp.roll(patch, 1, axis)) for axis in (1, 2)]
    light = (lit.probes.real**2 + lit.probes.imag**2).sum(axis=1)
    for a in (0, 1):
        for b in (0, 1):
            shared = (slopes[a].conj() * slopes[b]).real * light
            sums.position_weight[batch.rows, a, b] += 2 * shared.sum(axis=(1, 2), dtype=xp.float64)


def _gaps(sums: GradientSums, batch: Batch) -> OnGap | None:
    """Return what to do with each free space on the way back: add its slope by its length, or nothing."""
    axial = batch.axial
    if sums.depth is None or axial is None:
        return None

    def on_gap(s: int, arrived: Array, back: Array) -> None:
        xp = array_module(back)
        # d(arrived)/dz = i axial arrived
        sums.depth[s] -= 2 * ((back.conj() * arrived).imag * axial).sum(dtype=xp.float64)
        sums.depth_weight[s] += 2 * ((arrived.real**2 + arrived.imag**2) * axial**2).sum(dtype=xp.float64)

    return on_gap
