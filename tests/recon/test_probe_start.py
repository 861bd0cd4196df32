"""The first probe: its sources, and a defocus that the frames contradict."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from helpers_cli import recipe, simulated
from helpers_core import CPU

import scans
from recon.probe import zone_plate_probe
from recon.probe_start import find_defocus, first_probe
from recon.problem import make_problem
from recon.recipe_sections import ProbeSection
from recon.workflow import reconstruct
from scans.errors import InputError


@cache
def prepared():
    return scans.prepare(simulated(n_frames=60, frame_px=64)[0])


def found(**changes):
    optic = replace(prepared().scan.zone_plate, **changes)
    return find_defocus(prepared(), make_problem(prepared(), CPU), optic, seed=0)


def test_a_nominal_defocus_that_the_frames_agree_with_is_taken():
    nominal = prepared().scan.zone_plate.defocus_m
    got = found()
    assert got.value_m == nominal
    assert not got.notes


@pytest.mark.parametrize("factor", [-1.0, 3.0])
def test_a_wrong_one_is_not(factor):
    # nominal values of this scenario are 8 % off; what is found lies as near to the truth
    nominal = prepared().scan.zone_plate.defocus_m
    got = found(defocus_m=factor * nominal)
    assert got.value_m == pytest.approx(nominal, rel=0.3)
    assert "R factors" in got.reason
    assert got.notes[0].guess


def test_a_missing_one_is_found():
    nominal = prepared().scan.zone_plate.defocus_m
    got = found(defocus_m=None)
    assert got.value_m == pytest.approx(nominal, rel=0.3)
    assert got.notes[0].guess
    assert "not in the scan file" in got.reason


def test_the_recipe_says_what_was_found_and_repeats_it():
    scan = replace(simulated()[0], zone_plate=replace(simulated()[0].zone_plate, defocus_m=None))
    got = reconstruct(scan, recipe(), device="cpu")
    assert got.recipe.probe.start == "zone_plate"
    assert got.recipe.probe.defocus_m
    again = reconstruct(scan, got.recipe, device="cpu")
    assert again.transmission.tobytes() == got.transmission.tobytes()


def test_a_probe_from_a_file_with_the_strongest_modes(tmp_path):
    one = zone_plate_probe(prepared().geometry, prepared().scan.zone_plate, 1e-5)[0]
    np.save(tmp_path / "p.npy", np.stack([0.1 * np.roll(one, 5), one]))
    wanted = ProbeSection(start="file", file=str(tmp_path / "p.npy"))
    probe, notes = first_probe(prepared(), wanted)
    assert probe.shape[0] == 2
    assert "p.npy" in notes[0].value
    (first,), _ = first_probe(prepared(), replace(wanted, modes=1))
    assert abs(np.vdot(first, one)) ** 2 / (np.linalg.norm(first) * np.linalg.norm(one)) ** 2 > 0.98


def test_a_result_starts_the_next_run(tmp_path):
    from recon.result_file import write_result

    scan = simulated(poisson=False)[0]
    first = reconstruct(scan, recipe(passes=(10, 5)), device="cpu")
    path = write_result(tmp_path / "first.h5", first)
    begun, _ = first_probe(scans.prepare(scan), ProbeSection(start="file", file=str(path)))
    np.testing.assert_allclose(begun, first.probe, rtol=1e-6)
    cold, warm = (reconstruct(scan, recipe(*one), device="cpu") for one in ((), (f"probe.file={path}",)))
    assert warm.recipe.probe.start == "file"
    assert warm.history.deviance[-1] < cold.history.deviance[-1]


def test_all_modes_of_a_file_are_taken(tmp_path):
    one = zone_plate_probe(prepared().geometry, prepared().scan.zone_plate, 1e-5)[0]
    np.save(tmp_path / "p.npy", np.stack([0.3 * np.roll(one, 5), one]))
    got = reconstruct(prepared(), recipe(f"probe.file={tmp_path / 'p.npy'}", "probe.share_passes=0"), device="cpu")
    assert got.recipe.probe.modes == len(got.probe) == 2


@pytest.mark.parametrize("settings", [("probe.start=file",), ("probe.start=data", "probe.file=x.npy")])
def test_a_file_without_its_start_is_refused(settings):
    with pytest.raises(InputError, match=r"probe\.file"):
        reconstruct(simulated()[0], recipe(*settings), device="cpu")


def test_a_band_needs_a_zone_plate():
    with pytest.raises(InputError, match="without a zone plate"):
        reconstruct(replace(simulated()[0], zone_plate=None), recipe("probe.band=1.5"), device="cpu")


def test_limits_of_the_recipe_hold_in_the_result():
    got = reconstruct(simulated()[0], recipe("probe.support_m=3e-7"), device="cpu")
    n = got.probe.shape[-1]
    y, x = ((np.arange(n) - n // 2) * pixel for pixel in got.geometry.object_pixel_m)
    outside = np.hypot(y[:, None], x) > 1.5e-7
    assert outside.any()
    assert not got.probe[:, outside].any()
