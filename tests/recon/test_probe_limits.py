"""Limits of the probe: a linear map against plain masks, and every solver within them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers_core import CPU, GEOMETRY, curved_probe, noise, problem_from_model, smooth_object, spiral_px

from recon.loop import Loop, Stage
from recon.probe_limits import ProbeLimits, probe_limits
from recon.solvers import SOLVERS, make_solver, within_limits
from recon.state import start_state

N = 16


def some_limits(rng):
    return ProbeLimits(support=(rng.random((N, N)) > 0.4).astype(float), band=(rng.random((N, N)) > 0.4).astype(float))


def test_the_map_and_its_adjoint(rng):
    limits = some_limits(rng)
    a, b = noise(rng, 2, N, N), noise(rng, 2, N, N)
    np.testing.assert_allclose(np.vdot(b, limits(a)), np.vdot(limits.adjoint(b), a), rtol=1e-12)
    plain = np.fft.ifft2(np.fft.fft2(a) * limits.band) * limits.support
    np.testing.assert_allclose(limits(a), plain, atol=1e-13)
    np.testing.assert_array_equal(ProbeLimits()(a), a)


def test_disc_and_band_in_metres():
    # λ z / (N p) from the Fraunhofer formula (a textbook fact): the object's pixel of these frames
    geometry = GEOMETRY.with_frame_shape((32, 32))
    pixel = 1.23984198e-6 / 710.0 * 0.058 / (32 * 88e-6)
    limits = probe_limits(geometry, CPU, np.dtype(float), diameter_m=10.2 * pixel, highest_per_m=4.5 / (32 * pixel))
    assert limits.support.sum() == sum(y * y + x * x <= 5.1**2 for y in range(-9, 9) for x in range(-9, 9))
    assert limits.support[16, 16] == limits.support[16, 21] == 1
    assert limits.support[16, 22] == 0
    assert limits.band[0, 4] == limits.band[0, -4] == 1
    assert limits.band[0, 5] == limits.band[0, 16] == 0
    assert probe_limits(geometry, CPU, np.dtype(float)) is None


@pytest.mark.parametrize("name", SOLVERS)
def test_every_solver_keeps_the_disc(rng, name):
    # the starting probe is wider than the disc, the true one within it: the fit is no worse for that
    y, x = np.mgrid[:N, :N] - N // 2
    disc = (np.hypot(y, x) <= 6).astype(float)
    probe = 1e3 * curved_probe(N, sigma=1.8) * disc
    problem = problem_from_model(smooth_object(rng, (48, 48)), probe, 24 + spiral_px(30, 3.0))
    problem = replace(problem, limits=ProbeLimits(support=disc))
    wide = 1e3 * curved_probe(N, sigma=2.6)
    state, solver = start_state(problem, wide, 0), within_limits(make_solver(name, {}), problem)
    state.iteration = 100  # late in a run: maximum likelihood takes its common steps too
    loop = Loop(problem, [Stage("a", solver, 20)])
    loop.run(state)
    assert not state.probe[:, disc == 0].any()
    assert state.probe[:, disc > 0].any()
    assert loop.records[-1].r_factor < 0.5 * loop.records[0].r_factor


def test_maximum_likelihood_ends_at_the_best_probe_of_the_band(rng):
    # the counts are those of a probe in the band: it is found, though the start lies outside
    f = np.fft.fftfreq(N)
    band = (np.hypot(f[:, None], f) < 0.3).astype(float)
    limits = ProbeLimits(band=band)
    probe = limits(1e3 * curved_probe(N, sigma=2.2))
    object_ = smooth_object(rng, (48, 48))
    problem = replace(problem_from_model(object_, probe, 24 + spiral_px(40, 2.5)), limits=limits)
    state = start_state(problem, probe + 20 * noise(rng, 1, N, N), 0)
    state.object_ = object_ + 0.05 * noise(rng, 48, 48)
    Loop(problem, [Stage("a", make_solver("maximum_likelihood", {}), 60)]).run(state)
    np.testing.assert_allclose(state.probe, limits(state.probe), atol=1e-9 * abs(probe).max())
    overlap = abs(np.vdot(state.probe, probe)) / (np.linalg.norm(state.probe) * np.linalg.norm(probe))
    assert overlap > 1 - 1e-3
