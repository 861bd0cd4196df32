"""An HDF5 file and what it links to: every link is followed by us, and every failure becomes one clear message.

A file from elsewhere must not make us read outside its own folder: external links, sources of virtual data and
raw data files are all resolved by `InputFile.locate`, which refuses what lies elsewhere unless the user allows it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

import h5py

from scans.errors import InputError
from scans.formats.guard import guard
from scans.formats.opening import open_file

MAX_LINK_HOPS = 32
MAX_DEPTH = 12
MAX_NODES = 50_000
# Failures of the library while it reads a file that passed `open_file`.
READ_ERRORS = (OSError, RuntimeError, KeyError)
# Folders that the library would search before the file's own: for virtual sources, external links, raw files.
SEARCH_VARIABLES = ("HDF5_VDS_PREFIX", "HDF5_EXT_PREFIX", "HDF5_EXTFILE_PREFIX")

Node: TypeAlias = h5py.Group | h5py.Dataset


class BrokenLink(InputError):
    """A link or virtual source whose target is absent."""


class Outside(BrokenLink):
    """A link or virtual source whose target lies outside the file's folder."""


class InputFile:
    """An HDF5 file and whatever it links to, all beside it.

    External links are resolved to the folder of the file and nowhere else: the library would also try the
    current folder and environment variables, and read another scan's equal-named file without complaint.

    Parameters
    ----------
    path
        The file.
    follow_external
        Whether linked files may lie outside its folder; each is then listed in `followed`.

    Attributes
    ----------
    followed : dict
        Files outside the folder that were read (absolute path), each with the first link that points there.
    """

    def __init__(self, path: str | os.PathLike[str], follow_external: bool = False) -> None:
        self.path = Path(path)
        self.follow_external = follow_external
        guard(path)
        # by its real path: for virtual data the library would try the current folder before that of a link's target
        self.root = open_file(path if not os.path.exists(path) else os.path.realpath(path))
        self.followed: dict[str, str] = {}
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
        full = self.locate(name, link=link, origin=origin)
        if full == self.root.filename:
            return self.root
        if full not in self._beside:
            guard(full)
            self._beside[full] = open_file(full)
        return self._beside[full]

    @contextmanager
    def visiting(self, name: str, *, link: str, origin: h5py.File) -> Iterator[h5py.File]:
        """As `beside`, but close the file again if it was not open before: there may be thousands."""
        before = set(self._beside)
        yield self.beside(name, link=link, origin=origin)
        for full in self._beside.keys() - before:
            self._beside.pop(full).close()

    def locate(self, name: str, *, link: str, origin: h5py.File | None = None) -> str:
        """Return the real path of the file `name`, which `link` in the file `origin` points to.

        Symbolic links count as what they point to: one that leaves the folder may have come with the file.

        Raises
        ------
        BrokenLink
            When there is no such file, or it lies outside the folder and that was not allowed.
        """
        folders = dict.fromkeys(os.path.dirname(p) for p in (os.path.abspath(self.path), self.root.filename))
        starts = [os.path.dirname(origin.filename)] if origin not in (None, self.root) else list(folders)
        candidates = {os.path.join(start, name): _real(os.path.join(start, name)) for start in starts}
        own = [os.path.realpath(folder) for folder in folders]
        inside = [real for real in candidates.values() if any(_is_below(real, folder) for folder in own)]
        allowed = list(candidates.values()) if self.follow_external else inside
        full = next((real for real in allowed if os.path.isfile(real)), None)
        if full is not None:
            if full not in inside:
                self.followed.setdefault(full, link)
            return full
        if not allowed:
            raise _outside(name, link, starts[0], next(iter(candidates)))
        raise BrokenLink(
            f"points to {name}, which is missing",
            where=link,
            expected=f"{name} in {starts[0]}",
            fix=f"Copy {os.path.basename(name)} beside the master file (other folders are not searched).",
        )

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
                return self._known(group[name], here)
        except (*READ_ERRORS, TypeError) as exc:  # TypeError: a link of a kind that the library does not know
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

    def _known(self, node: Any, where: str) -> Node | None:
        """Pass groups and datasets whose type and shape can be told; named types give None."""
        if not isinstance(node, h5py.Dataset):
            return node if isinstance(node, h5py.Group) else None
        if node.is_virtual:
            for mapping in node.virtual_sources():
                # to tell the shape of endless virtual data, the library opens the sources
                if h5py.h5s.UNLIMITED in mapping.vspace.get_simple_extent_dims(True):
                    self._refuse_outside(source_name(mapping.file_name, where), where, node.file)
        try:
            _ = node.shape, node.dtype
        except (TypeError, ValueError) as exc:  # a type that NumPy does not have, or nonsense in its place
            raise OSError("type of data") from exc
        return node

    def _refuse_outside(self, name: str, where: str, origin: h5py.File) -> None:
        try:
            self.locate(name, link=where, origin=origin)
        except Outside:
            raise
        except BrokenLink:  # missing: said when the data are wanted
            return

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


def _real(path: str) -> str:
    """Real path; a name that no file can have (a zero byte, a circle of links) as it is."""
    try:
        return os.path.realpath(path)
    except (ValueError, OSError):
        return os.path.normpath(path.replace("\0", "?"))


def _is_below(path: str, folder: str) -> bool:
    return os.path.commonpath([folder, path]) == folder


def _outside(name: str, link: str, folder: str, full: str) -> Outside:
    """Return the error for a file outside the folder."""
    symbolic = _is_below(os.path.normpath(full), folder)
    how = f", a symbolic link to {os.path.realpath(full)}," if symbolic else ","
    return Outside(
        f"points to {name}{how} outside the file's own folder",
        where=link,
        expected=f"linked files in {folder}",
        fix="If you trust the file, allow it with --follow-external; or copy that file beside the master file and "
        "correct the link.",
    )


def source_name(name: str, where: str) -> str:
    """Return the name of a virtual source as the library uses it: ``%b`` would become a number, ``%%`` is ``%``.

    Raises
    ------
    BrokenLink
        For a numbered name.
    """
    if "%" in name.replace("%%", ""):
        raise BrokenLink(
            f"numbered sources ({name})",
            where=where,
            expected="source files and datasets by their full names",
            fix="Name the source dataset itself after '::', or write the virtual dataset with full names.",
        )
    return name.replace("%%", "%")


def refuse_search_folders(where: str) -> None:
    """Refuse environment variables that make the library look for linked files elsewhere first.

    Raises
    ------
    InputError
        Naming the variable.
    """
    for variable in SEARCH_VARIABLES:
        if os.environ.get(variable):
            raise InputError(
                f"data in other files while the environment variable {variable} is set",
                where=where,
                expected="source files beside the master file and nowhere else",
                fix=f"Unset {variable}: it would let another file of the same name be read instead.",
            )


def own_dataset(file: h5py.File, path: str) -> h5py.Dataset | None:
    """Return the dataset at `path` through hard links only, None where there is none."""
    node: Any = file["/"]
    for part in (p for p in path.split("/") if p):
        if not isinstance(node, h5py.Group) or not isinstance(node.get(part, getlink=True), h5py.HardLink):
            return None
        node = node[part]
    return node if isinstance(node, h5py.Dataset) else None


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
