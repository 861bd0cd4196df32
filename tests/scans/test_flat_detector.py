"""A flat detector's geometry against direct ray tracing, and its remap against a known far field."""

import math

import numpy as np
import pytest

from scans.flat_detector import FlatRemap, corner_distance_px, distortion_px


@pytest.mark.parametrize(("radius", "pixel", "distance"), [(64, 48e-6, 0.032), (512, 55e-6, 0.1), (10, 20e-6, 1.0)])
def test_distortion_is_that_of_a_ray(radius, pixel, distance):
    # elementary geometry: the ray at angle θ meets the plane at z tan θ, its frequency is sin θ / λ
    angle = math.atan2(radius * pixel, distance)
    assert distortion_px(radius, pixel, distance) == pytest.approx(radius - math.sin(angle) * distance / pixel)


def test_corner():
    assert corner_distance_px((0, 0), (4, 5)) == 5
    assert corner_distance_px((3.5, 10), (8, 12)) == pytest.approx(math.hypot(3.5, 10))


def flat_picture(density, shape, centre, pixel, distance, fine=5):
    """Counts of each pixel of a flat detector, by summing rays on a fine grid: `density` is per sin²."""
    step = (np.arange(fine) + 0.5) / fine - 0.5
    y = (np.arange(shape[0])[:, None] + step).ravel() - centre[0]
    x = (np.arange(shape[1])[:, None] + step).ravel() - centre[1]
    dy, dx = np.meshgrid(y * pixel, x * pixel, indexing="ij")
    r = np.sqrt(dy**2 + dx**2 + distance**2)
    # d(sin_y) d(sin_x) = (z² / r⁴) dy dx
    counts = density(dy / r, dx / r) * distance**2 / r**4 * (pixel / fine) ** 2
    return counts.reshape(shape[0], fine, shape[1], fine).sum(axis=(1, 3))


def test_remap_gives_the_even_grid_of_frequencies():
    shape, centre, pixel, distance = (96, 80), (47.3, 40.6), 100e-6, 0.02

    def density(sy, sx):
        return 1e9 * (1 + 0.6 * np.cos(60 * sy + 20 * sx) + 0.3 * np.sin(45 * sx)) * np.exp(-((sy**2 + sx**2) / 0.08))

    counts = flat_picture(density, shape, centre, pixel, distance)
    u = [(np.arange(n) - c) * pixel / distance for n, c in zip(shape, centre, strict=True)]
    expected = density(u[0][:, None], u[1][None, :]) * (pixel / distance) ** 2
    remap = FlatRemap.plan(shape, centre, (pixel, pixel), distance)
    found = remap.counts(counts[None].astype(np.float32))[0] / remap.response
    use = remap.good(np.ones(shape, bool))
    assert use.mean() > 0.8
    error = np.abs(found - expected)[use].max() / expected.max()
    before = np.abs(counts - expected)[use].max() / expected.max()
    # linear interpolation of this picture is good to about 1 %; without the remap 8 % of the maximum is wrong
    assert error < 0.012 < 0.07 < before


def test_the_beam_stays_and_bad_pixels_spread_to_what_they_touch():
    remap = FlatRemap.plan((64, 64), (32.0, 32.0), (200e-6, 200e-6), 0.02)
    frames = np.zeros((1, 64, 64), np.float32)
    frames[0, 32, 32] = 7
    out = remap.counts(frames)
    assert out[0, 32, 32] == 7
    assert out.sum() == 7
    flags = np.ones((64, 64), bool)
    flags[50, 20] = False
    bad = ~remap.good(flags) & remap.inside
    assert 1 <= bad.sum() <= 6
    # all of them lie inwards of the bad pixel, by the distortion there
    y, x = np.argwhere(bad).mean(axis=0)
    wanted = 32 + np.array([18, -12]) / math.sqrt(1 + (18**2 + 12**2) * 0.01**2)
    np.testing.assert_allclose([y, x], wanted, atol=0.8)


def test_noise_stays_that_of_photons():
    rng = np.random.default_rng(3)
    remap = FlatRemap.plan((64, 64), (31.5, 31.5), (100e-6, 100e-6), 0.03)
    frames = rng.poisson(50.0, (400, 64, 64)).astype(np.float32)
    out = remap.counts(frames)
    use = remap.good(np.ones((64, 64), bool))
    ratio = out.var(axis=0)[use] / out.mean(axis=0)[use]
    assert ratio.max() < 1.3  # sampling error of a variance of 400: 7 %
    assert out.mean(axis=0)[use].mean() == pytest.approx(50, rel=2e-3)
