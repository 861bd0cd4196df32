"""Scan positions in a NeXus entry: where they are kept, which way they point, in which unit."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts import Facts
from scans.formats.hdf5 import BrokenLink, InputFile, names
from scans.formats.nexus_axes import (
    axis_values,
    chain_of_sample,
    direction,
    is_unused_rotation,
    keep_chain,
    several_readings,
    streamed,
)
from scans.formats.nexus_tree import Tree
from scans.formats.streams import mean_reading
from scans.formats.values import attribute, text_list

# Kinds of group that hold two axes called y and x, in order of preference; then names that are alike.
NAMED_XY = ("NXdata", "NXtransformations", "NXsample")
ALIKE = ("NXdata", "NXtransformations", "NXsample", "NXinstrument", "NXcollection")
TRANSLATION = "translation"  # (N, 3) of the CXI side: columns x, y, z
NOT_POSITIONS = re.compile(
    r"pixel|center|centre|_set$|_indices$|_errors$|_end$|_mask$|_weights$|offset|vector|_scaling_factor$"
)
AXIS_VALUES = ("value", "data")  # of an axis that is a group: NXpositioner, NXlog, NXdetector

# More points than this are no grid of positions unless there are as many frames: two lists of other things.
LARGEST_MESH = 1_000_000


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

    Of several places the first is taken that has one position for each frame, then one that has several readings
    for each, then a stream of readings with times, then any: what numbers do not fit is settled, or asked, later.
    """
    counts = () if scan_shape is None else (math.prod(scan_shape), len(facts.chosen))
    pairs = list(_pairs(tree, frames_path))
    try:
        if _keep_fitting(facts, tree, pairs, counts, scan_shape):
            return
        for pair in (p for p in pairs if p.exact):
            if _keep_readings(facts, tree, pair, counts):
                return
        first = next((p for p in pairs if p.exact), None) or next((p for p in pairs if p.has_units), None)
        if first is not None:  # none fits: the first is kept, so that the message can name both numbers
            _keep_pair(facts, tree, first, scan_shape)
    except InputError as problem:
        facts.refuse(problem, "positions")


def _keep_fitting(
    facts: Facts, tree: Tree, pairs: Sequence[AxisPair], counts: tuple[int, ...], scan_shape: tuple[int, ...] | None
) -> bool:
    """Keep positions that are as many as the frames; tells whether there were any."""
    fitting = [p for p in pairs if not counts or _length(p) in counts or _several(p, counts)]
    exact = [p for p in fitting if p.exact]
    best = next((p for p in exact if p.has_units), None) or next(iter(exact), None)
    chain, broken = chain_of_sample(facts, tree, counts, None if best is None else (best.y, best.x))
    if chain is not None:
        keep_chain(facts, *chain)
        return True
    if best is None:
        translations = _translations(tree)
        matching = [t for t in translations if not counts or t.shape[0] in counts]
        if matching or (translations and not pairs):
            _keep_translation(facts, (matching or translations)[0])
            return True
        best = next((p for p in fitting if p.has_units), None) or next(iter(fitting), None)
    if best is None and broken is not None and not pairs:
        raise broken
    if best is None:
        return False
    if not _several(best, counts) or not _keep_readings(facts, tree, best, counts):
        _keep_pair(facts, tree, best, scan_shape)
    return True


def _several(pair: AxisPair, counts: tuple[int, ...]) -> bool:
    """Tell whether both axes hold several readings for each frame, on their last axis."""
    return all(
        len(d.shape) >= 2 and d.shape[-1] > 1 and math.prod(d.shape[:-1]) in counts and d.size not in counts
        for d in (pair.y, pair.x)
    )


def _keep_readings(facts: Facts, tree: Tree, pair: AxisPair, counts: tuple[int, ...]) -> bool:
    """Keep several readings a frame, or a stream with times; tells whether the pair is either."""
    if _several(pair, counts):
        readings, why = several_readings(facts, pair.y, pair.x)
    else:
        stream = streamed(facts, tree, pair.y, pair.x)
        if stream is None:
            return False
        readings, why = stream
    _keep(facts, tree, pair, readings, why, guess=not pair.exact)
    return True


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
    """Keep one reading a frame of two axes, or where each exposure starts and ends."""
    (y, y_end), (x, x_end) = axis_values(facts, pair.y), axis_values(facts, pair.x)
    slow = _mesh_order(pair, scan_shape)
    why = ""
    if slow is not None and y.size * x.size <= max(LARGEST_MESH, 4 * len(facts.chosen)):
        y, x = _mesh(y, x, slow)
        why = f"grid of two axes, {slow} slow"
        y_end = x_end = None
    if y.size != x.size:
        raise InputError(
            f"{y.size} values in {pair.y.name}, {x.size} in {pair.x.name}",
            where=facts.file.where(pair.x),
            expected="as many y as x",
            fix="Correct the positions in a copy of the file.",
        )
    readings = np.stack([y.reshape(-1), x.reshape(-1)], axis=1)[:, None]
    if y_end is not None or x_end is not None:
        ends = [a if b is None else b for a, b in ((y, y_end), (x, x_end))]
        end = np.stack([e.reshape(-1) for e in ends], axis=1)
        readings = np.concatenate([readings, end[:, None]], axis=1)
        why = "middle of start and end of exposure"
    _keep(facts, tree, pair, readings, why, guess=not pair.exact or slow is not None)


def _mesh(y: NDArray[np.float64], x: NDArray[np.float64], slow: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Grid of two axes; `slow` names the one of its rows."""
    if slow == "y":
        grid = np.meshgrid(y, x, indexing="ij")
        return grid[0], grid[1]
    grid = np.meshgrid(x, y, indexing="ij")
    return grid[1], grid[0]


def _keep(facts: Facts, tree: Tree, pair: AxisPair, readings: NDArray[np.float64], more: str, *, guess: bool) -> None:
    """Keep readings ``(P, K, 2)`` of a pair; one a frame (K = 1) is the position itself."""
    why = "positions of the beam on the sample: the illuminated patch moves by +y rows and +x columns"
    why = "; ".join(part for part in ("" if pair.exact else "names alike but for y and x", why, more) if part)
    directions = np.stack([direction(facts, pair.y, "y"), direction(facts, pair.x, "x")], axis=1)
    _note_rotations(facts, tree, pair)
    facts.set_positions(
        f"{facts.file.where(pair.y)} and {pair.x.name}",
        mean_reading(readings),
        (_unit(pair.y, pair.x), _unit(pair.x, pair.y)),
        names=(_name(pair.y), _name(pair.x)),
        directions=directions,
        why=why,
        guess=guess,
        readings=readings if readings.shape[1] > 1 else None,
    )


def _unit(axis: h5py.Dataset, other: h5py.Dataset) -> str | None:
    """Return the unit of an axis: its own, that of its group, or the other axis's."""
    for dataset in (axis, other):
        unit = attribute(dataset, "units") or attribute(dataset.parent, "units")
        if unit is not None:
            return unit
    return None


def _name(axis: h5py.Dataset) -> str:
    """Name of an axis; where it is a group, the group's."""
    parts = (axis.name or "").split("/")
    return parts[-2] if parts[-1] in AXIS_VALUES and len(parts) > 1 else parts[-1]


def _note_rotations(facts: Facts, tree: Tree, pair: AxisPair) -> None:
    """Say that a turned sample is not accounted for."""
    for path, group in tree.of("NXtransformations"):
        if not path.startswith(tree.entry + "/sample"):
            continue
        for name in names(group):
            dataset = facts.file.dataset(group, name)
            if dataset is not None and is_unused_rotation(facts, dataset, (pair.y, pair.x)):
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
    values = facts.values(dataset)
    facts.set_positions(
        facts.file.where(dataset),
        np.ascontiguousarray(values[:, 1::-1]),
        attribute(dataset, "units") or "m",
        names=("y", "x"),
        directions=np.eye(2),
        why="translation of the sample (columns x, y, z): the patch moves by +y rows and +x columns",
    )
