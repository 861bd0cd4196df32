import re
import threading
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
from helpers_figures import FRAME, LONG, PIXEL, SIDE, axes_titled, check_page, made, picture, scale_length
from matplotlib._pylab_helpers import Gcf  # pyplot's list of figures, without importing pyplot
from matplotlib.image import imread
from matplotlib.quiver import Quiver

from recon import figures
from recon.figure_parts import WIDTH
from recon.result import History
from recon.ring_correlation import ring_correlation
from recon.ring_curve import Crossing
from scans.errors import InputError


@pytest.fixture
def rings(rng):
    """Correlation of two noisy images of one sample; crossed by every threshold."""
    a, b = noisy_pair(rng)
    return ring_correlation(a, b, 10e-9), a, b


def noisy_pair(rng, n=64):
    kr = np.hypot(*np.meshgrid(np.fft.fftfreq(n), np.fft.fftfreq(n)))
    noise = rng.normal(size=(3, n, n)) + 1j * rng.normal(size=(3, n, n))
    signal = np.fft.ifft2(np.fft.fft2(noise[0]) * 20 * np.exp(-((kr / 0.12) ** 2)))
    return tuple(5 + signal + part for part in noise[1:])


PLACES = 3e-6, -2e-6  # of the pixel (0, 0) of `made`, y and x
GRID = PIXEL * np.stack(np.meshgrid(np.arange(16, 45, 4), np.arange(16, 45, 4)), axis=-1).reshape(-1, 2)


def layers():
    """Two slices (2, h, w) with different phases, flat at the rim."""
    y, x = np.indices((SIDE, SIDE)) - SIDE // 2
    return np.stack([np.exp(-0.5j * (np.hypot(y, x) < 9)), np.exp(0.8j * (np.abs(x) < 6) * (np.abs(y) < 6))])


def moved(places, moves):
    """Fields of a result whose positions were refined."""
    return {"positions_measured_m": places + PLACES, "positions_refined_m": places + PLACES + moves}


HELD_OUT = History(
    [1, 2, 3, 4], ["a"] * 2 + ["b$"] * 2, [0.5, 0.4, 0.3, 0.3], [3, 2, 1.5, 1.25], [1, 2, 3, 4], [4, 3, 2, 1.75]
)
ONE_OF_EACH = {
    **{"history": HELD_OUT, "prior": "gradient, strength 812", "without_prior": np.ones((SIDE, SIDE))},
    **{"background": np.ones((FRAME, FRAME)), "variation_basis": np.ones((2, FRAME, FRAME))},
    "variation_coefficients": np.ones((len(GRID), 2)),
    **{"positions": GRID, **moved(GRID, PIXEL * np.random.default_rng(2).normal(0, 0.1, GRID.shape))},
}

RESULT_CASES = {
    "plain": {},
    "many modes": {"modes": 8},
    "one position": {"positions": np.array([[30 * PIXEL, 30 * PIXEL]])},
    "line scan": {"positions": PIXEL * np.stack([np.linspace(5, 55, 30), np.full(30, 30.0)], axis=1)},
    "constant": {"transmission": np.ones((SIDE, SIDE))},
    "all black": {"transmission": np.zeros((SIDE, SIDE))},
    "ADU": {"unit": "ADU"},
    "one pass": {"passes": 1},
    "no pass": {"passes": 0, "stop_reason": None, "status": "running"},
    "no coverage": {"coverage": np.zeros((SIDE, SIDE))},
    "diverged": {
        "transmission": np.full((SIDE, SIDE), np.nan),
        "probe": np.full((1, FRAME, FRAME), np.nan),
        "history": History([1, 2], ["a", "b"], [np.inf, np.nan], [0.0, -1.0], [1, 2]),
        "verdict": "not to be trusted",
    },
    "many findings": {"findings": (LONG,) * 9, "verdict": "usable with cautions"},
    "held out": {"history": HELD_OUT},
    "one of each": ONE_OF_EACH,
    "nine slices": {"slices": [layers()[0]] * 9, "slice_positions_m": 1.2345e-6 * np.arange(9), "findings": (LONG,)},
    "many moves": {"positions": np.tile(GRID, (30, 1)), **moved(np.tile(GRID, (30, 1)), 0.3 * PIXEL)},
}


@pytest.mark.parametrize("case", RESULT_CASES)
def test_result_figure_has_no_clipped_or_overlapping_text(case, monkeypatch):
    check_page(figures.result_figure(made(**RESULT_CASES[case])), monkeypatch)


def test_any_result_can_be_drawn(result, monkeypatch):
    """Noise for an object, a file name that no font can write, pixels that are not square."""
    check_page(figures.result_figure(result), monkeypatch)


def test_held_out_pixels_and_prior_are_told():
    figure = figures.result_figure(made(history=HELD_OUT, prior="gradient, strength 812"))
    axes = axes_titled(figure, "Poisson deviance per pixel")
    curves = {line.get_label(): list(line.get_ydata()) for line in axes.lines}
    assert curves == {"fitted pixels": [3, 2, 1.5, 1.25], "held-out pixels": [4, 3, 2, 1.75]}
    assert any("held-out deviance 1.75 beside 1.25 fitted" in text.get_text() for text in figure.texts)
    assert any("prior: gradient, strength 812" in text.get_text() for text in figure.texts)
    plain = figures.result_figure(made())
    assert not any("held-out" in text.get_text() or "prior" in text.get_text() for text in plain.texts)


def test_each_slice_is_drawn_at_its_place():
    slices = layers()
    figure = figures.result_figure(made(slices=slices, slice_positions_m=[0, 2.2e-6]))
    lit = made().coverage > 0
    for k, place in enumerate(("0", "2.2")):
        shown = picture(axes_titled(figure, f"Phase of slice {k + 1} of 2, at {place} µm")).get_array()
        np.testing.assert_array_equal(shown.mask, ~lit)
        # up to a constant and a small ramp, which no frame tells
        steps = np.angle(slices[k]) - np.asarray(shown.filled(0))
        coordinates = np.stack([np.ones(lit.sum()), *np.argwhere(lit).T], axis=1)
        rest = steps[lit] - coordinates @ np.linalg.lstsq(coordinates, steps[lit], rcond=None)[0]
        assert np.abs(rest).max() < 1e-5


def arrows(figure):
    axes = axes_titled(figure, "Coverage and positions")
    found = next((artist for artist in axes.collections if isinstance(artist, Quiver)), None)
    return found, " ".join(text.get_text() for text in axes.texts)


@pytest.mark.parametrize("size", [0.05, 40])
def test_moves_of_positions_are_drawn_to_the_scale_that_is_told(size, rng):
    moves = size * PIXEL * rng.normal(size=GRID.shape)
    drawn, texts = arrows(figures.result_figure(made(positions=GRID, **moved(GRID, moves))))
    told = re.search(r"refinement(?: × (\d+))?", texts)
    times = float(told[1] or 1)
    assert (times == 1) == (size == 40)
    # in µm, x to the right and y downwards as on the axes; one arrow a position, in any order
    found = np.stack([drawn.Y, drawn.X, drawn.V, drawn.U], axis=1)
    expected = 1e6 * np.concatenate([GRID + PLACES, times * moves], axis=1)
    np.testing.assert_allclose(found[np.lexsort(found.T)], expected[np.lexsort(expected.T)], atol=1e-9)
    assert (drawn.angles, drawn.scale_units, drawn.scale) == ("xy", "xy", 1)


def test_of_many_moves_some_are_drawn_and_of_none_none():
    drawn, texts = arrows(figures.result_figure(made(**RESULT_CASES["many moves"])))
    assert len(drawn.U) == 100
    assert "100 shown" in texts
    drawn, texts = arrows(figures.result_figure(made()))
    assert drawn is None
    assert "refinement" not in texts


def test_elongated_region_leaves_room_for_its_texts(monkeypatch):
    coverage = np.zeros((SIDE, SIDE))
    coverage[2:58, 28:32] = 1
    positions = PIXEL * np.stack([np.linspace(5, 55, 30), np.full(30, 30.0)], axis=1)
    refined = positions + np.array(PLACES) + PIXEL
    figure = figures.result_figure(made(coverage=coverage, positions=positions, positions_refined_m=refined))
    check_page(figure, monkeypatch)


def test_unmeasured_pixels_are_hatched_and_the_rest_in_place():
    figure = figures.result_figure(made())
    axes = axes_titled(figure, "Object amplitude")
    shown = picture(axes)
    y, x = np.indices((SIDE, SIDE)) - SIDE // 2
    np.testing.assert_array_equal(shown.get_array().mask, np.hypot(y, x) > 25)
    assert axes.patch.get_hatch()
    # pixel centres at -2 µm + k pixels along x and 3 µm + k pixels along y, downwards
    left, right, bottom, top = np.array(shown.get_extent()) * 1e-6
    assert left == pytest.approx(-2e-6 - PIXEL / 2)
    assert right == pytest.approx(-2e-6 + (SIDE - 0.5) * PIXEL)
    assert (top, bottom) == pytest.approx((3e-6 - PIXEL / 2, 3e-6 + (SIDE - 0.5) * PIXEL))
    assert axes.get_ylim()[0] > axes.get_ylim()[1]


def test_field_is_cropped_to_the_covered_region():
    axes = axes_titled(figures.result_figure(made()), "Object phase")
    # a disc of 51 pixels with two pixels of margin on either side
    assert abs(np.diff(axes.get_xlim())[0]) == pytest.approx(55 * PIXEL * 1e6)
    assert abs(np.diff(axes.get_ylim())[0]) == pytest.approx(55 * PIXEL * 1e6)


@pytest.mark.parametrize("title", ["Object phase", "Object amplitude", "Coverage and positions", "Probe"])
def test_scale_bar_is_as_long_as_it_says(title):
    axes = axes_titled(figures.result_figure(made()), title)
    drawn_um, text = scale_length(axes)
    number, unit = text.split()
    assert drawn_um == pytest.approx(float(number) * {"nm": 1e-3, "µm": 1}[unit], rel=0.02)  # page pixels
    # the image itself: its extent over its pixels is the object pixel
    left, right, _, _ = picture(axes).get_extent()
    assert (right - left) / picture(axes).get_array().shape[1] == pytest.approx(PIXEL * 1e6)


def test_pixels_are_square_on_the_page():
    figure = figures.result_figure(made(modes=3))
    for title in ("Object phase", "Coverage and positions", "Probe, mode 1 of 3: 92.3 %"):
        box = next(a for a in figure.axes if a.get_title(loc="left").split(":")[0] == title.split(":")[0])
        (x0, x1), (y0, y1) = box.get_xlim(), box.get_ylim()
        per_inch = box.get_window_extent().size / np.abs([x1 - x0, y1 - y0])
        assert per_inch[0] == pytest.approx(per_inch[1])


# --- resolution ---------------------------------------------------------------------------------------------


def test_resolution_figure_marks_each_crossing(rings, monkeypatch):
    found, a, b = rings
    figure = figures.resolution_figure(found, a, b)
    check_page(figure, monkeypatch)
    axes = figure.axes[0]
    marks = [line for line in axes.lines if line.get_marker() in ("o", "s", "^", "D")]
    at = [float(np.ravel(line.get_xdata())[0]) for line in marks]
    expected = [c.frequency_per_m * 1e-6 for c in found.crossings.values()]
    assert sorted(at) == pytest.approx(sorted(expected))
    texts = " ".join(text.get_text() for text in figure.texts)
    half = found.crossings["1/7"].half_period_m * 1e9
    assert f"half period {half:.3g} nm, full period {2 * half:.3g} nm" in texts


def test_period_axis_is_half_over_frequency(rings):
    found, a, b = rings
    figure = figures.resolution_figure(found, a, b)
    top = next(axes for axes in figure.axes if axes.get_xlabel() == "half period (nm)")
    assert top.get_xlim() == figure.axes[0].get_xlim()
    ticks = [
        (tick, float(label.get_text())) for tick, label in zip(top.get_xticks(), top.get_xticklabels(), strict=True)
    ]
    assert len(ticks) > 3
    for per_um, half_nm in ticks:
        assert half_nm == pytest.approx(1000 / (2 * per_um))  # one period is two half periods


def test_resolution_of_equal_images_says_that_it_was_not_measured(rng, monkeypatch):
    a, _ = noisy_pair(rng)
    found = ring_correlation(a, a, 10e-9)
    assert {c.status for c in found.crossings.values()} == {"not crossed"}
    figure = figures.resolution_figure(found, a)
    check_page(figure, monkeypatch)
    texts = " ".join(text.get_text() for text in figure.texts)
    assert "not crossed down to a half period of" in texts
    assert "Resolution: half period" not in texts


def test_resolution_figure_of_nothing_in_common(rings, monkeypatch):
    found, a, b = rings
    none = {name: Crossing(name, "below from the start") for name in found.crossings}
    masked = replace(found, crossings=none, left_out=np.arange(len(found.frc)) % 7 < 2, findings=(LONG,))
    figure = figures.resolution_figure(masked, a, b)
    check_page(figure, monkeypatch)
    assert any("nothing in common" in text.get_text() for text in figure.texts)


def test_both_images_share_one_scale(rng):
    a, b = noisy_pair(rng)
    found = ring_correlation(a, 3j * b, 10e-9)
    figure = figures.resolution_figure(found, a, 3j * b)
    first = picture(axes_titled(figure, "Phase of the first image"))
    second = picture(axes_titled(figure, "Phase of the second, aligned"))
    assert first.norm is second.norm
    # the constant phase between them is gone
    turn = np.exp(1j * (np.asarray(first.get_array()) - np.asarray(second.get_array()))).mean()
    assert abs(np.angle(turn)) < 0.02


def test_real_images_are_drawn_in_grey(rng, monkeypatch):
    a, b = (np.abs(image) for image in noisy_pair(rng))
    figure = figures.resolution_figure(ring_correlation(a, b, (10e-9, 12e-9)), a, b)
    check_page(figure, monkeypatch)
    assert picture(axes_titled(figure, "Values of the first image")).cmap.name == "gray"


# --- files, state -------------------------------------------------------------------------------------------


def test_saved_png_is_whole_and_of_the_figure_s_size(tmp_path):
    figure = figures.result_figure(made())
    path = figures.save(figure, tmp_path / "result.png")
    height, width, _ = imread(path).shape
    assert width == round(150 * WIDTH)
    assert height == round(150 * figure.get_figheight())
    assert path.read_bytes()[-8:-4] == b"IEND"  # last chunk of a PNG (W3C recommendation)
    assert [p.name for p in tmp_path.iterdir()] == ["result.png"]


def test_existing_file_is_kept_without_force(tmp_path):
    target = tmp_path / "mine.png"
    target.write_bytes(b"mine")
    figure = figures.result_figure(made())
    with pytest.raises(InputError, match=r"mine\.png: exists already.*--force"):
        figures.save(figure, target, force=False)
    assert target.read_bytes() == b"mine"
    with pytest.raises(InputError, match="Make the folder"):
        figures.save(figure, tmp_path / "nowhere" / "x.png")


def test_threads_draw_the_same_bytes_and_leave_settings_and_pyplot_alone(tmp_path):
    with matplotlib.rc_context({"axes.titlelocation": "right", "font.size": 30}):
        before = dict(matplotlib.rcParams)
        threads = [
            threading.Thread(target=lambda k=k: figures.save(figures.result_figure(made()), tmp_path / f"{k}.png"))
            for k in range(3)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert dict(matplotlib.rcParams) == before
    written = [path.read_bytes() for path in tmp_path.iterdir()]
    assert len(written) == 3
    assert set(written) == {figures.save(figures.result_figure(made()), tmp_path / "here.png").read_bytes()}
    assert Gcf.get_num_fig_managers() == 0
