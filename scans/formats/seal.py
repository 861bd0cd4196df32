"""Check sum over all that our HDF5 files hold beside the frames: a changed or damaged value is noticed.

HDF5 stores plain numbers and attributes without check sums; a flipped bit in the photon energy would be read without
complaint. Packed frames carry sums of their own (zlib, RFC 1950), so only the list of their chunks counts here, and
the cost does not grow with their bytes. The sum does not depend on how the library arranges the file: a copy by
h5repack or h5copy keeps it.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
from typing import Any

import h5py
import numpy as np

from scans.formats.hdf5 import READ_ERRORS, identity
from scans.formats.units import decode
from scans.formats.values import NO_VALUE, logical_bytes
from scans.scan import Note, Scan

SEAL = "content_sha256"


def seal(file: h5py.File) -> None:
    """Write the sum of a complete file into it."""
    file.attrs[SEAL] = _sum_of(file)


def check_seal(scan: Scan, file: h5py.File) -> Scan:
    """Add a note, marked as a guess, where a sealed file is not what was written.

    Parameters
    ----------
    scan
        As read from `file`.
    file
        Open file; without a seal it is of another writer, and nothing is said.
    """
    try:
        if SEAL not in file.attrs:
            return scan
        intact = decode(file.attrs[SEAL]) == _sum_of(file)
    except (*READ_ERRORS, *NO_VALUE):
        intact = False
    if intact:
        return scan
    text = "somebody edited the file, or it is damaged: check energy, distances and positions, or copy it again"
    where = f"{file.filename}::/@{SEAL}"
    note = Note("contents", "not those that were written", where, text, guess=True)
    return dataclasses.replace(scan, notes=(*scan.notes, note))


def _sum_of(file: h5py.File) -> str:
    """SHA-256 of names, types, attributes and values, by name, through hard links."""
    digest = hashlib.sha256()
    stack: list[tuple[str, Any]] = [("", file["/"])]
    seen: set[tuple[int, int]] = set()
    while stack:
        name, node = stack.pop()
        if identity(node) in seen:  # hard links may go in a circle
            digest.update(repr((name, "seen")).encode())
            continue
        seen.add(identity(node))
        digest.update(repr((name, type(node).__name__, _attributes(node))).encode())
        if isinstance(node, h5py.Dataset):
            digest.update(_values(node))
        for child in sorted(node) if isinstance(node, h5py.Group) else ():
            link = node.get(child, getlink=True)
            if link is None:
                raise KeyError(child)
            if isinstance(link, h5py.HardLink):
                stack.append((f"{name}/{child}", node[child]))
            else:
                digest.update(repr((name, child, getattr(link, "filename", ""), link.path)).encode())
    return digest.hexdigest()


def _attributes(node: Any) -> list[tuple[str, Any]]:
    return [(name, _plain(node.attrs[name])) for name in sorted(node.attrs) if name != SEAL]


def _plain(value: Any) -> Any:
    """Value as text, or as type, shape and bytes."""
    array = np.asarray(value)
    if array.dtype.kind in "OSU":
        return array.shape, [decode(v) for v in array.reshape(-1)]
    return array.dtype.str, array.shape, array.tobytes()


def _values(dataset: h5py.Dataset) -> bytes:
    """Give what a dataset holds; of one in chunks, where they are and through which filters they went."""
    facts: Any = (dataset.dtype.str, dataset.shape, dataset.maxshape)
    if dataset.chunks is None:
        if dataset.shape is not None and logical_bytes(dataset) > os.path.getsize(dataset.file.filename):
            raise OSError("more than there is")  # never ours; it would be read as zeros
        return repr((facts, _plain(dataset[()]))).encode()
    found: list[tuple[int, ...]] = []
    dataset.id.chunk_iter(lambda info: found.append((*info.chunk_offset, info.filter_mask)))
    plist = dataset.id.get_create_plist()
    filters = [plist.get_filter(i)[0] for i in range(plist.get_nfilters())]
    text = repr((facts, dataset.chunks, filters, _plain(dataset.fillvalue))).encode()
    return text + np.array(sorted(found), dtype="<i8").tobytes()
