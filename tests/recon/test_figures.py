import threading
from dataclasses import replace
from itertools import combinations

import matplotlib
import numpy as np
import pytest
from matplotlib._pylab_helpers import Gcf  # pyplot's list of figures, without importing pyplot
from matplotlib.colors import to_rgb
from matplotlib.image import AxesImage, imread
from matplotlib.text import Text

from recon import figures
from recon.figure_colours import CYCLIC_MAP, DIVERGING_MAP, phase_scale, wave_colours, wrap
from recon.figure_parts import WIDTH, Window, plain, polished, round_length, text_width, thinned, wrapped
from recon.recipe import Recipe
from recon.result import History, Provenance, Result, StopReason
from recon.ring_correlation import ring_correlation
from recon.ring_curve import Crossing
from scans.checks import first_look
from scans.errors import InputError
from scans.geometry import Geometry
from scans.preparation import prepare
from scans.scan import Finding, Scan, ZonePlate
from scans.scenario import build

SIDE, FRAME = 60, 32
GEOMETRY = Geometry(710.0, 0.08, (44e-6, 44e-6), (FRAME, FRAME))
PIXEL = GEOMETRY.object_pixel_m[0]


def made(transmission=None, *, modes=1, passes=30, positions=None, **changes):
    """A result whose covered region is a disc of 25 pixels radius around the middle."""
    y, x = np.indices((SIDE, SIDE)) - SIDE // 2
    axis = PIXEL * np.arange(SIDE)
    if transmission is None:
        transmission = 0.9 * np.exp(-0.4j * np.sin(x / 5) * np.cos(y / 7))
    if positions is None:
        positions = axis[SIDE // 2] + PIXEL * np.random.default_rng(3).uniform(-15, 15, (40, 2))
    q = np.indices((FRAME, FRAME)) - FRAME // 2
    probe = np.exp(-(q**2).sum(0) / 40) * (q[0] / 8.0) ** np.arange(modes)[:, None, None]
    t = np.arange(1, passes + 1)
    history = History(t, ["main"] * passes, 0.5 / t + 0.1, 9.0 / t + 1, 0.1 * t)
    fields = {
        "transmission": transmission,
        **{"y_m": 3e-6 + axis, "x_m": -2e-6 + axis, "coverage": 1e4 * (np.hypot(y, x) <= 25)},
        **{"probe": probe, "positions_measured_m": positions, "positions_refined_m": positions},
        **{"frame_index": np.arange(len(positions)), "frame_intensity": np.ones(len(positions))},
        **{"geometry": GEOMETRY, "unit": "photon", "history": history, "stop_reason": StopReason.CONVERGED},
        **{"status": "complete", "verdict": "good", "recipe": Recipe()},
        "provenance": Provenance.now(seed=0, device="cpu", fft="scipy", threads=1),
    }
    moved = {k: v + np.array([3e-6, -2e-6]) for k, v in fields.items() if k.startswith("positions")}
    return Result(**fields | moved | changes)


@pytest.fixture(scope="module")
def simulated():
    scan, truth = build("catalyst", n_frames=25, frame_px=48, photons_per_frame=1e5)
    return scan, truth


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


def check_page(figure, monkeypatch):
    """Every text drawn is inside the page, and none lies on another."""
    drawn = []
    original = Text.draw

    def draw(self, renderer, *args, **kwargs):
        if self.get_visible() and self.get_text().strip():
            drawn.append(self)
        return original(self, renderer, *args, **kwargs)

    with monkeypatch.context() as patch:
        patch.setattr(Text, "draw", draw)
        figure.draw_without_rendering()
    # tick labels are their own artists; an annotation's extent without its arrow is that of its text
    boxes = [(text.get_text(), Text.get_window_extent(text)) for text in dict.fromkeys(drawn)]
    width, height = figure.bbox.size
    assert len(boxes) > 5
    outside = [t for t, b in boxes if b.x0 < 0 or b.y0 < 0 or b.x1 > width or b.y1 > height]
    assert not outside
    touching = [
        (s, t)
        for (s, a), (t, b) in combinations(boxes, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 1 and min(a.y1, b.y1) - max(a.y0, b.y0) > 1
    ]
    assert not touching


def axes_titled(figure, title):
    return next(axes for axes in figure.axes if axes.get_title(loc="left") == title)


def picture(axes):
    return next(artist for artist in axes.get_children() if isinstance(artist, AxesImage))


def scale_length(axes):
    """Drawn scale bar in data units, from its pixels on the page, and the text beside it."""
    bar = next(patch for patch in axes.patches if patch.get_gid() == "scale-bar")
    extent = bar.get_window_extent().transformed(axes.transData.inverted())
    text = next(text.get_text() for text in axes.texts if text.get_gid() == "scale-text")
    return extent.width, text


LONG = Finding("caution", "long", "something that takes many words to tell " * 8, "Do " + "what must be done " * 9)

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
    "held out": {
        "history": History(
            [1, 2, 3, 4], ["a"] * 2 + ["b$"] * 2, [0.5, 0.4, 0.3, 0.3], [3, 2, 1, 1], [1, 2, 3, 4], [4, 3, 2, 2]
        )
    },
}


@pytest.mark.parametrize("case", RESULT_CASES)
def test_result_figure_has_no_clipped_or_overlapping_text(case, monkeypatch):
    check_page(figures.result_figure(made(**RESULT_CASES[case])), monkeypatch)


def test_any_result_can_be_drawn(result, monkeypatch):
    """Noise for an object, a file name that no font can write, pixels that are not square."""
    check_page(figures.result_figure(result), monkeypatch)


def test_elongated_region_leaves_room_for_its_texts(monkeypatch):
    coverage = np.zeros((SIDE, SIDE))
    coverage[2:58, 28:32] = 1
    positions = PIXEL * np.stack([np.linspace(5, 55, 30), np.full(30, 30.0)], axis=1)
    moved = positions + np.array([3e-6, -2e-6]) + PIXEL
    figure = figures.result_figure(made(coverage=coverage, positions=positions, positions_refined_m=moved))
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


@pytest.mark.parametrize("title", ["Object phase", "Object amplitude", "Coverage and positions", "Probe"])
def test_scale_bar_is_as_long_as_it_says(title):
    axes = axes_titled(figures.result_figure(made()), title)
    drawn_um, text = scale_length(axes)
    number, unit = text.split()
    assert drawn_um == pytest.approx(float(number) * {"nm": 1e-3, "µm": 1}[unit], rel=0.02)  # page pixels
    # the image itself: its extent over its pixels is the object pixel
    left, right, _, _ = picture(axes).get_extent()
    assert (right - left) / picture(axes).get_array().shape[1] == pytest.approx(PIXEL * 1e6)


def test_detector_scale_is_spatial_frequency(simulated):
    scan, truth = simulated
    figure = figures.simulate_figure(scan, truth)
    axes = axes_titled(figure, "Frame 0")
    drawn, text = scale_length(axes)
    assert text.endswith("µm⁻¹")
    assert drawn == pytest.approx(float(text.split()[0]), rel=0.02)
    # N samples of pixel d span 1/d in frequency: the sampling theorem of the DFT
    left, right, _, _ = picture(axes).get_extent()
    assert right - left == pytest.approx(1e-6 / scan.geometry.object_pixel_m[1])


def test_pixels_are_square_on_the_page():
    figure = figures.result_figure(made(modes=3))
    for title in ("Object phase", "Coverage and positions", "Probe, mode 1 of 3: 92.3 %"):
        box = next(a for a in figure.axes if a.get_title(loc="left").split(":")[0] == title.split(":")[0])
        (x0, x1), (y0, y1) = box.get_xlim(), box.get_ylim()
        per_inch = box.get_window_extent().size / np.abs([x1 - x0, y1 - y0])
        assert per_inch[0] == pytest.approx(per_inch[1])


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


# --- scans --------------------------------------------------------------------------------------------------


def small_scan(rng, positions, **facts):
    frames = rng.poisson(40, (len(positions), FRAME, FRAME)).astype(np.uint16)
    return Scan(frames, np.asarray(positions, float), GEOMETRY, **facts)


def scan_case(case, rng, simulated):
    spots = 1e-6 * rng.uniform(-1, 1, (12, 2))
    if case == "simulated":
        return simulated[0]
    if case == "one frame, nothing known":
        return small_scan(rng, [[0, 0]])
    if case == "one place":
        return small_scan(rng, [[1e-6, 2e-6]] * 4)
    if case == "line":
        return small_scan(rng, 1e-7 * np.stack([np.arange(12), np.zeros(12)], axis=1), counts_per_photon=1.0)
    if case == "faults":
        mask = np.ones((FRAME, FRAME), bool)
        mask[3:9] = False
        scan = small_scan(rng, spots, mask=mask, saturation=60, monitor=rng.uniform(1, 2, 12), counts_per_photon=1.0)
        scan.frames[:, 20, 20] = 30_000
        scan.frames[:, 14, 14] = 0
        scan.frames[5] = 0
        return scan
    assert case == "no defocus"
    return small_scan(rng, spots, zone_plate=ZonePlate(120e-6, 50e-9), title="a $title$ with 日本 " * 20)


@pytest.mark.parametrize("case", ["simulated", "one frame, nothing known", "one place", "line", "faults", "no defocus"])
def test_inspect_figure_of_odd_scans(case, rng, simulated, monkeypatch):
    scan = scan_case(case, rng, simulated)
    prepared = prepare(scan) if case in ("simulated", "line") else None
    check_page(figures.inspect_figure(scan, first_look(scan), prepared), monkeypatch)


def test_faulty_pixels_and_left_out_frames_are_marked(rng, simulated):
    scan = scan_case("faults", rng, simulated)
    look = first_look(scan)
    figure = figures.inspect_figure(scan, look, prepare(scan))
    notes = {text.get_text() for axes in figure.axes for text in axes.texts}
    assert f"○ {np.count_nonzero(look.saturated)} saturated" in notes
    assert "× 1 left out" in notes
    # bad pixels are grey, and lie where the mask has them: rows 3 to 8
    colours = np.asarray(picture(axes_titled(figure, "Mean pattern")).get_array())
    grey = np.isclose(colours, to_rgb("#c3c9cd")).all(axis=-1)
    np.testing.assert_array_equal(grey, ~scan.mask)


def test_transmission_map_shows_each_frame_at_its_place(rng):
    raster = 1e-7 * np.stack(np.meshgrid(np.arange(3), np.arange(4), indexing="ij"), axis=-1).reshape(-1, 2)
    frames = np.ones((12, FRAME, FRAME), np.float32) * np.arange(1, 13)[:, None, None]
    scan = Scan(frames, raster, GEOMETRY, counts_per_photon=1.0)
    figure = figures.inspect_figure(scan, first_look(scan))
    axes = axes_titled(figure, "Transmission map")
    values, (left, right, bottom, top) = picture(axes).get_array(), picture(axes).get_extent()
    for j, (y, x) in enumerate(raster * 1e6):
        row = int((y - top) / (bottom - top) * values.shape[0])
        column = int((x - left) / (right - left) * values.shape[1])
        assert values[row, column] == pytest.approx((j + 1) * FRAME**2)


def test_simulate_figure(simulated, monkeypatch):
    scan, truth = simulated
    figure = figures.simulate_figure(scan, truth)
    check_page(figure, monkeypatch)
    dots = axes_titled(figure, "True phase").collections[0].get_offsets()
    np.testing.assert_allclose(dots, truth.positions_m[:, ::-1] * 1e6)


@pytest.mark.parametrize(
    "settings",
    [
        {"n_frames": 1},
        {"n_frames": 3, "position_jitter_m": 3e-8},
        {
            "n_frames": 9,
            "dark_frames": 3,
            "dark_level": 50,
            "read_noise": 0.5,
            "counts_per_photon": 4,
            "saturation": 300,
        },
        {"n_frames": 9, "poisson": False},
    ],
)
def test_simulate_figure_of_odd_scans(settings, monkeypatch):
    scan, truth = build("catalyst", frame_px=48, photons_per_frame=1e4, **settings)
    check_page(figures.simulate_figure(scan, truth), monkeypatch)


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


# --- texts --------------------------------------------------------------------------------------------------


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
    assert polished("2e+06 of 1.5e-07 um, -3 (x) um, 1-bit -s") == "2×10⁶ of 1.5×10⁻⁷ µm, −3 (x) µm, 1-bit -s"


def test_wrapped_lines_fit_and_lose_nothing():
    text = "some words and_a_name_" + "that_never_ends_" * 20 + " and more"
    lines = wrapped(text, 2.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(text_width(line, 8.5) <= 2.0 for line in lines)


def test_plain_keeps_what_can_be_drawn():
    assert plain("µm λ\n±\udcff日") == "µm λ ±\ufffd\ufffd"
