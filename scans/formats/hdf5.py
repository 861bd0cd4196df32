"""HDF5 files opened with care: every link is followed by us, and every failure becomes one clear message.

The library's own texts are vague and change between versions, so failures are told apart by exception type
and by what the file itself shows (signature, superblock, links, filters), never by library text.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeAlias

import h5py

from scans.errors import InputError

SIGNATURE = b"\x89HDF\r\n\x1a\n"
MAX_LINK_HOPS = 32
MAX_DEPTH = 12
MAX_NODES = 50_000
# Failures of the library while it reads a file that passed `open_file`.
READ_ERRORS = (OSError, RuntimeError, KeyError)

Node: TypeAlias = h5py.Group | h5py.Dataset


class BrokenLink(InputError):
    """A link or virtual source whose target is absent."""


def open_file(path: str | os.PathLike[str], *, cache_bytes: int = 16 << 20) -> h5py.File:
    """Open an HDF5 file for reading, with the compression filters registered.

    Parameters
    ----------
    path
        The file.
    cache_bytes
        Chunk cache of each dataset [bytes].

    Raises
    ------
    InputError
        When the file is absent, a folder, unreadable, not HDF5, truncated, locked or still being written.
    """
    import hdf5plugin  # noqa: F401  (importing it registers the filters)

    try:
        if os.path.isdir(path):
            raise IsADirectoryError
        with open(path, "rb"):
            pass
        return h5py.File(os.path.abspath(path), "r", rdcc_nbytes=cache_bytes, rdcc_nslots=10_007)
    except (OSError, RuntimeError) as exc:
        raise _explain_opening(Path(path), exc) from exc


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
    end, open_for_write = block
    if end is None or size < end:
        claim = "" if end is None else f" of the {end} that its header claims"
        return (
            f"truncated: holds {size} bytes{claim}",
            "Copy the file again from its source; a file cut in writing cannot be read.",
        )
    if open_for_write:
        return (
            "marked as still open for writing",
            "Wait until its writer has closed it; if that died, run 'h5clear -s' on a COPY of the file.",
        )
    return otherwise, (
        "The file may be damaged, or on a disk without file locks: copy it again to a local disk and retry."
    )


def _superblock(path: Path) -> tuple[int | None, bool] | None:
    """Return (recorded end of file, open for writing); None without signature, end None if cut within."""
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
        return None, False
    version = head[8]
    if version >= 2:
        (end,) = struct.unpack_from("<Q", head, 28)
        return start + end if end < 1 << 62 else None, bool(head[11] & 0b101)
    (end,) = struct.unpack_from("<Q", head, 40 + 4 * (version == 1))
    return start + end if end < 1 << 62 else None, False


class InputFile:
    """An HDF5 file and whatever it links to, all beside it.

    External links are resolved to the folder of the file and nowhere else: the library would also try the
    current folder and environment variables, and read another scan's equal-named file without complaint.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self.root = open_file(path)
        self._beside: dict[str, h5py.File] = {}

    def __enter__(self) -> InputFile:
        return self

    def __exit__(self, *_: object) -> None:
        for file in (*self._beside.values(), self.root):
            file.close()

    def where(self, node: Node | str) -> str:
        """File and HDF5 path, for messages."""
        if isinstance(node, str):
            return f"{self.path}::{node}"
        name = self.path if node.file.filename == self.root.filename else node.file.filename
        return f"{name}::{node.name}"

    def beside(self, name: str, *, link: str, origin: h5py.File | None = None) -> h5py.File:
        """Open the file `name`, which `link` in the file `origin` points to, below the folder of this file.

        Raises
        ------
        BrokenLink
            When there is no such file, or it lies outside the folder.
        """
        master = self.root.filename
        folders = dict.fromkeys(os.path.dirname(p) for p in (master, os.path.realpath(master)))
        starts = [os.path.dirname(origin.filename)] if origin not in (None, self.root) else list(folders)
        candidates = [os.path.normpath(os.path.join(start, name)) for start in starts]
        inside = [c for c in candidates if any(os.path.commonpath([f, c]) == f for f in folders)]
        if not inside:
            raise BrokenLink(
                f"points to {name}, outside the file's own folder",
                where=link,
                expected=f"linked files in {starts[0]}",
                fix="Copy or link that file beside the master file and correct the link.",
            )
        full = next((c for c in inside if os.path.isfile(c)), None)
        if full is None:
            raise BrokenLink(
                f"points to {name}, which is missing",
                where=link,
                expected=f"{name} in {starts[0]}",
                fix=f"Copy {os.path.basename(name)} beside the master file (other folders are not searched).",
            )
        if full == master:
            return self.root
        if full not in self._beside:
            self._beside[full] = open_file(full)
        return self._beside[full]

    def follow(self, start: h5py.Group, path: str, *, hops: int = 0) -> Node | None:
        """Return the object at `path` from `start` through soft and external links; None where there is none.

        Raises
        ------
        BrokenLink
            When a link on the way has no target.
        """
        node: Node | None = start.file["/"] if path.startswith("/") else start
        for part in (p for p in path.split("/") if p not in ("", ".")):
            if not isinstance(node, h5py.Group):
                return None
            node = self._step(node, part, hops)
            if node is None:
                return None
        return node

    def _step(self, group: h5py.Group, name: str, hops: int) -> Node | None:
        """Follow one link."""
        here = self.where(group).rstrip("/") + "/" + name
        try:
            link = group.get(name, getlink=True)
            if link is None:
                return None
            if isinstance(link, h5py.HardLink):
                return _known(group[name])
        except READ_ERRORS as exc:
            raise damaged(here, exc) from exc
        if hops >= MAX_LINK_HOPS:
            raise BrokenLink("links in a circle", where=here, expected="a link to data", fix="Correct the link.")
        target: Node | None
        if isinstance(link, h5py.ExternalLink):
            other = self.beside(link.filename, link=here, origin=group.file)
            target = self.follow(other["/"], link.path, hops=hops + 1)
            name = f"{link.filename}::{link.path}"
        else:
            target, name = self.follow(group, link.path, hops=hops + 1), link.path
        if target is None:
            raise BrokenLink(
                f"a link to {name}, where there is nothing",
                where=here,
                expected="a link to existing data",
                fix="Correct the link, or name the dataset itself after '::'.",
            )
        return target

    def group(self, start: h5py.Group, path: str) -> h5py.Group | None:
        """`follow`, but only to a group."""
        node = self.follow(start, path)
        return node if isinstance(node, h5py.Group) else None

    def dataset(self, start: h5py.Group | None, path: str) -> h5py.Dataset | None:
        """`follow`, but only to a dataset."""
        node = None if start is None else self.follow(start, path)
        return node if isinstance(node, h5py.Dataset) else None

    def walk(self, start: h5py.Group, path: str = "/") -> Iterator[tuple[str, Node | BrokenLink]]:
        """Yield every object below `start` with its path, through all links; a broken link as its error."""
        seen: set[tuple[int, int]] = {identity(start)}
        stack = [(start, path.rstrip("/"), 0)]
        count = 0
        while stack:
            group, prefix, depth = stack.pop(0)
            for name in names(group):
                count += 1
                try:
                    node = self._step(group, name, 0)
                except BrokenLink as broken:
                    yield f"{prefix}/{name}", broken
                    continue
                if node is None or count > MAX_NODES:
                    continue
                yield f"{prefix}/{name}", node
                if isinstance(node, h5py.Group) and depth < MAX_DEPTH and identity(node) not in seen:
                    seen.add(identity(node))
                    stack.append((node, f"{prefix}/{name}", depth + 1))


def _known(node: Any) -> Node | None:
    """Pass groups and datasets whose type and shape can be told; named types give None."""
    if isinstance(node, h5py.Dataset):
        try:
            _ = node.shape, node.dtype
        except (TypeError, ValueError) as exc:  # a type that NumPy does not have, or nonsense in its place
            raise OSError("type of data") from exc
        return node
    return node if isinstance(node, h5py.Group) else None


def names(group: h5py.Group | None) -> list[str]:
    """Names of the links in a group; names that are no text are passed over.

    Raises
    ------
    InputError
        When the group cannot be listed.
    """
    if group is None:
        return []
    try:
        return [name for name in group if isinstance(name, str)]
    except READ_ERRORS as exc:
        raise damaged(f"{group.file.filename}::{group.name}", exc) from exc


def named_frames(file: InputFile, path: str) -> tuple[str, h5py.Dataset]:
    """Path and dataset of frames that the user named: the dataset itself, or a group with a dataset "data".

    Raises
    ------
    InputError
        When there is no such dataset.
    """
    for full in (path, f"{path.rstrip('/')}/data"):
        dataset = file.dataset(file.root, full)
        if dataset is not None:
            return full, dataset
    raise InputError(
        "no dataset of frames there",
        where=file.where(path),
        expected="a dataset, or a group with a dataset 'data'",
        fix="Check the name after '::'.",
    )


def identity(node: Node) -> tuple[int, int]:
    """(file number, address): equal for two paths to one object."""
    info = h5py.h5o.get_info(node.id)
    return int(info.fileno), int(info.addr)


def damaged(where: str, exc: Exception) -> InputError:
    """Return the error for what the library cannot read."""
    return InputError(
        f"cannot be read ({type(exc).__name__}): the file is damaged there",
        where=where,
        expected="readable HDF5 data",
        fix="Copy the file again from its source.",
    )
