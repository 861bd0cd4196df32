"""Dark frames of one or more sets, reduced to the dark that belongs to a frame.

A set is what was taken with one exposure, before or after the scan. Cosmic rays are rejected; what the dark
frames say of noise, hot and noisy pixels is kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from scans.errors import InputError
from scans.scan import Finding

Method = Literal["clipped", "median", "mean"]
CLIP_SIGMA = 6.0  # 2e-9 of normal values lie outside
NOISY_QUANTILE = 1e-7  # of the chi-square law; one pixel in ten million is called noisy for nothing
SAME_EXPOSURE = 0.005  # relative (common practice, no source)
BAND_BYTES = 32 << 20


@dataclass(frozen=True)
class DarkSet:
    """Dark ``(h, w)`` float32 of `n_frames` frames of one exposure; `when` is 0 before, 1 after the scan."""

    values: NDArray[np.float32] = field(repr=False)
    n_frames: int
    exposure_s: float | None = None
    when: float | None = None


@dataclass(frozen=True)
class Darks:
    """What dark frames say, in stored counts.

    Parameters
    ----------
    sets
        One for each exposure and time.
    read_noise, noise
        Rms along the frames: of the typical pixel, and ``(h, w)`` float32 of each; 0 for single frames.
    usable, hot, noisy
        ``(h, w)`` bool: finite in all frames; far above its surroundings; varying more than the others or
        flickering between levels.
    spikes
        Number of values rejected as cosmic rays.
    """

    sets: tuple[DarkSet, ...]
    read_noise: float
    noise: NDArray[np.float32] = field(repr=False)
    usable: NDArray[np.bool_] = field(repr=False)
    hot: NDArray[np.bool_] = field(repr=False)
    noisy: NDArray[np.bool_] = field(repr=False)
    spikes: int
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    def at(self, exposure_s: float | None = None, when: float | None = None) -> tuple[NDArray[np.float32], str]:
        """Return the dark ``(h, w)`` for a frame of this exposure [s], and how it was chosen.

        `when` is the frame's place in the scan from 0 to 1: between a set before and one after, the dark is
        interpolated.
        """
        if all(s.exposure_s is None for s in self.sets) or (len(_exposures(self.sets)) == 1 and exposure_s is None):
            return _in_time(self.sets, when)
        if exposure_s is None:
            largest = max(_exposures(self.sets), key=lambda e: sum(s.n_frames for s in self.sets if s.exposure_s == e))
            dark, _ = _in_time([s for s in self.sets if s.exposure_s == largest], when)
            return dark, f"exposure of the frame unknown: dark of {largest:.4g} s taken, a guess"
        same = [s for s in self.sets if s.exposure_s and abs(s.exposure_s / exposure_s - 1) < SAME_EXPOSURE]
        if same:
            dark, how = _in_time(same, when)
            return dark, f"dark of the frame's own exposure, {exposure_s:.4g} s{how and ', ' + how}"
        return _in_exposure(self.sets, exposure_s)

    def part(self, box: tuple[slice, slice]) -> Darks:
        """Return the darks of some rows and columns."""
        sets = tuple(replace(s, values=np.ascontiguousarray(s.values[box])) for s in self.sets)
        planes = {name: getattr(self, name)[box] for name in ("noise", "usable", "hot", "noisy")}
        return replace(self, sets=sets, **planes)

    def needs_care(self, exposures_s: NDArray[np.float64] | None) -> tuple[Finding, ...]:
        """Return findings for exposures of a scan that have no dark of their own and none to interpolate."""
        known = _exposures(self.sets)
        if not known or (exposures_s is None and len(known) == 1):
            return ()
        wanted = [None] if exposures_s is None else [float(e) for e in np.unique(exposures_s)]
        texts = [self.at(e)[1] for e in wanted]
        doubtful = sorted({t for t in texts if "guess" in t})
        fix = "Take dark frames with the exposure of the frames, or give the exposures of both."
        return tuple(Finding("caution", "dark-exposure", t, fix) for t in doubtful)


def _exposures(sets: tuple[DarkSet, ...]) -> list[float]:
    return sorted({s.exposure_s for s in sets if s.exposure_s is not None})


def _in_time(sets: tuple[DarkSet, ...] | list[DarkSet], when: float | None) -> tuple[NDArray[np.float32], str]:
    """Interpolate between sets before and after; their weighted mean where the time is unknown."""
    timed = sorted((s for s in sets if s.when is not None), key=lambda s: s.when or 0.0)
    if when is None or len(timed) < 2:
        if len(sets) == 1:
            return sets[0].values, ""
        weights = [s.n_frames / sum(s.n_frames for s in sets) for s in sets]
        return _weighted(sets, weights), f"mean of {len(sets)} sets"
    times = [s.when or 0.0 for s in timed]
    weights = [float(np.interp(when, times, np.eye(len(timed))[k])) for k in range(len(timed))]
    return _weighted(timed, weights), "interpolated between the sets before and after"


def _in_exposure(sets: tuple[DarkSet, ...], exposure_s: float) -> tuple[NDArray[np.float32], str]:
    """Straight line ``offset + current·t`` through all sets by least squares; the only set where there is one."""
    timed = [s for s in sets if s.exposure_s is not None]
    known = _exposures(sets)
    if len(known) < 2:
        dark, _ = _in_time(timed, None)
        return dark, f"no dark of {exposure_s:.4g} s: that of {known[0]:.4g} s taken, a guess"
    t = np.array([s.exposure_s for s in timed])
    n = np.array([s.n_frames for s in timed], np.float64)
    centred = t - np.average(t, weights=n)
    slope = n * centred / (n * centred**2).sum()
    weights = n / n.sum() + slope * (exposure_s - np.average(t, weights=n))
    inside = known[0] <= exposure_s <= known[-1]
    how = "interpolated" if inside else "extrapolated (a guess)"
    text = f"no dark of {exposure_s:.4g} s: {how} in exposure from {', '.join(f'{e:.4g} s' for e in known)}"
    return _weighted(timed, weights), text


def _weighted(sets: tuple[DarkSet, ...] | list[DarkSet], weights: Any) -> NDArray[np.float32]:
    total = np.zeros(sets[0].values.shape, np.float32)
    for s, w in zip(sets, weights, strict=True):
        total += np.float32(w) * s.values
    return total


def combine_darks(
    dark: NDArray[Any],
    shape: tuple[int, ...],
    where: str,
    *,
    exposures_s: NDArray[np.float64] | None = None,
    when: NDArray[np.float64] | None = None,
    method: Method = "clipped",
) -> Darks:
    """Reduce dark frames to one dark a set.

    Parameters
    ----------
    dark
        ``(K, h, w)`` or ``(h, w)`` as stored.
    shape
        ``(h, w)`` of the stored frames.
    where
        File, for messages.
    exposures_s
        ``(K,)`` exposures [s], or None when they are one, or unknown.
    when
        ``(K,)`` time of each dark frame: 0 before the scan, 1 after it; None when unknown.
    method
        "clipped": mean of what lies within 6 sigma of the median: as quiet as the mean, as safe as the
        median. "median" costs a quarter more noise and is coarse where counts are whole. "mean" keeps all.

    Raises
    ------
    InputError
        Shapes or lengths do not fit together, or an unknown method.
    """
    stack = dark[None] if dark.ndim == 2 else dark
    _check(stack, dark, shape, where, exposures_s, when)
    if method not in ("clipped", "median", "mean"):
        raise InputError(
            f"dark method '{method}'",
            where="prepare.dark",
            expected="'clipped', 'median' or 'mean'",
            fix="Use 'clipped' when in doubt.",
        )
    usable = np.ones(shape, bool)
    for frame in stack:  # one at a time: a dark stack may be as large as the scan
        usable &= np.isfinite(frame)
    parts = [_reduce(stack, frames, usable, method) for frames in _sets(len(stack), exposures_s, when)]
    sets = tuple(
        DarkSet(
            p.values,
            len(p.frames),
            None if exposures_s is None else float(exposures_s[p.frames[0]]),
            None if when is None else float(np.mean(when[p.frames])),
        )
        for p in parts
    )
    noise, read_noise, noisy = _noise(parts, usable)
    hot = _hot(sets, usable, read_noise)
    spikes = sum(p.rejected for p in parts)
    steps = _steps(sets, method, read_noise, spikes)
    return Darks(sets, read_noise, noise, usable, hot, noisy, spikes, steps, _findings(parts, sets, hot, noisy))


def _check(
    stack: NDArray[Any], dark: NDArray[Any], shape: tuple[int, ...], where: str, *companions: NDArray[Any] | None
) -> None:
    if stack.ndim != 3 or stack.shape[0] < 1 or stack.shape[1:] != shape:
        raise InputError(
            f"dark frames of shape {dark.shape}",
            where=f"{where}, dark",
            expected=f"the stored frame's shape {shape}, or (frames, rows, columns) of that shape",
            fix="Give the dark frames of the same detector region, or remove them from the file.",
        )
    for name, values in zip(("exposures", "times"), companions, strict=True):
        if values is not None and (values.shape != (len(stack),) or not np.isfinite(values).all()):
            raise InputError(
                f"{name} of shape {values.shape} for {len(stack)} dark frames",
                where=f"{where}, dark",
                expected="one finite value a dark frame",
                fix=f"Correct or remove the {name} of the dark frames.",
            )


def _sets(n: int, *keys: NDArray[np.float64] | None) -> list[NDArray[np.int64]]:
    """Frame indices of each set: the same exposure, and the same side of the scan."""
    exposures, when = keys
    level = np.zeros(n, np.int64)
    if exposures is not None:
        order = np.argsort(exposures, kind="stable")
        level[order[1:]] = np.cumsum(np.diff(exposures[order]) > SAME_EXPOSURE * np.abs(exposures[order][:-1]))
    side = np.zeros(n, np.int64) if when is None else (when > 0.5).astype(np.int64)
    label = 2 * level + side
    return [np.flatnonzero(label == k) for k in np.unique(label)]


class _Part(NamedTuple):
    """One set reduced: dark, variance about it, values rejected (in all, and where a pixel flickers), levels."""

    frames: NDArray[np.int64]
    values: NDArray[np.float32]
    variance: NDArray[np.float32]
    rejected: int
    flicker: NDArray[np.bool_]
    levels: NDArray[np.float64]


def _bands(stack: NDArray[Any], n: int) -> Iterator[slice]:
    rows = max(1, BAND_BYTES // (8 * n * stack.shape[2]))
    for start in range(0, stack.shape[1], rows):
        yield slice(start, min(start + rows, stack.shape[1]))


def _reduce(stack: NDArray[Any], frames: NDArray[np.int64], usable: NDArray[np.bool_], method: Method) -> _Part:
    """Reduce one set, a band of rows at a time."""
    k = len(frames)
    values, variance = np.zeros(usable.shape, np.float32), np.zeros(usable.shape, np.float32)
    flicker, rejected = np.zeros(usable.shape, bool), 0
    # the level of whole frames may drift; that is no noise of a pixel. Two levels are no trend.
    levels = _levels(stack, frames, usable)
    drift = levels - levels.mean() if k > 2 else np.zeros(k)
    sigma = _typical_noise(stack, frames, usable, drift)
    for rows in _bands(stack, k):
        band = np.where(usable[rows], stack[frames, rows], 0).astype(np.float64) - drift[:, None, None]
        # of two values the lower one is the better guess: cosmic rays only add
        middle = np.median(band, axis=0) if k > 2 else band.min(axis=0)
        kept = np.ones(band.shape, bool)
        if method != "mean" and k > 1:
            own = 1.4826 * np.median(np.abs(band - middle), axis=0) if k > 2 else 0.0
            # values are stored in steps of one count: below that no spread can be seen
            width = CLIP_SIGMA * np.maximum(np.maximum(own, sigma), 0.3) * (1.0 if k > 2 else math.sqrt(2))
            kept = np.abs(band - middle) <= width
        n = kept.sum(axis=0)
        mean = (band * kept).sum(axis=0) / n
        values[rows] = middle if method == "median" and k > 2 else mean
        variance[rows] = (((band - mean) * kept) ** 2).sum(axis=0) / np.maximum(n - 1, 1)
        lost = k - n
        # a cosmic ray does not strike the same pixel again and again
        flicker[rows] = (lost > 1) & (lost > 0.05 * k)
        rejected += int(lost[~flicker[rows]].sum())
    return _Part(frames, values, variance, rejected, flicker, levels)


def _levels(stack: NDArray[Any], frames: NDArray[np.int64], usable: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Level of each frame against the first: mean of the differences without outliers, finer than a count."""
    levels = np.zeros(len(frames))
    for k, j in enumerate(frames):
        difference = np.subtract(stack[j], stack[frames[0]], dtype=np.float64)[usable]
        if difference.size:
            off = np.abs(difference - np.median(difference))
            levels[k] = difference[off <= max(6 * float(np.median(off)), 1.0)].mean()
    return levels


def _typical_noise(
    stack: NDArray[Any], frames: NDArray[np.int64], usable: NDArray[np.bool_], drift: NDArray[np.float64]
) -> float:
    """Rms of the typical pixel from differences of following frames, spikes left out."""
    if len(frames) < 2:
        return 0.0
    squares = []
    for a, b, step in zip(frames[:-1], frames[1:], np.diff(drift), strict=True):
        difference = np.subtract(stack[b], stack[a], dtype=np.float64)[usable] - step
        squares.append(_clipped_mean(difference**2 / 2, 1))
    return math.sqrt(max(float(np.median(squares)), 0.0))


def _clipped_mean(variance: NDArray[np.floating], dof: int) -> float:
    """Mean of sample variances, values beyond the 1e-4 quantile of their chi-square law left out."""
    if not variance.size:
        return 0.0
    factor = float(special.chdtri(dof, 1e-4)) / dof
    # half the sample lies below the median, whatever the rest does
    mean = max(float(np.median(variance)) * dof / float(special.chdtri(dof, 0.5)), float(variance.mean()) * 1e-9)
    for _ in range(20):
        kept = variance[variance <= factor * mean]
        new = float(kept.mean(dtype=np.float64)) if kept.size else mean
        if new == mean or new == 0:
            break
        mean = new
    return mean


def _noise(parts: list[_Part], usable: NDArray[np.bool_]) -> tuple[NDArray[np.float32], float, NDArray[np.bool_]]:
    """Pool the variances of the sets: rms of each pixel, rms of the typical one, and the noisy pixels."""
    dof = sum(len(p.frames) - 1 for p in parts)
    flicker = np.any([p.flicker for p in parts], axis=0) & usable
    if dof < 1:
        return np.zeros(usable.shape, np.float32), 0.0, flicker
    pooled = np.zeros(usable.shape)
    for p in parts:
        pooled += (len(p.frames) - 1) / dof * p.variance
    typical = _clipped_mean(pooled[usable & ~flicker], dof)
    limit = float(special.chdtri(dof, NOISY_QUANTILE)) / dof
    # quantised values have no chi-square law below a count
    noisy = usable & (flicker | (pooled > limit * max(typical, 0.1)))
    return np.sqrt(pooled).astype(np.float32), math.sqrt(typical), noisy


def _hot(sets: tuple[DarkSet, ...], usable: NDArray[np.bool_], read_noise: float) -> NDArray[np.bool_]:
    """Pixels far above the median of the 5 x 5 around them, in the longest exposure."""
    longest = max(sets, key=lambda s: s.exposure_s or 0.0)
    filled = np.where(usable, longest.values, np.median(longest.values[usable]) if usable.any() else 0)
    excess = filled - ndimage.median_filter(filled, size=5, mode="reflect")
    spread = 1.4826 * float(np.median(np.abs(excess[usable]))) if usable.any() else 0.0
    # 10 sigma of the pixels' own pattern, and above the noise of one frame (common practice, no source)
    return usable & (excess > max(10 * spread, 5 * read_noise, 1.0))


def _steps(sets: tuple[DarkSet, ...], method: Method, read_noise: float, spikes: int) -> tuple[str, ...]:
    name = {"clipped": "mean without outliers", "median": "median", "mean": "mean"}[method]
    lines = []
    for s in sets:
        of = "" if s.exposure_s is None else f" of {s.exposure_s:.4g} s"
        side = "" if s.when is None else " after the scan" if s.when > 0.5 else " before the scan"
        lines.append(f"dark: {name} of {s.n_frames} dark frame(s){of}{side}, median {np.median(s.values):.4g} counts")
    if read_noise > 0:
        lines.append(f"dark: read noise {read_noise:.4g} counts rms")
    if spikes:
        lines.append(f"dark: {spikes} values left out as cosmic rays")
    return tuple(lines)


def _findings(
    parts: list[_Part], sets: tuple[DarkSet, ...], hot: NDArray[np.bool_], noisy: NDArray[np.bool_]
) -> tuple[Finding, ...]:
    found = []
    if hot.any() or noisy.any():
        text = f"the dark frames show {hot.sum()} hot and {noisy.sum()} noisy pixels"
        found.append(Finding("note", "dark-pixels", text))
    for p in parts:
        error = math.sqrt(2 * float(np.median(p.variance)) / max(p.variance.size, 1))
        swing = float(np.ptp(p.levels))
        # a tenth of a count is of no account beside the noise of any pixel (common practice, no source)
        if len(p.levels) > 2 and swing > max(10 * error, 0.1):
            text = f"the level of the dark frames moves by {swing:.3g} counts within one set: the offset drifts"
            found.append(Finding("caution", "dark-drift", text, "Follow the offset from unexposed margins."))
    for a in sets:
        for b in sets:
            if a.exposure_s == b.exposure_s and a.when is not None and b.when is not None and a.when < b.when:
                step = float(np.median(b.values - a.values))
                found.append(
                    Finding("note", "dark-before-after", f"the dark rises by {step:.3g} counts during the scan")
                )
    return tuple(found)
