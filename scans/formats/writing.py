"""Writers of scan files: a `Scan` goes in, a complete file comes out or none.

Only what every HDF5 since 1.8 reads is used: gzip and shuffle, one frame a chunk, the default file version.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np

from scans.errors import InputError
from scans.files import replacing
from scans.formats.array_writing import write_numpy, write_tiff
from scans.formats.seal import seal
from scans.formats.writing_nexus import fill_nexus
from scans.formats.writing_parts import (
    CXI_VERSION,
    Progress,
    pixel_axes,
    put,
    put_counts,
    put_frames,
    put_mask,
    put_process,
    put_stage,
    put_translation,
    subgroup,
)
from scans.geometry import JOULE_PER_EV
from scans.scan import Scan

__all__ = ["SUFFIXES", "pixel_axes", "write", "write_cxi", "write_nexus"]

CXI_BAD_PIXEL = 0x80  # bad, reason unknown
# Suffix, in lower case, -> layout. A name without suffix is that of a folder.
SUFFIXES = {
    **{".cxi": "CXI", ".nxs": "NeXus", ".h5": "NeXus", ".hdf5": "NeXus"},
    **{".npz": "NumPy", ".tif": "TIFF", ".tiff": "TIFF", "": "TIFF"},
}


def write(
    path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False, progress: Progress | None = None
) -> Path:
    """Write a scan in the layout of the suffix.

    CXI for ``.cxi``; NeXus for ``.nxs``, ``.h5``, ``.hdf5``; a NumPy archive for ``.npz``; a TIFF stack with a table
    of positions beside for ``.tif``; the same in a folder of its own for a name without suffix.

    Parameters
    ----------
    path
        File or folder to write.
    scan
        Frames may be lazy, of any kind: they are copied block by block.
    overwrite
        Replace existing files.
    progress
        Called after each block with the number of frames written and of all.

    Returns
    -------
    Path
        The file, the TIFF stack, or the folder.

    Raises
    ------
    InputError
        For another suffix, an existing file, or a folder that cannot be written to.
    """
    layout = "TIFF" if Path(path).is_dir() else SUFFIXES.get(Path(path).suffix.lower())
    if layout is None:
        raise InputError(
            f"suffix {Path(path).suffix!r}",
            where=str(path),
            expected=f"{', '.join(s for s in SUFFIXES if s)}, or a folder (no suffix)",
            fix="Name the file with one of these suffixes.",
        )
    writers = {"CXI": write_cxi, "NeXus": write_nexus, "NumPy": write_numpy, "TIFF": write_tiff}
    return writers[layout](path, scan, overwrite=overwrite, progress=progress)


def write_cxi(
    path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False, progress: Progress | None = None
) -> Path:
    """Write a scan as CXI 1.6; parameters and errors as `write`."""
    return _atomically(Path(path), overwrite, lambda file: _fill_cxi(file, scan, progress))


def write_nexus(
    path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False, progress: Progress | None = None
) -> Path:
    """Write a scan as NeXus with the names of NXcxi_ptycho; parameters and errors as `write`."""
    return _atomically(Path(path), overwrite, lambda file: fill_nexus(file, scan, progress))


def _atomically(path: Path, overwrite: bool, fill: Callable[[h5py.File], None]) -> Path:
    """Write beside `path` under another name, make sure that it reads, then rename."""
    with replacing(path, force=overwrite) as part:
        with h5py.File(part, "w") as file:
            fill(file)
            seal(file)
        with h5py.File(part, "r") as file:
            list(file)
    return path


def _fill_cxi(file: h5py.File, scan: Scan, progress: Progress | None) -> None:
    """CXI 1.6 with the own fields that our reader knows (docs/file-layouts.md)."""
    file["cxi_version"] = CXI_VERSION
    file["number_of_entries"] = 1
    entry = subgroup(file, "entry_1")
    put(entry, "title", scan.title or None)
    put_process(entry, scan)
    instrument = subgroup(entry, "instrument_1")
    put(subgroup(instrument, "source_1"), "energy", scan.geometry.energy_ev * JOULE_PER_EV, "J")
    detector = subgroup(instrument, "detector_1")
    put_frames(detector, scan, progress)
    detector["data"].attrs["axes"] = "translation:y:x"
    axes = pixel_axes(scan.orientation, scan.geometry.pixel_size_m)
    lengths = np.linalg.norm(axes, axis=1)
    put(detector, "distance", scan.geometry.distance_m, "m")
    put(detector, "y_pixel_size", lengths[0], "m")
    put(detector, "x_pixel_size", lengths[1], "m")
    put(detector, "basis_vectors", axes, "m")
    put_mask(detector, "mask", scan, CXI_BAD_PIXEL)
    put_counts(detector, scan)
    put(detector, "beam_center_px_slow_fast", scan.beam_centre_px)
    put(detector, "monitor", scan.monitor)
    _cxi_optics(instrument, scan)
    geometry = subgroup(subgroup(entry, "sample_1"), "geometry_1")
    put_translation(geometry, scan)
    put_stage(geometry, scan)
    data = subgroup(entry, "data_1")
    detector["translation"] = h5py.SoftLink(geometry.name + "/translation")
    data["data"] = h5py.SoftLink(detector.name + "/data")
    data["translation"] = h5py.SoftLink(geometry.name + "/translation")


def _cxi_optics(instrument: h5py.Group, scan: Scan) -> None:
    """Zone plate, in a group of a beamline's own (CXI has none)."""
    if scan.zone_plate is not None:
        optics = subgroup(instrument, "optics_1")
        put(optics, "diameter", scan.zone_plate.diameter_m, "m")
        put(optics, "outer_zone", scan.zone_plate.outer_zone_m, "m")
        put(optics, "stop_fraction", scan.zone_plate.stop_fraction)
        put(optics, "nominal_defocus", scan.zone_plate.defocus_m, "m")
