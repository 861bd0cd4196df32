"""The hot unit: one batch of frames from gather to numerators and residuals.

`frame_pass` is what every solver stands on. This is its plain form, which is the specification; compiled
and device forms have the same name and arguments. NumPy and CuPy arrays run through the same lines; only
`gather` and `scatter` differ, because the CPU wants slices and a card wants one kernel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from recon.backend import Array, array_module, fft2, ifft2
from recon.frames import Batch, Model
from recon.physics import DataTerm, deviance_terms, r_factor_terms, shift_ramps


@dataclass
class PassSums:
    """What a pass adds up; shapes as the object ``(H, W)`` or ``(S, H, W)`` and the probe ``(M, N, N)``.

    ``object_numerator = Σ_j P_j* d_j`` is minus the gradient of the loss by O*, ``probe_numerator`` the
    same by P* (kept in Fourier space until `probe_step`); ``illumination = Σ_j |P_j|²`` and
    ``probe_weight = Σ_j |O_j|²`` are their natural scales. With slices, P_j is the wave that enters a slice.
    """

    object_numerator: Array
    illumination: Array
    probe_numerator: Array
    probe_weight: Array
    residuals: Array  # (3,) float64: Σ|√I - √i|, deviance, deviance of the held-out pixels

    @classmethod
    def like(cls, model: Model) -> PassSums:
        """Zeros for this object and probe, on their device."""
        xp, object_, probe = array_module(model.object_), model.object_, model.probe
        return cls(
            object_numerator=xp.zeros_like(object_),
            illumination=xp.zeros(object_.shape, object_.real.dtype),
            probe_numerator=xp.zeros_like(probe),
            probe_weight=xp.zeros(probe.shape[1:], probe.real.dtype),
            residuals=xp.zeros(3),
        )

    def updates(self) -> list[Array]:
        """All arrays that `clear_updates` zeroes."""
        arrays = (getattr(self, f.name) for f in fields(self) if f.name != "residuals")
        return [array for array in arrays if array is not None]

    def clear_updates(self) -> None:
        """Zero everything but the residuals, for the next batch."""
        for array in self.updates():
            array.fill(0)

    def add(self, other: PassSums) -> None:
        """Add the updates of another thread's sums."""
        for mine, theirs in zip(self.updates(), other.updates(), strict=True):
            mine += theirs

    def probe_step(self) -> Array:
        """``(M, N, N)`` probe numerator in real space."""
        return ifft2(self.probe_numerator.copy())


def gather(object_: Array, corners: Array, size: int) -> Array:
    """Return the patches ``(B, N, N)`` of `object_` whose first pixels are at `corners` ``(B, 2)``."""
    if isinstance(object_, np.ndarray):
        patches = np.empty((len(corners), size, size), object_.dtype)
        for patch, (y, x) in zip(patches, corners, strict=True):
            patch[...] = object_[y : y + size, x : x + size]
        return patches
    from recon import kernels_cuda

    return kernels_cuda.gather(object_, corners, size)


def scatter(target: Array, patches: Array, corners: Array) -> None:
    """Add `patches` ``(B, N, N)`` to `target` at `corners`; overlapping patches add up."""
    if isinstance(target, np.ndarray):
        size = patches.shape[-1]
        for patch, (y, x) in zip(patches, corners, strict=True):
            target[y : y + size, x : x + size] += patch
        return
    from recon import kernels_cuda

    kernels_cuda.scatter(target, patches, corners)


@dataclass(frozen=True)
class Lit:
    """Probe and object as each frame of a batch meets them; Q = T x M points of the path and modes."""

    patches: Array  # (B, S, N, N) object patches
    entering: list[Array]  # S of (B, Q, N, N): the wave that enters each slice; the first is the moved probe
    ramp: tuple[Array, Array]  # (B, T, 1, N, 1) and (B, T, 1, 1, N): Fourier factors of the moves, over √T
    transfers: list[Array]  # S - 1 of (N, N): free space after each slice but the last, in Fourier space

    @property
    def probes(self) -> Array:
        """``(B, Q, N, N)`` probes where the frame has them."""
        return self.entering[0]

    def exit_waves(self) -> Array:
        """``(B, Q, N, N)``."""
        return self.entering[-1] * self.patches[:, -1:]

    def unmoved(self, waves: Array) -> Array:
        """Fourier transform ``(B, M, N, N)`` of ``(B, Q, N, N)`` waves at the probe, moved back and summed."""
        ramp_y, ramp_x = self.ramp
        spectra = fft2(waves).reshape(*ramp_y.shape[:2], -1, *waves.shape[-2:])
        spectra *= ramp_y.conj()
        spectra *= ramp_x.conj()
        return spectra.sum(axis=1)


def illuminate(model: Model, batch: Batch) -> Lit:
    """Gather the patches, move the probe to each frame's real-valued position and take it through the slices.

    The probe, not the object, is moved: it is band-limited by its optic and vanishes at the frame's
    edge, so the Fourier shift is exact for it. A path is the same with more moves of one frame: Pelz et al.,
    Appl. Phys. Lett. 105 (2014) 251101 (from memory). Slices: Maiden, Humphry & Rodenburg, J. Opt. Soc. Am.
    A 29 (2012) 1606 (from memory).
    """
    size, dtype = model.probe.shape[-1], model.probe.dtype
    ramp_y, ramp_x = _ramps(batch, size, dtype)
    moved = probe_spectra(model, batch)[:, None] * ramp_y * ramp_x
    patches = _patches(model, batch, size)
    waves = ifft2(moved.reshape(len(batch.corners), -1, size, size))
    entering, transfers = [waves], transfers_of(model, batch, dtype)
    for s, transfer in enumerate(transfers):
        spectrum = fft2(entering[-1] * patches[:, s : s + 1])
        spectrum *= transfer
        entering.append(ifft2(spectrum))
    return Lit(patches, entering, (ramp_y, ramp_x), transfers)


def _ramps(batch: Batch, size: int, dtype: object) -> tuple[Array, Array]:
    if batch.path is None:
        ramp_y, ramp_x = shift_ramps(batch.shifts, size, dtype)
        return ramp_y[:, None, None], ramp_x[:, None, None]
    n_points = batch.path.shape[1]
    moves = (batch.shifts[:, None] + batch.path).reshape(-1, 2)
    ramp_y, ramp_x = shift_ramps(moves, size, dtype)
    ramp_y *= 1 / np.sqrt(n_points)
    return ramp_y.reshape(-1, n_points, 1, size, 1), ramp_x.reshape(-1, n_points, 1, 1, size)


def probe_spectra(model: Model, batch: Batch) -> Array:
    """Fourier transform ``(1 or B, M, N, N)`` of the probe of each frame before it is moved."""
    spectra = fft2(model.probe.copy())[None]
    if model.variation is None or batch.coefficients is None:
        return spectra
    xp = array_module(model.probe)
    own = xp.repeat(spectra, len(batch.counts), axis=0)
    own[:, 0] += xp.tensordot(batch.coefficients, fft2(model.variation.copy()), axes=1)
    return own


def _patches(model: Model, batch: Batch, size: int) -> Array:
    if model.object_.ndim == 2:
        return gather(model.object_, batch.corners, size)[:, None]
    return array_module(model.object_).stack([gather(s, batch.corners, size) for s in model.slices], axis=1)


def transfers_of(model: Model, batch: Batch, dtype: object) -> list[Array]:
    """Fourier factors ``(N, N)`` of the free space between slices; none for one slice."""
    if len(model.slices) == 1:
        return []
    if model.depths_m is None or batch.axial is None:
        raise ValueError(f"{len(model.object_)} slices without their distances or the phase of free space")
    xp = array_module(model.probe)
    return [xp.exp(1j * float(depth) * batch.axial).astype(dtype) for depth in model.depths_m]


def add_object(sums: PassSums, lit: Lit, batch: Batch, waves: Array, on_gap: OnGap | None = None) -> Array:
    """Take ``(B, Q, N, N)`` waves at the exit back through the slices, adding numerators and illumination.

    Adds ``Σ_q in_q* w_q`` of each slice to the object numerator and ``Σ_q |in_q|²`` to the illumination.
    Returns the waves ``(B, Q, N, N)`` at the probe.

    Parameters
    ----------
    on_gap
        Called for each free space with its number and the spectra, at its end, of the wave that arrived and of
        what came back.
    """
    many = sums.object_numerator.ndim == 3
    for s in reversed(range(len(lit.entering))):
        wave = lit.entering[s]
        scatter(sums.object_numerator[s] if many else sums.object_numerator, _overlap(wave, waves), batch.corners)
        scatter(sums.illumination[s] if many else sums.illumination, _intensity(wave), batch.corners)
        waves = lit.patches[:, s : s + 1].conj() * waves
        if s:
            spectrum = fft2(waves)
            if on_gap is not None:
                on_gap(s - 1, fft2(wave.copy()), spectrum)
            spectrum *= lit.transfers[s - 1].conj()
            waves = ifft2(spectrum)
    return waves


# (number of the gap, spectrum of the wave that arrived at its end, spectrum of what came back there)
OnGap = Callable[[int, Array, Array], None]


def add_probe(sums: PassSums, lit: Lit, waves: Array) -> Array:
    """Add ``Σ_j waves_j`` ``(B, Q, N, N)``, moved back to the unshifted probe, and ``Σ_j |O_j|²``.

    The weight is not moved back: it only scales steps, and no fixed point depends on it. Returns the spectra
    ``(B, M, N, N)`` of each frame's part.
    """
    spectra = lit.unmoved(waves)
    sums.probe_numerator += spectra.sum(axis=0)
    sums.probe_weight += _intensity(lit.patches[:, :1]).sum(axis=0)
    return spectra


@dataclass(frozen=True)
class WaveRule:
    """How a solver's remembered exit waves ψ move: sums of the model's ``P O``, of ψ and of the data term's d.

    Parameters
    ----------
    acts_on
        Shares of ``P O`` and ψ in the waves that the data term acts on.
    fitted
        Shares of ``P O``, ψ and d in the waves that object and probe are fitted to next.
    kept
        The same shares in the new ψ; None where these are the fitted waves.
    """

    acts_on: tuple[float, float]
    fitted: tuple[float, float, float]
    kept: tuple[float, float, float] | None = None

    def move(self, memory: Array, waves: Array, d: Array) -> Array:
        """Write the new waves into `memory`, as `frame_pass` has it; returns the fitted ones minus ``P O``."""
        n_waves = waves.shape[1]
        psi = memory[:, -n_waves:]
        misfit = _mixed((self.fitted[0] - 1, *self.fitted[1:]), (waves, psi, d))
        if self.kept is not None:
            psi[...] = _mixed(self.kept, (waves, psi, d))
        memory[:, :n_waves] = waves + misfit
        return misfit


# The data term acts on 2 P O - ψ, and ψ becomes P O + d: the difference map.
REFLECTION = WaveRule(acts_on=(2, -1), fitted=(1, 0, 1))


def frame_pass(
    model: Model,
    batch: Batch,
    step: DataTerm,
    sums: PassSums,
    *,
    memory: Array | None = None,
    rule: WaveRule = REFLECTION,
    with_probe: bool = True,
) -> None:
    """Take one batch from gather to numerators and residuals, adding into `sums`.

    Parameters
    ----------
    model
        Object, probe and what else predicts the frames.
    step
        Data term: `amplitude_step`, `poisson_step` or one of the same form.
    memory
        ``(B, Q, N, N)`` exit waves ψ remembered by a solver that keeps them, moved in place; ``(B, 2 Q, N, N)``
        where the rule parts the waves to fit, which are the first Q, from ψ, the last Q. The numerators are those
        of the new waves to fit χ less ``P O``, so that ``O + Σ P* (χ - P O) / Σ |P|²`` is the object that fits
        them best.
    rule
        What of ``P O`` and ψ the data term acts on, and what becomes of ψ.
    with_probe
        False leaves the probe's sums alone (saves one transform a frame).
    """
    lit = illuminate(model, batch)
    waves = lit.exit_waves()
    field = fft2(waves if memory is None else waves.copy())
    expected = expected_counts(model, batch, field)
    add_residuals(sums, expected, batch)
    if memory is not None and rule.acts_on != (1, 0):
        of_model, of_memory = rule.acts_on
        field *= of_model
        field += fft2(of_memory * memory[:, -waves.shape[1] :])
        expected = expected_counts(model, batch, field)
    field *= batch.without_held(step(expected, batch.counts, batch.mask))[:, None]
    d = ifft2(field)
    if memory is not None:
        d = rule.move(memory, waves, d)
    at_probe = add_object(sums, lit, batch, d)
    if with_probe:
        add_probe(sums, lit, at_probe)


def residual_pass(model: Model, batch: Batch, sums: PassSums) -> Array:
    """Add the residuals and the illumination of one batch to `sums`; returns the expected counts ``(B, N, N)``."""
    lit = illuminate(model, batch)
    expected = expected_counts(model, batch, fft2(lit.exit_waves()))
    add_residuals(sums, expected, batch)
    for s, wave in enumerate(lit.entering):
        target = sums.illumination[s] if sums.illumination.ndim == 3 else sums.illumination
        scatter(target, _intensity(wave), batch.corners)
    return expected


def overlap_object_pass(model: Model, batch: Batch, memory: Array, sums: PassSums) -> None:
    """Add ``Σ P* (ψ - P O)`` and ``Σ |P|²`` for remembered exit waves ψ ``(B, Q, N, N)``.

    Numerators of the misfit, not of ψ, so that a diagonal weight gives the right fixed point even where the
    true weight is not diagonal (probe side, sub-pixel shifts).
    """
    lit = illuminate(model, batch)
    add_object(sums, lit, batch, memory - lit.exit_waves())


def overlap_probe_pass(model: Model, batch: Batch, memory: Array, sums: PassSums) -> None:
    """Add ``Σ O* (ψ - P O)`` and ``Σ |O|²``, as `overlap_object_pass`; for one slice."""
    lit = illuminate(model, batch)
    add_probe(sums, lit, lit.patches.conj() * (memory - lit.exit_waves()))


def expected_counts(model: Model, batch: Batch, field: Array) -> Array:
    """Return the counts ``(B, N, N)`` that the detector shows of a far field ``(B, Q, N, N)`` and the background."""
    intensity = _intensity(field)
    if model.background is not None:
        intensity += model.background
    return batch.expected(intensity)


def add_residuals(sums: PassSums, expected: Array, batch: Batch) -> None:
    """Add the residuals of fitted and of held-out pixels."""
    amplitude = r_factor_terms(expected, batch.counts, batch.mask)
    deviance = deviance_terms(expected, batch.counts, batch.mask, batch.read_variance)
    if batch.held is not None:
        mask = None if batch.mask is None else batch.at_held(batch.mask)
        there = batch.at_held(expected), batch.at_held(batch.counts), mask
        amplitude, held = amplitude - r_factor_terms(*there), deviance_terms(*there, batch.read_variance)
        deviance = deviance - held
        sums.residuals[2] += held
    sums.residuals[0] += amplitude
    sums.residuals[1] += deviance


def _intensity(field: Array) -> Array:
    """Squared modulus summed over modes, ``(B, N, N)`` of ``(B, M, N, N)``."""
    return (field.real**2 + field.imag**2).sum(axis=1)


def _mixed(shares: tuple[float, ...], arrays: tuple[Array, ...]) -> Array:
    """Sum of the arrays by their shares; one array with the share 1 is returned as it is."""
    terms = [array if share == 1 else share * array for share, array in zip(shares, arrays, strict=True) if share]
    total = terms[0]
    for term in terms[1:]:
        total = total + term
    return total


def _overlap(waves: Array, other: Array) -> Array:
    return (waves.conj() * other).sum(axis=1)
