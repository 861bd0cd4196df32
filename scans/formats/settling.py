"""From what was read of each frame to what the scan has: frames and positions paired, positions in metres."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats import aborted
from scans.formats.aborted import Indices, Pairing
from scans.formats.facts import GIVEN, Facts
from scans.formats.hdf5 import InputFile
from scans.formats.keys import find_keys, match
from scans.formats.overrides import option_error
from scans.formats.position_units import in_metres, reduce_readings
from scans.formats.selection import select


def settle(facts: Facts) -> None:
    """Pair frames with positions, bring these to metres, and take everything else there is for each frame along.

    Where order or keys prove which frames have positions, these are used, with a note that names both numbers.
    Otherwise it is a problem, with the options that decide it. Nothing is left out without being said.
    """
    reduce_readings(facts)
    facts.all_frames = facts.all_frames if facts.all_frames is not None else facts.frames
    pairing = None if facts.all_frames is None else _pairing(facts)
    n_file, n_rows = facts.n_in_file, 0 if facts.table is None else len(facts.table.values)
    rows = np.arange(n_rows) if pairing is None else pairing.rows
    if facts.table is not None:
        in_metres(facts, facts.table, rows)
    if facts.all_frames is None or pairing is None:
        _settle_companions(facts, facts.chosen, n_rows, rows)
        return
    if pairing.what:
        where = f"{facts.file.where(facts.frames_path)} and {facts.positions_where}"
        numbers = f"{len(pairing.frames)} of {len(facts.chosen)} frames, {n_rows} positions"
        facts.note(pairing.what, numbers, where, pairing.text, guess=True)
    facts.frames = select(facts.all_frames, pairing.frames)
    whole = len(pairing.frames) == n_file and bool((pairing.frames == np.arange(n_file)).all())
    facts.index_in_file = None if whole else pairing.frames.astype(np.int64)
    _settle_companions(facts, pairing.frames, n_rows, rows)


def _pairing(facts: Facts) -> Pairing | None:
    """Which frames go with which rows; None where that is a problem, which is then on record."""
    chosen, table, wanted = facts.chosen, facts.table, facts.overrides.n_frames
    if wanted is not None:
        return _first_so_many(facts, wanted)
    written, unwritten = _end_of_frames(facts)
    if table is None:
        _refuse_unwritten(facts, len(chosen))
        return None
    n_positions = len(table.values)
    k = getattr(facts.overrides, "frames_per_position", None)
    if k is not None and k > 1:
        return _as_told(facts, chosen, n_positions, k)
    rows = aborted.same_rows(chosen, facts.n_in_file, n_positions)
    if rows is not None:
        return aborted.cut(chosen, rows, written, aborted.rows_with_numbers(table.values), n_positions, unwritten)
    found = _several_exposures(facts, chosen, n_positions) or _by_keys(facts, chosen, written, n_positions)
    filled = aborted.rows_filled_in(table.values)
    found = found or aborted.first_of_both(chosen, written, filled, n_positions, unwritten)
    if found is None and facts.growing and min(written, n_positions) > 0:
        found = _first_of_a_growing_file(chosen, min(len(chosen[chosen < written]), n_positions), n_positions)
    if found is None:
        facts.problems.append(_question(facts, chosen, n_positions))
        _refuse_unwritten(facts, len(chosen))
    return found


def _first_of_a_growing_file(chosen: Indices, n: int, n_positions: int) -> Pairing:
    """First of both in a file that is still being written: both grow in the order of time."""
    text = f"the file is still being written: {len(chosen)} complete frames, {n_positions} positions; the first {n} "
    return Pairing(chosen[:n], np.arange(n), "growing file", text + "of both are used")


def _first_so_many(facts: Facts, wanted: int) -> Pairing | None:
    """As many frames and positions from the first as the user says."""
    chosen, table = facts.chosen, facts.table
    if wanted > len(chosen):
        facts.problems.append(option_error("n_frames", wanted, f"at most the {len(chosen)} frames there are"))
        return None
    kept = chosen[:wanted]
    facts.note("n_frames", f"the first {wanted} of {len(chosen)}", GIVEN)
    if table is None:
        return Pairing(kept, np.arange(0))
    n_positions = len(table.values)
    k = getattr(facts.overrides, "frames_per_position", None) or 1
    rows = aborted.same_rows(chosen, facts.n_in_file, n_positions)
    rows = np.repeat(np.arange(n_positions), k) if rows is None else rows
    if len(rows) < wanted:
        facts.problems.append(
            InputError(
                f"{len(rows)} positions for the {wanted} frames of scan.n_frames",
                where=facts.positions_where,
                expected="one position for every frame",
                fix=f"Give at most -s scan.n_frames={len(rows)}.",
            )
        )
        return None
    _refuse_unwritten(facts, wanted)
    return Pairing(kept, rows[:wanted])


def _as_told(facts: Facts, chosen: Indices, n_positions: int, k: int) -> Pairing | None:
    """So many frames at each position, as the user says."""
    if len(chosen) == k * n_positions:
        facts.note("frames_per_position", k, GIVEN)
        return aborted.repeated(chosen, n_positions, k)
    found = f"{len(chosen)} frames for {n_positions} positions"
    facts.problems.append(
        InputError(
            found,
            where=facts.positions_where,
            expected=f"{k * n_positions} frames with scan.frames_per_position={k}",
            fix=f"Correct -s scan.frames_per_position, or use the first -s scan.n_frames={len(chosen) // k * k}.",
        )
    )
    return None


def _end_of_frames(facts: Facts) -> tuple[int, str]:
    """Find from which frame on nothing was written, the number of all without, and how that shows."""
    stop = facts.n_in_file
    how = "were never written"
    if facts.unwritten and facts.unwritten[-1][1] >= stop:
        stop = facts.unwritten[-1][0]
    if facts.all_frames is None or stop == 0:
        return facts.n_in_file, how
    try:
        end = aborted.end_of_light(facts.all_frames, stop)
    except InputError:  # damaged frames have their own message, where they are read
        return stop, how
    if end < stop:
        how = "hold nothing but zeros or fill values" if stop == facts.n_in_file else f"{how} or hold only zeros"
    return end, how


def _refuse_unwritten(facts: Facts, total: int) -> None:
    """Refuse to use the first `total` frames where the last of them were never written; note other gaps."""
    holes = [(a, min(b, total)) for a, b in facts.unwritten if a < total]
    if holes and holes[-1][1] >= total:
        start = holes[-1][0]
        facts.problems.append(
            InputError(
                f"frames {start} to {total - 1} of {total} were never written",
                where=facts.file.where(facts.frames_path),
                expected="all frames written (the scan was aborted, or its file copied too early)",
                fix=f"Copy the finished file, or use what is there with -s scan.n_frames={start}.",
            )
        )


def _several_exposures(facts: Facts, chosen: Indices, n_positions: int) -> Pairing | None:
    """Pair k frames with each position where their recorded exposures alternate."""
    times = _for_frames(facts.exposures_s, chosen, facts.n_in_file)
    kind = None if times is None or not n_positions else aborted.alternating(times, n_positions)
    return None if kind is None else aborted.repeated(chosen, n_positions, kind[0], interleaved=kind[1])


def _by_keys(facts: Facts, chosen: Indices, written: int, n_positions: int) -> Pairing | None:
    """Pair by numbers or times that both sides have."""
    if not isinstance(facts.file, InputFile):
        return None
    keys = find_keys(facts.file, facts.entry, {facts.n_in_file, len(chosen), n_positions})
    ours = [k for k in keys if len(k.values) == facts.n_in_file]
    theirs = [k for k in keys if len(k.values) == n_positions]
    found = match(ours, theirs)
    if found is None:
        return None
    keep = np.isin(found[0], chosen) & (found[0] < written)
    i = np.searchsorted(chosen, found[0][keep])
    return aborted.by_keys(chosen, i, found[1][keep], n_positions, found[2]) if keep.any() else None


def _question(facts: Facts, chosen: Indices, n_positions: int) -> InputError:
    """Ask which frames have which positions, with everything that could be meant."""
    n = len(chosen)
    options = [
        f"If the scan was aborted and frame number k was taken at position number k, -s scan.n_frames="
        f"{min(n, n_positions)} uses the first of both."
    ]
    if n_positions and n % n_positions == 0 and 2 <= n // n_positions <= aborted.MOST_EXPOSURES:
        k = n // n_positions
        ratio = None if facts.frames is None else aborted.alternation_of_totals(facts.frames, k)
        seen = "" if ratio is None else f" (the totals alternate by a factor of {ratio:.3g}, which looks like it)"
        options.append(f"If every position was exposed {k} times{seen}, give -s scan.frames_per_position={k}.")
    if n and n_positions % n == 0:
        k = n_positions // n
        options.append(f"If there are {k} readings a frame, give -s scan.readings_per_frame={k}.")
    options.append(
        "If frames were dropped in between, only a number for each frame and each position can tell (such as "
        "uniqueKeys, sequence_number or frame_number on both sides)."
    )
    return InputError(
        f"{n} frames in {facts.frames_path} but {n_positions} positions, and nothing in the file says which belong "
        "together",
        where=facts.positions_where,
        expected="one position for every frame",
        fix=" ".join(options),
    )


def _for_frames(values: NDArray[Any] | None, frames: Indices, n_file: int) -> NDArray[Any] | None:
    """Values for the frames with the numbers `frames`, of values for all in the file or for these; None if neither."""
    if values is None:
        return None
    if len(values) == n_file:
        picked: NDArray[Any] = values[frames]
        return picked
    return values if len(values) == len(frames) else None


def _settle_companions(facts: Facts, frames: Indices, n_rows: int, rows: Indices) -> None:
    """Monitor, exposures and masks of the frames that are used."""

    def pick(values: NDArray[Any] | None) -> NDArray[Any] | None:
        found = _for_frames(values, frames, facts.n_in_file)
        if found is None and values is not None and len(values) == n_rows and len(rows) == len(frames):
            return np.asarray(values[rows])
        return found

    facts.exposures_s = _settle_exposures(facts, pick)
    if facts.mask is not None and facts.mask.ndim == 3:
        each = pick(facts.mask)
        same = each is None or bool((each == each[:1]).all())
        facts.mask = np.logical_and.reduce(facts.mask if each is None else each, axis=0) if same else each
    for values, where in facts.monitors:
        used = pick(values)
        if used is None and facts.frames is None:
            used = values
        wanted = facts.overrides.n_frames
        if used is None and wanted is not None and len(values) >= len(frames):
            used = values[: len(frames)]
        if used is None:
            facts.note("monitor", "not used", where, f"{len(values)} values for {len(frames)} frames")
        elif not (np.isfinite(used).all() and (used > 0).all()):
            facts.note("monitor", "not used", where, "values that are not finite and positive")
        else:
            facts.monitor = used
            facts.note("monitor", f"{len(used)} values, mean {used.mean():.6g}", where)
            return


def _settle_exposures(facts: Facts, pick: Any) -> NDArray[np.float64] | None:
    """Exposures of the used frames; those that are one become one."""
    times: NDArray[np.float64] | None = pick(facts.exposures_s)
    if facts.exposures_s is not None and times is None:
        facts.note("exposures_s", "not used", facts.frames_path, f"{len(facts.exposures_s)} for other frames")
    if times is None or not times.size or times.max() - times.min() > 1e-3 * times.max():
        return times
    facts.exposure_s = float(np.median(times)) if not math.isnan(times[0]) else None
    return None
