"""Cheap checks that a stack of frames passes before anything is allocated or read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import h5py

from scans.errors import InputError
from scans.formats import chunks
from scans.formats.hdf5 import InputFile, damaged
from scans.formats.reach import Storage, trace
from scans.formats.values import MAX_RATIO, human_bytes, logical_bytes

FRAME_SIDE_RANGE = (8, 16384)
# More frames than any scan has; a list of them must fit into memory.
MAX_FRAMES = 50_000_000
# A chunk is unpacked whole, so it must fit into memory several times.
MAX_CHUNK_BYTES = 1 << 30
# Above so many chunks their stored sizes are not looked at one by one (1 us each).
MAX_CHUNKS_LISTED = 200_000


def check_frames(file: InputFile, dataset: h5py.Dataset) -> Storage:
    """Check type, shape, filters, links and storage of a dataset of frames without reading it.

    Raises
    ------
    InputError
        Naming the file, the dataset and the remedy.
    """
    where = file.where(dataset)
    _check_type(dataset, where)
    _check_shape(dataset, where)
    storage = trace(file, dataset)
    growing = bool(dataset.file.swmr_mode)
    claimed, stored = logical_bytes(dataset), storage.stored_bytes
    # where every chunk exists, all frames were written, however well they pack
    if claimed > MAX_RATIO * max(stored, 1) and not storage.all_written and not growing:
        holds = "nothing was written" if stored == 0 else f"only {human_bytes(stored)} are stored"
        raise InputError(
            f"claims {tuple(dataset.shape)} {dataset.dtype} = {human_bytes(claimed)}, but {holds}",
            where=where,
            expected=f"frames of at least 1/{MAX_RATIO} of the claimed size",
            fix="The scan was not written here, or only its start: copy it again, or take the right file.",
        )
    if dataset.is_virtual or dataset.chunks is None:
        return storage
    _check_chunks(dataset, where)
    complete = chunks.complete_frames(dataset) if growing else None
    if complete == 0:
        raise InputError(
            "still being written: no frame is complete yet",
            where=where,
            expected="at least one complete frame",
            fix="Wait until the scan has begun.",
        )
    return replace(storage, unwritten=chunks.unwritten_frames(dataset), complete=complete)


def complete_of(stores: Sequence[Storage], counts: Sequence[int]) -> int | None:
    """Count the complete frames of joined datasets, from the first on; None when no file is being written.

    Parameters
    ----------
    stores
        Of each dataset, in order.
    counts
        Frames of each dataset.
    """
    if all(store.complete is None for store in stores):
        return None
    total = 0
    for store, count in zip(stores, counts, strict=True):
        total += count if store.complete is None else store.complete
        if store.complete is not None and store.complete < count:
            break
    return total


def _check_chunks(dataset: h5py.Dataset, where: str) -> None:
    """Refuse chunks that would not fit into memory, or that cannot be what they claim."""
    size = math.prod(dataset.chunks) * dataset.dtype.itemsize
    if size > MAX_CHUNK_BYTES:
        raise InputError(
            f"chunks {tuple(dataset.chunks)} of {human_bytes(size)}",
            where=where,
            expected=f"at most {human_bytes(MAX_CHUNK_BYTES)} in a chunk",
            fix="Repack a copy with 'h5repack -l CHUNK=1x...', one frame a chunk.",
        )
    if dataset.id.get_num_chunks() > MAX_CHUNKS_LISTED:
        return
    most = 0
    places: set[tuple[int, ...]] = set()

    def look(info: h5py.h5d.StoreInfo) -> None:
        nonlocal most
        most = max(most, info.size)
        places.add(info.chunk_offset)

    dataset.id.chunk_iter(look)
    # in a damaged list, a chunk stands at an impossible place or twice; the frame that it belongs to reads as zeros
    possible = all(
        0 <= at < n and at % side == 0
        for place in places
        for at, n, side in zip(place, dataset.shape, dataset.chunks, strict=True)
    )
    sound = dataset.file.swmr_mode or (possible and len(places) == dataset.id.get_num_chunks())
    if most > chunks.most_packed_bytes(size) or not sound:
        raise damaged(where, OSError())


def _check_type(dataset: h5py.Dataset, where: str) -> None:
    if dataset.shape is not None and dataset.dtype.kind in "biuf":
        return
    found = "an empty (null) dataset" if dataset.shape is None else f"values of type {dataset.dtype}"
    raise InputError(
        found,
        where=where,
        expected="integer or real detector counts",
        fix="Name the dataset that holds the diffraction frames after '::'.",
    )


def _check_shape(dataset: h5py.Dataset, where: str) -> None:
    shape = tuple(int(n) for n in dataset.shape)
    low, high = FRAME_SIDE_RANGE
    if len(shape) < 3 or math.prod(shape) == 0:
        found = f"shape {shape}" + (", a single frame" if len(shape) == 2 else "")
        expected = "a stack (frames, rows, columns) or (scan rows, scan columns, rows, columns)"
    elif len(shape) > 4 and sorted(shape[:-2])[-3] > 1:
        found, expected = f"shape {shape}", "at most two scan axes before the frame's rows and columns"
    elif math.prod(shape[:-2]) > MAX_FRAMES:
        found, expected = f"{math.prod(shape[:-2])} frames", f"at most {MAX_FRAMES}"
    elif not all(low <= side <= high for side in shape[-2:]):
        found, expected = f"frames of {shape[-2]} x {shape[-1]} pixels", f"{low} to {high} pixels a side"
    else:
        return
    raise InputError(
        found,
        where=where,
        expected=expected,
        fix="Name the dataset that holds the diffraction frames after '::'.",
    )
