"""Judging a run: what photon noise alone would leave, and what that says about this one."""

from __future__ import annotations

import math
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
# Pixels where the model is dimmer than this [counts] say little about the fit: the amplitude model is biased there.
BRIGHT = 1.0
# A misfit is reported where noise does not explain it (deviance over expectation above this) and it matters
# (share of the amplitude). Set from simulated scans with and without position errors and partial coherence.
UNEXPLAINED = 1.5
MISFIT_CAUTION, MISFIT_SERIOUS = 0.03, 0.10


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
        Amplitude that the model does not explain beyond noise, as a share: ``√(Σ excess deviance / 4 Σ I)``.
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
    sums = PassSums.like(state.object_, state.probe)
    xp = array_module(state.object_)
    grid, values = _deviance_table()
    log_grid, table = xp.asarray(np.log(grid)), xp.asarray(values)
    bright = xp.zeros(3)  # deviance, its expectation, counts
    for start in range(0, problem.n_frames, batch):
        index = np.arange(start, min(start + batch, problem.n_frames))
        frames = problem.batch(index, state.positions_px)
        intensity = residual_pass(state.object_, state.probe, frames, sums)
        chosen = intensity >= BRIGHT
        if frames.mask is not None:
            chosen &= frames.mask
        bright[0] += deviance_terms(intensity, frames.counts, chosen)
        bright[1] += (_expected_on_device(intensity, log_grid, table) * chosen).sum()
        bright[2] += (frames.counts * chosen).sum(dtype=xp.float64)
    residuals = to_host(sums.residuals)
    deviance, expected, counts = (float(v) for v in to_host(bright))
    return Fit(
        r_factor=float(residuals[0]) / problem.sum_amplitude,
        deviance=float(residuals[1]) / problem.n_measured,
        noise_ratio=deviance / expected if expected else 0.0,
        misfit=math.sqrt(max(0.0, deviance - expected) / (4 * counts)) if counts > 0 else 0.0,
        illumination=to_host(sums.illumination),
    )


def _expected_on_device(intensity: Array, log_grid: Array, table: Array) -> Array:
    """`expected_deviance` where the model is bright."""
    xp = array_module(intensity)
    model = xp.maximum(intensity, BRIGHT).astype(xp.float64)
    return xp.where(model > 200, 1 + 1 / (6 * model), xp.interp(xp.log(model), log_grid, table))


def judge(fit: Fit, stop: StopReason | None, unit: str, findings: tuple[Finding, ...]) -> tuple[str, tuple[Finding, ...]]:
    """Return the verdict and all findings: the scan's own and those on the run.

    A serious finding means "not to be trusted", a caution "usable with cautions".
    """
    found = [*findings, *_stop_findings(stop), *_fit_findings(fit, unit)]
    levels = {f.level for f in found}
    grade = 2 if "serious" in levels else 1 if "caution" in levels else 0
    return VERDICTS[grade], tuple(found)


def _stop_findings(stop: StopReason | None) -> list[Finding]:
    if stop in (StopReason.DIVERGED, StopReason.NON_FINITE):
        return [
            Finding(
                "serious",
                "diverged",
                "the run diverged; the image is the best state before that",
                "Check positions, centre and orientation; take smaller steps (-s solve.alpha=1).",
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
                f"the model leaves {100 * fit.misfit:.2g} % of the amplitude unexplained, and its deviance is "
                f"{fit.noise_ratio:.1f} times that of photon noise",
                "Likely causes: position errors, partial coherence, a wrong centre, orientation or gain, "
                "background, or too few iterations.",
            )
        ]
    return []
