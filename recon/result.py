"""The result of a reconstruction: what was found, how it went, and whether to trust it."""

from __future__ import annotations

import hashlib
import io
import os
import sys
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from enum import Enum
from functools import cached_property
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.recipe import Recipe
from recon.registration import remove_ramp
from scans.errors import InputError
from scans.formats import files_of
from scans.geometry import Geometry
from scans.scan import Finding, Note, RawPositions

STATUSES = ("running", "complete", "interrupted", "failed")
VERDICTS = ("good", "usable with cautions", "not to be trusted")
UNITS = ("photon", "ADU")

CHECKSUM_OF = (
    "sha256 of the first MiB, the last MiB and the size in bytes as decimal text; of a folder or pattern with n files: "
    "of each in natural order its name (UTF-8), a zero byte, its first and its last max(4 KiB, 1 MiB / n) and its size"
)
_MIB = 1 << 20


class StopReason(Enum):
    """Why a run ended; `advice` says what to try next."""

    CONVERGED = "converged"
    ITERATION_LIMIT = "iteration limit"
    TIME_LIMIT = "time limit"
    DIVERGED = "diverged"
    NON_FINITE = "non-finite"
    INTERRUPTED = "interrupted"

    @property
    def advice(self) -> str:
        """What to try next, as a sentence."""
        return _ADVICE[self]


_ADVICE = {
    StopReason.CONVERGED: "Estimate the resolution next.",
    StopReason.ITERATION_LIMIT: "If the error was still falling, give more passes (-s solve.iterations=N).",
    StopReason.TIME_LIMIT: "Go on from the checkpoint with --resume, or give a larger --time-budget.",
    StopReason.DIVERGED: "Check orientation, centre and position unit with inspect; then try another solver.",
    StopReason.NON_FINITE: "Check mask and wild counts with inspect; then try -s run.precision=double.",
    StopReason.INTERRUPTED: "Go on from the checkpoint with --resume.",
}


def _cast(owner: Any, kinds: dict[str, type[np.generic]]) -> None:
    """Give array fields of a frozen dataclass their final type."""
    for name, kind in kinds.items():
        value = getattr(owner, name)
        if value is not None:
            object.__setattr__(owner, name, np.asarray(value, kind))


@dataclass(frozen=True, eq=False)
class History:
    """One row for each iteration (one pass over all frames).

    Parameters
    ----------
    iteration
        ``(T,)`` int64, counted through all stages from 1.
    stage
        ``(T,)`` name of the ``[[solve]]`` table.
    r_factor
        ``(T,)`` float64, Σ|√I - √i| / Σ√I over the measured pixels.
    deviance
        ``(T,)`` float64, Poisson deviance per measured pixel.
    seconds
        ``(T,)`` float64, wall time since the run began [s]; a resumed run goes on counting.
    held_out
        ``(T,)`` float64, deviance per held-out pixel, or None.
    """

    iteration: NDArray[np.int64]
    stage: tuple[str, ...]
    r_factor: NDArray[np.float64]
    deviance: NDArray[np.float64]
    seconds: NDArray[np.float64]
    held_out: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        _cast(self, {"iteration": np.int64, **dict.fromkeys(self.METRICS, np.float64)})
        object.__setattr__(self, "stage", tuple(str(name) for name in self.stage))
        lengths = {f.name: len(v) for f in fields(self) if (v := getattr(self, f.name)) is not None}
        if len(set(lengths.values())) != 1:
            raise ValueError(f"history columns of different lengths: {lengths}")

    METRICS = ("r_factor", "deviance", "seconds", "held_out")

    def __len__(self) -> int:
        return len(self.iteration)

    @classmethod
    def empty(cls) -> History:
        """Return the history before the first iteration."""
        return cls(*(np.empty(0), (), *(np.empty(0) for _ in range(3))))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Source:
    """The scan file a result came from; or its folder, or pattern of files.

    Parameters
    ----------
    path, entry
        Absolute path, and the HDF5 path of the entry in it.
    size_bytes, modified
        Of the file at the time of reading; ISO 8601. Of several: all bytes, the latest change.
    checksum
        See `CHECKSUM_OF`: a whole 40 GB file would take minutes.
    """

    path: str
    entry: str
    size_bytes: int
    modified: str
    checksum: str

    @classmethod
    def of(cls, path: str | Path, entry: str = "/") -> Source:
        """Describe a file, or all files of a folder or pattern, as they are now.

        Raises
        ------
        InputError
            When one cannot be read.
        """
        path = Path(path).resolve()
        digest, total, latest, here = hashlib.sha256(), 0, 0.0, path
        try:
            files = files_of(path)
            many = files != [path]
            root = path if path.is_dir() else files[0].parent
            each = max(_MIB // len(files), 4096) if many else _MIB
            for here in files:
                if many:
                    digest.update(os.path.relpath(here, root).encode(errors="surrogateescape") + b"\0")
                size, changed = _add_ends(digest, here, each)
                total, latest = total + size, max(latest, changed)
        except OSError as exc:
            fix = "Put the scan file back, or name another one."
            raise InputError(str(exc.strerror), where=str(here), expected="the scan file", fix=fix) from exc
        modified = datetime.fromtimestamp(latest, UTC).isoformat(timespec="seconds")
        return cls(str(path), entry, total, modified, digest.hexdigest())


def _add_ends(digest: Any, path: Path, n_bytes: int) -> tuple[int, float]:
    """Add both ends of a file and its size to a checksum; return its size and time of change."""
    with path.open("rb") as file:
        size = file.seek(0, io.SEEK_END)
        for start in (0, max(size - n_bytes, 0)):
            file.seek(start)
            digest.update(file.read(n_bytes))
    digest.update(str(size).encode())
    return size, path.stat().st_mtime


@dataclass(frozen=True)
class Provenance:
    """What made a result: program, machine, source.

    Parameters
    ----------
    program, version, date
        Name and version; ISO 8601 with zone.
    seed, device, fft, threads
        What really ran, not what was asked for.
    libraries
        ``(name, version)`` pairs.
    source
        The scan file; None for arrays.
    """

    program: str
    version: str
    date: str
    seed: int
    device: str
    fft: str
    threads: int
    libraries: tuple[tuple[str, str], ...]
    source: Source | None = None

    @classmethod
    def now(cls, *, seed: int, device: str, fft: str, threads: int, source: Source | None = None) -> Provenance:
        """Fill in program, date and versions of this process."""
        libraries = [("python", ".".join(map(str, sys.version_info[:3])))]
        libraries += [(name, _version(name)) for name in ("numpy", "scipy", "h5py")]
        date = datetime.now().astimezone().isoformat(timespec="seconds")
        return cls("halfbit", program_version(), date, seed, device, fft, threads, tuple(libraries), source)


def program_version() -> str:
    """Version of the installed distribution; "not installed" in a bare checkout."""
    return _version("halfbit")


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"


@dataclass(frozen=True, eq=False)
class Result:
    """A reconstruction: object, probe, positions, and everything needed to judge and repeat it.

    Arrays are kept in single precision, coordinates in double; a double-precision run loses its last
    digits here, not in its checkpoint.

    Parameters
    ----------
    transmission
        ``(H, W)`` complex64, object transmission.
    y_m, x_m
        ``(H,)``, ``(W,)`` float64, sample coordinates of the pixel centres [m].
    coverage
        ``(H, W)`` float32, counts that fell on each object pixel [`unit`].
    probe
        ``(M, N, N)`` complex64, incoherent modes, strongest first, orthogonal; their summed power
        is counts per frame.
    positions_measured_m, positions_refined_m
        ``(J, 2)`` float64 ``(y, x)`` [m]; equal where positions were not refined.
    frame_index
        ``(J,)`` int64, index of each used frame in the scan.
    left_out
        ``(frame index, why)`` of the others.
    frame_intensity
        ``(J,)`` float32, flux factor of each frame.
    geometry
        Of the prepared frames.
    unit
        "photon", or "ADU" while the gain is unknown.
    stop_reason
        None while the run goes on.
    status, verdict
        One of `STATUSES`, one of `VERDICTS`.
    findings, notes, steps
        What a person should know; where the scan's values came from; what preparation did.
    raw_positions
        Stage readings of the used frames, ``(J, 2)``, or None.
    exposure_s, monitor
        Exposure of a frame [s]; ``(J,)`` incident flux in any unit. None when unknown.
    resolution
        Ring correlation by name (arrays, numbers, texts), or None.
    solver_state
        What a solver needs to go on, by name (arrays, numbers, texts); only in checkpoints.
    """

    transmission: NDArray[np.complex64]
    y_m: NDArray[np.float64]
    x_m: NDArray[np.float64]
    coverage: NDArray[np.float32]
    probe: NDArray[np.complex64]
    positions_measured_m: NDArray[np.float64]
    positions_refined_m: NDArray[np.float64]
    frame_index: NDArray[np.int64]
    frame_intensity: NDArray[np.float32]
    geometry: Geometry
    unit: str
    history: History
    stop_reason: StopReason | None
    status: str
    verdict: str
    recipe: Recipe
    provenance: Provenance
    left_out: tuple[tuple[int, str], ...] = ()
    findings: tuple[Finding, ...] = ()
    notes: tuple[Note, ...] = ()
    steps: tuple[str, ...] = ()
    raw_positions: RawPositions | None = None
    exposure_s: float | None = None
    monitor: NDArray[np.float64] | None = None
    resolution: dict[str, Any] | None = None
    solver_state: dict[str, Any] | None = None

    def __post_init__(self) -> None:
        _cast(self, dict.fromkeys(("transmission", "probe"), np.complex64))
        _cast(self, dict.fromkeys(("coverage", "frame_intensity"), np.float32))
        doubles = ("y_m", "x_m", "positions_measured_m", "positions_refined_m", "monitor")
        _cast(self, {"frame_index": np.int64, **dict.fromkeys(doubles, np.float64)})
        h, w, j = len(self.y_m), len(self.x_m), len(self.frame_index)
        shapes = {
            **{"transmission": (h, w), "coverage": (h, w), "y_m": (h,), "x_m": (w,)},
            **{"positions_measured_m": (j, 2), "positions_refined_m": (j, 2), "frame_index": (j,)},
            **{"frame_intensity": (j,), "monitor": (j,)},
        }
        for name, shape in shapes.items():
            value = getattr(self, name)
            if value is not None and value.shape != shape:
                raise ValueError(f"{name} has shape {value.shape}, expected {shape}")
        if min(h, w) < 2 or self.probe.ndim != 3:
            raise ValueError(f"object of {(h, w)} pixels, probe of shape {self.probe.shape}: expected (M, N, N)")
        if self.raw_positions is not None and self.raw_positions.values.shape != (j, 2):
            raise ValueError(f"raw_positions holds {len(self.raw_positions.values)} readings for {j} used frames")
        for name, words in (("unit", UNITS), ("status", STATUSES), ("verdict", VERDICTS)):
            if getattr(self, name) not in words:
                raise ValueError(f'{name} is "{getattr(self, name)}", expected one of {words}')

    @property
    def coverage_unit(self) -> str:
        """Unit of `coverage`: that of the counts."""
        return self.unit

    @property
    def pixel_m(self) -> tuple[float, float]:
        """Object pixel ``(y, x)`` [m]."""
        y, x = ((axis[-1] - axis[0]) / (len(axis) - 1) for axis in (self.y_m, self.x_m))
        return float(y), float(x)

    @property
    def occupancy(self) -> NDArray[np.float64]:
        """Share of the power in each probe mode, ``(M,)`` float64."""
        power = np.sum(np.abs(self.probe.astype(np.complex128)) ** 2, axis=(1, 2))
        total = power.sum()
        return power / total if total > 0 else power

    @property
    def amplitude(self) -> NDArray[np.float32]:
        """``|transmission|``, ``(H, W)`` float32."""
        return np.abs(self.transmission)

    @cached_property
    def phase(self) -> NDArray[np.float32]:
        """Phase with mean and ramp taken off, from -π to π, ``(H, W)`` float32 [rad]."""
        return np.angle(self._flattened[0]).astype(np.float32)

    @property
    def ramp_cycles_per_px(self) -> tuple[float, float]:
        """Ramp ``(y, x)`` that `phase` no longer holds [cycles/pixel]."""
        return self._flattened[1]

    @cached_property
    def _flattened(self) -> tuple[NDArray[np.complex64], tuple[float, float]]:
        finite = np.isfinite(self.transmission) & np.isfinite(self.coverage)
        lit = np.where(finite, self.coverage, 0)
        if not (lit > 0).any():
            lit = finite.astype(np.float32)
        if not finite.any():
            return self.transmission, (0.0, 0.0)
        with np.errstate(invalid="ignore", over="ignore"):  # a run that ended non-finite is stored too
            return remove_ramp(self.transmission, lit)

    def __str__(self) -> str:
        return "\n".join(_summary(self))

    def _repr_png_(self) -> bytes:
        """Draw the result in a notebook."""
        from recon import figures  # matplotlib loads when something is drawn

        buffer = io.BytesIO()
        figures.result_figure(self).savefig(buffer, format="png")
        return buffer.getvalue()


def _summary(result: Result) -> list[str]:
    """Return the lines a person wants to see first."""
    (h, w), (py, px) = result.transmission.shape, result.pixel_m
    source, history, n_modes = result.provenance.source, result.history, len(result.probe)
    counts = f"{result.coverage.sum(dtype=float):.3g} {'photons' if result.unit == 'photon' else 'ADU'}"
    modes = ", ".join(f"{100 * share:.1f} %" for share in result.occupancy)
    rows = [
        ("scan", Path(source.path).name if source else "arrays in memory"),
        ("field", f"{h * py * 1e6:.3g} x {w * px * 1e6:.3g} µm, {h} x {w} pixels (y, x)"),
        ("pixel", f"{py * 1e9:.4g} x {px * 1e9:.4g} nm at {result.geometry.energy_ev:.6g} eV"),
        ("frames", f"{len(result.frame_index)} used, {len(result.left_out)} left out, {counts} in all"),
        ("probe", f"{n_modes} mode{'s' if n_modes > 1 else ''} ({modes})"),
    ]
    if len(history):
        error = f"R factor {history.r_factor[-1]:.4g}, deviance {history.deviance[-1]:.4g} per pixel"
        rows.append(("fit", f"{error} after {history.iteration[-1]} passes, {history.seconds[-1]:.3g} s"))
    if result.stop_reason is not None:
        rows.append(("stopped", f"{result.stop_reason.value}. {result.stop_reason.advice}"))
    rows += [
        (finding.level, f"{finding.text}. {finding.fix}" if finding.fix else finding.text)
        for finding in result.findings
    ]
    first = f"halfbit result: {result.verdict} ({result.status})"
    return [first, *(f"  {name:<9}{text}" for name, text in rows)]
