"""Reading a file of any layout by a mapping that the user gives."""

from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_zoo import DISTANCE_M, ENERGY_EV, PIXEL_M, H, N, W, bad_pixels, patterns, put, walk_um

from scans.errors import InputError
from scans.formats import load
from scans.formats.mapping_text import KEYS, Mapping, UnknownLayout, mapping_of, parse_reference
from scans.geometry import PLANCK_TIMES_C_EV_M

Y, X = walk_um()
FRAMES = patterns()
BASE = {
    "frames": "/a/f",
    "y": "/a/p[:,1] in um",
    "x": "/a/p[:,0] in um",
    "energy": "/a@e in keV",
    "distance": "/a/l",
    "pixel_size": "/a@d in um",
}


@pytest.fixture
def path(tmp_path):
    with h5py.File(tmp_path / "own.h5", "w") as f:
        put(f, "a/f", FRAMES)
        put(f, "a/p", np.stack([X, Y], 1))
        put(f, "a/l", 50.0, "mm")
        f["a"].attrs.update(e=0.71, d=24.0)
    return tmp_path / "own.h5"


def add(path, name, value, units=None):
    with h5py.File(path, "r+") as f:
        put(f, name, value, units)


def read(path, **more):
    return load(path, mapping=BASE | more)


# --- the words


@pytest.mark.parametrize(
    ("text", "path", "select", "unit"),
    [
        ("/raw/x", "/raw/x", (), None),
        (" /raw/x in um ", "/raw/x", (), "um"),
        ("/raw/pos[:,1] in mm", "/raw/pos", (slice(None), 1), "mm"),
        ("/raw@c[0]", "/raw@c", (0,), None),
        ("/raw/pos[ 2:8 , -1 ]", "/raw/pos", (slice(2, 8), -1), None),
        ("/log/hx [um] in um", "/log/hx [um]", (), "um"),
        ("/log/time in s in um", "/log/time in s", (), "um"),
        ("table.txt:x", "table.txt:x", (), None),
    ],
)
def test_references_are_read(text, path, select, unit):
    found = parse_reference(text, "x")
    assert (found.path, found.select, found.unit) == (path, select, unit)
    assert parse_reference(str(found), "x") == found


@pytest.mark.parametrize(
    ("key", "text", "message"),
    [
        ("energy", "/e in um", r"scan\.mapping\.energy: unit 'um'; expected a unit of energy: eV, keV"),
        ("x", "/x in furlong", r"scan\.mapping\.x: unit 'furlong'; expected a unit of length"),
        ("mask", "/m in um", r"scan\.mapping\.mask: unit 'um'; expected no unit"),
        ("x", "/x[1,]", r"index '\[1,\]'"),
        ("x", " ", r"scan\.mapping\.x: ' '"),
        ("mask_bad", "one", r"scan\.mapping\.mask_bad: \"one\"; expected nonzero or zero"),
        ("frame", "/f", r"scan\.mapping\.frame: unknown key \"frame\".*The nearest is frames"),
        ("energy", 3, r"scan\.mapping\.energy: 3; .*Write the path in quotes"),
    ],
)
def test_wrong_words_name_key_and_remedy(path, key, text, message):
    with pytest.raises(InputError, match=message):
        load(path, mapping={key: text})


def test_every_key_is_a_field():
    assert set(Mapping.__dataclass_fields__) == set(KEYS)
    assert mapping_of({"frames": "/f"}).frames == "/f"


# --- values


def test_what_is_mapped_is_read_and_noted(path):
    scan = read(path)
    assert scan.layout == "mapped"
    np.testing.assert_array_equal(scan.frames[3:5], FRAMES[3:5])
    np.testing.assert_allclose(scan.positions_m, np.stack([Y, X], 1) * 1e-6, rtol=1e-12)
    geometry = scan.geometry
    assert (geometry.energy_ev, geometry.distance_m) == pytest.approx((ENERGY_EV, DISTANCE_M))
    assert geometry.pixel_size_m == pytest.approx((PIXEL_M, PIXEL_M))
    notes = {note.what: note for note in scan.notes}
    assert notes["energy_ev"].where == f"{path}::/a@e"
    assert notes["energy_ev"].why == "stored as 0.71 keV"
    assert notes["distance_m"].why == "stored as 50 mm"
    assert not notes["energy_ev"].guess
    assert notes["positions"].guess  # which way the patch moves is not in the file


def test_a_wavelength_instead_of_an_energy(path):
    add(path, "a/wl", 1.2, "nm")
    mapping = {k: v for k, v in BASE.items() if k != "energy"} | {"wavelength": "/a/wl"}
    assert load(path, mapping=mapping).geometry.energy_ev == pytest.approx(PLANCK_TIMES_C_EV_M / 1.2e-9)


def test_pixels_and_companions(path):
    bad = bad_pixels()
    dark, flat = np.full((3, H, W), 2, np.uint16), np.linspace(0.8, 1.2, H * W).reshape(H, W)
    for name, value in (("good", 1 - bad), ("dark", dark), ("flat", flat), ("mon", 5.0 + np.arange(N)), ("g", 3.5)):
        add(path, f"a/{name}", value)
    add(path, "a/t", np.where(np.arange(N) % 2, 0.1, 1.0), "s")
    add(path, "a/limit", 0)
    add(path, "a/c", [21.0, 15.0])
    scan = read(
        path,
        **{"mask": "/a/good", "mask_bad": "zero", "dark": "/a/dark", "flat": "/a/flat", "monitor": "/a/mon"},
        **{"exposure": "/a/t", "counts_per_photon": "/a/g", "saturation": "/a/limit"},
        **{"beam_centre_y": "/a/c[1]", "beam_centre_x": "/a/c[0]"},
    )
    np.testing.assert_array_equal(scan.mask, bad == 0)
    np.testing.assert_array_equal(scan.dark, dark)
    np.testing.assert_allclose(scan.flat, flat / np.median(flat[bad == 0]))
    np.testing.assert_array_equal(scan.monitor, 5.0 + np.arange(N))
    np.testing.assert_array_equal(scan.exposures_s, np.where(np.arange(N) % 2, 0.1, 1.0))
    assert (scan.counts_per_photon, scan.saturation, scan.beam_centre_px) == (3.5, None, (15.0, 21.0))


def test_the_other_polarity_turns_the_mask(path):
    bad = bad_pixels()
    add(path, "a/bad", bad)
    np.testing.assert_array_equal(read(path, mask="/a/bad").mask, bad == 0)
    with pytest.raises(InputError, match=r"/a/bad: the mask rejects 9\d% of the pixels"):
        read(path, mask="/a/bad", mask_bad="zero")


def test_zone_plate(path):
    with h5py.File(path, "r+") as f:
        f.attrs.update(D=120.0, drn=50.0, cs=48.0, dz=30.0)
    zone = {"zone_plate_diameter": "/@D in um", "outer_zone": "/@drn in nm", "stop_diameter": "/@cs in um"}
    plate = read(path, **zone, defocus="/@dz in um").zone_plate
    assert (plate.diameter_m, plate.outer_zone_m, plate.defocus_m) == pytest.approx((120e-6, 50e-9, 30e-6))
    assert plate.stop_fraction == pytest.approx(0.4)


@pytest.mark.parametrize("slow", ["y", "x"])
def test_axes_of_a_grid(tmp_path, slow):
    shape = (6, 7) if slow == "y" else (7, 6)
    with h5py.File(tmp_path / "grid.h5", "w") as f:
        put(f, "f", patterns(42).reshape(*shape, H, W))
        put(f, "y", 0.4 * np.arange(6), "um")
        put(f, "x", 0.3 * np.arange(7), "um")
    mapping = {"frames": "/f", "y": "/y", "x": "/x"}
    scan = load(tmp_path / "grid.h5", mapping=mapping, energy_ev=710, distance_m=0.05, pixel_size_m=24e-6)
    expected = [(0.4 * a, 0.3 * b) for a in range(6) for b in range(7)]
    if slow == "x":
        expected = [(0.4 * a, 0.3 * b) for b in range(7) for a in range(6)]
    np.testing.assert_allclose(scan.positions_m, np.array(expected) * 1e-6, atol=1e-15)


def test_parts_are_joined_in_the_order_of_their_numbers(tmp_path):
    for line in range(12):  # line_10 comes after line_9
        with h5py.File(tmp_path / f"line_{line}.h5", "w") as f:
            part = slice(3 * line, 3 * line + 3)
            put(f, "a/f", FRAMES[part])
            put(f, "a/p", np.stack([X, Y], 1)[part])
    with h5py.File(tmp_path / "scan.h5", "w") as f:
        put(f, "a/l", 50.0, "mm")
        f["a"].attrs.update(e=0.71, d=24.0)
    scan = load(tmp_path / "scan.h5", mapping=BASE, parts="line_*.h5")
    np.testing.assert_array_equal(scan.frames[:], FRAMES)
    np.testing.assert_allclose(scan.positions_m, np.stack([Y, X], 1) * 1e-6, rtol=1e-12)
    with h5py.File(tmp_path / "line_5.h5", "r+") as f:
        del f["a/p"]
    with pytest.raises(InputError, match=r"not in line_5\.h5; expected the same names in every part"):
        load(tmp_path / "scan.h5", mapping=BASE, parts="line_*.h5")
    with pytest.raises(InputError, match=r"scan\.parts: no file fits 'row_\*\.h5'"):
        load(tmp_path / "scan.h5", mapping=BASE, parts="row_*.h5")


def test_a_numpy_archive(tmp_path):
    np.savez(tmp_path / "own.npz", f=FRAMES, p=np.stack([X, Y], 1))
    with pytest.raises(UnknownLayout, match=r"own\.npz: no known layout; .*\(36, 32, 40\) uint16.*halfbit inspect"):
        load(tmp_path / "own.npz")
    mapping = {"frames": "f", "y": "p[:,1] in um", "x": "p[:,0] in um"}
    scan = load(tmp_path / "own.npz", mapping=mapping, energy_ev=710, distance_m=0.05, pixel_size_m=24e-6)
    np.testing.assert_array_equal(scan.frames[0:N], FRAMES)
    np.testing.assert_allclose(scan.positions_m, np.stack([Y, X], 1) * 1e-6, rtol=1e-12)


def test_names_that_look_like_an_index_or_a_unit(path):
    with h5py.File(path, "r+") as f:
        f.move("a/f", "a/f[1]")
        f.move("a/l", "a/l in mm")
    scan = read(path, frames="/a/f[1]", distance="/a/l in mm")
    assert scan.n_frames == N
    assert scan.geometry.distance_m == pytest.approx(DISTANCE_M)


# --- what is wrong


def test_an_incomplete_mapping_names_what_it_lacks(path):
    with pytest.raises(UnknownLayout, match=r"the mapping has no positions, pixel size; .*halfbit inspect"):
        load(path, mapping={k: v for k, v in BASE.items() if k not in ("x", "pixel_size")})


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frames": "/a/ff"}, r"/a/ff: nothing of that name.*The nearest is /a/f"),
        ({"frames": "/a/p"}, r"/a/p: .*expected a stack \(frames, rows, columns\)"),
        ({"frames": "/a/f[0]"}, r"a part of a stack; .*Correct scan\.mapping\.frames"),
        ({"y": "/a/p[:,2] in um"}, r"no part \[:,2\] in values of shape \(36, 2\).*it counts from 0"),
        ({"energy": "/a@e"}, r"/a@e: no unit; expected a unit of energy.*energy = \"/a@e in UNIT\""),
        ({"energy": "/a@e in eV"}, r"/a@e: energy 0\.71 eV; expected 30 to 200000 eV"),
        ({"distance": "/a@d in mm", "energy": "/a@d in keV", "pixel_size": "/a@e in m"}, r"pixel size 0\.71 m"),
        ({"y": "/a/l in um"}, r"\(\) readings of y and \(36,\) of x"),
        ({"mask": "/a/p"}, r"/a/p: shape \(36, 2\); expected the frames' \(32, 40\) pixels"),
        ({"exposure": "/a@d"}, r"/a@d: no unit; expected a unit of time"),
        ({"beam_centre": "/a/p"}, r"72 numbers; expected two: row, column"),
    ],
)
def test_a_wrong_mapping_names_item_and_remedy(path, change, message):
    with pytest.raises(InputError, match=message):
        read(path, **change)


def test_positions_of_three_columns_ask_which(path):
    add(path, "a/xyz", np.stack([X, Y, Y], 1), "um")
    mapping = {k: v for k, v in BASE.items() if k not in ("x", "y")} | {"positions": "/a/xyz"}
    with pytest.raises(InputError, match=r"shape \(36, 3\).*y = \"/a/xyz\[:,1\]\""):
        load(path, mapping=mapping)


def test_a_unit_that_contradicts_the_file_is_told(path):
    scan = read(path, distance="/a/l in cm")
    assert scan.geometry.distance_m == pytest.approx(0.5)
    assert {n.what: n.why for n in scan.notes}["distance_m"] == "stored as 50 cm; the file says mm"


def test_fewer_frames_than_positions_ask(path):
    add(path, "a/short", FRAMES[:20])
    with pytest.raises(InputError, match=r"20 frames in /a/short but 36 positions.*-s scan\.n_frames=20"):
        read(path, frames="/a/short")
    assert load(path, mapping=BASE | {"frames": "/a/short"}, n_frames=20).n_frames == 20
