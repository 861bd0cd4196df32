"""The recipe's tables and their keys."""

from __future__ import annotations

from dataclasses import Field, dataclass, field, fields, replace
from typing import Any, ClassVar

from recon.recipe_keys import (
    Scalar,
    checked,
    key,
    matching,
    number,
    one_of,
    one_or_pair,
    pair,
    rectangle,
    roles_and_names,
    scalar,
    share,
    whole,
    yes_or_no,
)
from scans.formats.overrides import FLAT_USES, MASK_GOOD, POSITION_AXES
from scans.options import BEAMSTOPS, DARKS, FLUXES, OFFSETS

DEFAULT_STAGE = "main"
STAGE_KEYS = ("name", "solver", "iterations", "extend", "refine")
POSITION_UNITS = ("m", "mm", "um", "nm", "pm", "angstrom")
# As scans.Orientation writes itself: the transposition comes first, then the flips.
ORIENTATIONS = (
    *("as stored", "transpose", "flip_y", "flip_x", "flip_y+flip_x"),
    *("transpose+flip_y", "transpose+flip_x", "transpose+flip_y+flip_x"),
)


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
    """``[probe]``.

    Parameters
    ----------
    modes
        Number of incoherent modes.
    start
        Where the first guess comes from.
    file
        A result, or an array in ``FILE.h5::/path`` or ``FILE.npy``, that it is taken from.
    defocus_m
        Sample behind focus [m].
    support_m
        Diameter of the disc around its centre that the probe stays within [m].
    band
        Highest spatial frequency of the probe, over that of the zone plate's pupil, 1/(2 x outermost zone).
    variation
        Number of waves that the strongest mode varies by over the scan; 0 for a steady beam.
    background
        Refine a static background.
    intensity
        Refine the intensity of each frame.
    share_passes
        Passes of the repetition on drawn counts that tells how far the noise shifts the shares of the modes; 0
        for none.
    """

    TABLE: ClassVar[str] = "probe"
    modes: int | None = key(whole(1))
    start: str | None = key(one_of("zone_plate", "data", "file"))
    defocus_m: float | None = key(number(unit="m"))
    support_m: float | None = key(number(above=0, unit="m"))
    band: float | None = key(number(above=0))
    variation: int | None = key(whole(0))
    background: bool | None = key(yes_or_no)
    intensity: bool | None = key(yes_or_no)
    share_passes: int | None = key(whole(0))
    file: str | None = key(matching(r".+", "the name of a file"))


@dataclass(frozen=True)
class ObjectSection(Section):
    """``[object]``.

    Parameters
    ----------
    margin_px
        Margin around the scanned field [object pixels].
    slices
        Number of slices that the beam meets one after the other.
    slice_distance_m
        Free space between them, to begin with [m].
    refine_slices
        Refine that distance.
    empty_area_m
        ``[y first, y last, x first, x last]``: stage coordinates [m] of a rectangle with no sample, for the prior
        "empty_area".
    """

    TABLE: ClassVar[str] = "object"
    margin_px: int | None = key(whole(0))
    slices: int | None = key(whole(1))
    slice_distance_m: float | None = key(number(above=0, unit="m"))
    refine_slices: bool | None = key(yes_or_no)
    empty_area_m: tuple[float, float, float, float] | None = key(rectangle(number(unit="m")))


@dataclass(frozen=True)
class PositionsSection(Section):
    """``[positions]``.

    Parameters
    ----------
    refine
        Refine the positions of all frames.
    travel
        Share of the way to the next position that the stage moves during an exposure: 0 where it stands still,
        1 where it never stops.
    """

    TABLE: ClassVar[str] = "positions"
    refine: bool | None = key(yes_or_no)
    travel: float | None = key(share(1.5))


@dataclass(frozen=True)
class RunSection(Section):
    """``[run]``.

    Parameters
    ----------
    seed
        Of all random numbers.
    device, precision
        "auto", "cpu", "gpu" or "gpu:N"; "single" or "double".
    time_budget_s
        Time after which the run stops [s].
    held_out
        Share of the detector pixels that is never fitted; 0 fits all.
    trial_passes
        Passes of each short trial that decides what is refined; 0 for no trials.
    share
        What several scans have in common: "probe", "object", or "both".
    """

    TABLE: ClassVar[str] = "run"
    seed: int = key(whole(0), default=0)
    device: str | None = key(_DEVICE)
    precision: str | None = key(one_of("single", "double"))
    time_budget_s: float | None = key(number(above=0, unit="s"))
    held_out: float | None = key(share(0.2))
    trial_passes: int | None = key(whole(0))
    share: str | None = key(one_of("probe", "object", "both"))


@dataclass(frozen=True)
class SolveStage(Section):
    """One ``[[solve]]`` table.

    Parameters
    ----------
    name
        For ``-s solve.NAME.key=value`` and the convergence record; unique in a recipe.
    solver, iterations
        Method and number of passes over all frames; None means chosen from the data.
    refine
        What is refined beside object and probe, in words: "positions", "background", "intensity", "variation",
        "probes" and "offsets" (of several scans that share the object), "depths"; "" for nothing.
    extend
        How many more passes at most, while they lower the held-out deviance by 1 % in ten.
    settings
        The solver's own keys; the solver registry checks them.
    """

    TABLE: ClassVar[str] = "solve"
    name: str = key(_WORD, default=DEFAULT_STAGE)
    solver: str | None = key(_WORD)
    iterations: int | None = key(whole(1))
    settings: dict[str, Scalar] = field(default_factory=dict, metadata={"check": dict})
    refine: str | None = key(matching(r"[a-z ]*", "words parted by blanks"))
    extend: int | None = key(whole(0))

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
