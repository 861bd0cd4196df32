import numpy as np
import pytest
from helpers_core import CPU, GEOMETRY, prepared_scan

from recon.problem import empty_field_power, make_problem
from scans.errors import InputError
from scans.geometry import Geometry

N = 16


@pytest.fixture
def positions_m(rng):
    return rng.uniform(-2e-6, 3e-6, (20, 2)) + np.array([5e-6, -1e-6])


@pytest.fixture
def counts(rng):
    return rng.poisson(5.0, (20, N, N)).astype(np.float32)


def oblong():
    """Geometry whose pixels differ along y and x."""
    return Geometry(energy_ev=710.0, distance_m=0.06, pixel_size_m=(88e-6, 110e-6), frame_shape=(N, N))


def test_corners_and_shifts_make_up_the_positions(counts, positions_m):
    problem = make_problem(prepared_scan(counts, positions_m), CPU, precision="double")
    index = np.array([3, 0, 19, 7])
    batch = problem.batch(index, problem.positions_px)
    # the probe's centre pixel is N//2 right of the frame's first
    pixels = batch.corners + N // 2 + batch.shifts
    np.testing.assert_allclose(pixels, problem.positions_px[index], rtol=0, atol=1e-12)
    metres = np.array(problem.origin_m) + pixels * np.array(problem.pixel_m)
    np.testing.assert_allclose(metres, positions_m[index], rtol=0, atol=1e-20 + 1e-12 * 5e-6)
    assert np.abs(batch.shifts).max() <= 0.5
    assert batch.corners.dtype == np.int64
    np.testing.assert_array_equal(batch.counts, problem.counts[index])


@pytest.mark.parametrize("margin", [0, 4, 11])
def test_every_frame_lies_inside_the_object(counts, positions_m, margin):
    problem = make_problem(prepared_scan(counts, positions_m), CPU, margin_px=margin)
    corners = problem.batch(np.arange(20), problem.positions_px).corners
    assert corners.min() >= margin
    assert (corners + N + margin <= problem.object_shape).all()
    # and the object is no larger than that, but for rounding
    assert (corners.min(axis=0) <= margin + 1).all()
    assert (np.array(problem.object_shape) - (corners + N).max(axis=0) <= margin + 3).all()


def test_metres_and_pixels_where_the_pixels_are_oblong(counts, positions_m):
    geometry = oblong()
    problem = make_problem(prepared_scan(counts, positions_m, geometry=geometry), CPU)
    # λz/(N p) with hc = 1.239841984e-6 eV m (CODATA 2018)
    expected = [1.239841984e-6 / 710 * 0.06 / (N * p) for p in (88e-6, 110e-6)]
    np.testing.assert_allclose(problem.pixel_m, expected, rtol=1e-9)
    spread = np.ptp(positions_m, axis=0) / expected
    np.testing.assert_allclose(np.ptp(problem.positions_px, axis=0), spread)
    y, x = problem.coordinates_m()
    assert (len(y), len(x)) == problem.object_shape
    np.testing.assert_allclose([y[1] - y[0], x[1] - x[0]], expected)
    # a frame's position, found on the coordinates of the object
    np.testing.assert_allclose(np.interp(positions_m[:, 0], y, np.arange(len(y))), problem.positions_px[:, 0])
    np.testing.assert_allclose(np.interp(positions_m[:, 1], x, np.arange(len(x))), problem.positions_px[:, 1])


def test_direct_beam_goes_to_index_zero(rng, positions_m):
    frames = np.zeros((20, 16, 16), np.float32)
    frames[:, 8, 8], frames[:, 8, 9], frames[:, 7, 8] = 100, 3, 2
    problem = make_problem(prepared_scan(frames, positions_m), CPU)
    assert (problem.counts[:, 0, 0] == 100).all()
    assert (problem.counts[:, 0, 1] == 3).all()
    assert (problem.counts[:, -1, 0] == 2).all()


def test_masks(rng, counts, positions_m):
    assert make_problem(prepared_scan(counts, positions_m), CPU).mask is None
    shared = rng.random((N, N)) > 0.2
    shared[8, 8] = False
    problem = make_problem(prepared_scan(counts, positions_m, mask=shared), CPU)
    assert problem.mask.shape == (1, N, N)
    assert not problem.mask[0, 0, 0]
    assert problem.batch(np.array([4, 2]), problem.positions_px).mask.shape == (1, N, N)
    assert problem.n_measured == 20 * shared.sum()
    np.testing.assert_allclose(problem.sum_amplitude, np.sqrt(counts)[:, shared].sum(dtype=float))

    each = rng.random((20, N, N)) > 0.2
    problem = make_problem(prepared_scan(counts, positions_m, mask=each), CPU)
    batch = problem.batch(np.array([4, 2]), problem.positions_px)
    np.testing.assert_array_equal(np.fft.fftshift(batch.mask, axes=(1, 2)), each[[4, 2]])
    assert problem.n_measured == each.sum()


def test_precision(counts, positions_m):
    single = make_problem(prepared_scan(counts, positions_m), CPU)
    double = make_problem(prepared_scan(counts, positions_m), CPU, precision="double")
    assert (single.counts.dtype, single.complex_dtype) == (np.float32, np.complex64)
    assert (double.counts.dtype, double.complex_dtype) == (np.float64, np.complex128)
    assert single.batch(np.arange(3), single.positions_px).shifts.dtype == np.float32


def test_neighbouring_frames_are_not_copied(counts, positions_m):
    problem = make_problem(prepared_scan(counts, positions_m), CPU)
    assert np.shares_memory(problem.batch(np.arange(3, 9), problem.positions_px).counts, problem.counts)


def test_empty_field_power(rng, positions_m):
    # 20 frames behind a sample of half the transmission, three beside it
    frames = rng.poisson(5.0, (20, N, N)).astype(np.float32)
    frames[[2, 9, 15]] = 10.0
    prepared = prepared_scan(frames, positions_m)
    assert empty_field_power(prepared.totals()) == 10.0 * N * N
    assert make_problem(prepared, CPU).power == 10.0 * N * N


def test_positions_in_a_wrong_unit(counts, positions_m):
    with pytest.raises(InputError, match=r"positions that span .*position_unit"):
        make_problem(prepared_scan(counts, positions_m * 1e6), CPU)


def test_dark_level_is_relative_to_the_mean(counts, positions_m):
    problem = make_problem(prepared_scan(counts, positions_m), CPU)
    assert problem.dark == pytest.approx(1e-7 * problem.power / N**2)
    assert (problem.n_frames, problem.size) == (20, N)
    assert GEOMETRY.object_pixel_m[0] > 0


def test_frames_that_do_not_fit_are_refused(monkeypatch, counts, positions_m):
    monkeypatch.setattr("recon.problem.free_bytes", lambda device: 1000)
    with pytest.raises(InputError, match=r"GiB of frames, .* free on cpu.*prepare\.bin=2"):
        make_problem(prepared_scan(counts, positions_m), CPU)
