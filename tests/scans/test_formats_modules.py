"""Modular detectors. Expected frames are made the other way round: one image is cut into modules."""

from __future__ import annotations

import pickle

import h5py
import numpy as np
import pytest
from formats_files import frames, group, make_cxi, make_nexus, put
from hypothesis import given, settings
from hypothesis import strategies as st

from scans.errors import InputError
from scans.formats import load
from scans.formats.modules import AssembledFrames, Module, make_mosaic

DETECTOR = "entry_1/instrument_1/detector_1"
CAMERA = "scan 7/endstation/camera"
N, H, W = 6, 25, 32
PY, PX = 24e-6, 48e-6
AXES = np.array([[0.0, -PY, 0.0], [-PX, 0.0, 0.0]])
# Modules of 11 x 15 pixels in an image of 25 x 32, the direct beam at (12, 16).
PLACES = np.array([[0, 0], [0, 17], [14, 0], [14, 17]])
CENTRE = (12.0, 16.0)


def note(scan, what):
    return next(n for n in scan.notes if n.what == what)


def covered():
    inside = np.zeros((H, W), bool)
    for r, c in PLACES:
        inside[r : r + 11, c : c + 15] = True
    return inside


def whole(n=N):
    """Images as one detector without gaps would give them."""
    return frames(n, H, W)


def cut(images):
    return np.stack([images[..., r : r + 11, c : c + 15] for r, c in PLACES], axis=-3)


def corners():
    """CXI 1.6: corner_position is the outer corner of pixel (0, 0), its centre half a pixel inside."""
    return np.array([-(CENTRE[0] + 0.5) * AXES[0] - (CENTRE[1] + 0.5) * AXES[1] + p @ AXES for p in PLACES])


@pytest.fixture
def modular(tmp_path):
    path = make_cxi(tmp_path / "run.cxi", whole())
    with h5py.File(path, "r+") as f:
        d = f[DETECTOR]
        del d["data"], d["basis_vectors"]
        d.create_dataset("data", data=cut(whole()), chunks=(1, 4, 11, 15), compression="gzip")
        d["data"].attrs["axes"] = "translation:module_identifier:y:x"
        d["corner_position"] = corners()
        d["basis_vectors"] = np.broadcast_to(AXES, (4, 2, 3))
        d["module_identifier"] = np.array([b"m0", b"m1", b"m2", b"m3"])
    return path


def test_modules_of_cxi_become_frames(modular):
    scan = load(modular)
    inside = covered()
    np.testing.assert_array_equal(scan.frames[0:N], np.where(inside, whole(), 0))
    np.testing.assert_array_equal(scan.frames[2:5:2], np.where(inside, whole()[2:5:2], 0))
    np.testing.assert_array_equal(scan.frames[-1], np.where(inside, whole()[-1], 0))
    np.testing.assert_array_equal(scan.mask, inside)
    assert scan.beam_centre_px == pytest.approx(CENTRE)
    assert scan.geometry.pixel_size_m == pytest.approx((PY, PX))
    assert "4 modules" in note(scan, "modules").why
    assert np.array_equal(pickle.loads(pickle.dumps(scan.frames))[1:2], scan.frames[1:2])
    assert load(modular, n_frames=4).n_frames == 4


def test_axes_may_be_shared(modular):
    with h5py.File(modular, "r+") as f:
        put(f[DETECTOR], "basis_vectors", AXES, None)
    np.testing.assert_array_equal(load(modular).frames[0:N], np.where(covered(), whole(), 0))


def test_mask_dark_and_white_go_together_too(modular):
    rng = np.random.default_rng(1)
    mask = np.where(rng.random((H, W)) < 0.1, 0x8, 0).astype(np.uint32)
    dark, white = rng.integers(90, 110, (3, H, W)), rng.integers(900, 1100, (H, W))
    with h5py.File(modular, "r+") as f:
        d = f[DETECTOR]
        d["mask"], d["data_dark"], d["data_white"] = cut(mask), cut(dark), cut(white)
    scan = load(modular)
    inside = covered()
    np.testing.assert_array_equal(scan.mask, inside & (mask == 0))
    np.testing.assert_array_equal(scan.dark, np.where(inside, dark, 0))
    response = white - dark.mean(axis=0)
    known = response[scan.mask]
    np.testing.assert_allclose(scan.flat[scan.mask], known / np.median(known), rtol=1e-12)


@pytest.mark.parametrize("off", [0.1, 0.19])
def test_a_small_misfit_is_taken_with_its_number(modular, off):
    with h5py.File(modular, "r+") as f:
        f[f"{DETECTOR}/corner_position"][3] += off * AXES[0]
    assert f"within {off:.2g} pixel" in note(load(modular), "modules").why


def change_offset(d):
    d["corner_position"][3] += 0.3 * AXES[0]


def change_angle(d):
    turn = np.array([[np.cos(0.02), -np.sin(0.02), 0], [np.sin(0.02), np.cos(0.02), 0], [0, 0, 1]])
    d["basis_vectors"][1] = d["basis_vectors"][1] @ turn.T


def change_overlap(d):
    d["corner_position"][1] -= 5 * AXES[1]


def change_depth(d):
    d["corner_position"][2] += [0, 0, 5e-3]


def change_shape(d):
    put(d, "corner_position", np.zeros((3, 3)), None)


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (change_offset, r"module 3 lies at pixel \(14\.3, 17\).*0\.3 off"),
        # 11 rows of 24 um along y turned by 0.02 rad go 5.28 um along x, 0.11 of a pixel of 48 um; 15 columns of
        # 48 um along x go 14.4 um along y, 0.6 of a pixel of 24 um
        (change_angle, r"module 1 is turned against module 0: its far corner is 0\.6"),
        (change_overlap, r"33 pixels belong to more than one module"),
        (change_depth, r"module 2 is 0\.005 m in front of or behind module 0"),
        (change_shape, r"4 modules, corner_position of shape \(3, 3\)"),
    ],
)
def test_modules_that_do_not_fit_one_grid_are_refused(modular, change, found):
    with h5py.File(modular, "r+") as f:
        change(f[DETECTOR])
    with pytest.raises(InputError, match=rf"detector_1: {found}.*Put the modules together"):
        load(modular)


@settings(max_examples=40, deadline=None)
@given(
    places=st.lists(st.tuples(st.integers(-40, 40), st.integers(-40, 40)), min_size=1, max_size=5, unique=True),
    size=st.tuples(st.integers(1, 6), st.integers(1, 6)),
    case=st.integers(0, 7),
)
def test_any_whole_places_give_what_pasting_gives(places, size, case):
    places = np.array(places) * size  # multiples of the size never overlap
    axes = AXES[::-1] if case & 4 else AXES
    axes = axes * np.array([[-1 if case & 1 else 1], [-1 if case & 2 else 1]])
    images = np.random.default_rng(0).integers(1, 1000, (2, len(places), *size))
    box = (0, size[0]), (0, size[1])
    modules = [Module(k, *box, p @ axes, axes) for k, p in enumerate(places)]
    mosaic = make_mosaic(modules, len(places), where="here")
    expected: dict[tuple[int, int], int] = {}
    for k, (r, c) in enumerate(places - places.min(axis=0)):
        for i in range(size[0]):
            expected |= {(r + i, c + j): images[1, k, i, j] for j in range(size[1])}
    stack = AssembledFrames(images.reshape(-1, *size), mosaic)
    assert {tuple(p): stack[1][tuple(p)] for p in np.argwhere(stack[1])} == expected
    np.testing.assert_array_equal(np.argwhere(~mosaic.gaps), sorted(expected))
    np.testing.assert_allclose(mosaic.corner_m, places.min(axis=0) @ axes, atol=1e-15)


def add_modules(path, offsets, origins, size=(11, 15), unit="m", scale=1.0):
    with h5py.File(path, "r+") as f:
        for k, (origin, place) in enumerate(zip(origins, offsets, strict=True)):
            module = group(f[CAMERA], f"module_{k}", "NXdetector_module")
            module["data_origin"], module["data_size"] = np.array(origin), np.array(size)
            move = np.asarray(place) @ AXES * scale
            length = np.linalg.norm(move)
            put(module, "module_offset", length, unit)
            vector = move / length if length else [1.0, 0, 0]
            module["module_offset"].attrs.update(vector=vector, transformation_type="translation", depends_on=".")
            for name, axis in zip(("slow_pixel_direction", "fast_pixel_direction"), AXES, strict=True):
                put(module, name, np.linalg.norm(axis) * scale, unit)
                module[name].attrs.update(
                    vector=axis / np.linalg.norm(axis), transformation_type="translation", depends_on="module_offset"
                )


# In the stored image the four modules lie without gaps: 22 x 30 pixels.
PACKED = np.array([[0, 0], [0, 15], [11, 0], [11, 15]])


def packed(images):
    return np.block([[images[..., a : a + 11, b : b + 15] for b in (0, 17)] for a in (0, 14)])


@pytest.mark.parametrize(("unit", "scale"), [("m", 1.0), ("mm", 1e3)])
def test_modules_of_nexus_are_moved_to_where_they_lie(tmp_path, unit, scale):
    # NXdetector_module: data_origin and data_size in the image, module_offset in the laboratory
    path = make_nexus(tmp_path / "run.h5", packed(whole()))
    add_modules(path, PLACES, PACKED, unit=unit, scale=scale)
    with h5py.File(path, "r+") as f:
        f[f"{CAMERA}/pixel_mask"] = packed(np.arange(H * W, dtype=np.uint32).reshape(H, W) % 7 == 3).astype(np.uint32)
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[0:N], np.where(covered(), whole(), 0))
    np.testing.assert_array_equal(scan.mask, covered() & (np.arange(H * W).reshape(H, W) % 7 != 3))


def test_modules_that_lie_as_they_are_stored_stay(tmp_path):
    path = make_nexus(tmp_path / "run.h5", whole())
    add_modules(path, PLACES, PLACES, size=(11, 15))
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[0:N], whole())
    assert note(scan, "modules").value == "stored as they lie"


def test_sizes_in_the_other_order_are_told_by_the_image(tmp_path):
    # seen in detector masters: data_size (columns, rows)
    path = make_nexus(tmp_path / "run.h5", packed(whole()))
    add_modules(path, PLACES, PACKED, size=(15, 11))
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[0:N], np.where(covered(), whole(), 0))
    assert note(scan, "module sizes").guess


def test_modules_outside_the_image_are_refused(tmp_path):
    path = make_nexus(tmp_path / "run.h5", packed(whole()))
    add_modules(path, PLACES, PACKED, size=(11, 16))
    with pytest.raises(
        InputError, match=r"module_1: a module from \(0, 15\) of size \(11, 16\).*a part of the \(22, 30\)"
    ):
        load(path)


def test_modules_that_do_not_say_where_they_are_leave_the_image(tmp_path):
    path = make_nexus(tmp_path / "run.h5", packed(whole()))
    add_modules(path, PLACES, PACKED)
    with h5py.File(path, "r+") as f:
        del f[f"{CAMERA}/module_2/module_offset"]
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[0:N], packed(whole()))
    assert "3 of 4 modules" in note(scan, "modules").why
