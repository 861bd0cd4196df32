import numpy as np
import pytest
from helpers_figures import FRAME, GEOMETRY, axes_titled, check_page, picture, scale_length
from matplotlib.colors import to_rgb

from recon import figures
from scans.overview import first_look
from scans.preparation import prepare
from scans.scan import Scan, ZonePlate
from scans.scenario import build


@pytest.fixture(scope="module")
def simulated():
    scan, truth = build("catalyst", n_frames=25, frame_px=48, photons_per_frame=1e5)
    return scan, truth


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
