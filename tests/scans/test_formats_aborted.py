"""Scans whose frames and positions are not as many: what order or keys prove is used, anything else is asked.

The truth is in the files themselves: every frame of `formats_files.frames` is different, so a frame shows its number.
"""

from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, group, make_cxi, make_nexus, positions_um, put, replace

from scans.errors import InputError
from scans.formats import load
from scans.formats.aborted import alternating, end_of_light, repeated, rows_filled_in
from scans.formats.selection import SelectedFrames, select

ENTRY = "scan 7"
PICTURE = f"{ENTRY}/picture"
DETECTOR = f"{ENTRY}/endstation/camera"
DATA = f"{DETECTOR}/data"
CXI_DATA = "entry_1/instrument_1/detector_1/data"
TRANSLATION = "entry_1/sample_1/geometry_1/translation"


def note(scan, what="aborted scan"):
    return next(n for n in scan.notes if n.what == what)


def put_positions(path, values_um):
    with h5py.File(path, "r+") as f:
        for axis, values in zip("yx", np.asarray(values_um).T, strict=True):
            put(f[PICTURE], axis, values, "um")


def check(scan, numbers, rows=None):
    """Frames with these numbers, at the positions of these rows (the same by default)."""
    numbers = np.asarray(numbers)
    rows = numbers if rows is None else np.asarray(rows)
    all_frames, where = frames(64), positions_um(64)
    np.testing.assert_array_equal(scan.frames[0 : scan.n_frames], all_frames[numbers])
    np.testing.assert_allclose(scan.positions_m, where[rows] * 1e-6, rtol=1e-12)
    index = np.arange(scan.n_frames) if scan.index_in_file is None else scan.index_in_file
    np.testing.assert_array_equal(index, numbers)


@pytest.fixture
def nexus(tmp_path):
    return make_nexus(tmp_path / "run.nxs")


# --- order that proves it


@pytest.mark.parametrize("how", ["never written", "zeros", "fill value"])
def test_room_made_ahead_for_frames_and_positions(tmp_path, how):
    path = make_cxi(tmp_path / "run.cxi")
    fill = 65535 if how == "fill value" else 0
    with h5py.File(path, "r+") as f:
        del f[CXI_DATA]
        chunks = (1, HEIGHT, WIDTH) if how == "never written" else None
        f.create_dataset(CXI_DATA, (N_FRAMES, HEIGHT, WIDTH), np.uint16, chunks=chunks, fillvalue=fill)
        f[CXI_DATA][:7] = frames()[:7]
        f["entry_1/instrument_1/detector_1/monitor"] = np.arange(12.0) + 1
    scan = load(path)
    check(scan, range(7))
    np.testing.assert_array_equal(scan.monitor, np.arange(7) + 1.0)
    text = note(scan)
    assert text.guess
    assert text.value == "7 of 12 frames, 12 positions"
    assert "7 of 12 frames are used (12 positions): frames 7 to 11" in text.why


def test_room_for_frames_only(nexus):
    replace(nexus, DATA, (N_FRAMES, HEIGHT, WIDTH), np.uint16, chunks=(1, HEIGHT, WIDTH))
    with h5py.File(nexus, "r+") as f:
        f[DATA][:7] = frames()[:7]
    put_positions(nexus, positions_um(7))
    scan = load(nexus)
    check(scan, range(7))
    assert "12 frames and 7 positions: the first 7 of both are used" in note(scan).why
    put_positions(nexus, positions_um(8))  # 7 frames for 8 positions prove nothing
    with pytest.raises(InputError, match=r"(?s)12 frames in .* but 8 positions.*n_frames=8.*frames 7 to 11"):
        load(nexus)


@pytest.mark.parametrize("fill", ["nan", "zero", "held", "parked"])
def test_positions_written_ahead(tmp_path, fill):
    path = make_nexus(tmp_path / "run.nxs", frames(7))
    values = positions_um(20)
    values[7:] = {"nan": np.nan, "zero": 0.0, "held": values[6], "parked": (5000.0, 100.0)}[fill]
    put_positions(path, values)
    scan = load(path)
    check(scan, range(7))
    assert "7 frames and 20 positions: the first 7 of both are used" in note(scan).why
    assert "positions 7 to 19 were written ahead" in note(scan).why
    put_positions(path, np.concatenate([positions_um(9), values[9:]]))
    with pytest.raises(InputError, match=r"7 frames in .* but 20 positions"):
        load(path)


def test_positions_that_stop_before_the_frames(nexus):
    values = positions_um()
    values[9:] = np.nan
    put_positions(nexus, values)
    scan = load(nexus)
    check(scan, range(9))
    assert "positions 9 to 11 were never filled in" in note(scan).why


def test_weak_frames_at_the_end_may_be_empty_by_chance(tmp_path):
    data = np.zeros((40, 8, 8), np.uint16)
    data[::3, 2, 2] = 1
    data[20:] = 0
    scan = load(make_cxi(tmp_path / "run.cxi", data))
    assert scan.n_frames == 40


def test_how_many_rows_were_filled_in():
    rows = positions_um(6)
    assert rows_filled_in(rows) == (6,)
    assert rows_filled_in(np.concatenate([rows, rows[-1:]])) == (7,)  # the last position twice
    assert rows_filled_in(np.concatenate([rows, rows[[-1, -1]]])) == (5, 6)  # three times: fill from 5 or 6 on
    assert rows_filled_in(np.concatenate([rows, np.zeros((1, 2))])) == (7,)  # one (0, 0) is a position
    assert rows_filled_in(np.concatenate([rows, np.zeros((2, 2))])) == (6,)
    assert rows_filled_in(np.concatenate([rows, np.full((1, 2), np.nan)])) == (6,)
    assert rows_filled_in(np.full((3, 2), np.nan)) == (0,)


def test_one_position_too_many_proves_nothing(nexus):
    put_positions(nexus, positions_um(13))
    expected = (
        r"12 frames in .* but 13 positions, and nothing in the file says which belong together; expected one "
        r"position for every frame.*frame number k was taken at position number k, -s scan\.n_frames=12.*dropped"
    )
    with pytest.raises(InputError, match=expected):
        load(nexus)
    check(load(nexus, n_frames=12), range(12))
    with pytest.raises(InputError, match=r"n_frames: 13; expected at most the 12 frames"):
        load(nexus, n_frames=13)


def test_a_grid_of_positions_with_fewer_frames_asks(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", frames(10))
    with h5py.File(path, "r+") as f:
        for axis, values in zip("yx", positions_um(12).T, strict=True):
            put(f[PICTURE], axis, values.reshape(3, 4), "um")
    with pytest.raises(InputError, match=r"10 frames in .* but 12 positions.*n_frames=10"):
        load(path)


# --- keys that prove it


@pytest.mark.parametrize("name", ["uniqueKeys", "NDArrayUniqueId", "sequence_number", "frame_number"])
def test_dropped_frames_are_found_by_their_numbers(tmp_path, name):
    kept = np.array([0, 1, 2, 4, 5, 8, 9, 10])
    path = make_nexus(tmp_path / "run.nxs", frames(12)[kept])
    put_positions(path, positions_um(12))
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], name, 101 + kept, None)
        put(f[PICTURE], name, 101 + np.arange(12), None)
        put(group(f[ENTRY], "control", "NXmonitor"), "data", 1.0 + np.arange(12), None)
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[0:8], frames(12)[kept])
    np.testing.assert_allclose(scan.positions_m, positions_um(12)[kept] * 1e-6, rtol=1e-12)
    np.testing.assert_array_equal(scan.monitor, 1.0 + kept)  # one for each position: the same rows
    why = note(scan).why
    assert "8 frames and 12 positions: 8 pairs found by" in why
    assert why.count(name) == 2
    assert "0 frames and 4 positions without a partner are left out" in why


def test_frames_without_a_position_are_left_out_by_their_numbers(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", frames(12))
    kept = np.array([0, 1, 3, 4, 5, 6, 7, 9, 11])
    put_positions(path, positions_um(12)[kept][::-1])
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "frame_number", np.arange(12), None)
        put(f[PICTURE], "frame_number", kept[::-1], None)
    scan = load(path)
    check(scan, kept)


def test_numbers_that_start_differently_prove_nothing(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", frames(10))
    put_positions(path, positions_um(12))
    with h5py.File(path, "r+") as f:  # frames counted from 1, positions from 0
        put(f[DETECTOR], "NDArrayUniqueId", 1 + np.arange(10), None)
        put(f[PICTURE], "sequence_number", np.arange(12), None)
    with pytest.raises(InputError, match=r"10 frames in .* but 12 positions"):
        load(path)


def test_numbers_that_repeat_prove_nothing(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", frames(10))
    put_positions(path, positions_um(12))
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "frame_number", np.arange(10) // 2, None)
        put(f[PICTURE], "frame_number", np.arange(12), None)
    with pytest.raises(InputError, match=r"10 frames in .* but 12 positions"):
        load(path)


def test_times_of_frames_and_positions_pair_them(tmp_path):
    kept = np.array([0, 1, 2, 3, 5, 6, 7, 8, 10, 11])
    path = make_nexus(tmp_path / "run.nxs", frames(12)[kept])
    put_positions(path, positions_um(12))
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "timestamp", 0.1 * kept + 0.004, "s")
        put(f[PICTURE], "time", 100.0 * np.arange(12), "ms")
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[0:10], frames(12)[kept])
    np.testing.assert_allclose(scan.positions_m, positions_um(12)[kept] * 1e-6, rtol=1e-12)
    assert "10 pairs found by" in note(scan).why


# --- several exposures of each position


def test_interleaved_exposures_share_their_position(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", frames(24))
    times = np.tile([0.02, 0.5], 12)
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "count_time", times, "s")
    put_positions(path, positions_um(12))
    scan = load(path)
    check(scan, range(24), np.repeat(np.arange(12), 2))
    np.testing.assert_array_equal(scan.exposures_s, times)
    assert "24 frames for 12 positions: 2 exposures of each, one after the other" in note(scan, "several exposures").why


def test_a_scan_repeated_with_another_exposure(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", frames(24))
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "count_time", np.repeat([20.0, 500.0], 12), "ms")
    put_positions(path, positions_um(12))
    scan = load(path)
    check(scan, range(24), np.tile(np.arange(12), 2))
    np.testing.assert_allclose(scan.exposures_s, np.repeat([0.02, 0.5], 12))


def test_exposures_without_a_record_are_asked_for_with_what_the_totals_say(tmp_path):
    counts = np.array([100, 2500] * 12)[:, None, None] * np.ones((24, 16, 20))
    path = make_nexus(tmp_path / "run.nxs", counts.astype(np.uint16))
    put_positions(path, positions_um(12))
    question = r"every position was exposed 2 times \(the totals alternate by a factor of 25, which looks like it\)"
    with pytest.raises(InputError, match=rf"24 frames in .* but 12 positions.*{question}.*frames_per_position=2"):
        load(path)
    told = load(path, frames_per_position=2)
    np.testing.assert_allclose(told.positions_m, np.repeat(positions_um(12), 2, axis=0) * 1e-6, rtol=1e-12)
    with pytest.raises(InputError, match=r"24 frames for 12 positions; expected 36 frames with .*per_position=3"):
        load(path, frames_per_position=3)


def test_equal_totals_do_not_look_like_exposures(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", np.full((24, 16, 20), 100, np.uint16))
    put_positions(path, positions_um(12))
    with pytest.raises(InputError, match=r"If every position was exposed 2 times, give") as error:
        load(path)
    assert "alternate" not in str(error.value)


def test_patterns_of_exposures_by_hand():
    short, long = 0.02, 0.5
    assert alternating(np.array([short, long] * 3), 3) == (2, True)
    assert alternating(np.array([long, short, short] * 4), 4) == (3, True)
    assert alternating(np.array([short] * 3 + [long] * 3), 3) == (2, False)
    assert alternating(np.full(6, long), 3) is None
    assert alternating(np.array([short, long, long, short, short, long]), 3) is None
    assert alternating(np.array([short, long] * 3), 4) is None


def test_so_many_frames_at_each_position_by_hand():
    told = repeated(np.arange(6), 3, 2)
    assert told.rows.tolist() == [0, 0, 1, 1, 2, 2]
    assert repeated(np.arange(6), 3, 2, interleaved=False).rows.tolist() == [0, 1, 2, 0, 1, 2]
    assert "6 frames for 3 positions: 2 exposures of each" in told.text


# --- frames of several kinds, masks and the stack itself


def test_frames_of_one_key_take_positions_for_all_or_for_themselves(tmp_path):
    key = np.array([2, 2, 0, 0, 0, 0, 1, 0, 0, 0, 0, 2])
    numbers = np.flatnonzero(key == 0)
    for values in (positions_um(12), positions_um(12)[numbers]):
        path = make_nexus(tmp_path / f"run{len(values)}.nxs", frames(12))
        put_positions(path, values)
        with h5py.File(path, "r+") as f:
            put(f[DETECTOR], "image_key", key, None)
        check(load(path), numbers)


def test_selected_frames_read_as_the_stack_does(rng):
    stack = rng.integers(0, 1000, (40, 8, 9)).astype(np.uint16)
    numbers = np.array([0, 1, 2, 5, 9, 10, 30, 39])
    chosen = SelectedFrames(stack, numbers)
    assert chosen.shape == (8, 8, 9)
    for key in (slice(None), slice(2, 6), slice(1, 8, 3), slice(5, 5), slice(-3, None)):
        np.testing.assert_array_equal(chosen[key], stack[numbers][key])
    np.testing.assert_array_equal(chosen[-1], stack[39])
    assert select(stack, np.arange(40)) is stack
    with pytest.raises(IndexError):
        chosen[8]
    with pytest.raises(TypeError):
        chosen[::-1]


def test_the_end_of_light_is_found_whatever_the_number(rng):
    stack = rng.poisson(10, (100, 8, 8)).astype(np.uint16)
    for end in (1, 2, 63, 64, 99, 100):
        data = stack.copy()
        data[end:] = 0
        assert end_of_light(data, 100) == end
        assert end_of_light(data, 70) == min(end, 70)
