"""Several exposure times at one position, merged into one frame of high dynamic range.

For counts ``n_i ~ Poisson(rate · t_i)`` the likelihood is highest at ``rate = sum(n_i) / sum(t_i)`` over the
usable exposures, with variance ``rate / sum(t_i)`` (any text on Poisson counting). With read noise the
exposures are weighted by their variance. First `group_exposures` says which frames belong together, then
each group is merged alone, so that a stack can be streamed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse, spatial

from scans.errors import InputError
from scans.scan import Finding

SAME_EXPOSURE = 0.02  # relative; exposures recorded by a clock scatter by less (common practice, no source)
SAME_PLACE = 0.05  # of the typical step (common practice, no source)
LEAST_RATIO = 1.5  # of long to short totals, below which objects imitate exposures
ALTERNATING = 0.95  # share of neighbours in the file that must differ


@dataclass(frozen=True)
class ExposureGroups:
    """Which frames are merged, and with what weight.

    Parameters
    ----------
    members
        Frame indices of each merged frame, in order of the first of them.
    times
        ``(J,)`` exposure of each frame: seconds, or relative to the short one where `guess`.
    total
        Exposure T to which every merged frame is scaled: the sum over a complete group.
    guess
        True when the times were told from the counts.
    ratio, ratio_error
        Long over short as told from the counts, with its standard error; None when recorded.
    """

    members: tuple[NDArray[np.int64], ...]
    times: NDArray[np.float64] = field(repr=False)
    total: float
    guess: bool = False
    ratio: float | None = None
    ratio_error: float | None = None
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


class Merged(NamedTuple):
    """Merged frame ``(h, w)``: variance is ``values / weight + read_variance``; weight 0 = not measured."""

    values: NDArray[np.float32]
    weight: NDArray[np.float32]
    read_variance: NDArray[np.float32]


def group_exposures(
    positions_m: NDArray[np.float64],
    exposures_s: NDArray[np.float64] | None,
    totals: NDArray[np.float64],
    *,
    tolerance_m: float | None = None,
) -> ExposureGroups | None:
    """Find the frames that show one position with different exposures; None when there are none.

    Parameters
    ----------
    positions_m
        ``(J, 2)`` [m].
    exposures_s
        ``(J,)`` as recorded [s], or None: then long and short are told apart by the totals, and `guess` is set.
    totals
        ``(J,)`` sum of each dark-corrected frame that holds light, best over pixels that never saturate.
    tolerance_m
        Largest distance within a group [m]. Left out: 5 % of the typical step between frames of one exposure.

    Raises
    ------
    InputError
        Exposures not positive.
    """
    if exposures_s is None:
        long = _two_levels(totals)
        if long is None:
            return None
        labels = _groups(positions_m, long.astype(np.int64), tolerance_m)
        return _guessed(labels, long, totals)
    times = np.asarray(exposures_s, np.float64)
    if not (np.isfinite(times) & (times > 0)).all():
        raise InputError(
            f"exposure {times[~(np.isfinite(times) & (times > 0))][0]:g} s",
            where="exposures of the frames",
            expected="positive numbers, in seconds",
            fix="Correct the exposures, or leave them out: they are then told from the counts.",
        )
    levels = _levels(times)
    if levels.max() == 0:
        return None
    labels = _groups(positions_m, levels, tolerance_m)
    groups = _members(labels)
    if not any(len(set(levels[g])) > 1 for g in groups):
        return None
    text = ", ".join(f"{np.median(times[levels == k]):.4g} s" for k in range(levels.max() + 1))
    return _plan(groups, times, levels, f"exposures: {text} as recorded")


def _levels(times: NDArray[np.float64]) -> NDArray[np.int64]:
    """Count the different exposures, shortest first; a step of more than `SAME_EXPOSURE` starts a new one."""
    order = np.argsort(times, kind="stable")
    steps = np.diff(times[order]) > SAME_EXPOSURE * times[order][:-1]
    levels = np.zeros(len(times), np.int64)
    levels[order[1:]] = np.cumsum(steps)
    return levels


def _groups(positions: NDArray[np.float64], levels: NDArray[np.int64], tolerance: float | None) -> NDArray[np.int64]:
    """Label frames that lie within the tolerance of each other, through links in a chain."""
    n = len(positions)
    if tolerance is None:
        spacing = []
        for k in np.unique(levels):
            mine = np.unique(positions[levels == k], axis=0)
            if len(mine) > 1:
                spacing.append(np.median(spatial.cKDTree(mine).query(mine, k=2)[0][:, 1]))
        tolerance = SAME_PLACE * float(max(spacing)) if spacing else 0.0
    pairs = spatial.cKDTree(positions).query_pairs(tolerance, output_type="ndarray")
    graph = sparse.coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    labels = sparse.csgraph.connected_components(graph, directed=False)[1]
    return np.asarray(labels, np.int64)


def _members(labels: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    order = np.argsort(labels, kind="stable")
    parts = np.split(order, np.flatnonzero(np.diff(labels[order])) + 1)
    return sorted((np.asarray(p, np.int64) for p in parts), key=lambda p: int(p[0]))


def _plan(
    groups: Sequence[NDArray[np.int64]], times: NDArray[np.float64], levels: NDArray[np.int64], first: str
) -> ExposureGroups:
    """Fix the common exposure and say which groups are not complete."""
    complete = np.unique(levels)
    whole = [g for g in groups if len(set(levels[g])) == len(complete)]
    total = float(np.median([times[g].sum() for g in (whole or groups)]))
    steps = (
        first,
        f"exposures: {len(times)} frames merged into {len(groups)}, scaled to {total:.4g} s in all",
    )
    findings: tuple[Finding, ...] = ()
    if len(whole) < len(groups):
        findings = (
            Finding(
                "caution",
                "exposures-incomplete",
                f"{len(groups) - len(whole)} of {len(groups)} positions lack one of the {len(complete)} exposures; "
                "they are merged from what there is, with less weight",
                "If positions of one group differ, raise the tolerance for 'same position'.",
            ),
        )
    return ExposureGroups(tuple(groups), times, total, steps=steps, findings=findings)


def _two_levels(totals: NDArray[np.float64]) -> NDArray[np.bool_] | None:
    """Split totals into short and long where their logarithms lie in two clear heaps; None otherwise."""
    if len(totals) < 6 or not (totals > 0).all():
        return None
    logs = np.log(totals)
    ordered = np.sort(logs)
    gaps = np.diff(ordered)
    cut = int(np.argmax(gaps[1:-1])) + 1 if len(gaps) > 2 else int(np.argmax(gaps))
    long = logs > (ordered[cut] + ordered[cut + 1]) / 2
    if min(long.sum(), (~long).sum()) < max(3, 0.2 * len(totals)):
        return None
    # heaps apart by more than each is wide: no mixture of thick and thin sample does this by itself
    wide = max(float(np.ptp(logs[long])), float(np.ptp(logs[~long])))
    apart = float(np.median(logs[long]) - np.median(logs[~long]))
    return long if apart > math.log(LEAST_RATIO) and apart > wide else None


def _guessed(labels: NDArray[np.int64], long: NDArray[np.bool_], totals: NDArray[np.float64]) -> ExposureGroups | None:
    """Accept the two heaps as exposures when nearly every position has both, or frames alternate."""
    groups = _members(labels)
    pairs = [g for g in groups if long[g].any() and not long[g].all()]
    alternate = float(np.mean(long[1:] != long[:-1]))
    if len(pairs) < 0.5 * len(groups):
        if alternate < ALTERNATING:
            return None
        groups = [np.array([j], np.int64) for j in range(len(totals))]
        ratio = float(np.median(totals[long]) / np.median(totals[~long]))
        error = math.sqrt(math.pi / 2) * ratio * math.hypot(*(_relative_error(totals[k]) for k in (long, ~long)))
    else:
        sums = [[totals[g[long[g]]].mean(), totals[g[~long[g]]].mean()] for g in pairs]
        ratio, error = fit_ratio(*np.array(sums).T)
    times = np.where(long, ratio, 1.0)
    text = (
        f"exposures: none recorded; told from the totals: {long.sum()} long, {(~long).sum()} short, "
        f"ratio {ratio:.4g} ± {error:.2g}"
    )
    plan = _plan(groups, times, long.astype(np.int64), text)
    findings = [
        Finding(
            "caution",
            "exposures-guessed",
            text,
            "Give the exposures with the scan if they are known; the ratio scales bright against dim pixels.",
        )
    ]
    if len(groups) < len(totals):
        findings += plan.findings
    steps = tuple(s.replace(" s in all", " short exposures in all") for s in plan.steps)
    return ExposureGroups(plan.members, times, plan.total, True, ratio, error, steps, tuple(findings))


def _relative_error(values: NDArray[np.float64]) -> float:
    return float(values.std(ddof=1) / values.mean() / math.sqrt(len(values)))


def fit_ratio(long: NDArray[np.float64], short: NDArray[np.float64]) -> tuple[float, float]:
    """Fit the ratio of exposures from sums of pairs ``(n,)`` over the same pixels; return it with its error.

    Use `joint_sums`: pixels that saturate in the long frame pull the ratio down. The estimator is the ratio of
    the sums, its error the scatter of the pairs about it (ratio estimator: Cochran, Sampling Techniques, 1977,
    from memory).
    """
    ratio = float(long.sum() / short.sum())
    n = len(long)
    if n < 2:
        return ratio, math.inf
    scatter = float(((long - ratio * short) ** 2).sum()) * n / (n - 1)
    return ratio, math.sqrt(scatter) / float(short.sum())


def joint_sums(
    long: NDArray[np.floating], short: NDArray[np.floating], usable: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sum pairs of frames ``(n, h, w)`` over the pixels `usable` ``(n, h, w)`` in both; two arrays ``(n,)``.

    `usable` must come from the long frame's own limit, well below it: a count just below the limit is
    selected for being low.
    """
    axes = (1, 2)
    return (
        np.sum(long, axis=axes, where=usable, dtype=np.float64),
        np.sum(short, axis=axes, where=usable, dtype=np.float64),
    )


def merge_exposures(
    counts: NDArray[np.floating],
    times: NDArray[np.float64],
    usable: NDArray[np.bool_] | None,
    total: float,
    *,
    read_noise: float = 0.0,
    expected_rate: NDArray[np.floating] | None = None,
) -> Merged:
    """Merge the k exposures of one position by maximum likelihood.

    Parameters
    ----------
    counts
        ``(k, h, w)`` photons, dark-corrected.
    times
        ``(k,)`` exposures, the unit of `total`.
    usable
        ``(k, h, w)`` bool: not saturated, not bad; None when all are.
    total
        Exposure T to which the result is scaled.
    read_noise
        Rms a pixel and exposure [photons]. With 0 the result is ``sum(n)·T/sum(t)`` and the weight
        ``sum(t)/T``. Otherwise exposure i has the weight ``1 / (1 + read_noise² / (rate·t_i))``: bright pixels
        as before, dim ones by their time.
    expected_rate
        ``(h, w)`` photons per unit of time for these weights, e.g. of the mean pattern; left out, it comes
        from the counts themselves, which biases dim pixels by a part of their own noise.

    Returns
    -------
    Merged
        Values [photons in T], their weight and their read-noise variance.
    """
    t = np.asarray(times, np.float32)[:, None, None]
    use = np.ones(counts.shape, np.float32) if usable is None else usable.astype(np.float32)
    counts = np.where(use > 0, counts, 0)
    weights = use  # of n_i in the sum; t_i-weighted in the denominator
    if read_noise > 0:
        rate = expected_rate
        if rate is None:
            seen = (use * t).sum(axis=0)
            rate = counts.sum(axis=0) / np.where(seen > 0, seen, 1)
        mean = np.maximum(rate, 1e-3 / float(t.max())) * t
        weights = use * mean / (mean + np.float32(read_noise**2))
    seen = (weights * t).sum(axis=0)
    lit = seen > 0
    scale = np.float32(total) / np.where(lit, seen, 1)
    values = np.where(lit, (weights * counts).sum(axis=0) * scale, 0)
    squares = (weights**2 * t).sum(axis=0)
    weight = np.where(lit, seen**2 / np.where(lit, np.float32(total) * squares, 1), 0)
    variance = np.where(lit, np.float32(read_noise**2) * (weights**2).sum(axis=0) * scale**2, 0)
    return Merged(values.astype(np.float32), weight.astype(np.float32), variance.astype(np.float32))
