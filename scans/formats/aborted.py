"""Which frame belongs to which position where their numbers differ: only what order or keys prove.

Aborted scans are normal: 6,214 of 10,000 frames. Some writers make room for all frames ahead, some write all
positions ahead, some neither. All here are functions of arrays; `settling` brings them together for a file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.scan import Frames

Indices = NDArray[np.int64]

BLOCK_BYTES = 64 << 20
# Weaker frames can be empty by chance: Poisson, exp(-100).
SMALLEST_LIT_TOTAL = 100.0
# Exposures of one kind agree to this share.
EXPOSURE_TOLERANCE = 0.05
MOST_EXPOSURES = 8
# Totals of interleaved exposures differ by at least this factor, and this many times more than they scatter.
SMALLEST_RATIO = 1.5
SCATTERS = 3.0
PAIRS_LOOKED_AT = 32


@dataclass(frozen=True)
class Pairing:
    """Frames and rows of the position table that belong together.

    Parameters
    ----------
    frames, rows
        ``(J,)`` numbers in the file's stack and in the table.
    what
        Short fixed name of what was done; empty where every frame simply has its row.
    text
        For people, complete in itself.
    """

    frames: Indices
    rows: Indices
    what: str = ""
    text: str = ""


def end_of_light(frames: Frames, stop: int) -> int:
    """Count the frames of the first `stop` up to the last that holds a count.

    Zero, not-a-number and the largest value of an integer type (a detector's fill value) are no counts. Frames
    that are weak anyway (median total below 100 counts) can be empty by chance: then all of them count.
    """
    per_frame = max(int(np.prod(frames.shape[1:])) * np.dtype(frames.dtype).itemsize, 1)
    end, step = stop, 1
    while end > 0:
        start = max(0, end - step)
        lit = np.flatnonzero([_is_lit(frame) for frame in frames[start:end]])
        if lit.size:
            end = start + int(lit[-1]) + 1
            break
        end, step = start, min(2 * step, max(1, BLOCK_BYTES // per_frame))
    if end in (0, stop):
        return stop
    picks = np.unique(np.linspace(0, end - 1, 9).astype(int))
    totals = [_total(frames[int(j) : int(j) + 1][0]) for j in picks]
    return end if np.median(totals) >= SMALLEST_LIT_TOTAL else stop


def _is_lit(frame: NDArray[Any]) -> bool:
    """Tell whether a frame holds a count."""
    if frame.dtype.kind == "f":
        return bool(np.nan_to_num(frame, posinf=0.0, neginf=0.0).any())
    return bool(frame.any()) and bool(((frame != 0) & (frame != np.iinfo(frame.dtype).max)).any())


def _total(frame: NDArray[Any]) -> float:
    """Sum of the counts of a frame, fill values left out."""
    if frame.dtype.kind == "f":
        return float(np.abs(np.nan_to_num(frame, posinf=0.0, neginf=0.0)).sum(dtype=np.float64))
    return float(frame[frame != np.iinfo(frame.dtype).max].astype(np.float64).sum())


def rows_with_numbers(values: NDArray[np.float64]) -> int:
    """Count the rows ``(P, 2)`` up to the last with two numbers."""
    known = np.flatnonzero(np.isfinite(values).all(axis=1))
    return int(known[-1]) + 1 if known.size else 0


def rows_filled_in(values: NDArray[np.float64]) -> tuple[int, ...]:
    """How many rows ``(P, 2)`` may have been filled in before those at the end that are nan, (0, 0) or all equal.

    Where the last three or more rows are equal, the first of them may be the position at which the stage stayed,
    or fill: then two answers. A single (0, 0), or the last position said twice, is taken as it is.
    """
    end = rows_with_numbers(values)
    others = np.flatnonzero((values[:end] != values[end - 1]).any(axis=1)) if end else np.arange(0)
    start = int(others[-1]) + 1 if others.size else 0
    zero = end > 0 and not values[end - 1].any()
    if end < len(values) or end - start < (2 if zero else 3):
        return (end,)
    return (start,) if zero else (start, start + 1)


def alternating(exposures_s: NDArray[np.float64], n_positions: int) -> tuple[int, bool] | None:
    """Tell how several exposures of each position follow each other.

    Parameters
    ----------
    exposures_s
        ``(J,)``.
    n_positions
        J is a multiple of it, k.

    Returns
    -------
    k, interleaved
        Interleaved: the k exposures of a position follow each other; otherwise the whole scan was repeated with
        each exposure. None where the exposures show neither.
    """
    k, rest = divmod(len(exposures_s), n_positions)
    if rest or not 2 <= k <= MOST_EXPOSURES:
        return None
    for interleaved in (True, False):
        kinds = exposures_s.reshape(n_positions, k).T if interleaved else exposures_s.reshape(k, n_positions)
        typical = np.median(kinds, axis=1)
        same = (np.abs(kinds - typical[:, None]) <= EXPOSURE_TOLERANCE * typical[:, None]).all()
        if same and typical.max() > (1 + 2 * EXPOSURE_TOLERANCE) * typical.min():
            return k, interleaved
    return None


def alternation_of_totals(frames: Frames, k: int) -> float | None:
    """Ratio of the strongest to the weakest of k frames in turn, where totals clearly alternate; None otherwise."""
    n = frames.shape[0] // k
    picks = np.unique(np.linspace(0, n - 1, min(PAIRS_LOOKED_AT, n)).astype(int))
    groups = np.array([[_total(f) for f in frames[int(j) * k : int(j) * k + k]] for j in picks])
    if len(groups) < 4 or (groups <= 0).any():
        return None
    logs = np.log(groups) - np.log(groups).mean(axis=1, keepdims=True)
    typical = np.median(logs, axis=0)
    scatter = float(np.median(np.abs(logs - typical)))
    spread = float(typical.max() - typical.min())
    return float(np.exp(spread)) if spread > max(np.log(SMALLEST_RATIO), SCATTERS * scatter) else None


def same_rows(frames: Indices, n_file: int, n_positions: int) -> Indices | None:
    """Rows of the table for frames, where there is one for each of them or for each frame of the file."""
    if n_positions == len(frames):
        return np.arange(n_positions)
    return frames if n_positions == n_file else None


def repeated(frames: Indices, n_positions: int, k: int, *, interleaved: bool = True) -> Pairing:
    """Frames of which k belong to each position."""
    rows = np.arange(n_positions)
    order = "one after the other" if interleaved else "in one scan after the other"
    text = f"{len(frames)} frames for {n_positions} positions: {k} exposures of each, {order}"
    return Pairing(frames, np.repeat(rows, k) if interleaved else np.tile(rows, k), "several exposures", text)


def cut(frames: Indices, rows: Indices, written: int, n_rows: int, n_positions: int, unwritten: str) -> Pairing:
    """Leave out frames from number `written` on (never written), and rows from `n_rows` on (never filled in)."""
    keep = (frames < written) & (rows < n_rows)
    if keep.all():
        return Pairing(frames, rows)
    parts = []
    if (frames >= written).any():
        parts.append(f"frames {written} to {frames[-1]} {unwritten}")
    if n_rows < n_positions:
        parts.append(f"positions {n_rows} to {n_positions - 1} were never filled in")
    text = f"{int(keep.sum())} of {len(frames)} frames are used ({n_positions} positions): {' and '.join(parts)}"
    return Pairing(frames[keep], rows[keep], "aborted scan", text)


def first_of_both(
    frames: Indices, written: int, filled: tuple[int, ...], n_positions: int, unwritten: str
) -> Pairing | None:
    """Pair the first frames with the first rows where as many frames as rows were written; None otherwise."""
    kept = frames[frames < written]
    n_rows = len(kept)
    if n_rows not in filled or not n_rows:
        return None
    parts = [f"{n_rows} frames hold data and {n_rows} positions are filled in, as many"]
    if len(kept) < len(frames):
        parts.append(f"frames {written} to {frames[-1]} {unwritten}")
    if n_rows < n_positions:
        parts.append(f"positions {n_rows} to {n_positions - 1} were written ahead as nan, zero or all equal")
    text = f"{len(frames)} frames and {n_positions} positions: the first {n_rows} of both are used; {'; '.join(parts)}"
    return Pairing(kept, np.arange(n_rows), "aborted scan", text)


def by_keys(frames: Indices, i: Indices, j: Indices, n_positions: int, why: str) -> Pairing:
    """Frames and rows that keys pair: `i` indexes `frames`, `j` the table."""
    text = (
        f"{len(frames)} frames and {n_positions} positions: {len(i)} pairs found {why}; "
        f"{len(frames) - len(i)} frames and {n_positions - len(j)} positions without a partner are left out"
    )
    return Pairing(frames[i], j, "aborted scan", text)
