"""Scans that are not one HDF5 file on the command line: inspect, its mapping, reconstruct; folders, patterns, names."""

from __future__ import annotations

import json
from pathlib import Path

import h5py
import numpy as np
import pytest
import tifffile
from helpers_cli import contents, halfbit, simulated, skip_drawing
from matplotlib.figure import Figure

import scans
from recon import figures
from recon.result import Source

FEW = ("-s", "run.trial_passes=0", "-s", "run.held_out=0", "-s", "solve.iterations=2")
PASSES = (*FEW, "-s", "scan.orientation=as stored")


@pytest.fixture
def here(tmp_path, monkeypatch):
    (tmp_path / "out").mkdir()
    monkeypatch.chdir(tmp_path / "out")
    skip_drawing(monkeypatch)
    monkeypatch.setattr(figures, "inspect_figure", lambda *parts, **more: Figure(figsize=(1, 1)))
    return tmp_path


def numbers() -> dict[str, float]:
    g = simulated()[0].geometry
    return {"energy_eV": g.energy_ev, "detector_distance_mm": g.distance_m * 1e3, "pixel_um": g.pixel_size_m[0] * 1e6}


def stack() -> np.ndarray:
    scan = simulated()[0]
    return scan.frames[0 : scan.n_frames]


def write_table(path: Path, sep: str = ",") -> None:
    head = [f"# {name} = {value!r}" for name, value in numbers().items()] + [sep.join(("y_um", "x_um"))]
    rows = [sep.join(repr(float(v)) for v in row) for row in simulated()[0].positions_m * 1e6]
    path.write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")


def npz(root: Path) -> Path:
    y, x = simulated()[0].positions_m.T * 1e6
    np.savez(root / "Läufe 17.npz", data=stack(), y_um=y, x_um=x, **numbers())
    return root / "Läufe 17.npz"


def npy_and_csv(root: Path) -> Path:
    folder = root / "npy und csv"
    folder.mkdir()
    np.save(folder / "diffraction µ.npy", stack())
    write_table(folder / "positions.csv")
    return folder


def tiff_and_csv(root: Path) -> Path:
    tifffile.imwrite(root / "scan 3 – süß.tif", stack(), photometric="minisblack")
    write_table(root / "scan 3 – süß.csv", ";")
    return root / "scan 3 – süß.tif"


def single_frames(root: Path) -> Path:
    folder = root / "single [a] é"
    folder.mkdir()
    for j, frame in enumerate(stack()):
        tifffile.imwrite(folder / f"img {j}.tif", frame)
    write_table(folder / "log.txt", "\t")
    return folder


def pattern(root: Path) -> Path:
    return single_frames(root) / "img *.tif"


def lines(root: Path) -> Path:
    folder = root / "line files"
    folder.mkdir()
    y, x = simulated()[0].positions_m.T * 1e6
    for k in range(4):
        part = slice(10 * k, 10 * k + 10)
        with h5py.File(folder / f"line {k}.h5", "w") as f:
            f["d/frames"], f["d/y_um"], f["d/x_um"] = stack()[part], y[part], x[part]
            f["d"].attrs.update(numbers())
    return folder


@pytest.mark.parametrize("make", [npz, npy_and_csv, tiff_and_csv, single_frames, pattern, lines])
def test_inspect_then_reconstruct(here, capsys, make):
    (here / "data").mkdir()
    target = make(here / "data")
    before = contents(here / "data")
    seen = halfbit(capsys, "inspect", target, "--json", "--quiet", "-s", "scan.orientation=as stored")
    assert seen.code == 0, seen.err
    machine = json.loads(seen.out)
    assert machine["missing"] == []
    words = ("-r", machine["mapping_file"], "--quiet")
    again = halfbit(capsys, "inspect", target, *words, "--json", "-s", "scan.orientation=as stored")
    assert again.code == 0, again.err
    made = halfbit(capsys, "reconstruct", target, *words, *PASSES, "-o", "image.h5")
    assert made.code == 0, made.err
    scan, _ = simulated()
    with h5py.File("image.h5") as f:
        np.testing.assert_allclose(f["entry/positions/measured"][()], scan.positions_m, rtol=1e-9, atol=1e-15)
        source = f["entry/process/source"]
        assert source["checksum"].asstr()[()] == Source.of(target).checksum
    assert contents(here / "data") == before
    assert not [p for p in Path().iterdir() if set(p.name) & set("*?{}")]


def test_positions_that_only_the_master_file_has(here, capsys):
    folder = lines(here)
    y, x = simulated()[0].positions_m.T * 1e6
    for k in range(4):
        with h5py.File(folder / f"line {k}.h5", "r+") as f:
            del f["d/y_um"], f["d/x_um"]
    with h5py.File(folder / "master.h5", "w") as f:
        f["scan/y_um"], f["scan/x_um"] = y, x
    words = ("--json", "--quiet", "-s", "scan.orientation=as stored")
    seen = halfbit(capsys, "inspect", folder / "master.h5", "-s", "scan.parts=line *.h5", *words)
    assert seen.code == 0, seen.err
    assert json.loads(seen.out)["mapping"] == {
        **{"frames": "/d/frames", "y": "/scan/y_um in um", "x": "/scan/x_um in um"},
        **{
            "energy": "/d@energy_eV in eV",
            "distance": "/d@detector_distance_mm in mm",
            "pixel_size": "/d@pixel_um in um",
        },
    }
    assert halfbit(capsys, "inspect", folder, *words).code == 0  # the folder as it is, likewise


def test_what_is_odd_about_the_files_is_shown(here, capsys):
    folder = single_frames(here)
    (folder / "img 7.tif").unlink()
    (folder / "thumb.tif").write_bytes(b"")
    (folder / "log.txt").write_text(
        "".join(line for j, line in enumerate((folder / "log.txt").read_text().splitlines(True)) if j != 4 + 7)
    )
    seen = halfbit(capsys, "inspect", folder, "--quiet", "-s", "scan.orientation=as stored")
    assert seen.code == 0, seen.err
    assert "files not used  thumb.tif (a thumbnail)" in seen.out
    assert "1 missing: 7" in seen.out
    words = ("-r", "single [a] é_mapping_001.toml", "--json", "--quiet", "-s", "scan.orientation=as stored")
    mapping = next(Path().glob("*_mapping_001.toml"))
    machine = json.loads(halfbit(capsys, "inspect", folder, "-r", mapping, *words[2:]).out)
    notes = {note["what"]: note for note in machine["notes"]}
    assert "thumb.tif (a thumbnail)" in notes["files not used"]["why"]
    assert "1 missing: 7" in notes["missing-files"]["value"]
    assert notes["missing-files"]["guess"]


@pytest.mark.parametrize("command", ["inspect", "reconstruct", "prepare"])
def test_follow_external(here, capsys, command):
    (here / "scan").mkdir()
    scan, _ = simulated()
    path = scans.write(here / "scan" / "run.nxs", scan)
    (here / "far").mkdir()
    where = "entry_1/instrument_1/detector_1/data"
    with h5py.File(path, "r+") as f, h5py.File(here / "far" / "frames.h5", "w") as far:
        f.copy(where, far, "stack")
        del f[where]
        f[where] = h5py.ExternalLink("../far/frames.h5", "/stack")
    words = (command, path, "--quiet", *(PASSES if command == "reconstruct" else PASSES[len(FEW) :]))
    refused = halfbit(capsys, *words)
    assert refused.code == 2
    assert "--follow-external" in refused.err
    made = halfbit(capsys, *words, "--follow-external", "-o", "out.png" if command == "inspect" else "out.h5")
    assert made.code == 0, made.err
    if command == "reconstruct":
        with h5py.File("out.h5") as f:
            assert "follow_external = true" in f["entry/process/recipe"].asstr()[()]
