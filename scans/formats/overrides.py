"""What the user says instead of the file, checked when it is given."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from scans.errors import InputError
from scans.formats.mapping_text import mapping_of
from scans.formats.units import implausible, unit_factor
from scans.scan import Orientation

# Sample y and x in terms of the stored columns.
POSITION_AXES = ("y,x", "-y,x", "y,-x", "-y,-x", "x,y", "-x,y", "x,-y", "-x,-y")
FLAT_USES = ("divides", "multiplies", "none")
MASK_GOOD = ("zero", "one")


@dataclass(frozen=True)
class Overrides:
    """Values that replace what the file says.

    Parameters
    ----------
    energy_ev, distance_m
        Photon energy [eV], sample to detector [m].
    pixel_size_m
        Detector pixel ``(y, x)`` of the oriented frames [m]; one number means square.
    position_unit
        Unit of the positions as stored.
    orientation
        As `Orientation` prints it: "as stored", or "transpose", "flip_y", "flip_x" in this order with "+".
    counts_per_photon
        Detector gain.
    n_frames
        Use only the first so many frames, positions and monitor values.
    position_axes
        What the stored columns (y, x) are in the sample's axes: "y,x", or with signs and swapped, such as
        "-y,x" or "x,-y".
    position_scale_m
        Metres a stage count, ``(y, x)`` of the stored columns or one number; instead of a unit.
    backlash_m
        Displacement ``(y, x)`` of frames reached by moves towards + against those towards - [m], of either sign;
        the positions are corrected by half of it for each.
    position_rotation_mrad, position_factor
        Angle by which the positions are turned about their mean, +x towards +y [mrad], and the factor by which
        they are multiplied there: for a detector or stage that is mounted askew, or a stage's wrong unit.
    readings_per_frame
        The positions hold so many readings in a row for each frame.
    frames_per_position
        So many frames in a row were taken at each position.
    flat
        Whether the file's flat field "divides" the counts (it holds the pixels' response), "multiplies" them
        (it holds correction factors), or is left alone ("none").
    mask_good
        What means a good pixel in the file's mask: "zero" (by the standards, whose bits of faults are heeded), or
        "one" (anything but 0).
    follow_external
        Follow links and virtual sources that lead out of the file's folder.
    parts
        Pattern of files beside the given one that hold the scan in parts, in the order of their numbers, such
        as one file a scan line: ``line_*.h5``. Needs a mapping.
    mapping
        Which item of the file has which role (`scans.formats.mapping_text.Mapping`): the file is then read by
        these names alone, whatever its layout.
    """

    energy_ev: float | None = None
    distance_m: float | None = None
    pixel_size_m: float | tuple[float, float] | None = None
    position_unit: str | None = None
    orientation: str | None = None
    counts_per_photon: float | None = None
    n_frames: int | None = None
    position_axes: str | None = None
    position_scale_m: float | tuple[float, float] | None = None
    backlash_m: tuple[float, float] | None = None
    position_rotation_mrad: float | None = None
    position_factor: float | None = None
    readings_per_frame: int | None = None
    frames_per_position: int | None = None
    flat: str | None = None
    mask_good: str | None = None
    follow_external: bool = False
    parts: str | None = None
    mapping: dict[str, str] | None = None

    def __post_init__(self) -> None:
        problems: list[InputError | None] = []
        for name in ("energy_ev", "distance_m"):
            if getattr(self, name) is not None:
                value = float(getattr(self, name))
                problems.append(implausible(name, value, where=f"scan.{name}", raw=value))
        problems += [implausible("pixel_size_m", size, where="scan.pixel_size_m") for size in self.pixel_pair or ()]
        problems += self._frame_problems() + self._position_problems()
        for problem in problems:
            if problem is not None:
                raise problem
        if self.orientation is not None:
            Orientation.named(self.orientation, "scan.orientation")
        if self.mapping is not None:
            mapping_of(self.mapping)
        if self.parts is not None and (not self.parts.strip() or "/" in self.parts or "\\" in self.parts):
            raise option_error("parts", self.parts, "a pattern of file names in the folder of the scan, without /")
        if self.position_unit is not None:
            unit_factor(self.position_unit, "length", where="scan.position_unit", option="scan.position_unit=um")

    def _frame_problems(self) -> list[InputError | None]:
        problems: list[InputError | None] = []
        gain = self.counts_per_photon
        if gain is not None and not (math.isfinite(gain) and gain > 0):
            problems.append(option_error("counts_per_photon", gain, "a finite number above 0"))
        if self.n_frames is not None and self.n_frames < 1:
            problems.append(option_error("n_frames", self.n_frames, "a whole number from 1"))
        if self.flat not in (None, *FLAT_USES):
            problems.append(option_error("flat", self.flat, f"one of {', '.join(FLAT_USES)}"))
        if self.mask_good not in (None, *MASK_GOOD):
            problems.append(option_error("mask_good", self.mask_good, f"one of {', '.join(MASK_GOOD)}"))
        return problems

    def _position_problems(self) -> list[InputError | None]:
        problems: list[InputError | None] = []
        if self.position_axes is not None and self.position_axes not in POSITION_AXES:
            problems.append(option_error("position_axes", self.position_axes, f"one of {', '.join(POSITION_AXES)}"))
        for scale in () if self.position_scale_m is None else np.atleast_1d(self.position_scale_m):
            if not (math.isfinite(scale) and scale > 0):
                problems.append(option_error("position_scale_m", scale, "metres a count, above 0"))
        lash = self.backlash_m
        if lash is not None and not (len(lash) == 2 and all(math.isfinite(v) and abs(v) < 1e-4 for v in lash)):
            problems.append(option_error("backlash_m", lash, "(y, x) in metres, each below 0.1 mm"))
        angle, factor = self.position_rotation_mrad, self.position_factor
        if angle is not None and not (math.isfinite(angle) and abs(angle) <= 3142):
            problems.append(option_error("position_rotation_mrad", angle, "an angle from -3142 to 3142 mrad"))
        if factor is not None and not (math.isfinite(factor) and factor > 0):
            problems.append(option_error("position_factor", factor, "a finite number above 0"))
        for name in ("readings_per_frame", "frames_per_position"):
            count = getattr(self, name)
            if count is not None and count < 1:
                problems.append(option_error(name, count, "a whole number from 1"))
        return problems

    @property
    def pixel_pair(self) -> tuple[float, float] | None:
        """``(y, x)`` of `pixel_size_m`."""
        size = self.pixel_size_m
        if size is None:
            return None
        pair = tuple(float(s) for s in np.atleast_1d(size))
        if len(pair) not in (1, 2):
            raise option_error("pixel_size_m", size, "one number or (y, x)")
        return pair[0], pair[-1]


def option_error(name: str, value: Any, expected: str) -> InputError:
    """Return the error for an option of the ``[scan]`` table."""
    return InputError(f"{value!r}", where=f"scan.{name}", expected=expected, fix=f"Correct -s scan.{name}.")
