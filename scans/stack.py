"""Prepared frames while they are read: cut out, binned, masked, and what was met on the way."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from scans.detector import SPARE_PX, WHOLE, Block, Readout, Watch, sums_over
from scans.detector import Window as Part
from scans.errors import InputError
from scans.exact_types import ExactStack
from scans.flat_detector import FlatRemap
from scans.pipeline import work_ahead
from scans.scan import Progress, Scan
from scans.window import Window

BLOCK_BYTES = 8 << 20  # of stored frames that are read at a time
CACHE_BYTES = 2 << 20  # of values that are worked on at a time: they stay in the core's cache


@dataclass(frozen=True)
class Cutting:
    """How a cleaned frame is cut out: the window, its moves with the beam, the map of a flat detector.

    Parameters
    ----------
    window
        Around the mean beam.
    moves
        ``(J, 2)`` whole pixels by which the window follows the beam, or None.
    remap
        None leaves the detector as it is.
    """

    window: Window
    moves: NDArray[np.int64] | None = None
    remap: FlatRemap | None = None

    @property
    def reads_whole(self) -> bool:
        """Whether more than the window is needed."""
        return self.moves is not None or self.remap is not None

    def fit(self, planes: NDArray[Any], frames: NDArray[np.int64] | None, kind: Any) -> NDArray[Any]:
        """Cut planes ``(n, h, w)`` out; `frames` are their numbers, None for planes that hold for all."""
        size = self.window.size
        if not self.reads_whole and planes.dtype == kind and self.window.takes_as_is(planes.shape[1:]):
            return planes
        out: NDArray[Any] = np.empty((len(planes), size, size), kind)
        if not self.reads_whole:
            self.window.fit(planes, out)
            return out
        moves = np.zeros((len(planes), 2), np.int64)
        if self.moves is not None and frames is not None:
            moves = self.moves[frames]
        for move in np.unique(moves, axis=0):
            rows = np.flatnonzero((moves == move).all(axis=1))
            window = self.window.moved((int(move[0]), int(move[1])))
            part: NDArray[Any] = np.empty((len(rows), size, size), kind)
            window.fit(planes[rows][(slice(None), *window.source)], part)
            out[rows] = part
        return out


class Piece(NamedTuple):
    """What is kept of one block beside its counts.

    `measured` is ``(n, N, N)``, or None where all frames have the stack's own mask; `empty` ``(n,)`` marks frames
    without any count.
    """

    measured: NDArray[np.bool_] | None
    block: Block
    saturated: NDArray[np.bool_] | None
    totals: NDArray[np.float64]
    negative: NDArray[np.int64] | int
    empty: NDArray[np.bool_]


class Stack:
    """Prepared frames while they are read, and tallies of each frame ``(J,)``."""

    def __init__(self, scan: Scan, readout: Readout, cutting: Cutting) -> None:
        frames, n = scan.n_frames, cutting.window.size
        item = (
            sum_type(scan.frames.dtype, cutting.window.bin).itemsize if readout.keeps_integers(scan.frames.dtype) else 4
        )
        check_memory(min(item, 4) * frames * n * n, scan)
        self.scan, self.readout, self.cutting = scan, readout, cutting
        good = readout.good
        self.good = good if cutting.reads_whole else good[cutting.window.source]
        seen = self.good if cutting.remap is None else cutting.remap.good(self.good)
        self.n_good = int(good[cutting.window.source].sum())
        self.base = cutting.fit(seen[None], None, bool)
        self.counts = ExactStack(frames, (n, n))
        self.reference: NDArray[np.bool_] | None = None  # mask of the first frame, of all while `masks` is None
        self.masks: NDArray[np.bool_] | None = None
        self.always: NDArray[np.bool_] | None = None  # saturated in every frame that is not empty
        self.some_always = True  # whether there may be such a pixel
        self.ever = ~self.base[0]  # saturated, or otherwise bad, in some frame
        self.totals, self.offsets = np.zeros(frames), np.zeros(frames)
        self.empty, self.unusable = np.zeros(frames, bool), np.full(frames, not self.base.any())
        self.saturated, self.nonfinite, self.marked, self.negative, self.spikes = np.zeros((5, frames), np.int64)

    def fill(self, progress: Progress | None = None, watch: Watch | None = None) -> None:
        """Read all frames of the scan and take them in; `watch` sees every cleaned frame on the way."""
        scan = self.scan
        if watch is not None:
            watch.begin(scan, self.readout)
        box, reads = self._box(whole=watch is not None)
        stored = self.readout.orientation.stored_box(box, self.readout.good.shape)
        readout = self.readout if box == WHOLE else self.readout.part(stored)

        def work(part: slice, values: NDArray[Any]) -> tuple[Piece, Any]:
            cleaned = readout.cleaned(values, np.arange(part.start, part.stop))
            seen = None if watch is None else watch.piece(part, readout.block(cleaned))
            return self.piece(part, readout.block(cleaned, reads)), seen

        parts, step = scan.blocks(max_bytes=BLOCK_BYTES), self._frames_at_once(readout)
        for part, (piece, seen) in work_ahead(work, scan.frames, parts, window=stored, step=step):
            self.add(part, piece)
            if watch is not None:
                watch.add(part, seen)
            if progress is not None:
                progress(part.stop, scan.n_frames)

    def _box(self, *, whole: bool) -> tuple[Part, Part]:
        """Part of the oriented frame that is cleaned, and what `piece` wants of that."""
        if self.cutting.reads_whole:
            return WHOLE, WHOLE
        window, shape = self.cutting.window.source, self.readout.good.shape
        all_of_it = self.good.shape == shape
        if whole or all_of_it or not self.readout.judges_pixels_alone:
            return WHOLE, window
        y, x = (slice(max(s.start - SPARE_PX, 0), s.stop + SPARE_PX) for s in window)
        inside = (slice(s.start - b.start, s.stop - b.start) for s, b in zip(window, (y, x), strict=True))
        return (y, x), (next(inside), next(inside))

    def _frames_at_once(self, readout: Readout) -> int:
        """Frames whose values, as they are worked on, fit into the core's cache."""
        dtype = self.scan.frames.dtype
        item = dtype.itemsize if readout.keeps_integers(dtype) else max(dtype.itemsize, 4)
        return max(1, CACHE_BYTES // max(readout.usable.size * item, 1))

    def piece(self, part: slice, block: Block) -> Piece:
        """Cut one cleaned block and put its counts in their place; several threads may do so at once."""
        frames = np.arange(part.start, part.stop)
        remap, values, bin = self.cutting.remap, block.values, self.cutting.window.bin
        good = None
        if block.bad is not None or self.cutting.moves is not None:
            good = np.broadcast_to(self.good, values.shape) if block.bad is None else self.good & ~block.bad
        if remap is not None:
            values, good = remap.counts(values), None if good is None else remap.good(good)
        measured = None if good is None else self.cutting.fit(good, frames, bool)
        if measured is not None and np.array_equal(measured, np.broadcast_to(self.base, measured.shape)):
            measured = None
        counts = self.cutting.fit(values, frames, sum_type(values.dtype, bin))
        if bin > 1 or remap is not None:  # what lies on a bad pixel too holds part of its counts
            self._clear(counts, measured)
        saturated = block.saturated
        if saturated is not None and self.cutting.reads_whole:
            saturated = saturated[(slice(None), *self.cutting.window.source)]
        # rows of float32 are summed in pairs, to some 1e-7 of their sum: half the time of doubles
        rows = counts.sum(axis=2) if counts.dtype == np.float32 else sums_over(counts, 2)
        totals = rows.sum(axis=1, dtype=np.float64)
        empty = block.blank | (totals == 0)
        for j in np.flatnonzero(empty & ~block.blank):  # counts may cancel
            empty[j] = not counts[j].any()
        self.counts.put(part, counts)
        return Piece(
            measured,
            block._replace(values=np.empty(0), bad=None, saturated=None),
            saturated,
            totals,
            negatives(counts),
            empty,
        )

    def _clear(self, counts: NDArray[Any], measured: NDArray[np.bool_] | None) -> None:
        """Put 0 where nothing is measured."""
        if measured is not None:
            counts *= measured
        else:
            rows, columns = self._unmeasured
            counts[:, rows, columns] = 0

    @cached_property
    def _unmeasured(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        rows, columns = np.nonzero(~self.base[0])
        return rows, columns

    def add(self, part: slice, piece: Piece) -> None:
        """Take in what is known of one block, in the order of the blocks."""
        block, measured = piece.block, piece.measured
        self.totals[part], self.negative[part] = piece.totals, piece.negative
        self.nonfinite[part], self.marked[part], self.spikes[part] = block.nonfinite, block.marked, block.spikes
        self.offsets[part] = block.offset
        self.empty[part] = piece.empty
        if measured is not None:
            self.unusable[part] = ~measured.any(axis=(1, 2))
            self.ever |= ~measured.all(axis=0)
        self._add_saturated(piece.saturated, part)
        self._add_mask(measured, part)

    def _add_saturated(self, flags: NDArray[np.bool_] | None, part: slice) -> None:
        if flags is not None:
            self.saturated[part] = [np.count_nonzero(f) for f in flags]
        lit = ~self.empty[part]
        if not lit.any():
            return
        if flags is None:
            if self.some_always:
                self.always = np.zeros(tuple(s.stop - s.start for s in self.cutting.window.source), bool)
                self.some_always = False
            return
        here = np.logical_and.reduce(flags[lit], axis=0)
        self.always = here if self.always is None else self.always & here
        self.some_always = bool(self.always.any())

    def _add_mask(self, measured: NDArray[np.bool_] | None, part: slice) -> None:
        """Keep one mask as long as all frames have the same; most scans never need more."""
        if self.reference is None:
            self.reference = self.base[0].copy() if measured is None else measured[0].copy()
        if self.masks is None:
            if self._is_base if measured is None else bool((measured == self.reference).all()):
                return
            self.masks = np.empty(self.counts.shape, bool)
            self.masks[: part.start] = self.reference
        self.masks[part] = self.base if measured is None else measured

    @cached_property
    def _is_base(self) -> bool:
        """Whether the mask of the first frame is the stack's own."""
        return self.reference is not None and np.array_equal(self.reference, self.base[0])

    def mask(self, used: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Mask ``(N, N)``, or ``(J, N, N)`` where the used frames differ."""
        if self.masks is None:
            return self.base[0] if self.reference is None else self.reference
        masks = kept(self.masks, used)
        return masks[0].copy() if all(np.array_equal(m, masks[0]) for m in masks) else masks

    def response(self, used: NDArray[np.int64], bin: int) -> NDArray[np.float32] | None:
        """Response of the prepared pixels ``(N, N)`` or ``(J, N, N)``; 1 where nothing is measured."""
        plane, remap = self.readout.response, self.cutting.remap
        if plane is None and remap is None:
            return None
        shape = self.readout.good.shape
        frames = None
        if plane is None:
            oriented = np.ones((1, *shape), np.float32)
        else:
            oriented = self.readout.orientation.apply(plane if plane.ndim == 3 else plane[None])
            if plane.ndim == 3:
                oriented, frames = oriented[used], used
        if remap is not None:
            oriented = remap.counts(np.ascontiguousarray(oriented, np.float32)) * remap.response
        elif not self.cutting.reads_whole:
            oriented = oriented[(slice(None), *self.cutting.window.source)]
        if self.cutting.moves is not None and frames is None:  # the detector stays where it is
            oriented, frames = np.broadcast_to(oriented, (len(used), *oriented.shape[1:])), used
        out = self.cutting.fit(oriented, frames, np.float32) / np.float32(bin**2)
        out[out <= 0] = 1
        planes: NDArray[np.float32] = out.astype(np.float32, copy=False)
        return planes if len(planes) > 1 else planes[0]

    @property
    def n_always(self) -> int:
        """Number of pixels saturated in every frame that holds counts."""
        return 0 if self.always is None else int(self.always.sum())

    def steps(self, used: NDArray[np.int64], left_out: int) -> list[str]:
        """Return what was met while reading, in words."""
        lines = []
        for name, tally in (
            ("saturated", self.saturated),
            ("not finite", self.nonfinite),
            ("marked as having no value (-1, -2)", self.marked),
            ("struck by cosmic rays (single values far above all others)", self.spikes),
        ):
            if tally.any():
                lines.append(f"masked: {tally.sum()} pixels {name}, in {np.count_nonzero(tally)} frames")
        if self.offsets.any():
            span = np.ptp(self.offsets)
            lines.append(f"offset: {span:.3g} stored counts between the lowest and the highest frame, taken out")
        negative = int(self.negative[used].sum())
        if negative:
            share = negative / (len(used) * self.base[0].size)
            lines.append(f"negative: {100 * share:.3g} % of the counts are below zero; kept as they are")
        lines.append(f"frames: {len(used)} of {len(self.totals)} used, {left_out} left out")
        return lines


def negatives(counts: NDArray[Any]) -> NDArray[np.int64] | int:
    """Count the values below zero of each frame ``(n,)``; 0 where there are none."""
    if counts.dtype.kind == "u" or counts.size == 0 or counts.min() >= 0:
        return 0
    return np.array([np.count_nonzero(frame < 0) for frame in counts], np.int64)


def sum_type(dtype: np.dtype[Any], bin: int) -> np.dtype[Any]:
    """Type in which the sums over `bin` x `bin` values of a type are exact; float32 for all but integers."""
    if dtype.kind not in "iu":
        return np.dtype(np.float32)
    if bin == 1:
        return dtype
    if dtype.itemsize <= 2 and bin <= 256:
        return np.dtype(np.uint32 if dtype.kind == "u" else np.int64)
    return np.dtype(np.int64)


def kept(array: NDArray[Any], used: NDArray[np.int64]) -> NDArray[Any]:
    """Move the used frames to the front, in place: a copy would double the memory."""
    for k, j in enumerate(used):
        if k != j:
            array[k] = array[j]
    return array[: len(used)]


def check_memory(n_bytes: int, scan: Scan) -> None:
    """Refuse a stack larger than the machine's memory before it is filled for hours."""
    try:
        installed = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):  # not a POSIX system
        return
    if n_bytes > installed:
        raise InputError(
            f"the prepared frames take {n_bytes / 2**30:.1f} GiB",
            where=scan.name,
            expected=f"at most the machine's {installed / 2**30:.1f} GiB of memory",
            fix="Crop (-s prepare.size=...) or bin (-s prepare.bin=2) the frames.",
        )
