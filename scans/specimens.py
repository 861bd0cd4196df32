"""Procedural specimens: projected thickness on any grid, the same structures whatever the grid.

Everything is placed in sample coordinates from the seed alone, so that two scans of one specimen that differ
in step, field or pixel look at the same thing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from scans.materials import CARBON, COPPER, GOLD, PROTEIN, SILICON_NITRIDE, Material

Map = NDArray[np.float64]
Thickness = dict[Material, Map]

_NM, _UM = 1e-9, 1e-6
# Keeps cell indices, which a seed sequence wants non-negative, above zero.
_CELL_ORIGIN = 1 << 20


def catalyst(y_m: Map, x_m: Map, seed: int) -> Thickness:
    """Faceted copper grains (60 to 400 nm wide, 20 to 80 nm thick) and dots on a holey, wrinkled carbon film.

    Parameters
    ----------
    y_m, x_m
        ``(H,)``, ``(W,)`` pixel centres [m].
    seed
        Of the specimen.
    """
    y, x = y_m[:, None], x_m[None, :]
    rng = np.random.default_rng([seed, 0])
    # 20 nm of carbon, uneven at several lengths, with two families of wrinkles
    film = 20 * _NM * (1 + 0.10 * _noise(y, x, 600 * _NM, rng) + 0.05 * _noise(y, x, 90 * _NM, rng))
    film += 20 * _NM * 0.04 * _noise(y, x, 35 * _NM, rng)
    for _ in range(2):
        film += 11 * _NM * np.exp(-((_noise(y, x, 1.1 * _UM, rng) / 0.07) ** 2))
    holes = _Holes(y_m, x_m, seed)
    hole = holes.distance(y, x)
    film += 9 * _NM * np.exp(-((hole / (22 * _NM)) ** 2))
    film[hole < 0] = 0

    copper = np.zeros(film.shape)
    clumps = _Waves(900 * _NM, np.random.default_rng([seed, 2]))
    grains = list(_scattered(y_m, x_m, 250 * _NM, 1.8, (seed, 1), _grain_size))
    dots = list(_scattered(y_m, x_m, 100 * _NM, 0.5, (seed, 3), _dot_size))
    for (centre, size, grain_rng), rim in zip(grains, holes.distance(*_centres(grains)), strict=True):
        if clumps.at(*centre).item() > 0 and rim > -0.25 * size:
            _stamp(copper, y_m, x_m, centre, size, _grain(size, grain_rng))
    for (centre, size, _), rim in zip(dots, holes.distance(*_centres(dots)), strict=True):
        if rim > 0:
            _stamp(copper, y_m, x_m, centre, size, _ball(size))
    copper *= 1 + 0.05 * _noise(y, x, 30 * _NM, rng)
    return {CARBON: np.maximum(film, 0), COPPER: np.maximum(copper, 0)}


def chart(y_m: Map, x_m: Map, seed: int) -> Thickness:
    """Gold, 60 nm thick, on 50 nm of nitride: star of 32 spokes, bars of 60 to 10 nm, dots of 35 to 9 nm."""
    del seed  # a chart is the same every time
    y, x = y_m[:, None], x_m[None, :]
    radius = np.hypot(y, x)
    spokes = np.sin(32 * np.arctan2(y, x)) * radius / 32
    gold = np.minimum(spokes, np.minimum(radius - 50 * _NM, 500 * _NM - radius)) > 0
    gold |= (radius > 530 * _NM) & (radius < 570 * _NM)
    start = -880 * _NM
    for half_pitch in np.array([60, 42, 30, 21, 15, 10]) * _NM:
        gold |= _bars(x - start, y + 880 * _NM, half_pitch) | _bars(-x - start, 880 * _NM - y, half_pitch)
        start += 9 * half_pitch + 30 * _NM
    start = -560 * _NM
    for half_pitch in np.array([42, 30, 21, 15, 10]) * _NM:
        gold |= _bars(y - start, 880 * _NM - x, half_pitch)
        start += 9 * half_pitch + 30 * _NM
    start = -560 * _NM
    for size in np.array([35, 25, 18, 13, 9]) * _NM:
        row, column = (y - start) / (2 * size), (x + 880 * _NM) / (2 * size)
        field = (row > 0) & (row < 4) & (column > 0) & (column < 4)
        gold |= field & (np.hypot(np.mod(row, 1) - 0.5, np.mod(column, 1) - 0.5) < 0.25)
        start += 8 * size + 30 * _NM
    return {GOLD: 60 * _NM * gold, SILICON_NITRIDE: np.full(gold.shape, 50 * _NM)}


def organic_film(y_m: Map, x_m: Map, seed: int) -> Thickness:
    """Weak phase object: a protein-like film with fibres, vesicles and granules, 20 to 200 nm thick."""
    y, x = y_m[:, None], x_m[None, :]
    rng = np.random.default_rng([seed, 0])
    film = 60 * _NM * (1 + 0.35 * _noise(y, x, 1.6 * _UM, rng) + 0.15 * _noise(y, x, 350 * _NM, rng))
    for wavelength, height, width in ((1.4 * _UM, 45, 0.10), (0.8 * _UM, 25, 0.10), (0.45 * _UM, 15, 0.12)):
        film += height * _NM * np.exp(-((_noise(y, x, wavelength, rng) / width) ** 2))
    film *= 1 + 0.08 * _noise(y, x, 70 * _NM, rng) + 0.05 * _noise(y, x, 30 * _NM, rng)
    for centre, size, _ in _scattered(y_m, x_m, 0.5 * _UM, 0.6, (seed, 1), lambda r: r.uniform(80, 260) * _NM):
        _stamp(film, y_m, x_m, centre, size, _shell(size), add=True)
    for centre, size, _ in _scattered(y_m, x_m, 0.12 * _UM, 0.5, (seed, 2), lambda r: r.uniform(16, 50) * _NM):
        _stamp(film, y_m, x_m, centre, size, _ball(size), add=True)
    return {PROTEIN: np.maximum(film, 20 * _NM)}


def soften(thickness: Thickness, pixel_m: float, edge_m: float) -> Thickness:
    """Blur every map with a Gaussian of rms `edge_m` [m]: real edges are not sharper than that.

    It also limits the band of the object, so that a solver's coarser grid can hold it.
    """
    return {m: scipy.ndimage.gaussian_filter(t, edge_m / pixel_m, mode="nearest") for m, t in thickness.items()}


SPECIMENS: dict[str, Callable[[Map, Map, int], Thickness]] = {
    "catalyst": catalyst,
    "test_chart": chart,
    "organic_film": organic_film,
}

Height = Callable[[Map, Map], Map]
Thing = tuple[tuple[float, float], float, np.random.Generator]


class _Waves:
    """Smooth random field of unit variance: plane waves of random direction, lengths within ±35 %."""

    def __init__(self, wavelength_m: float, rng: np.random.Generator, count: int = 40) -> None:
        k = 2 * np.pi / (wavelength_m * rng.uniform(0.65, 1.35, count))
        direction, self._phase = rng.uniform(0, 2 * np.pi, (2, count))
        self._ky, self._kx = k * np.sin(direction), k * np.cos(direction)
        self._scale = np.sqrt(2 / count)

    def at(self, y: Map | float, x: Map | float) -> Map:
        """Values ``(H, W)`` at ``(H, 1)`` y and ``(1, W)`` x [m]."""
        rows = np.exp(1j * self._ky * np.reshape(y, (-1, 1)))
        columns = np.exp(1j * (self._kx[:, None] * np.reshape(x, (1, -1)) + self._phase[:, None]))
        return (rows @ columns).real * self._scale


def _noise(y: Map, x: Map, wavelength_m: float, rng: np.random.Generator) -> Map:
    return _Waves(wavelength_m, rng).at(y, x)


def _scattered(
    y_m: Map,
    x_m: Map,
    cell_m: float,
    per_cell: float,
    seed: tuple[int, int],
    draw_size: Callable[[np.random.Generator], float],
) -> Iterator[Thing]:
    """Yield centre, size and generator of things scattered over and around the grid, cell by cell."""
    (y0, y1), (x0, x1) = (_cells(axis, cell_m) for axis in (y_m, x_m))
    for i in range(y0, y1):
        for j in range(x0, x1):
            rng = np.random.default_rng([*seed, i + _CELL_ORIGIN, j + _CELL_ORIGIN])
            for _ in range(rng.poisson(per_cell)):
                at = (i + rng.random()) * cell_m, (j + rng.random()) * cell_m
                yield at, draw_size(rng), rng


def _centres(things: Sequence[Thing]) -> Map:
    """Centres ``(2, n)`` [m], y and x."""
    return np.array([centre for centre, _, _ in things]).reshape(-1, 2).T


def _stamp(
    image: Map,
    y_m: Map,
    x_m: Map,
    centre: tuple[float, float],
    size: float,
    height: Height,
    *,
    add: bool = False,
) -> None:
    """Put a thing of at most `size` across its centre into an image: the higher wins, or heights add."""
    rows = slice(*np.searchsorted(y_m, [centre[0] - size, centre[0] + size]))
    columns = slice(*np.searchsorted(x_m, [centre[1] - size, centre[1] + size]))
    patch = height(y_m[rows, None] - centre[0], x_m[None, columns] - centre[1])
    image[rows, columns] = image[rows, columns] + patch if add else np.maximum(image[rows, columns], patch)


class _Holes:
    """Holes in a film, at most one in a cell of 0.95 µm, round with a wobbly rim."""

    _CELL = 950 * _NM
    _FAR = 100 * _NM
    _HARMONICS = ((0.14, 2), (0.07, 3), (0.03, 7))

    def __init__(self, y_m: Map, x_m: Map, seed: int) -> None:
        self._holes = []
        (y0, y1), (x0, x1) = (_cells(axis, self._CELL) for axis in (y_m, x_m))
        for i in range(y0, y1):
            for j in range(x0, x1):
                rng = np.random.default_rng([seed, 4, i + _CELL_ORIGIN, j + _CELL_ORIGIN])
                centre = (np.array([i, j]) + rng.uniform(0.3, 0.7, 2)) * self._CELL
                radius, phases = rng.uniform(100, 260) * _NM, rng.uniform(0, 2 * np.pi, 3)
                if rng.random() < 0.85:
                    self._holes.append((centre, radius, phases))

    def distance(self, y: Map, x: Map) -> Map:
        """Signed distance [m] to the nearest hole, negative inside; one cell where all are far."""
        nearest = np.full(np.broadcast_shapes(np.shape(y), np.shape(x)), self._CELL)
        for (cy, cx), radius, phases in self._holes:
            from_centre = np.hypot(y - cy, x - cx)
            near = from_centre < 1.3 * radius + self._FAR
            angle = np.arctan2(np.broadcast_to(y - cy, near.shape)[near], np.broadcast_to(x - cx, near.shape)[near])
            wobble = sum(a * np.cos(n * angle + p) for (a, n), p in zip(self._HARMONICS, phases, strict=True))
            nearest[near] = np.minimum(nearest[near], from_centre[near] - radius * (1 + wobble))
        return nearest


def _cells(axis_m: Map, cell_m: float) -> tuple[int, int]:
    """Range of cells that reach an axis, with two to spare."""
    return int(np.floor(axis_m[0] / cell_m)) - 2, int(np.floor(axis_m[-1] / cell_m)) + 3


def _grain_size(rng: np.random.Generator) -> float:
    """Width [m] of a grain: log-uniform, small ones more often."""
    return 60 * _NM * (400 / 60) ** (rng.random() ** 1.3)


def _dot_size(rng: np.random.Generator) -> float:
    return rng.uniform(12, 30) * _NM


def _grain(size: float, rng: np.random.Generator) -> Height:
    """Convex crystal: facets of different steepness around a tilted top with a step and a twin boundary."""
    n = int(rng.integers(5, 9))
    angles = (np.arange(n) + rng.uniform(-0.3, 0.3, n)) * 2 * np.pi / n + rng.uniform(0, 2 * np.pi)
    reach = size / 2 * rng.uniform(0.72, 1.0, n)
    thickness = 20 * _NM + 60 * _NM * np.sqrt(size / (400 * _NM)) * rng.uniform(0.45, 1.0)
    steepness = thickness / (rng.uniform(0.05, 0.4, n) * size / 2 + 6 * _NM)
    tilt, step_angle, step_at = (
        rng.uniform(-0.25, 0.25, 2) / size,
        rng.uniform(0, np.pi),
        rng.uniform(-0.2, 0.2) * size,
    )

    def height(y: Map, x: Map) -> Map:
        top = thickness * (0.92 + tilt[0] * y + tilt[1] * x)
        across = y * np.sin(step_angle) + x * np.cos(step_angle) - step_at
        top = top * np.where(across > 0, 0.84, 1.0) - 0.3 * thickness * np.exp(-((across / (7 * _NM)) ** 2))
        for angle, distance, slope in zip(angles, reach, steepness, strict=True):
            top = np.minimum(top, slope * (distance - y * np.sin(angle) - x * np.cos(angle)))
        return np.clip(top, 0, 80 * _NM)

    return height


def _ball(size: float) -> Height:
    """Projected thickness of a ball of diameter `size`."""
    return lambda y, x: 2 * np.sqrt(np.maximum((size / 2) ** 2 - y**2 - x**2, 0))


def _shell(size: float) -> Height:
    """Vesicle: hollow flattened ball with a wall of 12 nm."""
    outer, inner = _ball(size), _ball(size - 24 * _NM)
    return lambda y, x: 0.5 * (outer(y, x) - inner(y, x))


def _bars(across: Map, along: Map, half_pitch: float) -> NDArray[np.bool_]:
    """Five bars, 220 nm long, that start at 0."""
    stripes = (np.mod(across / half_pitch, 2) < 1) & (across > 0) & (across < 9 * half_pitch)
    return stripes & (along > 0) & (along < 220 * _NM)
