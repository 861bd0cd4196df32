"""Values of attributes and small datasets, whatever type a file gives them."""

from __future__ import annotations

import math
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.bitshuffle import check_packed
from scans.formats.hdf5 import READ_ERRORS, InputFile, Node, damaged
from scans.formats.reach import trace
from scans.formats.units import decode

# More than any mask, position table or set of dark frames needs; frames themselves stay in the file.
MAX_ARRAY_BYTES = 4 << 30
# gzip cannot pack tighter than 1032:1, and counts with any photons in them pack far less.
MAX_RATIO = 1000
# Texts that are of use are short; a table of them is not.
MAX_TEXT_BYTES = 1 << 20
# What h5py raises on an attribute or a text of a type that Python lacks, or that claims too much.
NO_VALUE = (TypeError, ValueError, MemoryError, OverflowError)


def attribute(node: Node | None, name: str) -> str | None:
    """Text of an attribute, or None where it is absent or blank."""
    if node is None or name not in node.attrs:
        return None
    try:
        return decode(node.attrs[name]) or None
    except (*READ_ERRORS, *NO_VALUE):
        return None


def text_list(node: Node, name: str) -> list[str]:
    """Texts of an array attribute; a colon- or comma-separated string is split (old spellings)."""
    if name not in node.attrs:
        return []
    try:
        value = node.attrs[name]
    except (*READ_ERRORS, *NO_VALUE):
        return []
    if isinstance(value, np.ndarray) and value.size > 1:
        return [decode(v) for v in value.reshape(-1)]
    return [part.strip() for part in decode(value).strip("[]").replace(":", ",").split(",") if part.strip()]


def read_array(file: InputFile, dataset: h5py.Dataset) -> NDArray[Any]:
    """Read a small numeric dataset (positions, masks, dark frames) whole, in native byte order.

    Raises
    ------
    InputError
        When it is not numeric, claims more than it can hold, or cannot be read.
    """
    where = file.where(dataset)
    if dataset.shape is None or dataset.dtype.kind not in "biuf":
        raise InputError(
            "an empty dataset" if dataset.shape is None else f"values of type {dataset.dtype}",
            where=where,
            expected="numbers",
            fix="Correct this dataset in a copy of the file.",
        )
    check_claim(file, dataset)
    try:
        check_packed(dataset)
        values = np.asarray(dataset[()])
    except (*READ_ERRORS, MemoryError) as exc:
        raise damaged(where, exc) from exc
    return values.astype(values.dtype.newbyteorder("="), copy=False)


def check_claim(file: InputFile, dataset: h5py.Dataset) -> None:
    """Refuse to read whole what claims more than it can hold; errors as `read_array`."""
    storage = trace(file, dataset)
    claimed, stored = logical_bytes(dataset), storage.stored_bytes
    hollow = claimed > (16 << 20) and claimed > MAX_RATIO * stored and not storage.all_written
    if claimed > MAX_ARRAY_BYTES or hollow:
        raise InputError(
            f"claims {human_bytes(claimed)}, holds {human_bytes(stored)}",
            where=file.where(dataset),
            expected=f"at most {human_bytes(MAX_ARRAY_BYTES)} here, and written",
            fix="Correct this dataset in a copy of the file.",
        )


def read_text(dataset: h5py.Dataset | None) -> str:
    """Text of a string dataset; empty where absent, of another type, too long, or kept in another file."""
    if dataset is None or dataset.shape is None or dataset.dtype.kind not in "OSU" or dataset.size == 0:
        return ""
    if dataset.is_virtual or dataset.external or logical_bytes(dataset) > MAX_TEXT_BYTES:
        return ""
    try:
        return decode(dataset[()])
    except (*READ_ERRORS, *NO_VALUE):
        return ""


def logical_bytes(dataset: h5py.Dataset) -> int:
    """Bytes that the dataset's shape claims, in Python integers."""
    return math.prod(int(n) for n in dataset.shape) * int(dataset.dtype.itemsize)


def human_bytes(n: int) -> str:
    """Size in the largest binary unit that keeps a digit before the point."""
    size = float(n)
    for unit in ("bytes", "KiB", "MiB", "GiB", "TiB", "PiB"):
        if size < 1024 or unit == "PiB":
            return f"{size:.4g} {unit}"
        size /= 1024
    raise AssertionError("unreachable")
