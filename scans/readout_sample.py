"""What a sample of stored frames says of its values: a pedestal, marks for no value, the end of a range."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.scan import Finding

# A largest value of 2^k - 1 that comes up so often in the sample is the end of a range.
PILE_UP = 4
# Share of pixels that hold -1 or -2 in some frames only, above which these are noise (common practice, no source).
MARKED_SOMETIMES = 0.01
# The darkest tenth decides; so many of its pixels tell all.
MOST_PIXELS = 4000


def fill_from_other_frames(sample: NDArray[np.floating], bad: NDArray[np.bool_]) -> None:
    """Fill values without meaning, in place, with what the same pixel held in the frame before, or the next good one.

    A filled pixel keeps the statistics of its good values, where zeros would make it look dead or flickering.

    Parameters
    ----------
    sample
        ``(n, h, w)``.
    bad
        ``(n, h, w)`` bool; a pixel that is bad in all frames becomes 0.
    """
    where = bad.any(axis=0)
    if not where.any():
        return
    flags, values = bad[:, where], sample[:, where]
    frame = np.arange(len(sample))[:, None]
    last = np.maximum.accumulate(np.where(flags, -1, frame), axis=0)
    first_good = np.argmin(flags, axis=0)
    source = np.where(last < 0, first_good, last)
    filled = np.take_along_axis(values, source, axis=0)
    filled[:, flags.all(axis=0)] = 0
    sample[:, where] = filled


def noise_below_zero(sample: NDArray[np.floating], good: NDArray[np.bool_], marks: tuple[int, ...]) -> bool:
    """Whether negative values are noise: they go beyond the marks, or come and go in many pixels."""
    values = sample[:, good]
    if values.size == 0 or values.min() < min(marks):
        return True
    marked = np.isin(values, marks)
    sometimes = marked.any(axis=0) & ~marked.all(axis=0)
    return bool(sometimes.sum() > MARKED_SOMETIMES * sometimes.size)


def has_pedestal(
    sample: NDArray[np.floating], good: NDArray[np.bool_], *, whole: bool, gain: float | None = None
) -> bool:
    """Whether the dim pixels stand on an offset, as those of a camera without dark frames do.

    Photons of c counts each have a variance of c times the mean, and dim pixels are without any in some frames.
    On an offset the spread is too small for that, or the values end far above zero. Fractions may come from a
    calculation without noise, so there the offset must also be one and the same.

    Parameters
    ----------
    sample
        ``(n, h, w)`` stored values; empty frames are left out.
    good
        ``(h, w)`` bool.
    whole
        Values are stored as whole numbers.
    gain
        Counts a photon where stated: the variance over it is what photons can give at most.
    """
    lit = sample.any(axis=(1, 2))
    if lit.sum() < 4 or not good.any():
        return False
    mean = sample[lit].mean(axis=0, dtype=np.float64)
    dim = np.flatnonzero(good & (mean <= np.quantile(mean[good], 0.1)))
    dim = dim[np.linspace(0, len(dim) - 1, min(len(dim), MOST_PIXELS)).astype(int)]
    values = sample[lit].reshape(int(lit.sum()), -1)[:, dim]
    lowest, middle = values.min(axis=0), values.mean(axis=0, dtype=np.float64)
    if np.median(lowest) <= 0:
        return False
    low, high = np.quantile(values, (0.16, 0.84), axis=0)
    core = float(np.median(((high - low) / 2) ** 2))  # of the values without rare photons
    level, spread = float(np.median(middle)), float(np.median(values.std(axis=0)))
    even = float(np.quantile(middle, 0.9)) < 1.2 * float(np.quantile(middle, 0.1)) and core > 0
    if not whole:
        return even and core < 0.3 * level
    if gain is not None and level - spread**2 / gain > 0.5 * level:
        return True
    return core < 0.3 * level or (float(np.median(lowest)) > max(0.3 * level, level - 1.5 * spread))


def largest_gain(sample: NDArray[np.floating], good: NDArray[np.bool_]) -> tuple[float, float]:
    """Bound the counts a photon from above, and give the rms of dim pixels, for a sample of unknown gain.

    A pixel's variance over its mean is the gain and what changes of the sample add.
    """
    mean, variance = sample.mean(axis=0, dtype=np.float64)[good], sample.var(axis=0, dtype=np.float64)[good]
    lit = mean > 0
    if not lit.any():
        return 1.0, 0.0
    dim = mean <= np.quantile(mean, 0.1)
    return float(np.quantile(variance[lit] / mean[lit], 0.9)), float(np.sqrt(np.median(variance[dim])))


def top_values(stored: NDArray[Any], good: NDArray[np.bool_], limit: float | None) -> tuple[float, int]:
    """Largest good value below the limit, and how often it comes up."""
    values = stored[:, good]
    below = values if limit is None else values[values < limit]
    if not below.size:
        return 0.0, 0
    top = below.max()
    return float(top), int(np.count_nonzero(below == top))


def suspected_saturation(top: list[tuple[float, int]]) -> list[Finding]:
    """Name a largest value of whole numbers that looks like the end of a range that nobody stated."""
    value = max((v for v, _ in top), default=0.0)
    often = sum(n for v, n in top if v == value)
    if value < 255 or value != int(value) or (int(value) + 1).bit_count() != 1 or often < PILE_UP:
        return []
    text = f"the largest stored value, {value:.0f} = 2^{int(value).bit_length()} - 1, comes up {often} times "
    fix = f"If the detector saturates there, say -s prepare.saturation={value:.0f}."
    return [Finding("caution", "saturation-suspected", text + "in a sample of frames", fix)]
