from __future__ import annotations

import numpy as np
import pytest

from scans import checks
from scans.checks import check_scan, geometry_table
from scans.geometry import Geometry
from scans.measures import probe_size, raster_regularity
from scans.scan import Finding, Note, Orientation, Scan, ZonePlate

# 710 eV, 80 mm, 256 pixels of 44 um, zone plate 240 um / 25 nm
GEOMETRY = Geometry(710.0, 0.08, (44e-6, 44e-6), (256, 256))
PLATE = ZonePlate(240e-6, 25e-9, stop_fraction=0.4, defocus_m=10e-6)


def raster(n=12, step=1.0, columns=None):
    return np.stack(np.meshgrid(np.arange(n), np.arange(columns or n), indexing="ij"), -1).reshape(-1, 2) * step


def spiral(n=400, step=1.0):
    # Fermat spiral: r = c sqrt(k), golden angle (Vogel, Math. Biosci. 44 (1979) 179, from memory)
    k = np.arange(n)
    r, t = step / np.sqrt(np.pi) * np.sqrt(k), k * 2.399963
    return np.stack([r * np.sin(t), r * np.cos(t)], axis=1)


def rings(n=10, step=1.0):
    parts = [np.zeros((1, 2))]
    for m in range(1, n + 1):
        t = 2 * np.pi * np.arange(6 * m) / (6 * m) + 0.7 * m
        parts.append(m * step * np.stack([np.sin(t), np.cos(t)], axis=1))
    return np.concatenate(parts)


def levels(findings: list[Finding]) -> list[tuple[str, str]]:
    assert all(f.text and f.fix for f in findings)
    return [(f.level, f.code) for f in findings]


class Untouchable:
    """Frames that must not be read."""

    shape, dtype = (144, 256, 256), np.dtype(np.uint16)

    def __getitem__(self, key):
        raise AssertionError("a frame was read")


def scan_of(frames, positions=None, orientation=None, **facts) -> Scan:
    orientation = orientation or Orientation()
    h, w = frames.shape[1:]
    geometry = Geometry(710.0, 0.08, (44e-6, 44e-6), (w, h) if orientation.transpose else (h, w))
    positions = spiral(frames.shape[0], 300e-9) if positions is None else positions
    return Scan(frames, positions, geometry, orientation=orientation, **facts)


# --- sizes


def test_defocused_probe_is_the_geometric_cone():
    # ray optics d = D·dz/f with f = D·drn/λ (X-Ray Data Booklet, section 4.4): f = 3.43592 mm, d = 0.69850 um
    probe = probe_size(PLATE, GEOMETRY.wavelength_m)
    assert probe.diameter_m == pytest.approx(240e-6 * 10e-6 / 3.43592e-3, rel=1e-5)
    assert "cone" in probe.which
    upstream = ZonePlate(240e-6, 25e-9, defocus_m=-10e-6)
    assert probe_size(upstream, GEOMETRY.wavelength_m).diameter_m == probe.diameter_m


def test_focused_probe_is_the_airy_disc():
    # X-Ray Data Booklet, section 4.4: Rayleigh radius 1.22 drn, 30.5 nm for 25 nm
    probe = probe_size(ZonePlate(240e-6, 25e-9, defocus_m=0.0), GEOMETRY.wavelength_m)
    assert probe.diameter_m == pytest.approx(2 * 30.5e-9, rel=1e-12)
    assert "Airy" in probe.which


def test_unknown_probe_says_nothing():
    assert probe_size(None, 1e-9) is None
    unknown = ZonePlate(240e-6, 25e-9)
    assert probe_size(unknown, 1e-9) is None
    assert checks.frame_sampling(GEOMETRY, unknown) == []
    assert checks.overlap(raster() * 1e-6, GEOMETRY, unknown) == []


# --- sampling and overlap


@pytest.mark.parametrize(
    ("ratio", "expected"), [(2.01, []), (1.99, ["caution"]), (1.01, ["caution"]), (0.99, ["serious"])]
)
def test_sampling_is_frame_width_over_probe(ratio, expected):
    # W = λz/p = 1.746256 nm · 80 mm / 44 um = 3.175011 um (hc = 1.239841984e-6 eV m, CODATA)
    d = 3.175011e-6 / ratio
    plate = ZonePlate(240e-6, 25e-9, defocus_m=d * 25e-9 / 1.746256e-9)
    found = checks.frame_sampling(GEOMETRY, plate)
    assert levels(found) == [(level, "sampling") for level in expected]
    assert all(f"{ratio:.2f} times" in f.text for f in found)


@pytest.mark.parametrize(
    ("share", "expected"),
    [
        (0.7, []),
        (0.61, []),
        (0.59, ["caution"]),
        (0.41, ["caution"]),
        (0.39, ["serious"]),
        (-0.2, ["serious"]),
    ],
)
def test_overlap_of_a_raster_is_one_minus_step_over_diameter(share, expected):
    # definition: 1 - s/d; Bunk et al., Ultramicroscopy 108 (2008) 481 (from memory) ask for about 60 %
    d = 0.698502e-6
    found = checks.overlap(raster(step=(1 - share) * d), GEOMETRY, PLATE)
    assert levels(found) == [(level, "overlap") for level in expected]
    assert all(f"by {100 * share:.0f} %" in f.text and "0.699 µm" in f.text for f in found)


def test_one_place_has_no_overlap():
    assert checks.overlap(np.zeros((5, 2)), GEOMETRY, PLATE) == []
    assert checks.overlap(np.zeros((1, 2)), GEOMETRY, PLATE) == []


# --- positions


@pytest.mark.parametrize(
    "positions",
    [
        raster(12),
        raster(3),
        raster(70),
        raster(20) @ np.array([[np.cos(0.3), np.sin(0.3)], [-np.sin(0.3), np.cos(0.3)]]),
        raster(14) * [3.0, 1.0],
        raster(14) @ np.array([[1, 0.5], [0, 0.866]]),  # hexagonal
        raster(1, columns=30),
    ],
    ids=["square", "3 x 3", "large", "turned", "oblong", "hexagonal", "line"],
)
def test_regular_rasters_are_seen(positions, rng):
    jitter = rng.uniform(-0.02, 0.02, positions.shape)
    shuffled = rng.permutation(positions + jitter) * 1e-7 + 3e-3
    assert levels(checks.regular_raster(shuffled)) == [("caution", "regular-raster")]
    assert raster_regularity(positions) > 0.1  # eight alike vectors of a large square raster: 1/8


@pytest.mark.parametrize("pattern", ["spiral", "rings", "jitter", "random", "few", "one place"])
def test_other_patterns_are_not(pattern, rng):
    positions = {
        "spiral": spiral(),
        "rings": rings(),
        "jitter": raster(20) + rng.uniform(-0.15, 0.15, (400, 2)),
        "random": rng.uniform(0, 20, (400, 2)),
        "few": raster(2),
        "one place": np.zeros((50, 2)),
    }[pattern]
    assert checks.regular_raster(positions * 1e-7) == []
    assert raster_regularity(positions * 1e-7) < 0.03


def test_repeated_positions():
    # object pixel 12.4 nm: a hundredth is 0.124 nm
    positions = spiral(50, 300e-9)
    assert checks.duplicates(positions, GEOMETRY) == []
    once = np.concatenate([positions, positions[7:8]])
    assert levels(checks.duplicates(once, GEOMETRY)) == [("note", "repeated-positions")]
    twice = np.concatenate([positions, positions])
    (found,) = checks.duplicates(twice, GEOMETRY)
    assert found.level == "caution"
    assert "50 of 100" in found.text
    stuck = np.full((20, 2), 1.25e-3)
    assert levels(checks.duplicates(stuck, GEOMETRY)) == [("serious", "repeated-positions")]


# --- numbers with limits


@pytest.mark.parametrize(("bad", "expected"), [(0, []), (102, []), (103, ["caution"]), (513, ["serious"])])
def test_masked_pixels(bad, expected):
    mask = np.ones(1024, bool)
    mask[:bad] = False
    assert [f.level for f in checks.masked_pixels(mask.reshape(32, 32))] == expected
    assert checks.masked_pixels(None) == []


@pytest.mark.parametrize(("worst", "expected"), [(0, []), (1, ["caution"]), (10, ["caution"]), (11, ["serious"])])
def test_saturated_pixels(worst, expected):
    assert [f.level for f in checks.saturated_pixels(np.array([0, worst, 0]), 1000)] == expected


@pytest.mark.parametrize(("n", "expected"), [(0, []), (10, ["note"]), (11, ["caution"]), (51, ["serious"])])
def test_frames_left_out(n, expected):
    assert [f.level for f in checks.frames_left_out(n, 100)] == expected


@pytest.mark.parametrize(("median", "expected"), [(3e4, []), (1.9e4, ["caution"]), (900, ["serious"])])
def test_low_counts(median, expected):
    totals = np.array([0.0, median, 1e9])
    assert [f.level for f in checks.low_counts(totals, "photon")] == expected
    assert checks.low_counts(totals, "ADU") == []


def test_gain_and_always_saturated():
    assert checks.unknown_gain("photon") == []
    assert levels(checks.unknown_gain("ADU")) == [("caution", "gain-unknown")]
    assert checks.always_saturated(0) == []
    assert levels(checks.always_saturated(3)) == [("caution", "always-saturated")]


def test_checking_a_scan_reads_no_frame():
    scan = scan_of(Untouchable(), raster(12) * 600e-9, zone_plate=PLATE, mask=np.zeros((256, 256), bool))
    found = {f.code: f.level for f in check_scan(scan)}
    assert found == {
        "overlap": "serious",
        "regular-raster": "caution",
        "masked-pixels": "serious",
        "gain-unknown": "caution",
    }


def test_a_good_scan_has_no_findings():
    scan = scan_of(Untouchable(), spiral(144, 200e-9), zone_plate=PLATE, counts_per_photon=1.0)
    assert check_scan(scan) == []


# --- the table


def test_geometry_table_against_the_handbook():
    scan = scan_of(Untouchable(), raster(12) * 200e-9, zone_plate=PLATE, exposure_s=0.05, saturation=60000.0)
    table = dict(geometry_table(scan))
    # λ = hc/E and dx = λz/(N p) with hc = 1.239841984e-6 eV m (CODATA); zone plate: X-Ray Data Booklet 4.4
    assert table["wavelength"] == "1.7463 nm"
    assert table["object pixel"] == "12.4 nm"
    assert table["frame width on the sample"] == "3.175 µm"
    assert table["half period at the detector's edge"] == "12.43 nm"  # λ/(2 sin(atan(N p/2z))) = 12.4331
    assert table["focal length"] == "3.4359 mm"
    assert table["probe diameter"].startswith("0.6985 µm (geometric cone")
    assert table["frame width / probe diameter"] == "4.55"  # 3.175011/0.698502
    assert table["nearest neighbour, median"] == "0.2 µm"
    assert table["linear overlap"].startswith("71.4 %")  # 1 - 0.2/0.6985
    assert table["scanned field"] == "2.2 µm"
    assert table["exposure"] == "50 ms"
    assert table["saturation"] == "60000 stored counts"
    assert table["counts a photon"] == "unknown"
    assert "photons a frame" not in table


def test_geometry_table_with_little_known():
    table = dict(geometry_table(scan_of(np.ones((1, 16, 20)), np.zeros((1, 2)))))
    assert table["zone plate"] == "unknown"
    assert table["object pixel"] == "198.4 (y) x 158.8 (x) nm"  # 3.175011 um / 16 and / 20
    assert "linear overlap" not in table
    no_defocus = scan_of(Untouchable(), raster(12) * 1e-7, zone_plate=ZonePlate(240e-6, 25e-9))
    assert dict(geometry_table(no_defocus))["defocus"] == "unknown"


@pytest.mark.parametrize(("what", "code"), checks.READER_WARNINGS.items())
def test_what_a_reader_decided_is_a_finding(what, code):
    note = Note(what, "the first 6214 frames", "file::/entry", "6214 frames, 10000 positions", guess=True)
    scan = scan_of(np.ones((4, 16, 16)), notes=(note, Note("energy_ev", "710", "file")))
    (found,) = checks.reader_warnings(scan)
    assert (found.level, found.code) == ("caution", code)
    assert "6214" in found.text
    assert "10000" in found.text
