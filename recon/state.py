"""The one mutable thing: what a solver has found so far."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, Device, to_device, to_host
from recon.problem import Problem


@dataclass
class State:
    """Object, probe and positions of a running reconstruction.

    Parameters
    ----------
    object_, probe
        ``(H, W)`` and ``(M, N, N)`` complex, on the problem's device.
    positions_px
        ``(J, 2)`` float64 on the host, in object pixels.
    rng
        The run's only source of random numbers; drawn on the host, so CPU and card see the same.
    stage, stage_pass, iteration
        Index of the running stage, passes done in it, passes done in all.
    memory
        What the running solver keeps between passes, by name (host or device arrays).
    """

    object_: Array
    probe: Array
    positions_px: NDArray[np.float64]
    rng: np.random.Generator
    stage: int = 0
    stage_pass: int = 0
    iteration: int = 0
    memory: dict[str, Array] = field(default_factory=dict)

    def to_checkpoint(self) -> dict[str, Any]:
        """Everything needed to go on exactly from here: host arrays, numbers and texts by name.

        Arrays are copies: the run may go on, and change its own in place.
        """
        parts: dict[str, Any] = {
            "object": _host_copy(self.object_),
            "probe": _host_copy(self.probe),
            "positions_px": self.positions_px.copy(),
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
        return cls(
            object_=_device_copy(parts["object"], device),
            probe=_device_copy(parts["probe"], device),
            positions_px=np.array(parts["positions_px"], np.float64),
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


def start_state(problem: Problem, probe: NDArray[np.complexfloating], seed: int) -> State:
    """Return the state before the first pass: a uniform object that matches the mean counts.

    Parameters
    ----------
    probe
        ``(M, N, N)`` on the host; its summed power is the counts of an empty-field frame.
    """
    dtype = problem.complex_dtype
    level = np.sqrt(min(1.0, problem.mean_total / problem.power))
    return State(
        object_=to_device(np.full(problem.object_shape, level, dtype), problem.device),
        probe=to_device(probe.astype(dtype), problem.device),
        positions_px=problem.positions_px.copy(),
        rng=np.random.default_rng(seed),
    )
