from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, group, make_cxi, make_nexus, positions_um, put

from scans.errors import InputError
from scans.formats import load

ENTRY = "scan 7"
DETECTOR = f"{ENTRY}/endstation/camera"
PICTURE = f"{ENTRY}/picture"


def note(scan, what):
    return next(n for n in scan.notes if n.what == what)


@pytest.fixture
def nexus(tmp_path):
    return make_nexus(tmp_path / "run.dat")


def test_positions_without_unit_ask_for_it(nexus):
    with h5py.File(nexus, "r+") as f:
        for axis in "xy":
            del f[f"{PICTURE}/{axis}"].attrs["units"]
    with pytest.raises(
        InputError, match=r"picture/y and .*: 12 positions \(y, x\).*no unit.*-s scan\.position_unit=um"
    ):
        load(nexus)
    np.testing.assert_allclose(load(nexus, position_unit="um").positions_m, positions_um() * 1e-6, rtol=1e-14)


def test_the_only_plausible_unit_is_a_marked_guess(nexus):
    with h5py.File(nexus, "r+") as f:
        for axis in "xy":
            put(f[PICTURE], axis, f[f"{PICTURE}/{axis}"][()] * 1e-7, " ")  # 70 nm steps if metres; blank unit
    scan = load(nexus)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-7, rtol=1e-14)
    assert any(n.what == "position_unit" and n.value == "m" for n in scan.guesses)


def test_grid_of_integers_in_metres_is_refused(nexus):
    # an example of the format's own project: positions 0..9 "m"
    with h5py.File(nexus, "r+") as f:
        put(f[PICTURE], "x", np.arange(N_FRAMES) % 4, "m")
        put(f[PICTURE], "y", np.arange(N_FRAMES) // 4, "m")
    with pytest.raises(InputError, match=r"positions span 3 m.*-s scan\.position_unit=um"):
        load(nexus)
    assert load(nexus, position_unit="um").positions_m.max() == pytest.approx(3e-6)


def test_positions_of_mixed_units(nexus):
    with h5py.File(nexus, "r+") as f:
        put(f[PICTURE], "x", positions_um()[:, 1] * 1e3, "nm")
    np.testing.assert_allclose(load(nexus).positions_m, positions_um() * 1e-6, rtol=1e-12)


def test_sample_transformations_with_vectors(nexus):
    # NXtransformations: displacement = value x vector; x points left seen from the source, as the default
    # columns do, so a stage whose vector is (-1, 0, 0) moves the patch by -value columns
    with h5py.File(nexus, "r+") as f:
        y, x = f[f"{PICTURE}/y"][()], f[f"{PICTURE}/x"][()]
        del f[f"{PICTURE}/y"], f[f"{PICTURE}/x"]
        axes = group(group(f[ENTRY], "specimen", "NXsample"), "moves", "NXtransformations")
        put(axes, "x", x, "um")
        put(axes, "y", y, "um")
        axes["x"].attrs["vector"] = [-1.0, 0.0, 0.0]
        axes["y"].attrs["vector"] = [0.0, 1.0, 0.0]
    np.testing.assert_allclose(load(nexus).positions_m, positions_um() * [1e-6, -1e-6], rtol=1e-14)


def test_end_of_exposure_gives_the_middle(nexus):
    # NXtransformations: an axis value is the START of the exposure, <axis>_end its end
    with h5py.File(nexus, "r+") as f:
        put(f[PICTURE], "x_end", positions_um()[:, 1] + 0.5, "um")
    np.testing.assert_allclose(load(nexus).positions_m, (positions_um() + np.array([0, 0.25])) * 1e-6, rtol=1e-12)


def test_axes_that_differ_in_x_and_y_only_are_a_guess(nexus):
    with h5py.File(nexus, "r+") as f:
        f.move(f"{PICTURE}/x", f"{PICTURE}/stagex_value")
        f.move(f"{PICTURE}/y", f"{PICTURE}/stagey_value")
        put(f[PICTURE], "stagex_value_set", np.zeros(N_FRAMES), "um")
    scan = load(nexus)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-14)
    assert any(n.what == "positions" for n in scan.guesses)


def test_translation_of_the_cxi_side(nexus):
    with h5py.File(nexus, "r+") as f:
        y, x = positions_um().T * 1e-6
        del f[f"{PICTURE}/y"], f[f"{PICTURE}/x"]
        put(f[DETECTOR], "translation", np.stack([x, y, 0 * x], axis=1), None)
    np.testing.assert_allclose(load(nexus).positions_m, positions_um() * 1e-6, rtol=1e-14)


@pytest.mark.parametrize("slow", ["y", "x"])
def test_grid_of_frames_with_a_map_of_positions(tmp_path, slow):
    path = make_nexus(tmp_path / "grid.nxs")
    ny, nx = (3, 4) if slow == "y" else (4, 3)
    y, x = np.meshgrid(np.arange(ny) * 0.5, np.arange(nx) * 0.25, indexing="ij")
    y, x = (y, x) if slow == "y" else (y.T, x.T)
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "data", frames().reshape(3, 4, HEIGHT, WIDTH), None)
        put(f[PICTURE], "y", y, "um")
        put(f[PICTURE], "x", x, "um")
    scan = load(path)
    assert scan.frames.shape == (12, HEIGHT, WIDTH)
    np.testing.assert_array_equal(scan.frames[3:9], frames()[3:9])
    np.testing.assert_allclose(scan.positions_m, np.stack([y.ravel(), x.ravel()], 1) * 1e-6)


@pytest.mark.parametrize(("ny", "nx", "axes", "slow"), [(3, 4, None, "y"), (4, 3, None, "x"), (3, 3, ["x", "y"], "x")])
def test_grid_of_frames_with_two_short_axes(tmp_path, ny, nx, axes, slow):
    path = make_nexus(tmp_path / "grid.nxs")
    lead = (3, 3) if axes else (3, 4)
    y, x = np.arange(ny) * 0.5, 10 + np.arange(nx) * 0.25
    with h5py.File(path, "r+") as f:
        put(f[DETECTOR], "data", frames(lead[0] * lead[1]).reshape(*lead, HEIGHT, WIDTH), None)
        put(f[PICTURE], "y", y, "um")
        put(f[PICTURE], "x", x, "um")
        if axes:
            f[PICTURE].attrs["axes"] = [*axes, ".", "."]
    scan = load(path)
    expected = [(a, b) for a in y for b in x] if slow == "y" else [(a, b) for b in x for a in y]
    np.testing.assert_allclose(scan.positions_m, np.array(expected) * 1e-6)
    assert note(scan, "positions").guess


def test_pixel_coordinates_are_not_taken_for_positions(tmp_path):
    # 320 frames of 16 x 20 pixels: the mesh of the pixel axes has as many points as there are frames
    path = make_nexus(tmp_path / "run.nxs", frames(320, 16, 20))
    y, x = positions_um(320).T
    with h5py.File(path, "r+") as f:
        put(f[PICTURE], "y", np.arange(16.0), "um")
        put(f[PICTURE], "x", np.arange(20.0), "um")
        f[PICTURE].attrs["axes"] = [".", "y", "x"]
        moves = group(group(f[ENTRY], "specimen", "NXsample"), "moves", "NXtransformations")
        put(moves, "y", y, "um")
        put(moves, "x", x, "um")
    np.testing.assert_allclose(load(path).positions_m, positions_um(320) * 1e-6, rtol=1e-14)


def test_positions_of_the_frames_own_group_come_first(nexus):
    with h5py.File(nexus, "r+") as f:
        other = group(f[ENTRY], "a_map", "NXdata")  # first by name
        other["data"] = np.ones(N_FRAMES)
        put(other, "y", positions_um()[:, 0] + 1, "um")
        put(other, "x", positions_um()[:, 1] + 1, "um")
    np.testing.assert_allclose(load(nexus).positions_m, positions_um() * 1e-6, rtol=1e-14)


# --- corrections by the user


@pytest.mark.parametrize(
    ("told", "matrix"),
    [
        ("y,x", [[1, 0], [0, 1]]),
        ("-y,x", [[-1, 0], [0, 1]]),
        ("y,-x", [[1, 0], [0, -1]]),
        ("x,y", [[0, 1], [1, 0]]),
        ("-x,y", [[0, -1], [1, 0]]),
    ],
)
@pytest.mark.parametrize("make", [make_nexus, make_cxi])
def test_signs_and_swap_of_the_columns(tmp_path, make, told, matrix):
    path = make(tmp_path / "run.h5")
    scan = load(path, position_axes=told)
    unit = 1e-6 if make is make_nexus else 1.0
    np.testing.assert_allclose(scan.raw_positions.matrix, np.array(matrix) * unit)
    np.testing.assert_allclose(scan.positions_m, positions_um() @ np.array(matrix).T * 1e-6, rtol=1e-12)
    assert note(scan, "position_axes").value == told


def test_signs_replace_those_of_vectors(nexus):
    with h5py.File(nexus, "r+") as f:
        f[f"{PICTURE}/x"].attrs["vector"] = [-1.0, 0.0, 0.0]
    assert load(nexus).raw_positions.matrix[1, 1] < 0
    np.testing.assert_allclose(load(nexus, position_axes="y,x").positions_m, positions_um() * 1e-6, rtol=1e-12)


@pytest.mark.parametrize("unit", [None, "counts", "um"])
def test_metres_a_stage_count(nexus, unit):
    # 5 nm a count along y, 2 nm along x
    counts = np.round(positions_um() / [5e-3, 2e-3])
    with h5py.File(nexus, "r+") as f:
        for axis, values in zip("yx", counts.T, strict=True):
            put(f[PICTURE], axis, values.astype(np.int64), unit)
    if unit == "counts":
        with pytest.raises(InputError, match=r"unit 'counts': .*metres a count.*scan\.position_scale_m"):
            load(nexus)
    scan = load(nexus, position_scale_m=(5e-9, 2e-9))
    np.testing.assert_allclose(scan.positions_m, counts * [5e-9, 2e-9], rtol=1e-12)
    assert scan.raw_positions.unit == (unit or "count").rstrip("s")
    both = load(nexus, position_scale_m=5e-9, position_axes="-x,y")
    np.testing.assert_allclose(both.positions_m, np.stack([-counts[:, 1], counts[:, 0]], axis=1) * 5e-9, rtol=1e-12)
    with pytest.raises(InputError, match=r"scan\.position_scale_m: .*scan\.position_unit=um, not both"):
        load(nexus, position_scale_m=5e-9, position_unit="um")


def test_offset_and_scaling_factor_of_positions_and_numbers(nexus):
    # NXdata: true = (stored + offset) x scaling_factor, the offset first
    with h5py.File(nexus, "r+") as f:
        put(f[PICTURE], "x", positions_um()[:, 1] * 4 + 100, "um")
        f[f"{PICTURE}/x_offset"], f[f"{PICTURE}/x_scaling_factor"] = -100.0, 0.25
        put(f[DETECTOR], "distance", 0.0, "mm")
        f[f"{DETECTOR}/distance_offset"] = 50.0
    scan = load(nexus)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    assert scan.geometry.distance_m == pytest.approx(0.05)
    assert sum("(stored + -100) x 0.25" in n.value for n in scan.notes) == 1


def test_an_offset_that_does_not_fit_is_an_error(nexus):
    with h5py.File(nexus, "r+") as f:
        f[f"{PICTURE}/x_offset"] = np.zeros(5)
    with pytest.raises(InputError, match=r"x_offset: shape \(5,\); expected one number, or one for each of the"):
        load(nexus)


# --- per-frame companions


def test_masks_that_differ_from_frame_to_frame_are_kept(nexus):
    masks = np.zeros((N_FRAMES, HEIGHT, WIDTH), np.uint32)
    masks[3, 2, 5] = 1
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "pixel_mask", masks, None)
    scan = load(nexus)
    assert scan.mask.shape == masks.shape
    assert np.argwhere(~scan.mask).tolist() == [[3, 2, 5]]
    masks[:] = masks[3]
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "pixel_mask", masks, None)
    assert load(nexus).mask.shape == (HEIGHT, WIDTH)


def test_exposures_that_differ_from_frame_to_frame_are_kept(nexus):
    times = np.tile([0.1, 0.4], N_FRAMES // 2)
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "count_time", times * 1e3, "ms")
    scan = load(nexus)
    np.testing.assert_allclose(scan.exposures_s, times)
    assert scan.exposure_s is None
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "count_time", np.full(N_FRAMES, 250.0), "ms")
    scan = load(nexus)
    assert scan.exposure_s == pytest.approx(0.25)
    assert scan.exposures_s is None
