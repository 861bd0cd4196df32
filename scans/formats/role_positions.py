"""Which arrays are the scan positions: pairs of arrays, two columns of one, or the two axes of a grid."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from scans.formats.role_arrays import FrameFacts
from scans.formats.role_guess import Candidate, Named, reference
from scans.formats.role_numbers import MAX_LOG, labels_of, values_of
from scans.formats.role_words import axis_of, order_of_two, word_score
from scans.formats.units import (
    LENGTHS_M,
    POSITION_SPAN_LIMIT_M,
    POSITION_STEP_RANGE_M,
    normalise_unit,
    span,
    typical_step,
)

# So many arrays of fitting length are tried in pairs.
MAX_PAIRED = 64
# Steps of a scan with overlap, in units of the object's pixel: above half a pixel, within the lit field.
STEP_PIXELS = (0.25, 0.75)  # lower limit in pixels, upper limit in shares of the frame's side
# Readings that came back from the stage go before those that were asked for.
READ_BACK = ("read", "rbv", "enc", "meas", "actual", "interf")
ASKED_FOR = ("set", "demand", "target", "nominal", "cmd", "request", "ideal")


@dataclass(frozen=True)
class Pair:
    """Readings of two axes, and how they are named in the mapping.

    Parameters
    ----------
    y, x
        Items; the same one for two columns.
    select
        What is taken of each, such as ``("[:,1]", "[:,0]")``.
    values
        ``(P, 2)`` readings (y, x), one a frame.
    score, evidence
        From names and shapes.
    """

    y: Named
    x: Named
    select: tuple[str, str]
    values: NDArray[np.float64]
    score: float
    evidence: tuple[str, ...]
    doubt: bool = False


def position_candidates(
    items: Sequence[Named], facts: FrameFacts, object_pixel_m: tuple[float, float] | None
) -> list[Candidate]:
    """Score pairs of axes for being the scan positions.

    Parameters
    ----------
    items
        Of the source.
    facts
        Of the frames.
    object_pixel_m
        ``(y, x)``, where energy, distance and pixel size are known: it tells which unit and step are sensible.
    """
    pairs = [*_columns(items, facts), *_pairs(items, facts)]
    found = [c for c in (_scored(pair, facts, object_pixel_m) for pair in pairs) if c is not None]
    return sorted(found, key=lambda c: -c.score)


def _lengths(facts: FrameFacts) -> set[tuple[int, ...]]:
    """Shapes of one reading a frame."""
    return {(facts.n_frames,), facts.lead}


def _columns(items: Sequence[Named], facts: FrameFacts) -> Iterator[Pair]:
    """Two columns (or rows) of one array."""
    for item in items:
        words, _ = word_score("positions", item.name)
        if words <= 0 or len(item.shape) != 2 or not item.numeric or item.size > 3 * MAX_LOG:
            continue
        by_row = item.shape[1] in (2, 3)
        if not by_row and item.shape[0] not in (2, 3):
            continue
        count = item.shape[0 if by_row else 1]
        values = values_of(item, 3 * MAX_LOG)
        if values is None or not _near(count, facts.n_frames):
            continue
        table = values.reshape(item.shape) if by_row else values.reshape(item.shape).T
        (y, x), points, why = _order(item, table)
        mark = "[:,{}]" if by_row else "[{}]"
        shape = f"{table.shape[1]} {'columns' if by_row else 'rows'}"
        evidence = [f'named "{item.label}"', *_count_note(count, facts), shape]
        score = min(words, 2.0) + 0.5 + points - (0.0 if count == facts.n_frames else 1.0)
        select = (mark.format(y), mark.format(x))
        doubt = points < 1 or count != facts.n_frames
        yield Pair(item, item, select, table[:, [y, x]], score, (*evidence, why), doubt)


def _order(item: Named, table: NDArray[np.float64]) -> tuple[tuple[int, int], float, str]:
    """Columns of y and x, what their certainty adds, and why."""
    said = order_of_two(item.name.own, labels_of(item)) or order_of_two(item.name.group)
    if said is not None:
        return ((0, 1) if said[0] == "yx" else (1, 0)), 1.5, said[1]
    moves = [float(np.abs(np.diff(table[:, k])).sum()) for k in (0, 1)]
    fast = int(moves[1] > moves[0])
    if max(moves) > 4 * min(moves) > 0:
        why = f"which column is y is not said; column {fast} moves faster and is taken as x"
        return (1 - fast, fast), 0.0, why
    return (1, 0), 0.0, "which column is y is not said: taken as x, y. If that is wrong, swap the two lines"


def _count_note(count: int, facts: FrameFacts) -> list[str]:
    if count == facts.n_frames:
        return ["one a frame"]
    return [f"{count} readings for {facts.n_frames} frames (an aborted scan?)"]


def _near(count: int, n_frames: int) -> bool:
    """Tell whether a number of readings can belong to the frames: an aborted scan has more or fewer."""
    return count > 1 and n_frames / 3 <= count <= 3 * n_frames


def _pairs(items: Sequence[Named], facts: FrameFacts) -> Iterator[Pair]:
    """Two arrays whose names tell two different axes."""
    told = [(item, axis) for item in items if (axis := axis_of(item.name.own)) is not None]
    fitting = [(item, axis) for item, axis in told if item.numeric and _could_be(item, facts)][:MAX_PAIRED]
    readings = {item.path: values_of(item, MAX_LOG) for item, _ in fitting}
    for (first, a), (second, b) in combinations(fitting, 2):
        words = [word_score("positions", item.name)[0] for item in (first, second)]
        if a[0] == b[0] or min(words) < 0 or _third_in(fitting, (first, a), (second, b)):
            continue
        vertical = "z" if "z" in (a[0], b[0]) else "y"  # of z and another axis, z is taken as the vertical one
        y, x = (first, second) if a[0] == vertical else (second, first)
        together = _together(y, x, (readings[y.path], readings[x.path]), facts)
        if together is None:
            continue
        values, points, notes = together
        doubt = vertical == "z" or len(notes) > 1 or len(values) != facts.n_frames
        same_group = first.name.group == second.name.group
        points += (2.5 if a[1] == b[1] else 1.0) if same_group else 0.5
        points += min(max(words), 2.0) / 2 + _kind_of_reading(y.name.full)
        notes.insert(0, f'named "{y.label}" and "{x.label}"')
        if vertical == "z":
            points -= 1.0
            notes.append(f"which one is vertical is not said: {y.label} taken as y")
        yield Pair(y, x, ("", ""), values, points, tuple(notes), doubt)


def _third_in(
    fitting: Sequence[tuple[Named, tuple[str, str]]],
    first: tuple[Named, tuple[str, str]],
    second: tuple[Named, tuple[str, str]],
) -> bool:
    """Tell whether a pair with a z belongs to x, y, z of one name: then z is the one along the beam."""
    axes = first[1][0] + second[1][0]
    return "z" in axes and any(
        item.shape == first[0].shape and own[1] == first[1][1] and own[0] not in axes for item, own in fitting
    )


def _kind_of_reading(name: str) -> float:
    """Count readings that came back more than set points."""
    if any(word in name for word in READ_BACK):
        return 0.5
    return -0.5 if any(word in name for word in ASKED_FOR) else 0.0


def _could_be(item: Named, facts: FrameFacts) -> bool:
    """Tell whether an array has a length that positions of these frames can have."""
    if item.shape in _lengths(facts) or (len(item.shape) == 2 and item.shape[0] == facts.n_frames):
        return item.size <= MAX_LOG
    if len(item.shape) != 1 or item.size > MAX_LOG:
        return False
    axis_of_grid = item.size in facts.lead or (facts.n_frames % item.size == 0 and item.size > 1)
    return axis_of_grid or _near(item.size, facts.n_frames)


def _together(
    y: Named,
    x: Named,
    readings: tuple[NDArray[np.float64] | None, NDArray[np.float64] | None],
    facts: FrameFacts,
) -> tuple[NDArray[np.float64], float, list[str]] | None:
    """Return readings ``(P, 2)`` of two arrays, what their lengths add to the score, and what to say; or None."""
    first, second = readings
    if first is None or second is None:
        return None
    n, m = first.size, second.size
    if y.shape == x.shape and len(y.shape) == 2 and y.shape != facts.lead:
        means = [v.reshape(y.shape).mean(axis=1) for v in (first, second)]
        return np.stack(means, axis=1), 1.0, [f"{y.shape[1]} readings a frame"]
    if n == m == facts.n_frames:
        return np.stack([first, second], axis=1), 1.0, ["one a frame"]
    if (n, m) == facts.lead or (m, n) == facts.lead or n * m == facts.n_frames:
        return _grid(first, second, facts)
    if n == m and _near(n, facts.n_frames):
        return np.stack([first, second], axis=1), 0.0, _count_note(n, facts)
    return None


def _grid(
    y: NDArray[np.float64], x: NDArray[np.float64], facts: FrameFacts
) -> tuple[NDArray[np.float64], float, list[str]]:
    """Spread the two axes of a grid over its frames; the first scan axis is the slow one."""
    slow_y = facts.lead != (x.size, y.size) or x.size == y.size
    a, b = np.meshgrid(y, x, indexing="ij") if slow_y else np.meshgrid(y, x, indexing="xy")
    values = np.stack([a.reshape(-1), b.reshape(-1)], axis=1)
    notes = [f"axes of a grid, {'y' if slow_y else 'x'} slow"]
    if y.size == x.size or len(facts.lead) == 1:
        notes.append("which axis is slow is not said")
        return values, 0.5, notes
    return values, 1.0, notes


def _scored(pair: Pair, facts: FrameFacts, object_pixel_m: tuple[float, float] | None) -> Candidate | None:
    """Add what the numbers themselves say: unit, steps, spread in two dimensions."""
    values = pair.values
    finite = values[np.isfinite(values).all(axis=1)]
    if len(finite) < 2 or not _in_two_dimensions(finite):
        return None
    unit, points, why = _unit_of(pair, finite, facts, object_pixel_m)
    if points < -1:
        return None
    evidence = [*pair.evidence, why, "spread in two dimensions"]
    score = pair.score + points + 0.5
    entries = {
        "y": reference(pair.y, unit, pair.select[0]),
        "x": reference(pair.x, unit, pair.select[1]),
    }
    sample = finite[:: max(1, len(finite) // 50)]
    factor = LENGTHS_M.get(unit or normalise_unit(pair.y.item.unit or ""), 1.0)
    places = tuple((sample * factor).reshape(-1).tolist())
    doubt = pair.doubt or why.startswith(("no unit", "whole numbers"))
    return Candidate(entries, score, tuple(e for e in evidence if e), places, doubt)


def _in_two_dimensions(values: NDArray[np.float64]) -> bool:
    """Tell whether points spread over an area, with more than two places on each axis, or a small grid."""
    if (np.ptp(values, axis=0) == 0).any():
        return False
    unit = (values - values.mean(axis=0)) / values.std(axis=0)
    narrow = np.linalg.svd(unit, compute_uv=False)[-1] / math.sqrt(len(values))
    return bool(narrow > 0.05)


def _unit_of(
    pair: Pair, values: NDArray[np.float64], facts: FrameFacts, object_pixel_m: tuple[float, float] | None
) -> tuple[str | None, float, str]:
    """Return the unit to write out (None: none, or the source says it), what it adds (below -1: reject), and why."""
    for units, points, said in (
        ({pair.y.item.unit, pair.x.item.unit}, 1.5, ""),
        ({pair.y.name.unit, pair.x.name.unit}, 1.25, "unit from the name, "),
    ):
        unit = normalise_unit(next(iter(units)) or "") if len(units) == 1 else ""
        if unit in LENGTHS_M:
            fits = _fits(values * LENGTHS_M[unit], facts, object_pixel_m)
            if fits < 0:
                return unit, -0.5, f"{said}{_steps(values, unit)}, which is no scan of these frames"
            return unit, points + 0.5 * fits, f"{said}{_steps(values, unit)}"
        if unit:
            return None, -2.0, ""
    if pair.y.item.dtype.kind in "iu" or pair.x.item.dtype.kind in "iu":
        return None, -0.5, "whole numbers without a unit: stage counts, or a unit that has to be given"
    possible = [(u, _fits(values * LENGTHS_M[u], facts, object_pixel_m)) for u in ("m", "mm", "um", "nm")]
    good = [u for u, fits in possible if fits == 1] or [u for u, fits in possible if fits == 0]
    if len(good) == 1:
        return good[0], 0.5, f"no unit; only in {good[0]} {_steps(values, good[0])} make sense"
    return None, -0.5 if good else -2.0, "no unit, and several are possible" if good else ""


def _steps(values: NDArray[np.float64], unit: str) -> str:
    return f"steps of {typical_step(values):.3g} {unit} over {span(values):.3g} {unit}"


def _fits(positions_m: NDArray[np.float64], facts: FrameFacts, object_pixel_m: tuple[float, float] | None) -> int:
    """Say how well steps suit: 1 for overlapping spots of this geometry, 0 for a possible scan, -1 for none."""
    step, extent = typical_step(positions_m), span(positions_m)
    low, high = POSITION_STEP_RANGE_M
    if not (low <= step * (1 + 1e-9) and step <= high and extent < POSITION_SPAN_LIMIT_M):
        return -1
    if object_pixel_m is None:
        return 0
    pixel, side = math.sqrt(math.prod(object_pixel_m)), min(facts.shape)
    return int(STEP_PIXELS[0] <= step / pixel <= STEP_PIXELS[1] * side)
