"""Frames of other kinds in the stack, and flat fields. The meaning of image_key: NXdetector (NeXus base classes)."""

from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, make_nexus, positions_um, put
from hypothesis import given, settings
from hypothesis import strategies as st

from scans.errors import InputError
from scans.formats import load
from scans.formats.flat_use import weigh
from scans.formats.frame_kinds import flat_response, frames_of, spread

DETECTOR = "scan 7/endstation/camera"
PICTURE = "scan 7/picture"
# scan, dark, dark, flat, flat, scan, invalid, background, scan, ...
KEYS = [0, 2, 2, 1, 1, 0, 3, 4, 0, 0, 0, 0]
OF_SCAN = [0, 5, 8, 9, 10, 11]
RESPONSE = 1 + 0.2 * np.cos(np.arange(HEIGHT * WIDTH)).reshape(HEIGHT, WIDTH)


def note(scan, what):
    return next(n for n in scan.notes if n.what == what)


def mixed_stack():
    """Counts of which frames 1, 2 are dark (100 and 102 counts) and 3, 4 an even field of 2000 x response."""
    data = frames().astype(np.uint16)
    data[1], data[2] = 100, 102
    data[3] = np.round(2000 * RESPONSE + 101)
    data[4] = data[3] + 2
    return data


@pytest.fixture
def keyed(tmp_path):
    path = make_nexus(tmp_path / "run.h5", mixed_stack())
    with h5py.File(path, "r+") as f:
        f[f"{DETECTOR}/image_key"] = np.array(KEYS, np.int8)
    return path


@pytest.mark.parametrize("positions", ["all", "scan"])
def test_only_frames_of_the_scan_enter_it(keyed, positions):
    if positions == "scan":  # a stage table that has only the frames of the scan
        with h5py.File(keyed, "r+") as f:
            for axis, column in (("y", 0), ("x", 1)):
                put(f[PICTURE], axis, positions_um()[OF_SCAN, column], "um")
    scan = load(keyed)
    np.testing.assert_array_equal(scan.frames[0 : scan.n_frames], mixed_stack()[OF_SCAN])
    np.testing.assert_array_equal(scan.frames[2:4], mixed_stack()[[8, 9]])
    np.testing.assert_allclose(scan.positions_m, positions_um()[OF_SCAN] * 1e-6, rtol=1e-14)
    np.testing.assert_array_equal(scan.index_in_file, OF_SCAN)
    assert not isinstance(scan.frames, np.ndarray)  # still in the file
    said = note(scan, "frames used")
    assert said.value == "6 of 12"
    assert "2 flat, 2 dark, 1 invalid, 1 background" in said.why


def test_dark_and_flat_frames_are_used(keyed):
    scan = load(keyed)
    np.testing.assert_array_equal(scan.dark, mixed_stack()[1:3])
    # mean flat frame (data[3] + 1) less the mean dark frame (101), over the median of that
    expected = np.round(2000 * RESPONSE + 101) + 1 - 101
    np.testing.assert_allclose(scan.flat, expected / np.median(expected), rtol=1e-12)
    assert "after the mean dark frame" in note(scan, "flat field").why
    # frames of even light are a response, whatever is said of stored flat fields
    np.testing.assert_array_equal(load(keyed, flat="multiplies").flat, scan.flat)


def test_per_frame_lists_follow_and_darks_keep_their_exposures(keyed):
    times = np.where(np.array(KEYS) == 2, [0, 0.5, 0.1, *[0] * 9], 0.1)
    with h5py.File(keyed, "r+") as f:
        put(f[DETECTOR], "count_time", times, "s")
        control = f["scan 7"].create_group("control")
        control.attrs["NX_class"] = "NXmonitor"
        control["data"] = np.arange(1.0, 1 + N_FRAMES)
    scan = load(keyed)
    np.testing.assert_allclose(scan.dark_exposures_s, [0.5, 0.1])
    np.testing.assert_allclose(scan.monitor, 1.0 + np.array(OF_SCAN))
    exposures = np.full(6, scan.exposure_s) if scan.exposures_s is None else scan.exposures_s
    np.testing.assert_allclose(exposures, 0.1)


def test_a_beam_is_no_flat_field(tmp_path):
    data = mixed_stack()
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    data[3:5] = np.round(60_000 * np.exp(-((y - 8) ** 2 + (x - 10) ** 2) / 8) + 101)
    path = make_nexus(tmp_path / "run.h5", data)
    with h5py.File(path, "r+") as f:
        f[f"{DETECTOR}/image_key"] = KEYS
    scan = load(path)
    assert scan.flat is None
    assert "even illumination" in note(scan, "flat field").value
    assert note(scan, "flat field").guess


@pytest.mark.parametrize(
    ("keys", "found"),
    [(KEYS[:-1], "11 keys for 12 frames"), ([2] * N_FRAMES, "no frame has key 0")],
)
def test_keys_that_cannot_be_right_are_refused(keyed, keys, found):
    with h5py.File(keyed, "r+") as f:
        put(f[DETECTOR], "image_key", keys, None)
    with pytest.raises(InputError, match=rf"image_key: {found}.*Correct the key"):
        load(keyed)


def test_a_key_of_zeros_changes_nothing(keyed):
    with h5py.File(keyed, "r+") as f:
        put(f[DETECTOR], "image_key", [0] * N_FRAMES, None)
    scan = load(keyed)
    assert scan.n_frames == N_FRAMES
    assert scan.dark is None
    assert scan.index_in_file is None


def test_unknown_keys_count_as_invalid():
    kinds = frames_of(np.array([0, 7, -1, np.nan, 2]))
    np.testing.assert_array_equal(kinds[3], [1, 2, 3])
    assert set(kinds) == {0, 2, 3}


@given(st.integers(1, 500), st.integers(1, 50))
def test_a_part_of_many_frames_is_spread_evenly(n, most):
    used = spread(np.arange(n), most)
    assert len(used) == min(n, most)
    assert used[0] == 0
    if most > 1:
        assert used[-1] == n - 1
        assert np.diff(used).max(initial=1) - np.diff(used).min(initial=n) <= 1


def test_white_frames_of_cxi_are_the_response_once_the_dark_is_off(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    with h5py.File(path, "r+") as f:
        d = f["entry_1/instrument_1/detector_1"]
        d["data_white"] = np.stack([1000 * RESPONSE + 50, 1000 * RESPONSE + 70])
        d["data_dark"] = np.full((HEIGHT, WIDTH), 60.0)
    scan = load(path)
    np.testing.assert_allclose(scan.flat, RESPONSE / np.median(RESPONSE), rtol=1e-12)
    assert "data_white" in note(scan, "flat field").why
    assert not note(scan, "flat field").guess
    assert load(path, flat="none").flat is None
    np.testing.assert_array_equal(load(path, flat="multiplies").flat, scan.flat)


# A flat field of which the standard does not say whether it divides or multiplies.

CORRECTION = np.random.default_rng(5).normal(1.0, 0.05, (HEIGHT, WIDTH))
Y, X = np.mgrid[:HEIGHT, :WIDTH]
SMOOTH = 400 * np.exp(-((Y - 8) ** 2 + (X - 10) ** 2) / 90)


def with_flatfield(tmp_path, sign, **fields):
    """A scan whose pixels respond with CORRECTION**sign, and a file that holds CORRECTION as `flatfield`."""
    rng = np.random.default_rng(6)
    data = rng.poisson(np.broadcast_to(SMOOTH * CORRECTION**sign, (N_FRAMES, HEIGHT, WIDTH)))
    path = make_nexus(tmp_path / "run.h5", data.astype(np.uint16))
    with h5py.File(path, "r+") as f:
        f[f"{DETECTOR}/flatfield"] = CORRECTION
        for name, value in fields.items():
            f[f"{DETECTOR}/{name}"] = value
    return path


@pytest.mark.parametrize(("sign", "use"), [(1, "divides"), (-1, "multiplies")])
def test_the_frames_propose_the_use_and_the_user_decides(tmp_path, sign, use):
    path = with_flatfield(tmp_path, sign)
    scan = load(path)
    assert scan.flat is None  # never silently
    said = note(scan, "flat field")
    assert said.guess
    assert said.value == f"not applied; the frames say that it {use}"
    assert "scan.flat=divides" in said.why
    used = load(path, flat=use)
    np.testing.assert_allclose(used.flat, CORRECTION**sign / np.median(CORRECTION**sign), rtol=1e-12)
    assert load(path, flat="none").flat is None


def test_a_flat_field_that_was_applied_is_left_alone(tmp_path):
    path = with_flatfield(tmp_path, 1, flatfield_applied=np.int8(1))
    scan = load(path)
    assert scan.flat is None
    assert "corrected already" in note(scan, "flat field").why
    assert not note(scan, "flat field").guess
    assert load(path, flat="divides").flat is not None  # the user knows better


def test_flat_field_and_its_flag_may_be_the_makers_own(tmp_path):
    path = with_flatfield(tmp_path, 1)
    with h5py.File(path, "r+") as f:
        f.move(f"{DETECTOR}/flatfield", f"{DETECTOR}/detectorSpecific/flatfield")
    assert "the frames say" in note(load(path), "flat field").value
    with h5py.File(path, "r+") as f:
        f[f"{DETECTOR}/detectorSpecific/flatfield_correction_applied"] = 1
    assert "corrected already" in note(load(path), "flat field").why


@settings(max_examples=30, deadline=None)
@given(power=st.floats(-2, 2), scale=st.floats(0.1, 10))
def test_the_slope_is_the_power_of_the_flat_field(power, scale):
    # analytic: log(c x flat^p) has the slope p against log(flat), exactly, where nothing else varies
    flat = CORRECTION * scale
    found = weigh(1e5 * flat**power, flat)
    if abs(power) < 1e-6:
        return
    assert found is not None
    assert found.slope == pytest.approx(power, rel=1e-6, abs=1e-9)
    assert found.divided == pytest.approx(abs(power - 1) / abs(power), rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("case", ["few counts", "constant", "unrelated"])
def test_data_that_cannot_tell_propose_nothing(case):
    rng = np.random.default_rng(7)
    flat = np.ones((HEIGHT, WIDTH)) if case == "constant" else CORRECTION
    total = rng.poisson(30 if case == "few counts" else 3000, (HEIGHT, WIDTH)).astype(float)
    found = weigh(total, flat)
    assert found is None or found.use is None


def test_pixels_without_light_have_no_response():
    white = np.full((2, 8, 8), 500.0)
    white[:, 3, 4] = 0
    field = flat_response(white, None)
    assert field is not None
    assert np.isnan(field.response[3, 4])
    assert "no dark frame" in field.why
    assert flat_response(np.zeros((2, 8, 8)), None) is None
