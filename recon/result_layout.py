"""What lies where in a result file: the table of docs/result-file.md, written."""

from __future__ import annotations

from dataclasses import astuple
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from recon.hdf5 import group, put, put_rows, put_tree
from recon.provenance import CHECKSUM_OF
from recon.result import Result

LAYOUT = 1
_STAGE_MAP = "sample = sample_from_stage @ stage + sample_offset; (y, x) in m; stage columns as in names"
# Columns of the tables.
LIBRARY = {"name": str, "version": str}
CHOSEN = {"path": str, "reason": str}
LEFT_OUT = {"frame_index": int, "reason": str}
FINDING = {"level": str, "code": str, "text": str, "fix": str}
NOTE = {"what": str, "value": str, "where": str, "why": str, "guess": bool}


def fill(file: h5py.File, result: Result, name: str) -> None:
    """Write a result into an empty file that is going to have a `name`."""
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
        put_resolution(entry, result.resolution)


def _put_object(entry: h5py.Group, result: Result) -> None:
    axes = {"axes": ["y", "x"], "y_indices": 0, "x_indices": 1}
    data = group(entry, "object", "NXdata", signal="phase", auxiliary_signals=["amplitude"], **axes)
    phase = put(data, "phase", result.phase, units="rad", long_name="phase (rad)", interpretation="image")
    phase.attrs["ramp_removed_cycles_per_px"] = result.ramp_cycles_per_px
    put(data, "amplitude", result.amplitude, units="", long_name="amplitude", interpretation="image")
    transmission = put(data, "transmission", result.transmission, units="", long_name="complex transmission")
    if result.prior is not None:
        transmission.attrs["prior"] = result.prior
    if result.without_prior is not None:
        plain = "complex transmission by the likelihood alone"
        put(data, "without_prior", result.without_prior, units="", long_name=plain)
    if result.slices is not None:
        put(data, "slices", result.slices, units="", long_name="complex transmission of each slice")
        put(data, "slice_positions", result.slice_positions_m, units="m", long_name="place along the beam (m)")
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
    if result.occupancy_shift is not None:
        shift = "what the noise adds to the share as fitted, taken off in occupancy"
        put(data, "occupancy_shift", result.occupancy_shift, units="", long_name=shift)
    if result.variation_basis is not None:
        varies = group(data, "variation", "NXcollection")
        unit = f"square root of {result.unit}s per pixel"
        put(varies, "basis", result.variation_basis, long_name=f"waves that the strongest mode varies by ({unit})")
        put(varies, "coefficients", result.variation_coefficients, units="", long_name="their shares in each frame")
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
    if result.background is not None:
        name = f"static background ({result.unit}s)"
        put(frames, "background", result.background, units=result.unit, long_name=name, interpretation="image")
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
    put(data, "deviance", history.deviance, units="", long_name="deviance per fitted pixel")
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
    put_rows(process, "libraries", LIBRARY, made.libraries)
    if made.source is not None:
        source = group(process, "source", "NXnote")
        put(source, "file_name", made.source.path)
        put(source, "entry", made.source.entry)
        put(source, "size", made.source.size_bytes, units="byte")
        put(source, "date", made.source.modified)
        put(source, "checksum", made.source.checksum, algorithm=CHECKSUM_OF)
    put(process, "recipe", result.recipe.to_toml(), type="application/toml")
    put_rows(process, "chosen", CHOSEN, result.recipe.chosen)
    put(process, "steps", result.steps)
    put_rows(process, "left_out", LEFT_OUT, result.left_out)
    put_rows(process, "findings", FINDING, map(astuple, result.findings))
    put_rows(process, "notes", NOTE, map(astuple, result.notes))
    if result.solver_state is not None:
        put_tree(group(process, "checkpoint", "NXcollection"), result.solver_state)


def put_resolution(entry: h5py.Group, curve: dict[str, Any]) -> None:
    """Write a ring correlation as a group of `/entry`, to be plotted where it can be."""
    signal, axis = (np.shape(curve.get(name, 0)) for name in ("correlation", "frequency_per_m"))
    plottable = {"signal": "correlation", "axes": ["frequency_per_m"], "frequency_per_m_indices": 0}
    if len(signal) == 1 and signal == axis:
        put_tree(group(entry, "resolution", "NXdata", **plottable), curve)
    else:
        put_tree(group(entry, "resolution", "NXcollection"), curve)
