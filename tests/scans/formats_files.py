"""Scan files built by hand, field by field, as an instrument's own program would write them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np

# 800 eV x 1.602176634e-19 J/eV (the elementary charge is exact in the SI, CODATA 2018).
ENERGY_J = 1.2817413072e-16
N_FRAMES, HEIGHT, WIDTH = 12, 16, 20


def frames(n: int = N_FRAMES, height: int = HEIGHT, width: int = WIDTH) -> np.ndarray:
    """Counts that differ in every frame and pixel."""
    counts = 1 + np.arange(n * height * width, dtype=np.uint32).reshape(n, height, width)
    return (counts % 60_013).astype(np.uint16)


def positions_um(n: int = N_FRAMES) -> np.ndarray:
    """Positions (y, x), 0.7 um apart, large offset."""
    return np.stack([5971.5 + 0.7 * (np.arange(n) // 4), -20.25 + 0.7 * (np.arange(n) % 4)], axis=1)


def make_cxi(path: Path, data: np.ndarray | None = None) -> Path:
    """CXI 1.6: SI without units, groups without classes."""
    data = frames() if data is None else data
    y, x = positions_um(len(data)).T * 1e-6
    with h5py.File(path, "w") as f:
        f["cxi_version"] = 160
        detector = f.create_group("entry_1/instrument_1/detector_1")
        detector.create_dataset("data", data=data, chunks=(1, *data.shape[1:]), compression="gzip")
        detector["distance"] = 0.05
        detector["x_pixel_size"], detector["y_pixel_size"] = 48e-6, 24e-6
        detector["basis_vectors"] = [[0.0, -24e-6, 0.0], [-48e-6, 0.0, 0.0]]
        f["entry_1/instrument_1/source_1/energy"] = ENERGY_J
        f["entry_1/sample_1/geometry_1/translation"] = np.stack([x, y, np.full_like(x, 0.125)], axis=1)
        f["entry_1/data_1/data"] = h5py.SoftLink("/entry_1/instrument_1/detector_1/data")
        f["entry_1/data_1/translation"] = h5py.SoftLink("/entry_1/sample_1/geometry_1/translation")
    return path


def make_nexus(path: Path, data: np.ndarray | None = None) -> Path:
    """NeXus: groups by class and names of its own choice, units by attribute."""
    data = frames() if data is None else data
    y, x = positions_um(len(data)).T
    with h5py.File(path, "w") as f:
        f.attrs["default"] = "scan 7"
        entry = group(f, "scan 7", "NXentry")
        instrument = group(entry, "endstation", "NXinstrument")
        detector = group(instrument, "camera", "NXdetector")
        detector.create_dataset("data", data=data, chunks=(1, *data.shape[1:]), compression="gzip")
        put(detector, "distance", 50.0, "mm")
        put(detector, "x_pixel_size", 48.0, "µm")
        put(detector, "y_pixel_size", 24.0, "microns")
        put(group(instrument, "light", "NXbeam"), "incident_energy", 0.8, "keV")
        nxdata = group(entry, "picture", "NXdata")
        nxdata.attrs["signal"] = "data"
        nxdata["data"] = h5py.SoftLink(f"{detector.name}/data")
        put(nxdata, "y", y, "um")
        put(nxdata, "x", x, "um")
    return path


def group(parent: h5py.Group, name: str, nx_class: str) -> h5py.Group:
    """Group with a class."""
    made = parent.create_group(name)
    made.attrs["NX_class"] = nx_class
    return made


def put(parent: h5py.Group, name: str, value: object, units: str | bytes | None) -> None:
    """Dataset with a unit; None for no unit; replaces an old one."""
    if name in parent:
        del parent[name]
    parent[name] = value
    if units is not None:
        parent[name].attrs["units"] = np.bytes_(units) if isinstance(units, bytes) else units


def replace(path: Path, dataset: str, *args: Any, **kwargs: Any) -> None:
    """Put another dataset in the place of one."""
    with h5py.File(path, "r+") as f:
        del f[dataset]
        f.create_dataset(dataset, *args, **kwargs)
