"""The detector of a CXI file: distance, pixels, modules, mask, dark and white frames, gain, beam centre."""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.axes import orientation_from_vectors
from scans.formats.facts import Facts
from scans.formats.flat_use import use_flat
from scans.formats.frame_kinds import flat_response
from scans.formats.mask_bits import CXI_BAD_BITS, bad_pixels, polarity
from scans.formats.modules import FIX as MODULES_FIX
from scans.formats.modules import AssembledFrames, Module, Mosaic, make_mosaic
from scans.formats.own_fields import prepared_lines
from scans.formats.values import read_array, text_list
from scans.formats.writing_parts import FLAT_EACH, READ_NOISE
from scans.geometry import JOULE_PER_EV

# Relative to the detector group.
DISTANCE = "distance"
PIXEL_X, PIXEL_Y = "x_pixel_size", "y_pixel_size"
BASIS_VECTORS, CORNER = "basis_vectors", "corner_position"
MASK, DARK, WHITE = "mask", "data_dark", "data_white"
MODULE_AXIS = "module_identifier"
COUNTS_PER_JOULE = "counts_per_joule"
# Own fields of the detector group, beyond the standard.
BEAM_CENTRE = "beam_center_px_slow_fast"
COUNTS_PER_PHOTON = "counts_per_photon"
SATURATION = "saturation_value"
EXPOSURE = ("count_time", "exposure_time")
MONITOR = "monitor"
DARK_EXPOSURES, FLAT, FLAT_APPLIED, INDEX = "data_dark_count_time", "flatfield", "flatfield_applied", "index_in_file"
USED = {
    *("data", "translation", DISTANCE, PIXEL_X, PIXEL_Y, BASIS_VECTORS, CORNER, MASK, DARK, WHITE, COUNTS_PER_JOULE),
    *(BEAM_CENTRE, COUNTS_PER_PHOTON, SATURATION, *EXPOSURE, MONITOR, DARK_EXPOSURES, FLAT, FLAT_APPLIED, INDEX),
    *(MODULE_AXIS, FLAT_EACH, READ_NOISE),
}


def read_geometry(facts: Facts, detector: h5py.Group) -> Mosaic | None:
    """Distance, pixel sizes and orientation; modules are put together."""
    file = facts.file
    facts.distance_m = facts.quantity("distance_m", file.dataset(detector, DISTANCE), "length", "m")
    y = facts.quantity("pixel_size_m", file.dataset(detector, PIXEL_Y), "length", "m")
    x = facts.quantity("pixel_size_m", file.dataset(detector, PIXEL_X), "length", "m")
    sizes = (y or x, x or y)
    facts.pixel_stored_m = None if sizes[0] is None or sizes[1] is None else (sizes[0], sizes[1])
    vectors = file.dataset(detector, BASIS_VECTORS)
    if vectors is None:
        return None
    axes = np.asarray(read_array(file, vectors), dtype=np.float64)
    try:
        mosaic = _put_together(facts, detector, axes)
    except InputError as problem:
        facts.refuse(problem, "frames")
        return None
    if mosaic is not None:
        axes = mosaic.axes_m
    orientation_from_vectors(facts, axes, vectors)
    return mosaic


def _put_together(facts: Facts, detector: h5py.Group, axes: NDArray[np.float64]) -> Mosaic | None:
    """Make frames of the modules of a detector (axes of the data ``module_identifier:y:x``)."""
    file, data, corner = facts.file, facts.file.dataset(detector, "data"), facts.file.dataset(detector, CORNER)
    if data is None or facts.frames is None or len(data.shape) < 3:
        return None
    n = int(data.shape[-3])
    each = axes.shape == (n, 2, 3)
    if not each and MODULE_AXIS not in text_list(data, "axes"):
        return None
    places = np.zeros(0) if corner is None else np.asarray(read_array(file, corner), dtype=np.float64)
    if places.shape != (n, 3) or not (each or axes.shape == (2, 3)):
        found = f"{n} modules, {CORNER} of shape {places.shape} and {BASIS_VECTORS} of shape {axes.shape}"
        expected = f"({n}, 3) and ({n}, 2, 3), or (2, 3) for all"
        raise InputError(found, where=file.where(detector), expected=expected, fix=MODULES_FIX)
    steps = axes if each else np.broadcast_to(axes, (n, 2, 3))
    size = (0, int(data.shape[-2])), (0, int(data.shape[-1]))
    modules = [Module(k, *size, places[k], steps[k]) for k in range(n)]
    mosaic = make_mosaic(modules, n, where=file.where(detector), distance_m=facts.distance_m)
    facts.frames = facts.all_frames = AssembledFrames(facts.frames, mosaic)
    facts.unwritten = [(a // n, -(-b // n)) for a, b in facts.unwritten]
    facts.mask = ~mosaic.gaps
    text = f"{n} modules within {mosaic.worst_px:.2g} pixel of one grid"
    shape, gaps = f"{mosaic.shape[0]} x {mosaic.shape[1]}", int(mosaic.gaps.sum())
    facts.note("modules", f"put together to frames of {shape}", detector, f"{text}; {gaps} pixels between are masked")
    return mosaic


def _images(facts: Facts, dataset: h5py.Dataset, mosaic: Mosaic | None) -> NDArray[Any]:
    """Read images ``(..., h, w)``, or of modules ``(..., M, h, w)`` put together as the frames are."""
    values = read_array(facts.file, dataset)
    together = mosaic is not None and values.ndim >= 3 and values.shape[-3] == mosaic.n_images
    return mosaic.assemble(values) if mosaic is not None and together else values


def read_pixels(facts: Facts, detector: h5py.Group, mosaic: Mosaic | None) -> None:
    """Mask, dark and white frames, gain, saturation, exposures, monitor and beam centre."""
    file = facts.file
    mask = file.dataset(detector, MASK)
    if mask is not None:
        good = polarity(facts.overrides)
        why = f"bits {CXI_BAD_BITS:#x} are bad (CXI 1.6)" if good != "one" else "0 is bad, as the user said"
        sure = bool(prepared_lines(file, facts.entry))  # its frames may be mostly padding
        facts.set_mask(bad_pixels(_images(facts, mask, mosaic), CXI_BAD_BITS, good), mask, why, sure=sure)
    exposure = next((d for d in (file.dataset(detector, name) for name in EXPOSURE) if d is not None), None)
    if exposure is not None:
        facts.set_exposures(exposure, "s")
    dark = file.dataset(detector, DARK)
    if dark is not None:
        times = file.dataset(detector, DARK_EXPOSURES)
        exposures = None if times is None else facts.values(times).reshape(-1)
        facts.set_dark(_images(facts, dark, mosaic), exposures, where=dark)
    _read_flat(facts, detector, mosaic)
    _read_gain(facts, detector)
    facts.set_saturation(file.dataset(detector, SATURATION), "own field, not of the standard")
    monitor = file.dataset(detector, MONITOR)
    if monitor is not None:
        facts.set_monitor(monitor)
    _read_centre(facts, detector, mosaic)


def _read_flat(facts: Facts, detector: h5py.Group, mosaic: Mosaic | None) -> None:
    """Flat field: frames of a white field (CXI: the response, once the dark is off), or an own field."""
    white, own = facts.file.dataset(detector, WHITE), facts.file.dataset(detector, FLAT)
    if own is not None:
        applied = facts.number(facts.file.dataset(detector, FLAT_APPLIED))
        use_flat(facts, own, bool(applied))
    elif white is not None:
        images = _images(facts, white, mosaic)
        fits = images.ndim in (2, 3) and facts.frames is not None and images.shape[-2:] == facts.frames.shape[1:]
        field = flat_response(images, facts.dark) if fits else None
        if field is not None:
            facts.set_flat(field.response, white, f"{field.why} (CXI 1.6, {WHITE})", measured=True)
        elif fits:
            text = "most pixels differ by more than a factor of 3: no even illumination"
            facts.note("flat field", "not applied", white, text, guess=True)
        else:
            facts.note("flat field", "not applied", white, f"shape {images.shape} is not the frames'", guess=True)


def _read_gain(facts: Facts, detector: h5py.Group) -> None:
    """Read counts per photon: the own field, or the standard's counts per joule times the photon energy."""
    file = facts.file
    own, standard = file.dataset(detector, COUNTS_PER_PHOTON), file.dataset(detector, COUNTS_PER_JOULE)
    energy_ev = facts.overrides.energy_ev or facts.energy_ev
    if own is not None:
        value, where, why = facts.number(own), own, "own field, not of the standard"
    elif standard is not None and energy_ev:
        per_joule = facts.number(standard)
        value = None if per_joule is None else per_joule * energy_ev * JOULE_PER_EV
        where, why = standard, "counts per joule x photon energy"
    else:
        return
    if value is not None and np.isfinite(value) and value > 0:
        facts.counts_per_photon = value
        facts.note("counts_per_photon", value, where, why)


def _read_centre(facts: Facts, detector: h5py.Group, mosaic: Mosaic | None) -> None:
    """Direct beam: the own field, or where the detector's corner and axes put the optical axis."""
    own = facts.file.dataset(detector, BEAM_CENTRE)
    if own is not None:
        point = np.asarray(read_array(facts.file, own), dtype=np.float64).reshape(-1)
        if point.size == 2:
            facts.set_centre((float(point[0]), float(point[1])), own, "own field, (row, column) as stored")
        return
    corner, vectors = facts.file.dataset(detector, CORNER), facts.file.dataset(detector, BASIS_VECTORS)
    if corner is None or vectors is None:
        return
    start = np.asarray(read_array(facts.file, corner), dtype=np.float64).reshape(-1)
    axes = np.asarray(read_array(facts.file, vectors), dtype=np.float64)
    if mosaic is not None:
        start, axes = mosaic.corner_m, mosaic.axes_m
    if start.size == 3 and axes.shape == (2, 3) and abs(np.linalg.det(axes[:, :2])) > 0 and start[:2].any():
        # corner + (row + 1/2) slow + (column + 1/2) fast lies on the axis x = y = 0
        row, column = np.linalg.solve(axes[:, :2].T, -start[:2]) - 0.5
        facts.set_centre((float(row), float(column)), corner, "from corner_position and basis_vectors")
