"""NumPy archives and TIFF stacks that we wrote, read back with nothing but the mapping that is proposed for them."""

from __future__ import annotations

import dataclasses
from contextlib import closing

import numpy as np
import pytest
import tifffile
from formats_files import HEIGHT, N_FRAMES, WIDTH
from test_formats_writing import assert_same, full_scan

from scans.errors import InputError
from scans.formats import load, open_source, write
from scans.formats.roles import propose
from scans.preparation import prepare
from scans.scan import Orientation

NAMES = ["ångström run.npz", "ångström run.tif", "a folder (2)"]
WANTED = {"frames", "positions", "energy", "distance", "pixel size", "orientation"}
each = pytest.mark.parametrize("name", NAMES)


def scan_of(**changes):
    """All fields that these files have; the stage's own table is not among them."""
    known = {"raw_positions": None, "readings_m": None, "exposures_s": None, "exposure_s": 0.5, "title": ""}
    return full_scan(**{**known, **changes})


def proposal(path):
    with closing(open_source(path)) as source:
        return propose(source)


def read_back(path, **given):
    return load(path, mapping=proposal(path).mapping, **given)


@each
@pytest.mark.parametrize("case", range(8))
def test_every_orientation_survives(tmp_path, name, case):
    """Pixels are not square: a pixel size swapped with the axes would show."""
    orientation = Orientation(bool(case & 4), bool(case & 2), bool(case & 1))
    scan = full_scan(orientation, raw_positions=None, readings_m=None, exposures_s=None, exposure_s=0.5, title="")
    path = write(tmp_path / name, scan)
    found = proposal(path)
    sure = {g.role for g in found.guesses if g.confidence == "high"}
    assert sure >= (WANTED if path.suffix != ".tif" else WANTED - {"frames"})  # its name says nothing
    assert not found.missing
    assert_same(read_back(path), scan)


@each
def test_one_mask_and_one_flat_field_a_frame(tmp_path, name):
    rng = np.random.default_rng(5)
    scan = scan_of(
        flat=rng.uniform(0.5, 2, (N_FRAMES, HEIGHT, WIDTH)), mask=rng.random((N_FRAMES, HEIGHT, WIDTH)) > 0.1
    )
    path = write(tmp_path / name, scan)
    assert_same(read_back(path), scan)
    first = read_back(path, n_frames=5)
    for field in ("flat", "mask", "index_in_file", "monitor"):
        np.testing.assert_array_equal(getattr(first, field), getattr(scan, field)[:5], err_msg=field)


@each
def test_a_prepared_scan(tmp_path, name):
    nothing = dict.fromkeys(("dark", "dark_exposures_s", "flat"))
    ready = prepare(scan_of(prepared=(), **nothing), size=12).as_scan()
    read = read_back(write(tmp_path / name, ready))
    assert_same(read, dataclasses.replace(ready, raw_positions=None, title="", readings_m=None))
    assert read.prepared == ready.prepared != ()


@each
def test_progress_ends_with_all_frames_and_nothing_is_replaced(tmp_path, name):
    calls = []
    path = write(tmp_path / name, scan_of(), progress=lambda done, total: calls.append((done, total)))
    assert calls[-1] == (N_FRAMES, N_FRAMES)
    before = sorted((p.name, p.stat().st_size) for p in tmp_path.rglob("*") if p.is_file())
    with pytest.raises(InputError, match="exists already"):
        write(path, scan_of())
    assert before == sorted((p.name, p.stat().st_size) for p in tmp_path.rglob("*") if p.is_file())
    write(path, scan_of(), overwrite=True)


def test_a_single_stack_has_its_table_beside_and_any_program_reads_it(tmp_path):
    write(tmp_path / "run.tif", scan_of())
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run.csv", "run.npz", "run.tif"]
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "run.tif"), scan_of().frames[:])


@each
def test_without_a_word_in_the_mapping_nothing_is_turned_silently(tmp_path, name):
    path = write(tmp_path / name, scan_of())
    mapping = {k: v for k, v in proposal(path).mapping.items() if k not in ("transpose", "flip_y", "flip_x")}
    scan = load(path, mapping=mapping)
    assert scan.orientation == Orientation()
    said = [n for n in scan.guesses if n.what == "orientation"]
    assert any("transpose is 1" in n.where and "-s scan.orientation" in n.why for n in said)
    assert load(path, mapping=mapping, orientation="transpose+flip_x").orientation == scan_of().orientation
