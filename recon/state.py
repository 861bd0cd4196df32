"""The one mutable thing: what a solver has found so far."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, Device, to_device, to_host
from recon.frames import Batch, Model
from recon.problem import Problem

# Everything that a run may refine, and which of it lies on the host.
REFINED = (
    "object_",
    "probe",
    "background",
    "variation",
    "depths_m",
    "positions_px",
    "corners",
    "intensity",
    "coefficients",
    "without_prior",
    "aside",
    "prior_strength",
)
ON_HOST = ("depths_m", "positions_px", "corners", "intensity", "coefficients", "aside", "prior_strength")


@dataclass(kw_only=True)
class State(Model):
    """Object, probe, positions and whatever else a running reconstruction refines.

    Parameters
    ----------
    object_, probe, background, variation, depths_m
        As `Model`.
    positions_px
        ``(J, 2)`` float64 on the host, in object pixels.
    corners
        ``(J, 2)`` int64 on the host: object pixel under the pixel (0, 0) of each frame, where it stays as the position
        moves; None where it is the nearest. The probe is cut off at the frame's edge, so that the likelihood jumps
        where a position changes its nearest pixel: too little to matter, but a line search ends there.
    rng
        The run's only source of random numbers; drawn on the host, so CPU and card see the same.
    intensity
        ``(J,)`` float64 on the host: refined flux of each frame over that of the problem; None = 1.
    coefficients
        ``(J, K)`` complex128 on the host: shares of `variation` in each frame; None where nothing varies.
    aside
        ``(K,)`` int64 on the host: frames that fit far worse than the others and take no part until they are found
        again; None where all take part.
    prior_strength
        ``()`` float64 on the host: strength of the prior in use, 0 where the held-out pixels asked for none; None
        before there was one.
    without_prior
        The object before a prior came in, on the problem's device; None where none did.
    stage, stage_pass, iteration
        Index of the running stage, passes done in it, passes done in all.
    memory
        What the running solver keeps between passes, by name (host or device arrays).
    """

    positions_px: NDArray[np.float64]
    rng: np.random.Generator
    corners: NDArray[np.int64] | None = None
    intensity: NDArray[np.float64] | None = None
    coefficients: NDArray[np.complex128] | None = None
    aside: NDArray[np.int64] | None = None
    prior_strength: NDArray[np.float64] | None = None
    without_prior: Array | None = None
    stage: int = 0
    stage_pass: int = 0
    iteration: int = 0
    memory: dict[str, Array] = field(default_factory=dict)

    def batch(self, problem: Problem, index: NDArray[np.int64]) -> Batch:
        """Return the frames `index` (host integers) with what this state knows of each."""
        batch = problem.batch(index, self.positions_px, self.corners)
        dtype = problem.complex_dtype
        if self.intensity is not None:
            factor = to_device(self.intensity[index].astype(problem.counts.dtype), problem.device)[:, None, None]
            batch = replace(batch, response=factor if batch.response is None else batch.response * factor)
        if self.coefficients is not None:
            batch = replace(batch, coefficients=to_device(self.coefficients[index].astype(dtype), problem.device))
        return batch

    def hold_corners(self, farthest_px: float = 0.5) -> bool:
        """Let corners stay from now on, but where a position is farther off; returns whether any changed."""
        near = np.rint(self.positions_px).astype(np.int64) - self.probe.shape[-1] // 2
        if self.corners is None:
            self.corners = near
            return False
        away = np.abs(self.positions_px - self.probe.shape[-1] // 2 - self.corners).max(axis=1) > farthest_px
        self.corners = np.where(away[:, None], near, self.corners)
        return bool(away.any())

    def active(self, n_frames: int) -> NDArray[np.int64]:
        """Return the numbers of the frames that take part."""
        every = np.arange(n_frames)
        return every if self.aside is None else np.setdiff1d(every, self.aside)

    def parts(self) -> dict[str, Array]:
        """Return the arrays that a run refines, by name, without those that it does not have."""
        found = {name: getattr(self, name) for name in REFINED}
        return {name: array for name, array in found.items() if array is not None}

    def keep(self) -> dict[str, Array]:
        """Return copies of all `parts`, to fall back to."""
        return {name: array.copy() for name, array in self.parts().items()}

    def restore(self, parts: dict[str, Array]) -> None:
        """Put kept parts back."""
        for name, array in parts.items():
            setattr(self, name, array)

    def to_checkpoint(self) -> dict[str, Any]:
        """Everything needed to go on exactly from here: host arrays, numbers and texts by name.

        Arrays are copies: the run may go on, and change its own in place.
        """
        parts: dict[str, Any] = {
            **{name.rstrip("_"): _host_copy(array) for name, array in self.parts().items()},
            "rng": json.dumps(self.rng.bit_generator.state),
            "stage": self.stage,
            "stage_pass": self.stage_pass,
            "iteration": self.iteration,
        }
        parts.update({f"memory/{name}": _host_copy(array) for name, array in self.memory.items()})
        return parts

    @classmethod
    def from_checkpoint(cls, parts: dict[str, Any], device: Device) -> State:
        """Inverse of `to_checkpoint`; the checkpoint stays as it is, also when the state changes."""
        rng = np.random.default_rng()
        rng.bit_generator.state = json.loads(parts["rng"])
        found = {name: parts[name.rstrip("_")] for name in REFINED if name.rstrip("_") in parts}
        on_host = {name: np.array(found.pop(name)) for name in ON_HOST if name in found}
        return cls(
            **{name: _device_copy(array, device) for name, array in found.items()},
            **on_host,
            rng=rng,
            stage=int(parts["stage"]),
            stage_pass=int(parts["stage_pass"]),
            iteration=int(parts["iteration"]),
            memory={
                name.removeprefix("memory/"): _device_copy(array, device)
                for name, array in parts.items()
                if name.startswith("memory/")
            },
        )


def _host_copy(array: Array) -> NDArray[Any]:
    """Own copy on the host, wherever the array is."""
    return array.copy() if isinstance(array, np.ndarray) else to_host(array)


def _device_copy(array: NDArray[Any], device: Device) -> Array:
    """Own copy on the device."""
    return to_device(array.copy() if device.kind == "cpu" else array, device)


def start_state(
    problem: Problem,
    probe: NDArray[np.complexfloating],
    seed: int,
    slices: int = 1,
    slice_distance_m: float = 0.0,
) -> State:
    """Return the state before the first pass: a uniform object that matches the mean counts.

    Parameters
    ----------
    probe
        ``(M, N, N)`` on the host; its summed power is the counts of an empty-field frame.
    slices, slice_distance_m
        Number of slices, and the free space between them.
    """
    dtype = problem.complex_dtype
    level = np.sqrt(min(1.0, problem.mean_total / problem.power)) ** (1 / slices)
    shape = problem.object_shape if slices == 1 else (slices, *problem.object_shape)
    return State(
        object_=to_device(np.full(shape, level, dtype), problem.device),
        probe=to_device(probe.astype(dtype), problem.device),
        positions_px=problem.positions_px.copy(),
        rng=np.random.default_rng(seed),
        depths_m=np.full(slices - 1, slice_distance_m) if slices > 1 else None,
    )


def add_unknowns(problem: Problem, state: State, names: set[str], variation: Array | None = None) -> None:
    """Give a state what it is going to refine beside object, probe and positions, where it has not.

    Parameters
    ----------
    names
        Fields of the state.
    variation
        ``(K, N, N)`` waves that the strongest mode may vary by; they are there in no frame to begin with.
    """
    if "background" in names and state.background is None:
        state.background = to_device(np.zeros((problem.size, problem.size), problem.counts.dtype), problem.device)
    if "intensity" in names and state.intensity is None:
        state.intensity = np.ones(problem.n_frames)
    if "variation" in names and state.variation is None and variation is not None:
        state.variation = to_device(variation.astype(problem.complex_dtype), problem.device)
        state.coefficients = np.zeros((problem.n_frames, len(variation)), complex)
