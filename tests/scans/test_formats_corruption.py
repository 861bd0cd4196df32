"""Damaged files end in one clear message, the right values, or a warning; never in a hang, a crash or silence.

Two thousand cases are run by benchmarks/fuzz_formats.py; here a few of each kind.
"""

from __future__ import annotations

import os
import signal
import struct
import sys
import time
from functools import partial
from pathlib import Path

import corruption_runs as runs
import corruption_samples
import corruptions
import h5py
import numpy as np
import pytest
from formats_files import make_cxi

from scans.errors import InputError
from scans.formats import guard as guarding
from scans.formats import load, write
from scans.formats.guard import guard
from scans.formats.seal import SEAL

# JAX, loaded by other tests of the same process, warns of any fork; the forked readers here never use it.
pytestmark = [
    pytest.mark.skipif(not hasattr(os, "fork"), reason="each case runs in a process forked from this one"),
    pytest.mark.filterwarnings(r"ignore:os\.fork\(\) was called:RuntimeWarning"),
]
KINDS = [*corruptions.BYTES, *corruptions.STRUCTURE]
quick = partial(runs.read, quick=True)


@pytest.fixture(scope="module")
def samples(tmp_path_factory):
    return corruption_samples.build(tmp_path_factory.mktemp("sound"))


@pytest.fixture(scope="module")
def whole():
    """Readings of the sound samples, by name, as the tests come to need them."""
    return {}


@pytest.fixture(scope="module")
def sound(samples):
    return {s.name: quick(s.path, s.given) for s in samples}


@pytest.mark.parametrize("kind", KINDS)
def test_damage_is_refused_or_said(tmp_path, samples, sound, kind):
    dealt = [c for c in corruptions.cases(samples, 6 * len(KINDS), seed=5) if c[1] == kind]
    for sample, _, seed in dealt:
        path = corruptions.damage(sample, kind, seed, tmp_path)
        bare = partial(corruptions.beyond_notice, sample, kind)
        out = runs.run(path, sample.given, sound[sample.name], bare, quick)
        assert out.kind not in runs.FAILURES, f"{sample.name}, {kind}, seed {seed}: {out.kind} {out.text}"
        assert out.kind != "refused" or ". " in out.text  # what is wrong, and what to do


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_damaged_scans_are_looked_at_and_prepared(tmp_path, samples, whole, kind):
    for sample, _, seed in [c for c in corruptions.cases(samples, 5 * len(KINDS), seed=6) if c[1] == kind]:
        if sample.name not in whole:
            whole[sample.name] = runs.read(sample.path, sample.given)
        path = corruptions.damage(sample, kind, seed, tmp_path)
        bare = partial(corruptions.beyond_notice, sample, kind)
        out = runs.run(path, sample.given, whole[sample.name], bare)
        assert out.kind not in runs.FAILURES, f"{sample.name}, {kind}, seed {seed}: {out.kind} {out.text}"


def test_a_case_is_the_same_every_time(tmp_path, samples):
    for kind in corruptions.BYTES:
        first, second = (
            corruptions.damage(samples[0], kind, 77, tmp_path / place).read_bytes()
            for place in ("a", "b")
            if not (tmp_path / place).mkdir(exist_ok=True)
        )
        assert first == second != samples[0].path.read_bytes()


def test_runs_tell_each_end(tmp_path, samples, sound, monkeypatch):
    """The judge itself: it must see a hang, a crash, a traceback, too much memory, and a silent change."""
    monkeypatch.setattr(runs, "MAX_SECONDS", 1.0)

    def end_of(command):
        return runs.run(samples[0].path, {}, sound["cxi"], command=command).kind

    assert end_of(lambda path: time.sleep(60)) == "hang"
    assert end_of(lambda path: os.kill(os.getpid(), signal.SIGKILL)) == "crash"
    assert end_of(lambda path: [][0]) == "error"
    monkeypatch.setattr(runs, "MAX_BYTES", 100 << 20)
    assert end_of(lambda path: np.ones(20 << 20).sum()) == "memory"  # 160 MB
    assert end_of(lambda path: os.write(2, b"Traceback (most recent call last)")) == "error"
    values = dict(sound["cxi"].values, saturation=1.0)
    assert runs.compare(runs.Reading(values, frozenset()), sound["cxi"], lambda d: False)[0] == "silent"
    assert runs.compare(runs.Reading(values, frozenset({"new"})), sound["cxi"], lambda d: False)[0] == "warned"


# --- the helper process


def endless(path: Path) -> Path:
    """Make a file whose heap of strings goes round for ever: an object of 2^64 - 16 bytes.

    The objects of a global heap follow each other: number, uses, 4 bytes, length, content (HDF5 file format, III.E).
    """
    with h5py.File(path, "w") as f:
        f["title"] = "words of any length"
    raw = bytearray(path.read_bytes())
    at = raw.find(b"GCOL") + 16
    assert struct.unpack_from("<H", raw, at)[0] == 1  # the first object
    struct.pack_into("<Q", raw, at + 8, 2**64 - 16)
    path.write_bytes(raw)
    return path


def test_a_hang_of_the_library_is_refused_with_its_place(tmp_path):
    path = endless(tmp_path / "run.h5")
    with pytest.raises(InputError, match=r"run\.h5: cannot be read: .* hangs or crashes at /title.*Copy the file"):
        load(path)
    assert load(make_cxi(tmp_path / "next.cxi")).n_frames == 12  # and the next file is read


def test_a_linked_file_is_guarded_too(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    endless(tmp_path / "other.h5")
    with h5py.File(path, "r+") as f:
        f["entry_1/title"] = h5py.ExternalLink("other.h5", "/title")
    with pytest.raises(InputError, match=r"other\.h5: cannot be read: .* hangs or crashes at /title"):
        load(path)


@pytest.fixture
def another_helper(monkeypatch):
    """Start without a helper; yields a function that sets its script."""
    monkeypatch.setattr(guarding, "_the_helper", None)
    yield lambda script: monkeypatch.setattr(guarding, "SCRIPT", script)
    if guarding._the_helper is not None:
        guarding._the_helper.stop()


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("import os, sys; sys.stdin.readline(); os.write(1, b'at \"/x\"\\n'); os.abort()", "hangs or crashes at /x"),
        ("import sys; sys.stdin.readline(); sys.exit(1)", "hangs or crashes at its start"),
        ("input(); print('at \"/y\"'); print(f'done {2 << 30}', flush=True); input()", "takes all memory at /y"),
    ],
)
def test_crash_and_memory_are_refused(tmp_path, another_helper, code, found):
    script = tmp_path / "helper.py"
    script.write_text(code)
    another_helper(script)
    with pytest.raises(InputError, match=rf"run\.cxi: cannot be read: the HDF5 library {found}, which is damaged"):
        load(make_cxi(tmp_path / "run.cxi"))


def test_without_a_helper_it_is_said_once(tmp_path, another_helper, monkeypatch):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "absent"))
    path = make_cxi(tmp_path / "run.cxi")
    with pytest.warns(RuntimeWarning, match="no helper process"):
        assert load(path).n_frames == 12
    assert load(make_cxi(tmp_path / "next.cxi")).n_frames == 12


def test_a_file_is_asked_about_once_until_it_changes(tmp_path, another_helper, monkeypatch):
    asked = []
    ask = guarding._Helper._ask
    monkeypatch.setattr(guarding._Helper, "_ask", lambda self, path: asked.append(path) or ask(self, path))
    path = make_cxi(tmp_path / "run.cxi")
    for _ in range(3):
        guard(path)
    assert asked == [str(path)]
    make_cxi(path, np.ones((5, 16, 20), np.uint16))
    guard(path)
    guard(tmp_path / "absent.h5")  # whoever opens it says so
    guard(tmp_path)
    assert asked == [str(path)] * 2


def test_a_forked_process_has_a_helper_of_its_own(tmp_path):
    path = make_cxi(tmp_path / "run.cxi")
    guard(path)
    mine = guarding._the_helper
    pid = os.fork()
    if pid == 0:
        try:
            guard(make_cxi(tmp_path / "new.cxi"))
            other = guarding._the_helper
            fine = other is not mine and other.process is not None and other.process.pid != mine.process.pid
            other.stop()
            mine.stop()  # as at exit: the parent's is not ours to end
            os._exit(0 if fine else 1)
        finally:
            os._exit(2)
    assert os.waitpid(pid, 0)[1] == 0
    assert mine.process.poll() is None
    guard(make_cxi(tmp_path / "third.cxi"))


# --- the seal of our own files


SUFFIXES = ["cxi", "nxs"]


def changed(scan) -> bool:
    return any(n.what == "contents" and n.guess for n in scan.notes)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_any_changed_value_of_a_written_file_is_noticed(tmp_path, suffix):
    path = write(tmp_path / f"sound.{suffix}", corruption_samples.scan_of_all_fields())
    assert not changed(load(path))
    with h5py.File(path) as f:
        names = [n for n in corruptions.datasets_of(f) if f[n].chunks is None and f[n].dtype.kind in "iuf"]
    assert len(names) > 10
    for name in names[:: 1 if suffix == "cxi" else 3]:
        other = tmp_path / f"other.{suffix}"
        other.write_bytes(path.read_bytes())
        with h5py.File(other, "r+") as f:
            old = f[name][()]
            usual = np.isfinite(old) & (old != 0)
            f[name][...] = np.where(usual, old * (1 + 1e-9), 1) if old.dtype.kind == "f" else old + 1
        try:
            assert changed(load(other)), name
        except InputError:
            continue


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_changed_attributes_and_groups_are_noticed(tmp_path, suffix):
    path = write(tmp_path / f"run.{suffix}", corruption_samples.scan_of_all_fields())
    raw = path.read_bytes()
    for change in (
        lambda f: f["entry_1"].attrs.__setitem__("comment", "new"),
        lambda f: f.__setitem__("entry_1/more", 1.0),
        lambda f: f.__delitem__("entry_1/title"),
        lambda f: f["entry_1"].__setitem__("loop", f["/"]),
        lambda f: f.attrs.__setitem__(SEAL, "0" * 64),
    ):
        path.write_bytes(raw)
        with h5py.File(path, "r+") as f:
            change(f)
        assert changed(load(path))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_copy_keeps_the_seal(tmp_path, suffix):
    """Stored otherwise, the same content has the same sum: as after h5repack."""
    path = write(tmp_path / f"run.{suffix}", corruption_samples.scan_of_all_fields())
    with h5py.File(path) as old, h5py.File(tmp_path / f"copy.{suffix}", "w", libver="latest") as new:
        for name in old:
            old.copy(name, new)
        new.attrs.update(old.attrs)
    assert SEAL in h5py.File(tmp_path / f"copy.{suffix}").attrs
    assert not changed(load(tmp_path / f"copy.{suffix}"))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_no_flipped_bit_in_written_frames_is_read(tmp_path, suffix, rng):
    """zlib closes each packed frame with the sum of its bytes (Adler-32, RFC 1950)."""
    scan = corruption_samples.scan_of_all_fields()
    path = write(tmp_path / f"run.{suffix}", scan)
    raw = path.read_bytes()
    with h5py.File(path) as f:
        data = f["entry_1/instrument_1/detector_1/data"]
        places = [data.id.get_chunk_info(j) for j in range(data.id.get_num_chunks())]
    for place in places:
        flipped = bytearray(raw)
        flipped[place.byte_offset + int(rng.integers(2, place.size))] ^= 1 << int(rng.integers(8))
        path.write_bytes(flipped)
        try:
            read = load(path).frames[0:12]
        except InputError:
            continue
        np.testing.assert_array_equal(read, scan.frames)  # a bit that zlib does not use
