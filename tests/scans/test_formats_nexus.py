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


# Distance: NXdetector distance, or the chain of NXtransformations that carries the detector.


def carry(f, z, unit, field="distance"):
    """Put the detector on a stage `det_z` that stands at z."""
    stage = group(f[f"{ENTRY}/endstation"], "transformations", "NXtransformations")
    put(stage, "det_z", [z], unit)
    stage["det_z"].attrs.update(vector=[0.0, 0, 1.0], transformation_type="translation", depends_on=".")
    f[f"{DETECTOR}/depends_on"] = f"/{ENTRY}/endstation/transformations/det_z"


@pytest.mark.parametrize("written", [None, 0.0])
def test_distance_from_the_chain_of_the_detector(nexus, written):
    with h5py.File(nexus, "r+") as f:
        del f[f"{DETECTOR}/distance"]
        if written is not None:
            put(f[DETECTOR], "distance", written, "m")
        carry(f, 213.95, "mm")
    scan = load(nexus)
    assert scan.geometry.distance_m == pytest.approx(0.21395, rel=1e-12)
    assert "chain" in note(scan, "distance_m").why


@pytest.mark.parametrize(
    ("definition", "derived", "expected", "guess"),
    [
        (None, None, 0.05, True),
        ("NXmx", None, 0.07, False),  # NXmx: the chain is what was measured, unless distance_derived says no
        ("NXmx", 0, 0.05, True),
        ("NXmx", 1, 0.07, False),
        (None, 1, 0.07, False),
    ],
)
def test_distance_and_chain_that_disagree(nexus, definition, derived, expected, guess):
    with h5py.File(nexus, "r+") as f:
        carry(f, 70.0, "mm")
        if definition:
            f[f"{ENTRY}/definition"] = definition
        if derived is not None:
            f[f"{DETECTOR}/distance_derived"] = np.int8(derived)
    scan = load(nexus)
    assert scan.geometry.distance_m == pytest.approx(expected)
    assert ("distance_m" in {n.what for n in scan.guesses}) == guess


@pytest.mark.parametrize("z", [0.0, 50.2])  # unset, or the same within a percent
def test_a_chain_that_adds_nothing(nexus, z):
    with h5py.File(nexus, "r+") as f:
        carry(f, z, "mm")
    scan = load(nexus)
    assert scan.geometry.distance_m == pytest.approx(0.05)
    assert "distance_m" not in {n.what for n in scan.guesses}


def test_a_broken_chain_is_noted_where_the_distance_is_known(nexus):
    with h5py.File(nexus, "r+") as f:
        f[f"{DETECTOR}/depends_on"] = "/nowhere/det_z"
    scan = load(nexus)
    assert scan.geometry.distance_m == pytest.approx(0.05)
    assert "not from the chain" in next(n for n in scan.guesses if n.what == "distance_m").value


# Values for each frame.


def test_exposures_that_differ_are_kept_for_each_frame(nexus):
    times = np.where(np.arange(N_FRAMES) % 3 == 0, 500.0, 20.0)
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "count_time", times, "ms")
    scan = load(nexus)
    np.testing.assert_allclose(scan.exposures_s, times * 1e-3)
    assert scan.exposure_s is None


def test_the_time_of_a_frame_stands_in_for_the_exposure(nexus):
    with h5py.File(nexus, "r+") as f:
        put(f[DETECTOR], "frame_time", 0.25, "s")
    scan = load(nexus)
    assert scan.exposure_s == pytest.approx(0.25)
    assert "read-out" in note(scan, "exposure_s").why


def test_masks_that_differ_are_kept_for_each_frame(nexus):
    mask = np.zeros((N_FRAMES, HEIGHT, WIDTH), np.uint32)
    mask[:, 0, 0] = mask[4, 5, 6] = 1
    with h5py.File(nexus, "r+") as f:
        f[f"{DETECTOR}/pixel_mask"] = mask
    np.testing.assert_array_equal(load(nexus).mask, mask == 0)


@pytest.mark.parametrize("place", ["control", "endstation/ion_chamber"])
def test_monitors_are_found_wherever_they_are(nexus, place):
    with h5py.File(nexus, "r+") as f:
        other = group(f[f"{ENTRY}/endstation"], "a_diode", "NXmonitor")
        other["data"] = 7.0  # one number for the scan says nothing of frames
        home, _, name = place.rpartition("/")
        group(f[f"{ENTRY}/{home}"], name, "NXmonitor")["data"] = np.linspace(1, 2, N_FRAMES)
    np.testing.assert_allclose(load(nexus).monitor, np.linspace(1, 2, N_FRAMES))


def test_control_comes_before_other_monitors_and_integral_will_do(nexus):
    with h5py.File(nexus, "r+") as f:
        group(f[f"{ENTRY}/endstation"], "ion_chamber", "NXmonitor")["data"] = np.linspace(5, 6, N_FRAMES)
        group(f[ENTRY], "control", "NXmonitor")["integral"] = np.linspace(1, 2, N_FRAMES)
    np.testing.assert_allclose(load(nexus).monitor, np.linspace(1, 2, N_FRAMES))


# Conventions of NeXus.


def test_a_log_may_stand_in_the_place_of_a_field(nexus):
    rng = np.random.default_rng(1)
    values = 0.8 + 1e-5 * rng.standard_normal(31)
    with h5py.File(nexus, "r+") as f:
        beam = f[f"{ENTRY}/endstation/light"]
        del beam["incident_energy"]
        log = group(beam, "incident_energy", "NXlog")
        put(log, "value", values, "keV")
        put(log, "time", np.arange(31.0), "s")
    scan = load(nexus)
    assert scan.geometry.energy_ev == pytest.approx(1e3 * np.median(values))
    assert f"standard deviation {values.std():.3g}" in note(scan, "log of incident_energy").value


def test_the_plain_name_is_used_not_its_variant(nexus):
    with h5py.File(nexus, "r+") as f:
        beam = f[f"{ENTRY}/endstation/light"]
        put(beam, "incident_energy_nominal", 900.0, "eV")
        beam["incident_energy"].attrs["variant"] = "incident_energy_nominal"
    assert load(nexus).geometry.energy_ev == pytest.approx(800.0)


def test_the_old_mark_of_a_signal_is_seen_through_a_link(nexus):
    with h5py.File(nexus, "r+") as f:
        picture = f[PICTURE]
        del picture.attrs["signal"]
        picture.move("data", "counts")
        f[f"{DETECTOR}/data"].attrs.update(signal=1, axes="time:row:column")
    scan = load(nexus)
    assert scan.frames_path == f"/{PICTURE}/counts"
    np.testing.assert_array_equal(scan.frames[0:N_FRAMES], frames())


@pytest.mark.parametrize("shape", [(1, N_FRAMES), (3, 4), (3, 1, 4), (1, 3, 4), (3, 4, 1)])
def test_scan_axes_of_one_do_not_count(tmp_path, shape):
    path = make_nexus(tmp_path / "run.h5", frames())
    with h5py.File(path, "r+") as f:
        del f[f"{DETECTOR}/data"]
        f[f"{DETECTOR}/data"] = frames().reshape(*shape, HEIGHT, WIDTH)
    np.testing.assert_array_equal(load(path).frames[0:N_FRAMES], frames())


def test_three_real_scan_axes_are_refused(tmp_path):
    path = make_nexus(tmp_path / "run.h5", frames())
    with h5py.File(path, "r+") as f:
        del f[f"{DETECTOR}/data"]
        f[f"{DETECTOR}/data"] = frames().reshape(3, 2, 2, HEIGHT, WIDTH)
    with pytest.raises(InputError, match=r"shape \(3, 2, 2, 16, 20\); expected at most two scan axes"):
        load(path)


def blocks(path, numbers, attributes=True):
    """Frames 0-4, 5, 6-11 as blocks under the given numbers."""
    with h5py.File(path, "r+") as f:
        del f[f"{DETECTOR}/data"], f[f"{PICTURE}/data"]
        f[PICTURE].attrs["signal"] = f"data_{min(numbers):06d}"
        low = 1
        for number, part in zip(numbers, np.split(frames(), [5, 6]), strict=True):
            f[f"{PICTURE}/data_{number:06d}"] = part
            if attributes:
                ends = {"image_nr_low": low, "image_nr_high": low + len(part) - 1}
                f[f"{PICTURE}/data_{number:06d}"].attrs.update(ends)
            low += len(part)


def test_blocks_follow_their_image_numbers(nexus):
    blocks(nexus, (3, 1, 2))  # the names are in another order
    np.testing.assert_array_equal(load(nexus).frames[0:N_FRAMES], frames())


@pytest.mark.parametrize("attributes", [True, False])
@pytest.mark.parametrize(("gone", "found"), [(1, "nothing before number"), (2, "is followed by")])
def test_a_missing_block_is_refused(nexus, attributes, gone, found):
    blocks(nexus, (1, 2, 3), attributes)
    with h5py.File(nexus, "r+") as f:
        del f[f"{PICTURE}/data_{gone:06d}"]
        f[PICTURE].attrs["signal"] = "data_000003"
    with pytest.raises(InputError, match=rf"a block is missing or there twice: .*{found}.*Bring the missing block"):
        load(nexus)


def test_an_entry_with_a_picture_only_is_no_scan(nexus):
    with h5py.File(nexus, "r+") as f:
        del f.attrs["default"]
        other = group(group(f, "microscope", "NXentry"), "data", "NXdata")
        other["data"] = np.ones((4, 64, 48))
        other["data"].attrs["interpretation"] = np.array([b"rgba-image"])
        assert f["microscope/data/data"].ndim == 3
    assert load(nexus).entry == f"/{ENTRY}"


# What a detector says of itself.


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"saturation_value": 9000, "detectorSpecific/countrate_correction_count_cutoff": 8352}, 8352),
        ({"saturation_value": 0, "detectorSpecific/countrate_correction_count_cutoff": 8352}, 8352),
        ({"bit_depth_image": 12}, 4095),
        ({"bit_depth_image": 16}, None),  # all that the type can hold
        ({"bit_depth_image": 12, "saturation_value": 1000}, 1000),
    ],
)
def test_the_lowest_limit_is_used(nexus, fields, expected):
    with h5py.File(nexus, "r+") as f:
        for name, value in fields.items():
            f[f"{DETECTOR}/{name}"] = value
    assert load(nexus).saturation == expected


def test_what_spoils_the_statistics_is_said(nexus):
    mask = np.zeros((HEIGHT, WIDTH), np.uint32)
    mask[0, :3] = 1 << 31
    with h5py.File(nexus, "r+") as f:
        d = f[DETECTOR]
        d["pixel_mask"] = mask
        d["virtual_pixel_interpolation_applied"], d["countrate_correction_applied"] = True, 1
        d["underload_value"] = 3
    scan = load(nexus)
    assert scan.mask is None or scan.mask.all()
    values = {n.what: n.value for n in scan.notes}
    assert values["virtual pixels"] == "interpolated"
    assert any(n.what == "virtual pixels" and n.value == "3" for n in scan.notes)
    assert values["count rate"] == "corrected by the detector"
    assert values["underload"] == "3"


@pytest.mark.parametrize(
    ("ids", "what", "value"),
    [
        ([1, 2, 3, 5, 6, 7, 8, 9, 10, 13, 14, 15], "frames that the detector lost", "3"),
        ([1, 2, 3, 10, 9, 8, 4, 5, 6, 7, 11, 12], "numbers of the frames", "not increasing"),
    ],
)
def test_numbers_of_the_frames_show_lost_ones(nexus, ids, what, value):
    with h5py.File(nexus, "r+") as f:
        group(f[f"{ENTRY}/endstation"], "NDAttributes", "NXcollection")["NDArrayUniqueId"] = ids
    said = note(load(nexus), what)
    assert said.value == value
    assert said.guess
