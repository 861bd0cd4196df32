"""The hot unit: one batch of frames from gather to numerators and residuals.

`frame_pass` is what every solver stands on. This is its plain form, which is the specification; compiled
and device forms have the same name and arguments. NumPy and CuPy arrays run through the same lines; only
`gather` and `scatter` differ, because the CPU wants slices and a card wants one kernel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.backend import Array, array_module, fft2, ifft2
from recon.physics import DataTerm, deviance_terms, r_factor_terms, shift_ramps


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
        ``(B, 2)`` real: the rest of the position in pixels, within ±0.5, as a shift of the probe.
    response
        ``(B, 1 or N, 1 or N)`` real: counts expected where the model intensity is one; None when all are 1.
    """

    counts: Array
    mask: Array | None
    corners: Array
    shifts: Array
    response: Array | None = None

    def part(self, rows: slice) -> Batch:
        """Return some of the frames, without a copy."""
        mask = self.mask if self.mask is None or len(self.mask) == 1 else self.mask[rows]
        response = None if self.response is None else self.response[rows]
        return Batch(self.counts[rows], mask, self.corners[rows], self.shifts[rows], response)

    def expected(self, intensity: Array) -> Array:
        """Return the counts ``(B, N, N)`` that the detector shows of a model intensity."""
        return intensity if self.response is None else intensity * self.response


@dataclass
class PassSums:
    """What a pass adds up; shapes as the object ``(H, W)`` and the probe ``(M, N, N)``.

    ``object_numerator = Σ_j P_j* d_j`` is minus the gradient of the loss by O*, ``probe_numerator`` the
    same by P* (kept in Fourier space until `probe_step`); ``illumination = Σ_j |P_j|²`` and
    ``probe_weight = Σ_j |O_j|²`` are their natural scales.
    """

    object_numerator: Array
    illumination: Array
    probe_numerator: Array
    probe_weight: Array
    residuals: Array  # (2,) float64: Σ|√I - √i|, deviance

    @classmethod
    def like(cls, object_: Array, probe: Array) -> PassSums:
        """Zeros for this object and probe, on their device."""
        xp = array_module(object_)
        return cls(
            object_numerator=xp.zeros_like(object_),
            illumination=xp.zeros(object_.shape, object_.real.dtype),
            probe_numerator=xp.zeros_like(probe),
            probe_weight=xp.zeros(probe.shape[1:], probe.real.dtype),
            residuals=xp.zeros(2),
        )

    def clear_updates(self) -> None:
        """Zero everything but the residuals, for the next batch."""
        for array in (self.object_numerator, self.illumination, self.probe_numerator, self.probe_weight):
            array.fill(0)

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
    """Probe and object as each frame of a batch meets them."""

    patches: Array  # (B, 1, N, N) object patches
    probes: Array  # (B, M, N, N) probe moved by the sub-pixel shift
    ramp: tuple[Array, Array]  # Fourier factors of these shifts


def illuminate(object_: Array, probe: Array, batch: Batch) -> Lit:
    """Gather the patches and move the probe to each frame's real-valued position.

    The probe, not the object, is moved: it is band-limited by its optic and vanishes at the frame's
    edge, so the Fourier shift is exact for it.
    """
    size = probe.shape[-1]
    ramp_y, ramp_x = shift_ramps(batch.shifts, size, probe.dtype)
    spectrum = fft2(probe.copy())
    probes = ifft2(spectrum * ramp_y[:, None] * ramp_x[:, None])
    return Lit(gather(object_, batch.corners, size)[:, None], probes, (ramp_y, ramp_x))


def add_object(sums: PassSums, lit: Lit, batch: Batch, waves: Array) -> None:
    """Add ``Σ_m P_m* waves_m`` to the object numerator and ``Σ_m |P_m|²`` to the illumination."""
    scatter(sums.object_numerator, (lit.probes.conj() * waves).sum(axis=1), batch.corners)
    scatter(sums.illumination, _intensity(lit.probes), batch.corners)


def add_probe(sums: PassSums, lit: Lit, waves: Array) -> None:
    """Add ``Σ_j O_j* waves_j``, moved back to the unshifted probe, and ``Σ_j |O_j|²``.

    The weight is not moved back: it only scales steps, and no fixed point depends on it.
    """
    ramp_y, ramp_x = lit.ramp
    spectra = fft2(lit.patches.conj() * waves)
    spectra *= ramp_y[:, None].conj()
    spectra *= ramp_x[:, None].conj()
    sums.probe_numerator += spectra.sum(axis=0)
    sums.probe_weight += _intensity(lit.patches).sum(axis=0)


def frame_pass(
    object_: Array,
    probe: Array,
    batch: Batch,
    step: DataTerm,
    sums: PassSums,
    *,
    memory: Array | None = None,
    with_probe: bool = True,
) -> None:
    """Take one batch from gather to numerators and residuals, adding into `sums`.

    Parameters
    ----------
    object_, probe
        ``(H, W)`` and ``(M, N, N)`` complex.
    step
        Data term: `amplitude_step`, `poisson_step` or one of the same form.
    memory
        ``(B, M, N, N)`` exit waves ψ remembered by a solver that keeps them (difference map). The data
        term then acts on the reflection ``2 P O - ψ`` and ψ becomes ``P O + d``; the numerators are those
        of d all the same, so ``O + Σ P* d / Σ |P|²`` is the object that fits the new ψ best.
    with_probe
        False leaves the probe's sums alone (saves one transform a frame).
    """
    lit = illuminate(object_, probe, batch)
    waves = lit.probes * lit.patches
    if memory is None:
        field = fft2(waves)
        expected = batch.expected(_intensity(field))
        _add_residuals(sums, expected, batch)
    else:
        field = fft2(waves.copy())
        _add_residuals(sums, batch.expected(_intensity(field)), batch)
        field *= 2
        field -= fft2(memory.copy())
        expected = batch.expected(_intensity(field))
    field *= step(expected, batch.counts, batch.mask)[:, None]
    d = ifft2(field)
    if memory is not None:
        memory[...] = waves + d
    add_object(sums, lit, batch, d)
    if with_probe:
        add_probe(sums, lit, d)


def residual_pass(object_: Array, probe: Array, batch: Batch, sums: PassSums) -> Array:
    """Add the residuals and the illumination of one batch to `sums`; returns the expected counts ``(B, N, N)``."""
    lit = illuminate(object_, probe, batch)
    expected = batch.expected(_intensity(fft2(lit.probes * lit.patches)))
    _add_residuals(sums, expected, batch)
    scatter(sums.illumination, _intensity(lit.probes), batch.corners)
    return expected


def overlap_object_pass(object_: Array, probe: Array, batch: Batch, memory: Array, sums: PassSums) -> None:
    """Add ``Σ P* (ψ - P O)`` and ``Σ |P|²`` for remembered exit waves ψ ``(B, M, N, N)``.

    Numerators of the misfit, not of ψ, so that a diagonal weight gives the right fixed point even where the
    true weight is not diagonal (probe side, sub-pixel shifts).
    """
    lit = illuminate(object_, probe, batch)
    add_object(sums, lit, batch, memory - lit.probes * lit.patches)


def overlap_probe_pass(object_: Array, probe: Array, batch: Batch, memory: Array, sums: PassSums) -> None:
    """Add ``Σ O* (ψ - P O)`` and ``Σ |O|²``, as `overlap_object_pass`."""
    lit = illuminate(object_, probe, batch)
    add_probe(sums, lit, memory - lit.probes * lit.patches)


def _intensity(field: Array) -> Array:
    """Squared modulus summed over modes, ``(B, N, N)`` of ``(B, M, N, N)``."""
    return (field.real**2 + field.imag**2).sum(axis=1)


def _add_residuals(sums: PassSums, expected: Array, batch: Batch) -> None:
    sums.residuals[0] += r_factor_terms(expected, batch.counts, batch.mask)
    sums.residuals[1] += deviance_terms(expected, batch.counts, batch.mask)
