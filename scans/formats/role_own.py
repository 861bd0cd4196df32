"""Roles told by exact names: how stored frames lie, and what our own archives and folders hold besides."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

import numpy as np

from scans.errors import InputError
from scans.formats.items import Item
from scans.formats.role_guess import HIGH, MEDIUM, Candidate, Guess, Named, decide, reference
from scans.formats.role_numbers import number_of, values_of
from scans.formats.units import decode

TURNS = ("transpose", "flip_y", "flip_x")
# Names that may say how the detector lies. Common practice, no source.
_LIES = re.compile(
    r"(^|_)(orient(ation)?|transposed?|flip(ped)?(_?[xyudlr]+)?|rot90|axes_code|(basis|pixel|detector)_(vectors|axes))(_|$)"
)
_AXES = re.compile(r"(^|_)(basis|pixel|detector)_(vectors|axes)$")
# Role -> (key of the mapping, name in our own files, kinds of values, shape: "" one, "J" one a frame, "K" any list).
OWN: dict[str, tuple[str, str, str, str]] = {
    "dark exposure": ("dark_exposure", "dark_exposures_s", "biuf", "K"),
    "read noise": ("read_noise", "read_noise", "biuf", ""),
    "frame numbers": ("index_in_file", "index_in_file", "iuf", "J"),
    "done already": ("prepared", "prepared", "US", "K"),
}


def orientation_guess(items: Sequence[Named]) -> Guess:
    """Guess which items say how stored frames are turned; what only might say it is named as evidence."""
    guess = decide("orientation", [*_turns(items), *_axes(items)])
    if guess.entries:
        return guess
    hints = orientation_hints(i.item for i in items)
    if not hints:
        return guess
    why = f"{'; '.join(hints[:3])}: if it says that frames are turned, give -s scan.orientation"
    return Guess("orientation", evidence=(why,), candidates=guess.candidates)


def own_guesses(items: Sequence[Named], n_frames: int | None) -> dict[str, Guess]:
    """Guess what our own archives and folders hold, by their exact names; other roles stay out."""
    found = {}
    for role, (key, name, kinds, form) in OWN.items():
        for item in items:
            size = {"": 1, "J": n_frames or -1, "K": item.size}[form]
            if _label(item.path) != name or item.item.dtype.kind not in kinds or item.size != size:
                continue
            unit = item.name.unit if key == "dark_exposure" else None
            found[role] = Guess(role, {key: reference(item, unit)}, "high", (f'named "{name}", as halfbit writes it',))
    return found


def orientation_hints(items: Iterable[Item]) -> list[str]:
    """Items that by their names may say how frames lie, with their values: ``/raw@axes_code 'tu'``."""
    found = []
    for item in items:
        label = _label(item.path).lower()
        if _LIES.search(label) is None or (item.size > 6 and item.dtype.kind not in "OSU"):
            continue
        try:
            value = np.asarray(item.read())
        except InputError:
            continue
        if value.size <= 6:
            shown = decode(value.reshape(-1)[0]) if value.dtype.kind in "OSU" and value.size == 1 else value.tolist()
            found.append(f"{item.path} is {shown!r}" if shown != "" else f"{item.path} is empty")
    return found


def _label(path: str) -> str:
    """Last part of a path without the suffix of a file."""
    return re.sub(r"\.(npy|tiff?)$", "", re.split(r"[/@:\\]", path)[-1], flags=re.IGNORECASE)


def _turns(items: Sequence[Named]) -> list[Candidate]:
    """Numbers 0 or 1 named ``transpose``, ``flip_y`` and ``flip_x`` in one place."""
    places: dict[str, dict[str, Named]] = {}
    for item in items:
        label = _label(item.path)
        if label in TURNS and number_of(item) in (0.0, 1.0):
            places.setdefault(item.path[: -len(label)], {})[label] = item
    found = []
    for named in places.values():
        whole = len(named) == len(TURNS)
        values = tuple(float(number_of(named[key]) or 0) if key in named else 0.0 for key in TURNS)
        evidence = [f"{key} = {value:.0f}" for key, value in zip(TURNS, values, strict=True) if key in named]
        evidence.append("what the stored frames need, in this order" if whole else "the others are taken as 0")
        entries = {key: reference(named[key]) for key in TURNS if key in named}
        found.append(Candidate(entries, HIGH + 1 if whole else MEDIUM + 0.5, tuple(evidence), values, not whole))
    return found


def _axes(items: Sequence[Named]) -> list[Candidate]:
    """Arrays ``(2, 3)`` of the slow and the fast pixel axis, as in CXI."""
    found = []
    for item in items:
        own = re.sub(r"[\W]+", "_", _label(item.path).lower())
        values = values_of(item, 6) if item.shape == (2, 3) and _AXES.search(own) else None
        if values is None or not np.isfinite(values).all():
            continue
        slow, fast = np.abs(values.reshape(2, 3)).argmax(axis=1)
        if slow != fast and {int(slow), int(fast)} == {0, 1}:
            evidence = (
                f'named "{item.label}"',
                "(2, 3)",
                "taken as slow and fast axis in x (left), y (up), z, as in CXI",
            )
            found.append(Candidate({"pixel_axes": item.path}, MEDIUM, evidence, tuple(values), True))
    return found
