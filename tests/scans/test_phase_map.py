"""Integration of a scattered gradient against phases whose gradient is known in closed form."""

import numpy as np
import pytest

from scans.phase_map import integrate_gradient


@pytest.fixture
def positions(rng):
    return rng.uniform(-1e-6, 1e-6, (300, 2))


def test_a_quadratic_phase_comes_back_exactly(positions):
    # trapezium rule: exact for quadratics
    y, x = positions.T
    phase = 3e12 * y**2 - 1e12 * x * y + 2e6 * x
    gradient = np.stack([6e12 * y - 1e12 * x, -1e12 * y + 2e6], axis=1)
    found = integrate_gradient(positions, gradient)
    np.testing.assert_allclose(found, phase - phase.mean(), atol=1e-9)


def test_a_wave_to_the_order_of_the_rule(positions):
    k = 2 * np.pi / 2e-6
    y, x = positions.T
    phase = np.sin(k * x) * np.cos(0.7 * k * y)
    gradient = np.stack(
        [-0.7 * k * np.sin(k * x) * np.sin(0.7 * k * y), k * np.cos(k * x) * np.cos(0.7 * k * y)], axis=1
    )
    found = integrate_gradient(positions, gradient)
    assert np.corrcoef(found, phase)[0, 1] > 0.998
    assert np.std(found - phase) < 0.05 * np.std(phase)


def test_curl_is_left_out(positions):
    y, x = positions.T
    rotation = 4e12 * np.stack([-x, y * 0], axis=1)  # curl 4e12, and the part of a saddle -2e12 x y
    found = integrate_gradient(positions, rotation)
    saddle = -2e12 * x * y
    assert np.corrcoef(found, saddle)[0, 1] > 0.9


def test_frames_without_counts_and_repeats(positions):
    positions = np.concatenate([positions, positions[:5]])
    gradient = np.tile([1e6, 0.0], (305, 1))
    gradient[7] = np.nan
    found = integrate_gradient(positions, gradient)
    assert np.isnan(found[7])
    assert np.isnan(found).sum() == 1
    np.testing.assert_array_equal(found[300:], found[:5])


@pytest.mark.parametrize("points", [np.zeros((10, 2)), np.stack([np.arange(10.0), np.zeros(10)], axis=1), np.eye(2)])
def test_no_area_no_phase(points):
    assert np.isnan(integrate_gradient(points, np.ones(points.shape))).all()
