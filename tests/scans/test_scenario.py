from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from scans.errors import InputError
from scans.scenario import SCENARIOS, Scenario, build, scenario
from scans.trajectories import PATTERNS, effective_diameter, measure_overlap, power_diameter


@pytest.mark.parametrize("name", SCENARIOS)
def test_scenario_is_a_soft_x_ray_microscope(name):
    chosen = scenario(name)
    geometry = chosen.geometry
    assert SCENARIOS[name][0]
    assert 250 <= chosen.energy_ev <= 4200
    assert 8e-9 <= geometry.object_pixel_m[0] <= 14e-9
    assert 0.5e-6 <= chosen.probe_diameter_m <= 1e-6
    # the pupil fills dx/drn of the detector (its rim is at half a cycle a zone): room for scattering
    assert 0.25 <= geometry.object_pixel_m[0] / chosen.outer_zone_m <= 0.35
    # sampling: field of a frame at least twice the probe (common practice, no source)
    assert geometry.frame_width_m[0] / chosen.probe_diameter_m >= 2
    overlap = measure_overlap(chosen.positions_m(), chosen.probe_diameter_m)
    assert 0.7 <= overlap.linear <= 0.8
    assert len(chosen.positions_m()) == chosen.n_frames


def test_demo_scan():
    scan, truth = build()
    assert scan.frames.shape == (225, 96, 96)
    assert scan.frames.dtype == np.uint32
    totals = scan.frames.sum(axis=(1, 2), dtype=float)
    assert 0.9 * 5e6 < totals.min() <= totals.max() < 5.01e6
    chosen = scenario()
    # the wave is as wide as the geometric cone says
    assert effective_diameter(truth.probe, truth.pixel_m) == pytest.approx(chosen.probe_diameter_m, rel=0.1)
    assert power_diameter(truth.probe, truth.pixel_m) == pytest.approx(chosen.probe_diameter_m, rel=0.15)
    assert truth.pixel_m * 2 == pytest.approx(scan.geometry.object_pixel_m[0])
    # matter absorbs and, below the resonance, retards: phase between 0 and -1 rad, nothing above 1
    assert np.abs(truth.object).max() <= 1
    assert -1 < np.angle(truth.object).min() < -0.2
    assert np.angle(truth.object).max() <= 1e-12
    # what the metadata say of the defocus is wrong by the stated amount
    assert scan.zone_plate is not None
    assert scan.zone_plate.defocus_m == pytest.approx(15e-6 * 1.08)
    np.testing.assert_array_equal(scan.positions_m, truth.positions_m)


def test_object_grid_is_centred_on_the_positions():
    _, truth = build(n_frames=9)
    for axis, size in ((truth.y_m, truth.object.shape[0]), (truth.x_m, truth.object.shape[1])):
        assert axis[size // 2] == 0
        np.testing.assert_allclose(np.diff(axis), truth.pixel_m)
    # light falls where the positions are
    weight = truth.lit.sum(axis=1)
    assert (weight * truth.y_m).sum() / weight.sum() == pytest.approx(truth.positions_m[:, 0].mean(), abs=20e-9)


def test_same_seed_same_bytes():
    settings = {"n_frames": 12, "trajectory": "jittered_raster", "position_jitter_m": 5e-9}
    a, b, c = (build(seed=s, **settings) for s in (1, 1, 2))
    assert a[0].frames.tobytes() == b[0].frames.tobytes()
    assert a[1].object.tobytes() == b[1].object.tobytes()
    assert not np.array_equal(a[1].positions_m, c[1].positions_m)


def test_exposure_does_not_change_the_specimen():
    a, b = (build(n_frames=4, photons_per_frame=p, seed=s)[1] for p, s in ((1e4, 1), (1e6, 2)))
    np.testing.assert_array_equal(a.object, b.object)


@pytest.mark.parametrize("trajectory", PATTERNS)
@pytest.mark.parametrize("n_frames", [1, 10, 100])
def test_every_trajectory_holds_the_wanted_frames(trajectory, n_frames):
    positions = scenario(trajectory=trajectory, n_frames=n_frames).positions_m()
    assert positions.shape == (n_frames, 2)
    # about as wide as a square of that many steps
    side = 120e-9 * np.sqrt(n_frames)
    assert np.ptp(positions, axis=0).max() <= side + 2.1 * 120e-9


def test_position_errors_stay_on_the_object():
    settings = {"position_jitter_m": 30e-9, "position_scale": 1.02, "position_rotation_rad": 0.3}
    scan, truth = build(n_frames=16, photons_per_frame=1e4, **settings)
    assert np.abs(scan.positions_m - truth.positions_m).max() > 30e-9
    matrix = np.linalg.lstsq(scan.positions_m, truth.positions_m, rcond=None)[0].T
    # +x turns towards +y: d(y)/d(x) = scale · sin
    assert matrix[0, 1] == pytest.approx(1.02 * np.sin(0.3), abs=0.2)


def test_detector_settings_reach_the_scan():
    settings = {
        "read_noise": 2.0,
        "counts_per_photon": 5.0,
        "dark_level": 100.0,
        "dark_frames": 3,
        "saturation": 900.0,
    }
    scan, _ = build(n_frames=2, **settings)
    assert scan.dark is not None
    assert scan.dark.shape == (3, 96, 96)
    assert scan.frames.max() == 900
    assert scan.counts_per_photon == 5.0
    assert scan.saturation == 900.0


def test_text_is_read_as_the_setting_wants_it():
    chosen = scenario(n_frames="1e2", poisson="false", step_m="9e-8", trajectory="raster", photons_per_frame=10)
    assert (chosen.n_frames, chosen.poisson, chosen.step_m, chosen.trajectory) == (100, False, 9e-8, "raster")
    assert isinstance(chosen.n_frames, int)
    assert isinstance(chosen.photons_per_frame, float)


def test_every_setting_can_be_given_as_text():
    default = Scenario()
    text = {f.name: str(getattr(default, f.name)) for f in fields(Scenario)}
    assert default.override(text) == default


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (
            {"photon_per_frame": 1e4},
            r"scenario setting: 'photon_per_frame'; .*Did you mean 'photons_per_frame'",
        ),
        (
            {"n_frames": "many"},
            r"scenario setting n_frames: 'many'; expected a whole number\. Give n_frames=VALUE",
        ),
        ({"n_frames": 2.5}, r"scenario setting n_frames: '2.5'; expected a whole number"),
        ({"n_frames": "inf"}, r"scenario setting n_frames: 'inf'; expected a whole number"),
        ({"step_m": "wide"}, r"scenario setting step_m: 'wide'; expected a number"),
        ({"step_m": 0}, r"scenario setting step_m: 0; expected a number above 0\. Give step_m=VALUE"),
        ({"read_noise": -1}, r"scenario setting read_noise: -1; expected a number of at least 0"),
        ({"poisson": "maybe"}, r"scenario setting poisson: 'maybe'; expected true or false"),
        ({"trajectory": "spiral"}, r"trajectory: 'spiral'; .*Did you mean 'fermat_spiral'"),
        ({"specimen": "catalist"}, r"specimen: 'catalist'; .*Did you mean 'catalyst'"),
        ({"energy_ev": 0.915}, r"energy_ev: 0\.915 eV; .*it is 915 eV"),
        ({"outer_zone_m": -1e-9}, r"zone plate: .*Correct the zone-plate entries"),
    ],
)
def test_wrong_settings(settings, message):
    with pytest.raises(InputError, match=message):
        scenario(**settings)


def test_energy_on_the_edge_is_refused():
    with pytest.raises(InputError, match=r"energy_ev for copper: 933 eV; .*Take an energy in range"):
        build(energy_ev=933, n_frames=1)


def test_pupil_wider_than_the_far_field_is_refused():
    with pytest.raises(InputError, match=r"zone-plate pupil: .*finer pixel"):
        build(outer_zone_m=5e-9, n_frames=1)


def test_unknown_scenario():
    with pytest.raises(InputError, match=r"scenario: 'catalysts'; expected one of catalyst, .*Did you mean 'catalyst'"):
        build("catalysts")
