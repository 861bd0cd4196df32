import itertools

import numpy as np
import pytest
from scipy import fft

from recon.ring_curve import (
    RingCurve,
    bit_threshold,
    correlate_rings,
    first_crossing,
    half_bit_threshold,
    hann,
    one_bit_threshold,
    to_reference,
)

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


# van Heel & Schatz, J. Struct. Biol. 151 (2005) 250, doi 10.1016/j.jsb.2005.05.009: the curves with the published,
# rounded constants, and a few values of them.
PUBLISHED = {
    half_bit_threshold: ((0.2071, 1.9102, 1.2071, 0.9102), {4: 0.69919, 25: 0.42411, 100: 0.30669, 900: 0.21882}),
    one_bit_threshold: ((0.5, 2.4142, 1.5, 1.4142), {4: 0.77346, 25: 0.55128, 100: 0.45169, 900: 0.37519}),
}


@pytest.mark.parametrize("curve", PUBLISHED)
def test_thresholds_are_the_published_curves(curve):
    (a, b, c, d), table = PUBLISHED[curve]
    n = np.array([1, 4, 16, 25, 100, 400, 900, 10_000, 1e12])
    root = np.sqrt(n)
    assert curve(n) == pytest.approx((a + b / root) / (c + d / root), rel=1e-4)
    for samples, value in table.items():
        assert curve(samples) == pytest.approx(value, abs=6e-6)


def test_thresholds_tend_to_the_correlation_of_their_own_signal_to_noise():
    # F = s / (1 + s) for s in each image; half a bit: s = (sqrt 2 - 1)/2, one bit: s = 1/2 (same paper).
    assert half_bit_threshold(1e16) == pytest.approx(3 - 2 * np.sqrt(2), rel=1e-6)  # 0.171573
    assert one_bit_threshold(1e16) == pytest.approx(1 / 3, rel=1e-6)
    assert bit_threshold(4.0, 1e16) == pytest.approx(0.8, rel=1e-6)


def test_rings_against_a_direct_sum(rng):
    # Ring by ring with loops, odd by even array, pixel 2 x 1: step 1/min(9 x 2, 14 x 1), last whole ring below
    # the Nyquist frequency 1/4 of the coarser axis.
    a, b = white(rng, shape=(9, 14)), white(rng, shape=(9, 14))
    window = rng.uniform(0.5, 1, (9, 14))
    y, x = np.indices((9, 14))
    sums = {}
    centred = [window * (o - (window * o).sum() / window.sum()) for o in (a, b)]
    for p, q in itertools.product(range(-4, 5), range(-7, 7)):
        wave = np.exp(-2j * np.pi * (p * y / 9 + q * x / 14))
        u, v = ((o * wave).sum() for o in centred)
        ring = round(np.hypot(p / 18, q / 14) * 14)
        sums.setdefault(ring, []).append((u * np.conj(v), abs(u) ** 2, abs(v) ** 2))
    curve = correlate_rings(a, b, (2.0, 1.0), window)
    assert curve.frequency_per_m == pytest.approx(np.arange(4) / 14)
    for ring in range(1, 4):
        cross, power_a, power_b = np.sum(sums[ring], axis=0)
        assert curve.frc[ring] == pytest.approx(cross.real / np.sqrt(power_a * power_b).real, abs=1e-12)
        assert curve.ring_pixels[ring] == len(sums[ring])


@pytest.mark.parametrize("axis", [0, 1])
def test_a_wave_of_one_period_falls_on_one_frequency_whatever_the_pixel(rng, axis):
    # 8 m on pixels of (1.0, 0.5) m along either axis: 1/8 per metre.
    pixel = (1.0, 0.5)
    at = np.indices((128, 256))[axis] * pixel[axis]
    a, b = (np.exp(2j * np.pi * at / 8) + 0.3 * white(rng, shape=(128, 256)) for _ in range(2))
    curve = correlate_rings(a, b, pixel)
    assert curve.frequency_per_m[np.argmax(curve.frc)] == pytest.approx(1 / 8)
    assert curve.frequency_per_m[-1] <= 0.5
    assert curve.frc.max() > 0.9


@pytest.mark.parametrize(("kind", "per_pixel"), [(float, 1.0), (complex, 2.0)])
@pytest.mark.parametrize("windowed", [False, True])
def test_unrelated_images_scatter_as_the_effective_samples_say(rng, kind, per_pixel, windowed):
    # Without a window the variance of F is 1/n for real images (n/2 independent complex values, each twice) and
    # 1/(2n) for complex ones: the real part of a mean of n unit phasor products.
    window = hann((128, 128)) if windowed else None
    scores = []
    for _ in range(60):
        curve = correlate_rings(*(white(rng, kind, (128, 128)) for _ in range(2)), 1.0, window)
        scores.append(curve.frc / curve.noise_band)
    assert np.std(np.array(scores)[:, 4:]) == pytest.approx(1, rel=0.03)
    assert abs(np.mean(np.array(scores)[:, 4:])) < 0.05
    if not windowed:
        assert curve.effective_samples == pytest.approx(per_pixel * curve.ring_pixels)


def test_a_hann_window_leaves_about_half_of_the_samples_of_thin_rings():
    # 0.538 for rings of one pixel in 256 x 256: simulated variance of noise, an independent program. And the
    # limit of thick areas, (sum w^2)^2 / (N sum w^4) = (18/35)^2, from the window's moments (3/8 and 35/128).
    images = np.random.default_rng(1).standard_normal((2, N, N))
    curve = correlate_rings(*images, 1.0, hann((N, N)))
    share = (curve.effective_samples / curve.ring_pixels)[10:]
    assert np.average(share, weights=curve.ring_pixels[10:]) == pytest.approx(0.538, rel=0.06)
    w = hann((N, N))
    assert (w**2).sum() ** 2 / (w.size * (w**4).sum()) == pytest.approx((18 / 35) ** 2, rel=1e-6)
    assert (18 / 35) ** 2 < share.min()


@pytest.mark.parametrize("snr", [0.2071, 0.5, 1.0, 4.0])
@pytest.mark.parametrize("kind", [float, complex])
def test_known_signal_to_noise_gives_the_known_correlation(rng, snr, kind):
    # F = s / (1 + s), s in each image (Frank & Al-Ali, Nature 256 (1975) 376, from memory).
    sums = np.zeros(2)
    for _ in range(8):
        signal = np.sqrt(snr) * white(rng, kind)
        curve = correlate_rings(signal + white(rng, kind), signal + white(rng, kind), 1.0)
        sums += (curve.frc * curve.ring_pixels)[3:].sum(), curve.ring_pixels[3:].sum()
    assert sums[0] / sums[1] == pytest.approx(snr / (1 + snr), rel=0.02)


def test_all_data_against_the_truth_follow_from_the_halves(rng):
    # C = sqrt(2F/(1 + F)): Rosenthal & Henderson, J. Mol. Biol. 333 (2003) 721. F = 1/7 is C = 1/2.
    assert to_reference([-0.1, 0.0, 1 / 7, 1.0]) == pytest.approx([0, 0, 0.5, 1])
    for snr in (0.2, 1.0):
        truth = np.sqrt(snr) * white(rng)
        a, b = (truth + white(rng) for _ in range(2))
        halves, full = correlate_rings(a, b, 1.0), correlate_rings(a + b, truth, 1.0)
        half, whole = (np.average(c.frc[3:], weights=c.ring_pixels[3:]) for c in (halves, full))
        assert to_reference(half) == pytest.approx(whole, rel=0.02)


# Signal 100 exp(-(k/30)^2) and unit noise on 256 x 256: s/(1 + s) crosses the thresholds at these rings (solved
# for k; the bit curves with all pixels of a ring as n).
GAUSSIAN = {"0.5": 64.379, "1/7": 75.876, "half-bit": 72.13, "1-bit": 67.33}


def gaussian_pair(rng):
    signal = coloured(rng, 10 * np.exp(-((radius() / 30) ** 2) / 2))
    return signal + white(rng, float), signal + white(rng, float)


def test_a_known_spectrum_crosses_where_it_should(rng):
    found = {name: [] for name in GAUSSIAN}
    curves = []
    for _ in range(24):
        curve = correlate_rings(*gaussian_pair(rng), 1 / N)  # frequency in rings
        curves.append(curve.frc)
        levels = {"0.5": 0.5, "1/7": 1 / 7, "half-bit": curve.half_bit, "1-bit": curve.one_bit}
        for name, level in levels.items():
            level = np.broadcast_to(level, curve.frc.shape)
            found[name].append(first_crossing(name, curve, level, curve.frequency_per_m > 2).frequency_per_m)
    snr = 100 * np.exp(-((np.arange(N // 2) / 30) ** 2))
    # 24 curves: standard deviation at most 1/sqrt(24 n), n > 6 k.
    assert np.abs(np.mean(curves, axis=0) - snr / (1 + snr))[8:].max() < 0.04
    for name, ring in GAUSSIAN.items():
        # One pair scatters by 0.8 to 1.4 rings.
        assert np.mean(found[name]) == pytest.approx(ring, abs=1.0), name
        assert np.abs(np.subtract(found[name], ring)).max() < 5, name


def curve_of(frc):
    frc = np.asarray(frc, float)
    n = np.full(frc.size, 1000)
    return RingCurve(10.0 * np.arange(frc.size), frc, n, 2.0 * n)


CROSSINGS = [
    ([1, 1, 0.9, 0.7, 0.3, 0.1, 0.6], [], "crossed", 35.0),
    ([1, 1, 0.4, 0.9, 0.6, 0.2, 0.1], [], "crossed", 42.5),  # one ring alone is no crossing
    ([1, 1, 0.9, 0.9, 0.7, 0.6, 0.4], [], "crossed", 55.0),  # except the last
    ([1, 1, 0.9, 0.9, 0.7, 0.6, 0.5], [], "not crossed", None),
    ([1, 0.9, 0.3, 0.4, 0.3, 0.1, 0.1], [], "below from the start", None),  # ring 0 takes no part
    ([1, 0.4, 0.3, 0.9, 0.9, 0.9, 0.9], [], "below from the start", None),
    ([1, 1, 0.9, 0.9, 0.1, 0.3, 0.2], [4], "crossed", 30 + 20 * 0.4 / 0.6),
    ([1, 1, 0.9, 0.1, 0.1, 0.9, 0.9], [3, 4], "not crossed", None),
    ([1, 1, 0.7, 0.9, 0.9, 0.3, 0.3], [3, 4], "crossed", 35.0),  # a shared artefact does not carry it on
]


@pytest.mark.parametrize(("frc", "left_out", "status", "at"), CROSSINGS)
def test_first_crossing_of_small_curves(frc, left_out, status, at):
    usable = np.arange(len(frc)) > 0
    usable[left_out] = False
    found = first_crossing("0.5", curve_of(frc), np.full(len(frc), 0.5), usable)
    assert found.status == status
    assert found.frequency_per_m == (None if at is None else pytest.approx(at))


def test_texts_give_half_and_full_period():
    crossing = first_crossing("0.5", curve_of([1, 1, 0.7, 0.3, 0.3]), np.full(5, 0.5), np.ones(5, bool))
    assert str(crossing) == "0.5: half period 20000000.0 nm, full period 40000000.0 nm"
