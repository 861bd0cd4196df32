"""Offsets, leak and their absence are judged against the simulated detector."""

from __future__ import annotations

import numpy as np
import pytest

from scans.darks import combine_darks
from scans.detector_model import DetectorModel, dirty_detector
from scans.margins import clipped_level, find_margin, typical_frame
from scans.offsets import plan_offsets

SIZE = 96
GAIN = 45.0


def beam(tail=4.0, photons=2e4, size=SIZE):
    y, x = np.indices((size, size)) - size // 2
    r = np.hypot(y, x)
    image = np.clip(13.5 - r, 0, 1) * np.clip(r - 4.5, 0, 1) + 0.1 / (1 + (r / 8) ** tail)
    return photons * image / image.sum()


class Case:
    """One simulated scan, its dark subtracted, and its plan; the sample transmits 0.5 to 1."""

    def __init__(self, rng, expected=None, n=40, known=True, **changes):
        quiet = {"scatter_photons": 0.0, "leak_photons": 0.0, "row_drift": 0.0, "frame_drift": 0.0, "flux_noise": 0.0}
        self.model = dirty_detector(**(quiet | changes))
        expected = beam() if expected is None else expected
        self.expected = expected * rng.uniform(0.5, 1, n)[:, None, None]
        shot = self.model.expose(self.expected, rng, dark_frames=30)
        self.truth, gain = shot.truth, self.model.counts_per_photon
        darks = combine_darks(shot.darks, expected.shape, "x")
        # against the darks, whose own drift the simulator does not tell
        self.frames = shot.frames.astype(np.float32) - darks.sets[0].values
        self.light = gain * self.truth.response * (self.expected + self.truth.scatter)
        facts = {"read_noise": darks.read_noise, "counts_per_photon": gain} if known else {}
        self.plan = plan_offsets(self.frames, self.truth.good, **facts)
        self.out = self.frames.copy()
        self.taken = self.plan.apply(self.out)
        drift = self.truth.offsets
        self.drift = drift - drift.mean()

    def rest(self, limit=1e-3):
        """Mean of what is left where no light falls [counts]."""
        dark = self.truth.good & (self.light.mean(axis=0) < limit * self.model.counts_per_photon)
        return float(self.out[:, dark].mean())


@pytest.mark.parametrize("noise_e", [3.0, 10.0, 30.0])
def test_drift_of_frames(rng, noise_e):
    case = Case(rng, read_noise_e=noise_e, frame_drift=0.5)
    wrong = case.taken.frame - case.drift.mean(axis=1)
    wrong -= wrong.mean()
    assert case.plan.mode == "frame"
    assert case.plan.drift_rms == pytest.approx(case.drift.mean(axis=1).std(ddof=1), rel=0.05)
    assert wrong.std() < 2 * case.taken.error[0]
    assert wrong.std() < 0.03 * case.plan.noise
    assert abs(case.rest()) < 0.08 * case.plan.noise
    assert any("drift" in s for s in case.plan.steps)


@pytest.mark.parametrize("noise_e", [3.0, 10.0, 30.0])
def test_drift_of_rows(rng, noise_e):
    case = Case(rng, read_noise_e=noise_e, frame_drift=0.5, row_drift=0.6 * noise_e / 5)
    wrong = case.taken.lines - case.drift
    wrong -= wrong.mean()
    rms = case.model.row_drift
    assert case.plan.mode == "row"
    assert case.plan.line_rms == pytest.approx(rms, rel=0.15)
    # the best that 60 margin pixels a row allow is noise/sqrt(60); twice that
    assert wrong.std() < 2 * case.plan.noise / np.sqrt(60)
    assert wrong.std() < 0.5 * rms


def test_drift_of_columns(rng):
    frames = rng.normal(0, 2.0, (30, 64, 80)).astype(np.float32)
    frames += 100 * beam(size=80)[8:72] / beam().max()
    columns = rng.normal(0, 1.0, (30, 80))
    plan = plan_offsets(frames + columns[:, None].astype(np.float32), np.ones((64, 80), bool))
    assert plan.mode == "column"
    assert plan.line_rms == pytest.approx(1.0, rel=0.15)


@pytest.mark.parametrize("noise_e", [3.0, 10.0, 30.0])
def test_a_steady_detector_is_left_alone(rng, noise_e):
    case = Case(rng, read_noise_e=noise_e)
    assert case.plan.mode == "none"
    assert case.plan.leak is None
    np.testing.assert_array_equal(case.out, case.frames)


@pytest.mark.parametrize("noise_e", [3.0, 10.0, 30.0])
def test_light_leak(rng, noise_e):
    case = Case(rng, read_noise_e=noise_e, leak_photons=0.05)
    true = GAIN * case.truth.leak
    error = (case.plan.leak.surface - true * case.truth.response)[case.truth.good]
    # the leak varies by 20 %: a smooth surface follows it
    assert error.std() < 0.1 * true.mean()
    assert abs(error.mean()) < 0.03 * true.mean() + 0.02 * case.plan.noise
    assert {f.code for f in case.plan.findings} == {"light-leak"}


@pytest.mark.parametrize("gain", [1.0, 5.0, 45.0])
@pytest.mark.parametrize("scatter", [0.5, 5.0])
def test_scatter_everywhere_is_kept(rng, gain, scatter):
    """An integrating detector under a broad scatter: nothing is unexposed, so nothing may be taken."""
    y, x = np.indices((SIZE, SIZE)) - SIZE // 2
    halo = scatter / (1 + np.hypot(y, x) / 40)
    case = Case(rng, beam(2.0, 2e5) + halo, counts_per_photon=gain, sharing_px=0.0, read_noise_e=20.0)
    taken = float((case.frames - case.out).mean())
    assert abs(taken) < 0.02 * gain * scatter
    assert case.plan.mode == "none"


@pytest.mark.parametrize("tail", [2.0, 3.0, 4.0])
@pytest.mark.parametrize("photons", [1e4, 1e6])
def test_noiseless_tails_are_not_eaten(tail, photons):
    frames = (beam(tail, photons) * np.linspace(0.5, 1, 20)[:, None, None]).astype(np.float32)
    out = frames.copy()
    plan_offsets(out, np.ones((SIZE, SIZE), bool), counts_per_photon=1.0).apply(out)
    np.testing.assert_array_equal(out, frames)


@pytest.mark.parametrize("read_noise", [0.3, 1.0, 3.0])
def test_tails_below_the_noise_keep_their_counts(rng, read_noise):
    expected = np.broadcast_to(beam(3.0, 1e6), (40, SIZE, SIZE))
    frames = (rng.poisson(expected) + read_noise * rng.standard_normal(expected.shape)).astype(np.float32)
    out = frames.copy()
    plan = plan_offsets(out, np.ones((SIZE, SIZE), bool), read_noise=read_noise, counts_per_photon=1.0)
    plan.apply(out)
    # what is taken stays below what one frame can show
    assert abs(frames - out).max() < 0.05 * read_noise


def test_without_a_dark_the_offset_is_a_guess(rng):
    frames = rng.normal(400, 3, (20, SIZE, SIZE)).astype(np.float32) + 20 * beam().astype(np.float32)
    plan = plan_offsets(frames, np.ones((SIZE, SIZE), bool), has_dark=False, counts_per_photon=20.0)
    assert plan.leak.level == pytest.approx(400, abs=0.1 * 3)
    assert {f.code: f.level for f in plan.findings} == {"offset-guessed": "caution"}


def test_a_leak_scales_with_the_exposure(rng):
    case = Case(rng, leak_photons=0.05)
    out = np.full((2, SIZE, SIZE), 10, np.float32)
    case.plan.apply(out, np.array([1.0, 0.25]))
    np.testing.assert_allclose((10 - out[1]) * 4, 10 - out[0], rtol=1e-4)


def test_too_few_frames_say_so(rng):
    plan = plan_offsets(np.ones((3, 40, 40), np.float32), np.ones((40, 40), bool))
    assert plan.mode == "none"
    assert "fewer than" in plan.steps[0]


def test_margin_lies_outside_the_beam(rng):
    model = DetectorModel(counts_per_photon=20.0, read_noise_e=10.0)
    frames = model.expose(np.broadcast_to(beam(), (20, SIZE, SIZE)), rng).frames.astype(np.float32)
    margin = find_margin(frames, typical_frame(frames), np.ones((SIZE, SIZE), bool))
    y, x = np.indices((SIZE, SIZE)) - SIZE // 2
    assert not margin.pixels[np.hypot(y, x) < 14].any()
    assert margin.beam == pytest.approx((48, 48), abs=0.3)
    assert margin.noise == pytest.approx(np.hypot(10 * model.counts_per_electron, 12**-0.5), rel=0.05)


def test_clipped_level_is_the_mean_without_photons(rng):
    values = rng.normal(3, 1, (50, 2000))
    clean = values.mean(axis=1)
    values[rng.random(values.shape) < 0.05] += 45
    level = clipped_level(values, np.ones(values.shape, bool), 1.0)
    np.testing.assert_allclose(level, clean, atol=0.06)
    real = rng.random(values.shape) < 0.3
    real[0] = False
    some = clipped_level(values, real, 1.0)
    assert some[0] == 0
    np.testing.assert_allclose(some[1:], clean[1:], atol=0.2)
