"""Scan geometry: the four numbers that fix every length in a far-field scan."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scans.errors import InputError

# h c in eV m: exact in the 2019 SI (CODATA 2018), used for energy <-> wavelength.
PLANCK_TIMES_C_EV_M = 6.62607015e-34 * 299792458.0 / 1.602176634e-19
JOULE_PER_EV = 1.602176634e-19

ENERGY_RANGE_EV = (30.0, 200e3)
DISTANCE_RANGE_M = (1e-3, 100.0)
PIXEL_RANGE_M = (1e-6, 1e-3)


@dataclass(frozen=True)
class Geometry:
    """Far-field geometry of a scan; everything else is derived from it.

    Parameters
    ----------
    energy_ev
        Photon energy [eV].
    distance_m
        Sample to detector [m].
    pixel_size_m
        Detector pixel, ``(y, x)`` [m].
    frame_shape
        Frame size in pixels, ``(rows, columns)``.

    Raises
    ------
    InputError
        When a value is not finite or not plausible for an X-ray scan.
    """

    energy_ev: float
    distance_m: float
    pixel_size_m: tuple[float, float]
    frame_shape: tuple[int, int]

    def __post_init__(self) -> None:
        _check_range("energy_ev", self.energy_ev, ENERGY_RANGE_EV, "eV")
        _check_range("distance_m", self.distance_m, DISTANCE_RANGE_M, "m")
        for size in self.pixel_size_m:
            _check_range("pixel_size_m", size, PIXEL_RANGE_M, "m")
        if min(self.frame_shape) < 8:
            raise InputError(
                f"frames of {self.frame_shape} pixels",
                where="frame_shape",
                expected="at least 8 pixels a side",
                fix="Check which dataset holds the frames.",
            )

    @property
    def wavelength_m(self) -> float:
        """Wavelength λ = hc/E [m]."""
        return PLANCK_TIMES_C_EV_M / self.energy_ev

    @property
    def object_pixel_m(self) -> tuple[float, float]:
        """Far-field object pixel λz/(N p), ``(y, x)`` [m]."""
        lz = self.wavelength_m * self.distance_m
        (ny, nx), (py, px) = self.frame_shape, self.pixel_size_m
        return lz / (ny * py), lz / (nx * px)

    @property
    def frame_width_m(self) -> tuple[float, float]:
        """Field of one frame in the sample plane λz/p, ``(y, x)`` [m]."""
        lz = self.wavelength_m * self.distance_m
        return lz / self.pixel_size_m[0], lz / self.pixel_size_m[1]

    @property
    def detector_na(self) -> float:
        """Numerical aperture at the nearer detector edge, sin(atan(N p / 2z))."""
        half = min(n * p for n, p in zip(self.frame_shape, self.pixel_size_m, strict=True)) / 2
        return math.sin(math.atan(half / self.distance_m))

    @property
    def half_period_limit_m(self) -> float:
        """Smallest half period that reaches the detector edge, λ/(2 NA) [m]."""
        return self.wavelength_m / (2 * self.detector_na)

    def with_frame_shape(self, shape: tuple[int, int]) -> Geometry:
        """Return the same detector cropped or padded to `shape` pixels."""
        return replace(self, frame_shape=shape)

    def binned(self, factor: int) -> Geometry:
        """Return the geometry after summing `factor` x `factor` detector pixels."""
        ny, nx = self.frame_shape
        py, px = self.pixel_size_m
        return replace(self, frame_shape=(ny // factor, nx // factor), pixel_size_m=(py * factor, px * factor))


def _check_range(name: str, value: float, limits: tuple[float, float], unit: str) -> None:
    if math.isfinite(value) and limits[0] <= value <= limits[1]:
        return
    hint = ""
    if name == "energy_ev" and 0 < value < 1e-10:
        hint = f" If the value is in joule, it is {value / JOULE_PER_EV:.6g} eV."
    elif name == "energy_ev" and 0.03 <= value < 30:
        hint = f" If the value is in keV, it is {1000 * value:.6g} eV."
    raise InputError(
        f"{value:.6g} {unit}",
        where=name,
        expected=f"{limits[0]:g} to {limits[1]:g} {unit}",
        fix=f"Give the right value with -s scan.{name}=VALUE.{hint}",
    )
