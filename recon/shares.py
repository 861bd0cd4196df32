"""One batch over the cores: each thread has its own frames and its own sums.

A frame stays with one core from gather to scatter; transforms and loops release Python's lock. The shares
and the order of their sums depend only on the number of threads, so a run repeats byte for byte.
"""

from __future__ import annotations

import contextvars
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise

import numpy as np

from recon.backend import Array, Device, thread_count
from recon.frames import Batch, Model
from recon.kernels import PassSums

# Fewer frames than this do not pay for a thread and its sums.
FRAMES_A_SHARE = 2

# (batch, remembered exit waves or None, sums) -> None: a frame pass with its other arguments bound.
Task = Callable[[Batch, Array | None, PassSums], None]


def share_count(device: Device, batch: int) -> int:
    """Return how many threads a batch of this many frames is worth."""
    return max(1, min(thread_count(), batch // FRAMES_A_SHARE)) if device.kind == "cpu" else 1


@dataclass
class Shares:
    """Sums of a pass, one set a thread on the CPU, one set in all on a card."""

    parts: list[PassSums]
    _used: int = field(default=1)

    @classmethod
    def like(cls, model: Model, n_shares: int) -> Shares:
        """Return zeros for this object and probe; `n_shares` from `share_count`."""
        return cls([PassSums.like(model) for _ in range(n_shares)])

    def clear_updates(self) -> None:
        """Zero everything but the residuals, where something was added."""
        for part in self.parts[: self._used]:
            part.clear_updates()
        self._used = 1

    def run(self, task: Task, batch: Batch, memory: Array | None = None) -> None:
        """Give each thread its share of the batch (and of `memory`) and wait for all."""
        n = max(1, min(len(self.parts), len(batch.counts) // FRAMES_A_SHARE))
        self._used = max(self._used, n)
        if n == 1:
            task(batch, memory, self.parts[0])
            return
        edges = np.linspace(0, len(batch.counts), n + 1).astype(int)
        rows = [slice(a, b) for a, b in pairwise(edges)]
        jobs = [
            _pool().submit(
                contextvars.copy_context().run,  # NumPy keeps its error settings there
                task,
                batch.part(share),
                None if memory is None else memory[share],
                part,
            )
            for share, part in zip(rows, self.parts, strict=False)
        ]
        for job in jobs:
            job.result()

    def updates(self) -> PassSums:
        """Numerators and weights summed over the threads; valid until `clear_updates`."""
        first = self.parts[0]
        for part in self.parts[1 : self._used]:
            first.add(part)
        for part in self.parts[1 : self._used]:
            part.clear_updates()
        self._used = 1
        return first

    def residuals(self) -> Array:
        """``(3,)`` on the device, of the whole pass; as `PassSums.residuals`."""
        total = self.parts[0].residuals.copy()
        for part in self.parts[1:]:
            total += part.residuals
        return total


@cache
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(thread_count(), thread_name_prefix="frames")
