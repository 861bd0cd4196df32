"""A simulated area detector with faults and known truth: from expected photons to stored counts.

The model follows the charge: photons arrive (beam, scatter, leak, smear), spread over neighbouring pixels,
become electrons (3.65 eV each in silicon, Fano factor 0.118), share the pixel with dark current and cosmic
rays, fill the well, are read with noise and an offset, and are digitised. Frames are as the detector stores
them. Everything is off in a default `DetectorModel`: a perfect photon counter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.detector_charge import ELECTRON_EV, FANO, collect, cosmic_rays, fano_noise
from scans.errors import InputError

_BLOCK = 16

Image = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class DetectorTruth:
    """What was wrong with a simulated detector.

    Masks ``(h, w)`` bool, True where it applies: `hot`, `warm` (flickering), `dead`, `stuck`, `weak`
    (under-responding), `dead_columns`, `beamstop` (its shadow). `spikes` ``(J, h, w)`` bool are cosmic rays,
    `saturated` ``(J, h, w)`` pixels whose well or converter was full. `dark` ``(h, w)`` is the offset without
    drift, at no exposure [counts], `offsets` ``(J, h)`` the drift of each row [counts]. `response` ``(h, w)``
    is the flat field with dead, weak and column faults in it. `scatter` and `leak` ``(h, w)`` are photons in
    one reference exposure. `flux` ``(J,)`` is relative; 0 in `closed` frames (bool ``(J,)``, shutter shut);
    `blank` (bool ``(J,)``) are stored as zeros.
    """

    hot: Mask
    warm: Mask
    dead: Mask
    stuck: Mask
    weak: Mask
    dead_columns: Mask
    beamstop: Mask
    dark: Image
    response: Image
    scatter: Image
    leak: Image
    flux: Image
    closed: Mask
    blank: Mask
    offsets: Image
    spikes: Mask
    saturated: Mask

    @property
    def good(self) -> Mask:
        """Pixels without a fault ``(h, w)``; the shadow of a beamstop is none."""
        return ~(self.hot | self.warm | self.dead | self.stuck | self.weak | self.dead_columns)


@dataclass(frozen=True, eq=False)
class Exposure:
    """What a simulated detector stored, and the truth.

    `frames` ``(J, h, w)``, `darks` ``(K, h, w)`` or None, and the exposure time of each [s].
    """

    frames: NDArray[Any] = field(repr=False)
    darks: NDArray[Any] | None = field(repr=False)
    exposures_s: Image = field(repr=False)
    dark_exposures_s: Image = field(repr=False)
    truth: DetectorTruth = field(repr=False)


@dataclass(frozen=True)
class DetectorModel:
    """An area detector; the defaults are a perfect photon counter.

    Parameters
    ----------
    energy_ev
        Photon energy; with `ELECTRON_EV` it gives the electrons of one photon.
    exposure_s
        Reference exposure: the expected photons, `scatter`, `leak` and hot currents are for it.
    counts_per_photon
        Gain.
    poisson
        False: photons without shot noise.
    sharing_px
        Rms width of the charge cloud along y and along x; 0 keeps a photon's charge in its pixel.
    fano
        Fano factor, 0 or `FANO`.
    read_noise_e
        Rms a pixel [electrons].
    dark_level, dark_pattern
        Offset and its fixed Gaussian pattern, rms [counts].
    dark_current_e
        Electrons a pixel in the reference exposure, in every pixel.
    frame_drift, row_drift
        Rms step of the offset from frame to frame (random walk, all pixels alike), and rms of an
        independent offset of each row in each frame [counts].
    hot, hot_e
        Number of hot pixels, and typical dark current of one [electrons in the reference exposure]; true
        ones lie between a third and three times that, with Poisson noise.
    warm, warm_e
        Number of flickering pixels, and the step between their two states [electrons].
    dead, stuck, weak, dead_columns
        Numbers of pixels and columns. Weak ones respond with 0.15 to 0.6 of the normal.
    flat_rms
        Spread of the response: half of the variance pixel by pixel, half smooth.
    smear
        Share of the column's sum (one reference exposure) that each of its pixels gets in read-out:
        the time of one row shift over the exposure.
    leak_photons, scatter_photons
        Mean of a smooth leak of visible light (beam on), and peak of a static parasitic scatter [photons a
        pixel]. Leaked light has the charge of so many photons but comes electron by electron.
    cosmic_rays, cosmic_e
        Mean hits a frame (single pixels and tracks of up to 6), and typical charge a pixel [electrons].
    beamstop_px, beamstop_centre_px, beamstop_transmission
        Radius (0: none), centre ``(row, column)`` (None: the middle) and what passes [0..1].
    full_well_e, adc_top
        Electrons a pixel holds; largest value stored. None for no limit. With `adc_top` values are cut at 0
        as well and stored unsigned.
    flux_loss, flux_noise
        Share of the flux lost over the scan (exponential decay), and rms of independent fluctuations.
    closed_frames, blank_frames
        Number of frames taken with the shutter closed, and of frames stored as zeros.

    Raises
    ------
    InputError
        A value below 0, or a gain, energy or exposure of 0.
    """

    energy_ev: float = 710.0
    exposure_s: float = 1.0
    counts_per_photon: float = 1.0
    poisson: bool = True
    sharing_px: float = 0.0
    fano: float = 0.0
    read_noise_e: float = 0.0
    dark_level: float = 0.0
    dark_pattern: float = 0.0
    dark_current_e: float = 0.0
    frame_drift: float = 0.0
    row_drift: float = 0.0
    hot: int = 0
    hot_e: float = 5000.0
    warm: int = 0
    warm_e: float = 1000.0
    dead: int = 0
    stuck: int = 0
    weak: int = 0
    dead_columns: int = 0
    flat_rms: float = 0.0
    smear: float = 0.0
    leak_photons: float = 0.0
    scatter_photons: float = 0.0
    cosmic_rays: float = 0.0
    cosmic_e: float = 3000.0
    beamstop_px: float = 0.0
    beamstop_centre_px: tuple[float, float] | None = None
    beamstop_transmission: float = 0.0
    full_well_e: float | None = None
    adc_top: int | None = None
    flux_loss: float = 0.0
    flux_noise: float = 0.0
    closed_frames: int = 0
    blank_frames: int = 0

    def __post_init__(self) -> None:
        positive = ("energy_ev", "exposure_s", "counts_per_photon")
        for name in (f.name for f in fields(self)):
            value = getattr(self, name)
            if isinstance(value, tuple) or value is None or (math.isfinite(value) and value >= 0):
                if name not in positive or value > 0:
                    continue
            raise InputError(
                f"{value!r}",
                where=f"DetectorModel.{name}",
                expected=f"a finite number {'above 0' if name in positive else 'of 0 or more'}",
                fix=f"Correct {name}.",
            )

    @property
    def electrons_per_photon(self) -> float:
        """Mean charge of one photon."""
        return self.energy_ev / ELECTRON_EV

    @property
    def counts_per_electron(self) -> float:
        """Gain of the read-out alone."""
        return self.counts_per_photon / self.electrons_per_photon

    def expose(
        self,
        expected: NDArray[np.floating],
        rng: np.random.Generator,
        *,
        exposures_s: NDArray[np.floating] | None = None,
        dark_frames: int = 0,
        dark_exposures_s: NDArray[np.floating] | None = None,
    ) -> Exposure:
        """Record expected photons ``(J, h, w)`` of the reference exposure; the darks come first.

        `exposures_s` ``(J,)`` scales beam, scatter, leak and dark current of each frame, not the smear.
        `dark_exposures_s` ``(K,)`` goes before `dark_frames`.
        """
        j, h, w = expected.shape
        times = np.full(j, self.exposure_s) if exposures_s is None else np.asarray(exposures_s, np.float64)
        dark_times = np.full(dark_frames, self.exposure_s) if dark_exposures_s is None else dark_exposures_s
        dark_times = np.asarray(dark_times, np.float64)
        k = len(dark_times)
        faults = _Faults.draw(self, (h, w), rng)
        offsets = self._drift(k + j, h, rng)
        flux, closed, blank = self._flux(j, rng)
        dtype = self._dtype()
        stored, spikes, full = (
            np.empty((k + j, h, w), dtype),
            np.zeros((k + j, h, w), bool),
            np.zeros((k + j, h, w), bool),
        )
        relative = np.concatenate([dark_times, times]) / self.exposure_s
        for start in range(0, k + j, _BLOCK):
            part = slice(start, min(start + _BLOCK, k + j))
            light = np.zeros((part.stop - start, h, w))
            for n in range(max(start, k), part.stop):
                light[n - start] = self._light(expected[n - k], flux[n - k], relative[n], faults)
            photons = collect(light, self.sharing_px, rng if self.poisson else None)
            charge = fano_noise(self.electrons_per_photon * faults.response * photons, self.fano, rng)
            lit = relative[part] * np.concatenate([np.zeros(k), flux > 0])[part]
            charge += self._slow_charge(relative[part], lit, faults, rng)
            spikes[part] = cosmic_rays(charge, self.cosmic_rays, self.cosmic_e, rng)
            full[part] = self._full_well(charge)
            counts = self._read(charge, faults, offsets[part], rng)
            full[part] |= self._digitise(counts)
            stored[part] = np.where(faults.stuck, faults.stuck_value, counts)
        stored[k:][blank] = 0
        beam = {"flux": flux, "closed": closed, "blank": blank}
        truth = faults.truth(**beam, offsets=offsets[k:], spikes=spikes[k:], saturated=full[k:])
        return Exposure(stored[k:], stored[:k] if k else None, times, dark_times, truth)

    def _dtype(self) -> np.dtype[Any]:
        if self.adc_top is not None:
            return np.dtype(np.uint16 if self.adc_top < 1 << 16 else np.uint32)
        return np.dtype(np.int32 if self.poisson else np.float32)

    def _drift(self, n: int, rows: int, rng: np.random.Generator) -> Image:
        """Offset of each row of each frame ``(n, rows)``."""
        walk = self.frame_drift * np.cumsum(rng.standard_normal(n))
        return walk[:, None] + self.row_drift * rng.standard_normal((n, rows))

    def _flux(self, n: int, rng: np.random.Generator) -> tuple[Image, Mask, Mask]:
        """Relative flux of each frame, closed frames, blank frames."""
        flux = (1 - self.flux_loss) ** (np.arange(n) / max(n - 1, 1))
        flux = flux * np.maximum(1 + self.flux_noise * rng.standard_normal(n), 0)
        order = rng.permutation(n)
        closed, blank = np.zeros(n, bool), np.zeros(n, bool)
        closed[order[: self.closed_frames]] = True
        blank[order[self.closed_frames : self.closed_frames + self.blank_frames]] = True
        return np.where(closed, 0.0, flux), closed, blank

    def _light(self, expected: NDArray[np.floating], flux: float, relative: float, faults: _Faults) -> Image:
        """Return the expected photons ``(h, w)`` at each pixel."""
        beam = flux * expected * faults.transmission
        smear = self.smear * beam.sum(axis=0, keepdims=True)
        return relative * (beam + flux * faults.scatter) + smear

    def _slow_charge(self, relative: Image, lit: Image, faults: _Faults, rng: np.random.Generator) -> Image:
        """Electrons ``(n, h, w)`` that come one by one: dark current, hot and flickering pixels, leaked light.

        `lit` is the relative exposure of frames with the beam on, 0 for others.
        """
        mean = relative[:, None, None] * (self.dark_current_e + faults.hot_e)
        mean = mean + lit[:, None, None] * self.electrons_per_photon * faults.leak
        on = rng.random((len(relative), *faults.warm.shape)) < 0.4 if self.warm else np.False_
        return np.asarray(np.where(faults.warm & on, self.warm_e, 0.0) + rng.poisson(mean), np.float64)

    def _full_well(self, charge: Image) -> Mask:
        """Cut `charge` in place; return what was cut."""
        if self.full_well_e is None:
            return np.zeros(charge.shape, bool)
        full: Mask = charge >= self.full_well_e
        np.minimum(charge, self.full_well_e, out=charge)
        return full

    def _read(self, charge: Image, faults: _Faults, offsets: Image, rng: np.random.Generator) -> Image:
        """Return the counts before digitising."""
        noise = self.read_noise_e * rng.standard_normal(charge.shape) if self.read_noise_e else 0.0
        return self.counts_per_electron * (charge + noise) + faults.dark + offsets[:, :, None]

    def _digitise(self, counts: Image) -> Mask:
        """Round and cut `counts` in place; return what was above the converter's top."""
        if self._dtype().kind != "f":
            np.rint(counts, out=counts)
        if self.adc_top is None:
            return np.zeros(counts.shape, bool)
        over: Mask = counts >= self.adc_top
        np.clip(counts, 0, self.adc_top, out=counts)
        return over


@dataclass(frozen=True, eq=False)
class _Faults:
    """The maps of one detector, drawn once."""

    hot: Mask
    warm: Mask
    dead: Mask
    stuck: Mask
    weak: Mask
    dead_columns: Mask
    hot_e: Image
    stuck_value: Image
    response: Image
    dark: Image
    leak: Image
    scatter: Image
    transmission: Image

    @classmethod
    def draw(cls, model: DetectorModel, shape: tuple[int, int], rng: np.random.Generator) -> _Faults:
        columns = np.zeros(shape, bool)
        columns[:, rng.permutation(shape[1])[: model.dead_columns]] = True
        order = rng.permutation(np.flatnonzero(~columns))
        kinds, start = [], 0
        for count in (model.hot, model.warm, model.dead, model.stuck, model.weak):
            mask = np.zeros(shape, bool)
            mask.ravel()[order[start : start + count]] = True
            kinds.append(mask)
            start += count
        hot, warm, dead, stuck, weak = kinds
        fine, smooth = rng.standard_normal(shape), _smooth(shape, rng)
        response = 1 + model.flat_rms * math.sqrt(0.5) * (fine + smooth)
        response = np.where(weak, rng.uniform(0.15, 0.6, shape) * response, response)
        response = np.where(dead | columns, 0.0, np.maximum(response, 0))
        top = 4 * model.dark_level + 50 * model.counts_per_photon if model.adc_top is None else model.adc_top
        y, x = (np.arange(n) - n // 2 for n in shape)
        halo = 1 / (1 + ((y[:, None] - 0.1 * shape[0]) ** 2 + x**2) / (0.2 * shape[1]) ** 2)
        return cls(
            *(hot, warm, dead, stuck, weak, columns),
            hot_e=np.where(hot, model.hot_e * 3 ** rng.uniform(-1, 1, shape), 0.0),
            stuck_value=np.rint(rng.uniform(0, top, shape)),
            response=response,
            dark=model.dark_level + model.dark_pattern * rng.standard_normal(shape),
            leak=model.leak_photons * np.exp(0.2 * _smooth(shape, rng)),
            scatter=model.scatter_photons * halo,
            transmission=np.where(_disc(model, shape), model.beamstop_transmission, 1.0),
        )

    def truth(self, **per_frame: NDArray[Any]) -> DetectorTruth:
        names = ("hot", "warm", "dead", "stuck", "weak", "dead_columns", "dark", "response", "scatter", "leak")
        maps = {name: getattr(self, name) for name in names}
        return DetectorTruth(**maps, beamstop=self.transmission < 1, **per_frame)


def _smooth(shape: tuple[int, int], rng: np.random.Generator) -> Image:
    """Smooth random map ``(h, w)`` of mean 0 and rms 1."""
    y, x = (np.linspace(-1, 1, n) for n in shape)
    a = rng.standard_normal(5)
    map_ = a[0] * y[:, None] + a[1] * x + a[2] * y[:, None] * x + a[3] * y[:, None] ** 2 + a[4] * x**2
    map_ -= map_.mean()
    return np.asarray(map_ / map_.std(), np.float64)


def _disc(model: DetectorModel, shape: tuple[int, int]) -> Mask:
    centre = model.beamstop_centre_px or ((shape[0] - 1) / 2, (shape[1] - 1) / 2)
    y, x = (np.arange(n) - c for n, c in zip(shape, centre, strict=True))
    return (y[:, None] ** 2 + x**2 < model.beamstop_px**2) if model.beamstop_px else np.zeros(shape, bool)


def dirty_detector(**changes: Any) -> DetectorModel:
    """Return a worn direct-detection CCD with every common fault; `changes` are `DetectorModel` fields."""
    settings: dict[str, Any] = {
        "counts_per_photon": 45.0,
        "sharing_px": 0.15,
        "fano": FANO,
        "read_noise_e": 5.0,
        "dark_level": 400.0,
        "dark_pattern": 6.0,
        "frame_drift": 0.2,
        "row_drift": 0.3,
        "hot": 25,
        "warm": 10,
        "dead": 25,
        "stuck": 5,
        "weak": 10,
        "dead_columns": 1,
        "flat_rms": 0.02,
        "leak_photons": 0.02,
        "scatter_photons": 0.2,
        "cosmic_rays": 0.3,
        "adc_top": 65535,
        "flux_noise": 0.01,
    }
    return DetectorModel(**(settings | changes))
