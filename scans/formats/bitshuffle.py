"""Chunks packed by bitshuffle are checked before the library unpacks them: a damaged one would crash it.

The plugin believes the lengths that a chunk states and reads beyond its end. Bitshuffle is what most pixel detectors
write, so these lengths are added up first (`plugin_filters.bitshuffled_fits`), here for what the library reads.
"""

from __future__ import annotations

import itertools
import math
import os

import h5py

from scans.formats.chunks import most_packed_bytes
from scans.formats.opening import open_file
from scans.formats.plugin_filters import BITSHUFFLE, bitshuffled_fits

MAX_DEPTH = 4
# Source files of virtual data that are known to be sound: path, time of change, size, dataset.
_sound: set[tuple[str, int, int, str]] = set()
MAX_KNOWN = 100_000

Box = tuple[slice, ...]


def check_packed(dataset: h5py.Dataset, box: Box | None = None, depth: int = 0) -> None:
    """Check the chunks of a box, in the sources too where the data are virtual.

    Parameters
    ----------
    dataset
        Any; one that bitshuffle has not packed passes.
    box
        One slice an axis, step 1, within the shape; all of the dataset by default.

    Raises
    ------
    OSError
        A chunk is damaged.
    """
    if dataset.is_virtual and depth < MAX_DEPTH:
        _check_sources(dataset, box, depth)
        return
    packing = _packing(dataset)
    if packing is None:
        return
    box = box or tuple(slice(0, n) for n in dataset.shape)
    cells = (range(s.start // c, -(-s.stop // c)) for s, c in zip(box, dataset.chunks, strict=True))
    size = math.prod(dataset.chunks) * dataset.dtype.itemsize
    for cell in itertools.product(*cells):
        _check_chunk(dataset, tuple(i * c for i, c in zip(cell, dataset.chunks, strict=True)), packing, size)


def _packing(dataset: h5py.Dataset) -> tuple[int, tuple[int, ...]] | None:
    """Place among the filters, and parameters; None without bitshuffle.

    Where another filter came after it, that one has sums or lengths of its own.
    """
    if dataset.chunks is None:
        return None
    plist = dataset.id.get_create_plist()
    last = plist.get_nfilters() - 1
    if last < 0 or plist.get_filter(last)[0] != BITSHUFFLE:
        return None
    return last, plist.get_filter(last)[2]


def _check_chunk(
    dataset: h5py.Dataset, offset: tuple[int, ...], packing: tuple[int, tuple[int, ...]], size: int
) -> None:
    place, parameters = packing
    info = dataset.id.get_chunk_info_by_coord(offset)
    if info.byte_offset is None or info.filter_mask >> place & 1:
        return
    if info.size > most_packed_bytes(size):
        raise OSError(f"chunk {offset} claims {info.size} bytes, packed from {size}")
    if not bitshuffled_fits(dataset.id.read_direct_chunk(offset)[1], size, dataset.dtype.itemsize, parameters):
        raise OSError(f"chunk {offset} is damaged")


def _check_sources(dataset: h5py.Dataset, box: Box | None, depth: int) -> None:
    """Check whole sources that a box of virtual data needs, each once; `reach` has located them before."""
    folder = os.path.dirname(dataset.file.filename)
    for mapping in dataset.virtual_sources():
        if box is not None and not _touches(mapping.vspace, box):
            continue
        own = mapping.file_name == "."
        name = dataset.file.filename if own else os.path.join(folder, mapping.file_name.replace("%%", "%"))
        path = os.path.realpath(name)
        inner = mapping.dset_name.replace("%%", "%")
        info = os.stat(path)
        key = (path, info.st_mtime_ns, info.st_size, inner)
        if key in _sound:
            continue
        if own:
            check_packed(dataset.file[inner], depth=depth + 1)
        else:
            with open_file(path) as file:
                check_packed(file[inner], depth=depth + 1)
        if len(_sound) >= MAX_KNOWN:
            _sound.clear()
        _sound.add(key)


def _touches(space: h5py.h5s.SpaceID, box: Box) -> bool:
    """Tell whether the bounds of a selection meet a box."""
    try:
        low, high = space.get_select_bounds()
    except (RuntimeError, ValueError):  # a selection without end
        return True
    return all(a < s.stop and b >= s.start for a, b, s in zip(low, high, box, strict=True))
