"""A beamstop in the mean pattern: its opaque part as a mask, or its transmission, fitted across the edge.

The dark centre of a zone plate's bright ring is no beamstop: it is the shadow of the central stop, whose
radius is known from the zone plate. A round dark centre of another size is told by the ring of light around it: where
both are larger or smaller by the same factor the geometry is wrong, and nothing is masked; where the ring is not, a
stop covers more than the shadow, and is masked, since dark pixels taken for measured ones mislead more than the loss
of true zeros. Either way a finding names both radii.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from scans.beam import repaired
from scans.errors import InputError
from scans.geometry import Geometry
from scans.scan import Finding, ZonePlate

OPAQUE = 0.1  # below this share of what lies around, the region is dark (common practice, no source)
LEAST_AREA = 12  # pixels
LEAST_COUNTS = 25.0  # that a pixel must be expected to hold over the sample, to be called dark
EDGE_PX = 2  # half-covered pixels on both sides of the edge
BAND_PX = 7  # of smooth continuation on both sides, for the transmission
SECTORS = 24
LEAST_TRANSMISSION = 3e-3  # below, what is seen may as well be scatter (common practice, no source)
# A dark centre is the shadow if its radius is right to this share and so many pixels more: on simulated scans it
# comes out up to 0.7 pixels too large, and smaller where scatter fills it.
SHADOW_SPARE = (0.75, 1.08)
SHADOW_SPARE_PX = 1.0
RING_EDGE = 3.0  # by which the ring falls within 3 pixels of its outer edge; scatter does so slowly

Kind = Literal["opaque", "semi-transparent"]


@dataclass(frozen=True)
class Beamstop:
    """A beamstop found or given.

    Parameters
    ----------
    kind
        "opaque": nothing to be had below it; "semi-transparent": counts are divided by `transmission`.
    region, edge
        ``(h, w)`` bool: covered pixels; half-covered ones along its rim, to be masked.
    transmission, error
        What passes, and its standard error; 0 for an opaque one.
    """

    kind: Kind
    region: NDArray[np.bool_] = field(repr=False)
    edge: NDArray[np.bool_] = field(repr=False)
    transmission: float = 0.0
    error: float = 0.0
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def masked(self) -> NDArray[np.bool_]:
        """Pixels that cannot be used ``(h, w)``."""
        return self.edge if self.kind == "semi-transparent" else self.edge | self.region

    @property
    def map(self) -> NDArray[np.float32]:
        """Transmission of each pixel ``(h, w)``: counts are divided by it, and it is the weight of the result.

        1 where nothing is covered or everything is masked. A Poisson count n has the variance n, so
        ``value = n/t`` has ``n/t² = value/t``.
        """
        part = self.region & ~self.masked
        return np.where(part, np.float32(self.transmission if self.transmission > 0 else 1), np.float32(1))


@dataclass(frozen=True)
class Shadow:
    """Shadow of the central stop and bright ring on the detector: radii in pixels along (y, x)."""

    inner_px: tuple[float, float]
    outer_px: tuple[float, float]


def zone_plate_shadow(zone_plate: ZonePlate, geometry: Geometry) -> Shadow:
    """Size of the zone plate's image on the detector: diameter ``D·z/f`` (the cone behind the focus).

    The distance from the focus is the detector's, since the defocus is thousands of times smaller.
    """
    focal = zone_plate.focal_length_m(geometry.wavelength_m)
    radius = [float(zone_plate.diameter_m / 2 * geometry.distance_m / focal / p) for p in geometry.pixel_size_m]
    stop = zone_plate.stop_fraction
    return Shadow((stop * radius[0], stop * radius[1]), (radius[0], radius[1]))


def find_beamstop(
    mean: NDArray[np.floating],
    good: NDArray[np.bool_],
    *,
    n_frames: int,
    shadow: Shadow | None = None,
    counts_per_photon: float = 1.0,
) -> tuple[Beamstop | None, tuple[Finding, ...]]:
    """Find an opaque beamstop: a dark disc over the centre, a dark arm from the rim, or both.

    Parameters
    ----------
    mean
        ``(h, w)`` mean pattern of `n_frames` frames, dark subtracted [counts].
    good
        ``(h, w)`` bool.
    shadow
        Of the zone plate (`zone_plate_shadow`), or None when unknown: then a round dark centre without an arm
        is named but not masked.
    counts_per_photon
        Gain; 1 for photons.

    Returns
    -------
    The beamstop or None, and what is not sure.
    """
    image = repaired(np.asarray(mean, np.float64), good)
    floor = LEAST_COUNTS * counts_per_photon / n_frames
    if image.max() <= floor:
        return None, ()
    arm = _arms(image, floor)
    hole = _holes(image, arm, floor)
    dark, _ = ndimage.label(arm | hole, np.ones((3, 3)))
    region = np.zeros(image.shape, bool)
    findings: list[Finding] = []
    for k in range(1, int(dark.max()) + 1):
        part = dark == k
        if part.sum() < LEAST_AREA or not _sharp(image, part):
            continue
        if not (part & arm).any():
            covered, doubt = _judge(image, part, shadow)
            findings += doubt
            if not covered:
                continue
        region |= part
    if not region.any():
        return None, tuple(findings)
    # light let through may be brighter, behind the stop, than what lies around it
    region = ndimage.binary_fill_holes(region)
    through = _lets_through(mean, region, good, n_frames, counts_per_photon)
    if through is not None:
        return through, tuple(findings)
    edge = ndimage.binary_dilation(region, iterations=EDGE_PX) & ~region
    text = f"beamstop: opaque, {region.sum()} pixels and {edge.sum()} along its edge masked"
    found = Finding("note", "beamstop-found", text, "If this is no beamstop, give the mask of the detector yourself.")
    return Beamstop("opaque", region, edge, steps=(text,), findings=(found,)), tuple(findings)


def _lets_through(
    mean: NDArray[np.floating], region: NDArray[np.bool_], good: NDArray[np.bool_], n_frames: int, gain: float
) -> Beamstop | None:
    """Return the region as semi-transparent where its transmission is clear; scatter behind a stop is not."""
    try:
        stop = fit_transmission(mean, region, good, n_frames=n_frames, counts_per_photon=gain)
    except InputError:  # too small to be fitted
        return None
    return stop if stop.kind == "semi-transparent" and stop.transmission > LEAST_TRANSMISSION else None


def _arms(image: NDArray[np.float64], floor: float) -> NDArray[np.bool_]:
    """Dark bars: pixels far below both sides, across the bar, at one and the same distance of up to a sixth."""
    arm = np.zeros(image.shape, bool)
    lit = np.maximum(image, 0)
    for half in range(2, max(3, min(image.shape) // 12) + 1):
        reach = half + 2
        for dy, dx in ((reach, 0), (0, reach), (reach, reach), (reach, -reach)):
            if dy and dx:
                dy, dx = (round(d / math.sqrt(2)) for d in (dy, dx))
            one, middle, other = _on_both_sides(dy, dx, image.shape)
            both = np.minimum(lit[one], lit[other])
            arm[middle] |= (both > floor) & (lit[middle] < OPAQUE * both)
    # bars reach the rim; what is enclosed is a hole and is judged as one
    parts, _ = ndimage.label(arm, np.ones((3, 3)))
    rim = np.zeros(image.shape, bool)
    rim[:3], rim[-3:], rim[:, :3], rim[:, -3:] = True, True, True, True
    touching = np.setdiff1d(np.unique(parts[rim & arm]), [0])
    long = [k for k in touching if _length(parts == k) >= min(image.shape) / 8]
    return np.isin(parts, long)


def _length(part: NDArray[np.bool_]) -> float:
    y, x = np.nonzero(part)
    return float(max(np.ptp(y), np.ptp(x)) + 1)


def _on_both_sides(dy: int, dx: int, shape: tuple[int, ...]) -> tuple[tuple[slice, slice], ...]:
    """Parts of an image that lie by (-dy, -dx), 0 and (dy, dx) beside each other; beyond the rim nothing is lit."""
    spans = []
    for d, n in ((dy, shape[0]), (dx, shape[1])):
        starts = (0, d, 2 * d) if d >= 0 else (-2 * d, -d, 0)
        spans.append([slice(start, start + max(n - 2 * abs(d), 0)) for start in starts])
    return tuple(zip(*spans, strict=True))


def _holes(image: NDArray[np.float64], arm: NDArray[np.bool_], floor: float) -> NDArray[np.bool_]:
    """Dark regions that lit pixels enclose, at any level of brightness; an arm closes a gap."""
    hole = np.zeros(image.shape, bool)
    level = max(floor, 1e-6 * float(image.max()))
    while level < image.max():
        parts, n = ndimage.label((image < level) & ~arm)
        large = np.bincount(parts.ravel(), minlength=n + 1) >= LEAST_AREA
        for edge in (parts[0], parts[-1], parts[:, 0], parts[:, -1]):
            large[edge] = False  # not enclosed
        boxes = ndimage.find_objects(parts) if large[1:].any() else []
        for k in 1 + np.flatnonzero(large[1:]):
            part = parts[boxes[k - 1]] == k
            if np.median(image[boxes[k - 1]][part]) < OPAQUE * level:
                hole[boxes[k - 1]] |= part
        level *= 1.5
    return hole & (image < 0.5 * ndimage.maximum_filter(image, size=2 * EDGE_PX + 1)) | ndimage.binary_erosion(hole)


def _sharp(image: NDArray[np.float64], part: NDArray[np.bool_]) -> bool:
    """Whether the dark region ends within a few pixels along most of its rim: scatter fades slowly."""
    near = ndimage.binary_dilation(part, iterations=3)
    rim = part & ~ndimage.binary_erosion(part)
    outside = ndimage.maximum_filter(np.where(near & ~part, image, 0.0), size=7)
    inside = float(np.median(image[part]))
    return bool(np.mean(outside[rim] > 4 * max(inside, 0.0)) > 0.7)


def _judge(image: NDArray[np.float64], part: NDArray[np.bool_], shadow: Shadow | None) -> tuple[bool, list[Finding]]:
    """Whether a dark disc is a beamstop rather than the shadow of the central stop, and what is doubtful."""
    y, x = ndimage.center_of_mass(part)
    radius = math.sqrt(part.sum() / math.pi)
    disc = f"a dark disc of radius {radius:.1f} pixels at ({y:.1f}, {x:.1f})"
    if shadow is None:
        text = f"{disc} may be the shadow of the zone plate's central stop or a beamstop; it is not masked"
        fix = "Give the zone plate (diameter, outer zone, stop fraction), or mask the beamstop."
        return False, [Finding("caution", "dark-centre", text, fix)]
    inner, outer = (math.sqrt(a * b) for a, b in (shadow.inner_px, shadow.outer_px))
    middle = ndimage.center_of_mass(np.where(image > 0.1 * image.max(), image, 0.0))
    if math.hypot(y - middle[0], x - middle[1]) > 0.25 * outer + 1:
        return True, []
    if _alike(radius, inner):
        return False, []
    text = f"{disc} is not the shadow of the zone plate's central stop, of radius {inner:.1f} pixels"
    ring = _ring_radius(image, (y, x), radius)
    if ring is not None and _alike(radius, ring * inner / outer):
        text += f"; the bright ring around it, {ring:.1f} instead of {outer:.1f} pixels, is off by the same factor, "
        text += f"{ring / outer:.2f}, so it is taken for that shadow at another scale and not masked"
        fix = "Check distance, pixel, energy and zone plate: the scale of the image depends on them. If it is a "
        return False, [Finding("caution", "shadow-size", text, fix + "beamstop, give its mask.")]
    if radius < inner:
        fix = "Check the zone plate and the distance; if it is a beamstop, give its mask."
        return False, [Finding("caution", "shadow-size", f"{text}; it is not masked", fix)]
    if radius >= outer:  # the whole beam is covered
        return True, []
    fix = "If it is no beamstop, correct stop fraction and distance, or use -s prepare.beamstop=none."
    return True, [Finding("caution", "shadow-size", f"{text}; it is masked as a beamstop", fix)]


def _alike(radius: float, expected: float) -> bool:
    low, high = SHADOW_SPARE
    return low * expected - SHADOW_SPARE_PX <= radius <= high * expected + SHADOW_SPARE_PX


def _ring_radius(image: NDArray[np.float64], centre: tuple[float, float], radius: float) -> float | None:
    """Outer radius of the sharply bounded ring of light around a dark disc; None where light fades away."""
    y, x = np.indices(image.shape)
    distance = np.hypot(y - centre[0], x - centre[1]).astype(int)
    profile = np.asarray(ndimage.median(image, distance, np.arange(min(image.shape) // 2)))
    first = int(radius) + 3
    lit = profile[first : first + 3]
    if not lit.size:
        return None
    level = float(np.median(lit)) / 2
    end = first + int(np.argmax(np.append(profile[first:] < level, True)))
    if end + 2 >= len(profile) or RING_EDGE * max(profile[end + 2], 0) > 2 * level:
        return None
    # pixels of whole distance k lie half a pixel beyond k on average
    above, below = profile[end - 1], profile[end]
    return float(end - 0.5 + (above - level) / max(above - below, 1e-300))


def fit_transmission(
    mean: NDArray[np.floating],
    region: NDArray[np.bool_],
    good: NDArray[np.bool_],
    *,
    n_frames: int,
    counts_per_photon: float = 1.0,
    where: str = "beamstop",
) -> Beamstop:
    """Fit what a semi-transparent beamstop lets through, from the step across its edge.

    In each of up to 24 sectors of the rim the logarithm of the pattern is a straight line in the distance from
    the edge, with one common curvature and one common step for the transmission: a Poisson regression with a
    logarithmic link (McCullagh and Nelder, Generalized Linear Models, 1989, from memory). Structure of the pattern
    widens the stated error through the scatter about the fit.

    Parameters
    ----------
    mean
        ``(h, w)`` mean of `n_frames` frames, dark subtracted [counts].
    region
        ``(h, w)`` bool, covered pixels.
    good
        ``(h, w)`` bool.

    Raises
    ------
    InputError
        The region leaves too few good pixels on one side of its edge.
    """
    depth = ndimage.distance_transform_edt(region)
    height = ndimage.distance_transform_edt(~region)
    distance = np.where(region, 0.5 - depth, height - 0.5)
    edge = np.abs(distance) < EDGE_PX
    band = good & ~edge & (np.abs(distance) < EDGE_PX + BAND_PX)
    y, x = np.nonzero(band)
    centre = ndimage.center_of_mass(region) if region.any() else (0.0, 0.0)
    sector = ((np.arctan2(y - centre[0], x - centre[1]) / (2 * math.pi) + 0.5) * SECTORS).astype(int) % SECTORS
    inside = region[band]
    kept = np.isin(sector, [k for k in range(SECTORS) if _enough(inside[sector == k])])
    if kept.sum() < 40:
        raise InputError(
            f"a region of {region.sum()} pixels with {kept.sum()} good pixels along both sides of its edge",
            where=where,
            expected="at least 40, to fit its transmission",
            fix="Give a larger region, or mask the beamstop as opaque.",
        )
    counts = np.maximum(np.asarray(mean, np.float64)[band][kept] * n_frames / counts_per_photon, 0)
    log_t, error = _regress(counts, inside[kept], sector[kept], distance[band][kept])
    near = np.abs(distance[band][kept]) < EDGE_PX + BAND_PX / 2
    close, close_error = _regress(counts[near], inside[kept][near], sector[kept][near], distance[band][kept][near])
    if abs(close - log_t) > 2 * math.hypot(error, close_error):  # the pattern has an edge of its own in the band
        log_t, error = close, close_error
    t = math.exp(log_t)
    steps, findings = _words(t, error * t, int(region.sum()))
    kind: Kind = "semi-transparent" if t > 5 * error * t and t < 1 else "opaque"
    if kind == "opaque":
        t, error = 0.0, 0.0
    return Beamstop(kind, region, edge, t, error * t, steps, findings)


def _enough(inside: NDArray[np.bool_]) -> bool:
    return min(int(inside.sum()), int((~inside).sum())) >= 4


def _words(t: float, error: float, area: int) -> tuple[tuple[str, ...], tuple[Finding, ...]]:
    text = f"beamstop: {area} pixels let {100 * t:.4g} ± {100 * error:.2g} % through"
    if t >= 1:
        text += "; no beamstop can: the region is masked"
        return (text,), (Finding("caution", "beamstop-unclear", text, "Check the region of the beamstop."),)
    if t <= 5 * error:
        text += "; not significant, so the region is masked"
        return (text,), (Finding("note", "beamstop-opaque", text),)
    text += "; counts stay as counted, the response holds it; pixels along the edge masked"
    if error > 0.05 * t:
        return (text,), (Finding("caution", "beamstop-transmission", text, "Give the transmission if it is known."),)
    return (text,), (Finding("note", "beamstop-transmission", text),)


def _regress(
    counts: NDArray[np.float64], inside: NDArray[np.bool_], sector: NDArray[np.int64], distance: NDArray[np.float64]
) -> tuple[float, float]:
    """Poisson regression by scoring: logarithm of the transmission and its error."""
    used = np.unique(sector)
    own = (sector[:, None] == used).astype(np.float64)
    d = distance[:, None] / BAND_PX
    design = np.concatenate([inside[:, None].astype(np.float64), own, own * d, d**2], axis=1)
    kept = np.ones(len(counts), bool)
    for _ in range(4):
        solution = _score(design[kept], counts[kept])
        expected = np.maximum(np.exp(np.clip(design @ solution, -30, 60)), 1e-9)
        pull = (counts - expected) / np.sqrt(expected)
        wide = max(1.4826 * float(np.median(np.abs(pull[kept]))), 1.0)
        before, kept = kept, np.abs(pull) < 4 * wide  # parts of the bright ring, spikes
        if (kept == before).all():
            break
    spread = float((pull[kept] ** 2).sum()) / max(int(kept.sum()) - design.shape[1], 1)
    part = design[kept]
    covariance = np.linalg.pinv(part.T @ (expected[kept][:, None] * part))
    return float(solution[0]), math.sqrt(covariance[0, 0] * max(spread, 1.0))


def _score(design: NDArray[np.float64], counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients of highest Poisson likelihood."""
    solution, *_ = np.linalg.lstsq(design, np.log(counts + 0.5), rcond=None)
    for _ in range(30):
        expected = np.exp(np.clip(design @ solution, -30, 60))
        normal = design.T @ (expected[:, None] * design)
        step = np.linalg.lstsq(normal, design.T @ (counts - expected), rcond=None)[0]
        solution = solution + np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-9:
            break
    return np.asarray(solution, np.float64)
