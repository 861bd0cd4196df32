"""A file of unknown names on the command line: inspect proposes a mapping, reconstruct uses it."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import h5py
import numpy as np
import pytest
from helpers_cli import PNG, contents, halfbit, simulated, skip_drawing

from recon.recipe import read_recipe
from recon.stage_affine import AffineFit

PASSES = ("-s", "solve.iterations=2", "-s", "run.trial_passes=0", "-s", "run.held_out=0")


def plain_file(path: Path, **changes: object) -> Path:
    """Write the tiny scan under names of our own; a change of None leaves an attribute out."""
    scan, _ = simulated()
    geometry = scan.geometry
    attributes = {
        "E_keV": geometry.energy_ev / 1e3,
        "L_mm": geometry.distance_m * 1e3,
        "pitch_um": geometry.pixel_size_m[0] * 1e6,
    } | changes
    with h5py.File(path, "w") as f:
        f["run/stack"] = scan.frames[0 : scan.n_frames]
        f["run/hy_um"], f["run/hx_um"] = scan.positions_m.T * 1e6
        f["run/odd [one]"] = np.arange(3)
        f["run"].attrs.update({k: v for k, v in attributes.items() if v is not None})
    return path


@pytest.fixture(autouse=True)
def no_rotation_and_scale(monkeypatch):
    """Leave out what takes half of the time and has its own tests (test_stage_affine.py, test_orientation.py)."""
    monkeypatch.setattr("recon.orientation.fit_affine", lambda *_, **__: AffineFit(why="left out in these tests"))


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    skip_drawing(monkeypatch)
    return tmp_path


def test_inspect_then_reconstruct(here, capsys):
    data = here / "data"
    data.mkdir()
    plain_file(data / "own.h5")
    before = contents(data)
    seen = halfbit(capsys, "inspect", data / "own.h5", "--quiet")
    assert seen.code == 0, seen.err
    assert re.search(r"energy +/run@E_keV in keV +high +named \"E_keV\"", seen.out)
    assert re.search(r"monitor +- +open +nothing in the file looks like it", seen.out)
    assert "not used  /run/odd [one] (3, int64)" in seen.out
    assert "guessed, please check" in seen.out
    assert "the names in this file were guessed" in seen.out
    assert f"mapping  {here / 'own_mapping_001.toml'}" in seen.out
    assert (here / "own_inspect_001.png").read_bytes().startswith(PNG)
    mapping = tomllib.loads((here / "own_mapping_001.toml").read_text())["scan"]["mapping"]
    assert mapping == {
        **{"frames": "/run/stack", "y": "/run/hy_um in um", "x": "/run/hx_um in um", "energy": "/run@E_keV in keV"},
        **{"distance": "/run@L_mm in mm", "pixel_size": "/run@pitch_um in um"},
    }
    assert contents(data) == before

    words = ("-r", "own_mapping_001.toml", *PASSES, "-o", "out.h5", "--quiet")
    made = halfbit(capsys, "reconstruct", data / "own.h5", *words)
    assert made.code == 0, made.err
    scan, _ = simulated()
    with h5py.File(here / "out.h5") as f:
        np.testing.assert_allclose(f["entry/positions/measured"][()], scan.positions_m, rtol=1e-9)
        stored = tomllib.loads(f["entry/process/recipe"].asstr()[()])
    assert stored["scan"]["mapping"] == mapping


def test_with_the_mapping_it_is_a_normal_inspect(here, capsys):
    plain_file(here / "own.h5")
    halfbit(capsys, "inspect", "own.h5", "--quiet")
    seen = halfbit(capsys, "inspect", "own.h5", "-r", "own_mapping_001.toml", "--json", "--quiet")
    assert seen.code == 0, seen.err
    machine = json.loads(seen.out)
    assert machine["layout"] == "mapped"
    assert "roles" not in machine
    assert not any(note["guess"] for note in machine["notes"] if note["what"] == "energy_ev")
    assert not (here / "own_mapping_002.toml").exists()


def test_the_object_of_a_proposal(here, capsys):
    plain_file(here / "own.h5")
    machine = json.loads(halfbit(capsys, "inspect", "own.h5", "--json", "--quiet").out)
    roles = {role["role"]: role for role in machine["roles"]}
    assert roles["frames"]["confidence"] == "high"
    assert roles["positions"]["entries"] == {"y": "/run/hy_um in um", "x": "/run/hx_um in um"}
    assert machine["missing"] == []
    assert machine["mapping_file"].endswith("own_mapping_001.toml")
    assert "proposed_mapping" in {finding["code"] for finding in machine["findings"]}
    guessed = {note["what"] for note in machine["notes"] if note["guess"]}
    assert {"frames", "energy_ev", "distance_m", "pixel_size_m", "positions"} <= guessed


def test_an_open_role_is_asked_for_and_can_be_filled_in(here, capsys):
    plain_file(here / "own.h5", E_keV=None, E_one=0.5, E_two=0.7)
    seen = halfbit(capsys, "inspect", "own.h5", "--quiet")
    assert seen.code == 2
    assert re.search(r"energy +- +open", seen.out)
    assert "no role found for energy; fill in" in seen.err
    assert "halfbit inspect own.h5 -r" in seen.err
    written = here / "own_mapping_001.toml"
    assert "# energy, OPEN, to be filled in" in written.read_text()
    assert read_recipe(written).scan.mapping["frames"] == "/run/stack"
    assert not list(here.glob("*.png"))
    again = halfbit(capsys, "inspect", "own.h5", "-r", written, "--quiet")  # nothing was filled in yet
    assert again.code == 2
    key = "scan.mapping.energy=/run@E_one in keV"
    assert halfbit(capsys, "inspect", "own.h5", "-r", written, "-s", key, "--quiet").code == 0
    seen = halfbit(capsys, "inspect", "own.h5", "-s", key, "--quiet")
    assert seen.code == 0
    assert re.search(r"energy +/run@E_one in keV +given +given by the user", seen.out)


def test_what_was_given_besides_stands_in_the_written_recipe(here, capsys):
    plain_file(here / "own.h5", E_keV=None)
    seen = halfbit(capsys, "inspect", "own.h5", "-s", "scan.energy_ev=700", "--quiet")
    assert seen.code == 0, seen.err
    assert read_recipe(here / "own_mapping_001.toml").scan.energy_ev == 700.0


def test_parts_of_a_scan(here, capsys):
    plain_file(here / "all.h5")
    with h5py.File(here / "all.h5") as whole:
        for k in range(4):
            with h5py.File(here / f"part_{k}.h5", "w") as f:
                for name in ("stack", "hy_um", "hx_um"):
                    f[f"run/{name}"] = whole[f"run/{name}"][10 * k : 10 * k + 10]
                f["run"].attrs.update(whole["run"].attrs)
    seen = halfbit(capsys, "inspect", "part_0.h5", "-s", "scan.parts=part_*.h5", "--json", "--quiet")
    assert seen.code == 0, seen.err
    assert json.loads(seen.out)["frames"] == 40
    assert read_recipe(here / "part_0_mapping_001.toml").scan.parts == "part_*.h5"


def test_reconstruct_without_a_mapping_says_what_to_do(here, capsys):
    plain_file(here / "own.h5")
    seen = halfbit(capsys, "reconstruct", "own.h5")
    assert seen.code == 2
    assert "Run 'halfbit inspect own.h5', which proposes a mapping" in seen.err


def test_a_file_without_any_stack_is_refused_and_nothing_is_written(here, capsys):
    with h5py.File(here / "own.h5", "w") as f:
        f["table"], f["picture"] = np.zeros((40, 3)), np.zeros((30, 20, 3))
    seen = halfbit(capsys, "inspect", "own.h5")
    assert seen.code == 2
    assert "no known layout; it holds /picture (30, 20, 3)" in seen.err
    assert "Nothing in it can be diffraction frames" in seen.err
    assert [p.name for p in here.iterdir()] == ["own.h5"]


def test_the_output_folder_is_respected(here, capsys):
    plain_file(here / "own.h5")
    (here / "out").mkdir()
    assert halfbit(capsys, "inspect", "own.h5", "-o", "out", "--quiet").code == 0
    assert sorted(p.name for p in (here / "out").iterdir()) == ["own_inspect_001.png", "own_mapping_001.toml"]
    assert sorted(p.name for p in here.iterdir()) == ["out", "own.h5"]


def test_names_with_quotes_and_control_characters_stay_text(here, capsys):
    plain_file(here / "own.h5")
    with h5py.File(here / "own.h5", "r+") as f:
        f.move("run/stack", 'run/"stack"\\ [1]\n# x')
        f["run/\x1b[31mred"] = np.arange(40.0)
    seen = halfbit(capsys, "inspect", "own.h5", "--quiet")
    assert seen.code == 0, seen.err
    assert "\x1b" not in seen.out
    recipe = read_recipe(here / "own_mapping_001.toml")
    assert recipe.scan.mapping["frames"] == '/run/"stack"\\ [1]\n# x'
