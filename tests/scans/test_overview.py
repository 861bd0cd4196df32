"""The first look against sums written out, wedges of known slope and scans with known truth."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
import scipy.fft

from scans import overview
from scans.beam import BeamDisc
from scans.checks import geometry_table
from scans.formats import load, write
from scans.geometry import Geometry
from scans.options import PrepareOptions
from scans.overview import Look, first_look, look_findings, phase_gradient
from scans.radial import radial_counts
from scans.readout_plan import plan_readout
from scans.scan import Orientation, Scan
from scans.scenario import build

# Frames without a beam hold nothing to tell light from an offset.
PLAIN = PrepareOptions(offset="fixed", bad_pixels=False, spikes=False)


def spiral(n=400, step=1.0):
    # Fermat spiral: r = c sqrt(k), golden angle (Vogel, Math. Biosci. 44 (1979) 179, from memory)
    k = np.arange(n)
    r, t = step / np.sqrt(np.pi) * np.sqrt(k), k * 2.399963
    return np.stack([r * np.sin(t), r * np.cos(t)], axis=1)


def scan_of(frames, positions=None, orientation=None, **facts) -> Scan:
    orientation = orientation or Orientation()
    h, w = frames.shape[1:]
    geometry = Geometry(710.0, 0.08, (44e-6, 44e-6), (w, h) if orientation.transpose else (h, w))
    positions = spiral(frames.shape[0], 300e-9) if positions is None else positions
    return Scan(frames, positions, geometry, orientation=orientation, **facts)


def test_first_look_sums(rng):
    frames = rng.poisson(30.0, (9, 16, 24)).astype(np.uint16)
    frames[4] = 0
    frames[2, 3, 5] = frames[7, 3, 5] = 500
    dark = np.full((16, 24), 4.0)
    seen = []
    scan = scan_of(frames, counts_per_photon=2.0, saturation=400.0, dark=dark)
    look = first_look(scan, lambda done, n: seen.append((done, n)), options=PLAIN)
    photons = (frames.astype(float) - 4) / 2
    photons[[2, 7], 3, 5] = np.nan
    np.testing.assert_allclose(look.mean, np.nanmean(photons, axis=0), rtol=1e-6)
    np.testing.assert_array_equal(look.maximum, np.nanmax(photons, axis=0))
    np.testing.assert_allclose(look.totals, np.nansum(photons, axis=(1, 2)), rtol=1e-6)
    assert look.zero_frames.tolist() == [4]
    assert np.argwhere(look.saturated).tolist() == [[3, 5]]
    assert look.saturated[3, 5] == 2
    assert look.unit == "photon"
    assert seen == [(9, 9)]
    assert look.mean.dtype == look.maximum.dtype == np.float32
    assert "photons a frame" in dict(geometry_table(scan, look))


def test_first_look_leaves_bad_pixels_out(rng):
    frames = rng.integers(1, 9, (6, 16, 16)).astype(np.uint16)
    mask = np.ones((16, 16), bool)
    mask[2, 2] = False
    frames[:, 2, 2] = 5000
    frames[1, 4, 4] = 5000
    look = first_look(scan_of(frames, mask=mask, saturation=4000.0, dark=np.full((16, 16), 20)), options=PLAIN)
    assert look.mean[2, 2] == look.maximum[2, 2] == 0
    # all below zero: the 0 that stands for the bad one does not count
    assert look.maximum[4, 4] == frames[[0, 2, 3, 4, 5], 4, 4].astype(float).max() - 20
    kept = np.where(mask & (frames < 4000), frames.astype(float) - 20, 0)
    np.testing.assert_allclose(look.totals, kept.sum(axis=(1, 2)))
    assert look.saturated.sum() == 1


def test_first_look_does_not_depend_on_blocks(rng, monkeypatch):
    frames = rng.poisson(5.0, (30, 16, 16)).astype(np.uint16)
    whole = first_look(scan_of(frames))
    blocks = Scan.blocks
    monkeypatch.setattr(Scan, "blocks", lambda self, max_bytes: blocks(self, 7 * 512))
    parts = first_look(scan_of(frames))
    for name in ("mean", "maximum", "totals", "shift_px", "saturated", "zero_frames"):
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), rtol=1e-6, atol=1e-9)


def test_pattern_shift_measures_the_phase_gradient():
    # a pure wedge exp(i g·r) under the probe only moves the pattern (Fourier shift theorem)
    n = 64
    geometry = Geometry(710.0, 0.08, (44e-6, 44e-6), (n, n))
    dx = geometry.object_pixel_m[0]
    y, x = (np.indices((n, n)) - n // 2) * dx
    probe = np.exp(-(y**2 + x**2) / (2 * (5 * dx) ** 2))
    step = 2 * np.pi / (n * dx)  # moves it by one pixel
    gradients = np.array([[0, 0], [2.5, 0], [0, -3.25], [1.5, 4]]) * step
    waves = probe * np.exp(1j * (gradients[:, 0, None, None] * y + gradients[:, 1, None, None] * x))
    spectrum = scipy.fft.fftshift(scipy.fft.fft2(scipy.fft.ifftshift(waves, axes=(1, 2))), axes=(1, 2))
    frames = np.abs(spectrum).astype(np.float64) ** 2
    look = first_look(Scan(frames, spiral(4, 1e-7), geometry, counts_per_photon=1.0))
    measured = look.phase_gradient(geometry)
    np.testing.assert_allclose(measured - measured[0], gradients, atol=1e-3 * step)
    assert np.median(look.shift_px, axis=0) == pytest.approx([0, 0], abs=1e-9)


def test_frame_without_counts_has_no_shift():
    frames = np.ones((3, 16, 16), np.uint16)
    frames[1] = 0
    look = first_look(scan_of(frames))
    assert np.isnan(look.shift_px[1]).all()
    assert np.isfinite(look.shift_px[[0, 2]]).all()


def beam(rng, n_frames=40, photons=3.0):
    y, x = np.indices((48, 64))
    r = np.hypot(y - 23.4, x - 31.7)
    lit = photons * ((r < 15) & (r > 6)) + 0.01
    return rng.poisson(np.broadcast_to(lit, (n_frames, 48, 64))).astype(np.uint16)


def test_clean_detector_has_no_outliers(rng):
    for photons in (0.2, 3.0, 200.0):
        look = first_look(scan_of(beam(rng, photons=photons), counts_per_photon=1.0))
        assert not look.bad_px


def test_hot_and_dead_pixels_are_listed(rng):
    frames = beam(rng)
    hot, dead = [(2, 3), (40, 50), (23, 20)], [(13, 30), (33, 33), (24, 44)]
    for k, (y, x) in enumerate(hot):
        frames[:, y, x] = rng.poisson(30.0 * (k + 1), 40)
    for y, x in dead:
        frames[:, y, x] = 0
    mask = np.ones((48, 64), bool)
    frames[:, 30, 30] = 999
    mask[30, 30] = False  # known to be bad: not news
    look = first_look(scan_of(frames, counts_per_photon=1.0, mask=mask))
    assert sorted(map(tuple, look.bad_px["hot"].tolist())) == sorted(hot)
    assert sorted(map(tuple, look.bad_px["dead"].tolist())) == sorted(dead)


def test_dead_column_is_found_where_it_is_lit(rng):
    frames = beam(rng)
    frames[:, :, 22] = 0  # crosses the ring from row 12 to 34
    found = first_look(scan_of(frames, counts_per_photon=1.0)).bad_px
    dead = np.concatenate([found[k] for k in ("dead", "lines") if k in found])
    assert set(dead[:, 1]) == {22}
    assert set(range(16, 31)) <= set(dead[:, 0])


def test_hot_pixels_do_not_pull_the_shift(rng):
    frames = np.roll(beam(rng, photons=50.0), 0, axis=1)
    frames[20:] = np.roll(frames[20:], (2, -3), axis=(1, 2))
    frames[:, 1, 1] = 60000
    look = first_look(scan_of(frames, counts_per_photon=1.0))
    moved = look.shift_px[20:].mean(axis=0) - look.shift_px[:20].mean(axis=0)
    np.testing.assert_allclose(moved, [2, -3], atol=0.05)


@pytest.mark.parametrize("flags", list(itertools.product((False, True), repeat=3)))
def test_first_look_is_oriented(rng, flags):
    frames = rng.poisson(9.0, (5, 12, 16)).astype(np.uint16)
    plain = first_look(scan_of(frames))
    turned = first_look(scan_of(frames, orientation=Orientation(*flags)))
    expected = np.array(plain.mean)
    expected = expected.T if flags[0] else expected
    expected = np.flipud(expected) if flags[1] else expected
    expected = np.fliplr(expected) if flags[2] else expected
    np.testing.assert_allclose(turned.mean, expected, rtol=1e-6)


@pytest.mark.parametrize("flags", list(itertools.product((False, True), repeat=3)))
def test_a_look_taken_before_the_frames_were_turned(rng, flags):
    # against the look at the turned scan itself
    frames = beam(rng, n_frames=24, photons=40.0)
    frames[12:] = np.roll(frames[12:], (2, -3), axis=(1, 2))
    frames[:, 2, 3] = 60000
    scan = scan_of(frames, counts_per_photon=1.0, orientation=Orientation(True, False, True))
    look = Look()
    readout = plan_readout(scan)
    look.begin(scan, readout)
    for part in (slice(0, 10), slice(10, 24)):
        look.add(part, look.piece(part, readout.clean(frames[part], np.arange(part.start, part.stop))))
    turned = scan_of(frames, counts_per_photon=1.0, orientation=scan.orientation.then(Orientation(*flags)))
    got, expected = look.result(turned), first_look(turned)
    for name in ("mean", "maximum", "totals", "dark_field", "shift_px", "saturated"):
        np.testing.assert_allclose(getattr(got, name), getattr(expected, name), rtol=1e-5, atol=2e-4, err_msg=name)
    np.testing.assert_allclose(got.phase, expected.phase, atol=1e-3 * np.ptp(expected.phase))
    np.testing.assert_allclose(got.beam.centre, expected.beam.centre, atol=1e-2)
    np.testing.assert_allclose(got.radial.counts, expected.radial.counts, rtol=1e-2)
    found = {kind: set(map(tuple, pixels.tolist())) for kind, pixels in got.bad_px.items()}
    assert found == {kind: set(map(tuple, pixels.tolist())) for kind, pixels in expected.bad_px.items()} != {}


@pytest.fixture(scope="module")
def simulated():
    return build("catalyst", n_frames=150, photons_per_frame=1e6)


def nearby(truth, field):
    """True field under each position, averaged over the probe's intensity."""
    weight = (np.abs(truth.probe) ** 2).sum(axis=0)
    n = weight.shape[0] // 2
    y0, x0 = (np.searchsorted(axis, truth.positions_m[:, k]) for k, axis in enumerate((truth.y_m, truth.x_m)))
    cuts = [field[y - n : y + n, x - n : x + n] for y, x in zip(y0, x0, strict=True)]
    return np.array([(c * weight).sum() / weight.sum() for c in cuts])


def test_maps_show_the_true_object(simulated):
    scan, truth = simulated
    look = first_look(scan)
    # transmission map: counts over the mean intensity transmission under the probe
    light = nearby(truth, np.abs(truth.object) ** 2)
    assert np.corrcoef(look.totals, light)[0, 1] > 0.99
    # integrated phase: the mean phase under the probe, smoothed by it
    assert np.corrcoef(look.phase, nearby(truth, np.angle(truth.object)))[0, 1] > 0.9
    # dark field: light beyond the disc is scattered by structure, less of it where the probe sees little contrast
    field = nearby(truth, truth.object)
    uneven = np.sqrt(np.maximum(light - np.abs(field) ** 2, 0))
    assert np.corrcoef(look.dark_field, uneven)[0, 1] > 0.5
    assert 0 < look.dark_field.min() < look.dark_field.max() < 0.5


def test_dark_field_is_the_share_beyond_the_disc(rng):
    frames = beam(rng, photons=40.0)
    frames[:, 2, 2] = 100
    look = first_look(scan_of(frames, counts_per_photon=1.0, mask=np.ones((48, 64), bool)))
    y, x = np.indices((48, 64))
    far = np.hypot(y - look.beam.centre[0], x - look.beam.centre[1]) > 1.15 * look.beam.diameter_px / 2
    far[2, 2] = False  # stands out: taken for a hot pixel, as it would be
    sound = np.ones((48, 64), bool)
    sound[2, 2] = False
    expected = frames[:, far].sum(axis=1) / frames[:, sound].sum(axis=1)
    np.testing.assert_allclose(look.dark_field, expected, rtol=1e-5)


def test_flux_is_taken_out_of_the_transmission_map(rng):
    flux = np.linspace(1.2, 0.8, 40)
    frames = rng.poisson(np.broadcast_to(flux[:, None, None] * 30.0, (40, 48, 64))).astype(np.uint16)
    monitor = flux * 7
    monitor[5] = 0  # dropped: says nothing
    look = first_look(scan_of(frames, monitor=monitor))
    kept = np.delete(look.totals, 5)
    assert kept.std() / kept.mean() < 0.01  # 1/√(30·48·64) = 0.3 % is photon noise


def test_radial_counts_are_ring_means(rng):
    mean = rng.random((40, 40)) + 1
    good = rng.random((40, 40)) > 0.1
    scan = scan_of(np.ones((4, 40, 40)))
    found = radial_counts(scan, mean, good, BeamDisc((19.0, 21.0), 10.0), "photon")
    y, x = np.indices((40, 40))
    ring = np.round(np.hypot(y - 19, x - 21)).astype(int)
    for r in (0, 3, 11, 18):
        assert found.counts[r] == pytest.approx(mean[good & (ring == r)].mean())
    assert found.edge_px == 18  # 39 - 21: the column side is nearest
    assert found.floor is None  # no zone plate: the overlap is unknown


def test_the_radial_limit_follows_the_exposure():
    # Rings fall with q, so ten times fewer photons must move the limit inwards; the scan reaches the edge at 1e8.
    limits = []
    for photons in (1e8, 1e6, 1e5, 1e4):
        scan, _ = build("weak", n_frames=120, photons_per_frame=photons)
        look = first_look(scan)
        limits.append(look.radial.limit_px if look.radial.limit_px is not None else np.inf)
        rows = dict(geometry_table(scan, look))
        assert ("edge" if np.isinf(limits[-1]) else "exposure") in rows["half period limited by"]
    assert limits == sorted(limits, reverse=True)
    assert np.isinf(limits[0])
    assert limits[-1] < limits[1] < np.inf


def test_views_on_the_way(rng, monkeypatch):
    frames = rng.poisson(9.0, (30, 16, 16)).astype(np.uint16)
    blocks = Scan.blocks
    monkeypatch.setattr(Scan, "blocks", lambda self, max_bytes: blocks(self, 10 * 512))
    monkeypatch.setattr(overview, "LIVE_SHARE", np.inf)
    views = []
    whole = first_look(scan_of(frames), on_view=views.append, every_s=0.0)
    assert [v.n_read for v in views] == [10, 20]
    assert whole.n_read == 30
    assert np.isnan(views[0].totals[10:]).all()
    np.testing.assert_array_equal(views[1].totals[:20], whole.totals[:20])
    np.testing.assert_allclose(views[0].mean, frames[:10].mean(axis=0), rtol=1e-6)


def test_slow_views_take_a_tenth_of_the_time(monkeypatch):
    clock = {"now": 0.0}
    monkeypatch.setattr(overview.time, "monotonic", lambda: clock["now"])
    frames = np.ones((1000, 8, 8), np.uint16)
    scan, shown = scan_of(frames), []

    def view(look):
        shown.append(look.n_read)
        clock["now"] += 3.0

    look, readout = Look(view, every_s=5.0), plan_readout(scan, PLAIN)
    look.begin(scan, readout)
    for start in range(0, 1000, 10):  # a second for each
        clock["now"] += 1.0
        part = slice(start, start + 10)
        look.add(part, look.piece(part, readout.clean(frames[part], np.arange(start, start + 10))))
    assert shown[0] == 50
    assert np.diff(shown).tolist() == [300] * (len(shown) - 1)  # 30 s of reading between 3 s of drawing
    assert len(shown) == 4


def test_phase_gradient_is_that_of_a_wedge():
    # a wedge of one period over the frame's field moves the pattern by one pixel
    g = Geometry(710.0, 0.08, (44e-6, 44e-6), (128, 128))
    turns = phase_gradient(np.array([[1.0, -2.0]]), g) * g.frame_width_m[0] / (2 * np.pi)
    np.testing.assert_allclose(turns, [[1.0, -2.0]])


@pytest.mark.slow
def test_backlash_of_a_snake_is_found_and_taken_out(tmp_path):
    # frames of backward moves lie 60 nm further along x than recorded
    true = 60e-9
    scan, _ = build("testchart", n_frames=144, trajectory="raster", step_m=120e-9, photons_per_frame=1e6)
    order = np.lexsort((scan.positions_m[:, 1], scan.positions_m[:, 0]))
    grid = order.reshape(12, 12)
    grid[1::2] = grid[1::2, ::-1]
    order = grid.ravel()
    places = scan.positions_m[order]
    backwards = np.repeat(np.arange(12) % 2 == 1, 12)
    recorded = places - np.outer(np.where(backwards, true / 2, -true / 2), [0, 1])
    moved = replace(scan, frames=np.asarray(scan.frames)[order], positions_m=recorded)
    (finding,) = look_findings(moved, first_look(moved))
    assert finding.code == "back-lash"
    _y, x = (float(v) for v in re.search(r"backlash_m=\[(.*?),(.*?)\]", finding.fix).groups())
    # towards +x is forwards: those frames lie back by 60 nm against the others
    assert x == pytest.approx(-true, abs=25e-9)
    write(tmp_path / "run.nxs", moved)
    corrected = load(tmp_path / "run.nxs", backlash_m=(0.0, -true)).positions_m
    shift = (corrected - places).mean(axis=0)
    # all but the first frame of each line, whose last move is still that of the line before
    inner = np.arange(144) % 12 > 0
    np.testing.assert_allclose((corrected - places - shift)[inner], 0, atol=6e-9)
