"""Stage readings that are more, or other, than one number a frame: several a frame, or a stream with times.

Sources: NeXus definitions. NXlog: ``time`` is relative to its attribute ``start``, in ``units``, after its attribute
``scaling_factor``. NXdetector: ``start_time`` and ``stop_time`` of each frame, ``count_time`` its exposure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.companions import true_values
from scans.formats.hdf5 import BrokenLink, InputFile, names
from scans.formats.units import KINDS, unit_factor
from scans.formats.values import attribute, read_array

Floats = NDArray[np.float64]

# Names of times beside a stream, and of the times of frames in a detector's group.
STREAM_TIMES = ("time", "times", "timestamp", "timestamps", "time_stamp")
FRAME_STARTS = ("start_time", "frame_start_time", "timestamp", "timestamps", "time_stamp", "time")
FRAME_STOPS = ("stop_time", "frame_stop_time", "end_time")
# Seconds since 1970 are more than this in any scan; seconds since a start are not.
ABSOLUTE_S = 1e8


@dataclass(frozen=True)
class Clock:
    """Times ``(n,)`` in seconds; since 1970 (UTC) where `absolute`, otherwise since an unknown start."""

    seconds: Floats
    absolute: bool


@dataclass(frozen=True)
class Windows:
    """Exposure of each frame: `starts` and `stops` ``(J,)`` in seconds on the clock that `absolute` tells."""

    starts: Floats
    stops: Floats
    absolute: bool
    where: str
    why: str
    guess: bool


def mean_reading(readings: Floats) -> Floats:
    """Mean ``(n, ...)`` of readings ``(n, K, ...)`` over the second axis, nan left out; nan where all are."""
    known = np.isfinite(readings)
    count = known.sum(axis=1)
    total = np.where(known, readings, 0.0).sum(axis=1)
    return np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)


def are_value_and_spread(tables: Sequence[Floats], plain: Sequence[Sequence[Floats]]) -> bool:
    """Tell tables of (value, spread) from tables of two readings a frame.

    Parameters
    ----------
    tables
        ``(n, 2)`` of each axis.
    plain
        For each axis, other arrays ``(n,)`` nearby: one that equals the first column is the value itself.

    Without such an array, two readings of one exposure lie within a few steps of each other, and a spread does
    not follow the value: where the second column of every axis stays away from the first by more than 5 steps
    and half the range, it is no reading.
    """
    for table, others in zip(tables, plain, strict=True):
        first = table[:, 0]
        if any(o.shape == first.shape and np.array_equal(o, first, equal_nan=True) for o in others):
            return True
    return all(_stays_away(table) for table in tables)


def _stays_away(table: Floats) -> bool:
    """Tell whether the second column is nowhere near the first."""
    first, second = table[np.isfinite(table).all(axis=1)].T
    if first.size < 2:
        return False
    steps = np.abs(np.diff(first))
    typical = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    away = float(np.median(np.abs(second - first)))
    return away > 5 * typical and away > 0.5 * float(np.ptp(first))


def read_clock(file: InputFile, dataset: h5py.Dataset) -> Clock:
    """Read times as NXlog defines them.

    Raises
    ------
    InputError
        When they cannot be read, have a unit that is no time, or a start that is no date.
    """
    where = file.where(dataset)
    values, _ = true_values(file, dataset)
    unit = attribute(dataset, "units")
    factor = KINDS["time"]["s"] if unit is None else unit_factor(unit, "time", where=where)
    scaling = dataset.attrs.get("scaling_factor")
    if scaling is not None and np.asarray(scaling).dtype.kind in "iuf" and np.asarray(scaling).size == 1:
        factor *= float(np.asarray(scaling).reshape(-1)[0])
    seconds = values.reshape(-1) * factor
    start = attribute(dataset, "start")
    if start is None:
        return Clock(seconds, bool(seconds.size and np.nanmin(seconds) > ABSOLUTE_S))
    return Clock(seconds + _epoch(start, where), True)


def _epoch(text: str, where: str) -> float:
    """Seconds since 1970 of an ISO 8601 date; without a zone it is taken as UTC."""
    try:
        date = datetime.fromisoformat(text)
    except ValueError as exc:
        raise InputError(
            f"start {text!r}", where=where, expected="an ISO 8601 date", fix="Correct it in a copy of the file."
        ) from exc
    return (date if date.tzinfo else date.replace(tzinfo=UTC)).timestamp()


def times_beside(file: InputFile, dataset: h5py.Dataset) -> h5py.Dataset | None:
    """Find the times of a stream: the dataset of its length that lies beside it under one of the usual names."""
    last = (dataset.name or "").rsplit("/", 1)[-1]
    candidates = [*(f"{last}_{word}" for word in STREAM_TIMES), *STREAM_TIMES]
    return next((t for t in _named(file, dataset.parent, candidates) if t.size == dataset.shape[0]), None)


def _named(file: InputFile, group: h5py.Group, candidates: Sequence[str]) -> list[h5py.Dataset]:
    """Datasets of numbers in a group, in the order of the names asked for."""
    present = set(names(group))
    found = []
    for name in candidates:
        try:
            dataset = file.dataset(group, name) if name in present else None
        except BrokenLink:
            continue
        if dataset is not None and dataset.shape is not None and dataset.dtype.kind in "iuf":
            found.append(dataset)
    return found


def frame_windows(
    file: InputFile, groups: Sequence[h5py.Group], n_frames: int, exposures_s: Floats | float | None
) -> Windows | None:
    """When each frame was exposed, from the detector's own times.

    Parameters
    ----------
    file
        Open file.
    groups
        Groups of the detector.
    n_frames
        Frames of the file's stack.
    exposures_s
        ``(J,)`` or one number [s]; None where unknown: a frame then lasts until the next begins.

    Returns
    -------
    Windows or None
        None where there are no times for each frame.
    """
    for group in groups:
        starts = next((d for d in _named(file, group, FRAME_STARTS) if d.size == n_frames and n_frames > 1), None)
        if starts is None:
            continue
        clock = read_clock(file, starts)
        stops = next((d for d in _named(file, group, FRAME_STOPS) if d.size == n_frames), None)
        guess, length = False, np.asarray(exposures_s if exposures_s is not None else np.nan)
        if stops is not None:
            end, why = read_clock(file, stops).seconds, f"until {stops.name}"
        elif np.isfinite(length).all() and length.size in (1, n_frames):
            end, why = clock.seconds + length, "for the exposure time"
        else:
            period = np.diff(clock.seconds, append=np.nan)
            period[-1] = np.median(period[:-1])
            end, why, guess = clock.seconds + period, "until the next frame begins", True
        return Windows(clock.seconds, end, clock.absolute, file.where(starts), why, guess)
    return None


def samples_in_windows(times: Floats, samples: Floats, windows: Windows) -> Floats:
    """Sort the readings of a stream into the exposures.

    Parameters
    ----------
    times
        ``(S,)`` seconds, not decreasing, on the clock of `windows`.
    samples
        ``(S, C)`` readings of C axes.
    windows
        Exposures of J frames.

    Returns
    -------
    readings
        ``(J, K, C)``, K the largest number in one exposure, the others padded with nan. An exposure without a
        reading between others gets the one interpolated to its middle; one outside the stream's times only nan.
    """
    low = np.searchsorted(times, windows.starts, side="left")
    high = np.searchsorted(times, windows.stops, side="right")
    counts = high - low
    width = max(int(counts.max(initial=0)), 1)
    index = low[:, None] + np.arange(width)
    inside = index < high[:, None]
    readings = np.where(inside[..., None], samples[np.minimum(index, len(samples) - 1)], np.nan)
    middle = 0.5 * (windows.starts + windows.stops)
    alone = (counts == 0) & (middle >= times[0]) & (middle <= times[-1])
    for axis in range(samples.shape[1]):
        readings[alone, 0, axis] = np.interp(middle[alone], times, samples[:, axis])
    return readings


def ordered(times: Floats, samples: Floats) -> tuple[Floats, Floats]:
    """Drop readings without time or value and sort the others by time."""
    keep = np.isfinite(times) & np.isfinite(samples).all(axis=-1)
    order = np.argsort(times[keep], kind="stable")
    return times[keep][order], samples[keep][order]


def join_streams(file: InputFile, axes: Sequence[h5py.Dataset], windows: Windows) -> tuple[Floats, str] | None:
    """Read C streams during each exposure, ``(J, K, C)``, and say how; None without times.

    Streams with other times than the first are interpolated to its times.

    Raises
    ------
    InputError
        When times and exposures are on different clocks, or do not overlap.
    """
    clocks = []
    for axis in axes:
        beside = times_beside(file, axis)
        if beside is None:
            return None
        clock = read_clock(file, beside)
        if clock.absolute != windows.absolute:
            raise InputError(
                f"times of {'absolute' if clock.absolute else 'unknown'} start",
                where=file.where(beside),
                expected=f"the clock of the frames' times in {windows.where}",
                fix="Write a start attribute beside both, or neither, in a copy of the file.",
            )
        clocks.append(clock.seconds)
    raw = [np.asarray(true_values(file, axis)[0]).reshape(len(t), -1) for axis, t in zip(axes, clocks, strict=True)]
    if any(r.shape[1] != 1 for r in raw):
        return None
    pairs = [ordered(t, r) for t, r in zip(clocks, raw, strict=True)]
    if min(len(p[0]) for p in pairs) == 0:
        return None
    times, samples = _on_first_times(file.where(axes[0]), pairs, windows)
    readings = samples_in_windows(times, samples, windows)
    counts = np.isfinite(readings).all(axis=2).sum(axis=1)
    why = (
        f"{len(raw[0])} readings with times, the mean over each exposure ({windows.why}): {counts.min()} to "
        f"{counts.max()} a frame"
    )
    return readings, why


def _on_first_times(where: str, pairs: Sequence[tuple[Floats, Floats]], windows: Windows) -> tuple[Floats, Floats]:
    """Bring streams (times, samples) to the times of the first that all of them cover, within those of the frames."""
    low, high = max(p[0][0] for p in pairs), min(p[0][-1] for p in pairs)
    times = pairs[0][0]
    inside = (times >= low) & (times <= high)
    times = times[inside]
    samples = np.stack([np.interp(times, p[0], p[1][:, 0]) for p in pairs], axis=1)
    if not times.size or windows.starts.min() > times[-1] or windows.stops.max() < times[0]:
        raise InputError(
            f"readings from {low:.6f} to {high:.6f} s",
            where=where,
            expected=f"times within those of the frames, {windows.starts.min():.6f} to {windows.stops.max():.6f} s "
            f"({windows.where})",
            fix="Both clocks must start together: correct their start attributes in a copy of the file.",
        )
    return times, samples


def plain_neighbours(file: InputFile, dataset: h5py.Dataset) -> list[Floats]:
    """One-dimensional arrays beside a table ``(n, 2)`` that are as long as it."""
    found = []
    for name in names(dataset.parent):
        try:
            other = file.dataset(dataset.parent, name)
        except BrokenLink:
            continue
        if other is not None and other.shape == dataset.shape[:1] and other.dtype.kind in "iuf":
            found.append(np.asarray(read_array(file, other), dtype=np.float64))
    return found
