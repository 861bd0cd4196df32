"""Reader for the CXI layout (CXI 1.6: groups found by name, SI units unless an attribute says otherwise)."""

from __future__ import annotations

import re
from typing import Any

import h5py
import numpy as np

from scans.errors import InputError
from scans.formats.assemble import assemble
from scans.formats.cxi_detector import DISTANCE, PIXEL_X, PIXEL_Y, USED, read_geometry, read_pixels
from scans.formats.facts import Facts
from scans.formats.hdf5 import BrokenLink, InputFile, identity, named_frames, names
from scans.formats.overrides import Overrides
from scans.formats.own_fields import restore
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
        mosaic = read_geometry(facts, detector)
        read_pixels(facts, detector, mosaic)
        facts.note_unused(detector, USED)
    _read_positions(facts, group, detector, frames_path)
    _read_zone_plate(facts, group)
    return restore(assemble(facts, LOOKED_AT), facts, detector, file.group(group, "sample_1"))


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
