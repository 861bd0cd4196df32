"""Frames of several scans that are reconstructed together: what no frame can tell of one scan, and of another."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Groups:
    """Which scan each frame belongs to.

    Parameters
    ----------
    of_frame
        ``(J,)`` int64 number of the scan.
    columns
        First and last object column (not included) of each scan's own field; None where all see the same field.
    free
        Each scan may shift as a whole, and no frame tells it: it has an object or a probe of its own.
    """

    of_frame: NDArray[np.int64]
    columns: tuple[tuple[int, int], ...] | None = None
    free: bool = True

    def subset(self, index: NDArray[np.int64]) -> Groups:
        """Return those of some of the frames."""
        return replace(self, of_frame=self.of_frame[index])


def without_means(
    values: NDArray[np.float64], groups: Groups | None, index: NDArray[np.int64] | None = None
) -> NDArray[np.float64]:
    """Return values ``(n, ...)`` of frames without their mean, each scan's without its own where scans are free.

    Parameters
    ----------
    index
        ``(n,)`` numbers of the frames; None for all.
    """
    if groups is None or not groups.free:
        return np.asarray(values - values.mean(axis=0), np.float64)
    labels, found = groups.of_frame if index is None else groups.of_frame[index], np.array(values, np.float64)
    for label in np.unique(labels):
        found[labels == label] -= found[labels == label].mean(axis=0)
    return found


@dataclass(frozen=True)
class Middles:
    """Middles of the fields, which a map of all positions leaves where they are.

    Parameters
    ----------
    of_frames
        ``(J, 2)`` of each frame's field [object pixels].
    fields
        First and last object column of each field, and its middle ``(2,)``.
    """

    of_frames: NDArray[np.float64]
    fields: tuple[tuple[int, int, NDArray[np.float64]], ...]

    @classmethod
    def of(cls, positions_px: NDArray[np.float64], width: int, groups: Groups | None) -> Middles:
        """Return the mean position of each field's frames; of all where they see one field of a `width`."""
        if groups is None or groups.columns is None:
            middle = positions_px.mean(axis=0)
            return cls(np.broadcast_to(middle, positions_px.shape), ((0, width, middle),))
        of_frames = positions_px - without_means(positions_px, groups)
        fields = []
        for number in np.unique(groups.of_frame):  # of a subset some fields may have no frame
            first, last = groups.columns[number]
            fields.append((first, last, positions_px[groups.of_frame == number].mean(axis=0)))
        return cls(of_frames, tuple(fields))

    def of_columns(self, width: int) -> NDArray[np.float64]:
        """``(2, W)`` middle of the field that each object column belongs to."""
        found = np.zeros((2, width))
        for first, last, middle in self.fields:
            found[:, first:last] = middle[:, None]
        return found
