"""What a path is opened as; files elsewhere that are read only when the user says so; masks of the other polarity."""

from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, make_nexus, positions_um

from scans.errors import InputError
from scans.formats import files_of, is_hdf5, load

SIGNATURE = b"\x89HDF\r\n\x1a\n"  # HDF5 file format specification, section II
MAPPING = {
    **{"frames": "/raw/stack", "y": "/raw/y in um", "x": "/raw/x in um"},
    **{"energy": "/raw@E in eV", "distance": "/raw@L in m", "pixel_size": "/raw@p in um"},
}


def make_plain(path, stack=None):
    """A file of names of its own."""
    y, x = positions_um().T
    with h5py.File(path, "w") as f:
        f["raw/stack"] = frames() if stack is None else stack
        f["raw/y"], f["raw/x"] = y, x
        f["raw"].attrs.update(E=800.0, L=0.05, p=24.0)
    return path


# --- HDF5 by content


@pytest.mark.parametrize("name", ["run.txt", "run.dat", "run.csv", "run.json", "run", "Läufe 17.xy"])
@pytest.mark.parametrize("make", [make_cxi, make_nexus])
def test_hdf5_is_told_by_its_signature_whatever_it_is_called(tmp_path, make, name):
    path = make(tmp_path / name)
    assert path.read_bytes()[:8] == SIGNATURE
    np.testing.assert_array_equal(load(path).frames[0:N_FRAMES], frames())


@pytest.mark.parametrize("n_bytes", [512, 1024, 4096])
def test_a_user_block_of_text_comes_before_the_signature(tmp_path, n_bytes):
    path = make_cxi(tmp_path / "run.h5")
    with h5py.File(tmp_path / "block.txt", "w", userblock_size=n_bytes) as f, h5py.File(path) as source:
        for name in source:
            source.copy(name, f)
    with open(tmp_path / "block.txt", "r+b") as stream:
        stream.write(b"written by the beamline at midnight\n")
    assert (tmp_path / "block.txt").read_bytes()[n_bytes : n_bytes + 8] == SIGNATURE
    np.testing.assert_array_equal(load(tmp_path / "block.txt").frames[0:N_FRAMES], frames())


@pytest.mark.parametrize(
    ("name", "content", "hdf5"),
    [
        ("a.txt", b"1 2\n3 4\n", False),
        ("a.txt", b"", False),
        ("a.h5", b"", True),  # its own message says what is wrong
        ("a.h5", b"hello", True),
        ("a.txt", b"x" * 512 + SIGNATURE[:5], False),
        ("a.dat", b"PK\x03\x04" + b"\0" * 508 + SIGNATURE, False),  # an archive that holds an HDF5 file
        ("a.h5", b"\x93NUMPY", False),
    ],
)
def test_what_is_no_hdf5(tmp_path, name, content, hdf5):
    (tmp_path / name).write_bytes(content)
    assert is_hdf5(tmp_path / name) == hdf5


def test_line_files_with_names_of_tables_are_hdf5_in_a_folder_too(tmp_path):
    (tmp_path / "lines").mkdir()
    for k in range(3):
        with h5py.File(tmp_path / "lines" / f"line {k}.dat", "w") as f:
            f["stack"] = frames()[4 * k : 4 * k + 4]
    (tmp_path / "lines" / "pos.txt").write_text("\n".join(f"{y} {x}" for y, x in positions_um()))
    mapping = {"frames": "line {0-2}.dat:/stack", "y": "pos.txt:1 in um", "x": "pos.txt:2 in um"}
    scan = load(tmp_path / "lines", mapping=mapping, energy_ev=800, distance_m=0.05, pixel_size_m=24e-6)
    np.testing.assert_array_equal(scan.frames[0:N_FRAMES], frames())
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)


# --- files that a path names


def test_files_of_a_path(tmp_path):
    folder = tmp_path / "run [17] é"
    (folder / "deep").mkdir(parents=True)
    for name in ("img 10.tif", "img 2.tif", "pos.csv", ".hidden.tif", "notes.doc", "deep/more.npy"):
        (folder / name).write_bytes(b"")
    assert [f.relative_to(folder).as_posix() for f in files_of(folder)] == [
        "deep/more.npy",
        "img 2.tif",
        "img 10.tif",
        "pos.csv",
    ]
    assert [f.name for f in files_of(folder / "img *.tif")] == ["img 2.tif", "img 10.tif", "pos.csv"]
    assert [f.name for f in files_of(folder / "img {2-9}.tif")] == ["img 2.tif", "pos.csv"]
    assert files_of(folder / "pos.csv") == [folder / "pos.csv"]
    assert files_of(f"{folder}/gone.h5::/entry") == [folder / "gone.h5"]  # whoever opens it says so
    for empty in (folder / "*.npz", tmp_path / "run [17] é" / "none_{0-9}.tif"):
        with pytest.raises(InputError, match="no such file"):
            files_of(empty)


# --- files elsewhere


@pytest.fixture
def elsewhere(tmp_path):
    """A folder for the scan, and beside it one with a file of frames."""
    (tmp_path / "scan").mkdir()
    (tmp_path / "other").mkdir()
    with h5py.File(tmp_path / "other" / "frames.h5", "w") as f:
        f["stack"] = frames()
    return tmp_path / "other" / "frames.h5"


def linked(make, path, where, target):
    """A scan whose frames are an external link."""
    make(path)
    with h5py.File(path, "r+") as f:
        del f[where]
        f[where] = h5py.ExternalLink(str(target), "/stack")
    return path


def virtual(make, path, where, target):
    """A scan whose frames are virtual."""
    make(path)
    layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
    layout[:] = h5py.VirtualSource(str(target), "stack", (N_FRAMES, HEIGHT, WIDTH), np.uint16)
    with h5py.File(path, "r+") as f:
        del f[where]
        f.create_virtual_dataset(where, layout)
    return path


PLACES = [
    (make_cxi, "entry_1/instrument_1/detector_1/data", None),
    (make_nexus, "scan 7/endstation/camera/data", None),
    (make_plain, "raw/stack", MAPPING),
]


@pytest.mark.parametrize(("make", "where", "mapping"), PLACES, ids=["cxi", "nexus", "mapped"])
@pytest.mark.parametrize("how", [linked, virtual])
def test_every_layout_follows_on_request_and_says_so(elsewhere, make, where, mapping, how):
    path = how(make, elsewhere.parent.parent / "scan" / "run.h5", where, elsewhere)
    with pytest.raises(InputError, match=r"outside the file's own folder.*--follow-external"):
        load(path, mapping=mapping)
    scan = load(path, mapping=mapping, follow_external=True)
    np.testing.assert_array_equal(scan.frames[0:N_FRAMES], frames())
    notes = [n for n in scan.notes if n.what == "file elsewhere"]
    assert [n.value for n in notes] == [str(elsewhere)]
    assert f"/{where}" in notes[0].where


def test_a_folder_follows_on_request_and_says_so(elsewhere):
    folder = elsewhere.parent.parent / "scan"
    (folder / "linked.h5").symlink_to(elsewhere)
    linked(make_plain, folder / "run.h5", "raw/stack", elsewhere)
    mapping = {key: f"run.h5:{ref}" for key, ref in MAPPING.items()}
    with pytest.raises(InputError, match="--follow-external"):
        load(folder, mapping=mapping)
    scan = load(folder, mapping=mapping, follow_external=True)
    np.testing.assert_array_equal(scan.frames[0:N_FRAMES], frames())
    assert [n.value for n in scan.notes if n.what == "file elsewhere"] == [str(elsewhere)]


def test_parts_follow_on_request_and_say_so(elsewhere):
    folder = elsewhere.parent.parent / "scan"
    linked(make_plain, folder / "part_1.h5", "raw/stack", elsewhere)
    given = {"mapping": MAPPING, "parts": "part_*.h5"}
    with pytest.raises(InputError, match="--follow-external"):
        load(folder / "part_1.h5", **given)
    scan = load(folder / "part_1.h5", follow_external=True, **given)
    assert [n.value for n in scan.notes if n.what == "file elsewhere"] == [str(elsewhere)]


# --- masks of either polarity (bits: NXdetector pixel_mask, CXI 1.6 table of mask bits)


def bad():
    pixels = np.zeros((HEIGHT, WIDTH), bool)
    pixels[3, 4] = pixels[7] = True
    return pixels


@pytest.mark.parametrize("stored", [np.uint8, np.uint32, bool, np.float32])
@pytest.mark.parametrize(
    ("make", "where"),
    [(make_cxi, "entry_1/instrument_1/detector_1/mask"), (make_nexus, "scan 7/endstation/camera/pixel_mask")],
    ids=["cxi", "nexus"],
)
def test_a_mask_in_which_one_is_good(tmp_path, make, where, stored):
    path = make(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        f[where] = (~bad()).astype(stored)
    with pytest.raises(InputError, match=r"the mask rejects 9\d% of the pixels"):
        load(path)
    scan = load(path, mask_good="one")
    np.testing.assert_array_equal(scan.mask, ~bad())
    assert any(n.what == "mask" and "as the user said" in n.why for n in scan.notes)


def test_zero_is_good_by_the_standards(tmp_path):
    path = make_cxi(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        f["entry_1/instrument_1/detector_1/mask"] = np.where(bad(), 0x80, 0x1000).astype(np.uint32)  # 0x1000: signal
    np.testing.assert_array_equal(load(path).mask, ~bad())
    np.testing.assert_array_equal(load(path, mask_good="zero").mask, ~bad())


@pytest.mark.parametrize(("said", "bad_value"), [(None, "zero"), ("one", None), ("one", "nonzero"), ("zero", None)])
def test_the_user_goes_before_the_mapping(tmp_path, said, bad_value):
    path = make_plain(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        f["raw/mask"] = (bad() if said == "zero" else ~bad()).astype(np.uint8)
    mapping = MAPPING | {"mask": "/raw/mask"} | ({"mask_bad": bad_value} if bad_value else {})
    np.testing.assert_array_equal(load(path, mapping=mapping, mask_good=said).mask, ~bad())


def test_a_wrong_word_is_told(tmp_path):
    with pytest.raises(InputError, match=r"scan\.mask_good.*zero, one"):
        load(make_cxi(tmp_path / "run.h5"), mask_good="good")


# --- how stored frames lie, by a mapping

AXES = {
    # CXI 1.6: slow and fast axis in x (left), y (up), z; by default rows run down and columns to the right
    "as stored": [[0, -24e-6, 0], [-24e-6, 0, 0]],
    "flip_y": [[0, 24e-6, 0], [-24e-6, 0, 0]],
    "transpose+flip_x": [[24e-6, 0, 0], [0, -24e-6, 0]],
}


@pytest.mark.parametrize("orientation", AXES)
def test_pixel_axes_by_a_mapping(tmp_path, orientation):
    path = make_plain(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        f["raw/basis_vectors"] = np.array(AXES[orientation], float)
    scan = load(path, mapping=MAPPING | {"pixel_axes": "/raw/basis_vectors"})
    assert str(scan.orientation) == orientation
    left_out = load(path, mapping=MAPPING)
    assert str(left_out.orientation) == "as stored"
    assert any(n.what == "orientation" and "basis_vectors" in n.where for n in left_out.guesses)


def test_numbers_that_are_no_yes_or_no_and_contradictions_are_told(tmp_path):
    path = make_plain(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        f["raw"].attrs.update(transpose=1, flip_y=2)
        f["raw/basis_vectors"] = np.array(AXES["flip_y"], float)
    with pytest.raises(InputError, match=r"2; expected 0 or 1\. Correct scan\.mapping\.flip_y"):
        load(path, mapping=MAPPING | {"flip_y": "/raw@flip_y"})
    both = MAPPING | {"pixel_axes": "/raw/basis_vectors", "transpose": "/raw@transpose"}
    with pytest.raises(InputError, match="transpose say transpose, the pixel axes flip_y"):
        load(path, mapping=both)
    assert str(load(path, mapping=both, orientation="flip_x").orientation) == "flip_x"
