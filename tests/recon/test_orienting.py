"""Frames turned by what the data say: against scans that were turned on purpose."""

from dataclasses import replace

import numpy as np
import pytest

from recon.orientation import OrientationDecision
from recon.orienting import apply, is_guess, orient
from recon.recipe import parse_recipe
from recon.workflow import prepare_scan, reconstruct
from scans.preparation import prepare
from scans.scan import Note, Orientation
from scans.scenario import build

GUESS = Note("orientation", "as stored", "nowhere", "the file does not say", guess=True)


def unknown(orientation, **more):
    """Scan stored as `orientation` says, whose file keeps silent about it, and the scan that says it."""
    told, _ = build("catalyst", n_frames=81, photons_per_frame=3e6, orientation=str(orientation), frame_px=64, **more)
    geometry = told.geometry
    return replace(told, orientation=Orientation(), geometry=geometry, notes=(GUESS,)), told


def decision(orientation, *, decided=True):
    return OrientationDecision(
        orientation, decided, 0.99, "defocus", 0.99, None, None, None, None, ("evidence",), "" if decided else "why?"
    )


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
