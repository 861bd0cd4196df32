from __future__ import annotations

import dataclasses
import os

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, positions_um
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scans.errors import InputError
from scans.formats import load, write, write_cxi, write_nexus
from scans.formats.selection import SelectedFrames
from scans.geometry import Geometry
from scans.preparation import prepare
from scans.scan import Orientation, RawPositions, Scan, ZonePlate

WRITERS = [(write_cxi, ".cxi"), (write_nexus, ".nxs")]
both = pytest.mark.parametrize(("writer", "suffix"), WRITERS, ids=["cxi", "nexus"])


TURNED = Orientation(transpose=True, flip_x=True)


def full_scan(orientation=TURNED, **changes):
    """A scan in which every field is set and no two numbers are equal."""
    oriented = (WIDTH, HEIGHT) if orientation.transpose else (HEIGHT, WIDTH)
    mask = np.ones((N_FRAMES, HEIGHT, WIDTH), bool)
    mask[:, 2, 3] = mask[:, 5, :] = mask[3, 7, 7] = False  # frame 3 has one more
    positions = positions_um() * 1e-6
    wiggle = np.array([-1, 0, 1])[None, :, None] * 1e-8
    scan = Scan(
        frames=frames(),
        positions_m=positions,
        geometry=Geometry(707.3, 0.0513, (24e-6, 48e-6), oriented),
        title="grain 3, ångström film",
        mask=mask,
        dark=np.arange(2 * HEIGHT * WIDTH, dtype=np.int32).reshape(2, HEIGHT, WIDTH),
        dark_exposures_s=np.array([0.02, 0.5]),
        flat=1 + 0.1 * np.sin(np.arange(HEIGHT * WIDTH, dtype=np.float64)).reshape(HEIGHT, WIDTH),
        counts_per_photon=44.5,
        read_noise=3.25,
        saturation=16383.0,
        beam_centre_px=(7.25, 11.5),
        orientation=orientation,
        zone_plate=ZonePlate(120e-6, 50e-9, 0.4, -1.65e-5),
        raw_positions=RawPositions(
            np.stack([-20.25 + 7 * positions[:, 1], 3 * positions[:, 0]], axis=1),
            "counts",
            ("piezo fast", "piezo slöw"),
            np.array([[0.0, 2.5e-7], [-1.25e-7, 3e-10]]),
            (1.5e-6, -2.5e-6),
        ),
        readings_m=positions[:, None, :] + wiggle,
        monitor=np.linspace(1, 2, N_FRAMES),
        exposures_s=np.where(np.arange(N_FRAMES) % 2, 0.02, 0.5),
        index_in_file=np.arange(N_FRAMES) * 3 + 7,
        prepared=("from run 17.cxi::/entry_1", "dark: mean of 20 frames, ±0.2 counts", "cut to 16 x 16"),
    )
    return dataclasses.replace(scan, **changes)


ARRAYS = (*("mask", "dark", "dark_exposures_s", "flat", "monitor", "exposures_s", "index_in_file", "readings_m"),)


def assert_same(read: Scan, written: Scan):
    np.testing.assert_array_equal(read.frames[0 : read.n_frames], written.frames[0 : written.n_frames])
    assert read.frames.dtype == written.frames.dtype
    np.testing.assert_array_equal(read.positions_m, written.positions_m)
    for name in ARRAYS:
        one, other = getattr(read, name), getattr(written, name)
        assert (one is None) == (other is None), name
        if one is not None:
            np.testing.assert_array_equal(one, other, err_msg=name)
    if written.raw_positions is not None:
        assert read.raw_positions is not None
        for name in ("values", "matrix"):
            one, other = getattr(read.raw_positions, name), getattr(written.raw_positions, name)
            np.testing.assert_array_equal(one, other)
        for name in ("unit", "names", "offset_m"):
            assert getattr(read.raw_positions, name) == getattr(written.raw_positions, name)
    names = ("title", "counts_per_photon", "saturation", "beam_centre_px", "orientation", "exposure_s")
    for name in (*names, "read_noise", "prepared"):
        assert getattr(read, name) == getattr(written, name), name
    assert read.geometry.frame_shape == written.geometry.frame_shape
    assert read.geometry.pixel_size_m == pytest.approx(written.geometry.pixel_size_m, rel=1e-15)
    assert read.geometry.distance_m == written.geometry.distance_m
    assert read.geometry.energy_ev == pytest.approx(written.geometry.energy_ev, rel=1e-15)  # eV -> J -> eV
    if written.zone_plate is None:
        assert read.zone_plate is None
    else:
        assert read.zone_plate is not None
        one, other = dataclasses.astuple(read.zone_plate), dataclasses.astuple(written.zone_plate)
        assert one == pytest.approx(other, rel=1e-15)


@both
def test_every_field_survives(tmp_path, writer, suffix):
    path = writer(tmp_path / f"run{suffix}", full_scan())
    read = load(path)
    assert_same(read, full_scan())
    assert not read.guesses


@both
def test_a_bare_scan_survives(tmp_path, writer, suffix):
    nothing = dict.fromkeys(
        (
            *("mask", "dark", "dark_exposures_s", "flat", "counts_per_photon", "saturation", "raw_positions"),
            *("beam_centre_px", "zone_plate", "monitor", "exposure_s", "exposures_s", "index_in_file", "readings_m"),
            "read_noise",
        )
    )
    scan = full_scan(Orientation(), title="", prepared=(), **nothing)
    assert_same(load(writer(tmp_path / f"run{suffix}", scan)), scan)


@both
def test_one_exposure_and_one_mask_survive(tmp_path, writer, suffix):
    mask = full_scan().mask[0]
    scan = full_scan(exposures_s=None, exposure_s=0.02, mask=mask, dark=full_scan().dark[0], dark_exposures_s=None)
    assert_same(load(writer(tmp_path / f"run{suffix}", scan)), scan)


@both
def test_a_flat_field_of_each_frame_survives(tmp_path, writer, suffix):
    """That of a prepared scan: beamstop, merged exposures. It is not brought to a median of 1 again."""
    flat = np.random.default_rng(3).uniform(0.05, 40, (N_FRAMES, HEIGHT, WIDTH))
    flat[:, 2, 3] = 0  # a masked pixel
    path = writer(tmp_path / f"run{suffix}", full_scan(flat=flat))
    np.testing.assert_array_equal(load(path).flat, flat)
    np.testing.assert_array_equal(load(path, n_frames=5).flat, flat[:5])


@both
def test_a_prepared_scan_survives(tmp_path, writer, suffix):
    raw = full_scan(Orientation(transpose=True), prepared=(), exposures_s=None, exposure_s=0.5, dark=None, flat=None)
    raw = dataclasses.replace(raw, dark_exposures_s=None)
    ready = prepare(raw, size=12).as_scan()
    assert ready.prepared
    read = load(writer(tmp_path / f"ready{suffix}", ready))
    assert_same(read, ready)
    again = prepare(read)
    np.testing.assert_array_equal(again.counts, ready.frames)
    np.testing.assert_array_equal(again.mask, ready.mask)


@both
def test_other_programs_processing_is_not_taken_for_ours(tmp_path, writer, suffix):
    path = writer(tmp_path / f"run{suffix}", full_scan())
    with h5py.File(path, "r+") as f:
        f["entry_1/process_1/program"][()] = "another"
    assert load(path).prepared == ()


@both
@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", "u4", "i2", "i4", "f4", ">f4", "f8", "?"])
def test_every_type_of_counts_survives(tmp_path, writer, suffix, dtype):
    data = (frames() % 100).astype(dtype)
    read = load(writer(tmp_path / f"run{suffix}", full_scan(frames=data)))
    stored = np.dtype(np.uint8) if dtype == "?" else data.dtype.newbyteorder("=")
    assert read.frames.dtype == stored
    np.testing.assert_array_equal(read.frames[0:N_FRAMES], data)


@both
def test_nan_and_negative_counts_survive(tmp_path, writer, suffix):
    data = frames().astype(np.float32)
    data[2, 3, 4], data[5, 6, 7] = np.nan, -3.5
    read = load(writer(tmp_path / f"run{suffix}", full_scan(frames=data)))
    np.testing.assert_array_equal(read.frames[0:N_FRAMES], data)


@both
def test_corrections_on_reading_go_before_the_stage_table(tmp_path, writer, suffix):
    path = writer(tmp_path / f"run{suffix}", full_scan())
    read = load(path, position_axes="-y,x")
    assert read.readings_m is None
    assert read.raw_positions is not None
    assert read.raw_positions.unit == "m"
    np.testing.assert_allclose(read.positions_m, full_scan().positions_m * [-1, 1], rtol=1e-12)


@both
def test_the_first_frames_of_a_written_scan(tmp_path, writer, suffix):
    read = load(writer(tmp_path / f"run{suffix}", full_scan()), n_frames=5)
    whole = full_scan()
    for name in ("exposures_s", "index_in_file", "readings_m", "monitor", "mask"):
        np.testing.assert_array_equal(getattr(read, name), getattr(whole, name)[:5], err_msg=name)
    np.testing.assert_array_equal(read.raw_positions.values, whole.raw_positions.values[:5])


@both
def test_any_kind_of_frames_is_written_block_by_block(tmp_path, writer, suffix, monkeypatch):
    monkeypatch.setattr("scans.formats.writing_parts.BLOCK_BYTES", 3 * HEIGHT * WIDTH * 2)
    source = load(make_cxi(tmp_path / "source.h5"))
    some = np.array([0, 1, 4, 5, 6, 9, 11])
    bare = dataclasses.replace(
        source, frames=SelectedFrames(source.frames, some), positions_m=source.positions_m[some], raw_positions=None
    )
    calls = []
    path = writer(tmp_path / f"run{suffix}", bare, progress=lambda done, total: calls.append((done, total)))
    assert calls == [(3, 7), (6, 7), (7, 7)]
    np.testing.assert_array_equal(load(path).frames[0:7], frames()[some])


@both
@pytest.mark.parametrize("case", range(8))
def test_every_orientation_survives(tmp_path, writer, suffix, case):
    scan = full_scan(Orientation(bool(case & 4), bool(case & 2), bool(case & 1)))
    assert_same(load(writer(tmp_path / f"run{suffix}", scan)), scan)


@both
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    energy=st.floats(30, 200e3),
    distance=st.floats(1e-3, 100),
    pixels=st.tuples(st.floats(1e-6, 1e-3), st.floats(1e-6, 1e-3)),
    step=st.floats(2e-9, 9e-4),
    case=st.integers(0, 7),
)
def test_any_geometry_survives(tmp_path, writer, suffix, energy, distance, pixels, step, case):
    orientation = Orientation(bool(case & 4), bool(case & 2), bool(case & 1))
    shape = (9, 8) if orientation.transpose else (8, 9)
    scan = Scan(
        frames=frames(3, 8, 9),
        positions_m=np.array([[0, 0], [step, 0], [step, -step]]),
        geometry=Geometry(energy, distance, pixels, shape),
        orientation=orientation,
    )
    assert_same(load(writer(tmp_path / f"run{suffix}", scan, overwrite=True)), scan)


@both
def test_lazy_frames_are_copied(tmp_path, writer, suffix):
    source = load(make_cxi(tmp_path / "source.h5"))
    copy = load(writer(tmp_path / f"copy{suffix}", source))
    np.testing.assert_array_equal(copy.frames[0:N_FRAMES], frames())
    np.testing.assert_allclose(copy.positions_m, positions_um() * 1e-6, rtol=1e-14)


def test_a_file_may_be_rewritten_from_itself(tmp_path):
    path = write(tmp_path / "run.cxi", full_scan())
    write(path, load(path), overwrite=True)
    assert_same(load(path), full_scan())


@pytest.mark.parametrize(
    ("name", "layout"),
    [("a.cxi", "CXI"), ("a.CXI", "CXI"), ("a.nxs", "NeXus"), ("a.h5", "NeXus"), ("a.hdf5", "NeXus")],
)
def test_the_suffix_picks_the_layout(tmp_path, name, layout):
    assert load(write(tmp_path / name, full_scan())).layout == layout


def test_other_suffixes_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"a\.dat: suffix '\.dat'; expected \.cxi, .*Name the file with"):
        write(tmp_path / "a.dat", full_scan())


@both
def test_nothing_is_overwritten_unasked(tmp_path, writer, suffix):
    path = tmp_path / f"run{suffix}"
    path.write_text("mine")
    with pytest.raises(InputError, match=rf"run\{suffix}: exists already.*--force"):
        writer(path, full_scan())
    assert path.read_text() == "mine"


class FailingFrames:
    """Frames whose reading fails in the middle."""

    shape, dtype = (N_FRAMES, HEIGHT, WIDTH), np.dtype(np.uint16)

    def __init__(self, error):
        self.error = error

    def __getitem__(self, key):
        raise self.error


@both
@pytest.mark.parametrize("error", [KeyboardInterrupt(), InputError("x", where="y", expected="z", fix="w")])
def test_a_failure_leaves_nothing_and_keeps_the_old_file(tmp_path, writer, suffix, error):
    path = writer(tmp_path / f"run{suffix}", full_scan())
    before = path.read_bytes()
    with pytest.raises(type(error)):
        writer(path, full_scan(frames=FailingFrames(error)), overwrite=True)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == [path.name]


def test_a_full_disk_is_said(tmp_path):
    scan = full_scan(frames=FailingFrames(OSError(28, "No space left on device")))
    with pytest.raises(InputError, match=r"run\.cxi: cannot be written \(No space left.*Free some space"):
        write(tmp_path / "run.cxi", scan)
    assert os.listdir(tmp_path) == []


def test_a_folder_that_does_not_exist_is_said(tmp_path):
    with pytest.raises(InputError, match=r"nowhere/run\.nxs: cannot be written .*-o"):
        write(tmp_path / "nowhere" / "run.nxs", full_scan())


@both
def test_files_are_readable_by_old_libraries(tmp_path, writer, suffix):
    path = writer(tmp_path / f"run{suffix}", full_scan())
    assert path.read_bytes()[8] == 0  # superblock version 0 (HDF5 file format specification, II.A)
    with h5py.File(path) as f:
        data = f["entry_1/instrument_1/detector_1/data"]
        assert data.chunks == (1, HEIGHT, WIDTH)
        assert (data.compression, data.shuffle) == ("gzip", True)


def test_cxi_follows_the_standard(tmp_path):
    with h5py.File(write(tmp_path / "run.cxi", full_scan(Orientation()))) as f:
        assert f["cxi_version"][()] == 160
        assert f["entry_1/data_1/data"].shape == (N_FRAMES, HEIGHT, WIDTH)
        # 707.3 eV x 1.602176634e-19 J/eV
        assert f["entry_1/instrument_1/source_1/energy"][()] == pytest.approx(1.13321953e-16, rel=1e-8)
        np.testing.assert_allclose(f["entry_1/data_1/translation"][0], [-20.25e-6, 5971.5e-6, 0])  # x, y, z
        detector = f["entry_1/instrument_1/detector_1"]
        np.testing.assert_array_equal(detector["basis_vectors"], [[0, -24e-6, 0], [-48e-6, 0, 0]])
        assert detector["mask"].shape == (N_FRAMES, HEIGHT, WIDTH)
        assert detector["mask"][4, 2, 3] & 0x69F  # one of the bits that mean bad
        assert detector["mask"][4, 0, 0] == 0


def test_nexus_is_plotted_by_default_and_follows_the_definition(tmp_path):
    with h5py.File(write(tmp_path / "run.nxs", full_scan(Orientation()))) as f:
        # NeXus manual, "find the plottable data": default -> default -> signal, and one axis name a dimension
        entry = f[f.attrs["default"]]
        data = entry[entry.attrs["default"]]
        signal = data[data.attrs["signal"]]
        assert (f.attrs["NX_class"], entry.attrs["NX_class"], data.attrs["NX_class"]) == (
            "NXroot",
            "NXentry",
            "NXdata",
        )
        assert len(data.attrs["axes"]) == signal.ndim == 3
        assert data["x"].shape == data["y"].shape == (N_FRAMES,)
        assert data["x"].attrs["units"] == "m"
        # NXcxi_ptycho: names of groups and fields
        assert entry["definition"].asstr()[()] == "NXcxi_ptycho"
        for path in (
            *("instrument_1/beam_1/energy", "instrument_1/beam_1/incident_beam_energy"),
            *("instrument_1/source_1/probe", "instrument_1/detector_1/translation"),
            *("instrument_1/detector_1/x_pixel_size", "instrument_1/detector_1/y_pixel_size"),
            *("data_1/data", "data_1/translation", "sample_1/geometry_1/translation"),
            *("sample_1/transformations/x", "sample_1/transformations/y"),
        ):
            assert path in entry, path
        assert entry["instrument_1/detector_1/distance"].attrs["units"] == "m"
        assert entry["instrument_1/detector_1/pixel_mask"][4, 2, 3] & 0xFFFF


def test_nexus_files_are_cxi_files_too(tmp_path):
    # a reader that knows CXI names only finds frames and translation
    path = write(tmp_path / "run.nxs", full_scan(Orientation()))
    with h5py.File(path, "r+") as f:
        for name in ("entry_1", "entry_1/instrument_1", "entry_1/instrument_1/detector_1"):
            del f[name].attrs["NX_class"]
    scan = load(path, energy_ev=707.3)
    assert scan.layout == "CXI"
    np.testing.assert_array_equal(scan.positions_m, positions_um() * 1e-6)
    assert scan.geometry.distance_m == 0.0513
