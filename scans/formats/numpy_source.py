"""NumPy files: ``.npy`` and ``.npz``, never with pickled objects, read by their own published format.

The format is NEP 1 (A simple file format for NumPy arrays); an archive is a ZIP file of such files.
"""

from __future__ import annotations

import io
import math
import struct
import tokenize
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy_format
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.array_frames import (
    COPY_AGAIN,
    DecodedFrames,
    RawFrames,
    check_claim,
    check_small,
    check_stack,
)
from scans.formats.items import Item
from scans.formats.labels import split_label
from scans.formats.stack_frames import StackFrames
from scans.formats.units import decode, normalise_unit
from scans.formats.values import human_bytes

NPY_MAGIC, ZIP_MAGIC = b"\x93NUMPY", b"PK\x03\x04"
MAX_MEMBERS = 10_000
# What the parsers of header, ZIP directory and packed bytes raise on damage.
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    tokenize.TokenError,
    ArithmeticError,
    EOFError,
    IndexError,
    KeyError,
    MemoryError,
    NotImplementedError,
    OSError,
    RecursionError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
)
# Frames up to this size are compared with the sum of the archive when they are opened: a second for each GB.
MAX_SUMMED_BYTES = 2 << 30


@dataclass(frozen=True)
class Stored:
    """One array in a file: where it lies and what it claims to be.

    Parameters
    ----------
    path, member
        The file, and the name in the archive (None for ``.npy``).
    offset
        Of the first value in the file [bytes]; None where the member is packed.
    shape, dtype, fortran
        As the array's header says.
    stored_bytes
        Bytes that the file holds for it, packed or not.
    """

    path: Path
    member: str | None
    offset: int | None
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    fortran: bool
    stored_bytes: int

    @property
    def where(self) -> str:
        """Name for messages."""
        return str(self.path) if self.member is None else f"{self.path}::{self.member}"

    @property
    def nbytes(self) -> int:
        """Bytes of the array in memory."""
        return math.prod(self.shape) * self.dtype.itemsize

    def read(self) -> NDArray[Any]:
        """Read the whole array, in native byte order.

        Raises
        ------
        InputError
            When it is too large for anything but frames, or damaged.
        """
        check_small(self.nbytes, self.where)
        return self.decode()

    def decode(self) -> NDArray[Any]:
        """Read the whole array, however large."""
        check_claim(self.nbytes, self.stored_bytes, self.where)
        order = self.shape[::-1] if self.fortran else self.shape
        values = np.empty(order, dtype=self.dtype)
        with _stream(self.path, self.member) as stream:
            _header(stream)
            _fill(stream, values)
        values = values.T if self.fortran else values
        return np.ascontiguousarray(values).astype(self.dtype.newbyteorder("="), copy=False).reshape(self.shape)

    def _check_sum(self) -> None:
        """Read a member of an archive once, which compares its sum (CRC-32 of the ZIP format)."""
        with _stream(self.path, self.member) as stream:
            while stream.read(16 << 20):
                pass

    def frames(self) -> StackFrames:
        """Make lazy frames of it.

        Raises
        ------
        InputError
            When it is no stack of frames, or packed and too large to be unpacked in memory.
        """
        check_stack(self.shape, self.dtype, self.where)
        if self.offset is not None:
            if self.member is not None and self.nbytes <= MAX_SUMMED_BYTES:
                self._check_sum()
            return RawFrames(self.path, self.offset, self.shape, self.dtype, fortran=self.fortran, where=self.where)
        check_claim(self.nbytes, self.stored_bytes, self.where)
        return DecodedFrames(self.shape, self.dtype, self.decode, self.where)


def npy_items(path: Path, name: str) -> list[Item]:
    """List the array of a ``.npy`` file under `name`; one item a field where it is a table of named fields.

    Raises
    ------
    InputError
        When it is no such file, truncated, or holds pickled objects.
    """
    with _stream(path, None) as stream:
        shape, fortran, dtype = _header(stream)
        offset = stream.tell()
        held = stream.seek(0, io.SEEK_END) - offset
    array = Stored(path, None, offset, shape, dtype, fortran, held)
    _check(array)
    return _items(array, name)


def npz_items(path: Path, prefix: str = "") -> tuple[list[Item], list[tuple[str, str]]]:
    """List the arrays of an archive by their keys.

    Parameters
    ----------
    path
        The archive.
    prefix
        Put before each key; the file's name and a colon, in a folder of several.

    Returns
    -------
    items
        In the order of the archive. The unit is that of the key (``x_um``) or of a text member ``x_unit``.
    ignored
        ``(member, reason)`` of what is no array of numbers or text.

    Raises
    ------
    InputError
        When it is no archive or damaged. A member with pickled objects is not read; it is listed as ignored.
    """
    with _damage_named(str(path)), zipfile.ZipFile(path) as archive:
        members = archive.infolist()
    if len(members) > MAX_MEMBERS:
        raise InputError(
            f"{len(members)} members", where=str(path), expected=f"at most {MAX_MEMBERS}", fix="Take the right file."
        )
    arrays: dict[str, Stored] = {}
    ignored: list[tuple[str, str]] = []
    for info in members:
        if not info.filename.endswith(".npy"):
            ignored.append((f"{path.name}::{info.filename}", "not an array"))
            continue
        try:
            arrays[info.filename.removesuffix(".npy")] = _member(path, info)
        except PickledError as exc:
            ignored.append((f"{path.name}::{info.filename}", exc.found))
    if members and not arrays:
        reason = f"{ignored[0][0].partition('::')[2]}: {ignored[0][1]}"
        raise InputError(reason, where=str(path), expected="arrays of numbers", fix="Save the arrays as numbers.")
    units = {key: _unit_text(array) for key, array in arrays.items() if key.endswith(("_unit", "_units"))}
    items = []
    for key, array in arrays.items():
        items += _items(array, prefix + key, unit=units.get(f"{key}_unit") or units.get(f"{key}_units"))
    return items, ignored


class PickledError(InputError):
    """An array of Python objects, which only a program in the file could restore."""


def _items(array: Stored, name: str, unit: str | None = None) -> list[Item]:
    """Items of one array: itself, or each field of a table."""
    if array.dtype.names:
        return [
            Item(f"{name}.{field}", array.shape, array.dtype[field], split_label(field)[1], _Field(array, field))
            for field in array.dtype.names
            if array.dtype[field].kind in "biufcSU"
        ]
    frames = array.frames if len(array.shape) in (3, 4) and array.dtype.kind in "biuf" else None
    unit = unit or split_label(name.rpartition(":")[2].removesuffix(".npy"))[1]
    return [Item(name, array.shape, array.dtype, unit, array.read, frames)]


@dataclass(frozen=True)
class _Field:
    """Reads one field of a table of named fields."""

    array: Stored
    name: str

    def __call__(self) -> NDArray[Any]:
        values = np.ascontiguousarray(self.array.read()[self.name])
        return values.astype(values.dtype.newbyteorder("="), copy=False)


def _unit_text(array: Stored) -> str | None:
    """Text of a small text array."""
    if array.dtype.kind in "SU" and math.prod(array.shape) == 1 and array.nbytes < 1000:
        return normalise_unit(decode(array.read().reshape(-1)[0])) or None
    return None


def _member(path: Path, info: zipfile.ZipInfo) -> Stored:
    """Read the header of one array in an archive."""
    where = f"{path}::{info.filename}"
    with _stream(path, info.filename) as stream:
        shape, fortran, dtype = _header(stream)
        header_bytes = stream.tell()
    offset = None
    if info.compress_type == zipfile.ZIP_STORED:
        with _damage_named(where), open(path, "rb") as file:
            file.seek(info.header_offset)
            local = file.read(30)
            if local[:4] != ZIP_MAGIC:
                raise zipfile.BadZipFile("no local header")
            offset = info.header_offset + 30 + sum(struct.unpack_from("<HH", local, 26)) + header_bytes
            if offset - header_bytes + info.file_size > file.seek(0, io.SEEK_END):
                raise zipfile.BadZipFile("member beyond the end")
    array = Stored(path, info.filename, offset, shape, dtype, fortran, info.compress_size)
    _check(array, info.file_size - header_bytes)
    return array


def _check(array: Stored, held: int | None = None) -> None:
    """Compare what an array's header claims with what is there."""
    dtype, held = array.dtype, array.stored_bytes if held is None else held
    if dtype.hasobject:
        raise PickledError(
            "Python objects (pickled), which are never loaded: they could run any program",
            where=array.where,
            expected="numbers or text",
            fix="Save it again as an array of numbers: numpy.asarray(value, dtype=float).",
        )
    if dtype.names is None and (dtype.kind not in "biufcSU" or dtype.itemsize == 0):
        # An empty text is an array of no bytes; of anything else there is nothing to read.
        if dtype.kind not in "SU" or math.prod(array.shape) > 1:
            raise PickledError(
                f"values of type {dtype}", where=array.where, expected="numbers or text", fix="Save it as numbers."
            )
    if min(array.shape, default=1) < 0 or array.nbytes > held:
        raise InputError(
            f"claims {array.shape} {dtype} = {human_bytes(array.nbytes)}, but holds {human_bytes(held)}",
            where=array.where,
            expected="as many bytes as the array's header claims",
            fix=f"The file is truncated or damaged. {COPY_AGAIN}",
        )


def _header(stream: IO[bytes]) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Read the header of an array with NumPy's own parser, which evaluates literals only."""
    version = npy_format.read_magic(stream)
    readers = {(1, 0): npy_format.read_array_header_1_0, (2, 0): npy_format.read_array_header_2_0}
    if version not in readers:
        raise ValueError(f"version {version}")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # headers written by Python 2
        return readers[version](stream)


def _fill(stream: IO[bytes], values: NDArray[Any]) -> None:
    """Fill an array from a stream, and let the stream check its sum at the end."""
    if not values.nbytes:
        return
    view = values.reshape(-1).view(np.uint8).data
    done = 0
    while done < len(view):
        part = stream.read(min(len(view) - done, 16 << 20))
        if not part:
            raise EOFError("too short")
        view[done : done + len(part)] = part
        done += len(part)
    stream.read(1)


@contextmanager
def _stream(path: Path, member: str | None) -> Iterator[IO[bytes]]:
    """Open a ``.npy`` file, or a member of an archive."""
    with _damage_named(str(path) if member is None else f"{path}::{member}"):
        if member is None:
            with open(path, "rb") as stream:
                yield stream
        else:
            with zipfile.ZipFile(path) as archive, archive.open(member) as stream:
                yield stream


@contextmanager
def _damage_named(where: str) -> Iterator[None]:
    """Turn what the parsers raise into one error."""
    try:
        yield
    except InputError:
        raise
    except _DAMAGE as exc:
        missing = isinstance(exc, FileNotFoundError | IsADirectoryError | PermissionError)
        how = "" if missing else ": damaged, packed in an unknown way, or not what its name says"
        raise InputError(
            f"cannot be read ({type(exc).__name__}){how}",
            where=where,
            expected="a readable NumPy file (.npy, .npz)",
            fix="Check name and rights." if missing else COPY_AGAIN,
        ) from exc
