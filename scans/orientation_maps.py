"""Which way round the detector looks, from the frames' moments and from the sample's shadows.

Vectors are ``(y, x)``. An orientation turns vectors on the detector as it turns frames: transposed first, then
flipped. Two orientations that differ by a half turn fit all data equally well (object and probe conjugate), so
moments know four classes; shadows know all eight where the sign of the defocus is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
import scipy.linalg
import scipy.optimize
import scipy.spatial
from numpy.typing import NDArray

from scans.scan import Orientation

Array = NDArray[np.float64]

# One of each pair that differs by a half turn, and the same turned.
CLASSES = (
    Orientation(),
    Orientation(flip_y=True),
    Orientation(transpose=True),
    Orientation(transpose=True, flip_y=True),
)
HALF_TURN = Orientation(flip_y=True, flip_x=True)
ALL = CLASSES + tuple(Orientation(o.transpose, not o.flip_y, not o.flip_x) for o in CLASSES)
# Triangles with an edge this many times the median edge span a gap or the rim of the field, and say little.
_LONGEST_EDGE = 2.5
# Correlation lengths of the potential tried, in steps, and noise variances as shares of the signal's.
_LENGTHS, _NOISES = (0.7, 1.0, 1.5, 2.2, 3.3, 5.0), np.geomspace(1e-4, 10, 16)
# Bins across the bright disc, and neighbours that each frame's shadows are compared with.
_DISC_BINS, _PAIRS_A_FRAME = 36, 20


def matrix_of(orientation: Orientation) -> Array:
    """``(2, 2)`` matrix that turns a vector ``(y, x)`` on the detector."""
    signs = np.diag([-1.0 if orientation.flip_y else 1.0, -1.0 if orientation.flip_x else 1.0])
    return signs @ (np.eye(2)[::-1] if orientation.transpose else np.eye(2))


def first_moments(counts: NDArray[Any], good: NDArray[np.bool_]) -> Array:
    """First moments of frames about the mean pattern's centre, over the mean total ``(J, 2)`` [detector pixels].

    Not divided by each frame's own total: for a pure phase object, and for one material with a probe of round
    intensity, this is the gradient of a smooth potential (the current ``∫|P|²|O|²∇φ``), divided it is not.

    Parameters
    ----------
    counts, good
        Frames ``(J, N, N)``; pixels ``(N, N)`` measured in all of them.
    """
    rows, columns = (np.arange(n, dtype=np.float64) for n in counts.shape[-2:])
    mean = np.where(good, counts.mean(axis=0, dtype=np.float64), 0)
    power = mean.sum()
    y0, x0 = (mean.sum(axis=1) * rows).sum() / power, (mean.sum(axis=0) * columns).sum() / power
    along_y = np.einsum("jyx,yx->jy", counts, good.astype(np.float64), dtype=np.float64)
    along_x = np.einsum("jyx,yx->jx", counts, good.astype(np.float64), dtype=np.float64)
    return np.stack([along_y @ (rows - y0), along_x @ (columns - x0)], axis=1) / power


@dataclass(frozen=True)
class _Triangles:
    """Derivatives of a vector field on Delaunay triangles: ``slopes[t, a, b] = ∂_a g_b``."""

    corners: NDArray[np.intp]
    area: Array
    slopes: Array


def _triangles(positions: Array, shifts: Array) -> _Triangles:
    """Linear interpolation of `shifts` on the Delaunay triangles of `positions`."""
    corners = np.asarray(scipy.spatial.Delaunay(positions).simplices, np.intp)
    p = positions[corners]
    edges = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2)
    sides, rises = p[:, 1:] - p[:, :1], shifts[corners[:, 1:]] - shifts[corners[:, :1]]
    area = 0.5 * np.abs(np.linalg.det(sides))
    # height over the longest edge: slivers have none
    kept = (edges.max(axis=1) < _LONGEST_EDGE * np.median(edges)) & (area > 0.1 * edges.max(axis=1) ** 2)
    return _Triangles(corners[kept], area[kept], np.linalg.solve(sides[kept], rises[kept]))


def curl_residuals(positions: Array, shifts: Array) -> Array:
    """Share of the field's slopes that is curl, for each of `CLASSES` ``(4,)``.

    A gradient has none: the right class has the least. Root mean square over Delaunay triangles, by area.

    Parameters
    ----------
    positions, shifts
        ``(J, 2)`` positions, any unit, and centres of mass or first moments as stored.
    """
    t = _triangles(positions, shifts)
    whole = (t.area * (t.slopes**2).sum(axis=(1, 2))).sum()
    found = []
    for orientation in CLASSES:
        slopes = t.slopes @ matrix_of(orientation).T
        found.append((t.area * (slopes[:, 1, 0] - slopes[:, 0, 1]) ** 2).sum())
    return np.sqrt(np.array(found) / max(whole, np.finfo(float).tiny))


def potential_residuals(positions: Array, shifts: Array) -> Array:
    """Misfit of shifts on irregular positions to the gradient of a smooth potential, for each of `CLASSES` ``(4,)``.

    Rms error of predicting each component of a shift from all others, over the rms of the shifts.

    The potential is a Gaussian process of Gaussian covariance, of unknown length, height and noise; each class
    gets its own best. Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), sections 5.4 and
    9.4 (from memory). Costs ``(2J)³``: take some hundred frames.
    """
    step = np.sqrt(np.prod(np.ptp(positions, axis=0)) / len(positions))
    centred = shifts - shifts.mean(axis=0)
    fields = np.stack([(centred @ matrix_of(o).T).T.ravel() for o in CLASSES], axis=1)
    power = np.sqrt((fields**2).mean(axis=0))
    fields = fields / np.maximum(power, np.finfo(float).tiny)
    evidence, residuals = np.full(4, -np.inf), np.ones(4)
    for length in _LENGTHS:
        values, vectors = scipy.linalg.eigh(_gradient_covariance(positions, length * step))
        values, seen = np.maximum(values, 0), vectors.T @ fields
        for noise in _NOISES:
            total = values + noise
            height = (seen**2 / total[:, None]).mean(axis=0)
            found = -0.5 * (len(total) * np.log(np.maximum(height, np.finfo(float).tiny)) + np.log(total).sum())
            better = found > evidence
            if better.any():
                weight = vectors / total
                errors = (weight @ seen) / np.einsum("ik,ik->i", weight, vectors)[:, None]
                residuals = np.where(better, np.sqrt((errors**2).mean(axis=0)), residuals)
                evidence = np.where(better, found, evidence)
    return residuals


def _gradient_covariance(positions: Array, length: float) -> Array:
    """Covariance ``(2J, 2J)`` of the two slopes of a random potential, each of variance 1."""
    d = (positions[:, None] - positions[None, :]) / length
    near = np.exp(-0.5 * (d**2).sum(axis=2))
    blocks = [[near * ((a == b) - d[..., a] * d[..., b]) for b in (0, 1)] for a in (0, 1)]
    return np.block(blocks)


# --- shadows --------------------------------------------------------------------------------------------------


def matter_correlation(object_: NDArray[np.complexfloating]) -> tuple[float, float]:
    """Correlation of the slopes of phase and ln(amplitude) of a transmission ``(H, W)``, and its standard error.

    For n = 1 - δ + iβ with δ, β > 0 both are minus the thickness: positive, and negative for the conjugate. Slopes,
    so that phase wraps and ramps do not matter; the error is that of 4 x 4 parts of the image.
    """
    floor = 1e-3 * (np.abs(object_) ** 2).mean()
    slopes = []
    for later in (object_[1:, :-1], object_[:-1, 1:]):
        middle = (later + object_[:-1, :-1]) / 2
        slope = (later - object_[:-1, :-1]) * np.conj(middle) / np.maximum(np.abs(middle) ** 2, floor)
        slopes.append(slope - slope.mean())
    s = np.stack(slopes)
    product = s.real * s.imag / max(float(np.sqrt((s.real**2).mean() * (s.imag**2).mean())), 1e-30)
    parts = [b for rows in np.array_split(product, 4, axis=1) for b in np.array_split(rows, 4, axis=2) if b.size]
    return float(product.mean()), float(np.std([b.mean() for b in parts]) / np.sqrt(max(len(parts) - 1, 1)))


@dataclass(frozen=True)
class ShadowFit:
    """How the sample's shadow moves on the detector when the probe moves on the sample.

    Parameters
    ----------
    matrix
        ``(2, 2)``: movement on the detector [pixels] = matrix @ movement on the sample [unit of positions].
    sigma
        ``(2, 2)`` standard errors of `matrix`, from the scatter between parts of the scan.
    scores
        ``(8,)`` agreement of neighbouring frames' shadows, in its scatter between frames, at the best movement
        for each orientation in `ALL`: one that it turns along +d, to within 30 degrees. The best is highest.
    leads
        ``(8,)`` lead of the best over each, in standard errors of the difference; 0 for the best.
    """

    matrix: Array
    sigma: Array
    scores: Array
    leads: Array


def shadow_fit(frames: NDArray[Any], good: NDArray[np.bool_], positions: Array) -> ShadowFit | None:
    """Estimate the movement of shadows from pairs of neighbouring frames.

    A ray of the bright cone at spatial frequency f meets the sample λ z f off the probe's centre (geometrical
    optics), so frames a movement d apart show the same shadow -d/(λz) apart. The odd part of the pairs'
    cross-correlations is taken: what stays in place or has no direction cancels. Where the object is strong or
    the defocus small, diffraction adds to the shadows and the length comes out too small by 5 to 30 %; their
    direction stays. Our own estimator.

    Parameters
    ----------
    frames, good
        Frames ``(J, N, N)``; pixels ``(N, N)`` measured in nearly all of them.
    positions
        ``(J, 2)``, any unit.

    Returns
    -------
    ShadowFit, or None where the bright disc is less than 6 pixels wide or shows no contrast.
    """
    shadows = _Shadows.of(frames, good, positions)
    if shadows is None:
        return None
    terms, matrices = zip(*(shadows.best_of(o) for o in CLASSES), strict=True)
    each = np.array([*terms, *(-t for t in terms)])  # the odd part of a half turn is minus the odd part
    best = int(np.argmax(each.sum(axis=1)))
    scatter = np.sqrt(max((each[best] ** 2).sum(), np.finfo(float).tiny))
    ahead = each[best] - each
    error = np.sqrt(np.maximum((ahead**2).sum(axis=1), np.finfo(float).tiny))
    matrix = shadows.refined(matrices[best % 4])
    return ShadowFit(matrix, shadows.scatter_of(matrix), each.sum(axis=1) / scatter, ahead.sum(axis=1) / error)


def bright_disc(mean: Array) -> NDArray[np.bool_]:
    """Pixels of the direct beam: above a tenth of the brightness that half of the power exceeds."""
    falling = np.sort(mean, axis=None)[::-1]
    power = np.cumsum(np.maximum(falling, 0))
    return mean > 0.1 * falling[np.searchsorted(power, 0.5 * power[-1])]


@dataclass(frozen=True, eq=False)
class _Shadows:
    """Odd cross-correlations of pairs of frames, and what they are sampled with.

    `odd` ``(P, h, w)`` in FFT order, `area` ``(h, w)`` pixels that overlap at each shift, `moves` ``(P, 2)``,
    `pairs` ``(P, 2)``, `reach` the largest shift used [bins], `bin` detector pixels a bin.
    """

    odd: NDArray[np.float32]
    area: Array
    moves: Array
    pairs: NDArray[np.intp]
    n_frames: int
    reach: float
    bin: int

    @classmethod
    def of(cls, frames: NDArray[Any], good: NDArray[np.bool_], positions: Array) -> _Shadows | None:
        mean = np.where(good, frames.mean(axis=0, dtype=np.float64), 0)
        if len(frames) < 9 or not mean.max() > 0:
            return None
        disc = bright_disc(mean) & good
        rows, columns = (np.flatnonzero(disc.any(axis=k)) for k in (1, 0))
        part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        disc, mean = disc[part], mean[part]
        if min(disc.shape) < 6:
            return None
        change = np.where(disc, frames[:, part[0], part[1]] / np.where(disc, mean, 1) - 1, 0)
        bin = max(1, round(max(disc.shape) / _DISC_BINS))
        change, weight = _joined(change, bin), _joined(disc.astype(np.float64), bin)
        change -= weight * (change.sum(axis=(1, 2)) / weight.sum())[:, None, None]
        if not change.std() > 1e-9:
            return None
        pairs = _neighbours(positions)
        odd, area = _odd_correlations(change, weight, pairs)
        moves = positions[pairs[:, 1]] - positions[pairs[:, 0]]
        return cls(odd, area, moves, pairs, len(frames), 0.7 * min(weight.shape), bin)

    @property
    def step(self) -> float:
        """Typical distance of neighbours."""
        return float(np.percentile(np.hypot(*self.moves.T), 10))

    def best_of(self, orientation: Orientation) -> tuple[Array, Array]:
        """Terms of each frame ``(J,)``, their sum negative where the movement ``(2, 2)`` is against +d."""
        back = matrix_of(orientation).T
        best: tuple[float, Array, Array] = (-1.0, np.zeros(self.n_frames), np.eye(2))
        lengths = np.geomspace(0.3, self.reach, 28) / self.step
        for angle in np.deg2rad([-30, -20, -10, 0, 10, 20, 30]):
            turned = back @ rotation_matrix(angle)
            shifts = (self.moves @ turned.T)[:, None] * lengths[:, None]
            odd, area = self._sampled(shifts)
            strength = odd.sum(axis=0) / np.sqrt(np.maximum(area.sum(axis=0), 1))
            k = int(np.argmax(np.abs(strength)))
            if abs(strength[k]) > best[0]:
                shared = np.repeat(odd[:, k] / np.sqrt(max(area[:, k].sum(), 1)) / 2, 2)
                terms = np.asarray(np.bincount(self.pairs.ravel(), shared, self.n_frames), np.float64)
                best = abs(strength[k]), terms, turned * lengths[k] * np.sign(strength[k]) * self.bin
        return best[1], best[2]

    def refined(self, matrix: Array) -> Array:
        """Return the movement of highest correlation (not significance) near `matrix`."""
        lengths = np.linspace(0.7, 1.7, 21)
        start = matrix * min(lengths, key=lambda s: self._loss(matrix * s))
        return self._climbed(start, 0.1, np.ones(len(self.pairs), bool))

    def scatter_of(self, matrix: Array, parts: int = 6) -> Array:
        """Return standard errors by leaving out a part of the pairs at a time (jackknife, by first frame)."""
        part = self.pairs[:, 0] * parts // self.n_frames
        each = np.array([self._climbed(matrix, 0.03, part != k) for k in range(parts)])
        return np.asarray(np.sqrt((parts - 1) * each.var(axis=0)), np.float64)

    def _climbed(self, matrix: Array, size: float, rows: NDArray[np.bool_]) -> Array:
        """Simplex search around `matrix`, in shares of it."""

        def loss(change: Array) -> float:
            return self._loss(matrix @ (np.eye(2) + change.reshape(2, 2)), rows)

        simplex = size * np.vstack([np.zeros(4), np.eye(4)])
        options = {"initial_simplex": simplex, "maxiter": 50, "xatol": 2e-3, "fatol": np.inf}
        found = scipy.optimize.minimize(loss, np.zeros(4), method="Nelder-Mead", options=options).x
        return np.asarray(matrix @ (np.eye(2) + found.reshape(2, 2)), np.float64)

    def _loss(self, matrix: Array, rows: NDArray[np.bool_] | None = None) -> float:
        """Minus the mean odd correlation, damped where little overlaps."""
        odd, area = self._sampled((self.moves @ matrix.T / self.bin)[:, None], rows)
        return -float(odd.sum() / (area.sum() + 0.2 * self.area[0, 0] * len(area)))

    def _sampled(self, shifts: Array, rows: NDArray[np.bool_] | None = None) -> tuple[Array, Array]:
        """Odd parts and overlap at `shifts` ``(P, K, 2)`` [bins], 0 beyond the reach; interpolated linearly."""
        rows = np.ones(len(shifts), bool) if rows is None else rows
        shifts, number = shifts[rows], np.flatnonzero(rows)[:, None]
        low = np.floor(shifts).astype(np.int64)
        fy, fx = np.moveaxis(shifts - low, -1, 0)
        odd, area, (h, w) = np.zeros(shifts.shape[:2]), np.zeros(shifts.shape[:2]), self.area.shape
        for dy, dx in np.ndindex(2, 2):
            share = np.abs(1 - dy - fy) * np.abs(1 - dx - fx)
            y, x = (low[..., 0] + dy) % h, (low[..., 1] + dx) % w
            odd += share * self.odd[number, y, x]
            area += share * self.area[y, x]
        near = np.abs(shifts).max(axis=-1) < self.reach
        return odd * near, area * near


def rotation_matrix(angle_rad: float) -> Array:
    """``(2, 2)`` rotation of ``(y, x)``: +x towards +y."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cos, sin], [-sin, cos]])


def _joined(planes: Array, bin: int) -> Array:
    """Sum blocks of ``bin x bin`` pixels of ``(..., h, w)``; what does not fill a block is left out."""
    if bin == 1:
        return planes
    h, w = (n // bin for n in planes.shape[-2:])
    cut = planes[..., : h * bin, : w * bin]
    return cut.reshape(*planes.shape[:-2], h, bin, w, bin).sum(axis=(-3, -1))


def _neighbours(positions: Array) -> NDArray[np.intp]:
    """Pairs ``(P, 2)`` of frames and their nearest."""
    count = min(_PAIRS_A_FRAME, len(positions) - 1)
    _, near = scipy.spatial.cKDTree(positions).query(positions, k=count + 1)
    first = np.repeat(np.arange(len(positions)), count + 1)
    pairs = np.sort(np.stack([first, near.ravel()], axis=1), axis=1)
    pairs = np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)
    apart = np.hypot(*(positions[pairs[:, 1]] - positions[pairs[:, 0]]).T) > 0
    return np.asarray(pairs[apart], np.intp)


def _odd_correlations(change: Array, weight: Array, pairs: NDArray[np.intp]) -> tuple[NDArray[np.float32], Array]:
    """Cross-correlate pairs minus the same mirrored ``(P, h, w)``, and the overlap ``(h, w)``, by zero-padded FFT."""
    shape = [scipy.fft.next_fast_len(2 * n - 1, real=True) for n in weight.shape]
    spectra = scipy.fft.rfft2(change, shape)
    area = scipy.fft.irfft2(np.abs(scipy.fft.rfft2(weight, shape)) ** 2, shape)
    odd = np.empty((len(pairs), *shape), np.float32)
    for start in range(0, len(pairs), 128):
        first, second = pairs[start : start + 128].T
        # the odd part of a real function has the imaginary part of its spectrum
        cross = np.conj(spectra[first]) * spectra[second]
        odd[start : start + 128] = scipy.fft.irfft2(1j * cross.imag, shape)
    return odd, np.maximum(area, 0) / weight.max() ** 2
