"""A flat field whose meaning the file does not say: whether it divides the counts or multiplies them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.formats.facts import Facts
from scans.formats.values import attribute
from scans.scan import Frames

# Of the scan, so many frames in so many runs give the mean pattern that is compared with the flat field.
RUNS, FRAMES_A_RUN = 8, 8
# Pixels with fewer counts than this in the sum of these frames say nothing.
FEWEST_COUNTS = 50.0
# A slope must be so many of its own errors from zero, and so near +1 or -1, to be called evidence.
STRONG, NEAR = 5.0, 0.5
# Our own attribute of a flat field: how it is to be used.
USE = "use"


@dataclass(frozen=True)
class FlatEvidence:
    """Which use of a flat field the mean pattern bears out.

    Parameters
    ----------
    slope, error
        Of log(pattern) against log(flat) between neighbouring pixels: +1 where the flat field is the pixels'
        response (it divides), -1 where it is a correction factor (it multiplies).
    divided, multiplied
        Roughness (root mean square of that difference) of pattern / flat and pattern x flat, over that of the
        pattern as it is.
    """

    slope: float
    error: float
    divided: float
    multiplied: float

    @property
    def use(self) -> str | None:
        """Return divides or multiplies, or None where the data cannot tell."""
        if not abs(self.slope) > STRONG * self.error or abs(abs(self.slope) - 1) > NEAR:
            return None
        return "divides" if self.slope > 0 else "multiplies"

    def __str__(self) -> str:
        return (
            f"slope {self.slope:+.2f} +- {self.error:.2f}; roughness of the mean pattern x {self.divided:.3f} "
            f"when divided, x {self.multiplied:.3f} when multiplied"
        )


def weigh(total: NDArray[np.float64], flat: NDArray[np.float64]) -> FlatEvidence | None:
    """Compare a pattern with a flat field between neighbouring pixels, where speckle is the same but for noise.

    Parameters
    ----------
    total
        ``(h, w)`` dark-corrected sum of many frames [counts].
    flat
        ``(h, w)`` flat field.

    Returns
    -------
    FlatEvidence or None
        None where fewer than 100 pairs of pixels hold enough counts, or the flat field does not vary.
    """
    good = (total > FEWEST_COUNTS) & np.isfinite(flat) & (flat > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_p, log_f = np.where(good, np.log(total), np.nan), np.where(good, np.log(flat), np.nan)
    steps_p = np.concatenate([np.diff(log_p, axis=axis).ravel() for axis in (0, 1)])
    steps_f = np.concatenate([np.diff(log_f, axis=axis).ravel() for axis in (0, 1)])
    known = np.isfinite(steps_p) & np.isfinite(steps_f)
    p, f = steps_p[known] - np.median(steps_p[known]) if known.any() else steps_p[known], steps_f[known]
    if p.size < 100:
        return None
    p, f = _without_outliers(p, f - np.median(f))
    power = float(f @ f)
    rough = float(p @ p)
    if not power > 1e-12 * p.size or not rough > 0:
        return None
    slope = float(p @ f) / power
    # each pixel enters up to four steps, so that they are not independent
    error = 2 * float(np.std(p - slope * f)) / np.sqrt(power)
    divided, multiplied = (float(np.sqrt(np.sum((p - sign * f) ** 2) / rough)) for sign in (1, -1))
    return FlatEvidence(slope, error, divided, multiplied)


def _without_outliers(
    p: NDArray[np.float64], f: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Leave out pairs whose steps are far beyond the others: edges of the beamstop, bad pixels."""
    keep = np.ones(p.size, dtype=bool)
    for steps in (p, f):
        width = 1.4826 * float(np.median(np.abs(steps)))
        keep &= np.abs(steps) <= max(6 * width, 1e-9)
    return p[keep], f[keep]


def summed(frames: Frames, dark: NDArray[Any] | None) -> NDArray[np.float64]:
    """Sum of up to 64 frames of a stack ``(J, h, w)`` in 8 runs, less the mean dark frame."""
    n = frames.shape[0]
    total, used = np.zeros(frames.shape[1:]), 0
    for start in np.unique(np.linspace(0, max(n - FRAMES_A_RUN, 0), RUNS).astype(int)):
        block = frames[int(start) : int(start) + FRAMES_A_RUN]
        total += np.nan_to_num(block.astype(np.float64), posinf=0.0, neginf=0.0).sum(axis=0)
        used += len(block)
    if dark is not None:
        total -= used * dark.reshape(-1, *dark.shape[-2:]).mean(axis=0, dtype=np.float64)
    return total


def use_flat(facts: Facts, dataset: h5py.Dataset, applied: bool = False) -> None:
    """Use a flat field as its `use` attribute or the user says; otherwise ask, with what the data say.

    Parameters
    ----------
    facts
        Gets the flat field, or a note with the question.
    dataset
        ``(h, w)`` flat field.
    applied
        Whether the file says that the frames are corrected already.
    """
    own = attribute(dataset, USE)
    said = facts.overrides.flat or (own if own in ("divides", "multiplies") else None)
    if applied and facts.overrides.flat is None:
        facts.note("flat field", "not applied again", dataset, "the file says that the frames are corrected already")
        return
    if said == "none":
        facts.note("flat field", "not applied", dataset, "as the user said")
        return
    if said is not None and facts.overrides.flat is None:
        _use_own(facts, dataset, said)
    elif said is not None:
        facts.set_flat(dataset, dataset, "")
    else:
        text, why = _question(facts, facts.values(dataset))
        facts.note("flat field", text, dataset, why, guess=True)


def _use_own(facts: Facts, dataset: h5py.Dataset, use: str) -> None:
    """Use a flat field that says how; a response is kept as it is written."""
    values = facts.values(dataset)
    usable = np.isfinite(values) & (values > 0)
    if use == "divides" and usable.all() and facts.frames is not None and values.shape == facts.frames.shape[1:]:
        facts.flat = values
        facts.note("flat field", f"standard deviation {float(values.std()):.3g}", dataset, "divides: its attribute")
        return
    if use == "multiplies":
        values = np.where(usable, 1.0 / np.where(usable, values, 1.0), np.nan)
    facts.set_flat(values, dataset, f"its attribute says that it {use}")


def _question(facts: Facts, values: NDArray[np.float64]) -> tuple[str, str]:
    """Say of a flat field that is not applied: value and reason of the note."""
    ask = "give -s scan.flat=divides (response), multiplies (factors) or none"
    why = f"NeXus does not say whether it multiplies or divides: {ask}"
    if facts.frames is None or values.shape != tuple(facts.frames.shape[1:]):
        return "not applied", why
    evidence = weigh(summed(facts.frames, facts.dark), values)
    if evidence is None:
        return "not applied", f"{why}; the frames cannot tell"
    if evidence.use is None:
        return "not applied", f"{why}; the frames do not decide: {evidence}"
    return f"not applied; the frames say that it {evidence.use}", f"{why}; {evidence}"
