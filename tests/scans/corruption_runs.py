"""Run one damaged file as a user would, in a process of its own, and say what came of it.

A run is forked (POSIX only), so that a hang or a crash of the HDF5 library ends that run and no other.
"""

from __future__ import annotations

import os
import pickle
import resource
import select
import signal
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from scans.errors import InputError
from scans.formats.guard import guard

MAX_SECONDS = 10.0
MAX_BYTES = 1 << 30
OUTCOMES = (
    "refused",  # InputError: what is wrong, where, what to do
    "equal",  # everything as in the sound file
    "warned",  # other values or frames, with a note marked as guess or a finding that the sound file does not have
    "bare",  # other values, in a file of another writer that stores them without check sums: nobody can tell
    "silent",  # other values or frames, and nothing said
    "error",  # another exception
    "hang",
    "crash",
    "memory",
)
FAILURES = ("silent", "error", "hang", "crash", "memory")


@dataclass(frozen=True)
class Outcome:
    """What one run gave: its class, a text, seconds, bytes of memory beyond the start."""

    kind: str
    text: str
    seconds: float
    extra_bytes: int


@dataclass(frozen=True)
class Reading:
    """What a user gets: values by name, and warnings."""

    values: dict[str, Any]
    warnings: frozenset[str]


def read(path: Path, given: dict[str, Any], quick: bool = False) -> Reading:
    """Load, look at, and prepare a scan; with `quick`, load it and read all its frames."""
    from scans import load, prepare
    from scans.checks import check_scan
    from scans.overview import first_look

    scan = load(path, **given)
    names = ("positions_m", "mask", "dark", "dark_exposures_s", "flat", "counts_per_photon", "saturation")
    names += ("beam_centre_px", "orientation", "zone_plate", "readings_m", "monitor", "exposure_s", "exposures_s")
    values = {name: getattr(scan, name) for name in (*names, "geometry", "index_in_file", "title")}
    values["frames"] = np.asarray(scan.frames[0 : scan.n_frames])
    guesses = {f"{n.what} {n.value} {n.why}" for n in scan.guesses}
    if quick:
        return Reading(values, frozenset(guesses | {f.code for f in check_scan(scan)}))
    look, prepared = first_look(scan), prepare(scan)
    values["mean"], values["totals"], values["prepared"] = look.mean, look.totals, prepared.counts
    values["prepared mask"] = prepared.mask
    findings = {f"{f.code}: {f.text}" for f in prepared.findings} | {"left out" for _ in prepared.left_out}
    findings |= {step for step in prepared.steps if step.startswith("masked")}
    return Reading(values, frozenset(findings | guesses))


def compare(got: Reading, sound: Reading, bare: Callable[[set[str]], bool]) -> tuple[str, str]:
    """Tell "equal", "warned", "bare" or "silent", and which values differ."""
    differ = [name for name, value in sound.values.items() if not _same(value, got.values[name])]
    new = sorted(got.warnings - sound.warnings)
    if not differ:
        return "equal", ""
    return ("warned" if new else "bare" if bare(set(differ)) else "silent"), ", ".join(differ) + (
        f"; {new[0][:80]}" if new else ""
    )


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        if a is None or b is None or np.shape(a) != np.shape(b):
            return False
        return bool(np.array_equal(a, b, equal_nan=np.asarray(a).dtype.kind == "f"))
    return bool(a == b) or (a != a and b != b)


def run(
    path: Path,
    given: dict[str, Any],
    sound: Reading,
    bare: Callable[[set[str]], bool] = lambda differ: False,
    reader: Callable[..., Reading] = read,
    command: Callable[[Path], Any] | None = None,
) -> Outcome:
    """Read `path` in a forked process under a limit of time, and compare with the sound reading.

    Parameters
    ----------
    path, given
        As for `read`.
    sound
        The undamaged file's.
    bare
        Tells of a set of values that differ whether nobody could notice.
    reader
        `read`, or a part of it.
    command
        To run instead of `read`; whatever it returns counts as equal.
    """
    began = time.monotonic()
    refusal = None if command is not None or path.is_dir() else _guarded(path)
    if refusal is not None:
        seconds = time.monotonic() - began
        return Outcome("refused" if seconds < MAX_SECONDS else "hang", str(refusal), seconds, 0)

    def work() -> tuple[str, str]:
        if command is None:
            return compare(reader(path, given), sound, bare)
        command(path)
        return "equal", ""

    out = _forked(work)
    return _forked(work) if out.kind == "hang" else out  # a machine that stood still is no hang


def _guarded(path: Path) -> InputError | None:
    """Ask the helper of this process, as `load` does first, about a file and those beside it: it serves many runs."""
    refusal = None
    for file in [path, *path.parent.glob("*.h5")]:
        try:
            guard(file)
        except InputError as problem:
            refusal = problem if file == path else refusal
    return refusal


def _forked(work: Callable[[], tuple[str, str]]) -> Outcome:
    """Do the work in a process of its own."""
    began = time.monotonic()
    with tempfile.TemporaryFile() as log:
        out, into = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(out)
            _child(work, into, log.fileno())
        os.close(into)
        with os.fdopen(out, "rb") as stream:
            ready, _, _ = select.select([stream], [], [], MAX_SECONDS)
            if not ready:
                os.kill(pid, signal.SIGKILL)
            raw = stream.read() if ready else b""
        _, status = os.waitpid(pid, 0)
        seconds = time.monotonic() - began
        if not ready:
            return Outcome("hang", f"over {MAX_SECONDS:g} s", seconds, 0)
        log.seek(0)
        printed = log.read().decode("utf-8", "replace")
    if not raw:
        return Outcome("crash", f"status {status} {printed[-300:]}", seconds, 0)
    kind, text, extra = pickle.loads(raw)
    if extra > MAX_BYTES:
        kind = "memory"
    if "Traceback" in printed and kind not in FAILURES:
        kind, text = "error", printed[-2000:]
    return Outcome(kind, text, seconds, extra)


def _child(work: Callable[[], tuple[str, str]], into: int, log: int) -> None:
    """Do the run; never returns."""
    os.dup2(log, 1)
    os.dup2(log, 2)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    before = _peak_bytes()
    try:
        answer = work()
    except InputError as exc:
        answer = ("refused", str(exc))
    except BaseException:
        answer = ("error", traceback.format_exc())
    with os.fdopen(into, "wb") as stream:
        pickle.dump((*answer, _peak_bytes() - before), stream)
    os._exit(0)


def _peak_bytes() -> int:
    """Most memory that this process has held (Linux counts KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
