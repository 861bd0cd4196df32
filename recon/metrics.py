"""Judging a run: what photon noise alone would leave, and what that says about this one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from recon.backend import Array, array_module, to_host
from recon.kernels import PassSums, residual_pass
from recon.physics import deviance_terms
from recon.problem import Problem
from recon.result import StopReason
from recon.state import State
from scans.scan import Finding

VERDICTS = ("good", "usable with cautions", "not to be trusted")
# Pixels with fewer expected counts say little about the fit: the amplitude model is biased there.
BRIGHT = 1.0
# A misfit is reported where noise does not explain it (deviance over expectation above this) and it matters
# (share of what makes the frames differ). Measured on simulated scans: right ones end at 0.00 to 0.07, position
# errors of 40 nm (3 pixels) at 0.3, transposed or shuffled positions at 0.7 and more: docs/methods.md.
UNEXPLAINED = 1.5
MISFIT_CAUTION, MISFIT_SERIOUS = 0.10, 0.35


@dataclass(frozen=True)
class Fit:
    """How the final model fits the frames.

    Parameters
    ----------
    r_factor
        ``Σ |√I - √i| / Σ √I`` over all measured pixels.
    deviance
        Poisson deviance per measured pixel.
    noise_ratio
        Deviance over what it would be if the model were the truth and the counts photons, of bright pixels.
    misfit
        Share of the differences between frames that the model does not explain: its deviance beyond noise
        over that of a model without a sample, the mean pattern scaled to each frame's total.
    illumination
        ``(H, W)`` counts that fell on each object pixel, ``Σ_j |P_j|²``.
    """

    r_factor: float
    deviance: float
    noise_ratio: float
    misfit: float
    illumination: NDArray[np.floating]


def expected_deviance(mean: NDArray[np.floating]) -> NDArray[np.float64]:
    """Mean Poisson deviance ``E 2[m - k + k ln(k/m)]`` of counts k with mean m.

    Exact sums on a grid of means, interpolated in ln m; ``1 + 1/(6 m)`` beyond it (the first terms of the
    series in 1/m), ``m → 0`` below.
    """
    grid, values = _deviance_table()
    m = np.maximum(np.asarray(mean, float), 1e-12)
    inside = np.interp(np.log(m), np.log(grid), values)
    # E[m - k] = 0 leaves 2 (E[k ln k] - m ln m); below the grid counts above one are too rare to matter.
    low = -2 * m * np.log(m)
    return np.where(m < grid[0], low, np.where(m > grid[-1], 1 + 1 / (6 * m), inside))


def _deviance_table() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    grid = np.geomspace(1e-3, 200, 160)
    k = np.arange(0, 400)[None, :]
    log_p = k * np.log(grid[:, None]) - grid[:, None] - special.gammaln(k + 1)
    terms = 2 * (grid[:, None] - k + special.xlogy(k, np.maximum(k, 1) / grid[:, None]))
    return grid, (np.exp(log_p) * terms).sum(axis=1)


def evaluate(problem: Problem, state: State, batch: int = 16) -> Fit:
    """Measure the final state with no update in between."""
    sums = PassSums.like(state)
    xp = array_module(state.object_)
    grid, values = _deviance_table()
    log_grid, table = xp.asarray(np.log(grid)), xp.asarray(values)
    pattern = _mean_pattern(problem)
    totals = xp.zeros(4)  # of bright pixels: deviance and expectation of the model, then of the bare pattern
    for start in range(0, problem.n_frames, batch):
        index = np.arange(start, min(start + batch, problem.n_frames))
        frames = state.batch(problem, index)
        model = residual_pass(state, frames, sums)
        measured = xp.ones_like(frames.counts, dtype=bool) if frames.mask is None else frames.mask
        shown = frames.expected(pattern)
        level = (frames.counts * measured).sum(axis=(1, 2)) / (shown * measured).sum(axis=(1, 2))
        bare = level[:, None, None] * shown
        chosen = (bare >= BRIGHT) & measured
        for first, shown in ((0, model), (2, bare)):
            totals[first] += deviance_terms(shown, frames.counts, chosen, frames.read_variance)
            totals[first + 1] += (_expected_on_device(shown + frames.read_variance, log_grid, table) * chosen).sum()
    residuals = to_host(sums.residuals)
    deviance, expected, bare_deviance, bare_expected = (float(v) for v in to_host(totals))
    differences = max(bare_deviance - bare_expected, 0.0)
    return Fit(
        r_factor=float(residuals[0]) / problem.sum_amplitude,
        deviance=float(residuals[1]) / problem.n_measured,
        noise_ratio=deviance / expected if expected else 0.0,
        misfit=max(deviance - expected, 0.0) / differences if differences else 0.0,
        illumination=to_host(sums.illumination),
    )


def _mean_pattern(problem: Problem) -> Array:
    """Mean intensity that the measured counts of each detector pixel stand for, ``(N, N)``; 0 where none is."""
    xp = array_module(problem.counts)
    if problem.response is None and problem.flux is None:
        if problem.mask is None or len(problem.mask) == 1:
            return problem.counts.mean(axis=0)
        return problem.counts.sum(axis=0) / xp.maximum(problem.mask.sum(axis=0), 1)
    exposure = 1 if problem.response is None else problem.response
    exposure = exposure if problem.flux is None else exposure * problem.flux
    if problem.mask is not None:
        exposure = exposure * problem.mask
    total = xp.broadcast_to(exposure, problem.counts.shape).sum(axis=0)
    return problem.counts.sum(axis=0) / xp.where(total > 0, total, 1)


def _expected_on_device(intensity: Array, log_grid: Array, table: Array) -> Array:
    """`expected_deviance` where the model is bright."""
    xp = array_module(intensity)
    model = xp.maximum(intensity, BRIGHT).astype(xp.float64)
    return xp.where(model > 200, 1 + 1 / (6 * model), xp.interp(xp.log(model), log_grid, table))


def judge(
    fit: Fit, stop: StopReason | None, unit: str, findings: tuple[Finding, ...]
) -> tuple[str, tuple[Finding, ...]]:
    """Return the verdict and all findings: the scan's own and those on the run.

    A serious finding means "not to be trusted", a caution "usable with cautions".
    """
    found = [*findings, *_stop_findings(stop), *_fit_findings(fit, unit)]
    return verdict_of(found), tuple(found)


def verdict_of(findings: Iterable[Finding]) -> str:
    """Return what findings come to: the gravest decides."""
    levels = {finding.level for finding in findings}
    return VERDICTS[2 if "serious" in levels else 1 if "caution" in levels else 0]


def _stop_findings(stop: StopReason | None) -> list[Finding]:
    if stop in (StopReason.DIVERGED, StopReason.NON_FINITE):
        return [
            Finding(
                "serious",
                "diverged",
                "the run diverged; the image is the best state before that",
                "Check positions, centre and orientation; take smaller steps (-s solve.main.alpha=1).",
            )
        ]
    if stop in (StopReason.INTERRUPTED, StopReason.TIME_LIMIT):
        return [
            Finding(
                "caution",
                "stopped early",
                f"the run was stopped early ({stop.value})",
                "Go on with --resume, or give more time.",
            )
        ]
    return []


def _fit_findings(fit: Fit, unit: str) -> list[Finding]:
    if unit != "photon":
        return []
    if fit.noise_ratio > UNEXPLAINED and fit.misfit > MISFIT_CAUTION:
        return [
            Finding(
                "serious" if fit.misfit > MISFIT_SERIOUS else "caution",
                "misfit",
                f"the model leaves {100 * min(fit.misfit, 1):.2g} % of the differences between frames unexplained, "
                f"and its deviance is {fit.noise_ratio:.1f} times that of photon noise",
                "Likely causes: position errors, partial coherence, a wrong centre, orientation or gain, "
                "background, or too few iterations.",
            )
        ]
    return []
