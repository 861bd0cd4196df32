"""What stands above the rows of a text table: names and units of columns, ``key = value`` lines; JSON likewise."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.formats.labels import is_unit, split_label
from scans.formats.units import normalise_unit

MAX_VALUES = 100_000
_PAIR = re.compile(r"\s*(?P<key>[^\W\d][^=:;,\t]{0,80}?)\s*[=:]\s*(?P<value>\S.*?)\s*")
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_NUMBERS = re.compile(
    rf"[\[(]?\s*(?P<numbers>{_NUMBER}(?:(?:\s*[,;]\s*|\s+){_NUMBER})*)\s*[\])]?"
    r"\s*(?P<unit>[\[(]?[^\W\d_][^\s\[\]()]*[\])]?)?(?:\s*\([^()]*\))?"
)
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")
# A name and the unit in brackets behind it, where blanks stand between the names.
_WORDS = re.compile(r"[^\s(\[]+(?:\s*[(\[][^)\]]*[)\]])?")

Split = Callable[[str], list[str]]


@dataclass(frozen=True)
class Value:
    """One column of a table or one value of its header: name, unit, and numbers or texts (``()`` or ``(n,)``)."""

    name: str
    unit: str | None
    values: NDArray[Any]


def is_pair(line: str) -> bool:
    """Tell whether a line is ``key = value`` or ``key: value``."""
    return bool(_PAIR.fullmatch(line))


def names_and_units(
    before: Sequence[str], split: Split, width: int
) -> tuple[list[str], list[str | None], tuple[int, ...]]:
    """Find the names of a table's columns in the lines above it.

    Parameters
    ----------
    before
        Lines above the first row, comment signs taken off.
    split
        How rows are split into fields.
    width
        Fields in a row.

    Returns
    -------
    names, units
        ``"1"``, ``"2"`` ... and None where no line has as many names as there are fields. Equal names are told
        apart as ``x#2``.
    used
        Indices of the lines that gave names and units.
    """
    names = [str(i + 1) for i in range(width)]
    units: list[str | None] = [None] * width
    line_units: list[str | None] | None = None
    used: tuple[int, ...] = ()
    for index in range(len(before) - 1, max(len(before) - 4, -1), -1):
        fields = _split_names(before[index], split, width)
        if fields is None:
            continue
        if line_units is None and all(f.strip("()[]{}- ") == "" or is_unit(f) for f in fields):
            line_units, used = [normalise_unit(f.strip("()[]{}- ")) or None for f in fields], (index,)
            continue
        labels = [split_label(f) for f in fields]
        names, used = unique([name or str(i + 1) for i, (name, _) in enumerate(labels)]), (*used, index)
        units = [unit for _, unit in labels]
        break
    if line_units is not None:
        units = [own or below for own, below in zip(units, line_units, strict=True)]
    return names, units, used


def _split_names(text: str, split: Split, width: int) -> list[str] | None:
    """Fields of a line of names; None where no way of splitting gives `width` of them."""
    ways: tuple[Split, ...] = (
        split,
        lambda t: [f.strip() for f in t.split("\t")],
        lambda t: [f.strip() for f in t.split(";")],
        lambda t: [f.strip() for f in t.split(",")],
        lambda t: re.split(r"\s{2,}", t.strip()),
        _WORDS.findall,
    )
    pair = _PAIR.fullmatch(text)
    if pair and (width == 1 or _NUMBERS.fullmatch(pair["value"])):
        return None
    for way in ways:
        fields = [f.strip("\"'") for f in way(text)]
        if len(fields) == width and any(fields) and not any(re.fullmatch(_NUMBER, f) for f in fields):
            return fields
    return None


def unique(names: Iterable[str]) -> list[str]:
    """Tell equal names apart: ``x``, ``x#2``, ``x#3``."""
    out: dict[str, None] = {}
    for name in names:
        count = 1
        while (told := name if count == 1 else f"{name}#{count}") in out:
            count += 1
        out[told] = None
    return list(out)


def header_values(lines: Iterable[str], split: Split, decimal: str = ".") -> tuple[list[Value], dict[str, str]]:
    """Read ``key = value`` lines, and lines ``key, number, unit`` split as the rows are.

    Parameters
    ----------
    lines
        Comment signs taken off.
    split
        How rows are split into fields.
    decimal
        The decimal sign of the table.

    Returns
    -------
    values
        Numbers, with the unit behind them or in the key.
    texts
        Other values by key.
    """
    values: list[Value] = []
    texts: dict[str, str] = {}
    for line in lines:
        for part in _parts(line):
            pair = _PAIR.fullmatch(part)
            key, text = (pair["key"], pair["value"]) if pair else _plain_pair(part, split)
            value = _value(key, text, decimal) if key else None
            if value is not None:
                values.append(value)
            elif pair:
                texts.setdefault(key, text.strip("\"'")[:500])
    names = unique(v.name for v in values)
    return [Value(n, v.unit, v.values) for n, v in zip(names, values, strict=True)], texts


def _parts(line: str) -> list[str]:
    """Several pairs on one line, where every part is one."""
    parts = [p for p in re.split(r"[;,\t]|\s{2,}", line) if p.strip()]
    return parts if len(parts) > 1 and all(_PAIR.fullmatch(p) for p in parts) else [line]


def _plain_pair(line: str, split: Split) -> tuple[str, str]:
    """``energy,700,eV`` or ``energy 700 eV``: key and value; empty where it is none."""
    fields = split(line)
    if len(fields) == 3 and not re.fullmatch(r"[\[(]?[^\W\d_][^\s\[\]()]*[\])]?", fields[2]):
        return "", ""
    if len(fields) in (2, 3) and re.match(r"[^\W\d]", fields[0]) and re.match(r"[+\-.\d]", fields[1]):
        return fields[0], " ".join(fields[1:])
    return "", ""


def _value(key: str, text: str, decimal: str) -> Value | None:
    """Read a number or numbers with a unit; None where the text is something else."""
    text = text.strip("\"'")
    match = _NUMBERS.fullmatch(_DECIMAL_COMMA.sub(".", text) if decimal == "," else text)
    if not match:
        return None
    numbers = [float(n) for n in re.split(r"[\s,;]+", match["numbers"])]
    name, unit = split_label(key)
    unit = normalise_unit((match["unit"] or "").strip("()[]")) or unit
    return Value(name, unit, np.array(numbers[0] if len(numbers) == 1 else numbers))


def json_values(data: Any) -> tuple[list[Value], dict[str, str]]:
    """Numbers, lists of numbers and texts of a JSON object by their keys; keys of inner objects behind a point.

    ``{"energy": {"value": 700, "unit": "eV"}}`` gives one value with a unit, a list of objects a column for each key.
    """
    values: list[Value] = []
    texts: dict[str, str] = {}
    todo: list[tuple[str, Any, int]] = [("", data, 0)]
    while todo and len(values) < MAX_VALUES:
        key, one, depth = todo.pop(0)
        name, unit = split_label(key)
        if isinstance(one, list) and one and all(isinstance(row, dict) for row in one):
            # rows of a table: a value that a row lacks is missing
            one = {k: [row.get(k) for row in one] for k in dict.fromkeys(k for row in one for k in row)}
        if isinstance(one, dict):
            given = next((one[u] for u in ("unit", "units") if isinstance(one.get(u), str)), None)
            array = _numbers(one.get("value", one.get("values")))
            if array is not None:
                values.append(Value(name, (normalise_unit(given) if given else unit) or None, array))
            elif depth < 8:
                todo = [(f"{key}.{k}" if key else str(k), v, depth + 1) for k, v in one.items()] + todo
        elif (array := _numbers(one)) is not None:
            values.append(Value(name or "values", unit, array))
        elif isinstance(one, str) and key:
            texts[key] = one[:500]
    names = unique(v.name for v in values)
    return [Value(n, v.unit, v.values) for n, v in zip(names, values, strict=True)], texts


def _numbers(value: Any) -> NDArray[Any] | None:
    """Array of a number, a truth value, or an even list of them (None in a list is missing); else None."""
    if isinstance(value, bool | int | float):
        return np.array(value if isinstance(value, bool) else float(value))
    if not isinstance(value, list) or not value:
        return None
    try:
        array = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        return None
    plain = all(isinstance(v, bool | int | float | list | None) for v in value)
    return array if plain and array.ndim <= 3 else None
