import errno
import json
import os
import re
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from recon.recipe import Recipe
from recon.result import History, StopReason
from recon.result_file import numbered_name, read_result, write_resolution, write_result
from scans.errors import InputError

H, W, J, N = 24, 31, 5, 16  # as in the fixture `result`


def noise(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


@pytest.fixture
def full(result, rng):
    """The fixture `result` with everything that only some results have."""
    return replace(
        result,
        history=replace(result.history, held_out=[9.0, 2.5, 1.3]),
        **{"prior": "gradient, strength 8,1 µ", "without_prior": noise(rng, H, W)},
        **{"slices": noise(rng, 3, H, W), "slice_positions_m": [0, 1.5e-6, 4e-6]},
        background=rng.random((N, N)),
        occupancy_shift=[0.03, -0.03],
        **{"variation_basis": noise(rng, 2, N, N), "variation_coefficients": noise(rng, J, 2)},
    )


def bytes_of(value):
    """Everything in a result as plain Python, arrays as dtype, shape and bytes."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if is_dataclass(value):
        return {f.name: bytes_of(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple | list):
        return [bytes_of(item) for item in value]
    if isinstance(value, dict):
        return {key: bytes_of(item) for key, item in value.items()}
    return type(value), value


# --- there and back -----------------------------------------------------------------------------------------


def test_everything_comes_back_as_it_was(full, tmp_path):
    unset = [f.name for f in fields(full) if getattr(full, f.name) is None]
    assert unset == ["resolution", "solver_state"]  # tests of their own are below
    path = write_result(tmp_path / "r.h5", full)
    assert path == tmp_path / "r.h5"
    back = read_result(path)
    assert bytes_of(back) == bytes_of(full)
    assert back.recipe.chosen == full.recipe.chosen
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    "without",
    [
        *(("without_prior",), ("prior",), ("prior", "without_prior"), ("slices", "slice_positions_m")),
        *(("background",), ("variation_basis", "variation_coefficients")),
    ],
)
def test_each_optional_part_may_be_missing(full, tmp_path, without):
    some = replace(full, **dict.fromkeys(without))
    assert bytes_of(read_result(write_result(tmp_path / "r.h5", some))) == bytes_of(some)


def test_what_is_unknown_stays_unknown(result, tmp_path):
    bare = replace(
        result,
        **dict.fromkeys(("stop_reason", "raw_positions", "exposure_s", "monitor")),
        **dict.fromkeys(("left_out", "findings", "notes", "steps"), ()),
        history=History.empty(),
        status="running",
        unit="ADU",
        recipe=Recipe(),
        provenance=replace(result.provenance, source=None),
    )
    assert bytes_of(read_result(write_result(tmp_path / "r.h5", bare))) == bytes_of(bare)


def test_a_checkpoint_brings_the_solver_state_back_exactly(result, tmp_path, rng):
    generator = np.random.default_rng(5)
    generator.normal(size=7)
    state = {
        "object": noise(rng, H, W),
        "probe": noise(rng, 2, N, N).astype(np.complex64),
        "memory/waves/first": noise(rng, J, N, N),
        "memory/mask": rng.random((N, N)) > 0.5,
        "memory/order": rng.permutation(J),
        "memory/nothing": np.empty((0, 3), np.float32),
        "big_endian": np.arange(3, dtype=">f8"),
        "step": np.float32(0.1),
        "iteration": 12,
        "done": False,
        "gain": 0.1 + 0.2,
        "rng": json.dumps(generator.bit_generator.state),
    }
    back = read_result(write_result(tmp_path / "c.h5", replace(result, solver_state=state))).solver_state
    assert bytes_of({k: back[k] for k in state}) == bytes_of(state)
    again = np.random.default_rng()
    again.bit_generator.state = json.loads(back["rng"])
    assert again.normal() == generator.normal()


CURVE = {
    "frequency_per_m": np.linspace(0, 5e7, 20),
    "correlation": np.linspace(1, -0.1, 20),
    "n_ring": np.arange(20),
    "crossing_m": 2.5e-8,
    "half_bit_m": None,
    "halves": "photons split",
    "names": ("a", "b"),
}


def test_a_resolution_is_added_and_replaced(result, tmp_path):
    path = write_result(tmp_path / "r.h5", result)
    write_resolution(path, CURVE)
    write_resolution(path, CURVE | {"crossing_m": 3e-8})
    back = read_result(path)
    assert bytes_of(back.resolution) == bytes_of(dict(sorted((CURVE | {"crossing_m": 3e-8}).items())))
    assert bytes_of(replace(back, resolution=None)) == bytes_of(result)
    with h5py.File(path) as file:
        assert file["entry/resolution/crossing_m"].attrs["units"] == "m"
        assert file["entry/resolution/frequency_per_m"].attrs["units"] == "1/m"
        check_nxdata(file["entry/resolution"])
    second = write_result(tmp_path / "again.h5", back)
    assert bytes_of(read_result(second)) == bytes_of(back)


@pytest.mark.parametrize("spoil", ["some", "all", "unlit"])
def test_a_result_that_ended_non_finite_can_still_be_written(result, tmp_path, spoil):
    transmission, coverage = result.transmission.copy(), result.coverage
    transmission[3:5] = np.nan + 1j * np.inf
    if spoil == "all":
        transmission[:] = np.nan
    if spoil == "unlit":
        coverage = 0 * coverage
    bad = replace(result, transmission=transmission, coverage=coverage, stop_reason=StopReason.NON_FINITE)
    back = read_result(write_result(tmp_path / "bad.h5", bad))
    assert back.transmission.tobytes() == bad.transmission.tobytes()


# --- what other programs see --------------------------------------------------------------------------------


def check_nxdata(group):
    """Rules of the NeXus manual, NXdata: https://manual.nexusformat.org/classes/base_classes/NXdata.html."""
    attributes = group.attrs
    assert isinstance(attributes["signal"], str)
    signal = group[attributes["signal"]]
    assert np.issubdtype(signal.dtype, np.floating)  # many viewers cannot draw complex numbers
    axes = list(attributes["axes"])
    assert all(isinstance(axis, str) for axis in axes)
    assert len(axes) == signal.ndim
    for axis in axes:
        where = np.atleast_1d(attributes[f"{axis}_indices"])
        assert group[axis].shape == tuple(signal.shape[k] for k in where)
        assert axes.index(axis) in where
    for other in attributes.get("auxiliary_signals", []):
        assert group[other].shape == signal.shape


def test_a_nexus_viewer_finds_the_phase_by_the_default_attributes(result, tmp_path):
    with h5py.File(write_result(tmp_path / "r.h5", result)) as file:
        # "Find the data to plot": https://manual.nexusformat.org/datarules.html#find-plottable-data
        place, classes = file, ["NXroot"]
        while "default" in place.attrs:
            place = place[place.attrs["default"]]
            classes.append(place.attrs["NX_class"])
        assert classes == ["NXroot", "NXentry", "NXdata"]
        phase = place[place.attrs["signal"]]
        assert phase.name == "/entry/object/phase"
        np.testing.assert_array_equal(phase, result.phase)
        assert phase.attrs["units"] == "rad"
        assert [place[axis].attrs["units"] for axis in place.attrs["axes"]] == ["m", "m"]


def test_every_group_has_a_class_and_every_nxdata_keeps_the_rules(full, tmp_path):
    checked = []

    def visit(name, item):
        if isinstance(item, h5py.Group):
            assert item.attrs["NX_class"].startswith("NX"), name
            if item.attrs["NX_class"] == "NXdata":
                check_nxdata(item)
                checked.append(name)

    path = write_result(tmp_path / "r.h5", replace(full, solver_state={"memory/waves/a": np.ones(3)}))
    with h5py.File(write_resolution(path, CURVE)) as file:
        file.visititems(visit)
    assert checked == ["entry/convergence", "entry/frames", "entry/object", "entry/probe", "entry/resolution"]


def test_paths_types_and_units_that_scripts_rely_on(full, tmp_path):
    table = {
        "object/transmission": ("<c8", (H, W), ""),
        "object/phase": ("<f4", (H, W), "rad"),
        "object/amplitude": ("<f4", (H, W), ""),
        "object/without_prior": ("<c8", (H, W), ""),
        "object/slices": ("<c8", (3, H, W), ""),
        "object/slice_positions": ("<f8", (3,), "m"),
        "object/y": ("<f8", (H,), "m"),
        "object/x": ("<f8", (W,), "m"),
        "object/coverage": ("<f4", (H, W), "photon"),
        "probe/modes": ("<c8", (2, N, N), None),
        "probe/occupancy": ("<f8", (2,), ""),
        "probe/occupancy_shift": ("<f8", (2,), ""),
        "probe/variation/basis": ("<c8", (2, N, N), None),
        "probe/variation/coefficients": ("<c16", (J, 2), ""),
        "positions/measured": ("<f8", (J, 2), "m"),
        "positions/refined": ("<f8", (J, 2), "m"),
        "positions/raw": ("<f8", (J, 2), "um"),
        "positions/frame_index": ("<i8", (J,), None),
        "frames/intensity": ("<f4", (J,), ""),
        "frames/background": ("<f4", (N, N), "photon"),
        "instrument/beam/incident_energy": ("<f8", (), "eV"),
        "instrument/detector/distance": ("<f8", (), "m"),
        "instrument/detector/x_pixel_size": ("<f8", (), "m"),
        "instrument/detector/count_time": ("<f8", (), "s"),
        "convergence/r_factor": ("<f8", (3,), ""),
        "convergence/held_out": ("<f8", (3,), ""),
        "process/seed": ("<i8", (), None),
    }
    with h5py.File(write_result(tmp_path / "r.h5", full)) as file:
        entry = file["entry"]
        for path, (kind, shape, units) in table.items():
            dataset = entry[path]
            assert (dataset.dtype.str, dataset.shape, dataset.attrs.get("units")) == (kind, shape, units), path
        assert (entry.attrs["status"], entry.attrs["verdict"]) == ("complete", "usable with cautions")
        assert entry["convergence/stop_reason"].asstr()[()] == "iteration limit"
        assert "size = 16 # chosen: all of the frame" in entry["process/recipe"].asstr()[()]
        assert entry["object/transmission"].attrs["prior"] == "gradient, strength 8,1 µ"
        assert entry["object/transmission"].id.get_type().get_class() == h5py.h5t.COMPOUND
        raw = entry["positions/raw"]
        there = raw[()] @ raw.attrs["sample_from_stage"].T + raw.attrs["sample_offset"]
        back = (there - raw.attrs["sample_offset"]) @ raw.attrs["stage_from_sample"].T
        np.testing.assert_allclose(back, raw[()], rtol=1e-12)
        assert list(raw.attrs["names"]) == ["sx", "sy"]


def test_the_page_on_the_result_file_tells_what_is_written(full, tmp_path, monkeypatch):
    page = (Path(__file__).parents[2] / "docs" / "result-file.md").read_text("utf-8")
    full = replace(full, solver_state={"step": 1})
    monkeypatch.chdir(tmp_path)
    path = write_resolution(write_result("run17_001.h5", full), CURVE)
    told = set(re.findall(r"^\| `(/entry/[^`@]+)` \|", page, re.M))
    datasets = []
    with h5py.File(path) as file:
        assert not [name for name in told if name not in file]
        file.visititems(lambda name, item: datasets.append(f"/{name}") if isinstance(item, h5py.Dataset) else None)
    # Every dataset has a row, or is named in a neighbour's; checkpoint and resolution name their own.
    free = ("/entry/process/checkpoint/", "/entry/resolution/")
    untold = [name for name in datasets if name not in told and not name.startswith(free)]
    assert [name for name in untold if f"`{name.rpartition('/')[2]}`" not in page] == []
    names = {}
    exec(re.search(r"```python\n(.*?)```", page, re.S)[1], names)
    np.testing.assert_array_equal(names["phase"], full.phase)
    assert (len(names["y"]), len(names["x"]), names["verdict"]) == (H, W, full.verdict)


def test_the_format_is_the_one_that_old_libraries_read(result, tmp_path):
    path = write_result(tmp_path / "r.h5", result)
    # HDF5 file format specification, section II.A: the signature, then the superblock's version; "latest"
    # writes 2 or 3.
    assert path.read_bytes()[:9] == b"\x89HDF\r\n\x1a\n\x00"


# --- whole or not at all ------------------------------------------------------------------------------------


def failing_write(monkeypatch, error, at="refined"):
    real = h5py.Group.create_dataset

    def create_dataset(self, name, *args, **kwargs):
        if name == at:
            raise error
        return real(self, name, *args, **kwargs)

    monkeypatch.setattr(h5py.Group, "create_dataset", create_dataset)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("broken"), OSError(errno.EIO, "bad disk")])
def test_a_write_that_breaks_off_leaves_the_old_file_and_nothing_else(result, tmp_path, monkeypatch, error):
    folder = tmp_path / "out"
    folder.mkdir()
    path = write_result(folder / "r.h5", result)
    before = path.read_bytes()
    failing_write(monkeypatch, error)
    for target in (path, folder / "new.h5"):
        with pytest.raises(type(error)):
            write_result(target, result, force=True)
    assert os.listdir(folder) == ["r.h5"]
    assert path.read_bytes() == before


def test_a_resolution_that_breaks_off_leaves_the_result(result, tmp_path, monkeypatch):
    path = write_result(tmp_path / "r.h5", result)
    before = path.read_bytes()
    failing_write(monkeypatch, RuntimeError("broken"), at="correlation")
    with pytest.raises(RuntimeError, match="broken"):
        write_resolution(path, CURVE)
    assert path.read_bytes() == before
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    ("number", "fix"),
    [(errno.ENOSPC, "Free some space"), (errno.EACCES, "may write to"), (errno.EROFS, "may write to")],
)
def test_a_full_or_closed_disk_is_the_users_to_mend(result, tmp_path, monkeypatch, number, fix):
    failing_write(monkeypatch, OSError(number, "library text"))
    with pytest.raises(InputError, match=rf"r\.h5: cannot be written \({os.strerror(number)}\).*{fix}"):
        write_result(tmp_path / "r.h5", result)


def test_zeros_that_a_full_disk_leaves_are_noticed(result, tmp_path, monkeypatch):
    real = h5py.Group.create_dataset

    def create_dataset(self, name, *args, data=None, **kwargs):
        return real(self, name, *args, data=0 * data if name == "modes" else data, **kwargs)

    monkeypatch.setattr(h5py.Group, "create_dataset", create_dataset)
    with pytest.raises(OSError, match="/entry/probe/modes was not read back as written"):
        write_result(tmp_path / "r.h5", result)
    assert not list(tmp_path.glob("*.h5")) + list(tmp_path.glob(".*"))


def test_nothing_is_overwritten_without_force(result, tmp_path):
    path = tmp_path / "r.h5"
    path.write_text("precious")
    with pytest.raises(InputError, match=r"r\.h5: exists already.*--force"):
        write_result(path, result)
    assert path.read_text() == "precious"
    write_result(path, result, force=True)
    assert read_result(path).verdict == result.verdict
    with pytest.raises(InputError, match=r"is a folder.*Add a file name"):
        write_result(tmp_path, result, force=True)
    with pytest.raises(InputError, match=r"gone/r\.h5: cannot be written.*Make the folder"):
        write_result(tmp_path / "gone" / "r.h5", result)
    with pytest.raises(InputError, match=r"cannot be written.*Make the folder"):
        write_result(path / "below.h5", result)


def test_numbered_names(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert numbered_name("run") == tmp_path / "run_001.h5"
    (tmp_path / "run_001.h5").touch()
    (tmp_path / "run_002.h5").symlink_to("nowhere")  # a dangling link is taken, too
    assert numbered_name("run") == tmp_path / "run_003.h5"
    assert numbered_name("run", ".png") == tmp_path / "run_001.png"
    assert numbered_name("run", folder=tmp_path / "sub") == tmp_path / "sub" / "run_001.h5"


# --- files that are no results ------------------------------------------------------------------------------


def test_files_that_are_no_results(tmp_path):
    with pytest.raises(InputError, match=r"gone\.h5: no such file.*halfbit reconstruct"):
        read_result(tmp_path / "gone.h5")
    with pytest.raises(InputError, match="is a folder"):
        read_result(tmp_path)
    (tmp_path / "text.h5").write_text("hello")
    with pytest.raises(InputError, match=r"text\.h5: not an HDF5 file.*halfbit reconstruct"):
        read_result(tmp_path / "text.h5")
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        file["entry_1/data"] = np.ones(3)
    for reading in (read_result, lambda path: write_resolution(path, CURVE)):
        with pytest.raises(InputError, match=r"scan\.h5::/entry/object/transmission: a file of another.*inspect"):
            reading(tmp_path / "scan.h5")


def test_a_damaged_root_is_refused(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.attrs["halfbit_layout"] = "of text"
    with pytest.raises(InputError, match=r"a\.h5: no number of a layout can be read"):
        read_result(tmp_path / "a.h5")
    # the root group's header starts with the signature OHDR in the latest format, its checksum is the last 4 bytes
    # of the chunk (HDF5 file format specification, section IV.A.1.b): any other byte in it makes it unreadable
    with h5py.File(tmp_path / "b.h5", "w", libver="latest") as file:
        file["d"] = 1.0
    raw = bytearray((tmp_path / "b.h5").read_bytes())
    raw[raw.index(b"OHDR") + 20] ^= 0xFF
    (tmp_path / "b.h5").write_bytes(raw)
    with pytest.raises(InputError, match=r"b\.h5"):
        read_result(tmp_path / "b.h5")


def test_damage_is_named_and_never_read_as_numbers(result, tmp_path):
    path = write_result(tmp_path / "r.h5", result)
    whole = path.read_bytes()
    (tmp_path / "cut.h5").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"cut\.h5: HDF5 that is cut short"):
        read_result(tmp_path / "cut.h5")
    at = whole.index(result.transmission.tobytes()[:64])
    path.write_bytes(whole[: at + 9] + bytes([whole[at + 9] ^ 1]) + whole[at + 10 :])  # one flipped bit
    with pytest.raises(InputError, match=r"r\.h5::/entry/object/transmission: .*damaged.*reconstruct again"):
        read_result(path)


def edit(path, change):
    with h5py.File(path, "r+") as file:
        change(file)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda f: f.pop("entry/positions/refined"), r"r\.h5::/entry/positions/refined: nothing"),
        (lambda f: f["entry"].attrs.pop("verdict"), r"r\.h5::/entry: nothing, or not everything"),
        (lambda f: f["entry"].attrs.update(verdict="fine"), r"r\.h5: parts that do not fit .*verdict"),
        (
            lambda f: f.attrs.update(halfbit_layout=99),
            r"r\.h5: layout 99; expected layout 1.*version that wrote it",
        ),
        (
            lambda f: f["entry/instrument/detector/distance"].write_direct(np.array(1e9)),
            r"r\.h5, distance_m: 1e\+09",
        ),
        (
            lambda f: f["entry/convergence/stop_reason"].write_direct(np.array(b"x", object)),
            r"r\.h5: parts that do",
        ),
        (
            lambda f: f["entry/process/recipe"].write_direct(np.array(b"[probe]\nmode=1", object)),
            r"r\.h5::/entry/process/recipe, probe\.mode: unknown key",
        ),
    ],
)
def test_edited_files_are_refused_with_the_place(result, tmp_path, change, message):
    path = write_result(tmp_path / "r.h5", result)
    edit(path, change)
    with pytest.raises(InputError, match=message):
        read_result(path)


@pytest.mark.parametrize("part", ["object/slice_positions", "object/slices", "probe/variation/basis"])
def test_half_of_what_belongs_together_is_refused(full, tmp_path, part):
    path = write_result(tmp_path / "r.h5", full)
    edit(path, lambda file: file["entry"].pop(part))
    with pytest.raises(InputError, match=r"r\.h5: parts that do not fit together \(one of .* without the other"):
        read_result(path)
