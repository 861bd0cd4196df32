"""What both layouts write alike: frames block by block, masks, counts that go with frames, own fields.

Own fields, beyond the standards, carry what these cannot say (docs/file-layouts.md lists them).
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.scan import Orientation, Scan

CXI_VERSION = 160
# Own fields: of the detector, and of the sample's geometry_1.
DARK, DARK_EXPOSURES, FLAT, INDEX = "data_dark", "data_dark_count_time", "flatfield", "index_in_file"
FLAT_EACH, READ_NOISE = "flatfield_each_frame", "read_noise"
READINGS, RAW = "position_readings", "raw_positions"
# What was done to the frames already: NXprocess with an NXnote (NeXus base classes), under the entry.
PROCESS, PROGRAM, NOTE = "process_1", "halfbit", "note_1"
# Counts are packed a little less tightly, and three times as fast, as at the default level 4.
GZIP_LEVEL = 1
# Bytes of frames held at once.
BLOCK_BYTES = 64 << 20

Progress = Callable[[int, int], None]


def pixel_axes(orientation: Orientation, pixel_size_m: tuple[float, float]) -> NDArray[np.float64]:
    """Slow and fast pixel axis ``(2, 3)`` [m], components x, y, z, of the frame as stored.

    Parameters
    ----------
    orientation
        How the stored frame is turned.
    pixel_size_m
        ``(y, x)`` after turning.
    """
    y_axis = np.array([0.0, pixel_size_m[0] * (1 if orientation.flip_y else -1), 0.0])
    x_axis = np.array([pixel_size_m[1] * (1 if orientation.flip_x else -1), 0.0, 0.0])
    return np.stack([x_axis, y_axis] if orientation.transpose else [y_axis, x_axis])


def subgroup(parent: h5py.Group, name: str, nx_class: str | None = None) -> h5py.Group:
    """Make a group, with its class for NeXus."""
    group = parent.create_group(name)
    if nx_class:
        group.attrs["NX_class"] = nx_class
    return group


def put(group: h5py.Group, name: str, value: Any, units: str | None = None) -> None:
    """Write a value with its unit; None is left out."""
    if value is None:
        return
    group[name] = value
    if units:
        group[name].attrs["units"] = units


def put_images(
    group: h5py.Group, name: str, values: NDArray[Any], convert: Callable[[NDArray[Any]], NDArray[Any]] | None = None
) -> None:
    """Write images ``(h, w)`` or ``(n, h, w)`` compressed, one a chunk; `convert` is applied block by block."""
    convert = convert or (lambda block: block)
    images = values.reshape(-1, *values.shape[-2:])
    chunk = (1,) * (values.ndim - 2) + values.shape[-2:]
    options = {"compression": "gzip", "compression_opts": GZIP_LEVEL, "shuffle": True}
    data = group.create_dataset(name, values.shape, convert(images[:1]).dtype, chunks=chunk, **options)
    step = max(1, BLOCK_BYTES // max(images[0].nbytes, 1))
    for start in range(0, len(images), step):
        block = convert(images[start : start + step])
        data[... if values.ndim == 2 else slice(start, start + step)] = block[0] if values.ndim == 2 else block


def put_frames(group: h5py.Group, scan: Scan, progress: Progress | None) -> None:
    """Copy the frames block by block, one compressed frame a chunk; `progress` is told frames done and in all.

    Frames are packed by one thread a core, by the rules of HDF5's own filters shuffle and deflate, and written as
    ready chunks: the library alone would pack one after the other.
    """
    shape, dtype = scan.frames.shape, np.dtype(scan.frames.dtype)
    stored = np.dtype(np.uint8) if dtype.kind == "b" else dtype.newbyteorder("<")
    options = {"compression": "gzip", "compression_opts": GZIP_LEVEL, "shuffle": True}
    data = group.create_dataset("data", shape, stored, chunks=(1, *shape[1:]), **options)
    with ThreadPoolExecutor(max_workers=_cores()) as pool:
        for block in scan.blocks(BLOCK_BYTES):
            frames = np.ascontiguousarray(scan.frames[block], dtype=stored)
            for number, chunk in enumerate(pool.map(_packed, frames), start=block.start):
                data.id.write_direct_chunk((number, 0, 0), chunk)
            if progress is not None:
                progress(block.stop, shape[0])


def _cores() -> int:
    """Count the cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _packed(frame: NDArray[Any]) -> bytes:
    """Pack one frame as a chunk: shuffled (first bytes of all values, then the second ...), then deflated (zlib)."""
    size = frame.dtype.itemsize
    planes = np.ascontiguousarray(frame).view(np.uint8).reshape(-1, size).T
    return zlib.compress(planes.tobytes(), GZIP_LEVEL)


def put_mask(group: h5py.Group, name: str, scan: Scan, bad_bit: int) -> None:
    """Write the mask, also one that differs from frame to frame, as bits."""
    if scan.mask is not None:
        put_images(group, name, scan.mask, lambda good: np.where(good, 0, bad_bit).astype(np.uint32))


def put_counts(group: h5py.Group, scan: Scan) -> None:
    """Write what goes with the counts: dark frames, flat field, gain, limit, exposures, numbers of the frames."""
    if scan.dark is not None:
        put_images(group, DARK, scan.dark)
        put(group, DARK_EXPOSURES, scan.dark_exposures_s, "s")
    if scan.flat is not None:
        name = FLAT if scan.flat.ndim == 2 else FLAT_EACH  # the standards know one for all frames
        put_images(group, name, scan.flat, lambda part: np.asarray(part, dtype=np.float64))
        group[name].attrs["use"] = "divides"
        put(group, "flatfield_applied", np.int8(0))
    put(group, "counts_per_photon", scan.counts_per_photon)
    put(group, READ_NOISE, scan.read_noise, "counts")
    put(group, "saturation_value", scan.saturation)
    put(group, "count_time", scan.exposure_s if scan.exposures_s is None else scan.exposures_s, "s")
    put(group, INDEX, scan.index_in_file)


def put_process(entry: h5py.Group, scan: Scan) -> None:
    """Write what was done to the frames already, a line a step."""
    if scan.prepared:
        process = subgroup(entry, PROCESS, "NXprocess")
        put(process, "program", PROGRAM)
        put(process, "version", program_version())
        note = subgroup(process, NOTE, "NXnote")
        put(note, "type", "text/plain")
        put(note, "description", "what was done to the frames, a line a step")
        put(note, "data", "\n".join(" ".join(line.splitlines()) for line in scan.prepared))


def program_version() -> str:
    """Version of this program."""
    try:
        return version(PROGRAM)
    except PackageNotFoundError:  # from a folder of sources
        return "unknown"


def translation_of(scan: Scan) -> NDArray[np.float64]:
    """Sample translation ``(J, 3)`` [m], columns x, y, z."""
    y, x = np.asarray(scan.positions_m, dtype=np.float64).T
    return np.stack([x, y, np.zeros_like(x)], axis=1)


def put_translation(group: h5py.Group, scan: Scan) -> None:
    """Write where the sample was for each frame (CXI 1.6, NXcxi_ptycho)."""
    put(group, "translation", translation_of(scan), "m")
    group["translation"].attrs.update(axes="translation:y:x", interpretation="image")


def put_stage(geometry: h5py.Group, scan: Scan) -> None:
    """Write the readings during each exposure, and what the stage wrote."""
    if scan.readings_m is not None:
        put(geometry, READINGS, scan.readings_m, "m")
        geometry[READINGS].attrs["columns"] = ["y", "x"]
    raw = scan.raw_positions
    if raw is not None:
        put(geometry, RAW, raw.values, raw.unit or None)
        geometry[RAW].attrs.update(columns=list(raw.names), matrix=raw.matrix, offset_m=raw.offset_m)
