"""What a recipe's key takes: small checks that turn a TOML value into ours or say what is wrong."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import field
from typing import Any

from scans.errors import InputError
from scans.formats.mapping_text import KEYS as ROLES

Scalar = float | int | str | bool
Check = Callable[[Any], Any]


class Wrong(Exception):
    """A value is not what its key takes; the text says what it takes."""


def number(low: float | None = None, *, above: float | None = None, unit: str = "") -> Check:
    """Take a finite number from `low` or `above` a limit; whole numbers become floats."""
    parts = ["a number"]
    parts += [f"from {low:g}"] if low is not None else []
    parts += [f"above {above:g}"] if above is not None else []
    expected = " ".join(parts) + (f" [{unit}]" if unit else "")

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise Wrong(expected)
        if (low is not None and value < low) or (above is not None and value <= above):
            raise Wrong(expected)
        return float(value)

    return check


def share(high: float) -> Check:
    """Take a number from 0 to `high`."""

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= high:
            raise Wrong(f"a number from 0 to {high:g}")
        return float(value)

    return check


def whole(low: int) -> Check:
    """Take a whole number from `low` up."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value < low:
            raise Wrong(f"a whole number from {low}")
        return value

    return check


def one_of(*words: str) -> Check:
    """Take one of `words`."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or value not in words:
            raise Wrong("one of " + ", ".join(f'"{word}"' for word in words))
        return value

    return check


def yes_or_no(value: Any) -> bool:
    """Take true or false."""
    if not isinstance(value, bool):
        raise Wrong("true or false")
    return value


def matching(pattern: str, expected: str) -> Check:
    """Take a string that matches `pattern` as a whole."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or not re.fullmatch(pattern, value):
            raise Wrong(expected)
        return value

    return check


def pair(item: Check) -> Check:
    """Take ``[y, x]``."""

    def check(value: Any) -> tuple[Any, Any]:
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise Wrong("[y, x]")
        try:
            return item(value[0]), item(value[1])
        except Wrong as exc:
            raise Wrong(f"[y, x], each {exc}") from None

    return check


def rectangle(item: Check) -> Check:
    """Take ``[y first, y last, x first, x last]``."""
    expected = "[y first, y last, x first, x last], each first below its last"

    def check(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple) or len(value) != 4:
            raise Wrong(expected)
        ends = tuple(item(one) for one in value)
        if not (ends[0] < ends[1] and ends[2] < ends[3]):
            raise Wrong(expected)
        return ends

    return check


def one_or_pair(item: Check) -> Check:
    """Take ``[y, x]``, or one value that stands for both."""
    both = pair(item)

    def check(value: Any) -> tuple[Any, Any]:
        try:
            return both(value if isinstance(value, list | tuple) else [value, value])
        except Wrong as exc:
            raise Wrong(f"one number or {exc}") from None

    return check


def roles_and_names(value: Any) -> dict[str, str]:
    """Take a table of roles, each with the name of an item of the file; what it names is checked when it is read."""
    if not isinstance(value, dict):
        raise Wrong("a table [scan.mapping] of roles and names")
    for name, text in value.items():
        if name not in ROLES:
            raise Wrong(f'roles of the mapping; the nearest to "{name}" is "{nearest(str(name), ROLES)}"')
        if not isinstance(text, str) or not text.strip():
            raise Wrong(f'a name in quotes for {name}, such as "/raw/data" or "/raw/x in um"')
    return dict(value)


def scalar(value: Any) -> Scalar:
    """Take what a solver's own key may hold."""
    if not isinstance(value, bool | int | float | str) or (isinstance(value, float) and not math.isfinite(value)):
        raise Wrong("a finite number, a string, true or false")
    return value


def key(check: Check, default: Any = None) -> Any:
    """Make the dataclass field of one recipe key."""
    return field(default=default, metadata={"check": check})


def checked(check: Check, value: Any, where: str) -> Any:
    """Return the value that `check` makes of it, or raise `InputError`."""
    try:
        return check(plain(value))
    except Wrong as exc:
        expected = str(exc)
    raise InputError(shown(value), where=where, expected=expected, fix="Give such a value, or leave the key out.")


def plain(value: Any) -> Any:
    """Turn NumPy scalars and arrays into Python values; leave the rest."""
    return value.tolist() if hasattr(value, "tolist") else value


def shown(value: Any) -> str:
    """Write a value as the recipe does."""
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the most similar of `known` words."""
    return difflib.get_close_matches(word, list(known), 1, 0.0)[0]
