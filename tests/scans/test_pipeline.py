"""Reading ahead gives what plain reading gives, in order, and leaves no thread behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames

from scans.errors import InputError
from scans.formats.lazy import lazy_frames
from scans.pipeline import work_ahead

PARTS = [slice(0, 5), slice(5, 6), slice(6, 12)]


def read_ahead(stack, parts, **how):
    return work_ahead(lambda _, values: values.copy(), stack, parts, **how)


def threads():
    return [t for t in threading.enumerate() if t.name.startswith("read-ahead")]


@pytest.fixture
def stack(tmp_path):
    with h5py.File(tmp_path / "f.h5", "w") as f:
        return lazy_frames([f.create_dataset("d", data=frames(), chunks=(2, 8, 8), compression="gzip")])


@pytest.mark.parametrize("workers", [1, 3, None])
@pytest.mark.parametrize("ahead", [1, 2, 9])
@pytest.mark.parametrize("from_file", [True, False])
def test_parts_come_in_order_with_their_values(stack, ahead, workers, from_file):
    got = list(read_ahead(stack if from_file else frames(), PARTS, ahead=ahead, workers=workers))
    assert [part for part, _ in got] == PARTS
    for part, values in got:
        np.testing.assert_array_equal(values, frames()[part])


@pytest.mark.parametrize("step", [1, 2, 5])
def test_parts_are_worked_on_in_pieces(stack, step):
    got = list(work_ahead(lambda _, values: values.copy(), stack, PARTS, step=step))
    assert [p for piece, _ in got for p in range(piece.start, piece.stop)] == list(range(12))
    assert {piece.start for piece, _ in got} >= {part.start for part in PARTS}
    for piece, values in got:
        assert len(values) <= step
        np.testing.assert_array_equal(values, frames()[piece])


def test_work_is_done_on_each_part_though_buffers_are_used_again(stack):
    slow_first = {0: 0.05}

    def work(part, values):
        time.sleep(slow_first.get(part.start, 0))
        return values.sum(axis=(1, 2), dtype=np.int64)

    parts = [slice(j, j + 1) for j in range(N_FRAMES)]
    got = list(work_ahead(work, stack, parts, ahead=4, workers=4))
    assert [part for part, _ in got] == parts
    np.testing.assert_array_equal(np.concatenate([t for _, t in got]), frames().sum(axis=(1, 2), dtype=np.int64))


def test_no_more_is_read_than_was_agreed():
    class Counted:
        shape, dtype = (100, 8, 8), np.dtype(np.uint8)
        read = 0

        def __len__(self):
            return 100

        def __getitem__(self, part):
            Counted.read += 1
            return np.zeros((part.stop - part.start, 8, 8), np.uint8)

    reading = read_ahead(Counted(), (slice(j, j + 1) for j in range(100)), ahead=3, workers=2)
    for done, _ in enumerate(reading, 1):
        assert done <= Counted.read <= done + 3
        if done == 10:
            break
    reading.close()
    assert Counted.read <= 10 + 3
    assert not threads()


def test_an_error_comes_in_the_turn_of_its_part_and_names_the_frames(tmp_path):
    with h5py.File(tmp_path / "f.h5", "w") as f:
        data = f.create_dataset("d", data=frames(), chunks=(1, HEIGHT, WIDTH), compression="gzip")
        stack = lazy_frames([data])
        place = data.id.get_chunk_info(7)
    with open(tmp_path / "f.h5", "r+b") as stream:
        stream.seek(place.byte_offset)
        stream.write(b"\xff" * place.size)
    reading = read_ahead(stack, PARTS, ahead=3)
    assert next(reading)[0] == PARTS[0]
    assert next(reading)[0] == PARTS[1]
    with pytest.raises(InputError, match=r"f\.h5::/d: damaged data: 1 frame\(s\) cannot be unpacked: 7;") as caught:
        next(reading)
    assert caught.value.__notes__ == ["in frames 6 to 11"]
    assert not threads()


def test_an_error_of_the_work_passes_on():
    def work(part, values):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError) as caught:
        list(work_ahead(work, frames(), PARTS))
    assert caught.value.__notes__ == ["in frames 0 to 4"]
    assert not threads()


@pytest.mark.parametrize("how", ["break", "raise", "forget"])
def test_stopping_early_leaves_no_thread_and_no_file_open(stack, how, tmp_path):
    reading = read_ahead(stack, PARTS)
    next(reading)
    assert threads()
    if how == "break":
        reading.close()
    elif how == "raise":
        with pytest.raises(KeyboardInterrupt):
            reading.throw(KeyboardInterrupt)
    else:
        del reading
    assert not threads()
    with h5py.File(tmp_path / "f.h5", "r+") as f:  # an open reader would hold the lock
        f["touched"] = 1


INTERRUPTED = """
import numpy as np, time
from scans.pipeline import work_ahead
class Slow:
    shape, dtype = (10_000, 8, 8), np.dtype(np.uint8)
    def __len__(self): return 10_000
    def __getitem__(self, part):
        time.sleep(0.02)
        return np.zeros((1, 8, 8), np.uint8)
for part, _ in work_ahead(lambda _, v: v.sum(), Slow(), (slice(j, j + 1) for j in range(10_000))):
    if part.start == 3:
        print("reading", flush=True)
"""


def test_control_c_ends_it():
    child = subprocess.Popen(
        [sys.executable, "-c", INTERRUPTED],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.getcwd()},
    )
    with child:
        assert child.stdout.readline() == b"reading\n"
        child.send_signal(signal.SIGINT)
        _, text = child.communicate(timeout=20)
    assert b"KeyboardInterrupt" in text
    assert child.returncode in (1, 130, -signal.SIGINT)


def test_nothing_ahead_is_refused():
    with pytest.raises(ValueError, match="ahead = 0"):
        read_ahead(frames(), PARTS, ahead=0)


def test_nothing_to_read_reads_nothing(stack):
    assert list(read_ahead(stack, [])) == []


LARGE = """
import resource, zlib
import h5py, numpy as np
from scans import prepare
from scans.formats.lazy import lazy_frames
from scans.geometry import Geometry
from scans.scan import Scan
n, side = 8192, 256
frame = np.zeros((side, side), np.uint16)
frame[100:156, 100:156] = 9
packed = zlib.compress(frame.tobytes())
with h5py.File({path!r}, "w") as f:
    data = f.create_dataset("d", (n, side, side), "u2", chunks=(1, side, side), compression="gzip")
    for j in range(n):
        data.id.write_direct_chunk((j, 0, 0), packed)
    frames = lazy_frames([data])
positions = np.random.default_rng(0).uniform(0, 1e-6, (n, 2))
scan = Scan(frames=frames, positions_m=positions, geometry=Geometry(800.0, 0.1, (5e-5, 5e-5), (side, side)))
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
ready = prepare(scan, size=32, bin=4, centre_px=(side / 2, side / 2))
rise = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
print(ready.counts.shape, float(ready.counts.sum()), rise / 1024)
"""


@pytest.mark.slow
def test_a_large_stack_is_prepared_in_little_memory(tmp_path):
    code = LARGE.format(path=str(tmp_path / "f.h5"))
    environment = os.environ | {"PYTHONPATH": os.getcwd()}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment)
    shape, total, rise_mib = done.stdout.rsplit(maxsplit=2)
    assert shape == "(8192, 32, 32)"
    assert float(total) == 8192 * 56 * 56 * 9  # 56 x 56 lit pixels a frame, all inside the window
    # 1 GiB of stored counts, 8 MiB of prepared ones; the rest is the sample (64 MiB as stored): measured 175
    assert float(rise_mib) < 400
