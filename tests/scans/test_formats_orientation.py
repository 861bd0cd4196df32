"""Orientation and sign of positions against diffraction computed in the laboratory frame."""

from __future__ import annotations

import itertools

import h5py
import numpy as np
import pytest
from formats_files import group, make_cxi, make_nexus, put

from scans.formats import load
from scans.formats.writing import pixel_axes
from scans.scan import Orientation

NY, NX = 15, 17  # odd: the middle pixel is the middle whichever way the frame is turned
PY, PX = 24e-6, 48e-6
STEPS = np.array([(0, 0), (3, 0), (0, 5), (2, 4)])  # sample displacement in object pixels, (y, x)
Y, X = np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])
AXES = [
    (sign_slow * slow, sign_fast * fast)
    for slow, fast in ((Y, X), (X, Y))
    for sign_slow, sign_fast in itertools.product((-1, 1), repeat=2)
]


def laboratory_scan(slow, fast, rng):
    """Frames as a detector with these pixel axes stores them, by the direct Fourier sum; object and probe.

    Coordinates as in NeXus and CXI: z along the beam, y up, x left seen from the source. Arrays lie in the
    plane with rows towards -y and columns towards -x. Far field: exp(-2 pi i r.q), q = detector position /
    (wavelength x distance); see Goodman, Introduction to Fourier Optics, sec. 4.3.
    """
    obj = rng.normal(size=(40, 40)) + 1j * rng.normal(size=(40, 40))
    probe = rng.normal(size=(NY, NX)) + 1j * rng.normal(size=(NY, NX))
    lambda_z = 1.0
    dy, dx = lambda_z / (NY * PY), lambda_z / (NX * PX)
    rows, columns = np.meshgrid(np.arange(NY) - NY // 2, np.arange(NX) - NX // 2, indexing="ij")
    lab_y, lab_x = -rows * dy, -columns * dx  # of the illuminated points
    shape = (NY, NX) if abs(slow[1]) > 0 else (NX, NY)
    frames = []
    for ty, tx in STEPS:
        # material that now lies at lab point r was at r - t when the sample was at rest;
        # the object array's pixel (20, 20) rests on the axis
        at_row = np.round(20 - (lab_y - ty * dy) / dy).astype(int)
        at_column = np.round(20 - (lab_x - tx * dx) / dx).astype(int)
        wave = probe * obj[at_row, at_column]
        frame = np.empty(shape)
        for a, b in np.ndindex(shape):
            place = (a - shape[0] // 2) * slow + (b - shape[1] // 2) * fast
            phase = np.exp(-2j * np.pi * (place[0] * lab_x + place[1] * lab_y) / lambda_z)
            frame[a, b] = abs((wave * phase).sum()) ** 2
        frames.append(frame)
    return np.array(frames), obj, probe, (dy, dx)


def write_cxi(path, frames, slow, fast, translation):
    make_cxi(path, frames)
    with h5py.File(path, "r+") as f:
        put(f["entry_1/instrument_1/detector_1"], "basis_vectors", [slow, fast], None)
        put(f["entry_1/instrument_1/detector_1"], "y_pixel_size", np.linalg.norm(slow), None)
        put(f["entry_1/instrument_1/detector_1"], "x_pixel_size", np.linalg.norm(fast), None)
        f["entry_1/sample_1/geometry_1/translation"][...] = translation


def write_nexus(path, frames, slow, fast, translation):
    make_nexus(path, frames)
    with h5py.File(path, "r+") as f:
        camera, picture = f["scan 7/endstation/camera"], f["scan 7/picture"]
        module = group(camera, "module", "NXdetector_module")
        for name, axis in (("slow_pixel_direction", slow), ("fast_pixel_direction", fast)):
            put(module, name, np.linalg.norm(axis), "m")
            module[name].attrs["vector"] = axis / np.linalg.norm(axis)
        put(camera, "y_pixel_size", np.linalg.norm(slow), "m")
        put(camera, "x_pixel_size", np.linalg.norm(fast), "m")
        put(picture, "x", translation[:, 0], "m")
        put(picture, "y", translation[:, 1], "m")


@pytest.mark.parametrize("write", [write_cxi, write_nexus])
@pytest.mark.parametrize(("slow", "fast"), AXES)
def test_every_detector_orientation_gives_the_patch_that_the_laboratory_sees(tmp_path, rng, write, slow, fast):
    slow, fast = slow * (PY if abs(slow[1]) else PX), fast * (PY if abs(fast[1]) else PX)
    frames, obj, probe, (dy, dx) = laboratory_scan(slow, fast, rng)
    scale = 1e-8 / dy  # any unit of length will do: positions are compared in object pixels
    translation = np.stack([STEPS[:, 1] * dx, STEPS[:, 0] * dy, 0 * STEPS[:, 0]], axis=1) * scale
    write(tmp_path / "run.h5", frames, slow, fast, translation)
    scan = load(tmp_path / "run.h5")
    assert scan.geometry.frame_shape == (NY, NX)
    assert scan.geometry.pixel_size_m == pytest.approx((PY, PX))
    seen = scan.orientation.apply(scan.frames[0:99])
    steps = np.round((scan.positions_m - scan.positions_m[0]) / (np.array([dy, dx]) * scale)).astype(int)
    for frame, (row, column) in zip(seen, steps, strict=True):
        top, left = 20 - NY // 2 + row, 20 - NX // 2 + column
        wave = probe * obj[top : top + NY, left : left + NX]
        expected = abs(np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(wave)))) ** 2
        np.testing.assert_allclose(frame, expected, rtol=1e-9, atol=1e-9 * expected.max())


def test_the_eight_orientations_are_told_apart(tmp_path):
    found = set()
    for k, (slow, fast) in enumerate(AXES):
        path = make_cxi(tmp_path / f"{k}.cxi")
        with h5py.File(path, "r+") as f:
            put(f["entry_1/instrument_1/detector_1"], "basis_vectors", [slow, fast], None)  # unit vectors
        found.add(load(path).orientation)
    assert len(found) == 8


def test_a_marked_corner_lands_where_the_axes_say(tmp_path):
    # slow towards +x (left), fast towards +y (up): pixel (0, 0) is the lower right corner seen from the
    # source, which in rows-down, columns-right is the last row and last column
    data = np.ones((3, 16, 20), np.uint16)
    data[:, 0, 0] = 999
    path = make_cxi(tmp_path / "run.cxi", data)
    with h5py.File(path, "r+") as f:
        put(f["entry_1/instrument_1/detector_1"], "basis_vectors", [[48e-6, 0, 0], [0, 24e-6, 0]], None)
    scan = load(path)
    turned = scan.orientation.apply(scan.frames[0:1])[0]
    assert turned.shape == scan.geometry.frame_shape == (20, 16)
    assert turned[-1, -1] == 999
    assert scan.orientation.apply_point((0, 0), (16, 20)) == (19, 15)


def test_written_axes_are_those_of_the_standard():
    # CXI 1.6: default basis_vectors [[0, -y_pixel, 0], [-x_pixel, 0, 0]]
    np.testing.assert_array_equal(pixel_axes(Orientation(), (PY, PX)), [[0, -PY, 0], [-PX, 0, 0]])
