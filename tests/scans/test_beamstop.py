"""Beamstops are judged against simulated patterns whose stop is known."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from scans.beamstop import find_beamstop, fit_transmission, zone_plate_shadow
from scans.detector_model import DetectorModel
from scans.errors import InputError
from scans.geometry import Geometry
from scans.scan import ZonePlate

SIZE, CENTRE = 128, (63.2, 65.1)
GOOD = np.ones((SIZE, SIZE), bool)
ZONE_PLATE = ZonePlate(240e-6, 40e-9, 0.4)
GEOMETRY = Geometry(710.0, 0.046, (50e-6, 50e-6), (SIZE, SIZE))
SHADOW = zone_plate_shadow(ZONE_PLATE, GEOMETRY)
Y, X = np.indices((SIZE, SIZE))
R = np.hypot(Y - CENTRE[0], X - CENTRE[1])


def pattern(rng, n=40, photons=2e5, stop=True, halo=0.02):
    """``(n, h, w)`` bright ring of the zone plate, and speckled scatter of random objects around it."""
    inner, outer = SHADOW.inner_px[0] * stop, SHADOW.outer_px[0]
    ring = np.clip(outer - R + 0.5, 0, 1) * np.clip(R - inner + 0.5, 0, 1)
    speckle = rng.exponential(1.0, (n, SIZE, SIZE))
    frames = ring * rng.uniform(0.8, 1.2, (n, 1, 1)) + halo / (1 + (R / 20) ** 2) * speckle
    return frames * photons / frames.sum(axis=(1, 2)).mean()


def test_the_shadow_is_the_cone_behind_the_focus():
    # X-Ray Data Booklet 4.4: f = D·drn/λ; a cone of half angle λ/(2 drn)
    wavelength = 12398.42 / 710 * 1e-10
    assert SHADOW.outer_px[0] == pytest.approx(wavelength / (2 * 40e-9) * 0.046 / 50e-6, rel=1e-4)
    assert SHADOW.inner_px[0] == pytest.approx(0.4 * SHADOW.outer_px[0], rel=1e-9)


@pytest.mark.parametrize("noise_e", [0.0, 5.0, 30.0])
@pytest.mark.parametrize("stop", [True, False])
def test_no_beamstop_is_found_where_there_is_none(rng, noise_e, stop):
    frames = DetectorModel(read_noise_e=noise_e, counts_per_photon=10.0).expose(pattern(rng, stop=stop), rng).frames
    found, findings = find_beamstop(frames.mean(axis=0), GOOD, n_frames=40, shadow=SHADOW, counts_per_photon=10.0)
    assert found is None
    assert not findings


def stopped(rng, radius, halo=0.02, off=0.0):
    """Mean of frames with an opaque stop of this radius over the beam."""
    return rng.poisson(pattern(rng, halo=halo) * (np.hypot(Y - CENTRE[0] - off, X - CENTRE[1]) >= radius)).mean(axis=0)


@pytest.mark.parametrize("factor", [1 / 3, 0.5, 2.0, 3.0])
def test_a_shadow_of_the_wrong_size_is_named_with_both_radii_and_stays(rng, factor):
    shadow = zone_plate_shadow(ZONE_PLATE, replace(GEOMETRY, distance_m=factor * GEOMETRY.distance_m))
    mean = rng.poisson(pattern(rng)).mean(axis=0)
    found, findings = find_beamstop(mean, GOOD, n_frames=40, shadow=shadow)
    assert found is None
    assert [(f.level, f.code) for f in findings] == [("caution", "shadow-size")]
    seen, expected = (float(v) for v in re.findall(r"radius (\d+\.\d)", findings[0].text))
    assert seen == pytest.approx(SHADOW.inner_px[0], abs=1)  # in the scan
    assert expected == pytest.approx(factor * SHADOW.inner_px[0], abs=0.1)  # D·z/f with the wrong distance
    told = float(re.search(r"factor, (\d+\.\d+)", findings[0].text)[1])
    assert told == pytest.approx(1 / factor, rel=0.1)


@pytest.mark.parametrize("factor", [0.93, 1.0, 1.08])
def test_a_shadow_of_about_the_right_size_needs_no_word(rng, factor):
    shadow = zone_plate_shadow(ZONE_PLATE, replace(GEOMETRY, distance_m=factor * GEOMETRY.distance_m))
    mean = rng.poisson(pattern(rng)).mean(axis=0)
    assert find_beamstop(mean, GOOD, n_frames=40, shadow=shadow) == (None, ())


@pytest.mark.parametrize("halo", [0.02, 0.2])
@pytest.mark.parametrize("radius", [10.5, 12.0, 16.0])
def test_a_stop_larger_than_the_shadow_is_masked_and_doubted(rng, radius, halo):
    found, findings = find_beamstop(stopped(rng, radius, halo), GOOD, n_frames=40, shadow=SHADOW)
    assert found.kind == "opaque"
    assert found.masked[np.hypot(Y - CENTRE[0], X - CENTRE[1]) < radius].all()
    assert [f.code for f in findings] == ["shadow-size"]
    assert f"{SHADOW.inner_px[0]:.1f} pixels" in findings[0].text


def test_a_stop_within_the_shadow_covers_no_light(rng):
    assert find_beamstop(stopped(rng, 6.0), GOOD, n_frames=40, shadow=SHADOW) == (None, ())


def test_a_stop_beside_the_middle_is_no_shadow(rng):
    found, findings = find_beamstop(stopped(rng, 16.0, 0.2, off=9.0), GOOD, n_frames=40, shadow=SHADOW)
    assert found.kind == "opaque"
    assert not findings


def test_a_dark_centre_of_unknown_origin_is_named_not_masked(rng):
    mean = rng.poisson(pattern(rng)).mean(axis=0)
    found, findings = find_beamstop(mean, GOOD, n_frames=40)
    assert found is None
    assert [f.code for f in findings] == ["dark-centre"]


@pytest.mark.parametrize("noise_e", [0.0, 5.0, 30.0])
@pytest.mark.parametrize("radius", [22.0, 35.0])
def test_an_opaque_disc(rng, noise_e, radius):
    model = DetectorModel(
        read_noise_e=noise_e, counts_per_photon=10.0, beamstop_px=radius, beamstop_centre_px=(64.0, 61.0)
    )
    shot = model.expose(pattern(rng, halo=0.2), rng)
    mean = shot.frames.mean(axis=0)
    found, _ = find_beamstop(mean, GOOD, n_frames=40, shadow=SHADOW, counts_per_photon=10.0)
    truth = shot.truth.beamstop
    assert found.kind == "opaque"
    assert not (truth & ~found.masked).any()
    # the edge is masked, and little else
    assert (found.masked & ~truth).sum() < 2 * math.pi * (radius + 2) * 4


@pytest.mark.parametrize("direction", ["down", "left"])
def test_an_arm_and_a_disc(rng, direction):
    truth = np.hypot(Y - 64, X - 64) < 24
    truth |= (np.abs(X - 64) < 4) & (Y > 64) if direction == "down" else (np.abs(Y - 64) < 4) & (X < 64)
    mean = rng.poisson(pattern(rng, halo=0.2) * ~truth).mean(axis=0)
    found, _ = find_beamstop(mean, GOOD, n_frames=40)  # an arm needs no zone plate
    assert found.kind == "opaque"
    assert (found.masked & truth).sum() > 0.98 * truth.sum()
    assert (found.masked & ~truth).sum() < 0.06 * truth.size


@pytest.mark.parametrize("transmission", [0.02, 0.1, 0.5])
@pytest.mark.parametrize("photons", [1e4, 1e5, 1e6])
def test_transmission_of_a_given_region(rng, transmission, photons):
    model = DetectorModel(
        counts_per_photon=10.0, read_noise_e=5.0, beamstop_px=31.0, beamstop_transmission=transmission
    )
    shot = model.expose(pattern(rng, photons=photons, halo=0.2), rng)
    stop = fit_transmission(shot.frames.mean(axis=0), shot.truth.beamstop, GOOD, n_frames=40, counts_per_photon=10.0)
    assert stop.kind == "semi-transparent"
    assert stop.transmission == pytest.approx(transmission, abs=4 * stop.error)
    # 40 frames of speckle leave 3 to 6 % open, few photons more
    assert stop.transmission == pytest.approx(transmission, rel=0.06 if transmission * photons > 2000 else 0.25)
    assert stop.error < 0.2 * stop.transmission
    core = R < 20
    np.testing.assert_allclose(stop.map[core], stop.transmission, rtol=1e-6)
    assert (stop.map[R > 36] == 1).all()


def test_dividing_gives_the_light_and_its_weight(rng):
    light = pattern(rng, n=60, halo=0.2).mean(axis=0)
    region = R < 30
    frames = rng.poisson(light * np.where(region, 0.25, 1), (400, SIZE, SIZE))
    stop = fit_transmission(frames.mean(axis=0), region, GOOD, n_frames=400)
    values = frames / stop.map
    core = region & ~stop.masked & (light > 5)
    pull = (values.mean(axis=0) / light - 1)[core]
    assert abs(pull.mean()) < 4 * stop.error / 0.25
    assert stop.error < 0.02
    # var(n/t) = value/t
    ratio = values.var(axis=0)[core] / (values.mean(axis=0) / stop.map)[core]
    assert ratio.mean() == pytest.approx(1, abs=0.02)


def test_the_stated_error_is_honest(rng):
    smooth = 200 / (1 + (R / 20) ** 2)
    region = R < 25
    pulls = []
    for _ in range(25):
        stop = fit_transmission(rng.poisson(smooth * np.where(region, 0.1, 1)) * 1.0, region, GOOD, n_frames=1)
        pulls.append((stop.transmission - 0.1) / stop.error)
    # rms of 25 pulls: known to 14 %; the straight line in the logarithm costs a little
    assert np.sqrt(np.mean(np.square(pulls))) < 1.5


def test_a_semi_transparent_disc_is_found(rng):
    model = DetectorModel(counts_per_photon=10.0, read_noise_e=5.0, beamstop_px=33.0, beamstop_transmission=0.02)
    shot = model.expose(pattern(rng, photons=1e6, halo=0.2), rng)
    found, _ = find_beamstop(shot.frames.mean(axis=0), GOOD, n_frames=40, shadow=SHADOW, counts_per_photon=10.0)
    assert found.kind == "semi-transparent"
    assert found.transmission == pytest.approx(0.02, rel=0.1)
    assert (found.region ^ shot.truth.beamstop).sum() < 300


def test_an_opaque_region_is_called_so(rng):
    region = R < 30
    mean = rng.poisson(pattern(rng) * ~region).mean(axis=0)
    stop = fit_transmission(mean, region, GOOD, n_frames=40)
    assert stop.kind == "opaque"
    assert stop.masked[region].all()
    assert (stop.map == 1).all()


def test_a_region_without_an_edge_is_refused():
    with pytest.raises(InputError, match="good pixels along both sides"):
        fit_transmission(np.ones((32, 32)), np.zeros((32, 32), bool), np.ones((32, 32), bool), n_frames=1)


def test_an_empty_pattern_has_no_beamstop():
    assert find_beamstop(np.zeros((32, 32)), np.ones((32, 32), bool), n_frames=10) == (None, ())
