"""Frames that stay in their file until a slice of them is asked for."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from threading import Lock
from typing import Any, TypeAlias

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.bitshuffle import check_packed
from scans.formats.chunks import Fill, chunk_frames, filler, unpacks_here
from scans.formats.hdf5 import READ_ERRORS, own_dataset, refuse_search_folders
from scans.formats.opening import open_file
from scans.formats.stack_frames import StackFrames

# Rows and columns of a stored frame; the whole frame.
Window: TypeAlias = tuple[slice, slice]
WHOLE: Window = (slice(None), slice(None))
Reader: TypeAlias = Callable[..., NDArray[Any]]
MAX_KEPT_OPEN = 64
MAX_CACHE_BYTES = 256 << 20


@dataclass(frozen=True)
class Block:
    """One dataset of frames: file, HDF5 path, and its scan axes, flattened in C order."""

    file: str
    dataset: str
    scan_shape: tuple[int, ...]

    @property
    def n_frames(self) -> int:
        """Number of frames in it."""
        return math.prod(self.scan_shape)


class LazyFrames(StackFrames):
    """Stack of frames ``(J, h, w)`` in one or several HDF5 datasets, read slice by slice.

    Holds names and numbers only, so it pickles and copies freely between processes and threads; each access
    opens the file, reads its slice and closes it. Read whole blocks (`Scan.blocks`), not frame by frame: a
    compressed chunk is unpacked once per access. The number of frames is that at opening; a file that is
    still being written has more when it is opened again.

    Parameters
    ----------
    blocks
        Where the frames are, in scan order. Scan grids ``(ny, nx, h, w)`` are flattened to ``(ny*nx, h, w)``.
    frame_shape
        ``(h, w)``.
    dtype
        As stored; frames come in native byte order, booleans as uint8.
    chunk_frames
        Frames that share a chunk.
    cache_bytes
        Chunk cache that holds all chunks of one frame, so that none is unpacked twice in an access.
    n_frames
        Only the first so many frames; all by default.
    sources
        Files that virtual data come from; their absence would read as zeros, so it is checked at each access.
    """

    def __init__(
        self,
        blocks: tuple[Block, ...],
        frame_shape: tuple[int, int],
        dtype: np.dtype[Any],
        *,
        chunk_frames: int = 1,
        cache_bytes: int = 16 << 20,
        n_frames: int | None = None,
        sources: tuple[str, ...] = (),
    ) -> None:
        total = sum(b.n_frames for b in blocks)
        shape = (total if n_frames is None else n_frames, *frame_shape)
        super().__init__(shape, dtype, chunk_frames=chunk_frames)
        self.blocks = blocks
        self.cache_bytes = min(max(cache_bytes, 1 << 20), MAX_CACHE_BYTES)
        self.sources = sources

    def __repr__(self) -> str:
        parts = ", ".join(f"{b.file}::{b.dataset}" for b in self.blocks)
        return f"LazyFrames({self.shape}, {self.dtype}, {parts})"

    def window(self, part: slice, window: Window = WHOLE) -> NDArray[Any]:
        """Read rows and columns of the frames of a slice, ``(n, rows, columns)``; chunks outside stay packed.

        Parameters
        ----------
        part
            Frames; step 1.
        window
            Rows and columns of the stored frame; step 1.

        Raises
        ------
        InputError
            As for reading whole frames.
        """
        start, stop, step = part.indices(self.shape[0])
        if step != 1:
            raise TypeError("a window is read from consecutive frames: the slice's step must be 1")
        return self._read(start, max(start, stop), window)

    @contextmanager
    def kept_open(self) -> Iterator[Reader]:
        """Give a reader of windows that keeps its files open, for many accesses one after the other.

        ``reader(part, window, out=None)`` does what `window` does; `out` is a buffer ``(>= n, rows, columns)`` of
        this type, whose front is filled and returned. Several threads may call it.
        """
        with closing(_OpenBlocks(self.cache_bytes, self.shape[1:])) as files:

            def read(part: slice, window: Window = WHOLE, out: NDArray[Any] | None = None) -> NDArray[Any]:
                start, stop, _ = part.indices(self.shape[0])
                return self._read(start, max(start, stop), window, out, files)

            yield read

    def _read(
        self,
        start: int,
        stop: int,
        window: Window = WHOLE,
        out: NDArray[Any] | None = None,
        files: _OpenBlocks | None = None,
    ) -> NDArray[Any]:
        """Read frames `start` to `stop`."""
        self._check_sources()
        y, x = (slice(*s.indices(n)) for s, n in zip(window, self.shape[1:], strict=True))
        if y.step != 1 or x.step != 1:
            raise TypeError("a window has whole rows and columns: its steps must be 1")
        sides = (max(y.stop - y.start, 0), max(x.stop - x.start, 0))
        out = np.empty((stop - start, *sides), dtype=self.dtype) if out is None else out[: stop - start]
        if files is None:
            with closing(_OpenBlocks(self.cache_bytes, self.shape[1:])) as files:
                self._read_blocks(files, (start, stop), (y, x), out)
        else:
            self._read_blocks(files, (start, stop), (y, x), out)
        return out

    def _check_sources(self) -> None:
        """See that the files that virtual data come from are still there."""
        where = f"{self.blocks[0].file}::{self.blocks[0].dataset}"
        if self.sources:
            refuse_search_folders(where)
        for source in self.sources:
            if not os.access(source, os.R_OK):
                raise InputError(
                    f"the source file {source} has gone",
                    where=where,
                    expected="the files that were there when the scan was opened",
                    fix="Bring the file back; without it these frames would read as zeros.",
                )

    def _read_blocks(self, files: _OpenBlocks, frames: tuple[int, int], window: Window, out: NDArray[Any]) -> None:
        """Fill `out` with `frames` (from, to) of all datasets."""
        first = 0
        for block in self.blocks:
            low, high = max(frames[0] - first, 0), min(frames[1] - first, block.n_frames)
            if low < high and out.size:
                part = out[first + low - frames[0] : first + high - frames[0]]
                dataset, fill = files.opened(block)
                try:
                    for selection, run in _runs(block.scan_shape, low, high):
                        _fill(fill, (*selection, *window), part[run.start - low : run.stop - low])
                except READ_ERRORS as exc:
                    where = f"{block.file}::{block.dataset}"
                    raise self._damage(dataset, where, (low, high), first, fill) from exc
            first += block.n_frames

    def _damage(self, dataset: h5py.Dataset, where: str, frames: tuple[int, int], first: int, fill: Fill) -> InputError:
        """Name the frames that cannot be read among those asked for."""
        bad = []
        scratch = np.empty((1, *self.shape[1:]), dtype=self.dtype)
        for j in range(*frames):
            try:
                for selection, _ in _runs(dataset.shape[:-2], j, j + 1):
                    _fill(fill, (*selection, *(slice(0, n) for n in self.shape[1:])), scratch)
            except READ_ERRORS:
                bad.append(first + j)
        named = ", ".join(str(j) for j in bad[:8]) + (f" ... {bad[-1]}" if len(bad) > 8 else "")
        return InputError(
            f"damaged data: {len(bad)} frame(s) cannot be unpacked: {named or 'unknown'}",
            where=where,
            expected="readable chunks",
            fix="Copy the file again from its source"
            + (f", or use the frames before with -s scan.n_frames={bad[0]}." if bad and bad[0] > 0 else "."),
        )


class _OpenBlocks:
    """Files kept open for many accesses, and how each dataset in them is read; several threads may ask."""

    def __init__(self, cache_bytes: int, frame_shape: tuple[int, ...]) -> None:
        self._cache_bytes, self._frame_shape, self._lock = cache_bytes, frame_shape, Lock()
        self._files: dict[str, h5py.File] = {}
        self._ways: dict[Block, tuple[h5py.Dataset, Fill]] = {}

    def opened(self, block: Block) -> tuple[h5py.Dataset, Fill]:
        """Return the dataset and what reads a box of it.

        Raises
        ------
        InputError
            It has changed or gone since the scan was opened.
        """
        with self._lock:
            if block not in self._ways:
                if block.file not in self._files:
                    self._make_room()
                    self._files[block.file] = open_file(block.file, cache_bytes=self._cache_bytes)
                self._ways[block] = self._found(block)
            return self._ways[block]

    def _make_room(self) -> None:
        """Let go of the oldest file; it is closed when its last reader has done with it."""
        if len(self._files) >= MAX_KEPT_OPEN:
            oldest = next(iter(self._files))
            del self._files[oldest]
            self._ways = {b: way for b, way in self._ways.items() if b.file != oldest}

    def _found(self, block: Block) -> tuple[h5py.Dataset, Fill]:
        dataset, shape = own_dataset(self._files[block.file], block.dataset), (*block.scan_shape, *self._frame_shape)
        if dataset is None or not _still_holds(dataset, shape):
            raise InputError(
                "the dataset has changed or gone since the scan was opened",
                where=f"{block.file}::{block.dataset}",
                expected=f"shape {shape}",
                fix="Open the scan again.",
            )
        return dataset, _filler(dataset)

    def close(self) -> None:
        """Close all files."""
        for file in self._files.values():
            file.close()


def _still_holds(dataset: h5py.Dataset, shape: tuple[int, ...]) -> bool:
    """Tell whether a dataset still has the shape; it may have grown along its first axis."""
    return len(dataset.shape) == len(shape) and dataset.shape[0] >= shape[0] and dataset.shape[1:] == shape[1:]


def _filler(dataset: h5py.Dataset) -> Fill:
    """Return what reads a box straight into an array of its shape, converting byte order on the way."""
    if unpacks_here(dataset):
        return filler(dataset)

    def fill(box: tuple[slice, ...], out: NDArray[Any]) -> None:
        check_packed(dataset, box)
        dataset.read_direct(out, box)

    def fill_rows(box: tuple[slice, ...], out: NDArray[Any]) -> None:
        if out.shape[-1] == dataset.shape[-1]:
            return fill(box, out)
        # whole rows lie side by side in the file: a piece of each would be fetched by itself
        rows = np.empty((*out.shape[:-1], dataset.shape[-1]), out.dtype)
        dataset.read_direct(rows, (*box[:-1], slice(None)))
        out[...] = rows[..., box[-1]]

    return fill if dataset.chunks is not None or dataset.is_virtual else fill_rows


def _fill(fill: Fill, box: tuple[slice, ...], out: NDArray[Any]) -> None:
    """Read a box into frames ``(n, rows, columns)``."""
    fill(box, out.reshape(*(s.stop - s.start for s in box)))


def _runs(scan_shape: tuple[int, ...], low: int, high: int) -> Iterator[tuple[tuple[slice, ...], slice]]:
    """Cut the flat range `low` to `high` of a C-ordered grid into selections that are boxes."""
    if len(scan_shape) == 1:
        yield (slice(low, high),), slice(low, high)
        return
    row = math.prod(scan_shape[1:])
    while low < high:
        index, offset = divmod(low, row)
        if offset == 0 and high - low >= row:
            whole = (high - low) // row
            stop = low + whole * row
            yield (slice(index, index + whole), *(slice(0, n) for n in scan_shape[1:])), slice(low, stop)
        else:
            stop = min(high, (index + 1) * row)
            for selection, part in _runs(scan_shape[1:], offset, stop - index * row):
                yield (
                    (slice(index, index + 1), *selection),
                    slice(part.start + index * row, part.stop + index * row),
                )
        low = stop


def lazy_frames(datasets: list[h5py.Dataset], sources: tuple[str, ...] = ()) -> LazyFrames:
    """Make lazy frames of datasets ``(..., h, w)`` of one frame shape and type, joined in order."""
    first = datasets[0]
    blocks = tuple(Block(d.file.filename, d.name, tuple(int(n) for n in d.shape[:-2])) for d in datasets)
    shape = (int(first.shape[-2]), int(first.shape[-1]))
    chunk, cache = 1, 1 << 20
    if first.chunks is not None:
        chunk = chunk_frames(first)
        across = math.prod(-(-n // c) for n, c in zip(shape, first.chunks[-2:], strict=True))
        cache = 2 * across * math.prod(first.chunks) * first.dtype.itemsize
    return LazyFrames(blocks, shape, first.dtype, chunk_frames=chunk, cache_bytes=cache, sources=sources)


def holds_light(frames: LazyFrames) -> bool:
    """Tell whether any frame holds counts, reading as few frames as it takes.

    Zero, not-a-number and the largest value of an integer type (a detector's fill value) are no counts. A
    few frames spread over the scan are tried first; only if all are dark, the whole stack is read in blocks.
    """
    n = len(frames)
    tried = dict.fromkeys([n // 2, *np.linspace(0, n - 1, min(n, 16)).astype(int).tolist()])
    if any(_lit(frames[j]) for j in tried):
        return True
    step = max(1, (64 << 20) // max(frames.nbytes // n * frames.chunk_frames, 1)) * frames.chunk_frames
    return any(_lit(frames[j : j + step]) for j in range(0, n, step))


def _lit(frames: NDArray[Any]) -> bool:
    """Tell whether an array holds a count."""
    if frames.dtype.kind == "f":
        return bool((np.nan_to_num(frames) != 0).any())
    return bool(((frames != 0) & (frames != np.iinfo(frames.dtype).max)).any())


def trailing_dark(frames: LazyFrames, most: int) -> int:
    """Count the frames without counts at the end, up to `most`."""
    count = 0
    while count < min(most, len(frames)) and not _lit(frames[len(frames) - 1 - count]):
        count += 1
    return count
