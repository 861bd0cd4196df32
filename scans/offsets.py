"""Offset of the detector, followed from pixels that see no light, and light that leaks in evenly.

The plan is made from a bounded sample of dark-corrected frames; then each block is measured and corrected.
Per frame, only the *change* against the sample's typical frame is measured, so static scatter cannot be taken
for a drift. What is the same in all frames is subtracted only where its noise or its shape shows that it is
not scattered X-rays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from scans.margins import CLIP_SIGMA, Margin, clipped_level, find_margin, typical_frame
from scans.scan import Finding

LEAST_FRAMES = 6
MOST_PIXELS = 16384  # more would not make the offset better than the rest
MOST_IN_A_LINE = 256
LEAST_IN_A_LINE = 16
SIGNIFICANT = 5.0  # standard errors
# Share of the noise that photons would have: below, the level is no X-rays; above the second, it is.
NOT_PHOTONS, PHOTONS = 0.3, 0.5
FADING = (1.5, 2.0, 3.0, 4.0)

Mode = Literal["none", "frame", "row", "column"]


class Offsets(NamedTuple):
    """What was taken from a block: ``(n,)`` offset of each frame [counts] and its standard error.

    For modes "row" and "column" `lines` is the offset of each line, ``(n, h)`` or ``(n, w)``; None otherwise.
    """

    frame: NDArray[np.float64]
    error: NDArray[np.float64]
    lines: NDArray[np.float64] | None


@dataclass(frozen=True)
class Leak:
    """Smooth level ``(h, w)`` float32 [counts] of an exposed frame, to be subtracted; its mean and error."""

    surface: NDArray[np.float32] = field(repr=False)
    level: float
    error: float


@dataclass(frozen=True)
class OffsetPlan:
    """How the offset of each frame is measured and taken out.

    Parameters
    ----------
    mode
        "none" when the drift is not significant.
    margin
        Pixels that see no light, ``(h, w)`` bool; None when there are none.
    drift_rms, line_rms
        Rms of the offset over the frames, and of lines about their frame [counts].
    noise
        Rms of a margin pixel [counts].
    leak
        Static level to subtract; None when there is none, or it may be scatter.
    """

    mode: Mode
    margin: NDArray[np.bool_] | None = field(repr=False)
    drift_rms: float = 0.0
    line_rms: float = 0.0
    noise: float = 0.0
    leak: Leak | None = None
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    pixels: NDArray[np.int64] | None = field(default=None, repr=False)
    reference: NDArray[np.float32] | None = field(default=None, repr=False)
    lines: _Lines | None = field(default=None, repr=False)

    def apply(self, frames: NDArray[np.float32], leak_scale: NDArray[np.floating] | None = None) -> Offsets:
        """Take offsets and leak out of dark-corrected frames ``(n, h, w)``, in place; return what was taken.

        `leak_scale` ``(n,)`` is the exposure of each frame over that of the sample. Subtract before bad pixels
        are set to 0.
        """
        n = len(frames)
        if self.leak is not None:
            if leak_scale is None:
                frames -= self.leak.surface
            else:
                frames -= np.asarray(leak_scale, np.float32)[:, None, None] * self.leak.surface
        if self.mode == "none" or self.pixels is None or self.reference is None:
            return Offsets(np.zeros(n), np.zeros(n), None)
        level, error = _frame_levels(frames, self.pixels, self.reference, self.noise)
        if self.lines is None:
            frames -= level.astype(np.float32)[:, None, None]
            return Offsets(level, error, None)
        line = self.lines.measure(frames, level, self.noise)
        taken = line.astype(np.float32)
        frames -= taken[:, :, None] if self.mode == "row" else taken[:, None, :]
        return Offsets(level, error, line)


@dataclass(frozen=True)
class _Lines:
    """Margin pixels of each row (or column): flat index ``(lines, k)``, which are real, share to believe."""

    index: NDArray[np.int64]
    real: NDArray[np.bool_]
    reference: NDArray[np.float32]
    believed: NDArray[np.float64]

    def measure(self, frames: NDArray[np.float32], level: NDArray[np.float64], noise: float) -> NDArray[np.float64]:
        """Offset of each line ``(n, lines)``: the frame's, and what the line's own pixels add to it.

        The addition is shrunk by its own noise: the estimate of least mean square error (Wiener).
        """
        return level[:, None] + self.believed * self.deviations(frames, level, noise)

    def deviations(self, frames: NDArray[np.float32], level: NDArray[np.float64], noise: float) -> NDArray[np.float64]:
        """Level of each line about its frame's ``(n, lines)``, not shrunk; 0 where there is no margin."""
        out = np.zeros((len(frames), len(self.index)))
        for k, frame in enumerate(frames):
            values = frame.reshape(-1)[self.index] - self.reference - np.float32(level[k])
            out[k] = clipped_level(values, self.real, noise)
        return out


def plan_offsets(
    sample: NDArray[np.float32],
    good: NDArray[np.bool_],
    *,
    has_dark: bool = True,
    read_noise: float = 0.0,
    counts_per_photon: float | None = None,
) -> OffsetPlan:
    """Decide from a sample of frames how the offset is followed.

    Parameters
    ----------
    sample
        ``(n, h, w)`` float32 dark-corrected (and smear-corrected) frames of one exposure, spread over the scan.
    good
        ``(h, w)`` bool.
    has_dark
        Whether a dark was subtracted; without, the static level is the detector's own offset.
    read_noise
        Rms a pixel from the dark frames [counts]; 0 when unknown.
    counts_per_photon
        Gain, which tells scatter from leaked light by its noise; None when unknown.
    """
    typical = typical_frame(sample) if len(sample) >= LEAST_FRAMES else None
    margin = None if typical is None else find_margin(sample, typical, good)
    if typical is None or margin is None:
        why = f"fewer than {LEAST_FRAMES} frames" if typical is None else "no part of the frame is without light"
        text = f"offset: not followed, {why}"
        return OffsetPlan("none", None, steps=(text,), findings=_no_margin(has_dark, text))
    # only changes against the typical frame are measured, so what it holds does not matter here
    chosen = _spread(np.flatnonzero(margin.pixels), MOST_PIXELS)
    level, error = _frame_levels(sample, chosen, typical.reshape(-1)[chosen], margin.noise)
    halves = [_frame_levels(sample, k, typical.reshape(-1)[k], margin.noise)[0] for k in (chosen[::2], chosen[1::2])]
    # stray photons make the level noisier than the noise of the read-out does
    error = np.maximum(error, float((halves[0] - halves[1]).std()) / 2)
    drift = _excess(level - level.mean(), error)
    lines, mode, line_rms = _find_lines(sample, typical, margin, level)
    changes = sample
    if lines is not None:  # offsets of lines do not move both halves of the margin alike
        own = (lines.measure(sample, level, margin.noise) - level[:, None]).astype(np.float32)
        changes = sample - (own[:, :, None] if mode == "row" else own[:, None, :])
    lit = _sees_light(changes, chosen, typical, margin) or _follows_light(changes, level, drift, good & ~margin.pixels)
    leak, steps, findings = _static_level(typical, margin, good, has_dark, lit, read_noise, counts_per_photon)
    if lit:
        text = "the level of the margin changes with the light: its pixels see scatter, so the offset is not followed"
        findings = (*findings, Finding("note", "offset-not-followed", text))
        return OffsetPlan("none", margin.pixels, noise=margin.noise, leak=leak, steps=steps, findings=findings)
    if drift == 0 and lines is None:
        text = f"offset: steady within {error.mean():.2g} counts, not followed"
        return OffsetPlan("none", margin.pixels, 0.0, 0.0, margin.noise, leak, (*steps, text), findings)
    text = f"offset: followed from {margin.pixels.sum()} unexposed pixels, drift {drift:.3g} counts rms"
    text += f", {mode}s by {line_rms:.3g} counts rms more" if lines is not None else f" ± {error.mean():.2g}"
    mode = mode if lines is not None else "frame"
    base = typical if leak is None else typical - leak.surface
    return OffsetPlan(
        *(mode, margin.pixels, drift, line_rms, margin.noise, leak, (*steps, text), findings),
        pixels=chosen,
        reference=base.reshape(-1)[chosen],
        lines=None if lines is None else replace(lines, reference=base.reshape(-1)[lines.index]),
    )


def _no_margin(has_dark: bool, text: str) -> tuple[Finding, ...]:
    if has_dark:
        return ()
    fix = "Give dark frames: the offset of the detector is not known."
    return (Finding("caution", "offset-unknown", text + ", and there is no dark", fix),)


def _spread(index: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """At most `most` of the entries, evenly spread."""
    return index if len(index) <= most else index[np.linspace(0, len(index) - 1, most).astype(int)]


def _frame_levels(
    frames: NDArray[np.float32], pixels: NDArray[np.int64], reference: NDArray[np.float32], noise: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Level of each frame ``(n,)`` over the margin against the reference, and its error."""
    values = frames.reshape(len(frames), -1)[:, pixels] - reference
    level = clipped_level(values, np.ones(values.shape, bool), noise)
    return level, np.full(len(frames), noise / math.sqrt(len(pixels)))


def _excess(values: NDArray[np.float64], error: NDArray[np.float64] | float) -> float:
    """Rms of values beyond their errors; 0 when chi-square allows that there is none."""
    error = np.broadcast_to(error, values.shape)
    dof = values.size - 1
    chi2 = float(((values / error) ** 2).sum())
    # the typical frame is made from these frames, so a correlation of 1/n is left: 5 sigma covers it
    if chi2 < dof + SIGNIFICANT * math.sqrt(2 * dof):
        return 0.0
    return math.sqrt(max(float((values**2).sum()) / dof - float((error**2).mean()), 0.0))


def _find_lines(
    work: NDArray[np.float32], base: NDArray[np.float32], margin: Margin, level: NDArray[np.float64]
) -> tuple[_Lines | None, Mode, float]:
    """Find out whether rows or columns have offsets of their own; the stronger of both."""
    best: tuple[_Lines | None, Mode, float] = (None, "none", 0.0)
    for axis, mode in ((0, "row"), (1, "column")):
        index, real = _line_pixels(margin.pixels, axis)
        count = real.sum(axis=1)
        usable = count >= LEAST_IN_A_LINE
        if usable.mean() < 0.5:
            continue
        reference = base.reshape(-1)[index]
        trial = _Lines(index, real, reference, np.ones(len(index)))
        found = trial.deviations(work, level, margin.noise)[:, usable]
        # a line that is off in all frames is a pattern of the dark, not a drift
        measured = (1.4826 * np.median(np.abs(found - np.median(found, axis=0)), axis=0)) ** 2
        expected = margin.noise**2 / count[usable]
        # a drift moves all lines, stray photons only those near the beam: the quieter lines decide. The square
        # of a median deviation of n values scatters by 2.3/sqrt(n) (normal law, Monte Carlo)
        limit = 1 + SIGNIFICANT * 2.3 / math.sqrt(found.size)
        if float(np.quantile(measured / expected, 0.25)) < limit:
            continue
        rms = math.sqrt(max(float(np.median(measured - expected)), 0.0))
        if rms > best[2]:
            believed = np.zeros(len(index))
            believed[usable] = rms**2 / np.maximum(measured, rms**2 + expected)
            best = (_Lines(index, real, reference, believed), "row" if mode == "row" else "column", rms)
    return best


def _line_pixels(pixels: NDArray[np.bool_], axis: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Flat indices of margin pixels of each line ``(lines, k)``, and which entries are real."""
    w = pixels.shape[1]
    turned = pixels if axis == 0 else pixels.T
    k = int(min(max(turned.sum(axis=1).max(), 1), MOST_IN_A_LINE))
    index, real = np.zeros((len(turned), k), np.int64), np.zeros((len(turned), k), bool)
    for line, row in enumerate(turned):
        at = _spread(np.flatnonzero(row), k)
        index[line, : len(at)] = line * w + at if axis == 0 else at * w + line
        real[line, : len(at)] = True
    return index, real


def _sees_light(
    work: NDArray[np.float32], pixels: NDArray[np.int64], typical: NDArray[np.float32], margin: Margin
) -> bool:
    """Whether the half of the margin near the beam changes more than the far half: an offset moves both alike."""
    y, x = np.divmod(pixels, work.shape[2])
    distance = np.hypot(y - margin.beam[0], x - margin.beam[1])
    near = distance < np.median(distance)
    reference = typical.reshape(-1)[pixels]
    levels = [_frame_levels(work, pixels[k], reference[k], margin.noise) for k in (near, ~near)]
    difference = levels[0][0] - levels[1][0]
    error = math.hypot(float(levels[0][1][0]), float(levels[1][1][0]))
    apart = _excess(difference - difference.mean(), error)
    both = _excess((levels[0][0] + levels[1][0]) / 2, error / 2)
    return apart > 0.5 * both and apart > 0


def _follows_light(work: NDArray[np.float32], level: NDArray[np.float64], drift: float, lit: NDArray[np.bool_]) -> bool:
    """Whether the level of the margin goes up and down with the light of the frames, so that it is light itself.

    The light of a frame is what its lit pixels show above the margin.
    """
    if drift == 0 or not lit.any():
        return False
    light = np.array([float(f[lit].mean(dtype=np.float64)) for f in work]) - level
    light -= light.mean()
    power = float((light**2).sum())
    if power == 0:
        return False
    change = level - level.mean()
    slope = float((light * change).sum()) / power
    rest = change - slope * light
    error = math.sqrt(float((rest**2).sum()) / max(len(level) - 2, 1) / power)
    part = slope * math.sqrt(power / len(level))
    # two things that drift look related by chance: so a fair part of the change, and a tight relation
    return slope > SIGNIFICANT * error and part > 0.7 * drift


def _static_level(
    typical: NDArray[np.float32],
    margin: Margin,
    good: NDArray[np.bool_],
    has_dark: bool,
    lit: bool,
    read_noise: float,
    gain: float | None,
) -> tuple[Leak | None, tuple[str, ...], tuple[Finding, ...]]:
    """Decide what the level of the margin in all frames is: nothing, a leak or offset, or scatter."""
    if abs(margin.level) < SIGNIFICANT * margin.level_error:
        return None, (), ()
    name = "light leak or offset since the dark" if has_dark else "offset of the detector"
    amount = f"{margin.level:.4g} ± {margin.level_error:.2g} counts"
    # what changes with the light is light, and frames without any noise are no measurement
    noiseless = has_dark and margin.noise < 0.005 * margin.level
    verdict = True if lit or noiseless else _is_scatter(typical, margin, good, read_noise, gain)
    if margin.level < 0 or verdict is False:
        # below zero there may be both: what the noise shows to be photons stays
        scatter = _scatter_level(margin, read_noise, gain) if margin.level < 0 else 0.0
        height, amount = margin.level - scatter, f"{margin.level - scatter:.4g} ± {margin.level_error:.2g} counts"
        leak = Leak(margin.surface(typical.shape) - np.float32(scatter), height, margin.level_error)
        shape = "smooth surface" if margin.surrounds else "level"
        step = f"{name}: {amount} in unexposed pixels, subtracted as a {shape}"
        level: Literal["note", "caution"] = "note" if has_dark else "caution"
        fix = "" if has_dark else "Give dark frames if there are any."
        return leak, (step,), (Finding(level, "light-leak" if has_dark else "offset-guessed", step, fix),)
    if verdict:
        text = f"the darkest pixels hold {amount} that behave as scattered X-rays do: kept"
        return None, (), (Finding("note", "scatter-everywhere", text),)
    text = f"the darkest pixels hold {amount}: a light leak or scatter, the data cannot tell; kept as it is"
    fix = "Give the gain and dark frames, or take darks with the shutter closed and the lights as in the scan."
    return None, (), (Finding("caution", "light-leak-unsure", text, fix),)


def _scatter_level(margin: Margin, read_noise: float, gain: float | None) -> float:
    """Level of the margin that is X-rays by its noise [counts]; 0 where the noise does not tell."""
    if gain is None or read_noise <= 0 or gain > 2 / 3 * CLIP_SIGMA * margin.noise:
        return 0.0
    excess = margin.noise**2 - read_noise**2
    return excess / gain if excess > 0.05 * read_noise**2 else 0.0


def _is_scatter(
    typical: NDArray[np.float32], margin: Margin, good: NDArray[np.bool_], read_noise: float, gain: float | None
) -> bool | None:
    """Tell scattered X-rays from other light by noise, or else by shape; None when neither tells.

    X-rays of level L have the variance ``gain·L``; visible light comes electron by electron, an offset has none.
    Where a photon stands out of the noise, only parts of it are left between the limits of the clipping; spread
    evenly up to the limit c, they have the variance ``2/3·c·L``.
    """
    if gain is not None:
        photons = min(gain, 2 / 3 * CLIP_SIGMA * margin.noise) * margin.level
        # the read noise of the darks is known to a few per cent only
        open_ = 0.05 * read_noise**2 + 3 * margin.noise**2 * math.sqrt(2 / margin.values)
        low = (margin.noise**2 - read_noise**2 - open_) / photons
        high = (margin.noise**2 - read_noise**2 + open_) / photons
        if high < NOT_PHOTONS:
            return False
        if read_noise > 0 and low > PHOTONS:
            return True
    return False if _flat_far_out(typical, margin, good) else None


def _flat_far_out(typical: NDArray[np.float32], margin: Margin, good: NDArray[np.bool_]) -> bool:
    """Whether a constant is left however scatter is supposed to fade between margin and beam."""
    y, x = np.indices(typical.shape)
    r = np.hypot(y - margin.beam[0], x - margin.beam[1])
    inner = 0.6 * float(np.median(r[margin.pixels]))
    region = good & (r > inner)
    ring = (r[region] - inner).astype(int)
    n = np.bincount(ring)
    filled = n > 20
    mean = np.bincount(ring, typical[region])[filled] / n[filled]
    radius = (np.bincount(ring, r[region])[filled] / n[filled]) / inner
    if filled.sum() < 8:
        return False
    constants = []
    for p in FADING:
        basis = np.stack([np.ones_like(radius), radius**-p], axis=1)
        solution, *_ = np.linalg.lstsq(basis, mean, rcond=None)
        rest = mean - basis @ solution
        error = math.sqrt(float(np.linalg.pinv(basis.T @ basis)[0, 0]) * float((rest**2).sum()) / (len(mean) - 2))
        constants.append((float(solution[0]) - SIGNIFICANT * error, float(solution[0])))
    values = [v for _, v in constants]
    steady = max(values) - min(values) < 0.3 * abs(margin.level)
    return steady and min(v for v, _ in constants) > 0.6 * margin.level


__all__ = ["Leak", "OffsetPlan", "Offsets", "plan_offsets"]
