"""Which arrays are the frames, and which belong to their pixels (mask, dark, flat) or to their number (monitor)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from scans.errors import InputError
from scans.formats.preflight import FRAME_SIDE_RANGE
from scans.formats.role_guess import Candidate, Named, reference
from scans.formats.role_numbers import MAX_LOG, number_candidates, values_of
from scans.formats.role_words import word_score
from scans.scan import Frames

# So many frames are looked at, if each is no larger than this.
SAMPLE_FRAMES, SAMPLE_BYTES = 5, 64 << 20
# Largest map of pixels that is read for evidence [values].
MAX_MAP = 1 << 24
# A flat field may differ between pixels by so much (5th to 95th percentile); patterns differ by far more.
FLAT_RATIO = 4.0


@dataclass(frozen=True)
class FrameFacts:
    """What a few frames show.

    Parameters
    ----------
    lead
        Scan axes: ``(J,)`` or ``(ny, nx)``.
    shape
        ``(h, w)``.
    mean
        Mean of a few frames ``(h, w)``; None where none could be read.
    largest
        Largest count in them.
    """

    lead: tuple[int, ...]
    shape: tuple[int, int]
    mean: NDArray[np.float64] | None = None
    largest: float = math.nan

    @property
    def n_frames(self) -> int:
        """Number of frames J."""
        return math.prod(self.lead)

    @property
    def centre(self) -> tuple[float, float] | None:
        """``(row, column)`` of the light's centre in the mean; None where there is none."""
        if self.mean is None:
            return None
        smooth = median_filter(self.mean, 3)
        bright = np.where(smooth > 0.05 * smooth.max(), smooth, 0.0)
        if not bright.sum() > 0:
            return None
        rows, columns = np.indices(bright.shape)
        return float((rows * bright).sum() / bright.sum()), float((columns * bright).sum() / bright.sum())

    @property
    def concentrated(self) -> bool:
        """Tell whether a tenth of the pixels hold most of the counts, as in a diffraction pattern."""
        if self.mean is None or not self.mean.sum() > 0:
            return False
        values = np.sort(self.mean.reshape(-1))[::-1]
        return bool(values[: max(1, values.size // 10)].sum() > 0.5 * values.sum())


def frame_candidates(items: Sequence[Named]) -> list[tuple[Candidate, Named]]:
    """Score every stack for being the diffraction frames, best first."""
    stacks = [item for item in items if may_be_frames(item) and word_score("frames", item.name)[0] >= 0]
    largest = max((_frame_bytes(item) for item in stacks), default=0)
    found = []
    for item in stacks:
        words, _ = word_score("frames", item.name)
        *lead, height, width = item.shape
        evidence = [f"{' x '.join(map(str, item.shape))} {item.item.dtype}"]
        score = min(words, 2.0)
        evidence += [f'named "{item.label}"'] if words else []
        if _frame_bytes(item) == largest:
            score += 1.0
            evidence.append("the largest stack")
        if len(stacks) == 1:
            score += 1.0
            evidence[-1] = "the only stack"
        fits, why = _fitting(items, item, tuple(lead), (height, width))
        score += fits
        evidence += why
        if max(height, width) > 4 * min(height, width):
            score -= 2.0
            evidence.append("long and narrow")
        found.append((Candidate({"frames": item.path}, score, tuple(evidence)), item))
    return sorted(found, key=lambda pair: -pair[0].score)


def may_be_frames(item: Named) -> bool:
    """Tell whether an item has the shape and type of a stack of frames."""
    shape = item.shape
    low, high = FRAME_SIDE_RANGE
    if not item.numeric or len(shape) not in (3, 4) or item.item.frames is None:
        return False
    return math.prod(shape[:-2]) > 1 and all(low <= n <= high for n in shape[-2:])


def _frame_bytes(item: Named) -> int:
    return item.size * int(item.item.dtype.itemsize)


def _fitting(
    items: Sequence[Named], frames: Named, lead: tuple[int, ...], shape: tuple[int, int]
) -> tuple[float, list[str]]:
    """Score arrays that go with the frames: one value or position a frame, one value a pixel."""
    count = math.prod(lead)
    others = [item for item in items if item is not frames and item.numeric]
    per_frame = [i for i in others if i.shape in ((count,), lead, (count, 2), (count, 3), (2, count), (3, count))]
    last = [i for i in others if i.shape == (frames.shape[-1],)]
    if last and not per_frame and frames.shape[-1] not in (count, frames.shape[-2]):
        return -3.0, [
            f"its last axis has as many values as {last[0].path}: frames last cannot be read, turn them in a copy"
        ]
    per_pixel = [i for i in others if i.shape == shape or (len(i.shape) == 3 and i.shape[1:] == shape)]
    if len(lead) == 2:
        per_frame += [i for i in others if i.shape in ((lead[0],), (lead[1],))]
    score = 0.0
    why: list[str] = []
    if per_frame:
        score += 1.0
        why.append(f"{per_frame[0].path} has as many values as it has frames")
    if per_pixel:
        score += 0.5
        why.append(f"{per_pixel[0].path} has its frames' shape")
    return score, why


def look_at(candidate: Candidate, item: Named) -> tuple[Candidate, FrameFacts]:
    """Read a few frames of the best candidates, and let what they hold count."""
    lead, shape = item.shape[:-2], (item.shape[-2], item.shape[-1])
    facts = FrameFacts(lead, shape)
    if item.item.frames is None or math.prod(shape) * item.item.dtype.itemsize > SAMPLE_BYTES:
        return candidate, facts
    try:
        facts = _sampled(item.item.frames(), lead, shape)
    except InputError as problem:
        return Candidate(candidate.entries, candidate.score - 2.0, (*candidate.evidence, problem.found)), facts
    score, why = candidate.score, ""
    if facts.mean is not None and not facts.mean.any():
        score, why = score - 2.0, "the frames looked at are dark"
    elif facts.concentrated:
        score, why = score + 1.0, "a tenth of the pixels hold most of the counts"
    return Candidate(candidate.entries, score, candidate.evidence + ((why,) if why else ())), facts


def _sampled(frames: Frames, lead: tuple[int, ...], shape: tuple[int, int]) -> FrameFacts:
    """Average a few frames spread over the scan."""
    total, largest, count = np.zeros(shape), -math.inf, frames.shape[0]
    picks = np.unique(np.linspace(0, count - 1, min(SAMPLE_FRAMES, count)).round().astype(int))
    for j in picks:
        values = np.nan_to_num(np.asarray(frames[int(j) : int(j) + 1][0], dtype=np.float64))
        total += np.abs(values)
        largest = max(largest, float(values.max()))
    return FrameFacts(lead, shape, total / len(picks), largest)


def mask_candidates(items: Sequence[Named], facts: FrameFacts) -> list[Candidate]:
    """Score maps of the frames' shape for being a mask, and tell which value marks bad pixels."""
    found = []
    for item in items:
        words, _ = word_score("mask", item.name)
        values = _pictures(item, facts) if words > 0 and item.numeric else None
        if values is None:
            continue
        polarity, points, why = _polarity(values, item.name.own)
        evidence = (f'named "{item.label}"', _each(item, facts), why)
        found.append(Candidate({"mask": item.path, "mask_bad": polarity}, words + 1.0 + points, evidence))
    return found


def _pictures(item: Named, facts: FrameFacts) -> NDArray[np.float64] | None:
    """One picture of the frames' shape, or the first few of as many as frames; None for anything else."""
    if item.shape == facts.shape:
        return values_of(item, MAX_MAP)
    if item.shape != (facts.n_frames, *facts.shape) or item.item.frames is None:
        return None
    try:
        return np.asarray(item.item.frames()[0:SAMPLE_FRAMES], dtype=np.float64)
    except InputError:
        return None


def _each(item: Named, facts: FrameFacts) -> str:
    return "one value a pixel" + (" and frame" if item.shape != facts.shape else "")


def _polarity(values: NDArray[np.float64], name: str) -> tuple[str, float, str]:
    """Which value is bad: "nonzero" or "zero", what that adds to the score, and the share of pixels."""
    share = float(np.mean(values != 0))
    says_good = any(word in name for word in ("good", "valid", "use"))
    says_bad = any(word in name for word in ("bad", "dead", "hot", "invalid"))
    if says_bad or (says_good and share < 0.5) or (not says_good and share <= 0.4):
        polarity, bad = "nonzero", share
    else:
        polarity, bad = "zero", 1 - share
    text = f"{polarity} is bad: {bad:.3%} of the pixels"
    if says_good and polarity == "nonzero":
        return polarity, -1.5, f"{text}, although the name speaks of good pixels"
    if 0.4 < bad <= 0.6 and not says_bad and not says_good:
        return polarity, -1.5, f"{text}, so either value may be the bad one"
    if bad > 0.5:
        return polarity, -1.5, f"{text}: too many"
    if not np.isin(values, (0, 1)).all():
        return polarity, 0.5, f"{text}, with several different flags"
    return polarity, 1.0, text


def dark_candidates(items: Sequence[Named], facts: FrameFacts) -> list[Candidate]:
    """Score maps and stacks of the frames' shape for being dark frames."""
    found = []
    for item in items:
        words, _ = word_score("dark", item.name)
        if words <= 0 or item.shape[-2:] != facts.shape or len(item.shape) not in (2, 3) or not item.numeric:
            continue
        evidence, score = [f'named "{item.label}"', "one value a pixel"], words + 1.0
        count = 1 if len(item.shape) == 2 else item.shape[0]
        evidence.append(f"{count} frame{'s' if count > 1 else ''}")
        level = _mean_of(item)
        if level is not None and facts.mean is not None:
            weak = level <= float(facts.mean.mean()) * 1.5 + 1e-9
            score += 1.0 if weak else -1.5
            evidence.append("not brighter than the frames" if weak else "brighter than the frames")
        found.append(Candidate({"dark": item.path}, score, tuple(evidence)))
    return found


def _mean_of(item: Named) -> float | None:
    """Mean of an array, or of the first few frames of a stack; None where it cannot be read."""
    try:
        if len(item.shape) == 3 and item.item.frames is not None:
            return float(np.mean(item.item.frames()[0:SAMPLE_FRAMES]))
        values = values_of(item, MAX_MAP)
    except InputError:
        return None
    return None if values is None else float(np.mean(values))


def flat_candidates(items: Sequence[Named], facts: FrameFacts) -> list[Candidate]:
    """Score maps of the frames' shape for being a flat field: nearly the same in all pixels."""
    found = []
    for item in items:
        words, _ = word_score("flat", item.name)
        values = _pictures(item, facts) if words > 0 and item.numeric else None
        if values is None:
            continue
        low, middle, high = np.percentile(np.nan_to_num(values), (5, 50, 95))
        even = middle > 0 and low > 0 and high < FLAT_RATIO * low
        # Whether it divides or multiplies is not said by its name.
        evidence = (
            f'named "{item.label}"',
            _each(item, facts),
            f"{high / low:.3g} times between dim and bright pixels" if low > 0 else "many pixels without a value",
        )
        found.append(Candidate({"flat": item.path}, words + 1.0 + (1.0 if even else -1.5), evidence, doubt=True))
    return found


def monitor_candidates(items: Sequence[Named], facts: FrameFacts) -> list[Candidate]:
    """Score arrays with one value a frame for being the incident flux."""
    found = []
    for item in items:
        words, _ = word_score("monitor", item.name)
        if words <= 0 or item.shape not in ((facts.n_frames,), facts.lead):
            continue
        values = values_of(item, MAX_LOG)
        if values is None:
            continue
        evidence, points = [f'named "{item.label}"', "one value a frame"], 1.0
        good = bool(np.isfinite(values).all() and (values > 0).all())
        spread = float(values.std() / values.mean()) if good else math.inf
        evidence.append(f"positive, varies by {spread:.2g} of its mean" if good else "not everywhere above 0")
        points += 0.5 if good and spread < 1 else -1.5
        found.append(Candidate({"monitor": item.path}, words + points, tuple(evidence)))
    return found


def exposure_candidates(items: Sequence[Named], facts: FrameFacts) -> list[Candidate]:
    """Score numbers, and arrays with one time a frame, for being the exposure."""
    found = number_candidates("exposure", items, facts.n_frames)
    known = {one.what.partition(" in ")[0] for one in found}
    for item in items:
        words, _ = word_score("exposure", item.name)
        if words <= 0 or item.shape not in ((facts.n_frames,), facts.lead) or item.path in known or facts.n_frames < 2:
            continue
        values = values_of(item, MAX_LOG)
        unit = item.item.unit or item.name.unit
        if values is None or unit not in ("s", "ms", "us") or not (values > 0).all():
            continue
        several = len(np.unique(values))
        score = words + (1.5 if several <= max(4, len(values) // 20) else -0.5)
        evidence = (f'named "{item.label}"', "one value a frame", f"{several} different values")
        found.append(Candidate({"exposure": reference(item, unit)}, score, evidence))
    return found
