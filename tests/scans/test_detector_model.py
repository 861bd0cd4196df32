"""The simulated detector against the laws that its parts must follow."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from scans.detector_charge import FANO, sharing_weights
from scans.detector_model import DetectorModel, dirty_detector
from scans.errors import InputError

FLAT = np.full((60, 32, 32), 10.0)


def expose(model, expected=FLAT, seed=0, **options):
    return model.expose(expected, np.random.default_rng(seed), **options)


def test_defaults_count_photons():
    record = expose(DetectorModel())
    # Poisson law: mean and variance 10; 61440 values
    assert record.frames.mean() == pytest.approx(10, abs=0.06)
    assert record.frames.var() == pytest.approx(10, rel=0.03)
    assert record.darks is None
    assert record.truth.good.all()


def test_same_seed_same_frames():
    one, other = (expose(dirty_detector(), dark_frames=4) for _ in range(2))
    assert np.array_equal(one.frames, other.frames)
    assert np.array_equal(one.darks, other.darks)


def test_gain_and_fano_noise():
    # per photon g = 40: variance = g² N (1 + F 3.65 / E); read noise 20 e = 20 g 3.65 / E (textbook)
    model = DetectorModel(energy_ev=500, counts_per_photon=40, fano=FANO, read_noise_e=20)
    values = expose(model, np.full((100, 40, 40), 10.0)).frames
    electron = 40 * 3.65 / 500
    assert values.mean() == pytest.approx(400, rel=0.003)
    assert values.var() == pytest.approx(16000 * (1 + FANO * 3.65 / 500) + (20 * electron) ** 2, rel=0.02)


def test_sharing_weights_are_integrals_of_the_cloud():
    # reference: numerical integral of the Gaussian over the pixel where the photon lands at +0.125
    weight = sharing_weights(0.2)[2]
    centre = len(weight) // 2
    for k in (-1, 0, 1):
        expected = integrate.quad(lambda x: stats.norm.pdf(x, 0.125, 0.2), k - 0.5, k + 0.5)[0]
        assert weight[centre + k] == pytest.approx(expected, abs=1e-6)


def test_sharing_keeps_charge_and_lowers_variance():
    model = DetectorModel(counts_per_photon=100, sharing_px=0.25)
    frames = expose(model, np.full((200, 24, 24), 5.0)).frames[:, 2:-2, 2:-2].astype(float)
    weights = sharing_weights(0.25)
    kept = (weights**2).sum(axis=1).mean() ** 2
    assert frames.mean() == pytest.approx(500, rel=0.005)
    assert frames.var() == pytest.approx(1e4 * 5 * kept, rel=0.03)  # compound Poisson: mean of the squared shares
    sums = frames.reshape(200, 2, 10, 2, 10).sum(axis=(2, 4))
    assert sums.var() > 0.8 * 1e4 * 5 * 100


def test_faults_are_where_the_truth_says():
    model = DetectorModel(
        dark_level=100, hot=9, hot_e=4000, dead=8, stuck=7, weak=6, warm=5, dead_columns=1, counts_per_photon=20
    )
    record = expose(model, dark_frames=20)
    truth, mean, dark = record.truth, record.frames.mean(axis=0), record.darks.mean(axis=0)
    assert [int(m.sum()) for m in (truth.hot, truth.dead, truth.stuck, truth.weak, truth.warm)] == [9, 8, 7, 6, 5]
    assert np.allclose(mean[truth.dead | truth.dead_columns], 100)
    assert (dark[truth.hot] > 110).all()
    assert (record.frames.std(axis=0)[truth.stuck] == 0).all()
    assert (mean[truth.weak] - 100 < 0.7 * 200).all()
    assert (record.darks.std(axis=0)[truth.warm] > 10).all()
    assert mean[truth.good].mean() == pytest.approx(300, rel=0.01)


def test_smear_is_a_share_of_the_column():
    expected = np.zeros((50, 20, 20))
    expected[:, 5:10, 7] = 1e4
    frames = expose(DetectorModel(smear=0.01), expected, exposures_s=np.full(50, 0.5)).frames
    # the share does not know the exposure: 0.01 x 5e4
    assert frames[:, 15, 7].mean() == pytest.approx(500, rel=0.02)
    assert frames[:, 5, 7].mean() == pytest.approx(5000 + 500, rel=0.02)
    assert not frames[:, :, 8].any()


def test_leak_and_scatter_need_the_beam():
    model = DetectorModel(leak_photons=3, scatter_photons=2, closed_frames=10)
    record = expose(model, np.zeros((40, 24, 24)), dark_frames=5)
    truth = record.truth
    lit = record.frames[~truth.closed].mean(axis=0)
    assert not record.darks.any()
    assert not record.frames[truth.closed].any()
    assert lit.mean() == pytest.approx((truth.leak + truth.scatter).mean(), rel=0.05)


def test_leaked_light_is_less_noisy_than_photons():
    # it comes electron by electron: variance = mean x gain of one electron (Poisson law)
    model = DetectorModel(counts_per_photon=200, leak_photons=2)
    record = expose(model, np.zeros((200, 16, 16)))
    variance = record.frames.var(axis=0).mean()
    assert variance == pytest.approx(200 * 3.65 / 710 * record.frames.mean(), rel=0.1)


def test_exposure_scales_the_beam_and_closed_and_blank_frames_are_listed():
    times = np.repeat([0.1, 1.0], 30)
    record = expose(DetectorModel(blank_frames=2, dark_level=7, closed_frames=3), exposures_s=times)
    truth, sums = record.truth, record.frames.mean(axis=(1, 2))
    assert (sums[truth.blank] == 0).all()
    assert np.allclose(sums[truth.closed], 7)
    usual = ~truth.blank & ~truth.closed
    assert sums[usual & (times < 1)].mean() - 7 == pytest.approx(1, rel=0.05)
    assert sums[usual & (times == 1)].mean() - 7 == pytest.approx(10, rel=0.02)


def test_flux_decays_exponentially():
    record = expose(DetectorModel(flux_loss=0.3))
    assert record.truth.flux[0] == 1
    assert record.truth.flux[-1] == pytest.approx(0.7)
    assert np.ptp(np.diff(np.log(record.truth.flux))) < 1e-12


def test_offset_drift_and_beamstop():
    model = DetectorModel(dark_level=500, frame_drift=3, row_drift=1, beamstop_px=5, beamstop_transmission=0.1)
    record = expose(model, np.full((40, 32, 32), 50.0))
    truth = record.truth
    assert truth.beamstop.sum() == pytest.approx(math.pi * 25, rel=0.1)
    assert record.frames[:, truth.beamstop].mean() - 500 - truth.offsets.mean() == pytest.approx(5, abs=1)
    outside = record.frames[:, :8].mean(axis=(1, 2)) - 550
    assert np.abs(outside - truth.offsets[:, :8].mean(axis=1)).max() < 5 * math.sqrt(50 / 256)


def test_saturation_by_well_and_by_converter():
    expected = np.full((10, 16, 16), 100.0)
    well = expose(DetectorModel(full_well_e=90 * 710 / 3.65), expected)
    assert well.frames.max() == 90
    assert np.array_equal(well.frames == 90, well.truth.saturated | (well.frames == 90))
    top = expose(DetectorModel(adc_top=95), expected)
    assert top.frames.dtype == np.uint16
    assert top.frames.max() == 95
    assert np.array_equal(top.frames == 95, top.truth.saturated)


def test_cosmic_rays_are_in_single_frames_and_in_the_truth():
    model = DetectorModel(cosmic_rays=2, cosmic_e=5000)
    record = expose(model, np.zeros((100, 32, 32)))
    assert np.array_equal(record.frames > 5, record.truth.spikes)
    # Poisson of mean 2 a frame, 1 or 2 to 6 pixels
    assert 150 * 1.5 < record.truth.spikes.sum() < 260 * 3.5


@pytest.mark.parametrize(("name", "value"), [("energy_ev", 0), ("read_noise_e", -1), ("smear", math.nan)])
def test_nonsense_is_an_error(name, value):
    with pytest.raises(InputError, match=name):
        DetectorModel(**{name: value})
