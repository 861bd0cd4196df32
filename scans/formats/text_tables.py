"""Tables of numbers in text files, with whatever header, delimiter and encoding their writer chose; JSON beside."""

from __future__ import annotations

import codecs
import json
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from scans.errors import InputError
from scans.formats.items import Item
from scans.formats.table_header import Value, header_values, json_values, names_and_units, unique
from scans.formats.table_rows import Dialect, collect, findings, sniff, uncommented
from scans.formats.values import human_bytes
from scans.scan import Finding

MAX_TEXT_BYTES = 256 << 20
MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
TEXT_CONTROLS = "\t\r\n\f\v\x1a"
MAX_COLUMNS = 16  # of a table without names; a wider one is a picture


@dataclass(frozen=True)
class TextTable:
    """What a text file holds.

    Parameters
    ----------
    columns
        All of ``n_rows`` values, nan where missing.
    header
        Numbers that the header gives, such as ``energy = 700 eV``.
    texts
        Other ``key = text`` lines of the header.
    encoding, dialect
        As found; `dialect` is None where there are no rows.
    findings
        What was odd: rows with missing or too many fields, lines that are no rows, decimal commas.
    """

    columns: tuple[Value, ...]
    header: tuple[Value, ...]
    texts: dict[str, str]
    encoding: str
    dialect: Dialect | None
    findings: tuple[Finding, ...] = ()

    @property
    def n_rows(self) -> int:
        """Rows of the table."""
        return len(self.columns[0].values) if self.columns else 0


def table_items(path: Path, name: str) -> tuple[list[Item], TextTable]:
    """List the columns and header values of a text table as ``NAME:column``.

    Parameters
    ----------
    path
        Text table, or a JSON file of keys with numbers.
    name
        Of the file, in the items' paths.

    Returns
    -------
    items
        Columns ``(n_rows,)`` first, then header values. Attributes: the header's texts. A wide table without names
        is one array ``(n_rows, n_columns)`` under `name` itself.
    table
        As read.

    Raises
    ------
    InputError
        When it is no text, or there are neither rows nor values in it.
    """
    table = read_json(path) if path.suffix.lower() == ".json" else read_table(path)
    attributes = {"header": dict(table.texts)} if table.texts else {}
    values = [*table.columns, *table.header]
    labels = [f"{name}:{label}" for label in unique(v.name for v in values)]
    plain = all(c.unit is None and c.values.dtype.kind == "f" and c.name.isdigit() for c in table.columns)
    if len(table.columns) > MAX_COLUMNS and plain:
        matrix = Value(name, None, np.stack([c.values for c in table.columns], axis=1))
        values, labels = [matrix, *table.header], [name, *labels[len(table.columns) :]]
    items = [
        Item(label, v.values.shape, v.values.dtype, v.unit, v.values.copy, None, dict(attributes))
        for v, label in zip(values, labels, strict=True)
    ]
    return items, table


def read_table(path: Path) -> TextTable:
    """Read a text table; errors as `table_items`."""
    text, encoding = read_text_file(path)
    lines = re.split(r"\r\n|\n|\r", text)
    layout = sniff(lines)
    if layout is None:
        bare = [uncommented(line) for line in lines if line.strip()]
        header, texts = header_values(bare, str.split)
        if not header or 2 * (len(header) + len(texts)) < len(bare):
            raise InputError(
                "no rows of numbers" if text.strip() else "an empty file",
                where=str(path),
                expected="a table of numbers: one row a line, the same number of fields in each",
                fix="Name another file, or write the table with commas or tabs between the fields.",
            )
        return TextTable((), tuple(header), texts, encoding, None)
    rows = collect(lines, layout)
    split = layout.dialect.split
    width = layout.width
    names, units, used = names_and_units(rows.before, split, width)
    if not used and width > 1 and _is_hollow(Value(str(width), None, rows.column(width - 1))):
        names, units, used = names_and_units(rows.before, split, width - 1)  # rows end with a delimiter
        names, units = [*names, str(width)], [*units, None]
    above = [line for i, line in enumerate(rows.before) if i not in used]
    header, texts = header_values([*above, *rows.comments], split, layout.dialect.decimal)
    columns = tuple(Value(name, unit, rows.column(i)) for i, (name, unit) in enumerate(zip(names, units, strict=True)))
    columns = tuple(c for c in columns if not _is_hollow(c))
    odd = findings(path.name, rows, columns) + _cut(path.name, text)
    return TextTable(columns, tuple(header), texts, encoding, layout.dialect, odd)


def _cut(name: str, text: str) -> tuple[Finding, ...]:
    """Say where the last line has no end, as in a file cut within a number: 1.0678 would be read as 1.06."""
    if text.endswith(("\n", "\r")):
        return ()
    text = f"{name}: its last line has no end: the file may have been cut within a number"
    return (Finding("note", "no-line-end", text, "Look at the last line; copy the file again if it is cut."),)


def _is_hollow(column: Value) -> bool:
    """Tell whether a column without name holds nothing: a delimiter at the end of every line."""
    return column.name.isdigit() and column.values.dtype.kind == "f" and bool(np.isnan(column.values).all())


def read_json(path: Path) -> TextTable:
    """Read numbers and texts of a JSON file by their keys; errors as `table_items`."""
    text, encoding = read_text_file(path)
    try:
        values, texts = json_values(json.loads(text))
    except (ValueError, RecursionError, OverflowError) as exc:
        raise InputError(
            f"not readable as JSON ({str(exc)[:100]})",
            where=str(path),
            expected="an object of keys and numbers",
            fix="Correct the file, or move it out of the way.",
        ) from exc
    if not values:
        raise InputError("no numbers", where=str(path), expected="an object of keys and numbers", fix="Add some.")
    return TextTable((), tuple(values), texts, encoding, None)


def read_text_file(path: Path) -> tuple[str, str]:
    """Return the text of a file and its encoding: UTF-8, UTF-16, else Windows-1252 or Latin-1.

    Raises
    ------
    InputError
        When it cannot be read, is larger than `MAX_TEXT_BYTES`, or is no text.
    """
    try:
        size = path.stat().st_size
        if size > MAX_TEXT_BYTES:
            raise InputError(
                f"{human_bytes(size)} of text",
                where=str(path),
                expected=f"at most {human_bytes(MAX_TEXT_BYTES)}",
                fix="Write the table as a NumPy or HDF5 file.",
            )
        raw = path.read_bytes()
    except OSError as exc:
        fix = "Check name and rights."
        found = f"cannot be read ({type(exc).__name__})"
        raise InputError(found, where=str(path), expected="a text file", fix=fix) from exc
    for mark, encoding in MARKS:
        if raw.startswith(mark):
            return _decoded(raw[len(mark) :], (encoding,), path)
    if raw[1:400:2].count(0) > 0.4 * min(len(raw), 400):
        return _decoded(raw, ("utf-16-le",), path)
    if raw[0:400:2].count(0) > 0.4 * min(len(raw), 400):
        return _decoded(raw, ("utf-16-be",), path)
    return _decoded(raw, ("utf-8", "cp1252", "latin-1"), path)


def _decoded(raw: bytes, encodings: Sequence[str], path: Path) -> tuple[str, str]:
    """Decode with the first encoding that fits, and refuse what is no text."""
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        count = Counter(text).items()
        controls = sum(n for c, n in count if unicodedata.category(c) == "Cc" and c not in TEXT_CONTROLS)
        if controls == 0 or (controls < 0.001 * len(text) and "\0" not in text):
            return text, encoding
    raise InputError(
        f"binary data ({human_bytes(len(raw))}), not text",
        where=str(path),
        expected="a text file in UTF-8, UTF-16 or Latin-1",
        fix="Name the file that holds the table.",
    )
