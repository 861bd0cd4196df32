"""The ring filter against the analytic Wiener optimum, and what it has to leave alone."""

from dataclasses import replace

import numpy as np
import pytest
from helpers_core import noise, relative, smooth_object
from scipy import fft

from recon.registration import remove_ramp
from recon.ring_correlation import FIRST_RING, ring_correlation
from recon.ring_curve import correlate_rings, hann
from recon.ring_filter import filter_by_rings, ring_gain, ring_wiener
from recon.shift_fit import phasor
from scans.errors import InputError

N = 128
PIXEL = 1e-8
EVEN = np.ones((N, N))


def radius(n=N):
    return np.hypot(fft.fftfreq(n)[:, None], fft.fftfreq(n))


def spectrum(strength, width=0.09):
    """Power of the signal at each frequency, over that of the noise of all data."""
    return strength * np.exp(-((radius() / width) ** 2))


def scene(rng, power, *, real=False, light=1.0):
    """Truth of a known spectrum around 1; images of all data, with noise of variance 1/light, and of both halves."""

    def white():
        return rng.normal(size=(N, N)) if real else noise(rng, N, N)

    truth = 100 + fft.ifft2(fft.fft2(white()) * np.sqrt(power))
    truth = truth.real if real else truth
    errors = [white() * np.sqrt(2 / light) for _ in range(2)]
    return truth, truth + (errors[0] + errors[1]) / 2, truth + errors[0], truth + errors[1]


def inner_error(found, truth, border=16):
    """Mean square error away from the edge, where no stationary filter has all of its neighbours."""
    inside = slice(border, -border)
    return float((np.abs(found - truth)[inside, inside] ** 2).mean())


@pytest.fixture(scope="module")
def base():
    """A correlation of even images, to put other curves into: registering each pair would take long."""
    return ring_correlation(*scene(np.random.default_rng(1), spectrum(30))[2:], PIXEL)


def rings_of(base, a, b):
    """Correlation of halves that need no registration."""
    return replace(base, frc=correlate_rings(a, b, PIXEL, hann((N, N))).frc)


@pytest.mark.parametrize("real", [False, True])
@pytest.mark.parametrize(("strength", "most"), [(3, 1.15), (30, 1.05), (1000, 1.02)])
def test_error_is_near_the_wiener_optimum(rng, base, strength, most, real):
    # Least mean square error of a linear filter of stationary signal S and noise 1: the mean over all frequencies of
    # S/(S + 1), with the gain S/(S + 1) (Wiener 1949). Noise alone: 1.
    gain = spectrum(strength) / (spectrum(strength) + 1)
    errors = []
    for _ in range(8):
        truth, whole, *halves = scene(rng, spectrum(strength), real=real)
        found = filter_by_rings(whole, EVEN, rings_of(base, *halves)).image
        ideal = 100 + fft.ifft2(fft.fft2(whole - 100) * gain)
        errors.append([inner_error(one, truth) for one in (whole, found, ideal)])
    before, after, optimum = np.mean(errors, axis=0)
    assert before == pytest.approx(1, rel=0.03)
    assert optimum == pytest.approx(gain.mean(), rel=0.06)  # the reference itself is right
    # Of 30 images each: 1.06, 1.02, 1.01 (complex) and 1.07, 1.03, 1.01 (real), scatter of one image .04, .02, .01
    assert 0.98 < after / optimum < most
    assert after < 0.25 * before


def test_gain_is_the_wiener_factor_and_not_its_root(rng, base):
    power = spectrum(30)
    gains = [ring_gain(rings_of(base, *scene(rng, power)[2:])) for _ in range(12)]
    k = np.arange(len(gains[0])) / N
    signal = 30 * np.exp(-((k / 0.09) ** 2))
    expected = signal / (1 + signal)
    found = np.mean(gains, axis=0)
    assert np.abs(found - expected)[FIRST_RING:].max() < 0.12  # low by a standard error where it falls
    assert np.abs(found - np.sqrt(expected)).max() > 0.2
    assert found[k > 0.3].max() < 0.03
    for gain in gains:
        assert (gain[:FIRST_RING] == 1).all()
        assert (np.diff(gain) < 1e-12).all()
        assert gain.min() >= 0


def test_an_image_without_noise_is_left_alone(rng):
    truth = smooth_object(rng, (N, N - 20)) * phasor((N, N - 20), (0.01, -0.02))
    light = np.minimum(*np.ogrid[1 : N + 1, 1 : N - 19]).astype(float)
    done = ring_wiener(truth, truth, truth, light, PIXEL)
    assert done.used
    assert relative(done.image, truth) < 1e-9


def test_ramp_scale_and_mean_of_the_image_do_not_matter(rng, base):
    truth, whole, a, b = scene(rng, spectrum(30))
    rings = rings_of(base, a, b)
    plain = filter_by_rings(whole, EVEN, rings).image
    assert plain.mean() == pytest.approx(whole.mean(), rel=1e-4)
    # the same ramp on top of a flat image: the filter has to follow it
    flat = remove_ramp(whole)[0]
    expected = filter_by_rings(flat, EVEN, rings).image
    turn = (0.3 - 0.7j) * phasor((N, N), (0.031, -0.017))
    assert relative(filter_by_rings(flat * turn, EVEN, rings).image, expected * turn) < 1e-6
    # and halves with ramps, scales and a shift of their own change nothing
    moved = np.roll(b, (3, -2), (0, 1)) * phasor((N, N), (-0.02, 0.01)) * 0.5j
    again = ring_wiener(whole, a, moved, EVEN, PIXEL).image
    assert inner_error(again, truth) < 1.05 * inner_error(plain, truth)


def test_light_and_dark_margin(rng):
    # Noise of variance 1/illumination: the margin gets better too, and what has no light stays.
    y, x = np.mgrid[:N, :N] - N / 2
    light = np.clip((62 - np.hypot(y, x)) / 24, 0, 1) ** 2
    truth, whole, *halves = scene(rng, spectrum(3), light=np.maximum(light, 1e-4))
    whole[0, 0] = np.nan
    done = ring_wiener(whole, *halves, light, PIXEL)

    def error(image, where):
        return float((np.abs(image - truth)[where] ** 2).mean())

    dark = light < 0.03
    assert np.array_equal(done.image[dark], whole[dark], equal_nan=True)
    for low, high, factor in ((0.06, 0.1, 0.35), (0.1, 0.3, 0.3), (0.3, 1, 0.3), (0.99, 2, 0.3)):
        ring = (light >= low) & (light < high)
        assert error(done.image, ring) < factor * error(whole, ring), (low, high)


def test_a_slow_wave_passes_whatever_the_illumination(base):
    # Its gain is that of its frequency everywhere: neither the fall of the light nor the edge of the image (where a
    # kernel that is not normalised would miss half of its neighbours) may dim it.
    y, x = np.mgrid[:N, :N]
    wave = np.exp(2j * np.pi * y / 64) + 5
    light = np.exp(-((x / 45) ** 2)) * np.where(x % 7 == 0, 0.5, 1)
    image = filter_by_rings(wave, light, base).image
    change = np.abs(image - wave)  # the wave lies in ring 2, which stays
    assert change[16:-16, :50].max() < 0.04  # measured 0.020
    assert change.max() < 0.16  # measured 0.079, in the corners


def test_low_inner_rings_do_not_pull_the_others_down(base):
    # Rings 0 to 2 without correlation, and 3 and 4 low: a running minimum would leave nothing beyond.
    frc = np.r_[-0.5, 0.1, 0.2, 0.4, 0.5, np.full(20, 0.95), np.linspace(0.95, 0, 20), np.zeros(base.frc.size - 45)]
    gain = ring_gain(replace(base, frc=frc))
    assert (gain[:3] == 1).all()
    assert gain[8:23].min() > 0.93  # 2F/(1 + F) = .974, less a standard error and the two rings
    assert gain[50:].max() < 0.01


def test_rings_of_a_position_lattice_are_filled_from_their_neighbours(base):
    frc = np.r_[np.ones(10), np.linspace(1, 0, 30), np.zeros(base.frc.size - 40)]
    expected = ring_gain(replace(base, frc=frc))
    at = np.r_[25:28, 50:53]
    with_lattice, left_out = frc.copy(), base.left_out.copy()
    with_lattice[at] = 1.0  # shared artefact
    left_out[at] = True
    assert ring_gain(replace(base, frc=with_lattice, left_out=left_out)) == pytest.approx(expected, abs=0.03)
    assert ring_gain(replace(base, frc=with_lattice))[45] > 0.1  # what they would do if they took part


def test_halves_with_nothing_in_common_leave_the_image_as_it_is(rng):
    whole, a, b = noise(rng, N, N), noise(rng, N, N), noise(rng, N, N)
    done = ring_wiener(whole, a, b, EVEN, PIXEL)
    assert not done.used
    assert (done.gain == 1).all()
    assert relative(done.image, whole) < 1e-12


@pytest.mark.parametrize("dtype", [np.complex64, np.complex128, np.float32, np.float64])
def test_precision_and_kind_are_kept(rng, base, dtype):
    image = scene(rng, spectrum(30), real=np.dtype(dtype).kind == "f")[1].astype(dtype)
    before = image.copy()
    assert filter_by_rings(image, EVEN.astype(np.float32), base).image.dtype == dtype
    assert (image == before).all()


@pytest.mark.parametrize(
    ("shapes", "words"),
    [(((N, N), (N, N), (N, N), (N, N - 1)), ["(128, 127)", "one grid"]), (((2, N, N),) * 4, ["(2, 128, 128)"])],
)
def test_what_does_not_fit_is_refused(shapes, words):
    with pytest.raises(InputError) as caught:
        ring_wiener(*(np.ones(shape, complex) for shape in shapes[:3]), np.ones(shapes[3]), PIXEL)
    assert all(word in str(caught.value) for word in words)
