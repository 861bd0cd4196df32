"""Frames outside HDF5 that stay in their file: plain arrays of bytes, decoded members, and stacks joined in order."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.preflight import FRAME_SIDE_RANGE
from scans.formats.stack_frames import StackFrames
from scans.formats.values import MAX_ARRAY_BYTES, MAX_RATIO, human_bytes
from scans.scan import Frames

# A claim below this is believed whatever its packing: an empty mask packs as tightly as anything can.
BELIEVED_BYTES = 64 << 20
COPY_AGAIN = "Copy the file again from its source."


def check_stack(shape: Sequence[int], dtype: np.dtype[Any], where: str) -> None:
    """Check that an array can be a stack of frames: the rules of `scans.formats.preflight` for HDF5.

    Raises
    ------
    InputError
        When it is neither ``(J, h, w)`` nor ``(ny, nx, h, w)``, is empty, holds no counts, or its frames are
        too small or too large.
    """
    low, high = FRAME_SIDE_RANGE
    if dtype.kind not in "biuf":
        found, expected = f"values of type {dtype}", "integer or real detector counts"
    elif len(shape) not in (3, 4) or math.prod(shape) == 0:
        found = f"shape {tuple(shape)}" + (", a single frame" if len(shape) == 2 else "")
        expected = "a stack (frames, rows, columns) or (scan rows, scan columns, rows, columns)"
    elif not all(low <= side <= high for side in shape[-2:]):
        found, expected = f"frames of {shape[-2]} x {shape[-1]} pixels", f"{low} to {high} pixels a side"
    else:
        return
    raise InputError(found, where=where, expected=expected, fix="Name the array that holds the diffraction frames.")


def check_claim(claimed: int, stored: int, where: str) -> None:
    """Refuse packed data that claim far more bytes than their packed size can hold.

    Raises
    ------
    InputError
        Naming both sizes.
    """
    if claimed > BELIEVED_BYTES and claimed > MAX_RATIO * max(stored, 1):
        raise InputError(
            f"claims {human_bytes(claimed)}, but only {human_bytes(stored)} are stored",
            where=where,
            expected=f"data of at least 1/{MAX_RATIO} of the claimed size",
            fix="The file is damaged or was made to fill the memory: take the right file.",
        )


def check_small(claimed: int, where: str) -> None:
    """Refuse to read whole what is too large for anything but frames.

    Raises
    ------
    InputError
        Naming the size.
    """
    if claimed > MAX_ARRAY_BYTES:
        raise InputError(
            f"an array of {human_bytes(claimed)}",
            where=where,
            expected=f"at most {human_bytes(MAX_ARRAY_BYTES)} for anything but frames",
            fix="Check which array this is; frames are read in parts.",
        )


def read_parts(path: str, parts: Sequence[tuple[int, NDArray[Any], str]]) -> None:
    """Fill C-contiguous arrays from the bytes of one file.

    Read, not mapped: a file that is cut while it is mapped would end the program without a word.

    Parameters
    ----------
    path
        The file.
    parts
        ``(offset, array, name for messages)`` of each.

    Raises
    ------
    InputError
        When the file has gone or ends before an array is full.
    """
    where = parts[0][2]
    try:
        with open(path, "rb", buffering=0) as stream:
            for offset, out, name in parts:
                where = name
                view = out.reshape(-1).view(np.uint8).data
                stream.seek(offset)
                while view:
                    got = stream.readinto(view)
                    if not got:
                        raise EOFError(f"the file ends {human_bytes(len(view))} too early")
                    view = view[got:]
    except (OSError, EOFError) as exc:
        raise InputError(
            str(exc) if isinstance(exc, EOFError) else f"cannot be read ({os.strerror(exc.errno or 5)})",
            where=where,
            expected="the file as it was when the scan was opened",
            fix=f"Open the scan again. {COPY_AGAIN}",
        ) from exc


class RawFrames(StackFrames):
    """Frames that lie unpacked in one file, as in ``.npy`` or a stored member of ``.npz``.

    Parameters
    ----------
    path
        The file.
    offset
        Of the first value [bytes].
    stored_shape, dtype
        As written: ``(J, h, w)`` or ``(ny, nx, h, w)``, with the byte order of the file.
    fortran
        The first index runs fastest: every frame is spread over the whole file, which is mapped then.
    where
        Name for messages.
    """

    def __init__(
        self,
        path: Path,
        offset: int,
        stored_shape: tuple[int, ...],
        dtype: np.dtype[Any],
        *,
        fortran: bool = False,
        where: str = "",
    ) -> None:
        h, w = stored_shape[-2:]
        super().__init__((math.prod(stored_shape[:-2]), h, w), dtype)
        self.path, self.offset, self.where = os.path.abspath(path), offset, where or str(path)
        self.stored_shape, self.fortran = stored_shape, fortran
        self.stored_dtype = np.dtype(np.uint8) if dtype.kind == "b" else dtype

    def __repr__(self) -> str:
        return f"RawFrames({self.shape}, {self.dtype}, {self.where})"

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        where = f"{self.where}, frames {start} to {stop - 1}"
        if self.fortran:
            return self._read_spread(start, stop, where)
        out = np.empty((stop - start, *self.shape[1:]), dtype=self.stored_dtype)
        frame_bytes = math.prod(self.shape[1:]) * self.stored_dtype.itemsize
        if out.size:
            read_parts(self.path, [(self.offset + start * frame_bytes, out, where)])
        return out.astype(self.dtype, copy=False)

    def _read_spread(self, start: int, stop: int, where: str) -> NDArray[Any]:
        """Gather frames from a file in which the first index runs fastest."""
        try:
            mapped = np.memmap(self.path, self.stored_dtype, "r", self.offset, self.stored_shape, order="F")
        except (OSError, ValueError) as exc:
            raise InputError(
                "has changed or gone since the scan was opened",
                where=where,
                expected=f"shape {self.stored_shape} {self.stored_dtype}",
                fix="Open the scan again.",
            ) from exc
        per_row = math.prod(self.stored_shape[1:-2])
        first, last = start // per_row, -(-stop // per_row)
        rows = np.asarray(mapped[first:last]).reshape(-1, *self.shape[1:])
        part = rows[start - first * per_row : stop - first * per_row]
        return np.array(part, dtype=self.dtype, order="C")


class DecodedFrames(StackFrames):
    """Frames of a packed member that can only be unpacked as a whole: done once, on first use, and kept.

    Parameters
    ----------
    stored_shape, dtype
        As written.
    decode
        Return the whole array; picklable. A copy in another process unpacks for itself.
    where
        Name for messages.

    Raises
    ------
    InputError
        When the unpacked array would be larger than `MAX_ARRAY_BYTES`.
    """

    def __init__(
        self, stored_shape: tuple[int, ...], dtype: np.dtype[Any], decode: Callable[[], NDArray[Any]], where: str
    ) -> None:
        h, w = stored_shape[-2:]
        super().__init__((math.prod(stored_shape[:-2]), h, w), dtype)
        if self.nbytes > MAX_ARRAY_BYTES:
            raise InputError(
                f"packed frames that need {human_bytes(self.nbytes)} of memory once unpacked",
                where=where,
                expected=f"at most {human_bytes(MAX_ARRAY_BYTES)} in a packed archive, which is unpacked as a whole",
                fix="Save the frames unpacked: numpy.savez instead of numpy.savez_compressed, or a .npy file.",
            )
        self.decode, self.where = decode, where
        self._whole: NDArray[Any] | None = None

    def __repr__(self) -> str:
        return f"DecodedFrames({self.shape}, {self.dtype}, {self.where})"

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "_whole": None}

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        if self._whole is None:
            self._whole = self.decode().reshape(-1, *self.shape[1:]).astype(self.dtype, copy=False)
        return self._whole[start:stop].copy()


class JoinedFrames(StackFrames):
    """Stacks joined in order, such as one file per scan line; the lines may differ in length.

    Parameters
    ----------
    parts
        Any frames of one frame shape and type.
    names
        Of the parts, for messages; the file names.

    Raises
    ------
    InputError
        When there is no part, or one differs in frame shape or type from the first.
    """

    def __init__(self, parts: Sequence[Frames], names: Sequence[str] = ()) -> None:
        labels = list(names) or [f"part {i}" for i in range(len(parts))]
        if not parts:
            raise InputError("no parts", where="joined frames", expected="at least one", fix="Name files with frames.")
        first = parts[0]
        for part, label in zip(parts, labels, strict=True):
            same = tuple(part.shape[1:]) == tuple(first.shape[1:]) and part.dtype == first.dtype
            if len(part.shape) != 3 or not same:
                raise InputError(
                    f"frames {tuple(part.shape[1:])} {part.dtype}",
                    where=label,
                    expected=f"{tuple(first.shape[1:])} {first.dtype} as in {labels[0]}",
                    fix="Move files that do not belong to the scan out of the way, or name the right ones.",
                )
        self.starts = np.cumsum([0, *(part.shape[0] for part in parts)])
        chunk = max(int(getattr(part, "chunk_frames", 1)) for part in parts)
        super().__init__((int(self.starts[-1]), *first.shape[1:]), first.dtype, chunk_frames=chunk)
        self.parts = tuple(parts)

    def __repr__(self) -> str:
        return f"JoinedFrames({self.shape}, {self.dtype}, {len(self.parts)} parts)"

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        out = np.empty((stop - start, *self.shape[1:]), dtype=self.dtype)
        index = int(np.searchsorted(self.starts, start, side="right")) - 1
        while start < stop:
            first, last = int(self.starts[index]), min(int(self.starts[index + 1]), stop)
            if last > start:
                out[len(out) - (stop - start) :][: last - start] = self.parts[index][start - first : last - first]
            start = max(last, start)
            index += 1
        return out
