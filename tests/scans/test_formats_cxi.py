from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_files import ENERGY_J, HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, positions_um, put

from scans.errors import InputError
from scans.formats import load
from scans.formats.mask_bits import CXI_BAD_BITS, NEXUS_BAD_BITS, bad_pixels, virtual_pixels
from scans.scan import Orientation

DETECTOR = "entry_1/instrument_1/detector_1"
SOURCE = "entry_1/instrument_1/source_1/energy"


def note(scan, what):
    return next(n for n in scan.notes if n.what == what)


@pytest.fixture
def cxi(tmp_path):
    return make_cxi(tmp_path / "run.dat")  # by content: the name says nothing


def test_reads_si_values_without_units(cxi):
    scan = load(cxi)
    assert scan.layout == "CXI"
    assert scan.entry == "/entry_1"
    assert scan.frames_path == "/entry_1/data_1/data"
    assert scan.geometry.energy_ev == pytest.approx(800.0, rel=1e-12)
    assert scan.geometry.distance_m == 0.05
    assert scan.geometry.pixel_size_m == (24e-6, 48e-6)
    assert scan.geometry.frame_shape == (HEIGHT, WIDTH)
    np.testing.assert_array_equal(scan.frames[0:N_FRAMES], frames())
    assert note(scan, "energy_ev").where == f"{cxi}::/{SOURCE}"
    assert not scan.guesses


def test_columns_x_y_z_become_y_x_with_the_sign_of_the_sample(cxi):
    # CXI 1.6, section on translation: columns are x, y, z in metres
    np.testing.assert_allclose(load(cxi).positions_m, positions_um() * 1e-6, rtol=1e-14)


def test_energy_in_ev_without_unit_is_a_marked_guess(cxi):
    # the specification's own figures print 500 and 1803.4 there, which cannot be joule
    with h5py.File(cxi, "r+") as f:
        put(f["entry_1/instrument_1/source_1"], "energy", 500.0, None)
    scan = load(cxi)
    assert scan.geometry.energy_ev == 500.0
    assert [n.what for n in scan.guesses] == ["energy_ev"]


def test_energy_unit_attribute_wins(cxi):
    with h5py.File(cxi, "r+") as f:
        put(f["entry_1/instrument_1/source_1"], "energy", 1.8034, "keV")
    assert load(cxi).geometry.energy_ev == pytest.approx(1803.4)


@pytest.mark.parametrize(
    ("value", "unit", "fix"),
    [
        (0.8, None, r"in keV, give -s scan\.energy_ev=800"),
        (800.0, "J", r"in eV, give -s scan\.energy_ev=800"),
        (ENERGY_J, "eV", r"in J, give -s scan\.energy_ev=800"),
    ],
)
def test_energy_in_the_wrong_unit_is_refused(cxi, value, unit, fix):
    with h5py.File(cxi, "r+") as f:
        put(f["entry_1/instrument_1/source_1"], "energy", value, unit)
    with pytest.raises(InputError, match=rf"{SOURCE}: energy .*{fix}"):
        load(cxi)
    assert load(cxi, energy_ev=800.0).geometry.energy_ev == 800.0


def test_energy_from_wavelength(cxi):
    with h5py.File(cxi, "r+") as f:
        del f[SOURCE]
        # 710 eV <-> 1.746256 nm (X-ray Data Booklet: lambda [nm] = 1.239842 / E [keV])
        f["entry_1/instrument_1/beam_1/incident_wavelength"] = 1.746256e-9
    assert load(cxi).geometry.energy_ev == pytest.approx(710.0, rel=1e-6)


def test_mask_bits(cxi):
    mask = np.zeros((HEIGHT, WIDTH), np.uint32)
    # CXI 1.6, mask bits; 0x1000 = has signal, 0x10000 = in support: no faults
    bad, good = [0x1, 0x2, 0x4, 0x8, 0x10, 0x80, 0x200, 0x400], [0x1000, 0x10000, 0x20, 0x40]
    mask[0, : len(bad)] = bad
    mask[1, : len(good)] = good
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/mask"] = mask
    expected = np.ones((HEIGHT, WIDTH), bool)
    expected[0, : len(bad)] = False
    np.testing.assert_array_equal(load(cxi).mask, expected)


def test_mask_that_rejects_most_pixels_is_refused(cxi):
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/mask"] = np.ones((HEIGHT, WIDTH), np.uint8)
    with pytest.raises(InputError, match=r"detector_1/mask: the mask rejects 100%.*mask_good=one"):
        load(cxi)


def test_mask_or_dark_of_another_shape_is_refused(cxi):
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/data_dark"] = np.zeros((3, WIDTH, HEIGHT), np.uint16)
    with pytest.raises(InputError, match=r"detector_1/data_dark: shape \(3, 20, 16\).*Correct or remove it"):
        load(cxi)


def test_own_fields_of_a_beamline(cxi):
    with h5py.File(cxi, "r+") as f:
        d = f[DETECTOR]
        d["beam_center_px_slow_fast"] = [7.25, 11.5]
        d["counts_per_photon"] = 45.0
        d["saturation_value"] = 16383
        d["data_dark"] = np.full((3, HEIGHT, WIDTH), 100, ">u2")
        d["cooling_water"] = 17.0
        optics = f.create_group("entry_1/instrument_1/optics_1")
        for name, value in (
            ("diameter", 120e-6),
            ("outer_zone", 50e-9),
            ("stop_fraction", 0.4),
            ("nominal_defocus", -2e-5),
        ):
            optics[name] = value
    scan = load(cxi)
    assert scan.beam_centre_px == (7.25, 11.5)
    assert scan.counts_per_photon == 45.0
    assert scan.saturation == 16383
    assert scan.dark is not None
    assert scan.dark.dtype == np.uint16
    assert (scan.dark == 100).all()
    plate = scan.zone_plate
    assert plate is not None
    assert (plate.diameter_m, plate.outer_zone_m, plate.stop_fraction, plate.defocus_m) == (
        120e-6,
        50e-9,
        0.4,
        -2e-5,
    )
    assert note(scan, "not used").value == "cooling_water"
    assert note(scan, "counts_per_photon").where.endswith("detector_1/counts_per_photon")


@pytest.mark.parametrize("centre", [[0.0, 0.0], [10.0, 400.0]])
def test_unset_or_impossible_beam_centre_is_unknown(cxi, centre):
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/beam_center_px_slow_fast"] = centre
    scan = load(cxi)
    assert scan.beam_centre_px is None
    assert [n.what for n in scan.guesses] == ["beam centre"]


def test_beam_centre_from_the_detector_corner(cxi):
    # corner_position is the outer corner of pixel (0, 0), so the axis at pixel centre (7, 9) means
    # corner = +7.5 pixels of 24 um up (y) and +9.5 pixels of 48 um towards +x
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/corner_position"] = [9.5 * 48e-6, 7.5 * 24e-6, 0.05]
    assert load(cxi).beam_centre_px == pytest.approx((7.0, 9.0))


def test_gain_from_counts_per_joule(cxi):
    # CXI 1.6: photons = counts / (photon energy [J] x counts_per_joule)
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/counts_per_joule"] = 45.0 / ENERGY_J
    assert load(cxi).counts_per_photon == pytest.approx(45.0, rel=1e-12)


def test_without_basis_vectors_the_orientation_is_a_guess(cxi):
    with h5py.File(cxi, "r+") as f:
        del f[f"{DETECTOR}/basis_vectors"]
    scan = load(cxi)
    assert scan.orientation == Orientation()
    assert scan.geometry.pixel_size_m == (24e-6, 48e-6)
    assert [n.what for n in scan.guesses] == ["orientation"]


@pytest.mark.parametrize(
    ("vectors", "found"),
    [
        ([[0.0, -24e-6, 0.0], [0.0, -48e-6, 0.0]], r"pixel axes \[\["),
        ([[-24e-6, -24e-6, 0.0], [-48e-6, 48e-6, 0.0]], r"pixel axes \[\["),
        (np.zeros((4, 2, 3)), r"pixel axes of shape \(4, 2, 3\)"),
        ([[0.0, -55e-6, 0.0], [-55e-6, 0.0, 0.0]], r"pixel axes of length 5\.5e-05"),
    ],
)
def test_pixel_axes_that_cannot_be_right_are_refused(cxi, vectors, found):
    with h5py.File(cxi, "r+") as f:
        put(f[DETECTOR], "basis_vectors", vectors, None)
    with pytest.raises(InputError, match=rf"basis_vectors: {found}.*-s scan\.(orientation|pixel_size_m)"):
        load(cxi)


def test_positions_of_another_shape_are_refused(cxi):
    with h5py.File(cxi, "r+") as f:
        put(f["entry_1/sample_1/geometry_1"], "translation", positions_um() * 1e-6, None)
    with pytest.raises(InputError, match=r"translation: shape \(12, 2\).*Correct the translation"):
        load(cxi)


def test_two_detectors_ask_for_one(cxi):
    with h5py.File(cxi, "r+") as f:
        f.copy(DETECTOR, "entry_1/instrument_1/detector_2")
        f["entry_1/instrument_1/detector_2/distance"][...] = 0.5
        f["entry_1/data_2/data"] = h5py.SoftLink("/entry_1/instrument_1/detector_2/data")
    with pytest.raises(InputError, match=r"2 datasets may hold frames.*Name one, such as .*::/entry_1/data_1/data"):
        load(cxi)
    for target in ("/entry_1/data_2/data", "/entry_1/data_2", "entry_1/instrument_1/detector_2"):
        assert load(f"{cxi}::{target}").geometry.distance_m == 0.5
    assert load(f"{cxi}::/entry_1/data_1/data").geometry.distance_m == 0.05


def test_several_entries_ask_for_one(cxi):
    with h5py.File(cxi, "r+") as f:
        f.copy("entry_1", "entry_2")
        del f["entry_2/data_1"]  # its links point into entry_1
        f["entry_2/instrument_1/detector_1/distance"][...] = 0.5
    with pytest.raises(InputError, match=r"2 entries: /entry_1, /entry_2.*Name one, such as .*::/entry_1"):
        load(cxi)
    assert load(f"{cxi}::entry_2").geometry.distance_m == 0.5


def test_everything_missing_is_named_at_once(tmp_path):
    with h5py.File(tmp_path / "m.cxi", "w") as f:
        f["entry_1/data_1/data"] = np.ones((50, 100))
    with pytest.raises(InputError) as error:
        load(tmp_path / "m.cxi")
    for text in (
        "a single frame",
        "no positions",
        "no photon energy",
        "no sample-detector distance",
        "pixel size",
    ):
        assert text in str(error.value)
    assert "-s scan.energy_ev=VALUE" in error.value.fix


def test_overrides_replace_and_are_noted(cxi):
    scan = load(
        cxi,
        energy_ev=707.0,
        distance_m=0.1,
        pixel_size_m=30e-6,
        orientation="transpose+flip_y",
        counts_per_photon=3.0,
        n_frames=5,
    )
    assert scan.geometry.energy_ev == 707.0
    assert scan.geometry.distance_m == 0.1
    assert scan.geometry.pixel_size_m == (30e-6, 30e-6)
    assert scan.geometry.frame_shape == (WIDTH, HEIGHT)
    assert scan.orientation == Orientation(transpose=True, flip_y=True)
    assert scan.counts_per_photon == 3.0
    np.testing.assert_array_equal(scan.frames[0:99], frames()[:5])
    np.testing.assert_allclose(scan.positions_m, positions_um()[:5] * 1e-6)
    given = {n.what for n in scan.notes if n.where == "given by the user"}
    assert given >= {"energy_ev", "distance_m", "pixel_size_m", "orientation", "n_frames"}


def test_positions_in_micrometres_without_unit_need_the_option(cxi):
    with h5py.File(cxi, "r+") as f:
        f["entry_1/sample_1/geometry_1/translation"][...] *= 1e6
    with pytest.raises(InputError, match=r"translation: positions span 2\.1 m.*-s scan\.position_unit=um"):
        load(cxi)
    scan = load(cxi, position_unit="um")
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6)
    assert note(scan, "position_unit").where == "given by the user"


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("energy_ev", 1e-16),
        ("distance_m", -1.0),
        ("pixel_size_m", (24e-6, 48.0)),
        ("pixel_size_m", (1e-5, 1e-5, 1e-5)),
        ("position_unit", "parsec"),
        ("orientation", "flip_y+transpose"),
        ("orientation", "Transpose"),
        ("counts_per_photon", 0.0),
        ("n_frames", 0),
        ("n_frames", 13),
    ],
)
def test_impossible_overrides_name_the_option(cxi, option, value):
    with pytest.raises(InputError, match=rf"scan\.{option}: .*-s scan\.{option}"):
        load(cxi, **{option: value})


@pytest.mark.parametrize("dtype", ["u1", "i1", "u2", ">u2", "i4", "u8", "f4", "?"])
def test_masks_of_any_type(dtype):
    # CXI 1.6: hot = 4; NeXus: 4 = under-responding; a boolean mask knows True = bad only
    stored = np.array([[0, 4, 0, 4]]).astype(dtype)
    for bits in (CXI_BAD_BITS, NEXUS_BAD_BITS):
        np.testing.assert_array_equal(bad_pixels(stored, bits), [[False, True, False, True]])
    # "one": a mask in which 0 marks the bad
    np.testing.assert_array_equal(bad_pixels(stored, CXI_BAD_BITS, "one"), [[True, False, True, False]])


def test_masks_of_floats_know_nan():
    np.testing.assert_array_equal(bad_pixels(np.array([[0.0, np.nan, 1.0]]), CXI_BAD_BITS), [[False, True, True]])
    np.testing.assert_array_equal(
        bad_pixels(np.array([[0.0, np.nan, 1.0]]), CXI_BAD_BITS, "one"), [[True, True, False]]
    )


def test_every_bit_is_taken_as_the_standards_say():
    # NXdetector: bits 0 to 15 are faults; CXI 1.6: 0, 1, 2, 3, 4, 7, 9, 10 are
    values = (np.uint64(1) << np.arange(32, dtype=np.uint64)).reshape(4, 8).astype(np.uint32)
    np.testing.assert_array_equal(np.flatnonzero(bad_pixels(values, NEXUS_BAD_BITS)), np.arange(16))
    np.testing.assert_array_equal(np.flatnonzero(bad_pixels(values, CXI_BAD_BITS)), [0, 1, 2, 3, 4, 7, 9, 10])
    assert virtual_pixels(values) == 1
    assert virtual_pixels(values.astype(np.int32)) == 1


def test_mask_and_exposure_of_each_frame(cxi):
    mask = np.zeros((N_FRAMES, HEIGHT, WIDTH), np.uint16)
    mask[3, 4, 5] = 0x8
    times = np.where(np.arange(N_FRAMES) < 4, 0.1, 2.0)
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/mask"], f[f"{DETECTOR}/count_time"] = mask, times
    scan = load(cxi)
    np.testing.assert_array_equal(scan.mask, mask == 0)
    np.testing.assert_allclose(scan.exposures_s, times)
    assert not scan.guesses  # CXI: seconds where no unit is named


@pytest.mark.parametrize(("use", "power"), [("divides", 1), ("multiplies", -1)])
def test_a_flat_field_that_says_its_use(cxi, use, power):
    field = 1 + 0.1 * np.cos(np.arange(HEIGHT * WIDTH)).reshape(HEIGHT, WIDTH)
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/flatfield"] = field
        f[f"{DETECTOR}/flatfield"].attrs["use"] = use
    flat = load(cxi).flat
    np.testing.assert_allclose(flat / flat[0, 0], (field / field[0, 0]) ** power, rtol=1e-12)


def test_white_frames_of_another_shape_are_not_used(cxi):
    with h5py.File(cxi, "r+") as f:
        f[f"{DETECTOR}/data_white"] = np.ones((3, WIDTH, HEIGHT))
    scan = load(cxi)
    assert scan.flat is None
    assert note(scan, "flat field").guess
