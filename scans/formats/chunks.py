"""Chunks of a dataset: which are written, which frames they make complete, and unpacking them ourselves.

The HDF5 library reads under one lock and unpacks under it too, so two threads unpack no faster than one. Chunks are
therefore fetched packed and unpacked here, by zlib or the plugins' own filters, which leave other threads free:
several blocks are unpacked at once (`scans.pipeline`). Other filters go through the library.
"""

from __future__ import annotations

import itertools
import math
import zlib
from collections.abc import Callable
from typing import Any, NamedTuple

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.formats.plugin_filters import BITSHUFFLE, bitshuffled_fits, unpacker

DEFLATE, SHUFFLE = h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE
# A packed chunk is hardly larger than what it holds; one that claims more is damaged (margin: common practice).
MAX_PACKED_EXCESS = 1 << 16
Fill = Callable[[tuple[slice, ...], NDArray[Any]], None]


def chunk_frames(dataset: h5py.Dataset) -> int:
    """Frames, in scan order, that one row of chunks covers; 1 where frames do not share chunks."""
    if dataset.chunks is None:
        return 1
    scan_shape = dataset.shape[:-2]
    for axis, side in enumerate(dataset.chunks[:-2]):
        if side > 1:
            return min(int(side), int(scan_shape[axis])) * math.prod(int(n) for n in scan_shape[axis + 1 :])
    return 1


def n_chunks_whole(dataset: h5py.Dataset) -> int:
    """Return the number of chunks that the dataset has when all are written."""
    return math.prod(-(-int(n) // int(c)) for n, c in zip(dataset.shape, dataset.chunks, strict=True))


def most_packed_bytes(size: int) -> int:
    """Bytes that a chunk of `size` bytes takes at most when it does not pack at all."""
    return size + size // 8 + MAX_PACKED_EXCESS


def unwritten_frames(dataset: h5py.Dataset) -> tuple[tuple[int, int], ...]:
    """``(first, stop)`` ranges of frames of which no chunk exists; contiguous data count as written."""
    if dataset.chunks is None or dataset.id.get_num_chunks() >= n_chunks_whole(dataset):
        return ()
    missing = np.flatnonzero(_chunks_of_frames(dataset) == 0)
    if not missing.size:
        return ()
    runs = np.split(missing, np.flatnonzero(np.diff(missing) > 1) + 1)
    return tuple((int(run[0]), int(run[-1]) + 1) for run in runs)


def complete_frames(dataset: h5py.Dataset) -> int:
    """Count the frames from the first on that a writer at work has certainly finished.

    A frame is complete when all its chunks are in the file. Frames that share a chunk are counted once a
    later chunk has been begun: a chunk that exists may be filled to any point. Where the writer allocates
    chunks before it fills them, frames from the last lit one on are left out too. The shape is refreshed
    first, so a reader can call this again and again.

    Parameters
    ----------
    dataset
        Frames ``(..., h, w)`` in a file opened for SWMR reading.
    """
    dataset.id.refresh()
    total = math.prod(int(n) for n in dataset.shape[:-2])
    if dataset.chunks is None or total == 0:
        return total
    across = math.prod(-(-int(n) // int(c)) for n, c in zip(dataset.shape[-2:], dataset.chunks[-2:], strict=True))
    held = _chunks_of_frames(dataset)
    absent = np.flatnonzero(held < across)
    count = int(absent[0]) if absent.size else total
    shared = chunk_frames(dataset)
    if shared > 1 and count:
        # whole rows of chunks only, and one row behind the last that has been begun
        begun = int(np.flatnonzero(held)[-1]) // shared * shared
        count = min(count // shared * shared, begun)
    early = dataset.id.get_create_plist().get_alloc_time() == h5py.h5d.ALLOC_TIME_EARLY
    return _before_last_lit(dataset, count) if early else count


def _chunks_of_frames(dataset: h5py.Dataset) -> NDArray[np.int32]:
    """Count the existing chunks that hold a part of each frame ``(J,)``, in scan order."""
    lead, chunk = dataset.shape[:-2], dataset.chunks
    held = np.zeros(lead, dtype=np.int32)

    def count(info: h5py.h5d.StoreInfo) -> None:
        held[tuple(slice(o, o + c) for o, c in zip(info.chunk_offset[: len(lead)], chunk, strict=False))] += 1

    dataset.id.chunk_iter(count)
    return held.reshape(-1)


def _before_last_lit(dataset: h5py.Dataset, count: int) -> int:
    """Count the frames before the last that holds anything but the fill value; written in order, so by bisection."""
    shape, fill = dataset.shape[:-2], dataset.fillvalue
    low, high = 0, count
    while low < high:
        middle = (low + high) // 2
        if (dataset[np.unravel_index(middle, shape)] != fill).any():
            low = middle + 1
        else:
            high = middle
    return max(low - 1, 0)


def unpacks_here(dataset: h5py.Dataset) -> bool:
    """Tell whether `filler` can read this: plain numbers, filters that we unpack as well as the library does."""
    if dataset.chunks is None or dataset.dtype.kind not in "iuf":
        return False
    if dataset.id.get_type() != h5py.h5t.py_create(dataset.dtype):
        return False  # numbers of odd precision: NumPy's type is wider than the stored one
    filters = [f.id for f in _filters(dataset)]
    packing = filters[1:] if filters[:1] == [SHUFFLE] else filters
    return len(packing) == 1 and (packing[0] == DEFLATE or unpacker(packing[0]) is not None)


def filler(dataset: h5py.Dataset) -> Fill:
    """Return ``fill(box, out)`` for a dataset that `unpacks_here`: it reads a box, converting byte order on the way.

    `box` has one slice an axis, step 1, within the shape; `out` is an array of the box's shape. Several threads may
    call it at once. It raises OSError where a chunk cannot be unpacked.
    """
    chunk, filters, dtype, fill_value = dataset.chunks, _filters(dataset), dataset.dtype, dataset.fillvalue

    def fill(box: tuple[slice, ...], out: NDArray[Any]) -> None:
        cells = (range(s.start // c, -(-s.stop // c)) for s, c in zip(box, chunk, strict=True))
        for cell in itertools.product(*cells):
            offset = tuple(i * c for i, c in zip(cell, chunk, strict=True))
            source, target = [], []
            for o, c, s in zip(offset, chunk, box, strict=True):
                low, high = max(o, s.start), min(o + c, s.stop)
                source.append(slice(low - o, high - o))
                target.append(slice(low - s.start, high - s.start))
            values = _unpacked(dataset, offset, chunk, dtype, filters)
            out[tuple(target)] = fill_value if values is None else values[tuple(source)]

    return fill


class _Filter(NamedTuple):
    """A filter of a dataset: its registered number and its parameters."""

    id: int
    parameters: tuple[int, ...]


def _filters(dataset: h5py.Dataset) -> list[_Filter]:
    plist = dataset.id.get_create_plist()
    each = (plist.get_filter(i) for i in range(plist.get_nfilters()))
    return [_Filter(int(code), tuple(int(v) for v in values)) for code, _, values, _ in each]


def _unpacked(
    dataset: h5py.Dataset,
    offset: tuple[int, ...],
    chunk: tuple[int, ...],
    dtype: np.dtype[Any],
    filters: list[_Filter],
) -> NDArray[Any] | None:
    """Fetch and unpack one chunk; None where it was never written."""
    info = dataset.id.get_chunk_info_by_coord(offset)
    if info.byte_offset is None:
        return None
    size = math.prod(chunk) * dtype.itemsize
    if info.size > most_packed_bytes(size):
        raise OSError(f"chunk {offset} claims {info.size} bytes, packed from {size}")
    skipped, raw = dataset.id.read_direct_chunk(offset)
    for index in reversed(range(len(filters))):
        if not skipped >> index & 1:  # else the writer left this filter out for this chunk
            raw = _undone(filters[index], raw, size, dtype.itemsize)
    values = np.frombuffer(raw, dtype=np.uint8).reshape(-1)
    if values.size != size:
        raise OSError(f"chunk {offset} holds {values.size} bytes instead of {size}")
    return values.view(dtype).reshape(chunk)


def _undone(stage: _Filter, raw: Any, size: int, item: int) -> Any:
    """Undo one filter of a chunk of `size` bytes."""
    if stage.id == DEFLATE:
        return _inflate(raw, size)
    if stage.id == SHUFFLE:
        return _unshuffled(raw, item) if len(raw) == size and item > 1 else raw
    unpack = unpacker(stage.id)
    if unpack is None or (stage.id == BITSHUFFLE and not bitshuffled_fits(raw, size, item, stage.parameters)):
        raise OSError("the packed blocks do not make up the chunk")
    return unpack(raw, stage.parameters, size)


def _unshuffled(raw: Any, item: int) -> NDArray[np.uint8]:
    """Undo the shuffle: all first bytes, then all second bytes, ... (HDF5 user's guide, filters)."""
    mixed = np.frombuffer(raw, np.uint8).reshape(item, -1)
    out = np.empty((mixed.shape[1], item), np.uint8)
    for k, plane in enumerate(mixed):
        out[:, k] = plane
    return out


def _inflate(packed: bytes, size: int) -> bytes:
    """Unpack to at most `size` bytes: a hostile chunk would unpack to a thousand times its length."""
    try:
        stream = zlib.decompressobj()
        values = stream.decompress(packed, size + 1)  # the byte more lets it reach the checksum at the end
    except zlib.error as exc:
        raise OSError(str(exc)) from exc
    if not stream.eof:
        raise OSError("the packed stream is cut, or longer than the chunk")
    return values
