"""Frames that are not of the scan: dark, flat, invalid and background frames told apart by their key."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts import Facts
from scans.formats.selection import SelectedFrames
from scans.formats.values import read_array
from scans.scan import Frames

# NXdetector image_key (NeXus base classes): what each frame is.
SCAN, FLAT, DARK, INVALID, BACKGROUND = range(5)
KIND_NAMES = {FLAT: "flat", DARK: "dark", INVALID: "invalid", BACKGROUND: "background"}
# Of more dark or flat frames than this, a part spread evenly over them is used.
MAX_CALIBRATION_BYTES = 512 << 20
# Flat frames whose pixels mostly differ from the middle one by more than this factor show a beam, not a field.
UNEVEN = 3.0


@dataclass(frozen=True)
class FlatField:
    """Response of each pixel, and how it was found.

    Parameters
    ----------
    response
        ``(h, w)`` over the middle pixel's; nan where the flat frames hold no light.
    why
        For people.
    """

    response: NDArray[np.float64]
    why: str


def frames_of(keys: NDArray[Any]) -> dict[int, NDArray[np.int64]]:
    """Numbers of the frames of each kind that there is; anything unknown counts as invalid.

    Parameters
    ----------
    keys
        ``(J,)`` image_key of each frame.
    """
    values = np.asarray(keys).reshape(-1)
    known = np.isin(values, (SCAN, FLAT, DARK, INVALID, BACKGROUND))
    kinds = np.where(known, np.where(known, values, 0).astype(np.int64), INVALID)
    return {int(kind): np.flatnonzero(kinds == kind) for kind in np.unique(kinds)}


def spread(indices: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """At most `most` of the indices, evenly spread, first and last among them."""
    if len(indices) <= most:
        return indices
    return indices[np.unique(np.linspace(0, len(indices) - 1, max(most, 1)).round().astype(np.int64))]


def flat_response(white: NDArray[Any], dark: NDArray[Any] | None) -> FlatField | None:
    """Response of each pixel from frames of an even illumination.

    Parameters
    ----------
    white
        ``(K, h, w)`` or ``(h, w)`` counts of flat frames, as stored.
    dark
        Dark frames, ``(K, h, w)`` or ``(h, w)``, subtracted by their mean; None without.

    Returns
    -------
    FlatField or None
        None where the illumination was not even: more than half of the pixels differ from the middle one by more
        than a factor of 3.
    """
    mean = white.reshape(-1, *white.shape[-2:]).mean(axis=0, dtype=np.float64)
    if dark is not None:
        mean = mean - dark.reshape(-1, *dark.shape[-2:]).mean(axis=0, dtype=np.float64)
    lit = np.isfinite(mean) & (mean > 0)
    if 2 * np.count_nonzero(lit) < mean.size:
        return None
    response = np.where(lit, mean, np.nan) / np.median(mean[lit])
    if 2 * np.count_nonzero((response > 1 / UNEVEN) & (response < UNEVEN)) < mean.size:
        return None
    count = 1 if white.ndim == 2 else len(white)
    subtracted = "after the mean dark frame" if dark is not None else "no dark frame to subtract"
    return FlatField(
        response, f"response of each pixel: mean of {count} flat frame(s), {subtracted}; counts / response"
    )


def separate(facts: Facts, dataset: h5py.Dataset) -> None:
    """Take out of the stack what its image_key says is no frame of the scan, and use darks and flats.

    Parameters
    ----------
    facts
        Its frames are cut to those of the scan; dark frames and flat field are set. Exposures that it has for each
        frame of the file give those of the dark frames.
    dataset
        The key of each frame.
    """
    frames = facts.frames
    if frames is None:
        return
    keys = np.asarray(read_array(facts.file, dataset)).reshape(-1)
    kinds = frames_of(keys)
    if len(keys) != frames.shape[0] or SCAN not in kinds:
        wrong = len(keys) != frames.shape[0]
        problem = InputError(
            f"{len(keys)} keys for {frames.shape[0]} frames" if wrong else "no frame has key 0",
            where=facts.file.where(dataset),
            expected="one key for every frame" if wrong else "frames of the scan (key 0) among them",
            fix="Correct the key in a copy of the file, or write the scan's frames into a dataset of their own.",
        )
        facts.refuse(problem, "frames")
        return
    if set(kinds) == {SCAN}:
        return
    if DARK in kinds:
        _keep_dark(facts, dataset, frames, kinds[DARK])
    if FLAT in kinds:
        _keep_flat(facts, dataset, frames, kinds[FLAT])
    counted = ", ".join(f"{len(kinds[kind])} {name}" for kind, name in KIND_NAMES.items() if kind in kinds)
    facts.select_frames(kinds[SCAN], f"image_key 0 only; left out: {counted}", dataset)


def _keep_dark(facts: Facts, dataset: h5py.Dataset, frames: Frames, indices: NDArray[np.int64]) -> None:
    """Take frames of key 2 as dark frames."""
    used = _affordable(facts, dataset, frames, indices, "dark")
    times = facts.exposures_s
    exposures = times[used] if times is not None and len(times) == frames.shape[0] else facts.exposure_s
    why = f"frames {indices[0]} to {indices[-1]} of the stack with image_key 2"
    facts.set_dark(SelectedFrames(frames, used)[:], exposures, where=dataset, why=why)


def _keep_flat(facts: Facts, dataset: h5py.Dataset, frames: Frames, indices: NDArray[np.int64]) -> None:
    """Make the flat field of the frames of key 1, unless the file has a flat field beside them."""
    if facts.flat is not None:
        facts.note("flat field", f"{len(indices)} flat frames not used", dataset, "the file has a flat field beside")
        return
    used = _affordable(facts, dataset, frames, indices, "flat")
    field = flat_response(SelectedFrames(frames, used)[:], facts.dark)
    if field is None:
        text = "not applied: the flat frames (image_key 1) do not show an even illumination"
        facts.note("flat field", text, dataset, "most pixels differ by more than a factor of 3", guess=True)
        return
    facts.set_flat(field.response, dataset, f"{field.why} (image_key 1)", measured=True)


def _affordable(
    facts: Facts, dataset: h5py.Dataset, frames: Frames, indices: NDArray[np.int64], name: str
) -> NDArray[np.int64]:
    """Return the frames to read of one kind: all, or of very many a part."""
    frame_bytes = int(np.prod(frames.shape[1:])) * np.dtype(frames.dtype).itemsize
    used = spread(indices, max(1, MAX_CALIBRATION_BYTES // max(frame_bytes, 1)))
    if len(used) < len(indices):
        facts.note(f"{name} frames", f"{len(used)} of {len(indices)}", dataset, "evenly spread: there are very many")
    return used
