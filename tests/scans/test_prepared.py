"""A prepared scan is a scan of its own: preparing it again, or by its settings, changes nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dirty_scans import CCD, codes, patterns, record, same

import scans
from scans.detector_model import DetectorModel, dirty_detector
from scans.preparation import prepare


def again(prepared):
    """Prepare a prepared scan; only what the corrections would add may not be there."""
    second = prepare(prepared.as_scan())
    corrections = ("dark", "bad pixels", "smear", "offset", "beamstop", "flat field", "masked", "exposures", "drift")
    assert not [s for s in second.steps if s.split(":")[0] in corrections]
    assert not {f for f in codes(second) - codes(prepared) if f != "masked-pixels"}
    return second


def dirty(**facts):
    return record(dirty_detector(flux_loss=0.2), 1e5, source=patterns("testchart", 90, frame_px=96), **facts)


CASES = {
    "counter": lambda: record(DetectorModel(), darks=0)[0],
    "dirty": lambda: dirty(counts_per_photon=None, beam_centre_px=None)[0],
    "monitor": lambda: _with_monitor(),
    "flat": lambda: _with_flat(),
    "gain unknown": lambda: record(replace(CCD, frame_drift=0.5), 1e7, counts_per_photon=None)[0],
    "saturated": lambda: replace(record(DetectorModel(), 1e6, darks=0)[0], saturation=900.0),
    "closed": lambda: record(DetectorModel(closed_frames=4, blank_frames=3, scatter_photons=0.02), darks=0)[0],
}


def _with_monitor():
    scan, _, exposure = dirty()
    monitor = 3.2 * exposure.truth.flux
    monitor[5] = 0
    return replace(scan, monitor=monitor)


def _with_flat():
    scan, _, exposure = record(replace(CCD, flat_rms=0.05))
    return replace(scan, flat=exposure.truth.response)


@pytest.fixture(scope="module", params=CASES)
def pair(request):
    scan = CASES[request.param]()
    return scan, prepare(scan)


def test_preparing_again_changes_nothing(pair):
    assert not same(again(pair[1]), pair[1])


def test_the_settings_make_the_same_frames(pair):
    scan, prepared = pair
    settings = {name: value for name, value in prepared.settings.items() if name != "orientation"}
    assert not same(prepare(scan, **settings), prepared)


@pytest.mark.parametrize("suffix", [".cxi", pytest.param(".nxs", marks=pytest.mark.slow)])
def test_a_written_scan_prepared_again_is_the_same(pair, suffix, tmp_path):
    prepared = pair[1]
    second = again_from_file(prepared, tmp_path / f"ready{suffix}")
    # positions and geometry go through other units: a rounding step
    assert not set(same(second, prepared)) - {"positions_m", "geometry"}
    np.testing.assert_allclose(second.positions_m, prepared.positions_m, rtol=0, atol=1e-15)
    assert second.geometry.energy_ev == pytest.approx(prepared.geometry.energy_ev, rel=1e-12)
    assert second.geometry.pixel_size_m == pytest.approx(prepared.geometry.pixel_size_m, rel=1e-12)


def again_from_file(prepared, path):
    return prepare(scans.load(scans.write(path, prepared.as_scan())))


def test_a_count_of_255_is_no_saturation(rng):
    # 255 is the top of the smallest type, and as good as any other count
    ideal, pattern = patterns()
    frames = rng.poisson(pattern * 1e5).astype(np.uint16)
    frames = np.minimum(frames, 255)
    frames[3, 20, 20] = 255
    prepared = prepare(replace(ideal, frames=frames))
    assert prepared.counts.dtype == np.uint8
    second = prepare(prepared.as_scan())
    assert second.counts.max() == 255
    assert not same(second, prepared)


def test_a_part_keeps_what_belongs_to_its_frames(pair):
    prepared = pair[1]
    part = prepared.part(slice(4, 9))
    np.testing.assert_array_equal(part.counts, prepared.counts[4:9])
    np.testing.assert_array_equal(part.flux, prepared.flux[4:9])
    np.testing.assert_array_equal(part.totals(), prepared.totals()[4:9])


def test_normalised_counts_are_what_the_model_gives():
    scan, expected, exposure = record(replace(CCD, flat_rms=0.05, flux_loss=0.3), 1e6)
    scan = replace(scan, flat=exposure.truth.response, monitor=exposure.truth.flux)
    prepared = prepare(scan)
    # sums over many photons: 1 %
    bright = expected.mean(axis=0) > 20
    got = prepared.normalised().sum(axis=0)[bright]
    want = expected.sum(axis=0)[bright] * np.median(exposure.truth.flux)
    assert np.median(got / want) == pytest.approx(1, abs=0.01)
    assert (got / want).std() < 0.02
