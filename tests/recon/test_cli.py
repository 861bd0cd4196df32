"""Each command as a user calls it: exit code, files, figure, text for people, one object for programs."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from helpers_cli import FEW_PASSES, PNG, contents, halfbit, recipe, simulated, skip_drawing, written

import scans
from recon.cli import COMMANDS, main
from recon.result_file import read_result, write_result
from recon.workflow import reconstruct
from scans import scenario
from scans.formats.lazy import LazyFrames
from scans.truth import Truth

ROOT = Path(__file__).parents[2]


@pytest.fixture
def here(tmp_path, monkeypatch) -> Iterator[Path]:
    """Current folder ``work``, with the scan in a folder beside it that no command may write to."""
    raw = tmp_path / "raw"
    raw.mkdir()
    (tmp_path / "work").mkdir()
    written(raw / "run17.h5")
    before = contents(raw)
    monkeypatch.chdir(tmp_path / "work")
    yield tmp_path / "work"
    assert contents(raw) == before


@pytest.fixture
def no_drawing(monkeypatch):
    skip_drawing(monkeypatch)


SCAN = "../raw/run17.h5"


def is_png(path: Path) -> bool:
    return path.read_bytes().startswith(PNG)


def only_object(text: str) -> dict:
    """Return the one JSON object; json.loads refuses anything after it."""
    assert text.endswith("}\n")
    found = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert isinstance(found, dict)
    return found


# --- simulate -----------------------------------------------------------------------------------------------


def test_simulate_writes_scan_truth_and_figure(here, capsys, monkeypatch):
    small = ("-s", "n_frames=12", "-s", "frame_px=48")
    done = halfbit(capsys, "simulate", "-o", "scan.h5", "--truth", "truth.h5", *small)
    assert (done.code, done.err) == (0, "")
    assert sorted(contents(here)) == ["scan.h5", "scan.png", "truth.h5"]
    assert is_png(here / "scan.png")
    assert scans.load(here / "scan.h5").frames.shape == (12, 48, 48)
    assert Truth.load(here / "truth.h5").positions_m.shape == (12, 2)
    for name in ("scan.h5", "scan.png", "truth.h5", "12 frames of 48 x 48 pixels"):
        assert name in done.out

    skip_drawing(monkeypatch)
    done = halfbit(capsys, "simulate", "-o", "scan.cxi", "--json", "--quiet", "--force", *small)
    assert (done.code, done.err) == (0, "")
    assert only_object(done.out) == {"scan": "scan.cxi", "truth": None, "figure": "scan.png", "frames": 12}
    with h5py.File(here / "scan.cxi") as file:
        assert "cxi_version" in file
    # the same seed gives the same frames whatever the layout
    assert np.array_equal(scans.load(here / "scan.cxi").frames[:], scans.load(here / "scan.h5").frames[:])


def test_simulate_lists_scenarios_and_settings(here, capsys):
    done = halfbit(capsys, "simulate", "--list", "--scenario", "weak")
    assert done.code == 0
    assert "catalyst" in done.out
    assert "energy_ev = 710.0" in done.out
    listed = only_object(halfbit(capsys, "simulate", "--list", "--json").out)
    assert set(listed["scenarios"]) == set(scenario.SCENARIOS)
    assert listed["settings"]["frame_px"] == 96
    assert contents(here) == {}


# --- inspect ------------------------------------------------------------------------------------------------


def test_inspect_reads_the_frames_once(here, capsys, monkeypatch):
    # beyond the sample that preparation decides from, which is all 40 frames here
    skip_drawing(monkeypatch)
    scan, plain, n_bytes = scans.load(SCAN), LazyFrames._read, []

    def counted(*args, **given):
        n_bytes.append((values := plain(*args, **given)).nbytes)
        return values

    monkeypatch.setattr(LazyFrames, "_read", counted)
    found = only_object(halfbit(capsys, "inspect", SCAN, "--json").out)
    assert sum(n_bytes) < 2.2 * scan.frames.nbytes
    # and shows what a look at the scan by itself shows
    expected = dict(scans.geometry_table(scan, scans.first_look(scan)))
    assert {key: found["table"][key] for key in expected} == expected


def test_inspect_shows_geometry_and_draws(here, capsys, monkeypatch):
    done = halfbit(capsys, "inspect", SCAN)
    assert (done.code, done.err) == (0, "")
    assert list(contents(here)) == ["run17_inspect_001.png"]
    assert is_png(here / "run17_inspect_001.png")
    for part in ("915.00 eV", "24.06 nm", "75.000 mm", "run17_inspect_001.png", "40 of 40 used"):
        assert part in done.out

    skip_drawing(monkeypatch)
    done = halfbit(capsys, "inspect", SCAN, "--json", "--quiet", "-s", "scan.energy_ev=800", "-o", ".")
    assert (done.code, done.err) == (0, "")
    found = only_object(done.out)
    assert (found["energy_ev"], found["frames"], found["unit"]) == (800, 40, "photon")
    assert found["figure"].endswith("run17_inspect_002.png")
    assert any(note["what"] == "energy_ev" and "user" in note["where"] for note in found["notes"])

    # the recipe's gain counts in the first look as in the preparation: half as many photons
    usual, halved = (
        only_object(halfbit(capsys, "inspect", SCAN, "--json", *more).out)["table"]
        for more in ((), ("-s", "prepare.counts_per_photon=2"))
    )
    assert (usual["counts a photon"], halved["counts a photon"]) == ("1", "2")
    first = [float(table["photons a frame"].split()[0]) for table in (usual, halved)]
    assert first[1] == pytest.approx(first[0] / 2, rel=1e-3)


# --- reconstruct --------------------------------------------------------------------------------------------


def test_reconstruct_for_people(here, capsys, monkeypatch):
    done = halfbit(capsys, "reconstruct", SCAN, *FEW_PASSES, "--write-recipe", "used.toml")
    assert (done.code, done.err) == (0, "")
    assert sorted(contents(here)) == ["run17_result_001.h5", "run17_result_001.png", "used.toml"]
    assert is_png(here / "run17_result_001.png")
    result = read_result(here / "run17_result_001.h5")
    for part in (result.verdict, str(here / "run17_result_001.h5"), "run17_result_001.png", "used.toml", "6 passes"):
        assert part in done.out
    assert (here / "used.toml").read_text(encoding="utf-8") == result.recipe.to_toml()
    assert "# chosen: " in result.recipe.to_toml()
    assert result.provenance.source.path == str((here / SCAN).resolve())

    skip_drawing(monkeypatch)
    # the written recipe repeats the run, under the next free name
    done = halfbit(capsys, "reconstruct", SCAN, "-r", "used.toml")
    assert done.code == 0
    again = read_result(here / "run17_result_002.h5")
    assert again.transmission.tobytes() == result.transmission.tobytes()


def test_reconstruct_for_programs(here, capsys, no_drawing):
    (here / "out").mkdir()
    done = halfbit(capsys, "reconstruct", SCAN, *FEW_PASSES, "-o", "out", "--json", "--quiet", "--device", "cpu")
    assert (done.code, done.err) == (0, "")
    found = only_object(done.out)
    result = read_result(found["result"])
    assert found["result"] == str(Path("out/run17_result_001.h5"))
    assert (found["status"], found["verdict"]) == ("complete", result.verdict)
    assert (found["iterations"], found["frames"]) == (6, 40)
    assert found["r_factor"] == result.history.r_factor[-1]
    assert found["stop_reason"] == "iteration limit"
    assert [f["text"] for f in found["findings"]] == [f.text for f in result.findings]
    assert found["pixel_m"] == pytest.approx(result.pixel_m)
    assert (result.recipe.run.device, result.recipe.reason("run.device")) == ("cpu", None)


def test_nothing_is_overwritten_without_force(here, capsys, no_drawing):
    words = ("reconstruct", SCAN, *FEW_PASSES, "-o", "image.h5")
    for name in ("image.h5", "image.png"):  # of either file
        (here / name).write_bytes(b"mine")
        done = halfbit(capsys, *words)
        assert done.code == 2
        assert f"{name}: the file is there already" in done.err
        assert "--force" in done.err
        assert contents(here) == {name: b"mine"}
        (here / name).unlink()
    (here / "image.h5").write_bytes(b"mine")
    (here / "image.png").write_bytes(b"mine")
    assert halfbit(capsys, *words, "--force").code == 0
    assert read_result(here / "image.h5").status == "complete"
    assert is_png(here / "image.png")


def test_numbers_skip_names_that_either_file_has(here, capsys, no_drawing):
    (here / "run17_result_001.png").write_bytes(b"mine")
    (here / "run17_result_002.h5").write_bytes(b"mine")
    assert halfbit(capsys, "reconstruct", SCAN, *FEW_PASSES).code == 0
    assert set(contents(here)) == {
        "run17_result_001.png",
        "run17_result_002.h5",
        "run17_result_003.h5",
        "run17_result_003.png",
    }
    assert (here / "run17_result_001.png").read_bytes() == b"mine"


def test_two_runs_at_once_do_not_overwrite_each_other(here, capsys, no_drawing, monkeypatch):
    from recon import workflow

    def slow(*args, **given):
        result = original(*args, **given)
        (here / "run17_result_001.h5").write_bytes(b"of the other run")
        return result

    original = workflow.reconstruct
    monkeypatch.setattr(workflow, "reconstruct", slow)
    done = halfbit(capsys, "reconstruct", SCAN, *FEW_PASSES)
    assert done.code == 0
    assert "run17_result_001.h5 was taken meanwhile" in done.err
    assert (here / "run17_result_001.h5").read_bytes() == b"of the other run"
    assert read_result(here / "run17_result_002.h5").status == "complete"
    assert "run17_result_002.png" in done.out


def test_strict_turns_an_untrusted_image_into_exit_3(here, capsys, no_drawing):
    # positions in the wrong order: no object explains the frames
    scan = simulated(specimen="test_chart", energy_ev=710.0, distance_m=0.058, defocus_m=11.6e-6)[0]
    order = np.random.default_rng(0).permutation(scan.n_frames)
    scans.write(here / "shuffled.h5", replace(scan, positions_m=scan.positions_m[order], raw_positions=None))
    # the defocus is given: shadows at shuffled places tell of any
    words = ("reconstruct", "shuffled.h5", *FEW_PASSES, "-s", "probe.defocus_m=12.5e-6", "--json")
    done = halfbit(capsys, *words, "--strict")
    assert done.code == 3
    assert only_object(done.out)["verdict"] == "not to be trusted"
    assert any(f["code"] == "misfit" and f["level"] == "serious" for f in only_object(done.out)["findings"])
    assert halfbit(capsys, *words).code == 0
    assert halfbit(capsys, "reconstruct", SCAN, *FEW_PASSES, "--strict").code == 0

    # nor is the resolution of such an image trusted
    done = halfbit(capsys, "resolution", "shuffled_result_001.h5", "--strict", "--json")
    assert done.code == 3
    assert only_object(done.out)["verdict"] == "not to be trusted"


def test_a_run_that_broke_down_never_exits_with_0(here, capsys, no_drawing, monkeypatch):
    from recon.loop import Loop

    def broken(self, stage, state):
        record = replace(original(self, stage, state), r_factor=float("nan"))
        self.records[-1] = record
        return record

    original = Loop._one_pass
    monkeypatch.setattr(Loop, "_one_pass", broken)
    done = halfbit(capsys, "reconstruct", SCAN, *FEW_PASSES, "--json")
    assert done.code == 3
    found = only_object(done.out)  # and the NaN is null, which JSON has
    assert (found["status"], found["stop_reason"], found["r_factor"]) == ("failed", "non-finite", None)
    assert found["verdict"] == "not to be trusted"


# --- resolution ---------------------------------------------------------------------------------------------


def test_resolution_of_one_result_and_of_two(here, capsys, monkeypatch):
    write_result(here / "a.h5", reconstruct(here / SCAN, recipe(), device="cpu"))
    done = halfbit(capsys, "resolution", "a.h5")
    assert (done.code, done.err) == (0, "")
    assert sorted(contents(here)) == ["a.h5", "a_resolution_001.png"]
    assert is_png(here / "a_resolution_001.png")
    stored = read_result(here / "a.h5").resolution
    assert stored["method"] == "photon split"
    for part in ("1/7: ", "half-bit", "a.h5", "a_resolution_001.png", "each photon"):
        assert part in done.out
    assert "nm" in done.out

    skip_drawing(monkeypatch)
    before = read_result(here / "a.h5").transmission.tobytes()
    done = halfbit(capsys, "resolution", "a.h5", "a.h5", "--json", "--quiet", "-o", "same.png")
    assert (done.code, done.err) == (0, "")
    found = only_object(done.out)
    assert (found["method"], found["figure"], found["result"]) == ("two results", "same.png", "a.h5")
    assert set(found["half_period_m"]) == set(found["status"]) == {"1/7", "half-bit", "1-bit", "0.5"}
    # a result agrees with itself to the edge (F = 1 by definition), and the program does not call that resolution
    assert found["half_period_m"]["1/7"] is None
    assert found["status"]["1/7"] == "not crossed"
    assert any(f["code"] == "shared data" for f in found["findings"])
    assert found["verdict"] == "usable with cautions"
    assert read_result(here / "a.h5").resolution["method"] == "two results"  # replaced
    assert read_result(here / "a.h5").transmission.tobytes() == before


# --- demo ---------------------------------------------------------------------------------------------------


@pytest.fixture
def small_demo(monkeypatch):
    from recon.cli import demo

    text, full = scenario.SCENARIOS["catalyst"]
    monkeypatch.setitem(scenario.SCENARIOS, "catalyst", (text, replace(full, n_frames=40, frame_px=48)))
    monkeypatch.setattr(
        demo,
        "SHORT_RUN",
        (
            "solve.approach.iterations=4",
            "solve.main.iterations=4",
            "solve.settle.iterations=2",
            "run.trial_passes=0",
            "run.held_out=0",
        ),
    )


DEMO_FILES = [
    *("1_simulated.png", "2_first_look.png", "3_image.png", "4_resolution.png"),
    *("result.h5", "scan.h5", "truth.h5"),
]


def test_demo_does_the_whole_job(here, capsys, small_demo, no_drawing):
    done = halfbit(capsys, "demo")
    assert done.code == 0
    assert sorted(contents(here)) == [f"halfbit-demo_001/{name}" for name in DEMO_FILES]
    assert all(is_png(here / "halfbit-demo_001" / name) for name in DEMO_FILES[:4])
    result = read_result(here / "halfbit-demo_001" / "result.h5")
    assert result.resolution["method"] == "photon split"
    for part in (result.verdict, "1/7: ", "halfbit-demo_001/", "3_image.png", "error against the known truth"):
        assert part in done.out
    assert done.err.count("/4 ") == 4
    for finding in result.findings:
        assert done.out.count(finding.text) == 1


@pytest.mark.slow
def test_demo_for_programs(here, capsys, small_demo, no_drawing):
    done = halfbit(capsys, "demo", "--json", "--quiet", "-o", "mine/deep")
    assert (done.code, done.err) == (0, "")
    found = only_object(done.out)
    assert found["folder"] == str(Path("mine/deep"))
    assert 0 < found["nrmse"] < 0.1
    assert found["verdict"] == read_result(found["result"]).verdict
    assert isinstance(found["findings"], list)
    before = contents(here)
    done = halfbit(capsys, "demo", "--quiet", "-o", "mine/deep")
    assert done.code == 2
    assert "--force" in done.err
    assert contents(here) == before


# --- help, version, and what they cost ----------------------------------------------------------------------


def python(*words: str, **given) -> subprocess.CompletedProcess:
    """Run Python as a shell would, with the packages of this checkout."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, *words], capture_output=True, text=True, env=environment, timeout=60, check=False, **given
    )


def test_help_of_every_command_has_an_example(capsys):
    assert halfbit(capsys, "--help").code == 0
    assert halfbit(capsys).out == halfbit(capsys, "--help").out
    for module in COMMANDS:
        name = module.__name__.rpartition(".")[2]
        done = halfbit(capsys, name, "--help")
        assert (done.code, done.err) == (0, "")
        assert f"example:\n  halfbit {name}" in done.out
        for option in ("--json", "--quiet", "--force"):
            assert option in done.out


def test_examples_of_the_help_are_understood(capsys):
    from recon.cli import build_parser

    parser = build_parser()
    for module in COMMANDS:
        name = module.__name__.rpartition(".")[2]
        example = halfbit(capsys, name, "--help").out.rpartition("halfbit ")[2]
        assert parser.parse_args(example.split()).command == name


def test_help_and_version_load_nothing_heavy(tmp_path):
    code = (
        "import sys, runpy\n"
        "try:\n    runpy.run_module('recon', run_name='__main__', alter_sys=True)\n"
        "finally:\n    print(sorted({m.partition('.')[0] for m in sys.modules}), file=sys.stderr)"
    )
    done = python("-c", code, "--help", cwd=tmp_path)
    assert done.returncode == 0
    assert "usage: halfbit" in done.stdout
    loaded = set(eval(done.stderr))
    assert loaded & {"recon", "scans"}
    assert not loaded & {"numpy", "scipy", "h5py", "matplotlib", "tqdm", "cupy", "tomlkit"}


def test_python_m_recon_is_the_command(tmp_path):
    done = python("-m", "recon", "--version", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("halfbit ")


def test_a_reader_that_went_away_is_no_defect(tmp_path):
    # halfbit ... | head: the pipe is closed before anything is written
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "recon", "simulate", "--list"],
            stdout=write,
            stderr=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            cwd=tmp_path,
            timeout=60,
            check=False,
        )
    finally:
        os.close(write)
    assert done.stderr == b""
    assert done.returncode != 1
    assert contents(tmp_path) == {}


def test_an_old_terminal_gets_escapes(here, no_drawing, monkeypatch):
    raw = io.BytesIO()
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
        code = main(["simulate", "-o", "µ.h5", "-s", "n_frames=4", "-s", "frame_px=48"])
        text = raw.getvalue()
    assert code == 0
    assert b"scan    \\xb5.h5" in text


def test_main_takes_the_words_of_the_shell(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["halfbit", "--version"])
    assert main() == 0
    assert capsys.readouterr().out.startswith("halfbit")
