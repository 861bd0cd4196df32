"""Chains of NXtransformations: where a detector or a sample is, from the axes that carry it.

Source: NeXus definitions, NXtransformations. An axis moves by value x vector, or turns by value about vector
(right-handed, active: the object moves), and is shifted by offset; ``depends_on`` names the axis that carries
it, until ".". For a chain T1 -> T2 -> T3 the whole is T3 T2 T1, with 4 x 4 matrices::

    translation: (1, value x vector + offset; 0, 1)        rotation: (R, offset; 0, 1)

Coordinates are those of NeXus: z along the beam, y up.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.companions import true_values
from scans.formats.hdf5 import BrokenLink, InputFile, Node, identity, names
from scans.formats.units import KINDS, normalise_unit, unit_factor
from scans.formats.values import attribute, read_text
from scans.scan import Note

MAX_CHAIN = 64
UNIT_VECTORS = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
LETTER = re.compile(r"(?:^|_)([xyz])(?:_|\d|$)|([xyz])$")
AXIS_CLASSES = ("NXpositioner", "NXlog")
VALUES = ("value", "data")  # of an axis that is a group: NXpositioner, NXlog
TURNING = r"rot|phi|chi|omega|kappa|theta|pitch|roll|yaw|tilt|angle"
# A vector's length may be off by so much before that is said.
VECTOR_TOLERANCE = 1e-3


@dataclass(frozen=True)
class Axis:
    """One axis of a chain.

    Parameters
    ----------
    dataset
        Its values.
    values
        ``(n,)`` in m or rad: one, or one for each frame.
    vector
        ``(3,)`` direction; of a rotation of unit length.
    offset_m
        ``(3,)`` added after the axis's own movement.
    turns
        True for a rotation.
    factor
        From stored (offset and scaling applied) to m or rad.
    """

    dataset: h5py.Dataset
    values: NDArray[np.float64]
    vector: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    turns: bool
    factor: float

    @property
    def varies(self) -> bool:
        """Tell whether it moves during the scan."""
        return self.values.size > 1 and bool(np.nanmax(self.values) > np.nanmin(self.values))

    def matrix(self) -> NDArray[np.float64]:
        """4 x 4 matrices ``(n, 4, 4)``."""
        out = np.broadcast_to(np.eye(4), (self.values.size, 4, 4)).copy()
        out[:, :3, 3] = self.offset_m
        if self.turns:
            out[:, :3, :3] = rotation_matrix(self.vector, self.values)
        else:
            out[:, :3, 3] += self.values[:, None] * self.vector
        return out


def rotation_matrix(vector: NDArray[np.float64], angles_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Right-handed rotations ``(n, 3, 3)`` by `angles_rad` ``(n,)`` about the unit vector ``(3,)``.

    Rodrigues' formula: R = 1 + sin(a) K + (1 - cos(a)) K², K v = vector x v.
    """
    x, y, z = vector
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    sine, cosine = np.sin(angles_rad)[:, None, None], np.cos(angles_rad)[:, None, None]
    whole: NDArray[np.float64] = np.eye(3) + sine * cross + (1 - cosine) * (cross @ cross)
    return whole


def chain_translation(file: InputFile, start: Node) -> tuple[NDArray[np.float64], list[Note]]:
    """Where the chain puts the origin of what depends on it.

    Parameters
    ----------
    file
        Open file.
    start
        The group whose ``depends_on`` names the first axis (a detector, a sample), or the first axis itself.

    Returns
    -------
    translation_m, notes
        ``(3,)`` x, y, z [m], or ``(J, 3)`` where an axis has a value for each frame; what was read, and what
        was guessed on the way. Zeros where nothing is depended on.

    Raises
    ------
    InputError
        For a link without target, a chain in a circle, an axis without direction, or numbers of values that do
        not fit together.
    """
    axes, notes = read_chain(file, start)
    if not axes:
        return np.zeros(3), notes
    whole = np.eye(4)[None]
    for axis in axes:
        whole = axis.matrix() @ whole
    translation = np.ascontiguousarray(whole[:, :3, 3])
    return (translation[0] if len(translation) == 1 else translation), notes


def carried_direction(axes: Sequence[Axis], index: int) -> NDArray[np.float64]:
    """Direction ``(3,)`` in which axis `index` moves what hangs on the chain, turned by the axes that carry it.

    Rotations that vary are taken at their first value.
    """
    vector = axes[index].vector
    for axis in axes[index + 1 :]:
        if axis.turns:
            vector = rotation_matrix(axis.vector, axis.values[:1])[0] @ vector
    return vector


def read_chain(file: InputFile, start: Node) -> tuple[list[Axis], list[Note]]:
    """Read the axes from the first to the last; raises as `chain_translation`."""
    axes: list[Axis] = []
    notes: list[Note] = []
    seen: set[tuple[int, int]] = set()
    node: Node | None = start if isinstance(start, h5py.Dataset) else next_axis(file, start)
    while node is not None:
        if identity(node) in seen or len(axes) >= MAX_CHAIN:
            raise InputError(
                f"the chain of depends_on comes back to {node.name}",
                where=file.where(node),
                expected='a chain that ends in "."',
                fix="Correct depends_on in a copy of the file.",
            )
        seen.add(identity(node))
        axes.append(_read_axis(file, node, notes))
        node = next_axis(file, node)
    sizes = {axis.values.size for axis in axes if axis.values.size != 1}
    if len(sizes) > 1 or 0 in sizes:
        listing = ", ".join(f"{a.values.size} in {a.dataset.name}" for a in axes if a.values.size != 1)
        raise InputError(
            f"axes of one chain with different numbers of values: {listing}",
            where=file.where(start),
            expected="one value, or one for each frame",
            fix="Correct these axes in a copy of the file.",
        )
    return axes, notes


def next_axis(file: InputFile, node: Node) -> Node | None:
    """Return the axis that ``depends_on`` of `node` names; None at the end of the chain, or without one.

    Raises
    ------
    InputError
        When there is no such axis.
    """
    path = attribute(node, "depends_on")
    if path is None and isinstance(node, h5py.Group):
        path = read_text(file.dataset(node, "depends_on")) or None
    if path is None or path == ".":
        return None
    home = node if isinstance(node, h5py.Group) and attribute(node, "NX_class") not in AXIS_CLASSES else node.parent
    target: Node | None = None
    reason = "there is nothing"
    try:
        starts = [home, *_groups_of_axes(file, home), home.parent]  # the last two: not the standard, but met
        target = next((t for t in (file.follow(start, path) for start in starts) if t is not None), None)
    except BrokenLink as broken:
        reason = broken.found
    if target is None:
        raise InputError(
            f"depends_on names {path!r}: {reason}",
            where=file.where(node),
            expected='an axis in the same group, a path to one, or "."',
            fix="Correct depends_on in a copy of the file, or bring what it names.",
        )
    return target


def _groups_of_axes(file: InputFile, group: h5py.Group) -> list[h5py.Group]:
    """Return the groups of class NXtransformations in a group: some name an axis in there without the group."""
    found = []
    for name in names(group):
        if isinstance(group.get(name, getlink=True), h5py.HardLink):
            child = file.group(group, name)
            if child is not None and attribute(child, "NX_class") == "NXtransformations":
                found.append(child)
    return found


def _read_axis(file: InputFile, node: Node, notes: list[Note]) -> Axis:
    """Read one axis and say what was guessed."""
    dataset = node if isinstance(node, h5py.Dataset) else _values_of(file, node)
    where = file.where(node)
    if dataset is None or dataset.shape is None or dataset.dtype.kind not in "iuf":
        raise InputError("no values", where=where, expected="an axis with numbers", fix="Correct it in a copy.")
    turns = _turns(node, dataset, where, notes)
    values, why = true_values(file, dataset)
    if why:
        notes.append(Note(f"values of {dataset.name}", why, where, "its offset and scaling factor (NXdata)"))
    unit, kind = attribute(dataset, "units") or attribute(node, "units"), "angle" if turns else "length"
    if unit is None:
        unit = "deg" if turns else "m"
        notes.append(Note(f"unit of {dataset.name}", unit, where, "no unit in the file", guess=True))
    factor = unit_factor(unit, kind, where=where)
    vector = _vector(node, where, notes, turns)
    return Axis(dataset, values.reshape(-1) * factor, vector, _offset(node, unit, turns, where, notes), turns, factor)


def _values_of(file: InputFile, group: h5py.Group) -> h5py.Dataset | None:
    """Values of an axis that is a group."""
    return next((d for d in (file.dataset(group, name) for name in VALUES) if d is not None), None)


def _turns(node: Node, dataset: h5py.Dataset, where: str, notes: list[Note]) -> bool:
    """Tell a rotation from a translation: by its type, otherwise by its unit, otherwise by its name."""
    kind = attribute(node, "transformation_type")
    if kind in ("rotation", "translation"):
        return kind == "rotation"
    unit = attribute(dataset, "units") or attribute(node, "units")
    if unit is not None:
        turns, by = normalise_unit(unit) in KINDS["angle"], f"from its unit {unit}"
    else:
        turns, by = bool(re.search(TURNING, (node.name or "").rsplit("/", 1)[-1].lower())), "from its name"
    word = "rotation" if turns else "translation"
    notes.append(Note(f"type of {node.name}", word, where, f"no transformation_type; {by}", guess=True))
    return turns


def _vector(node: Node, where: str, notes: list[Note], turns: bool) -> NDArray[np.float64]:
    """Direction of an axis: its attribute, otherwise the letter in its name."""
    stored = np.asarray(node.attrs.get("vector", ()))
    vector = stored.astype(np.float64).reshape(-1) if stored.dtype.kind in "iuf" else np.zeros(0)
    if vector.size == 3 and np.isfinite(vector).all() and np.linalg.norm(vector) > 0:
        length = float(np.linalg.norm(vector))
        if not turns and abs(length - 1) > VECTOR_TOLERANCE:
            why = "not of unit length: value x vector as it is written"
            notes.append(Note(f"vector of {node.name}", str(vector.tolist()), where, why, guess=True))
        return vector / length if turns else vector
    match = LETTER.search((node.name or "").rsplit("/", 1)[-1].lower())
    if match is None:
        raise InputError(
            "no vector" if not vector.size else f"vector {vector.tolist()}",
            where=where,
            expected="the direction of the axis, three numbers x, y, z",
            fix="Add its vector in a copy of the file.",
        )
    letter = match[1] or match[2]
    notes.append(Note(f"vector of {node.name}", letter, where, "no vector; from its name", guess=True))
    return np.array(UNIT_VECTORS[letter])


def _offset(node: Node, unit: str, turns: bool, where: str, notes: list[Note]) -> NDArray[np.float64]:
    """Read an axis's offset [m], in its own unit."""
    stored = np.asarray(node.attrs.get("offset", ()))
    offset = stored.astype(np.float64).reshape(-1) if stored.dtype.kind in "iuf" else np.zeros(0)
    if not offset.any():
        return np.zeros(3)
    if offset.size != 3 or not np.isfinite(offset).all():
        raise InputError(
            f"offset {offset.tolist()}", where=where, expected="three numbers", fix="Correct it in a copy of the file."
        )
    own = attribute(node, "offset_units")
    if own is None:
        own = "m" if turns else unit
        notes.append(Note(f"offset_units of {node.name}", own, where, "the file does not say", guess=True))
    return offset * unit_factor(own, "length", where=where)
