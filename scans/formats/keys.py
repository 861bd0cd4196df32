"""Numbers and times by which frames and positions can be told which belongs to which."""

from __future__ import annotations

import re
from dataclasses import dataclass

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.hdf5 import BrokenLink, InputFile
from scans.formats.streams import FRAME_STARTS, STREAM_TIMES, read_clock
from scans.formats.values import read_array

# Lower case, underscores left out.
NUMBERS = re.compile(
    r"(uniquekeys?|(nd)?(array)?uniqueids?|sequencenumbers?|framenumbers?|frameids?|frameindex|imagenumbers?|"
    r"shotnumbers?|triggernumbers?)$"
)
# Of frames or rows of the shorter list, this share must have a partner.
SMALLEST_SHARE = 0.5
# A frame's time may be this share of the frames' period off its position's.
TIME_TOLERANCE = 0.25


@dataclass(frozen=True)
class Key:
    """One list of keys: its name without path, its values ``(n,)``, where it is, and whether they are times."""

    name: str
    values: NDArray[np.float64]
    where: str
    times: bool
    absolute: bool = False


def find_keys(file: InputFile, entry: str, lengths: set[int]) -> list[Key]:
    """Find lists of keys and of times of one of the `lengths`, below the entry.

    What cannot be read is passed over: keys are a help, not a part of the scan.
    """
    start = file.group(file.root, entry)
    found: list[Key] = []
    seen = set()
    for path, node in file.walk(start, entry) if start is not None else ():
        if isinstance(node, BrokenLink) or not isinstance(node, h5py.Dataset) or not node.shape:
            continue
        if int(node.size) not in lengths or node.dtype.kind not in "iuf" or node.name in seen:
            continue
        seen.add(node.name)
        last = path.rsplit("/", 1)[-1]
        try:
            if NUMBERS.search(last.lower().replace("_", "")):
                values = np.asarray(read_array(file, node), dtype=np.float64).reshape(-1)
                found.append(Key(last, values, file.where(node), times=False))
            elif last.lower() in (*STREAM_TIMES, *FRAME_STARTS):
                clock = read_clock(file, node)
                found.append(Key(last, clock.seconds, file.where(node), True, clock.absolute))
        except InputError:
            continue
    return found


def match(frame_keys: list[Key], row_keys: list[Key]) -> tuple[NDArray[np.int64], NDArray[np.int64], str] | None:
    """Pair frames with rows of the position table by the first keys that prove it.

    Returns
    -------
    frames, rows, why
        ``(n,)`` indices into both, frames ascending; None where no keys prove anything.
    """
    for times in (False, True):
        for one in (k for k in frame_keys if k.times == times):
            # a key of the same name first
            for other in sorted((k for k in row_keys if k.times == times), key=lambda k: k.name != one.name):
                pair = _match_times(one, other) if times else _match_numbers(one, other)
                if pair is not None:
                    return *pair, f"by {one.where} and {other.where}"
    return None


def _match_numbers(one: Key, other: Key) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Pair equal numbers, each of which must be there once on each side."""
    first, second = _usable(one.values), _usable(other.values)
    if not first.size or not second.size:
        return None
    if one.name.lower() != other.name.lower() and one.values[first].min() != other.values[second].min():
        return None  # counted from 0 on one side and from 1 on the other, or from a counter never reset
    numbers = one.values[first], other.values[second]
    if any(len(np.unique(n)) != len(n) for n in numbers):
        return None
    _, i, j = np.intersect1d(*numbers, assume_unique=True, return_indices=True)
    if len(i) < max(1.0, SMALLEST_SHARE * min(len(n) for n in numbers)):
        return None
    frames, rows = first[i], second[j]
    order = np.argsort(frames)
    return frames[order].astype(np.int64), rows[order].astype(np.int64)


def _usable(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the indices of keys up to where nothing was written any more: equal or no numbers at the end."""
    known = np.isfinite(values)
    last = int(np.flatnonzero(known)[-1]) + 1 if known.any() else 0
    end = last
    while end > 1 and values[end - 2] == values[last - 1]:
        end -= 1
    if last - end >= 1:  # a run of equal values: fill, of which none is a key
        last = end - 1
    return np.flatnonzero(known[:last])


def _match_times(one: Key, other: Key) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Pair each frame with the position nearest in time; all must be near, and no two the same."""
    first, second = _usable(one.values), _usable(other.values)
    a, b = one.values[first], other.values[second]
    if one.absolute != other.absolute or len(a) < 2 or len(b) < 2:
        return None
    if (np.diff(a) <= 0).any() or (np.diff(b) <= 0).any():
        return None
    period = float(np.median(np.diff(a)))
    near = np.clip(np.searchsorted(b, a), 1, len(b) - 1)
    near = near - (a - b[near - 1] < b[near] - a)
    close = np.abs(b[near] - a) < TIME_TOLERANCE * period
    share = close.sum() / min(len(a), len(b))
    if len(np.unique(near[close])) != close.sum() or share < SMALLEST_SHARE:
        return None
    if not close.all() and len(a) <= len(b):
        return None  # frames without a position although there are enough of them: not the same clock
    return first[close].astype(np.int64), second[near[close]].astype(np.int64)
