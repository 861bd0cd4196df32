"""Slopes of the misfit along positions, against differences; simulated truth: test_orientation.py."""

from dataclasses import replace

import numpy as np

from recon import backend
from recon.frames import Model
from recon.kernels import PassSums, residual_pass
from recon.problem import make_problem
from recon.stage_affine import fit_affine, position_slopes
from scans.preparation import prepare
from scans.scenario import build

SMALL = {"frame_px": 48, "n_frames": 64, "detector_pixel_m": 120e-6, "zone_plate_diameter_m": 240e-6}
HARD = {"outer_zone_m": 50e-9, "photons_per_frame": 1e6, "poisson": False}


def test_slopes_are_differences_of_the_misfit(rng):
    # central differences of Σ(√I - √i)²/2 with the pass of the residuals, in double precision
    prepared = prepare(build("testchart", **SMALL, **HARD)[0]).part(slice(0, 6))
    problem = make_problem(prepared, backend.open_device("cpu"), precision="double")
    shape = problem.object_shape
    object_ = 1 + 0.3 * (rng.normal(size=shape) + 1j * rng.normal(size=shape))
    y, x = np.mgrid[:48, :48] - 24
    probe = (np.exp(-(y**2 + x**2) / 40 + 0.02j * (y**2 + x**2)) * np.sqrt(problem.power / 60))[None]
    every = np.arange(6)

    def misfit(positions_px):
        batch = problem.batch(every, positions_px)
        expected = residual_pass(Model(object_, probe), batch, PassSums.like(Model(object_, probe)))
        return 0.5 * ((np.sqrt(batch.counts) - np.sqrt(expected)) ** 2).sum(axis=(1, 2))

    found = position_slopes(Model(object_, probe), problem.batch(every, problem.positions_px), problem.dark)
    for axis in (0, 1):
        step = 1e-4 * np.eye(2)[axis]
        expected = (misfit(problem.positions_px + step) - misfit(problem.positions_px - step)) / 2e-4
        # truncation of the differences: measured 1e-7 of the largest, with a margin of 100
        np.testing.assert_allclose(found[:, axis], expected, atol=1e-5 * np.abs(expected).max())


def test_noise_alone_tells_nothing(rng):
    prepared = prepare(build("testchart", **SMALL, **HARD)[0]).part(slice(0, 30))
    mean = prepared.counts.mean(axis=0, dtype=np.float64)
    noise = rng.poisson(0.01 * mean, prepared.counts.shape).astype(np.float32)
    probe = np.fft.fftshift(np.fft.ifft2(np.fft.ifftshift(np.sqrt(mean))))[None] * 4.8
    found = fit_affine(replace(prepared, counts=noise), probe)
    assert found.rotation_rad is None
    assert found.why
