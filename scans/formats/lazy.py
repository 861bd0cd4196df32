"""Frames that stay in their file until a slice of them is asked for."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.hdf5 import READ_ERRORS, open_file

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


class LazyFrames:
    """Stack of frames ``(J, h, w)`` in one or several HDF5 datasets, read slice by slice.

    Holds names and numbers only, so it pickles and copies freely between processes; each access opens the
    file, reads its slice and closes it. Read whole blocks (`Scan.blocks`), not frame by frame: a compressed
    chunk is unpacked once per access.

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
        self.blocks = blocks
        self.shape: tuple[int, int, int] = (total if n_frames is None else n_frames, *frame_shape)
        self.dtype: np.dtype[Any] = np.dtype(np.uint8) if dtype.kind == "b" else dtype.newbyteorder("=")
        self.chunk_frames = chunk_frames
        self.cache_bytes = min(max(cache_bytes, 1 << 20), MAX_CACHE_BYTES)
        self.sources = sources

    @property
    def ndim(self) -> int:
        """Three."""
        return 3

    @property
    def nbytes(self) -> int:
        """Bytes of all frames in memory, if they were read."""
        return math.prod(self.shape) * self.dtype.itemsize

    def __len__(self) -> int:
        return self.shape[0]

    def __repr__(self) -> str:
        parts = ", ".join(f"{b.file}::{b.dataset}" for b in self.blocks)
        return f"LazyFrames({self.shape}, {self.dtype}, {parts})"

    def __getitem__(self, key: slice | int) -> NDArray[Any]:
        """Read frames ``(n, h, w)`` for a slice, ``(h, w)`` for one index.

        Raises
        ------
        InputError
            When the file has changed, lost a part, or holds a damaged chunk; names dataset and frames.
        """
        if isinstance(key, int | np.integer):
            index = int(key) + (self.shape[0] if key < 0 else 0)
            if not 0 <= index < self.shape[0]:
                raise IndexError(f"frame {key} of {self.shape[0]}")
            return self._read(index, index + 1)[0]
        if not isinstance(key, slice):
            raise TypeError(f"frames are read by slice or index, not by {type(key).__name__}")
        start, stop, step = key.indices(self.shape[0])
        if step < 1:
            raise TypeError("frames are read forwards: the slice's step must be positive")
        if step == 1 or stop - start <= 1:
            return self._read(start, max(stop, start))
        return np.stack([self._read(j, j + 1)[0] for j in range(start, stop, step)])

    def truncated(self, n_frames: int) -> LazyFrames:
        """Return the first `n_frames` frames."""
        return LazyFrames(
            self.blocks,
            self.shape[1:],
            self.dtype,
            chunk_frames=self.chunk_frames,
            cache_bytes=self.cache_bytes,
            n_frames=n_frames,
            sources=self.sources,
        )

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        """Read frames `start` to `stop`."""
        for source in self.sources:
            if not os.access(source, os.R_OK):
                raise InputError(
                    f"the source file {source} has gone",
                    where=f"{self.blocks[0].file}::{self.blocks[0].dataset}",
                    expected="the files that were there when the scan was opened",
                    fix="Bring the file back; without it these frames would read as zeros.",
                )
        out = np.empty((stop - start, *self.shape[1:]), dtype=self.dtype)
        first = 0
        for block in self.blocks:
            low, high = max(start - first, 0), min(stop - first, block.n_frames)
            if low < high:
                self._read_block(block, low, high, out[first + low - start : first + high - start], first)
            first += block.n_frames
        return out

    def _read_block(self, block: Block, low: int, high: int, out: NDArray[Any], first: int) -> None:
        """Fill `out` with frames `low` to `high` of one dataset."""
        with open_file(block.file, cache_bytes=self.cache_bytes) as file:
            where = f"{block.file}::{block.dataset}"
            dataset = file.get(block.dataset)
            if not isinstance(dataset, h5py.Dataset) or dataset.shape != (*block.scan_shape, *self.shape[1:]):
                raise InputError(
                    "the dataset has changed or gone since the scan was opened",
                    where=where,
                    expected=f"shape {(*block.scan_shape, *self.shape[1:])}",
                    fix="Open the scan again.",
                )
            try:
                for selection, part in _runs(block.scan_shape, low, high):
                    _fill(dataset, selection, out[part.start - low : part.stop - low])
            except READ_ERRORS as exc:
                raise self._damage(dataset, where, (low, high), first) from exc

    def _damage(self, dataset: h5py.Dataset, where: str, frames: tuple[int, int], first: int) -> InputError:
        """Name the frames that cannot be read among those asked for."""
        bad = []
        scratch = np.empty((1, *self.shape[1:]), dtype=self.dtype)
        for j in range(*frames):
            try:
                for selection, _ in _runs(dataset.shape[:-2], j, j + 1):
                    _fill(dataset, selection, scratch)
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


def _fill(dataset: h5py.Dataset, selection: tuple[Any, ...], out: NDArray[Any]) -> None:
    """Read a selection straight into frames ``(n, h, w)``, converting byte order on the way."""
    shape = tuple(
        len(range(*s.indices(n)))
        for s, n in zip(selection, dataset.shape[: len(selection)], strict=True)
        if isinstance(s, slice)
    )
    dataset.read_direct(out.reshape(*shape, *out.shape[1:]), selection)


def _runs(scan_shape: tuple[int, ...], low: int, high: int) -> Iterator[tuple[tuple[Any, ...], slice]]:
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
        chunk = _chunk_frames(first.shape[:-2], first.chunks[:-2])
        across = math.prod(-(-n // c) for n, c in zip(shape, first.chunks[-2:], strict=True))
        cache = 2 * across * math.prod(first.chunks) * first.dtype.itemsize
    return LazyFrames(blocks, shape, first.dtype, chunk_frames=chunk, cache_bytes=cache, sources=sources)


def _chunk_frames(scan_shape: tuple[int, ...], chunk: tuple[int, ...]) -> int:
    """Frames in scan order that one row of chunks covers."""
    for axis, side in enumerate(chunk):
        if side > 1:
            return min(int(side), int(scan_shape[axis])) * math.prod(int(n) for n in scan_shape[axis + 1 :])
    return 1


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
