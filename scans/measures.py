"""Nominal probe size, overlap and regularity of the positions: what `checks` judges. Pure functions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from scans.scan import Scan, ZonePlate
from scans.trajectories import Overlap, measure_overlap

# A raster without jitter is as regular as this and more; it lies near a uniform jitter of 8 % of the step
# (tests/scans/test_checks.py).
REGULAR_RASTER = 0.05


@dataclass(frozen=True)
class ProbeSize:
    """Diameter of the nominal illumination on the sample [m], and which diameter that is."""

    diameter_m: float
    which: str


def probe_size(zone_plate: ZonePlate | None, wavelength_m: float) -> ProbeSize | None:
    """Nominal probe diameter; None when zone plate or defocus is unknown.

    Behind the focus it is the geometric cone d = D·dz/f = λ|dz|/drn (ray optics); near the focus the Airy
    disc to its first zero, 2.44 drn (X-Ray Data Booklet, section 4.4: radius 1.22 drn); the larger counts.
    """
    if zone_plate is None or zone_plate.defocus_m is None:
        return None
    cone = wavelength_m * abs(zone_plate.defocus_m) / zone_plate.outer_zone_m
    airy = 2.44 * zone_plate.outer_zone_m
    if cone >= airy:
        return ProbeSize(cone, "geometric cone of the nominal zone plate")
    return ProbeSize(airy, "Airy disc of the nominal zone plate in focus")


def measured_overlap(positions_m: NDArray[np.float64], diameter_m: float) -> Overlap | None:
    """Spacing and overlap as `measure_overlap` has them; None where all positions are one place."""
    if len(positions_m) < 2 or not np.ptp(positions_m, axis=0).any():
        return None
    return measure_overlap(positions_m, diameter_m)


def raster_regularity(positions_m: NDArray[np.float64]) -> float:
    """How alike the steps between neighbours are, 0 to 1.

    The share of pairs of neighbour vectors (up to 1.6 median steps long) that agree within a tenth of a step.
    A square raster has eight such vectors, so 1/8 or more; spirals and rings turn theirs and stay below 0.03.
    """
    spacing = measured_overlap(positions_m, 1.0)
    if spacing is None or len(positions_m) < 9:
        return 0.0
    step = spacing.nearest_m
    middle = np.median(positions_m, axis=0)
    # a compact part is enough and bounds the work: regularity is a local matter
    near = positions_m[np.argsort(((positions_m - middle) ** 2).sum(axis=1), kind="stable")[:1500]]
    pairs = cKDTree(near).query_pairs(1.6 * step, output_type="ndarray")
    vectors = near[pairs[:, 1]] - near[pairs[:, 0]]
    vectors = vectors[(vectors**2).sum(axis=1) > (0.1 * step) ** 2]
    n = 2 * len(vectors)
    if n < 16:
        return 0.0
    tree = cKDTree(np.concatenate([vectors, -vectors]))
    return float(tree.count_neighbors(tree, 0.1 * step) - n) / (n * (n - 1))


def zone_plate_rows(scan: Scan) -> list[tuple[str, str]]:
    """Zone plate, probe and overlap for the table of `inspect`."""
    plate, wavelength = scan.zone_plate, scan.geometry.wavelength_m
    if plate is None:
        return [("zone plate", "unknown")]
    rows = [
        ("zone plate", f"{plate.diameter_m * 1e6:.4g} µm, outer zone {plate.outer_zone_m * 1e9:.4g} nm"),
        ("central stop", f"{100 * plate.stop_fraction:.3g} % of the diameter"),
        ("focal length", f"{plate.focal_length_m(wavelength) * 1e3:.4f} mm"),
    ]
    probe = probe_size(plate, wavelength)
    if probe is None or plate.defocus_m is None:
        return [*rows, ("defocus", "unknown")]
    rows.append(("defocus", f"{plate.defocus_m * 1e6:.4g} µm (nominal)"))
    rows.append(("probe diameter", f"{probe.diameter_m * 1e6:.4g} µm ({probe.which})"))
    rows.append(("frame width / probe diameter", f"{min(scan.geometry.frame_width_m) / probe.diameter_m:.2f}"))
    spacing = measured_overlap(scan.positions_m, probe.diameter_m)
    if spacing is not None:
        rows.append(("linear overlap", f"{100 * spacing.linear:.1f} % of that diameter"))
    return rows


def pair_text(values: tuple[float, float], scale: float) -> str:
    """One number where ``(y, x)`` agree, both where they differ."""
    y, x = (v * scale for v in values)
    return f"{y:.4g}" if math.isclose(y, x, rel_tol=1e-9) else f"{y:.4g} (y) x {x:.4g} (x)"
