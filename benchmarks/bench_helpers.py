"""Timing and reporting shared by the benchmark scripts."""

from __future__ import annotations

import json
import platform
import statistics
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import scipy

from recon import backend
from recon.result import program_version


def median_seconds(work: Callable[[], Any], device: backend.Device, repeats: int = 5) -> float:
    """Median wall time of `work` after one warm-up call, all device work included."""
    work()
    times = []
    for _ in range(repeats):
        backend.synchronize(device)
        began = time.perf_counter()
        work()
        backend.synchronize(device)
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def fft_pair_seconds(size: int, batch: int, n_frames: int, device: backend.Device) -> float:
    """Time of a forward and an inverse transform of `n_frames` frames, `batch` at a time."""
    rng = np.random.default_rng(0)
    frames = rng.normal(size=(batch, size, size)) + 1j * rng.normal(size=(batch, size, size))
    array = backend.to_device(frames.astype(np.complex64), device)

    def pairs() -> None:
        for _ in range(n_frames // batch):
            backend.ifft2(backend.fft2(array.copy()))

    return median_seconds(pairs, device)


def print_json(**values: Any) -> None:
    """Print one line with the values and what they were measured on."""
    versions = {"halfbit": program_version(), "numpy": np.__version__, "scipy": scipy.__version__}
    print(json.dumps({**values, **versions, "python": platform.python_version(), "threads": backend.thread_count()}))
