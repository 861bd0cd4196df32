from dataclasses import replace
from itertools import product

import numpy as np
import pytest

import scans
from recon.orientation import decide_orientation, turned
from scans.scan import Orientation

EIGHT = [Orientation(*flags) for flags in product((False, True), repeat=3)]
HALF_TURN = Orientation(flip_y=True, flip_x=True)
# 49 frames of 64 pixels: small, and enough
SMALL = {"frame_px": 64, "n_frames": 49, "zone_plate_diameter_m": 240e-6, "outer_zone_m": 50e-9, "defocus_m": 18e-6}


@pytest.mark.parametrize("second", EIGHT, ids=str)
@pytest.mark.parametrize("first", EIGHT, ids=str)
def test_composing_is_turning_twice(first, second):
    # an array without symmetry, not square; NumPy's views are the reference
    frame = np.arange(15).reshape(3, 5)
    np.testing.assert_array_equal(first.then(second).apply(frame), second.apply(first.apply(frame)))


@pytest.fixture(scope="module")
def catalyst():
    """A prepared scan whose orientation is right."""
    return scans.prepare(scans.build("catalyst", photons_per_frame=1e6, specimen_seed=5, seed=5, **SMALL)[0])


@pytest.mark.parametrize("orientation", EIGHT, ids=str)
def test_turning_keeps_the_beam_in_its_pixel(catalyst, orientation):
    n = catalyst.counts.shape[-1]
    counts = np.zeros_like(catalyst.counts)
    counts[:, n // 2, n // 2] = 7
    counts[:, n // 2 + 2, n // 2 + 1] = 1
    found = turned(replace(catalyst, counts=counts), orientation)
    assert (found.counts[:, n // 2, n // 2] == 7).all()
    # a vector from the beam turns as in an odd frame about its middle pixel
    odd = np.zeros((7, 7))
    odd[5, 4] = 1
    y, x = np.argwhere(orientation.apply(odd))[0] - 3
    assert (found.counts[:, n // 2 + y, n // 2 + x] == 1).all()


def stored_turned(prepared, orientation, **scan):
    """Turn the frames of a right scan, and change what its file says."""
    return replace(turned(prepared, orientation), scan=replace(prepared.scan, **scan))


TURNS = [Orientation(True, False, True), pytest.param(Orientation(False, True, False), marks=pytest.mark.slow)]


@pytest.mark.parametrize("orientation", TURNS, ids=str)
def test_orientation_of_a_simulated_scan(catalyst, orientation):
    steps = []
    found = decide_orientation(stored_turned(catalyst, orientation), progress=lambda done, n: steps.append((done, n)))
    assert found.decided, str(found)
    assert orientation.then(found.orientation) == Orientation()
    assert found.class_confidence > 0.95
    assert (found.twin, found.question) == ("defocus", "")
    assert steps == [(k, 14) for k in (*range(1, 9), 11, 12, 13, 14)]
    # simulated without rotation and scale
    assert found.affine.rotation_rad is None or abs(found.affine.rotation_rad) < 3 * found.affine.rotation_sigma_rad
    assert found.affine.scale is None or abs(found.affine.scale - 1) < 3 * found.affine.scale_sigma
    assert found.defocus_m > 0
    assert "orientation: " + str(found.orientation) in str(found)
    assert "undecided" not in str(found)


@pytest.mark.slow
def test_a_turned_and_scaled_stage_is_measured():
    # true positions are the recorded ones turned by 0.06 rad, +x towards +y, and 4 % closer
    settings = {"photons_per_frame": 1e6, "position_rotation_rad": 0.06, "position_scale": 0.96}
    found = decide_orientation(scans.prepare(scans.build("testchart", frame_px=64, n_frames=100, **settings)[0]))
    assert found.decided, str(found)
    assert found.orientation == Orientation()
    fit = found.affine
    assert fit.rotation_sigma_rad < 0.01
    assert fit.rotation_rad == pytest.approx(0.06, abs=3 * fit.rotation_sigma_rad)
    assert fit.scale_sigma < 0.04
    assert fit.scale == pytest.approx(0.96, abs=3 * fit.scale_sigma)


@pytest.mark.slow
def test_twin_follows_the_sign_of_the_defocus(catalyst):
    plate = catalyst.scan.zone_plate
    # told that the sample is upstream, the same frames are the conjugate: a half turn more
    other = replace(plate, defocus_m=-plate.defocus_m)
    found = decide_orientation(stored_turned(catalyst, Orientation(), zone_plate=other), affine=False)
    assert found.decided, str(found)
    assert found.orientation == HALF_TURN
    assert found.defocus_m < 0
    assert found == decide_orientation(
        stored_turned(catalyst, Orientation(), zone_plate=other), affine=False
    )  # same seed


@pytest.mark.slow
def test_matter_decides_the_twin_only_far_from_edges(catalyst):
    # 915 eV on copper and carbon: Cu L3 at 932.7 eV is near, C K at 284.2 eV is not (X-Ray Data Booklet, table 1-1)
    frames = stored_turned(catalyst, HALF_TURN, zone_plate=None)
    near = decide_orientation(frames, edges_ev=[284.2, 932.7], affine=False)
    assert not near.decided
    assert near.orientation in (Orientation(), HALF_TURN)
    assert near.class_confidence > 0.95
    assert (near.twin, near.twin_confidence) == ("unknown", 0.5)
    assert "downstream" in near.question
    assert any("932.7" in line for line in near.evidence)
    far = decide_orientation(frames, edges_ev=[284.2], affine=False)
    assert far.twin == "matter"
    assert far.orientation == HALF_TURN


@pytest.mark.parametrize("photons", [300.0, pytest.param(1e5, marks=pytest.mark.slow)])
def test_nothing_to_see_is_undecided(photons):
    # a scan of the weak object drowned in noise; then frames without any sample
    prepared = scans.prepare(scans.build("weak", photons_per_frame=300.0, **SMALL)[0])
    if photons > 1e3:
        mean = prepared.counts.mean(axis=0)
        empty = np.random.default_rng(2).poisson(mean * photons / mean.sum(), prepared.counts.shape)
        prepared = replace(prepared, counts=empty.astype(np.float32))
    found = decide_orientation(prepared, affine=False)
    assert not found.decided, str(found)
    assert found.class_confidence < 0.95
    assert "shadow" in found.question
    assert "undecided" in str(found)
    assert found.affine.rotation_rad is found.affine.scale is None
    assert found.affine.why


def test_too_few_frames_and_lines_are_undecided(catalyst):
    along = np.linspace(0, 3e-6, 49)
    for prepared in (catalyst.part(slice(0, 10)), replace(catalyst, positions_m=np.stack([along, 2 * along], axis=1))):
        found = decide_orientation(prepared, affine=False)
        assert not found.decided
        assert found.class_confidence == 0.25
        assert "too few" in str(found)
