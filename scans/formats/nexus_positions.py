"""Scan positions in a NeXus entry: where they are kept, which way they point, in which unit."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts import Facts
from scans.formats.hdf5 import BrokenLink, InputFile, names
from scans.formats.nexus_tree import Tree
from scans.formats.units import unit_factor
from scans.formats.values import attribute, read_array, text_list

# Kinds of group that hold two axes called y and x, in order of preference; then names that are alike.
NAMED_XY = ("NXdata", "NXtransformations", "NXsample")
ALIKE = ("NXdata", "NXtransformations", "NXsample", "NXinstrument", "NXcollection")
TRANSLATION = "translation"  # (N, 3) of the CXI side: columns x, y, z
NOT_POSITIONS = re.compile(r"pixel|center|centre|_set$|_indices$|_errors$|_end$|_mask$|_weights$|offset|vector")
AXIS_VALUES = ("value", "data")  # of an axis that is a group: NXpositioner, NXlog, NXdetector


@dataclass(frozen=True)
class AxisPair:
    """Readings of two axes."""

    y: h5py.Dataset
    x: h5py.Dataset
    group: h5py.Group
    exact: bool

    @property
    def has_units(self) -> bool:
        """Tell whether both axes name their unit."""
        return attribute(self.y, "units") is not None and attribute(self.x, "units") is not None


def read_positions(facts: Facts, tree: Tree, scan_shape: tuple[int, ...] | None, frames_path: str) -> None:
    """Find and keep the positions.

    Parameters
    ----------
    facts
        Gets the positions, or the problem with them.
    tree
        Groups of the entry.
    scan_shape
        Scan axes of the frames; None where there are no frames.
    frames_path
        Where they were found: the group that holds them comes first.
    """
    wanted = None if scan_shape is None else math.prod(scan_shape)
    pairs = list(_pairs(tree, frames_path))
    translations = _translations(tree)
    fitting = [p for p in pairs if wanted is None or _length(p) == wanted]
    exact = [p for p in fitting if p.exact]
    best = next((p for p in exact if p.has_units), None) or next(iter(exact), None)
    if best is None:
        matching = [t for t in translations if wanted is None or t.shape[0] == wanted]
        if matching or (translations and not fitting):
            _keep_translation(facts, (matching or translations)[0])
            return
        best = next((p for p in fitting if p.has_units), None) or next(iter(fitting), None)
    if best is None:  # none fits: the first is kept, so that the message can name both numbers
        best = next((p for p in pairs if p.exact), None)
    if best is not None:
        try:
            _keep_pair(facts, tree, best, scan_shape)
        except InputError as problem:
            facts.refuse(problem, "positions")


def _axis(file: InputFile, group: h5py.Group, name: str) -> h5py.Dataset | None:
    """Return the readings called `name`: a dataset, or the values of a group."""
    try:
        node = file.follow(group, name)
        if isinstance(node, h5py.Group):
            node = next((d for d in (file.dataset(node, v) for v in AXIS_VALUES) if d is not None), None)
    except BrokenLink:
        return None
    usable = isinstance(node, h5py.Dataset) and node.shape is not None and node.dtype.kind in "iuf"
    return node if usable else None


def _pairs(tree: Tree, frames_path: str) -> Iterator[AxisPair]:
    """Yield pairs of axes: those named y and x first, then names that differ in that letter only."""
    for kind in NAMED_XY:
        for _, group in sorted(tree.of(kind), key=lambda item: not frames_path.startswith(item[0] + "/")):
            y, x = _axis(tree.file, group, "y"), _axis(tree.file, group, "x")
            if y is not None and x is not None and not _of_the_detector(group):
                yield AxisPair(y, x, group, exact=True)
    for kind in ALIKE:
        for _, group in tree.of(kind):
            for name in (n for n in names(group) if len(n) > 1 and "x" in n.lower()):
                yield from _alike(tree.file, group, name)


def _of_the_detector(group: h5py.Group) -> bool:
    """Tell whether the axes x and y are those of each frame: the last two names of the list of axes."""
    axes = text_list(group, "axes")
    return len(axes) > 2 and {"x", "y"} == set(axes[-2:])


def _alike(file: InputFile, group: h5py.Group, name: str) -> Iterator[AxisPair]:
    """Yield the pair of `name` and the same name with y for x."""
    if NOT_POSITIONS.search(name.lower()):
        return
    for match in re.finditer("[xX]", name):
        twin = name[: match.start()] + ("y" if match[0] == "x" else "Y") + name[match.end() :]
        y, x = _axis(file, group, twin), _axis(file, group, name)
        if y is not None and x is not None and y.size > 1:
            yield AxisPair(y, x, group, exact=False)


def _length(pair: AxisPair) -> int:
    """Return the number of positions that a pair makes: one each, or a mesh of two short axes."""
    if pair.y.shape == pair.x.shape and _mesh_order(pair, None) is None:
        return int(pair.y.size)
    return int(pair.y.size) * int(pair.x.size)


def _mesh_order(pair: AxisPair, scan_shape: tuple[int, ...] | None) -> str | None:
    """Return "y" or "x" for the slow axis of a mesh; None where the axes hold one value per frame."""
    if len(pair.y.shape) != 1 or len(pair.x.shape) != 1:
        return None
    ny, nx = pair.y.size, pair.x.size
    lead = [n for n in scan_shape or () if n > 1]
    if len(lead) == 2 and ny * nx == math.prod(lead):
        if ny != nx:
            return "y" if (ny, nx) == tuple(lead) else "x"
        axes = text_list(pair.group, "axes")
        return "x" if "x" in axes and "y" in axes and axes.index("x") < axes.index("y") else "y"
    return "y" if ny != nx else None


def _keep_pair(facts: Facts, tree: Tree, pair: AxisPair, scan_shape: tuple[int, ...] | None) -> None:
    """Keep the readings of two axes."""
    file = facts.file
    y, x = _readings(facts, pair.group, pair.y), _readings(facts, pair.group, pair.x)
    slow = _mesh_order(pair, scan_shape)
    why = "positions of the beam on the sample: the illuminated patch moves by +y rows and +x columns"
    if slow is not None:
        grid = np.meshgrid(y, x, indexing="ij") if slow == "y" else np.meshgrid(x, y, indexing="ij")
        y, x = (grid[0], grid[1]) if slow == "y" else (grid[1], grid[0])
        why += f"; grid of two axes, {slow} slow"
    if y.size != x.size:
        raise InputError(
            f"{y.size} values in {pair.y.name}, {x.size} in {pair.x.name}",
            where=file.where(pair.x),
            expected="as many y as x",
            fix="Correct the positions in a copy of the file.",
        )
    unit_y, unit_x = attribute(pair.y, "units"), attribute(pair.x, "units")
    directions = np.stack([_direction(facts, pair.y, (1, 0)), _direction(facts, pair.x, (0, 1))], axis=1)
    if unit_y and unit_x and unit_y != unit_x and not facts.given("position_unit"):
        ratio = [unit_factor(u, "length", where=file.where(pair.x)) for u in (unit_x, unit_y)]
        directions[:, 1] *= ratio[0] / ratio[1]
    _note_rotations(facts, tree)
    facts.set_positions(
        f"{file.where(pair.y)} and {pair.x.name}",
        np.stack([y.reshape(-1), x.reshape(-1)], axis=1),
        unit_y or unit_x,
        names=(pair.y.name.rsplit("/", 1)[-1], pair.x.name.rsplit("/", 1)[-1]),
        directions=directions,
        why=why if pair.exact else "names alike but for y and x; " + why,
        guess=not pair.exact or slow is not None,
    )


def _readings(facts: Facts, group: h5py.Group, dataset: h5py.Dataset) -> NDArray[np.float64]:
    """Read an axis; where its end of exposure is recorded too, the middle of both (a moving stage)."""
    values = np.asarray(read_array(facts.file, dataset), dtype=np.float64)
    end = facts.file.dataset(dataset.parent, dataset.name.rsplit("/", 1)[-1] + "_end")
    if end is None or end.shape != dataset.shape:
        return values
    facts.note(f"positions {dataset.name}", "middle of start and end of exposure", end)
    return 0.5 * (values + np.asarray(read_array(facts.file, end), dtype=np.float64))


def _direction(facts: Facts, dataset: h5py.Dataset, by_name: tuple[int, int]) -> NDArray[np.float64]:
    """Sample ``(y, x)`` per unit of the axis: from its vector attribute, otherwise from its name."""
    vector = np.asarray(dataset.attrs.get("vector", ()), dtype=np.float64).reshape(-1)
    if vector.size == 3 and np.isfinite(vector).all() and np.abs(vector[:2]).max() > 0.5:
        facts.note(f"direction of {dataset.name}", vector.tolist(), dataset, "its vector (x, y, z)")
        return vector[1::-1]
    return np.asarray(by_name, dtype=np.float64)


def _note_rotations(facts: Facts, tree: Tree) -> None:
    """Say that a turned sample is not accounted for."""
    for path, group in tree.of("NXtransformations"):
        if not path.startswith(tree.entry + "/sample"):
            continue
        for name in names(group):
            dataset = facts.file.dataset(group, name)
            turned = dataset is not None and attribute(dataset, "transformation_type") == "rotation"
            if turned and dataset is not None and np.any(read_array(facts.file, dataset)):
                why = "positions are used as written, in the plane across the beam"
                facts.note("sample rotation", "not applied", dataset, why, guess=True)


def _translations(tree: Tree) -> list[h5py.Dataset]:
    """Datasets ``translation`` (N, 3) of the CXI side."""
    found = []
    for kind in ("NXdata", "NXcollection", "NXdetector", "NXsample"):
        for _, group in tree.of(kind):
            for path in (TRANSLATION, f"geometry_1/{TRANSLATION}"):
                dataset = _axis(tree.file, group, path)
                if dataset is not None and len(dataset.shape) == 2 and dataset.shape[1] == 3:
                    found.append(dataset)
    return found


def _keep_translation(facts: Facts, dataset: h5py.Dataset) -> None:
    """Keep translations (N, 3), in metres by the CXI standard."""
    values = np.asarray(read_array(facts.file, dataset), dtype=np.float64)
    facts.set_positions(
        facts.file.where(dataset),
        np.ascontiguousarray(values[:, 1::-1]),
        attribute(dataset, "units") or "m",
        names=("y", "x"),
        directions=np.eye(2),
        why="translation of the sample (columns x, y, z): the patch moves by +y rows and +x columns",
    )
