"""Reader for the CXI layout (CXI 1.6: groups found by name, SI units unless an attribute says otherwise)."""

from __future__ import annotations

import re
from typing import Any

import h5py
import numpy as np

from scans.errors import InputError
from scans.formats.assemble import assemble
from scans.formats.axes import orientation_from_vectors
from scans.formats.facts import Facts
from scans.formats.hdf5 import BrokenLink, InputFile, identity, named_frames, names
from scans.formats.overrides import Overrides
from scans.formats.values import attribute, read_array, read_text
from scans.geometry import ENERGY_RANGE_EV, JOULE_PER_EV, PLANCK_TIMES_C_EV_M
from scans.scan import Scan

LAYOUT = "CXI"

# Relative to the entry; N counts from 1. The first that exists is used.
ENERGY = (
    "instrument_1/source_1/energy",
    "instrument_1/beam_1/incident_energy",
    "instrument_1/monochromator_1/energy",
)
WAVELENGTH = ("instrument_1/beam_1/incident_wavelength",)
ZONE_PLATE = "instrument_1/optics_1"  # not of the standard: a beamline's own group
# Relative to the detector group.
DISTANCE = "distance"
PIXEL_X, PIXEL_Y = "x_pixel_size", "y_pixel_size"
BASIS_VECTORS, CORNER = "basis_vectors", "corner_position"
MASK, DARK = "mask", "data_dark"
COUNTS_PER_JOULE = "counts_per_joule"
# Own fields of the detector group, beyond the standard.
BEAM_CENTRE = "beam_center_px_slow_fast"
COUNTS_PER_PHOTON = "counts_per_photon"
SATURATION = "saturation_value"
EXPOSURE = ("count_time", "exposure_time")
MONITOR = "monitor"
USED = {
    *("data", "translation", DISTANCE, PIXEL_X, PIXEL_Y, BASIS_VECTORS, CORNER, MASK, DARK, COUNTS_PER_JOULE),
    *(BEAM_CENTRE, COUNTS_PER_PHOTON, SATURATION, *EXPOSURE, MONITOR),
}
# CXI 1.6, mask bits: invalid, saturated, hot, dead, shadowed, bad, gap, noisy. "Has signal" (12) is no fault.
BAD_PIXEL_BITS = 0x69F
# Above this, a number without unit in an energy field is no photon energy in joule (6e8 eV).
LARGEST_PHOTON_J = 1e-10

LOOKED_AT = {
    "frames": "data_N/data or instrument_N/detector_N/data",
    "positions": "translation (N, 3) beside the frames or in sample_N/geometry_N",
    "energy_ev": ENERGY[0],
    "distance_m": f"instrument_1/detector_1/{DISTANCE}",
    "pixel_size_m": f"instrument_1/detector_1/{PIXEL_X} and {PIXEL_Y}",
}


def recognises(file: InputFile) -> int:
    """Score: 2 for a file that says so, 1 for entries of the CXI names, 0 otherwise."""
    entries = entries_of(file)
    if "cxi_version" in file.root and entries:
        return 2
    return 1 if entries else 0


def entries_of(file: InputFile) -> list[str]:
    """Paths of the groups named ``entry_N``, in numeric order."""
    return [f"/{name}" for name in _numbered(file.root, "entry")]


def may_hold_frames(file: InputFile, entry: str) -> bool:
    """Tell whether an entry has data or a detector."""
    group = file.group(file.root, entry)
    return group is not None and bool(_candidates(file, group)[0] or _candidates(file, group)[1])


def read(file: InputFile, entry: str, overrides: Overrides, frames_path: str | None = None) -> Scan:
    """Read one scan.

    Parameters
    ----------
    file
        Open file.
    entry
        Path of the ``entry_N`` group.
    overrides
        Values that replace the file's.
    frames_path
        Dataset of the frames, or group that holds it, where the user named one.

    Raises
    ------
    InputError
        When anything is missing, implausible, or does not fit together.
    """
    facts = Facts(file, LAYOUT, entry, overrides)
    group = file.group(file.root, entry)
    if group is None:
        raise InputError("no such entry", where=file.where(entry), expected="a group", fix="Check the name after '::'.")
    facts.title = read_text(file.dataset(group, "title")) or read_text(file.dataset(group, "experiment_identifier"))
    detector = _read_frames(facts, group, frames_path)
    _read_energy(facts, group)
    if detector is not None:
        _read_geometry(facts, detector)
        _read_pixels(facts, detector)
        facts.note_unused(detector, USED)
    _read_positions(facts, group, detector, frames_path)
    _read_zone_plate(facts, group)
    return assemble(facts, LOOKED_AT)


def _numbered(group: h5py.Group | None, word: str) -> list[str]:
    """Names ``word_N`` in a group, by N."""
    found = [(int(m[1]), name) for name in names(group) if (m := re.fullmatch(rf"{word}_(\d+)", name))]
    return [name for _, name in sorted(found)]


def _candidates(file: InputFile, group: h5py.Group) -> tuple[dict[str, h5py.Dataset], list[BrokenLink]]:
    """Datasets that may hold frames, by path in the entry (each dataset once), and links without a target."""
    found: dict[str, h5py.Dataset] = {}
    broken: list[BrokenLink] = []
    seen = set()
    paths = [f"{name}/data" for name in _numbered(group, "data")]
    for instrument in _numbered(group, "instrument"):
        detectors = _numbered(file.group(group, instrument), "detector")
        paths += [f"{instrument}/{name}/data" for name in detectors]
    for path in paths:
        try:
            dataset = file.dataset(group, path)
        except BrokenLink as problem:
            broken.append(problem)
            continue
        if dataset is not None and identity(dataset) not in seen:
            seen.add(identity(dataset))
            found[path] = dataset
    return found, broken


def _read_frames(facts: Facts, group: h5py.Group, wanted: str | None) -> h5py.Group | None:
    """Choose and check the frames; returns their detector group."""
    file = facts.file
    if wanted is not None:
        path, dataset = named_frames(file, wanted)
        facts.set_frames([dataset], path)
        return _detector_of(file, group, dataset)
    candidates, broken = _candidates(file, group)
    stacks = {p: d for p, d in candidates.items() if d.shape is not None and len(d.shape) >= 3} or candidates
    first = next(iter(stacks.values()), None)
    if len(stacks) > 1:
        facts.refuse(_several(facts, stacks), "frames")
    elif first is not None:
        facts.set_frames([first], f"{facts.entry}/{next(iter(stacks))}")
    elif broken:
        facts.refuse(broken[0], "frames")
    return _detector_of(file, group, first)


def _several(facts: Facts, stacks: dict[str, h5py.Dataset]) -> InputError:
    """Ask which of several stacks is meant."""
    listing = ", ".join(f"{facts.entry}/{path} {tuple(d.shape)}" for path, d in stacks.items())
    return InputError(
        f"{len(stacks)} datasets may hold frames: {listing}",
        where=facts.file.where(facts.entry),
        expected="one",
        fix=f"Name one, such as {facts.file.path}::{facts.entry}/{next(iter(stacks))}",
    )


def _detector_of(file: InputFile, group: h5py.Group, dataset: h5py.Dataset | None) -> h5py.Group | None:
    """Detector group of a dataset of frames: the one that holds it, otherwise the only one."""
    groups: list[h5py.Group] = []
    for instrument in _numbered(group, "instrument"):
        for name in _numbered(file.group(group, instrument), "detector"):
            detector = file.group(group, f"{instrument}/{name}")
            if detector is None:
                continue
            groups.append(detector)
            own = file.dataset(detector, "data")
            if own is not None and dataset is not None and identity(own) == identity(dataset):
                return detector
    return groups[0] if len(groups) == 1 else None


def _first(file: InputFile, group: h5py.Group, paths: tuple[str, ...]) -> h5py.Dataset | None:
    """First dataset that exists."""
    return next((d for d in (file.dataset(group, path) for path in paths) if d is not None), None)


def _read_energy(facts: Facts, group: h5py.Group) -> None:
    """Photon energy: joule by the standard, unless a unit or the number itself says otherwise."""
    if facts.given("energy_ev"):
        return
    dataset = _first(facts.file, group, ENERGY)
    if dataset is None:
        length = facts.quantity("wavelength", _first(facts.file, group, WAVELENGTH), "length", "m")
        facts.energy_ev = PLANCK_TIMES_C_EV_M / length if length else None
        return
    raw = facts.number(dataset)
    no_joule = raw is not None and attribute(dataset, "units") is None and raw > LARGEST_PHOTON_J
    if no_joule and raw is not None and ENERGY_RANGE_EV[0] <= raw <= ENERGY_RANGE_EV[1]:
        facts.energy_ev = raw
        why = f"no unit, and {raw:g} J = {raw / JOULE_PER_EV:.3g} eV is no photon energy: taken as eV"
        facts.note("energy_ev", raw, dataset, why, guess=True)
        return
    facts.energy_ev = facts.quantity("energy_ev", dataset, "energy", "J")


def _read_geometry(facts: Facts, detector: h5py.Group) -> None:
    """Distance, pixel sizes and orientation."""
    file = facts.file
    facts.distance_m = facts.quantity("distance_m", file.dataset(detector, DISTANCE), "length", "m")
    y = facts.quantity("pixel_size_m", file.dataset(detector, PIXEL_Y), "length", "m")
    x = facts.quantity("pixel_size_m", file.dataset(detector, PIXEL_X), "length", "m")
    sizes = (y or x, x or y)
    facts.pixel_stored_m = None if sizes[0] is None or sizes[1] is None else (sizes[0], sizes[1])
    vectors = file.dataset(detector, BASIS_VECTORS)
    if vectors is None:
        return
    orientation_from_vectors(facts, np.asarray(read_array(file, vectors), dtype=np.float64), vectors)


def _read_pixels(facts: Facts, detector: h5py.Group) -> None:
    """Mask, dark frames, gain, saturation and beam centre."""
    file = facts.file
    mask = file.dataset(detector, MASK)
    if mask is not None:
        bits = read_array(file, mask)
        bad = bits.astype(bool) if bits.dtype.kind == "b" else (bits.astype(np.int64) & BAD_PIXEL_BITS) != 0
        facts.set_mask(bad, mask, f"bits {BAD_PIXEL_BITS:#x} are bad (CXI 1.6)")
    dark = file.dataset(detector, DARK)
    if dark is not None:
        facts.set_dark(dark)
    _read_gain(facts, detector)
    limit = facts.number(file.dataset(detector, SATURATION))
    if limit is not None and limit > 0:
        facts.saturation = limit
        facts.note("saturation", limit, f"{file.where(detector)}/{SATURATION}", "own field, not of the standard")
    facts.exposure_s = facts.quantity("exposure_s", _first(file, detector, EXPOSURE), "time", "s")
    monitor = file.dataset(detector, MONITOR)
    if monitor is not None:
        facts.set_monitor(monitor)
    _read_centre(facts, detector)


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


def _read_centre(facts: Facts, detector: h5py.Group) -> None:
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
    if start.size == 3 and axes.shape == (2, 3) and abs(np.linalg.det(axes[:, :2])) > 0 and start[:2].any():
        # corner + (row + 1/2) slow + (column + 1/2) fast lies on the axis x = y = 0
        row, column = np.linalg.solve(axes[:, :2].T, -start[:2]) - 0.5
        facts.set_centre((float(row), float(column)), corner, "from corner_position and basis_vectors")


def _read_positions(facts: Facts, group: h5py.Group, detector: h5py.Group | None, wanted: str | None) -> None:
    """Read the sample's translation (N, 3), columns x, y, z: the patch moves by +y rows and +x columns."""
    file = facts.file
    places: list[tuple[h5py.Group | None, str]] = []
    if wanted is not None:
        node = file.follow(file.root, wanted)
        places.append((node.parent if isinstance(node, h5py.Dataset) else node, "translation"))
    places.append((detector, "translation"))
    places += [(group, f"{name}/translation") for name in _numbered(group, "data")]
    for sample in _numbered(group, "sample"):
        geometries = _numbered(file.group(group, sample), "geometry")
        places += [(group, f"{sample}/{name}/translation") for name in geometries]
    dataset: h5py.Dataset | None = None
    try:
        dataset = next((d for d in (file.dataset(start, path) for start, path in places) if d is not None), None)
    except BrokenLink as problem:
        facts.refuse(problem, "positions")
    if dataset is None:
        return
    values = np.asarray(read_array(file, dataset), dtype=np.float64)
    if values.ndim != 2 or values.shape[1] != 3:
        shape = InputError(
            f"shape {values.shape}",
            where=file.where(dataset),
            expected="(frames, 3) with columns x, y, z",
            fix="Correct the translation in a copy of the file.",
        )
        facts.refuse(shape, "positions")
        return
    facts.set_positions(
        file.where(dataset),
        np.ascontiguousarray(values[:, 1::-1]),
        attribute(dataset, "units") or "m",
        names=("y", "x"),
        directions=np.eye(2),
        why="translation of the sample: the illuminated patch moves by +y rows and +x columns",
    )


def _read_zone_plate(facts: Facts, group: h5py.Group) -> None:
    """Zone plate of a beamline's own group."""
    optics = facts.file.group(group, ZONE_PLATE)
    if optics is None:
        return

    def length(name: str) -> float | None:
        return facts.quantity(f"zone plate {name}", facts.file.dataset(optics, name), "length", "m")

    more: dict[str, Any] = {"defocus_m": length("nominal_defocus")}
    stop = facts.number(facts.file.dataset(optics, "stop_fraction"))
    if stop is not None:
        more["stop_fraction"] = stop
        facts.note("zone plate stop_fraction", stop, f"{facts.file.where(optics)}/stop_fraction")
    facts.set_zone_plate(optics, length("diameter"), length("outer_zone"), **more)
