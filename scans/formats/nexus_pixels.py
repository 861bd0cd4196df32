"""What a NeXus detector says of its pixels and counts: masks, darks, flat field, gain, limits, exposures, centre."""

from __future__ import annotations

import re
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.formats.facts import Facts
from scans.formats.flat_use import use_flat
from scans.formats.frame_kinds import separate
from scans.formats.hdf5 import names
from scans.formats.mask_bits import NEXUS_BAD_BITS, bad_pixels, polarity, virtual_pixels
from scans.formats.modules import Mosaic
from scans.formats.nexus_tree import field
from scans.formats.own_fields import prepared_lines
from scans.formats.units import LENGTHS_M, normalise_unit
from scans.formats.values import attribute, read_array, read_text
from scans.formats.writing_parts import FLAT_EACH, READ_NOISE

# Fields of NXdetector; detectorSpecific is a group of the maker's own names.
CENTRE_X, CENTRE_Y = "beam_center_x", "beam_center_y"
MASKS = r"pixel_mask(_\d+)?"
MASK_ELSEWHERE = "detectorSpecific/pixel_mask"
LIMITS = ("saturation_value", "detectorSpecific/saturation_value", "detectorSpecific/countrate_correction_count_cutoff")
BIT_DEPTH, UNDERLOAD = "bit_depth_image", "underload_value"
EXPOSURES = (("count_time", ""), ("frame_time", "no count_time: the time of a frame, read-out and all"))
IMAGE_KEY = "image_key"
FLATS = ("flatfield", "detectorSpecific/flatfield")
FLAT_APPLIED = (
    *("flatfield_applied", "flatfield_correction_applied"),
    *("detectorSpecific/flatfield_applied", "detectorSpecific/flatfield_correction_applied"),
)
VIRTUAL_APPLIED = (
    "virtual_pixel_interpolation_applied",
    "virtual_pixel_correction_applied",
    "detectorSpecific/virtual_pixel_correction_applied",
)
RATE_APPLIED = ("countrate_correction_applied", "detectorSpecific/countrate_correction_applied")
# Not of NeXus: the CXI name, and our own.
DARK, DARK_EXPOSURES = "data_dark", "data_dark_count_time"
COUNTS_PER_PHOTON, INDEX = "counts_per_photon", "index_in_file"
USED = {
    *(CENTRE_X, CENTRE_Y, LIMITS[0], BIT_DEPTH, UNDERLOAD, *(name for name, _ in EXPOSURES), IMAGE_KEY),
    *(FLATS[0], *FLAT_APPLIED[:2], *VIRTUAL_APPLIED[:2], RATE_APPLIED[0], "pixel_mask", "pixel_mask_applied"),
    *(DARK, DARK_EXPOSURES, COUNTS_PER_PHOTON, INDEX, FLAT_EACH, READ_NOISE, "detectorSpecific"),
}


def read_pixels(facts: Facts, detector: h5py.Group, mosaic: Mosaic | None) -> None:
    """Read everything that goes with pixels and exposures.

    Parameters
    ----------
    facts
        Gets the values.
    detector
        The group.
    mosaic
        How its modules were put together; None where the frames are as stored.
    """
    _read_masks(facts, detector, mosaic)
    _read_exposures(facts, detector)
    dark = field(facts.file, detector, DARK)
    if dark is not None:
        times = field(facts.file, detector, DARK_EXPOSURES)
        exposures = None if times is None else facts.values(times).reshape(-1)
        facts.set_dark(_shaped(facts, dark, mosaic), exposures, where=dark)
    key = field(facts.file, detector, IMAGE_KEY)
    _read_flat(facts, detector, mosaic)
    if key is not None:
        separate(facts, key)
    gain = facts.number(field(facts.file, detector, COUNTS_PER_PHOTON))
    if gain is not None and np.isfinite(gain) and gain > 0:
        facts.counts_per_photon = gain
        facts.note("counts_per_photon", gain, f"{facts.file.where(detector)}/{COUNTS_PER_PHOTON}", "not a NeXus field")
    _read_limits(facts, detector)
    if mosaic is None:
        _read_centre(facts, detector)
    elif CENTRE_X in detector:
        facts.note("beam centre", "unknown", detector, "given for the image before its modules were moved", guess=True)


def _shaped(facts: Facts, dataset: h5py.Dataset, mosaic: Mosaic | None) -> NDArray[Any]:
    """Read images ``(..., h, w)``, their modules put together as in the frames."""
    values = read_array(facts.file, dataset)
    if mosaic is None or values.ndim < 2:
        return values
    return mosaic.assemble(values[..., None, :, :])


def _flag(facts: Facts, detector: h5py.Group, paths: tuple[str, ...]) -> h5py.Dataset | None:
    """First of several yes-or-no fields that says yes."""
    for path in paths:
        dataset = field(facts.file, detector, path)
        if dataset is None:
            continue
        text = read_text(dataset).lower()
        if text in ("true", "yes", "1") or (not text and dataset.size and np.any(read_array(facts.file, dataset))):
            return dataset
    return None


def _read_masks(facts: Facts, detector: h5py.Group, mosaic: Mosaic | None) -> None:
    """Join all masks; interpolated pixels are good, but said."""
    good = polarity(facts.overrides)
    found = [n for n in names(detector) if re.fullmatch(MASKS, n)] or [MASK_ELSEWHERE]
    for mask in (field(facts.file, detector, name) for name in found):
        if mask is None:
            continue
        bits = _shaped(facts, mask, mosaic)
        why = f"bits {NEXUS_BAD_BITS:#x} are bad (NXdetector)" if good != "one" else "0 is bad, as the user said"
        sure = bool(prepared_lines(facts.file, facts.entry))  # its frames may be mostly padding
        facts.set_mask(bad_pixels(bits, NEXUS_BAD_BITS, good), mask, why, sure=sure)
        if virtual_pixels(bits):
            facts.note("virtual pixels", virtual_pixels(bits), mask, "interpolated (bit 31): used, yet not Poisson")
    flag = _flag(facts, detector, VIRTUAL_APPLIED)
    if flag is not None:
        facts.note("virtual pixels", "interpolated", flag, "counts between modules are interpolated, not Poisson")
    rate = _flag(facts, detector, RATE_APPLIED)
    if rate is not None:
        facts.note("count rate", "corrected by the detector", rate, "bright pixels are noisier than Poisson")


def _read_exposures(facts: Facts, detector: h5py.Group) -> None:
    """Exposure, one or one a frame."""
    for name, why in EXPOSURES:
        dataset = field(facts.file, detector, name)
        if dataset is not None and facts.exposure_s is None and facts.exposures_s is None:
            facts.set_exposures(dataset, why=why)


def _read_flat(facts: Facts, detector: h5py.Group, mosaic: Mosaic | None) -> None:
    """Flat field of the detector, unless its modules were moved."""
    for path in FLATS:
        flat = field(facts.file, detector, path)
        if flat is None:
            continue
        if mosaic is not None:
            facts.note("flat field", "not applied", flat, "its modules would have to be moved", guess=True)
        else:
            use_flat(facts, flat, _flag(facts, detector, FLAT_APPLIED) is not None)
        return


def _read_limits(facts: Facts, detector: h5py.Group) -> None:
    """Smallest of the limits above which counts are not to be trusted; 0 stands for unset."""
    found: list[tuple[float, h5py.Dataset, str]] = []
    for path in LIMITS:
        dataset = field(facts.file, detector, path)
        limit = facts.number(dataset)
        if dataset is not None and limit is not None and limit > 0:
            found.append((limit, dataset, ""))
    depth = field(facts.file, detector, BIT_DEPTH)
    bits = facts.number(depth)
    if depth is not None and bits is not None and facts.frames is not None and bits >= 1:
        dtype = np.dtype(facts.frames.dtype)
        if dtype.kind in "iu" and bits < 8 * dtype.itemsize - (dtype.kind == "i"):
            found.append((2.0 ** int(bits) - 1, depth, f"largest number of {int(bits)} bits"))
    for number, (limit, dataset, why) in enumerate(sorted(found, key=lambda item: item[0])):
        if number == 0:
            facts.saturation = limit
        facts.note("saturation", limit, dataset, why if number == 0 else "not used: another limit is lower")
    low = field(facts.file, detector, UNDERLOAD)
    least = facts.number(low)
    if low is not None and least is not None and least > 0:
        why = "counts below this are not to be trusted: not left out"
        facts.note("underload", least, low, why, guess=True)


def _read_centre(facts: Facts, detector: h5py.Group) -> None:
    """Direct beam, in pixels or as a length, column first by name."""
    x, y = field(facts.file, detector, CENTRE_X), field(facts.file, detector, CENTRE_Y)
    if x is None or y is None:
        return
    point, units = [], []
    for axis, dataset in enumerate((y, x)):
        value, unit = facts.number(dataset), normalise_unit(attribute(dataset, "units") or "pixel")
        if value is None or (unit != "pixel" and (unit not in LENGTHS_M or facts.pixel_stored_m is None)):
            facts.note("beam centre", "unknown", dataset, f"{value} {unit} cannot be used", guess=True)
            return
        pixel = facts.pixel_stored_m[axis] if facts.pixel_stored_m else 1.0
        point.append(value if unit == "pixel" else value * LENGTHS_M[unit] / pixel)
        units.append(unit)
    facts.set_centre((point[0], point[1]), y, f"(row, column) as stored, from {CENTRE_Y}, {CENTRE_X} in {units[0]}")
