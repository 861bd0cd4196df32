"""The smallest type that holds counts exactly, found while a stack is filled."""

from __future__ import annotations

import math
from threading import Condition
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError

WHOLE_TYPES: tuple[np.dtype[Any], ...] = tuple(np.dtype(t) for t in (np.uint8, np.uint16, np.uint32))
# All whole numbers up to this are exact in float32 (24 bits of significand, IEEE 754 binary32).
FLOAT32_WHOLE = 1 << 24
CONVERTED_AT_ONCE = 4 << 20


class _Need(NamedTuple):
    """Smallest type for some counts, and whether float32 would hold them too."""

    dtype: np.dtype[Any]
    float32_too: bool

    def __or__(self, other: _Need) -> _Need:
        """Return what both need together."""
        both = self.float32_too and other.float32_too
        if self.dtype.kind == other.dtype.kind == "u":
            return _Need(max(self.dtype, other.dtype, key=lambda t: t.itemsize), both)
        return _Need(np.dtype(np.float32 if both else np.float64), both)


def smallest_exact(*counts: NDArray[Any]) -> np.dtype[Any]:
    """Return the smallest of uint8, uint16, uint32, float32 that holds all counts exactly.

    float64 only where that needs more than float32 has: fractions in double precision, or whole numbers above
    2^24 together with fractions or negative values. uint8 for no counts at all. Not-a-number needs a float.
    """
    need = _Need(WHOLE_TYPES[0], True)
    for block in counts:
        need |= _need(block)
    return need.dtype


def _need(block: NDArray[Any]) -> _Need:
    """Look at one block."""
    if block.size == 0 or block.dtype.kind == "b":
        return _Need(WHOLE_TYPES[0], True)
    high = block.max()
    low = 0 if block.dtype.kind == "u" else block.min()
    # comparisons with NaN are False
    if low >= 0 and high <= np.iinfo(np.uint32).max and _is_whole(block):
        dtype = next(t for t in WHOLE_TYPES if high <= np.iinfo(t).max)
        return _Need(dtype, bool(high <= FLOAT32_WHOLE) or _float32_holds(block))
    both = _float32_holds(block)
    return _Need(np.dtype(np.float32 if both else np.float64), both)


def _is_whole(block: NDArray[Any]) -> bool:
    if block.dtype.kind in "iu":
        return True
    # fractions show at once in a small part
    few = block.reshape(-1)[:4096]
    return bool((np.trunc(few) == few).all()) and bool((np.trunc(block) == block).all())


def _float32_holds(block: NDArray[Any]) -> bool:
    """Tell whether float32 holds the values exactly (whole numbers up to 2^53 are judged right)."""
    if block.dtype.itemsize <= (4 if block.dtype.kind == "f" else 2):
        return True
    double = block.astype(np.float64)
    with np.errstate(over="ignore"):
        return np.array_equal(double.astype(np.float32).astype(np.float64), double, equal_nan=True)


def _set_aside(n_values: int) -> NDArray[np.uint8]:
    """Zeros for float32 values, that no promotion has to move; for the narrowest where that is beyond the system."""
    try:
        return np.zeros(4 * n_values, np.uint8)
    except MemoryError:
        return np.zeros(n_values, np.uint8)


class ExactStack:
    """Stack of frames ``(J, h, w)`` filled block by block, in the smallest type that holds all of them exactly.

    It starts as uint8. When a block does not fit, the stack is promoted where it lies, block by block from its
    end: memory is that of the wider stack and a few MiB, never of two stacks. Address space for four bytes a value is
    set aside at the start; memory is taken as it is filled. Several threads may put blocks at once.

    Parameters
    ----------
    n_frames
        J.
    frame_shape
        ``(h, w)``.
    """

    def __init__(self, n_frames: int, frame_shape: tuple[int, int]) -> None:
        self.shape = (n_frames, *frame_shape)
        self._need = _Need(WHOLE_TYPES[0], True)
        self._filled = 0  # values before this one may differ from zero
        self._bytes: NDArray[np.uint8] | None = _set_aside(math.prod(self.shape))
        self._turn = Condition()
        self._writing = 0  # threads that copy a block at this moment: the stack must not move

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type so far."""
        return self._need.dtype

    @property
    def nbytes(self) -> int:
        """Bytes so far."""
        return math.prod(self.shape) * self.dtype.itemsize

    def put(self, part: slice, block: NDArray[Any]) -> None:
        """Put frames ``(n, h, w)`` into the place `part`; frames never put stay zero.

        Raises
        ------
        InputError
            The block does not have the shape of its place, or the stack was finished.
        """
        place = range(self.shape[0])[part]
        if self._bytes is None or block.shape != (len(place), *self.shape[1:]) or place.step != 1:
            raise InputError(
                f"frames of shape {block.shape} for {part}",
                where="ExactStack.put",
                expected=f"frames of shape {(len(place), *self.shape[1:])}, for a stack not finished",
                fix="Put every block in the place that it was read from, before `finish`.",
            )
        need = self._need if self._surely_holds(block.dtype) else _need(block)
        with self._turn:
            need |= self._need
            if need.dtype != self.dtype:
                self._turn.wait_for(lambda: self._writing == 0)
                need |= self._need  # another thread may have been here meanwhile
                self._promote(need)
            self._need = need
            self._filled = max(self._filled, place.stop * math.prod(self.shape[1:]))
            self._writing += 1
        try:
            self._values()[place.start : place.stop] = block
        finally:
            with self._turn:
                self._writing -= 1
                self._turn.notify_all()

    def _surely_holds(self, dtype: np.dtype[Any]) -> bool:
        """Tell whether the stack, by need, has a type that holds all values of another: none is looked at."""
        if self.dtype.kind == dtype.kind == "u":
            return dtype.itemsize <= min(self.dtype.itemsize, 2)  # whole numbers up to 2^16 are float32 numbers too
        return bool(self.dtype == dtype == np.float32)

    def finish(self, keep: NDArray[np.int64] | None = None) -> NDArray[Any]:
        """Return the frames and give them up; `keep` lists those wanted, in increasing order.

        Kept frames are moved to the front in place, and the memory of the others is given back.
        """
        values = self._values()
        for k, j in enumerate([] if keep is None else keep):
            if k != j:
                values[k] = values[j]
        del values  # no view may be left when the memory moves
        self.shape = self.shape if keep is None else (len(keep), *self.shape[1:])
        self._bytes = self._resized(self.nbytes)
        values, self._bytes = self._values(), None
        return values

    def _values(self) -> NDArray[Any]:
        if self._bytes is None:
            raise RuntimeError("the stack was finished")
        return self._bytes[: self.nbytes].view(self.dtype).reshape(self.shape)

    def _resized(self, n_bytes: int) -> NDArray[np.uint8]:
        """Grow or shrink the memory, in place where the system can (new bytes are zero)."""
        if self._bytes is None:
            raise RuntimeError("the stack was finished")
        self._bytes.resize(n_bytes, refcheck=False)  # views of it never leave this object before `finish`
        return self._bytes

    def _promote(self, need: _Need) -> None:
        """Convert what is there to a wider type, last values first: they move towards the end."""
        old, size = self.dtype, math.prod(self.shape)
        self._need = need
        if need.dtype == old or size == 0 or self._bytes is None:
            return
        memory = self._resized(max(size * need.dtype.itemsize, self._bytes.size))
        narrow, wide = memory[: size * old.itemsize].view(old), memory[: size * need.dtype.itemsize].view(need.dtype)
        for stop in range(self._filled, 0, -CONVERTED_AT_ONCE):
            start = max(stop - CONVERTED_AT_ONCE, 0)
            wide[start:stop] = narrow[start:stop].copy()
