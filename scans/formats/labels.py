"""Names and units written as one label, as in tables, archives and logs: ``x (um)``, ``y[mm]``, ``pos_y_nm``."""

from __future__ import annotations

import re

from scans.formats.units import KINDS, normalise_unit

# Units that may follow a name after an underscore. Single letters other than m and s mean too many other things.
_SUFFIXES = {u.lower(): u for kind in KINDS.values() for u in kind if u not in ("J", "MeV")} | {
    word: word for word in ("um", "micron", "microns", "angstrom", "px", "pixel", "pixels")
}
_BRACKETS = re.compile(r"^(?P<name>.*?)\s*(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\]|\{(?P<c>[^{}]*)\})\s*$")
_SLASH = re.compile(r"^(?P<name>.*\S)\s*/\s*(?P<unit>[^\s/]+)$")
_TAIL = re.compile(r"^(?P<name>.*[^\W_])[_\-. ](?P<unit>[^\W\d_]+)$")


def split_label(label: str) -> tuple[str, str | None]:
    """Split a label into name and unit.

    Parameters
    ----------
    label
        ``x (um)``, ``y[mm]``, ``x / nm``: the unit is taken off the name. ``pos_y_nm``: the name stays whole.
        An index in brackets, such as ``pos[0]``, is no unit.

    Returns
    -------
    name, unit
        The unit in the spelling of `scans.formats.units`; None where the label has none.
    """
    text = label.strip().strip("\"'").strip()
    match = _BRACKETS.match(text)
    if match and match["name"]:
        unit = next(g for g in (match["a"], match["b"], match["c"]) if g is not None).strip()
        if not unit:
            return match["name"], None
        if not re.fullmatch(r"[\d\s,.:+-]*", unit):
            return match["name"], normalise_unit(unit)
    match = _SLASH.match(text)
    if match and is_unit(match["unit"]):
        return match["name"], normalise_unit(match["unit"])
    match = _TAIL.match(text)
    if match and (unit := _SUFFIXES.get(match["unit"].lower().replace("µ", "u").replace("μ", "u"))):
        return text, normalise_unit(unit)
    return text, None


def is_unit(text: str) -> bool:
    """Tell whether a word is a unit of length, energy or time, or pixels."""
    unit = normalise_unit(text.strip().strip("()[]{}"))
    return unit == "pixel" or any(unit in kind for kind in KINDS.values())
