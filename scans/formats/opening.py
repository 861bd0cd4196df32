"""Opening an HDF5 file for reading, growing ones too; why it did not open, in words.

The library's own texts are vague and change between versions, so failures are told apart by exception type
and by what the file itself shows (signature, superblock), never by library text.
"""

from __future__ import annotations

import errno
import os
import struct
from pathlib import Path
from typing import NamedTuple

import h5py

from scans.errors import InputError

SIGNATURE = b"\x89HDF\r\n\x1a\n"
# File consistency flags of superblock version 3 (HDF5 file format, section II.A): open for write, for SWMR write.
OPEN_FOR_WRITE, OPEN_FOR_SWMR = 0b001, 0b100


def open_file(path: str | os.PathLike[str], *, cache_bytes: int = 16 << 20) -> h5py.File:
    """Open an HDF5 file for reading, with the compression filters registered.

    A file that its writer marked for single-writer-multiple-reader access (SWMR) is opened as such: its
    `swmr_mode` is True, and frames at its end may not be written yet (`chunks.complete_frames`).

    Parameters
    ----------
    path
        The file.
    cache_bytes
        Chunk cache of each dataset [bytes].

    Raises
    ------
    InputError
        When the file is absent, a folder, unreadable, not HDF5, truncated, locked, or still being written by a
        program that does not use SWMR.
    """
    import hdf5plugin  # noqa: F401  (importing it registers the filters)

    try:
        if os.path.isdir(path):
            raise IsADirectoryError
        if os.path.exists(path) and not os.path.isfile(path):  # a pipe would never end
            raise InputError(
                "neither a file nor a folder",
                where=str(path),
                expected="a readable HDF5 file",
                fix="Name the scan file.",
            )
        with open(path, "rb"):
            pass
        return _open(path, cache_bytes)
    except (OSError, RuntimeError) as exc:
        raise _explain_opening(Path(path), exc) from exc


def _open(path: str | os.PathLike[str], cache_bytes: int) -> h5py.File:
    """Open plainly, or as a growing file where the superblock asks for it."""
    full = os.path.abspath(path)
    try:
        return h5py.File(full, "r", rdcc_nbytes=cache_bytes, rdcc_nslots=10_007)
    except OSError as exc:
        if isinstance(exc, FileNotFoundError | PermissionError | BlockingIOError):
            raise
        if exc.errno == errno.ENOLCK:  # a network disk without locks: nobody can hold one
            return h5py.File(full, "r", rdcc_nbytes=cache_bytes, rdcc_nslots=10_007, locking=False)
        block = _superblock(Path(full))
        if block is None or not block.growing:
            raise
        return h5py.File(full, "r", rdcc_nbytes=cache_bytes, rdcc_nslots=10_007, swmr=True)


def _explain_opening(path: Path, exc: Exception) -> InputError:
    """Say why `path` did not open, from the type of `exc` and the first bytes of the file."""
    expected, found, fix = "a readable HDF5 file", f"cannot be opened ({type(exc).__name__})", ""
    if isinstance(exc, FileNotFoundError):
        found, fix = "no such file", f"Check the name; the folder looked in is {path.absolute().parent}."
    elif isinstance(exc, IsADirectoryError):
        found, fix = "is a folder", "Name one file in it."
    elif isinstance(exc, PermissionError):
        found, fix = "no permission to read it", "Ask its owner for read access, or copy it."
    elif isinstance(exc, BlockingIOError):
        found = "locked: another program has it open for writing"
        fix = "Wait until the scan has ended or close that program; or copy the file and use the copy."
    else:
        found, fix = _explain_bytes(path, found)
    return InputError(found, where=str(path), expected=expected, fix=fix)


def _explain_bytes(path: Path, otherwise: str) -> tuple[str, str]:
    """Tell apart not HDF5, truncated, left open by its writer (superblock: HDF5 file format, section II)."""
    size = path.stat().st_size
    block = _superblock(path)
    if block is None:
        return (
            f"not an HDF5 file ({size} bytes, no HDF5 signature)",
            "Convert the scan to a CXI or NeXus HDF5 file, or name another file.",
        )
    if block.end is None or size < block.end:
        claim = "" if block.end is None else f" of the {block.end} that its header claims"
        return (
            f"truncated: holds {size} bytes{claim}",
            "Copy the file again from its source; a file cut in writing cannot be read.",
        )
    if block.open_for_write:
        return (
            "marked as still open for writing",
            "Wait until its writer has closed it, or let it write in SWMR mode; if it died, run 'h5clear -s' on a "
            "COPY of the file.",
        )
    return otherwise, (
        "The file may be damaged, or on a disk without file locks: copy it again to a local disk and retry."
    )


def is_growing(path: Path) -> bool | None:
    """Tell whether a writer lets others read while it writes; None for what is no HDF5 file.

    Raises
    ------
    OSError
        When it cannot be read.
    """
    block = _superblock(path)
    return None if block is None else block.growing


class _Superblock(NamedTuple):
    """Recorded end of file (None if cut within), and the flags of who has it open."""

    end: int | None
    flags: int = 0

    @property
    def open_for_write(self) -> bool:
        """Whether its writer has not closed it."""
        return bool(self.flags & (OPEN_FOR_WRITE | OPEN_FOR_SWMR))

    @property
    def growing(self) -> bool:
        """Whether its writer lets others read meanwhile."""
        return bool(self.flags & OPEN_FOR_SWMR)


def _superblock(path: Path) -> _Superblock | None:
    """Read the superblock (HDF5 file format, section II); None without signature."""
    with open(path, "rb") as stream:
        start = 0
        while True:  # a user block may come first: 0, 512, 1024, 2048 ...
            stream.seek(start)
            head = stream.read(64)
            if head[:8] == SIGNATURE:
                break
            if len(head) < 64:
                return None
            start = max(512, 2 * start)
    if len(head) < 48:
        return _Superblock(None)
    version = head[8]
    (end,) = struct.unpack_from("<Q", head, 28 if version >= 2 else 40 + 4 * (version == 1))
    return _Superblock(start + end if end < 1 << 62 else None, head[11] if version >= 3 else 0)
