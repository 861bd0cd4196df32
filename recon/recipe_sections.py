"""The recipe's tables: their keys, and what each key takes."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import Field, dataclass, field, fields, replace
from typing import Any, ClassVar

from scans.errors import InputError
from scans.formats.mapping_text import KEYS as ROLES
from scans.formats.overrides import FLAT_USES, MASK_GOOD, POSITION_AXES
from scans.options import BEAMSTOPS, DARKS, FLUXES, OFFSETS

Scalar = float | int | str | bool
Check = Callable[[Any], Any]

DEFAULT_STAGE = "main"
STAGE_KEYS = ("name", "solver", "iterations")
POSITION_UNITS = ("m", "mm", "um", "nm", "pm", "angstrom")
# As scans.Orientation writes itself: the transposition comes first, then the flips.
ORIENTATIONS = (
    *("as stored", "transpose", "flip_y", "flip_x", "flip_y+flip_x"),
    *("transpose+flip_y", "transpose+flip_x", "transpose+flip_y+flip_x"),
)


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


_WORD = matching(r"[A-Za-z0-9_-]+", "a name of letters, digits, - and _")
_DEVICE = matching(
    r"auto|cpu|gpu(:[0-9]+(,[0-9]+)*)?",
    '"auto", "cpu", "gpu", or "gpu:" and the card numbers as in "gpu:0,1"',
)


class Section:
    """Checks every key once, at construction."""

    TABLE: ClassVar[str]
    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if value is not None or f.default is not None:
                value = checked(f.metadata["check"], value, f"{self._place()}.{f.name}")
            object.__setattr__(self, f.name, value)

    def _place(self) -> str:
        return self.TABLE


@dataclass(frozen=True)
class ScanSection(Section):
    """``[scan]``: corrections to what the scan file says.

    Parameters
    ----------
    energy_ev, distance_m
        Photon energy [eV]; sample to detector [m].
    pixel_size_m
        Detector pixel ``(y, x)`` [m]; one number in TOML means square.
    position_unit
        Unit of the stored positions.
    orientation
        How stored frames are turned: "as stored", or "transpose", "flip_y", "flip_x" joined by "+".
    n_frames
        Frames to read, from the first: for a scan that was cut short.
    position_axes
        What the stored columns (y, x) are in the sample's axes: "y,x", "-y,x", ... "-x,-y".
    position_scale_m
        Metres a stage count, ``[y, x]`` of the stored columns or one number.
    backlash_m
        Displacement ``[y, x]`` of frames reached by moves towards + against those towards - [m].
    position_rotation_mrad, position_factor
        Angle, +x towards +y, and factor by which the positions are turned and multiplied about their mean.
    readings_per_frame
        Stage readings in a row for each frame.
    frames_per_position
        Frames in a row at each position.
    flat
        What the file's flat field does to the counts: "divides", "multiplies", or "none".
    mask_good
        What means a good pixel in the file's mask: "zero" or "one".
    follow_external
        Follow links and virtual sources that lead out of the file's folder.
    parts
        Pattern of files beside the scan that hold it in parts, such as one a scan line.
    mapping
        ``[scan.mapping]``: the name of the item in the file for each role; the file is then read by these alone.
    """

    TABLE: ClassVar[str] = "scan"
    energy_ev: float | None = key(number(above=0, unit="eV"))
    distance_m: float | None = key(number(above=0, unit="m"))
    pixel_size_m: tuple[float, float] | None = key(one_or_pair(number(above=0, unit="m")))
    position_unit: str | None = key(one_of(*POSITION_UNITS))
    orientation: str | None = key(one_of(*ORIENTATIONS))
    n_frames: int | None = key(whole(1))
    position_axes: str | None = key(one_of(*POSITION_AXES))
    position_scale_m: tuple[float, float] | None = key(one_or_pair(number(above=0, unit="m")))
    backlash_m: tuple[float, float] | None = key(pair(number(unit="m")))
    position_rotation_mrad: float | None = key(number(unit="mrad"))
    position_factor: float | None = key(number(above=0))
    readings_per_frame: int | None = key(whole(1))
    frames_per_position: int | None = key(whole(1))
    flat: str | None = key(one_of(*FLAT_USES))
    mask_good: str | None = key(one_of(*MASK_GOOD))
    follow_external: bool | None = key(yes_or_no)
    parts: str | None = key(matching(r"[^/\\]+", "a pattern of file names without folders"))
    mapping: dict[str, str] | None = field(default=None, metadata={"check": roles_and_names})


@dataclass(frozen=True)
class PrepareSection(Section):
    """``[prepare]``: from stored counts to photons.

    Parameters
    ----------
    size, bin
        Side of the prepared frames [pixels]; detector pixels summed per side.
    centre_px
        ``(y, x)`` of the direct beam in the stored frame [pixels].
    follow_beam
        Move the window by whole pixels where the beam drifts over the scan.
    counts_per_photon
        Detector gain [counts/photon].
    gain_energy_ev
        Photon energy [eV] that `counts_per_photon` holds for, where it is not that of the scan.
    saturation
        Stored counts at and above this value are not used.
    dark
        How dark frames become one: "clipped" (mean within 6 sigma), "median", "mean"; "none" leaves them alone.
    offset
        "follow" what the unexposed margin of each frame shows, or "fixed".
    smear, bad_pixels, spikes
        Take out read-out smear; mask pixels that the frames show to be bad; mask cosmic rays.
    beamstop
        "mask" what it covers, "divide" by its fitted transmission, or "none".
    merge
        Merge exposures of one position.
    flux
        Incident flux of each frame by the "monitor", by the "trend" of the counts, or "none".
    flat_detector
        Map the flat detector to an even grid of spatial frequencies.
    """

    TABLE: ClassVar[str] = "prepare"
    size: int | None = key(whole(8))
    bin: int | None = key(whole(1))
    centre_px: tuple[float, float] | None = key(pair(number(0)))
    follow_beam: bool | None = key(yes_or_no)
    counts_per_photon: float | None = key(number(above=0))
    gain_energy_ev: float | None = key(number(above=0, unit="eV"))
    saturation: float | None = key(number(above=0))
    dark: str | None = key(one_of(*DARKS))
    offset: str | None = key(one_of(*OFFSETS))
    smear: bool | None = key(yes_or_no)
    bad_pixels: bool | None = key(yes_or_no)
    spikes: bool | None = key(yes_or_no)
    beamstop: str | None = key(one_of(*BEAMSTOPS))
    merge: bool | None = key(yes_or_no)
    flux: str | None = key(one_of(*FLUXES))
    flat_detector: bool | None = key(yes_or_no)


@dataclass(frozen=True)
class ProbeSection(Section):
    """``[probe]``: number of incoherent modes, where the first guess comes from, sample behind focus [m]."""

    TABLE: ClassVar[str] = "probe"
    modes: int | None = key(whole(1))
    start: str | None = key(one_of("zone_plate", "data"))
    defocus_m: float | None = key(number(unit="m"))


@dataclass(frozen=True)
class ObjectSection(Section):
    """``[object]``: margin around the scanned field [object pixels]."""

    TABLE: ClassVar[str] = "object"
    margin_px: int | None = key(whole(0))


@dataclass(frozen=True)
class PositionsSection(Section):
    """``[positions]``: legal, without keys."""

    TABLE: ClassVar[str] = "positions"


@dataclass(frozen=True)
class RunSection(Section):
    """``[run]``: seed of all random numbers, device, precision, time [s] after which the run stops."""

    TABLE: ClassVar[str] = "run"
    seed: int = key(whole(0), default=0)
    device: str | None = key(_DEVICE)
    precision: str | None = key(one_of("single", "double"))
    time_budget_s: float | None = key(number(above=0, unit="s"))


@dataclass(frozen=True)
class SolveStage(Section):
    """One ``[[solve]]`` table.

    Parameters
    ----------
    name
        For ``-s solve.NAME.key=value`` and the convergence record; unique in a recipe.
    solver, iterations
        Method and number of passes over all frames; None means chosen from the data.
    settings
        The solver's own keys; the solver registry checks them.
    """

    TABLE: ClassVar[str] = "solve"
    name: str = key(_WORD, default=DEFAULT_STAGE)
    solver: str | None = key(_WORD)
    iterations: int | None = key(whole(1))
    settings: dict[str, Scalar] = field(default_factory=dict, metadata={"check": dict})

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in self.settings:
            checked(_WORD, name, f"{self._place()}, name of a key")
        own = {name: checked(scalar, value, f"{self._place()}.{name}") for name, value in self.settings.items()}
        object.__setattr__(self, "settings", own)

    def _place(self) -> str:
        return f"{self.TABLE}.{self.name}"

    def get(self, name: str) -> Any:
        """Value of one key, the solver's own included; None when free."""
        return getattr(self, name) if name in STAGE_KEYS else self.settings.get(name)

    def having(self, name: str, value: Any) -> SolveStage:
        """Return this stage with one key set, the solver's own included."""
        if name in STAGE_KEYS:
            return replace(self, **{name: value})
        return replace(self, settings=self.settings | {name: value})
