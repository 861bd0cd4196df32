"""Wrong input and wrong options: exit 2, one message that says which, what and what to do, and no file left."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from helpers_cli import FEW_PASSES, Outcome, contents, copied, halfbit, recipe, simulated, skip_drawing, written

from recon.cli.common import duration_s
from recon.result_file import write_result
from recon.workflow import reconstruct

ROOT = Path(__file__).parents[2]
FRAMES = "entry_1/instrument_1/detector_1/data"
ENERGY = "entry_1/instrument_1/source_1/energy"
TRANSLATION = "entry_1/sample_1/geometry_1/translation"


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    """Current folder, with a good scan in it."""
    written(tmp_path / "scan.cxi")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def refused(capsys, folder: Path, *words: object) -> str:
    """Run a command that must refuse its input; return its one message."""
    before = contents(folder), sorted(folder.iterdir())
    done = halfbit(capsys, *words)
    assert done.code == 2, done
    assert done.out == ""
    assert (contents(folder), sorted(folder.iterdir())) == before  # no output, no temporary file
    return one_message(done, str(words[0]))


def one_message(done: Outcome, command: str) -> str:
    first, *more = done.err.splitlines()
    assert first.startswith(f"halfbit {command}: ")
    assert all(re.match(r"  \d+\. ", line) for line in more)  # the numbered list of several problems
    assert "Traceback" not in done.err
    assert "expected" in done.err
    return done.err


# --- scan files ---------------------------------------------------------------------------------------------


def put(name: str, value: object, **attributes: object) -> Callable[[h5py.File], None]:
    """Return a change that replaces one dataset."""

    def change(file: h5py.File) -> None:
        old = dict(file[name].attrs)
        del file[name]
        file[name] = value
        for key, attribute in (old | attributes).items():
            file[name].attrs[key] = attribute

    return change


def dropped(name: str) -> Callable[[h5py.File], None]:
    return lambda file: file.__delitem__(name)


def fewer_positions(file: h5py.File) -> None:
    put(TRANSLATION, file[TRANSLATION][:-3])(file)


def nan_position(file: h5py.File) -> None:
    file[TRANSLATION][5, 1] = np.nan


def dark(file: h5py.File) -> None:
    file[FRAMES][...] = 0


def claims_much(file: h5py.File) -> None:
    del file[FRAMES]
    file.create_dataset(FRAMES, (40, 16000, 16000), np.uint16, chunks=(1, 1000, 1000))


def only_other_things(file: h5py.File) -> None:
    for name in list(file):
        del file[name]
    file["photographs/holiday"] = np.zeros((30, 20, 3))


# change to a good CXI file, what the message must hold, in this order: place, trouble, remedy
BROKEN = {
    "no energy": (dropped(ENERGY), ["bad.cxi::/entry_1", "no photon energy", "-s scan.energy_ev=VALUE"]),
    "counts": (
        fewer_positions,
        ["bad.cxi::/entry_1/sample_1/geometry_1/translation", "40 frames", "37 positions", "-s scan.n_frames=37"],
    ),
    "NaN": (nan_position, ["bad.cxi::/entry_1", "positions", "not finite", "frame 5"]),
    "dark": (dark, ["bad.cxi::/entry_1/data_1/data", "dark", "Check the shutter"]),
    # 915 eV are 1.466e-16 J (1 eV = 1.602176634e-19 J, 2019 SI)
    "J as eV": (
        put(ENERGY, 1.466e-16, units="eV"),
        [f"/{ENERGY}", "1.466e-16 eV", "in J", "-s scan.energy_ev=915.005"],
    ),
    "eV as J": (put(ENERGY, 915.0, units="J"), [f"/{ENERGY}", "5.71098e+21 eV", "in eV", "-s scan.energy_ev=915."]),
    "huge": (claims_much, [f"bad.cxi::/{FRAMES}", "claims (40, 16000, 16000)", "19.07 GiB", "nothing was written"]),
    "foreign": (only_other_things, ["bad.cxi", "no known layout", "/photographs/holiday (30, 20, 3)", "NeXus, CXI"]),
}


@pytest.mark.parametrize("command", ["inspect", "reconstruct"])
@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_scan(here, capsys, command, name):
    change, parts = BROKEN[name]
    with h5py.File(copied(here / "scan.cxi", here / "bad.cxi"), "r+") as file:
        change(file)
    in_order(refused(capsys, here, command, "bad.cxi"), parts)


def in_order(message: str, parts: list[str]) -> None:
    at = 0
    for part in parts:
        assert part in message[at:], f"{part!r} not in {message[at:]!r}"
        at = message.index(part, at) + 1


def missing(path: Path) -> None:
    path.unlink()


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def text(path: Path) -> None:
    path.write_text("energy = 915 eV\n", encoding="utf-8")


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def empty(path: Path) -> None:
    path.write_bytes(b"")


NO_SCANS = {
    "missing": (missing, ["bad.cxi", "no such file"]),
    "folder": (folder, ["bad.cxi", "folder"]),
    "text": (text, ["bad.cxi", "not an HDF5 file"]),
    "empty": (empty, ["bad.cxi", "not an HDF5 file", "0 bytes"]),
    "truncated": (truncated, ["bad.cxi", "truncated", "opy"]),
}


@pytest.mark.parametrize("name", NO_SCANS)
def test_no_scan_file_at_all(here, capsys, name):
    change, parts = NO_SCANS[name]
    change(copied(here / "scan.cxi", here / "bad.cxi"))
    in_order(refused(capsys, here, "reconstruct", "bad.cxi"), parts)


def test_several_problems_in_one_message(here, capsys):
    with h5py.File(here / "scan.cxi", "r+") as file:
        del file[ENERGY]
        fewer_positions(file)
    message = refused(capsys, here, "inspect", "scan.cxi")
    in_order(message, ["scan.cxi: 2 problems", "  1. ", "  2. "])
    assert len(message.splitlines()) == 3


def test_what_the_message_says_to_do_works(here, capsys, monkeypatch):
    skip_drawing(monkeypatch)
    with h5py.File(here / "scan.cxi", "r+") as file:
        del file[ENERGY]
        fewer_positions(file)
    words = ("inspect", "scan.cxi", "-s", "scan.energy_ev=915", "-s", "scan.n_frames=37")
    assert halfbit(capsys, *words).code == 0


def test_a_result_given_as_scan(here, capsys):
    write_result(here / "r.h5", reconstruct(simulated()[0], recipe(passes=(1, 1)), device="cpu"))
    in_order(refused(capsys, here, "reconstruct", "r.h5"), ["r.h5", "a result of halfbit, not a scan", "Name the scan"])
    write_result(here / "s.h5", reconstruct(here / "scan.cxi", recipe(passes=(1, 1)), device="cpu"))
    assert str(here / "scan.cxi") in refused(capsys, here, "inspect", "s.h5")


def test_no_such_entry(here, capsys):
    in_order(refused(capsys, here, "inspect", "scan.cxi::/entry_9"), ["scan.cxi::/entry_9", "nothing of that name"])


# --- recipes and settings -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setting", "parts"),
    [
        ("prepare.binn=2", ["-s prepare.binn=2", "unknown key", "nearest is prepare.bin."]),
        ("preparer.bin=2", ["-s preparer.bin=2", "nearest is prepare.bin"]),
        ("probe.start=magic", ["-s probe.start=magic", '"magic"', '"zone_plate", "data"']),
        ("probe.modes=0", ["-s probe.modes=0", "a whole number from 1"]),
        ("run.precision=half", ["-s run.precision=half", '"single", "double"']),
        ("scan.energy_ev=0.9", ["scan.energy_ev", "0.9", "30 to 200000 eV"]),
        ("solve.solver=rpi", ["unknown solver", "rpie"]),
        ("solve.main.alpha=7", ["alpha", '"main"', "0.001 to 1"]),
        ("solve.mian.iterations=7", ["-s solve.mian.iterations=7", "main"]),
        ("solve.iterations=many", ["-s solve.iterations=many", "a whole number from 1"]),
        ("foo", ['"foo"', "section.key=VALUE"]),
        ("=3", ['"=3"', "section.key=VALUE"]),
        ("prepare.size=47", ["47"]),
        ("prepare.centre_px=[900, 3]", ["900"]),
    ],
)
def test_wrong_settings(here, capsys, setting, parts):
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "-s", setting), parts)


def test_wrong_recipe_files(here, capsys):
    (here / "bad.toml").write_text("[run]\nseed = 1\nseed =\n", encoding="utf-8")
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "-r", "bad.toml"), ["bad.toml, line 3", "TOML"])
    (here / "bad.toml").write_text("[probe]\nmods = 2\n", encoding="utf-8")
    in_order(refused(capsys, here, "inspect", "scan.cxi", "-r", "bad.toml"), ["bad.toml", "mods", "probe.modes"])
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "-r", "none.toml"), ["none.toml", "No such file"])


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (["--scenario", "catalist"], ["'catalist'", "catalyst"]),
        (["-s", "photons=3"], ["'photons'", "photons_per_frame"]),
        (["-s", "n_frames=many"], ["n_frames", "'many'", "a whole number"]),
        (["-s", "n_frames"], ["'n_frames'", "KEY=VALUE"]),
        (["-s", "energy_ev=5"], ["energy_ev", "30 to 200000 eV"]),
        (["-o", "scan.txt"], ["scan.txt", "'.txt'", ".cxi (CXI)"]),
        (["-o", "scan.png"], ["scan.png", "'.png'", "-o scan.h5"]),
        (["-o", "new.h5", "--truth", "new.h5"], ["new.h5 and new.h5", "different names"]),
        (["-o", "new.h5", "--truth", "no/t.h5"], ["no/t.h5", "no folder no"]),
    ],
)
def test_wrong_simulations(here, capsys, words, parts):
    in_order(refused(capsys, here, "simulate", *words), parts)


# --- options ------------------------------------------------------------------------------------------------


def test_a_device_that_is_not_there(here, capsys):
    # no machine has a hundred cards, and no card without CuPy
    message = refused(capsys, here, "reconstruct", "scan.cxi", "--device", "gpu:99")
    in_order(message, ["--device", "'gpu:99' cannot be used", "--device cpu"])
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "--device", "tpu"), ["--device", "'tpu'", "gpu:N"])


USAGE = {
    "no command of that name": (["reconstuct"], ["reconstuct", "reconstruct", "halfbit --help"]),
    "nothing given": (["reconstruct"], ["SCAN", "halfbit reconstruct --help"]),
    "unknown option": (["inspect", "scan.cxi", "--fast"], ["--fast", "halfbit --help"]),
    "abbreviated option": (["reconstruct", "scan.cxi", "--forc"], ["--forc"]),
    "no duration": (["reconstruct", "scan.cxi", "--time-budget", "soon"], ["--time-budget", "'soon'", "60s, 5min"]),
    "no time": (["reconstruct", "scan.cxi", "--time-budget", "0s"], ["--time-budget", "'0s'"]),
    "three results": (["resolution", "a.h5", "b.h5", "c.h5"], ["c.h5"]),
}


@pytest.mark.parametrize("name", USAGE)
def test_wrong_usage_is_one_line(here, capsys, name):
    words, parts = USAGE[name]
    before = contents(here)
    done = halfbit(capsys, *words)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("halfbit")
    assert len(done.err.splitlines()) == 1
    assert contents(here) == before
    in_order(done.err, parts)


def test_durations():
    assert [duration_s(t) for t in ("90", "60s", "5min", "1h", " 1.5 h ")] == [90, 60, 300, 3600, 5400]
    for wrong in ("", "s", "-3s", "1.2.3s", "5 weeks", "1e3", "nan", "inf"):
        with pytest.raises(Exception, match="is not a duration such as 60s"):
            duration_s(wrong)


# --- where to write -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (["-o", "none/r.h5"], ["none/r.h5", "no folder none", "Make it first"]),
        (["-o", "none/"], ["none/", "no such folder"]),
        (["-o", "scan.cxi/r.h5"], ["scan.cxi/r.h5", "no folder scan.cxi"]),
        (["-o", "r.png"], ["r.png", "'.png'", "-o r.h5"]),
        (["-o", "scan.cxi"], ["scan.cxi", "the command reads this file"]),
        (["-o", "scan.cxi", "--force"], ["scan.cxi", "the command reads this file", "not with --force"]),
        (["-o", "r.h5", "--write-recipe", "r.h5"], ["r.h5 and r.h5", "different names"]),
        (["-o", "r.h5", "--write-recipe", "none/r.toml"], ["none/r.toml", "no folder none"]),
        (["--write-recipe", "scan.cxi", "--force"], ["scan.cxi", "the command reads this file"]),
    ],
)
def test_names_that_cannot_be_written(here, capsys, words, parts):
    (here / "my.toml").write_text("[run]\nseed = 1\n", encoding="utf-8")
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", *words), parts)


def test_the_scan_under_another_name_is_not_replaced_either(here, capsys):
    (here / "link.h5").symlink_to("scan.cxi")
    for words in (["reconstruct", "scan.cxi", "-o", "link.h5"], ["reconstruct", "scan.cxi::/entry_1", "-o", "link.h5"]):
        assert "the command reads this file" in refused(capsys, here, *words, "--force")


@pytest.mark.parametrize("command", ["inspect", "resolution"])
def test_a_figure_is_a_png(here, capsys, command):
    for name, parts in (("f.pdf", ["-o f.pdf", "'.pdf'", "-o f.png"]), ("f", ["-o f", "no suffix", "-o f.png"])):
        in_order(refused(capsys, here, command, "scan.cxi", "-o", name), parts)


def test_a_folder_that_cannot_be_written(here, capsys, monkeypatch):
    if os.geteuid() == 0:  # the superuser writes anywhere but here
        target = Path("/proc")
        if not target.is_dir():
            pytest.skip("no folder that the superuser cannot write to")
    else:
        target = here / "locked"
        target.mkdir()
        target.chmod(0o500)
    for words in (
        ["reconstruct", "scan.cxi", "-o", target],
        ["reconstruct", "scan.cxi", "-o", target / "r.h5"],
        ["reconstruct", "scan.cxi", "-o", "r.h5", "--write-recipe", target / "r.toml"],
        ["inspect", "scan.cxi", "-o", target / "f.png"],
        ["simulate", "-o", target / "s.h5"],
        ["demo", "-o", target / "demo"],
    ):
        assert str(target) in refused(capsys, here, *words)
    monkeypatch.chdir(target)
    for words in (["reconstruct", here / "scan.cxi"], ["inspect", here / "scan.cxi"], ["simulate"], ["demo"]):
        assert str(target) in refused(capsys, here, *words)


def test_a_demo_folder_in_use(here, capsys):
    in_order(refused(capsys, here, "demo", "-o", "."), [".", "there already", "--force"])
    in_order(refused(capsys, here, "demo", "-o", "scan.cxi"), ["scan.cxi", "the folder cannot be made", "File exists"])


# --- results ------------------------------------------------------------------------------------------------


def test_a_file_that_is_no_result(here, capsys):
    text(here / "notes.h5")
    (here / "sub").mkdir()
    for name, parts in {
        "scan.cxi": ["scan.cxi::/entry/object/transmission", "another program"],
        "notes.h5": ["notes.h5", "not an HDF5 file"],
        "none.h5": ["none.h5", "no such file"],
        "sub": ["sub", "is a folder"],
    }.items():
        in_order(refused(capsys, here, "resolution", name), [*parts, "halfbit reconstruct"])


def test_results_that_cannot_be_compared(here, capsys):
    scan = simulated()[0]
    write_result(here / "a.h5", reconstruct(scan, recipe(passes=(1, 1)), device="cpu"))
    write_result(here / "b.h5", reconstruct(scan, recipe("prepare.size=40", passes=(1, 1)), device="cpu"))
    in_order(
        refused(capsys, here, "resolution", "a.h5", "b.h5"),
        ["a.h5 and b.h5", "24.06 nm and 28.87 nm", "the same pixel", "the same frame size"],
    )
    in_order(refused(capsys, here, "resolution", "a.h5"), ["names no scan file", "compare two results"])


def test_a_result_whose_scan_is_gone(here, capsys):
    write_result(here / "a.h5", reconstruct(here / "scan.cxi", recipe(passes=(1, 1)), device="cpu"))
    (here / "scan.cxi").unlink()
    in_order(refused(capsys, here, "resolution", "a.h5"), ["scan.cxi", "No such file", "Put the scan file back"])


def test_a_result_in_a_locked_folder_is_told_before_the_work(here, capsys, monkeypatch):
    from recon.cli import resolution
    from scans.errors import InputError

    write_result(here / "a.h5", reconstruct(here / "scan.cxi", recipe(passes=(1, 1)), device="cpu"))

    def locked(folder: Path, fix: str) -> None:
        raise InputError("no file can be made there", where=str(folder), expected="rights", fix=fix)

    monkeypatch.setattr(resolution, "check_writable", locked)
    in_order(refused(capsys, here, "resolution", "a.h5"), [str(here), "Copy the result to a folder"])


# --- resuming -----------------------------------------------------------------------------------------------


@pytest.fixture
def checkpoint(here) -> Path:
    """A run of scan.cxi that ran out of time."""
    stopped = reconstruct(here / "scan.cxi", recipe("run.time_budget_s=1e-6"), device="cpu")
    return write_result(here / "scan_result_001.h5", stopped)


def test_resume_with_another_scan(here, checkpoint, capsys):
    written(here / "other.cxi", seed=4)
    message = refused(capsys, here, "reconstruct", "other.cxi", "-o", checkpoint, "--resume")
    in_order(message, ["other.cxi", "another scan", "scan.cxi"])


def test_resume_finds_only_results_of_this_scan(here, checkpoint, capsys):
    # the same file name in another folder is another scan
    (here / "b").mkdir()
    other = written(here / "b" / "scan.cxi", seed=4)
    message = refused(capsys, here, "reconstruct", other, "--resume")
    in_order(message, [str(here), "no interrupted result of this scan", "scan_result_*.h5: 1", "-o"])


def test_resume_of_nothing(here, capsys):
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "--resume"), ["scan_result_*.h5: 0", "start anew"])
    in_order(refused(capsys, here, "reconstruct", "none.cxi", "--resume"), ["none.cxi", "No such file"])
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "--resume", "-o", "r.h5"), ["r.h5", "no such file"])


def test_resume_of_a_finished_run(here, capsys):
    write_result(here / "scan_result_001.h5", reconstruct(here / "scan.cxi", recipe(passes=(1, 1)), device="cpu"))
    message = refused(capsys, here, "reconstruct", "scan.cxi", "-o", "scan_result_001.h5", "--resume")
    in_order(message, ["scan_result_001.h5", "status complete", "start anew"])
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "--resume"), ["scan_result_*.h5: 1"])


@pytest.mark.parametrize("words", [["-s", "run.seed=3"], ["-r", "my.toml"]])
def test_resume_has_its_own_recipe(here, checkpoint, capsys, words):
    (here / "my.toml").write_text("[run]\nseed = 1\n", encoding="utf-8")
    in_order(refused(capsys, here, "reconstruct", "scan.cxi", "--resume", *words), ["-r or -s beside --resume"])


def test_resume_of_a_damaged_checkpoint(here, checkpoint, capsys):
    truncated(checkpoint)
    message = refused(capsys, here, "reconstruct", "scan.cxi", "--resume")
    in_order(message, ["scan_result_001.h5", "cut short or damaged"])


# --- defects of ours ----------------------------------------------------------------------------------------


def test_a_defect_is_logged_with_its_traceback(here, capsys, monkeypatch):
    from recon import workflow

    def broken(*args: object, **given: object) -> None:
        raise RuntimeError("the sky fell")

    monkeypatch.setattr(workflow, "reconstruct", broken)
    done = halfbit(capsys, "reconstruct", "scan.cxi", "-o", "my image.h5", *FEW_PASSES)
    assert (done.code, done.out) == (1, "")
    first, second = done.err.splitlines()
    assert first == "halfbit reconstruct: a defect of ours: RuntimeError: the sky fell"
    (log,) = here.glob("halfbit-error-*.log")
    assert str(log) in second
    text_ = log.read_text(encoding="utf-8")
    assert text_.startswith("halfbit reconstruct scan.cxi -o 'my image.h5'")  # can be pasted into a shell
    assert "Traceback (most recent call last)" in text_
    assert "in broken" in text_
    assert sorted(contents(here)) == sorted([log.name, "scan.cxi"])


def test_the_log_goes_elsewhere_where_the_folder_is_read_only(here, capsys, monkeypatch, tmp_path_factory):
    from recon import cli, workflow

    spare = tmp_path_factory.mktemp("spare")
    monkeypatch.setattr(workflow, "reconstruct", lambda *a, **k: 1 / 0)
    monkeypatch.setattr(cli.tempfile, "gettempdir", lambda: str(spare))
    original = Path.write_text

    def write_text(self: Path, *args: object, **given: object) -> int:
        if self.parent == here:
            raise PermissionError(13, "Permission denied")
        return original(self, *args, **given)

    monkeypatch.setattr(Path, "write_text", write_text)
    done = halfbit(capsys, "reconstruct", "scan.cxi", *FEW_PASSES)
    assert done.code == 1
    (log,) = spare.iterdir()
    assert str(log) in done.err


def test_a_failing_checkpoint_does_not_end_the_run(here, capsys, monkeypatch):
    from recon import result_file, run
    from recon.loop import Hooks
    from scans.errors import InputError

    def full(path: Path, result: object, *, force: bool = False) -> Path:
        if result.status == "running":
            raise InputError("No space left", where=str(path), expected="room", fix="Free some.")
        return original(path, result, force=force)

    original = result_file.write_result
    skip_drawing(monkeypatch)
    monkeypatch.setattr(result_file, "write_result", full)
    monkeypatch.setattr(run, "Hooks", lambda **given: Hooks(checkpoint_every_s=0, **given))
    done = halfbit(capsys, "reconstruct", "scan.cxi", "-o", "r.h5", *FEW_PASSES)
    assert done.code == 0
    assert "no checkpoint written: " in done.err
    assert (here / "r.h5").exists()


# --- from a real shell --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_from_a_shell(tmp_path):
    # once as a process of its own: no traceback from anywhere, such as the interpreter's end
    source = written(tmp_path / "scan.cxi")
    with h5py.File(source, "r+") as file:
        nan_position(file)
    before = contents(tmp_path)
    done = subprocess.run(
        [sys.executable, "-X", "dev", "-m", "recon", "reconstruct", "scan.cxi"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    in_order(one_message(Outcome(2, "", done.stderr), "reconstruct"), ["scan.cxi", "positions", "not finite"])
    assert contents(tmp_path) == before
