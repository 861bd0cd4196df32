"""Momentum PIE (mPIE): regularised PIE steps that remember where they were going."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.backend import Array, to_host
from recon.problem import Problem
from recon.solvers.base import check_range
from recon.solvers.pie import RPIE
from recon.state import State

# What moves, and how the memory calls it.
_MOVING = {"object": "object_", "probe": "probe"}


@dataclass(frozen=True)
class MomentumPIE(RPIE):
    """Regularised PIE with momentum (mPIE), for object and probe alike.

    Steps as rPIE's times a factor; and after every T frames, with O₀ the object after the last such step,
    ``v <- η v + (O - O₀)``, ``O <- O₀ + v``. Maiden, Johnson & Li, Optica 4 (2017) 736,
    doi:10.1364/OPTICA.4.000736 (from memory; their T and η are not known here, these are chosen).

    Parameters
    ----------
    alpha, beta
        Regularisation of object and probe.
    object_step, probe_step
        Factors of their steps: less than 1, because momentum makes ``1 / (1 - η)`` of a steady step.
    momentum
        η.
    momentum_frames
        T: a batch that completes so many frames since the last momentum step is followed by one.
    hold_probe, batch
        As for the family.
    """

    alpha: float = 0.2
    object_step: float = 0.3
    probe_step: float = 0.3
    momentum: float = 0.5
    momentum_frames: int = 30

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range(self, object_step=(1e-3, 2), probe_step=(1e-3, 2))
        check_range(self, momentum=(0, 0.99), momentum_frames=(1, 1_000_000))

    def object_weight(self, weight: Array) -> Array:
        """As rPIE's, over the factor."""
        return super().object_weight(weight) / self.object_step

    def probe_weight(self, weight: Array) -> Array:
        """As rPIE's, over the factor."""
        return super().probe_weight(weight) / self.probe_step

    def prepare(self, problem: Problem, state: State) -> None:
        """Start at rest, unless a checkpoint brought velocities back."""
        if "frames" in state.memory:
            return
        for name, field in _MOVING.items():
            now = getattr(state, field)
            state.memory[f"{name}_before"], state.memory[f"{name}_velocity"] = now.copy(), 0 * now
        state.memory["frames"] = np.zeros(1, np.int64)

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """As the family's, and two arrays each of object and probe [bytes]."""
        moving = np.prod(problem.object_shape) + n_modes * problem.size**2
        return super().memory_bytes(problem, n_modes) + int(2 * problem.complex_dtype.itemsize * moving)

    def after_batch(self, state: State, n_frames: int) -> None:
        """Count the frames, and take the momentum step when there are enough."""
        frames = to_host(state.memory["frames"]) + n_frames
        if frames[0] >= self.momentum_frames:
            for name, field in _MOVING.items():
                _momentum_step(state, name, field, self.momentum)
            frames = np.zeros(1, np.int64)
        state.memory["frames"] = frames


def _momentum_step(state: State, name: str, field: str, momentum: float) -> None:
    now, before, velocity = getattr(state, field), state.memory[f"{name}_before"], state.memory[f"{name}_velocity"]
    velocity *= momentum
    velocity += now - before
    before += velocity
    now[...] = before
