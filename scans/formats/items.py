"""What a file or folder of unknown layout holds: named arrays and numbers, whatever wrote them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from scans.scan import Finding, Frames


@dataclass(frozen=True)
class Item:
    """One array or number, as much as can be known without reading it.

    Parameters
    ----------
    path
        Its name in the source: ``/raw/stack`` or ``/raw@energy`` (attribute) of an HDF5 file, the key of a NumPy
        archive, ``table.txt:column`` of a text table, the pattern of single-frame files.
    shape, dtype
        Of the whole array; ``()`` for a number.
    unit
        As the source says; None where it is silent.
    read
        Return the whole array, refusing with `InputError` what is too large for anything but frames.
    frames
        Return it as lazy frames ``(J, h, w)``, checked like frames of any file; None where it cannot be frames.
    attributes
        Further facts that may help to tell what it is.
    """

    path: str
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    unit: str | None = None
    read: Callable[[], NDArray[Any]] = field(repr=False, default=lambda: np.zeros(0))
    frames: Callable[[], Frames] | None = field(repr=False, default=None)
    attributes: dict[str, Any] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """Number of values."""
        return math.prod(self.shape)


class Source(Protocol):
    """A file or folder that can list what it holds."""

    path: Path
    kind: str  # for people: "HDF5", "NumPy archive", "folder of TIFF files", ...

    @property
    def followed(self) -> dict[str, str]:
        """Files outside the scan's folder that were read, each with the link that points there."""
        ...

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What a person should know about the files."""
        ...

    @property
    def ignored(self) -> tuple[tuple[str, str], ...]:
        """Files that were not used, each with the reason."""
        ...

    def items(self) -> Iterator[Item]:
        """Yield everything in it, in the order of the source."""
        ...

    def item(self, path: str) -> Item | None:
        """Return one by its path; None where there is none."""
        ...

    def close(self) -> None:
        """Release files."""
        ...
