"""Where a scan stops: patterns of positions, affine maps of them, and the overlap they give.

Positions are ``(J, 2)`` float64 metres, ``(y, x)``, centred on the field. All patterns of one step put one
point on an area of step² on average.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.optimize
import scipy.spatial
from numpy.typing import NDArray

from scans.errors import InputError

Positions = NDArray[np.float64]

GOLDEN_ANGLE_RAD = math.pi * (3 - math.sqrt(5))
# Neighbours of a position over which its overlap is averaged: those of a point in a square raster.
_NEIGHBOURS = 4


def raster(field_m: tuple[float, float], step_m: float) -> Positions:
    """Square grid, rows of constant y, every row in the direction of +x.

    A raster cannot tell an object from one multiplied by any function of the same period (Fannjiang,
    arXiv:1810.00852): jitter it, or take another pattern.

    Parameters
    ----------
    field_m
        ``(height, width)`` between the outermost points at most [m].
    step_m
        Distance of neighbours [m].
    """
    _check_field(field_m, step_m)
    axes = []
    for length in field_m:
        intervals = math.floor(length / step_m + 1e-9)
        axes.append((np.arange(intervals + 1) - intervals / 2) * step_m)
    y, x = np.meshgrid(*axes, indexing="ij")
    return np.stack([y.ravel(), x.ravel()], axis=1)


def jittered_raster(
    field_m: tuple[float, float], step_m: float, rng: np.random.Generator, *, jitter: float = 0.2
) -> Positions:
    """Raster whose points are moved at random, uniformly within ±`jitter` steps along y and x.

    A jitter of 0.1 to 0.2 steps breaks the raster's periodic ambiguity (common practice, no source).
    """
    grid = raster(field_m, step_m)
    return grid + rng.uniform(-jitter * step_m, jitter * step_m, grid.shape)


def fermat_spiral(field_m: tuple[float, float], step_m: float) -> Positions:
    """Fermat spiral r = c·sqrt(k) at multiples of the golden angle, cut to the field, from the centre out.

    c = step/sqrt(π) gives one point on step² (Huang et al., Opt. Express 22 (2014) 12634, for the pattern).
    """
    _check_field(field_m, step_m)
    c = step_m / math.sqrt(math.pi)
    k = np.arange(math.ceil((math.hypot(*field_m) / 2 / c) ** 2) + 1)
    radius, angle = c * np.sqrt(k), k * GOLDEN_ANGLE_RAD
    return _inside(np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=1), field_m)


def concentric_rings(field_m: tuple[float, float], step_m: float) -> Positions:
    """Rings one step apart around a centre point, ring i with round(2πi) points, cut to the field.

    Each ring starts at another multiple of the golden angle, so that no spokes line up.
    """
    _check_field(field_m, step_m)
    rings = [np.zeros((1, 2))]
    for i in range(1, math.floor(math.hypot(*field_m) / 2 / step_m) + 1):
        n = round(2 * math.pi * i)
        angle = i * GOLDEN_ANGLE_RAD + 2 * math.pi * np.arange(n) / n
        rings.append(i * step_m * np.stack([np.sin(angle), np.cos(angle)], axis=1))
    return _inside(np.concatenate(rings), field_m)


def innermost(positions_m: Positions, n: int) -> Positions:
    """Keep the `n` positions of the smallest square around the origin, in their order.

    Raises
    ------
    InputError
        When there are fewer than `n`.
    """
    if not 1 <= n <= len(positions_m):
        raise InputError(
            f"{n} positions wanted of {len(positions_m)}",
            where="trajectory",
            expected=f"1 to {len(positions_m)} positions",
            fix="Take a larger field or a smaller step.",
        )
    reach = np.abs(positions_m).max(axis=1)
    return positions_m[np.sort(np.argsort(reach, kind="stable")[:n])]


def affine_matrix(
    *, scale: float = 1.0, rotation_rad: float = 0.0, asymmetry: float = 0.0, shear: float = 0.0
) -> NDArray[np.float64]:
    """2 x 2 map of ``(y, x)`` positions: ``positions @ matrix.T``.

    scale · rotation · diag(1 + asymmetry/2, 1 - asymmetry/2) · shear of x along y. A positive rotation turns
    +x towards +y.
    """
    cos, sin = math.cos(rotation_rad), math.sin(rotation_rad)
    rotation = np.array([[cos, sin], [-sin, cos]])
    stretch = np.diag([1 + asymmetry / 2, 1 - asymmetry / 2])
    return scale * rotation @ stretch @ np.array([[1.0, 0.0], [shear, 1.0]])


def linear_overlap(step_m: float, diameter_m: float) -> float:
    """Linear overlap 1 - step/diameter of neighbours; negative where they do not touch."""
    return 1 - step_m / diameter_m


def areal_overlap(distance_m: float, diameter_m: float) -> float:
    """Shared area of two equal discs over the area of one.

    [2 acos x - 2x sqrt(1 - x²)]/π with x = distance/diameter: plane geometry.
    """
    return float(_disc_overlap(np.array(distance_m / diameter_m)))


def step_for_areal_overlap(overlap: float, diameter_m: float) -> float:
    """Distance of two discs [m] at which they share `overlap` (0 to 1) of their area."""
    if not 0 <= overlap <= 1:
        raise InputError(
            f"areal overlap {overlap:g}",
            where="overlap",
            expected="a share from 0 to 1",
            fix="Give 0.7 for 70 %.",
        )
    return diameter_m * float(scipy.optimize.brentq(lambda x: areal_overlap(x, 1.0) - overlap, 0, 1))


@dataclass(frozen=True)
class Overlap:
    """Overlap of a set of positions, as measured from them.

    Parameters
    ----------
    step_m
        sqrt of the area a position, from the Delaunay triangles (two of them a position) [m]; the mean
        spacing where all positions lie on one line.
    nearest_m
        Median distance to the nearest neighbour [m].
    nearest_range_m
        5 % and 95 % points of that distance [m].
    diameter_m
        Probe diameter that was used [m].
    linear
        1 - step_m / diameter_m.
    areal
        Median over the positions of the mean areal overlap of discs with the four nearest neighbours.
    n_distinct
        Number of different positions; repeats count once.
    """

    step_m: float
    nearest_m: float
    nearest_range_m: tuple[float, float]
    diameter_m: float
    linear: float
    areal: float
    n_distinct: int


def measure_overlap(positions_m: Positions, diameter_m: float) -> Overlap:
    """Measure spacing and overlap of any set of positions for discs of a given diameter.

    Which diameter is meant matters for a hollow, defocused probe: say it where the number is shown. For the
    overlap of the wave itself see `probe_overlap`.

    Parameters
    ----------
    positions_m
        ``(J, 2)`` [m], ``(y, x)``, any order.
    diameter_m
        Probe diameter [m].

    Raises
    ------
    InputError
        When there are fewer than two different positions.
    """
    distinct = _distinct(positions_m)
    distances, _ = _nearest(distinct)
    areal = _disc_overlap(distances / diameter_m).mean(axis=1)
    step = _area_step(distinct)
    low, nearest, high = np.percentile(distances[:, 0], [5, 50, 95])
    return Overlap(
        step_m=step,
        nearest_m=float(nearest),
        nearest_range_m=(float(low), float(high)),
        diameter_m=diameter_m,
        linear=linear_overlap(step, diameter_m),
        areal=float(np.median(areal)),
        n_distinct=len(distinct),
    )


def probe_overlap(positions_m: Positions, probe: NDArray[np.complexfloating], pixel_m: float) -> float:
    """Overlap of the actual wave between neighbouring positions, from 0 to 1.

    sum |P(r)| |P(r - s)| / sum |P|² for the displacement s to each of the four nearest neighbours, mean
    of the four, median over the positions. For a uniform disc this is exactly the areal overlap.

    Parameters
    ----------
    positions_m
        ``(J, 2)`` [m].
    probe
        ``(N, N)``, or modes ``(M, N, N)``, whose summed intensity is used.
    pixel_m
        Pixel of the probe's grid [m].
    """
    distinct = _distinct(positions_m)
    _, neighbours = _nearest(distinct)
    shifts_px = (distinct[neighbours] - distinct[:, None]) / pixel_m
    amplitude = np.sqrt(_intensity(probe))
    ny, nx = amplitude.shape
    padded = tuple(scipy.fft.next_fast_len(2 * n) for n in (ny, nx))  # no wrap-around
    spectrum = np.abs(scipy.fft.fft2(amplitude, padded)) ** 2
    correlation = scipy.fft.fftshift(scipy.fft.ifft2(spectrum).real) / (amplitude**2).sum()
    centre = np.array([n // 2 for n in padded])
    where = np.moveaxis(shifts_px + centre, -1, 0)
    shared = scipy.ndimage.map_coordinates(correlation, where, order=3, mode="constant")
    return float(np.median(shared.mean(axis=1)))


def power_diameter(probe: NDArray[np.complexfloating], pixel_m: float, share: float = 0.9) -> float:
    """Diameter [m] of the circle about the probe's centre of mass that holds `share` of its power.

    A uniform disc of diameter d gives d·sqrt(share).
    """
    intensity = _intensity(probe)
    y, x = np.indices(intensity.shape)
    total = intensity.sum()
    radius = np.hypot(y - (y * intensity).sum() / total, x - (x * intensity).sum() / total).ravel()
    order = np.argsort(radius)
    enclosed = np.cumsum(intensity.ravel()[order]) / total
    return float(2 * pixel_m * np.interp(share, enclosed, radius[order]))


def effective_diameter(probe: NDArray[np.complexfloating], pixel_m: float) -> float:
    """Diameter [m] of the uniform disc with the probe's participation area (sum I)² / sum I²."""
    intensity = _intensity(probe)
    area = intensity.sum() ** 2 / (intensity**2).sum() * pixel_m**2
    return float(2 * np.sqrt(area / np.pi))


def _disc_overlap(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of common area of unit-diameter discs a distance x apart."""
    x = np.clip(x, 0, 1)
    return (2 * np.arccos(x) - 2 * x * np.sqrt(1 - x**2)) / np.pi


def _intensity(probe: NDArray[np.complexfloating]) -> NDArray[np.float64]:
    """Sum the intensity ``(N, N)`` of a wave or of modes."""
    intensity = np.abs(np.asarray(probe)).astype(np.float64) ** 2
    return intensity.sum(axis=0) if intensity.ndim == 3 else intensity


def _inside(positions_m: Positions, field_m: tuple[float, float]) -> Positions:
    """Keep positions within the field, its border included."""
    half = np.array(field_m) / 2 * (1 + 1e-9)
    return positions_m[(np.abs(positions_m) <= half).all(axis=1)]


def _distinct(positions_m: Positions) -> Positions:
    """Different positions; those within 1e-5 of the span count as one."""
    span = float(np.ptp(positions_m, axis=0).max()) if len(positions_m) else 0.0
    if span <= 0:
        raise InputError(
            f"{len(positions_m)} positions at one place",
            where="positions",
            expected="at least two different positions",
            fix="Check which dataset holds the positions, and their unit.",
        )
    keys = np.round((positions_m - positions_m.min(axis=0)) / (1e-5 * span)).astype(np.int64)
    _, first = np.unique(keys, axis=0, return_index=True)
    return positions_m[np.sort(first)]


def _nearest(positions_m: Positions) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Distances and indices ``(J, up to 4)`` of the nearest other positions."""
    k = min(_NEIGHBOURS, len(positions_m) - 1)
    distances, indices = scipy.spatial.cKDTree(positions_m).query(positions_m, k=k + 1)
    return np.asarray(distances)[:, 1:], np.asarray(indices)[:, 1:]


def _area_step(positions_m: Positions) -> float:
    """Sqrt of the area a position; spacing along the line where there is only one line."""
    centred = positions_m - positions_m.mean(axis=0)
    _, extent, axes = np.linalg.svd(centred, full_matrices=False)
    if len(positions_m) < 3 or extent[1] < 1e-6 * extent[0]:
        along = np.sort(centred @ axes[0])
        return float((along[-1] - along[0]) / (len(along) - 1))
    corners = positions_m[scipy.spatial.Delaunay(positions_m / extent[0]).simplices]
    edges = corners - np.roll(corners, 1, axis=1)
    longest = np.hypot(edges[..., 0], edges[..., 1]).max(axis=1)
    area = np.abs(edges[:, 0, 0] * edges[:, 1, 1] - edges[:, 0, 1] * edges[:, 1, 0]) / 2
    # Triangles along a concave border or across a gap span area that no position covers.
    real = longest <= 3 * np.median(longest)
    return float(np.sqrt(2 * area[real].mean()))


def _check_field(field_m: tuple[float, float], step_m: float) -> None:
    if step_m > 0 and min(field_m) >= 0 and math.isfinite(step_m + sum(field_m)):
        return
    raise InputError(
        f"field {field_m[0]:g} x {field_m[1]:g} m with a step of {step_m:g} m",
        where="trajectory",
        expected="a field of 0 or more and a step above 0, in metres",
        fix="Give lengths in metres, such as step_m=120e-9.",
    )


PATTERNS: dict[str, Callable[[tuple[float, float], float, np.random.Generator], Positions]] = {
    "raster": lambda field_m, step_m, rng: raster(field_m, step_m),
    "jittered_raster": lambda field_m, step_m, rng: jittered_raster(field_m, step_m, rng),
    "fermat_spiral": lambda field_m, step_m, rng: fermat_spiral(field_m, step_m),
    "concentric_rings": lambda field_m, step_m, rng: concentric_rings(field_m, step_m),
}
