"""Files that are still being written: a writer at work in another process, one killed, one without SWMR.

What is complete is known here from what the writer was told to do; HDF5's own rule is that a reader may see rows
that were resized and not yet written, as the fill value.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import h5py
import numpy as np
import pytest
from formats_files import frames, make_cxi, positions_um

from scans.errors import InputError
from scans.formats import load
from scans.formats.chunks import complete_frames
from scans.formats.hdf5 import InputFile
from scans.formats.lazy import lazy_frames
from scans.formats.opening import open_file
from scans.formats.preflight import check_frames, complete_of

WRITER = """
import sys
import h5py, numpy as np
path, n, side, chunk, swmr = sys.argv[1], *map(int, sys.argv[2:6])
with h5py.File(path, "w", libver="latest") as f:
    shape = (0, side, side)
    data = f.create_dataset("d", shape, "u2", maxshape=(None, side, side), chunks=(chunk, 8, 8), compression="gzip")
    f.flush()
    if swmr:
        f.swmr_mode = True
    for line in sys.stdin:
        word, count = line.split()
        if word == "resize":
            data.resize(int(count), axis=0)
        elif word == "fill":
            first, stop = map(int, count.split(":"))
            data[first:stop] = np.arange(first + 1, stop + 1, dtype=np.uint16)[:, None, None]
        elif word == "corner":  # a frame whose other chunks are not written yet
            data[int(count), :8, :8] = 7
        data.flush()
        f.flush()
        print("done", flush=True)
"""


class Writer:
    """A process that writes what it is told."""

    def __init__(self, path, *, chunk=1, swmr=True, side=16):
        command = [sys.executable, "-c", WRITER, str(path), "0", str(side), str(chunk), str(int(swmr))]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(20)
        self.process.stdout.close()

    def __call__(self, *lines):
        for line in lines:
            self.process.stdin.write(line + "\n")
            self.process.stdin.flush()
            assert self.process.stdout.readline() == "done\n"

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(20)


def expected(n, side=16):
    return np.broadcast_to(np.arange(1, n + 1, dtype=np.uint16)[:, None, None], (n, side, side))


def test_a_writer_at_work(tmp_path):
    path = tmp_path / "live.h5"
    with Writer(path) as write:
        write("resize 6", "fill 0:4", "corner 4")
        with InputFile(path) as file:
            dataset = file.dataset(file.root, "d")
            store = check_frames(file, dataset)
            assert dataset.shape[0] == 6  # frame 4 has one chunk of four, frame 5 none: both read partly as zeros
            assert store.complete == 4
            stack = lazy_frames([dataset]).truncated(store.complete)
        np.testing.assert_array_equal(stack[:], expected(4))
        with open_file(path) as reader:  # one reader that stays open sees the count grow
            assert complete_frames(reader["d"]) == 4
            write("fill 4:6", "resize 9", "fill 6:8")
            assert complete_frames(reader["d"]) == 8
        assert len(stack) == 4  # what was opened does not change
        np.testing.assert_array_equal(stack[:], expected(4))
        with stack.kept_open() as read:
            write("resize 12", "fill 8:12")
            np.testing.assert_array_equal(read(slice(1, 4)), expected(4)[1:4])
    with InputFile(path) as file:  # closed by its writer: at rest
        store = check_frames(file, dataset := file.dataset(file.root, "d"))
        assert store.complete is None
        assert len(lazy_frames([dataset])) == 12


def test_a_writer_that_was_killed(tmp_path):
    path = tmp_path / "dead.h5"
    with Writer(path) as write:
        write("resize 6", "fill 0:5")
        write.kill()
    with InputFile(path) as file:
        dataset = file.dataset(file.root, "d")
        assert check_frames(file, dataset).complete == 5
        stack = lazy_frames([dataset]).truncated(5)
    np.testing.assert_array_equal(stack[:], expected(5))


def test_frames_that_share_a_chunk_wait_for_the_next(tmp_path):
    path = tmp_path / "live.h5"
    with Writer(path, chunk=4) as write, open_file_later(path, write, "resize 3", "fill 0:3") as reader:
        assert complete_frames(reader["d"]) == 0  # the chunk exists, and may be filled to any point
        write("resize 4", "fill 3:4")
        assert complete_frames(reader["d"]) == 0
        write("resize 6", "fill 4:6")
        assert complete_frames(reader["d"]) == 4
        write("resize 11", "fill 6:11")
        assert complete_frames(reader["d"]) == 8


def open_file_later(path, write, *lines):
    write(*lines)
    return open_file(path)


def test_a_gap_ends_what_is_complete(tmp_path):
    path = tmp_path / "live.h5"
    with Writer(path) as write:
        write("resize 6", "fill 0:2", "fill 3:6")
        with open_file(path) as reader:
            assert complete_frames(reader["d"]) == 2
            write("fill 2:3")
            assert complete_frames(reader["d"]) == 6


def test_nothing_complete_yet(tmp_path):
    path = tmp_path / "live.h5"
    with Writer(path) as write:
        write("resize 6")
        with (
            InputFile(path) as file,
            pytest.raises(InputError, match=r"::/d: still being written: no frame is complete"),
        ):
            check_frames(file, file.dataset(file.root, "d"))


def test_chunks_allocated_before_they_are_filled(tmp_path):
    with h5py.File(tmp_path / "f.h5", "w") as f:
        plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        plist.set_chunk((1, 8, 8))
        plist.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
        data = h5py.Dataset(
            h5py.h5d.create(f.id, b"d", h5py.h5t.NATIVE_UINT16, h5py.h5s.create_simple((40, 8, 8)), plist)
        )
        assert complete_frames(data) == 0
        data[:17] = 3
        assert data.id.get_num_chunks() == 40  # the index knows nothing
        assert complete_frames(data) == 16  # the last that holds anything may be half done


def test_a_writer_without_swmr_is_an_error_with_a_remedy(tmp_path):
    path = tmp_path / "live.h5"
    with Writer(path, swmr=False) as write:
        write("resize 6", "fill 0:4")
        with pytest.raises(InputError, match=r"live\.h5: locked: another program has it open.*Wait until the scan has"):
            open_file(path)
        write.kill()
    with pytest.raises(InputError, match=r"live\.h5: marked as still open for writing.*h5clear -s' on a COPY"):
        open_file(path)


def test_joined_blocks_count_to_the_first_that_is_not_full(tmp_path):
    with Writer(tmp_path / "b.h5") as write:
        write("resize 6", "fill 0:4")
        with h5py.File(tmp_path / "a.h5", "w") as f:
            f["d"] = expected(3)
        with h5py.File(tmp_path / "m.h5", "w") as f:
            f["1"], f["2"] = h5py.ExternalLink("a.h5", "/d"), h5py.ExternalLink("b.h5", "/d")
        with InputFile(tmp_path / "m.h5") as file:
            parts = [file.dataset(file.root, name) for name in "12"]
            stores = [check_frames(file, part) for part in parts]
            counts = [len(part) for part in parts]
            assert complete_of(stores, counts) == 3 + 4
            assert complete_of(stores[::-1], counts[::-1]) == 4  # the full one after it is not reached
            assert complete_of(stores[:1], counts[:1]) is None
            stack = lazy_frames(parts).truncated(7)
        np.testing.assert_array_equal(stack[:], np.concatenate([expected(3), expected(4)]))


def test_a_growing_file_among_joined_ones_is_refused(tmp_path):
    with h5py.File(tmp_path / "line_0.h5", "w") as f:
        f["d"] = expected(5)
    y, x = positions_um(11).T
    np.savez(tmp_path / "p.npz", y=y, x=x)
    given = {"frames": "line_{0-1}.h5:/d", "y": "p.npz:y in um", "x": "p.npz:x in um"}

    def joined():
        return load(tmp_path, mapping=given, energy_ev=700.0, distance_m=0.1, pixel_size_m=5e-5)

    with Writer(tmp_path / "line_1.h5", chunk=4) as write:
        write("resize 6", "fill 0:5")  # the last is in a chunk that exists: it would read as zeros
        with pytest.raises(InputError, match=r"line_1\.h5::/d: still being written: 4 of its 6 frames.*Wait until"):
            joined()
        write("fill 5:6")
    np.testing.assert_array_equal(joined().frames[:], np.concatenate([expected(5), expected(6)]))


def test_virtual_data_over_a_growing_source_are_refused(tmp_path):
    with Writer(tmp_path / "live.h5") as write:
        write("resize 6", "fill 0:4")
        layout = h5py.VirtualLayout((6, 16, 16), np.uint16)
        layout[:] = h5py.VirtualSource("live.h5", "d", (6, 16, 16), np.uint16)
        with h5py.File(tmp_path / "m.h5", "w") as f:
            f.create_virtual_dataset("v", layout)
        with InputFile(tmp_path / "m.h5") as file, pytest.raises(InputError, match=r"source live\.h5 is still being"):
            check_frames(file, file.dataset(file.root, "v"))


def test_a_pipe_is_no_file(tmp_path):
    os.mkfifo(tmp_path / "pipe.h5")  # opening it would wait for a writer for ever
    with pytest.raises(InputError, match=r"pipe\.h5: neither a file nor a folder"):
        open_file(tmp_path / "pipe.h5")


def test_a_file_at_rest_opens_plainly(tmp_path):
    path = make_cxi(tmp_path / "run.cxi", frames(3))
    with open_file(path) as file:
        assert not file.swmr_mode
