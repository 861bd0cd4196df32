"""Writers for programs that read no HDF5: a NumPy archive, or a folder with a TIFF stack and a table of positions.

Names carry units and orders, so that nothing has to be guessed when the files are read again:

====================================  ==============================================================================
``frames``                            ``(J, h, w)`` as stored
``positions_yx_m``                    ``(J, 2)``
``energy_ev``, ``distance_m``         numbers
``pixel_size_yx_m``                   of the frames as stored: along rows (y) and columns (x)
``transpose``, ``flip_y``, ``flip_x`` 0 or 1: what the stored frames need, in this order
``good_pixel_mask``                   ``(h, w)`` or ``(J, h, w)``, true where a pixel may be used
``dark``, ``dark_exposures_s``        dark frames, exposure of each
``flat``                              response of each pixel, ``(h, w)`` or ``(J, h, w)``
``counts_per_photon``, ``saturation`` numbers, in stored counts
``read_noise``                        rms of a pixel, in stored counts
``beam_centre_row_column_px``         in the stored frame
``monitor``, ``exposures_s``          ``(J,)``
``exposure_s``                        number
``index_in_file``                     ``(J,)`` number of each frame in the first file
``readings_yx_m``                     ``(J, K, 2)`` positions during each exposure
``zone_plate_diameter_m`` ...         ``_outer_zone_m``, ``_stop_fraction``, ``_defocus_m``
``title``                             text
``prepared``                          lines of text: what was done to the frames already
====================================  ==============================================================================

In a folder ``frames``, ``good_pixel_mask``, ``dark`` and ``flat`` are TIFF files, what has one value a frame is a
column of ``positions.csv`` (``y_m``, ``x_m`` first), numbers stand in its header; ``readings_yx_m`` and ``prepared``
are NumPy files. Beside a single stack ``NAME.tif`` lie the table ``NAME.csv`` and, for the rest, ``NAME.npz``.
"""

from __future__ import annotations

import os
import zipfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy_format
from numpy.typing import NDArray

from scans.errors import InputError
from scans.files import replacing
from scans.scan import Progress, Scan

BIG_TIFF_BYTES = (1 << 32) - (1 << 25)  # room for the directories of a classic TIFF, whose offsets have 32 bits
PICTURES = ("good_pixel_mask", "dark", "flat")


def write_numpy(
    path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False, progress: Progress | None = None
) -> Path:
    """Write a scan as an unpacked NumPy archive (``.npz``), block by block.

    Parameters
    ----------
    path
        File to write; its suffix must be ``.npz``.
    scan
        Frames may be lazy and larger than the memory.
    overwrite
        Replace an existing file.
    progress
        Called after each block with the number of frames written and of all.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        For another suffix, an existing file, or a folder that cannot be written to.
    """
    target = Path(path)
    if target.suffix.lower() != ".npz":
        fix = "Name the file with the suffix .npz."
        raise InputError(f"suffix {target.suffix!r}", where=str(path), expected=".npz", fix=fix)
    with replacing(target, force=overwrite) as part:
        _write_archive(part, {**facts(scan), **per_frame(scan)}, scan, progress)
    return target


def write_tiff(
    path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False, progress: Progress | None = None
) -> Path:
    """Write a scan as a TIFF stack with a table of positions; see the top of this file.

    Parameters
    ----------
    path
        A folder, made where it is absent (its parent must exist), or a ``.tif`` file, which gets a ``.csv`` file and
        where needed a ``.npz`` file of its name beside it.
    scan
        Frames may be lazy and larger than the memory. Above 4 GiB the file is a BigTIFF.
    overwrite
        Replace existing files of these names.
    progress
        Called after each block with the number of frames written and of all.

    Returns
    -------
    Path
        The folder or the ``.tif`` file.

    Raises
    ------
    InputError
        When a file is there already, or the folder cannot be written to.
    """
    target = Path(path)
    alone = target.suffix.lower() in (".tif", ".tiff") and not target.is_dir()
    known, columns = facts(scan), per_frame(scan)
    arrays = {name: known.pop(name) for name in (*PICTURES, "prepared") if name in known}
    if "readings_yx_m" in columns:
        arrays["readings_yx_m"] = columns.pop("readings_yx_m")
    stack, table = (target.name, f"{target.stem}.csv") if alone else ("frames.tif", "positions.csv")
    writers: dict[str, Callable[[Path], None]] = {stack: partial(_write_stack, scan=scan, progress=progress)}
    if alone and arrays:
        writers[f"{target.stem}.npz"] = partial(_write_archive, values=arrays)
    for name, values in ({} if alone else arrays).items():
        suffix, write = (".tif", _write_pictures) if name in PICTURES else (".npy", _write_npy)
        writers[name + suffix] = partial(write, values=np.asarray(values))
    writers[table] = partial(_write_text, text=_table(known, columns))
    folder = target.parent if alone else target
    try:
        folder.mkdir(exist_ok=True)
    except OSError as exc:
        raise InputError(
            f"cannot be made ({type(exc).__name__})",
            where=str(folder),
            expected="a folder in one that can be written",
            fix="Make the folder, or name another one with -o.",
        ) from exc
    with ExitStack() as parts:  # every file is written before the first gets its name
        made = {name: parts.enter_context(replacing(folder / name, force=overwrite)) for name in writers}
        for name, part in made.items():
            writers[name](part)
    return target


def facts(scan: Scan) -> dict[str, Any]:
    """Return what holds for all frames, by the names on top; what is unknown is left out."""
    turn = scan.orientation
    zone_plate = scan.zone_plate
    found = {
        "energy_ev": scan.geometry.energy_ev,
        "distance_m": scan.geometry.distance_m,
        "pixel_size_yx_m": scan.geometry.pixel_size_m[:: -1 if turn.transpose else 1],
        "transpose": int(turn.transpose),
        "flip_y": int(turn.flip_y),
        "flip_x": int(turn.flip_x),
        "good_pixel_mask": scan.mask,
        "dark": scan.dark,
        "dark_exposures_s": scan.dark_exposures_s,
        "flat": scan.flat,
        "counts_per_photon": scan.counts_per_photon,
        "saturation": scan.saturation,
        "read_noise": scan.read_noise,
        "beam_centre_row_column_px": scan.beam_centre_px,
        "exposure_s": scan.exposure_s,
        "title": scan.title or None,
        "prepared": scan.prepared or None,
    }
    if zone_plate is not None:
        found |= {
            "zone_plate_diameter_m": zone_plate.diameter_m,
            "zone_plate_outer_zone_m": zone_plate.outer_zone_m,
            "zone_plate_stop_fraction": zone_plate.stop_fraction,
            "zone_plate_defocus_m": zone_plate.defocus_m,
        }
    return {name: value for name, value in found.items() if value is not None}


def per_frame(scan: Scan) -> dict[str, NDArray[Any]]:
    """Return arrays of one row a frame, by the names on top; what is unknown is left out."""
    found = {
        "positions_yx_m": np.asarray(scan.positions_m, dtype=np.float64),
        "monitor": scan.monitor,
        "exposures_s": scan.exposures_s,
        "index_in_file": scan.index_in_file,
        "readings_yx_m": scan.readings_m,
    }
    return {name: value for name, value in found.items() if value is not None}


def _write_archive(
    path: Path, values: dict[str, Any], scan: Scan | None = None, progress: Progress | None = None
) -> None:
    """Write arrays, and the frames of a scan first, as an unpacked archive."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        if scan is not None:
            with archive.open("frames.npy", "w", force_zip64=True) as stream:
                _write_frames(stream, scan, progress)
        for name, value in values.items():
            with archive.open(f"{name}.npy", "w", force_zip64=True) as stream:
                npy_format.write_array(stream, np.asarray(value), allow_pickle=False)


def _write_frames(stream: IO[bytes], scan: Scan, progress: Progress | None) -> None:
    """Write the frames as one array, block by block."""
    dtype = np.dtype(scan.frames.dtype)
    header = {"descr": npy_format.dtype_to_descr(dtype), "fortran_order": False, "shape": tuple(scan.frames.shape)}
    npy_format.write_array_header_1_0(stream, header)
    for block in scan.blocks():
        stream.write(np.ascontiguousarray(scan.frames[block], dtype=dtype).data.cast("B"))
        if progress is not None:
            progress(block.stop, scan.n_frames)


def _write_npy(path: Path, values: NDArray[Any]) -> None:
    with open(path, "wb") as stream:
        npy_format.write_array(stream, values, allow_pickle=False)


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def _write_stack(path: Path, scan: Scan, progress: Progress | None = None) -> None:
    """Write the frames as an unpacked TIFF stack."""
    import tifffile

    dtype = np.dtype(scan.frames.dtype)
    dtype = np.dtype(np.uint8) if dtype.kind == "b" else dtype.newbyteorder("=")
    nbytes = int(np.prod(scan.frames.shape, dtype=np.int64)) * dtype.itemsize + 1024 * scan.n_frames
    with tifffile.TiffWriter(path, bigtiff=nbytes > BIG_TIFF_BYTES) as tif:
        tif.write(
            _one_by_one(scan, dtype, progress),
            shape=scan.frames.shape,
            dtype=dtype,
            photometric="minisblack",
            metadata=None,
        )


def _one_by_one(scan: Scan, dtype: np.dtype[Any], progress: Progress | None) -> Iterator[NDArray[Any]]:
    for block in scan.blocks():
        yield from scan.frames[block].astype(dtype, copy=False)
        if progress is not None:
            progress(block.stop, scan.n_frames)


def _write_pictures(path: Path, values: NDArray[Any]) -> None:
    """Write one picture or several; true becomes 1."""
    import tifffile

    values = values.astype(np.uint8) if values.dtype.kind == "b" else values
    big = values.nbytes > BIG_TIFF_BYTES
    tifffile.imwrite(path, values, photometric="minisblack", metadata=None, bigtiff=big)


def _table(known: dict[str, Any], columns: dict[str, NDArray[Any]]) -> str:
    """Text of ``positions.csv``: numbers exactly as they are (the shortest digits that give them back)."""
    lines = []
    for name, value in known.items():
        numbers = value if isinstance(value, str) else ", ".join(repr(v) for v in np.ravel(value).tolist())
        lines.append(f"# {name} = {numbers.splitlines()[0] if numbers else ''}")
    table = {"y_m": columns["positions_yx_m"][:, 0], "x_m": columns["positions_yx_m"][:, 1]}
    table |= {name: values for name, values in columns.items() if name != "positions_yx_m"}
    lines.append(",".join(table))
    lines += [",".join(repr(v) for v in row) for row in zip(*(c.tolist() for c in table.values()), strict=True)]
    return "\n".join(lines) + "\n"
