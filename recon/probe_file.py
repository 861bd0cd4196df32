"""A probe from a file: another result, or an array that somebody made."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from recon.hdf5 import opened
from scans.errors import InputError
from scans.geometry import Geometry

MODES = "/entry/probe/modes"
_EXPECTED = "a probe: a result of halfbit, FILE.h5::/path/of/dataset, or a .npy file"
_FIX = "Give such a file with -s probe.file=FILE."
# Most of the light that may be lost beyond the edge of the new frame.
_LOST = 0.1


def probe_from_file(name: str, geometry: Geometry) -> tuple[NDArray[np.complex128], str]:
    """Read probe modes, on the object pixel of `geometry`, and say where they come from.

    Parameters
    ----------
    name
        A result; ``FILE.h5::/path`` of a complex dataset; or a ``.npy`` file. Arrays are ``(N, N)`` or
        ``(M, N, N)``, centred at ``(N//2, N//2)``. The pixel of a result is known and a probe on another one is
        interpolated; other arrays have to be on the pixel of the scan, and of the size of its frames.

    Returns
    -------
    ``(M, N, N)`` complex and a text for the result's notes.

    Raises
    ------
    InputError
        When the file cannot be read, holds no probe, or one that does not fit the frames.
    """
    path, _, inner = name.partition("::")
    modes, pixel_m = _from_array(Path(path)) if path.endswith(".npy") else _from_hdf5(Path(path), inner or MODES)
    if modes.ndim == 2:
        modes = modes[None]
    fits = modes.ndim == 3 and modes.dtype.kind == "c" and np.isfinite(modes).all() and np.abs(modes).max() > 0
    if not fits:
        raise _wrong(f"an array of {modes.dtype} and shape {modes.shape}, or without finite values", name)
    if pixel_m is None:
        if modes.shape[1:] != geometry.frame_shape:
            raise _wrong(f"an array of {modes.shape[1]} x {modes.shape[2]} pixels of unknown size", name, geometry)
        return modes.astype(np.complex128), f"{name}, taken to be on the pixel of the scan"
    moved = resampled(modes.astype(np.complex128), pixel_m, geometry)
    kept = (np.abs(moved) ** 2).sum() * np.prod(geometry.object_pixel_m)
    share = kept / ((np.abs(modes) ** 2).sum() * np.prod(pixel_m))
    if share < 1 - _LOST:
        raise _wrong(f"a probe of which {100 * (1 - share):.0f} % would lie outside of the frame", name, geometry)
    same = np.allclose(pixel_m, geometry.object_pixel_m, rtol=1e-6)
    return moved, name if same else f"{name}, interpolated from a pixel of {pixel_m[0] * 1e9:.4g} nm"


def resampled(
    modes: NDArray[np.complex128], pixel_m: tuple[float, float], geometry: Geometry
) -> NDArray[np.complex128]:
    """Bring centred modes ``(M, N, N)`` to the object pixel and frame of `geometry` (cubic splines); 0 outside."""
    axes = []
    for n, here, (size, there) in zip(
        modes.shape[1:], pixel_m, zip(geometry.frame_shape, geometry.object_pixel_m, strict=True), strict=True
    ):
        axes.append((np.arange(size) - size // 2) * there / here + n // 2)
    where: Any = np.meshgrid(*axes, indexing="ij")
    return np.stack([map_coordinates(mode, where, order=3, mode="constant") for mode in modes])


def _from_array(path: Path) -> tuple[NDArray[Any], None]:
    try:
        return np.load(path, allow_pickle=False), None
    except (OSError, ValueError, EOFError) as exc:
        raise InputError(f"cannot be read ({exc})", where=str(path), expected=_EXPECTED, fix=_FIX) from exc


def _from_hdf5(path: Path, inner: str) -> tuple[NDArray[Any], tuple[float, float] | None]:
    with opened(path, _EXPECTED, _FIX) as file:
        dataset = file.get(inner)
        if not isinstance(dataset, h5py.Dataset):
            raise _wrong(f"no dataset {inner}", str(path))
        try:
            modes = dataset[()]
            axes = [file[inner].parent[axis][()] for axis in "yx"] if inner == MODES else []
        except (OSError, KeyError) as exc:
            raise _wrong(f"a probe that cannot be read ({exc})", str(path)) from exc
    if not axes:
        return modes, None
    y, x = (float((axis[-1] - axis[0]) / (len(axis) - 1)) for axis in axes)
    return modes, (y, x)


def _wrong(found: str, name: str, geometry: Geometry | None = None) -> InputError:
    expected = _EXPECTED
    if geometry is not None:
        rows, columns = geometry.frame_shape
        pixels = " x ".join(f"{1e9 * p:.4g}" for p in geometry.object_pixel_m)
        expected = f"a probe for frames of {rows} x {columns} pixels, on an object pixel of {pixels} nm"
    return InputError(found, where=f"{name}, recipe key probe.file", expected=expected, fix=_FIX)
