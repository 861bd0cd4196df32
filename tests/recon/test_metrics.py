from dataclasses import replace

import numpy as np
import pytest
import scipy.special
import scipy.stats
import tolerances as tol
from helpers_core import curved_probe, plain_waves, problem_from_model, relative, smooth_object, spiral_px

from recon import metrics, physics
from recon.metrics import Fit, evaluate, expected_deviance, judge
from recon.result import StopReason
from recon.state import start_state
from scans.scan import Finding


def exact_deviance(m):
    """Sum over all counts, with SciPy's own probabilities and relative entropy terms."""
    k = np.arange(int(m + 30 * np.sqrt(m) + 60))
    terms = 2 * scipy.special.kl_div(k, np.full(len(k), float(m)))  # k ln(k/m) - k + m
    return float((scipy.stats.poisson.pmf(k, m) * terms).sum())


# Exact sums by an independent program (four decimals)
KNOWN = {0.01: 0.0922, 0.1: 0.4741, 0.5: 1.0070, 1: 1.1468, 2: 1.1394, 3: 1.0946, 5: 1.0467, 10: 1.0188, 100: 1.0017}


@pytest.mark.parametrize("mean", KNOWN)
def test_expected_deviance_known_values(mean):
    assert abs(float(expected_deviance(np.array(mean))) - KNOWN[mean]) < 0.0001
    assert abs(exact_deviance(mean) - KNOWN[mean]) < 0.00006


def test_expected_deviance_is_the_exact_sum_everywhere():
    # below the table, inside, across its ends, and beyond
    means = np.geomspace(1e-5, 3e3, 97)
    found = expected_deviance(means)
    errors = [abs(f - exact_deviance(m)) / exact_deviance(m) for f, m in zip(found, means, strict=True)]
    assert float(max(errors)) < tol.EXPECTED_DEVIANCE, (max(errors), means[int(np.argmax(errors))])


@pytest.mark.parametrize("mean", [0.05, 0.7, 4.0, 60.0])
def test_expected_deviance_by_drawing_counts(rng, mean):
    n = 200_000
    counts = rng.poisson(mean, n).astype(float)
    each = physics.deviance_terms(np.full(n, mean), counts, None) / n
    # the deviance of one pixel scatters by about √2, less at low counts
    assert abs(each - expected_deviance(np.array(mean))) < 5 * np.sqrt(2 / n)


@pytest.mark.parametrize(("mean", "floor"), [(1.0, 0.658), (10.0, 0.129), (100.0, 0.0400)])
def test_r_factor_floor_at_the_truth(rng, mean, floor):
    # E|√k - √m| / E√k of Poisson counts (exact sums, three decimals)
    n = 200_000
    counts = rng.poisson(mean, n).astype(float)
    found = physics.r_factor_terms(np.full(n, mean), counts, None) / np.sqrt(counts).sum()
    assert abs(found / floor - 1) < 0.01


# --- evaluate -------------------------------------------------------------------------------------------------


@pytest.fixture(params=[None, "mask"])
def at_truth(request, rng):
    truth, probe = smooth_object(rng, (44, 44)), 300 * curved_probe(20)
    mask = None if request.param is None else rng.random((1, 20, 20)) > 0.15
    problem = problem_from_model(truth, probe, 22 + spiral_px(35, 2.6), rng=rng, mask=mask)
    state = start_state(problem, probe, 0)
    state.object_ = truth.copy()
    return problem, state


def test_read_noise_is_no_misfit(rng):
    # at the truth what is left is noise, whether of photons alone or of the read-out too: a ratio of one
    truth, probe = smooth_object(rng, (44, 44)), 300 * curved_probe(20)
    problem = problem_from_model(truth, probe, 22 + spiral_px(35, 2.6), rng=rng)
    noisy = problem.counts + rng.normal(0, 3.0, problem.counts.shape)
    state = start_state(problem, probe, 0)
    state.object_ = truth.copy()
    told, untold = (evaluate(replace(problem, counts=noisy, read_noise=sigma), state) for sigma in (3.0, 0.0))
    assert told.noise_ratio == pytest.approx(1, abs=0.05)
    assert untold.noise_ratio > 1.3


def test_evaluation_adds_up_over_batches(at_truth):
    problem, state = at_truth
    found = evaluate(problem, state, batch=16)  # 16, 16 and 3 frames
    batch = problem.batch(np.arange(35), state.positions_px)
    probes, waves, _ = plain_waves(state.object_, state.probe, batch)
    i = (np.abs(np.fft.fft2(waves, norm="ortho")) ** 2).sum(axis=1)
    seen = np.ones(i.shape, bool) if batch.mask is None else np.broadcast_to(batch.mask, i.shape)
    counts = batch.counts
    expected = np.abs(np.sqrt(counts) - np.sqrt(i))[seen].sum() / np.sqrt(counts)[seen].sum()
    assert float(abs(found.r_factor / expected - 1)) < tol.EXACT_SUM
    floored = np.maximum(i, physics.INTENSITY_FLOOR)
    expected = 2 * scipy.special.kl_div(counts, floored)[seen].mean()
    assert float(abs(found.deviance / expected - 1)) < tol.EXACT_SUM
    lit = np.zeros(problem.object_shape)
    for (y, x), one in zip(batch.corners, probes, strict=True):
        lit[y : y + 20, x : x + 20] += (np.abs(one) ** 2).sum(axis=0)
    assert relative(found.illumination, lit) < tol.PASS_C128
    # batches of any size give the same
    other = evaluate(problem, state, batch=9)
    assert other.noise_ratio == pytest.approx(found.noise_ratio, rel=1e-12)


def test_photon_noise_alone_is_no_misfit(at_truth):
    problem, state = at_truth
    fit = evaluate(problem, state)
    # n bright pixels, deviance scatters by √2 each: 5 standard errors
    i_bright = 0.25 * problem.n_measured
    assert abs(fit.noise_ratio - 1) < 5 * np.sqrt(2 / i_bright), fit.noise_ratio
    assert fit.misfit < 0.02
    assert judge(fit, StopReason.ITERATION_LIMIT, "photon", ()) == ("good", ())


def test_wrong_positions_are_a_misfit(rng, at_truth):
    problem, state = at_truth
    state.positions_px = state.positions_px + rng.normal(scale=2.0, size=(35, 2)).clip(-2.5, 2.5)
    fit = evaluate(problem, state)
    assert fit.noise_ratio > metrics.UNEXPLAINED
    verdict, findings = judge(fit, StopReason.ITERATION_LIMIT, "photon", ())
    assert verdict != "good"
    assert [f.code for f in findings] == ["misfit"]
    assert "position" in findings[0].fix
    # without the gain there is no photon noise to compare with
    assert judge(fit, StopReason.ITERATION_LIMIT, "ADU", ()) == ("good", ())


def test_misfit_is_the_share_of_the_differences_between_frames(rng):
    # Wrong object at high counts, where a count's deviance is (k - m)²/m to first order and 1 is expected of it
    truth, probe = smooth_object(rng, (44, 44)), 3e3 * curved_probe(20)
    problem = problem_from_model(truth, probe, 22 + spiral_px(35, 2.6), rng=rng)
    state = start_state(problem, probe, 0)
    state.object_ = 0.5 * truth + 0.5
    batch = problem.batch(np.arange(35), state.positions_px)
    _, waves, _ = plain_waves(state.object_, state.probe, batch)
    model = (np.abs(np.fft.fft2(waves, norm="ortho")) ** 2).sum(axis=1)
    counts = problem.counts.astype(float)
    pattern = counts.mean(axis=0)
    bare = pattern * (counts.sum(axis=(1, 2)) / pattern.sum())[:, None, None]
    seen = bare >= metrics.BRIGHT
    excess = [(2 * scipy.special.kl_div(counts, m) - 1)[seen].sum() for m in (model, bare)]
    share = excess[0] / excess[1]
    assert 0.05 < share < 1
    assert evaluate(problem, state).misfit == pytest.approx(share, rel=0.01)


# --- verdicts -------------------------------------------------------------------------------------------------


def fit(noise_ratio=1.0, misfit=0.0):
    return Fit(0.1, 1.0, noise_ratio, misfit, np.zeros((2, 2)))


def finding(level):
    return Finding(level, "code", "text")


@pytest.mark.parametrize(
    ("given", "verdict"),
    [
        ((), "good"),
        ((finding("note"),), "good"),
        ((finding("caution"), finding("note")), "usable with cautions"),
        ((finding("caution"), finding("serious")), "not to be trusted"),
    ],
)
def test_the_worst_finding_decides(given, verdict):
    assert judge(fit(), StopReason.CONVERGED, "photon", given) == (verdict, given)


@pytest.mark.parametrize(
    ("stop", "verdict"),
    [
        (StopReason.CONVERGED, "good"),
        (StopReason.ITERATION_LIMIT, "good"),
        (StopReason.TIME_LIMIT, "usable with cautions"),
        (StopReason.INTERRUPTED, "usable with cautions"),
        (StopReason.DIVERGED, "not to be trusted"),
        (StopReason.NON_FINITE, "not to be trusted"),
        (None, "good"),  # still running
    ],
)
def test_the_end_of_a_run_counts(stop, verdict):
    assert judge(fit(), stop, "photon", ())[0] == verdict


@pytest.mark.parametrize(
    ("ratio", "misfit", "verdict"),
    [
        (1.2, 0.5, "good"),  # noise explains it
        (9.0, 0.01, "good"),  # beyond noise, but far too little to matter
        (2.0, 0.2, "usable with cautions"),
        (2.0, 0.5, "not to be trusted"),
    ],
)
def test_misfit_matters_where_noise_does_not_explain_it(ratio, misfit, verdict):
    assert judge(fit(ratio, misfit), StopReason.CONVERGED, "photon", ())[0] == verdict
