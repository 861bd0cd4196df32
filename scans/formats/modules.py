"""Detectors of several modules: stored images put together into one frame on one grid of pixels.

Coordinates are those of NeXus and CXI (z along the beam, y up, x to the left seen from the source). A module's
place is the outer corner of its pixel (0, 0), its axes are the steps to the next row and the next column.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.preflight import FRAME_SIDE_RANGE
from scans.formats.stack_frames import StackFrames
from scans.scan import Frames

# No pixel of a module may lie further than this from the pixel of the grid that it is taken for.
TOLERANCE_PX = 0.2
FIX = "Put the modules together with the detector's own software, and write one image a frame."


@dataclass(frozen=True)
class Piece:
    """One module: part ``rows`` x ``columns`` of stored image number `image`, and the pixel it goes to."""

    image: int
    rows: tuple[int, int]
    columns: tuple[int, int]
    place: tuple[int, int]

    @property
    def source(self) -> tuple[Any, ...]:
        """Index into stored images ``(..., n_images, h, w)``."""
        return (..., self.image, slice(*self.rows), slice(*self.columns))

    @property
    def target(self) -> tuple[Any, ...]:
        """Index into frames ``(..., H, W)``."""
        (r0, r1), (c0, c1) = self.rows, self.columns
        return (..., slice(self.place[0], self.place[0] + r1 - r0), slice(self.place[1], self.place[1] + c1 - c0))


@dataclass(frozen=True)
class Mosaic:
    """How `n_images` stored images make one frame of `shape` ``(H, W)``.

    `corner_m` ``(3,)`` is the outer corner of the frame's pixel (0, 0); `axes_m` ``(2, 3)`` the slow and fast steps.
    `worst_px` is the largest distance of a module's pixel from the grid.
    """

    pieces: tuple[Piece, ...]
    shape: tuple[int, int]
    n_images: int
    corner_m: NDArray[np.float64]
    axes_m: NDArray[np.float64]
    worst_px: float

    @property
    def gaps(self) -> NDArray[np.bool_]:
        """``(H, W)``, True where there is no module."""
        bare = np.ones(self.shape, dtype=bool)
        for piece in self.pieces:
            bare[piece.target] = False
        return bare

    def assemble(self, images: NDArray[Any], fill: float = 0) -> NDArray[Any]:
        """Frames ``(..., H, W)`` of stored images ``(..., n_images, h, w)``; gaps hold `fill`."""
        out = np.full((*images.shape[:-3], *self.shape), fill, dtype=images.dtype)
        for piece in self.pieces:
            out[piece.target] = images[piece.source]
        return out


class AssembledFrames(StackFrames):
    """Stack of frames ``(J, H, W)``, each put together from stored images when it is read.

    Parameters
    ----------
    images
        Stored images ``(J * n_images, h, w)``, those of one exposure in a row.
    mosaic
        How they go together.
    """

    def __init__(self, images: Frames, mosaic: Mosaic) -> None:
        chunk = max(1, int(getattr(images, "chunk_frames", 1)) // mosaic.n_images)
        super().__init__((images.shape[0] // mosaic.n_images, *mosaic.shape), images.dtype, chunk_frames=chunk)
        self.images, self.mosaic = images, mosaic

    def __repr__(self) -> str:
        return f"AssembledFrames({self.shape}, {self.mosaic.n_images} images a frame of {self.images!r})"

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        """Read the images of the frames and put them together."""
        many = self.mosaic.n_images
        images = np.asarray(self.images[start * many : stop * many])
        return self.mosaic.assemble(images.reshape(-1, many, *images.shape[1:]))


@dataclass(frozen=True)
class Module:
    """One module as the file describes it: part of an image, corner ``(3,)`` and axes ``(2, 3)`` [m]."""

    image: int
    rows: tuple[int, int]
    columns: tuple[int, int]
    corner_m: NDArray[np.float64]
    axes_m: NDArray[np.float64]


def make_mosaic(modules: list[Module], n_images: int, *, where: str, distance_m: float | None = None) -> Mosaic:
    """Place modules on the grid of pixels of the first one.

    Parameters
    ----------
    modules
        All modules of one exposure.
    n_images
        Stored images of one exposure.
    where
        File and dataset, for messages.
    distance_m
        From sample to detector: modules at different depths are accepted where it moves no pixel of the pattern by
        more than 0.2; None takes depths up to a fifth of a pixel.

    Raises
    ------
    InputError
        When a module is turned, lies between pixels, in front of the others, or over another one: with the number.
    """
    axes, origin = modules[0].axes_m, modules[0].corner_m
    if abs(np.linalg.norm(np.cross(axes[0], axes[1]))) < 1e-12 * np.linalg.norm(axes[0]) ** 2:
        raise _unplaced("module 0 has no two pixel axes", where)
    places, worst = [], 0.0
    for number, module in enumerate(modules):
        place, off_px = _on_grid(module, number, origin, axes, where)
        _check_depth(module, number, (origin, axes), distance_m, where)
        places.append(place)
        worst = max(worst, off_px)
    first = np.min(places, axis=0)
    pieces = tuple(
        Piece(m.image, m.rows, m.columns, (int(p[0] - first[0]), int(p[1] - first[1])))
        for m, p in zip(modules, places, strict=True)
    )
    ends = [(p.place[0] + p.rows[1] - p.rows[0], p.place[1] + p.columns[1] - p.columns[0]) for p in pieces]
    shape = (max(e[0] for e in ends), max(e[1] for e in ends))
    if max(shape) > FRAME_SIDE_RANGE[1]:
        raise _unplaced(f"the modules span {shape[0]} x {shape[1]} pixels", where)
    _check_overlap(pieces, shape, where)
    return Mosaic(pieces, shape, n_images, origin + first @ axes, axes, worst)


def _on_grid(
    module: Module, number: int, origin: NDArray[np.float64], axes: NDArray[np.float64], where: str
) -> tuple[NDArray[np.int64], float]:
    """Pixel of the grid for a module's pixel (0, 0), and how far the module's pixels are off it."""
    height, width = module.rows[1] - module.rows[0], module.columns[1] - module.columns[0]
    inner = np.array([[0, 0], [height, 0], [0, width], [height, width]], dtype=np.float64)
    places = module.corner_m - origin + inner @ module.axes_m
    on_grid = np.linalg.lstsq(axes.T, places.T, rcond=None)[0].T - inner
    place = np.round(on_grid[0]).astype(np.int64)
    turned = float(np.abs(on_grid - on_grid[0]).max())
    off = float(np.abs(on_grid - place).max())
    if turned > TOLERANCE_PX:
        found = f"module {number} is turned against module 0: its far corner is {turned:.4g} pixels off the grid"
        raise _unplaced(found, where)
    if off > TOLERANCE_PX:
        row, column = on_grid[0]
        found = f"module {number} lies at pixel ({row:.4g}, {column:.4g}) of module 0's grid, {off:.3g} off a whole one"
        raise _unplaced(found, where)
    return place, off


def _check_depth(
    module: Module,
    number: int,
    reference: tuple[NDArray[np.float64], NDArray[np.float64]],
    distance_m: float | None,
    where: str,
) -> None:
    """Refuse a module so far in front of or behind the first that the pattern on it is of another size."""
    origin, axes = reference
    normal = np.cross(axes[0], axes[1])
    pixel = float(np.linalg.norm(axes, axis=1).min())
    depth = abs(float((module.corner_m - origin) @ normal / np.linalg.norm(normal)))
    if distance_m is None:
        shift_px = depth / pixel
    else:
        ends = module.axes_m.T @ np.array([module.rows[1] - module.rows[0], module.columns[1] - module.columns[0]])
        reach = max(np.linalg.norm(module.corner_m[:2]), np.linalg.norm((module.corner_m + ends)[:2]))
        shift_px = depth / distance_m * float(reach) / pixel
    if shift_px > TOLERANCE_PX:
        found = f"module {number} is {depth:.4g} m in front of or behind module 0: {shift_px:.3g} pixels in the pattern"
        raise _unplaced(found, where)


def _check_overlap(pieces: tuple[Piece, ...], shape: tuple[int, int], where: str) -> None:
    """Refuse modules that cover each other."""
    times = np.zeros(shape, dtype=np.uint16)
    for piece in pieces:
        times[piece.target] += 1
    twice = int(np.count_nonzero(times > 1))
    if twice:
        raise _unplaced(f"{twice} pixels belong to more than one module", where)


def _unplaced(found: str, where: str) -> InputError:
    """Return the error for modules that do not fit one grid."""
    expected = f"modules with one orientation, side by side on whole pixels (within {TOLERANCE_PX} pixel)"
    return InputError(found, where=where, expected=expected, fix=FIX)
