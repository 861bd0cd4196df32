"""Cheap checks that a stack of frames passes before anything is allocated or read."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass

import h5py
import numpy as np

from scans.errors import InputError
from scans.formats.hdf5 import READ_ERRORS, BrokenLink, InputFile, damaged
from scans.formats.values import MAX_RATIO, human_bytes, logical_bytes

FRAME_SIDE_RANGE = (8, 16384)
# Numbers of HDF5's own filters and of those registered with The HDF Group.
FILTERS = {
    1: "gzip",
    2: "shuffle",
    3: "fletcher32",
    4: "szip",
    5: "nbit",
    6: "scaleoffset",
    307: "bzip2",
    32000: "lzf",
    32001: "blosc",
    32004: "lz4",
    32008: "bitshuffle",
    32013: "zfp",
    32015: "zstd",
    32026: "blosc2",
}
# So many source files of one virtual dataset are opened; of the others only the existence is checked.
MAX_SOURCES_OPENED = 32
# Folders that the library would search before the master's own.
SEARCH_VARIABLES = ("HDF5_VDS_PREFIX", "HDF5_EXT_PREFIX")


@dataclass(frozen=True)
class Storage:
    """What a dataset of frames really holds.

    Parameters
    ----------
    stored_bytes
        Bytes in the file(s); None where too many source files make it costly to know.
    sources
        Absolute paths of the files that virtual parts come from.
    unwritten
        ``(first, stop)`` ranges of frames (flattened scan order) that were never written.
    """

    stored_bytes: int | None
    sources: tuple[str, ...] = ()
    unwritten: tuple[tuple[int, int], ...] = ()


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
    storage = _storage(file, dataset, where, depth=0)
    claimed = logical_bytes(dataset)
    stored = storage.stored_bytes
    if stored is not None and claimed > MAX_RATIO * max(stored, 1):
        holds = "nothing was written" if stored == 0 else f"only {human_bytes(stored)} are stored"
        raise InputError(
            f"claims {tuple(dataset.shape)} {dataset.dtype} = {human_bytes(claimed)}, but {holds}",
            where=where,
            expected=f"frames of at least 1/{MAX_RATIO} of the claimed size",
            fix="The scan was not written here, or only its start: copy it again, or take the right file.",
        )
    return storage


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


def _storage(file: InputFile, dataset: h5py.Dataset, where: str, depth: int) -> Storage:
    """Follow a dataset to its bytes."""
    if depth > 4:
        raise BrokenLink("virtual data in a circle", where=where, expected="a source with data", fix="Correct it.")
    if dataset.external:
        raise InputError(
            f"its bytes lie in another raw file ({dataset.external[0][0]})",
            where=where,
            expected="frames inside an HDF5 file",
            fix="Copy the scan with 'h5repack', which brings raw files in.",
        )
    _check_filters(dataset, where)
    if dataset.is_virtual:
        return _virtual_storage(file, dataset, where, depth)
    stored = int(dataset.id.get_storage_size())
    return Storage(stored, unwritten=_unwritten(dataset) if stored else ())


def _check_filters(dataset: h5py.Dataset, where: str) -> None:
    plist = dataset.id.get_create_plist()
    for index in range(plist.get_nfilters()):
        code, _, _, name = plist.get_filter(index)
        if h5py.h5z.filter_avail(code):
            continue
        label = FILTERS.get(code) or name.decode("latin-1").split(";")[0].strip("\x00 ") or "unnamed"
        raise InputError(
            f"compressed with filter {code} ({label}), which is not installed",
            where=where,
            expected="a filter of HDF5 or of the hdf5plugin package",
            fix="Upgrade hdf5plugin (pip install -U hdf5plugin), or repack with 'h5repack -f GZIP=4'.",
        )


def _unwritten(dataset: h5py.Dataset) -> tuple[tuple[int, int], ...]:
    """Frame ranges of which no chunk exists; contiguous data count as written."""
    if dataset.chunks is None:
        return ()
    lead, chunk = dataset.shape[:-2], dataset.chunks
    whole = math.prod(-(-n // c) for n, c in zip(dataset.shape, chunk, strict=True))
    if dataset.id.get_num_chunks() >= whole:
        return ()
    written = np.zeros(lead, dtype=bool)

    def mark(info: h5py.h5d.StoreInfo) -> None:
        written[tuple(slice(o, o + c) for o, c in zip(info.chunk_offset[: len(lead)], chunk, strict=False))] = True

    dataset.id.chunk_iter(mark)
    missing = np.flatnonzero(~written.reshape(-1))
    if not missing.size:
        return ()
    runs = np.split(missing, np.flatnonzero(np.diff(missing) > 1) + 1)
    return tuple((int(run[0]), int(run[-1]) + 1) for run in runs)


def _virtual_storage(file: InputFile, dataset: h5py.Dataset, where: str, depth: int) -> Storage:
    """Check every source of a virtual dataset: the library reads a missing one as zeros."""
    for variable in SEARCH_VARIABLES:
        if os.environ.get(variable):
            raise InputError(
                f"virtual data while the environment variable {variable} is set",
                where=where,
                expected="source files beside the master file and nowhere else",
                fix=f"Unset {variable}: it would let another file of the same name be read instead.",
            )
    mappings = list(dataset.virtual_sources())
    mapped = sum(int(m.vspace.get_select_npoints()) for m in mappings)
    if mapped < math.prod(dataset.shape) and None not in dataset.maxshape:
        raise InputError(
            f"only {mapped} of {math.prod(dataset.shape)} values are mapped to a source",
            where=where,
            expected="a source for every frame",
            fix="Correct the master file; unmapped frames would read as zeros.",
        )
    names = {(m.file_name, m.dset_name) for m in mappings}
    files: dict[str, None] = {}
    opened = list(_spread(sorted(names), MAX_SOURCES_OPENED))
    stored: int | None = 0
    for name, inner in sorted(names):
        if (name, inner) not in opened:
            files[_source_path(file, dataset, name, where)] = None
            continue
        source, part = _source(file, dataset, name, inner, where, depth)
        files.update(dict.fromkeys((source.file.filename, *part.sources)))
        stored = None if stored is None or part.stored_bytes is None else stored + part.stored_bytes
    return Storage(stored if len(opened) == len(names) else None, tuple(files))


def _spread(items: list[tuple[str, str]], most: int) -> Iterator[tuple[str, str]]:
    """At most `most` of the items, first and last among them."""
    picks = np.unique(np.linspace(0, len(items) - 1, min(most, len(items))).round().astype(int))
    return (items[i] for i in picks)


def _source_path(file: InputFile, dataset: h5py.Dataset, name: str, where: str) -> str:
    """Absolute path of a virtual source, which must exist."""
    if name == ".":
        return str(dataset.file.filename)
    folder = os.path.dirname(dataset.file.filename)
    full = os.path.normpath(os.path.join(folder, name))
    if not os.access(full, os.R_OK) or "%b" in name:
        file.beside(name, link=where, origin=dataset.file)  # raises with the reason
    return full


def _source(
    file: InputFile, dataset: h5py.Dataset, name: str, inner: str, where: str, depth: int
) -> tuple[h5py.Dataset, Storage]:
    """Open one source dataset and check it in turn."""
    home = dataset.file if name == "." else file.beside(name, link=where, origin=dataset.file)
    source = file.dataset(home["/"], inner)
    if source is None:
        raise BrokenLink(
            f"its source {name}::{inner} does not exist",
            where=where,
            expected="a source dataset for every frame (a missing one would read as zeros)",
            fix=f"Bring the right {'file' if name == '.' else name} beside the master file.",
        )
    try:
        return source, _storage(file, source, file.where(source), depth + 1)
    except READ_ERRORS as exc:
        raise damaged(file.where(source), exc) from exc
