"""Chunks unpacked by us are those that the HDF5 library unpacks; hostile chunks cost no memory."""

from __future__ import annotations

import itertools
import sys
import zlib
from concurrent.futures import ThreadPoolExecutor

import h5py
import hdf5plugin
import numpy as np
import pytest
from formats_files import make_cxi, replace

from scans.errors import InputError
from scans.formats import chunks, load
from scans.formats.lazy import lazy_frames

RNG = np.random.default_rng(5)
DATA = "entry_1/instrument_1/detector_1/data"
BOXES = [
    (slice(0, 7), slice(0, 9), slice(0, 11)),
    (slice(2, 3), slice(0, 9), slice(5, 6)),
    (slice(3, 7), slice(4, 5), slice(0, 11)),
    (slice(6, 7), slice(8, 9), slice(10, 11)),
]
DTYPES = ["u1", "<u2", ">u2", "<i4", ">f4", "<f8", "f2"]


def made(path, values, **how):
    with h5py.File(path, "w") as f:
        f.create_dataset("d", data=values, **how)
    return h5py.File(path)


@pytest.mark.parametrize("dtype", DTYPES)
@pytest.mark.parametrize("shuffle", [True, False])
@pytest.mark.parametrize("chunk", [(1, 9, 11), (3, 4, 4), (7, 9, 11)])
def test_gzip_chunks_are_read_as_the_library_reads_them(tmp_path, dtype, shuffle, chunk):
    values = RNG.integers(0, 200, (7, 9, 11)).astype(dtype)
    with made(tmp_path / "f.h5", values, chunks=chunk, compression="gzip", shuffle=shuffle) as f:
        assert chunks.unpacks_here(f["d"])
        for box in BOXES:
            out = np.empty([s.stop - s.start for s in box], np.dtype(dtype).newbyteorder("="))
            chunks.filler(f["d"])(box, out)
            np.testing.assert_array_equal(out, f["d"][box])


PLUGINS = {
    "bitshuffle": {},
    "bitshuffle/LZ4": {"cname": "lz4"},
    "bitshuffle/zstd": {"cname": "zstd"},
    "LZ4": {},
    "zstd": {},
    "blosc": {},
    "blosc2": {},
}


def packed_by(name: str) -> dict[str, object]:
    if name == "bitshuffle":
        return dict(hdf5plugin.Bitshuffle(cname="none"))
    kind = {"LZ4": hdf5plugin.LZ4, "zstd": hdf5plugin.Zstd, "blosc": hdf5plugin.Blosc, "blosc2": hdf5plugin.Blosc2}
    return dict(kind.get(name, hdf5plugin.Bitshuffle)(**PLUGINS[name]))


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the library unpacks")
@pytest.mark.parametrize("name", PLUGINS)
@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", "<i4", "<f8"])
@pytest.mark.parametrize("chunk", [(1, 9, 11), (3, 4, 4)])
def test_chunks_of_plugins_are_read_as_the_library_reads_them(tmp_path, name, dtype, chunk):
    values = RNG.integers(0, 200, (7, 9, 11)).astype(dtype)
    with made(tmp_path / "f.h5", values, chunks=chunk, **packed_by(name)) as f:
        assert chunks.unpacks_here(f["d"])
        for box in BOXES:
            out = np.empty([s.stop - s.start for s in box], np.dtype(dtype).newbyteorder("="))
            chunks.filler(f["d"])(box, out)
            np.testing.assert_array_equal(out, values[box])


@pytest.mark.parametrize("name", PLUGINS)
def test_plugins_unpack_in_many_threads_at_once(tmp_path, name):
    values = np.random.default_rng(3).poisson(2, (48, 128, 128)).astype("u2")
    with h5py.File(tmp_path / "f.h5", "w") as f:
        stack = lazy_frames([f.create_dataset("d", data=values, chunks=(1, 128, 128), **packed_by(name))])
    with stack.kept_open() as read, ThreadPoolExecutor(8) as pool:
        for _ in range(4):
            for j, frame in enumerate(pool.map(lambda j: read(slice(j, j + 1)), range(48))):
                np.testing.assert_array_equal(frame[0], values[j])


@pytest.mark.parametrize("name", PLUGINS)
def test_damaged_chunks_of_plugins_are_named(tmp_path, name):
    path, values = tmp_path / "f.h5", np.random.default_rng(3).poisson(2, (3, 64, 64)).astype("u2")
    with h5py.File(path, "w") as f:
        dataset = f.create_dataset("d", data=values, chunks=(1, 64, 64), **packed_by(name))
        stack = lazy_frames([dataset])
        packed = dataset.id.read_direct_chunk((1, 0, 0))[1]
        dataset.id.write_direct_chunk((1, 0, 0), packed[: len(packed) // 2])
    np.testing.assert_array_equal(stack[2], values[2])
    with pytest.raises(InputError, match=r"damaged data: 1 frame.*: 1;"):
        stack[0:3]


def test_grids_of_frames(tmp_path):
    values = RNG.integers(0, 200, (3, 4, 9, 11)).astype("u2")
    with h5py.File(tmp_path / "f.h5", "w") as f:
        stack = lazy_frames([f.create_dataset("d", data=values, chunks=(2, 3, 5, 5), compression="gzip")])
    flat = values.reshape(12, 9, 11)
    for start, stop in itertools.combinations(range(13), 2):
        np.testing.assert_array_equal(stack[start:stop], flat[start:stop])
    np.testing.assert_array_equal(stack.window(slice(3, 8), (slice(2, 7), slice(9, 11))), flat[3:8, 2:7, 9:11])


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"chunks": (3, 4, 4)},
        {"chunks": (3, 4, 4), "compression": "lzf"},
        {"chunks": (3, 4, 4), "compression": "gzip", "fletcher32": True},
        {"chunks": (3, 4, 4), "compression": "gzip", "scaleoffset": 0},
        {"chunks": (3, 4, 4), **hdf5plugin.BZip2()},
        {"chunks": (3, 4, 4), "fletcher32": True, **hdf5plugin.Zstd()},
    ],
    ids=["contiguous", "plain", "lzf", "fletcher32", "scaleoffset", "bzip2", "zstd with checksum"],
)
def test_other_storage_goes_through_the_library(tmp_path, how):
    values = RNG.integers(0, 200, (7, 9, 11)).astype("u2")
    with h5py.File(tmp_path / "f.h5", "w") as f:
        dataset = f.create_dataset("d", data=values, **how)
        stack = lazy_frames([dataset])
        assert not chunks.unpacks_here(dataset)
    np.testing.assert_array_equal(stack[1:6], values[1:6])
    np.testing.assert_array_equal(stack.window(slice(1, 6), (slice(3, 9), slice(2, 3))), values[1:6, 3:9, 2:3])


def test_numbers_of_odd_precision_go_through_the_library(tmp_path):
    with h5py.File(tmp_path / "f.h5", "w") as f:
        kind = h5py.h5t.NATIVE_UINT16.copy()
        kind.set_precision(12)
        kind.set_offset(2)  # a detector's 12 bits inside 16
        plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        plist.set_chunk((1, 8, 8))
        plist.set_deflate(4)
        h5py.h5d.create(f.id, b"d", kind, h5py.h5s.create_simple((2, 8, 8)), plist)
        assert not chunks.unpacks_here(f["d"])


def test_absent_chunks_and_chunks_stored_as_they_are(tmp_path):
    with h5py.File(tmp_path / "f.h5", "w") as f:
        how = {"chunks": (1, 8, 8), "compression": "gzip", "shuffle": True, "fillvalue": 9}
        f.create_dataset("d", (3, 8, 8), "u2", **how)
        f["d"][0] = 5
        plain = np.arange(64, dtype="<u2")
        f["d"].id.write_direct_chunk((2, 0, 0), plain.tobytes(), filter_mask=0b11)  # both filters left out
        expected = f["d"][:]
        out = np.empty((3, 8, 8), np.uint16)
        chunks.filler(f["d"])((slice(0, 3), slice(0, 8), slice(0, 8)), out)
    np.testing.assert_array_equal(out, expected)
    assert (out[1] == 9).all()
    np.testing.assert_array_equal(out[2].ravel(), plain)


def written_raw(path, packed):
    with h5py.File(path, "w") as f:
        d = f.create_dataset("d", (1, 8, 8), "u2", chunks=(1, 8, 8), compression="gzip")
        d.id.write_direct_chunk((0, 0, 0), packed)
        return lazy_frames([d])


@pytest.mark.parametrize(
    "packed",
    [
        zlib.compress(bytes(127)),
        zlib.compress(bytes(129)),
        zlib.compress(bytes(50_000_000)),  # a bomb of 50 kB that would unpack to 50 MB
        zlib.compress(bytes(128))[:-5],
        zlib.compress(bytes(128))[:-1] + b"\x7f",
        b"nonsense",
    ],
    ids=["short", "long", "bomb", "cut", "checksum", "nonsense"],
)
def test_chunks_that_do_not_hold_a_chunk_are_damage(tmp_path, packed):
    stack = written_raw(tmp_path / "f.h5", packed)
    with pytest.raises(InputError, match=r"damaged data: 1 frame\(s\) cannot be unpacked: 0;"):
        stack[0:1]


def test_a_sound_chunk_beside_them(tmp_path):
    values = np.arange(64, dtype="<u2")
    np.testing.assert_array_equal(written_raw(tmp_path / "f.h5", zlib.compress(values.tobytes()))[0].ravel(), values)


# --- preflight: what counts as written ------------------------------------------------------------------------


def test_frames_that_pack_very_well_are_not_refused(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    stack = np.zeros((12, 2048, 2048), np.uint16)
    stack[:, 1000:1010, 1000:1010] = 3
    replace(path, DATA, data=stack, chunks=(1, 2048, 2048), **hdf5plugin.Zstd())
    with h5py.File(path) as f:
        assert stack.nbytes > 1000 * f[DATA].id.get_storage_size()  # beyond what is refused when chunks are absent
    assert load(path).frames.shape == stack.shape


def test_absent_chunks_are_still_refused_and_cost_no_memory(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    shape = (10**11, 64, 64)  # a petabyte
    replace(path, DATA, shape, np.uint16, chunks=(1, 64, 64), compression="gzip")
    with h5py.File(path, "r+") as f:
        f[DATA][0] = 1
    with pytest.raises(InputError, match=rf"{DATA}: 100000000000 frames; expected at most 50000000"):
        load(path)
    replace(path, DATA, (10**6, 64, 64), np.uint16, chunks=(1, 64, 64), compression="gzip")
    with h5py.File(path, "r+") as f:
        f[DATA][0] = 1
    with pytest.raises(InputError, match=r"claims \(1000000, 64, 64\) uint16 = 7\.629 GiB, but only .* are stored"):
        load(path)


def test_chunks_larger_than_memory_are_refused(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    shape = (12, 10_000, 10_000)
    replace(path, DATA, shape, np.uint16, chunks=shape, compression="gzip")
    with h5py.File(path, "r+") as f:
        f[DATA].id.write_direct_chunk((0, 0, 0), zlib.compress(bytes(1000)))
    with pytest.raises(InputError, match=r"chunks \(12, 10000, 10000\) of 2\.235 GiB; expected at most 1 GiB"):
        load(path)


def test_a_packed_chunk_that_cannot_be_one_is_damage(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    with h5py.File(path, "r+") as f:
        f[DATA].id.write_direct_chunk((3, 0, 0), bytes(200_000))  # 640 bytes unpacked
    with pytest.raises(InputError, match=rf"{DATA}: cannot be read.*damaged"):
        load(path)
