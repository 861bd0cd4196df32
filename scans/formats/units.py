"""Units as files really write them, and what values a scan can have."""

from __future__ import annotations

import math
import unicodedata
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.geometry import DISTANCE_RANGE_M, ENERGY_RANGE_EV, JOULE_PER_EV, PIXEL_RANGE_M

LENGTHS_M: dict[str, float] = {
    "m": 1.0,
    "cm": 1e-2,
    "mm": 1e-3,
    "um": 1e-6,
    "nm": 1e-9,
    "pm": 1e-12,
    "angstrom": 1e-10,
}
ENERGIES_EV: dict[str, float] = {"eV": 1.0, "keV": 1e3, "MeV": 1e6, "GeV": 1e9, "J": 1.0 / JOULE_PER_EV}
TIMES_S: dict[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
ANGLES_RAD: dict[str, float] = {
    "rad": 1.0,
    "mrad": 1e-3,
    "urad": 1e-6,
    "deg": math.pi / 180,
    "arcmin": math.pi / 10_800,
    "arcsec": math.pi / 648_000,
}
KINDS: dict[str, dict[str, float]] = {
    "length": LENGTHS_M,
    "energy": ENERGIES_EV,
    "time": TIMES_S,
    "angle": ANGLES_RAD,
}

PREFIXES = {"centi": "c", "milli": "m", "micro": "u", "nano": "n", "pico": "p"}
# Numbers that a stage's encoder or motor counts: a length only with a factor.
STAGE_COUNTS = (
    *("count", "counts", "cts", "ct", "step", "steps", "microstep", "microsteps", "pulse", "pulses"),
    *("tick", "ticks", "encoder count", "encoder counts", "motor step", "motor steps", "stage count", "stage counts"),
)
# After NFKC, which makes the micro sign U+00B5 the Greek letter.
MU = {0x03BC: "u", 0x039C: "u"}
# Spellings after NFKC, mu -> u and lower case (MeV keeps its case: meV is something else).
SYNONYMS: dict[str, str] = {
    **{word: "angstrom" for word in ("a", "å", "ang", "angstroms", "ångström", "ångströms", "ångstrom")},
    **{f"{metre}{s}": "m" for metre in ("meter", "metre") for s in ("", "s")},
    **{f"{p}{m}{s}": u + "m" for p, u in PREFIXES.items() for m in ("meter", "metre") for s in ("", "s")},
    **{word: "um" for word in ("micron", "microns")},
    **{word: "s" for word in ("sec", "secs", "second", "seconds")},
    **{f"{p}second{s}": u + "s" for p, u in PREFIXES.items() for s in ("", "s") if u in "mun"},
    **{f"{u}sec": u + "s" for u in "mun"},
    **{word: "min" for word in ("minute", "minutes")},
    **{word: "h" for word in ("hour", "hours", "hr")},
    **{word: "J" for word in ("j", "joule", "joules")},
    **{word: "eV" for word in ("electronvolt", "electronvolts", "electron volt", "electron volts")},
    **{word: "keV" for word in ("kiloelectronvolt", "kiloelectronvolts")},
    **{word: "deg" for word in ("degree", "degrees", "degs", "°")},
    **{word: "rad" for word in ("radian", "radians", "rads")},
    **{word: "mrad" for word in ("milliradian", "milliradians")},
    **{word: "urad" for word in ("microradian", "microradians")},
    **{word: "pixel" for word in ("pixels", "px", "pix", "pxl")},
    **{word: "count" for word in STAGE_COUNTS},
    **{name.lower(): name for kind in KINDS.values() for name in kind if name not in ("J", "MeV")},
}

POSITION_STEP_RANGE_M = (1e-9, 1e-3)
POSITION_SPAN_LIMIT_M = 0.1
PLAUSIBLE: dict[str, tuple[tuple[float, float], str, str]] = {
    # quantity: range in SI (energy in eV), unit of the range, kind of unit
    "energy_ev": (ENERGY_RANGE_EV, "eV", "energy"),
    "distance_m": (DISTANCE_RANGE_M, "m", "length"),
    "pixel_size_m": (PIXEL_RANGE_M, "m", "length"),
}


def decode(value: Any) -> str:
    """Text of an attribute or string dataset: str, UTF-8 or Latin-1 bytes, or a one-element array of them.

    Bytes that h5py has passed through as surrogates (a string that claims to be UTF-8 and is not) are Latin-1 too.
    """
    if isinstance(value, np.ndarray):
        return decode(value.reshape(-1)[0]) if value.size else ""
    if isinstance(value, bytes):
        try:
            value = value.decode("utf-8")
        except UnicodeDecodeError:
            value = value.decode("latin-1")
    text = str(value)
    if any("\udc80" <= c <= "\udcff" for c in text):
        text = text.encode("utf-8", "surrogateescape").decode("latin-1")
    return text.strip("\x00 \t\r\n")


def normalise_unit(text: str) -> str:
    """Bring the spellings of one unit together: ``µm``, ``microns`` become ``um``; blank stays blank.

    Mu is U+00B5 (micro sign), U+03BC (the Greek letter) or U+039C (its capital, from upper-casing).
    """
    plain = " ".join(unicodedata.normalize("NFKC", text).translate(MU).split()).rstrip(".")
    return SYNONYMS.get(plain.lower().replace("_", " "), plain)


def unit_factor(unit: str, kind: str, *, where: str, option: str = "") -> float:
    """Factor from `unit` to m, eV, s or rad.

    Parameters
    ----------
    unit
        As the file or the user wrote it.
    kind
        ``"length"``, ``"energy"``, ``"time"`` or ``"angle"``.
    where
        File and dataset, for the message.
    option
        Option with which the user can give the value or unit instead, such as ``scan.energy_ev=VALUE``.

    Raises
    ------
    InputError
        When the unit is none of the kind's.
    """
    table = KINDS[kind]
    factor = table.get(normalise_unit(unit))
    if factor is None and kind == "length" and normalise_unit(unit) == "count":
        raise InputError(
            f"unit {unit!r}: what a stage counts is no length",
            where=where,
            expected="metres a count",
            fix="Give them with -s scan.position_scale_m=METRES (or =Y,X for the two axes).",
        )
    if factor is None:
        raise InputError(
            f"unit {unit!r}",
            where=where,
            expected=f"a unit of {kind}: {', '.join(table)}",
            fix="Correct the unit in a copy of the file" + (f", or give -s {option}." if option else "."),
        )
    return factor


def implausible(quantity: str, value: float, *, where: str, raw: float | None = None) -> InputError | None:
    """Return what is wrong with `value` (eV or m), or None.

    Parameters
    ----------
    quantity
        A key of ``PLAUSIBLE``, which is also the option's name.
    value
        In eV or metres.
    where
        File and dataset.
    raw
        The number as stored: the message then says in which other unit it would make sense.
    """
    (low, high), unit, kind = PLAUSIBLE[quantity]
    if math.isfinite(value) and low <= value <= high:
        return None
    hints = []
    for name, factor in KINDS[kind].items():
        other = math.nan if raw is None else raw * factor
        if low <= other <= high and name in ("eV", "keV", "J", "m", "mm", "um"):
            hints.append(f"If the number {raw:.6g} is in {name}, give -s scan.{quantity}={other:.6g}.")
    fix = " ".join(hints) or f"Give the right value with -s scan.{quantity}=VALUE."
    if quantity == "energy_ev" and value > high:
        fix += " If this is the beam energy of an electron microscope: only photons are handled."
    name = quantity.rsplit("_", 1)[0].replace("_", " ")
    return InputError(
        f"{name} {value:.6g} {unit}",
        where=where,
        expected=f"{low:g} to {high:g} {unit} for an X-ray scan",
        fix=fix,
    )


def typical_step(positions: NDArray[np.float64]) -> float:
    """Median distance between consecutive, different positions ``(J, 2)``; 0 when all are equal."""
    steps = np.hypot(*np.diff(positions, axis=0).T)
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0


def span(positions: NDArray[np.float64]) -> float:
    """Largest extent of positions ``(J, 2)`` along an axis."""
    return float(np.ptp(positions, axis=0).max())


def are_plausible_positions(positions_m: NDArray[np.float64]) -> bool:
    """Tell whether steps and range of ``(J, 2)`` positions [m] are those of a scanning microscope."""
    if len(positions_m) < 2 or not np.isfinite(positions_m).all():
        return True  # one frame has no step; non-finite positions have their own error in `Scan`
    low, high = POSITION_STEP_RANGE_M
    step = typical_step(positions_m) * (1 + 1e-9)  # a step of exactly 1 nm passes, whatever its rounding
    return span(positions_m) < POSITION_SPAN_LIMIT_M and low <= step <= high * (1 + 1e-8)


def plausible_position_units(values: NDArray[np.float64]) -> list[str]:
    """Units in which the numbers `values` ``(J, 2)`` would be a plausible scan."""
    return [u for u in ("m", "mm", "um", "nm") if are_plausible_positions(values * LENGTHS_M[u])]


def implausible_positions(
    values: NDArray[np.float64], positions_m: NDArray[np.float64], *, where: str
) -> InputError | None:
    """Return what is wrong with the range or the steps of a scan's positions, or None.

    Parameters
    ----------
    values
        ``(J, 2)`` numbers as stored.
    positions_m
        The same in metres.
    where
        File and dataset.
    """
    if are_plausible_positions(positions_m):
        return None
    step, extent = typical_step(positions_m), span(positions_m)
    hints = [u for u in plausible_position_units(values) if not np.allclose(values * LENGTHS_M[u], positions_m)]
    options = " or ".join(f"-s scan.position_unit={u}" for u in hints)
    if extent == 0:
        fix = "All positions are equal: name the file whose positions are the scan's, or correct the table."
    elif hints:
        fix = f"If the unit is wrong, give {options}."
    else:
        fix = "Correct the positions, or give their unit with -s scan.position_unit=um."
    return InputError(
        f"positions span {extent:.6g} m with steps of {step:.3g} m",
        where=where,
        expected=f"a range above 0 and below {POSITION_SPAN_LIMIT_M:g} m, steps from 1 nm to 1 mm",
        fix=fix,
    )
