"""Stage readings to metres on the sample: readings of one frame together, unit or scale, signs and swap."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts import GIVEN, Facts, PositionTable
from scans.formats.overrides import option_error
from scans.formats.streams import mean_reading
from scans.formats.units import (
    implausible_positions,
    normalise_unit,
    plausible_position_units,
    unit_factor,
)
from scans.scan import RawPositions


def reduce_readings(facts: Facts) -> None:
    """Take the mean of the readings of each frame where the user says how many there are in a row."""
    table, k = facts.table, facts.overrides.readings_per_frame
    if table is None or k is None or k == 1:
        return
    n = len(table.values)
    if table.readings is not None:
        facts.note("readings_per_frame", "not used", GIVEN, f"the file holds {table.readings.shape[1]} a frame")
        return
    if n % k:
        facts.refuse(
            InputError(
                f"{n} readings",
                where=table.where,
                expected=f"a multiple of the {k} of scan.readings_per_frame",
                fix=f"{facts.n_in_file} frames times a whole number would do: correct -s scan.readings_per_frame.",
            ),
            "positions",
        )
        facts.table = None
        return
    readings = table.values.reshape(n // k, k, 2)
    why = f"{table.why}; mean of {k} readings a frame"
    facts.table = replace(table, values=mean_reading(readings), readings=readings, why=why)
    facts.note("readings_per_frame", k, GIVEN, f"{n} readings, {n // k} positions")


def in_metres(facts: Facts, table: PositionTable, rows: NDArray[np.int64]) -> None:
    """Set the positions, and the readings, of the given rows of the table; a problem where their unit is none."""
    values = table.values[rows]
    units, factors = _factors(facts, table, values)
    directions = _directions(facts, table)
    matrix = directions * factors
    finite = np.isfinite(values).all(axis=1)
    if np.isfinite(factors).all() and finite.size and finite.all():  # others have their own error
        wrong = implausible_positions(values, values @ matrix.T, where=table.where)
        if wrong is not None:
            facts.problems.append(wrong)
    unit = units[0]
    if units[0] != units[1]:  # one unit for both columns: the map takes the difference
        unit = f"{units[0]}, {units[1]}"
    facts.positions = RawPositions(values, unit, table.names, matrix)
    if table.readings is not None:
        facts.readings_m = table.readings[rows] @ matrix.T
        facts.note("readings_m", f"{table.readings.shape[1]} a frame", table.where, "kept; their mean is the position")
    names = ", ".join(table.names)
    facts.note("positions", f"{len(values)} of ({names}) [{unit}]", table.where, table.why, guess=table.guess)


def _factors(
    facts: Facts, table: PositionTable, values: NDArray[np.float64]
) -> tuple[tuple[str, str], NDArray[np.float64]]:
    """Units of the two columns and metres in each; nan, and a problem, where that is unknown."""
    unit, scale = facts.overrides.position_unit, facts.overrides.position_scale_m
    said = [u for u in dict.fromkeys(table.units) if u]
    stored = f"the file says {' and '.join(said)}" if said else "the file is silent"
    if unit is not None and scale is not None:
        problem = option_error("position_scale_m", scale, f"either this or scan.position_unit={unit}, not both")
        facts.problems.append(problem)
        return ("", ""), np.full(2, math.nan)
    if scale is not None:
        pair = np.atleast_1d(np.asarray(scale, dtype=np.float64))
        if pair.size not in (1, 2):
            facts.problems.append(option_error("position_scale_m", scale, "one number, or (y, x)"))
            return ("", ""), np.full(2, math.nan)
        facts.note("position_scale_m", scale, GIVEN, f"metres a count; {stored}")
        count = tuple(normalise_unit(u or "count") for u in table.units)
        return (count[0], count[1]), np.array([pair[0], pair[-1]])
    if unit is not None:
        facts.note("position_unit", unit, GIVEN, stored)
        units: tuple[str | None, str | None] = (unit, unit)
    else:
        units = table.units
        if None in units:
            guessed = _guess_unit(facts, table, values) if units == (None, None) else units[0] or units[1]
            units = (units[0] or guessed, units[1] or guessed)
    try:
        factors = [
            unit_factor(u, "length", where=table.where, option="scan.position_unit=um") if u else math.nan
            for u in units
        ]
    except InputError as problem:
        facts.problems.append(problem)
        factors = [math.nan, math.nan]
    return (normalise_unit(units[0] or ""), normalise_unit(units[1] or "")), np.array(factors)


def _guess_unit(facts: Facts, table: PositionTable, values: NDArray[np.float64]) -> str | None:
    """Return the only unit in which the readings are a plausible scan, None (a problem) for several."""
    fitting = plausible_position_units(values)
    if len(fitting) == 1 and len(values) > 1:
        facts.note("position_unit", fitting[0], table.where, "no unit; the only plausible one", guess=True)
        return fitting[0]
    low, high = (np.nanmin(values), np.nanmax(values)) if np.isfinite(values).any() else (math.nan, math.nan)
    facts.problems.append(
        InputError(
            f"{len(values)} positions ({', '.join(table.names)}) from {low:.6g} to {high:.6g} have no unit",
            where=table.where,
            expected="a units attribute",
            fix="Give it with -s scan.position_unit=um (or m, mm, nm), or metres a stage count with "
            "-s scan.position_scale_m=METRES.",
        )
    )
    return None


def _directions(facts: Facts, table: PositionTable) -> NDArray[np.float64]:
    """How the patch moves, rows sample y and x: the file's, or the user's signs and swap of the columns."""
    told = facts.overrides.position_axes
    if told is None:
        return table.directions
    signs = np.zeros((2, 2))
    for row, part in enumerate(told.split(",")):
        signs[row, "yx".index(part[-1])] = -1.0 if part.startswith("-") else 1.0
    lengths = np.linalg.norm(table.directions, axis=0)
    facts.note("position_axes", told, GIVEN, f"sample (y, x) in terms of the columns ({', '.join(table.names)})")
    return signs * lengths
