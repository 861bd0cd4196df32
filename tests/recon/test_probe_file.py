"""A probe from a file: what was written comes back, on another pixel too; what does not fit is refused."""

from __future__ import annotations

from dataclasses import replace

import h5py
import numpy as np
import pytest
from helpers_core import GEOMETRY, noise

from recon.probe_file import probe_from_file, resampled
from recon.result_file import write_result
from scans.errors import InputError
from scans.geometry import Geometry


def gaussian(geometry, waist_m):
    """A tilted Gaussian beam at a distance from its waist, in metres."""
    (n, _), (d, _) = geometry.frame_shape, geometry.object_pixel_m
    y = (np.arange(n) - n // 2) * d
    square = y[:, None] ** 2 + y**2
    return np.exp(-square / waist_m**2 * (1 + 0.6j) + 1j * y[:, None] / waist_m)[None]


def test_the_probe_of_a_result(result, tmp_path):
    path = write_result(tmp_path / "r.h5", result)
    # the pixel of this fixture is not that of its geometry
    modes, how = probe_from_file(str(path), _with_pixel(result.geometry, result.pixel_m))
    assert how == str(path)
    np.testing.assert_allclose(modes, result.probe, atol=1e-6)


def _with_pixel(geometry, step):
    n, near = np.array(geometry.frame_shape), replace(geometry, distance_m=0.01)
    pixels = near.wavelength_m * near.distance_m / (n * np.array(step))
    return replace(near, pixel_size_m=tuple(pixels.tolist()))


def test_arrays_come_back(rng, tmp_path):
    geometry = GEOMETRY.with_frame_shape((12, 12))
    modes = noise(rng, 2, 12, 12)
    np.save(tmp_path / "p.npy", modes)
    with h5py.File(tmp_path / "p.h5", "w") as file:
        file["a/probe"] = modes[0]
    np.testing.assert_array_equal(probe_from_file(str(tmp_path / "p.npy"), geometry)[0], modes)
    found, how = probe_from_file(f"{tmp_path / 'p.h5'}::/a/probe", geometry)
    np.testing.assert_array_equal(found, modes[:1])
    assert "taken to be on the pixel of the scan" in how


def test_another_pixel_against_the_analytic_beam():
    coarse = Geometry(energy_ev=700.0, distance_m=0.1, pixel_size_m=(50e-6, 50e-6), frame_shape=(64, 64))
    fine = replace(coarse, energy_ev=900.0, frame_shape=(96, 96))
    waist = 8 * coarse.object_pixel_m[0]
    found = resampled(gaussian(coarse, waist), coarse.object_pixel_m, fine)
    np.testing.assert_allclose(found, gaussian(fine, waist), atol=3e-3)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda p: np.save(p, np.ones((8, 8), complex)), "8 x 8 pixels of unknown size"),
        (lambda p: np.save(p, np.ones((12, 12))), "an array of float64"),
        (lambda p: np.save(p, np.full((12, 12), np.nan + 0j)), "without finite values"),
        (lambda p: p.write_bytes(b"no array"), "cannot be read"),
        (lambda p: None, "cannot be read"),
    ],
)
def test_what_does_not_fit_is_refused(tmp_path, make, told):
    path = tmp_path / "p.npy"
    make(path)
    with pytest.raises(InputError, match=told) as info:
        probe_from_file(str(path), GEOMETRY.with_frame_shape((12, 12)))
    assert "probe.file" in info.value.fix


def test_files_without_a_probe_are_refused(tmp_path):
    with h5py.File(tmp_path / "p.h5", "w") as file:
        file["other"] = 1
    with pytest.raises(InputError, match="no dataset /entry/probe/modes"):
        probe_from_file(str(tmp_path / "p.h5"), GEOMETRY)
    with pytest.raises(InputError, match="no such file"):
        probe_from_file(str(tmp_path / "none.h5"), GEOMETRY)


def test_a_probe_that_is_wider_than_the_frame_is_refused(result, tmp_path):
    path = write_result(tmp_path / "r.h5", result)  # white noise on all of its frame
    small = _with_pixel(result.geometry, (2e-9, 2e-9))
    with pytest.raises(InputError, match="would lie outside of the frame"):
        probe_from_file(str(path), small)
