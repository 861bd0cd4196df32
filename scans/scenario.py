"""Named scenarios: a specimen, a microscope and a scan, every number of which can be overridden."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, get_type_hints

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.geometry import Geometry
from scans.materials import transmission
from scans.optics import Aberrations, zone_plate_probe
from scans.scan import Orientation, Scan, ZonePlate
from scans.simulation import Measurement, simulate
from scans.specimens import SPECIMENS, soften
from scans.trajectories import PATTERNS, Positions, affine_matrix, innermost
from scans.truth import Sample, Truth


@dataclass(frozen=True)
class Scenario:
    """Everything that a simulated scan is made from; the names are the keys of ``-s key=value``.

    Parameters
    ----------
    specimen, specimen_seed
        What lies in the beam: a name in `scans.specimens.SPECIMENS`. The same seed gives the same specimen
        whatever the scan.
    edge_m
        Rms softness of the specimen's edges [m].
    energy_ev, distance_m, detector_pixel_m, frame_px
        Photon energy [eV], sample to detector [m], detector pixel [m], frame size N.
    oversampling
        Grid of the truth: this many pixels a far-field pixel.
    zone_plate_diameter_m, outer_zone_m, stop_fraction
        Zone plate [m], central stop over diameter.
    defocus_m, defocus_error
        True distance behind the focus [m]; the scan's metadata say (1 + defocus_error) times as much.
    astigmatism_waves, coma_waves
        Aberrations that the metadata do not know, in waves at the pupil's rim.
    trajectory, step_m, n_frames
        A name in `scans.trajectories.PATTERNS`, its step [m], number of frames.
    photons_per_frame, poisson
        Photons of a frame on empty field; False stores the noise-free expectation.
    read_noise, counts_per_photon, dark_level, dark_frames, saturation
        Detector: rms [photons], gain, dark level [counts], number of dark frames, full scale [counts]
        (0: none).
    centre_offset_y_px, centre_offset_x_px
        Direct beam from the middle of the oriented frame [detector pixels].
    orientation
        How stored frames are turned into frames along sample y and x, as `Orientation` prints it.
    position_jitter_m, position_scale, position_rotation_rad
        How the true positions differ from the recorded ones: rms [m], factor, angle.
    seed
        Of all noise and of random trajectories.
    """

    specimen: str = "catalyst"
    specimen_seed: int = 1
    edge_m: float = 5e-9
    energy_ev: float = 915.0
    distance_m: float = 0.075
    detector_pixel_m: float = 88e-6
    frame_px: int = 96
    oversampling: int = 2
    zone_plate_diameter_m: float = 240e-6
    outer_zone_m: float = 40e-9
    stop_fraction: float = 0.4
    defocus_m: float = 15e-6
    defocus_error: float = 0.08
    astigmatism_waves: float = 0.15
    coma_waves: float = 0.1
    trajectory: str = "fermat_spiral"
    step_m: float = 120e-9
    n_frames: int = 225
    photons_per_frame: float = 5e6
    poisson: bool = True
    read_noise: float = 0.0
    counts_per_photon: float = 1.0
    dark_level: float = 0.0
    dark_frames: int = 0
    saturation: float = 0.0
    centre_offset_y_px: float = 0.0
    centre_offset_x_px: float = 0.0
    orientation: str = "as stored"
    position_jitter_m: float = 0.0
    position_scale: float = 1.0
    position_rotation_rad: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        for name, known in (("specimen", SPECIMENS), ("trajectory", PATTERNS)):
            if getattr(self, name) not in known:
                raise _unknown(name, getattr(self, name), known)
        for name in (
            "step_m",
            "n_frames",
            "oversampling",
            "photons_per_frame",
            "position_scale",
            "counts_per_photon",
        ):
            self._check(name, above=0)
        for name in (
            "edge_m",
            "read_noise",
            "dark_level",
            "dark_frames",
            "saturation",
            "position_jitter_m",
            "seed",
        ):
            self._check(name, at_least=0)
        self._check("specimen_seed", at_least=0)
        _ = self.geometry, self.zone_plate  # check their own ranges

    def _check(self, name: str, *, above: float = -math.inf, at_least: float = -math.inf) -> None:
        value = getattr(self, name)
        if math.isfinite(value) and value > above and value >= at_least:
            return
        limit = f"above {above:g}" if above > at_least else f"of at least {at_least:g}"
        raise InputError(
            f"{value:g}",
            where=f"scenario setting {name}",
            expected=f"a number {limit}",
            fix=f"Give {name}=VALUE in the unit of its name.",
        )

    @property
    def geometry(self) -> Geometry:
        """Geometry of the frames."""
        return Geometry(
            energy_ev=self.energy_ev,
            distance_m=self.distance_m,
            pixel_size_m=(self.detector_pixel_m, self.detector_pixel_m),
            frame_shape=(self.frame_px, self.frame_px),
        )

    @property
    def zone_plate(self) -> ZonePlate:
        """Nominal zone plate, with the defocus that the metadata claim."""
        return ZonePlate(
            diameter_m=self.zone_plate_diameter_m,
            outer_zone_m=self.outer_zone_m,
            stop_fraction=self.stop_fraction,
            defocus_m=self.defocus_m * (1 + self.defocus_error),
        )

    @property
    def pixel_m(self) -> float:
        """Pixel of the truth's grid [m]."""
        return self.geometry.object_pixel_m[0] / self.oversampling

    @property
    def probe_diameter_m(self) -> float:
        """Probe diameter [m]: the cone λ·defocus/outer zone and the focus (1.03 zones), in quadrature."""
        cone = abs(self.geometry.wavelength_m * self.defocus_m / self.outer_zone_m)
        return math.hypot(cone, 1.03 * self.outer_zone_m)

    def positions_m(self) -> Positions:
        """Lay out the recorded positions ``(n_frames, 2)`` [m]: the innermost of a large enough pattern."""
        pattern, side = PATTERNS[self.trajectory], (math.ceil(math.sqrt(self.n_frames)) - 1) * self.step_m
        while True:
            positions_m = pattern((side, side), self.step_m, np.random.default_rng([self.seed, 1]))
            if len(positions_m) >= self.n_frames:
                return innermost(positions_m, self.n_frames)
            side += self.step_m

    def sample(self, positions_m: Positions) -> Sample:
        """Specimen on a grid that holds every frame at these positions and 5 % of a frame around them."""
        reach = np.abs(positions_m).max(axis=0) * abs(self.position_scale) + 6 * self.position_jitter_m
        if self.position_rotation_rad:
            reach = np.full(2, math.hypot(*reach))
        half = np.ceil((reach + 0.55 * self.geometry.frame_width_m[0]) / self.pixel_m).astype(int)
        y_m, x_m = (np.arange(-n, n) * self.pixel_m for n in half)
        thickness = soften(SPECIMENS[self.specimen](y_m, x_m, self.specimen_seed), self.pixel_m, self.edge_m)
        return Sample(transmission(thickness, self.energy_ev), self.pixel_m)

    def probe(self) -> NDArray[np.complex128]:
        """Return the true coherent probe on the truth's grid, of side `frame_px` x `oversampling`."""
        aberrations = Aberrations(
            astigmatism_waves=self.astigmatism_waves,
            astigmatism_angle_rad=0.4,
            coma_waves=self.coma_waves,
            coma_angle_rad=1.1,
        )
        return zone_plate_probe(
            (self.frame_px * self.oversampling,) * 2,
            self.pixel_m,
            self.geometry.wavelength_m,
            self.zone_plate,
            self.defocus_m,
            aberrations=aberrations,
        )

    def measurement(self) -> Measurement:
        """Detector and stage."""
        matrix = affine_matrix(scale=self.position_scale, rotation_rad=self.position_rotation_rad)
        (a, b), (c, d) = matrix.tolist()
        return Measurement(
            photons_per_frame=self.photons_per_frame,
            poisson=self.poisson,
            counts_per_photon=self.counts_per_photon,
            dark_level=self.dark_level,
            read_noise=self.read_noise,
            dark_frames=self.dark_frames,
            saturation=self.saturation or None,
            centre_offset_px=(self.centre_offset_y_px, self.centre_offset_x_px),
            orientation=Orientation.named(self.orientation),
            position_jitter_m=self.position_jitter_m,
            position_affine=((a, b), (c, d)),
        )

    def override(self, settings: Mapping[str, Any]) -> Scenario:
        """Return the scenario with some settings replaced; text is read as the setting's type.

        Raises
        ------
        InputError
            For an unknown key, naming the nearest known one, and for a value of the wrong kind.
        """
        types = get_type_hints(Scenario)
        known = {f.name: types[f.name] for f in fields(Scenario)}
        values = {}
        for key, value in settings.items():
            if key not in known:
                raise _unknown("scenario setting", key, known)
            values[key] = _read(key, value, known[key])
        return replace(self, **values)


SCENARIOS: dict[str, tuple[str, Scenario]] = {
    "catalyst": (
        "copper catalyst grains on a holey carbon film, 915 eV, below the Cu L3 edge",
        Scenario(),
    ),
    "testchart": (
        "gold star, bars and dots on a nitride membrane, 710 eV: sharp edges, strong phase",
        Scenario(
            specimen="test_chart",
            energy_ev=710.0,
            distance_m=0.058,
            defocus_m=11.6e-6,
            photons_per_frame=1e6,
        ),
    ),
    "weak": (
        "weak organic film with fibres and vesicles, 710 eV",
        Scenario(
            specimen="organic_film",
            energy_ev=710.0,
            distance_m=0.058,
            defocus_m=11.6e-6,
            photons_per_frame=5e6,
        ),
    ),
}


def scenario(name: str = "catalyst", **overrides: Any) -> Scenario:
    """Look up a scenario and replace some of its settings.

    Raises
    ------
    InputError
        For an unknown name or key, naming the nearest known one.
    """
    if name not in SCENARIOS:
        raise _unknown("scenario", name, SCENARIOS)
    return SCENARIOS[name][1].override(overrides)


def build(name: str = "catalyst", **overrides: Any) -> tuple[Scan, Truth]:
    """Simulate a named scenario.

    Parameters
    ----------
    name
        A name in `SCENARIOS`.
    **overrides
        Settings of `Scenario` to replace; values may be text.

    Raises
    ------
    InputError
        For an unknown name or key, or a value out of range.

    Examples
    --------
    >>> scan, truth = build("catalyst", n_frames=16, photons_per_frame=1e5)
    >>> scan.frames.shape
    (16, 96, 96)
    """
    chosen = scenario(name, **overrides)
    positions_m = chosen.positions_m()
    return simulate(
        chosen.sample(positions_m),
        chosen.probe(),
        positions_m,
        chosen.geometry,
        chosen.measurement(),
        zone_plate=chosen.zone_plate,
        seed=chosen.seed,
        title=f"simulated: {SCENARIOS[name][0]}",
    )


def _unknown(what: str, found: str, known: Mapping[str, Any]) -> InputError:
    near = difflib.get_close_matches(found, known, n=1, cutoff=0.0)
    return InputError(
        f"'{found}'",
        where=what,
        expected="one of " + ", ".join(known),
        fix=f"Did you mean '{near[0]}'?",
    )


def _read(key: str, value: Any, kind: type) -> Any:
    """Turn a value or its text into the setting's type."""
    words = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
    try:
        if kind is bool:
            return words[str(value).lower()]
        if kind is int:
            number = float(value)
            if number != int(number):
                raise ValueError(value)
            return int(number)
        return kind(value)
    except (KeyError, TypeError, ValueError, OverflowError):
        raise InputError(
            f"'{value}'",
            where=f"scenario setting {key}",
            expected={bool: "true or false", int: "a whole number", float: "a number"}.get(kind, "a name"),
            fix=f"Give {key}=VALUE in the unit of its name.",
        ) from None
