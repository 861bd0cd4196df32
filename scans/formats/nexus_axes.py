"""One axis of a NeXus scan: its readings, where it points, and the chain of axes that carries it."""

from __future__ import annotations

from collections.abc import Sequence

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts import Facts
from scans.formats.hdf5 import identity
from scans.formats.nexus_tree import Tree
from scans.formats.streams import (
    are_value_and_spread,
    frame_windows,
    join_streams,
    mean_reading,
    plain_neighbours,
)
from scans.formats.transformations import Axis, carried_direction, chain_translation, read_chain
from scans.formats.values import attribute
from scans.scan import Note

Floats = NDArray[np.float64]

BY_NAME = {"y": (1.0, 0.0), "x": (0.0, 1.0)}
END, INCREMENT = "_end", "_increment_set"
# A vector that moves the sample across the beam by less than this share of its length is not believed.
SMALLEST_SHARE = 0.5


def axis_values(facts: Facts, dataset: h5py.Dataset) -> tuple[Floats, Floats | None]:
    """Read an axis and, of a stage that moves during the exposure, where each ends (NXtransformations).

    The values are where an exposure starts; ``<axis>_end`` is where it ends, or ``<axis>_increment_set`` how far
    it goes.
    """
    values = facts.values(dataset)
    home, last = dataset.parent, (dataset.name or "").rsplit("/", 1)[-1]
    end = facts.file.dataset(home, last + END)
    if end is not None and end.shape == dataset.shape:
        facts.note(f"positions {dataset.name}", "middle of start and end of exposure", end)
        return values, facts.values(end)
    step = facts.file.dataset(home, last + INCREMENT)
    if step is not None and (step.size == 1 or step.shape == dataset.shape):
        facts.note(f"positions {dataset.name}", "middle of start and end of exposure", step, "start + increment")
        return values, values + facts.values(step).reshape(() if step.size == 1 else values.shape)
    return values, None


def direction(facts: Facts, dataset: h5py.Dataset, letter: str) -> Floats:
    """Sample ``(y, x)`` per unit of an axis: from its vector, turned by the axes that carry it, or from its name."""
    by_name = np.asarray(BY_NAME[letter], dtype=np.float64)
    node = dataset if "vector" in dataset.attrs or dataset.name is None else dataset.parent
    vector = np.asarray(node.attrs.get("vector", ()))
    if vector.dtype.kind not in "iuf" or vector.size != 3:
        return by_name
    axes, notes = read_chain(facts.file, node)
    full = carried_direction(axes, 0)
    across = full[1::-1]
    if not np.isfinite(full).all() or np.abs(across).max() <= SMALLEST_SHARE * np.linalg.norm(full):
        return by_name
    why = "its vector (x, y, z)"
    turning = [a for a in axes[1:] if a.turns and a.values.any()]
    if turning:
        _refuse_turning(facts, turning)
        why += ", turned by " + ", ".join(f"{a.dataset.name} ({np.degrees(a.values[0]):.6g} deg)" for a in turning)
    facts.note(f"direction of {dataset.name}", full.tolist(), dataset, why)
    _add_notes(facts, notes, axes[1:])
    return np.ascontiguousarray(across)


def _refuse_turning(facts: Facts, axes: Sequence[Axis]) -> None:
    """Refuse a sample that turns during the scan."""
    for axis in axes:
        if axis.varies:
            raise InputError(
                f"turns from {np.degrees(axis.values.min()):.6g} to {np.degrees(axis.values.max()):.6g} deg",
                where=facts.file.where(axis.dataset),
                expected="a sample that keeps its angles during a scan",
                fix="Split the scan into parts of one angle each.",
            )


def _add_notes(facts: Facts, notes: Sequence[Note], axes: Sequence[Axis]) -> None:
    """Take over notes on axes of a chain, each once."""
    known = {axis.dataset.name for axis in axes}
    facts.notes += [n for n in notes if n not in facts.notes and n.what.rsplit(" ", 1)[-1] in known]


def is_unused_rotation(facts: Facts, dataset: h5py.Dataset, used: Sequence[h5py.Dataset]) -> bool:
    """Tell whether a dataset is a rotation other than 0 that carries none of the axes `used`."""
    if attribute(dataset, "transformation_type") != "rotation" or not np.any(facts.values(dataset)):
        return False
    for axis in used:
        node = axis if "vector" in axis.attrs else axis.parent
        if "vector" in node.attrs:
            chain, _ = read_chain(facts.file, node)
            if any(identity(a.dataset) == identity(dataset) for a in chain):
                return False
    return True


def chain_of_sample(
    facts: Facts, tree: Tree, counts: tuple[int, ...], best: tuple[h5py.Dataset, h5py.Dataset] | None
) -> tuple[tuple[h5py.Group, list[Axis], list[Note]] | None, InputError | None]:
    """Chain that carries the sample, where the scan's positions are the whole of it; what is wrong with one that is.

    That is when an axis of it varies from frame to frame and no two datasets called x and y (`best`) say the
    same already: there are none, or the chain has further axes that vary, such as a coarse stage below.
    """
    broken: InputError | None = None
    for _, group in tree.of("NXsample"):
        try:
            axes, notes = read_chain(facts.file, group)
        except InputError as problem:
            facts.note("axes of the sample", "not used", problem.where, problem.found, guess=True)
            broken = broken or problem
            continue
        moving = [a for a in axes if a.varies and not a.turns]
        if not moving or (counts and moving[0].values.size not in counts):
            continue
        if best is not None:
            ours = {identity(d) for d in best}
            shared = [a for a in moving if identity(a.dataset) in ours]
            if not shared or len(shared) == len(moving):
                continue
        return (group, axes, notes), None
    return None, broken


def keep_chain(facts: Facts, group: h5py.Group, axes: Sequence[Axis], notes: Sequence[Note]) -> None:
    """Keep positions of a sample carried by a chain of axes.

    Two moving axes are kept as written, with where they point as their map; of more, the sum.
    """
    facts.notes += [n for n in notes if n not in facts.notes]
    moving = [i for i, a in enumerate(axes) if a.varies and not a.turns]
    turning = any(a.turns and a.varies for a in axes)
    where = f"{facts.file.where(group)} on {' > '.join(str(a.dataset.name) for a in axes)}"
    why = "displacement of the sample along its chain of axes: the patch moves by +y rows and +x columns"
    _refuse_turning(facts, [a for a in axes if a.turns])
    if len(moving) == 2 and not turning:
        first, second = sorted(moving, key=lambda i: -abs(carried_direction(axes, i)[1]))
        values = np.stack([axes[i].values / axes[i].factor for i in (first, second)], axis=1)
        units = tuple(attribute(axes[i].dataset, "units") or "m" for i in (first, second))
        across = np.stack([carried_direction(axes, i)[1::-1] for i in (first, second)], axis=1)
        names = tuple((axes[i].dataset.name or "").rsplit("/", 1)[-1] for i in (first, second))
        facts.set_positions(where, values, (units[0], units[1]), names=(names[0], names[1]), directions=across, why=why)
        return
    total, _ = chain_translation(facts.file, group)
    facts.set_positions(
        where,
        np.ascontiguousarray(total[:, 1::-1]),
        "m",
        names=("y", "x"),
        directions=np.eye(2),
        why=f"{why}; sum of {len(moving)} moving axes",
    )


def several_readings(facts: Facts, y: h5py.Dataset, x: h5py.Dataset) -> tuple[Floats, str]:
    """Read two axes that hold K values for each frame, ``(P, K, 2)``, and say what was made of them.

    Raises
    ------
    InputError
        When the axes hold different numbers.
    """
    tables = [facts.values(d).reshape(-1, d.shape[-1]) for d in (y, x)]
    widths = [t.shape[1] for t in tables]
    if widths == [2, 2] and are_value_and_spread(tables, [plain_neighbours(facts.file, d) for d in (y, x)]):
        readings = np.stack([t[:, :1] for t in tables], axis=2)
        why = "a value and its spread for each frame, not two readings: the first column is used"
        facts.note("positions", "first of two columns", f"{facts.file.where(y)} and {x.name}", why, guess=True)
        return readings, why
    if widths[0] != widths[1]:
        raise InputError(
            f"{widths[0]} readings a frame in {y.name}, {widths[1]} in {x.name}",
            where=facts.file.where(x),
            expected="as many of y as of x",
            fix="Reduce both to one value a frame in a copy of the file.",
        )
    return np.stack(tables, axis=2), f"mean of {widths[0]} readings a frame"


def streamed(facts: Facts, tree: Tree, y: h5py.Dataset, x: h5py.Dataset) -> tuple[Floats, str] | None:
    """Read two streams with times during each exposure, ``(J, K, 2)``; None where they are no such streams.

    Raises
    ------
    InputError
        When the streams' clock and that of the frames do not fit together.
    """
    if len(y.shape) != 1 or len(x.shape) != 1 or min(y.size, x.size) < 2 * facts.n_in_file:
        return None  # a position table with times is paired by them, not averaged
    exposures = facts.exposures_s if facts.exposures_s is not None else facts.exposure_s
    groups = [group for _, group in tree.of("NXdetector")]
    windows = frame_windows(facts.file, groups, facts.n_in_file, exposures)
    if windows is None:
        return None
    joined = join_streams(facts.file, (y, x), windows)
    if joined is None:
        return None
    readings, why = joined
    facts.note("exposure of each frame", windows.why, windows.where, "for the stream of positions", guess=windows.guess)
    alone = int((~np.isfinite(mean_reading(readings)).all(axis=1)).sum())
    return readings, why + (f"; {alone} frames outside the stream" if alone else "")
