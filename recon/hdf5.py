"""HDF5 without surprises: text survives, damage is reported."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError

_UNITS = {"_per_m": "1/m", "_m": "m", "_s": "s", "_ev": "eV", "_px": "pixel"}


@contextmanager
def opened(path: Path, expected: str, fix: str) -> Iterator[h5py.File]:
    """Open a file for reading; `expected` and `fix` end the message when it cannot be.

    Raises
    ------
    InputError
        When the file is missing, a folder, not readable, not HDF5 or cut short.
    """
    if not path.exists():
        raise InputError("no such file", where=str(path), expected=expected, fix=fix)
    if path.is_dir():
        raise InputError("is a folder", where=str(path), expected=expected, fix=fix)
    try:
        file = h5py.File(path, "r", locking="best-effort")
    except PermissionError as exc:
        raise InputError("may not be read", where=str(path), expected=expected, fix="Ask its owner.") from exc
    except BlockingIOError as exc:
        raise InputError("is being written", where=str(path), expected=expected, fix="Wait and try again.") from exc
    except (OSError, RuntimeError) as exc:
        found = "HDF5 that is cut short or damaged" if h5py.is_hdf5(path) else "not an HDF5 file"
        raise InputError(found, where=str(path), expected=expected, fix=fix) from exc
    with file:
        yield file


# --- writing ------------------------------------------------------------------------------------------------


def group(parent: h5py.Group, name: str, nx_class: str, **attributes: Any) -> h5py.Group:
    """Make a group of a NeXus class."""
    made = parent.create_group(name)
    made.attrs["NX_class"] = nx_class
    for key, value in attributes.items():
        made.attrs[key] = value
    return made


def put(parent: h5py.Group, name: str, value: Any, **attributes: Any) -> h5py.Dataset:
    """Write one dataset: text, texts, number or array.

    Arrays carry Fletcher-32 checksums, a filter of every HDF5 library, so that damage is noticed on reading.
    """
    if isinstance(value, str):
        dataset = parent.create_dataset(name, data=_utf8(value), dtype=h5py.string_dtype())
    elif isinstance(value, list | tuple) and all(isinstance(item, str) for item in value):
        texts = np.array([_utf8(item) for item in value], dtype=object)
        dataset = parent.create_dataset(name, data=texts, dtype=h5py.string_dtype())
    else:
        array = np.asarray(value)
        checksum = {"fletcher32": True} if array.ndim and array.size else {}
        dataset = parent.create_dataset(name, data=array, **checksum)
    for key, attribute in attributes.items():
        dataset.attrs[key] = attribute
    return dataset


def _utf8(text: str) -> bytes:
    """Encode as HDF5 can hold it: file names may be no UTF-8, and NUL would end a string."""
    return text.replace("\0", "\ufffd").encode("utf-8", "surrogateescape")


def put_rows(parent: h5py.Group, name: str, kinds: Mapping[str, type], rows: Iterable[tuple[Any, ...]]) -> None:
    """Write a table as a group with one dataset for each column; truth values become 0 and 1."""
    table = group(parent, name, "NXcollection")
    rows = list(rows)
    for k, (column, kind) in enumerate(kinds.items()):
        values = [row[k] for row in rows]
        stored = {bool: np.int8, int: np.int64}.get(kind)
        put(table, column, [str(v) for v in values] if stored is None else np.array(values, stored))


def put_tree(parent: h5py.Group, parts: Mapping[str, Any]) -> None:
    """Write arrays, numbers, texts, sequences of texts and None by name; a "/" in a name makes a group.

    The unit of a name is read off its ending (``_m``, ``_per_m``, ``_s``, ``_ev``, ``_px``).
    """
    for name, value in parts.items():
        *folders, _ = name.split("/")
        for k in range(len(folders)):
            parent.require_group("/".join(folders[: k + 1])).attrs["NX_class"] = "NXcollection"
        # NaN with a mark, since HDF5's own "nothing" cannot be read by most programs.
        dataset = put(parent, name, np.nan if value is None else value)
        if value is None or type(value) in (bool, int, float, complex):  # np.float64 is a float, but not here
            dataset.attrs["python_type"] = type(value).__name__
        unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), None)
        if unit is not None:
            dataset.attrs["units"] = unit


# --- reading ------------------------------------------------------------------------------------------------


class Reader:
    """Reads an open file by path; whatever is not there or damaged becomes an `InputError` that names it."""

    def __init__(self, file: h5py.File, path: Path, expected: str, fix: str) -> None:
        self.file, self.path, self.expected, self.fix = file, path, expected, fix

    def has(self, name: str) -> bool:
        """Tell whether there is something under `name`."""
        return name in self.file

    def array(self, name: str) -> NDArray[Any]:
        """Contents of a dataset as stored."""
        return self._guarded(name, lambda dataset: dataset[()])

    def number(self, name: str) -> Any:
        """One number as a Python value."""
        return self.array(name).item()

    def text(self, name: str) -> str:
        """One text."""
        return str(self._guarded(name, lambda dataset: dataset.asstr(errors="surrogateescape")[()]))

    def texts(self, name: str) -> tuple[str, ...]:
        """Several texts."""
        return tuple(self._guarded(name, lambda dataset: dataset.asstr(errors="surrogateescape")[()]))

    def attribute(self, name: str, key: str) -> Any:
        """Return an attribute of a group or dataset."""
        return self._guarded(name, lambda item: item.attrs[key])

    def rows(self, name: str, kinds: Mapping[str, type]) -> tuple[tuple[Any, ...], ...]:
        """Rows of a table that `put_rows` wrote."""
        columns = [
            self.texts(f"{name}/{column}") if kind is str else map(kind, self.array(f"{name}/{column}").tolist())
            for column, kind in kinds.items()
        ]
        return tuple(zip(*columns, strict=True))

    def tree(self, name: str) -> dict[str, Any]:
        """Return what `put_tree` wrote, by the same names."""
        names: list[str] = []

        def collect(child: str, item: Any) -> None:
            if isinstance(item, h5py.Dataset):
                names.append(child)

        self._guarded(name, lambda parent: parent.visititems(collect))
        return {child: self._leaf(f"{name}/{child}") for child in names}

    def _leaf(self, name: str) -> Any:
        dataset = self.file[name]
        if h5py.check_string_dtype(dataset.dtype):
            return self.texts(name) if dataset.shape else self.text(name)
        kind = dataset.attrs.get("python_type")
        if kind is None:
            return self.array(name)
        return None if kind == "NoneType" else self.number(name)

    def _guarded(self, name: str, read: Callable[[Any], Any]) -> Any:
        try:
            return read(self.file[name])
        except KeyError as exc:
            found = "nothing, or not everything that belongs there"
            cause: Exception = exc
        except (OSError, RuntimeError, TypeError, ValueError, AttributeError) as exc:
            found, cause = "contents that are damaged or of another kind", exc
        raise InputError(found, where=f"{self.path}::{name}", expected=self.expected, fix=self.fix) from cause
