"""Numbered files: their order, the name of a whole series, and the numbers that are missing from it."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from scans.errors import InputError

_DIGITS = re.compile(r"(\d+)")


def natural_key(name: str) -> tuple[tuple[int, str] | tuple[int, int, str], ...]:
    """Sort key that puts ``img_2`` before ``img_10``."""
    parts = _DIGITS.split(name)
    return tuple((1, int(p), p) if i % 2 else (0, p) for i, p in enumerate(parts))


@dataclass(frozen=True)
class Series:
    """Files whose names differ in numbers only, in the order of those numbers.

    Parameters
    ----------
    files
        In natural order.
    name
        One name for all: ``img_{0000-0399}.tif``; the file's own name where there is one.
    numbers
        The numbers that differ, one tuple a file; empty tuples for a single file.
    missing
        Numbers (tuples, where several differ) that the series leaves out, at most `MAX_MISSING` of them.
    """

    files: tuple[Path, ...]
    name: str
    numbers: tuple[tuple[int, ...], ...]
    missing: tuple[tuple[int, ...], ...] = ()


MAX_MISSING = 1000


def group_series(names: Iterable[str], root: Path) -> list[Series]:
    """Collect files into series: same folder, same name but for the numbers in it.

    Parameters
    ----------
    names
        Relative to `root`, with ``/``.
    root
        Folder of all.

    Raises
    ------
    InputError
        When two files of a series have the same number (``img_2`` and ``img_02``).
    """
    groups: dict[tuple[str, ...], list[str]] = {}
    for name in sorted(names, key=natural_key):
        folder, _, base = name.rpartition("/")
        texts = _DIGITS.split(base)[::2]
        groups.setdefault((folder, *texts), []).append(name)
    return [_series(members, root) for members in groups.values()]


def _series(names: list[str], root: Path) -> Series:
    """Make one series of names in order."""
    files = tuple(root / name for name in names)
    if len(names) == 1:
        return Series(files, names[0], ((),))
    folder, slash, _ = names[0].rpartition("/")
    split = [_DIGITS.split(name.rpartition("/")[2]) for name in names]
    fields = [i for i in range(1, len(split[0]), 2) if len({int(s[i]) for s in split}) > 1]
    numbers = tuple(tuple(int(s[i]) for i in fields) for s in split)
    for (before, a), (after, b) in itertools.pairwise(zip(names, numbers, strict=True)):
        if a == b:
            raise InputError(
                f"{Path(before).name} and {Path(after).name} have the same number",
                where=str(root),
                expected="one file a number, or the order is unknown",
                fix="Move the files that do not belong to the scan out of the way, or name a pattern.",
            )
    parts = list(split[0])
    for i in fields:
        texts = [s[i] for s in split]
        parts[i] = f"{{{min(texts, key=int)}-{max(texts, key=int)}}}"
    return Series(files, folder + slash + "".join(parts), numbers, _missing(numbers))


def _missing(numbers: tuple[tuple[int, ...], ...]) -> tuple[tuple[int, ...], ...]:
    """Numbers left out of an even sequence, or of a full grid of two of them."""
    axes = []
    for values in (sorted(set(axis)) for axis in zip(*numbers, strict=True)):
        step = math.gcd(*(b - a for a, b in itertools.pairwise(values)))
        axes.append(range(values[0], values[-1] + 1, step))
    have = set(numbers)
    if math.prod(len(a) for a in axes) > 10 * len(have) + 20:
        return ()  # time stamps rather than counters
    gaps = (n for n in itertools.product(*axes) if n not in have)
    return tuple(itertools.islice(gaps, MAX_MISSING))


def numbers_text(missing: tuple[tuple[int, ...], ...], most: int = 8) -> str:
    """Numbers for people: ``3, 7, 9 ... 40``; pairs as ``2/14``."""
    words = ["/".join(str(n) for n in one) for one in missing]
    return ", ".join(words[:most]) + (f" ... {words[-1]}" if len(words) > most else "")
