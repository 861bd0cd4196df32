"""Several readings a frame and streams with times (NeXus definitions: NXlog, NXdetector, NXtransformations)."""

from __future__ import annotations

from datetime import UTC, datetime

import h5py
import numpy as np
import pytest
from formats_files import N_FRAMES, frames, group, make_cxi, make_nexus, positions_um, put

from scans.errors import InputError
from scans.formats import load
from scans.formats.streams import Windows, are_value_and_spread, mean_reading, samples_in_windows

ENTRY = "scan 7"
PICTURE = f"{ENTRY}/picture"
DETECTOR = f"{ENTRY}/endstation/camera"
TRANSLATION = "entry_1/sample_1/geometry_1/translation"
WIGGLE = np.array([-0.03, 0.01, 0.02])  # um, sum 0


def note(scan, what):
    return next(n for n in scan.notes if n.what == what)


@pytest.fixture
def nexus(tmp_path):
    return make_nexus(tmp_path / "run.nxs")


def put_axes(path, y, x, units="um"):
    with h5py.File(path, "r+") as f:
        put(f[PICTURE], "y", y, units)
        put(f[PICTURE], "x", x, units)


# --- several readings a frame


def test_columns_of_readings_are_averaged_and_kept(nexus):
    y, x = positions_um().T
    put_axes(nexus, y[:, None] + WIGGLE, x[:, None] - 2 * WIGGLE)
    scan = load(nexus)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    assert scan.readings_m.shape == (N_FRAMES, 3, 2)
    np.testing.assert_allclose(scan.readings_m[5, :, 1], (x[5] - 2 * WIGGLE) * 1e-6, rtol=1e-12)


@pytest.mark.parametrize(
    "given", [{"position_rotation_mrad": 30.0, "position_factor": 1.02}, {"backlash_m": (2e-8, -3e-8)}]
)
def test_readings_stay_around_the_positions_that_the_user_corrects(nexus, given):
    y, x = positions_um().T
    put_axes(nexus, y[:, None] + WIGGLE, x[:, None] - 2 * WIGGLE)
    plain, scan = load(nexus), load(nexus, **given)
    assert not np.allclose(scan.positions_m, plain.positions_m, rtol=0, atol=1e-10)
    np.testing.assert_allclose(scan.readings_m.mean(axis=1), scan.positions_m, rtol=0, atol=1e-15)
    # about the positions they are turned and stretched, by hand: x + iy
    around = (plain.readings_m - plain.positions_m[:, None]) @ [1j, 1]
    turn = 1.02 * np.exp(0.03j) if "position_factor" in given else 1.0
    np.testing.assert_allclose((scan.readings_m - scan.positions_m[:, None]) @ [1j, 1], turn * around, atol=1e-15)


def test_value_and_spread_are_not_two_readings(nexus):
    y, x = positions_um().T
    spread = np.full(N_FRAMES, 0.004)
    put_axes(nexus, np.stack([y, spread], 1), np.stack([x, spread], 1))
    scan = load(nexus)  # the second columns stay away from the first
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    assert scan.readings_m is None
    assert "spread" in next(n for n in scan.guesses if n.value == "first of two columns").why
    with h5py.File(nexus, "r+") as f:  # and where a plain array says so, whatever the second column
        put(f[PICTURE], "y", np.stack([y, y + 0.1], 1), "um")
        put(f[PICTURE], "x", np.stack([x, x + 0.1], 1), "um")
        put(f[PICTURE], "y_only", y, "um")
    scan = load(nexus)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    assert scan.readings_m is None


def test_start_and_end_as_two_columns_are_readings(nexus):
    y, x = positions_um().T
    put_axes(nexus, np.stack([y, y], 1), np.stack([x - 0.35, x + 0.35], 1))
    scan = load(nexus)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    np.testing.assert_allclose(np.ptp(scan.readings_m, axis=1), [[0, 0.7e-6]] * N_FRAMES, rtol=1e-9, atol=1e-18)


def test_spread_is_told_from_readings_by_hand():
    line = np.arange(6.0)
    close, far = np.stack([line, line + 0.5], 1), np.stack([line, np.full(6, 100.0)], 1)
    assert not are_value_and_spread([close, close], [[], []])
    assert not are_value_and_spread([close, far], [[], []])
    assert are_value_and_spread([far, far], [[], []])
    assert are_value_and_spread([close, close], [[], [line + 1, line]])


def test_readings_in_a_row_need_the_option(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    y, x = positions_um().T * 1e-6
    readings = np.stack([np.repeat(x, 4), np.repeat(y, 4), np.zeros(48)], axis=1)
    readings[:, 0] += np.tile([-3e-8, -1e-8, 1e-8, 3e-8], 12)
    with h5py.File(path, "r+") as f:
        del f[TRANSLATION]
        f[TRANSLATION] = readings
    with pytest.raises(InputError, match=r"12 frames in .* but 48 positions.*-s scan\.readings_per_frame=4"):
        load(path)
    scan = load(path, readings_per_frame=4)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    np.testing.assert_allclose(scan.readings_m[3, :, 1] - x[3], [-3e-8, -1e-8, 1e-8, 3e-8], rtol=1e-6)
    with pytest.raises(InputError, match=r"48 readings; expected a multiple of the 5"):
        load(path, readings_per_frame=5)
    with pytest.raises(InputError, match=r"12 frames in .* but 16 positions"):
        load(path, readings_per_frame=3)


# --- start and end of a moving stage


@pytest.mark.parametrize("kind", ["x_end", "x_increment_set"])
def test_start_and_end_of_exposure(nexus, kind):
    # NXtransformations: a value is the START of the exposure; _end its end, _increment_set how far it goes
    start = positions_um()[:, 1]
    with h5py.File(nexus, "r+") as f:
        put(f[PICTURE], kind, start + 0.5 if kind == "x_end" else 0.5, "um")
    scan = load(nexus)
    np.testing.assert_allclose(scan.positions_m, (positions_um() + np.array([0, 0.25])) * 1e-6, rtol=1e-12)
    assert scan.readings_m.shape == (N_FRAMES, 2, 2)
    np.testing.assert_allclose(scan.readings_m[:, :, 1], np.stack([start, start + 0.5], 1) * 1e-6, rtol=1e-12)


# --- streams with times


def write_stream(path, *, shift=0.0, per_frame=5, exposure=0.1, period=0.15, start="2026-03-01T04:00:00Z", log=True):
    """x(t) = t um/s and y in steps, sampled over the whole scan; frame j is exposed for 0.1 s from 0.15 j s on."""
    t = np.arange(0, N_FRAMES * period, exposure / per_frame) - 0.03
    with h5py.File(path, "r+") as f:
        for name in "yx":
            del f[f"{PICTURE}/{name}"]
        for name, values in (("x", t), ("y", np.floor((t + 0.03 + 1e-9) / period) * 0.2)):
            home = group(f[PICTURE], name, "NXlog") if log else f[PICTURE]
            put(home, "value" if log else name, values, "um")
            if log or name == "x":
                put(home, "time", (t + shift) * 1e3 * 4, "ms")  # a clock of 4 ticks a millisecond
                home["time"].attrs["scaling_factor"] = 0.25
                if start is not None:
                    home["time"].attrs["start"] = start
        put(f[DETECTOR], "start_time", period * np.arange(N_FRAMES), "s")
        if start is not None:
            f[f"{DETECTOR}/start_time"].attrs["start"] = "2026-03-01T05:00:00+01:00"
        put(f[DETECTOR], "count_time", exposure, "s")
    return t


@pytest.mark.parametrize("log", [True, False])
def test_a_stream_is_averaged_over_each_exposure(nexus, log):
    t = write_stream(nexus, log=log)
    scan = load(nexus)
    # brute force: the mean of all samples with 0.15 j <= t <= 0.15 j + 0.1
    inside = [(t >= 0.15 * j - 1e-9) & (t <= 0.15 * j + 0.1 + 1e-9) for j in range(N_FRAMES)]
    np.testing.assert_allclose(scan.positions_m[:, 1], [t[i].mean() * 1e-6 for i in inside], atol=0.011e-6)
    np.testing.assert_allclose(scan.positions_m[:, 0], np.arange(N_FRAMES) * 0.2e-6, rtol=1e-9, atol=1e-15)
    assert scan.readings_m.shape[1] in (5, 6)
    np.testing.assert_allclose(np.nanmean(scan.readings_m, axis=1), scan.positions_m, rtol=1e-9, atol=1e-18)
    assert "5 to 6 a frame" in note(scan, "positions").why or "5 to 5 a frame" in note(scan, "positions").why


def test_frames_after_the_stream_ended_are_left_out_and_counted(nexus):
    write_stream(nexus)
    with h5py.File(nexus, "r+") as f:  # the stream stops during frame 9
        keep = f[f"{PICTURE}/x/value"].size * 9 // N_FRAMES
        for name in "xy":
            home = f[f"{PICTURE}/{name}"]
            start = home["time"].attrs["start"]
            put(home, "value", home["value"][:keep], "um")
            put(home, "time", home["time"][:keep] / 4, "ms")
            home["time"].attrs["start"] = start
    scan = load(nexus)
    assert scan.n_frames == 9
    assert "9 of 12 frames" in note(scan, "aborted scan").value


def test_clocks_that_do_not_belong_together(nexus):
    write_stream(nexus, shift=3600.0)
    with pytest.raises(InputError, match=r"readings from .* s; expected times within those of the frames.*start"):
        load(nexus)
    nexus.unlink()
    make_nexus(nexus)
    write_stream(nexus)
    with h5py.File(nexus, "r+") as f:
        del f[f"{PICTURE}/x/time"].attrs["start"]
    with pytest.raises(InputError, match=r"x/time: times of unknown start; expected the clock of the frames' times"):
        load(nexus)


def test_a_stream_without_frame_times_names_both_numbers(nexus):
    t = write_stream(nexus)
    with h5py.File(nexus, "r+") as f:
        del f[f"{DETECTOR}/start_time"]
    with pytest.raises(InputError, match=rf"12 frames in .* but {len(t)} positions"):
        load(nexus)


def test_absolute_seconds_need_no_start(nexus):
    t = write_stream(nexus, start=None)
    epoch = datetime(2026, 3, 1, tzinfo=UTC).timestamp()
    with h5py.File(nexus, "r+") as f:
        for name in "xy":
            put(f[f"{PICTURE}/{name}"], "time", epoch + t, "s")
        put(f[DETECTOR], "start_time", 0.15 * np.arange(N_FRAMES), "s")
        f[f"{DETECTOR}/start_time"].attrs["start"] = "2026-03-01T00:00:00Z"
    np.testing.assert_allclose(load(nexus).positions_m[:, 0], np.arange(N_FRAMES) * 0.2e-6, rtol=1e-9, atol=1e-15)


def test_windows_by_hand(rng):
    # against a loop over all samples
    times = np.sort(rng.uniform(0, 10, 400))
    samples = rng.normal(size=(400, 2))
    starts = np.arange(0.1, 9.0, 0.7)
    windows = Windows(starts, starts + 0.3, False, "", "", False)
    readings = samples_in_windows(times, samples, windows)
    for j, start in enumerate(starts):
        expected = samples[[k for k in range(400) if start <= times[k] <= start + 0.3]]
        np.testing.assert_array_equal(readings[j, : len(expected)], expected)
        assert np.isnan(readings[j, len(expected) :]).all()
        np.testing.assert_allclose(mean_reading(readings)[j], expected.mean(axis=0), rtol=1e-12, atol=1e-15)


def test_a_stream_slower_than_the_frames_is_interpolated():
    windows = Windows(np.array([0.4, 2.4, 9.0]), np.array([0.6, 2.6, 9.2]), False, "", "", False)
    readings = samples_in_windows(np.array([0.0, 1, 2, 3]), np.array([[0.0], [10], [20], [30]]), windows)
    np.testing.assert_allclose(readings[:2, 0, 0], [5, 25])  # linear, at 0.5 and 2.5
    assert np.isnan(readings[2]).all()


def test_a_map_of_readings_for_a_grid_of_frames(tmp_path):
    path = make_nexus(tmp_path / "grid.nxs")
    y, x = (a.reshape(3, 4, 1) + WIGGLE for a in positions_um().T)
    put_axes(path, y, x)
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "data", frames().reshape(3, 4, 16, 20), None)
    scan = load(path)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    assert scan.readings_m.shape == (12, 3, 2)
