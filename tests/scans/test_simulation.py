from __future__ import annotations

from dataclasses import replace

import h5py
import numpy as np
import pytest

from scans.errors import InputError
from scans.geometry import Geometry
from scans.scan import Orientation, ZonePlate
from scans.simulation import Measurement, diffraction_patterns, simulate
from scans.truth import Sample, Truth

N, OVERSAMPLING = 24, 2
GEOMETRY = Geometry(energy_ev=710.0, distance_m=0.08, pixel_size_m=(500e-6, 500e-6), frame_shape=(N, N))
FINE = N * OVERSAMPLING
PIXEL = GEOMETRY.object_pixel_m[0] / OVERSAMPLING
WIDTH_PX = 3.2  # rms of the Gaussian test probe, in fine pixels: contained on the grid and in its band


def _gaussian(centre_px: tuple[float, float] = (0.0, 0.0), n: int = FINE) -> np.ndarray:
    """Chirped, tilted Gaussian wave about a real-valued place, from its formula."""
    y, x = (np.arange(n) - n // 2 - c for c in centre_px)
    y, x = y[:, None], x[None, :]
    r_squared = y**2 + 1.3 * x**2
    return np.exp(-r_squared / (2 * WIDTH_PX**2) + 0.01j * (y**2 - x**2) + 0.2j * x)


def _sample(rng: np.random.Generator, shape: tuple[int, int] = (90, 98)) -> Sample:
    return Sample(np.exp(-rng.uniform(0, 0.5, shape) - 1j * rng.uniform(0, 2, shape)), PIXEL)


def _empty(shape: tuple[int, int] = (90, 90)) -> Sample:
    return Sample(np.ones(shape, complex), PIXEL)


def _positions(rng: np.random.Generator, count: int = 7) -> np.ndarray:
    return rng.uniform(-12, 12, (count, 2)) * PIXEL


PERFECT = Measurement(photons_per_frame=1e5, poisson=False)
HERE = np.zeros((1, 2))


# --- the model


@pytest.mark.parametrize("offset", [(0.0, 0.0), (2.0, -3.0), (1.3, -0.45)])
def test_frames_are_the_direct_fourier_sum(rng, offset):
    sample, positions = _sample(rng), _positions(rng)
    found = diffraction_patterns(sample, _gaussian(), positions, GEOMETRY, centre_offset_px=offset)
    # |sum over the whole object of P(r - r_j) O(r) exp(-2πi q·r)|² at the detector pixels q, unitary
    q = np.arange(N) - N // 2
    for frame, (y_m, x_m) in zip(found, positions, strict=True):
        ny, nx = sample.transmission.shape
        u, v = np.arange(ny) - ny // 2, np.arange(nx) - nx // 2
        y, x = (u - y_m / PIXEL)[:, None], (v - x_m / PIXEL)[None, :]
        probe = np.exp(-(y**2 + 1.3 * x**2) / (2 * WIDTH_PX**2) + 0.01j * (y**2 - x**2) + 0.2j * x)
        rows = np.exp(-2j * np.pi * np.outer(q - offset[0], u) / FINE)
        columns = np.exp(-2j * np.pi * np.outer(v, q - offset[1]) / FINE)
        expected = np.abs(rows @ (probe * sample.transmission) @ columns / FINE) ** 2
        np.testing.assert_allclose(frame, expected, atol=1e-10 * expected.max(), rtol=0)


def test_power_reaches_the_far_field_whole(rng):
    # Parseval on a detector that holds the whole band (no oversampling): photons behind the sample = counts
    sample = Sample(_sample(rng).transmission, GEOMETRY.object_pixel_m[0])
    positions = np.rint(rng.uniform(-8, 8, (5, 2))) * sample.pixel_m
    probe = _gaussian(n=N)
    frames = diffraction_patterns(sample, probe, positions, GEOMETRY)
    ny, nx = sample.transmission.shape
    for frame, (y, x) in zip(frames, np.rint(positions / sample.pixel_m).astype(int), strict=True):
        patch = sample.transmission[ny // 2 + y - N // 2 :, nx // 2 + x - N // 2 :][:N, :N]
        assert frame.sum() == pytest.approx((np.abs(probe * patch) ** 2).sum(), rel=1e-12)


def test_probe_at_positive_y_meets_the_rows_further_down():
    sample = _empty()
    at = np.array([[10.0, 0.0], [-10.0, 0.0], [0.0, 10.0], [0.0, -10.0]]) * PIXEL
    sample.transmission[sample.y_m > 0] *= 0.5
    total = diffraction_patterns(sample, _gaussian(), at, GEOMETRY).sum(axis=(1, 2))
    assert total[0] / total[1] == pytest.approx(0.25, rel=0.05)
    sample.transmission[:, sample.x_m > 0] *= 0.1
    total = diffraction_patterns(sample, _gaussian(), at, GEOMETRY).sum(axis=(1, 2))
    assert total[2] / total[3] == pytest.approx(0.01, rel=0.3)


def test_sample_coordinates_are_those_of_the_positions(rng):
    sample = _sample(rng)
    assert sample.y_m[45] == 0
    assert sample.x_m[49] == 0
    moved = replace(sample, centre_m=(40e-6, -3e-6))
    assert moved.y_m[45] == 40e-6
    positions = _positions(rng)
    np.testing.assert_allclose(
        diffraction_patterns(moved, _gaussian(), positions + np.array([40e-6, -3e-6]), GEOMETRY),
        diffraction_patterns(sample, _gaussian(), positions, GEOMETRY),
        atol=1e-8,
    )


def test_modes_add_their_intensities(rng):
    sample, positions = _sample(rng), _positions(rng)
    modes = np.stack([_gaussian(), 0.4 * _gaussian((2.0, -1.0))])
    single = [diffraction_patterns(sample, m, positions, GEOMETRY) for m in modes]
    found = diffraction_patterns(sample, modes, positions, GEOMETRY)
    np.testing.assert_allclose(found, single[0] + single[1], rtol=1e-12)


def test_known_ambiguities_leave_the_frames_alone(rng):
    # scale and linear phase ramp: Fannjiang, arXiv:1810.00852 (both exact)
    sample, positions = _sample(rng), _positions(rng)
    before = diffraction_patterns(sample, _gaussian(), positions, GEOMETRY)
    y, x = sample.y_m[:, None] / PIXEL, sample.x_m[None, :] / PIXEL
    ramped = replace(sample, transmission=2j * sample.transmission * np.exp(0.05j * y - 0.03j * x))
    v, u = (np.arange(FINE) - FINE // 2)[:, None], (np.arange(FINE) - FINE // 2)[None, :]
    probe = _gaussian() / 2j * np.exp(-0.05j * v + 0.03j * u)
    np.testing.assert_allclose(diffraction_patterns(ramped, probe, positions, GEOMETRY), before, atol=1e-10)


# --- photons and noise


def test_photons_are_those_of_an_empty_frame(rng):
    scan, truth = simulate(_empty(), 3.7 * _gaussian(), _positions(rng), GEOMETRY, PERFECT)
    assert scan.frames.dtype == np.float32
    np.testing.assert_allclose(scan.frames.sum(axis=(1, 2), dtype=float), 1e5, rtol=1e-6)
    # this wave lies inside the detector, so its power in front of the sample is the same
    assert (np.abs(truth.probe) ** 2).sum() == pytest.approx(1e5, rel=1e-3)


def test_counts_are_poisson():
    # mean = variance = expectation, pixel by pixel over 3000 repeats; standard errors of both
    repeats = np.zeros((3000, 2))
    mean = simulate(_empty(), _gaussian(), HERE, GEOMETRY, replace(PERFECT, photons_per_frame=3000.0))[0].frames[0]
    scan, _ = simulate(_empty(), _gaussian(), repeats, GEOMETRY, Measurement(3000.0), seed=4)
    assert scan.frames.dtype == np.uint32
    lit = mean > 1
    counts = scan.frames[:, lit].astype(float)
    error = np.sqrt(mean[lit] / 3000)
    assert np.abs((counts.mean(axis=0) - mean[lit]) / error).max() < 4.5
    ratio = counts.var(axis=0, ddof=1) / mean[lit]
    # variance of a Poisson sample variance: (1/m + 2)/n relative to m²
    assert np.abs((ratio - 1) / np.sqrt((1 / mean[lit] + 2) / 3000)).max() < 4.5


def test_gain_dark_level_and_read_noise():
    measurement = Measurement(
        2e4, counts_per_photon=12.0, dark_level=300.0, read_noise=1.5, dark_frames=200, saturation=20000.0
    )
    positions = np.zeros((200, 2))
    scan, _ = simulate(_empty(), _gaussian(), positions, GEOMETRY, measurement)
    assert scan.dark is not None
    assert scan.frames.dtype == scan.dark.dtype == np.uint32
    assert scan.dark.shape == (200, N, N)
    pixels = scan.dark.size
    assert scan.dark.mean() == pytest.approx(300, abs=5 * 18 / np.sqrt(pixels))
    # 1.5 photons rms at 12 counts a photon, and rounding to whole counts: 1/12
    assert scan.dark.std() == pytest.approx(np.hypot(18, 1 / np.sqrt(12)), rel=5 / np.sqrt(2 * pixels))
    expected = simulate(_empty(), _gaussian(), HERE, GEOMETRY, replace(PERFECT, photons_per_frame=2e4))[0]
    signal = (scan.frames.mean(axis=0) - 300) / 12
    np.testing.assert_allclose(signal, expected.frames[0], atol=5 * np.sqrt((expected.frames.max() + 2.25) / 200))
    variance = scan.frames.astype(float).var(axis=0, ddof=1)
    model = 144 * (expected.frames[0] + 2.25)  # shot noise and read noise add
    assert (variance / model).mean() == pytest.approx(1, abs=5 * np.sqrt(2 / 200 / N**2))
    assert scan.counts_per_photon == 12.0
    assert scan.saturation == 20000.0


def test_read_noise_without_a_dark_level_is_stored_as_float():
    measurement = Measurement(1e3, read_noise=2.0)
    scan, _ = simulate(_empty(), _gaussian(), np.zeros((40, 2)), GEOMETRY, measurement)
    assert scan.frames.dtype == np.float32
    corner = scan.frames[:, :3, :3]
    assert corner.min() < 0
    assert corner.std() == pytest.approx(2.0, rel=0.15)


def test_full_scale_cuts_the_counts():
    full = simulate(_empty(), _gaussian(), HERE, GEOMETRY, Measurement(1e5), seed=3)[0].frames
    limit = float(full.max() // 2)
    cut = simulate(_empty(), _gaussian(), HERE, GEOMETRY, Measurement(1e5, saturation=limit), seed=3)[0].frames
    np.testing.assert_array_equal(cut, np.minimum(full, limit))
    assert (cut == limit).sum() > 3


def test_same_seed_same_bytes(rng):
    sample, positions = _sample(rng), _positions(rng, 20)
    measurement = Measurement(
        1e4, read_noise=1.0, dark_level=50.0, dark_frames=2, position_jitter_m=PIXEL, counts_per_photon=3.0
    )
    a, b, c = (simulate(sample, _gaussian(), positions, GEOMETRY, measurement, seed=s) for s in (7, 7, 8))
    for name in ("frames", "dark", "positions_m"):
        assert getattr(a[0], name).tobytes() == getattr(b[0], name).tobytes()
    assert a[1].positions_m.tobytes() == b[1].positions_m.tobytes()
    assert not np.array_equal(a[0].frames, c[0].frames)
    quiet = simulate(sample, _gaussian(), positions, GEOMETRY, replace(measurement, poisson=False), seed=7)
    np.testing.assert_array_equal(quiet[1].positions_m, a[1].positions_m)


# --- detector orientation and centre


@pytest.mark.parametrize("transpose", [False, True])
@pytest.mark.parametrize("flip_y", [False, True])
@pytest.mark.parametrize("flip_x", [False, True])
def test_stored_frames_turn_back(rng, transpose, flip_y, flip_x):
    orientation = Orientation(transpose=transpose, flip_y=flip_y, flip_x=flip_x)
    sample, positions = _sample(rng), _positions(rng, 3)
    offset = (1.0, -2.25)
    plain = diffraction_patterns(sample, _gaussian(), positions, GEOMETRY, centre_offset_px=offset)
    measurement = replace(PERFECT, orientation=orientation, centre_offset_px=offset, dark_frames=1)
    scan, _ = simulate(sample, _gaussian(), positions, GEOMETRY, measurement)
    turned = scan.orientation.apply(scan.frames)
    scale = turned.sum() / plain.sum()
    np.testing.assert_allclose(turned, plain * scale, atol=1e-6 * turned.max())
    assert scan.beam_centre_px is not None
    assert orientation.apply_point(scan.beam_centre_px, (N, N)) == (N // 2 + 1.0, N // 2 - 2.25)


def test_beam_centre_is_where_the_light_is():
    symmetric = np.abs(_gaussian())  # no tilt: its spectrum is centred on the direct beam
    measurement = replace(PERFECT, centre_offset_px=(1.4, -2.3), orientation=Orientation(True, False, True))
    scan, _ = simulate(_empty(), symmetric, HERE, GEOMETRY, measurement)
    frame = scan.frames[0].astype(float)
    rows, columns = np.indices(frame.shape)
    # a Gaussian spectrum of rms FINE/(4π·WIDTH) = 1.2 px is wholly on the detector
    centroid = (rows * frame).sum() / frame.sum(), (columns * frame).sum() / frame.sum()
    assert centroid == pytest.approx(scan.beam_centre_px, abs=0.02)


# --- positions and truth


def test_position_errors_are_asked_for(rng):
    positions = rng.uniform(-3, 3, (4000, 2)) * PIXEL
    small = Geometry(710.0, 0.08, (1e-3, 1e-3), (8, 8))
    probe, sample = _gaussian(n=8), Sample(np.ones((60, 60), complex), small.object_pixel_m[0])
    exact = simulate(sample, probe, positions, small, PERFECT)
    np.testing.assert_array_equal(exact[0].positions_m, exact[1].positions_m)
    measurement = replace(
        PERFECT,
        position_jitter_m=0.2 * PIXEL,
        position_affine=((1.01, 0.02), (-0.02, 1.01)),
        photons_per_frame=1.0,
    )
    scan, truth = simulate(sample, probe, positions, small, measurement)
    np.testing.assert_array_equal(scan.positions_m, positions)
    matrix, *_ = np.linalg.lstsq(positions, truth.positions_m, rcond=None)
    np.testing.assert_allclose(matrix.T, [[1.01, 0.02], [-0.02, 1.01]], atol=0.01)
    rest = truth.positions_m - positions @ np.array([[1.01, 0.02], [-0.02, 1.01]]).T
    assert rest.std() == pytest.approx(0.2 * PIXEL, rel=0.05)


def test_lit_is_the_light_on_the_object(rng):
    sample, positions = _sample(rng), _positions(rng)
    _, truth = simulate(sample, _gaussian(), positions, GEOMETRY, PERFECT)
    assert truth.lit.sum() == pytest.approx(7 * (np.abs(truth.probe) ** 2).sum(), rel=1e-9)
    ny, nx = sample.transmission.shape
    y, x = np.arange(ny)[:, None] - ny // 2, np.arange(nx)[None, :] - nx // 2
    direct = sum(
        np.exp(-((y - a) ** 2 + 1.3 * (x - b) ** 2) / WIDTH_PX**2) for a, b in truth.positions_m / truth.pixel_m
    )
    np.testing.assert_allclose(truth.lit / truth.lit.max(), direct / direct.max(), atol=1e-9)
    np.testing.assert_allclose(truth.y_m, sample.y_m)
    assert truth.solver_pixel_m == pytest.approx(OVERSAMPLING * truth.pixel_m)


def test_scan_says_what_a_beamline_would_know(rng):
    plate = ZonePlate(diameter_m=240e-6, outer_zone_m=25e-9, defocus_m=1e-5)
    scan, _ = simulate(_sample(rng), _gaussian(), _positions(rng), GEOMETRY, PERFECT, zone_plate=plate, seed=11)
    assert scan.zone_plate == plate
    assert scan.geometry == GEOMETRY
    assert scan.beam_centre_px == (N // 2, N // 2)
    assert "seed 11" in scan.notes[0].value
    assert not scan.guesses


# --- truth file


@pytest.fixture
def truth(rng) -> Truth:
    return simulate(_sample(rng), _gaussian(), _positions(rng), GEOMETRY, PERFECT)[1]


def test_truth_file_round_trip(truth, tmp_path):
    path = truth.save(tmp_path / "scan.truth.h5")
    again = Truth.load(path)
    for name in ("object", "probe", "positions_m", "lit", "y_m", "x_m"):
        assert getattr(again, name).tobytes() == getattr(truth, name).tobytes()
    assert again.pixel_m == truth.pixel_m
    assert again.solver_pixel_m == truth.solver_pixel_m
    with h5py.File(path) as file:
        assert file["positions"].attrs["units"] == "m"
    assert [p.name for p in tmp_path.iterdir()] == ["scan.truth.h5"]


def test_truth_is_not_overwritten_unasked(truth, tmp_path):
    path = tmp_path / "t.h5"
    path.write_bytes(b"precious")
    with pytest.raises(InputError, match=r"t\.h5: exists already; .*--force"):
        truth.save(path)
    assert path.read_bytes() == b"precious"
    truth.save(path, overwrite=True)
    assert Truth.load(path).pixel_m == truth.pixel_m


def test_failed_write_leaves_the_old_file(truth, tmp_path):
    path = truth.save(tmp_path / "t.h5")
    before = path.read_bytes()
    broken = replace(truth, probe=np.array([object()]))
    with pytest.raises(TypeError):
        broken.save(path, overwrite=True)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["t.h5"]


def test_truth_needs_its_folder(truth, tmp_path):
    with pytest.raises(InputError, match=r"t\.h5: cannot be written .*Make the folder"):
        truth.save(tmp_path / "none" / "t.h5")


def test_unreadable_truth(tmp_path):
    with pytest.raises(InputError, match=r"none\.h5: cannot be read .*Check the name"):
        Truth.load(tmp_path / "none.h5")
    (tmp_path / "text.h5").write_text("not HDF5")
    with pytest.raises(InputError, match=r"text\.h5: cannot be read"):
        Truth.load(tmp_path / "text.h5")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["object"] = np.ones((3, 3))
    with pytest.raises(InputError, match=r"other\.h5: no dataset /pixel; .*not the scan"):
        Truth.load(tmp_path / "other.h5")


# --- wrong input


def test_object_too_small(rng):
    far = np.array([[0.0, 0.0], [30.0, -24.0]]) * PIXEL
    with pytest.raises(InputError, match=r"object: an object of \(90, 90\) pixels; expected 9 more rows and 3 more"):
        simulate(_empty(), _gaussian(), far, GEOMETRY, PERFECT)


def test_probe_on_another_grid():
    with pytest.raises(InputError, match=r"probe: probe of 24 x 24 .*oversampling x frame size"):
        simulate(_empty(), _gaussian(n=24), HERE, GEOMETRY, PERFECT)


def test_oblong_frames():
    oblong = replace(GEOMETRY, frame_shape=(24, 20))
    with pytest.raises(InputError, match=r"geometry of the simulation: frames of 24 x 20 .*crop them"):
        simulate(_empty(), _gaussian(), HERE, oblong, PERFECT)


def test_beam_off_the_far_field():
    with pytest.raises(InputError, match=r"centre_offset_px: beam \(13.0, 0.0\) px .*within ±12 px"):
        simulate(_empty(), _gaussian(), HERE, GEOMETRY, replace(PERFECT, centre_offset_px=(13.0, 0.0)))


def test_probe_without_power():
    with pytest.raises(InputError, match=r"probe: the probe has no power .*coarser zone plate"):
        simulate(_empty(), 0 * _gaussian(), HERE, GEOMETRY, PERFECT)


@pytest.mark.parametrize("positions", [np.full((3, 2), np.nan), np.zeros((3, 3)), np.zeros((0, 2))])
def test_positions_that_are_none(positions):
    with pytest.raises(InputError, match=r"positions of the simulation: .*Correct the list"):
        diffraction_patterns(_empty(), _gaussian(), positions, GEOMETRY)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("photons_per_frame", 0.0),
        ("photons_per_frame", float("nan")),
        ("counts_per_photon", -1.0),
        ("read_noise", -0.1),
        ("dark_frames", -1),
        ("saturation", 0.0),
        ("position_jitter_m", float("inf")),
    ],
)
def test_impossible_measurement(name, value):
    with pytest.raises(InputError, match=rf"{name}: .*; expected a finite number .*Correct {name}"):
        replace(PERFECT, **{name: value})
