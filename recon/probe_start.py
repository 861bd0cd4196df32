"""Where the first guess of the probe comes from, and the defocus that it is made with."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.loop import Loop, Stage
from recon.probe import ProbeGuess, orthogonal_modes, probe_from_data, scaled_to_power, zone_plate_probe
from recon.probe_file import probe_from_file
from recon.problem import Problem
from recon.recipe_sections import ProbeSection
from recon.result import StopReason
from recon.solvers import make_solver
from recon.state import start_state
from scans.errors import InputError
from scans.prepared import PreparedScan
from scans.scan import Note, ZonePlate

# The shadows tell the defocus within 15 % or so: nearer to the nominal one than this share of it they do not object.
AGREEMENT = 0.3
# Where neither fits clearly better the file is believed.
CLEARLY = 0.02
# Frames and passes of the short reconstructions that decide between two.
TRIAL_FRAMES, TRIAL_PASSES = 100, 12
_RPIE = {"alpha": 0.3, "beta": 0.5}


def first_probe(prepared: PreparedScan, wanted: ProbeSection) -> tuple[NDArray[np.complexfloating], list[Note]]:
    """Return the modes ``(M, N, N)`` that a recipe asks for, and what has to be known of them.

    Raises
    ------
    InputError
        When what is needed is missing, or does not fit the frames.
    """
    if wanted.start == "file":
        probe, how = probe_from_file(wanted.file or "", prepared.geometry)
        return orthogonal_modes(probe)[: wanted.modes], [Note("first probe", how, "recipe, probe.file")]
    if wanted.start == "data":
        guess = _from_data(prepared)
        return guess.probe, [defocus_note(guess)]
    optic = prepared.scan.zone_plate
    if optic is None or wanted.defocus_m is None:
        raise InputError(
            "probe.start = zone_plate without a zone plate",
            where=prepared.scan.name,
            expected="zone-plate diameter and outermost zone in the scan file",
            fix="Use -s probe.start=data.",
        )
    check_pupil(prepared, optic)
    return zone_plate_probe(prepared.geometry, optic, wanted.defocus_m), []


def check_pupil(prepared: PreparedScan, optic: ZonePlate) -> None:
    """Refuse a zone plate whose pupil is larger than the detector."""
    pixel_m = min(prepared.geometry.object_pixel_m)
    if optic.outer_zone_m < pixel_m:
        raise InputError(
            f"outermost zone of {optic.outer_zone_m * 1e9:.3g} nm with an object pixel of {pixel_m * 1e9:.3g} nm",
            where=f"{prepared.scan.name}, zone plate",
            expected="a pupil that fits on the detector (outermost zone > object pixel)",
            fix="Check distance, pixel size and zone plate, or use -s probe.start=data.",
        )


def defocus_note(guess: ProbeGuess) -> Note:
    """Tell of a defocus that was found."""
    return Note("defocus", f"{guess.defocus_m * 1e6:.3g} µm", "frames", guess.how, guess=True)


@dataclass(frozen=True)
class Defocus:
    """A defocus [m], why it was taken, and what has to be known of it."""

    value_m: float
    reason: str
    notes: tuple[Note, ...] = ()


def find_defocus(prepared: PreparedScan, problem: Problem, optic: ZonePlate, seed: int) -> Defocus:
    """Take the defocus of the scan file where the sample's shadows agree with it, or else the better of the two.

    The shadows are those of `recon.probe.probe_from_data`. Where they stand out and tell of another defocus, a
    short reconstruction with each decides: whatever fits the frames better was begun nearer to the truth.

    Parameters
    ----------
    problem
        Of the prepared scan.
    """
    check_pupil(prepared, optic)
    guess, nominal = _from_data(prepared), optic.defocus_m
    if nominal is None:
        return Defocus(guess.defocus_m, f"not in the scan file; {guess.how}", (defocus_note(guess),))
    depth_m = 2 * optic.outer_zone_m**2 / prepared.geometry.wavelength_m
    if not guess.stands_out or abs(guess.defocus_m - nominal) < AGREEMENT * abs(nominal) + depth_m:
        return Defocus(nominal, "nominal value of the scan file")
    near = replace(problem.middle(TRIAL_FRAMES), path_px=None)
    errors = [_error(near, zone_plate_probe(prepared.geometry, optic, z), seed) for z in (nominal, guess.defocus_m)]
    told = f"R factors {errors[0]:.3g} with the file's {nominal * 1e6:.3g} µm, {errors[1]:.3g} with "
    told += f"{guess.defocus_m * 1e6:.3g} µm, which the sample's shadows tell"
    if errors[0] * (1 - CLEARLY) <= errors[1]:
        return Defocus(nominal, f"nominal value of the scan file; {told}")
    note = Note("defocus", f"{guess.defocus_m * 1e6:.3g} µm", "frames", told, guess=True)
    return Defocus(guess.defocus_m, told, (note,))


def _from_data(prepared: PreparedScan) -> ProbeGuess:
    return probe_from_data(prepared.normalised(), prepared.mask, prepared.geometry, prepared.positions_m)


def _error(problem: Problem, probe: NDArray[np.complex128], seed: int) -> float:
    """R factor after a short reconstruction."""
    state = start_state(problem, scaled_to_power(probe, problem.power), seed)
    loop = Loop(problem, [Stage("defocus", make_solver("rpie", dict(_RPIE)), TRIAL_PASSES)])
    if loop.run(state) is StopReason.INTERRUPTED:
        raise KeyboardInterrupt
    return loop.records[-1].r_factor
