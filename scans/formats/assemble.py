"""From the facts of one file to a `Scan`, or to one error that names everything that is wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from scans.backlash import move_directions
from scans.errors import InputError
from scans.formats.facts import GIVEN, Facts
from scans.formats.lazy import LazyFrames, holds_light, trailing_dark
from scans.formats.settling import settle
from scans.geometry import Geometry
from scans.scan import Orientation, RawPositions, Scan
from scans.trajectories import affine_matrix

Readings: TypeAlias = NDArray[np.float64] | None  # (J, K, 2), where there are several a frame
AXES = "rows and columns run with sample y and x (down and to the right, seen from the source)"
# So many frames at the end are looked at when the last one is dark.
TAIL_FRAMES = 16
# Facts that a scan takes over under the same name.
PASSED_ON = (
    *("layout", "entry", "frames_path", "title", "mask", "dark", "dark_exposures_s", "flat", "counts_per_photon"),
    *("saturation", "beam_centre_px", "zone_plate", "monitor", "exposure_s", "exposures_s"),
    "index_in_file",
)
# Counts per photon of any detector, with a wide margin (common practice, no source).
GAIN_RANGE = (1e-6, 1e9)
WANTED = {
    # what a scan needs: name for people, what to do
    "frames": ("diffraction frames", "Name the dataset that holds them after '::'."),
    "positions": ("positions", "Write the scan positions into the file."),
    "energy_ev": ("photon energy", "Give it with -s scan.energy_ev=VALUE."),
    "distance_m": ("sample-detector distance", "Give it with -s scan.distance_m=VALUE."),
    "pixel_size_m": ("detector pixel size", "Give it with -s scan.pixel_size_m=VALUE."),
}


class SeveralProblems(InputError):
    """Everything that is wrong with one file, so that it can be put right in one go."""

    def __init__(self, file: str, problems: Sequence[InputError]) -> None:
        fix = " ".join(dict.fromkeys(p.fix for p in problems))
        super().__init__(f"{len(problems)} problems", where=file, expected="a complete scan", fix=fix)
        # The file is named once, above the list.
        lines = [f"  {i}. {problem}".replace(f"{file}::", "") for i, problem in enumerate(problems, 1)]
        self.args = (f"{file}: {len(problems)} problems\n" + "\n".join(lines),)


def assemble(facts: Facts, looked_at: Mapping[str, str]) -> Scan:
    """Make the scan.

    Parameters
    ----------
    facts
        What the reader found.
    looked_at
        For each key of ``WANTED``, where the reader looked: for the message when it is missing.

    Raises
    ------
    InputError
        When anything is missing, implausible, or does not fit together.
    """
    _apply_overrides(facts)
    settle(facts)
    where = facts.file.where(facts.entry)
    _check_complete(facts, looked_at, where)
    _check_gain(facts, where)
    _check_positions(facts)
    _check_light(facts)
    if len(facts.problems) > 1:
        raise SeveralProblems(str(facts.file.path), facts.problems)
    if facts.problems:
        raise facts.problems[0]
    frames, positions, pixel = facts.frames, facts.positions, facts.pixel_stored_m
    if frames is None or positions is None or facts.energy_ev is None or facts.distance_m is None or pixel is None:
        raise AssertionError("an incomplete scan passed its checks")
    orientation = facts.orientation or Orientation()
    swap = orientation.transpose
    shape = frames.shape[:0:-1] if swap else frames.shape[1:]
    pixel_size = facts.overrides.pixel_pair or (pixel[::-1] if swap else pixel)
    positions_m, readings_m = _without_backlash(facts, positions.values @ positions.matrix.T)
    (positions_m, readings_m), raw = _turned_positions(facts, positions_m, readings_m, positions)
    return Scan(
        frames=frames,
        positions_m=positions_m,
        geometry=Geometry(facts.energy_ev, facts.distance_m, pixel_size, shape),
        path=facts.file.path,
        orientation=orientation,
        raw_positions=raw,
        notes=tuple(facts.notes),
        readings_m=readings_m,
        **{name: getattr(facts, name) for name in PASSED_ON},
    )


def _without_backlash(facts: Facts, positions_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], Readings]:
    """Take out the back-lash that the user states, half of it for moves either way; of single readings too."""
    lash, readings_m = facts.overrides.backlash_m, facts.readings_m
    if lash is None:
        return positions_m, readings_m
    why = "half of it added for moves towards +, taken off for moves towards -"
    facts.note("back-lash", f"({lash[0]:.4g}, {lash[1]:.4g}) m", GIVEN, why)
    shift = 0.5 * np.array(lash) * move_directions(positions_m)
    return positions_m + shift, None if readings_m is None else readings_m + shift[:, None]


def _turned_positions(
    facts: Facts, positions_m: NDArray[np.float64], readings_m: Readings, raw: RawPositions
) -> tuple[tuple[NDArray[np.float64], Readings], RawPositions]:
    """Turn and scale positions and readings about their mean as the user states, and the map from what was stored."""
    given = facts.overrides
    if given.position_rotation_mrad is None and given.position_factor is None:
        return (positions_m, readings_m), raw
    angle, factor = given.position_rotation_mrad or 0.0, given.position_factor or 1.0
    if given.position_rotation_mrad is not None:
        facts.note("position_rotation_mrad", angle, GIVEN, "about the mean position, +x towards +y")
    if given.position_factor is not None:
        facts.note("position_factor", factor, GIVEN, "about the mean position")
    matrix, middle = affine_matrix(scale=factor, rotation_rad=1e-3 * angle), positions_m.mean(axis=0)

    def moved(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return (points - middle) @ matrix.T + middle

    y, x = moved(np.array(raw.offset_m))
    turned = moved(positions_m), None if readings_m is None else moved(readings_m)
    return turned, replace(raw, matrix=matrix @ raw.matrix, offset_m=(float(y), float(x)))


def _apply_overrides(facts: Facts) -> None:
    """Put the user's values in place of the file's, and say so."""
    given = facts.overrides
    for name in ("energy_ev", "distance_m", "counts_per_photon"):
        if facts.given(name):
            setattr(facts, name, float(getattr(given, name)))
            facts.note(name, float(getattr(given, name)), GIVEN)
    if given.pixel_pair is not None:
        facts.pixel_stored_m = facts.pixel_stored_m or given.pixel_pair
        facts.note("pixel_size_m", given.pixel_pair, GIVEN, "(y, x) of the oriented frames")
    if given.orientation is not None:
        facts.note("orientation", given.orientation, GIVEN, f"the file says {facts.orientation or 'nothing'}")
        facts.orientation = Orientation.named(given.orientation, "scan.orientation")
    elif facts.orientation is None:
        why = f"the file does not say; taken that {AXES}"
        facts.note("orientation", Orientation(), facts.file.where(facts.entry), why, guess=True)


def _check_complete(facts: Facts, looked_at: Mapping[str, str], where: str) -> None:
    """Record what is missing, unless a problem with it is on record already."""
    for name, (what, fix) in WANTED.items():
        value = facts.pixel_stored_m if name == "pixel_size_m" else getattr(facts, name)
        if value is None and name not in facts.refused:
            facts.problems.append(InputError(f"no {what}", where=where, expected=looked_at[name], fix=fix))


def _check_gain(facts: Facts, where: str) -> None:
    """Refuse a gain that no detector has."""
    gain, (low, high) = facts.counts_per_photon, GAIN_RANGE
    if gain is not None and not low <= gain <= high:
        fix = "Give it with -s scan.counts_per_photon=VALUE."
        expected = f"{low:g} to {high:g}"
        facts.problems.append(InputError(f"{gain:g} counts per photon", where=where, expected=expected, fix=fix))


def _check_positions(facts: Facts) -> None:
    """Positions of the frames in use must be finite."""
    if facts.positions is None:
        return
    n = len(facts.positions.values)
    bad = np.flatnonzero(~np.isfinite(facts.positions.values).all(axis=1))
    if bad.size:
        facts.problems.append(
            InputError(
                f"{bad.size} of {n} positions are not finite, the first at frame {bad[0]}",
                where=facts.positions_where,
                expected="finite positions for every frame",
                fix="Correct the position table, or leave these frames out when writing the scan.",
            )
        )


def _check_light(facts: Facts) -> None:
    """Refuse frames without a single count; note dark frames at the end."""
    if facts.frames is None:
        return
    frames = cast(LazyFrames, facts.frames)  # any stack that is as long and as large as it says
    if not len(frames):
        fix = "Correct the position table in a copy of the file."
        expected = "positions of the frames, as numbers"
        problem = InputError("no frame has a position", where=facts.positions_where, expected=expected, fix=fix)
        facts.problems.append(problem)
        return
    where = facts.file.where(facts.frames_path)
    try:
        if not holds_light(frames):
            facts.problems.append(
                InputError(
                    f"all {frames.shape[0]} frames are dark: no pixel holds a count",
                    where=where,
                    expected="diffraction patterns",
                    fix="Check the shutter and the detector's saving, or name another dataset after '::'.",
                )
            )
            return
        n_dark = trailing_dark(frames, TAIL_FRAMES)
    except InputError as problem:
        facts.problems.append(problem)
        return
    if n_dark:
        text = "nothing but zeros or fill values: the writer may have stopped early"
        count = f"at least {n_dark}" if n_dark == TAIL_FRAMES else n_dark
        facts.note("dark frames at the end", count, where, text, guess=True)
