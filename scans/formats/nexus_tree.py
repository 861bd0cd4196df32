"""The groups of a NeXus entry by class, and its datasets of frames."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import dataclass
from itertools import pairwise

import h5py
import numpy as np

from scans.errors import InputError
from scans.formats.hdf5 import BrokenLink, InputFile, Node, identity, named_frames, names
from scans.formats.lazy import lazy_frames
from scans.formats.values import attribute

# Names of the CXI side of a file that is both: such groups need no class.
CLASS_BY_NAME = {"data": "NXdata", "detector": "NXdetector", "sample": "NXsample"}
NOT_FRAMES = (
    "spectrum",
    "scalar",
    "vertex",
    "rgb-image",
    "rgba-image",
    "hsl-image",
    "hsla-image",
    "cmyk-image",
)
BLOCK = r"data_\d{6}"
# First and last frame of a block, counted from 1.
LOW, HIGH = "image_nr_low", "image_nr_high"


@dataclass
class Tree:
    """All groups of one entry by class, in the order of the file, and its broken links."""

    file: InputFile
    entry: str
    root: h5py.Group
    groups: dict[str, list[tuple[str, h5py.Group]]] = dataclasses.field(default_factory=dict)
    broken: list[BrokenLink] = dataclasses.field(default_factory=list)

    def of(self, name: str) -> list[tuple[str, h5py.Group]]:
        """``(path, group)`` of every group of class `name`."""
        return self.groups.get(name, [])


@dataclass(frozen=True)
class Stack:
    """Datasets of frames, joined in order, and the path by which they were found."""

    path: str
    datasets: tuple[h5py.Dataset, ...]

    @property
    def key(self) -> tuple[tuple[int, int], ...]:
        """Equal for two paths to the same data."""
        return tuple(identity(d) for d in self.datasets)

    @property
    def n_values(self) -> int:
        """Number of values in all datasets."""
        return sum(int(d.size) for d in self.datasets)


def grow(file: InputFile, entry: str) -> Tree:
    """Collect the groups of an entry."""
    root = file.group(file.root, entry)
    if root is None:
        fix = "Check the name after '::'."
        raise InputError("no such entry", where=file.where(entry), expected="a group", fix=fix)
    tree = Tree(file, entry, root)
    for path, node in file.walk(root, entry):
        if isinstance(node, BrokenLink):
            tree.broken.append(node)
        elif isinstance(node, h5py.Group):
            name = class_of(path, node)
            if name:
                tree.groups.setdefault(name, []).append((path, node))
    return tree


def class_of(path: str, node: Node) -> str | None:
    """Class of a group: its attribute, otherwise what a CXI name ``class_N`` stands for."""
    numbered = re.fullmatch(r"(data|detector|sample)_\d+", path.rsplit("/", 1)[-1])
    return attribute(node, "NX_class") or (CLASS_BY_NAME[numbered[1]] if numbered else None)


def find_stacks(tree: Tree) -> tuple[list[Stack], list[Stack], list[BrokenLink]]:
    """Find datasets that may hold frames.

    Returns
    -------
    stacks, others, broken
        Stacks of images, the default one first and each once; arrays that are none (for messages); broken
        links where frames should be.
    """
    stacks: list[Stack] = []
    others: list[Stack] = []
    broken: list[BrokenLink] = []
    seen = set()
    default = attribute(tree.root, "default")
    data = sorted(tree.of("NXdata"), key=lambda item: item[0] != f"{tree.entry}/{default}")
    for path, group in [*data, *tree.of("NXdetector")]:
        try:
            stack = _signal(tree.file, path, group)
        except BrokenLink as problem:
            broken.append(problem)
            continue
        if stack is None or stack.key in seen:
            continue
        seen.add(stack.key)
        (stacks if _is_stack(stack) else others).append(stack)
    return stacks, others, broken


def named_stack(file: InputFile, path: str) -> Stack:
    """Return the frames that the user named: a dataset, or a group with a signal.

    Raises
    ------
    InputError
        When there are none.
    """
    group = file.group(file.root, path)
    stack = None if group is None else _signal(file, path.rstrip("/"), group)
    if stack is not None:
        return stack
    full, dataset = named_frames(file, path)
    return Stack(full, (dataset,))


def field(file: InputFile, group: h5py.Group | None, name: str) -> h5py.Dataset | None:
    """Dataset `name` of a group, or the values of the log that stands in its place (NXlog: any field may be one)."""
    node = None if group is None else file.follow(group, name)
    if isinstance(node, h5py.Group):
        node = file.follow(node, "value")
    return node if isinstance(node, h5py.Dataset) else None


def _signal(file: InputFile, path: str, group: h5py.Group) -> Stack | None:
    """Return the signal of a group; a numbered block stands for all of its blocks."""
    name = attribute(group, "signal") or _marked_signal(file, group) or "data"
    blocks = sorted(n for n in names(group) if re.fullmatch(BLOCK, n))
    if blocks and (re.fullmatch(BLOCK, name) or name not in group):
        datasets = [(n, d) for n in blocks if (d := file.dataset(group, n)) is not None and d.shape]
        return Stack(f"{path}/{blocks[0]}", _in_order(file, path, datasets)) if datasets else None
    dataset = file.dataset(group, name)
    return None if dataset is None or not dataset.shape else Stack(f"{path}/{name}", (dataset,))


def _in_order(file: InputFile, path: str, blocks: list[tuple[str, h5py.Dataset]]) -> tuple[h5py.Dataset, ...]:
    """Blocks in the order of their frames: by their attributes image_nr_low and image_nr_high, else by name."""
    try:
        ranges = [(int(attribute(d, LOW) or ""), int(attribute(d, HIGH) or "")) for _, d in blocks]
    except ValueError:
        numbers = [int(name.rsplit("_", 1)[-1]) for name, _ in blocks]
        ranges = [(n, n) for n in numbers]
    order = sorted(range(len(blocks)), key=lambda i: ranges[i])
    if min(ranges[order[0]]) > 1:
        raise _missing_block(file, path, blocks[order[0]][0], f"nothing before number {ranges[order[0]][0]}")
    for one, next_one in pairwise(order):
        if ranges[next_one][0] != ranges[one][1] + 1:
            text = f"number {ranges[one][1]} is followed by {ranges[next_one][0]}"
            raise _missing_block(file, path, blocks[next_one][0], text)
    return tuple(blocks[i][1] for i in order)


def _missing_block(file: InputFile, path: str, name: str, found: str) -> BrokenLink:
    """Return the error for blocks that do not follow each other."""
    return BrokenLink(
        f"a block is missing or there twice: {found}",
        where=file.where(f"{path}/{name}"),
        expected="blocks of frames numbered without a gap from 1 (their names, or image_nr_low and image_nr_high)",
        fix=f"Bring the missing block, or name the one to use, such as {file.path}::{path}/{name}",
    )


def _marked_signal(file: InputFile, group: h5py.Group) -> str | None:
    """Child with the old attribute ``signal=1``."""
    for name in names(group):
        try:
            node = file.follow(group, name)
        except BrokenLink:
            continue
        if isinstance(node, h5py.Dataset) and attribute(node, "signal") == "1":
            return name
    return None


def _is_stack(stack: Stack) -> bool:
    """Tell whether a signal may be a stack of diffraction frames."""
    first = stack.datasets[0]
    same = all(d.shape[-2:] == first.shape[-2:] and d.dtype == first.dtype for d in stack.datasets)
    fits = len(first.shape) >= 3 and min(first.shape[-2:]) >= 8 and first.dtype.kind in "biuf"
    return same and fits and attribute(first, "interpretation") not in NOT_FRAMES


def copies_equal(one: Stack, other: Stack) -> bool:
    """Compare three frames of two stacks of equal size."""
    a, b = lazy_frames(list(one.datasets)), lazy_frames(list(other.datasets))
    picks = {0, len(a) // 2, len(a) - 1}
    return a.shape == b.shape and all(np.array_equal(a[j], b[j], equal_nan=a.dtype.kind == "f") for j in picks)
