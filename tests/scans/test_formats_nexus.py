from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, group, make_nexus, positions_um, put

from scans.errors import InputError
from scans.formats import load
from scans.scan import Orientation

ENTRY = "scan 7"
DETECTOR = f"{ENTRY}/endstation/camera"
PICTURE = f"{ENTRY}/picture"


def note(scan, what):
    return next(n for n in scan.notes if n.what == what)


@pytest.fixture
def nexus(tmp_path):
    return make_nexus(tmp_path / "run.dat")


def test_reads_by_class_with_units(nexus):
    scan = load(nexus)
    assert scan.layout == "NeXus"
    assert scan.entry == f"/{ENTRY}"
    assert scan.geometry.energy_ev == pytest.approx(800.0, rel=1e-15)
    assert scan.geometry.distance_m == pytest.approx(0.05, rel=1e-15)
    assert scan.geometry.pixel_size_m == pytest.approx((24e-6, 48e-6), rel=1e-15)
    np.testing.assert_array_equal(scan.frames[0:N_FRAMES], frames())
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-14)
    assert note(scan, "energy_ev").where == f"{nexus}::/{ENTRY}/endstation/light/incident_energy"
    assert [n.what for n in scan.guesses] == ["orientation"]  # nothing in the file says it
    assert scan.raw_positions is not None
    assert scan.raw_positions.unit == "um"
    np.testing.assert_allclose(scan.raw_positions.values, positions_um())


def test_classes_and_units_may_be_one_element_byte_arrays(nexus):
    with h5py.File(nexus, "r+") as f:
        f[ENTRY].attrs["NX_class"] = np.array([b"NXentry"])
        f[DETECTOR].attrs["NX_class"] = np.bytes_(b"NXdetector")
        f[f"{DETECTOR}/distance"].attrs["units"] = np.array([b"mm"])
        f[f"{PICTURE}/x"].attrs["units"] = np.bytes_(b"\xb5m")  # Latin-1 micro sign
        put(f[DETECTOR], "x_pixel_size", [48.0], b"\xce\xbcm")  # UTF-8 Greek mu, value of shape (1,)
    scan = load(nexus)
    assert scan.geometry.distance_m == pytest.approx(0.05)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-14)


@pytest.mark.parametrize(
    ("path", "value", "unit", "energy_ev"),
    [
        ("light/incident_energy", 1.2817413072e-16, "J", 800.0),
        ("light/incident_wavelength", 17.46256, "angstrom", 710.0),  # X-ray Data Booklet, hc = 12398.42 eV A
        ("light/incident_wavelength", 17.46256, None, 710.0),
        ("light/incident_beam_energy", 0.52, "keV", 520.0),
        ("light/energy", 520.0, "eV", 520.0),
        ("mono/energy", 520.0, "eV", 520.0),
        ("mono/wavelength", 1.746256, "nm", 710.0),
    ],
)
def test_energy_is_found_where_files_keep_it(nexus, path, value, unit, energy_ev):
    with h5py.File(nexus, "r+") as f:
        del f[f"{ENTRY}/endstation/light/incident_energy"]
        group(f[f"{ENTRY}/endstation"], "mono", "NXmonochromator")
        put(f[f"{ENTRY}/endstation"], path, value, unit)
    scan = load(nexus)
    assert scan.geometry.energy_ev == pytest.approx(energy_ev, rel=1e-6)
    assert ("wavelength" in {n.what for n in scan.guesses}) == (unit is None)


def test_machine_energy_is_not_the_photon_energy(nexus):
    with h5py.File(nexus, "r+") as f:
        del f[f"{ENTRY}/endstation/light/incident_energy"]
        put(group(f[f"{ENTRY}/endstation"], "ring", "NXsource"), "energy", 800.0, "eV")
    with pytest.raises(
        InputError, match=r"no photon energy; expected NXbeam/incident_energy.*-s scan\.energy_ev=VALUE"
    ):
        load(nexus)


@pytest.mark.parametrize(
    ("value", "unit", "fix"),
    [
        (1.503e-21, "J", r"energy 0\.00938\d* eV.*-s scan\.energy_ev=VALUE"),
        (1.2817413072e-16, "eV", r"If the number 1\.28174e-16 is in J, give -s scan\.energy_ev=800"),
        (1.2817413072e-16, None, r"is in J, give -s scan\.energy_ev=800"),
        (800.0, "J", r"is in eV, give -s scan\.energy_ev=800"),
        (800.0, "furlong", r"unit 'furlong'.*-s scan\.energy_ev=VALUE"),
    ],
)
def test_energy_in_the_wrong_unit_is_refused(nexus, value, unit, fix):
    with h5py.File(nexus, "r+") as f:
        put(f[f"{ENTRY}/endstation/light"], "incident_energy", value, unit)
    with pytest.raises(InputError, match=rf"light/incident_energy: .*{fix}"):
        load(nexus)


def test_energies_that_disagree_are_noted(nexus):
    with h5py.File(nexus, "r+") as f:
        put(group(f[f"{ENTRY}/endstation"], "mono", "NXmonochromator"), "energy", 700.0, "eV")
    scan = load(nexus)
    assert scan.geometry.energy_ev == pytest.approx(800.0)
    assert any(n.guess and n.value == "not used: 700" for n in scan.notes)


def test_energy_that_varies_over_the_scan_is_refused(nexus):
    with h5py.File(nexus, "r+") as f:
        put(f[f"{ENTRY}/endstation/light"], "incident_energy", np.linspace(700, 710, N_FRAMES), "eV")
    with pytest.raises(InputError, match=r"incident_energy: varies from 700 to 710.*Split the scan"):
        load(nexus)


def test_other_probes_than_photons_are_refused(nexus):
    with h5py.File(nexus, "r+") as f:
        group(f[f"{ENTRY}/endstation"], "gun", "NXsource")["probe"] = "electron"
    with pytest.raises(InputError, match=r"gun/probe: probe 'electron'.*Only photon scans"):
        load(nexus)


def test_detector_fields(nexus):
    mask = np.zeros((HEIGHT, WIDTH), np.uint32)
    # NXdetector pixel_mask: bits 0..15 are faults; bit 31 marks an interpolated pixel
    mask[0, :5] = [1, 1 << 1, 1 << 8, 1 << 15, 1 << 31]
    second = np.zeros((HEIGHT, WIDTH), np.uint32)
    second[1, 0] = 1 << 4
    with h5py.File(nexus, "r+") as f:
        d = f[DETECTOR]
        d["pixel_mask"], d["pixel_mask_2"] = mask, second
        put(d, "beam_center_x", 11.5, "pixels")
        put(d, "beam_center_y", 7.25 * 24e-6, "m")
        d["saturation_value"] = 8352
        put(d, "count_time", np.full(N_FRAMES, 20.0), "ms")
        put(group(f[ENTRY], "control", "NXmonitor"), "data", np.linspace(1, 2, N_FRAMES), "mA")
    scan = load(nexus)
    bad = np.zeros((HEIGHT, WIDTH), bool)
    bad[0, :4] = bad[1, 0] = True
    assert scan.mask is not None
    np.testing.assert_array_equal(~scan.mask, bad)
    assert scan.beam_centre_px == pytest.approx((7.25, 11.5))
    assert scan.saturation == 8352
    assert scan.exposure_s == pytest.approx(0.02)
    np.testing.assert_allclose(scan.monitor, np.linspace(1, 2, N_FRAMES))


@pytest.mark.parametrize(("value", "unit"), [(0.0, "pixel"), (10.0, "m"), (3.0, "deg")])
def test_unset_or_impossible_beam_centre_is_unknown(nexus, value, unit):
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "beam_center_x", value, unit)
        put(f[DETECTOR], "beam_center_y", value, unit)
    scan = load(nexus)
    assert scan.beam_centre_px is None
    assert "beam centre" in {n.what for n in scan.guesses}


def test_zone_plate(nexus):
    with h5py.File(nexus, "r+") as f:
        plate = group(f[f"{ENTRY}/endstation"], "lens", "NXfresnel_zone_plate")
        put(plate, "outer_diameter", 120.0, "um")
        put(plate, "outermost_zone_width", 50.0, "nm")
        put(plate, "central_stop_diameter", 48.0, "um")
        put(plate, "defocus", -16.5, "um")
    plate = load(nexus).zone_plate
    assert plate is not None
    assert plate.diameter_m == pytest.approx(120e-6)
    assert plate.outer_zone_m == pytest.approx(50e-9)
    assert plate.stop_fraction == pytest.approx(0.4)
    assert plate.defocus_m == pytest.approx(-16.5e-6)


def test_zone_plate_without_its_width_is_not_used(nexus):
    with h5py.File(nexus, "r+") as f:
        put(group(f[f"{ENTRY}/endstation"], "lens", "NXfresnel_zone_plate"), "outer_diameter", 120.0, "um")
    scan = load(nexus)
    assert scan.zone_plate is None
    assert note(scan, "zone plate").value == "unknown"


def test_distance_zero_is_unset_and_the_other_name_is_tried(nexus):
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "distance", 0.0, "m")
    with pytest.raises(InputError, match=r"camera/distance: distance 0 m.*-s scan\.distance_m=VALUE"):
        load(nexus)
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "detector_distance", 60.0, "mm")
    assert load(nexus).geometry.distance_m == pytest.approx(0.06)


def test_numbered_blocks_are_joined_in_order(tmp_path):
    path = make_nexus(tmp_path / "master.h5")
    for k, part in enumerate(np.split(frames(), [5, 6]), 1):
        with h5py.File(tmp_path / f"part_{k}.h5", "w") as f:
            f["entry/data/data"] = part
    with h5py.File(path, "r+") as f:
        del f[f"{DETECTOR}/data"], f[f"{PICTURE}/data"]
        f[PICTURE].attrs["signal"] = "data_000001"  # as written by detectors: block 1 is not the whole scan
        for k in (3, 1, 2):
            f[f"{PICTURE}/data_{k:06d}"] = h5py.ExternalLink(f"part_{k}.h5", "/entry/data/data")
    scan = load(path)
    assert scan.frames.shape == (N_FRAMES, HEIGHT, WIDTH)
    np.testing.assert_array_equal(scan.frames[3:8], frames()[3:8])


def test_second_copy_of_the_frames_is_noted(nexus):
    with h5py.File(nexus, "r+") as f:
        group(f[ENTRY], "copy", "NXdata")["data"] = frames()
    assert "equal in the first" in note(load(nexus), "second copy of the frames").why
    with h5py.File(nexus, "r+") as f:
        f[f"{ENTRY}/copy/data"][0] += 1
    assert "NOT equal" in note(load(nexus), "second copy of the frames").why


def test_pictures_and_spectra_are_not_taken_for_frames(nexus):
    with h5py.File(nexus, "r+") as f:
        data = group(f[ENTRY], "camera_view", "NXdata").create_dataset("data", data=np.ones((4, 64, 48)))
        data.attrs["interpretation"] = "rgba-image"
        group(f[ENTRY], "fluorescence", "NXdata")["data"] = np.ones((N_FRAMES, 4096))
    assert load(nexus).frames.shape == (N_FRAMES, HEIGHT, WIDTH)
    with h5py.File(nexus, "r+") as f:
        del f[DETECTOR], f[PICTURE]
    with pytest.raises(InputError, match=r"no stack of images: .*camera_view.*\n"):
        load(nexus)


def test_two_different_stacks_ask_for_one(nexus):
    with h5py.File(nexus, "r+") as f:
        group(f[f"{ENTRY}/endstation"], "other", "NXdetector")["data"] = np.ones((N_FRAMES, 8, 9))
    with pytest.raises(InputError, match=r"2 datasets may hold frames: .*Name one, such as .*::/scan 7/picture/data"):
        load(nexus)
    assert load(f"{nexus}::/{PICTURE}").frames.shape[1:] == (HEIGHT, WIDTH)
    with h5py.File(nexus, "r+") as f:
        f[ENTRY].attrs["default"] = "picture"
    scan = load(nexus)
    assert scan.frames.shape[1:] == (HEIGHT, WIDTH)
    assert note(scan, "other frames").where == f"{nexus}::/{ENTRY}/endstation/other/data"


def test_a_broken_link_beside_the_frames_is_noted(nexus):
    with h5py.File(nexus, "r+") as f:
        group(f[ENTRY], "another", "NXdata")["data"] = h5py.ExternalLink("gone.h5", "/data")
    scan = load(nexus)
    assert scan.n_frames == N_FRAMES
    assert "gone.h5, which is missing" in note(scan, "other frames").why


def test_frames_marked_dark_by_their_key_are_refused(nexus):
    with h5py.File(nexus, "r+") as f:
        f[f"{DETECTOR}/image_key"] = [2, 2, *[0] * (N_FRAMES - 2)]
    with pytest.raises(InputError, match=r"image_key: 2 frames are dark.*dataset of their own"):
        load(nexus)


def test_default_entry_is_taken_and_others_by_name(nexus):
    with h5py.File(nexus, "r+") as f:
        f.copy(ENTRY, "later")
        put(f["later/endstation/camera"], "distance", 70.0, "mm")
        del f["later/picture/data"]
        f["later/picture/data"] = h5py.SoftLink("/later/endstation/camera/data")
    assert load(nexus).geometry.distance_m == pytest.approx(0.05)
    assert load(f"{nexus}::later").geometry.distance_m == pytest.approx(0.07)
    with h5py.File(nexus, "r+") as f:
        del f.attrs["default"]
    with pytest.raises(InputError, match=r"2 entries: .*Name one"):
        load(nexus)
    with pytest.raises(InputError, match=r"::/nowhere: nothing of that name.*Check the name after '::'"):
        load(f"{nexus}::nowhere")


def test_pixel_directions_of_the_module(nexus):
    with h5py.File(nexus, "r+") as f:
        module = group(f[DETECTOR], "module", "NXdetector_module")
        for name, vector in (("slow_pixel_direction", [1.0, 0, 0]), ("fast_pixel_direction", [0, 1.0, 0])):
            put(module, name, 0.0, "m")
            module[name].attrs["vector"] = vector
    scan = load(nexus)
    assert scan.orientation == Orientation(transpose=True, flip_y=True, flip_x=True)
    assert scan.geometry.frame_shape == (WIDTH, HEIGHT)
    assert scan.geometry.pixel_size_m == pytest.approx((48e-6, 24e-6))
