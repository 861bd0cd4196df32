import os
import sys
import types

import numpy as np
import pytest
import tolerances as tol
from helpers_core import CPU, fourier_matrix, noise, relative

from recon import backend
from scans.errors import InputError

SHAPES = [(8, 9), (7, 8), (5, 5), (3, 8, 9), (2, 3, 7, 8), (4, 16, 16)]


def direct_sum(array):
    """The definition of the unitary transform, O(N²) a side."""
    return fourier_matrix(array.shape[-2]) @ array @ fourier_matrix(array.shape[-1])


@pytest.mark.parametrize("shape", SHAPES)
def test_transform_is_the_direct_sum(xp, rng, shape):
    array = noise(rng, *shape)
    found = backend.to_host(backend.fft2(xp.asarray(array.copy())))
    error = relative(found, direct_sum(array))
    assert error < tol.TRANSFORM_C128, error


@pytest.mark.parametrize("shape", SHAPES)
def test_single_precision_stays_single_and_right(xp, rng, shape):
    array = noise(rng, *shape)
    for transform, expected in (
        (backend.fft2, direct_sum(array)),
        (backend.ifft2, direct_sum(array.conj()).conj()),
    ):
        found = transform(xp.asarray(array.astype(np.complex64)))  # a copy: a transform may destroy its input
        assert found.dtype == np.complex64
        error = relative(backend.to_host(found), expected)
        assert error < tol.TRANSFORM_C64, error


@pytest.mark.parametrize("shape", SHAPES)
def test_inverse_and_parseval(xp, rng, shape):
    array = noise(rng, *shape)
    field = backend.fft2(xp.asarray(array.copy()))
    # Parseval, a frame at a time: a wrong factor that depends on the batch would show
    power = (np.abs(backend.to_host(field)) ** 2).sum(axis=(-2, -1)) / (np.abs(array) ** 2).sum(axis=(-2, -1))
    assert float(np.abs(power - 1).max()) < tol.PARSEVAL, power
    error = relative(backend.to_host(backend.ifft2(field)), array)
    assert error < tol.TRANSFORM_C128, error


def test_array_module_of_host_arrays():
    assert backend.array_module(np.zeros(3)) is np
    assert backend.array_module(np.float32(1)) is np


@pytest.mark.gpu
def test_array_module_of_card_arrays():
    cupy = pytest.importorskip("cupy")
    assert backend.array_module(cupy.zeros(3)) is cupy


def test_cpu_transfer_copies_nothing():
    array = np.arange(6.0).reshape(2, 3)
    assert np.shares_memory(backend.to_device(array, CPU), array)
    assert backend.to_host(array) is array


def test_transfer_makes_native_contiguous_arrays():
    swapped = np.arange(6, dtype=">u2").reshape(2, 3).T
    moved = backend.to_device(swapped, CPU)
    assert moved.dtype == np.dtype("=u2")
    assert moved.flags.c_contiguous
    np.testing.assert_array_equal(moved, [[0, 3], [1, 4], [2, 5]])


@pytest.mark.gpu
def test_card_round_trip(rng):
    pytest.importorskip("cupy")
    device = backend.open_device("gpu")
    array = rng.normal(size=(3, 4)).astype(">f4")
    np.testing.assert_array_equal(backend.to_host(backend.to_device(array, device)), array)
    backend.synchronize(device)
    assert 0 < backend.free_bytes(device)


def test_cpu_is_opened_and_named():
    device = backend.open_device("cpu")
    assert (device.kind, device.name) == ("cpu", "cpu")
    backend.synchronize(device)  # nothing to wait for


def test_auto_falls_back_to_the_cpu_without_cupy(monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)  # makes `import cupy` fail
    assert backend.open_device("auto").kind == "cpu"


@pytest.mark.parametrize("request_", ["gpu", "gpu:0", "gpu:2"])
def test_card_without_cupy_is_an_error_with_a_remedy(monkeypatch, request_):
    monkeypatch.setitem(sys.modules, "cupy", None)
    with pytest.raises(InputError, match=r"--device: .*CuPy is not installed.*use --device cpu"):
        backend.open_device(request_)


class _RuntimeError(RuntimeError):
    pass


def fake_cupy(count):
    """A stand-in for the few calls that opening a card makes; `count` raises when it is an exception."""

    def get_count():
        if isinstance(count, Exception):
            raise count
        return count

    runtime = types.SimpleNamespace(
        getDeviceCount=get_count,
        getDeviceProperties=lambda index: {"name": b"a card"},
        CUDARuntimeError=_RuntimeError,
    )
    device = lambda index: types.SimpleNamespace(use=lambda: None)  # noqa: E731
    cuda = types.SimpleNamespace(runtime=runtime, Device=device)
    return types.SimpleNamespace(cuda=cuda, zeros=np.zeros)


def test_card_number_beyond_the_last(monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", fake_cupy(2))
    assert backend.open_device("gpu:1").name == "gpu:1"
    assert backend.open_device("auto").description == "a card"
    with pytest.raises(InputError, match=r"gpu:2.*card 2 of 2"):
        backend.open_device("gpu:2")


def test_driver_failure_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", fake_cupy(_RuntimeError("no CUDA-capable device")))
    assert backend.open_device("auto").kind == "cpu"
    with pytest.raises(InputError, match="no CUDA-capable device"):
        backend.open_device("gpu")


@pytest.mark.parametrize("request_", ["cuda", "gpu:one", "gpu:-1", "", "GPU", "gpu:0,1"])
def test_unknown_devices(request_):
    with pytest.raises(InputError, match=r"--device: .*expected auto, cpu, gpu or gpu:N"):
        backend.open_device(request_)


def test_free_memory_is_plausible():
    total = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    assert 0 < backend.free_bytes(CPU) <= total


def test_free_memory_counts_the_file_cache(monkeypatch, tmp_path):
    # a machine that has read a large scan: 1 GB free, 30 GB of cache that it would give up
    table = tmp_path / "meminfo"
    table.write_text("MemTotal: 32000000 kB\nMemFree: 1000000 kB\nMemAvailable: 31000000 kB\nCached: 30000000 kB\n")
    real_open = open
    monkeypatch.setattr(
        "builtins.open", lambda name, *a, **k: real_open(table if name == "/proc/meminfo" else name, *a, **k)
    )
    assert backend.free_bytes(CPU) == 31000000 * 1024


def test_names_for_the_result_file():
    assert "SciPy" in backend.fft_name(CPU)
    assert 1 <= backend.thread_count() <= os.cpu_count()
