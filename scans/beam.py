"""The direct beam on the detector: its disc, its centre to a fraction of a pixel, and how it drifts.

The far field of a zone plate's pupil, a disc or a ring, is symmetric about the optical axis whatever the
pupil's phase. The mean pattern of many frames keeps that symmetry where the sample scatters evenly, so the
centre is the point about which the mean pattern is most nearly equal to its own inversion. Edges of the disc
say most; brightness and radius need not be known.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize

# The inversion is compared this far out, in radii of the disc: with its edge, without far scatter.
REACH = 1.25
# Blur before the comparison [pixels]: interpolation between pixels is exact for what is smooth.
BLUR_PX = 0.7


class BeamDisc(NamedTuple):
    """Bright disc of the direct beam: centre ``(row, column)`` and diameter of equal area, in pixels."""

    centre: tuple[float, float]
    diameter_px: float


def find_beam(pattern: NDArray[np.float64], good: NDArray[np.bool_]) -> BeamDisc | None:
    """Find the bright disc of a mean pattern ``(h, w)`` and its centre; None when there are no counts.

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
    y, x = ndimage.center_of_mass(disc)
    diameter = 2 * math.sqrt(float(disc.sum()) / math.pi)
    centre = symmetry_centre(pattern, good, (float(y), float(x)), diameter / 2)
    return BeamDisc(centre, diameter)


def repaired(pattern: NDArray[np.float64], good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the pattern with bad pixels as their nearest good neighbour, then a 3 x 3 median."""
    nearest = ndimage.distance_transform_edt(~good, return_distances=False, return_indices=True)
    image: NDArray[np.float64] = ndimage.median_filter(pattern[tuple(nearest)], size=3, mode="nearest")
    return image


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
    root = np.sqrt(np.maximum(np.where(good, pattern, 0), 0))
    weight = ndimage.gaussian_filter(good.astype(float), BLUR_PX, mode="constant")
    smooth = ndimage.gaussian_filter(root, BLUR_PX, mode="constant") / np.maximum(weight, 1e-6)
    # a pixel that touches a bad one or the edge is left out
    sound = (weight > 0.7).astype(float)
    curve = ndimage.spline_filter(np.where(sound > 0, smooth, 0), order=3)
    reach = REACH * radius_px
    steps = np.arange(-math.floor(reach), math.floor(reach) + 1)
    ky, kx = np.meshgrid(steps, steps, indexing="ij")
    half = (ky**2 + kx**2 <= reach**2) & ((ky > 0) | ((ky == 0) & (kx > 0)))
    k = np.stack([ky[half], kx[half]]).astype(float)
    n_all = k.shape[1]

    def misfit(centre: NDArray[np.float64]) -> float:
        there, back = centre[:, None] + k, centre[:, None] - k
        both = _at(sound, there, 1) * _at(sound, back, 1) > 0.99
        if both.sum() < max(0.2 * n_all, 1):
            return math.inf
        difference = (_at(curve, there, 3, filtered=True) - _at(curve, back, 3, filtered=True))[both]
        return float(np.mean(difference**2))

    first = np.array(start, float)
    best = _coarse(misfit, first, max(2.0, 0.25 * radius_px))
    if best is None:
        return start
    simplex = best + np.array([[0, 0], [0.4, 0], [0, 0.4]])
    options = {"initial_simplex": simplex, "xatol": 2e-3, "fatol": 0.0, "maxiter": 200}
    found = optimize.minimize(misfit, best, method="Nelder-Mead", options=options)
    if not math.isfinite(found.fun) or math.dist(found.x, first) > max(2.0, 0.5 * radius_px):
        return start
    return float(found.x[0]), float(found.x[1])


def _coarse(
    misfit: Callable[[NDArray[np.float64]], float], first: NDArray[np.float64], reach: float
) -> NDArray[np.float64] | None:
    """Best of a grid of starting points, so that the search does not end in a side minimum."""
    offsets = np.linspace(-reach, reach, 9)
    tried = [(misfit(first + np.array([dy, dx])), dy, dx) for dy in offsets for dx in offsets]
    value, dy, dx = min(tried)
    return first + np.array([dy, dx]) if math.isfinite(value) else None


def _at(
    image: NDArray[np.float64], where: NDArray[np.float64], order: int, *, filtered: bool = False
) -> NDArray[np.float64]:
    """Interpolate an image at points ``(2, n)``; 0 outside."""
    values: NDArray[np.float64] = ndimage.map_coordinates(
        image, where, order=order, mode="constant", prefilter=not filtered and order > 1
    )
    return values


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
