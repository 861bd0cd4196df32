"""Chunks unpacked by the filters of the plugin package, called past the HDF5 library.

The library unpacks under its one lock; a filter itself needs none. So its function is taken from the plugin, by the
interface that every plugin of HDF5 has (``H5PLget_plugin_info``, ``H5Z_class2_t``, ``H5Z_func_t``: H5PLextern.h and
H5Zpublic.h of HDF5), and several threads unpack at once. Only on Linux, where library, plugins and we share one
allocator; elsewhere, and for any filter not listed here, the library does it.
"""

from __future__ import annotations

import ctypes
import struct
import sys
import weakref
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

# Registered filters (HDF Group's list of registered filter plugins) and the file names in the package.
BITSHUFFLE = 32008
PLUGINS = {32001: "h5blosc", 32004: "h5lz4", BITSHUFFLE: "h5bshuf", 32015: "h5zstd", 32026: "h5blosc2"}
REVERSE = 0x0100  # H5Z_FLAG_REVERSE: unpack
_LENGTH = struct.Struct(">I")
Unpack = Callable[[bytes, tuple[int, ...], int], NDArray[np.uint8]]


class _FilterClass(ctypes.Structure):
    """``H5Z_class2_t``."""

    _fields_ = (
        ("version", ctypes.c_int),
        ("id", ctypes.c_int),
        ("encoder_present", ctypes.c_uint),
        ("decoder_present", ctypes.c_uint),
        ("name", ctypes.c_char_p),
        ("can_apply", ctypes.c_void_p),
        ("set_local", ctypes.c_void_p),
        ("filter", ctypes.c_void_p),
    )


# H5Z_func_t: flags, number of parameters, parameters, bytes in, size of the buffer, buffer
_FilterFunction = ctypes.CFUNCTYPE(
    ctypes.c_size_t,
    ctypes.c_uint,
    ctypes.c_size_t,
    ctypes.POINTER(ctypes.c_uint),
    ctypes.c_size_t,
    ctypes.POINTER(ctypes.c_size_t),
    ctypes.POINTER(ctypes.c_void_p),
)


@lru_cache
def unpacker(filter_id: int) -> Unpack | None:
    """Return a function that unpacks chunks of a filter, or None where the library has to do it.

    ``unpack(packed, parameters, size)`` gives the ``size`` bytes as an array; OSError where the chunk is damaged.
    It may run in several threads at once. Chunks packed by bitshuffle must have been checked (`bitshuffled_fits`).
    """
    if filter_id not in PLUGINS or sys.platform != "linux":
        return None
    import hdf5plugin

    path = Path(hdf5plugin.PLUGIN_PATH) / f"lib{PLUGINS[filter_id]}.so"
    try:
        library, allocator = ctypes.CDLL(str(path)), ctypes.CDLL(None)
        library.H5PLget_plugin_info.restype = ctypes.POINTER(_FilterClass)
        info = library.H5PLget_plugin_info().contents
    except (OSError, AttributeError):  # another build of the package
        return None
    if info.id != filter_id or not info.filter or not info.decoder_present:
        return None
    function = _FilterFunction(info.filter)
    allocator.malloc.restype, allocator.malloc.argtypes = ctypes.c_void_p, (ctypes.c_size_t,)
    allocator.free.restype, allocator.free.argtypes = None, (ctypes.c_void_p,)

    def unpack(packed: bytes, parameters: tuple[int, ...], size: int) -> NDArray[np.uint8]:
        # the filter frees the buffer that it is given and allocates the one that it returns
        buffer = ctypes.c_void_p(allocator.malloc(max(len(packed), 1)))
        if not buffer.value:
            raise MemoryError
        ctypes.memmove(buffer, packed, len(packed))
        held = ctypes.c_size_t(len(packed))
        values = (ctypes.c_uint * len(parameters))(*parameters)
        try:
            n = function(REVERSE, len(parameters), values, len(packed), ctypes.byref(held), ctypes.byref(buffer))
            if n != size or held.value < size or not buffer.value:
                raise OSError(f"unpacked to {n} bytes instead of {size}")
        except OSError:
            allocator.free(buffer)
            raise
        memory = (ctypes.c_ubyte * size).from_address(buffer.value)
        weakref.finalize(memory, allocator.free, buffer).atexit = False
        return np.ctypeslib.as_array(memory)  # holds `memory`

    return unpack


def bitshuffled_fits(packed: bytes, size: int, item: int, parameters: tuple[int, ...]) -> bool:
    """Tell whether a chunk of bitshuffle is as long as it must be; the plugin would read beyond its end.

    Parameters
    ----------
    packed
        The chunk.
    size
        Bytes when unpacked.
    item
        Bytes of a value of the dataset.
    parameters
        Of the filter: the third is the bytes of a value, the fifth says whether blocks are packed.
    """
    if len(parameters) > 2 and parameters[2]:
        item = parameters[2]
    packs = len(parameters) > 4 and parameters[4] != 0
    return blocks_fit(packed, size, item) if packs else len(packed) == size


def blocks_fit(packed: bytes, size: int, item: int) -> bool:
    """Tell whether the blocks of a packed chunk lie within it and make up the chunk.

    The layout is that of the plugin's own documentation: length when unpacked (8 bytes, big-endian), length of a block
    (4 bytes), then each block with its packed length (4 bytes) before it; what is left of the values beyond a multiple
    of eight follows as it is. Parameters as for `bitshuffled_fits`, `item` being that of the filter.
    """
    if len(packed) < 12:
        return False
    whole, block = struct.unpack_from(">QI", packed)
    if whole != size or block == 0 or block % (8 * item):
        return False
    count, rest = divmod(size, block)
    count += rest >= 8 * item
    at, end = 12, len(packed) - rest % (8 * item)
    try:
        for _ in range(count):
            at += 4 + _LENGTH.unpack_from(packed, at)[0]
    except struct.error:  # beyond the end
        return False
    return at <= end
