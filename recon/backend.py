"""The array seam: which module an array belongs to, transfers, transforms.

Solver code is written once; it asks `array_module` for NumPy or CuPy and calls the functions here. Only
this file and `kernels_cuda.py` import CuPy. Crossing between host and card is always a named call.
"""

from __future__ import annotations

import os
import platform
import sys
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
import scipy
import scipy.fft
from numpy.typing import NDArray

from scans.errors import InputError

# NumPy or CuPy array; CuPy has no static types that would tell them apart here.
Array = Any


@dataclass(frozen=True)
class Device:
    """Where a run computes: ``kind`` is "cpu" or "gpu", `index` the card's number."""

    kind: str
    index: int = 0
    description: str = ""

    @property
    def name(self) -> str:
        """The form that a recipe takes: "cpu" or "gpu:0"."""
        return "cpu" if self.kind == "cpu" else f"gpu:{self.index}"


def open_device(request: str = "auto") -> Device:
    """Return the device that `request` names and make it current.

    Parameters
    ----------
    request
        "auto" (a card when one is usable, else the CPU), "cpu", "gpu" or "gpu:N".

    Raises
    ------
    InputError
        When a card is asked for by name and cannot be used: there is no silent fallback.
    """
    if request == "cpu":
        return _cpu()
    if request == "auto":
        try:
            return _card(0)
        except _NoCardError:
            return _cpu()
    kind, _, number = request.partition(":")
    if kind != "gpu" or not (number.isdigit() or not number):
        raise InputError(
            f"device {request!r}",
            where="option --device",
            expected="auto, cpu, gpu or gpu:N",
            fix="Use one of these.",
        )
    try:
        return _card(int(number or 0))
    except _NoCardError as exc:
        raise InputError(
            f"device {request!r} cannot be used ({exc})",
            where="option --device",
            expected="a CUDA card and CuPy",
            fix="Install the extra gpu-cuda12 or gpu-cuda13 that fits the driver, or use --device cpu.",
        ) from exc


class _NoCardError(RuntimeError):
    """No usable card; the text says why."""


def _cpu() -> Device:
    return Device("cpu", 0, platform.processor() or platform.machine())


def _card(index: int) -> Device:
    try:
        import cupy
    except ImportError as exc:
        raise _NoCardError("CuPy is not installed") from exc
    try:
        count = cupy.cuda.runtime.getDeviceCount()
        if index >= count:
            raise _NoCardError(f"card {index} of {count}")
        cupy.cuda.Device(index).use()
        name = cupy.cuda.runtime.getDeviceProperties(index)["name"].decode()
        cupy.zeros(1).sum()
    except cupy.cuda.runtime.CUDARuntimeError as exc:
        raise _NoCardError(str(exc)) from exc
    return Device("gpu", index, name)


def array_module(array: Array) -> ModuleType:
    """Return the module (NumPy or CuPy) that `array` belongs to."""
    if isinstance(array, np.ndarray | np.generic):
        return np
    import cupy

    return cupy


def to_device(array: NDArray[Any], device: Device) -> Array:
    """Copy a host array to `device` (no copy on the CPU), contiguous and in native byte order."""
    native = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("="))
    if device.kind == "cpu":
        return native
    import cupy

    with cupy.cuda.Device(device.index):
        return cupy.asarray(native)


def to_host(array: Array) -> NDArray[Any]:
    """Copy an array to the host (no copy when it is there)."""
    if isinstance(array, np.ndarray):
        return array
    return np.asarray(array.get()) if hasattr(array, "get") else np.asarray(array)


def synchronize(device: Device) -> None:
    """Wait until all work given to `device` is done; needed before reading a clock."""
    if device.kind == "gpu":
        import cupy

        cupy.cuda.Device(device.index).synchronize()


def free_bytes(device: Device) -> int:
    """Memory that can still be allocated on `device` [bytes]."""
    if device.kind == "gpu":
        import cupy

        return int(cupy.cuda.Device(device.index).mem_info[0]) + int(cupy.get_default_memory_pool().free_bytes())
    return _host_free_bytes()


def _host_free_bytes() -> int:
    """Memory the host can give without swapping; the file cache counts as free, because it is given up."""
    try:
        with open("/proc/meminfo") as table:
            for line in table:
                if line.startswith("MemAvailable:"):
                    return 1024 * int(line.split()[1])
    except OSError:
        pass  # not Linux: all of the memory, where the system tells it
    if hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    return sys.maxsize


def thread_count() -> int:
    """Threads that a pass on the CPU may use: the cores this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def fft_name(device: Device) -> str:
    """Transform library and version, for the result file."""
    if device.kind == "gpu":
        import cupy

        return f"cuFFT through CuPy {cupy.__version__}"
    return f"pocketfft through SciPy {scipy.__version__}"


def fft2(array: Array) -> Array:
    """Unitary forward transform over the last two axes, kernel exp(-2πi f·x); may destroy `array`."""
    if isinstance(array, np.ndarray):
        return scipy.fft.fft2(array, norm="ortho", overwrite_x=True)
    import cupyx.scipy.fft as card_fft

    return card_fft.fft2(array, norm="ortho", overwrite_x=True)


def ifft2(array: Array) -> Array:
    """Inverse of `fft2`; may destroy `array`."""
    if isinstance(array, np.ndarray):
        return scipy.fft.ifft2(array, norm="ortho", overwrite_x=True)
    import cupyx.scipy.fft as card_fft

    return card_fft.ifft2(array, norm="ortho", overwrite_x=True)
