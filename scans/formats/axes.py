"""From the detector's axes in the laboratory to how stored frames are turned.

Coordinates are those of NeXus and CXI: z along the beam, y up, x to the left seen from the source. Frames
whose rows run along -y and whose columns run along -x are as the solver wants them: a sample that moves by +y
then shows the beam a patch that lies further down, at a larger row.
"""

from __future__ import annotations

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts import Facts
from scans.scan import Orientation

# A pixel axis may lean this much (about 8 degrees) out of the direction it is taken for.
SMALLEST_COSINE = 0.99
# Pixel sizes said twice must agree.
PIXEL_TOLERANCE = 0.01


def orientation_from_vectors(facts: Facts, vectors: NDArray[np.float64], where: h5py.Dataset | h5py.Group) -> None:
    """Set orientation and stored pixel sizes from the pixel axes.

    Parameters
    ----------
    facts
        Gets `orientation`, and `pixel_stored_m` where the vectors have a length.
    vectors
        ``(2, 3)`` slow and fast pixel axes, components x, y, z: length = pixel size [m], or unit vectors.
    where
        The dataset.

    Axes that are not two perpendicular directions near x and y, or whose lengths contradict the pixel sizes,
    are a problem, unless the user gave the orientation.
    """
    try:
        _take_vectors(facts, vectors, where)
    except InputError as problem:
        if facts.given("orientation"):
            facts.note("pixel axes", "not used", where, problem.found)
        else:
            facts.refuse(problem)


def _take_vectors(facts: Facts, vectors: NDArray[np.float64], where: h5py.Dataset | h5py.Group) -> None:
    """`orientation_from_vectors`, raising."""
    name = facts.file.where(where)
    if vectors.shape != (2, 3) or not np.isfinite(vectors).all():
        raise InputError(
            f"pixel axes of shape {vectors.shape}",
            where=name,
            expected="(2, 3): the slow and the fast axis of one flat detector, each x, y, z",
            fix="Assemble a modular detector into one image first, or give -s scan.orientation.",
        )
    lengths = np.linalg.norm(vectors, axis=1)
    cosines = np.abs(vectors[:, :2]) / np.where(lengths > 0, lengths, np.inf)[:, None]
    slow, fast = cosines.argmax(axis=1)
    if slow == fast or cosines.max(axis=1).min() < SMALLEST_COSINE:
        raise InputError(
            f"pixel axes {vectors.tolist()}",
            where=name,
            expected="two axes near the laboratory's x and y (at most 8 degrees off)",
            fix="Correct them, or give -s scan.orientation.",
        )
    transpose = bool(slow == 0)
    along_y, along_x = (vectors[1, 1], vectors[0, 0]) if transpose else (vectors[0, 1], vectors[1, 0])
    facts.orientation = Orientation(transpose, bool(along_y > 0), bool(along_x > 0))
    why = "from the pixel axes (slow, fast): frames are turned so that rows run along -y and columns along -x"
    facts.note("orientation", facts.orientation, where, why)
    _set_pixels(facts, lengths, name)


def _set_pixels(facts: Facts, lengths: NDArray[np.float64], name: str) -> None:
    """Take pixel sizes from the axes' lengths, unless these are unit vectors."""
    stored = facts.pixel_stored_m
    if np.allclose(lengths, 1.0):
        return
    sizes = (float(lengths[0]), float(lengths[1]))
    if stored is not None and not facts.given("pixel_size_m"):
        agree = [np.allclose(sizes, said, rtol=PIXEL_TOLERANCE) for said in (stored, stored[::-1])]
        if not any(agree):
            raise InputError(
                f"pixel axes of length {sizes[0]:.6g} and {sizes[1]:.6g} m",
                where=name,
                expected=f"the pixel sizes of the file, {stored[0]:.6g} and {stored[1]:.6g} m",
                fix="Give the right size with -s scan.pixel_size_m=VALUE.",
            )
    facts.pixel_stored_m = sizes
