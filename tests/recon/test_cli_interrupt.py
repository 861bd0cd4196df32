"""Ctrl-C, SIGTERM and an outright kill: what is on the disk then, and that a run goes on from it to the same bytes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from helpers_cli import FEW_PASSES, contents, halfbit, raised_in, recipe, skip_drawing, written

from recon.loop import Hooks, Loop
from recon.result_file import read_result, write_result
from recon.workflow import reconstruct

ROOT = Path(__file__).parents[2]
PASSES = (8, 3)
SETTINGS = (
    *("-s", "solve.approach.iterations=1", "-s", f"solve.main.iterations={PASSES[0]}"),
    *("-s", f"solve.settle.iterations={PASSES[1]}"),
    *("-s", "run.trial_passes=0", "-s", "run.held_out=0"),
)

# ``python -m recon`` that says on stderr when a pass is done, and takes its time for each.
TALKING = """
import functools, runpy, sys, time
from matplotlib.figure import Figure
from recon import figures, loop, run
pause, every = float(sys.argv.pop(1)), float(sys.argv.pop(1))
plain = loop.Loop._one_pass
def one_pass(self, stage, state):
    record = plain(self, stage, state)
    print("pass", record.iteration, file=sys.stderr, flush=True)
    until = time.monotonic() + pause
    while time.monotonic() < until:
        time.sleep(0.02)  # in pieces: a signal that comes just before a sleep begins waits for its end
    return record
loop.Loop._one_pass = one_pass
run.Hooks = functools.partial(loop.Hooks, checkpoint_every_s=every)
figures.result_figure = lambda result: Figure()  # drawing is shown elsewhere
sys.argv[0] = "halfbit"
runpy.run_module("recon", run_name="__main__")
"""


@contextmanager
def running(folder: Path, *words: str, pause_s: float = 0.2, checkpoint_s: float = 120) -> Iterator[subprocess.Popen]:
    """Start a command in a process of its own, in `folder`."""
    process = subprocess.Popen(
        [sys.executable, "-c", TALKING, str(pause_s), str(checkpoint_s), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    watchdog = threading.Timer(60, process.kill)  # a test that hangs is killed, not the whole suite
    watchdog.start()
    try:
        yield process
    finally:
        watchdog.cancel()
        process.kill()
        process.communicate()


def wait_for_pass(process: subprocess.Popen, number: int) -> None:
    for line in process.stderr:
        if line == f"pass {number}\n":
            return
    pytest.fail(f"pass {number} never came; exit {process.wait()}")


def ended(process: subprocess.Popen) -> tuple[int, str, str]:
    """Exit code, stdout and stderr without the lines of `TALKING`."""
    out, err = process.communicate()
    return process.returncode, out, "".join(line for line in err.splitlines(True) if not line.startswith("pass "))


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    written(tmp_path / "scan.h5")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> bytes:
    """Object of the run that nobody disturbed."""
    scan = written(tmp_path_factory.mktemp("whole") / "scan.h5")
    return reconstruct(scan, recipe(passes=PASSES), device="cpu").transmission.tobytes()


@pytest.mark.parametrize("number", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.slow)])
def test_a_signal_leaves_a_checkpoint_that_goes_on(here, whole, capsys, monkeypatch, number):
    with running(here, "reconstruct", "scan.h5", "-o", "r.h5", "--json", *SETTINGS) as process:
        wait_for_pass(process, 3)
        process.send_signal(number)
        code, out, err = ended(process)
    assert code == 130
    assert err == "interrupted; go on with: halfbit reconstruct scan.h5 -o r.h5 --resume\n"
    assert '"status": "interrupted"' in out
    assert sorted(contents(here)) == ["r.h5", "r.png", "scan.h5"]
    stopped = read_result(here / "r.h5")
    assert (stopped.status, stopped.stop_reason.value) == ("interrupted", "interrupted")
    assert 3 <= stopped.history.iteration[-1] < 1 + sum(PASSES)

    skip_drawing(monkeypatch)
    words = err.partition("halfbit ")[2].split()  # what the message says to do
    done = halfbit(capsys, *words)
    assert (done.code, done.err) == (0, "")
    result = read_result(here / "r.h5")
    assert result.status == "complete"
    assert result.transmission.tobytes() == whole
    assert result.history.iteration[-1] == 1 + sum(PASSES)
    assert sorted(contents(here)) == ["r.h5", "r.png", "scan.h5"]


def test_a_kill_leaves_nothing_of_the_result(here):
    before = contents(here)
    with running(here, "reconstruct", "scan.h5", "-o", "r.h5", *SETTINGS) as process:
        wait_for_pass(process, 3)
        process.kill()
        assert process.wait() == -signal.SIGKILL
    assert contents(here) == before


@pytest.mark.slow
def test_a_kill_amid_checkpoints_leaves_a_whole_one(here, whole, capsys, monkeypatch):
    # a checkpoint after every pass: the kill comes while one is being written, or close to it
    with running(here, "reconstruct", "scan.h5", *SETTINGS, pause_s=0, checkpoint_s=0) as process:
        wait_for_pass(process, 4)
        process.kill()
        process.wait()
    files = contents(here)
    assert "scan_result_001.png" not in files
    # the hidden temporary file may be left, which docs/result-file.md says; nothing else
    assert {name for name in files if not name.startswith(".")} == {"scan.h5", "scan_result_001.h5"}
    assert all(name.startswith(".scan_result_001.h5.") and name.endswith(".part") for name in files if name[0] == ".")
    stopped = read_result(here / "scan_result_001.h5")
    assert stopped.status == "running"
    assert stopped.history.iteration[-1] >= 3
    skip_drawing(monkeypatch)
    done = halfbit(capsys, "reconstruct", "scan.h5", "--resume")  # the newest is found
    assert done.code == 0
    assert f"going on from {here / 'scan_result_001.h5'}" in done.err
    assert read_result(here / "scan_result_001.h5").transmission.tobytes() == whole


def test_a_second_signal_stops_at_once(here):
    before = contents(here)
    with running(here, "reconstruct", "scan.h5", *SETTINGS, pause_s=50) as process:
        wait_for_pass(process, 1)
        process.send_signal(signal.SIGINT)  # waits for the pass, which takes 50 s
        process.send_signal(signal.SIGTERM)
        code, out, err = ended(process)
    assert (code, out) == (130, "")
    assert err == "halfbit reconstruct: interrupted; nothing more was written\n"
    assert contents(here) == before


# --- without a process of its own: the signal is raised at a known place ------------------------------------


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("command", ["inspect", "reconstruct"])
def test_a_signal_before_the_first_pass(here, capsys, monkeypatch, command, number):
    from recon import workflow

    before = contents(here), signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    raised_in(monkeypatch, workflow, "prepare_scan", number)
    done = halfbit(capsys, command, "scan.h5")
    assert (done.code, done.out) == (130, "")
    assert done.err == f"halfbit {command}: interrupted; nothing more was written\n"
    assert (contents(here), signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before


def test_a_second_signal_names_the_last_checkpoint(here, whole, capsys, monkeypatch):
    from recon import run

    skip_drawing(monkeypatch)
    with monkeypatch.context() as patch:
        patch.setattr(run, "Hooks", lambda **given: Hooks(checkpoint_every_s=0, **given))
        raised_in(patch, Loop, "_one_pass", signal.SIGINT, at_call=6)

        def at_once(self: Loop, stage: object, state: object) -> object:
            raise KeyboardInterrupt  # what the second signal comes to

        done_passes = Loop._one_pass
        patch.setattr(
            Loop, "_one_pass", lambda self, *a: done_passes(self, *a) if len(self.records) < 5 else at_once(self, *a)
        )
        done = halfbit(capsys, "reconstruct", "scan.h5", "-o", "my r.h5", *SETTINGS)
    assert (done.code, done.out) == (130, "")
    assert "stopped at once; the last checkpoint is my r.h5; go on with: halfbit reconstruct" in done.err
    assert "-o 'my r.h5' --resume" in done.err  # can be pasted into a shell
    assert read_result(here / "my r.h5").history.iteration[-1] == 5
    assert halfbit(capsys, "reconstruct", "scan.h5", "-o", "my r.h5", "--resume").code == 0
    assert read_result(here / "my r.h5").transmission.tobytes() == whole


@pytest.mark.parametrize("pass_number", [2, 8])  # in the first half, in the second
def test_an_interrupted_resolution_writes_nothing(here, capsys, monkeypatch, pass_number):
    write_result(here / "r.h5", reconstruct(here / "scan.h5", recipe(), device="cpu"))
    before = contents(here)
    raised_in(monkeypatch, Loop, "_one_pass", signal.SIGINT, at_call=pass_number)
    done = halfbit(capsys, "resolution", "r.h5")
    assert (done.code, done.out) == (130, "")
    assert done.err == "halfbit resolution: interrupted; nothing more was written\n"
    assert contents(here) == before


def test_an_interrupted_demo_stops(here, capsys, monkeypatch):
    from dataclasses import replace

    from scans import scenario

    text, full = scenario.SCENARIOS["catalyst"]
    monkeypatch.setitem(scenario.SCENARIOS, "catalyst", (text, replace(full, n_frames=40, frame_px=48)))
    skip_drawing(monkeypatch)
    raised_in(monkeypatch, Loop, "_one_pass", signal.SIGTERM, at_call=2)
    done = halfbit(capsys, "demo", "-o", "d")
    assert (done.code, done.out) == (130, "")
    assert "4/4" not in done.err
    assert read_result(here / "d" / "result.h5").status == "interrupted"


def test_a_run_out_of_time_goes_on_where_it_stopped(here, whole, capsys, monkeypatch):
    skip_drawing(monkeypatch)
    done = halfbit(capsys, "reconstruct", "scan.h5", *SETTINGS, "--time-budget", "0.001s")
    assert done.code == 0
    assert "stopped  time limit" in done.out
    first = read_result(here / "scan_result_001.h5")
    assert first.history.iteration[-1] == 1
    # the same budget again makes one more pass, a larger one the rest
    assert halfbit(capsys, "reconstruct", "scan.h5", "--resume").code == 0
    assert read_result(here / "scan_result_001.h5").history.iteration[-1] == 2
    (here / "out").mkdir()
    (here / "scan_result_001.h5").rename(here / "out" / "scan_result_001.h5")
    done = halfbit(capsys, "reconstruct", "scan.h5", "--resume", "-o", "out", "--time-budget", "10min", "--quiet")
    assert (done.code, done.err) == (0, "")
    last = read_result(here / "out" / "scan_result_001.h5")
    assert last.transmission.tobytes() == whole
    assert last.recipe.run.time_budget_s == 600
    assert last.solver_state is None


def test_resume_takes_the_newest_of_this_scan(here, capsys, monkeypatch):
    skip_drawing(monkeypatch)
    stopped = reconstruct(here / "scan.h5", recipe("run.time_budget_s=1e-6"), device="cpu")
    for number, age in ((1, 300), (2, 100), (3, 200)):
        path = write_result(here / f"scan_result_00{number}.h5", stopped)
        os.utime(path, (path.stat().st_mtime - age,) * 2)
    finished = write_result(here / "scan_result_004.h5", reconstruct(here / "scan.h5", recipe(), device="cpu"))
    words = ("reconstruct", "scan.h5", "--resume", "--time-budget", "1h")
    done = halfbit(capsys, *words)
    assert done.code == 0
    assert "going on from" in done.err
    assert read_result(here / "scan_result_002.h5").solver_state is None
    assert read_result(here / "scan_result_001.h5").solver_state is not None
    assert (
        read_result(finished).transmission.tobytes() == read_result(here / "scan_result_002.h5").transmission.tobytes()
    )


def test_odd_file_names(here, capsys, monkeypatch):
    # brackets are patterns to a glob, spaces end a word in a shell
    skip_drawing(monkeypatch)
    (here / "run [1] #7.h5").write_bytes((here / "scan.h5").read_bytes())
    assert halfbit(capsys, "reconstruct", "run [1] #7.h5", *FEW_PASSES, "--time-budget", "0.001s").code == 0
    done = halfbit(capsys, "reconstruct", "run [1] #7.h5", "--resume", "--time-budget", "1h")
    assert done.code == 0
    assert read_result(here / "run [1] #7_result_001.h5").history.iteration[-1] == 6


def test_in_a_thread_no_signal_is_touched(here, capsys):
    # Python takes signals in the main thread only; a program that calls us from another one must not fail
    codes = []
    thread = threading.Thread(target=lambda: codes.append(halfbit(capsys, "simulate", "--list").code))
    thread.start()
    thread.join()
    assert codes == [0]
