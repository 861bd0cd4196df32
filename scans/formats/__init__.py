"""Readers and writers of scan files: the layout is recognised by content, never by the name.

One module per layout, with its dataset paths as a table on top. To add a layout, write a module with
``LAYOUT``, ``recognises(file)``, ``entries_of(file)``, ``may_hold_frames(file, entry)`` and
``read(file, entry, overrides, frames_path)``, and list it below.
"""

from __future__ import annotations

import os
from pathlib import Path
from types import ModuleType
from typing import Any

import h5py

from scans.errors import InputError
from scans.formats import cxi, nexus
from scans.formats.hdf5 import BrokenLink, InputFile, damaged
from scans.formats.overrides import Overrides
from scans.formats.values import attribute
from scans.formats.writing import write, write_cxi, write_nexus
from scans.scan import Scan

__all__ = ["LAYOUTS", "load", "split_target", "write", "write_cxi", "write_nexus"]

LAYOUTS: tuple[ModuleType, ...] = (nexus, cxi)
MAX_LISTED = 12


def load(path: str | os.PathLike[str], **given: Any) -> Scan:
    """Read a scan; the frames stay in the file.

    Parameters
    ----------
    path
        File, or ``FILE::/entry`` or ``FILE::/path/of/frames`` for one of several.
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
    with InputFile(name) as file:
        try:
            return _read(file, target, overrides)
        except (OSError, RuntimeError) as exc:
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
        raise _unknown_layout(file)
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


def _unknown_layout(file: InputFile) -> InputError:
    """List what a file of no known layout holds, largest first."""
    found: list[tuple[int, str]] = []
    for path, node in file.walk(file.root):
        if isinstance(node, BrokenLink):
            found.append((0, f"{path} (broken link)"))
        elif isinstance(node, h5py.Dataset) and node.shape:
            found.append((-int(node.size), f"{path} {tuple(node.shape)} {node.dtype}"))
    found.sort()
    listing = "; ".join(text for _, text in found[:MAX_LISTED]) or "no arrays"
    more = f"; and {len(found) - MAX_LISTED} more" if len(found) > MAX_LISTED else ""
    return InputError(
        f"no known layout; it holds {listing}{more}",
        where=str(file.path),
        expected=f"a scan in one of the layouts {', '.join(str(m.LAYOUT) for m in LAYOUTS)}",
        fix="Convert it (docs/file-layouts.md says what each layout needs).",
    )
