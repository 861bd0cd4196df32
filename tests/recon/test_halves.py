"""Two halves of one scan: independent counts, every frame and photon once, the common area of two results."""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers_cli import copied, recipe, simulated, written

from recon import halves
from recon.halves import compare_images, has_whole_photons, resolution, split_by_frames, split_by_photons
from recon.recipe import Recipe
from recon.result import Result
from recon.result_file import read_result, write_resolution, write_result
from recon.workflow import load_scan, prepare_scan, reconstruct
from scans.errors import InputError
from scans.preparation import prepare
from scans.prepared import PreparedScan
from scans.scan import Finding


@pytest.fixture(scope="module")
def prepared() -> PreparedScan:
    return prepare(simulated()[0])


@pytest.fixture(scope="module")
def result(prepared) -> Result:
    return reconstruct(prepared, recipe(), device="cpu")


@pytest.fixture(scope="module")
def on_file(tmp_path_factory) -> tuple[Path, Path]:
    """A scan file and the file of its result; both stay as they are."""
    folder = tmp_path_factory.mktemp("on_file")
    scan = written(folder / "scan.h5")
    return scan, write_result(folder / "r.h5", reconstruct(scan, recipe(), device="cpu"))


# --- splitting ----------------------------------------------------------------------------------------------


def poisson_scan(prepared: PreparedScan, rng: np.random.Generator, mean: float) -> PreparedScan:
    """One expectation for every pixel, so that pixels are repeats of one experiment."""
    return replace(prepared, counts=rng.poisson(mean, prepared.counts.shape).astype(np.float32))


@pytest.mark.parametrize("mean", [0.3, 8.0, 2000.0])
def test_photon_halves_are_independent_poisson_counts(prepared, rng, mean):
    # Thinning a Poisson count n of mean m with p = 1/2 gives two independent Poisson counts of mean m/2
    # (Kingman, Poisson Processes, 1993, colouring theorem, from memory). Bounds: 5 standard errors of mean,
    # variance (fourth central moment of a Poisson count: v + 3 v^2) and correlation for N samples.
    scan = poisson_scan(prepared, rng, mean)
    first, second = (half.counts.astype(float).ravel() for half in split_by_photons(scan, rng))
    assert np.array_equal(first + second, scan.counts.ravel())
    n, v = first.size, mean / 2
    for half in (first, second):
        assert half.min() >= 0
        assert np.array_equal(half, np.rint(half))
        assert abs(half.mean() - v) < 5 * np.sqrt(v / n)
        assert abs(half.var() - v) < 5 * np.sqrt((v + 2 * v**2) / n)
    assert abs(np.corrcoef(first, second)[0, 1]) < 5 / np.sqrt(n)


def test_each_photon_goes_either_way_with_equal_chance(prepared, rng):
    # Given n photons the half is binomial(n, 1/2): variance n/4, which no split by whole pixels would have.
    scan = replace(prepared, counts=np.full_like(prepared.counts, 100))
    first, _ = split_by_photons(scan, rng)
    n = first.counts.size
    assert abs(first.counts.mean() - 50) < 5 * np.sqrt(25 / n)
    assert abs(first.counts.var() - 25) < 5 * np.sqrt(2 * 25**2 / n)


def test_photon_halves_keep_all_else(prepared, rng):
    first, second = split_by_photons(prepared, rng)
    for half in (first, second):
        assert half.counts.dtype == prepared.counts.dtype
        for name in ("mask", "positions_m", "frame_index"):
            assert np.array_equal(getattr(half, name), getattr(prepared, name))
        assert (half.geometry, half.unit, half.scan) == (prepared.geometry, prepared.unit, prepared.scan)


def test_the_same_seed_splits_alike(prepared):
    a, b = (split_by_photons(prepared, np.random.default_rng(4))[0].counts for _ in range(2))
    assert np.array_equal(a, b)
    assert not np.array_equal(a, split_by_photons(prepared, np.random.default_rng(5))[0].counts)


@pytest.mark.parametrize("per_frame_mask", [False, True])
def test_frame_halves_hold_every_frame_once(prepared, per_frame_mask):
    n = len(prepared.counts)
    if per_frame_mask:
        masks = np.ones(prepared.counts.shape, bool)
        masks[:, 0, 0] = np.arange(n) % 3 > 0
        counts = np.where(masks, prepared.counts, 0)
        prepared = replace(prepared, mask=masks, counts=counts)
    parts = split_by_frames(prepared)
    rows = [slice(0, None, 2), slice(1, None, 2)]
    for half, own in zip(parts, rows, strict=True):
        assert np.array_equal(half.frame_index, prepared.frame_index[own])
        assert np.array_equal(half.positions_m, prepared.positions_m[own])
        assert np.array_equal(half.counts, prepared.counts[own])
        assert np.array_equal(half.mask, prepared.mask[own] if per_frame_mask else prepared.mask)
    assert sorted(np.concatenate([half.frame_index for half in parts])) == list(range(n))


def test_too_few_frames_to_split(prepared):
    few = prepared.part(slice(3))
    with pytest.raises(InputError, match=r"3 frames.*Compare two scans"):
        split_by_frames(few)


def test_what_counts_as_whole_photons(prepared):
    assert has_whole_photons(prepared)  # of an unsigned type: nothing else can be in it
    prepared = replace(prepared, counts=prepared.counts.astype(np.float32))
    counts, n = prepared.counts, prepared.counts.size
    assert has_whole_photons(prepared)
    assert not has_whole_photons(replace(prepared, unit="ADU"))
    assert not has_whole_photons(replace(prepared, counts=counts * np.float32(0.73)))

    def with_odd(number: int, value: float) -> PreparedScan:
        other = counts.copy()
        other.reshape(-1)[:number] = value
        return replace(prepared, counts=other)

    assert has_whole_photons(with_odd(n // 20_000, 3.5))  # rounding of a few pixels
    assert not has_whole_photons(with_odd(n // 1000, 3.5))
    assert not has_whole_photons(with_odd(1, -1.0))  # a Poisson count is never negative
    assert has_whole_photons(with_odd(n, 3.0004))  # single precision of a gain


# --- one result ---------------------------------------------------------------------------------------------


def test_photons_are_split_where_they_are_whole(prepared, result):
    found = resolution(result, prepared=prepared, device="cpu")
    assert found.method == "photon split"
    assert found.half_periods_m["1/7"] == found.rings.crossings["1/7"].half_period_m
    assert "each photon given to one of two halves" in str(found)


def test_frames_are_split_where_the_gain_is_unknown(prepared, result):
    scaled = replace(prepared, counts=prepared.counts * np.float32(0.73))
    found = resolution(result, prepared=scaled, device="cpu")
    assert found.method == "frame split"
    assert "half the overlap" in str(found)


def test_the_same_result_gives_the_same_number(on_file):
    _, path = on_file
    first, second = (resolution(path, device="cpu") for _ in range(2))
    assert np.array_equal(first.rings.frc, second.rings.frc)


def test_the_scan_is_read_again_as_it_was(on_file, tmp_path):
    scan, _ = on_file
    kept = recipe("prepare.bin=2", "prepare.counts_per_photon=2")
    again = prepare_scan(load_scan(scan, kept), kept)
    result = write_result(tmp_path / "r.h5", reconstruct(again, kept, device="cpu"))
    assert resolution(result, device="cpu").rings.pixel_m == pytest.approx(again.geometry.object_pixel_m)


def test_a_scan_that_changed_is_refused(tmp_path):
    scan = written(tmp_path / "scan.h5")
    path = write_result(tmp_path / "r.h5", reconstruct(scan, recipe(passes=(1, 1)), device="cpu"))
    written(scan, seed=5)
    with pytest.raises(InputError, match=r"scan\.h5: the scan file has changed.*Reconstruct it again"):
        resolution(path, device="cpu")
    scan.unlink()
    with pytest.raises(InputError, match=r"scan\.h5: No such file.*Put the scan file back"):
        resolution(path, device="cpu")


def test_a_scan_prepared_by_hand_is_asked_for(on_file, tmp_path):
    scan, _ = on_file
    prepared = prepare(load_scan(scan, Recipe()))
    halfway = prepared.part(slice(5, None))
    path = write_result(tmp_path / "r.h5", reconstruct(halfway, recipe(), device="cpu"))
    with pytest.raises(InputError, match=r"settings that are not in the recipe.*prepared="):
        resolution(path, device="cpu")
    assert resolution(path, prepared=halfway, device="cpu").method == "photon split"


def test_arrays_in_memory_cannot_be_read_again(result):
    with pytest.raises(InputError, match=r"names no scan file.*Give the prepared scan"):
        resolution(result)


def test_an_interrupted_half_gives_no_number(on_file):
    _, path = on_file

    def stop(record, seconds_left):
        os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        resolution(path, device="cpu", on_pass=stop)


def test_progress_runs_through_both_halves(on_file):
    _, path = on_file
    seen = []
    resolution(path, device="cpu", on_pass=lambda record, left: seen.append((record, left)))
    stages = [record.stage for record, _ in seen]
    assert stages == [f"half {k}, {s}" for k in (1, 2) for s in ["approach"] + ["main"] * 4 + ["settle"] * 2]
    seconds = [record.seconds for record, _ in seen]
    assert seconds == sorted(seconds)
    share = [record.seconds / (record.seconds + left) for record, left in seen]
    assert share[6] == pytest.approx(0.5)  # the first half is done
    assert share[-1] == 1.0


# --- two results --------------------------------------------------------------------------------------------


def cut(result: Result, rows: slice, columns: slice) -> Result:
    """Part of a result, with the coordinates of that part."""
    return replace(
        result,
        transmission=result.transmission[rows, columns],
        coverage=result.coverage[rows, columns],
        y_m=result.y_m[rows],
        x_m=result.x_m[columns],
    )


def test_results_of_different_origin_are_compared_where_both_are(result):
    a = cut(result, slice(3, None), slice(0, -4))
    b = cut(result, slice(0, -6), slice(5, None))
    found = compare_images(a, b, "two results")
    one, other = found.images
    assert np.array_equal(one, other)  # the same pixels of the same object
    h, w = result.transmission.shape
    assert one.shape == (h - 3 - 6, w - 4 - 5)
    assert found.rings.match.shift_px == pytest.approx((0, 0), abs=1e-6)


def test_half_a_pixel_of_offset_goes_to_the_nearest(result):
    # where origins differ by a fraction, the areas agree to half a pixel and registration does the rest
    p = result.pixel_m[0]
    moved = replace(result, y_m=result.y_m + 2.4 * p)
    one, other = compare_images(result, moved, "two results").images
    assert one.shape == other.shape == (result.transmission.shape[0] - 2, result.transmission.shape[1])
    assert np.array_equal(one, result.transmission[2:])


def test_results_without_a_common_area(result):
    elsewhere = replace(result, x_m=result.x_m + 1e-5)
    with pytest.raises(InputError, match=r"one and two: objects without a common area"):
        compare_images(result, elsewhere, "two results", names=("one", "two"))


def test_results_of_different_pixels_name_their_files(result, tmp_path):
    coarse = reconstruct(prepare(simulated()[0], size=40), recipe(), device="cpu")
    paths = [write_result(tmp_path / f"{k}.h5", r) for k, r in enumerate((result, coarse))]
    with pytest.raises(InputError, match=r"0\.h5 and .*1\.h5: object pixels of 24\.06 nm and 28\.87 nm"):
        resolution(*paths)


def test_two_results_are_taken_as_they_are(prepared, result):
    b = reconstruct(split_by_photons(prepared, np.random.default_rng(1))[0], recipe(), device="cpu")
    found = resolution(result, b)
    assert found.method == "two results"
    assert found.images[0].shape == result.transmission.shape


def test_images_that_are_not_to_be_trusted_give_no_trusted_number(result):
    assert compare_images(result, result, "two results").verdict != "not to be trusted"
    serious = Finding("serious", "diverged", "the run diverged", "Take smaller steps.")
    bad = replace(result, verdict="not to be trusted", findings=(serious,))
    found = compare_images(result, bad, "two results", names=("good.h5", "bad.h5"))
    assert found.verdict == "not to be trusted"
    assert "bad.h5 cannot be trusted: the run diverged" in str(found)
    assert "good.h5 cannot" not in str(found)
    assert "good.h5 and bad.h5 cannot be trusted: the run diverged. Put" in str(
        compare_images(bad, bad, "two results", names=("good.h5", "bad.h5"))
    )


def test_what_is_stored(result, tmp_path):
    found = compare_images(result, result, "two results")
    path = write_result(tmp_path / "r.h5", result)
    write_resolution(path, found.to_dict())
    stored = read_result(path).resolution
    assert np.array_equal(stored["correlation"], found.rings.frc)
    assert np.array_equal(stored["frequency_per_m"], found.rings.frequency_per_m)
    for key, name in {"1_7": "1/7", "half_bit": "half-bit", "1_bit": "1-bit", "0_5": "0.5"}.items():
        # "not crossed" and "nothing in common" both have no half period: the status tells them apart
        assert stored[f"half_period_{key}_m"] == found.rings.crossings[name].half_period_m
        assert stored[f"status_{key}"] == found.rings.crossings[name].status
    assert stored["verdict"] == found.verdict
    assert stored["method"] == "two results"
    assert len(stored["findings"]) == len(found.rings.findings)


# --- files of several stacks --------------------------------------------------------------------------------


def test_frames_that_the_user_named_are_read_again(tmp_path):
    # two detectors in one file: only the named one is the scan
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "two.cxi"
    copied(written(tmp_path / "one.cxi"), path)
    with h5py.File(path, "r+") as file:
        entry = file["entry_1"]
        entry.create_group("data_2")["data"] = np.zeros((40, 48, 48), np.uint16) + np.arange(48, dtype=np.uint16)
    target = f"{path}::/entry_1/data_1/data"
    with pytest.raises(InputError, match="2 datasets may hold frames"):
        load_scan(path, Recipe())
    result = write_result(tmp_path / "r.h5", reconstruct(target, recipe(), device="cpu"))
    assert resolution(result, device="cpu").method == "photon split"


def test_the_methods_are_the_ones_described():
    assert set(halves.METHODS) == {"two results", "photon split", "frame split"}
