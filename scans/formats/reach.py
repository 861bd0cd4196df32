"""Where the bytes of a dataset lie: its own file, sources of virtual data, raw files. All checked, none read.

The library reads a missing source as zeros and looks for it in several folders. So every source is located and
opened here first, by `InputFile.locate`, and whatever would let the library find another one is refused.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass

import h5py
import numpy as np

from scans.errors import InputError
from scans.formats import chunks
from scans.formats.hdf5 import READ_ERRORS, BrokenLink, InputFile, damaged, refuse_search_folders, source_name

MAX_DEPTH = 4
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


@dataclass(frozen=True)
class Storage:
    """What a dataset really holds.

    Parameters
    ----------
    stored_bytes
        Bytes in the file(s).
    sources
        Absolute paths of the other files that its bytes come from.
    unwritten
        ``(first, stop)`` ranges of frames (flattened scan order) that were never written.
    all_written
        Whether every chunk exists, here and in all sources.
    complete
        Frames from the first on that are complete in a file that is still being written; None for one at rest.
    """

    stored_bytes: int
    sources: tuple[str, ...] = ()
    unwritten: tuple[tuple[int, int], ...] = ()
    all_written: bool = True
    complete: int | None = None


def trace(file: InputFile, dataset: h5py.Dataset, depth: int = 0) -> Storage:
    """Follow a dataset to its bytes.

    Returns
    -------
    Storage
        Without `unwritten` and `complete`.

    Raises
    ------
    InputError
        A filter is not installed, or bytes lie where they may not be read, or nowhere.
    """
    where = file.where(dataset)
    if depth > MAX_DEPTH:
        raise BrokenLink("virtual data in a circle", where=where, expected="a source with data", fix="Correct it.")
    _check_filters(dataset, where)
    if dataset.external:
        return _raw_files(file, dataset, where)
    if dataset.is_virtual:
        return _virtual(file, dataset, where, depth)
    # a damaged header can claim more than the file is long
    stored = min(int(dataset.id.get_storage_size()), os.path.getsize(dataset.file.filename))
    if dataset.chunks is None:
        return Storage(stored, all_written=stored >= _n_bytes(dataset))
    whole = dataset.id.get_num_chunks() >= chunks.n_chunks_whole(dataset)
    return Storage(stored, all_written=whole)


def _n_bytes(dataset: h5py.Dataset) -> int:
    return math.prod(int(n) for n in dataset.shape or ()) * int(dataset.dtype.itemsize)


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


def _raw_files(file: InputFile, dataset: h5py.Dataset, where: str) -> Storage:
    """Locate raw data files, which may be any file of the machine: only for a file that the user trusts."""
    pieces = dataset.external
    if not file.follow_external:
        raise InputError(
            f"its bytes lie in another raw file ({pieces[0][0]})",
            where=where,
            expected="data inside an HDF5 file",
            fix="If you trust the file, allow it with --follow-external; or copy the scan with 'h5repack', which "
            "brings raw files in.",
        )
    refuse_search_folders(where)
    wanted = _n_bytes(dataset)
    files = []
    for name, offset, size in pieces:
        full = file.locate(name, link=where, origin=dataset.file)
        if not os.path.isabs(name):
            raise InputError(
                f"its raw file is named without its folder ({name})",
                where=where,
                expected="a full path: the library would look for this one in the current folder",
                fix="Copy the scan with 'h5repack', run in the folder of the raw file, which brings it in.",
            )
        files.append(full)
        file.followed.setdefault(full, where)
        share = min(int(size), wanted)
        if os.path.getsize(full) < offset + share:
            raise InputError(
                f"its raw file {name} ends before the data do",
                where=where,
                expected=f"{offset + share} bytes (missing ones would read as zeros)",
                fix="Copy the raw file again from its source.",
            )
        wanted -= share
    return Storage(_n_bytes(dataset) - wanted, tuple(files), all_written=wanted == 0)


def _virtual(file: InputFile, dataset: h5py.Dataset, where: str, depth: int) -> Storage:
    """Check every source of a virtual dataset: the library reads a missing one as zeros."""
    refuse_search_folders(where)
    mappings = list(dataset.virtual_sources())
    mapped = sum(int(m.vspace.get_select_npoints()) for m in mappings)
    if mapped < math.prod(dataset.shape) and None not in dataset.maxshape:
        raise InputError(
            f"only {mapped} of {math.prod(dataset.shape)} values are mapped to a source",
            where=where,
            expected="a source for every frame",
            fix="Correct the master file; unmapped frames would read as zeros.",
        )
    files: dict[str, None] = {}
    stored, whole = 0, True
    for name, inner in sorted({(m.file_name, m.dset_name) for m in mappings}):
        part = _source(file, dataset, (source_name(name, where), source_name(inner, where)), where, depth)
        files.update(dict.fromkeys(part.sources))
        stored, whole = stored + part.stored_bytes, whole and part.all_written
    return Storage(stored, tuple(files), all_written=whole)


def _source(file: InputFile, dataset: h5py.Dataset, names: tuple[str, str], where: str, depth: int) -> Storage:
    """Open one source dataset and check it in turn."""
    name = names[0]
    if name == ".":
        return _check_source(file, dataset, dataset.file, names, where, depth)
    folder = os.path.dirname(dataset.file.filename)
    full = file.locate(name, link=where, origin=dataset.file)
    if full != os.path.realpath(os.path.join(folder, name)):
        raise BrokenLink(
            f"points to {name}, which lies beside the link to this file, not beside the file",
            where=where,
            expected=f"{name} in {folder}",
            fix="Link to it there, or copy both files into one folder.",
        )
    with file.visiting(name, link=where, origin=dataset.file) as home:
        return _check_source(file, dataset, home, names, where, depth)


def _check_source(
    file: InputFile, dataset: h5py.Dataset, home: h5py.File, names: tuple[str, str], where: str, depth: int
) -> Storage:
    name, inner = names
    source = file.dataset(home["/"], inner)
    if source is None:
        raise BrokenLink(
            f"its source {name}::{inner} does not exist",
            where=where,
            expected="a source dataset for every frame (a missing one would read as zeros)",
            fix=f"Bring the right {'file' if name == '.' else name} beside the master file.",
        )
    if dataset.dtype.kind in "biu" and not np.can_cast(source.dtype, dataset.dtype, "safe"):
        raise InputError(
            f"its source {name}::{inner} holds {source.dtype}, which {dataset.dtype} cannot hold",
            where=where,
            expected="a virtual dataset of the type of its sources (values out of range would be clipped)",
            fix="Name the source dataset itself after '::', or write the virtual dataset with its type.",
        )
    if source.file.swmr_mode and name != ".":
        raise InputError(
            f"its source {name} is still being written",
            where=where,
            expected="source files that their writer has closed (unwritten frames would read as zeros)",
            fix=f"Wait until the scan has ended, or read {name} itself.",
        )
    try:
        part = trace(file, source, depth + 1)
    except READ_ERRORS as exc:
        raise damaged(file.where(source), exc) from exc
    return Storage(part.stored_bytes, (source.file.filename, *part.sources), all_written=part.all_written)
