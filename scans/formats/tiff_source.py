"""TIFF stacks: one file of many frames, many files of one frame, or anything between.

The chain of frames is followed by ourselves (TIFF 6.0, section 2; BigTIFF with 8-byte offsets): a library that meets
a cut file only logs it, and returns a shorter stack.
"""

from __future__ import annotations

import logging
import math
import os
import re
import struct
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.array_frames import COPY_AGAIN, check_claim, check_small, check_stack, read_parts
from scans.formats.items import Item
from scans.formats.stack_frames import StackFrames
from scans.formats.table_header import header_values

if TYPE_CHECKING:
    import tifffile

MAX_PAGES = 1_000_000
MAX_TEXT = 10_000
# Keys with which image programs describe the stack itself.
IMAGE_WORDS = {"ImageJ", "images", "slices", "channels", "frames", "min", "max", "spacing", "finterval"}
COLOURS = {2: "red, green, blue", 3: "a palette", 5: "print colours", 6: "video colours", 8: "CIE colours"}


@dataclass(frozen=True)
class Page:
    """One frame: where its directory and, if it lies unpacked in one piece, its pixels are."""

    file: str
    directory: int
    data: int | None
    number: int  # in its file, from 0

    @property
    def where(self) -> str:
        """Name for messages."""
        return f"{self.file}, frame {self.number} of the file"


class TiffFrames(StackFrames):
    """Frames ``(J, h, w)`` in TIFF files, read page by page.

    Parameters
    ----------
    pages
        In order; checked to be alike.
    frame_shape, dtype
        Of every page, with the byte order of the files.
    """

    def __init__(self, pages: Sequence[Page], frame_shape: tuple[int, int], dtype: np.dtype[Any]) -> None:
        super().__init__((len(pages), *frame_shape), dtype)
        self.pages, self.stored_dtype = tuple(pages), dtype

    def __repr__(self) -> str:
        return f"TiffFrames({self.shape}, {self.dtype}, {self.pages[0].file} ...)"

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        out = np.empty((stop - start, *self.shape[1:]), dtype=self.dtype)
        raw = out if self.dtype == self.stored_dtype else out.view(self.stored_dtype)
        plain: dict[str, list[tuple[int, NDArray[Any], str]]] = {}
        packed: dict[str, list[int]] = {}
        for j in range(start, stop):
            page = self.pages[j]
            if page.data is None:
                packed.setdefault(page.file, []).append(j)
            else:
                part = (page.data, raw[j - start], f"{page.where} (frame {j} of the scan)")
                plain.setdefault(page.file, []).append(part)
        for file, parts in plain.items():
            read_parts(file, parts)
        if raw is not out and plain:
            out = raw.astype(self.dtype)
        for file, members in packed.items():
            with _opened(file) as tif:
                for j in members:
                    out[j - start] = self._unpack(tif, j)
        return out

    def _unpack(self, tif: tifffile.TiffFile, j: int) -> NDArray[Any]:
        """Read one packed page."""
        page = self.pages[j]
        with _damage_named(f"{page.where} (frame {j} of the scan)", "damaged pixels"):
            frame = _page(tif, page).asarray(maxworkers=1)
            if frame.shape != self.shape[1:] or frame.dtype.newbyteorder("=") != self.stored_dtype.newbyteorder("="):
                raise ValueError(f"{frame.shape} {frame.dtype}")
        return np.asarray(frame)


def tiff_item(files: Sequence[Path], name: str) -> Item:
    """List a TIFF file, or a series of them in order, as one item: ``(J, h, w)``, or ``(h, w)`` for a single frame.

    The frames are counted here, and checked when they are asked for.

    Raises
    ------
    InputError
        When a file is no TIFF file or truncated, or the first cannot be described.
    """
    n_pages = sum(_count(file) for file in files)
    with _opened(str(files[0])) as tif, _damage_named(str(files[0]), "damaged"):
        first = tif.pages.first
        size, dtype = tuple(int(n) for n in first.shape), first.dtype
        n_pages *= _contiguous_images(tif) if n_pages == 1 else 1
        packing = getattr(first.compression, "name", str(first.compression)).lower()
        facts = {"compression": packing, "description": str(first.description)[:MAX_TEXT]}
    if dtype is None:
        fix = "Export the frames with whole bytes a pixel."
        raise InputError("pixels of unknown type", where=str(files[0]), expected="integer or real counts", fix=fix)
    shape = (n_pages, *size) if n_pages > 1 else size
    paths = tuple(files)

    def read() -> NDArray[Any]:
        check_small(math.prod(shape) * dtype.itemsize, name)
        values = tiff_frames(paths, checked=False)[:]
        return values if n_pages > 1 else values[0]

    frames = (lambda: tiff_frames(paths)) if n_pages > 1 else None
    native = np.dtype(dtype).newbyteorder("=")
    return Item(name, shape, native, None, read, frames, facts)


def description_items(item: Item) -> list[Item]:
    """List the ``key = value`` lines of a file's description as ``NAME@key``."""
    values, _ = header_values(str(item.attributes["description"]).splitlines(), lambda line: [line])
    return [
        Item(f"{item.path}@{v.name}", v.values.shape, v.values.dtype, v.unit, v.values.copy)
        for v in values
        if v.name not in IMAGE_WORDS
    ]


def tiff_frames(files: Sequence[Path], *, checked: bool = True) -> TiffFrames:
    """Make lazy frames of TIFF files in the given order, all pages of each.

    Parameters
    ----------
    files
        At least one.
    checked
        Refuse what cannot be diffraction frames; off for a mask or dark frame of any size.

    Raises
    ------
    InputError
        Naming the file and page that is empty, truncated, packed with an unknown method, in colour, or differs in
        shape or type from the first.
    """
    pages: list[Page] = []
    first: tuple[tuple[int, ...], np.dtype[Any]] | None = None
    claimed = stored = 0
    for file in files:
        for page, shape, dtype, size in _pages(file):
            first = first or (shape, dtype)
            if shape != first[0] or dtype.newbyteorder("=") != first[1].newbyteorder("="):
                raise InputError(
                    f"a frame of {shape} {dtype}",
                    where=page.where,
                    expected=f"{first[0]} {first[1]} as in {pages[0].file}",
                    fix="Move files that do not belong to the scan out of the way, or name the right ones.",
                )
            if dtype != first[1] and page.data is not None:  # the same type in the other byte order
                page = Page(page.file, page.directory, None, page.number)
            pages.append(page)
            claimed, stored = claimed + math.prod(shape) * dtype.itemsize, stored + size
    if first is None:
        raise InputError("no files", where="TIFF series", expected="at least one", fix="Name the files.")
    where = str(files[0])
    if checked:
        check_stack((len(pages), *first[0]), first[1], where)
    check_claim(claimed, stored, where)
    return TiffFrames(pages, (first[0][0], first[0][1]), first[1])


def _pages(file: Path) -> Iterator[tuple[Page, tuple[int, ...], np.dtype[Any], int]]:
    """Yield every page of a file, checked: itself, shape, type, stored bytes."""
    size = os.path.getsize(file)
    directories = list(_directories(file))
    with _opened(str(file)) as tif:
        images = _contiguous_images(tif) if len(directories) == 1 else 1
        for number, directory in enumerate(directories):
            page = Page(str(file), directory, None, number)
            with _damage_named(page.where, "a damaged description of the frame"):
                found = _page(tif, page)
                _check_page(found, page.where, size)
                shape, stored = tuple(int(n) for n in found.shape), sum(found.databytecounts)
                dtype = np.dtype(found.dtype).newbyteorder(tif.byteorder)
                data = found.dataoffsets[0] if found.is_contiguous and found.is_final else None
            if images > 1 and data is not None:
                for k in range(images):
                    yield Page(str(file), directory, data + k * found.nbytes, k), shape, dtype, found.nbytes
            else:
                yield Page(str(file), directory, data, number), shape, dtype, stored


def _check_page(page: tifffile.TiffPage, where: str, size: int) -> None:
    """Check that a page is one plane of counts whose pixels are all in the file."""
    import tifffile

    found = expected = fix = ""
    ends = [o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=True)]
    packing = getattr(page.compression, "name", str(page.compression))
    if page.photometric in COLOURS or page.samplesperpixel != 1 or len(page.shape) != 2:
        found = f"a picture of shape {page.shape} in {COLOURS.get(int(page.photometric), 'several channels')}"
        expected, fix = "one grey value a pixel", "Export the counts, not a picture of them."
    elif page.dtype is None or np.dtype(page.dtype).kind not in "biuf":
        found = f"pixels of {page.bitspersample} bits, sample format {page.sampleformat}"
        expected, fix = "integer or real counts of 8, 16, 32 or 64 bits", "Export the frames with whole bytes a pixel."
    elif page.compression not in tifffile.TIFF.DECOMPRESSORS or page.predictor not in tifffile.TIFF.UNPREDICTORS:
        found, expected = (
            f"packed with method {int(page.compression)} ({packing})",
            "unpacked, deflate, packbits or LZMA TIFF",
        )
        fix = "Export the frames unpacked (or with deflate, also called zip), or install the package imagecodecs."
    elif not ends or max(ends) > size:
        found = f"truncated: its pixels end at byte {max(ends, default=0)}, the file at {size}"
        expected, fix = "all pixels in the file", COPY_AGAIN
    elif 0 in page.databytecounts or 0 in page.dataoffsets:
        found, expected, fix = "pixels that were never written", "all pixels in the file", COPY_AGAIN
    elif page.is_final and sum(page.databytecounts) < page.nbytes:
        found = f"{sum(page.databytecounts)} bytes of pixels for {page.shape} {page.dtype}"
        expected, fix = f"{page.nbytes} bytes", COPY_AGAIN
    if found:
        raise InputError(found, where=where, expected=expected, fix=fix)


def _contiguous_images(tif: tifffile.TiffFile) -> int:
    """Frames that follow one another behind a single directory, as some programs write above 4 GB; else 1.

    They say so in the description (``images=400``), and the file must hold them.
    """
    with _damage_named(str(tif.filename), "a damaged description of the frame"):
        page = tif.pages.first
        match = re.search(r"^images=(\d+)\s*$", str(page.description), re.MULTILINE)
        n = int(match[1]) if match and len(match[1]) < 9 else 1
        if n <= 1 or not (page.is_contiguous and page.is_final):
            return 1
        have = tif.filehandle.size - page.dataoffsets[0]
    if have < n * page.nbytes:
        raise InputError(
            f"truncated: its description says {n} frames, it holds {have // max(page.nbytes, 1)}",
            where=str(tif.filename),
            expected=f"{n * page.nbytes} bytes of pixels",
            fix=COPY_AGAIN,
        )
    return n


def _count(file: Path) -> int:
    """Pages of a file."""
    return sum(1 for _ in _directories(file))


def _directories(file: Path) -> Iterator[int]:
    """Yield the offset of every page's directory.

    Raises
    ------
    InputError
        When the chain leads out of the file, or in a circle.
    """
    with _damage_named(str(file), "cannot be read"), open(file, "rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(0)
        head = stream.read(16)
        order = {b"II": "<", b"MM": ">"}.get(head[:2], "")
        version = struct.unpack_from(order + "H", head, 2)[0] if order and len(head) >= 8 else 0
        if version not in (42, 43):
            found = "empty: 0 bytes" if not head else f"not a TIFF file ({size} bytes, no TIFF signature)"
            raise InputError(found, where=str(file), expected="a TIFF file", fix=f"{COPY_AGAIN} Or take it out.")
        big = version == 43
        count, entry, link = ("Q", 20, "Q") if big else ("H", 12, "I")
        offset = struct.unpack_from(order + link, head, 8 if big else 4)[0]
        seen: set[int] = set()
        while offset:
            if offset in seen or len(seen) >= MAX_PAGES:
                raise _cut(file, len(seen), "comes round to an earlier frame")
            seen.add(offset)
            stream.seek(min(offset, size))
            raw = stream.read(struct.calcsize(count))
            n = struct.unpack(order + count, raw)[0] if len(raw) == struct.calcsize(count) else size
            after = offset + len(raw) + n * entry
            if after + struct.calcsize(link) > size:
                raise _cut(file, len(seen) - 1, f"points to byte {offset}, behind or across the end at {size}")
            yield offset
            stream.seek(after)
            offset = struct.unpack(order + link, stream.read(struct.calcsize(link)))[0]
        if not seen:
            raise _cut(file, 0, "has no first frame")


def _cut(file: Path, n: int, how: str) -> InputError:
    """Return the error for a broken chain of frames."""
    return InputError(
        f"truncated or damaged after {n} frames: the list of frames {how}",
        where=str(file),
        expected="a complete TIFF file",
        fix=f"{COPY_AGAIN} A file cut in writing holds no more than these frames.",
    )


def _page(tif: tifffile.TiffFile, page: Page) -> tifffile.TiffPage:
    """Return the library's page at a directory."""
    import tifffile

    if page.number == 0:
        return tif.pages.first
    tif.filehandle.seek(page.directory)
    return tifffile.TiffPage(tif, page.number)


@contextmanager
def _opened(file: str) -> Iterator[tifffile.TiffFile]:
    """Open a file with the library, which never opens other files that this one names."""
    import tifffile

    log = logging.getLogger("tifffile")
    if not log.handlers:
        log.addHandler(logging.NullHandler())  # our own errors say what is wrong; its log would come on top
    with _damage_named(file, "cannot be read"):
        tif = tifffile.TiffFile(file)
    try:
        yield tif
    finally:
        tif.close()


@contextmanager
def _damage_named(where: str, found: str) -> Iterator[None]:
    """Turn whatever the library raises on a damaged file into one error."""
    try:
        yield
    except InputError:
        raise
    except Exception as exc:  # the parser meets a stranger's bytes: any type can come
        raise InputError(
            f"{found} ({type(exc).__name__})",
            where=where,
            expected="a readable TIFF file",
            fix="Check name and rights." if isinstance(exc, FileNotFoundError | PermissionError) else COPY_AGAIN,
        ) from exc
