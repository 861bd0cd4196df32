"""Counts over the distance from the direct beam, and what limits the resolution: exposure or angle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scans.beam import BeamDisc
from scans.measures import measured_overlap, probe_size
from scans.scan import Scan

# Light this far from the beam, in radii of its disc, was scattered by the sample.
DARK_FIELD_FROM = 1.15
# Signal over noise at which a ring of spatial frequencies counts as seen: SNR = 1/3 is a correlation of 1/2 with
# the truth, C² = SNR/(1 + SNR) (Rosenthal & Henderson, J. Mol. Biol. 333 (2003) 721, from memory).
SEEN_SNR = 1 / 3


@dataclass(frozen=True, eq=False)
class Radial:
    """Mean counts a pixel and frame in rings around the direct beam.

    Parameters
    ----------
    frequency_px
        ``(R,)`` ring radius [detector pixels].
    counts
        ``(R,)`` mean counts; nan where a ring has no measured pixel.
    floor
        Counts a pixel and frame below which photon noise hides a ring in the reconstruction; None while the
        gain or the overlap is unknown.
    limit_px
        First ring below the floor beyond the beam's disc; None where the signal reaches the detector's edge.
    edge_px
        Radius of the largest circle on the detector.
    """

    frequency_px: NDArray[np.float64]
    counts: NDArray[np.float64]
    floor: float | None
    limit_px: float | None
    edge_px: float


def radius_px(shape: tuple[int, ...], centre: tuple[float, float]) -> NDArray[np.float64]:
    """Return the distance of each pixel ``(h, w)`` from a point ``(row, column)`` [pixels]."""
    y, x = (np.arange(n) - c for n, c in zip(shape, centre, strict=True))
    return np.hypot(y[:, None], x[None, :])


def radial_counts(scan: Scan, mean: NDArray[np.float64], good: NDArray[np.bool_], beam: BeamDisc, unit: str) -> Radial:
    """Average a mean pattern ``(h, w)`` over rings one pixel wide, and mark what noise hides.

    A frame gives one real number a detector pixel for a complex amplitude, whose root has a variance of 1/4
    from photon noise; with half of the information lost, the signal over noise of a ring with I counts is I a
    frame, and every sample point lies in o = probe area / area a position frames: SNR = o I. The floor is
    where that falls to `SEEN_SNR`. An estimate, good to about 20 % in half period on simulated scans.
    """
    ring = radius_px(mean.shape, beam.centre).round().astype(int)
    n = np.bincount(ring[good], minlength=ring.max() + 1)
    counts = np.bincount(ring[good], mean[good], minlength=ring.max() + 1) / np.where(n > 0, n, np.nan)
    (h, w), (y, x) = mean.shape, beam.centre
    edge = max(min(y, h - 1 - y, x, w - 1 - x), 1.0)
    floor = _noise_floor(scan) if unit == "photon" else None
    limit = None
    if floor is not None:
        beyond = (np.arange(len(counts)) > DARK_FIELD_FROM * beam.diameter_px / 2) & (np.arange(len(counts)) <= edge)
        below = np.flatnonzero(beyond & (_smooth(counts) < floor))
        limit = float(below[0]) if below.size else None
    return Radial(np.arange(len(counts), dtype=float), counts, floor, limit, edge)


def _smooth(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take the mean over five rings, nan left out: single rings are noisy where they are dim."""
    padded = np.pad(counts, 2, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 5)
    seen = np.isfinite(windows)
    total = np.where(seen, windows, 0).sum(axis=1)
    return total / np.where(seen.any(axis=1), seen.sum(axis=1), np.nan)


def _noise_floor(scan: Scan) -> float | None:
    probe = probe_size(scan.zone_plate, scan.geometry.wavelength_m)
    spacing = measured_overlap(scan.positions_m, 1.0)
    if probe is None or spacing is None or scan.zone_plate is None:
        return None
    lit = math.pi / 4 * probe.diameter_m**2 * (1 - scan.zone_plate.stop_fraction**2)
    return SEEN_SNR / max(lit / spacing.step_m**2, 1.0)
