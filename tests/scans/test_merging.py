"""Exposures of one position, merged or kept apart, against expected photons of simulated scans."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dirty_scans import CCD, codes, patterns, record, same

from scans.detector_model import DetectorModel
from scans.errors import InputError
from scans.merging import exposure_factors
from scans.preparation import prepare


def pairs(n=30, ratio=10.0, long_s=1.0):
    """Each position twice, short and long in turn: the source for `record`, and the exposures."""
    ideal, pattern = patterns("catalyst", n)
    twice = np.repeat(np.arange(n), 2)
    positions = ideal.positions_m[twice]
    scan = replace(ideal, frames=pattern[twice], positions_m=positions)
    return (scan, pattern[twice]), np.tile([long_s / ratio, long_s], n)


def model_of(prepared, expected, total):
    """Expected counts of merged frames: photons of the whole exposure, times response and flux."""
    response = np.broadcast_to(1.0 if prepared.response is None else prepared.response, prepared.counts.shape)
    return expected[prepared.frame_index] * total * response * prepared.flux[:, None, None]


def test_two_exposures_are_merged_to_a_high_dynamic_range():
    # the long exposure saturates in the bright ring, the short one does not
    source, times = pairs()
    limit = int(0.5 * (source[1] * 2e6).max())
    scan, expected, _ = _two(source, times, limit)
    prepared = prepare(scan)
    assert len(prepared.counts) == 30
    assert prepared.mask.all()
    assert prepared.counts.dtype.kind == "u"
    # photons as counted: sum of what was usable
    model = model_of(prepared, expected, 1.1)
    chi2 = ((prepared.counts - model) ** 2).sum() / model.sum()
    assert chi2 == pytest.approx(1, abs=0.06)
    full = scan.frames[1::2] >= limit
    assert full.any(axis=(1, 2)).all()
    assert np.median(prepared.response[full]) == pytest.approx(0.1 / 1.1, rel=1e-5)
    np.testing.assert_array_equal(prepared.counts[full], scan.frames[0::2][full])
    np.testing.assert_allclose(prepared.response[~full], 1, rtol=1e-6)
    assert (prepared.flux == 1).all()
    assert [j for j, why in prepared.left_out if "merged into" in why] == list(range(1, 60, 2))


def _two(source, times, limit):
    """Photon counter that saturates at `limit`."""
    scan, expected, _ = record(DetectorModel(), 2e6, darks=0, source=source, exposures_s=times)
    return (
        replace(scan, frames=np.minimum(scan.frames, limit), saturation=float(limit), exposures_s=times),
        expected,
        None,
    )


def test_exposures_that_nobody_recorded_are_guessed_and_told():
    source, times = pairs()
    scan, expected, _ = record(DetectorModel(), 1e5, darks=0, source=source, exposures_s=times)
    prepared = prepare(scan)
    assert len(prepared.counts) == 30
    assert "exposures-guessed" in codes(prepared)
    assert prepared.response is None or prepared.response.ndim == 2 or np.ptp(prepared.response) < 0.01
    model = model_of(prepared, expected, 1.1)
    assert ((prepared.counts - model) ** 2).sum() / model.sum() == pytest.approx(1, abs=0.06)


def test_short_exposures_of_a_wide_range_are_not_taken_for_a_closed_shutter():
    # 1 to 200: the short totals are 1 % of the median of both
    source, times = pairs(ratio=200.0)
    scan, _, _ = record(DetectorModel(), 1e6, darks=0, source=source, exposures_s=times)
    assert len(prepare(scan).counts) == 30


def test_exposures_without_a_partner_stay_and_the_flux_has_them():
    ideal, pattern = patterns("catalyst", 60)
    times = np.tile([0.2, 1.0], 30)
    scan, _expected, _ = record(DetectorModel(), 1e5, darks=0, source=(ideal, pattern), exposures_s=times)
    for known in (times, None):
        prepared = prepare(replace(scan, exposures_s=known))
        np.testing.assert_array_equal(prepared.counts, scan.frames)
        assert prepared.response is None
        ratio = prepared.flux[1::2].mean() / prepared.flux[::2].mean()
        assert ratio == pytest.approx(5, rel=0.02 if known is None else 1e-6)
        assert ("exposures-guessed" in codes(prepared)) == (known is None)


@pytest.mark.parametrize("integrates", [False, True])
def test_the_monitor_beside_exposures(integrates):
    # ring current that falls by 30 %: the flux of a merged frame is the monitor's alone
    source, times = pairs()
    decay = np.exp(-0.36 * np.arange(60) / 60)
    scan, _expected, _ = record(
        DetectorModel(), 1e5, darks=0, source=(source[0], source[1] * decay[:, None, None]), exposures_s=times
    )
    monitor = 17 * decay * (times if integrates else 1)
    prepared = prepare(replace(scan, exposures_s=times, monitor=monitor))
    assert len(prepared.counts) == 30
    true = np.array([np.average(decay[2 * k : 2 * k + 2], weights=times[:2]) for k in range(30)])
    np.testing.assert_allclose(prepared.flux, true / np.median(true), rtol=1e-5)
    assert "monitor-doubtful" not in codes(prepared)


def test_merged_frames_of_a_camera_have_the_read_noise_of_both():
    source, times = pairs(ratio=4.0)
    noisy = replace(CCD, read_noise_e=400.0)
    scan, expected, _exposure = record(noisy, 3e5, source=source, exposures_s=times)
    prepared = prepare(replace(scan, exposures_s=times))
    model = model_of(prepared, expected, 1.25)
    good = np.broadcast_to(prepared.mask, model.shape)
    difference = (prepared.counts - model)[good]
    assert difference.mean() == pytest.approx(0, abs=0.02 * model[good].mean())
    dark = model[good] < 0.05
    assert difference[dark].std() == pytest.approx(prepared.read_noise, rel=0.15)


def test_merging_can_be_left_out():
    source, times = pairs()
    scan, _, _ = record(DetectorModel(), 1e5, darks=0, source=source, exposures_s=times)
    prepared = prepare(replace(scan, exposures_s=times), merge=False)
    assert len(prepared.counts) == 60
    assert prepared.flux[1] / prepared.flux[0] == pytest.approx(10, rel=1e-6)


def test_a_merged_scan_prepared_again_is_the_same():
    source, times = pairs()
    scan, _expected, _ = _two(source, times, 2000)
    prepared = prepare(scan)
    assert not same(prepare(prepared.as_scan()), prepared)


@pytest.mark.parametrize("bad", [0.0, np.nan, -1.0])
def test_wrong_exposures_are_an_input_error(bad):
    times = np.array([1.0, bad, 1.0])
    with pytest.raises(InputError, match=r"exposure .* s in 1 of 3 frames.*leave them out"):
        exposure_factors(times, np.zeros((3, 2)), np.ones(3), np.ones(3, bool))
