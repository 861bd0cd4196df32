"""The whole preparation on a simulated worn detector, told nothing: judged by the simulation's truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scans.detector_model import DetectorModel, dirty_detector
from scans.preparation import prepare
from scans.readout_plan import plan_readout
from scans.scenario import build

OFFSET = (3.3, -5.6)
BEAM = (48 + OFFSET[0], 48 + OFFSET[1])


@pytest.fixture(scope="module")
def simulated():
    """A scan without noise, beam off the centre, for one photon a frame; all that metadata could tell is removed."""
    scan, _ = build(
        "catalyst", poisson=False, n_frames=80, centre_offset_y_px=OFFSET[0], centre_offset_x_px=OFFSET[1]
    )
    frames = scan.frames[slice(0, 80)].astype(float)
    bare = replace(scan, counts_per_photon=None, saturation=None, beam_centre_px=None, notes=())
    return frames / frames.sum(axis=(1, 2)).mean(), bare


def codes(prepared):
    return [f.code for f in prepared.findings]


# issue: "Centre within 0.2 px, gain within 3 %, hot and dead pixels found with at least 99 % precision and recall
# on the simulated dirty detector, at 3 noise levels"
@pytest.mark.parametrize(("photons", "noise_e"), [(1e5, 10.0), (1e6, 5.0), (1e7, 2.0)])
def test_dirty_detector_without_any_metadata(simulated, photons, noise_e):
    patterns, bare = simulated
    expected = patterns * photons
    model = dirty_detector(
        energy_ev=915.0, read_noise_e=noise_e, adc_top=(1 << 32) - 1, hot=40, dead=120, warm=20, stuck=10
    )
    record = model.expose(expected, np.random.default_rng(41), dark_frames=20)
    readout = plan_readout(replace(bare, frames=record.frames, dark=record.darks))
    out = prepare(replace(bare, frames=record.frames, dark=record.darks), size=96, centre_px=(48, 48))
    assert out.unit == "photon"
    assert out.settings["counts_per_photon"] == pytest.approx(45, rel=0.03)
    assert readout.gain == out.settings["counts_per_photon"]
    # nothing is cut off with the beam put where it is not: the mask is that of the detector
    always = out.mask if out.mask.ndim == 2 else out.mask.any(axis=0)
    rejected, truth = ~always, record.truth
    light = truth.flux[:, None, None] * (expected + truth.scatter)
    # a dead pixel can be told where a healthy one gets 200 photons in ten independent values or more
    lit = (light.sum(0) >= 200) & (light.sum(0) ** 2 / (light**2 + light).sum(0) >= 10)
    known = truth.hot | truth.warm | truth.stuck | (truth.dead & lit)
    assert known.sum() > 70
    assert (rejected & ~truth.good).sum() >= 0.99 * rejected.sum()
    assert (rejected & known).sum() >= 0.99 * known.sum()


@pytest.mark.parametrize(("photons", "noise_e"), [(1e5, 10.0), (1e6, 5.0), (1e7, 2.0)])
def test_centre_of_a_dirty_detector(simulated, photons, noise_e):
    patterns, bare = simulated
    model = dirty_detector(energy_ev=915.0, read_noise_e=noise_e, adc_top=(1 << 32) - 1)
    record = model.expose(patterns * photons, np.random.default_rng(42), dark_frames=20)
    out = prepare(replace(bare, frames=record.frames, dark=record.darks), counts_per_photon=45.0)
    (line,) = [s for s in out.steps if s.startswith("beam centre")]
    found = [float(v) for v in line[line.index("(") + 1 : line.index(")")].split(",")]
    np.testing.assert_allclose(found, BEAM, atol=0.2)
    assert len(codes(out)) == len(set(codes(out)))  # each thing is said once


def test_settings_and_second_preparation_give_the_same_frames(simulated):
    patterns, bare = simulated
    model = dirty_detector(energy_ev=915.0, adc_top=(1 << 32) - 1, closed_frames=2, blank_frames=1)
    record = model.expose(patterns * 1e6, np.random.default_rng(43), dark_frames=20)
    scan = replace(bare, frames=record.frames, dark=record.darks)
    out = prepare(scan)
    left_out = sorted(j for j, _ in out.left_out)
    assert left_out == np.flatnonzero(record.truth.closed | record.truth.blank).tolist()
    again = prepare(scan, **{k: v for k, v in out.settings.items() if k != "orientation"})
    second = prepare(out.as_scan())
    for other in (again, second):
        np.testing.assert_array_equal(other.counts, out.counts)
        np.testing.assert_array_equal(other.mask, out.mask)
        np.testing.assert_array_equal(other.flux, out.flux)
        assert other.unit == out.unit == "photon"
        assert other.read_noise == pytest.approx(out.read_noise, rel=1e-6)
    said = {s.split(":")[0] for s in second.steps}
    assert not said & {"dark", "smear", "offset", "spikes", "beamstop", "drift", "light leak or offset since the dark"}


@pytest.mark.parametrize("share", [1e-3, 5e-3])
def test_smear_is_taken_out(simulated, share):
    patterns, bare = simulated
    model = DetectorModel(
        energy_ev=915.0,
        counts_per_photon=45,
        read_noise_e=3,
        dark_level=300,
        smear=share,
        adc_top=(1 << 32) - 1,
    )
    record = model.expose(patterns * 1e6, np.random.default_rng(44), dark_frames=10)
    out = prepare(replace(bare, frames=record.frames, dark=record.darks), size=96, centre_px=(48, 48))
    mask = np.broadcast_to(out.mask, out.counts.shape)
    column = (patterns * 1e6).sum(axis=1, keepdims=True)
    # far from the beam: what is left of the smear, against the simulated expectation
    far = mask & (np.abs(np.arange(96) - BEAM[0]) > 30)[None, :, None]
    left = (out.counts - patterns * 1e6)[far].sum() / np.broadcast_to(share * column, mask.shape)[far].sum()
    assert abs(left) < 0.05
    assert out.mask.any(axis=0).mean() > 0.99 if out.mask.ndim == 3 else out.mask.mean() > 0.99


def test_darks_of_two_exposures_are_no_drift(simulated):
    patterns, bare = simulated
    times = np.where(np.arange(80) % 2 == 0, 1.0, 0.3)
    model = DetectorModel(
        energy_ev=915.0,
        counts_per_photon=45,
        read_noise_e=3,
        dark_level=300,
        dark_current_e=400,
        adc_top=(1 << 32) - 1,
    )
    record = model.expose(
        patterns * 1e5,
        np.random.default_rng(45),
        exposures_s=times,
        dark_exposures_s=np.repeat([1.0, 0.3], 8),
    )
    scan = replace(
        bare,
        frames=record.frames,
        dark=record.darks,
        dark_exposures_s=record.dark_exposures_s,
        exposures_s=times,
    )
    out = prepare(scan, size=96, centre_px=(48, 48), counts_per_photon=45.0)
    assert not any("drift" in s for s in out.steps if s.startswith("offset"))
    # exposures of the frames, over the median one
    np.testing.assert_allclose(out.flux / out.flux[0], times, rtol=1e-6)
    totals = out.counts.sum(axis=(1, 2), dtype=float)
    np.testing.assert_allclose(totals / (times * (patterns * 1e5).sum(axis=(1, 2))), 1, atol=0.03)
