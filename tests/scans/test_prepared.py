"""Scans that need nothing come out untouched, and single effects are taken out with the right numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scans.beam import find_beam
from scans.preparation import prepare
from scans.scenario import build


@pytest.fixture(scope="module")
def catalyst():
    """Expected photons for one photon a frame ``(60, 96, 96)``, and the scan without metadata on the detector."""
    scan, _ = build("catalyst", poisson=False, n_frames=60)
    frames = scan.frames[slice(0, 60)].astype(float)
    bare = replace(scan, counts_per_photon=None, saturation=None, beam_centre_px=None, notes=())
    return frames / frames.sum(axis=(1, 2)).mean(), bare


def no_correction(prepared):
    names = {s.split(":")[0] for s in prepared.steps}
    return not names & {"bad pixels", "masked", "smear", "offset", "spikes", "beamstop", "drift", "flux", "exposures"}


@pytest.mark.parametrize("name", ["catalyst", "testchart", "weak"])
@pytest.mark.parametrize("photons", [1e4, 1e7])
def test_photon_counters_come_out_bit_for_bit(name, photons):
    # the simulation of a perfect counter is the truth: nothing is wrong with it
    scan, _ = build(name, n_frames=60, photons_per_frame=photons)
    frames = scan.frames[slice(0, 60)].astype(np.uint16)
    bare = replace(scan, frames=frames, counts_per_photon=None, beam_centre_px=None)
    out = prepare(bare, centre_px=(48, 48))
    np.testing.assert_array_equal(out.counts, frames)
    assert out.mask.ndim == 2
    assert out.mask.all()
    assert out.response is None
    assert (out.flux == 1).all()
    assert no_correction(out)


def test_noise_free_fractions_are_left_alone(catalyst):
    patterns, bare = catalyst
    frames = (patterns * 1e6).astype(np.float32)
    out = prepare(replace(bare, frames=frames), centre_px=(48, 48))
    np.testing.assert_array_equal(out.counts, frames)
    assert out.mask.all()
    assert no_correction(out)


@pytest.mark.parametrize("masked", [False, True])
@pytest.mark.parametrize("bin", [1, 2])
def test_a_drifting_beam_is_followed(catalyst, rng, bin, masked):
    patterns, bare = catalyst
    moves = np.rint(np.linspace(-3, 3, 60)).astype(int)
    frames = np.stack([np.roll(f, k, axis=0) for f, k in zip(patterns * 1e6, moves, strict=True)])
    mask = rng.random(frames.shape) > 0.001 if masked else None
    out = prepare(replace(bare, frames=rng.poisson(frames).astype(np.uint16), mask=mask), bin=bin, size=96 // bin)
    seen = np.broadcast_to(out.mask, out.counts.shape)
    centres = []
    for rows in (slice(0, 20), slice(-20, None)):
        n = seen[rows].sum(axis=0)
        disc = find_beam(out.counts[rows].sum(axis=0) / np.maximum(n, 1), n > 0)
        assert disc is not None
        centres.append(disc.centre)
    # not followed, the thirds lie 4 pixels apart
    assert abs(centres[0][0] - centres[1][0]) * bin < 0.3
    second = prepare(out.as_scan())
    np.testing.assert_array_equal(second.counts, out.counts)


def test_flat_field_goes_into_the_response(catalyst, rng):
    patterns, bare = catalyst
    flat = rng.uniform(0.7, 1.3, (96, 96))
    photons = rng.poisson(patterns * 1e6 * flat).astype(np.uint16)
    out = prepare(replace(bare, frames=photons, flat=flat), centre_px=(48, 48))
    np.testing.assert_array_equal(out.counts, photons)
    expected = out.response * patterns * 1e6
    bright = expected > 20
    scale = out.counts[bright].sum() / expected[bright].sum()
    # Poisson law: chi-square a value is 1, here over some 1e5 values
    chi2 = ((out.counts - scale * expected) ** 2 / (scale * expected))[bright].mean()
    assert chi2 == pytest.approx(1, abs=0.03)
    second = prepare(out.as_scan())
    np.testing.assert_array_equal(second.counts, out.counts)
    np.testing.assert_allclose(second.response, out.response, rtol=1e-6)


def test_monitor_dropped_frames_and_idempotence(catalyst, rng):
    patterns, bare = catalyst
    beam = np.linspace(1.2, 0.8, 60)
    beam[[5, 40]] = 0
    frames = rng.poisson(patterns * 1e6 * beam[:, None, None]).astype(np.uint16)
    monitor = beam * 3e-7
    monitor[50] = np.nan
    out = prepare(replace(bare, frames=frames, monitor=monitor))
    assert [j for j, _ in out.left_out] == [5, 40, 50]
    used = out.frame_index
    np.testing.assert_allclose(out.flux / out.flux[0], beam[used] / beam[used][0], rtol=1e-6)
    second = prepare(out.as_scan())
    np.testing.assert_array_equal(second.flux, out.flux)
    np.testing.assert_array_equal(second.counts, out.counts)


@pytest.mark.parametrize("dtype", ["<u2", ">u2", "<i4", ">i8", "f4", ">f8"])
def test_stored_types_and_gaps(catalyst, dtype):
    patterns, bare = catalyst
    photons = np.random.default_rng(6).poisson(patterns * 1e6)
    stored = photons.astype(dtype)
    gap = np.zeros(photons.shape, bool)
    if stored.dtype.kind == "f":
        gap[3, 4, 5] = gap[7, 50, 40] = True
        stored[3, 4, 5], stored[7, 50, 40] = np.nan, np.inf
    elif stored.dtype.kind == "i":
        gap[3, 4, 5] = gap[7, 50, 40] = True
        stored[gap] = -1
    out = prepare(replace(bare, frames=stored), centre_px=(48, 48))
    assert out.counts.dtype == np.uint16
    np.testing.assert_array_equal(out.counts, np.where(gap, 0, photons))
    np.testing.assert_array_equal(np.broadcast_to(out.mask, gap.shape), ~gap)
    assert out.unit == "photon"


@pytest.mark.parametrize("n", [1, 2, 3, 7])
def test_tiny_scans(catalyst, n):
    patterns, bare = catalyst
    photons = np.random.default_rng(n).poisson(patterns[:n] * 1e6).astype(np.uint16)
    scan = replace(bare, frames=photons, positions_m=bare.positions_m[:n])
    out = prepare(scan, centre_px=(48, 48))
    np.testing.assert_array_equal(out.counts, photons)
    assert out.mask.all()
