from __future__ import annotations

import numpy as np
import pytest

from scans.errors import InputError
from scans.flat_field import normalise_flat


def test_dividing_recovers_the_light(rng):
    light = rng.uniform(10, 90, (5, 20, 20))
    response = rng.normal(1.0, 0.05, (20, 20))
    flat = normalise_flat(730 * response, np.ones((20, 20), bool), "x")
    assert np.median(flat.response) == pytest.approx(1, abs=1e-6)
    got = (light * response).astype(np.float32) / flat.response
    # known up to the median of the response
    np.testing.assert_allclose(got, light * np.median(response), rtol=2e-6)


def test_pixels_that_cannot_be_corrected_are_masked():
    flat = np.ones((8, 8))
    flat[0, :5] = [0.19, 5.1, np.nan, 0, np.inf]
    flat[1, :2] = [0.21, 4.9]
    out = normalise_flat(flat, np.ones((8, 8), bool), "x")
    assert np.argwhere(out.bad).tolist() == [[0, k] for k in range(5)]
    np.testing.assert_array_equal(out.response[out.bad], 1)


def test_the_response_is_the_weight(rng):
    """Poisson: var(n / f) = mean(n) / f² = value / f."""
    response = np.array([0.5, 1.0, 2.0])
    values = rng.poisson(40 * response, (40000, 3)) / response
    np.testing.assert_allclose(values.mean(axis=0), 40, rtol=0.01)
    np.testing.assert_allclose(values.var(axis=0), 40 / response, rtol=0.05)


def test_a_beam_shaped_flat_is_doubted():
    y, x = np.indices((32, 32)) - 16
    out = normalise_flat(np.exp(-(y**2 + x**2) / 400), np.ones((32, 32), bool), "x")
    assert {f.code for f in out.findings} >= {"flat-uneven"}


@pytest.mark.parametrize("flat", [np.ones((3, 4)), np.zeros((8, 8)), np.full((8, 8), np.nan)])
def test_useless_flats_are_refused(flat):
    with pytest.raises(InputError):
        normalise_flat(flat, np.ones((8, 8), bool), "x")
