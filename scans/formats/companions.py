"""Fields that change what another field means: ``<name>_offset`` and ``<name>_scaling_factor`` of NeXus.

NXdata (NeXus definitions): the true value is (stored + offset) x scaling_factor, the offset first.
"""

from __future__ import annotations

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.hdf5 import BrokenLink, InputFile
from scans.formats.values import read_array

OFFSET, SCALE = "_offset", "_scaling_factor"


def companion(file: InputFile, dataset: h5py.Dataset, suffix: str) -> h5py.Dataset | None:
    """Return the numeric dataset beside `dataset` whose name is its name and `suffix`; None without one."""
    name = dataset.name
    if name is None:
        return None
    folder, _, last = name.rpartition("/")
    try:
        group = file.follow(dataset.file["/"], folder)
        found = file.dataset(group, last + suffix) if isinstance(group, h5py.Group) else None
    except BrokenLink:
        return None
    return found if found is not None and found.shape is not None and found.dtype.kind in "iuf" else None


def true_values(file: InputFile, dataset: h5py.Dataset) -> tuple[NDArray[np.float64], str]:
    """Read the values of a dataset, its offset and scaling factor applied.

    Returns
    -------
    values, why
        float64 in the dataset's shape; what was applied, empty where nothing was.

    Raises
    ------
    InputError
        When one of them cannot be read, or is neither one number nor one for each value.
    """
    values = np.asarray(read_array(file, dataset), dtype=np.float64)
    why = "stored"
    for suffix, word in ((OFFSET, "+"), (SCALE, "x")):
        found = companion(file, dataset, suffix)
        if found is None:
            continue
        number = np.asarray(read_array(file, found), dtype=np.float64)
        if number.size == 1:
            number = number.reshape(())
        elif number.shape != values.shape:
            raise InputError(
                f"shape {number.shape}",
                where=file.where(found),
                expected=f"one number, or one for each of the {values.shape} values of {dataset.name}",
                fix="Correct it in a copy of the file.",
            )
        values = values + number if word == "+" else values * number
        by = f"{float(number):.9g}" if number.ndim == 0 else str(found.name)
        why = f"(stored + {by})" if word == "+" else f"{why} x {by}"
    return values, "" if why == "stored" else why
