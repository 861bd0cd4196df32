"""Reader for NeXus files (NXcxi_ptycho and relatives): groups found by class, units by attribute."""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np

from scans.errors import InputError
from scans.formats.assemble import assemble
from scans.formats.facts import Facts
from scans.formats.hdf5 import BrokenLink, InputFile, identity, names
from scans.formats.nexus_detector import DISTANCE, PIXEL_X, PIXEL_Y, read_geometry
from scans.formats.nexus_detector import USED as DETECTOR_USED
from scans.formats.nexus_pixels import USED as PIXELS_USED
from scans.formats.nexus_pixels import read_pixels
from scans.formats.nexus_positions import read_positions
from scans.formats.nexus_tree import (
    NOT_FRAMES,
    Stack,
    Tree,
    copies_equal,
    field,
    find_stacks,
    grow,
    named_stack,
)
from scans.formats.overrides import Overrides
from scans.formats.own_fields import restore
from scans.formats.values import attribute, read_text
from scans.geometry import PLANCK_TIMES_C_EV_M
from scans.scan import Scan

LAYOUT = "NeXus"

# (class, field, kind, unit where the file names none); "?" marks a guess. In order of preference.
ENERGY = (
    ("NXbeam", "incident_energy", "energy", "eV?"),
    ("NXbeam", "incident_wavelength", "length", "angstrom?"),
    ("NXbeam", "incident_beam_energy", "energy", "eV?"),
    ("NXbeam", "energy", "energy", "eV?"),
    ("NXmonochromator", "energy", "energy", "eV?"),
    ("NXmonochromator", "wavelength", "length", "angstrom?"),
    ("NXdetector", "detectorSpecific/photon_energy", "energy", "eV?"),
)
USED = {"data", "data_1", "translation", *DETECTOR_USED, *PIXELS_USED}
MONITOR = ("data", "integral")
# Numbers that an areaDetector-style writer gives to the frames, under NDAttributes or beside the frames.
IDS = ("NDArrayUniqueId", "uniqueKeys")
# Fields of NXfresnel_zone_plate; defocus is not of NeXus.
ZONE_PLATE = ("outer_diameter", "outermost_zone_width", "central_stop_diameter", "defocus")
PHOTONS = ("x-ray", "xray", "x_ray", "photon", "ultraviolet")

LOOKED_AT = {
    "frames": "the signal of an NXdata, or data of an NXdetector, of 3 or 4 axes",
    "positions": "x and y of the NXdata or of the NXsample's transformations, or translation (N, 3)",
    "energy_ev": "NXbeam/incident_energy or NXmonochromator/energy",
    "distance_m": "NXdetector/distance",
    "pixel_size_m": f"NXdetector/{PIXEL_X} and {PIXEL_Y}",
}


def recognises(file: InputFile) -> int:
    """Score: 3 for a file with an NXentry, 0 otherwise."""
    return 3 if entries_of(file) else 0


def entries_of(file: InputFile) -> list[str]:
    """Paths of the groups of class NXentry."""
    found = []
    for name in names(file.root):
        try:
            if attribute(file.group(file.root, name), "NX_class") == "NXentry":
                found.append(f"/{name}")
        except BrokenLink:
            continue
    return found


def may_hold_frames(file: InputFile, entry: str) -> bool:
    """Tell whether an entry has a stack of images, or a broken link where one should be."""
    stacks, others, broken = find_stacks(grow(file, entry))
    images = [d for s in others for d in s.datasets if len(d.shape) > 2]
    return bool(stacks or broken or any(attribute(d, "interpretation") not in NOT_FRAMES for d in images))


def read(file: InputFile, entry: str, overrides: Overrides, frames_path: str | None = None) -> Scan:
    """Read one scan.

    Parameters
    ----------
    file
        Open file.
    entry
        Path of the NXentry.
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
    tree = grow(file, entry)
    facts.title = read_text(file.dataset(tree.root, "title"))
    definition = read_text(file.dataset(tree.root, "definition"))
    facts.note("definition", definition or "none", f"{file.where(entry)}/definition")
    stack = _read_frames(facts, tree, frames_path)
    detector = _detector_of(facts, tree, stack)
    _read_energy(facts, tree)
    if detector is not None:
        mosaic = read_geometry(facts, tree, detector)
        read_pixels(facts, detector, mosaic)
        facts.note_unused(detector, USED)
    scan_shape = _scan_shape(stack)
    read_positions(facts, tree, scan_shape, stack.path if stack else "")
    _read_monitor(facts, tree)
    _read_zone_plate(facts, tree)
    _check_ids(facts, tree)
    sample = next((group for _, group in tree.of("NXsample")), None)
    return restore(assemble(facts, LOOKED_AT), facts, detector, sample)


def _scan_shape(stack: Stack | None) -> tuple[int, ...] | None:
    """Scan axes of the frames; None without frames."""
    if stack is None or any(len(d.shape) < 3 for d in stack.datasets):
        return None
    if len(stack.datasets) > 1:
        return (sum(int(np.prod(d.shape[:-2])) for d in stack.datasets),)
    return tuple(int(n) for n in stack.datasets[0].shape[:-2])


def _read_frames(facts: Facts, tree: Tree, wanted: str | None) -> Stack | None:
    """Choose and check the frames."""
    if wanted is not None:
        named = named_stack(facts.file, wanted)
        facts.set_frames(list(named.datasets), named.path)
        return named
    stacks, others, broken = find_stacks(tree)
    if not stacks:
        if broken:
            facts.refuse(broken[0], "frames")
        elif others:
            facts.refuse(_no_stack(facts, others), "frames")
        return None
    first, *rest = stacks
    by_default = first.path.startswith(f"{tree.entry}/{attribute(tree.root, 'default')}/")
    if not by_default and not all(_same_size(first, other) for other in rest):
        facts.refuse(_several(facts, stacks), "frames")
        return None
    facts.set_frames(list(first.datasets), first.path)
    _note_other_stacks(facts, first, rest, broken)
    return first


def _same_size(one: Stack, other: Stack) -> bool:
    """Tell whether two stacks may be copies of each other."""
    return one.n_values == other.n_values and one.datasets[0].shape[-2:] == other.datasets[0].shape[-2:]


def _note_other_stacks(facts: Facts, first: Stack, rest: list[Stack], broken: list[BrokenLink]) -> None:
    """Say what else could have been the frames."""
    for problem in broken:
        facts.note("other frames", "not there", problem.where, problem.found, guess=True)
    for other in rest:
        where = facts.file.where(other.path)
        if not _same_size(first, other):
            facts.note("other frames", "not used", where, "the entry's default names another stack")
        elif facts.frames is not None:
            equal = copies_equal(first, other)
            text = "equal in the first, middle and last frame" if equal else "NOT equal: check which one is right"
            facts.note("second copy of the frames", other.path, where, text, guess=not equal)


def _no_stack(facts: Facts, others: list[Stack]) -> InputError:
    """List what there is instead of frames."""
    listing = "; ".join(f"{s.path} {tuple(s.datasets[0].shape)}" for s in others[:8])
    return InputError(
        f"no stack of images: {listing}",
        where=facts.file.where(facts.entry),
        expected="diffraction frames of at least 8 x 8 pixels, with 3 or 4 axes in all",
        fix="This may not be a diffraction scan; otherwise name the dataset of the frames after '::'.",
    )


def _several(facts: Facts, stacks: list[Stack]) -> InputError:
    """Ask which of several stacks is meant."""
    listing = "; ".join(f"{s.path} {tuple(s.datasets[0].shape)}" for s in stacks)
    return InputError(
        f"{len(stacks)} datasets may hold frames: {listing}",
        where=facts.file.where(facts.entry),
        expected="one",
        fix=f"Name one, such as {facts.file.path}::{stacks[0].path}",
    )


def _detector_of(facts: Facts, tree: Tree, stack: Stack | None) -> h5py.Group | None:
    """Detector of the frames: the one that holds them, otherwise the only one that knows its distance."""
    detectors = tree.of("NXdetector")
    keys = set(stack.key) if stack else set()
    for _, group in detectors:
        for name in names(group):
            try:
                node = facts.file.dataset(group, name)
            except BrokenLink:
                continue
            if node is not None and identity(node) in keys:
                return group
    knowing = [(p, g) for p, g in detectors if any(n in g for n in (*DISTANCE, PIXEL_X))]
    path, group = (knowing or detectors or [("", None)])[0]
    if len(knowing) > 1:
        facts.note("detector", path, facts.file.where(path), "none holds the frames; the first was taken", guess=True)
    return group


def _read_energy(facts: Facts, tree: Tree) -> None:
    """Photon energy, from the first place that has one; others that disagree are noted."""
    for kind, name, quantity, default in ENERGY:
        for _, group in tree.of(kind):
            dataset = field(facts.file, group, name)
            if dataset is None or facts.given("energy_ev"):
                continue
            if facts.energy_ev is None and "energy_ev" not in facts.refused:
                facts.energy_ev = _energy(facts, dataset, quantity, default)
                _note_log(facts, dataset, name)
            elif facts.energy_ev:
                _compare_energy(facts, dataset, quantity, default)
    for path, group in tree.of("NXsource"):
        probe = read_text(facts.file.dataset(group, "probe")).lower()
        if probe and not any(word in probe for word in PHOTONS):
            problem = InputError(
                f"probe {probe!r}",
                where=f"{facts.file.where(path)}/probe",
                expected="x-rays (energy and wavelength of other probes are related differently)",
                fix="Only photon scans can be reconstructed.",
            )
            facts.refuse(problem)


def _energy(facts: Facts, dataset: h5py.Dataset, kind: str, default: str) -> float | None:
    """Read an energy, or a wavelength as energy."""
    if kind == "energy":
        return facts.quantity("energy_ev", dataset, kind, default)
    length = facts.quantity("wavelength", dataset, kind, default)
    return PLANCK_TIMES_C_EV_M / length if length else None


def _note_log(facts: Facts, dataset: h5py.Dataset, name: str) -> None:
    """Say how far a logged value wandered (NXlog in the place of a field)."""
    if facts.energy_ev is None or attribute(dataset.parent, "NX_class") != "NXlog":
        return
    values = facts.values(dataset).reshape(-1)
    text = f"{values.size} values, mean {values.mean():.9g}, standard deviation {values.std():.3g}"
    facts.note(f"log of {name}", text, dataset, "the middle one is used")


def _compare_energy(facts: Facts, dataset: h5py.Dataset, kind: str, default: str) -> None:
    """Note an energy that differs from the one in use by more than 1 %."""
    aside = Facts(facts.file, facts.layout, facts.entry, facts.overrides)
    other = _energy(aside, dataset, kind, default)
    if other and facts.energy_ev and abs(other / facts.energy_ev - 1) > 0.01:
        facts.note("energy_ev", f"not used: {other:.9g}", dataset, f"differs from {facts.energy_ev:.9g}", guess=True)


def _read_monitor(facts: Facts, tree: Tree) -> None:
    """Incident flux per frame: the monitor called control first, then any other, wherever it is."""
    monitors = sorted(tree.of("NXmonitor"), key=lambda item: not item[0].endswith("/control"))
    for _, group in monitors:
        for name in MONITOR:
            dataset = field(facts.file, group, name)
            if dataset is not None and dataset.shape and dataset.size > 1:
                facts.set_monitor(dataset)
                break


def _check_ids(facts: Facts, tree: Tree) -> None:
    """Compare the detector's own numbers of the frames with their order: gaps are dropped frames."""
    for kind in ("NXcollection", "NXdetector"):
        for _, group in tree.of(kind):
            for name in IDS:
                dataset = _or_none(facts, group, name)
                if dataset is None or dataset.size != facts.n_in_file or dataset.size < 2:
                    continue
                steps = np.diff(facts.values(dataset).reshape(-1))
                if (steps < 1).any():
                    why = "frames are used in the order of the stack"
                    facts.note("numbers of the frames", "not increasing", dataset, why, guess=True)
                elif (steps > 1).any():
                    lost, after = int((steps - 1).sum()), int(np.argmax(steps > 1))
                    why = f"the first after frame {after}: check that the positions leave them out too"
                    facts.note("frames that the detector lost", lost, dataset, why, guess=True)
                return


def _or_none(facts: Facts, group: h5py.Group, name: str) -> h5py.Dataset | None:
    """Numeric dataset of a group, or None."""
    try:
        dataset = field(facts.file, group, name)
    except BrokenLink:
        return None
    return dataset if dataset is not None and dataset.shape and dataset.dtype.kind in "iuf" else None


def _read_zone_plate(facts: Facts, tree: Tree) -> None:
    """Nominal focusing optic."""
    for _, group in tree.of("NXfresnel_zone_plate")[:1]:
        diameter, zone, stop, defocus = (
            facts.quantity(f"zone plate {name}", field(facts.file, group, name), "length", "m?") for name in ZONE_PLATE
        )
        more: dict[str, Any] = {"defocus_m": defocus}
        if stop is not None and diameter:
            more["stop_fraction"] = stop / diameter
        facts.set_zone_plate(group, diameter, zone, **more)
