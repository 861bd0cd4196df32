"""The whole preparation against the truth of a simulated detector (`scans.detector_model`), effect by effect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dirty_scans import CCD, chi_square, codes, patterns, record
from scipy import ndimage

from scans.detector_model import DetectorModel, dirty_detector
from scans.flat_detector import FlatRemap
from scans.geometry import Geometry
from scans.preparation import prepare
from scans.readout_plan import plan_readout
from scans.scan import Scan
from scans.window import beam_centre

# Sums of 60 frames of 64 x 64 pixels: a chi-square of so many values is known to about 1 %, more where few
# bright pixels hold most of the power; the simulated patterns gave 0.99 to 1.02.
NOISE = 0.04


def check(prepared, expected, *, dim=0.01, chi=NOISE):
    """Counts are photons without bias: the sums agree, dim pixels too, and the scatter is that of photons."""
    ratio, bias, chi2 = chi_square(prepared, expected[prepared.frame_index])
    assert prepared.unit == "photon"
    assert abs(ratio - 1) < 0.005
    assert abs(bias) < dim
    assert abs(chi2 - 1) < chi


# --- the line of the requirement: nothing is known but frames and darks


def knowable(expected, truth):
    """Where a dead pixel can be told: 200 photons in the scan, over ten independent values (Poisson law)."""
    light = truth.flux[:, None, None] * (expected + truth.scatter)
    return (light.sum(0) >= 200) & (light.sum(0) ** 2 / (light**2 + light).sum(0) >= 10)


@pytest.mark.parametrize(
    ("photons", "noise_e", "offset"), [(3e4, 10, (3.3, -2.4)), (1e5, 5, (0, 0)), (1e5, 1, (-4.6, 5.2))]
)
def test_a_dirty_detector_of_which_nothing_is_known(photons, noise_e, offset):
    source = patterns("testchart", 90, frame_px=96, centre_offset_y_px=offset[0], centre_offset_x_px=offset[1])
    model = dirty_detector(read_noise_e=noise_e, dead=60, hot=30, warm=15, stuck=8, adc_top=(1 << 32) - 1)
    scan, expected, exposure = record(
        model, photons, darks=20, source=source, counts_per_photon=None, beam_centre_px=None
    )
    readout, truth = plan_readout(scan), exposure.truth
    centre = beam_centre(scan, readout, None)[0]
    assert np.abs(np.subtract(centre, np.add(48, offset))).max() < 0.2
    assert abs(readout.gain / 45 - 1) < 0.03
    found, known = ~readout.usable, truth.hot | truth.warm | truth.stuck | (truth.dead & knowable(expected, truth))
    assert (found & ~truth.good).sum() >= 0.99 * found.sum()
    assert (found & known).sum() >= 0.99 * known.sum()
    assert (known & truth.dead).sum() >= 5  # the check means something


# --- each effect alone


def test_a_clean_camera():
    scan, expected, _ = record(CCD)
    prepared = prepare(scan)
    check(prepared, expected)
    assert prepared.mask.all()
    # 5 electrons, 915 / 3.65 a photon, and rounding to a twentieth of a photon (uniform law: 1/sqrt(12))
    assert prepared.read_noise == pytest.approx(np.hypot(5 * 3.65 / 915, 0.05 / 12**0.5), rel=0.25)


@pytest.mark.parametrize("change", [{"frame_drift": 1.0}, {"row_drift": 2.0}], ids=str)
def test_a_drifting_offset_is_followed(change):
    scan, expected, _ = record(replace(CCD, **change))
    check(prepare(scan), expected)
    # left alone it would show: a count is a twentieth of a photon
    if "frame_drift" in change:
        assert abs(chi_square(prepare(scan, offset="fixed"), expected)[1]) > 0.03


def test_read_out_smear_is_taken_out():
    scan, expected, _ = record(replace(CCD, smear=1e-3), 3e5)
    prepared = prepare(scan)
    assert any(s.startswith("smear: 0.") for s in prepared.steps)
    # the photons of the smear add their own noise: 1e-3 of the column's sum in every pixel
    ratio, bias, _ = chi_square(prepared, expected)
    assert abs(ratio - 1) < 0.005
    # 20 photons of smear in the brightest columns
    assert abs(bias) < 0.05


def test_a_light_leak_is_taken_out():
    scan, expected, _ = record(replace(CCD, leak_photons=0.3))
    prepared = prepare(scan)
    check(prepared, expected, dim=0.015)
    assert "light-leak" in codes(prepared)


def test_cosmic_rays_are_masked_frame_by_frame():
    scan, expected, exposure = record(replace(CCD, cosmic_rays=0.5, cosmic_e=20000.0))
    prepared = prepare(scan)
    assert prepared.mask.ndim == 3
    hit = exposure.truth.spikes
    # what is masked was hit, or touches what was (shared charge); what was hit and is far above all is masked
    assert (~prepared.mask & hit).sum() >= 0.6 * (~prepared.mask).sum()
    # away from bright speckles, which move from frame to frame
    quiet = ndimage.maximum_filter(expected.max(axis=0), 5) < 5
    clear = hit & quiet & (exposure.frames > CCD.dark_level + 30 * 20)
    assert clear.sum() >= 10
    assert not (clear & prepared.mask).any()
    assert abs(chi_square(prepared, expected)[1]) < 0.02
    assert abs(chi_square(prepared, expected)[0] - 1) < 0.005


@pytest.mark.slow
@pytest.mark.parametrize("transmission", [0.0, 0.05])
def test_a_beamstop_is_masked_or_fitted_and_counts_stay_as_counted(transmission):
    model = replace(CCD, beamstop_px=9.0, beamstop_transmission=transmission)
    scan, expected, exposure = record(model, 1e7, source=patterns("catalyst", 60, defocus_m=15e-6))
    prepared, stop = prepare(scan), exposure.truth.beamstop
    covered = stop & prepared.mask
    if prepared.response is None:  # as good as opaque: then nothing of it may be used
        assert not covered.any()
    else:
        assert np.median(prepared.response[covered]) == pytest.approx(transmission, rel=0.05)
    check(prepared, expected, chi=0.2)


def test_a_flat_field_is_the_response_and_counts_stay_as_counted():
    scan, expected, exposure = record(replace(CCD, flat_rms=0.05), 1e6)
    prepared = prepare(replace(scan, flat=exposure.truth.response))
    assert prepared.response is not None
    np.testing.assert_allclose(prepared.response, exposure.truth.response, rtol=0.005)
    check(prepared, expected, chi=0.06)


def test_masks_of_single_frames_do_not_make_pixels_bad(rng):
    scan, expected, _ = record(DetectorModel(), darks=0)
    masks = rng.random(scan.frames.shape) > 0.02
    masks[::2, 30:34] = False
    prepared = prepare(replace(scan, mask=masks))
    np.testing.assert_array_equal(prepared.mask, masks)
    np.testing.assert_array_equal(prepared.counts, np.where(masks, scan.frames, 0))
    check(prepared, expected)


def test_pixels_that_saturate_in_some_frames_stay_in_the_others():
    scan, expected, _ = record(DetectorModel(), 1e6, darks=0)
    limit = int(np.quantile(expected.max(axis=0), 0.98))
    frames = np.minimum(scan.frames, limit)
    prepared = prepare(replace(scan, frames=frames, saturation=float(limit)))
    np.testing.assert_array_equal(prepared.mask, frames < limit)


def test_a_camera_without_darks_has_its_offset_found_or_is_doubted():
    scan, expected, _ = record(replace(CCD, blank_frames=2), darks=0)
    frames = scan.frames.copy()
    frames[:, :, 20] = 0  # a column that gives nothing does not make zero the level without light
    prepared = prepare(replace(scan, frames=frames))
    assert "offset-guessed" in codes(prepared)
    assert len(prepared.left_out) == 2
    check(prepared, expected, dim=0.02)


def test_a_lit_camera_without_darks_is_doubted(rng):
    # 2 photons in the dimmest pixel, gain 20, offset 300: no pixel without light to see the offset in
    photons = rng.poisson(2 + 30 * rng.random((64, 64)), (40, 64, 64))
    frames = (300 + 20 * photons).astype(np.uint16)
    scan = Scan(frames, np.arange(80.0).reshape(40, 2) ** 1.5 * 1e-8, Geometry(700.0, 0.1, (5e-5, 5e-5), (64, 64)))
    prepared = prepare(replace(scan, counts_per_photon=20.0, beam_centre_px=(32.0, 32.0)))
    assert {"offset-unknown", "offset-guessed", "light-leak-unsure"} & codes(prepared)


@pytest.mark.parametrize("dtype", ["<i4", ">u2", ">f8"])
def test_every_stored_type_of_a_camera_gives_the_same(dtype):
    scan, expected, _ = record(replace(CCD, frame_drift=1.0), source=patterns("catalyst", 24))
    prepared = prepare(replace(scan, frames=scan.frames.astype(dtype)))
    check(prepared, expected, dim=0.02, chi=0.08)


def test_noise_below_zero_is_no_mark():
    # noise of 0.4 counts: -1 comes up in every tenth value, -2 hardly ever
    scan, _expected, _ = record(DetectorModel(read_noise_e=0.4 * 915 / 3.65), darks=0)
    assert (scan.frames < 0).mean() > 0.02
    assert scan.frames.min() >= -2
    prepared = prepare(scan)
    assert prepared.mask.all()
    np.testing.assert_array_equal(prepared.counts, scan.frames)


@pytest.mark.parametrize("n", [1, 2, 3, 7])
def test_few_frames_estimate_nothing(n):
    scan, _expected, _ = record(replace(CCD, frame_drift=1.0, hot=5), darks=0, source=patterns("catalyst", 60))
    scan = replace(scan, frames=scan.frames[:n], positions_m=scan.positions_m[:n], counts_per_photon=None)
    prepared = prepare(scan)
    assert prepared.unit == "ADU"
    assert prepared.mask.all()
    if "offset-guessed" not in codes(prepared):  # one level of thousands of pixels, and told
        np.testing.assert_array_equal(prepared.counts, scan.frames)


def test_featureless_frames_come_out_untouched(rng):
    frames = rng.poisson(5.0, (20, 32, 32)).astype(np.uint16)
    xy = np.stack([np.sqrt(np.arange(20.0)) * np.cos(np.arange(20)), np.arange(20.0) ** 1.3], axis=1) * 1e-7
    prepared = prepare(Scan(frames, xy, Geometry(700.0, 0.1, (5e-5, 5e-5), (32, 32)), beam_centre_px=(16.0, 16.0)))
    np.testing.assert_array_equal(prepared.counts, frames)
    assert prepared.mask.all()


# --- photon counters and calculated frames are left alone


@pytest.mark.parametrize("photons", [1e4, pytest.param(1e7, marks=pytest.mark.slow)])
@pytest.mark.parametrize("trajectory", ["raster", "fermat_spiral"])
@pytest.mark.parametrize("name", ["catalyst", "testchart", "weak"])
def test_photon_counts_are_untouched(name, trajectory, photons):
    ideal, pattern = patterns(name, 40, trajectory=trajectory)
    frames = np.random.default_rng(2).poisson(pattern * photons).astype(np.uint16)
    scan = replace(ideal, frames=frames, counts_per_photon=None)
    prepared = prepare(scan)
    np.testing.assert_array_equal(prepared.counts, frames)
    assert prepared.counts.dtype == (np.uint8 if frames.max() < 256 else np.uint16)
    assert prepared.mask.all()
    assert prepared.response is None
    assert (prepared.flux == 1).all()
    assert prepared.unit == "photon" or "gain-unknown" in codes(prepared)
    wrong = {"smear", "offset-guessed", "light-leak", "beamstop-found", "bad-pixels-found", "monitor-doubtful"}
    assert not wrong & codes(prepared)


def test_frames_without_noise_are_untouched():
    ideal, pattern = patterns()
    frames = (pattern * 1e6).astype(np.float32)
    prepared = prepare(replace(ideal, frames=frames, counts_per_photon=1.0))
    np.testing.assert_array_equal(prepared.counts, frames)
    assert prepared.mask.all()
    assert prepared.response is None


# --- the beam moves


@pytest.mark.parametrize("masked", [False, True])
@pytest.mark.parametrize("bin_", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_a_beam_that_drifts_is_followed(bin_, masked, rng):
    ideal, pattern = patterns("catalyst", 96)
    line = np.linspace(-3, 3, 96)
    moves = np.rint(np.stack([2 * line, line], axis=1)).astype(int)
    moved = np.stack([np.roll(p, m, axis=(0, 1)) for p, m in zip(pattern, moves, strict=True)])
    frames = rng.poisson(moved * 1e5).astype(np.uint16)
    masks = rng.random(frames.shape) > 0.01
    scan = replace(ideal, frames=frames, counts_per_photon=1.0, mask=masks if masked else None)
    prepared = prepare(scan, bin=bin_, size=48 // bin_)
    assert "beam-drift" in codes(prepared)
    good = prepared.mask
    middle = slice(8, 56)
    expected = (pattern * 1e5)[:, middle, middle].reshape(96, 48 // bin_, bin_, 48 // bin_, bin_).sum(axis=(2, 4))
    # frames near a step of the window may go either way: compare those away from it
    sure = np.maximum(np.abs(2 * line - np.rint(2 * line)), np.abs(line - np.rint(line))) < 0.35
    good = np.broadcast_to(good, expected.shape)[sure]
    difference = (prepared.counts[sure] - expected[sure])[good]
    assert (difference**2).sum() / expected[sure][good].sum() == pytest.approx(1, abs=0.05)
    if masked:  # the mask moves with its frame
        there = np.stack([np.roll(f, -m, axis=(0, 1)) for f, m in zip(masks, moves, strict=True)])[:, middle, middle]
        there = there.reshape(96, 48 // bin_, bin_, 48 // bin_, bin_).all(axis=(2, 4))
        np.testing.assert_array_equal(good, there[sure])


def test_the_response_stays_on_the_detector_while_the_window_moves(rng):
    ideal, pattern = patterns("catalyst", 96)
    line = np.linspace(-3, 3, 96)
    moved = np.stack([np.roll(p, m, axis=0) for p, m in zip(pattern, np.rint(2 * line).astype(int), strict=True)])
    flat = rng.normal(1, 0.1, (64, 64)).clip(0.5)
    frames = rng.poisson(moved * flat * 1e5).astype(np.uint16)
    prepared = prepare(replace(ideal, frames=frames, counts_per_photon=1.0, flat=flat), size=48)
    assert prepared.response is not None
    expected = (pattern * 1e5)[:, 8:56, 8:56] / np.median(flat)
    sure = np.abs(2 * line - np.rint(2 * line)) < 0.35
    model = expected * np.median(flat) * np.broadcast_to(prepared.response, expected.shape)
    scale = prepared.counts.sum() / model.sum()
    difference = prepared.counts[sure] - scale * model[sure]
    assert (difference**2).sum() / (scale * model[sure]).sum() == pytest.approx(1, abs=0.1)


@pytest.mark.parametrize("bin_", [1, 2])
def test_a_flat_detector_is_mapped_with_crop_and_bin(bin_):
    # uniform light in frequency space: on the detector a pixel sees the share 1/J of it (see flat_detector)
    n, pixel, distance = 64, 4e-4, 0.05
    u = (np.arange(n) - 32) * pixel / distance
    t2 = u[:, None] ** 2 + u[None, :] ** 2
    light = 1e4 * (1 + t2) ** -2.0  # 1 - s² = 1 / (1 + t²)
    frames = np.repeat(light[None], 4, axis=0).astype(np.float32)
    j = np.arange(4.0)
    geometry = Geometry(700.0, distance, (pixel, pixel), (n, n))
    scan = Scan(frames, np.stack([j**1.5, j], axis=1) * 1e-7, geometry, beam_centre_px=(32.0, 32.0))
    prepared = prepare(replace(scan, counts_per_photon=1.0), flat_detector=True, size=40 // bin_, bin=bin_)
    assert prepared.mask.all()
    assert prepared.response.min() < 0.95
    np.testing.assert_allclose(prepared.normalised(), 1e4 * bin_**2, rtol=0.01)
    plan = FlatRemap.plan((n, n), (32.0, 32.0), (pixel, pixel), distance)
    assert plan.response[32, 32] == 1


def test_a_flat_field_is_binned_with_the_counts():
    ideal, _pattern = patterns()
    flat = np.random.default_rng(4).normal(1, 0.05, (64, 64))
    frames = np.random.default_rng(5).poisson(np.ones((60, 1, 1)) * 400 * flat).astype(np.uint16)
    prepared = prepare(replace(ideal, frames=frames, counts_per_photon=1.0, flat=flat), bin=2)
    quarter = flat.reshape(32, 2, 32, 2).mean(axis=(1, 3))
    np.testing.assert_allclose(prepared.response / quarter, (prepared.response / quarter).mean(), rtol=1e-4)
    # 60 frames of 1600 photons: 0.3 % (Poisson law)
    even = prepared.normalised().mean(axis=0)
    assert even.std() / even.mean() < 0.006
