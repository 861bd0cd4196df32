"""Small sound scan files of every layout, to be damaged by `corruptions`."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import h5py
import hdf5plugin
import numpy as np
from formats_files import positions_um
from formats_files import put as put_field

from scans.formats import open_source, write
from scans.formats.array_writing import write_numpy, write_tiff
from scans.formats.roles import propose
from scans.geometry import Geometry
from scans.scan import Orientation, RawPositions, Scan

N, SIDE = 12, 32


@dataclass(frozen=True)
class Sample:
    """A sound scan: what is opened, the files that may be damaged, and how it is loaded.

    `protected` names what is stored with check sums: "all" in what our own writers made, "frames" where only these are
    packed by gzip, "" for nothing. Damage to anything else may be beyond notice.
    """

    name: str
    path: Path
    victims: tuple[str, ...]
    given: dict[str, Any] = field(default_factory=dict)
    protected: str = ""

    @property
    def hdf5(self) -> bool:
        """Tell whether h5py can change it."""
        return self.path.suffix not in ("", ".npz", ".tif")


def scan_of_all_fields() -> Scan:
    """Counts around a beam with every field that the writers know."""
    rng = np.random.default_rng(11)
    y, x = np.indices((SIDE, SIDE)) - 15.5
    mean = 300 * np.exp(-(y**2 + x**2) / 30) + 0.3
    counts = rng.poisson(mean * rng.uniform(0.8, 1.2, (N, 1, 1))).astype(np.uint16)
    positions = positions_um(N) * 1e-6
    geometry = Geometry(800.0, 0.05, (24e-6, 24e-6), (SIDE, SIDE))
    raw = RawPositions(positions * 1e6, "um", ("fine y", "fine x"), np.eye(2) * 1e-6)
    mask = np.ones((SIDE, SIDE), bool)
    mask[3, 4] = False
    return Scan(
        counts,
        positions,
        geometry,
        title="a scan of many words",
        mask=mask,
        dark=rng.poisson(0.2, (3, SIDE, SIDE)).astype(np.uint16),
        dark_exposures_s=np.full(3, 0.02),
        counts_per_photon=1.5,
        saturation=60000.0,
        beam_centre_px=(15.5, 15.5),
        orientation=Orientation(transpose=False, flip_y=True, flip_x=False),
        raw_positions=raw,
        monitor=rng.uniform(0.9, 1.1, N),
        exposure_s=0.02,
    )


def build(folder: Path) -> list[Sample]:
    """Write all samples, each in a folder of its own."""
    scan = scan_of_all_fields()
    homes = {name: folder / name for name in ("cxi", "nexus", "plain", "packed", "links", "virtual", "mapped", "npz")}
    for home in (*homes.values(), folder / "tiff"):
        home.mkdir(parents=True, exist_ok=True)
    write(homes["cxi"] / "run.cxi", scan)
    write(homes["nexus"] / "run.nxs", scan)
    _foreign(homes["plain"] / "run.h5", scan, libver="earliest")
    _foreign(homes["packed"] / "run.h5", scan, libver="latest", chunks=(1, SIDE, SIDE), **hdf5plugin.Bitshuffle())
    _master(homes["links"], scan, virtual=False)
    _master(homes["virtual"], scan, virtual=True)
    _unknown_names(homes["mapped"] / "run.h5", scan)
    write_numpy(homes["npz"] / "run.npz", scan)
    write_tiff(folder / "tiff" / "run", scan)
    both = ("master.h5", "part_1.h5", "part_2.h5")
    return [
        Sample("cxi", homes["cxi"] / "run.cxi", ("run.cxi",), protected="all"),
        Sample("nexus", homes["nexus"] / "run.nxs", ("run.nxs",), protected="all"),
        Sample("plain", homes["plain"] / "run.h5", ("run.h5",)),
        Sample("packed", homes["packed"] / "run.h5", ("run.h5",)),
        Sample("links", homes["links"] / "master.h5", both, protected="frames"),
        Sample("virtual", homes["virtual"] / "master.h5", both, protected="frames"),
        _mapped("mapped", homes["mapped"] / "run.h5", ("run.h5",)),
        _mapped("npz", homes["npz"] / "run.npz", ("run.npz",), protected="all"),
        _mapped("tiff", folder / "tiff" / "run", ("run/frames.tif", "run/positions.csv")),
    ]


def _mapped(name: str, path: Path, victims: tuple[str, ...], protected: str = "") -> Sample:
    """Sample that is read by the mapping which its sound file gets."""
    source = open_source(path)
    try:
        return Sample(name, path, victims, {"mapping": dict(propose(source).mapping)}, protected)
    finally:
        source.close()


def _foreign(path: Path, scan: Scan, libver: str, data: bool = True, **storage: Any) -> None:
    """NeXus of another writer's hand: text of variable length, attributes, contiguous or packed frames."""
    text = h5py.string_dtype()
    y, x = (scan.positions_m * 1e6).T
    with h5py.File(path, "w", libver=libver) as f:
        f.attrs["default"] = "entry"
        for name, nx_class in (
            ("entry", "NXentry"),
            ("entry/instrument", "NXinstrument"),
            ("entry/instrument/detector", "NXdetector"),
            ("entry/instrument/beam", "NXbeam"),
            ("entry/data", "NXdata"),
        ):
            f.create_group(name).attrs["NX_class"] = nx_class
        f["entry"].create_dataset("title", data="words of any length", dtype=text)
        f["entry"].create_dataset("notes", data=["first line", "second", "third"] * 3, dtype=text)
        detector = f["entry/instrument/detector"]
        if data:
            detector.create_dataset("data", data=np.asarray(scan.frames), **storage)
            f["entry/data/data"] = h5py.SoftLink("/entry/instrument/detector/data")
        put_field(detector, "distance", 50.0, "mm")
        put_field(detector, "x_pixel_size", 24.0, "um")
        put_field(detector, "y_pixel_size", 24.0, "um")
        detector["pixel_mask"] = np.zeros((SIDE, SIDE), np.uint32)
        put_field(f["entry/instrument/beam"], "incident_energy", 800.0, "eV")
        f["entry/data"].attrs["signal"] = "data"
        put_field(f["entry/data"], "y", y, "um")
        put_field(f["entry/data"], "x", x, "um")


def _master(folder: Path, scan: Scan, *, virtual: bool) -> None:
    """Master file and two files of frames: numbered blocks by external links, or one virtual dataset."""
    counts, half = np.asarray(scan.frames), N // 2
    for number in (1, 2):
        with h5py.File(folder / f"part_{number}.h5", "w") as f:
            part = counts[:half] if number == 1 else counts[half:]
            f.create_dataset("entry/data", data=part, chunks=(1, SIDE, SIDE), compression="gzip")
    _foreign(folder / "master.h5", scan, libver="latest", data=False)
    with h5py.File(folder / "master.h5", "r+", libver="latest") as f:
        if virtual:
            layout = h5py.VirtualLayout(counts.shape, counts.dtype)
            layout[:half] = h5py.VirtualSource("part_1.h5", "entry/data", (half, SIDE, SIDE))
            layout[half:] = h5py.VirtualSource("part_2.h5", "entry/data", (N - half, SIDE, SIDE))
            f.create_virtual_dataset("entry/data/data", layout, fillvalue=0)
            return
        f["entry/data"].attrs["signal"] = "data_000001"
        for number in (1, 2):
            f[f"entry/data/data_{number:06d}"] = h5py.ExternalLink(f"part_{number}.h5", "/entry/data")


def _unknown_names(path: Path, scan: Scan) -> None:
    """Plain HDF5 with names of its own."""
    with h5py.File(path, "w") as f:
        f.create_dataset("shots/ccd", data=np.asarray(scan.frames), chunks=(4, SIDE, SIDE), compression="lzf")
        f["shots/py_um"], f["shots/px_um"] = (scan.positions_m * 1e6).T
        f["shots"].attrs.update(E_eV=800.0, dist_mm=50.0, pix_um=24.0, comment="hello")
