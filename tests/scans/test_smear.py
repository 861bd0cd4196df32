"""Smear is judged against the simulated detector, and direct sums of its definition."""

from __future__ import annotations

import numpy as np
import pytest

from scans.detector_model import DetectorModel
from scans.smear import Smear, find_smear


def beam(shape=(96, 96), centre=(46.3, 49.1), photons=3e5, tail=3.0):
    """Bright annulus and a fading scatter, as a zone plate gives."""
    y, x = np.indices(shape)
    r = np.hypot(y - centre[0], x - centre[1])
    disc = np.clip(13.5 - r, 0, 1) * np.clip(r - 4.5, 0, 1)
    image = disc + 0.3 / (1 + (r / 8) ** tail)
    return photons * image / image.sum()


@pytest.mark.parametrize("side", ["both", "before", "after"])
@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("share", [1e-4, 3e-3])
def test_correction_inverts_the_definition(rng, side, axis, share):
    true = rng.uniform(0, 50, (3, 20, 24))
    n = true.shape[axis + 1]
    earlier = np.tril(np.ones((n, n)), -1)
    mixing = {"both": np.ones((n, n)), "before": earlier, "after": earlier.T}[side]
    factor = np.array([1.0, 0.5, 4.0])
    # measured = (1 + share·factor·mixing) true, written out as matrices
    matrices = np.eye(n) + share * factor[:, None, None] * mixing
    measured = matrices @ true if axis == 0 else (matrices @ true.swapaxes(1, 2)).swapaxes(1, 2)
    out = np.ascontiguousarray(measured)
    Smear(share, 0.0, axis, side).correct(out, factor)
    np.testing.assert_allclose(out, true, rtol=1e-10, atol=1e-10)


@pytest.mark.parametrize("read_noise_e", [2.0, 6.0, 20.0])
@pytest.mark.parametrize("share", [2e-4, 1e-3, 5e-3])
def test_share_of_a_simulated_detector(rng, read_noise_e, share):
    model = DetectorModel(smear=share, read_noise_e=read_noise_e, counts_per_photon=20.0)
    expected = np.broadcast_to(beam(), (16, 96, 96))
    shot = model.expose(expected, rng)
    smear, findings = find_smear(shot.frames.mean(axis=0), np.ones((96, 96), bool))
    assert smear is not None
    assert (smear.axis, smear.side) == (0, "both")
    assert smear.share == pytest.approx(share, abs=4 * smear.error)
    assert smear.share == pytest.approx(share, rel=0.05)
    assert not findings


@pytest.mark.parametrize("side", ["before", "after"])
def test_smear_from_one_side_along_rows(rng, side):
    true = np.broadcast_to(beam(), (96, 96))
    running = np.cumsum(true, axis=1) - true
    smeared = true + 2e-3 * (running if side == "before" else true.sum(axis=1, keepdims=True) - running - true)
    mean = rng.poisson(40 * smeared) / 40 + 0.02 * rng.standard_normal((96, 96))
    smear, _ = find_smear(mean, np.ones((96, 96), bool))
    assert (smear.axis, smear.side) == (1, side)
    assert smear.share == pytest.approx(2e-3, rel=0.03)


@pytest.mark.parametrize("tail", [2.0, 3.0, 4.0])
@pytest.mark.parametrize("photons", [1e4, 1e6])
def test_scatter_is_no_smear(rng, tail, photons):
    mean = rng.poisson(40 * beam(photons=photons, tail=tail)) / 40
    smear, findings = find_smear(mean, np.ones((96, 96), bool))
    assert smear is None
    assert not findings
    # noiseless: nothing hides a false fit
    assert find_smear(beam(photons=photons, tail=tail), np.ones((96, 96), bool))[0] is None


def test_streaks_across_the_beam_are_no_smear(rng):
    """A horizontal edge in the sample throws light up and down, as wide as the beam, fading with 1/q²."""
    y, _ = np.indices((96, 96))
    mean = beam(photons=1e6)
    streak = mean.sum(axis=0) * 1e-1 / (1 + (y - 46.3) ** 2)
    for image in (mean + streak, rng.poisson(40 * (mean + streak)) / 40):
        assert find_smear(image, np.ones((96, 96), bool))[0] is None


def test_bad_pixels_do_not_matter(rng):
    good = rng.random((96, 96)) > 0.01
    good[:, 30] = False
    mean = beam() + 1e-3 * beam().sum(axis=0)
    mean = np.where(good, rng.poisson(40 * mean) / 40, 1e5)
    smear, _ = find_smear(mean, good)
    assert smear.share == pytest.approx(1e-3, rel=0.03)


def test_an_empty_pattern_has_no_smear():
    assert find_smear(np.zeros((32, 32)), np.ones((32, 32), bool)) == (None, ())


def test_smear_of_unknown_sums_is_told_and_left(rng):
    mean = beam() + 2e-3 * beam().sum(axis=0)
    full = mean > 0.5 * mean.max()
    seen = np.minimum(rng.poisson(40 * mean) / 40, 0.5 * mean.max())
    good = np.ones(mean.shape, bool)
    assert find_smear(seen, good)[0] is not None  # a share of sums that are too small
    smear, findings = find_smear(seen, good, full)
    assert smear is None
    assert [(f.level, f.code) for f in findings] == [("caution", "smear-saturated")]
    assert find_smear(rng.poisson(40 * beam()) / 40, good, full) == (None, ())
