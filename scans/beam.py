"""The direct beam on the detector: its disc, its centre to a fraction of a pixel, and how it drifts.

The far field of a zone plate's pupil, a disc or a ring, is symmetric about the optical axis whatever the
pupil's phase. The mean pattern of many frames keeps that symmetry where the sample scatters evenly, so the
centre is the point about which the mean pattern is most nearly equal to its own inversion. Edges of the disc
say most; brightness and radius need not be known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize

# The inversion is compared this far out, in radii of the disc: with its edge, without far scatter.
REACH = 1.25
# Blur before the comparison [pixels]: interpolation between pixels is exact for what is smooth.
BLUR_PX = 0.7
# The circle of its area around the light is filled by so much more than what lies outside: 1 for a disc, 0.45 with
# streaks of smear across the frame; up to 0.27 for simulated noise, 0.55 where that fills half of the frame.
COMPACT, COMPACT_LARGE = 0.35, 0.7
LEAST_AREA = 5  # pixels: what a 3 x 3 median lets through
# Points along a radius that tell the best of the starting points.
COARSE_POINTS = 16
# Of the centre [pixels]: far below any noise.
XATOL = 2e-4
XATOL_PART = 5e-3  # of that in a part of the scan, which the sample moves by more
# Pixels beyond the search: what a spline does there fades by 0.27 a pixel.
SPARE_PX = 12


class BeamDisc(NamedTuple):
    """Bright disc of the direct beam: centre ``(row, column)`` and diameter of equal area, in pixels."""

    centre: tuple[float, float]
    diameter_px: float


def find_beam(pattern: NDArray[np.float64], good: NDArray[np.bool_]) -> BeamDisc | None:
    """Find the bright disc of a mean pattern ``(h, w)`` and its centre; None where no disc stands out.

    Bad pixels take their nearest good neighbour's value, single hot pixels go by a 3 x 3 median. Pixels above
    half the typical bright value are the disc; the shadow of a central stop is filled. Its centre of area is
    where `symmetry_centre` starts from.
    """
    image = repaired(pattern, good & np.isfinite(pattern))
    if not image.max() > 0:
        return None
    level = 0.5 * float(np.median(image[image > 0.1 * image.max()]))
    parts, n = ndimage.label(image >= level, structure=np.ones((3, 3)))
    area = np.bincount(parts.ravel(), minlength=n + 1)[1:]
    # a disc cut by a dead column leaves two large parts; specks of noise are far smaller
    disc = np.isin(parts, 1 + np.flatnonzero(area >= 0.1 * area.max()))
    disc = ndimage.binary_fill_holes(disc)
    if not _compact(disc):
        return None
    y, x = ndimage.center_of_mass(disc)
    diameter = 2 * math.sqrt(float(disc.sum()) / math.pi)
    centre = symmetry_centre(pattern, good, (float(y), float(x)), diameter / 2)
    return BeamDisc(centre, diameter)


def _compact(disc: NDArray[np.bool_]) -> bool:
    """Whether a region is one patch with dark around it: even light fills the frame, noise is specks all over."""
    area = int(disc.sum())
    if area < LEAST_AREA:
        return False
    centre = ndimage.center_of_mass(disc)
    y, x = (np.arange(n) - c for n, c in zip(disc.shape, centre, strict=True))
    circle = y[:, None] ** 2 + x**2 <= area / math.pi
    least = COMPACT if area < 0.5 * disc.size else COMPACT_LARGE
    return not circle.all() and float(disc[circle].mean() - disc[~circle].mean()) > least


def repaired(pattern: NDArray[np.float64], good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the pattern with bad pixels as their nearest good neighbour, then a 3 x 3 median."""
    image: NDArray[np.float64] = ndimage.median_filter(filled(pattern, good), size=3, mode="nearest")
    return image


def filled(pattern: NDArray[np.float64], good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the pattern ``(h, w)`` with bad pixels as their nearest good neighbour; 0 where none is good."""
    return pattern if good.all() else pattern[_nearest(good)] if good.any() else np.zeros(pattern.shape)


def _nearest(good: NDArray[np.bool_]) -> tuple[NDArray[np.int32], ...]:
    """Index of the good pixel nearest to each."""
    return tuple(ndimage.distance_transform_edt(~good, return_distances=False, return_indices=True))


def symmetry_centre(
    pattern: NDArray[np.float64], good: NDArray[np.bool_], start: tuple[float, float], radius_px: float
) -> tuple[float, float]:
    """Refine the centre of a mean pattern ``(h, w)``: where it is most nearly its own inversion.

    Minimises ``Σ w(c+k) w(c-k) [a(c+k) - a(c-k)]² / Σ w w`` over c, with a the root of the pattern and k within
    `REACH` radii; pixels whose partner is bad or off the detector do not count. Gives `start` back where the
    result would be more than half a radius away, or rests on few pixels.

    Parameters
    ----------
    start
        ``(row, column)`` to within about a quarter of the radius.
    radius_px
        Of the disc.
    """
    return _refined(filled(pattern, good), good, start, radius_px) or start


def follow_beam(
    patterns: Sequence[NDArray[np.float64]], good: NDArray[np.bool_], disc: BeamDisc
) -> list[tuple[float, float] | None]:
    """Centres of the beam in the mean patterns ``(h, w)`` of successive parts of a scan; None where one shows none.

    `disc` is the beam in the mean of all of them. The search goes from the middle part outwards, each from the
    centre before, so that the beam may go further than a search reaches.
    """
    nearest = _nearest(good) if good.any() else ()
    centres: list[tuple[float, float] | None] = [None] * len(patterns)
    middle = len(patterns) // 2
    for order in (range(middle, len(patterns)), range(middle - 1, -1, -1)):
        last = centres[middle] or disc.centre
        for k in order:
            centres[k] = _refined(patterns[k][nearest], good, last, disc.diameter_px / 2, XATOL_PART)
            last = centres[k] or last
    return centres


def _refined(
    whole: NDArray[np.float64],
    good: NDArray[np.bool_],
    start: tuple[float, float],
    radius_px: float,
    xatol: float = XATOL,
) -> tuple[float, float] | None:
    """Search the centre as `symmetry_centre` says, bad pixels being filled; None where there is none to be had."""
    inversion = _Inversion.of(whole, good, start, radius_px)
    if not inversion.curve.any():
        return None
    first = np.array(start, float)
    best = _coarse(inversion, first, max(2.0, 0.25 * radius_px), max(1, round(radius_px / COARSE_POINTS)))
    if best is None:
        return None
    simplex = best + np.array([[0, 0], [0.4, 0], [0, 0.4]])
    # the size of the simplex ends the search, not differences of the misfit
    options = {"initial_simplex": simplex, "xatol": xatol, "fatol": math.inf, "maxiter": 200}
    found = optimize.minimize(inversion.misfit, best, method="Nelder-Mead", options=options)
    if not math.isfinite(found.fun) or math.dist(found.x, first) > max(2.0, 0.5 * radius_px):
        return None
    return float(found.x[0]), float(found.x[1])


class _Inversion(NamedTuple):
    """The root of a pattern around a start, to be compared with its own inversion about a centre.

    Distances k from the centre are whole pixels, so all points of a comparison share one fraction of a pixel:
    one separable shift by a cubic spline gives them and their partners. `curve` are spline coefficients, `sound`
    tells where a pixel and its neighbours below and to the right can be used; both begin at pixel `corner` of the
    pattern. `reach` is the largest distance.
    """

    curve: NDArray[np.float64]
    sound: NDArray[np.bool_]
    corner: NDArray[np.int64]
    reach: float

    @classmethod
    def of(
        cls, whole: NDArray[np.float64], good: NDArray[np.bool_], start: tuple[float, float], radius_px: float
    ) -> _Inversion:
        reach = REACH * radius_px
        side = math.ceil(reach + max(2.0, 0.5 * radius_px)) + SPARE_PX
        low = np.rint(start).astype(np.int64) - side
        inside = tuple(slice(max(a, 0), max(a + 2 * side + 1, 1)) for a in low)
        good = good[inside]
        # bad pixels take part in the blur and the spline of their neighbours: they must not make an edge
        root = np.sqrt(np.maximum(whole[inside], 0))
        weight = ndimage.gaussian_filter(good.astype(float), BLUR_PX, mode="constant")
        smooth = ndimage.gaussian_filter(root, BLUR_PX, mode="nearest")
        sound = weight > 0.7  # a pixel that touches a bad one or the edge is left out
        curve = ndimage.spline_filter(smooth, order=3)
        before = np.maximum(-low, 0)
        pads = [(b, 2 * side + 1 - b - n) for b, n in zip(before, good.shape, strict=True)]
        curve, sound = np.pad(curve, pads, mode="reflect"), np.pad(sound, pads)
        sound[:-1] &= sound[1:]
        sound[:, :-1] &= sound[:, 1:]
        return cls(curve, sound, low, reach)

    def misfit(self, centre: NDArray[np.float64], stride: int = 1) -> float:
        """Mean square difference from the inversion about `centre`, of each `stride`-th distance along y and x."""
        n = math.floor(self.reach) // stride
        steps = stride * np.arange(-n, n + 1)
        whole = np.floor(centre).astype(np.int64)
        y, x = (slice(a, a + 2 * n * stride + 1, stride) for a in whole - self.corner - n * stride)
        if min(y.start, x.start) < 1 or y.stop + 2 > len(self.curve) or x.stop + 2 > len(self.curve):
            return math.inf
        half = steps[n:, None] ** 2 + steps**2 <= self.reach**2
        half[0, : n + 1] = False  # its own partners
        sound = self.sound[y, x]
        both = half & sound[n:] & sound[n::-1, ::-1]
        count = int(np.count_nonzero(both))
        if count < max(0.2 * np.count_nonzero(half), 1):
            return math.inf
        there = _between(self.curve, y, x, centre - whole)
        difference = (there[n:] - there[n::-1, ::-1])[both]
        return float(difference @ difference) / count


def _between(curve: NDArray[np.float64], y: slice, x: slice, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of a cubic spline with coefficients `curve` at ``[y, x]`` and a fraction of a pixel down and right."""
    wy, wx = (_spline_weights(float(f)) for f in fraction)
    columns = curve[:, x.start - 1 : x.stop + 2]
    rows = wy[0] * columns[y.start - 1 : y.stop - 1 : y.step]
    for t in (1, 2, 3):
        rows += wy[t] * columns[y.start - 1 + t : y.stop - 1 + t : y.step]
    n = x.stop - x.start
    values: NDArray[np.float64] = wx[0] * rows[:, : n : x.step]
    for t in (1, 2, 3):
        values += wx[t] * rows[:, t : t + n : x.step]
    return values


def _spline_weights(f: float) -> tuple[float, float, float, float]:
    """Weights of the four coefficients around a point a fraction `f` behind the second (cubic B-spline)."""
    g = 1 - f
    return g**3 / 6, 2 / 3 - f**2 * (2 - f) / 2, 2 / 3 - g**2 * (2 - g) / 2, f**3 / 6


def _coarse(inversion: _Inversion, first: NDArray[np.float64], reach: float, stride: int) -> NDArray[np.float64] | None:
    """Best of a grid of starting points, so that the search does not end in a side minimum."""
    offsets = np.linspace(-reach, reach, 9)
    tried = [(inversion.misfit(first + np.array([dy, dx]), stride), dy, dx) for dy in offsets for dx in offsets]
    value, dy, dx = min(tried)
    return first + np.array([dy, dx]) if math.isfinite(value) else None


class Drift(NamedTuple):
    """How the beam moves on the detector during a scan.

    `centre_px` ``(J, 2)`` is the offset of each frame from the scan's mean, a straight line or constant 0 where
    the data show no drift; `range_px` its largest span along y and x, `error_px` the noise of one section's centre.
    """

    centre_px: NDArray[np.float64]
    range_px: tuple[float, float]
    error_px: float


def beam_drift(sections: NDArray[np.float64], at: NDArray[np.float64], n_frames: int) -> Drift:
    """Fit the centres of sections of a scan, ``(S, 2)`` at mean frame numbers `at` ``(S,)``, by straight lines.

    A slope counts where it exceeds four times its own error; the error comes from the scatter of the
    centres about the line, which holds the sample's own refraction as well as noise.
    """
    t = (at - at.mean()) / max(n_frames, 1)
    centre = np.zeros((n_frames, 2))
    frames = (np.arange(n_frames) - at.mean()) / max(n_frames, 1)
    span, scatter = [], []
    for axis in (0, 1):
        values = sections[:, axis] - sections[:, axis].mean()
        slope = float(t @ values / (t @ t)) if len(t) > 3 else 0.0
        rest = values - slope * t
        sigma = math.sqrt(float(rest @ rest) / max(len(t) - 2, 1))
        scatter.append(sigma)
        error = sigma / math.sqrt(float(t @ t)) if len(t) > 3 else math.inf
        if abs(slope) > 4 * error:
            centre[:, axis] = slope * frames
        span.append(float(np.ptp(centre[:, axis])))
    return Drift(centre, (span[0], span[1]), max(scatter))
