from __future__ import annotations

import numpy as np
import pytest

from scans.errors import InputError
from scans.flat_field import flat_from_frames, normalise_flat


def test_dividing_recovers_the_light(rng):
    light = rng.uniform(10, 90, (5, 20, 20))
    response = rng.normal(1.0, 0.05, (20, 20))
    flat = normalise_flat(730 * response, np.ones((20, 20), bool), "x")
    assert np.median(flat.response) == pytest.approx(1, abs=1e-6)
    got = flat.apply((light * response).astype(np.float32))
    # known up to the median of the response
    np.testing.assert_allclose(got, light * np.median(response), rtol=2e-6)


def test_a_correction_is_the_inverse_of_a_response(rng):
    response = rng.normal(1.0, 0.05, (20, 21))
    good = rng.random((20, 21)) > 0.1
    a = normalise_flat(response, good, "x")
    b = normalise_flat(1 / response, good, "x", means="correction")
    np.testing.assert_allclose(a.response, b.response, rtol=1e-6)
    assert "multiplied" in b.steps[0]


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


def test_flat_frames_minus_dark(rng):
    response = np.clip(rng.normal(1.0, 0.1, (24, 24)), 0.5, 1.5)
    dark = rng.uniform(90, 110, (24, 24))
    frames = rng.poisson(4000 * response, (50, 24, 24)) + dark
    out = flat_from_frames(frames, dark, np.ones((24, 24), bool), "x")
    # 200,000 photons a pixel: 0.22 %; four times that, with the median's own error
    np.testing.assert_allclose(out.response, response / np.median(response), rtol=0.011)
    assert not out.findings


def test_a_beam_shaped_flat_is_doubted():
    y, x = np.indices((32, 32)) - 16
    out = normalise_flat(np.exp(-(y**2 + x**2) / 400), np.ones((32, 32), bool), "x")
    assert {f.code for f in out.findings} >= {"flat-uneven"}


@pytest.mark.parametrize("flat", [np.ones((3, 4)), np.zeros((8, 8)), np.full((8, 8), np.nan)])
def test_useless_flats_are_refused(flat):
    with pytest.raises(InputError):
        normalise_flat(flat, np.ones((8, 8), bool), "x")
    with pytest.raises(InputError):
        flat_from_frames(flat, None, np.ones((8, 8), bool), "x")
