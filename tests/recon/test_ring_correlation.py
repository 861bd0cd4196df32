import itertools

import numpy as np
import pytest
from scipy import fft, special

from recon.ring_correlation import (
    largest_rectangle,
    lattice_periods,
    raster_period,
    ring_correlation,
)
from recon.ring_curve import correlate_rings, hann
from scans.errors import InputError

N = 256


def white(rng, kind=complex, shape=(N, N)):
    """White noise of unit variance."""
    if kind is float:
        return rng.standard_normal(shape)
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def radius(n=N):
    return np.hypot(fft.fftfreq(n)[:, None], fft.fftfreq(n)) * n


def coloured(rng, amplitude):
    """Real image with the given amplitude of each frequency, periodic."""
    return fft.ifft2(fft.fft2(rng.standard_normal(amplitude.shape)) * amplitude).real


def moved(image, shift_px):
    """A periodic image moved by d: image(r + d)."""
    fy, fx = (fft.fftfreq(n) for n in image.shape)
    return fft.ifft2(fft.fft2(image) * np.exp(2j * np.pi * (fy[:, None] * shift_px[0] + fx * shift_px[1])))


def disc(n, r):
    y, x = np.indices((n, n)) - (n - 1) / 2
    return (np.hypot(y, x) < r).astype(float)


# Signal 100 exp(-(k/30)^2) and unit noise on 256 x 256: s/(1 + s) crosses the thresholds at these rings (solved
# for k; the bit curves with all pixels of a ring as n).
GAUSSIAN = {"0.5": 64.379, "1/7": 75.876, "half-bit": 72.13, "1-bit": 67.33}


def gaussian_pair(rng):
    signal = coloured(rng, 10 * np.exp(-((radius() / 30) ** 2) / 2))
    return signal + white(rng, float), signal + white(rng, float)


@pytest.mark.slow
def test_registration_window_and_crop_keep_the_crossings(rng):
    results = []
    for _ in range(6):
        a, b = gaussian_pair(rng)
        results.append(ring_correlation(a, 0.3 * moved(b, (-4.6, 7.3)).real, 1 / N))
        assert np.abs(np.subtract(results[-1].match.shift_px, (4.6, -7.3))).max() < 0.03
    assert list(results[0].crossings) == ["1/7", "half-bit", "1-bit", "0.5"]
    for name, ring in GAUSSIAN.items():
        # One pair scatters by 1.2 to 1.9 rings under the window, which also lifts the bit curves by 0.03 (a ring).
        mean = np.mean([r.crossings[name].frequency_per_m for r in results])
        assert mean == pytest.approx(ring, abs=2.5), name
    first = results[0].crossings["1/7"]
    assert first.full_period_m == pytest.approx(1 / first.frequency_per_m)
    assert first.half_period_m == pytest.approx(0.5 / first.frequency_per_m)


@pytest.mark.parametrize("shift", [0.25, 0.5, 1.0])
def test_misregistration_costs_a_bessel_function_until_it_is_removed(rng, shift):
    # The mean of exp(2 pi i k.d) over a ring is J0(2 pi k d): ring 50 of 256 -> 0.9766, 0.9081, 0.6575.
    expected = special.j0(2 * np.pi * 50 / N * shift)
    # Random phases, but the same power all round a ring: the mean is free of chance.
    spectrum = fft.fft2(rng.standard_normal((N, N)))
    image = fft.ifft2(spectrum / np.abs(spectrum) / (1 + radius() / 20)).real
    pair = image, moved(image, (0.6 * shift, 0.8 * shift)).real
    assert correlate_rings(*pair, 1.0).frc[50] == pytest.approx(expected, rel=0.01)
    # J0(x) = 1 - x^2/4: a shift left over of a hundredth of a pixel would show as 0.9997 near the band edge.
    assert ring_correlation(*pair, 1.0).frc[3:120].min() > 0.998


def complex_pair(rng, n=160, noise=0.5):
    """Two noisy views of one lit disc, with their own ramps, scale, shift and garbage around."""
    scene = 1 + 0.5 * (coloured(rng, np.exp(-((radius(n) / 25) ** 2) / 2)) * (1 + 1j) * 5)
    shift, lit = (3.4, -2.7), disc(n, 66)
    a, b = scene + noise * white(rng, shape=(n, n)), moved(scene, shift) + noise * white(rng, shape=(n, n))
    plain = a, moved(b, (-3.4, 2.7))
    y, x = np.indices((n, n))
    a = a * np.exp(2j * np.pi * (0.06 * y - 0.05 * x))
    b = 0.4j * b * np.exp(2j * np.pi * (-0.03 * y + 0.09 * x))
    garbage = [np.where(lit > 0, o, 3 * white(rng, shape=(n, n))) for o in (a, b)]
    return *garbage, lit, plain


def test_ramp_scale_shift_and_dark_margins_do_not_change_the_curve(rng):
    a, b, lit, plain = complex_pair(rng)
    found = ring_correlation(a, b, 1e-8, weight=lit)
    n = found.area[0].stop - found.area[0].start
    assert n > 80
    assert all(lit[found.area].ravel())
    reference = correlate_rings(
        plain[0][found.area], plain[1][found.area], 1e-8, hann([s.stop - s.start for s in found.area])
    )
    # One image was interpolated twice for the reference: near the band edge that differs.
    inner = slice(3, int(0.85 * found.frc.size))
    assert np.abs(found.frc - reference.frc)[inner].max() < 0.05
    assert found.frc[3:8].min() > 0.9
    (dy, dx) = found.match.shift_px
    assert (dy, dx) == pytest.approx((-3.4, 2.7), abs=0.05)
    assert found.shift_m == pytest.approx((dy * 1e-8, dx * 1e-8))


@pytest.mark.slow
def test_noise_on_an_offset_inside_a_shared_disc_does_not_correlate(rng):
    n, lit = 128, disc(128, 58)
    naive, found, statuses = [], [], []
    for _ in range(6):
        a, b = (lit * (1 + 0.3 * white(rng, shape=(n, n))) for _ in range(2))
        naive.append(correlate_rings(a, b, 1.0).frc[15:40].mean())  # the mask itself correlates
        curve = ring_correlation(a, b, 1.0, weight=lit)
        statuses += [crossing.status for crossing in curve.crossings.values()]
        found.append((curve.frc / curve.noise_band)[4:].mean() * np.sqrt(curve.frc.size - 4))
    assert np.mean(naive) > 0.2
    assert np.abs(np.mean(found)) < 3 / np.sqrt(6) + 0.5  # registration picks the best of many: a slight bias
    assert set(statuses) == {"below from the start"}
    assert curve.crossings["half-bit"].half_period_m is None
    assert ("serious", "nothing in common") in [(f.level, f.code) for f in curve.findings]


def test_what_never_crosses_has_no_resolution(rng):
    a, *_ = complex_pair(rng)
    found = ring_correlation(a, a + 0.01 * white(rng, shape=a.shape), 1e-8)
    for crossing in found.crossings.values():
        assert crossing.status == "not crossed"
        assert crossing.frequency_per_m is None
        assert crossing.half_period_m is None
        assert crossing.full_period_m is None
        assert "not crossed" in str(crossing)
    assert "shared data" in [f.code for f in found.findings]
    assert "shared data" not in [f.code for f in ring_correlation(*gaussian_pair(rng), 1e-8).findings]


def test_rings_of_a_position_lattice_take_no_part_and_are_reported(rng):
    a, b = gaussian_pair(rng)
    # Orders of a period of 25.6 pixels: every 10 rings of 256.
    found = ring_correlation(a, b, 1e-8, lattice_m=[25.6e-8])
    rings = found.frc.size
    assert found.area[0].stop - found.area[0].start in (255, 256)
    expected = [k for k in range(rings) if k < 3 or (k > 5 and abs(k - 10 * round(k / 10)) <= 1)]
    assert list(np.flatnonzero(found.left_out)) == expected
    caution = [f for f in found.findings if f.code == "position lattice"]
    assert [f.level for f in caution] == ["caution"]
    assert "256 nm" in caution[0].text
    assert "jitter" in caution[0].fix
    # A lattice so wide that its orders leave nothing between them cannot be left out.
    wide = ring_correlation(a, b, 1e-8, lattice_m=[60e-8])
    assert [f.level for f in wide.findings if f.code == "position lattice"] == ["serious"]
    assert wide.left_out.sum() == 3


def grid(rows, columns, step_y, step_x):
    y, x = np.indices((rows, columns))
    return np.stack([y.ravel() * step_y, x.ravel() * step_x], axis=1)


def turn(points, angle):
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, -s], [s, c]])


LATTICES = {
    "raster": (grid(12, 15, 4e-7, 4e-7), (4e-7, 4e-7)),
    "turned": (turn(grid(12, 15, 4e-7, 4e-7), 0.3), (4e-7, 4e-7)),
    "unequal steps": (turn(grid(15, 40, 4e-7, 1e-7), -0.1), (4e-7, 1e-7)),
    "centred elsewhere": (grid(20, 20, 3e-7, 3e-7) - 5e-3, (3e-7, 3e-7)),
}


@pytest.mark.parametrize("name", LATTICES)
def test_lattices_are_found(name):
    points, periods = LATTICES[name]
    assert lattice_periods(points) == pytest.approx(periods, rel=1e-6)
    assert raster_period(points) == pytest.approx(periods[0], rel=1e-6)


def test_rows_of_a_hexagonal_lattice_count_not_its_neighbours():
    # Shortest reciprocal vector of a triangular lattice of side a: 2 / (sqrt 3 a) (any crystallography text).
    points = grid(20, 20, np.sqrt(3) / 2, 1.0)
    points[:, 1] += 0.5 * (np.arange(400) // 20 % 2)
    assert lattice_periods(points) == pytest.approx([np.sqrt(3) / 2] * 2, rel=1e-6)


def test_order_in_one_direction_is_one_period(rng):
    points = grid(20, 20, 1.0, 1.0)
    points[:, 1] = rng.uniform(0, 20, 400)
    assert lattice_periods(points) == pytest.approx([1.0], rel=1e-6)


@pytest.mark.parametrize(("jitter", "is_lattice"), [(0.05, True), (0.2, False), (0.3, False)])
def test_jitter_breaks_the_lattice_where_it_is_enough(rng, jitter, is_lattice):
    # Stage errors of 5 % of the step leave a raster a raster; 10 to 20 % are common practice against it.
    for _ in range(5):
        points = grid(20, 20, 1.0, 1.0) + rng.uniform(-jitter, jitter, (400, 2))
        assert (raster_period(points) is not None) == is_lattice


@pytest.mark.parametrize("count", [60, 300, 2000])
def test_spirals_and_random_points_are_no_lattice(rng, count):
    k = np.arange(count)
    angle = k * np.pi * (3 - np.sqrt(5))  # the golden angle
    spiral = np.sqrt(k)[:, None] * np.stack([np.sin(angle), np.cos(angle)], axis=1)
    assert raster_period(spiral) is None
    assert raster_period(rng.uniform(0, 1, (count, 2))) is None


def test_too_few_positions_are_no_lattice():
    assert raster_period(grid(2, 3, 1.0, 1.0)) is None
    assert raster_period(np.zeros((20, 2))) is None


def test_largest_rectangle_against_all_rectangles(rng):
    for _ in range(40):
        mask = rng.uniform(size=(6, 7)) < 0.75
        areas = [
            (y1 - y0) * (x1 - x0)
            for y0, y1 in itertools.combinations(range(7), 2)
            for x0, x1 in itertools.combinations(range(8), 2)
            if mask[y0:y1, x0:x1].all()
        ]
        rows, columns = largest_rectangle(mask)
        assert mask[rows, columns].all()
        assert mask[rows, columns].size == max(areas, default=0)


def test_largest_rectangle_of_a_wide_mask_lies_inside():
    mask = np.zeros((1300, 900), bool)
    mask[101:1203, 52:777] = True
    rows, columns = largest_rectangle(mask)
    assert mask[rows, columns].all()
    assert mask[rows, columns].size > 0.99 * mask.sum()


def test_few_rings_are_reported(rng):
    a = 1 + 0.3 * white(rng, shape=(32, 32))
    found = ring_correlation(a, a + 0.01 * white(rng, shape=(32, 32)), 1e-8)
    assert "few rings" in [f.code for f in found.findings]
    assert "rings" in str(found)


def test_bad_input_is_named(rng):
    a = 1 + white(rng, shape=(64, 64))
    for pixel in (0.0, -1e-8, np.nan, (1e-8, 0.0)):
        with pytest.raises(InputError, match=r"pixel size: .*Give the object pixel size"):
            ring_correlation(a, a, pixel)
    with pytest.raises(InputError, match=r"one image is real, the other complex.*same quantity"):
        ring_correlation(a, a.real, 1e-8)
    thin = np.zeros((64, 64))
    thin[:, 20:38] = 1  # 18 pixels, 3 of each side faded
    with pytest.raises(InputError, match=r"largest common lit rectangle of 64 x 12 pixels.*larger ones"):
        ring_correlation(a, a, 1e-8, weight=thin)
