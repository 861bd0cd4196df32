from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import label

from scans.materials import CARBON, COPPER, GOLD, PROTEIN
from scans.specimens import SPECIMENS, catalyst, chart, organic_film, soften

NM = 1e-9


def _axis(half_width_um: float, pixel_nm: float) -> np.ndarray:
    n = round(half_width_um * 1000 / pixel_nm)
    return np.arange(-n, n) * pixel_nm * NM


@pytest.mark.parametrize("name", SPECIMENS)
def test_specimen_is_the_same_on_any_grid(name):
    large, coarse, part = _axis(1.2, 10), _axis(1.2, 20), _axis(0.6, 10)
    whole = SPECIMENS[name](large, large, 3)
    for material, thickness in SPECIMENS[name](coarse, coarse, 3).items():
        np.testing.assert_allclose(thickness, whole[material][::2, ::2], atol=1e-6 * NM)
    for material, thickness in SPECIMENS[name](part, large[30:100], 3).items():
        np.testing.assert_allclose(thickness, whole[material][60:180, 30:100], atol=1e-6 * NM)


@pytest.mark.parametrize("name", SPECIMENS)
def test_thickness_is_never_negative(name):
    axis = _axis(1.5, 12)
    for thickness in SPECIMENS[name](axis, axis, 5).values():
        assert thickness.shape == (len(axis), len(axis))
        assert thickness.dtype == np.float64
        assert thickness.min() >= 0
        assert np.isfinite(thickness).all()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_catalyst_is_grains_on_a_holey_film(seed):
    axis = _axis(2.5, 10)
    maps = catalyst(axis, axis, seed)
    film, copper = maps[CARBON], maps[COPPER]
    assert np.median(film[film > 0]) == pytest.approx(20 * NM, rel=0.15)
    assert 0.05 < (film == 0).mean() < 0.35
    assert copper.max() < 100 * NM
    grains = copper > 15 * NM
    assert 0.1 < grains.mean() < 0.6
    _, count = label(grains)
    assert count > 20
    # most of the copper of a grain is 20 to 80 nm thick
    inside = copper[copper > 30 * NM]
    assert 30 * NM < np.median(inside) < 80 * NM


def test_seed_changes_the_specimen():
    axis = _axis(1.0, 20)
    assert not np.array_equal(catalyst(axis, axis, 1)[COPPER], catalyst(axis, axis, 2)[COPPER])
    assert not np.array_equal(organic_film(axis, axis, 1)[PROTEIN], organic_film(axis, axis, 2)[PROTEIN])


def test_chart_has_its_spokes_and_bars():
    axis = _axis(1.0, 2)
    gold = chart(axis, axis, 0)[GOLD]
    angle = np.arange(4096) * 2 * np.pi / 4096
    ring = gold[np.rint(500 + 150 * np.sin(angle)).astype(int), np.rint(500 + 150 * np.cos(angle)).astype(int)] > 0
    assert np.count_nonzero(ring != np.roll(ring, 1)) == 64
    # five bars of 60 nm at the upper left: ten edges, 60 nm apart
    row = gold[round((1000 - 800) / 2), : round((1000 - 320) / 2)] > 0
    edges = np.flatnonzero(np.diff(row.astype(int)))
    assert len(edges) == 10
    np.testing.assert_allclose(np.diff(edges) * 2, 60, atol=2)
    assert set(np.unique(gold)) == {0.0, 60 * NM}


def test_soft_edges_are_gaussian():
    # 10-90 % width of an edge blurred by a Gaussian: 2.5631 rms (error function)
    step = np.zeros((4, 400))
    step[:, 200:] = 1.0
    soft = soften({GOLD: step}, 1 * NM, 12 * NM)[GOLD][0]
    low, high = np.interp([0.1, 0.9], soft, np.arange(400))
    assert high - low == pytest.approx(2.5631 * 12, rel=0.01)
