"""Own fields of a file that we wrote: what the standards have no place for, put back into the scan."""

from __future__ import annotations

import dataclasses
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts import Facts
from scans.formats.hdf5 import BrokenLink, InputFile
from scans.formats.units import decode
from scans.formats.values import attribute, read_array, read_text
from scans.formats.writing_parts import FLAT_EACH, INDEX, NOTE, PROCESS, PROGRAM, RAW, READ_NOISE, READINGS
from scans.scan import Note, RawPositions, Scan

# Options with which the user says what the positions are.
CORRECTIONS = ("position_unit", "position_axes", "position_scale_m", "readings_per_frame")


def restore(scan: Scan, facts: Facts, detector: h5py.Group | None, sample: h5py.Group | None) -> Scan:
    """Put back what the standards have no place for.

    Numbers of the frames, readings during each exposure, what the stage wrote, flat fields of each frame, read noise,
    and what was done to the frames already.

    Fields that do not fit the scan are left alone: only a file that somebody changed has such. Where the user
    corrects positions, readings and stage table of before would contradict them, and are left out.

    Parameters
    ----------
    scan
        As read by the standard.
    facts
        Its open file, and the user's corrections.
    detector, sample
        Groups of the frames and of the sample.
    """
    file = facts.file
    if any(facts.given(name) for name in CORRECTIONS):
        sample = None
    rows = np.arange(scan.n_frames) if scan.index_in_file is None else scan.index_in_file
    changes: dict[str, Any] = {}
    notes = []
    for name, group, path, tail in (
        ("index_in_file", detector, INDEX, ()),
        ("flat", detector, FLAT_EACH, tuple(scan.frames.shape[1:])),
        ("readings_m", sample, f"geometry_1/{READINGS}", (None, 2)),
        ("raw_positions", sample, f"geometry_1/{RAW}", (2,)),
    ):
        dataset = _dataset(file, group, path)
        values = None if dataset is None else _rows(file, dataset, rows, tail)
        if dataset is None or values is None:
            continue
        value: Any = _raw(dataset, values) if name == "raw_positions" else values
        kinds = {"index_in_file": np.int64, "flat": np.float64}
        value = value.astype(kinds[name]) if name in kinds else value
        if value is not None:
            changes[name] = value
            notes.append(Note(name, "kept", file.where(dataset), "own field, as it was written"))
    changes |= _numbers_and_lines(file, facts.entry, detector, notes)
    return dataclasses.replace(scan, notes=scan.notes + tuple(notes), **changes) if changes else scan


def _numbers_and_lines(
    file: InputFile, entry: str, detector: h5py.Group | None, notes: list[Note]
) -> dict[str, float | tuple[str, ...]]:
    """Read noise, and the lines of a process group that this program wrote."""
    found: dict[str, float | tuple[str, ...]] = {}
    noise = _dataset(file, detector, READ_NOISE)
    if noise is not None and noise.size == 1 and noise.dtype.kind in "fiu" and float(noise[()]) > 0:
        found["read_noise"] = float(noise[()])
        notes.append(Note("read_noise", f"{noise[()]:.6g}", file.where(noise), "own field: rms of a pixel"))
    lines = prepared_lines(file, entry)
    if lines:
        found["prepared"] = lines
        where = file.where(f"{entry}/{PROCESS}/{NOTE}/data")
        notes.append(Note("prepared", f"{len(lines)} steps", where, "done before it was written"))
    return found


def prepared_lines(file: InputFile, entry: str) -> tuple[str, ...]:
    """Return what was done to the frames of an entry that this program wrote; nothing for raw frames."""
    program = _dataset(file, file.root, f"{entry}/{PROCESS}/program")
    text = _dataset(file, file.root, f"{entry}/{PROCESS}/{NOTE}/data")
    if text is None or read_text(program) != PROGRAM or not read_text(text):
        return ()
    return tuple(read_text(text).split("\n"))


def _dataset(file: InputFile, group: h5py.Group | None, path: str) -> h5py.Dataset | None:
    try:
        return None if group is None else file.dataset(group, path)
    except BrokenLink:
        return None


def _rows(
    file: InputFile, dataset: h5py.Dataset, rows: NDArray[np.int64], tail: tuple[int | None, ...]
) -> NDArray[Any] | None:
    """Rows of a dataset ``(n, *tail)`` for the frames in use; None where it is of another kind."""
    try:
        values = read_array(file, dataset)
    except InputError:
        return None
    fits = values.ndim == 1 + len(tail) and all(t in (None, n) for t, n in zip(tail, values.shape[1:], strict=False))
    return values[rows] if fits and len(values) > int(rows.max()) else None


def _raw(dataset: h5py.Dataset, values: NDArray[Any]) -> RawPositions | None:
    """Stage readings with their map to sample coordinates."""
    try:
        names = tuple(decode(n) for n in np.asarray(dataset.attrs["columns"]).reshape(-1))
        matrix = np.asarray(dataset.attrs["matrix"], dtype=np.float64)
        offset = np.asarray(dataset.attrs["offset_m"], dtype=np.float64)
    except (KeyError, OSError, TypeError, ValueError):
        return None
    if len(names) != 2 or matrix.shape != (2, 2) or offset.shape != (2,):
        return None
    unit = attribute(dataset, "units") or ""
    place = (float(offset[0]), float(offset[1]))
    return RawPositions(values.astype(np.float64), unit, (names[0], names[1]), matrix, place)
