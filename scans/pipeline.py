"""Reading ahead: blocks of frames are read, and worked on, in threads while the caller uses the one before.

The HDF5 library reads under one lock, but leaves NumPy and zlib free to run meanwhile. So one thread's
cleaning overlaps with another's reading, and gzip chunks, which are unpacked outside the library, are unpacked
on several cores. The order of the results is that of the parts, whatever thread finishes first.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from itertools import islice
from threading import local
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
Window = tuple[slice, slice]  # rows and columns of the stored frame
Reader = Callable[..., NDArray[Any]]
WHOLE: Window = (slice(None), slice(None))
# More readers only wait for the library's lock.
MAX_WORKERS = 8


def work_ahead(
    work: Callable[[slice, NDArray[Any]], T],
    frames: Any,
    parts: Iterable[slice],
    *,
    window: Window = WHOLE,
    step: int | None = None,
    ahead: int | None = None,
    workers: int | None = None,
) -> Iterator[tuple[slice, T]]:
    """Yield each piece of the parts with ``work(piece, values)``, in order; reading and work go on in the background.

    `work` runs in several threads at once, each on its own part: it must not change `values`, nor keep a view of it,
    whose memory is used again for the next part. NumPy work on large arrays overlaps, for NumPy leaves the
    interpreter free meanwhile.

    Parameters
    ----------
    frames
        ``(J, h, w)``: an array, or frames in a file (`LazyFrames`).
    parts
        Slices of frames, such as ``scan.blocks()``: whole chunks each, so that none is unpacked twice.
    window
        Rows and columns of the stored frame that are wanted; the rest is not even unpacked where chunks allow.
    step
        Frames of a piece that `work` is given at a time, so that it stays in the cache; the whole part by default.
    ahead
        Parts that are read, or wait, while the caller has one; twice the threads by default. Memory is that of one
        part a thread, and of the results.
    workers
        Threads; as many as cores by default, at most `MAX_WORKERS`.

    Raises
    ------
    InputError
        As `frames` raises it, in the turn of its part; the parts before have been yielded. An error of `work` is raised
        as it is. Both have a note that names the frames.
    """
    mine = local()

    def task(reader: Reader, part: slice) -> list[tuple[slice, T]]:
        start, stop, _ = part.indices(frames.shape[0])
        buffer = getattr(mine, "buffer", None)
        if buffer is None or len(buffer) < stop - start:
            sides = (len(range(n)[cut]) for n, cut in zip(frames.shape[1:], window, strict=True))
            buffer = mine.buffer = np.empty((stop - start, *sides), frames.dtype)
        values, size = reader(part, window, buffer), step or max(stop - start, 1)
        pieces = [slice(low, min(low + size, stop)) for low in range(start, stop, size)]
        return [(piece, work(piece, values[piece.start - start : piece.stop - start])) for piece in pieces]

    workers = max(1, min(cores(), MAX_WORKERS)) if workers is None else workers
    ahead = 2 * workers if ahead is None else ahead
    if ahead < 1:
        raise ValueError(f"ahead = {ahead}; at least one part must be read ahead")
    done = _results(task, frames, iter(parts), ahead, workers)
    return (each for _, several in done for each in several)


def _results(
    task: Callable[[Reader, slice], T], frames: Any, parts: Iterator[slice], ahead: int, workers: int
) -> Iterator[tuple[slice, T]]:
    def named(part: slice) -> T:
        try:
            return task(reader, part)
        except Exception as exc:
            start, stop, _ = part.indices(len(frames))
            exc.add_note(f"in frames {start} to {stop - 1}")
            raise

    with _reader(frames) as reader:
        pool = ThreadPoolExecutor(workers, thread_name_prefix="read-ahead")
        waiting = deque((part, pool.submit(named, part)) for part in islice(parts, ahead))
        try:
            while waiting:
                part, future = waiting.popleft()
                result = future.result()
                del future  # it holds the result as well, and the caller may want the memory
                waiting.extend((following, pool.submit(named, following)) for following in islice(parts, 1))
                yield part, result
                del result
        finally:
            # also on Ctrl-C, or when the caller stops early: nothing more is begun, what runs ends within a part
            pool.shutdown(wait=True, cancel_futures=True)


def _reader(frames: Any) -> AbstractContextManager[Reader]:
    """Return a reader of windows: of files kept open, or of an array."""
    if hasattr(frames, "kept_open"):
        return frames.kept_open()

    def read(part: slice, window: Window, out: NDArray[Any] | None = None) -> NDArray[Any]:
        return np.asarray(frames[part])[(slice(None), *window)]

    return nullcontext(read)


def cores() -> int:
    """Cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not Linux
        return os.cpu_count() or 1
