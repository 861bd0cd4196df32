"""What a sample of stored frames says of its values, on counts drawn from known laws."""

from __future__ import annotations

import numpy as np
import pytest
from dirty_scans import CCD, codes, patterns, record

from scans.detector_model import DetectorModel
from scans.geometry import Geometry
from scans.options import PrepareOptions
from scans.preparation import prepare
from scans.readout_plan import plan_readout, whole_limit
from scans.readout_sample import (
    fill_from_other_frames,
    has_pedestal,
    largest_gain,
    noise_below_zero,
    suspected_saturation,
    top_values,
)
from scans.scan import Scan

ALL = np.ones((32, 32), bool)


def scan_of(frames, **facts):
    j = np.arange(len(frames))
    positions = np.stack([np.sqrt(j) * np.cos(2.4 * j), np.sqrt(j) * np.sin(2.4 * j)], axis=1) * 1e-7
    return Scan(frames, positions, Geometry(700.0, 0.08, (4e-5, 4e-5), frames.shape[1:]), **facts)


# --- a pedestal


@pytest.mark.parametrize("gain", [1, 3, 45])
@pytest.mark.parametrize("mean", [0.01, 0.5, 2.0, 20.0, 300.0])
def test_photons_stand_on_no_pedestal(rng, gain, mean):
    # Poisson law; the sample changes from frame to frame by 20 %
    change = rng.uniform(0.8, 1.2, (60, 1, 1))
    frames = gain * rng.poisson(mean * change * np.ones((60, 32, 32)))
    assert not has_pedestal(frames.astype(np.float32), ALL, whole=True)


@pytest.mark.parametrize("mean", [0.0, 0.05, 0.3])
@pytest.mark.parametrize("noise", [0.5, 4.0])
def test_a_camera_stands_on_its_offset(rng, mean, noise):
    frames = 45 * rng.poisson(mean, (60, 32, 32)) + np.rint(rng.normal(200, noise, (60, 32, 32)))
    assert has_pedestal(frames.astype(np.float32), ALL, whole=True)
    if mean < 0.1:  # fractions are looked at where the dim part is dark
        assert has_pedestal((frames + 0.25).astype(np.float32), ALL, whole=False)


def test_a_stated_gain_shows_a_pedestal_under_light(rng):
    frames = (300 + 20 * rng.poisson(3.5, (60, 32, 32))).astype(np.float32)
    assert has_pedestal(frames, ALL, whole=True, gain=20.0)
    assert not has_pedestal(frames - 300, ALL, whole=True, gain=20.0)


def test_a_dead_column_and_dropped_frames_hide_no_pedestal(rng):
    frames = np.rint(rng.normal(200, 3, (30, 32, 32))).astype(np.float32)
    frames[:, :, 4], frames[7] = 0, 0
    assert has_pedestal(frames, ALL, whole=True)
    assert not has_pedestal(np.zeros((30, 32, 32), np.float32), ALL, whole=True)


def test_a_smooth_pattern_without_noise_stands_on_no_pedestal():
    y, x = np.indices((32, 32)) - 16
    pattern = 1e4 / (1 + (y**2 + x**2)) ** 2
    frames = (pattern * np.linspace(0.9, 1.1, 20)[:, None, None]).astype(np.float32)
    assert not has_pedestal(frames, ALL, whole=False)


# --- marks, gaps, limits


def test_missing_values_come_from_the_frame_before():
    sample = np.arange(5.0)[:, None, None] + np.zeros((5, 2, 2))
    bad = np.zeros(sample.shape, bool)
    bad[[0, 1, 3], 0, 0], bad[:, 1, 1] = True, True
    fill_from_other_frames(sample, bad)
    assert sample[:, 0, 0].tolist() == [2, 2, 2, 2, 4]
    assert sample[:, 1, 1].tolist() == [0] * 5
    assert sample[:, 0, 1].tolist() == [0, 1, 2, 3, 4]


def test_marks_and_noise(rng):
    frames = rng.poisson(0.5, (20, 32, 32)).astype(np.float32)
    frames[:, 10], frames[3, 5, 5] = -1, -2
    assert not noise_below_zero(frames, ALL, (-1, -2))
    assert noise_below_zero(np.rint(rng.normal(0, 0.4, frames.shape)), ALL, (-1, -2))
    frames[3, 5, 5] = -3
    assert noise_below_zero(frames, ALL, (-1, -2))


def test_the_end_of_a_range_that_nobody_states(rng):
    frames = rng.integers(0, 900, (8, 32, 32))
    frames[:, 3, 3] = 1023
    (finding,) = suspected_saturation([top_values(frames, ALL, None)])
    assert "1023 = 2^10 - 1, comes up 8 times" in finding.text
    assert not suspected_saturation([top_values(frames, ALL, 1023)])
    assert not suspected_saturation([(0.0, 0)])


@pytest.mark.parametrize(
    ("limit", "dtype", "expected"),
    [
        (None, "u1", 255),
        (None, "u2", 65534),
        (None, "i2", 32767),
        (99.5, "u2", 100),
        (1e9, "u2", 65534),
        (7.5, "f4", 7.5),
    ],
)
def test_limits_of_stored_types(limit, dtype, expected):
    assert whole_limit(limit, np.dtype(dtype)) == expected


def test_largest_gain_bounds_the_gain(rng):
    frames = (30 * rng.poisson(4.0, (200, 32, 32)) * rng.uniform(0.5, 1.5, (200, 1, 1))).astype(np.float32)
    gain, noise = largest_gain(frames, ALL)
    assert gain >= 30  # Poisson law: variance over mean is the gain, and the sample adds to it
    assert noise > 0
    assert largest_gain(np.zeros((3, 32, 32), np.float32), ALL) == (1.0, 0.0)


def test_photons_of_unknown_gain_are_no_spikes(rng):
    # single photons of 300 counts, one in a thousand values: with a gain of 1 each would be a cosmic ray
    frames = np.full((60, 32, 32), 100.0) + rng.normal(0, 2, (60, 32, 32))
    frames += 300 * (rng.random(frames.shape) < 1e-3)
    frames[:, 12:20, 12:20] += 300 * rng.poisson(50, (60, 8, 8))
    prepared = prepare(scan_of(np.rint(frames).astype(np.uint16), beam_centre_px=(16.0, 16.0)))
    assert prepared.mask.all()


# --- words


def test_bad_pixels_are_told_once():
    model = DetectorModel(counts_per_photon=20.0, dark_level=300.0, read_noise_e=5.0, hot=12, dead=12, dead_columns=1)
    prepared = prepare(record(model)[0])
    assert len([s for s in prepared.steps if s.startswith("bad pixels")]) == 2  # of darks, and of frames
    assert [f.code for f in prepared.findings].count("bad-pixels-found") == 1
    assert "dark-pixels" not in codes(prepared)


def test_bad_pixels_that_stay_are_told():
    model = DetectorModel(counts_per_photon=20.0, dark_level=300.0, read_noise_e=5.0, hot=12, dead=12)
    prepared = prepare(record(model)[0], bad_pixels=False)
    assert {"dark-pixels", "bad-pixels-kept"} <= codes(prepared)
    assert prepared.mask.all()


def test_no_finding_comes_twice():
    model = DetectorModel(counts_per_photon=20.0, dark_level=300.0, read_noise_e=5.0, hot=12, frame_drift=1.0)
    found = [f.code for f in prepare(record(model)[0]).findings]
    assert len(found) == len(set(found))


def test_darks_can_be_left_alone_and_the_offset_fixed():
    scan, _, _ = record(CCD)
    assert plan_readout(scan, PrepareOptions(dark="none")).darks is None
    assert plan_readout(scan, PrepareOptions(offset="fixed")).offsets is None


def test_darks_of_several_exposures_go_to_their_frames():
    # two exposures, a dark current of 40 electrons a second beside the offset: each frame needs its own dark
    ideal, pattern = patterns("catalyst", 40)
    model = DetectorModel(counts_per_photon=20.0, dark_level=300.0, read_noise_e=3.0, dark_current_e=400.0)
    times = np.tile([0.2, 1.0], 20)
    dark_times = np.repeat([0.2, 1.0], 12)
    exposure = model.expose(pattern * 1e5, np.random.default_rng(3), exposures_s=times, dark_exposures_s=dark_times)
    scan = Scan(
        exposure.frames,
        ideal.positions_m,
        ideal.geometry,
        dark=exposure.darks,
        dark_exposures_s=dark_times,
        exposures_s=times,
        counts_per_photon=20.0,
        beam_centre_px=ideal.beam_centre_px,
    )
    prepared = prepare(scan)
    for which, share in ((slice(0, None, 2), 0.2), (slice(1, None, 2), 1.0)):
        model_counts = pattern[which] * 1e5 * share
        dim = model_counts < 0.05
        # 400 electrons of dark current are 1.6 photons
        assert abs((prepared.counts[which] - model_counts)[dim].mean()) < 0.03
