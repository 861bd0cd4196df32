from __future__ import annotations

import numpy as np
import pytest

from scans.errors import InputError
from scans.trajectories import (
    PATTERNS,
    affine_matrix,
    areal_overlap,
    concentric_rings,
    effective_diameter,
    fermat_spiral,
    innermost,
    jittered_raster,
    linear_overlap,
    measure_overlap,
    power_diameter,
    probe_overlap,
    raster,
    step_for_areal_overlap,
)

UM = 1e-6


def _disc(n: int, diameter_px: float) -> np.ndarray:
    axis = np.arange(n) - n // 2
    return (np.hypot(axis[:, None], axis[None, :]) <= diameter_px / 2).astype(complex)


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("field", [(8 * UM, 8 * UM), (4 * UM, 12 * UM)])
def test_one_point_on_step_squared(name, field, rng):
    step = 0.1 * UM
    positions = PATTERNS[name](field, step, rng)
    # half a step beyond the outermost points belongs to them
    height, width = (length + step * ("raster" in name) for length in field)
    assert positions.dtype == np.float64
    assert len(positions) * step**2 == pytest.approx(height * width, rel=0.02)
    # and evenly so: each quadrant holds a quarter
    for sign in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        share = (positions * sign > 0).all(axis=1).mean()
        assert share == pytest.approx(0.25, abs=0.015)
    reach = np.abs(positions).max(axis=0)
    assert (reach <= np.array(field) / 2 + 0.2 * step * (name == "jittered_raster") + 1e-15).all()
    np.testing.assert_allclose(positions.mean(axis=0), 0, atol=0.5 * step)


def test_raster_rows_run_along_x():
    positions = raster((1.0 * UM, 2.0 * UM), 0.5 * UM)
    assert positions.shape == (15, 2)
    np.testing.assert_allclose(positions[:5, 1] / UM, [-1, -0.5, 0, 0.5, 1], atol=1e-12)
    np.testing.assert_allclose(positions[:5, 0] / UM, -0.5, atol=1e-12)


def test_jitter_is_uniform_within_its_bounds(rng):
    grid = raster((6 * UM, 6 * UM), 0.1 * UM)
    shift = (jittered_raster((6 * UM, 6 * UM), 0.1 * UM, rng, jitter=0.3) - grid) / (0.1 * UM)
    assert np.abs(shift).max() <= 0.3
    # variance of a uniform distribution of width w: w²/12
    assert shift.var() == pytest.approx(0.6**2 / 12, rel=0.05)


def test_jitter_repeats_with_its_seed():
    a, b, c = (jittered_raster((UM, UM), 0.1 * UM, np.random.default_rng(s)) for s in (5, 5, 6))
    assert a.tobytes() == b.tobytes()
    assert not np.array_equal(a, c)


def test_fermat_spiral_follows_its_formula():
    # r = c sqrt(k), θ = 2.399963 k, c = s/sqrt(π): Vogel, Math. Biosci. 44 (1979) 179 (from memory)
    step = 0.12 * UM
    positions = fermat_spiral((2 * UM, 2 * UM), step)
    k = np.arange(150)
    radius = step / np.sqrt(np.pi) * np.sqrt(k)
    np.testing.assert_allclose(positions[:150, 0], radius * np.sin(2.399963 * k), atol=1e-3 * step)
    np.testing.assert_allclose(positions[:150, 1], radius * np.cos(2.399963 * k), atol=1e-3 * step)


def test_rings_are_one_step_apart():
    step = 0.1 * UM
    radius = np.hypot(*concentric_rings((2 * UM, 2 * UM), step).T) / step
    np.testing.assert_allclose(radius, np.rint(radius), atol=1e-9)
    inside = radius < 9.5  # rings that the field does not cut
    counts = np.bincount(np.rint(radius[inside]).astype(int))
    np.testing.assert_array_equal(counts, [1, *(round(2 * np.pi * i) for i in range(1, 10))])


def test_innermost_keeps_order_and_square():
    positions = raster((0.6 * UM, 0.6 * UM), 0.1 * UM)
    kept = innermost(positions, 25)
    np.testing.assert_allclose(kept, raster((0.4 * UM, 0.4 * UM), 0.1 * UM), atol=1e-15)


@pytest.mark.parametrize("n", [0, 50])
def test_innermost_refuses_what_is_not_there(n):
    with pytest.raises(InputError, match=rf"trajectory: {n} positions wanted of 49; .*larger field"):
        innermost(raster((0.6 * UM, 0.6 * UM), 0.1 * UM), n)


@pytest.mark.parametrize(("field", "step"), [((UM, UM), 0.0), ((-UM, UM), 0.1 * UM), ((UM, np.nan), 0.1 * UM)])
@pytest.mark.parametrize("name", PATTERNS)
def test_impossible_field_or_step(name, field, step, rng):
    with pytest.raises(InputError, match=r"trajectory: field .* lengths in metres"):
        PATTERNS[name](field, step, rng)


# --- affine maps


def test_affine_matrix_turns_x_towards_y():
    turned = np.array([[0.0, 1.0]]) @ affine_matrix(rotation_rad=np.pi / 2).T  # (y, x)
    np.testing.assert_allclose(turned, [[1.0, 0.0]], atol=1e-15)


def test_affine_matrix_parts():
    np.testing.assert_allclose(affine_matrix(), np.eye(2))
    full = affine_matrix(scale=1.01, rotation_rad=0.02, asymmetry=0.004, shear=0.003)
    # areas scale with the determinant; rotation and shear keep them
    assert np.linalg.det(full) == pytest.approx(1.01**2 * (1 - 0.002**2), rel=1e-12)
    np.testing.assert_allclose(affine_matrix(shear=0.1) @ [1.0, 0.0], [1.0, 0.1])
    np.testing.assert_allclose(affine_matrix(asymmetry=0.2) @ [1.0, 1.0], [1.1, 0.9])


# --- overlap of discs


@pytest.mark.parametrize(
    ("x", "expected"),
    # two-circle lens area over the circle's (plane geometry), evaluated apart from this code
    [
        (0.1, 0.8728886),
        (0.25, 0.6850376),
        (0.3, 0.6238377),
        (0.4, 0.5046316),
        (0.5, 0.3910022),
        (1.0, 0.0),
        (2.0, 0.0),
    ],
)
def test_areal_overlap_values(x, expected):
    assert areal_overlap(x * 0.7 * UM, 0.7 * UM) == pytest.approx(expected, abs=1e-7)
    assert linear_overlap(x * 0.7 * UM, 0.7 * UM) == pytest.approx(1 - x)


@pytest.mark.parametrize(("overlap", "step"), [(0.6, 0.3196915), (0.65, 0.2785340), (0.7, 0.2378824), (0.8, 0.1577361)])
def test_step_for_areal_overlap(overlap, step):
    assert step_for_areal_overlap(overlap, 1.0) == pytest.approx(step, abs=1e-6)


def test_step_for_areal_overlap_takes_a_share():
    with pytest.raises(InputError, match=r"overlap: areal overlap 70; .*Give 0.7 for 70 %"):
        step_for_areal_overlap(70, UM)


@pytest.mark.parametrize("shift", [20, 77, 130])
def test_areal_overlap_against_counted_pixels(shift):
    disc = _disc(801, 400.5).real
    counted = (disc[:, shift:] * disc[:, :-shift]).sum() / disc.sum()
    assert areal_overlap(shift, 400.5) == pytest.approx(counted, abs=2e-3)


# --- measured overlap


def test_measured_overlap_of_a_raster_is_the_formula():
    found = measure_overlap(raster((2 * UM, 3 * UM), 0.1 * UM), 0.4 * UM)
    assert found.step_m == pytest.approx(0.1 * UM, rel=1e-9)
    assert found.nearest_m == pytest.approx(0.1 * UM, rel=1e-9)
    assert found.linear == pytest.approx(0.75, rel=1e-9)
    assert found.areal == pytest.approx(0.6850376, abs=1e-7)
    assert found.n_distinct == 21 * 31


@pytest.mark.parametrize("name", ["fermat_spiral", "concentric_rings", "jittered_raster"])
def test_measured_step_is_the_wanted_one(name, rng):
    positions = PATTERNS[name]((4 * UM, 4 * UM), 0.1 * UM, rng)
    found = measure_overlap(rng.permutation(positions), 0.4 * UM)
    assert found.step_m == pytest.approx(0.1 * UM, rel=0.02)
    low, high = found.nearest_range_m
    assert low <= found.nearest_m <= high <= 0.11 * UM


def test_measured_areal_overlap_against_brute_force(rng):
    positions = jittered_raster((1 * UM, 1 * UM), 0.1 * UM, rng)
    found = measure_overlap(positions, 0.4 * UM)
    distances = np.sort(np.hypot(*(positions[:, None] - positions[None]).transpose(2, 0, 1)), axis=1)
    each = [np.mean([areal_overlap(d, 0.4 * UM) for d in row[1:5]]) for row in distances]
    assert found.areal == pytest.approx(np.median(each), rel=1e-12)


def test_a_gap_in_the_scan_does_not_count_as_step():
    positions = raster((2 * UM, 2 * UM), 0.1 * UM)
    kept = positions[~((np.abs(positions[:, 0]) < 0.45 * UM) & (positions[:, 1] > -0.35 * UM))]
    assert measure_overlap(kept, 0.4 * UM).step_m == pytest.approx(0.1 * UM, rel=0.03)


def test_repeated_positions_count_once():
    positions = np.repeat(raster((1 * UM, 1 * UM), 0.1 * UM), 3, axis=0)
    found = measure_overlap(positions, 0.4 * UM)
    assert found.n_distinct == 121
    assert found.step_m == pytest.approx(0.1 * UM, rel=1e-9)


def test_single_line_has_its_spacing():
    line = np.linspace(0, 1, 11)[:, None] * np.array([[0.6, 0.8]]) * UM
    found = measure_overlap(line, 0.4 * UM)
    assert found.step_m == pytest.approx(0.1 * UM, rel=1e-9)
    assert found.linear == pytest.approx(0.75)


@pytest.mark.parametrize("measure", [lambda p: measure_overlap(p, UM), lambda p: probe_overlap(p, _disc(16, 8), 1e-8)])
def test_overlap_needs_two_places(measure):
    with pytest.raises(InputError, match=r"positions: 4 positions at one place; .*unit"):
        measure(np.full((4, 2), 1e-6))


def test_probe_overlap_of_a_disc_is_the_areal_overlap():
    positions = raster((1 * UM, 1 * UM), 0.1 * UM)
    probe = _disc(128, 80.5) * np.exp(0.3j)
    assert probe_overlap(positions, probe, 5e-9) == pytest.approx(areal_overlap(100.0, 402.5), abs=5e-3)
    # modes count by their summed intensity
    modes = np.stack([probe * np.sqrt(0.7), probe * np.sqrt(0.3)])
    assert probe_overlap(positions, modes, 5e-9) == pytest.approx(probe_overlap(positions, probe, 5e-9))


def test_probe_overlap_of_a_gaussian():
    # amplitude exp(-r²/w²): normalised autocorrelation exp(-s²/(2w²))
    axis = (np.arange(128) - 64) * 5e-9
    probe = np.exp(-(axis[:, None] ** 2 + axis**2) / (70e-9) ** 2)
    found = probe_overlap(raster((1 * UM, 1 * UM), 83e-9), probe, 5e-9)
    assert found == pytest.approx(np.exp(-(83**2) / (2 * 70**2)), abs=1e-4)


def test_diameters_of_disc_and_gaussian():
    disc = _disc(256, 150.5)
    assert effective_diameter(disc, 2e-9) == pytest.approx(301e-9, rel=2e-3)
    assert power_diameter(disc, 2e-9, 0.9) == pytest.approx(301e-9 * np.sqrt(0.9), rel=5e-3)
    # intensity exp(-r²/2s²): 90 % within r = s sqrt(2 ln 10), participation area 4πs²
    axis = np.arange(256) - 120.0
    gaussian = np.exp(-(axis[:, None] ** 2 + axis**2) / (4 * 15.0**2))
    assert power_diameter(gaussian, 1.0) == pytest.approx(30 * np.sqrt(2 * np.log(10)), rel=5e-3)
    assert effective_diameter(gaussian, 1.0) == pytest.approx(60.0, rel=1e-6)
