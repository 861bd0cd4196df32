"""Integer counts that nothing changes are kept as integers: the result is that of the general path in floats."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from scans.darks import Darks, DarkSet
from scans.detector import Block, Readout, sums_over
from scans.exact_types import ExactStack
from scans.geometry import Geometry
from scans.scan import Orientation, Scan
from scans.spikes import plan_spikes
from scans.stack import Cutting, Stack
from scans.window import Window

N, H, W = 6, 18, 22
DTYPES = (np.uint8, np.int8, np.uint16, np.int16, np.uint32, np.int32)


def stored_frames(dtype: Any) -> np.ndarray:
    """Poisson counts with what a detector writes: a saturated pixel, marks, a spike, an empty frame."""
    frames = np.random.default_rng(7).poisson(3, (N, H, W)).astype(dtype)
    frames[1, 9, 9:11] = 120  # saturated
    frames[2, 8, 12] = 100  # cosmic ray
    frames[3] = 0
    if frames.dtype.kind == "i":
        frames[4, 9, 8], frames[4, 10, 8] = -1, -2
    return frames


def readout_of(orientation: Orientation, dtype: Any, *, masked: bool) -> Readout:
    usable = np.ones((H, W), bool)
    masks = None
    if masked:
        usable[7, 7] = usable[11, 12] = False
        masks = np.broadcast_to(usable, (N, H, W)).copy()
        masks[5, 10, 10] = False
    spikes = plan_spikes(np.full((H, W), 8.0), usable, n_frames=50, mean=np.full((H, W), 3.0))
    return Readout(usable, orientation, masks, spikes=spikes, limit=115, marks=np.dtype(dtype).kind == "i")


def stack_of(frames: np.ndarray, readout: Readout, window: Window, moves: np.ndarray | None) -> tuple[Any, Stack]:
    """Run all frames through the stack in two blocks."""
    geometry = Geometry(energy_ev=800.0, distance_m=0.1, pixel_size_m=(5e-5, 5e-5), frame_shape=window.shape)
    scan = Scan(frames=frames, positions_m=np.zeros((N, 2)), geometry=geometry)
    stack = Stack(scan, readout, Cutting(window, moves))
    reads = (slice(None), slice(None)) if stack.cutting.reads_whole else window.source
    for part in (slice(0, 4), slice(4, N)):
        stack.add(part, stack.piece(part, readout.clean(frames[part], np.arange(N)[part], reads)))
    return stack.counts.finish(), stack


@pytest.mark.parametrize("dtype", DTYPES)
@pytest.mark.parametrize("bin", [1, 2])
@pytest.mark.parametrize("masked", [False, True])
@pytest.mark.parametrize("moving", [False, True])
def test_integers_give_what_floats_give(dtype: Any, bin: int, masked: bool, moving: bool) -> None:
    """The reference is the same stack after the plain conversion of every frame to float32."""
    frames = stored_frames(dtype)
    moves = np.repeat([[0, 0], [1, -1]], N // 2, axis=0) if moving else None
    for orientation in (Orientation(), Orientation(True, False, True)):
        readout = readout_of(orientation, dtype, masked=masked)
        window = Window.around((9.0, 11.0), 24 // bin, bin, readout.good.shape)  # larger than the frame: padded
        assert readout.keeps_integers(frames.dtype)
        got, one = stack_of(frames, readout, window, moves)
        # marks of floats are told by `flags` alike; a gain apart from 1 takes the general path
        want, other = stack_of(frames, as_floats(readout), window, moves)
        np.testing.assert_array_equal(got, want)
        assert got.dtype == want.dtype
        for name in ("totals", "empty", "unusable", "saturated", "marked", "negative", "spikes"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
        np.testing.assert_array_equal(one.mask(np.arange(N)), other.mask(np.arange(N)))
        assert one.saturated[1] == 2
        assert one.spikes[2] >= 1
        assert one.empty[3]
        assert one.marked[4] == (2 if frames.dtype.kind == "i" else 0)


def as_floats(readout: Readout) -> Readout:
    class Floats(Readout):
        def keeps_integers(self, dtype: np.dtype[Any]) -> bool:
            return False

    return Floats(**{name: getattr(readout, name) for name in readout.__dataclass_fields__})


@pytest.mark.parametrize("changed", [{"gain": 2.0, "unit": "photon"}])
def test_changed_counts_are_converted(changed: dict[str, Any]) -> None:
    frames = stored_frames(np.uint16)
    readout = replace(readout_of(Orientation(), np.uint16, masked=False), **changed)
    block = readout.clean(frames, np.arange(N))
    assert block.values.dtype == np.float32
    assert block.values[0, 0, 0] == frames[0, 0, 0] / 2


def test_stored_frames_are_not_changed() -> None:
    """Frames may lie in memory that belongs to the caller."""
    frames = stored_frames(np.int16)
    kept = frames.copy()
    block = readout_of(Orientation(), np.int16, masked=True).clean(frames, np.arange(N))
    np.testing.assert_array_equal(frames, kept)
    assert not np.shares_memory(block.values, frames)
    assert block.values[1, 9, 9] == 0
    assert block.values[4, 9, 8] == 0


@pytest.mark.parametrize("case", range(8))
@pytest.mark.parametrize("dtype", [np.uint16, np.int32, np.float32])
@pytest.mark.parametrize("start", [(0, 2), (5, 6), (3, 11)])
def test_cleaning_only_what_is_kept_changes_nothing(case: int, dtype: Any, start: tuple[int, int]) -> None:
    """The reference is the same stack filled from frames that were cleaned whole."""
    orientation = Orientation(bool(case & 4), bool(case & 2), bool(case & 1))
    rng = np.random.default_rng(case)
    frames = stored_frames(dtype)
    y, x = rng.integers(0, H, 60), rng.integers(0, W - 4, 60)
    for k in range(4):  # tracks of cosmic rays, saturated pixels
        frames[rng.integers(0, N, 60), y, x + k] = rng.integers(40, 130, 60)
    dark = Darks((DarkSet(rng.random((H, W)).astype(np.float32), 1),), 0.0, *(np.zeros((H, W), t) for t in "f???"), 0)
    readout = replace(readout_of(orientation, dtype, masked=True), darks=dark if case % 2 else None, gain=1 + case % 2)
    shape = readout.good.shape
    results = []
    for whole in (False, True):
        window = Window(start, 8, 1, shape, (0.0, 0.0))
        geometry = Geometry(energy_ev=800.0, distance_m=0.1, pixel_size_m=(5e-5, 5e-5), frame_shape=shape)
        stack = Stack(Scan(frames=frames, positions_m=np.zeros((N, 2)), geometry=geometry), readout, Cutting(window))
        watch = Watcher() if whole else None
        stack.fill(watch=watch)
        assert watch is None or watch.seen == N
        results.append((stack.counts.finish(), stack.mask(np.arange(N)), stack.totals, stack.spikes, stack.saturated))
    assert results[0][3].any()
    for part, all_of_it in zip(*results, strict=True):
        np.testing.assert_array_equal(part, all_of_it)


class Watcher:
    """Sees whole frames: so they are cleaned whole."""

    seen = 0

    def begin(self, scan: Scan, readout: Readout) -> None:
        self.shape = readout.good.shape

    def piece(self, part: slice, block: Block) -> int:
        assert block.values.shape[1:] == self.shape
        return len(block.values)

    def add(self, part: slice, seen: int) -> None:
        self.seen += seen


def test_sums_beyond_float32_are_exact() -> None:
    """Odd whole numbers above 2^24 are not float32 numbers (IEEE 754 binary32); Python's integers are the reference."""
    frames = np.full((2, 16, 16), (1 << 24) + 1, np.uint32)
    readout = Readout(np.ones((16, 16), bool), Orientation())
    window = Window.around((8.0, 8.0), 8, 2, (16, 16))
    stack = Stack(
        Scan(
            frames=frames,
            positions_m=np.zeros((2, 2)),
            geometry=Geometry(energy_ev=800.0, distance_m=0.1, pixel_size_m=(5e-5, 5e-5), frame_shape=(16, 16)),
        ),
        readout,
        Cutting(window),
    )
    stack.fill()
    counts = stack.counts.finish()
    inside = counts[0, 4, 4]
    assert counts.dtype == np.uint32
    assert int(inside) == 4 * ((1 << 24) + 1)


@pytest.mark.parametrize("bin", [1, 2, 3])
def test_bins_against_a_sum_by_hand(bin: int) -> None:
    """Brute-force sum over the pixels of each bin, nothing outside the frame."""
    frames = np.random.default_rng(3).integers(0, 60000, (2, 13, 11)).astype(np.uint16)
    window = Window.around((6.0, 5.0), 8, bin, (13, 11))
    y, x = window.source
    out = np.empty((2, 8, 8), np.int64)
    window.fit(frames[:, y, x], out)
    want = np.zeros((2, 8, 8), np.int64)
    for (n, i, j), value in np.ndenumerate(frames):
        row, column = (i - window.start[0]) // bin, (j - window.start[1]) // bin
        if 0 <= row < 8 and 0 <= column < 8:
            want[n, row, column] += int(value)
    np.testing.assert_array_equal(out, want)


def test_a_stack_of_integers_is_in_the_smallest_type() -> None:
    stack = ExactStack(2, (4, 4))
    stack.put(slice(0, 2), np.full((2, 4, 4), 300, np.uint16))
    assert stack.dtype == np.uint16


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.int16, np.uint32, np.float32])
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_sums_do_not_overflow(dtype: Any, axis: int) -> None:
    """The reference are Python's own integers, which have no end."""
    top = 1 << 20 if dtype == np.float32 else np.iinfo(dtype).max
    frames = np.full((3, 70, 5), top, dtype)
    assert sums_over(frames, axis).reshape(-1)[0] == int(top) * frames.shape[axis]
