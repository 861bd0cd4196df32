"""Frames ready for a solver, and how they were made."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.geometry import Geometry
from scans.scan import Finding, Scan

COUNT_TYPES = (np.float32, np.uint8, np.uint16, np.uint32)


@dataclass(frozen=True, eq=False)
class PreparedScan:
    """Frames ready for a solver, and how they were made.

    Parameters
    ----------
    counts
        ``(J, N, N)`` in `unit`: oriented, direct beam at ``(N//2, N//2)``, dark subtracted (some may be
        negative), unmeasured pixels 0. Of the smallest type that holds them exactly: uint8, uint16, uint32, or
        float32.
    mask
        ``(N, N)`` bool, or ``(J, N, N)`` where frames differ (saturation); True = measured.
    response
        ``(N, N)`` or ``(J, N, N)`` float32, the counts expected where the model says one: flat field, beamstop,
        share of merged exposures that a pixel was usable for. None where all are 1.
    flux
        ``(J,)`` float32 incident flux of each frame relative to the typical one. The expected counts of a
        frame are flux x response x model; `counts` themselves stay as counted, so their noise is known.
    positions_m
        ``(J, 2)`` float64 [m], ``(y, x)``, of the used frames.
    geometry
        Of these frames, after crop and bin.
    frame_index
        ``(J,)`` int64: index of each used frame in the scan.
    left_out
        Frame index and reason of every other frame.
    unit
        "photon", or "ADU" while the gain is unknown.
    read_noise
        Rms a pixel in `unit`, from the dark frames; 0 when unknown.
    steps
        What was done, in order, with numbers.
    settings
        The same as values: keyword arguments of `prepare` that make these frames again from the scan.
    findings
        What a person should know.
    scan
        Where it came from.

    Raises
    ------
    InputError
        When parts do not fit together, or values are not finite.
    """

    counts: NDArray[Any] = field(repr=False)
    mask: NDArray[np.bool_] = field(repr=False)
    positions_m: NDArray[np.float64] = field(repr=False)
    geometry: Geometry
    frame_index: NDArray[np.int64] = field(repr=False)
    left_out: tuple[tuple[int, str], ...]
    unit: str
    read_noise: float
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    scan: Scan = field(repr=False)
    response: NDArray[np.float32] | None = field(default=None, repr=False)
    flux: NDArray[np.float32] = field(default=None, repr=False)  # type: ignore[arg-type]  # ones, made below
    settings: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        counts, n = self.counts, self.counts.shape[-1]
        shape = counts.shape
        square = counts.ndim == 3 and len(counts) > 0 and shape[1] == n and n % 2 == 0
        _require(square, "counts", f"shape {shape}", "(J, N, N), N even")
        known = any(counts.dtype == kind for kind in COUNT_TYPES)
        _require(known, "counts", f"dtype {counts.dtype}", "float32, uint8, uint16 or uint32")
        # a sum is not finite when any term is not, and needs no array beside the counts
        whole = counts.dtype.kind == "u"
        finite = whole or math.isfinite(counts.sum(dtype=np.float64))
        _require(finite, "counts", "values not finite", "finite counts")
        fits = self.mask.dtype == bool and self.mask.shape in ((n, n), shape)
        _require(fits, "mask", f"{self.mask.dtype} {self.mask.shape}", f"bool, ({n}, {n}) or {shape}")
        _require(bool(self.mask.any()), "mask", "no measured pixel", "some True (measured) pixels")
        masks = np.broadcast_to(self.mask, shape)
        dirty = any(frame[~good].any() for frame, good in zip(counts, masks, strict=True))
        _require(not dirty, "counts", "counts in unmeasured pixels", "0 where the mask is False")
        fits = self.positions_m.shape == (shape[0], 2) and bool(np.isfinite(self.positions_m).all())
        _require(fits, "positions_m", f"shape {self.positions_m.shape}", f"({shape[0]}, 2), finite")
        found = self.geometry.frame_shape
        _require(tuple(found) == (n, n), "geometry", f"frames of {found}", f"({n}, {n})")
        index = self.frame_index
        fits = index.shape == shape[:1] and index.dtype == np.int64 and bool((np.diff(index) > 0).all())
        _require(fits, "frame_index", f"{index.dtype} {index.shape}", f"({shape[0]},) int64, increasing")
        _require(self.unit in ("photon", "ADU"), "unit", repr(self.unit), "'photon' or 'ADU'")
        fits = math.isfinite(self.read_noise) and self.read_noise >= 0
        _require(fits, "read_noise", f"{self.read_noise}", "0 or more")
        self._check_scales(shape)

    def _check_scales(self, shape: tuple[int, ...]) -> None:
        """Response and flux: positive, of the right shape; ones where there is no flux."""
        if self.flux is None:
            object.__setattr__(self, "flux", np.ones(shape[0], np.float32))
        fits = self.flux.shape == shape[:1] and bool((np.isfinite(self.flux) & (self.flux > 0)).all())
        _require(fits, "flux", f"shape {self.flux.shape}", f"({shape[0]},), finite and above 0")
        if self.response is not None:
            fits = self.response.shape in (shape[1:], shape)
            _require(fits, "response", f"shape {self.response.shape}", f"{shape[1:]} or {shape}")
            usable = np.isfinite(self.response) & (self.response > 0)
            _require(bool((usable | ~self.mask).all()), "response", "0 or not finite where measured", "above 0")

    @property
    def file_index(self) -> NDArray[np.int64]:
        """Number of each used frame in the file's stack ``(J,)``, where the scan may be a part of it."""
        index = self.scan.index_in_file
        return self.frame_index if index is None else index[self.frame_index]

    def normalised(self, rows: slice = slice(None)) -> NDArray[np.float32]:
        """Return counts over response and flux ``(n, N, N)`` of some frames: what the model is to give."""
        frames = self.counts[rows].astype(np.float32)
        if self.response is not None:
            response = self.response if self.response.ndim == 2 else self.response[rows]
            frames /= np.where(response > 0, response, 1)
        if (self.flux != 1).any():
            frames /= self.flux[rows, None, None]
        return frames

    def totals(self) -> NDArray[np.float64]:
        """Normalised counts of each frame ``(J,)``."""
        step = max(1, (1 << 20) // self.counts[0].size)
        parts = [slice(j, j + step) for j in range(0, len(self.counts), step)]
        return np.concatenate([self.normalised(p).sum(axis=(1, 2), dtype=np.float64) for p in parts])

    def as_scan(self) -> Scan:
        """Return a scan of its own made of these frames: oriented, centred, cleaned; nothing is left to be done."""
        scan, used, middle = self.scan, self.frame_index, float(self.counts.shape[-1] // 2)
        index = used if scan.index_in_file is None else scan.index_in_file[used]
        raw = scan.raw_positions
        return Scan(
            frames=self.counts,
            positions_m=self.positions_m,
            geometry=self.geometry,
            layout="prepared",
            title=scan.title,
            mask=self.mask,
            flat=None if self.response is None else self.response.astype(np.float64),
            counts_per_photon=1.0 if self.unit == "photon" else None,
            read_noise=self.read_noise or None,
            beam_centre_px=(middle, middle),
            zone_plate=scan.zone_plate,
            raw_positions=None if raw is None else replace(raw, values=raw.values[used]),
            readings_m=None if scan.readings_m is None else scan.readings_m[used],
            monitor=None if (self.flux == 1).all() else self.flux.astype(np.float64),
            exposure_s=scan.exposure_s,
            index_in_file=index,
            prepared=(f"from {scan.name}", *self.steps),
            notes=scan.notes,
        )

    def part(self, rows: slice) -> PreparedScan:
        """Return some of the frames."""
        per_frame: dict[str, Any] = {
            name: getattr(self, name)[rows] for name in ("counts", "positions_m", "frame_index", "flux")
        }
        for name in ("mask", "response"):
            value = getattr(self, name)
            per_frame[name] = value[rows] if value is not None and value.ndim == 3 else value
        return replace(self, **per_frame)

    def __str__(self) -> str:
        n_frames, n, _ = self.counts.shape
        lines = [f"{n_frames} frames of {n} x {n} [{self.unit}] from {self.scan.name}"]
        lines += [f"  {step}" for step in self.steps]
        lines += [f"  {f.level}: {f.text}" for f in self.findings]
        return "\n".join(lines)


def _require(ok: bool, where: str, found: str, expected: str) -> None:
    if not ok:
        fix = "Make it with scans.prepare, or correct the array that was given."
        raise InputError(found, where=f"PreparedScan.{where}", expected=expected, fix=fix)
