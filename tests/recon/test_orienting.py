"""Frames turned by what the data say: against scans that were turned on purpose."""

from dataclasses import replace

import numpy as np
import pytest

from recon.orientation import OrientationDecision
from recon.orienting import apply, is_guess, orient
from recon.recipe import parse_recipe
from recon.stage_affine import AffineFit
from recon.workflow import prepare_scan, reconstruct
from scans.preparation import prepare
from scans.scan import Note, Orientation
from scans.scenario import build

UNTRIED = AffineFit(why="not tried")
GUESS = Note("orientation", "as stored", "nowhere", "the file does not say", guess=True)


def unknown(orientation, **more):
    """Scan stored as `orientation` says, whose file keeps silent about it, and the scan that says it."""
    told, _ = build("catalyst", n_frames=81, photons_per_frame=3e6, orientation=str(orientation), frame_px=64, **more)
    geometry = told.geometry
    return replace(told, orientation=Orientation(), geometry=geometry, notes=(GUESS,)), told


def decision(orientation, *, decided=True, affine=UNTRIED):
    question = "" if decided else "why?"
    return OrientationDecision(orientation, decided, 0.99, "defocus", 0.99, affine, None, ("evidence",), question)


def test_a_guess_is_told_from_a_statement():
    silent, told = unknown(Orientation())
    assert is_guess(silent)
    assert not is_guess(told)


@pytest.mark.parametrize("flags", [(True, False, False), (True, True, False), (False, True, True)])
def test_turned_after_preparation_is_prepared_turned(flags):
    # 8 orientations: turning the prepared frames must give what preparing the rightly told scan gives
    orientation = Orientation(*flags)
    silent, told = unknown(orientation)
    found = apply(prepare(silent), decision(orientation))
    expected = prepare(told)
    # a row that a flip rolls in from the other side is padding there
    inside = np.s_[:, 1:, 1:]
    np.testing.assert_array_equal(found.counts[inside], expected.counts[inside])
    assert found.geometry == expected.geometry
    assert found.scan.orientation == orientation
    assert found.settings["orientation"] == str(orientation)
    assert "orientation-decided" in {f.code for f in found.findings}
    (note,) = [n for n in found.scan.notes if n.what == "orientation"]
    assert note.guess
    assert note.value == str(orientation)


def test_undecided_leaves_the_frames_and_asks():
    silent, _ = unknown(Orientation())
    before = prepare(silent)
    found = apply(before, decision(Orientation(flip_y=True), decided=False))
    np.testing.assert_array_equal(found.counts, before.counts)
    (finding,) = [f for f in found.findings if f.code == "orientation-undecided"]
    assert "why?" in finding.text
    assert "flip_y" in finding.fix
    assert "orientation" not in found.settings


@pytest.mark.slow
def test_found_in_the_data_and_written_into_the_recipe():
    orientation = Orientation(transpose=True, flip_x=True)
    silent, _ = unknown(orientation)
    prepared = prepare_scan(silent, parse_recipe(""))
    assert prepared.scan.orientation == orientation
    result = reconstruct(prepared, parse_recipe("[[solve]]\nsolver = 'epie'\niterations = 2\n"), device="cpu")
    assert result.recipe.scan.orientation == str(orientation)
    # with the recipe that was written, nothing is decided again
    told = replace(silent, orientation=orientation)
    again = prepare_scan(told, result.recipe)
    assert "orientation" not in again.settings
    np.testing.assert_array_equal(again.counts[:, 1:, 1:], prepared.counts[:, 1:, 1:])


def test_given_in_the_recipe_nothing_is_tried(monkeypatch):
    silent, _ = unknown(Orientation())
    monkeypatch.setattr("recon.orienting.decide_orientation", lambda *a, **k: pytest.fail("decided all the same"))
    prepare_scan(silent, parse_recipe("[scan]\norientation = 'as stored'\n"))


def test_a_prepared_scan_is_left_as_it_is(monkeypatch):
    silent, _ = unknown(Orientation())
    ready = replace(prepare(silent).as_scan(), notes=(GUESS,))
    monkeypatch.setattr("recon.orienting.decide_orientation", lambda *a, **k: pytest.fail("decided all the same"))
    assert prepare_scan(ready, parse_recipe("")).counts.shape == (81, 64, 64)


def test_few_frames_are_not_decided():
    silent, _ = unknown(Orientation())
    few = replace(silent, frames=silent.frames[:9], positions_m=silent.positions_m[:9], monitor=None)
    assert "orientation-undecided" in {f.code for f in orient(prepare(few)).findings}


@pytest.mark.parametrize(
    ("fit", "told"),
    [
        # 81 frames 120 nm apart reach about 0.7 µm: 40 pixels of 17 nm; half a pixel there is 12 mrad or 1.2 %
        (AffineFit(0.03, 0.003, 0.95, 0.01), ("position_rotation_mrad=30 ", "position_factor=0.95 ")),
        (AffineFit(0.03, 0.003, 1.02, 0.01), ("position_rotation_mrad=30 ",)),  # 2 standard errors say nothing
        (AffineFit(0.005, 0.001, None, None), ()),  # sure, and too little to matter
        (UNTRIED, ()),
    ],
)
def test_rotation_and_scale_are_told_where_sure_and_not_applied(fit, told):
    silent, _ = unknown(Orientation())
    before = prepare(silent)
    found = apply(before, decision(Orientation(), affine=fit))
    np.testing.assert_array_equal(found.positions_m, before.positions_m)
    findings = [f for f in found.findings if f.code == "positions-affine"]
    assert len(findings) == bool(told)
    for f in findings:
        assert f.level == "caution"
        assert all(option in f.fix for option in told)
        assert f.fix.count("-s ") == len(told)


def test_what_was_given_already_is_joined_to_what_is_found():
    silent, _ = unknown(Orientation())
    given = (Note("position_rotation_mrad", 10.0, "given"), Note("position_factor", 0.5, "given"))
    scan = replace(silent, notes=(*silent.notes, *given))
    found = apply(prepare(scan), decision(Orientation(), affine=AffineFit(0.03, 0.003, 0.9, 0.01)))
    (finding,) = [f for f in found.findings if f.code == "positions-affine"]
    assert "position_rotation_mrad=40 " in finding.fix
    assert "position_factor=0.45 " in finding.fix
