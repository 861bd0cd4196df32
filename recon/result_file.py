"""Result files: HDF5 in the NeXus form, written whole or not at all.

docs/result-file.md has the table of paths. A checkpoint is the same file with `/entry/process/checkpoint`.
"""

from __future__ import annotations

import errno
import os
import shutil
from dataclasses import astuple, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from recon.hdf5 import Reader, group, opened, put, put_rows, put_tree
from recon.recipe import Recipe, parse_recipe
from recon.result import CHECKSUM_OF, History, Provenance, Result, Source, StopReason
from scans.errors import InputError
from scans.files import replacing
from scans.geometry import Geometry
from scans.scan import Finding, Note, RawPositions

LAYOUT = 1
_STAGE_MAP = "sample = sample_from_stage @ stage + sample_offset; (y, x) in m; stage columns as in names"
_EXPECTED = "a result file of halfbit"
_FIX = "Give a file that 'halfbit reconstruct' wrote; a scan is opened with 'halfbit inspect'."
_DAMAGED = "The file was changed or damaged after it was written; reconstruct again."
_LIBRARY = {"name": str, "version": str}
_CHOSEN = {"path": str, "reason": str}
_LEFT_OUT = {"frame_index": int, "reason": str}
_FINDING = {"level": str, "code": str, "text": str, "fix": str}
_NOTE = {"what": str, "value": str, "where": str, "why": str, "guess": bool}
_OBJECT, _PROCESS = "/entry/object", "/entry/process"


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
            _fill(file, result, target.name)
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
            _put_resolution(file["entry"], curve)
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


# --- writing ------------------------------------------------------------------------------------------------


def _fill(file: h5py.File, result: Result, name: str) -> None:
    made = result.provenance
    root = {
        "NX_class": "NXroot",
        "default": "entry",
        "creator": made.program,
        "creator_version": made.version,
    }
    root |= {"file_name": name, "file_time": made.date, "HDF5_Version": h5py.version.hdf5_version}
    for key, value in (root | {"halfbit_layout": LAYOUT}).items():
        file.attrs[key] = value
    entry = group(file, "entry", "NXentry", default="object", status=result.status, verdict=result.verdict)
    source = Path(made.source.path).name if made.source else "arrays in memory"
    put(entry, "title", f"Reconstruction of {source}")
    put(entry, "end_time", made.date)
    put(entry, "program_name", made.program, version=made.version)
    _put_object(entry, result)
    _put_probe(entry, result)
    _put_frames(entry, result)
    _put_instrument(entry, result)
    _put_convergence(entry, result)
    _put_process(entry, result)
    if result.resolution is not None:
        _put_resolution(entry, result.resolution)


def _put_object(entry: h5py.Group, result: Result) -> None:
    axes = {"axes": ["y", "x"], "y_indices": 0, "x_indices": 1}
    data = group(entry, "object", "NXdata", signal="phase", auxiliary_signals=["amplitude"], **axes)
    phase = put(data, "phase", result.phase, units="rad", long_name="phase (rad)", interpretation="image")
    phase.attrs["ramp_removed_cycles_per_px"] = result.ramp_cycles_per_px
    put(data, "amplitude", result.amplitude, units="", long_name="amplitude", interpretation="image")
    put(data, "transmission", result.transmission, units="", long_name="complex transmission")
    unit = result.coverage_unit
    put(data, "coverage", result.coverage, units=unit, long_name=f"coverage ({unit}s)", interpretation="image")
    put(data, "y", result.y_m, units="m", long_name="sample y (m)")
    put(data, "x", result.x_m, units="m", long_name="sample x (m)")


def _put_probe(entry: h5py.Group, result: Result) -> None:
    axes = {"axes": ["mode", "y", "x"], "mode_indices": 0, "y_indices": 1, "x_indices": 2}
    data = group(entry, "probe", "NXdata", signal="amplitude", **axes)
    put(data, "modes", result.probe, long_name=f"probe modes (square root of {result.unit}s per pixel)")
    put(data, "amplitude", np.abs(result.probe), long_name="probe amplitude", interpretation="image")
    put(data, "occupancy", result.occupancy, units="", long_name="share of the power")
    n_modes, *shape = result.probe.shape
    put(data, "mode", np.arange(n_modes), long_name="mode")
    for axis, n, pixel in zip("yx", shape, result.pixel_m, strict=True):
        put(
            data,
            axis,
            (np.arange(n) - n // 2) * pixel,
            units="m",
            long_name=f"{axis} from the probe's centre (m)",
        )


def _put_frames(entry: h5py.Group, result: Result) -> None:
    positions = group(entry, "positions", "NXcollection")
    order = "columns (y, x), sample coordinates"
    put(positions, "measured", result.positions_measured_m, units="m", long_name=order)
    put(positions, "refined", result.positions_refined_m, units="m", long_name=order)
    index = put(positions, "frame_index", result.frame_index, long_name="frame of the scan")
    raw = result.raw_positions
    if raw is not None:
        stage = put(positions, "raw", raw.values, units=raw.unit, names=list(raw.names), map=_STAGE_MAP)
        stage.attrs["sample_from_stage"] = raw.matrix
        stage.attrs["sample_offset"] = raw.offset_m
        if np.linalg.matrix_rank(raw.matrix) == 2:
            stage.attrs["stage_from_sample"] = np.linalg.inv(raw.matrix)
    frames = group(entry, "frames", "NXdata", signal="intensity", axes=["frame_index"], frame_index_indices=0)
    put(frames, "intensity", result.frame_intensity, units="", long_name="flux factor")
    frames["frame_index"] = index
    index.attrs["target"] = "/entry/positions/frame_index"  # how NeXus marks one dataset under two names


def _put_instrument(entry: h5py.Group, result: Result) -> None:
    geometry = result.geometry
    instrument = group(entry, "instrument", "NXinstrument")
    beam = group(instrument, "beam", "NXbeam")
    put(beam, "incident_energy", geometry.energy_ev, units="eV")
    put(beam, "incident_wavelength", geometry.wavelength_m, units="m")
    detector = group(instrument, "detector", "NXdetector")
    put(detector, "distance", geometry.distance_m, units="m")
    for axis, size in zip("yx", geometry.pixel_size_m, strict=True):
        put(detector, f"{axis}_pixel_size", size, units="m")
    put(detector, "frame_shape", geometry.frame_shape, long_name="rows, columns of the prepared frames")
    if result.exposure_s is not None:
        put(detector, "count_time", result.exposure_s, units="s")
    if result.monitor is not None:
        put(group(instrument, "monitor", "NXmonitor"), "data", result.monitor)


def _put_convergence(entry: h5py.Group, result: Result) -> None:
    history = result.history
    axes = {"axes": ["iteration"], "iteration_indices": 0, "auxiliary_signals": ["deviance"]}
    data = group(entry, "convergence", "NXdata", signal="r_factor", **axes)
    put(data, "iteration", history.iteration, long_name="iteration")
    put(data, "stage", history.stage)
    put(data, "r_factor", history.r_factor, units="", long_name="R factor")
    put(data, "deviance", history.deviance, units="", long_name="deviance per measured pixel")
    put(data, "seconds", history.seconds, units="s", long_name="time since the start (s)")
    if history.held_out is not None:
        put(data, "held_out", history.held_out, units="", long_name="deviance per held-out pixel")
    if result.stop_reason is not None:
        put(data, "stop_reason", result.stop_reason.value)


def _put_process(entry: h5py.Group, result: Result) -> None:
    made = result.provenance
    process = group(entry, "process", "NXprocess")
    for name in ("program", "version", "date", "seed", "device", "fft", "threads"):
        put(process, name, getattr(made, name))
    put(process, "sequence_index", 1)
    put_rows(process, "libraries", _LIBRARY, made.libraries)
    if made.source is not None:
        source = group(process, "source", "NXnote")
        put(source, "file_name", made.source.path)
        put(source, "entry", made.source.entry)
        put(source, "size", made.source.size_bytes, units="byte")
        put(source, "date", made.source.modified)
        put(source, "checksum", made.source.checksum, algorithm=CHECKSUM_OF)
    put(process, "recipe", result.recipe.to_toml(), type="application/toml")
    put_rows(process, "chosen", _CHOSEN, result.recipe.chosen)
    put(process, "steps", result.steps)
    put_rows(process, "left_out", _LEFT_OUT, result.left_out)
    put_rows(process, "findings", _FINDING, map(astuple, result.findings))
    put_rows(process, "notes", _NOTE, map(astuple, result.notes))
    if result.solver_state is not None:
        put_tree(group(process, "checkpoint", "NXcollection"), result.solver_state)


def _put_resolution(entry: h5py.Group, curve: dict[str, Any]) -> None:
    signal, axis = (np.shape(curve.get(name, 0)) for name in ("correlation", "frequency_per_m"))
    plottable = {"signal": "correlation", "axes": ["frequency_per_m"], "frequency_per_m_indices": 0}
    if len(signal) == 1 and signal == axis:
        put_tree(group(entry, "resolution", "NXdata", **plottable), curve)
    else:
        put_tree(group(entry, "resolution", "NXcollection"), curve)


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
        left_out=reader.rows(f"{_PROCESS}/left_out", _LEFT_OUT),
        findings=tuple(Finding(*row) for row in reader.rows(f"{_PROCESS}/findings", _FINDING)),
        notes=tuple(Note(*row) for row in reader.rows(f"{_PROCESS}/notes", _NOTE)),
        steps=reader.texts(f"{_PROCESS}/steps"),
        raw_positions=_read_raw(reader),
        exposure_s=optional("/entry/instrument/detector/count_time", reader.number),
        monitor=optional("/entry/instrument/monitor/data", reader.array),
        resolution=optional("/entry/resolution", reader.tree),
        solver_state=optional(f"{_PROCESS}/checkpoint", reader.tree),
    )


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
    return replace(recipe, chosen=reader.rows(f"{_PROCESS}/chosen", _CHOSEN))


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
        libraries=tuple((name, version) for name, version in reader.rows(f"{_PROCESS}/libraries", _LIBRARY)),
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
