"""From a prepared scan to arrays that a solver works on; metres become pixels here and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, Device, array_module, free_bytes, to_device
from recon.frames import Batch
from recon.groups import Groups
from recon.probe_limits import ProbeLimits
from scans.errors import InputError
from scans.prepared import PreparedScan


@dataclass(frozen=True)
class Problem:
    """Measured frames on a device, and the grid of the object.

    Parameters
    ----------
    counts
        ``(J, N, N)`` real on `device`, direct beam at index (0, 0); unmeasured pixels 0.
    mask
        ``(1 or J, N, N)`` bool on `device`, True = measured; None when every pixel is.
    response
        ``(1 or J, 1 or N, 1 or N)`` real on `device`: counts expected where the model intensity is one
        (flat field, merged exposures); None when all are 1.
    flux
        ``(J, 1, 1)`` real on `device`: incident flux of each frame relative to the typical one; None likewise.
    positions_px
        ``(J, 2)`` float64 on the host: object row and column of the probe's centre pixel.
    object_shape
        ``(H, W)``.
    origin_m, pixel_m
        Sample coordinates of the object's pixel (0, 0) and the pixel size, ``(y, x)`` [m].
    power, mean_total
        Counts that an empty-field frame would hold at the typical flux (the strongest frames' total), and those
        of the mean frame.
    sum_amplitude, n_measured
        ``Σ √I`` over all fitted pixels, and their number: the scales of the error metrics.
    held, n_held
        ``(J, K)`` int on `device`: pixels, as index of the flattened frame, that are never fitted, and how many
        of them are measured; None and 0 when every pixel is fitted.
    axial
        ``(N, N)`` real on `device`: phase of free space a metre at each spatial frequency [rad/m], index (0, 0)
        on the axis; None where nothing propagates.
    path_px
        ``(J, T, 2)`` float64 on the host: where the probe passes during the exposure beside the position; None
        where it stands still.
    limits
        Where the probe may be; None where it is free.
    empty
        ``(H, W)`` bool on `device`: object pixels that have no sample for certain; None where none is known.
    read_noise
        Rms a pixel beside the counting noise, in counts.
    groups
        Which scan each frame belongs to, where several are reconstructed together; None for one.
    """

    counts: Array
    mask: Array | None
    response: Array | None
    flux: Array | None
    positions_px: NDArray[np.float64]
    object_shape: tuple[int, int]
    origin_m: tuple[float, float]
    pixel_m: tuple[float, float]
    power: float
    mean_total: float
    sum_amplitude: float
    n_measured: int
    device: Device
    held: Array | None = None
    n_held: int = 0
    axial: Array | None = None
    path_px: NDArray[np.float64] | None = None
    read_noise: float = 0.0
    limits: ProbeLimits | None = None
    empty: Array | None = None
    groups: Groups | None = None

    @property
    def n_frames(self) -> int:
        """Number of frames J."""
        return int(self.counts.shape[0])

    @property
    def size(self) -> int:
        """Frame size N."""
        return int(self.counts.shape[-1])

    @property
    def dark(self) -> float:
        """Model intensity that is dark to rounding [counts]: 1e-7 of the mean of an empty-field frame.

        Single-precision transforms leave about 1e-13 of that mean as noise.
        """
        return 1e-7 * self.power / self.size**2

    @property
    def complex_dtype(self) -> np.dtype[Any]:
        """complex64, or complex128 for the reference path."""
        return np.result_type(self.counts.dtype, np.complex64)

    def batch(
        self, index: NDArray[np.int64], positions_px: NDArray[np.float64], held: NDArray[np.int64] | None = None
    ) -> Batch:
        """Return the frames `index` (host integers) with their `positions_px` ``(J, 2)``.

        `held` ``(J, 2)`` are the object pixels under the frames' pixel (0, 0); None for the nearest.
        """
        centre = positions_px[index] - self.size // 2
        corners = np.rint(centre).astype(np.int64) if held is None else held[index]
        shifts = (centre - corners).astype(self.counts.dtype)
        rows = _as_slice(index)
        mask = self.mask
        if mask is not None and mask.shape[0] > 1:
            mask = mask[rows]
        where = to_device(corners, self.device), to_device(shifts, self.device)
        path = None if self.path_px is None else self.path_px[index].astype(self.counts.dtype)
        return Batch(
            self.counts[rows],
            mask,
            *where,
            response=self._response(rows),
            held=None if self.held is None else self.held[rows],
            path=None if path is None else to_device(path, self.device),
            axial=self.axial,
            rows=index,
            read_variance=float(self.read_noise) ** 2,
        )

    def subset(self, index: NDArray[np.int64]) -> Problem:
        """Return the problem of some of the frames, as copies; scales of the metrics stay those of all."""

        def some(array: Any) -> Any:
            return array if array is None or len(array) == 1 else array[index]

        names = ("counts", "mask", "response", "flux", "positions_px", "held", "path_px")
        groups = None if self.groups is None else self.groups.subset(index)
        return replace(self, **{name: some(getattr(self, name)) for name in names}, groups=groups)

    def middle(self, n_frames: int) -> Problem:
        """Return the problem of so many frames at most, those nearest to the middle of the scan: neighbours.

        Of several scans, frames of the first.
        """
        if self.groups is not None and self.groups.of_frame.any():
            return self.subset(np.flatnonzero(self.groups.of_frame == 0)).middle(n_frames)
        if self.n_frames <= n_frames:
            return self
        away = np.hypot(*(self.positions_px - np.median(self.positions_px, axis=0)).T)
        return self.subset(np.sort(np.argsort(away, kind="stable")[:n_frames]))

    def _response(self, rows: Any) -> Array | None:
        plane = self.response
        if plane is not None and plane.shape[0] > 1:
            plane = plane[rows]
        if self.flux is None:
            return None if plane is None else self._for_each(plane, rows)
        return self.flux[rows] if plane is None else plane * self.flux[rows]

    def _for_each(self, plane: Array, rows: Any) -> Array:
        """Repeat one plane for every frame of a batch, as a view."""
        if plane.shape[0] > 1:
            return plane
        n = len(range(*rows.indices(self.n_frames))) if isinstance(rows, slice) else len(rows)
        return array_module(plane).broadcast_to(plane, (n, *plane.shape[1:]))

    def coordinates_m(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Sample coordinates of the object's pixel centres: y ``(H,)`` and x ``(W,)`` [m]."""
        y, x = (self.origin_m[k] + self.pixel_m[k] * np.arange(float(self.object_shape[k])) for k in (0, 1))
        return y, x

    def pixels_within(self, ends_m: tuple[float, float, float, float]) -> Array:
        """Return the object pixels ``(H, W)``, bool on the device, between y first and last, and x first and last [m].

        Raises
        ------
        InputError
            Where there is none.
        """
        inside = [
            (along >= first) & (along <= last)
            for along, first, last in zip(self.coordinates_m(), ends_m[::2], ends_m[1::2], strict=True)
        ]
        if not all(one.any() for one in inside):
            bounds = [f"{axis} {v[0]:.4g} to {v[-1]:.4g} m" for axis, v in zip("yx", self.coordinates_m(), strict=True)]
            raise InputError(
                f"{list(ends_m)} m with no object pixel in it",
                where="recipe, object.empty_area_m",
                expected="a rectangle within the object's grid: " + ", ".join(bounds),
                fix="Read the area off an image with stage coordinates, in metres.",
            )
        return to_device(np.logical_and.outer(*inside), self.device)


def _as_slice(index: NDArray[np.int64]) -> Any:
    """Return a slice where `index` runs without gaps: taking it copies nothing."""
    if len(index) and np.all(np.diff(index) == 1):
        return slice(int(index[0]), int(index[-1]) + 1)
    return index


def make_problem(
    prepared: PreparedScan,
    device: Device,
    *,
    precision: str = "single",
    margin_px: int = 4,
    held_out: float = 0.0,
    seed: int = 0,
) -> Problem:
    """Shift frames to index 0, place the object's grid and move the arrays to `device`.

    Parameters
    ----------
    precision
        "single" (float32, complex64) or "double" (the reference path).
    margin_px
        Object pixels kept around the outermost frames.
    held_out
        Share of the detector pixels of each frame that are never fitted, drawn from `seed`; as the free R factor
        of crystallography: Brünger, Nature 355 (1992) 472, doi:10.1038/355472a0 (from memory).

    Raises
    ------
    InputError
        When the positions span more than an object of 2^31 pixels, or the frames do not fit into memory.
    """
    dtype = np.float32 if precision == "single" else np.float64
    size = prepared.counts.shape[-1]
    grid = _grid(prepared, margin_px)
    _check_memory(prepared, device, np.dtype(dtype).itemsize)
    measured = _measured(prepared.mask)
    counts = np.fft.ifftshift(prepared.counts, axes=(-2, -1)).astype(dtype)
    everywhere = np.broadcast_to(prepared.mask, prepared.counts.shape)
    response, flux = _response(prepared, np.dtype(dtype))
    totals = prepared.totals()
    held = _held_out(len(counts), size, held_out, seed)
    n_held, held_amplitude = _measured_and_amplitude(counts, measured, held)
    return Problem(
        counts=to_device(counts, device),
        mask=None if measured is None else to_device(measured, device),
        response=None if response is None else to_device(response, device),
        flux=None if flux is None else to_device(flux, device),
        **grid,
        power=empty_field_power(totals),
        mean_total=float(totals.mean()),
        sum_amplitude=float(np.sqrt(np.maximum(prepared.counts, 0)).sum(where=everywhere, dtype=np.float64))
        - held_amplitude,
        n_measured=int(np.count_nonzero(everywhere)) - n_held,
        device=device,
        held=None if held is None else to_device(held, device),
        n_held=n_held,
        axial=to_device(_axial(prepared).astype(dtype), device),
        read_noise=prepared.read_noise,
    )


def with_own_scales(problem: Problem, batch: int = 64) -> Problem:
    """Return a `subset` with the scales of the error metrics of its own frames."""
    amplitude, n_fitted, n_measured = 0.0, 0, 0
    for start in range(0, problem.n_frames, batch):
        frames = problem.batch(np.arange(start, min(start + batch, problem.n_frames)), problem.positions_px)
        xp = array_module(frames.counts)
        fitted = frames.fitted(frames.counts)
        seen = xp.broadcast_to(xp.ones(()) if frames.mask is None else frames.mask, frames.counts.shape)
        root = xp.sqrt(xp.maximum(frames.counts, 0)) * fitted
        amplitude += float(root.sum(dtype=xp.float64))
        n_fitted, n_measured = n_fitted + int((fitted > 0).sum()), n_measured + int((seen > 0).sum())
    return replace(problem, sum_amplitude=amplitude, n_measured=n_fitted, n_held=n_measured - n_fitted)


def _grid(prepared: PreparedScan, margin_px: int) -> dict[str, Any]:
    """Positions in pixels, and the object's grid around them: fields of a `Problem`."""
    pixel, size = prepared.geometry.object_pixel_m, prepared.counts.shape[-1]
    in_pixels = prepared.positions_m / np.array(pixel)
    first = np.floor(in_pixels.min(axis=0))
    border = size // 2 + margin_px
    positions_px = in_pixels - first + border
    span = np.ceil(positions_px.max(axis=0)).astype(int) + border + 1
    if int(span[0]) * int(span[1]) > 2**31:
        raise InputError(
            f"positions that span {span[0]} x {span[1]} object pixels",
            where=prepared.scan.name,
            expected="an object of at most 2^31 pixels",
            fix="Check the unit of the positions (-s scan.position_unit=um).",
        )
    origin = (first - border) * np.array(pixel)
    return {
        "positions_px": positions_px,
        "object_shape": (int(span[0]), int(span[1])),
        "origin_m": (float(origin[0]), float(origin[1])),
        "pixel_m": pixel,
    }


def _held_out(n_frames: int, size: int, share: float, seed: int) -> NDArray[np.int64] | None:
    """Draw pixels ``(J, K)`` of the flattened frames, the same number in each, each once; None for a share of 0."""
    n = round(share * size**2)
    if n == 0:
        return None
    rng = np.random.default_rng([seed, 3])
    return np.stack([np.sort(rng.choice(size**2, n, replace=False)) for _ in range(n_frames)])


def _measured_and_amplitude(
    counts: NDArray[Any], mask: NDArray[np.bool_] | None, held: NDArray[np.int64] | None
) -> tuple[int, float]:
    """Return how many of the held-out pixels are measured, and their ``Σ √I``."""
    if held is None:
        return 0, 0.0
    every = np.arange(len(counts))[:, None]
    seen = counts.reshape(len(counts), -1)[every, held]
    good = np.ones(held.shape, bool)
    if mask is not None:
        flat = mask.reshape(len(mask), -1)
        good = flat[0][held] if len(flat) == 1 else flat[every, held]
    return int(good.sum()), float(np.sqrt(np.maximum(seen, 0)).sum(where=good, dtype=np.float64))


def _axial(prepared: PreparedScan) -> NDArray[np.float64]:
    """Phase of free space a metre, ``2π (√(1/λ² - f²) - 1/λ)`` [rad/m], in FFT order: exact for waves exp(+ikz)."""
    geometry = prepared.geometry
    fy, fx = (np.fft.fftfreq(n, d) for n, d in zip(geometry.frame_shape, geometry.object_pixel_m, strict=True))
    k = 1 / geometry.wavelength_m
    longitudinal = np.sqrt(np.maximum(k**2 - fy[:, None] ** 2 - fx[None, :] ** 2, 0))
    return np.asarray(2 * np.pi * (longitudinal - k), np.float64)


def _check_memory(prepared: PreparedScan, device: Device, item_bytes: int) -> None:
    """Refuse frames that cannot lie on the device as a whole."""
    need, free = prepared.counts.size * item_bytes + prepared.mask.size, free_bytes(device)
    if need > free:
        raise InputError(
            f"{need / 2**30:.3g} GiB of frames, {free / 2**30:.3g} GiB free on {device.name}",
            where=prepared.scan.name,
            expected="frames that fit into memory",
            fix="Use smaller frames (-s prepare.bin=2, -s prepare.size=N) or another device.",
        )


def _measured(mask: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    if mask.all():
        return None
    mask = mask if mask.ndim == 3 else mask[None]
    return np.fft.ifftshift(mask, axes=(-2, -1))


def _response(
    prepared: PreparedScan, dtype: np.dtype[Any]
) -> tuple[NDArray[np.floating] | None, NDArray[np.floating] | None]:
    """Response ``(1 or J, N, N)`` with the direct beam at index (0, 0), and flux ``(J, 1, 1)``."""
    response = prepared.response
    if response is not None:
        response = np.fft.ifftshift(response, axes=(-2, -1)).astype(dtype)
        response = response if response.ndim == 3 else response[None]
    flux = prepared.flux
    return response, None if np.all(flux == 1) else flux.astype(dtype)[:, None, None]


def empty_field_power(totals: NDArray[np.float64]) -> float:
    """Return the counts of a frame without sample: mean of the strongest 2 % of `totals` ``(J,)`` (three at least).

    Where a scan never leaves the sample this is too low by the sample's own absorption, which a scan
    alone cannot tell from a weaker beam.
    """
    n = max(3, len(totals) // 50)
    return float(np.sort(totals)[-n:].mean())
