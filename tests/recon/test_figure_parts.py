import numpy as np
import pytest

from recon.figure_colours import CYCLIC_MAP, DIVERGING_MAP, phase_scale, wave_colours, wrap
from recon.figure_parts import Window, plain, polished, round_length, text_width, thinned, wrapped

# --- colours ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("phase", "expected"),
    [
        (np.linspace(-0.3, 0.2, 400), DIVERGING_MAP),
        (np.linspace(-2.5, 2.5, 400), DIVERGING_MAP),
        (np.linspace(2.0, 4.0, 400), DIVERGING_MAP),  # crosses ±π, but not the circle
        (np.linspace(-3.1, 3.1, 400), CYCLIC_MAP),
        (np.linspace(-9.0, 0.0, 400), CYCLIC_MAP),
        (np.full(400, 0.7), DIVERGING_MAP),
    ],
)
def test_phase_map_is_cyclic_only_where_the_circle_is_full(phase, expected):
    wrapped_phase = wrap(phase).reshape(20, 20)
    shown, scale = phase_scale(wrapped_phase, np.ones((20, 20), bool))
    assert scale.map == expected
    np.testing.assert_allclose(wrap(shown - wrapped_phase), 0, atol=1e-12)
    if expected == DIVERGING_MAP:  # continuous: neighbours of the ramp stay neighbours
        assert np.abs(np.diff(shown.ravel())).max() < 0.05


def test_neutral_is_zero_or_the_phase_nearest_to_it():
    everywhere = np.ones((10, 10), bool)
    for low, high, neutral in ((-0.8, 0.3, 0.0), (-0.8, -0.2, -0.2), (0.1, 0.5, 0.1)):
        _, scale = phase_scale(np.linspace(low, high, 100).reshape(10, 10), everywhere)
        assert (scale.norm.vmin + scale.norm.vmax) / 2 == pytest.approx(neutral, abs=0.01)
        assert scale.norm.vmin <= low + 0.01
        assert scale.norm.vmax >= high - 0.01


def test_uncovered_noise_does_not_set_the_limits(rng):
    phase = np.where(np.indices((40, 40))[0] < 30, 0.2, rng.uniform(-3, 3, (40, 40)))
    _, scale = phase_scale(phase, np.indices((40, 40))[0] < 30)
    assert scale.norm.vmax < 0.3


def test_equal_amplitudes_are_equally_bright_at_any_phase():
    for amplitude in (1.0, 0.5):
        wave = np.concatenate([[1.0], amplitude * np.exp(2j * np.pi * np.arange(60) / 60)])[None]
        srgb = wave_colours(wave)[0, 1:]
        # sRGB to linear light, and luminance with the weights of ITU-R BT.709 (IEC 61966-2-1)
        linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
        luminance = linear @ (0.2126, 0.7152, 0.0722)
        assert np.ptp(luminance) < 0.01 * luminance.mean()
        # CIE 1976 lightness of that luminance: 74 at full amplitude, in proportion below
        assert 116 * np.cbrt(luminance.mean()) - 16 == pytest.approx(74 * amplitude, rel=0.01)
    assert len(np.unique(np.round(srgb, 3), axis=0)) == 60


# --- parts --------------------------------------------------------------------------------------------------


def test_thinned_image_stays_in_place():
    y, x = np.indices((1900, 2500))
    spot = np.hypot(y - 400, x - 1500) < 60
    place = Window(10.0, 35.0, -3.0, 16.0)  # a hundredth a pixel
    covers, (values,) = thinned(place, spot)
    assert values.shape == (950, 1250)
    size = np.array([covers.bottom - covers.top, covers.right - covers.left])
    found = (np.argwhere(values).mean(axis=0) + 0.5) / values.shape * size + (covers.top, covers.left)
    assert found == pytest.approx(np.array([400.5, 1500.5]) * 0.01 + (-3, 10), abs=0.01)
    small = np.ones((90, 95))
    covers, (values,) = thinned(place, small)
    assert covers == place
    assert values.shape == small.shape


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        (0.5, 0.5),
        (0.49999999999999994, 0.5),
        (0.499, 0.2),
        (1.0, 1),
        (1999, 1000),
        (2000, 2000),
        (7e-9, 5e-9),
        (99, 50),
    ],
)
def test_round_length(limit, expected):
    assert round_length(limit) == expected


@pytest.mark.parametrize("limit", [0.0, -1.0, np.nan, np.inf])
def test_round_length_refuses_what_has_none(limit):
    with pytest.raises(ValueError, match="no round length"):
        round_length(limit)


def test_polished():
    assert polished("2e+06 of 1.5e-07 µm, -3 (x) µm, 1-bit -s") == "2×10⁶ of 1.5×10⁻⁷ µm, −3 (x) µm, 1-bit -s"


def test_wrapped_lines_fit_and_lose_nothing():
    text = "some words and_a_name_" + "that_never_ends_" * 20 + " and more"
    lines = wrapped(text, 2.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(text_width(line, 8.5) <= 2.0 for line in lines)


def test_plain_keeps_what_can_be_drawn():
    assert plain("µm λ\n±\udcff日") == "µm λ ±\ufffd\ufffd"
