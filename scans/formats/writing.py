"""Writers of scan files: a `Scan` goes in, a complete file comes out or none.

Only what every HDF5 since 1.8 reads is used: gzip and shuffle, one frame a chunk, the default file version.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.files import replacing
from scans.geometry import JOULE_PER_EV
from scans.scan import Orientation, Scan

CXI_VERSION = 160
CXI_BAD_PIXEL = 0x80  # bad, reason unknown
NEXUS_BAD_PIXEL = 0x100  # masked by the user
SUFFIXES = {".cxi": "CXI", ".nxs": "NeXus", ".h5": "NeXus", ".hdf5": "NeXus"}


def write(path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False) -> Path:
    """Write a scan in the layout of the suffix: CXI for ``.cxi``; NeXus for ``.nxs``, ``.h5``, ``.hdf5``.

    Parameters
    ----------
    path
        File to write.
    scan
        Frames may be lazy: they are copied block by block.
    overwrite
        Replace an existing file.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        For another suffix, an existing file, or a folder that cannot be written to.
    """
    layout = SUFFIXES.get(Path(path).suffix.lower())
    if layout is None:
        raise InputError(
            f"suffix {Path(path).suffix!r}",
            where=str(path),
            expected=", ".join(SUFFIXES),
            fix="Name the file with one of these suffixes.",
        )
    return (write_cxi if layout == "CXI" else write_nexus)(path, scan, overwrite=overwrite)


def write_cxi(path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False) -> Path:
    """Write a scan as CXI 1.6; parameters and errors as `write`."""
    return _atomically(Path(path), overwrite, lambda file: _fill_cxi(file, scan))


def write_nexus(path: str | os.PathLike[str], scan: Scan, *, overwrite: bool = False) -> Path:
    """Write a scan as NeXus with the names of NXcxi_ptycho; parameters and errors as `write`."""
    return _atomically(Path(path), overwrite, lambda file: _fill_nexus(file, scan))


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


def _atomically(path: Path, overwrite: bool, fill: Callable[[h5py.File], None]) -> Path:
    """Write beside `path` under another name, make sure that it reads, then rename."""
    with replacing(path, force=overwrite) as part:
        with h5py.File(part, "w") as file:
            fill(file)
        with h5py.File(part, "r") as file:
            list(file)
    return path


def _group(parent: h5py.Group, name: str, nx_class: str | None = None) -> h5py.Group:
    group = parent.create_group(name)
    if nx_class:
        group.attrs["NX_class"] = nx_class
    return group


def _put(group: h5py.Group, name: str, value: Any, units: str | None = None) -> None:
    """Write a value with its unit; None is left out."""
    if value is None:
        return
    group[name] = value
    if units:
        group[name].attrs["units"] = units


def _put_frames(group: h5py.Group, scan: Scan) -> None:
    """Copy the frames, one compressed frame a chunk."""
    shape = scan.frames.shape
    data = group.create_dataset(
        "data", shape, scan.frames.dtype, chunks=(1, *shape[1:]), compression="gzip", shuffle=True
    )
    for block in scan.blocks():
        data[block] = scan.frames[block]


def _put_dark(group: h5py.Group, scan: Scan) -> None:
    """Write the dark frames compressed."""
    if scan.dark is not None:
        chunk = (1, *scan.dark.shape[-2:])[-scan.dark.ndim :]
        group.create_dataset("data_dark", data=scan.dark, chunks=chunk, compression="gzip", shuffle=True)


def _translation(scan: Scan) -> NDArray[np.float64]:
    """Sample translation ``(J, 3)`` [m], columns x, y, z."""
    y, x = np.asarray(scan.positions_m, dtype=np.float64).T
    return np.stack([x, y, np.zeros_like(x)], axis=1)


def _fill_cxi(file: h5py.File, scan: Scan) -> None:
    """CXI 1.6 with the own fields that our reader knows (docs/file-layouts.md)."""
    file["cxi_version"] = CXI_VERSION
    file["number_of_entries"] = 1
    entry = _group(file, "entry_1")
    _put(entry, "title", scan.title or None)
    instrument = _group(entry, "instrument_1")
    _put(_group(instrument, "source_1"), "energy", scan.geometry.energy_ev * JOULE_PER_EV, "J")
    detector = _group(instrument, "detector_1")
    _put_frames(detector, scan)
    detector["data"].attrs["axes"] = "translation:y:x"
    axes = pixel_axes(scan.orientation, scan.geometry.pixel_size_m)
    lengths = np.linalg.norm(axes, axis=1)
    _put(detector, "distance", scan.geometry.distance_m, "m")
    _put(detector, "y_pixel_size", lengths[0], "m")
    _put(detector, "x_pixel_size", lengths[1], "m")
    _put(detector, "basis_vectors", axes, "m")
    if scan.mask is not None:
        detector["mask"] = np.where(scan.mask, 0, CXI_BAD_PIXEL).astype(np.uint32)
    _put_dark(detector, scan)
    _put(detector, "counts_per_photon", scan.counts_per_photon)
    _put(detector, "saturation_value", scan.saturation)
    _put(detector, "beam_center_px_slow_fast", scan.beam_centre_px)
    _put(detector, "count_time", scan.exposure_s, "s")
    _put(detector, "monitor", scan.monitor)
    if scan.zone_plate is not None:
        optics = _group(instrument, "optics_1")
        _put(optics, "diameter", scan.zone_plate.diameter_m, "m")
        _put(optics, "outer_zone", scan.zone_plate.outer_zone_m, "m")
        _put(optics, "stop_fraction", scan.zone_plate.stop_fraction)
        _put(optics, "nominal_defocus", scan.zone_plate.defocus_m, "m")
    geometry = _group(_group(entry, "sample_1"), "geometry_1")
    _put(geometry, "translation", _translation(scan), "m")
    data = _group(entry, "data_1")
    detector["translation"] = h5py.SoftLink(geometry.name + "/translation")
    data["data"] = h5py.SoftLink(detector.name + "/data")
    data["translation"] = h5py.SoftLink(geometry.name + "/translation")


def _fill_nexus(file: h5py.File, scan: Scan) -> None:
    """NXcxi_ptycho: readable as NeXus and as CXI, plotted by NeXus viewers."""
    file.attrs.update(NX_class="NXroot", default="entry_1", creator="halfbit")
    file["cxi_version"] = CXI_VERSION
    entry = _group(file, "entry_1", "NXentry")
    entry.attrs["default"] = "data"
    _put(entry, "definition", "NXcxi_ptycho")
    _put(entry, "title", scan.title or None)
    instrument = _group(entry, "instrument_1", "NXinstrument")
    _put(_group(instrument, "source_1", "NXsource"), "probe", "x-ray")
    beam = _group(instrument, "beam_1", "NXbeam")
    for name in ("energy", "incident_beam_energy", "incident_energy"):
        _put(beam, name, scan.geometry.energy_ev, "eV")
    detector = _group(instrument, "detector_1", "NXdetector")
    _put_frames(detector, scan)
    detector["data"].attrs["interpretation"] = "image"
    _nexus_detector(detector, scan)
    if scan.zone_plate is not None:
        plate, zone = _group(instrument, "zone_plate", "NXfresnel_zone_plate"), scan.zone_plate
        _put(plate, "outer_diameter", zone.diameter_m, "m")
        _put(plate, "outermost_zone_width", zone.outer_zone_m, "m")
        _put(plate, "central_stop_diameter", zone.stop_fraction * zone.diameter_m, "m")
        _put(plate, "defocus", zone.defocus_m, "m")
    if scan.monitor is not None:
        _put(_group(entry, "control", "NXmonitor"), "data", scan.monitor)
    _nexus_sample(entry, detector, scan)


def _nexus_detector(detector: h5py.Group, scan: Scan) -> None:
    """Fields of the detector besides the frames."""
    axes = pixel_axes(scan.orientation, scan.geometry.pixel_size_m)
    lengths = np.linalg.norm(axes, axis=1)
    _put(detector, "distance", scan.geometry.distance_m, "m")
    _put(detector, "y_pixel_size", lengths[0], "m")
    _put(detector, "x_pixel_size", lengths[1], "m")
    if scan.beam_centre_px is not None:
        _put(detector, "beam_center_y", scan.beam_centre_px[0], "pixel")
        _put(detector, "beam_center_x", scan.beam_centre_px[1], "pixel")
    if scan.mask is not None:
        detector["pixel_mask"] = np.where(scan.mask, 0, NEXUS_BAD_PIXEL).astype(np.uint32)
    _put_dark(detector, scan)
    _put(detector, "counts_per_photon", scan.counts_per_photon)
    _put(detector, "saturation_value", scan.saturation)
    _put(detector, "count_time", scan.exposure_s, "s")
    _group(detector, "transformations", "NXtransformations").attrs["vector"] = [0.0, 0.0, 1.0]
    module = _group(detector, "module_1", "NXdetector_module")
    for name, length, axis in zip(("slow_pixel_direction", "fast_pixel_direction"), lengths, axes, strict=True):
        _put(module, name, length, "m")
        module[name].attrs.update(vector=axis / length, transformation_type="translation", depends_on=".")


def _nexus_sample(entry: h5py.Group, detector: h5py.Group, scan: Scan) -> None:
    """Positions under the sample, and the NXdata and CXI groups that link them with the frames."""
    sample = _group(entry, "sample_1", "NXsample")
    sample.attrs["depends_on"] = "transformations/x"
    axes = _group(sample, "transformations", "NXtransformations")
    translation = _translation(scan)
    for column, (name, vector, after) in enumerate((("x", [1.0, 0, 0], "y"), ("y", [0, 1.0, 0], "."))):
        _put(axes, name, translation[:, column], "m")
        axes[name].attrs.update(vector=vector, transformation_type="translation", depends_on=after)
    _put(_group(sample, "geometry_1", "NXcollection"), "translation", translation, "m")
    translation_path = f"{sample.name}/geometry_1/translation"
    detector["translation"] = h5py.SoftLink(translation_path)
    data = _group(entry, "data", "NXdata")
    data.attrs.update(signal="data", axes=["x", ".", "."], x_indices=0, y_indices=0)
    data["data"] = h5py.SoftLink(f"{detector.name}/data")
    data["x"], data["y"] = h5py.SoftLink(f"{axes.name}/x"), h5py.SoftLink(f"{axes.name}/y")
    both = _group(entry, "data_1", "NXcollection")
    both["data"] = h5py.SoftLink(f"{detector.name}/data")
    both["translation"] = h5py.SoftLink(translation_path)
