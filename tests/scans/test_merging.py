"""Exposures of one position through `prepare`, against the Poisson law and the simulated truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scans.detector_model import DetectorModel
from scans.preparation import prepare
from scans.scenario import build

J = 30


@pytest.fixture(scope="module")
def patterns():
    """Expected photons of a bright scan ``(J, 96, 96)``, and the scan."""
    scan, _ = build("catalyst", poisson=False, n_frames=J, photons_per_frame=2e7)
    bare = replace(scan, saturation=None, beam_centre_px=None, notes=(), counts_per_photon=1.0)
    return scan.frames[slice(0, J)].astype(float), bare


def pairs(patterns, recorded):
    expected, bare = patterns
    times = np.tile([1.0, 0.05], J)
    model = DetectorModel(energy_ev=915.0, adc_top=16383)
    record = model.expose(np.repeat(expected, 2, axis=0), np.random.default_rng(5), exposures_s=times)
    scan = replace(
        bare,
        frames=record.frames,
        positions_m=np.repeat(bare.positions_m, 2, axis=0),
        exposures_s=times if recorded else None,
        saturation=16383.0,
    )
    return scan, record


@pytest.mark.slow
@pytest.mark.parametrize("recorded", [True, False])
def test_long_and_short_exposures_become_one_frame_of_raw_photons(patterns, recorded):
    expected, _ = patterns
    scan, record = pairs(patterns, recorded)
    assert record.truth.saturated[0::2].any(axis=(1, 2)).all()  # every long exposure loses its centre
    out = prepare(scan, centre_px=(48, 48), size=96)
    assert len(out.counts) == J
    assert out.counts.dtype.kind == "u"  # whole photons, in the smallest type
    assert out.mask.ndim == 2
    assert out.mask.all()
    long, short = record.frames[0::2].astype(int), record.frames[1::2].astype(int)
    # raw photons: both exposures add up where the long one holds, the short one stands alone elsewhere
    full = record.truth.saturated[0::2]
    np.testing.assert_array_equal(out.counts, np.where(full, short, long + short))
    share = out.response * out.flux[:, None, None]
    model = share * expected
    bright = model > 20
    scale = out.counts[bright].sum() / model[bright].sum()
    chi2 = ((out.counts - scale * model) ** 2 / (scale * model))[bright].mean()
    assert chi2 == pytest.approx(1, abs=0.03)  # Poisson law, some 2e5 values
    # share of the short exposure in both: 0.05 / 1.05
    np.testing.assert_allclose(out.response[full], 0.05 / 1.05, rtol=1e-6 if recorded else 0.01)
    assert ("exposures-guessed" in [f.code for f in out.findings]) is not recorded


@pytest.mark.slow
def test_merged_frames_are_prepared_once(patterns):
    scan, _ = pairs(patterns, recorded=True)
    out = prepare(scan)
    second = prepare(out.as_scan())
    assert second.counts.dtype == out.counts.dtype
    np.testing.assert_array_equal(second.counts, out.counts)
    np.testing.assert_allclose(second.response[out.mask] if out.response.ndim == 2 else second.response, out.response)
    again = prepare(scan, **{k: v for k, v in out.settings.items() if k != "orientation"})
    np.testing.assert_array_equal(again.counts, out.counts)
    # merged frames are not lost: no alarm about frames left out, nor about pixels that the short exposure shows
    assert "frames-left-out" not in [f.code for f in out.findings]
    assert not [f for f in out.findings if f.code == "saturated" and f.level == "serious"]


@pytest.mark.parametrize("monitor", ["none", "rate", "integrated"])
def test_different_exposures_without_pairs_go_into_the_flux(patterns, monitor):
    expected, bare = patterns
    times = np.where(np.arange(J) % 7 == 0, 0.5, 1.0)
    beam = np.ones(J) if monitor == "none" else np.linspace(1, 0.7, J)
    photons = np.random.default_rng(7).poisson(expected * (times * beam)[:, None, None] / 20).astype(np.uint16)
    readings = {"none": None, "rate": beam * 2e-7, "integrated": beam * times * 1e5}[monitor]
    out = prepare(replace(bare, frames=photons, exposures_s=times, monitor=readings), centre_px=(48, 48))
    np.testing.assert_array_equal(out.counts, photons)
    np.testing.assert_allclose(out.flux / out.flux[1], times * beam / (times * beam)[1], rtol=1e-5)
    second = prepare(out.as_scan())
    np.testing.assert_array_equal(second.flux, out.flux)
