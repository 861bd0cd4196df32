"""A plain HDF5 file as a source of named items: datasets, columns of tables, attributes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.formats.bitshuffle import check_packed
from scans.formats.hdf5 import READ_ERRORS, InputFile, Node, damaged, identity
from scans.formats.items import Item
from scans.formats.lazy import LazyFrames, lazy_frames
from scans.formats.preflight import check_frames
from scans.formats.units import decode
from scans.formats.values import attribute, check_claim, read_array, read_text
from scans.scan import Finding

# So many items are listed of one file; what looks for roles works on no more.
MAX_ITEMS = 5000
# So many attributes of one group or dataset are looked at.
MAX_ATTRIBUTES = 64
# Attributes that only serve the library or describe their own dataset.
SKIPPED = {"units", "unit", "DIMENSION_LIST", "REFERENCE_LIST", "CLASS", "NAME", "target", "NX_class"}


class Hdf5Source:
    """Items of an open file; see `scans.formats.items.Source`.

    A dataset is ``/group/name``, a column of a table ``/group/name:column``, an attribute ``/group/name@attribute``.

    Parameters
    ----------
    file
        Open file. It is closed by whoever opened it, or by `close`.
    """

    kind = "HDF5"

    def __init__(self, file: InputFile) -> None:
        self.file = file
        self.path: Path = file.path
        self.findings: tuple[Finding, ...] = ()
        self.ignored: tuple[tuple[str, str], ...] = ()

    @property
    def followed(self) -> dict[str, str]:
        """Files outside the folder that were read, each with the link that points there."""
        return self.file.followed

    def items(self) -> Iterator[Item]:
        """Yield datasets, table columns and attributes, each once, in the order of the file."""
        count = 0
        seen: set[tuple[int, int]] = {identity(self.file.root)}
        for item in self._attributes(self.file.root, "/"):
            count += 1
            yield item
        for path, node in self.file.walk(self.file.root):
            if not isinstance(node, h5py.Group | h5py.Dataset) or identity(node) in seen:
                continue
            seen.add(identity(node))
            for item in (*self._dataset_items(node, path), *self._attributes(node, path)):
                if count >= MAX_ITEMS:
                    return
                count += 1
                yield item

    def item(self, path: str) -> Item | None:
        """Return one by its path; None where there is none."""
        path = path if path.startswith("/") else f"/{path}"
        node = self.file.follow(self.file.root, path)
        if isinstance(node, h5py.Dataset):
            return next((i for i in self._dataset_items(node, path) if i.path == path), None)
        for mark in "@:":
            owner, found, _ = path.rpartition(mark)
            node = self.file.follow(self.file.root, owner or "/") if found else None
            if node is None:
                continue
            made = self._attributes(node, owner or "/") if mark == "@" else self._dataset_items(node, owner)
            return next((i for i in made if i.path == path), None)
        return None

    def dataset(self, path: str) -> h5py.Dataset | None:
        """Return the dataset behind an item."""
        return self.file.dataset(self.file.root, path)

    def close(self) -> None:
        """Close the file and what it links to."""
        self.file.__exit__()

    def _dataset_items(self, node: Node, path: str) -> Iterator[Item]:
        """Make the item of a dataset, or those of a table's columns."""
        if not isinstance(node, h5py.Dataset) or node.shape is None:
            return
        shape = tuple(int(n) for n in node.shape)
        facts = {name: _plain(node, name) for name in _attribute_names(node)}
        if node.dtype.names is None:
            frames = self._frames_of(node) if len(shape) > 2 and node.dtype.kind in "biuf" else None
            unit = attribute(node, "units") or attribute(node, "unit")
            yield Item(path, shape, node.dtype, unit, self._reader(node), frames, facts)
            return
        for name in node.dtype.names[:MAX_ATTRIBUTES]:
            column = node.dtype[name]
            if column.shape == () and column.kind in "biuf":
                yield Item(f"{path}:{name}", shape, column, None, self._reader(node, name), None, facts)

    def _frames_of(self, dataset: h5py.Dataset) -> Callable[[], LazyFrames]:
        def frames() -> LazyFrames:
            return lazy_frames([dataset], check_frames(self.file, dataset).sources)

        return frames

    def _reader(self, dataset: h5py.Dataset, column: str | None = None) -> Callable[[], NDArray[Any]]:
        def read() -> NDArray[Any]:
            if dataset.dtype.kind in "OSU":
                return np.array(read_text(dataset))
            if column is None:
                return read_array(self.file, dataset)
            check_claim(self.file, dataset)
            try:
                check_packed(dataset)
                return np.asarray(dataset.fields(column)[()])
            except (*READ_ERRORS, MemoryError) as exc:
                raise damaged(self.file.where(dataset), exc) from exc

        return read

    def _attributes(self, node: Node, path: str) -> Iterator[Item]:
        """Make the items of an object's numeric and text attributes."""
        names = _attribute_names(node)
        for name in names:
            value = _plain(node, name)
            if name in SKIPPED or name.endswith(("_units", "_unit")) or value is None:
                continue
            unit = attribute(node, f"{name}_units") or attribute(node, f"{name}_unit")
            array = np.asarray(value)
            yield Item(f"{path}@{name}", array.shape, array.dtype, unit, _constant(array))


def _constant(values: NDArray[Any]) -> Callable[[], NDArray[Any]]:
    return lambda: values


def _attribute_names(node: Node) -> list[str]:
    try:
        return [name for name, _ in zip(node.attrs, range(MAX_ATTRIBUTES), strict=False) if isinstance(name, str)]
    except READ_ERRORS:
        return []


def _plain(node: Node, name: str) -> Any:
    """Value of an attribute as text or native numbers; None for anything else."""
    try:
        value = node.attrs[name]
    except (*READ_ERRORS, TypeError, ValueError):
        return None
    array = np.asarray(value)
    if array.dtype.kind in "biuf":
        return array.astype(array.dtype.newbyteorder("="))
    if isinstance(value, str | bytes) or (array.dtype.kind in "OSU" and array.size == 1):
        return decode(value)
    if array.dtype.kind in "OSU" and 1 < array.size <= MAX_ATTRIBUTES:
        return ", ".join(decode(v) for v in array.reshape(-1))
    return None
