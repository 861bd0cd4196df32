"""Result files: HDF5 in the NeXus form, written whole or not at all.

`recon.result_layout` has what lies where. A checkpoint is the same file with `/entry/process/checkpoint`.
"""

from __future__ import annotations

import errno
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from recon.hdf5 import Reader, opened
from recon.recipe import Recipe, parse_recipe
from recon.result import History, Provenance, Result, Source, StopReason
from recon.result_layout import CHOSEN, FINDING, LAYOUT, LEFT_OUT, LIBRARY, NOTE, fill, put_resolution
from scans.errors import InputError
from scans.files import replacing
from scans.geometry import Geometry
from scans.scan import Finding, Note, RawPositions

_OBJECT, _PROCESS = "/entry/object", "/entry/process"
_EXPECTED = "a result file of halfbit"
_FIX = "Give a file that 'halfbit reconstruct' wrote; a scan is opened with 'halfbit inspect'."
_DAMAGED = "The file was changed or damaged after it was written; reconstruct again."


def numbered_name(stem: str, suffix: str = ".h5", folder: str | Path | None = None) -> Path:
    """Return the first free ``stem_001.h5``, ``stem_002.h5``, … in `folder` (default: the current one)."""
    folder = Path.cwd() if folder is None else Path(folder)
    number = 1
    while os.path.lexists(path := folder / f"{stem}_{number:03d}{suffix}"):
        number += 1
    return path


def write_result(path: str | Path, result: Result, *, force: bool = False) -> Path:
    """Write a result file; either the whole file appears under `path`, or nothing changes there.

    Parameters
    ----------
    force
        Replace a file that is there already.

    Returns
    -------
    Path
        The absolute path written.

    Raises
    ------
    InputError
        When the file exists and `force` is off, or the folder cannot be written or is full.
    """
    target = Path(path).resolve()
    with replacing(target, force=force) as temporary:
        # The default file format on purpose: older libraries cannot read what "latest" writes.
        with h5py.File(temporary, "x", locking="best-effort") as file:
            fill(file, result, target.name)
        # A full disk can leave a file that opens cleanly and holds zeros: read back what matters most.
        with h5py.File(temporary, "r", locking="best-effort") as file:
            for name, array in (("object/transmission", result.transmission), ("probe/modes", result.probe)):
                if file[f"entry/{name}"][()].tobytes() != array.tobytes():
                    raise OSError(errno.EIO, f"/entry/{name} was not read back as written", str(target))
    return target


def write_resolution(path: str | Path, curve: dict[str, Any]) -> Path:
    """Put a ring correlation into a result file as `/entry/resolution`, replacing an older one.

    Parameters
    ----------
    curve
        Arrays, numbers, texts and None by name; names ending in ``_m``, ``_per_m`` or ``_px`` get that
        unit. 1-d arrays `correlation` and `frequency_per_m` of one length make it plottable.

    Raises
    ------
    InputError
        When `path` is no result file, or cannot be replaced.
    """
    target = Path(path).resolve()
    with opened(target, _EXPECTED, _FIX) as file:
        _check_layout(Reader(file, target, _EXPECTED, _FIX))
    with replacing(target, force=True) as temporary:
        shutil.copyfile(target, temporary)
        with h5py.File(temporary, "r+", locking="best-effort") as file:
            file["entry"].pop("resolution", None)
            put_resolution(file["entry"], curve)
        with h5py.File(temporary, "r", locking="best-effort") as file:
            Reader(file, target, _EXPECTED, _DAMAGED).tree("/entry/resolution")
    return target


def read_result(path: str | Path) -> Result:
    """Read a result file or checkpoint.

    Raises
    ------
    InputError
        When the file is missing, is no result file, or is damaged.
    """
    path = Path(path)
    with opened(path, _EXPECTED, _FIX) as file:
        _check_layout(Reader(file, path, _EXPECTED, _FIX))
        reader = Reader(file, path, _EXPECTED, _DAMAGED)
        try:
            return _read(reader)
        except InputError as exc:
            if str(path) in exc.where:
                raise
            where = f"{path}, {exc.where}"
            raise InputError(exc.found, where=where, expected=exc.expected, fix=_DAMAGED) from exc
        except (KeyError, TypeError, ValueError) as exc:
            found = f"parts that do not fit together ({exc})"
            raise InputError(found, where=str(path), expected=_EXPECTED, fix=_DAMAGED) from exc


def _check_layout(reader: Reader) -> None:
    """Refuse files that are not ours, and those of a later layout."""
    try:
        layout = int(reader.file.attrs.get("halfbit_layout", 0))
    except (KeyError, OSError, RuntimeError, TypeError, ValueError) as exc:
        found = f"no number of a layout can be read ({type(exc).__name__})"
        raise InputError(found, where=str(reader.path), expected=_EXPECTED, fix=_FIX) from exc
    if layout == 0 or not reader.has(f"{_OBJECT}/transmission"):
        found = "nothing there" if layout else "a file of another program"
        raise InputError(found, where=f"{reader.path}::{_OBJECT}/transmission", expected=_EXPECTED, fix=_FIX)
    if layout != LAYOUT:
        made = f"Read it with the version that wrote it, {reader.text(f'{_PROCESS}/version')} or later."
        raise InputError(f"layout {layout}", where=str(reader.path), expected=f"layout {LAYOUT}", fix=made)


# --- reading ------------------------------------------------------------------------------------------------


def _read(reader: Reader) -> Result:
    def optional(name: str, read: Any) -> Any:
        return read(name) if reader.has(name) else None

    reason = optional("/entry/convergence/stop_reason", reader.text)
    return Result(
        transmission=reader.array(f"{_OBJECT}/transmission"),
        y_m=reader.array(f"{_OBJECT}/y"),
        x_m=reader.array(f"{_OBJECT}/x"),
        coverage=reader.array(f"{_OBJECT}/coverage"),
        probe=reader.array("/entry/probe/modes"),
        positions_measured_m=reader.array("/entry/positions/measured"),
        positions_refined_m=reader.array("/entry/positions/refined"),
        frame_index=reader.array("/entry/positions/frame_index"),
        frame_intensity=reader.array("/entry/frames/intensity"),
        geometry=_read_geometry(reader),
        unit=reader.attribute(f"{_OBJECT}/coverage", "units"),
        history=_read_history(reader),
        stop_reason=None if reason is None else StopReason(reason),
        status=reader.attribute("/entry", "status"),
        verdict=reader.attribute("/entry", "verdict"),
        recipe=_read_recipe(reader),
        provenance=_read_provenance(reader),
        left_out=reader.rows(f"{_PROCESS}/left_out", LEFT_OUT),
        findings=tuple(Finding(*row) for row in reader.rows(f"{_PROCESS}/findings", FINDING)),
        notes=tuple(Note(*row) for row in reader.rows(f"{_PROCESS}/notes", NOTE)),
        steps=reader.texts(f"{_PROCESS}/steps"),
        raw_positions=_read_raw(reader),
        exposure_s=optional("/entry/instrument/detector/count_time", reader.number),
        monitor=optional("/entry/instrument/monitor/data", reader.array),
        prior=_read_prior(reader),
        without_prior=optional(f"{_OBJECT}/without_prior", reader.array),
        slices=optional(f"{_OBJECT}/slices", reader.array),
        slice_positions_m=optional(f"{_OBJECT}/slice_positions", reader.array),
        background=optional("/entry/frames/background", reader.array),
        occupancy_shift=optional("/entry/probe/occupancy_shift", reader.array),
        variation_basis=optional("/entry/probe/variation/basis", reader.array),
        variation_coefficients=optional("/entry/probe/variation/coefficients", reader.array),
        resolution=optional("/entry/resolution", reader.tree),
        solver_state=optional(f"{_PROCESS}/checkpoint", reader.tree),
    )


def _read_prior(reader: Reader) -> str | None:
    place = f"{_OBJECT}/transmission"
    return str(reader.attribute(place, "prior")) if "prior" in reader.file[place].attrs else None


def _read_geometry(reader: Reader) -> Geometry:
    detector = "/entry/instrument/detector"
    rows, columns = reader.array(f"{detector}/frame_shape").tolist()
    return Geometry(
        energy_ev=reader.number("/entry/instrument/beam/incident_energy"),
        distance_m=reader.number(f"{detector}/distance"),
        pixel_size_m=(reader.number(f"{detector}/y_pixel_size"), reader.number(f"{detector}/x_pixel_size")),
        frame_shape=(rows, columns),
    )


def _read_history(reader: Reader) -> History:
    place = "/entry/convergence"
    held_out = reader.array(f"{place}/held_out") if reader.has(f"{place}/held_out") else None
    columns = {name: reader.array(f"{place}/{name}") for name in ("iteration", "r_factor", "deviance", "seconds")}
    return History(stage=reader.texts(f"{place}/stage"), held_out=held_out, **columns)


def _read_recipe(reader: Reader) -> Recipe:
    recipe = parse_recipe(reader.text(f"{_PROCESS}/recipe"), f"{reader.path}::{_PROCESS}/recipe")
    return replace(recipe, chosen=reader.rows(f"{_PROCESS}/chosen", CHOSEN))


def _read_provenance(reader: Reader) -> Provenance:
    source, place = None, f"{_PROCESS}/source"
    if reader.has(place):
        source = Source(
            path=reader.text(f"{place}/file_name"),
            entry=reader.text(f"{place}/entry"),
            size_bytes=reader.number(f"{place}/size"),
            modified=reader.text(f"{place}/date"),
            checksum=reader.text(f"{place}/checksum"),
        )
    return Provenance(
        program=reader.text(f"{_PROCESS}/program"),
        version=reader.text(f"{_PROCESS}/version"),
        date=reader.text(f"{_PROCESS}/date"),
        seed=reader.number(f"{_PROCESS}/seed"),
        device=reader.text(f"{_PROCESS}/device"),
        fft=reader.text(f"{_PROCESS}/fft"),
        threads=reader.number(f"{_PROCESS}/threads"),
        libraries=tuple((name, version) for name, version in reader.rows(f"{_PROCESS}/libraries", LIBRARY)),
        source=source,
    )


def _read_raw(reader: Reader) -> RawPositions | None:
    place = "/entry/positions/raw"
    if not reader.has(place):
        return None
    first, second = reader.attribute(place, "names")
    offset = reader.attribute(place, "sample_offset")
    return RawPositions(
        values=reader.array(place),
        unit=reader.attribute(place, "units"),
        names=(str(first), str(second)),
        matrix=np.asarray(reader.attribute(place, "sample_from_stage")),
        offset_m=(float(offset[0]), float(offset[1])),
    )
