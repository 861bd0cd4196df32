"""Which single numbers are the photon energy, the distance, the pixel size, and so on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.role_guess import Candidate, Named, reference
from scans.formats.role_words import axis_of, order_of_two, word_score
from scans.formats.units import KINDS, decode, normalise_unit
from scans.geometry import DISTANCE_RANGE_M, ENERGY_RANGE_EV, PIXEL_RANGE_M, PLANCK_TIMES_C_EV_M

# Arrays up to this length may be one number, logged with every frame.
MAX_LOG = 1_000_000
# Numbers without a unit are read in these units only.
LIKELY_UNITS = {"energy": ("eV", "keV", "J"), "length": ("m", "mm", "um", "nm", "angstrom"), "time": ("s", "ms", "us")}


@dataclass(frozen=True)
class Quantity:
    """What a role's number can be.

    Parameters
    ----------
    kind
        "energy", "length", "time" or "" for plain numbers.
    possible, likely
        Ranges in eV, m, s: outside the first it is something else; the second is where most scans are.
    """

    kind: str
    possible: tuple[float, float]
    likely: tuple[float, float]


# Possible: the ranges that the reader accepts. Likely: soft X-ray scanning microscopes; common practice, no source.
QUANTITIES: dict[str, Quantity] = {
    "energy": Quantity("energy", ENERGY_RANGE_EV, (250.0, 4200.0)),
    "wavelength": Quantity(
        "length",
        (PLANCK_TIMES_C_EV_M / ENERGY_RANGE_EV[1], PLANCK_TIMES_C_EV_M / ENERGY_RANGE_EV[0]),
        (PLANCK_TIMES_C_EV_M / 4200.0, PLANCK_TIMES_C_EV_M / 250.0),
    ),
    "distance": Quantity("length", DISTANCE_RANGE_M, (0.01, 3.0)),
    "pixel_size": Quantity("length", PIXEL_RANGE_M, (5e-6, 250e-6)),
    "exposure": Quantity("time", (1e-6, 1e5), (1e-4, 300.0)),
    "counts_per_photon": Quantity("", (1e-4, 1e6), (1e-2, 1e4)),
    "saturation": Quantity("", (0.0, 1e10), (200.0, 5e6)),
    "zone_plate_diameter": Quantity("length", (1e-5, 5e-3), (2e-5, 1e-3)),
    "outer_zone": Quantity("length", (3e-9, 1e-6), (8e-9, 250e-9)),
    "stop_fraction": Quantity("", (0.0, 0.95), (0.0, 0.8)),
    "stop_diameter": Quantity("length", (1e-6, 2e-3), (5e-6, 5e-4)),
    "defocus": Quantity("length", (1e-7, 2e-2), (1e-6, 2e-3)),
}
SIGNED = {"defocus"}
ZERO_IS_UNSET = {"saturation", "stop_fraction", "stop_diameter", "defocus"}


def values_of(item: Named, most: int) -> NDArray[np.float64] | None:
    """Return the numbers of a small numeric item; None where it is large or cannot be read."""
    if not item.numeric or not 0 < item.size <= most:
        return None
    try:
        return np.asarray(item.item.read(), dtype=np.float64).reshape(-1)
    except InputError:
        return None


def number_of(item: Named, n_frames: int | None = None) -> float | None:
    """Return the number that an item holds: alone, or the same for every frame."""
    if item.size != 1 and not (len(item.shape) == 1 and item.size == n_frames and item.size <= MAX_LOG):
        return None
    values = values_of(item, MAX_LOG)
    if values is None or not np.isfinite(values).all():
        return None
    low, high = float(values.min()), float(values.max())
    return float(np.median(values)) if high - low <= 1e-3 * abs(high) else None


def number_candidates(
    role: str, items: Iterable[Named], n_frames: int | None = None, key: str | None = None
) -> list[Candidate]:
    """Score every number for a role of ``QUANTITIES``; `key` is the mapping's key where it is another word."""
    found = []
    for item in items:
        words, spoken = word_score(role, item.name)
        value = number_of(item, n_frames) if words > 0 else None
        if value is not None:
            found += _scored(role, item, value, (words, spoken), key or role)
    return found


def _scored(role: str, item: Named, value: float, words: tuple[float, str], key: str) -> list[Candidate]:
    """Score one number with its unit and size; empty where it cannot be."""
    evidence = [f'named "{item.label}"' + (f" in {item.name.group}" if words[1] not in item.name.own else "")]
    if value == 0 and role in ZERO_IS_UNSET:
        return [Candidate({key: reference(item)}, words[0] + 0.5, (*evidence, "0 stands for unset or none"))]
    unit, points, said = _unit(role, item, value)
    if points < 0:
        return []
    quantity = QUANTITIES[role]
    si = value * KINDS[quantity.kind][unit] if unit else value
    size = abs(si) if role in SIGNED else si
    low, high = quantity.possible
    if not low <= size <= high:
        return []
    usual = quantity.likely[0] <= size <= quantity.likely[1]
    evidence.append(f"{value:.6g} {unit or ''} is {'usual' if usual else 'possible'}".replace("  ", " "))
    evidence += [said] if said else []
    score = words[0] + points + (1.0 if usual else 0.5)
    guessed = said.startswith("no unit")
    return [Candidate({key: reference(item, unit)}, score, tuple(evidence), (si,), guessed)]


def _unit(role: str, item: Named, value: float) -> tuple[str | None, float, str]:
    """Return the unit of a number, what it adds to the score (below 0: it is something else), and how it is known."""
    kind = QUANTITIES[role].kind
    for text, points, said in ((item.item.unit, 2.0, ""), (item.name.unit, 1.5, "unit from the name")):
        unit = normalise_unit(text or "")
        if kind and unit in KINDS[kind]:
            return unit, points, said
        if unit and any(unit in table for table in KINDS.values()):
            return None, -1.0, ""
        if unit and kind:  # a unit that we do not know
            return None, -1.0, ""
    if not kind:
        return None, 0.0, ""
    for span in (QUANTITIES[role].likely, QUANTITIES[role].possible):
        size = abs(value) if role in SIGNED else value
        fitting = [u for u in LIKELY_UNITS[kind] if span[0] <= size * KINDS[kind][u] <= span[1]]
        if len(fitting) == 1:
            return fitting[0], 0.5, "no unit; the only plausible one"
        if fitting:
            return None, -1.0, ""
    return None, -1.0, ""


def energy_candidates(items: Sequence[Named], n_frames: int | None) -> list[Candidate]:
    """Photon energies, and wavelengths with the energy that they mean."""
    found = number_candidates("energy", items, n_frames)
    for one in number_candidates("wavelength", items, n_frames):
        energy = PLANCK_TIMES_C_EV_M / one.value[0]
        why = (*one.evidence, f"that is {energy:.6g} eV")
        found.append(Candidate(one.entries, one.score, why, (energy,), one.doubt))
    return found


def pixel_candidates(items: Sequence[Named], n_frames: int | None) -> list[Candidate]:
    """Pixel sizes: one number, a pair of numbers, or one number for each axis."""
    single: list[Candidate] = []
    by_axis: dict[str, dict[str, Candidate]] = {}
    for item in items:
        axis = axis_of(item.name.own)
        side = "x" if "width" in item.name.own else "y" if "height" in item.name.own else axis and axis[0]
        for one in number_candidates("pixel_size", [item], n_frames):
            if side in ("x", "y"):
                by_axis.setdefault(item.name.group, {}).setdefault(side, one)
            else:
                single.append(one)
        single += _pixel_pair(item)
    for sides in by_axis.values():
        if len(sides) == 2:
            y, x = sides["y"], sides["x"]
            entries = {"pixel_size_y": y.entries["pixel_size"], "pixel_size_x": x.entries["pixel_size"]}
            why = (*y.evidence, "one for each axis")
            single.append(Candidate(entries, min(y.score, x.score), why, y.value, y.doubt or x.doubt))
        else:
            single += sides.values()
    return single


def _pixel_pair(item: Named) -> list[Candidate]:
    """Return a pair of pixel sizes in one item; a pair of different ones needs its order said."""
    words = word_score("pixel_size", item.name)
    values = values_of(item, 2) if words[0] > 0 and item.size == 2 else None
    if values is None:
        return []
    first, second = (_scored("pixel_size", item, float(v), words, "pixel_size") for v in values)
    if not first or not second:
        return []
    order = order_of_two(item.name.own, labels_of(item))
    unit = first[0].entries["pixel_size"].partition(" in ")[2]
    y, x = (0, 1) if order is None or order[0] == "yx" else (1, 0)
    tail = f" in {unit}" if unit else ""
    entries = {"pixel_size_y": f"{item.path}[{y}]{tail}", "pixel_size_x": f"{item.path}[{x}]{tail}"}
    score, doubt = first[0].score, first[0].doubt
    said = "both equal" if values[0] == values[1] else order[1] if order else ""
    if not said:
        score, doubt, said = score - 1.0, True, "two different numbers, and which is y is not said"
    return [Candidate(entries, score, (*first[0].evidence, said), first[0].value, doubt)]


def labels_of(item: Named) -> str:
    """Return what an item's attributes say of its columns or numbers."""
    for name in ("columns", "column_names", "labels", "names", "order", "axes", "axis_names", "fields", "comment"):
        value = item.item.attributes.get(name)
        if isinstance(value, str | bytes) and value:
            return decode(value)
    return ""


def centre_candidates(
    items: Sequence[Named], frame_shape: tuple[int, int], seen: tuple[float, float] | None
) -> list[Candidate]:
    """Beam centres on the frame: one item of two numbers, or one for each axis.

    Parameters
    ----------
    items
        Of the source.
    frame_shape
        ``(h, w)``.
    seen
        ``(row, column)`` of the light in the mean of a few frames: it tells rows from columns where no name does.
    """
    found: list[Candidate] = []
    by_axis: dict[str, dict[str, tuple[Named, float, float, tuple[str, ...]]]] = {}
    for item in items:
        words, _ = word_score("beam_centre", item.name)
        values = values_of(item, 2) if words > 0 and not _has_length(item) else None
        if values is None or not np.isfinite(values).all() or not values.any():
            continue
        evidence = (f'named "{item.label}"',)
        axis = axis_of(item.name.own)
        if values.size == 2:
            found += _centre_pair(item, values, frame_shape, seen, words)
        elif axis and axis[0] in "yx" and words >= 1:
            side = by_axis.setdefault(item.name.group, {})
            side.setdefault(axis[0], (item, float(values[0]), words, evidence))
    for sides in by_axis.values():
        if len(sides) == 2 and all(0 <= sides[k][1] <= n - 1 for k, n in zip("yx", frame_shape, strict=True)):
            (y, yv, words, why), (x, xv, _, _) = sides["y"], sides["x"]
            entries = {"beam_centre_y": reference(y), "beam_centre_x": reference(x)}
            found.append(Candidate(entries, words + 2.0, (*why, "on the frame", "one for each axis"), (yv, xv)))
    return found


def _has_length(item: Named) -> bool:
    """Tell whether a unit says that the numbers are no pixels."""
    return normalise_unit(item.item.unit or item.name.unit or "pixel") != "pixel"


def _centre_pair(
    item: Named,
    values: NDArray[np.float64],
    frame_shape: tuple[int, int],
    seen: tuple[float, float] | None,
    words: float,
) -> list[Candidate]:
    """Score a pair of numbers as a beam centre in the order that is likeliest."""
    limits = np.array(frame_shape) - 1
    orders = {"yx": values, "xy": values[::-1]}
    inside = {k: v for k, v in orders.items() if (v >= 0).all() and (v <= limits).all()}
    if not inside:
        return []
    said = order_of_two(item.name.own, labels_of(item))
    order, points, why = "yx", 0.0, ""
    if values[0] == values[1]:
        points, why = 1.0, "both numbers are equal, so their order does not matter"
    elif said is not None and said[0] in inside:
        order, points, why = said[0], 1.5, said[1]
    elif seen is not None:
        off = {k: float(np.hypot(*(v - np.array(seen)))) for k, v in inside.items()}
        order = min(off, key=lambda k: off[k])
        other = off.get("xy" if order == "yx" else "yx", np.inf)
        if off[order] > 0.05 * min(frame_shape) or other < 3 * off[order] + 2:
            points, why = -1.0, "which number is the row is not said, and the frames do not tell"
        else:
            points, why = 0.5, f"in this order {off[order]:.2g} px from the light in the frames"
    else:
        points, why = -1.0, "which number is the row is not said"
    row, column = inside.get(order, values)
    entries = {"beam_centre": item.path}
    if order == "xy":
        entries = {"beam_centre_y": f"{item.path}[1]", "beam_centre_x": f"{item.path}[0]"}
    evidence = (f'named "{item.label}"', f"({row:.6g}, {column:.6g}) is on the frame", why)
    doubt = points < 1.0
    return [Candidate(entries, words + 1.0 + points, evidence, (float(row), float(column)), doubt)]
