from __future__ import annotations

import itertools
import pickle
import time
import tracemalloc

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi

from scans.errors import InputError
from scans.formats import load
from scans.formats.lazy import LazyFrames, holds_light, lazy_frames

DATA = "entry_1/instrument_1/detector_1/data"


def lazy(path, **kwargs):
    """Lazy frames of a dataset made for the case."""
    with h5py.File(path, "w") as f:
        return lazy_frames([f.create_dataset("d", **kwargs)])


@pytest.mark.parametrize("grid", [(12,), (3, 4), (12, 1), (1, 12), (2, 3, 2)])
def test_every_slice_of_every_grid(tmp_path, grid):
    stack = lazy(tmp_path / "f.h5", data=frames().reshape(*grid, HEIGHT, WIDTH))
    assert stack.shape == (12, HEIGHT, WIDTH)
    for start, stop in itertools.combinations(range(13), 2):
        np.testing.assert_array_equal(stack[start:stop], frames()[start:stop])


@pytest.mark.parametrize("key", [slice(None), slice(-3, None), slice(2, 99), slice(5, 5), slice(8, 2), slice(1, 11, 4)])
def test_slices_are_those_of_an_array(tmp_path, key):
    stack = lazy(tmp_path / "f.h5", data=frames())
    np.testing.assert_array_equal(stack[key], frames()[key])
    assert stack[key].shape == frames()[key].shape


def test_single_frames_and_refused_keys(tmp_path):
    stack = lazy(tmp_path / "f.h5", data=frames())
    np.testing.assert_array_equal(stack[3], frames()[3])
    np.testing.assert_array_equal(stack[-1], frames()[-1])
    assert len(stack) == 12
    assert stack.ndim == 3
    assert stack.nbytes == frames().nbytes
    with pytest.raises(IndexError, match="frame 12 of 12"):
        stack[12]
    with pytest.raises(TypeError, match="by slice or index, not by list"):
        stack[[1, 2]]
    with pytest.raises(TypeError, match="step must be positive"):
        stack[::-1]


@pytest.mark.parametrize(("stored", "native"), [(">u2", "u2"), (">f4", "f4"), ("<i4", "i4"), ("?", "u1"), ("f2", "f2")])
def test_frames_come_in_native_byte_order(tmp_path, stored, native):
    stack = lazy(tmp_path / "f.h5", data=(frames() % 2).astype(stored))
    assert stack.dtype == stack[0:2].dtype == np.dtype(native)
    assert stack.dtype.isnative
    np.testing.assert_array_equal(stack[0:2], frames()[0:2] % 2)


def test_chunks_are_known(tmp_path):
    def chunk_frames(shape, chunks):
        return lazy(tmp_path / "f.h5", shape=shape, dtype="u2", chunks=chunks).chunk_frames

    assert chunk_frames((64, 16, 16), (1, 16, 16)) == 1
    assert chunk_frames((64, 16, 16), (10, 8, 8)) == 10
    assert chunk_frames((8, 9, 16, 16), (1, 4, 16, 16)) == 4
    assert chunk_frames((8, 9, 16, 16), (2, 3, 16, 16)) == 18
    assert chunk_frames((64, 16, 16), None) == 1


def test_cache_holds_the_chunks_of_a_frame(tmp_path):
    # 16 chunks of 64 frames x 64 x 64 x 2 bytes cross each frame: 8 MiB, more than the default cache of 1 MiB
    stack = lazy(tmp_path / "f.h5", shape=(64, 256, 256), dtype="u2", chunks=(64, 64, 64))
    assert stack.cache_bytes >= 16 * 64 * 64 * 64 * 2


def test_lazy_frames_pickle(tmp_path):
    stack = lazy(tmp_path / "f.h5", data=frames())
    again = pickle.loads(pickle.dumps(stack))
    assert isinstance(again, LazyFrames)
    np.testing.assert_array_equal(again[4:6], frames()[4:6])


def test_opening_leaves_no_handle_behind(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    scan = load(path)
    scan.frames[0:2]
    with h5py.File(path, "r+") as f:  # an open reader would hold the lock
        f["touched"] = 1


def test_forty_gigabytes_open_at_once_and_stay_in_the_file(tmp_path):
    path = make_cxi(tmp_path / "run.cxi", frames(2))
    n, side = 80_000, 512
    plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    plist.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
    plist.set_fill_time(h5py.h5d.FILL_TIME_NEVER)
    with h5py.File(path, "r+") as f:  # a sparse file: 40 GB long, a few kB on the disk
        del f[DATA]
        space = h5py.h5s.create_simple((n, side, side))
        data = h5py.Dataset(h5py.h5d.create(f.id, DATA.encode(), h5py.h5t.NATIVE_UINT16, space, plist))
        data[n // 2] = 7
        data[n // 2 + 1] = 8
        data[n - 1] = 9
        del f["entry_1/sample_1/geometry_1/translation"]
        f["entry_1/sample_1/geometry_1/translation"] = np.arange(n)[:, None] * [1e-7, 0, 0]
    assert path.stat().st_size > 40e9
    tracemalloc.start()
    start = time.perf_counter()
    scan = load(path)
    seconds = time.perf_counter() - start
    part = scan.frames[n // 2 : n // 2 + 2]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert scan.frames.shape == (n, side, side)
    assert part[0, 0, 0] == 7
    assert part[1, -1, -1] == 8
    assert seconds < 1.0  # measured 0.03 s
    assert peak < 40 * part[0].nbytes  # positions of 80 000 frames and a few frames, not 80 000 frames


def test_damaged_chunk_names_the_frames(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    with h5py.File(path) as f:
        places = [f[DATA].id.get_chunk_info(j) for j in (4, 7)]
    with open(path, "r+b") as stream:
        for place in places:
            stream.seek(place.byte_offset)
            stream.write(b"\xff" * place.size)
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[0:4], frames()[0:4])
    with pytest.raises(
        InputError, match=rf"{DATA}: damaged data: 2 frame\(s\).*: 4, 7;.*Copy the file again.*n_frames=4"
    ):
        scan.frames[0:N_FRAMES]


def test_a_file_that_changed_since_it_was_opened(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    scan = load(path)
    make_cxi(path, frames(N_FRAMES, HEIGHT, WIDTH + 1))
    with pytest.raises(InputError, match=rf"{DATA}: the dataset has changed.*Open the scan again"):
        scan.frames[0:1]
    path.unlink()
    with pytest.raises(InputError, match="no such file"):
        scan.frames[0:1]


def test_light_is_looked_for_in_few_frames(tmp_path, monkeypatch):
    data = np.zeros((1000, 8, 8), np.float32)
    data[500] = np.nan
    data[999, 0, 0] = 1
    stack = lazy(tmp_path / "f.h5", data=data)
    read = []
    original = LazyFrames._read
    monkeypatch.setattr(LazyFrames, "_read", lambda self, a, b: read.append(b - a) or original(self, a, b))
    assert holds_light(stack)
    assert sum(read) <= 17


@pytest.mark.parametrize("empty", [0, np.nan])
def test_zeros_and_nan_are_no_light(tmp_path, empty):
    data = np.full((40, 8, 8), empty, np.float32)
    assert not holds_light(lazy(tmp_path / "f.h5", data=data))
    data[38, 7, 7] = 0.5
    assert holds_light(lazy(tmp_path / "f.h5", data=data))
