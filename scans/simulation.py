"""Scans with known truth: a known object, a known wave, a detector with its faults.

The object lives on a grid finer than the solver's pixel, the wave is moved to real-valued positions by an
exact Fourier shift, and only the central part of the far field reaches the detector: no solver's
discretisation is part of the truth.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from scans.errors import InputError
from scans.geometry import Geometry
from scans.scan import Note, Orientation, Scan, ZonePlate
from scans.truth import Sample, Truth

# Frames computed together: keeps a block of 256 x 256 waves near the cache; fixed, because the order of
# random draws depends on it.
_BATCH = 8


@dataclass(frozen=True)
class Measurement:
    """How a scan is recorded; the defaults are a perfect photon counter and a perfect stage.

    Parameters
    ----------
    photons_per_frame
        Mean photons on the detector in a frame on empty field.
    poisson
        True: counts are drawn; False: the expectation is stored as float32, without any noise.
    counts_per_photon, dark_level
        Gain [counts/photon] and dark level [counts].
    read_noise
        Rms per pixel [photons].
    dark_frames
        Number of dark frames recorded with the scan.
    saturation
        Counts are cut at this value; None for no limit.
    orientation
        What turns the stored frames into frames along sample y and x.
    centre_offset_px
        Where the direct beam is, ``(y, x)`` from ``(N//2, N//2)`` of the *oriented* frame; any real number.
    position_jitter_m, position_affine
        The true positions are ``recorded @ affine.T`` plus Gaussian jitter of this rms along y and x [m].
    """

    photons_per_frame: float
    poisson: bool = True
    counts_per_photon: float = 1.0
    dark_level: float = 0.0
    read_noise: float = 0.0
    dark_frames: int = 0
    saturation: float | None = None
    orientation: Orientation = field(default_factory=Orientation)
    centre_offset_px: tuple[float, float] = (0.0, 0.0)
    position_jitter_m: float = 0.0
    position_affine: tuple[tuple[float, float], tuple[float, float]] = ((1.0, 0.0), (0.0, 1.0))

    def __post_init__(self) -> None:
        _at_least("photons_per_frame", self.photons_per_frame, 0, exclusive=True)
        _at_least("counts_per_photon", self.counts_per_photon, 0, exclusive=True)
        for name in ("dark_level", "read_noise", "dark_frames", "position_jitter_m"):
            _at_least(name, getattr(self, name), 0)
        if self.saturation is not None:
            _at_least("saturation", self.saturation, self.dark_level, exclusive=True)

    @property
    def digitised(self) -> bool:
        """Whether counts are stored as integers.

        They are where none can be negative: without read noise, or with a dark level five times above it.
        Otherwise float32 is stored, as after a dark subtraction in the detector.
        """
        return self.poisson and self.dark_level >= 5 * self.read_noise * self.counts_per_photon


def simulate(
    sample: Sample,
    probe: NDArray[np.complexfloating],
    positions_m: NDArray[np.float64],
    geometry: Geometry,
    measurement: Measurement,
    *,
    zone_plate: ZonePlate | None = None,
    seed: int = 0,
    title: str = "simulated scan",
) -> tuple[Scan, Truth]:
    """Simulate a far-field scan of a known object.

    Frame j is |F[P(r) O(r + r_j)]|² with the unitary far field F: a probe further along +y lights rows
    further down the object array. With several probe modes their intensities add.

    Parameters
    ----------
    sample
        The object; it must hold every frame's field.
    probe
        ``(n, n)`` or ``(M, n, n)`` on the sample's grid, centred at ``(n//2, n//2)``. n·pixel is the width
        of a frame's field λz/p, so n = oversampling x N. Only its shape counts: the power is set by
        ``measurement.photons_per_frame``.
    positions_m
        ``(J, 2)`` recorded positions [m].
    geometry
        Of the oriented frames: square, with square pixels.
    measurement
        Photons, noise, detector and stage.
    zone_plate
        Nominal values to be stored with the scan.
    seed
        Of all random numbers. The same seed gives the same position errors with and without noise.
    title
        Of the scan.

    Raises
    ------
    InputError
        When grids and geometry do not fit together, or the object is too small.
    """
    wave, detector = _setup(sample, probe, geometry, measurement)
    position_rng, count_rng, dark_rng = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3))
    recorded = np.array(positions_m, np.float64)
    true = recorded @ np.array(measurement.position_affine).T
    true = true + measurement.position_jitter_m * position_rng.standard_normal(true.shape)
    wave = wave * np.sqrt(measurement.photons_per_frame / detector.power(wave))

    frames = detector.blank(len(true))
    lit = np.zeros(sample.transmission.shape)
    for block, expected in _expected(sample, wave, true, detector, lit):
        frames[block] = detector.record(expected, count_rng)
    dark = detector.blank(measurement.dark_frames)
    dark[...] = detector.record(np.zeros(dark.shape), dark_rng)

    scan = Scan(
        frames=detector.stored(frames),
        positions_m=recorded,
        geometry=geometry,
        layout="simulation",
        title=title,
        dark=detector.stored(dark) if len(dark) else None,
        counts_per_photon=measurement.counts_per_photon,
        saturation=measurement.saturation,
        beam_centre_px=detector.stored_centre(),
        orientation=measurement.orientation,
        zone_plate=zone_plate,
        notes=(Note("everything", f"simulated with seed {seed}", "scans.simulation"),),
    )
    solver_pixel_m = geometry.object_pixel_m[0]
    return scan, Truth.of(sample, probe=wave, positions_m=true, lit=lit, solver_pixel_m=solver_pixel_m)


def diffraction_patterns(
    sample: Sample,
    probe: NDArray[np.complexfloating],
    positions_m: NDArray[np.float64],
    geometry: Geometry,
    *,
    centre_offset_px: tuple[float, float] = (0.0, 0.0),
) -> NDArray[np.float64]:
    """Compute expected photons ``(J, N, N)`` in float64, oriented, for the probe's power as given.

    The noise-free model behind `simulate`, with its arguments, for comparisons.
    """
    measurement = Measurement(1.0, centre_offset_px=centre_offset_px)
    wave, detector = _setup(sample, probe, geometry, measurement)
    lit = np.zeros(sample.transmission.shape)
    blocks = _expected(sample, wave, np.asarray(positions_m, np.float64), detector, lit)
    return np.concatenate([expected for _, expected in blocks])


def _setup(
    sample: Sample, probe: NDArray[np.complexfloating], geometry: Geometry, measurement: Measurement
) -> tuple[NDArray[np.complex128], _Detector]:
    """Probe modes ``(M, n, n)`` and the detector that looks at their far field, checked."""
    wave = np.asarray(probe, np.complex128)
    wave = wave[None] if wave.ndim == 2 else wave
    _check_grids(sample, wave.shape, geometry)
    return wave, _Detector(wave.shape[-1], geometry.frame_shape[0], measurement)


def _expected(
    sample: Sample,
    wave: NDArray[np.complex128],
    positions_m: NDArray[np.float64],
    detector: _Detector,
    lit: NDArray[np.float64],
) -> Iterator[tuple[slice, NDArray[np.float64]]]:
    """Yield blocks of expected photons ``(B, N, N)``, oriented; adds the illumination to `lit`."""
    n = wave.shape[-1]
    _check_positions(positions_m)
    spectra = scipy.fft.fft2(wave)
    f = scipy.fft.fftfreq(n)
    # pixel coordinates of the probe's centre; whole pixels choose the patch, the rest shifts the probe
    centre = [k // 2 for k in sample.transmission.shape]
    places = (positions_m - sample.centre_m) / sample.pixel_m + centre
    whole = np.rint(places).astype(int)
    corner = whole - n // 2
    _check_inside(corner, n, sample)
    phase_y, phase_x = (np.exp(-2j * np.pi * np.outer(places[:, a] - whole[:, a], f)) for a in (0, 1))
    for start in range(0, len(positions_m), _BATCH):
        block = slice(start, min(start + _BATCH, len(positions_m)))
        rows = [np.s_[y : y + n, x : x + n] for y, x in corner[block]]
        patches = np.stack([sample.transmission[r] for r in rows])
        shift = phase_y[block, :, None] * phase_x[block, None, :]
        expected = np.zeros((len(rows), detector.size, detector.size))
        for spectrum in spectra:
            moved = scipy.fft.ifft2(spectrum * shift, overwrite_x=True)
            for r, power in zip(rows, np.abs(moved) ** 2, strict=True):
                lit[r] += power
            expected += detector.photons(moved * patches)
        yield block, expected


class _Detector:
    """The square of `size` pixels that looks at a far field of `n` pixels."""

    def __init__(self, n: int, size: int, measurement: Measurement) -> None:
        self.size, self.measurement = size, measurement
        offset = np.array(measurement.centre_offset_px, np.float64)
        whole = np.rint(offset).astype(int)
        if (np.abs(whole) > (n - size) // 2).any():
            raise InputError(
                f"beam {tuple(measurement.centre_offset_px)} px off the centre",
                where="centre_offset_px",
                expected=f"within ±{(n - size) // 2} px, what the oversampling covers",
                fix="Take a smaller offset or a higher oversampling.",
            )
        self._rows, self._columns = ((np.arange(size) - size // 2 - w) % n for w in whole)
        # a fraction of a detector pixel is a phase ramp on the exit wave
        ramps = [np.exp(2j * np.pi * part * np.arange(n) / n) for part in offset - whole]
        self._ramp = ramps[0][:, None] * ramps[1] if (offset != whole).any() else None

    def photons(self, exit_waves: NDArray[np.complex128]) -> NDArray[np.float64]:
        """Photons ``(B, size, size)`` of exit waves ``(B, n, n)``; the window's origin does not matter."""
        if self._ramp is not None:
            exit_waves = exit_waves * self._ramp
        field = scipy.fft.fft2(exit_waves, norm="ortho", overwrite_x=True)
        return np.abs(field[:, self._rows[:, None], self._columns]) ** 2

    def power(self, wave: NDArray[np.complex128]) -> float:
        """Share of the modes' power on a centred detector, in the unit of |wave|²."""
        central = _Detector(wave.shape[-1], self.size, Measurement(1.0))
        power = float(central.photons(wave.copy()).sum())
        if not power > 0:
            raise InputError(
                "the probe has no power on the detector",
                where="probe",
                expected="a wave whose pupil lies inside the detector",
                fix="Take a coarser zone plate or a smaller object pixel.",
            )
        return power

    def blank(self, count: int) -> NDArray[Any]:
        """Make an empty stack of frames of the type that is stored."""
        return np.empty((count, self.size, self.size), np.uint32 if self.measurement.digitised else np.float32)

    def record(self, expected: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
        """Draw the counts of expected photons, still oriented."""
        m = self.measurement
        photons = rng.poisson(expected).astype(np.float64) if m.poisson else expected
        counts = photons * m.counts_per_photon + m.dark_level
        if m.poisson and m.read_noise > 0:
            counts += m.read_noise * m.counts_per_photon * rng.standard_normal(counts.shape)
        if m.digitised:
            counts = np.maximum(np.rint(counts), 0)
        return counts if m.saturation is None else np.minimum(counts, m.saturation)

    def stored(self, frames: NDArray[Any]) -> NDArray[Any]:
        """Turn oriented frames to the way the detector stores them: the inverse of `Orientation.apply`."""
        orientation = self.measurement.orientation
        flips = (
            slice(None, None, -1 if orientation.flip_y else 1),
            slice(None, None, -1 if orientation.flip_x else 1),
        )
        frames = frames[(..., *flips)]
        return np.ascontiguousarray(np.swapaxes(frames, -1, -2) if orientation.transpose else frames)

    def stored_centre(self) -> tuple[float, float]:
        """Direct beam in the stored frame, ``(row, column)``."""
        orientation, last = self.measurement.orientation, self.size - 1
        y, x = (self.size // 2 + o for o in self.measurement.centre_offset_px)
        y, x = (last - y if orientation.flip_y else y), (last - x if orientation.flip_x else x)
        return (x, y) if orientation.transpose else (y, x)


def _check_grids(sample: Sample, shape: tuple[int, ...], geometry: Geometry) -> None:
    """Compare probe and object grids with the frame's field."""
    (ny, nx), (py, px) = geometry.frame_shape, geometry.pixel_size_m
    if ny != nx or py != px:
        raise InputError(
            f"frames of {ny} x {nx} pixels of {py:g} x {px:g} m",
            where="geometry of the simulation",
            expected="square frames of square pixels",
            fix="Simulate square frames, and crop them afterwards.",
        )
    n, width = shape[-1], geometry.frame_width_m[0]
    if len(shape) == 3 and shape[-2] == n >= geometry.frame_shape[0] and abs(n * sample.pixel_m / width - 1) < 1e-6:
        return
    raise InputError(
        f"probe of {shape[-2]} x {n} pixels of {sample.pixel_m * 1e9:.6g} nm",
        where="probe",
        expected=f"a square grid of at least {nx} pixels, {width * 1e9:.6g} nm wide",
        fix="Take n = oversampling x frame size, and a pixel of the far-field pixel over the oversampling.",
    )


def _check_positions(positions_m: NDArray[np.float64]) -> None:
    if positions_m.ndim == 2 and positions_m.shape[1] == 2 and len(positions_m) and np.isfinite(positions_m).all():
        return
    raise InputError(
        f"array of shape {positions_m.shape}, {np.isfinite(positions_m).sum()} values finite",
        where="positions of the simulation",
        expected="finite positions (J, 2) in metres, (y, x)",
        fix="Correct the list of positions.",
    )


def _check_inside(corner: NDArray[np.int_], n: int, sample: Sample) -> None:
    """Every patch inside the object."""
    low, high = corner.min(axis=0), corner.max(axis=0) + n - np.array(sample.transmission.shape)
    if (low >= 0).all() and (high <= 0).all():
        return
    missing = [int(v) for v in np.maximum(-low, 0) + np.maximum(high, 0)]
    raise InputError(
        f"an object of {sample.transmission.shape} pixels",
        where="object",
        expected=f"{missing[0]} more rows and {missing[1]} more columns for these positions",
        fix="Make the object larger or the scan smaller.",
    )


def _at_least(name: str, value: float, limit: float, *, exclusive: bool = False) -> None:
    if np.isfinite(value) and (value > limit if exclusive else value >= limit):
        return
    raise InputError(
        f"{value:g}",
        where=name,
        expected=f"a finite number {'above' if exclusive else 'of at least'} {limit:g}",
        fix=f"Correct {name}.",
    )
