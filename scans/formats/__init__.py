"""Readers and writers of scan files: the layout is recognised by content, never by the name.

One module per layout, with its dataset paths as a table on top. To add a layout, write a module with
``LAYOUT``, ``recognises(file)``, ``entries_of(file)``, ``may_hold_frames(file, entry)`` and
``read(file, entry, overrides, frames_path)``, and list it below.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Iterable
from contextlib import ExitStack, closing
from pathlib import Path
from types import ModuleType
from typing import Any

from scans.errors import InputError
from scans.formats import cxi, nexus
from scans.formats.file_series import natural_key
from scans.formats.folder_files import files_in, is_pattern
from scans.formats.hdf5 import READ_ERRORS, BrokenLink, InputFile, damaged
from scans.formats.hdf5_source import Hdf5Source
from scans.formats.items import Source
from scans.formats.mapping import read_mapped
from scans.formats.mapping_text import UnknownLayout, mapping_of
from scans.formats.opening import SIGNATURE
from scans.formats.overrides import Overrides
from scans.formats.seal import check_seal
from scans.formats.values import attribute
from scans.formats.writing import write, write_cxi, write_nexus
from scans.scan import Note, Scan

__all__ = [
    "LAYOUTS",
    "UnknownLayout",
    "files_of",
    "load",
    "open_source",
    "part_paths",
    "split_target",
    "write",
    "write_cxi",
    "write_nexus",
]

LAYOUTS: tuple[ModuleType, ...] = (nexus, cxi)
MAX_LISTED = 12
# First bytes of NumPy, ZIP (NumPy archives) and TIFF files (TIFF 6.0 section 2; BigTIFF).
OTHER_STARTS = (b"\x93NUMPY", b"PK\x03\x04", b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
TEXT_SUFFIXES = (".txt", ".csv", ".dat", ".tsv", ".asc", ".xy", ".json")


def load(path: str | os.PathLike[str], **given: Any) -> Scan:
    """Read a scan; the frames stay in the file.

    Parameters
    ----------
    path
        File, folder or pattern of files; ``FILE::/entry`` or ``FILE::/path/of/frames`` for one of several.
    **given
        What is to replace the file's values: the fields of `Overrides`, such as ``energy_ev=710`` or
        ``position_unit="um"``.

    Returns
    -------
    Scan
        Its notes say where each value came from and which were guessed or given here.

    Raises
    ------
    InputError
        When the file cannot be read, is of no known layout, or lacks or contradicts what a scan needs.
    TypeError
        For a keyword that is not a field of `Overrides`.
    """
    overrides = Overrides(**given)
    name, target = split_target(path)
    if overrides.mapping is not None:
        return _load_mapped(path, overrides)
    if overrides.parts is not None:
        raise UnknownLayout(
            "parts of a scan without a mapping",
            where="scan.parts",
            expected="names of what the parts hold",
            fix=f"Run 'halfbit inspect {name} -s scan.parts={overrides.parts}', which proposes a mapping.",
        )
    if not is_hdf5(name):
        with closing(open_source(path, follow_external=overrides.follow_external)) as source:
            raise _unknown_layout(source)
    with InputFile(name, follow_external=overrides.follow_external) as file:
        try:
            scan = check_seal(_read(file, target, overrides), file.root)
            return _with_followed(scan, [file.followed])
        except (OSError, RuntimeError) as exc:
            raise damaged(str(name), exc) from exc


def is_hdf5(path: Path) -> bool:
    """Tell whether a path is to be opened as HDF5: any file, good or bad, that is not known to be something else.

    Folders, patterns, NumPy archives, TIFF files and text tables are told by their kind, first bytes or suffix. The
    signature of HDF5 goes before the suffix.
    """
    if path.is_dir() or is_pattern(path):
        return False
    if not path.is_file():
        return True
    try:
        with open(path, "rb") as stream:
            start = stream.read(8)
            if start.startswith(OTHER_STARTS):
                return False
            place = 0  # a user block may come first: HDF5 file format, section II
            while start and start != SIGNATURE:
                place = max(512, 2 * place)
                stream.seek(place)
                start = stream.read(8)
    except OSError:
        return True
    return bool(start) or path.suffix.lower() not in TEXT_SUFFIXES


def _with_followed(scan: Scan, followed: Iterable[dict[str, str]]) -> Scan:
    """Note every file outside the scan's folder that was read."""
    links = {path: link for one in followed for path, link in one.items()}
    why = "outside the scan's folder; read because links are followed"
    notes = [Note("file elsewhere", path, link, why) for path, link in links.items()]
    return dataclasses.replace(scan, notes=(*scan.notes, *notes)) if notes else scan


def files_of(path: str | os.PathLike[str]) -> list[Path]:
    """Files that a path names, in natural order, none opened: itself, those of a folder, those that fit a pattern.

    Raises
    ------
    InputError
        When a folder or pattern holds none.
    """
    name, _ = split_target(path)
    return files_in(name) if name.is_dir() or is_pattern(name) else [name]


def open_source(path: str | os.PathLike[str], *, follow_external: bool = False) -> Source:
    """Open what a path names as a source of named items, whatever its layout.

    Parameters
    ----------
    path
        HDF5 file, folder, pattern, NumPy archive, TIFF file or text table.
    follow_external
        See `Overrides`.

    Raises
    ------
    InputError
        When it cannot be opened.
    """
    name, _ = split_target(path)
    if is_hdf5(name):
        return Hdf5Source(InputFile(name, follow_external=follow_external))
    from scans.formats import folder_source

    source: Source = folder_source.open_source(name, follow_external=follow_external)
    return source


def part_paths(path: Path, pattern: str) -> list[Path]:
    """Files beside `path` whose names fit a pattern, in the order of the numbers in their names.

    Raises
    ------
    InputError
        When there is none.
    """
    folder = path if path.is_dir() else path.parent
    found = [p for p in folder.glob(pattern) if p.is_file()]
    if not found:
        raise InputError(
            f"no file fits {pattern!r}",
            where="scan.parts",
            expected=f"the parts of the scan in {folder.absolute()}",
            fix="Correct -s scan.parts.",
        )
    return sorted(found, key=lambda p: natural_key(p.name))


def _load_mapped(path: str | os.PathLike[str], overrides: Overrides) -> Scan:
    """Read by the user's mapping alone; a dataset named after '::' is the frames."""
    name, target = split_target(path)
    entries = dict(overrides.mapping or {})
    if target not in (None, "/"):
        entries["frames"] = str(target)
    with ExitStack() as stack:
        external = overrides.follow_external
        source = stack.enter_context(closing(open_source(name, follow_external=external)))
        names = part_paths(name, overrides.parts) if overrides.parts else []
        parts = [stack.enter_context(closing(open_source(p, follow_external=external))) for p in names]
        try:
            scan = read_mapped(source, mapping_of(entries), overrides, parts)
            return _with_followed(scan, [s.followed for s in (source, *parts)])
        except READ_ERRORS as exc:
            raise damaged(str(name), exc) from exc


def split_target(path: str | os.PathLike[str]) -> tuple[Path, str | None]:
    """Split ``FILE::/inner`` into the file and the HDF5 path in it (None where there is none)."""
    text = os.fspath(path)
    name, mark, inner = text.rpartition("::")
    if not mark or os.path.exists(text):
        return Path(text), None
    return Path(name), "/" + inner.strip("/")


def _read(file: InputFile, target: str | None, overrides: Overrides) -> Scan:
    """Choose layout and entry, and read."""
    layout = max(LAYOUTS, key=lambda module: module.recognises(file))
    if not layout.recognises(file):
        raise _unknown_layout(Hdf5Source(file))
    entries: list[str] = layout.entries_of(file)
    if target not in (None, "/"):
        entry = next((e for e in entries if target == e or str(target).startswith(e + "/")), None)
        if entry is None or file.follow(file.root, str(target)) is None:
            raise InputError(
                "nothing of that name",
                where=file.where(str(target)),
                expected=f"one of the entries {', '.join(entries)}, or a dataset in one",
                fix="Check the name after '::'.",
            )
        scan: Scan = layout.read(file, entry, overrides, None if target == entry else target)
        return scan
    scan = layout.read(file, _only_entry(file, layout, entries), overrides, None)
    return scan


def _only_entry(file: InputFile, layout: ModuleType, entries: list[str]) -> str:
    """Return the entry to read: the only one with frames, or the file's default."""
    likely = [entry for entry in entries if layout.may_hold_frames(file, entry)] or entries
    default = "/" + (attribute(file.root, "default") or "").strip("/")
    if len(likely) == 1 or default in likely:
        return default if default in likely else likely[0]
    raise InputError(
        f"{len(likely)} entries: {', '.join(likely)}",
        where=str(file.path),
        expected="one scan",
        fix=f"Name one, such as {file.path}::{likely[0]}",
    )


def _unknown_layout(source: Source) -> UnknownLayout:
    """List what a file of no known layout holds, largest first."""
    arrays = [item for item in source.items() if item.shape and "@" not in item.path]
    arrays.sort(key=lambda item: -math.prod(item.shape))
    found = [f"{item.path} {item.shape} {item.dtype}" for item in arrays]
    if isinstance(source, Hdf5Source):
        broken = [p for p, node in source.file.walk(source.file.root) if isinstance(node, BrokenLink)]
        found += [f"{path} (broken link)" for path in broken]
    listing = "; ".join(found[:MAX_LISTED]) or "no arrays"
    more = f"; and {len(found) - MAX_LISTED} more" if len(found) > MAX_LISTED else ""
    return UnknownLayout(
        f"no known layout; it holds {listing}{more}",
        where=str(source.path),
        expected=f"a scan in one of the layouts {', '.join(str(m.LAYOUT) for m in LAYOUTS)}, or a mapping of its names",
        fix=f"Run 'halfbit inspect {source.path}', which proposes a mapping.",
    )
