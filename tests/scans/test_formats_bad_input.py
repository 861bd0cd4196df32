"""Every broken file gives one message with file, dataset, what is wrong and what to do."""

from __future__ import annotations

import fcntl
import os
import re
import shutil

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, make_nexus, positions_um, put, replace

import scans.formats.hdf5
from scans.errors import InputError
from scans.formats import load

CXI_DATA = "entry_1/instrument_1/detector_1/data"
NEXUS_DATA = "scan 7/endstation/camera/data"
CASES = [(make_cxi, CXI_DATA), (make_nexus, NEXUS_DATA)]
both = pytest.mark.parametrize(("make", "data"), CASES, ids=["cxi", "nexus"])


@pytest.fixture
def cxi(tmp_path):
    return make_cxi(tmp_path / "run.cxi")


# --- the file as a whole


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match=r"run17\.h5: no such file.*Check the name; the folder looked in is /"):
        load(tmp_path / "run17.h5")


def test_folder(tmp_path):
    with pytest.raises(
        InputError, match=rf"{tmp_path}: nothing that can be read.*Name the folder that holds the frames"
    ):
        load(tmp_path)


def test_no_permission(cxi, monkeypatch):
    def refuse(*args, **kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(scans.formats.hdf5.h5py, "File", refuse)  # tests may run as root, who may read all
    with pytest.raises(InputError, match=r"run\.cxi: no permission to read it.*Ask its owner"):
        load(cxi)


@pytest.mark.parametrize("content", [b"", b"not HDF5\n" * 1000, b"\x89HDF\r\n\x1a"])
def test_not_hdf5(tmp_path, content):
    path = tmp_path / "run.cxi"
    path.write_bytes(content)
    with pytest.raises(InputError, match=rf"run\.cxi: not an HDF5 file \({len(content)} bytes.*Convert the scan"):
        load(path)


@pytest.mark.parametrize("cut", [0.5, -100, 60, 8])
@pytest.mark.parametrize("libver", ["earliest", "latest"])
def test_truncated(tmp_path, cut, libver):
    path = tmp_path / "run.cxi"
    with h5py.File(path, "w", libver=libver) as f:
        f[CXI_DATA] = frames()
    size = path.stat().st_size
    os.truncate(path, int(size * cut) if cut == 0.5 else cut % size)
    with pytest.raises(InputError, match=r"run\.cxi: truncated: holds \d+ bytes.*Copy the file again"):
        load(path)


def test_truncated_behind_a_user_block(tmp_path):
    path = tmp_path / "run.cxi"
    with h5py.File(path, "w", userblock_size=1024) as f:
        f[CXI_DATA] = frames()
    os.truncate(path, path.stat().st_size - 10)
    with pytest.raises(InputError, match=r"truncated: holds \d+ bytes of the \d+"):
        load(path)


def test_user_block_is_no_obstacle(tmp_path):
    path = make_cxi(tmp_path / "plain.cxi")
    with h5py.File(path) as old, h5py.File(tmp_path / "run.cxi", "w", userblock_size=512) as new:
        old.copy("entry_1", new)
    assert load(tmp_path / "run.cxi").n_frames == N_FRAMES


def test_locked_by_a_writer(cxi):
    with open(cxi, "rb") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)  # what HDF5 itself takes while it writes
        with pytest.raises(InputError, match=r"run\.cxi: locked: another program has it open.*Wait until the scan"):
            load(cxi)


def test_left_open_by_its_writer(tmp_path):
    with h5py.File(tmp_path / "live.h5", "w", libver="latest") as f:
        f[CXI_DATA] = frames()
        f.flush()
        shutil.copy(tmp_path / "live.h5", tmp_path / "run.h5")  # as if the writer had died here
    with pytest.raises(InputError, match=r"run\.h5: marked as still open for writing.*h5clear -s' on a COPY"):
        load(tmp_path / "run.h5")


def test_damaged_structure(cxi):
    # a header that lies about the size of a file cut short: it opens, and fails when it is looked into
    size = cxi.stat().st_size
    raw = bytearray(cxi.read_bytes()[: size // 2])
    raw[40:48] = (size // 2).to_bytes(8, "little")  # end-of-file address of a version 0 superblock
    cxi.write_bytes(raw)
    with pytest.raises(InputError, match=r"run\.cxi.*: cannot be read.*Copy the file again"):
        load(cxi)


def test_unknown_layout_lists_the_datasets(tmp_path):
    with h5py.File(tmp_path / "own.h5", "w") as f:
        f["raw/ccd_stack"] = frames()
        f["raw/stage_um"] = positions_um()
    with pytest.raises(
        InputError,
        match=r"own\.h5: no known layout; it holds /raw/ccd_stack \(12, 16, 20\) uint16; /raw/.*"
        r"Run 'halfbit inspect .*own\.h5', which proposes a mapping",
    ):
        load(tmp_path / "own.h5")


# --- frames


@both
def test_all_frames_dark(tmp_path, make, data):
    path = make(tmp_path / "run.h5", np.zeros((N_FRAMES, HEIGHT, WIDTH), np.uint16))
    with pytest.raises(InputError, match=r"/data: all 12 frames are dark.*Check the shutter"):
        load(path)


def test_fill_value_of_a_detector_is_no_light(tmp_path):
    path = make_cxi(tmp_path / "run.h5", np.full((N_FRAMES, HEIGHT, WIDTH), 65535, np.uint16))
    with pytest.raises(InputError, match="all 12 frames are dark"):
        load(path)


def test_a_single_lit_frame_among_many_is_found(tmp_path):
    data = np.zeros((100, 8, 8), np.uint16)
    data[37, 3, 4] = 1
    assert load(make_cxi(tmp_path / "run.h5", data)).n_frames == 100


@both
def test_claimed_shape_far_larger_than_the_file(tmp_path, make, data):
    path = make(tmp_path / "run.h5")
    shape, chunks = (10**6, 4096, 4096), (1, 4096, 4096)
    replace(path, data, shape, np.uint16, chunks=chunks, compression="gzip")
    with pytest.raises(InputError, match=rf"{data}: claims .* = 30\.5\d TiB, but nothing was written.*copy it again"):
        load(path)
    with h5py.File(path, "r+") as f:
        f[data].id.write_direct_chunk((0, 0, 0), b"\0" * 100)
    with pytest.raises(InputError, match=r"30\.5\d TiB, but only 100 bytes are stored"):
        load(path)


@both
def test_frames_never_written_at_the_end(tmp_path, make, data):
    path = make(tmp_path / "run.h5")
    replace(path, data, (N_FRAMES, HEIGHT, WIDTH), np.uint16, chunks=(1, HEIGHT, WIDTH))
    with h5py.File(path, "r+") as f:
        for j in (0, 1, 3, 4, 5, 6):
            f[data][j] = 7
    # one position a frame of the stack, and the tail never written: the order proves which belong together
    told = load(path)
    (note,) = [n for n in told.notes if n.what == "aborted scan"]
    assert note.guess
    assert "7" in note.value + note.why
    assert "12" in note.value + note.why
    asked = load(path, n_frames=7)
    for scan in (told, asked):
        assert scan.frames.shape == (7, HEIGHT, WIDTH)
        assert len(scan.positions_m) == 7
    scan = asked
    assert next(n for n in scan.notes if n.what == "frames never written").value == "2 to 2"


def test_frames_never_written_in_a_grid(tmp_path):
    path = make_nexus(tmp_path / "run.h5")
    replace(path, NEXUS_DATA, (3, 4, HEIGHT, WIDTH), np.uint16, chunks=(1, 2, HEIGHT, WIDTH))
    with h5py.File(path, "r+") as f:
        f[NEXUS_DATA][:2] = 7
        f[NEXUS_DATA][2, :2] = 7
    scan = load(path)
    assert scan.frames.shape == (10, HEIGHT, WIDTH)
    assert "aborted scan" in [n.what for n in scan.guesses]


def test_dark_frames_at_the_end_are_noted(tmp_path):
    data = frames()
    data[-3:] = 0
    scan = load(make_cxi(tmp_path / "run.h5", data))
    (note,) = [n for n in scan.guesses if n.what == "aborted scan"]
    assert len(scan.frames[0:99]) == len(scan.positions_m) == N_FRAMES - 3
    assert str(N_FRAMES) in note.value + note.why


@pytest.mark.parametrize(
    ("values", "found"),
    [
        (np.array([b"a", b"b"] * 400).reshape(-1, 10, 10), "values of type"),
        (np.zeros((3, 10, 10), np.complex64), "values of type complex64"),
        (np.zeros((3, 10, 10), [("real", "f4"), ("imag", "f4")]), "values of type"),
        (np.ones((10, 10)), r"shape \(10, 10\), a single frame"),
        (np.ones((0, 10, 10)), r"shape \(0, 10, 10\)"),
        (np.ones((3, 4, 10)), "frames of 4 x 10 pixels"),
        (np.ones((2, 2, 3, 8, 8)), r"shape \(2, 2, 3, 8, 8\)"),
        (h5py.Empty("f4"), "an empty"),
    ],
)
def test_what_cannot_be_frames(cxi, values, found):
    replace(cxi, CXI_DATA, data=values)
    with pytest.raises(InputError, match=rf"{CXI_DATA}: {found}.*[Nn]ame"):
        load(f"{cxi}::{CXI_DATA}")


def test_variable_length_frames_are_refused(cxi):
    replace(cxi, CXI_DATA, (12, 10, 10), h5py.vlen_dtype(np.uint16))
    with pytest.raises(InputError, match=rf"{CXI_DATA}: values of type object"):
        load(cxi)


def test_missing_filter_plugin_is_named(cxi):
    plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    plist.set_chunk((1, HEIGHT, WIDTH))
    plist.set_filter(32099, h5py.h5z.FLAG_OPTIONAL, ())  # a number that nobody has registered
    with h5py.File(cxi, "r+") as f:
        del f[CXI_DATA]
        space = h5py.h5s.create_simple((N_FRAMES, HEIGHT, WIDTH))
        made = h5py.h5d.create(f.id, CXI_DATA.encode(), h5py.h5t.NATIVE_UINT16, space, plist)
        for j in range(N_FRAMES):
            made.write_direct_chunk((j, 0, 0), frames()[j].tobytes())
    with pytest.raises(InputError, match=rf"{CXI_DATA}: compressed with filter 32099.*Upgrade hdf5plugin"):
        load(cxi)


def test_plugin_compression_is_read(cxi):
    import hdf5plugin

    replace(cxi, CXI_DATA, data=frames(), chunks=(1, HEIGHT, WIDTH), **hdf5plugin.Bitshuffle(cname="lz4"))
    np.testing.assert_array_equal(load(cxi).frames[2:5], frames()[2:5])


# --- positions and geometry


def test_positions_and_frames_of_different_number(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    replace(
        path,
        "entry_1/sample_1/geometry_1/translation",
        data=np.zeros((10, 3)) + np.arange(10)[:, None] * 1e-6,
    )
    with pytest.raises(
        InputError, match=r"translation: 12 frames in /entry_1/data_1/data but 10 positions.*n_frames=10"
    ):
        load(path)
    assert load(path, n_frames=10).n_frames == 10
    path = make_nexus(tmp_path / "run.nxs")
    with h5py.File(path, "r+") as f:
        for axis, values in zip("yx", positions_um(13).T, strict=True):
            put(f["scan 7/picture"], axis, values, "um")
    with pytest.raises(InputError, match=r"picture/y .*: 12 frames in .* but 13 positions.*n_frames=12"):
        load(path)


@both
def test_positions_that_are_not_finite(tmp_path, make, data):
    path = make(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        where = "entry_1/sample_1/geometry_1/translation" if make is make_cxi else "scan 7/picture/x"
        f[where][4] = np.nan
    with pytest.raises(
        InputError, match=rf"run\.h5::/{where[:10]}.*: 1 of 12 positions are not finite, the first at frame 4"
    ):
        load(path)


@both
def test_equal_positions(tmp_path, make, data):
    path = make(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        if make is make_cxi:
            f["entry_1/sample_1/geometry_1/translation"][...] = 1e-6
        else:
            f["scan 7/picture/x"][...] = f["scan 7/picture/y"][...] = 1.0
    with pytest.raises(InputError, match=r"positions span 0 m.*All positions are equal"):
        load(path)


@pytest.mark.parametrize(("name", "option"), [("distance", "distance_m"), ("x_pixel_size", "pixel_size_m")])
def test_implausible_lengths_name_the_option(cxi, name, option):
    with h5py.File(cxi, "r+") as f:
        del f["entry_1/instrument_1/detector_1/basis_vectors"]
        put(f["entry_1/instrument_1/detector_1"], name, 4e5, None)
    with pytest.raises(InputError, match=rf"detector_1/{name}: .* 400000 m; expected .*-s scan\.{option}="):
        load(cxi)


def test_one_problem_reads_like_any_other_error(cxi):
    with h5py.File(cxi, "r+") as f:
        del f["entry_1/instrument_1/source_1/energy"]
    with pytest.raises(InputError) as error:
        load(cxi)
    assert re.match(rf"{cxi}::/entry_1: no photon energy; expected instrument_1/source_1/energy\. ", str(error.value))


@both
def test_names_that_are_no_text_are_passed_over(tmp_path, make, data):
    path = make(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        for place in (f, f[data].parent):
            place[b"\xb5-stage"] = 1.0  # Latin-1, not UTF-8
    assert load(path).n_frames == N_FRAMES
