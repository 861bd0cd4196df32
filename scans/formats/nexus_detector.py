"""Where a NeXus detector stands and how its pixels lie: distance, pixel size, orientation, modules."""

from __future__ import annotations

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.axes import orientation_from_vectors
from scans.formats.facts import Facts
from scans.formats.modules import AssembledFrames, Module, Mosaic, make_mosaic
from scans.formats.nexus_tree import Tree, field
from scans.formats.transformations import chain_translation
from scans.formats.units import unit_factor
from scans.formats.values import attribute, read_array, read_text
from scans.geometry import DISTANCE_RANGE_M
from scans.scan import Note

DISTANCE = ("distance", "detector_distance")
DERIVED = "distance_derived"
PIXEL_X, PIXEL_Y = "x_pixel_size", "y_pixel_size"
SLOW, FAST = "slow_pixel_direction", "fast_pixel_direction"
ORIGIN, SIZE, OFFSET = "data_origin", "data_size", "module_offset"
USED = {*DISTANCE, DERIVED, PIXEL_X, PIXEL_Y, "depends_on", "transformations"}
# Distances said twice that differ by less agree.
SAME_DISTANCE = 0.01


def read_geometry(facts: Facts, tree: Tree, detector: h5py.Group) -> Mosaic | None:
    """Read distance, pixel sizes and orientation, and put modules together where they lie apart.

    Returns
    -------
    Mosaic or None
        How the modules were moved; None where the frames are as stored.
    """
    facts.distance_m = _distance(facts, tree, detector)
    y = facts.quantity("pixel_size_m", field(facts.file, detector, PIXEL_Y), "length", "m?")
    x = facts.quantity("pixel_size_m", field(facts.file, detector, PIXEL_X), "length", "m?")
    sizes = (y or x, x or y)
    facts.pixel_stored_m = None if sizes[0] is None or sizes[1] is None else (sizes[0], sizes[1])
    modules = [
        (module, vectors)
        for path, module in tree.of("NXdetector_module")
        if path.startswith(f"{detector.name}/") and (vectors := _vectors(facts, module)) is not None
    ]
    if not modules:
        return None
    if len(modules) > 1 and facts.frames is not None:
        try:
            mosaic = _move_modules(facts, detector, modules)
        except InputError as problem:
            facts.refuse(problem)
            return None
    else:
        mosaic = None
    orientation_from_vectors(facts, modules[0][1], modules[0][0])
    return mosaic


def _distance(facts: Facts, tree: Tree, detector: h5py.Group) -> float | None:
    """Distance from its field, or from the chain of axes that carries the detector."""
    if facts.given("distance_m"):
        return None
    written = [d for d in (field(facts.file, detector, name) for name in DISTANCE) if d is not None]
    said = next((d for d in written if facts.number(d)), None)  # zero stands for unset
    chain, notes = _chain_distance(facts, detector)
    where = f"{facts.file.where(detector)}/depends_on"
    if said is None and chain is not None:
        facts.notes += notes
        facts.note("distance_m", chain, where, "z of the chain of axes that carries the detector")
        return chain
    if said is None:
        if written:
            fix = "Give the right value with -s scan.distance_m=VALUE."
            found, name = "distance 0 m, which stands for unset", facts.file.where(written[0])
            facts.refuse(InputError(found, where=name, expected="the measured distance", fix=fix), "distance_m")
        return None
    value = facts.quantity("distance_m", said, "length", "m?")
    if chain is None or value is None or abs(chain / value - 1) < SAME_DISTANCE:
        return value
    derived = field(facts.file, detector, DERIVED)
    primary = derived is not None and not facts.number(derived)
    strict = derived is not None or read_text(field(facts.file, tree.root, "definition")) == "NXmx"
    if strict and not primary:  # NXmx: the chain is what was measured, unless distance_derived says otherwise
        facts.notes += notes
        facts.note("distance_m", chain, where, f"used instead of {value:.9g}: the chain of axes is what was measured")
        return chain
    why = f"the chain of axes disagrees with {value:.9g}"
    facts.note("distance_m", f"not used: {chain:.9g}", where, why, guess=True)
    return value


def _chain_distance(facts: Facts, detector: h5py.Group) -> tuple[float | None, list[Note]]:
    """Return z of the detector by its chain of axes; None where there is none, or no believable one."""
    if attribute(detector, "depends_on") is None and "depends_on" not in detector:
        return None, []
    try:
        translation, notes = chain_translation(facts.file, detector)
    except InputError as problem:
        facts.note("distance_m", "not from the chain of axes", problem.where, problem.found, guess=True)
        return None, []
    z = np.atleast_2d(translation)[:, 2]
    low, high = DISTANCE_RANGE_M
    middle = float(np.median(z))
    moved = float(z.max() - z.min()) > SAME_DISTANCE * abs(middle)
    return (None if moved or not low <= middle <= high else middle), notes


def _vectors(facts: Facts, module: h5py.Group) -> NDArray[np.float64] | None:
    """Directions ``(2, 3)`` of the slow and the fast pixel axis of a module."""
    axes = []
    for name in (SLOW, FAST):
        dataset = field(facts.file, module, name)
        stored = np.asarray(() if dataset is None else dataset.attrs.get("vector", ()))
        if stored.dtype.kind not in "iuf" or stored.size != 3:
            return None
        axes.append(stored.astype(np.float64).reshape(-1))
    return np.stack(axes)


def _steps(facts: Facts, module: h5py.Group, vectors: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Pixel axes ``(2, 3)`` of a module with their lengths [m]."""
    lengths = []
    for axis, name in enumerate((SLOW, FAST)):
        dataset = field(facts.file, module, name)
        length = facts.number(dataset)
        if dataset is not None and length:
            length *= unit_factor(attribute(dataset, "units") or "m", "length", where=facts.file.where(dataset))
        elif facts.pixel_stored_m is not None:
            length = facts.pixel_stored_m[axis]
        if not length:
            return None
        lengths.append(length)
    return vectors / np.linalg.norm(vectors, axis=1)[:, None] * np.array(lengths)[:, None]


def _move_modules(
    facts: Facts, detector: h5py.Group, modules: list[tuple[h5py.Group, NDArray[np.float64]]]
) -> Mosaic | None:
    """Put the modules where their offsets say, unless they are stored so."""
    frames = facts.frames
    assert frames is not None
    described = _describe(facts, modules, frames.shape[1:])
    if len(described) < len(modules):
        text = f"{len(described)} of {len(modules)} modules say where they are: the image is used as stored"
        facts.note("modules", len(modules), detector, text, guess=True)
        return None
    mosaic = make_mosaic(described, 1, where=facts.file.where(detector), distance_m=facts.distance_m)
    shifts = {(p.place[0] - p.rows[0], p.place[1] - p.columns[0]) for p in mosaic.pieces}
    text = f"{len(described)} modules within {mosaic.worst_px:.2g} pixel of one grid"
    if len(shifts) == 1:
        facts.note("modules", "stored as they lie", detector, text)
        return None
    facts.frames = facts.all_frames = AssembledFrames(frames, mosaic)
    facts.mask = ~mosaic.gaps
    shape, gaps = f"{mosaic.shape[0]} x {mosaic.shape[1]}", int(mosaic.gaps.sum())
    facts.note("modules", f"moved to frames of {shape}", detector, f"{text}; {gaps} pixels between them are masked")
    return mosaic


def _describe(
    facts: Facts, modules: list[tuple[h5py.Group, NDArray[np.float64]]], shape: tuple[int, ...]
) -> list[Module]:
    """Which part of the image each module is, and where it lies; those of which the file says both."""
    file = facts.file
    known = []
    for module, vectors in modules:
        origin, size, offset = (field(file, module, name) for name in (ORIGIN, SIZE, OFFSET))
        steps = _steps(facts, module, vectors)
        if origin is not None and size is not None and offset is not None and steps is not None:
            known.append((module, _two(facts, origin), _two(facts, size), offset, steps))
    if not all(_inside(start, extent, shape) for _, start, extent, _, _ in known):
        # the order of data_size is not reliable
        if not all(_inside(start, extent[::-1], shape) for _, start, extent, _, _ in known):
            module, start, extent = next(k[:3] for k in known if not _inside(k[1], k[2], shape))
            found = f"a module from {start} of size {extent}"
            fix = "Correct data_origin and data_size in a copy of the file."
            raise InputError(found, where=file.where(module), expected=f"a part of the {shape} image", fix=fix)
        known = [(module, start, extent[::-1], offset, steps) for module, start, extent, offset, steps in known]
        facts.note("module sizes", "(columns, rows)", known[0][0], "as (rows, columns) they are too big", guess=True)
    described = []
    for _, start, extent, offset, steps in known:
        corner, notes = chain_translation(file, offset)
        facts.notes += [n for n in notes if n not in facts.notes]
        rows, columns = ((start[i], start[i] + extent[i]) for i in (0, 1))
        described.append(Module(0, rows, columns, np.atleast_2d(corner)[0], steps))
    return described


def _two(facts: Facts, dataset: h5py.Dataset) -> tuple[int, int]:
    """Last two of the numbers of a dataset: slow and fast."""
    numbers = np.asarray(read_array(facts.file, dataset)).reshape(-1)
    if numbers.size < 2:
        fix = "Correct it in a copy of the file."
        raise InputError(f"{numbers.size} number(s)", where=facts.file.where(dataset), expected="two numbers", fix=fix)
    return int(numbers[-2]), int(numbers[-1])


def _inside(start: tuple[int, int], extent: tuple[int, int], shape: tuple[int, ...]) -> bool:
    """Tell whether a part lies in an image."""
    return all(start[i] >= 0 and extent[i] >= 1 and start[i] + extent[i] <= shape[i] for i in (0, 1))
