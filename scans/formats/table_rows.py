"""The rows of a text table: which sign stands between fields, which lines are rows, and what was odd."""

from __future__ import annotations

import csv
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.formats.table_header import Value, is_pair
from scans.scan import Finding

COMMENTS = ("#", "%", ";", "//", "!")
MISSING = {"", "-", "--", "---", "?", "na", "n/a", "#n/a", "nan", "-nan", "+nan", "none", "null", "missing"}
SAMPLE_LINES = 400
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?|[+-]?inf(?:inity)?", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eEdD][+-]?\d+)?")
_TORN = re.compile(r"[\d.,;|\s+\-eEdD]+")
_INLINE = re.compile(r"\s[#%].*$")


@dataclass(frozen=True)
class Dialect:
    """How fields are told apart, and which sign is the decimal one.

    `delimiter` is a comma, a semicolon, a tab, a bar, ``", "`` (a comma and blanks) or ``" "`` (blanks).
    """

    delimiter: str
    decimal: str

    def split(self, line: str) -> list[str]:
        """Fields of a line, without quotes and blanks around them."""
        if self.delimiter == " ":
            return line.split()
        if self.delimiter == ", ":
            return [f.strip().strip('"') for f in re.split(r",\s+", line.strip())]
        line = line.strip(" \r\n")
        if '"' not in line:
            return [f.strip() for f in line.split(self.delimiter)]
        try:
            return [f.strip() for f in next(csv.reader([line], delimiter=self.delimiter, skipinitialspace=True), [])]
        except csv.Error:
            return [line]

    def number(self, text: str) -> float | None:
        """Value of a field: nan where missing, None where it is no number."""
        if self.decimal == "," and _DECIMAL_COMMA.fullmatch(text):
            text = text.replace(",", ".")
        if _NUMBER.fullmatch(text):
            return float(text.replace("d", "e").replace("D", "e"))
        return math.nan if text.lower() in MISSING else None

    def __str__(self) -> str:
        names = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars", ", ": "commas with blanks", " ": "blanks"}
        return f"{names[self.delimiter]} between fields" + (", decimal commas" if self.decimal == "," else "")


# In order of preference where two read the lines equally well: decimal commas only where points explain less.
DIALECTS = (
    *(Dialect(delimiter, ".") for delimiter in ("\t", ";", "|", ",", " ")),
    *(Dialect(delimiter, ",") for delimiter in ("\t", ";", "|", " ", ", ")),
)


@dataclass(frozen=True)
class Layout:
    """Dialect of a table, fields in a row, and which of them are numbers."""

    dialect: Dialect
    width: int
    numeric: tuple[bool, ...]


@dataclass
class Rows:
    """Lines of a table, told apart.

    Parameters
    ----------
    layout
        Of the rows.
    before, comments
        Lines above the first row and comments below it, comment signs taken off.
    fields
        Of each row, with the numbers read.
    short, long, odd
        Line numbers (from 1): rows with too few and too many fields; other lines among or above the rows.
    unread
        Line numbers of fields of text in a column of numbers.
    block
        All rows ``(n, width)`` where they are plain numbers and nothing else; `fields` has the first only.
    """

    layout: Layout
    before: list[str] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)
    fields: list[list[Any]] = field(default_factory=list)
    short: list[int] = field(default_factory=list)
    long: list[int] = field(default_factory=list)
    odd: list[int] = field(default_factory=list)
    unread: list[int] = field(default_factory=list)
    block: NDArray[np.float64] | None = None

    def column(self, index: int) -> NDArray[Any]:
        """Column ``(n,)``: float64, nan where missing; or texts."""
        if self.block is not None:
            return self.block[:, index].copy()
        values = [row[index] for row in self.fields]
        if self.layout.numeric[index]:
            return np.array(values, dtype=np.float64)
        return np.array([str(v)[:200] for v in values])


def uncommented(line: str) -> str:
    """Text of a line without the comment sign."""
    return line.strip().lstrip("#%;!/").strip(" \r\n")


def sniff(lines: Sequence[str]) -> Layout | None:
    """Tell how a table is laid out; None where no line holds a number."""
    some = [*lines[:2000], *lines[2000 :: max(1, len(lines) // 2000)]]
    plain = [_INLINE.sub("", line) for line in some if line.strip() and not _is_remark(line)]
    if len(plain) > SAMPLE_LINES:  # the start, and lines spread over the rest
        half = SAMPLE_LINES // 2
        plain = plain[:half] + plain[half :: max(1, (len(plain) - half) // half)]
    tried = {d: _score(plain, d) for d in DIALECTS}
    best = max(DIALECTS, key=lambda d: tried[d][0])
    layout, other = tried[best][1], tried[Dialect(", ", ",")][1]
    if layout and other and best == Dialect(",", ".") and other.width > 1 and _all_decimal_commas(plain, other):
        return other  # "1,5, 2,5": half of the commas stand before a blank
    return layout


def _is_remark(line: str) -> bool:
    return line.lstrip().startswith(COMMENTS) or is_pair(line)


def _score(lines: Sequence[str], dialect: Dialect) -> tuple[float, Layout | None]:
    """How well a dialect reads lines: its numbers, less what looks like numbers that it tore or left together."""
    read = [[(f, dialect.number(f)) for f in dialect.split(line)] for line in lines]
    read = [row for row in read if any(v is not None and not math.isnan(v) for _, v in row)]
    pure = [row for row in read if all(v is not None for _, v in row)]
    if not read:
        return -math.inf, None
    width = Counter(len(row) for row in pure or read).most_common(1)[0][0]
    rows = [row for row in read if len(row) == width]
    texts = np.array([[v is None for _, v in row] for row in rows]).reshape(-1, width)
    given = np.array([[v is None or not math.isnan(v) for _, v in row] for row in rows]).reshape(-1, width)
    numeric = tuple(bool(b) for b in 2 * texts.sum(axis=0) < np.maximum(given.sum(axis=0), 1))
    if not any(numeric):
        return -math.inf, None
    torn = sum(1 for row in rows for f, v in row if v is None and _TORN.fullmatch(f))
    return float((given & ~texts).sum() - 2 * torn), Layout(dialect, width, numeric)


def _all_decimal_commas(lines: Sequence[str], layout: Layout) -> bool:
    """Tell whether every number of every row has a decimal comma."""
    rows = [layout.dialect.split(line) for line in lines]
    rows = [row for row in rows if len(row) == layout.width and layout.dialect.number(row[0]) is not None]
    return bool(rows) and all(_DECIMAL_COMMA.fullmatch(f) for row in rows for f in row)


def collect(lines: Sequence[str], layout: Layout) -> Rows:
    """Tell rows, header and odd lines apart; every row stays, whatever it lacks."""
    rows = Rows(layout)
    last = max(i for i, line in enumerate(lines) if line.strip())
    for i, line in enumerate(lines):
        if not line.strip():
            continue
        if _is_remark(line):
            (rows.comments if rows.fields else rows.before).append(uncommented(line))
            continue
        texts = layout.dialect.split(_INLINE.sub("", line))
        values = [layout.dialect.number(t) for t in texts]
        if not rows.fields and not _is_first(values, layout):
            rows.before.append(line.strip(" \r\n"))
            if all(v is not None for v in values):
                rows.odd.append(i + 1)
            continue
        first = not rows.fields
        _add(rows, i + 1, texts, values, cut=i == last)
        if first and (block := _plain_block(lines[i:], layout)) is not None:
            rows.block = block
            return rows
    return rows


def _plain_block(lines: Sequence[str], layout: Layout) -> NDArray[np.float64] | None:
    """Read rows with NumPy's own reader, many times faster; None where anything but plain numbers is among them."""
    delimiter = None if layout.dialect.delimiter == " " else layout.dialect.delimiter
    if not all(layout.numeric) or layout.dialect.decimal != "." or len(lines) < 100:
        return None
    try:
        block = np.loadtxt(lines, delimiter=delimiter, comments=None, ndmin=2)
    except ValueError:
        return None
    return block if block.shape[1] == layout.width else None


def _is_first(values: Sequence[float | None], layout: Layout) -> bool:
    """Tell whether a line can be the first row: full width, and numbers in all columns of numbers."""
    if len(values) != layout.width:
        return False
    numbers = [v for v, wanted in zip(values, layout.numeric, strict=True) if wanted]
    return all(v is not None for v in numbers) and not all(v is None or math.isnan(v) for v in numbers)


def _add(rows: Rows, line: int, texts: list[str], values: list[float | None], *, cut: bool) -> None:
    """Add one line below the first row."""
    layout = rows.layout
    empty: list[Any] = [math.nan if wanted else "" for wanted in layout.numeric]
    if all(v is None for v in values) or (len(values) != layout.width and None in values and all(layout.numeric)):
        rows.odd.append(line)
        return
    if len(values) > layout.width:
        rows.long.append(line)
        rows.fields.append(empty)
        return
    row = [v if wanted else t for v, t, wanted in zip(values, texts, layout.numeric, strict=False)]
    if len(values) < layout.width:
        rows.short.append(line)
        known = row if cut or layout.dialect.delimiter != " " else []  # among blanks nobody knows which is missing
        row = known + empty[len(known) :]
    if None in row:
        rows.unread.append(line)
        row = [math.nan if v is None else v for v in row]
    rows.fields.append(row)


def findings(name: str, rows: Rows, columns: Sequence[Value]) -> tuple[Finding, ...]:
    """Say what was odd about a table."""
    out = []
    found = (
        ("short-rows", rows.short, "rows with too few fields, kept with nan"),
        ("long-rows", rows.long, "rows with too many fields, kept as nan"),
        ("unread-fields", rows.unread, "rows with text in a column of numbers, kept with nan"),
        ("unread-lines", rows.odd, "lines that are no rows, left out"),
    )
    for code, lines, what in found:
        if lines:
            named = ", ".join(str(n) for n in lines[:6]) + (f" ... {lines[-1]}" if len(lines) > 6 else "")
            fix = "Look at these lines; frames and rows may not belong together."
            out.append(Finding("caution", code, f"{name}: {len(lines)} {what} (line {named})", fix))
    for column in columns:
        if column.values.dtype.kind == "f" and np.isnan(column.values).any():
            n = int(np.isnan(column.values).sum())
            first = int(np.flatnonzero(np.isnan(column.values))[0])
            text = f"{name}: column {column.name} misses {n} of {len(column.values)} values, the first in row {first}"
            out.append(Finding("caution", "missing-values", text, "Frames without position cannot be used."))
    if rows.layout.dialect.decimal == ",":
        text = f"{name}: commas were read as decimal signs ({rows.layout.dialect})"
        out.append(Finding("caution", "decimal-commas", text, "Check one value against the text."))
    plain = columns and rows.layout.dialect == Dialect(",", ".") and all(c.name.isdigit() for c in columns)
    if plain and all(c.values.dtype.kind == "f" and _are_whole(c.values) for c in columns):
        text = f"{name}: commas were read as delimiters between whole numbers, {len(columns)} columns"
        fix = "If they are decimal signs, write points instead, or semicolons between the fields."
        out.append(Finding("caution", "commas-as-delimiters", text, fix))
    above = rows.before[-1] if rows.before and columns and all(c.name.isdigit() for c in columns) else ""
    count = len(rows.layout.dialect.split(above))
    if any(c.isalpha() for c in above) and len(above) < 200 and not is_pair(above):
        text = f"{name}: no line above the rows has {rows.layout.width} names; the last is {above!r}"
        hint = " If commas are decimal signs here, write points." if 2 * count == rows.layout.width else ""
        out.append(Finding("caution", "no-names", text, f"Columns are called by number, from 1.{hint}"))
    return tuple(out)


def _are_whole(values: NDArray[Any]) -> bool:
    known = values[np.isfinite(values)]
    return bool((known == np.round(known)).all())
