"""The result of a reconstruction: what was found, how it went, and whether to trust it."""

from __future__ import annotations

import io
from dataclasses import dataclass, fields
from enum import Enum
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.probe import mode_shares
from recon.provenance import Provenance, Source, program_version
from recon.recipe import Recipe
from recon.registration import remove_ramp
from scans.geometry import Geometry
from scans.scan import Finding, Note, RawPositions

# Named here too: what says where a result comes from, for those who handle results.
__all__ = ["History", "Provenance", "Result", "Source", "StopReason", "flattened", "program_version"]

STATUSES = ("running", "complete", "interrupted", "failed")
VERDICTS = ("good", "usable with cautions", "not to be trusted")
UNITS = ("photon", "ADU")


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
        ``(T,)`` float64, Poisson deviance per measured pixel that is fitted.
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

    @property
    def deviance_text(self) -> str:
        """The last deviance in words; of the held-out pixels first, where there are any."""
        fitted = f"{self.deviance[-1]:.4g}"
        if self.held_out is None:
            return f"deviance {fitted}"
        return f"held-out deviance {self.held_out[-1]:.4g} beside {fitted} fitted,"

    @classmethod
    def empty(cls) -> History:
        """Return the history before the first iteration."""
        return cls(*(np.empty(0), (), *(np.empty(0) for _ in range(3))))  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class Result:
    """A reconstruction: object, probe, positions, and everything needed to judge and repeat it.

    Arrays are kept in single precision, coordinates in double; a double-precision run loses its last
    digits here, not in its checkpoint.

    Parameters
    ----------
    transmission
        ``(H, W)`` complex64, object transmission; of several slices their product.
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
    prior, without_prior
        Name and strength of the prior that `transmission` was made with, as text; ``(H, W)`` complex64, the
        estimate that the likelihood alone gives. None where there was no prior.
    slices, slice_positions_m
        ``(S, H, W)`` complex64 in the order in which the beam meets them; ``(S,)`` float64, where along the beam
        each is [m]. None for one slice.
    background
        ``(N, N)`` float32, counts [`unit`] a frame that come from elsewhere than the sample, direct beam at
        ``(N//2, N//2)``; of a frame of flux factor 1. None where not fitted.
    occupancy_shift
        ``(M,)`` float64: by how much the noise shifts the shares of the power in the modes of `probe`
        (`recon.mode_shares`). None where that was not determined.
    variation_basis, variation_coefficients
        ``(K, N, N)`` complex64 waves V and ``(J, K)`` complex128 shares c: the strongest mode of frame j is
        ``P + Σ_k c_jk V_k``. None where the probe does not vary.
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
    prior: str | None = None
    without_prior: NDArray[np.complex64] | None = None
    slices: NDArray[np.complex64] | None = None
    slice_positions_m: NDArray[np.float64] | None = None
    background: NDArray[np.float32] | None = None
    occupancy_shift: NDArray[np.float64] | None = None
    variation_basis: NDArray[np.complex64] | None = None
    variation_coefficients: NDArray[np.complex128] | None = None
    resolution: dict[str, Any] | None = None
    solver_state: dict[str, Any] | None = None

    def __post_init__(self) -> None:
        singles = ("transmission", "probe", "without_prior", "slices", "variation_basis")
        _cast(self, dict.fromkeys(singles, np.complex64))
        _cast(self, dict.fromkeys(("coverage", "frame_intensity", "background"), np.float32))
        doubles = (
            "y_m",
            "x_m",
            "positions_measured_m",
            "positions_refined_m",
            "monitor",
            "slice_positions_m",
            "occupancy_shift",
        )
        _cast(self, {"frame_index": np.int64, **dict.fromkeys(doubles, np.float64)})
        _cast(self, {"variation_coefficients": np.complex128})
        self._check_words()
        self._check_shapes()

    def _check_shapes(self) -> None:
        h, w, j = len(self.y_m), len(self.x_m), len(self.frame_index)
        frame, s, k = self.probe.shape[1:], _length(self.slices), _length(self.variation_basis)
        shapes = {
            **{"transmission": (h, w), "coverage": (h, w), "y_m": (h,), "x_m": (w,)},
            **{"positions_measured_m": (j, 2), "positions_refined_m": (j, 2), "frame_index": (j,)},
            **{"frame_intensity": (j,), "monitor": (j,), "background": frame},
            **{"without_prior": (h, w), "slices": (s, h, w), "slice_positions_m": (s,)},
            **{"occupancy_shift": self.probe.shape[:1]},
            **{"variation_basis": (k, *frame), "variation_coefficients": (j, k)},
        }
        for name, shape in shapes.items():
            value = getattr(self, name)
            if value is not None and value.shape != shape:
                raise ValueError(f"{name} has shape {value.shape}, expected {shape}")
        if min(h, w) < 2 or self.probe.ndim != 3:
            raise ValueError(f"object of {(h, w)} pixels, probe of shape {self.probe.shape}: expected (M, N, N)")
        if self.raw_positions is not None and self.raw_positions.values.shape != (j, 2):
            raise ValueError(f"raw_positions holds {len(self.raw_positions.values)} readings for {j} used frames")

    def _check_words(self) -> None:
        pairs = ("slices", "slice_positions_m"), ("variation_basis", "variation_coefficients")
        for pair in pairs:
            if len({getattr(self, name) is None for name in pair}) == 2:
                raise ValueError("one of {} and {} without the other".format(*pair))
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
        """Share of the power in each mode, ``(M,)`` float64: of `probe`, less `occupancy_shift` where that is known."""
        if self.occupancy_shift is None:
            return mode_shares(self.probe)
        found = np.maximum(mode_shares(self.probe) - self.occupancy_shift, 0)
        return np.asarray(found / found.sum(), np.float64)

    @property
    def position_move_m(self) -> float:
        """Root mean square of the distances from measured to refined positions [m]; 0 where none was refined."""
        moves = self.positions_refined_m - self.positions_measured_m
        return float(np.sqrt((moves**2).sum(axis=1).mean())) if len(moves) else 0.0

    @property
    def background_share(self) -> float:
        """Share of `background` in the counts that the model expects of all frames at equal flux; 0 without one."""
        if self.background is None:
            return 0.0
        # what an exit wave carries is what falls on each object pixel times its |T|²
        with np.errstate(invalid="ignore", over="ignore"):  # as in `flattened`
            sample = (self.amplitude.astype(float) ** 2 * self.coverage).sum()
        elsewhere = self.background.sum(dtype=float) * len(self.frame_index)
        return float(elsewhere / (elsewhere + sample)) if elsewhere > 0 else 0.0

    @property
    def variation_share(self) -> float:
        """Mean over the frames of ``Σ|Σ_k c_jk V_k|²`` over the probe's power; 0 where the probe does not vary."""
        if self.variation_basis is None or self.variation_coefficients is None:
            return 0.0
        waves = self.variation_basis.reshape(len(self.variation_basis), -1).astype(np.complex128)
        c, power = self.variation_coefficients, float((np.abs(self.probe.astype(np.complex128)) ** 2).sum())
        with np.errstate(invalid="ignore", over="ignore"):
            varying = np.einsum("jk,kl,jl->j", c, waves @ waves.conj().T, c.conj()).real
        return float(varying.mean() / power) if power > 0 else 0.0

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
        return flattened(self.transmission, self.coverage)

    def __str__(self) -> str:
        from recon.result_summary import summary  # which is written for results

        return "\n".join(summary(self))

    def _repr_png_(self) -> bytes:
        """Draw the result in a notebook."""
        from recon import figures  # matplotlib loads when something is drawn

        buffer = io.BytesIO()
        figures.result_figure(self).savefig(buffer, format="png")
        return buffer.getvalue()


def _length(array: NDArray[Any] | None) -> int:
    return 0 if array is None else len(array)


def flattened(
    image: NDArray[np.complex64], coverage: NDArray[np.floating]
) -> tuple[NDArray[np.complex64], tuple[float, float]]:
    """Take phase ramp and mean off an image ``(H, W)``, by its lit and finite pixels; returns the ramp too."""
    finite = np.isfinite(image) & np.isfinite(coverage)
    lit = np.where(finite, coverage, 0)
    if not (lit > 0).any():
        lit = finite.astype(np.float32)
    if not finite.any():
        return image, (0.0, 0.0)
    with np.errstate(invalid="ignore", over="ignore"):  # a run that ended non-finite is stored too
        return remove_ramp(image, lit)
