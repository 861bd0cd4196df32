"""Photons in dark spots between brighter places, against simulated truth and a direct count of charge."""

from __future__ import annotations

import numpy as np
import pytest

from scans.detector_charge import collect
from scans.detector_model import dirty_detector
from scans.gain import estimate_gain
from scans.gain_blocks import BlockHits
from scans.scenario import build


@pytest.fixture(scope="module")
def chart():
    """Expected photons of a test chart, bright up to the frame's edge, for one photon a frame."""
    scan, _ = build("testchart", poisson=False, n_frames=40)
    frames = scan.frames[slice(0, 40)].astype(float)
    return frames / frames.sum(axis=(1, 2)).mean()


@pytest.mark.parametrize(("photons", "noise_e", "sharing_px"), [(1e5, 10, 0.15), (1e6, 5, 0.15), (1e6, 5, 0.0)])
def test_bright_frames_still_tell_the_gain(chart, photons, noise_e, sharing_px):
    model = dirty_detector(read_noise_e=noise_e, sharing_px=sharing_px, adc_top=(1 << 32) - 1)
    record = model.expose(chart * photons, np.random.default_rng(1), dark_frames=20)
    noise = float(np.median(record.darks.std(axis=0, ddof=1)))
    found = estimate_gain(record.frames - record.darks.mean(axis=0), record.truth.good, noise)
    assert abs(found.counts_per_photon - 45) < 2 * found.error
    assert found.error < 0.03 * 45


def test_peak_of_two_photons_is_not_taken_for_one(rng):
    # one photon is 5 rms of the noise, two are 10, three 15: no peak of one photon can be seen
    frames = 5.0 * rng.poisson(0.05, (40, 96, 96)) + rng.standard_normal((40, 96, 96))
    assert estimate_gain(frames, read_noise=1.0).method != "single photons"


def test_speckle_without_photons_has_no_peak(chart, rng):
    frames = chart * 1e6 + rng.normal(0, 0.3, chart.shape)
    assert estimate_gain(frames, read_noise=0.3).counts_per_photon is None


def test_lost_charge_is_added(rng):
    # photons of 100 counts, 0.03 a pixel; the charge of all of them together gives the truth (collect keeps its sum)
    light = np.full((40, 96, 96), 0.03)
    for sharing_px in (0.15, 0.3):
        frames = 100 * collect(light, sharing_px, rng) + 2 * rng.standard_normal(light.shape)
        hits = BlockHits(np.ones((96, 96), bool))
        for frame in frames:
            hits.add(frame, 2.0)
        peak = hits.peak(np.ones((96, 96), bool), 2.0)
        assert peak.gain == pytest.approx(100, rel=0.02)
