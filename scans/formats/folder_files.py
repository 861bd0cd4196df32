"""Which files a folder or a pattern names: by kind, in natural order, none of them opened."""

from __future__ import annotations

import glob
import itertools
import os
import re
from collections.abc import Sequence
from pathlib import Path

from scans.errors import InputError
from scans.formats.file_series import MAX_MISSING, natural_key

KINDS = {
    "NumPy file": (".npy",),
    "NumPy archive": (".npz",),
    "TIFF file": (".tif", ".tiff"),
    "HDF5 file": (".h5", ".hdf5", ".hdf", ".nxs", ".cxi"),
    "text table": (".txt", ".dat", ".csv", ".tsv", ".xy", ".asc"),
    "JSON file": (".json",),
}
TABLES = ("text table", "JSON file")
BESIDE = (*TABLES, "NumPy file", "NumPy archive")
KIND_OF = {suffix: kind for kind, suffixes in KINDS.items() for suffix in suffixes}
_RANGE = re.compile(r"\{(\d+)-(\d+)\}")
MAX_DEPTH = 3


def expand(pattern: str) -> tuple[list[Path], list[int]]:
    """Files that fit a pattern, in natural order, and the numbers of a ``{first-last}`` range that none has."""
    ranges = [(int(a), int(b)) for a, b in _RANGE.findall(pattern)]
    texts = _RANGE.split(pattern)[::3]
    folder, name = os.path.split(pattern)
    shell = "*".join(texts)
    if os.path.isdir(folder):  # whose own name may hold brackets
        shell = os.path.join(glob.escape(folder), "*".join(_RANGE.split(name)[::3]))
    files = [Path(os.path.abspath(f)) for f in sorted(glob.glob(shell), key=natural_key)]
    if not ranges:
        return [f for f in files if f.is_file()], []
    start = os.path.abspath(texts[0] + "x")[:-1]
    wanted = re.compile(r"(\d+)".join(_as_regex(text) for text in (start, *texts[1:])))
    kept, seen = [], set()
    for file in files:
        match = wanted.fullmatch(str(file))
        if match and all(a <= int(n) <= b for n, (a, b) in zip(match.groups(), ranges, strict=True)):
            kept.append(file)
            seen.add(int(match[1]))
    first, last = ranges[0]
    missing = (n for n in range(first, last + 1) if n not in seen)
    return kept, list(itertools.islice(missing, MAX_MISSING))


def _as_regex(text: str) -> str:
    """Regular expression of a shell pattern without sets of characters."""
    return re.escape(text).replace(r"\*", "[^/]*").replace(r"\?", "[^/]")


def tables_beside(files: Sequence[Path]) -> tuple[Path, list[Path]]:
    """Folder of all files, and the tables and arrays in it that may go with them."""
    root = Path(os.path.commonpath([f.parent.absolute() for f in files]))
    known = set(files)
    found = [root / name for name in sorted(os.listdir(root), key=natural_key) if not name.startswith(".")]
    beside = [f for f in found if KIND_OF.get(f.suffix.lower()) in BESIDE and f not in known and f.is_file()]
    return root, beside


def is_pattern(path: Path) -> bool:
    """Tell whether a path is no file but a pattern of them."""
    return not path.exists() and any(c in path.name for c in "*?{[")


def files_in(path: Path) -> list[Path]:
    """Files of a folder (hidden ones, deep ones and those of other kinds left out), or of a pattern with its tables.

    Raises
    ------
    InputError
        When there is none.
    """
    if path.is_dir():
        found: list[Path] = []
        for here, folders, names in os.walk(path):
            depth = len(Path(here).relative_to(path).parts)
            folders[:] = [f for f in folders if not f.startswith(".") and depth < MAX_DEPTH]
            found += [
                Path(here, n) for n in names if not n.startswith(".") and os.path.splitext(n)[1].lower() in KIND_OF
            ]
        found.sort(key=lambda f: natural_key(f.relative_to(path).as_posix()))
    else:
        named, _ = expand(str(path))
        found = [*named, *tables_beside(named)[1]] if named else []
    if not found:
        raise InputError(
            "nothing there" if path.is_dir() else "no such file",
            where=str(path),
            expected="the files of the scan",
            fix="Put the files back, or name another scan.",
        )
    return found
