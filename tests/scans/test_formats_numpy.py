from __future__ import annotations

import io
import itertools
import os
import pickle
import struct
import tracemalloc
import zipfile

import numpy as np
import pytest

from scans.errors import InputError
from scans.formats import array_frames
from scans.formats.array_frames import DecodedFrames, JoinedFrames, RawFrames
from scans.formats.array_writing import write_numpy
from scans.formats.folder_source import open_source
from scans.geometry import Geometry
from scans.scan import Orientation, Scan, ZonePlate

# The reference for what a file holds is NumPy's own reader and writer throughout.
N, H, W = 12, 16, 20


def counts(n=N, h=H, w=W):
    """Counts that differ in every frame and pixel."""
    return (1 + np.arange(n * h * w).reshape(n, h, w) % 60_013).astype(np.uint16)


class Bomb:
    """Makes a file when it is unpickled."""

    def __init__(self, target):
        self.target = str(target)

    def __reduce__(self):
        return (os.mkdir, (self.target,))


def frames_of(path, name=None):
    source = open_source(path)
    item = source.item(name or path.name)
    assert item is not None, [i.path for i in source.items()]
    return item.frames()


# --- frames of one file ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("grid", [(12,), (3, 4)])
def test_every_slice_of_a_file(tmp_path, grid, order):
    path = tmp_path / "stack.npy"
    np.save(path, np.asarray(counts().reshape(*grid, H, W), order=order))
    frames = frames_of(path)
    assert isinstance(frames, RawFrames)
    assert frames.shape == (12, H, W)
    assert len(frames) == 12
    assert frames.nbytes == counts().nbytes
    for start, stop in itertools.combinations(range(13), 2):
        part = frames[start:stop]
        np.testing.assert_array_equal(part, counts()[start:stop])
        assert part.flags.c_contiguous


@pytest.mark.parametrize("key", [slice(None), slice(-3, None), slice(5, 5), slice(8, 2), slice(1, 11, 4), 3, -1])
def test_keys_are_those_of_an_array(tmp_path, key):
    np.save(tmp_path / "a.npy", counts())
    np.testing.assert_array_equal(frames_of(tmp_path / "a.npy")[key], counts()[key])


def test_refused_keys(tmp_path):
    np.save(tmp_path / "a.npy", counts())
    frames = frames_of(tmp_path / "a.npy")
    with pytest.raises(IndexError, match="frame 12 of 12"):
        frames[12]
    with pytest.raises(TypeError, match="step must be positive"):
        frames[::-1]
    with pytest.raises(TypeError, match="not by list"):
        frames[[1]]


@pytest.mark.parametrize(("stored", "native"), [(">u2", "u2"), (">f4", "f4"), ("<i4", "i4"), ("?", "u1"), ("f2", "f2")])
@pytest.mark.parametrize("packed", [False, True])
def test_frames_come_in_native_byte_order(tmp_path, stored, native, packed):
    data = (counts() % 2).astype(stored)
    (np.savez_compressed if packed else np.savez)(tmp_path / "a.npz", f=data)
    frames = frames_of(tmp_path / "a.npz", "f")
    assert isinstance(frames, DecodedFrames if packed else RawFrames)
    assert frames.dtype == frames[0:2].dtype == np.dtype(native)
    assert frames.dtype.isnative
    np.testing.assert_array_equal(frames[:], data)
    np.testing.assert_array_equal(pickle.loads(pickle.dumps(frames))[2:5], data[2:5])


def test_first_frames_only(tmp_path):
    np.save(tmp_path / "a.npy", counts())
    first = frames_of(tmp_path / "a.npy").truncated(5)
    assert first.shape == (5, H, W)
    np.testing.assert_array_equal(first[3:], counts()[3:5])
    with pytest.raises(IndexError):
        first[5]


def test_a_large_file_is_not_read_whole(tmp_path):
    np.save(tmp_path / "a.npy", np.zeros((400, 128, 128), np.float32))  # 26 MB
    tracemalloc.start()
    frames_of(tmp_path / "a.npy")[200:202]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2 << 20  # two frames are 0.13 MB; the rest is the source's own


# --- joined stacks ---------------------------------------------------------------------------------------------


def test_lines_of_unequal_length_are_joined(tmp_path):
    lengths, stop = [5, 1, 0, 7, 3], np.cumsum([5, 1, 0, 7, 3])
    whole = counts(16)
    parts = [whole[b - n : b] for n, b in zip(lengths, stop, strict=True)]
    joined = JoinedFrames(parts)
    for a, b in itertools.combinations(range(17), 2):
        np.testing.assert_array_equal(joined[a:b], whole[a:b])
    assert joined[-1].shape == (H, W)
    assert joined[4:4].shape == (0, H, W)


@pytest.mark.parametrize("odd", [np.zeros((2, H, W + 1), np.uint16), np.zeros((2, H, W), np.float32)])
def test_parts_that_differ_are_named(odd):
    with pytest.raises(InputError, match=r"line_1: frames \(16, 2[01]\).*expected \(16, 20\) uint16 as in line_0"):
        JoinedFrames([counts(), odd], ["line_0", "line_1"])


# --- archives --------------------------------------------------------------------------------------------------


def test_items_of_an_archive(tmp_path):
    table = np.zeros(3, dtype=[("y", "f8"), ("x", ">f4"), ("who", "O")])[["y", "x"]]
    np.savez(
        tmp_path / "s.npz",
        stack=counts(),
        pos_um=np.arange(24.0).reshape(12, 2),
        energy=np.float64(0.7),
        energy_unit=np.array("keV"),
        mask=np.eye(16, 20, dtype=bool),
        table=table,
    )
    source = open_source(tmp_path / "s.npz")
    found = {i.path: i for i in source.items()}
    assert list(found) == ["stack", "pos_um", "energy", "energy_unit", "mask", "table.y", "table.x"]
    assert found["pos_um"].unit == "um"
    assert found["energy"].unit == "keV"
    assert found["energy"].read() == 0.7
    assert found["energy"].shape == ()
    assert found["mask"].frames is None
    assert found["stack"].frames is not None
    with np.load(tmp_path / "s.npz", allow_pickle=False) as reference:
        for key in ("stack", "pos_um", "energy", "mask"):
            np.testing.assert_array_equal(found[key].read(), reference[key])
    assert source.item("nothing") is None
    assert source.kind == "1 NumPy archive"


def test_pickled_objects_are_never_loaded(tmp_path):
    trap = tmp_path / "sprung"
    np.savez(tmp_path / "a.npz", frames=counts(), extra=np.array([Bomb(trap)], dtype=object))
    source = open_source(tmp_path / "a.npz")
    assert [i.path for i in source.items()] == ["frames"]
    [(name, reason)] = source.ignored
    assert name == "a.npz::extra.npy"
    assert "never loaded" in reason
    np.save(tmp_path / "b.npy", np.array([Bomb(trap)], dtype=object), allow_pickle=True)
    with pytest.raises(InputError, match=r"b\.npy: Python objects \(pickled\)"):
        open_source(tmp_path / "b.npy")
    with zipfile.ZipFile(tmp_path / "c.npz", "w") as archive:  # a bare pickle under the name of an array
        archive.writestr("frames.npy", pickle.dumps(Bomb(trap)))
    with pytest.raises(InputError, match=r"c\.npz::frames\.npy: cannot be read"):
        open_source(tmp_path / "c.npz")
    assert not trap.exists()


def header_of(shape, descr="<u2"):
    stream = io.BytesIO()
    np.lib.format.write_array_header_1_0(stream, {"descr": descr, "fortran_order": False, "shape": shape})
    return stream.getvalue()


@pytest.mark.parametrize("shape", [(10**6, 8192, 8192), (2**62, 16, 16), (13, 16, 20), (-1, 16, 20)])
def test_claims_beyond_the_file_are_refused(tmp_path, shape):
    (tmp_path / "a.npy").write_bytes(header_of(shape) + counts().tobytes())
    with pytest.raises(InputError, match=r"a\.npy: claims .* but holds"):
        open_source(tmp_path / "a.npy")


def test_a_packed_bomb_is_refused_before_it_goes_off(tmp_path):
    shape = (200, 1024, 1024)
    with (
        zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive,
        archive.open("f.npy", "w") as stream,
    ):
        stream.write(header_of(shape, "|u1"))
        for _ in range(200):
            stream.write(bytes(1 << 20))
    assert (tmp_path / "a.npz").stat().st_size < 300_000
    source = open_source(tmp_path / "a.npz")
    for read in (source.item("f").read, source.item("f").frames):
        with pytest.raises(InputError, match=r"a\.npz::f\.npy: claims 200 MiB, but only .* KiB are stored"):
            read()


def test_packed_frames_beyond_the_memory_bound_are_refused(tmp_path, monkeypatch):
    np.savez_compressed(tmp_path / "a.npz", f=counts())
    monkeypatch.setattr(array_frames, "MAX_ARRAY_BYTES", 5000)
    with pytest.raises(InputError, match=r"packed frames that need 7\.5 KiB.*numpy\.savez instead"):
        frames_of(tmp_path / "a.npz", "f")


@pytest.mark.parametrize("packed", [False, True])
def test_truncated_files_are_named(tmp_path, packed):
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 2**16, (N, H, W)).astype(np.uint16)
    (np.savez_compressed if packed else np.savez)(tmp_path / "a.npz", f=noise)
    np.save(tmp_path / "b.npy", noise)
    for name in ("a.npz", "b.npy"):
        whole = (tmp_path / name).read_bytes()
        for keep in (0, 5, 60, len(whole) // 2, len(whole) - 10):
            (tmp_path / name).write_bytes(whole[:keep])
            with pytest.raises(InputError, match=name):
                open_source(tmp_path / name)


def test_a_file_cut_after_opening_is_named_with_its_frames(tmp_path):
    np.save(tmp_path / "a.npy", counts())
    frames = frames_of(tmp_path / "a.npy")
    os.truncate(tmp_path / "a.npy", 4000)
    np.testing.assert_array_equal(frames[0:2], counts()[0:2])
    with pytest.raises(InputError, match=r"a\.npy, frames 6 to 8: the file ends .* too early"):
        frames[6:9]
    os.remove(tmp_path / "a.npy")
    with pytest.raises(InputError, match=r"frames 0 to 0: cannot be read"):
        frames[0]


def test_damaged_packed_bytes_are_found_by_their_sum(tmp_path):
    rng = np.random.default_rng(2)
    np.savez_compressed(tmp_path / "a.npz", f=rng.integers(0, 2**16, (N, H, W)).astype(np.uint16))
    whole = bytearray((tmp_path / "a.npz").read_bytes())
    whole[3000] ^= 0x10
    (tmp_path / "a.npz").write_bytes(whole)
    frames = frames_of(tmp_path / "a.npz", "f")
    with pytest.raises(InputError, match=r"a\.npz::f\.npy: cannot be read"):
        frames[0:2]


@pytest.mark.parametrize(
    ("shape", "dtype", "found"),
    [((5, 4, 16), "u2", "frames of 4 x 16 pixels"), ((5, 16, 16), "c8", None), ((0, 16, 16), "u2", "shape")],
)
def test_arrays_that_are_no_frames(tmp_path, shape, dtype, found):
    np.save(tmp_path / "a.npy", np.zeros(shape, dtype))
    item = open_source(tmp_path / "a.npy").item("a.npy")
    if found is None:
        assert item.frames is None
        return
    with pytest.raises(InputError, match=found):
        item.frames()


def test_seeded_damage_gives_input_errors_only(tmp_path):
    """Bit flips and cuts of small files: the right numbers, other numbers of the same form, or InputError."""
    rng = np.random.default_rng(3)
    np.savez_compressed(tmp_path / "p.npz", f=counts(3, 8, 8), e=np.float64(700.0))
    np.savez(tmp_path / "u.npz", f=counts(3, 8, 8), e=np.float64(700.0))
    np.save(tmp_path / "a.npy", counts(3, 8, 8))
    originals = {name: (tmp_path / name).read_bytes() for name in ("p.npz", "u.npz", "a.npy")}
    refused = 0
    for trial in range(300):
        name = ("p.npz", "u.npz", "a.npy")[trial % 3]
        raw = bytearray(originals[name])
        for at in rng.integers(0, len(raw), 3):
            raw[at] ^= 1 << int(rng.integers(8))
        (tmp_path / name).write_bytes(raw[: len(raw) - int(rng.integers(0, 2) * rng.integers(0, len(raw)))])
        try:
            for item in open_source(tmp_path / name).items():
                item.read()
                if item.frames is not None:
                    item.frames()[0:1]
        except InputError:
            refused += 1
    assert refused > 150  # half of the trials are cut, and those alone cannot be read


def test_a_false_directory_is_bounded_by_what_comes(tmp_path):
    """Array header and ZIP directory both claim 32 MB; the packed bytes give 8 kB (APPNOTE.TXT, section 4.3.12)."""
    header = header_of((4000, 64, 64))
    with zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("f.npy", header + counts().tobytes())
    raw = bytearray((tmp_path / "a.npz").read_bytes())
    struct.pack_into("<I", raw, raw.index(b"PK\x01\x02") + 24, len(header) + 4000 * 64 * 64 * 2)
    (tmp_path / "a.npz").write_bytes(raw)
    item = open_source(tmp_path / "a.npz").item("f")
    assert item.shape == (4000, 64, 64)
    with pytest.raises(InputError, match=r"a\.npz::f\.npy: cannot be read"):
        item.read()


# --- writing ---------------------------------------------------------------------------------------------------


def a_scan(**changes):
    rng = np.random.default_rng(4)
    known = {
        "frames": counts(),
        "positions_m": rng.normal(size=(N, 2)) * 1e-6,
        "geometry": Geometry(701.3, 0.0512, (24e-6, 48e-6), (W, H)),
        "title": "a scan",
        "mask": rng.random((H, W)) > 0.1,
        "dark": counts(3),
        "dark_exposures_s": np.array([0.1, 0.1, 1.0]),
        "flat": rng.random((H, W)) + 0.5,
        "counts_per_photon": 45.5,
        "saturation": 16383.0,
        "beam_centre_px": (7.25, 9.5),
        "orientation": Orientation(transpose=True, flip_x=True),
        "zone_plate": ZonePlate(1.2e-4, 5e-8, 0.4, 2.42e-5),
        "monitor": rng.random(N),
        "exposure_s": 0.1,
        "exposures_s": rng.random(N),
        "index_in_file": np.arange(N) + 3,
        "readings_m": rng.normal(size=(N, 5, 2)) * 1e-6,
    }
    return Scan(**(known | changes))


PLAIN = ["dark", "dark_exposures_s", "flat", "monitor", "exposures_s", "index_in_file"]
NUMBERS = ["counts_per_photon", "saturation", "exposure_s"]
ORDERED = {
    "positions_m": "positions_yx_m",
    "readings_m": "readings_yx_m",
    "beam_centre_px": "beam_centre_row_column_px",
}


def test_an_archive_gives_back_the_scan(tmp_path):
    scan = a_scan()
    path = write_numpy(tmp_path / "s.npz", scan)
    source = open_source(path)
    np.testing.assert_array_equal(source.item("frames").frames()[:], scan.frames)
    for name in [*PLAIN, *NUMBERS, *ORDERED]:
        np.testing.assert_array_equal(source.item(ORDERED.get(name, name)).read(), getattr(scan, name), err_msg=name)
    np.testing.assert_array_equal(source.item("good_pixel_mask").read(), scan.mask)
    assert source.item("energy_ev").read() == 701.3
    assert source.item("distance_m").read() == 0.0512
    assert source.item("pixel_size_yx_m").read().tolist() == [48e-6, 24e-6]  # as stored: the scan is transposed
    assert [source.item(n).read() for n in ("transpose", "flip_y", "flip_x")] == [1, 0, 1]
    assert source.item("zone_plate_defocus_m").read() == 2.42e-5
    assert str(source.item("title").read()) == "a scan"
    for item in source.items():
        if item.path.endswith("_m"):
            assert item.unit == "m", item.path
    with np.load(path, allow_pickle=False) as reference:  # and any NumPy reads it
        np.testing.assert_array_equal(reference["frames"], scan.frames)
        assert set(reference) == {i.path for i in source.items()}


def test_what_is_unknown_is_not_written(tmp_path):
    bare = Scan(counts(), np.zeros((N, 2)), Geometry(700.0, 0.05, (24e-6, 24e-6), (H, W)))
    source = open_source(write_numpy(tmp_path / "s.npz", bare))
    names = {"frames", "positions_yx_m", "energy_ev", "distance_m", "pixel_size_yx_m", "transpose", "flip_y", "flip_x"}
    assert {i.path for i in source.items()} == names


def test_nothing_is_overwritten_and_nothing_half_written(tmp_path):
    path = write_numpy(tmp_path / "s.npz", a_scan())
    before = path.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        write_numpy(path, a_scan())

    class Broken(np.ndarray):
        def __getitem__(self, key):
            raise InputError("damaged", where="frames", expected="data", fix="Copy it again.")

    with pytest.raises(InputError, match="damaged"):
        write_numpy(path, a_scan(frames=counts().view(Broken)), overwrite=True)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["s.npz"]
    with pytest.raises(InputError, match=r"suffix '.npy'"):
        write_numpy(tmp_path / "s.npy", a_scan())
