"""What can go wrong with HDF5 files, hazard by hazard, and where each is tested; what no other file tests is below.

The hazards were collected by running them against the library (HDF5 1.14 and 2.0 through h5py 3). Library texts are
never matched: they change between versions.
"""

from __future__ import annotations

import ast
import errno
import os
import subprocess
import sys
from pathlib import Path

import h5py
import hdf5plugin
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, make_nexus, replace
from test_formats_links import virtual

from scans import checks, prepare
from scans.errors import InputError
from scans.formats import bitshuffle, load, opening, plugin_filters
from scans.formats.hdf5 import InputFile

CXI_DATA = "entry_1/instrument_1/detector_1/data"
BAD, LINKS, LAZY, CHUNKS = ("test_formats_bad_input", "test_formats_links", "test_formats_lazy", "test_formats_chunks")
GROWING, ABORTED, NEXUS = ("test_formats_growing", "test_formats_aborted", "test_formats_nexus")
HERE, PREPARATION = "test_formats_hazards", "test_preparation"

# Hazard: where it is tested.
TESTED = {
    # What the library says
    "missing file": [f"{BAD}::test_missing_file"],
    "a folder": [f"{BAD}::test_folder"],
    "no permission": [f"{BAD}::test_no_permission"],
    "not HDF5, or no bytes": [f"{BAD}::test_not_hdf5"],
    "truncated": [f"{BAD}::test_truncated", f"{BAD}::test_truncated_behind_a_user_block"],
    "truncated, superblock patched": [f"{BAD}::test_damaged_structure"],
    "writer died before its first flush": [f"{HERE}::test_a_writer_that_died_before_its_first_flush"],
    "writer died after a flush, old format": [f"{HERE}::test_a_writer_that_died_after_a_flush"],
    "SWMR writer alive or dead": [f"{GROWING}::test_a_writer_at_work", f"{GROWING}::test_a_writer_that_was_killed"],
    "other writer died": [f"{GROWING}::test_a_writer_without_swmr_is_an_error_with_a_remedy"],
    "locked": [f"{BAD}::test_locked_by_a_writer", f"{HERE}::test_a_disk_without_locks"],
    "filter plugin absent": [f"{BAD}::test_missing_filter_plugin_is_named"],
    "corrupt packed chunk": [
        f"{LAZY}::test_damaged_chunk_names_the_frames",
        f"{HERE}::test_a_false_sum_names_the_frame",
    ],
    "packed chunk that crashes the plugin": [f"{HERE}::test_bitshuffle_chunks_are_checked_before_they_are_unpacked"],
    "corrupt list of chunks": [f"{HERE}::test_chunks_at_impossible_places"],
    "corrupt plain data": ["test_formats_corruption::test_any_changed_value_of_a_written_file_is_noticed"],
    "external link, file missing": [f"{LINKS}::test_external_frames"],
    "link to nothing, dangling, in a circle": [f"{LINKS}::test_dangling_soft_link", f"{LINKS}::test_links_in_a_circle"],
    "raw file missing or refused": [
        f"{LINKS}::test_raw_files_only_of_trusted_files",
        f"{HERE}::test_a_missing_raw_file",
    ],
    "absurd shape": [f"{BAD}::test_claimed_shape_far_larger_than_the_file", f"{HERE}::test_absurd_companions"],
    "unsorted index list": [f"{LAZY}::test_single_frames_and_refused_keys"],
    "empty dataset": [f"{BAD}::test_what_cannot_be_frames"],
    "numbers in arrays of one": [f"{HERE}::test_numbers_in_arrays_of_one"],
    "Latin-1 text": ["test_formats_units::test_a_unit_written_as_latin_1_by_a_file"],
    # What it does not say
    "virtual source missing or renamed": [f"{LINKS}::test_virtual_frames"],
    "virtual source unreadable": [f"{HERE}::test_an_unreadable_source"],
    "virtual data opened for writing": [f"{HERE}::test_files_are_opened_for_reading_only"],
    "virtual source shorter than mapped": [f"{HERE}::test_a_source_shorter_than_mapped"],
    "virtual source of another type": [f"{HERE}::test_a_source_of_a_wider_type"],
    "sources in the current folder": [
        f"{LINKS}::test_virtual_frames",
        f"{LINKS}::test_a_master_reached_by_a_link_finds_its_sources_beside_itself",
    ],
    "dangling links that look present": [f"{NEXUS}::test_a_broken_link_beside_the_frames_is_noted"],
    "resized but unwritten rows": [f"{GROWING}::test_frames_that_share_a_chunk_wait_for_the_next"],
    "room made ahead": [
        f"{ABORTED}::test_room_made_ahead_for_frames_and_positions",
        f"{BAD}::test_frames_never_written_at_the_end",
    ],
    "unsigned arithmetic": [
        f"{HERE}::test_dark_counts_above_the_signal",
        f"{PREPARATION}::test_marks_in_all_frames_make_a_plain_mask",
    ],
    "big-endian numbers": [f"{LAZY}::test_frames_come_in_native_byte_order"],
    "one position far from all others": [f"{HERE}::test_positions_far_from_all_others"],
    # What every input passes
    "links and sources located first": [f"{LINKS}::test_virtual_frames", f"{LINKS}::test_no_way_out_unless_followed"],
    "filters known first": [f"{BAD}::test_missing_filter_plugin_is_named", f"{BAD}::test_plugin_compression_is_read"],
    "sane shapes": [f"{BAD}::test_what_cannot_be_frames", f"{CHUNKS}::test_chunks_larger_than_memory_are_refused"],
    "written frames": [f"{BAD}::test_frames_never_written_in_a_grid", f"{BAD}::test_dark_frames_at_the_end_are_noted"],
    "frames, positions and monitor counted": [f"{BAD}::test_positions_and_frames_of_different_number"],
    "types of frames": [
        f"{BAD}::test_variable_length_frames_are_refused",
        f"{PREPARATION}::test_values_that_are_not_finite_are_masked_and_counted",
        f"{PREPARATION}::test_negative_counts_are_kept",
        f"{HERE}::test_counts_beyond_float32",
    ],
    "saturation": [
        f"{PREPARATION}::test_saturation_is_masked_frame_by_frame",
        f"{NEXUS}::test_the_lowest_limit_is_used",
    ],
}


@pytest.mark.parametrize("hazard", TESTED)
def test_every_hazard_has_its_tests(hazard):
    assert TESTED[hazard]
    for place in TESTED[hazard]:
        module, name = place.split("::")
        tree = ast.parse(Path(__file__).with_name(f"{module}.py").read_text())
        assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}, place


@pytest.fixture
def cxi(tmp_path):
    return make_cxi(tmp_path / "run.cxi")


# --- writers that died

WRITER = """
import h5py, numpy as np, os, sys
f = h5py.File(sys.argv[1], "a", libver="earliest")
data = f["entry_1/instrument_1/detector_1"].create_dataset(
    "data", (0, 16, 20), "u2", maxshape=(None, 16, 20), chunks=(1, 16, 20))
f.flush()
for j in range(12):
    data.resize(j + 1, axis=0)
    data[j] = j + 1
    if j == 4:
        f.flush()
os._exit(1)  # killed: nothing more is written
"""


def test_a_writer_that_died_after_a_flush(cxi):
    """The file opens without complaint and holds the flushed frames only: silence here would lose seven."""
    with h5py.File(cxi, "r+") as f:
        del f[CXI_DATA]
    assert subprocess.run([sys.executable, "-c", WRITER, str(cxi)], check=False).returncode == 1
    scan = None
    try:
        scan = load(cxi)
    except InputError as exc:
        assert "5 frames" in str(exc) and "12 positions" in str(exc)  # noqa: PT017, PT018
    if scan is not None:
        assert scan.n_frames == 5
        assert any("5 of 5 frames, 12 positions" in n.value and n.guess for n in scan.notes)


def test_a_writer_that_died_before_its_first_flush(tmp_path):
    path = tmp_path / "run.h5"
    with h5py.File(path, "w") as f:
        f["d"] = frames()
    path.write_bytes(path.read_bytes()[:96])
    with pytest.raises(InputError, match=r"run\.h5: truncated: holds 96 bytes of the \d+ that its header claims"):
        load(path)


def test_a_disk_without_locks(cxi, monkeypatch):
    """Network disks answer so (reported for NFS); nobody can hold a lock there."""
    plain = h5py.File

    def file(*args, locking=True, **kwargs):
        if locking:
            raise OSError(errno.ENOLCK, "No locks available")
        return plain(*args, locking=False, **kwargs)

    monkeypatch.setattr(opening.h5py, "File", file)
    with opening.open_file(cxi) as opened:
        assert CXI_DATA in opened


# --- packed data


def test_a_false_sum_names_the_frame(cxi):
    replace(cxi, CXI_DATA, data=frames(), chunks=(1, HEIGHT, WIDTH), fletcher32=True)
    with h5py.File(cxi) as f:
        place = f[CXI_DATA].id.get_chunk_info(3)
    with open(cxi, "r+b") as stream:
        stream.seek(place.byte_offset + 100)
        stream.write(b"\xff")
    scan = load(cxi)
    np.testing.assert_array_equal(scan.frames[0:3], frames()[0:3])
    with pytest.raises(InputError, match=r"damaged data: 1 frame\(s\) cannot be unpacked: 3;"):
        scan.frames[2:5]


def test_chunks_at_impossible_places(cxi):
    """The key of a chunk in the list (HDF5 file format, III.A.1): size, mask, place in the dataset."""
    raw = bytearray(cxi.read_bytes())
    with h5py.File(cxi) as f:
        place = f[CXI_DATA].id.get_chunk_info(5)
    key = place.size.to_bytes(4, "little") + bytes(4) + (5).to_bytes(8, "little")
    assert raw.count(key) == 1
    at = raw.find(key) + 8
    raw[at : at + 8] = (4).to_bytes(8, "little")  # then frame 5 would read as zeros
    cxi.write_bytes(raw)
    with pytest.raises(InputError, match=rf"{CXI_DATA}: cannot be read.*damaged there"):
        load(cxi)


@pytest.mark.parametrize("name", ["lz4", "zstd"])
@pytest.mark.parametrize("shape", [(8, 64, 64), (2, 61, 67), (3, 8, 9)])
def test_bitshuffle_chunks_are_checked_before_they_are_unpacked(tmp_path, rng, name, shape):
    """What the plugin's own packer writes passes; a length beyond the chunk, which would crash it, does not."""
    path = tmp_path / "run.h5"
    values = rng.poisson(3, shape).astype(np.uint16)
    with h5py.File(path, "w") as f:
        f.create_dataset("d", data=values, chunks=(1, *shape[1:]), **hdf5plugin.Bitshuffle(cname=name))
        layout = h5py.VirtualLayout(shape, np.uint16)
        layout[...] = h5py.VirtualSource(".", "d", shape)
        f.create_virtual_dataset("v", layout)
    with h5py.File(path) as f:
        bitshuffle.check_packed(f["d"])
        bitshuffle.check_packed(f["v"], tuple(slice(0, n) for n in shape))
        place = f["d"].id.get_chunk_info(1)
    raw = path.read_bytes()
    for at, value in ((0, 1), (11, 1), (12, 0x7F), (13, 0xFF)):
        bad = bytearray(raw)
        bad[place.byte_offset + at] ^= value
        path.write_bytes(bad)
        with h5py.File(path) as f:
            bitshuffle.check_packed(f["d"], (slice(0, 1), *(slice(0, n) for n in shape[1:])))
            with pytest.raises(OSError, match="damaged"):
                bitshuffle.check_packed(f["d"])
            with pytest.raises(OSError, match="damaged"):
                bitshuffle.check_packed(f["v"], tuple(slice(0, n) for n in shape))


def test_lengths_of_blocks_by_hand():
    """Two blocks of 16 bytes and two values more: 12 + (4 + 3) + (4 + 2) + 2 bytes."""
    head = (34).to_bytes(8, "big") + (16).to_bytes(4, "big")
    raw = head + (3).to_bytes(4, "big") + b"abc" + (2).to_bytes(4, "big") + b"de" + b"xy"
    assert plugin_filters.blocks_fit(raw, 34, 1)
    assert not plugin_filters.blocks_fit(raw, 34, 4)  # blocks are a multiple of eight values
    assert not plugin_filters.blocks_fit(raw, 35, 1)
    assert not plugin_filters.blocks_fit(raw[:-1], 34, 1)
    assert not plugin_filters.blocks_fit(raw[:11], 34, 1)


# --- virtual and raw data


def test_an_unreadable_source(cxi, monkeypatch):
    virtual(cxi, CXI_DATA, [("a.h5", "d", N_FRAMES)])
    with h5py.File(cxi.with_name("a.h5"), "w") as f:
        f["d"] = frames()
    scan = load(cxi)
    may = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: not str(path).endswith("a.h5") and may(path, mode))
    with pytest.raises(InputError, match=r"the source file .*a\.h5 has gone.*these frames would read as zeros"):
        scan.frames[0:2]


def test_files_are_opened_for_reading_only(cxi):
    """Opened for writing, virtual data over a read-only source are zeros."""
    with InputFile(cxi) as file:
        assert file.root.mode == "r"


def test_a_source_shorter_than_mapped(cxi):
    virtual(cxi, CXI_DATA, [("a.h5", "d", N_FRAMES)])
    with h5py.File(cxi.with_name("a.h5"), "w") as f:
        f["d"] = frames()[:7]
    with pytest.raises(InputError, match="data"):
        load(cxi).frames[0:N_FRAMES]


def test_a_source_of_a_wider_type(cxi):
    """The library clips values out of range: 70 000 would be read as 65 535."""
    virtual(cxi, CXI_DATA, [("a.h5", "d", N_FRAMES)])
    with h5py.File(cxi.with_name("a.h5"), "w") as f:
        f["d"] = frames().astype(np.uint32) + 70_000
    with pytest.raises(InputError, match=rf"{CXI_DATA}: its source a\.h5::d holds uint32, which uint16 cannot hold"):
        load(cxi)


def test_a_missing_raw_file(cxi, tmp_path):
    replace(cxi, CXI_DATA, frames().shape, np.uint16, external=[(str(tmp_path / "gone.bin"), 0, frames().nbytes)])
    with pytest.raises(InputError, match=r"points to .*gone\.bin, which is missing"):
        load(cxi, follow_external=True)


# --- numbers


def test_absurd_companions(cxi):
    for name in ("entry_1/sample_1/geometry_1/translation", "entry_1/instrument_1/detector_1/mask"):
        make_cxi(cxi)
        with h5py.File(cxi, "r+") as f:
            if name in f:
                del f[name]
            f.create_dataset(name, (10**9, 10**6), "f8", chunks=(1, 1000))
        with pytest.raises(InputError, match=r"claims 7\.\d+ PiB, holds 0 bytes"):
            load(cxi)


@pytest.mark.parametrize("shape", [(1,), (1, 1)])
def test_numbers_in_arrays_of_one(tmp_path, shape):
    sound = load(make_nexus(tmp_path / "sound.nxs"))
    path = make_nexus(tmp_path / "run.nxs")
    with h5py.File(path, "r+") as f:
        for name in ("camera/distance", "camera/x_pixel_size", "light/incident_energy"):
            node = f[f"scan 7/endstation/{name}"]
            value, unit = node[()], node.attrs["units"]
            replaced = node.parent, name.rsplit("/", 1)[-1]
            del replaced[0][replaced[1]]
            replaced[0][replaced[1]] = np.full(shape, value)
            replaced[0][replaced[1]].attrs["units"] = unit
    assert load(path).geometry == sound.geometry


def test_dark_counts_above_the_signal(cxi):
    """In unsigned numbers 3 - 5 = 65534: the smallest value shows whether they were subtracted as such."""
    rng = np.random.default_rng(3)
    counts = rng.poisson(40, (N_FRAMES, HEIGHT, WIDTH)).astype(np.uint16)
    make_cxi(cxi, counts)
    with h5py.File(cxi, "r+") as f:
        f["entry_1/instrument_1/detector_1/data_dark"] = rng.poisson(38, (9, HEIGHT, WIDTH)).astype(np.uint16)
    ready = prepare(load(cxi, counts_per_photon=1.0))
    assert ready.counts.max() < 100
    assert ready.counts.min() < 0


def test_counts_beyond_float32(cxi):
    """1e300 is finite as stored and infinite in float32: masked, and counted."""
    counts = frames().astype(np.float64)
    counts[4, 5, 6] = 1e300
    make_cxi(cxi, counts)
    ready = prepare(load(cxi))
    assert np.isfinite(ready.counts).all()
    assert any("1 pixels not finite, in 1 frames" in step for step in ready.steps)


def test_impossible_gain(cxi):
    with h5py.File(cxi, "r+") as f:
        f["entry_1/instrument_1/detector_1/counts_per_photon"] = 1e300
    with pytest.raises(InputError, match=r"1e\+300 counts per photon.*-s scan\.counts_per_photon"):
        load(cxi)


def test_positions_far_from_all_others(rng):
    """An encoder that dropped to zero; even scans have no such point, whatever their shape."""
    square = rng.uniform(0, 1e-5, (400, 2)) + 5e-3
    line = np.stack([np.zeros(50), np.arange(50.0)], axis=1) * 1e-7
    angle = np.sqrt(np.arange(500.0))
    spiral = np.stack([angle * np.cos(angle), angle * np.sin(angle)], axis=1) * 1e-7
    for positions in (square, line, spiral, np.zeros((5, 2)), np.zeros((1, 2))):
        assert checks.far_positions(positions) == []
    square[17] = 0.0
    (finding,) = checks.far_positions(square)
    assert finding.level == "serious"
    assert "1 of 400 positions" in finding.text
    assert "(row 17)" in finding.text
