"""Scans that are not one HDF5 file: NumPy and TIFF files, folders, patterns, with text tables beside."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from scans.errors import InputError
from scans.formats.file_series import Series, group_series, natural_key
from scans.formats.folder_files import BESIDE, KIND_OF, KINDS, MAX_DEPTH, TABLES, expand, tables_beside
from scans.formats.items import Item
from scans.formats.joined_items import Part, hdf5_part, join, missing_numbers
from scans.formats.numpy_source import NPY_MAGIC, ZIP_MAGIC, npy_items, npz_items
from scans.formats.opening import SIGNATURE
from scans.formats.text_tables import table_items
from scans.formats.tiff_source import description_items, tiff_item
from scans.scan import Finding

_SIGNATURES = {NPY_MAGIC: "NumPy file", ZIP_MAGIC: "NumPy archive", SIGNATURE: "HDF5 file"} | dict.fromkeys(
    (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), "TIFF file"
)
_THUMBNAIL = re.compile(r"(^|[_\-. ])(thumb|thumbnail|thumbs|preview|icon)s?([_\-. ]|$)", re.IGNORECASE)
MAX_FILES = 300_000


class FolderSource:
    """What the files of a scan hold, as named items; see `scans.formats.items.Source`.

    Numbered files collapse into one item (``img_{0000-0399}.tif``) or one set of items
    (``line_{000-019}.h5:/entry/data``). No file stays open.

    Parameters
    ----------
    path
        Folder, or the file or pattern that was named.
    files
        Files to use; everything below the folder by default, three folders deep.
    root
        Folder that the files lie in.
    follow_external
        Whether symbolic links and links of HDF5 files may lead out of the folder.

    Attributes
    ----------
    ignored : tuple of (str, str)
        Files that were not used, each with the reason.
    findings : tuple of Finding
        Missing numbers, odd rows of tables, files that could not be read.
    followed : dict
        Files outside the folder that were read (real path), each with the link that points there.

    Raises
    ------
    InputError
        When nothing in it can be read, a numbered file is damaged or doubled, or a link leads out of the folder.
    """

    def __init__(
        self,
        path: Path,
        files: Sequence[Path] | None = None,
        *,
        root: Path | None = None,
        follow_external: bool = False,
    ) -> None:
        self.path, self.root = path, root or path
        self.follow_external = follow_external
        self._ignored: list[tuple[str, str]] = []
        self._findings: list[Finding] = []
        self._first_error: InputError | None = None
        self._real: set[str] = set()
        self.followed: dict[str, str] = {}
        names = self._below(self.root) if files is None else [os.path.relpath(f, self.root) for f in files]
        self._real = {f for n in names if not os.path.islink(f := os.path.join(os.path.realpath(self.root), n))}
        by_kind: dict[str, list[str]] = {}
        for name in names:
            kind = self._kind_of(name, named=files is not None)
            if kind:
                by_kind.setdefault(kind, []).append(Path(name).as_posix())
        self._items: dict[str, Item] = {}
        for kind in [k for k in KINDS if k in by_kind]:
            for series in group_series(by_kind[kind], self.root):
                self._add(kind, series, alone=len(names) == 1 and files is not None)
        counts = [(len(by_kind[kind]), kind) for kind in KINDS if kind in by_kind]
        self.kind = ", ".join(f"{n} {kind}{'s' if n > 1 else ''}" for n, kind in counts)
        if files is None:
            self.kind = f"folder of {self.kind}"
        if not self._items:
            raise self._first_error or self._nothing()

    @property
    def ignored(self) -> tuple[tuple[str, str], ...]:
        """Files that were not used, each with the reason."""
        return tuple(self._ignored)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What a person should know about the files."""
        return tuple(self._findings)

    def items(self) -> Iterator[Item]:
        """Yield everything, frames' files first."""
        yield from self._items.values()

    def item(self, path: str) -> Item | None:
        """Return one by its path; None where there is none."""
        return self._items.get(path)

    def close(self) -> None:
        """Do nothing: no file is open."""

    def _below(self, root: Path) -> list[str]:
        """Names of the files in a folder and its folders, hidden ones and deep ones listed as ignored."""
        names: list[str] = []
        seen: set[str] = set()
        todo = ["."]
        while todo:
            here = todo.pop(0)
            seen.add(os.path.realpath(root / here))
            try:
                entries = sorted(os.scandir(root / here), key=lambda e: natural_key(e.name))
            except OSError as exc:
                found, fix = f"cannot be read ({type(exc).__name__})", "Check name and rights."
                raise InputError(found, where=str(root / here), expected="a folder", fix=fix) from exc
            for entry in entries:
                name = os.path.normpath(os.path.join(here, entry.name))
                if not entry.is_dir():
                    names.append(name)
                    continue
                reason = "hidden" if entry.name.startswith(".") else ""
                if not reason and name.count(os.sep) >= MAX_DEPTH:
                    reason = "a deeper folder"
                if not reason and entry.is_symlink() and (self._link(name) or os.path.realpath(root / name) in seen):
                    reason = "a link to a folder that is read anyway"
                if reason:
                    self._ignored.append((f"{name}/", reason))
                else:
                    todo.append(name)
            if len(names) > MAX_FILES:
                fix = "Name a pattern of files."
                raise InputError(f"more than {MAX_FILES} files", where=str(root), expected="one scan", fix=fix)
        return names

    def _kind_of(self, name: str, *, named: bool) -> str | None:
        """Kind of a file that is to be used; None where it is ignored."""
        base = os.path.basename(name)
        kind = KIND_OF.get(os.path.splitext(base)[1].lower())
        if (named and kind is None) or kind == "text table":  # a table may be called anything
            kind = kind_by_content(self.root / name) or kind
        reason = ""
        if not named and base.startswith("."):
            reason = "hidden"
        elif not named and _THUMBNAIL.search(base):
            reason = "a thumbnail"
        elif kind is None:
            reason = "not a kind of file that is read"
        elif (self.root / name).is_symlink() and self.root / name != self.path:
            reason = self._link(name)
        if reason:
            self._ignored.append((name, reason))
        return None if reason else kind

    def _link(self, name: str) -> str:
        """Check a symbolic link; the reason to ignore it where it points to something that is read anyway."""
        full, root = os.path.join(self.root, name), os.path.realpath(self.root)
        real = os.path.realpath(full)
        inside = os.path.commonpath([real, root]) == root
        if not inside and self.follow_external:
            self.followed.setdefault(real, full)
        if not inside and not self.follow_external:
            raise InputError(
                f"a symbolic link that leads out of the folder, to {real}",
                where=full,
                expected="files inside the folder",
                fix="If you trust it, allow it with --follow-external; or copy the file into the folder.",
            )
        if not os.path.exists(real):
            return "a link to nothing"
        if os.path.isdir(real):
            return "a link inside the folder" if inside else ""
        if real in self._real:
            return f"a link to {os.path.relpath(real, root)}, which is read anyway"
        return ""

    def _add(self, kind: str, series: Series, *, alone: bool) -> None:
        """List the items of one series of files."""
        many = len(series.files) > 1
        try:
            items, findings = self._read(kind, series, alone=alone)
        except InputError as exc:
            if (many and kind not in TABLES) or self.path in series.files:
                raise
            self._first_error = self._first_error or exc
            self._ignored.append((series.name, exc.found))
            if kind not in TABLES:
                self._findings.append(Finding("serious", "unreadable-file", str(exc), exc.fix))
            return
        self._findings += [*missing_numbers(series.name, len(series.files), series.missing), *findings]
        for item in items:
            if many:
                numbers = np.array(series.numbers)
                item.attributes["file_numbers"] = numbers[:, 0] if numbers.shape[1] == 1 else numbers
                item.attributes["missing_numbers"] = series.missing
            self._items[item.path] = item

    def _read(self, kind: str, series: Series, *, alone: bool) -> tuple[list[Item], list[Finding]]:
        """Items of one series."""
        if kind == "TIFF file":
            item = tiff_item(series.files, series.name)
            return [item, *description_items(item)], []
        parts, findings = [], []
        for file in series.files:
            try:
                items, found = self._items_of(kind, file)
            except InputError as exc:
                if kind not in TABLES or len(series.files) == 1:
                    raise
                self._ignored.append((file.relative_to(self.root).as_posix(), exc.found))  # a text that is no table
                continue
            parts.append(Part(file, items))
            findings += found
        if not parts:
            return [], findings
        if alone and kind == "NumPy archive":
            return list(parts[0].items.values()), findings
        joined, found = join(parts, series.name)
        return joined, [*findings, *found]

    def _items_of(self, kind: str, file: Path) -> tuple[dict[str, Item], list[Finding]]:
        """Items of one file by their names in it."""
        if kind == "HDF5 file":
            return hdf5_part(file, follow_external=self.follow_external, followed=self.followed).items, []
        if kind == "NumPy file":
            return {i.path.removeprefix(file.name).lstrip("."): i for i in npy_items(file, file.name)}, []
        if kind == "NumPy archive":
            listed, ignored = npz_items(file)
            self._ignored += ignored
            return {i.path: i for i in listed}, []
        rows, table = table_items(file, "")
        return {i.path.removeprefix(":"): i for i in rows}, list(table.findings)

    def _nothing(self) -> InputError:
        """Return the error for a folder in which nothing can be read."""
        seen = ", ".join(name for name, _ in self._ignored[:5])
        return InputError(
            f"nothing that can be read{f' (ignored: {seen})' if seen else ': the folder is empty'}",
            where=str(self.path),
            expected="files of " + ", ".join(s for suffixes in KINDS.values() for s in suffixes),
            fix="Name the folder that holds the frames, or a pattern such as 'folder/img_*.tif'.",
        )


def kind_by_content(path: Path) -> str | None:
    """Kind of a file by its first bytes; None where they tell nothing."""
    try:
        with open(path, "rb") as stream:
            head = stream.read(8)
    except OSError:
        return None
    return next((kind for signature, kind in _SIGNATURES.items() if head.startswith(signature)), None)


def open_source(path: str | os.PathLike[str], *, follow_external: bool = False) -> FolderSource:
    """Open a NumPy or TIFF file, a text table, a folder, or a pattern of files as a source of items.

    Parameters
    ----------
    path
        A file; a folder; a pattern with ``*``, ``?``, ``[...]`` or a numbered range ``img_{0000-0399}.tif``. With
        a single array or TIFF file, tables of the same name are read too (``scan7.tif`` and ``scan7.txt``); with a
        pattern, all tables and arrays in the same folder.
    follow_external
        Whether links may lead out of the folder.

    Raises
    ------
    InputError
        When there is no such file, or nothing in it can be read.
    """
    named = Path(path)
    if named.is_dir():
        return FolderSource(named, follow_external=follow_external)
    if os.path.lexists(named):
        suffixes = [s for kind in BESIDE for s in KINDS[kind]]
        beside = [b for s in suffixes if (b := named.with_suffix(s)) != named and b.is_file()]
        return FolderSource(
            named,
            [named, *(beside if KIND_OF.get(named.suffix.lower()) in ("TIFF file", "NumPy file") else [])],
            root=named.parent,
            follow_external=follow_external,
        )
    files, missing = expand(str(path))
    if not files:
        raise InputError(
            "no such file" if str(path) == glob.escape(str(path)) else "no file fits the pattern",
            where=str(path),
            expected="a file, a folder or a pattern of files",
            fix=f"Check the name; the folder looked in is {Path(os.path.abspath(path)).parent}.",
        )
    root, tables = tables_beside(files)
    source = FolderSource(named, [*files, *tables], root=root, follow_external=follow_external)
    if missing:  # also those at the ends of the range, which the files alone do not tell
        source._findings = [f for f in source.findings if f.code != "missing-files"]
        source._findings += missing_numbers(str(path), len(files), tuple((n,) for n in missing))
    return source
