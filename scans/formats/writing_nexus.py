"""A scan as NeXus: NXcxi_ptycho (contributed definition), readable as NeXus and as CXI, plotted by NeXus viewers.

What the definition requires and a `Scan` does not know (machine energy, energy spread, name and type of the
source) is written as not-a-number or "unknown", so that nothing in the file is invented.
"""

from __future__ import annotations

import math

import h5py
import numpy as np

from scans.formats.writing_parts import (
    CXI_VERSION,
    Progress,
    pixel_axes,
    program_version,
    put,
    put_counts,
    put_frames,
    put_mask,
    put_process,
    put_stage,
    put_translation,
    subgroup,
    translation_of,
)
from scans.scan import Scan

NEXUS_BAD_PIXEL = 0x100  # NXdetector pixel_mask bit 8: masked by the user
UNKNOWN = "unknown"


def fill_nexus(file: h5py.File, scan: Scan, progress: Progress | None) -> None:
    """Fill an open file; `progress` is told frames done and in all."""
    file.attrs.update(NX_class="NXroot", default="entry_1", creator="halfbit", creator_version=program_version())
    file["cxi_version"] = CXI_VERSION
    entry = subgroup(file, "entry_1", "NXentry")
    entry.attrs["default"] = "data"
    put(entry, "definition", "NXcxi_ptycho")
    put(entry, "title", scan.title or None)
    put_process(entry, scan)
    instrument = subgroup(entry, "instrument_1", "NXinstrument")
    _source_and_beam(instrument, scan)
    detector = subgroup(instrument, "detector_1", "NXdetector")
    detector.attrs.update(signal="data", axes="[, data]")  # the definition's own words
    put_frames(detector, scan, progress)
    detector["data"].attrs["interpretation"] = "image"
    detector["data_1"] = h5py.SoftLink(f"{detector.name}/data")
    _detector(detector, scan)
    _zone_plate(instrument, scan)
    if scan.monitor is not None:
        put(subgroup(entry, "control", "NXmonitor"), "data", scan.monitor)
    _sample(entry, detector, scan)


def _source_and_beam(instrument: h5py.Group, scan: Scan) -> None:
    """Source (the machine, of which nothing is known) and beam (the photons)."""
    source = subgroup(instrument, "source_1", "NXsource")
    put(source, "name", UNKNOWN)
    put(source, "energy", math.nan, "GeV")
    put(source, "probe", "x-ray")
    put(source, "type", UNKNOWN)
    beam = subgroup(instrument, "beam_1", "NXbeam")
    for name in ("energy", "incident_beam_energy", "incident_energy"):
        put(beam, name, float(scan.geometry.energy_ev), "eV")
    put(beam, "incident_energy_spread", math.nan, "eV")


def _detector(detector: h5py.Group, scan: Scan) -> None:
    """Fields of the detector besides the frames."""
    axes = pixel_axes(scan.orientation, scan.geometry.pixel_size_m)
    lengths = np.linalg.norm(axes, axis=1)
    put(detector, "distance", float(scan.geometry.distance_m), "m")
    put(detector, "y_pixel_size", lengths[0], "m")
    put(detector, "x_pixel_size", lengths[1], "m")
    if scan.beam_centre_px is not None:
        put(detector, "beam_center_y", float(scan.beam_centre_px[0]), "pixel")
        put(detector, "beam_center_x", float(scan.beam_centre_px[1]), "pixel")
    put_mask(detector, "pixel_mask", scan, NEXUS_BAD_PIXEL)
    put_counts(detector, scan)
    put(subgroup(detector, "transformations", "NXtransformations"), "vector", [0.0, 0.0, 1.0])
    module = subgroup(detector, "module_1", "NXdetector_module")
    for name, length, axis in zip(("slow_pixel_direction", "fast_pixel_direction"), lengths, axes, strict=True):
        put(module, name, length, "m")
        module[name].attrs.update(vector=axis / length, transformation_type="translation", depends_on=".")


def _zone_plate(instrument: h5py.Group, scan: Scan) -> None:
    """Nominal focusing optic; its defocus is not of NeXus."""
    zone = scan.zone_plate
    if zone is not None:
        plate = subgroup(instrument, "zone_plate", "NXfresnel_zone_plate")
        put(plate, "outer_diameter", zone.diameter_m, "m")
        put(plate, "outermost_zone_width", zone.outer_zone_m, "m")
        put(plate, "central_stop_diameter", zone.stop_fraction * zone.diameter_m, "m")
        put(plate, "defocus", zone.defocus_m, "m")


def _sample(entry: h5py.Group, detector: h5py.Group, scan: Scan) -> None:
    """Positions under the sample, and the NXdata and CXI groups that link them with the frames."""
    sample = subgroup(entry, "sample_1", "NXsample")
    put(sample, "depends_on", "transformations/x")
    axes = subgroup(sample, "transformations", "NXtransformations")
    axes.attrs["vector"] = [1.0, 1.0, 0.0]  # required of the group; each axis has its own
    translation = translation_of(scan)
    for column, (name, vector, after) in enumerate((("x", [1.0, 0, 0], "y"), ("y", [0, 1.0, 0], "."))):
        put(axes, name, translation[:, column], "m")
        axes[name].attrs.update(vector=vector, transformation_type="translation", depends_on=after)
    put_translation(detector, scan)
    geometry = subgroup(sample, "geometry_1", "NXcollection")
    put_stage(geometry, scan)
    geometry["translation"] = h5py.SoftLink(f"{detector.name}/translation")
    data = subgroup(entry, "data", "NXdata")
    data.attrs.update(signal="data", axes=["x", ".", "."], x_indices=0, y_indices=0)
    put(data, "x_indices", "0")  # the definition asks for fields, viewers for attributes
    put(data, "y_indices", "0")
    data["data"] = h5py.SoftLink(f"{detector.name}/data")
    data["x"], data["y"] = h5py.SoftLink(f"{axes.name}/x"), h5py.SoftLink(f"{axes.name}/y")
    both = subgroup(entry, "data_1", "NXcollection")
    both["data"] = h5py.SoftLink(f"{detector.name}/data")
    both["translation"] = h5py.SoftLink(f"{detector.name}/translation")
