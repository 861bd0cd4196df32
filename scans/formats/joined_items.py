"""One scan in several files of one form, such as one file a scan line: their items joined, name by name."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.array_frames import JoinedFrames, check_small
from scans.formats.file_series import numbers_text
from scans.formats.hdf5 import InputFile
from scans.formats.hdf5_source import Hdf5Source
from scans.formats.items import Item, Source
from scans.formats.lazy import lazy_frames
from scans.formats.preflight import FRAME_SIDE_RANGE, check_frames
from scans.formats.stack_frames import StackFrames
from scans.scan import Finding, Frames

MAX_NAMED = 6


@dataclass(frozen=True)
class Part:
    """What one of the files holds: items by name, none of which keeps a file open."""

    file: Path
    items: dict[str, Item]


def hdf5_part(file: Path, *, follow_external: bool = False, followed: dict[str, str] | None = None) -> Part:
    """List the items of an HDF5 file and close it; they open it again when read.

    `followed` gets the files outside the folder that are read, now or later.

    Raises
    ------
    InputError
        When it cannot be opened.
    """
    items: dict[str, Item] = {}
    followed = {} if followed is None else followed
    with _opened(file, follow_external, followed) as opened:
        for item in Hdf5Source(opened).items():
            read = _Hdf5Read(file, item.path, follow_external, followed)
            frames = None if item.frames is None else _Hdf5Frames(file, item.path, follow_external, followed)
            shape, dtype = item.shape, item.dtype
            if math.prod(shape) == 1 and dtype.kind in "OSUbiuf":
                value = np.asarray(item.read())  # a number or text: small, and its agreement decides
                value = value if value.dtype.kind != "O" else value.astype(str)
                items[item.path] = Item(
                    item.path, shape, value.dtype, item.unit, value.reshape(shape).copy, None, item.attributes
                )
            elif dtype.kind in "biufc":
                native = dtype.newbyteorder("=")
                items[item.path] = Item(item.path, shape, native, item.unit, read, frames, item.attributes)
    return Part(file, items)


@contextmanager
def _opened(file: Path, follow_external: bool, followed: dict[str, str]) -> Iterator[InputFile]:
    """Open a file for a short while, and keep in mind what it led to."""
    with InputFile(file, follow_external) as opened:
        try:
            yield opened
        finally:
            for path, link in opened.followed.items():
                followed.setdefault(path, link)


@dataclass(frozen=True)
class _Hdf5Read:
    """Reads one item of an HDF5 file, opened for it alone."""

    file: Path
    path: str
    follow_external: bool
    followed: dict[str, str]

    def __call__(self) -> NDArray[Any]:
        with _opened(self.file, self.follow_external, self.followed) as opened:
            item = Hdf5Source(opened).item(self.path)
            if item is None:
                raise _gone(self.file, self.path)
            values = np.asarray(item.read())
            return values.astype(values.dtype.newbyteorder("="), copy=False)


@dataclass(frozen=True)
class _Hdf5Frames:
    """Makes lazy frames of one dataset, checked like those of any file."""

    file: Path
    path: str
    follow_external: bool
    followed: dict[str, str]

    def __call__(self) -> Frames:
        with _opened(self.file, self.follow_external, self.followed) as opened:
            dataset = Hdf5Source(opened).dataset(self.path)
            if not isinstance(dataset, h5py.Dataset):
                raise _gone(self.file, self.path)
            storage = check_frames(opened, dataset)
            if storage.unwritten:
                n = sum(stop - start for start, stop in storage.unwritten)
                raise InputError(
                    f"{n} frames were never written, the first is frame {storage.unwritten[0][0]} of the file",
                    where=f"{self.file}::{self.path}",
                    expected="all frames of a file that is joined with others (they would read as zeros)",
                    fix="Take this file out of the folder, or name the complete files with a pattern.",
                )
            frames = lazy_frames([dataset], storage.sources)
            if storage.complete is not None and storage.complete < len(frames):
                raise InputError(
                    f"still being written: {storage.complete} of its {len(frames)} frames are complete",
                    where=f"{self.file}::{self.path}",
                    expected="all frames of a file that is joined with others",
                    fix="Wait until it is written, or name the complete files with a pattern.",
                )
            return frames


def _gone(file: Path, path: str) -> InputError:
    return InputError("has gone", where=f"{file}::{path}", expected="the file as listed", fix="Open the scan again.")


class SingleFrames(StackFrames):
    """Files of one frame each, read one by one.

    Parameters
    ----------
    reads
        One a frame; each returns ``(h, w)``.
    names
        Of the files, for messages.
    frame_shape, dtype
        Of all.
    """

    def __init__(
        self,
        reads: Sequence[Callable[[], NDArray[Any]]],
        names: Sequence[str],
        frame_shape: tuple[int, int],
        dtype: np.dtype[Any],
    ) -> None:
        super().__init__((len(reads), *frame_shape), dtype)
        self.reads, self.names = tuple(reads), tuple(names)

    def __repr__(self) -> str:
        return f"SingleFrames({self.shape}, {self.dtype}, {self.names[0]} ...)"

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        out = np.empty((stop - start, *self.shape[1:]), dtype=self.dtype)
        for j in range(start, stop):
            frame = self.reads[j]()
            if frame.shape != self.shape[1:]:
                raise InputError(
                    f"a frame of shape {frame.shape}",
                    where=self.names[j],
                    expected=f"{self.shape[1:]}, as when the scan was opened",
                    fix="Open the scan again.",
                )
            out[j - start] = frame
        return out


def join(parts: Sequence[Part], name: str) -> tuple[list[Item], list[Finding]]:
    """Join the items of several files, in the order of the files.

    Frames ``(n, h, w)`` are joined lazily, arrays behind one another; numbers and texts that agree in all files
    stay one, others become an array of one value a file. Pictures ``(h, w)`` stay one where they agree, and become
    a stack of one frame a file otherwise.

    Parameters
    ----------
    parts
        At least one.
    name
        Of all together: ``line_{000-019}.h5``; an item is called ``NAME:path``.

    Returns
    -------
    items
        In the order of the first file. Attributes ``per_file`` (number of values or frames in each).
    findings
        Items that are not in all files, or cannot be joined.
    """
    pictures = {i.shape[-2:] for i in parts[0].items.values() if i.frames is not None and _is_picture(i.shape[-2:])}
    lines = {i.shape[0] for i in parts[0].items.values() if i.frames is not None and _is_picture(i.shape[-2:])}
    items: list[Item] = []
    findings: list[Finding] = []
    for path in dict.fromkeys(path for part in parts for path in part.items):
        have = [part for part in parts if path in part.items]
        full = f"{name}:{path}" if path else name
        if len(have) < len(parts):
            lacking = [part.file.name for part in parts if path not in part.items]
            text = f"{full} is not in {len(lacking)} of {len(parts)} files ({', '.join(lacking[:MAX_NAMED])})"
            findings.append(Finding("caution", "missing-in-files", text, "Check these files; nothing is filled in."))
        try:
            items.append(_join_one(have, path, full, pictures, single_lines=lines == {1}))
        except InputError as exc:
            findings.append(Finding("caution", "not-joined", str(exc), exc.fix))
    return items, findings


def join_sources(sources: Sequence[Source]) -> tuple[list[Item], list[Finding]]:
    """Join the items of open sources that hold a scan in parts; they keep the names that they have in one part."""
    parts = []
    for source in sources:
        if isinstance(source, Hdf5Source):
            file = source.file
            parts.append(hdf5_part(source.path, follow_external=file.follow_external, followed=file.followed))
        else:
            parts.append(Part(source.path, {item.path: item for item in source.items()}))
    items, findings = join(parts, "")
    return [replace(item, path=item.path.removeprefix(":")) for item in items], findings


def _is_picture(shape: tuple[int, ...]) -> bool:
    low, high = FRAME_SIDE_RANGE
    return len(shape) == 2 and all(low <= side <= high for side in shape)


def _join_one(
    have: Sequence[Part], path: str, full: str, pictures: set[tuple[int, ...]], *, single_lines: bool
) -> Item:
    """Join one item over the files that hold it."""
    members = [part.items[path] for part in have]
    first = members[0]
    shapes = [m.shape for m in members]
    names = [f"{part.file}::{path}" if path else str(part.file) for part in have]
    facts = dict(first.attributes)
    if len(members) == 1:
        return Item(full, first.shape, first.dtype, first.unit, first.read, first.frames, facts)
    if any(m.unit != first.unit for m in members):
        odd = next(n for n, m in zip(names, members, strict=True) if m.unit != first.unit)
        raise InputError("another unit", where=odd, expected=f"{first.unit} as in {names[0]}", fix="Correct it.")
    scalar = all(math.prod(s) == 1 for s in shapes) and not (single_lines and shapes[0] == (1,))
    same_picture = (
        set(shapes) == {first.shape} and _is_picture(first.shape) and (not pictures or first.shape in pictures)
    )
    if scalar or same_picture:
        return _agreeing(members, full, names, facts)
    if first.frames is not None and all(m.frames is not None and _is_picture(m.shape[-2:]) for m in members):
        return _joined_frames(members, full, names, facts)
    return _concatenated(members, full, names, facts)


def _agreeing(members: Sequence[Item], full: str, names: Sequence[str], facts: dict[str, Any]) -> Item:
    """Keep what is equal in all files as one; stack it otherwise."""
    first = members[0]
    one = first.read()
    if all(np.array_equal(one, m.read(), equal_nan=one.dtype.kind == "f") for m in members[1:]):
        return Item(
            full, first.shape, first.dtype, first.unit, first.read, None, {**facts, "same_in_files": len(members)}
        )
    facts = {**facts, "per_file": [1] * len(members)}
    dtype = np.result_type(*(m.dtype for m in members)) if one.dtype.kind in "biufc" else np.dtype(str)
    if first.shape == () or math.prod(first.shape) == 1:
        values = np.array([m.read().reshape(-1)[0] for m in members])
        return Item(full, values.shape, values.dtype, first.unit, values.copy, None, facts)
    shape = (len(members), *first.shape)

    def frames() -> Frames:
        _check_types(members, names)
        return SingleFrames([m.read for m in members], names, (first.shape[0], first.shape[1]), first.dtype)

    def read() -> NDArray[Any]:
        check_small(math.prod(shape) * dtype.itemsize, full)
        return np.stack([m.read() for m in members])

    return Item(full, shape, dtype, first.unit, read, frames if dtype.kind in "biuf" else None, facts)


def _joined_frames(members: Sequence[Item], full: str, names: Sequence[str], facts: dict[str, Any]) -> Item:
    """Join stacks of frames without reading them."""
    first = members[0]
    counts = [math.prod(m.shape[:-2]) for m in members]
    shape = (sum(counts), *first.shape[-2:])

    def frames() -> Frames:
        return JoinedFrames([m.frames() for m in members if m.frames is not None], names)

    def read() -> NDArray[Any]:
        check_small(math.prod(shape) * first.dtype.itemsize, full)
        return frames()[:]

    return Item(full, shape, first.dtype, first.unit, read, frames, {**facts, "per_file": counts})


def _concatenated(members: Sequence[Item], full: str, names: Sequence[str], facts: dict[str, Any]) -> Item:
    """Put arrays behind one another along their first axis."""
    first = members[0]
    for member, label in zip(members, names, strict=True):
        if len(member.shape) != len(first.shape) or member.shape[1:] != first.shape[1:] or not member.shape:
            raise InputError(
                f"shape {member.shape}",
                where=label,
                expected=f"a shape like {first.shape} in {names[0]}, but for the first axis",
                fix="Check whether these files belong to one scan.",
            )
    counts = [m.shape[0] for m in members]
    shape = (sum(counts), *first.shape[1:])
    text = any(m.dtype.kind not in "biufc" for m in members)
    dtype = np.dtype(str) if text else np.result_type(*(m.dtype for m in members))

    def read() -> NDArray[Any]:
        check_small(math.prod(shape) * max(dtype.itemsize, 1), full)
        return np.concatenate([m.read() for m in members])

    return Item(full, shape, dtype, first.unit, read, None, {**facts, "per_file": counts})


def _check_types(members: Sequence[Item], names: Sequence[str]) -> None:
    """Refuse frames of another type than the first."""
    for member, label in zip(members, names, strict=True):
        if member.dtype != members[0].dtype:
            raise InputError(
                f"frames of type {member.dtype}",
                where=label,
                expected=f"{members[0].dtype} as in {names[0]}",
                fix="Move files that do not belong to the scan out of the way.",
            )


def missing_numbers(name: str, n_files: int, missing: tuple[tuple[int, ...], ...]) -> list[Finding]:
    """Say which numbers a series of files leaves out."""
    if not missing:
        return []
    more = " at least" if len(missing) >= 1000 else ""
    text = f"{name}: {n_files} files,{more} {len(missing)} missing: {numbers_text(missing)}"
    fix = (
        "If the table has a position for every number, leave out those of the missing ones; else copy the files again."
    )
    return [Finding("caution", "missing-files", text, fix)]
