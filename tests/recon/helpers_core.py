"""Small random problems and plain models for tests of the numerical core; nothing here uses `recon`'s own maths."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import scipy.optimize
from numpy.typing import NDArray

from recon.backend import Device
from recon.frames import Batch, Model
from recon.kernels import PassSums
from recon.problem import Problem
from scans.geometry import Geometry
from scans.prepared import PreparedScan
from scans.scan import Scan

CPU = Device("cpu")
GEOMETRY = Geometry(energy_ev=710.0, distance_m=0.058, pixel_size_m=(88e-6, 88e-6), frame_shape=(32, 32))


def noise(rng: np.random.Generator, *shape: int) -> NDArray[np.complex128]:
    """White complex noise of unit variance."""
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2)


def random_batch(
    rng: np.random.Generator,
    *,
    n_frames: int = 5,
    size: int = 9,
    object_shape: tuple[int, int] = (14, 15),
    mask: NDArray[np.bool_] | None = None,
    mean: float = 20.0,
) -> Batch:
    """Overlapping frames at random real-valued places, with random counts (float64)."""
    room = np.array(object_shape) - size
    return Batch(
        counts=rng.gamma(2.0, mean / 2, (n_frames, size, size)),
        mask=mask,
        corners=np.stack([rng.integers(0, r + 1, n_frames) for r in room], axis=1),
        shifts=rng.uniform(-0.5, 0.5, (n_frames, 2)),
    )


def on(xp: Any, batch: Batch, real: type = np.float64) -> Batch:
    """Return the batch on another array module and in another precision."""
    mask = None if batch.mask is None else xp.asarray(batch.mask)
    return Batch(
        xp.asarray(batch.counts.astype(real)),
        mask,
        xp.asarray(batch.corners),
        xp.asarray(batch.shifts.astype(real)),
        None if batch.response is None else xp.asarray(batch.response.astype(real)),
    )


def fourier_matrix(n: int) -> NDArray[np.complex128]:
    """Unitary transform as a matrix, kernel exp(-2πi jk/n)/√n: the definition, written out."""
    k = np.arange(n)
    return np.exp(-2j * np.pi * np.outer(k, k) / n) / np.sqrt(n)


def plain_shift(array: NDArray[Any], shift: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Move an ``(N, N)`` array by (y, x) pixels through explicit transform matrices."""
    n = array.shape[-1]
    f = np.where(np.arange(n) < (n + 1) // 2, np.arange(n), np.arange(n) - n) / n
    w = fourier_matrix(n)
    row, column = (w.conj().T @ np.diag(np.exp(-2j * np.pi * f * s)) @ w for s in shift)
    return row @ array @ column.T


def plain_waves(
    object_: NDArray[Any], probe: NDArray[Any], batch: Batch
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Shifted probes and exit waves ``(B, M, N, N)`` and patches ``(B, N, N)``, one frame after the other."""
    n = probe.shape[-1]
    probes, waves, patches = [], [], []
    for (y, x), shift in zip(batch.corners, batch.shifts, strict=True):
        patch = object_[y : y + n, x : x + n]
        moved = np.stack([plain_shift(mode, shift) for mode in probe])
        probes.append(moved)
        patches.append(patch)
        waves.append(moved * patch)
    return np.stack(probes), np.stack(waves), np.stack(patches)


def plain_mask(batch: Batch) -> NDArray[np.bool_]:
    """Mask ``(B, N, N)``, whatever form the batch has it in."""
    if batch.mask is None:
        return np.ones(batch.counts.shape, bool)
    return np.broadcast_to(batch.mask, batch.counts.shape)


def jax_loss(batch: Batch, name: str) -> Callable[[Any, Any], Any]:
    """Return the loss of object ``(H, W)`` and probe ``(M, N, N)``, in JAX and complex128.

    "amplitude": Σ (√i - √I)²; "poisson": Σ i - I ln i.
    """
    jax = pytest.importorskip("jax")
    jax.config.update("jax_enable_x64", True)
    jnp = jax.numpy
    n = batch.counts.shape[-1]
    f, seen = np.fft.fftfreq(n), plain_mask(batch)
    cycles = batch.shifts[:, 0, None, None] * f[:, None] + batch.shifts[:, 1, None, None] * f
    ramps = np.exp(-2j * np.pi * cycles)[:, None]
    rows, columns = (batch.corners[:, k, None] + np.arange(n) for k in (0, 1))

    def loss(object_: Any, probe: Any) -> Any:
        moved = jnp.fft.ifft2(jnp.fft.fft2(probe) * ramps)
        field = jnp.fft.fft2(moved * object_[rows[:, :, None], columns[:, None, :]][:, None]) / n
        i = (field.real**2 + field.imag**2).sum(axis=1)
        counts = batch.counts
        terms = (jnp.sqrt(i) - np.sqrt(counts)) ** 2 if name == "amplitude" else i - counts * jnp.log(i)
        return (terms * seen).sum()

    return loss


def sums_for(object_: Any, probe: Any) -> PassSums:
    """Zeroed sums."""
    return PassSums.like(Model(object_, probe))


def relative(found: Any, expected: Any) -> float:
    """Norm of the difference over the norm of the expected array."""
    return float(np.linalg.norm(np.asarray(found) - expected) / np.linalg.norm(expected))


def spiral_px(n: int, step: float) -> NDArray[np.float64]:
    """Fermat spiral of `n` points, one a `step`² pixels: real-valued positions without period."""
    k = np.arange(n) + 0.5
    radius, angle = step / np.sqrt(np.pi) * np.sqrt(k), 2.399963229728653 * k
    return np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=1)


def smooth_object(rng: np.random.Generator, shape: tuple[int, int], depth: float = 0.8) -> NDArray[np.complex128]:
    """Random band-limited transmission: phases of about -`depth` rad, a tenth of it in ln amplitude."""
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.fftfreq(shape[1])[None, :]
    spectrum = np.fft.fft2(rng.normal(size=shape)) * np.exp(-((np.hypot(fy, fx) / 0.12) ** 2))
    bumps = np.fft.ifft2(spectrum).real
    thickness = (bumps - bumps.min()) / np.ptp(bumps)
    return np.exp(-(0.1 + 1j) * 2 * depth * thickness)


def curved_probe(size: int, sigma: float = 4.5, curvature: float = 0.06) -> NDArray[np.complex128]:
    """Gaussian beam away from its waist, ``(1, N, N)``, centred, unit power."""
    y, x = np.mgrid[:size, :size] - size // 2
    square = y**2 + x**2
    probe = np.exp(-square / (2 * sigma**2) + 1j * curvature * square)[None]
    return probe / np.linalg.norm(probe)


def problem_from_model(
    object_: NDArray[np.complex128],
    probe: NDArray[np.complex128],
    positions_px: NDArray[np.float64],
    *,
    rng: np.random.Generator | None = None,
    real: type = np.float64,
    mask: NDArray[np.bool_] | None = None,
) -> Problem:
    """Problem whose counts come from the plain model; Poisson counts where an `rng` is given.

    `positions_px` are object row and column of the probe's centre.
    """
    n = probe.shape[-1]
    centre = positions_px - n // 2
    corners = np.rint(centre).astype(int)
    batch = Batch(np.empty((len(corners), n, n)), None, corners, centre - corners)
    waves = plain_waves(object_, probe, batch)[1]
    counts = (np.abs(np.fft.fft2(waves, norm="ortho")) ** 2).sum(axis=1)
    if rng is not None:
        counts = rng.poisson(counts).astype(float)
    counts = counts.astype(real)
    everywhere = np.broadcast_to(True if mask is None else mask, counts.shape)
    return Problem(
        counts=np.where(everywhere, counts, 0).astype(real),
        mask=mask,
        response=None,
        flux=None,
        positions_px=positions_px,
        object_shape=object_.shape,
        origin_m=(0.0, 0.0),
        pixel_m=(1e-8, 1e-8),
        power=float((np.abs(probe) ** 2).sum()),
        mean_total=float(counts.sum()) / len(counts),
        sum_amplitude=float(np.sqrt(counts)[everywhere].sum()),
        n_measured=int(everywhere.sum()),
        device=CPU,
    )


def prepared_scan(
    counts: NDArray[Any],
    positions_m: NDArray[np.float64],
    *,
    mask: NDArray[np.bool_] | None = None,
    geometry: Geometry | None = None,
) -> PreparedScan:
    """Prepared scan around arrays."""
    shape = counts.shape[-2:]
    geometry = geometry or GEOMETRY.with_frame_shape(shape)
    scan = Scan(frames=counts, positions_m=positions_m, geometry=geometry)
    return PreparedScan(
        counts=np.where(True if mask is None else mask, counts, 0).astype(np.float32),
        mask=np.ones(shape, bool) if mask is None else mask,
        positions_m=positions_m,
        geometry=geometry,
        frame_index=np.arange(len(counts)),
        left_out=(),
        unit="photon",
        read_noise=0.0,
        steps=(),
        findings=(),
        scan=scan,
    )


def complex_error(
    estimate: NDArray[np.complexfloating], truth: NDArray[np.complexfloating], weight: NDArray[Any]
) -> float:
    """Return min over scale, phase ramp and shift of ``||c O exp(ik.r) - T(r + s)||_w / ||T||_w``.

    These are what the frames leave open when object and probe are both unknown. Written here with a general
    optimiser, apart from the product's own registration.
    """
    shape = truth.shape
    y, x = (np.arange(k) - k / 2 for k in shape)
    fy, fx = (np.fft.fftfreq(k) for k in shape)
    spectrum, w = np.fft.fft2(truth), np.sqrt(weight)

    def misfit(p: NDArray[np.float64]) -> NDArray[np.float64]:
        ramp = np.exp(1j * (p[0] * y[:, None] + p[1] * x[None, :]))
        moved = np.fft.ifft2(spectrum * np.exp(2j * np.pi * (p[2] * fy[:, None] + p[3] * fx[None, :])))
        a, t = w * estimate * ramp, w * moved
        c = np.vdot(a, t) / np.vdot(a, a)
        left = ((c * a - t) / np.linalg.norm(t)).ravel()
        return np.concatenate([left.real, left.imag])

    fit = scipy.optimize.least_squares(misfit, np.zeros(4), x_scale=[1e-2, 1e-2, 1, 1])
    return float(np.sqrt(2 * fit.cost))
