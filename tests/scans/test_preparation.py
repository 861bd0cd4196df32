from __future__ import annotations

import itertools
import re
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from scans import stack
from scans.beam import find_beam
from scans.errors import InputError
from scans.geometry import Geometry
from scans.preparation import prepare
from scans.prepared import PreparedScan
from scans.scan import Orientation, Scan
from scans.window import Window, fast_even_size

AS_STORED = Orientation()
EIGHT = [Orientation(*flags) for flags in itertools.product((False, True), repeat=3)]


def scan_of(frames, orientation: Orientation = AS_STORED, **facts) -> Scan:
    h, w = frames.shape[1:]
    shape, pixel = ((w, h), (50e-6, 40e-6)) if orientation.transpose else ((h, w), (40e-6, 50e-6))
    j = np.arange(frames.shape[0])
    # irregular, so that the checks stay quiet
    positions = np.stack([np.sqrt(j) * np.cos(2.4 * j), np.sqrt(j) * np.sin(2.4 * j)], axis=1) * 100e-9
    return Scan(frames, positions, Geometry(700.0, 0.08, pixel, shape), orientation=orientation, **facts)


def codes(prepared: PreparedScan) -> dict[str, str]:
    return {f.code: f.level for f in prepared.findings}


def annulus(shape, centre, outer=11.0, inner=4.5) -> NDArray[np.float64]:
    y, x = np.indices(shape)
    r = np.hypot(y - centre[0], x - centre[1])
    # edges of one pixel, as a detector pixel integrates over them
    return np.clip(outer - r + 0.5, 0, 1) * np.clip(r - inner + 0.5, 0, 1)


# --- dark, gain, unit


def test_dark_and_gain_give_exact_photons(rng):
    photons = rng.integers(0, 40, (5, 16, 16))
    dark = rng.integers(90, 110, (16, 16))
    stored = (photons * 4 + dark).astype(np.uint16)
    # two dark frames whose mean is exactly `dark`
    scan = scan_of(stored, dark=np.stack([dark - 1, dark + 1]), counts_per_photon=4.0, beam_centre_px=(8, 8))
    out = prepare(scan)
    assert out.unit == "photon"
    assert out.counts.dtype == np.uint8  # whole after all, and small
    np.testing.assert_array_equal(out.counts, photons)
    # standard deviation of {-1, +1} with n - 1 is sqrt(2), in photons /4
    assert out.read_noise == pytest.approx(np.sqrt(2) / 4, rel=1e-12)
    assert "gain-unknown" not in codes(out)


def test_unknown_gain_keeps_counts_and_says_so(rng):
    frames = rng.integers(1, 9, (3, 16, 16)).astype(np.uint16)
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)))
    assert out.unit == "ADU"
    np.testing.assert_array_equal(out.counts, frames)
    assert codes(out)["gain-unknown"] == "caution"


def test_options_go_before_the_file(rng):
    frames = rng.integers(10, 90, (3, 16, 16)).astype(np.uint16)
    frames[1, 2, 3] = 200
    scan = scan_of(frames, counts_per_photon=5.0, saturation=1000.0, beam_centre_px=(1.0, 1.0))
    out = prepare(scan, counts_per_photon=10.0, saturation=150.0, centre_px=(8, 8))
    assert out.mask.shape == (3, 16, 16)
    assert np.argwhere(~out.mask).tolist() == [[1, 2, 3]]
    np.testing.assert_allclose(out.counts[0], frames[0] / 10, rtol=1e-6)


def test_negative_counts_are_kept(rng):
    frames = rng.poisson(3.0, (4, 16, 16)).astype(np.uint16) + 100
    out = prepare(scan_of(frames, dark=np.full((16, 16), 102.0), beam_centre_px=(8, 8)))
    np.testing.assert_array_equal(out.counts, frames.astype(float) - 102)
    share = 100 * np.mean(frames < 102)
    (line,) = [s for s in out.steps if s.startswith("negative")]
    assert float(re.search(r"([\d.]+) %", line)[1]) == pytest.approx(share, rel=0.01)


def test_pixels_without_a_dark_value_are_not_measured(rng):
    frames = rng.integers(10, 50, (2, 16, 16)).astype(np.uint16)
    dark = np.ones((3, 16, 16))
    dark[1, 4, 5] = np.nan
    out = prepare(scan_of(frames, dark=dark, beam_centre_px=(8, 8)))
    assert np.argwhere(~out.mask).tolist() == [[4, 5]]
    assert any("1 of 256 pixels are bad in every frame" in s for s in out.steps)


@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", "i4", ">i8", "f2", ">f4", "f8", "?"])
def test_every_stored_type_gives_the_same_counts(rng, dtype):
    frames = rng.integers(0, 2, (3, 16, 16))
    out = prepare(scan_of(frames.astype(dtype), counts_per_photon=1.0, beam_centre_px=(8, 8)))
    assert out.counts.dtype == np.uint8  # the smallest type that holds 0 and 1
    np.testing.assert_array_equal(out.counts, frames)
    assert out.mask.all()


def test_dropped_frames_do_not_shift_the_darks_of_the_exposures(rng):
    # two exposures, each with its dark; every fifth frame was dropped and stored as zeros
    times, n = np.tile([1.0, 2.0], 20), 40
    level = (100 * times).astype(int)
    frames = (rng.poisson(20.0, (n, 16, 16)) + level[:, None, None]).astype(np.uint16)
    frames[::5] = 0
    dark = np.stack([np.full((16, 16), 100), np.full((16, 16), 200)])
    scan = scan_of(frames, dark=dark, exposures_s=times, dark_exposures_s=np.array([1.0, 2.0]), counts_per_photon=1.0)
    out = prepare(scan, centre_px=(8, 8), merge=False, offset="fixed", spikes=False, bad_pixels=False)
    lit = np.arange(n) % 5 > 0
    np.testing.assert_array_equal(out.frame_index, np.flatnonzero(lit))
    np.testing.assert_array_equal(out.counts, frames[lit].astype(int) - level[lit, None, None])


def test_gain_of_an_integrating_detector_goes_with_the_energy(rng):
    frames = rng.integers(10, 90, (3, 16, 16)).astype(np.uint16)
    # charge is proportional to the photon energy: 50 counts at 350 eV are 100 at the scan's 700 eV
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)), counts_per_photon=50.0, gain_energy_ev=350.0)
    np.testing.assert_allclose(out.counts, frames / 100, rtol=1e-6)
    with pytest.raises(InputError, match=r"gain_energy_ev.*both, or neither"):
        prepare(scan_of(frames), gain_energy_ev=350.0)


# --- orientation, centre, crop, bin


@pytest.mark.parametrize("orientation", EIGHT, ids=str)
def test_eight_orientations_move_one_pixel_as_a_vector(orientation):
    # a lit pixel 3 rows below and 5 columns left of the beam, on a detector of 20 x 26
    beam, offset = (9, 12), (3, -5)
    frames = np.zeros((1, 20, 26), np.uint16)
    frames[0, beam[0] + offset[0], beam[1] + offset[1]] = 7
    out = prepare(scan_of(frames, orientation, beam_centre_px=beam), size=16)
    dy, dx = offset if not orientation.transpose else offset[::-1]
    dy, dx = (-dy if orientation.flip_y else dy), (-dx if orientation.flip_x else dx)
    assert np.argwhere(out.counts[0]).tolist() == [[8 + dy, 8 + dx]]
    assert out.geometry.pixel_size_m == ((50e-6, 40e-6) if orientation.transpose else (40e-6, 50e-6))


@pytest.mark.parametrize("orientation", EIGHT, ids=str)
def test_mask_and_dark_turn_with_the_frames(rng, orientation):
    frames = rng.integers(50, 99, (2, 12, 16)).astype(np.uint16)
    mask, dark = rng.random((12, 16)) > 0.2, rng.integers(0, 40, (12, 16))
    out = prepare(scan_of(frames, orientation, mask=mask, dark=dark, beam_centre_px=(5, 7)), size=32)
    values = np.where(mask, frames - dark.astype(float), 0)
    # nothing is lost in a window this large: same values, whatever the order
    np.testing.assert_array_equal(np.sort(out.counts[0][out.mask]), np.sort(values[0][mask]))
    assert out.mask.sum() == mask.sum()


@pytest.mark.parametrize("size", [8, 14, 24, 40])
@pytest.mark.parametrize("centre", [(9, 12), (0, 0), (19, 25), (8.5, 12.49), (3.51, 24.5)])
def test_crop_and_pad_against_a_pixel_loop(rng, centre, size):
    frames = rng.integers(1, 99, (2, 20, 26)).astype(np.uint16)
    out = prepare(scan_of(frames, beam_centre_px=centre), size=size)
    whole = [int(np.floor(c + 0.5)) for c in centre]
    expected, measured = np.zeros((2, size, size)), np.zeros((size, size), bool)
    for y, x in np.ndindex(size, size):
        row, column = whole[0] + y - size // 2, whole[1] + x - size // 2
        if 0 <= row < 20 and 0 <= column < 26:
            expected[:, y, x], measured[y, x] = frames[:, row, column], True
    np.testing.assert_array_equal(out.counts, expected)
    np.testing.assert_array_equal(out.mask, measured)
    assert out.geometry.frame_shape == (size, size)


@pytest.mark.parametrize(("bin_", "centre"), [(2, (10, 13)), (3, (10.2, 12.8)), (2, (9.5, 12.5)), (4, (7, 20))])
def test_bin_against_a_pixel_loop(rng, bin_, centre):
    frames = rng.integers(1, 99, (2, 20, 26)).astype(np.uint16)
    mask = rng.random((20, 26)) > 0.05
    out = prepare(scan_of(frames, mask=mask, beam_centre_px=centre), size=8, bin=bin_)
    # the middle of bin (4, 4) lies within half a detector pixel of the beam; ties go to the larger index
    first = [int(np.floor(c - (bin_ - 1) / 2 + 0.5)) for c in centre]
    for y, x in np.ndindex(8, 8):
        rows = first[0] + (y - 4) * bin_ + np.arange(bin_)
        columns = first[1] + (x - 4) * bin_ + np.arange(bin_)
        inside = ((rows >= 0) & (rows < 20)).all() and ((columns >= 0) & (columns < 26)).all()
        good = inside and mask[np.ix_(rows, columns)].all()
        assert out.mask[y, x] == good
        expected = frames[:, rows[:, None], columns].sum(axis=(1, 2)) if good else [0, 0]
        np.testing.assert_array_equal(out.counts[:, y, x], expected)


def test_binned_geometry_and_noise():
    frames = np.ones((2, 64, 64), np.float32)
    dark = np.stack([np.full((64, 64), -0.5), np.full((64, 64), 0.5)])
    scan = scan_of(frames, dark=dark, beam_centre_px=(32, 32))
    plain, binned = prepare(scan), prepare(scan, bin=2)
    assert binned.counts.shape == (2, 32, 32)
    # λz/(N p): half as many pixels, twice the size, so the object pixel stays; the frame width halves
    assert binned.geometry.object_pixel_m == pytest.approx(plain.geometry.object_pixel_m, rel=1e-12)
    assert binned.geometry.frame_width_m[0] == pytest.approx(plain.geometry.frame_width_m[0] / 2, rel=1e-12)
    # variances of 4 independent pixels add
    assert binned.read_noise == pytest.approx(2 * plain.read_noise, rel=1e-12)


@pytest.mark.parametrize("bin_", [1, 2, 3])
@pytest.mark.parametrize("c", [20.0, 20.3, 20.5, 19.77])
def test_window_puts_the_beam_on_the_central_pixel(c, bin_):
    window = Window.around((c, c), 8, bin_, (41, 41))
    centre_of_bin = window.start[0] + 4 * bin_ + (bin_ - 1) / 2
    assert abs(c - centre_of_bin) <= 0.5
    assert window.rest_px[0] == pytest.approx(c - centre_of_bin, abs=1e-12)


@pytest.mark.parametrize("n", [8, 97, 103, 128, 194, 515, 1030])
def test_default_size_is_the_next_even_one_with_small_factors(n):
    def smooth(m):
        for p in (2, 3, 5, 7, 11):  # the radices of scipy's FFT
            while m % p == 0:
                m //= p
        return m == 1

    assert fast_even_size(n) == next(m for m in range(n, 2 * n + 2) if m % 2 == 0 and smooth(m))


def test_default_window_keeps_a_rectangular_detector_whole(rng):
    frames = rng.integers(1, 9, (2, 20, 32)).astype(np.uint16)
    out = prepare(scan_of(frames, beam_centre_px=(10, 16)))
    assert out.counts.shape == (2, 32, 32)
    assert out.mask.sum() == 20 * 32
    assert out.counts.sum() == frames.sum()


# --- saturation, marks, masks


def test_saturation_is_masked_frame_by_frame(rng):
    frames = rng.integers(1, 50, (4, 16, 16)).astype(np.uint16)
    frames[1, 3, 4], frames[2, 5, 6] = 100, 99
    out = prepare(scan_of(frames, saturation=99.5, counts_per_photon=1.0, beam_centre_px=(8, 8)))
    assert np.argwhere(~out.mask).tolist() == [[1, 3, 4]]
    assert out.counts[1, 3, 4] == 0
    assert out.counts[2, 5, 6] == 99
    assert codes(out)["saturated"] == "caution"
    assert any("1 pixels saturated, in 1 frames" in s for s in out.steps)


@pytest.mark.parametrize(
    ("dtype", "marks"),
    [
        ("u1", [255]),
        ("u2", [65535, 65534]),
        ("u4", [2**32 - 1, 2**32 - 2]),
        ("i4", [-1, -2]),
        ("i2", [-2, 2**15 - 1]),
    ],
)
def test_marks_in_all_frames_make_a_plain_mask(rng, dtype, marks):
    frames = rng.integers(1, 50, (3, 16, 16)).astype(dtype)
    for k, value in enumerate(marks):
        frames[:, 4 + k] = value
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)))
    assert out.mask.shape == (16, 16)
    assert np.flatnonzero(~out.mask.all(axis=1)).tolist() == [4 + k for k in range(len(marks))]
    assert out.counts.max() < 50
    assert out.counts.min() >= 0


def test_always_saturated_pixels_are_told_apart(rng):
    frames = rng.integers(1, 50, (3, 16, 16)).astype(np.uint16)
    frames[:, 7, 7:9] = 65535
    frames = np.concatenate([frames, np.zeros((1, 16, 16), np.uint16)])  # an empty frame does not hide it
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)))
    assert codes(out)["always-saturated"] == "caution"
    assert "saturated" not in codes(out)
    assert out.mask.shape == (16, 16)


def test_negative_noise_is_not_a_mark(rng):
    frames = np.rint(rng.normal(0, 4, (3, 16, 16))).astype(np.int16)
    frames[:, 8, 8] = 500
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)))
    assert out.mask.all()
    np.testing.assert_array_equal(out.counts, frames)


def test_values_that_are_not_finite_are_masked_and_counted(rng):
    frames = rng.random((3, 16, 16)) + 1
    frames[0, 1, 2], frames[2, 3, 4], frames[2, 9, 9] = np.nan, np.inf, -np.inf
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)))
    assert np.argwhere(~out.mask).tolist() == [[0, 1, 2], [2, 3, 4], [2, 9, 9]]
    assert np.isfinite(out.counts).all()
    assert any("3 pixels not finite, in 2 frames" in s for s in out.steps)


def test_pixels_outside_the_window_are_not_counted(rng):
    frames = rng.integers(1, 50, (2, 32, 32)).astype(np.uint16)
    frames[:, 0, 0] = 60000
    out = prepare(scan_of(frames, saturation=60000.0, beam_centre_px=(16, 16)), size=8)
    assert out.mask.shape == (8, 8)
    assert not {"saturated", "always-saturated"} & set(codes(out))


def test_a_bin_with_one_saturated_pixel_is_not_measured():
    frames = np.ones((2, 16, 16), np.uint16)
    frames[1, 9, 9] = 500
    out = prepare(scan_of(frames, saturation=400.0, beam_centre_px=(8.5, 8.5)), size=8, bin=2)
    assert np.argwhere(~out.mask).tolist() == [[1, 4, 4]]
    assert out.counts[0, 4, 4] == 4
    assert out.counts[1, 4, 4] == 0


# --- frames left out


def test_frames_are_left_out_with_reasons(rng):
    frames = rng.poisson(20.0, (8, 16, 16)).astype(np.uint16)
    frames[1] = 0
    frames[4] = 65535
    frames[6] = 0
    frames[6, 0, 0] = 60  # 1.2 % of about 5100
    scan = scan_of(frames, counts_per_photon=1.0, beam_centre_px=(8, 8))
    out = prepare(scan)
    assert out.frame_index.tolist() == [0, 2, 3, 5, 7]
    reasons = dict(out.left_out)
    assert list(reasons) == [1, 4, 6]
    assert "no counts" in reasons[1]
    assert "no usable pixel" in reasons[4]
    assert "shutter" in reasons[6]
    np.testing.assert_array_equal(out.counts, frames[out.frame_index])
    np.testing.assert_array_equal(out.positions_m, scan.positions_m[out.frame_index])
    assert out.mask.shape == (16, 16)  # the masks of the used frames agree
    assert codes(out)["frames-left-out"] == "caution"


def test_masks_follow_the_used_frames(rng):
    frames = rng.integers(10, 50, (5, 16, 16)).astype(np.uint16)
    frames[0], frames[3, 2, 2] = 0, 65535
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)))
    assert out.frame_index.tolist() == [1, 2, 3, 4]
    assert np.argwhere(~out.mask).tolist() == [[2, 2, 2]]


@pytest.mark.parametrize("gap", [False, True])
def test_all_zero_frames_are_an_input_error(gap):
    frames = np.zeros((4, 16, 16), np.int32)
    frames[:, 5] = -1 if gap else 0
    scan = scan_of(frames, path=Path("run17.h5"), frames_path="/entry/data/data")
    with pytest.raises(InputError, match=r"run17.h5::/entry/data/data: all 4 frames are empty.*dataset of the frames"):
        prepare(scan)


def test_frames_at_the_level_of_the_dark_are_an_input_error():
    scan = scan_of(np.full((3, 16, 16), 100, np.uint16), dark=np.full((16, 16), 101), beam_centre_px=(8, 8))
    with pytest.raises(InputError, match=r"frames: the median frame holds -256 counts.*dark frames belong"):
        prepare(scan)


# --- beam centre


@pytest.mark.parametrize("centre", [(30.0, 33.0), (24.6, 39.3), (41.45, 22.8)])
def test_beam_is_found_on_a_noisy_annulus(rng, centre):
    lit = annulus((64, 64), centre) * 3.0  # 3 photons a pixel and frame
    y = np.indices((64, 64))[0]
    uneven = lit * (1 + 0.4 * np.sin(y / 5))  # brightness must not pull the centre
    frames = rng.poisson(uneven + 0.02, (20, 64, 64)).astype(np.uint16)
    frames[:, 5, 7] = 4000
    frames[:, 50:52, 12] = 900
    frames[:, :, 31] = 0  # dead column through the beam
    out = prepare(scan_of(frames, counts_per_photon=1.0))
    (line,) = [s for s in out.steps if s.startswith("beam centre")]
    found = [float(v) for v in re.search(r"\(([\d.]+), ([\d.]+)\)", line).groups()]
    assert np.abs(np.subtract(found, centre)).max() < 0.5
    assert codes(out)["centre-found"] == "note"
    assert codes(out)["bad-pixels-found"] == "note"


def test_beam_behind_a_masked_stripe(rng):
    good = np.ones((64, 64), bool)
    good[:, 28:33] = False
    pattern = rng.poisson(40 * annulus((64, 64), (30, 33.4))) * good
    disc = find_beam(pattern.astype(float), good)
    assert np.abs(np.subtract(disc.centre, (30, 33.4))).max() < 0.5
    assert disc.diameter_px == pytest.approx(22, abs=1)  # outer diameter 2 x 11


@pytest.mark.parametrize("orientation", EIGHT, ids=str)
def test_found_centre_is_told_in_stored_coordinates(orientation):
    frames = np.repeat(annulus((40, 56), (17, 30))[None] * 100, 2, axis=0)
    out = prepare(scan_of(frames, orientation))
    assert any("(17.00, 30.00) of the stored frame" in s for s in out.steps)
    (finding,) = [f for f in out.findings if f.code == "centre-found"]
    assert "[17.00,30.00]" in finding.fix
    y, x = np.indices(out.counts.shape[1:]) - out.counts.shape[1] // 2
    assert abs((out.counts[0] * y).sum()) < 1e-3 * out.counts[0].sum()
    assert abs((out.counts[0] * x).sum()) < 1e-3 * out.counts[0].sum()


def test_doubtful_stated_centre_is_used_but_doubted():
    frames = np.repeat(annulus((64, 64), (20, 40))[None] * 100, 2, axis=0)
    assert "centre-doubtful" not in codes(prepare(scan_of(frames, beam_centre_px=(20.5, 40))))
    out = prepare(scan_of(frames, beam_centre_px=(40, 20)))
    assert codes(out)["centre-doubtful"] == "caution"
    assert any("(40.00, 20.00)" in s for s in out.steps)


def test_no_beam_in_the_sample_takes_the_middle():
    frames = np.zeros((2000, 8, 8), np.uint8)
    frames[15, 2:6, 2:6] = 9  # the sample of 192 frames misses it
    out = prepare(scan_of(frames))
    assert codes(out)["centre-guessed"] == "caution"
    assert out.frame_index.tolist() == [15]


# --- options and construction


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"size": 15}, r"prepare.size: 15 pixels.*-s prepare.size=16"),
        ({"size": 4}, r"prepare.size: 4 pixels.*-s prepare.size=8"),
        ({"bin": 0}, r"prepare.bin: bin = 0.*whole number.*-s prepare.bin=VALUE"),
        ({"centre_px": (16.0, 3.0)}, r"prepare.centre_px: beam centre \(16.0, 3.0\).*-s prepare.centre_px"),
        ({"centre_px": (np.nan, 3.0)}, r"prepare.centre_px.*counted from 0"),
        ({"counts_per_photon": 0.0}, r"counts_per_photon.*positive.*-s prepare.counts_per_photon"),
        ({"saturation": -5.0}, r"saturation.*positive.*-s prepare.saturation"),
    ],
)
def test_wrong_options(options, message):
    scan = scan_of(np.ones((2, 16, 16), np.uint16))
    with pytest.raises(InputError, match=message):
        prepare(scan, **options)


def test_wrong_parts_of_a_scan():
    frames = np.ones((2, 16, 16), np.uint16)
    with pytest.raises(InputError, match=r"in memory, dark: dark frames of shape \(8, 8\).*same detector region"):
        prepare(scan_of(frames, dark=np.ones((8, 8))))
    with pytest.raises(InputError, match=r"in memory, mask: no good pixel.*polarity"):
        prepare(scan_of(frames, mask=np.zeros((16, 16), bool)))
    with pytest.raises(InputError, match=r"in memory, beam centre: .*-s prepare.centre_px"):
        prepare(scan_of(frames, beam_centre_px=(99.0, 3.0)))
    scan = scan_of(frames)
    wrong = replace(scan, geometry=scan.geometry.with_frame_shape((16, 20)))
    with pytest.raises(InputError, match=r"oriented frames of \(16, 16\).*frame_shape"):
        prepare(wrong)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda p: {"counts": p.counts[0]}, "counts"),
        (lambda p: {"counts": p.counts.astype(float)}, "counts"),
        (lambda p: {"counts": np.full(p.counts.shape, np.nan, np.float32)}, "counts"),
        (lambda p: {"mask": p.mask[:-1]}, "mask"),
        (lambda p: {"mask": np.zeros_like(p.mask)}, "mask"),
        (lambda p: {"mask": np.eye(16, dtype=bool)}, "counts"),
        (lambda p: {"positions_m": p.positions_m[:-1]}, "positions_m"),
        (lambda p: {"geometry": p.geometry.with_frame_shape((32, 32))}, "geometry"),
        (lambda p: {"frame_index": p.frame_index[::-1].copy()}, "frame_index"),
        (lambda p: {"unit": "photons"}, "unit"),
        (lambda p: {"read_noise": -1.0}, "read_noise"),
    ],
)
def test_prepared_scan_checks_its_parts(change, where):
    good = prepare(scan_of(np.ones((3, 16, 16), np.uint16)))
    with pytest.raises(InputError, match=rf"PreparedScan.{where}: .*scans.prepare"):
        replace(good, **change(good))


def test_a_stack_beyond_the_memory_is_refused(monkeypatch):
    monkeypatch.setattr(stack.os, "sysconf", lambda name: 10)
    with pytest.raises(InputError, match=r"prepared frames take.*-s prepare.bin=2"):
        prepare(scan_of(np.ones((2, 16, 16), np.uint16)))


def test_prints_what_was_done(rng):
    out = prepare(scan_of(rng.integers(1, 9, (3, 16, 16)).astype(np.uint16), beam_centre_px=(8, 8)))
    text = str(out)
    assert "3 frames of 16 x 16 [ADU]" in text
    assert "caution: how many counts a photon gives" in text
    assert len(repr(out)) < 3000


# --- reading


class CountingFrames:
    """Lazy frames that note what is asked of them."""

    def __init__(self, frames, chunk_frames):
        self.frames, self.chunk_frames = frames, chunk_frames
        self.shape, self.dtype = frames.shape, frames.dtype
        self.asked: list[slice] = []

    def __getitem__(self, key: slice):
        assert isinstance(key, slice)
        self.asked.append(key)
        return self.frames[key].copy()


def test_reads_block_by_block_and_holds_no_more(rng, monkeypatch):
    block_bytes = 64 << 10
    monkeypatch.setattr(stack, "BLOCK_BYTES", block_bytes)
    # an array of 16 MiB that takes no memory itself
    frames = np.broadcast_to(rng.integers(0, 99, (64, 64)).astype(np.uint16), (2048, 64, 64))
    lazy, seen = CountingFrames(frames, chunk_frames=4), []
    tracemalloc.start()
    out = prepare(scan_of(lazy, beam_centre_px=(32, 32)), progress=lambda done, n: seen.append((done, n)))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    sample, blocks = ([k for k in lazy.asked if pick == (k.stop - k.start <= 2)] for pick in (True, False))
    assert sum(k.stop - k.start for k in sample) <= 192  # a bounded sample before
    assert all((k.stop - k.start) * 8192 <= block_bytes for k in blocks)
    assert all(k.start % 4 == 0 for k in blocks)
    assert sorted(j for k in blocks for j in range(k.start, k.stop)) == list(range(2048))  # each frame once
    assert seen[-1] == (2048, 2048)
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    # the sample as float32 and twice that for its statistics; a few blocks, each with float32 and flags. Of the four
    # bytes a value that are set aside for the result, only those of its own type are ever touched
    assert peak < 4 * out.counts.size + 192 * 64 * 64 * 4 * 3.5 + 60 * block_bytes


def test_blocks_do_not_change_the_result(rng, monkeypatch):
    frames = rng.integers(0, 60, (23, 16, 16)).astype(np.uint16)
    frames[rng.random(frames.shape) < 0.002] = 300
    scan = scan_of(frames, saturation=200.0, dark=np.full((16, 16), 5), beam_centre_px=(7.2, 8.4))
    whole = prepare(scan)
    monkeypatch.setattr(stack, "BLOCK_BYTES", 3 * 512)
    parts = prepare(scan)
    assert whole.mask.ndim == 3
    np.testing.assert_array_equal(whole.counts, parts.counts)
    np.testing.assert_array_equal(whole.mask, parts.mask)
    assert whole.steps == parts.steps
    assert whole.findings == parts.findings


def test_a_late_saturated_pixel_keeps_the_gap_of_all_frames(rng, monkeypatch):
    monkeypatch.setattr(stack, "BLOCK_BYTES", 2 * 512)
    frames = rng.integers(1, 50, (9, 16, 16)).astype(np.uint16)
    frames[:, 3], frames[7, 9, 9] = 65535, 65535
    out = prepare(scan_of(frames, beam_centre_px=(8, 8)))
    np.testing.assert_array_equal(out.mask, frames < 60)


def test_input_frames_are_not_changed(rng):
    frames = rng.random((3, 16, 16)).astype(np.float32)
    frames[0, 0, 0] = np.nan
    before = frames.copy()
    dark = np.full((16, 16), 0.25)
    prepare(scan_of(frames, dark=dark, counts_per_photon=2.0, beam_centre_px=(8, 8)))
    np.testing.assert_array_equal(frames, before)
