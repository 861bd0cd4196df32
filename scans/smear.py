"""Read-out smear: light that falls while the charge is shifted through the columns.

Without a shutter every pixel collects, on its way to the read-out, a share of what falls on the other rows of
its column: ``measured[y, x] = true[y, x] + share · sum over rows of true[:, x]``. With a shutter that opens or
closes too slowly at one end, only the rows on one side contribute. Here the smear is seen outside the beam,
where the rows repeat the profile of the column sums without fading away from the beam, as scatter would.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from scans.beam import filled
from scans.scan import Finding

Side = Literal["both", "after", "before"]
SIGNIFICANT = 5.0  # standard errors
FADING = (1.0, 2.0, 4.0)  # powers of the distance with which scatter may fade
BRIGHT_ROW = 0.25  # rows that reach this share of the peak are in the beam
LEAST_ROWS = 8


@dataclass(frozen=True)
class Smear:
    """Smear along `axis` (0: columns, 1: rows), of the rows on `side` of each pixel.

    `share` is that of the true column sum which each pixel gets, for frames of the exposure it was fitted on,
    `error` its standard error with what the model of the scatter leaves open.
    """

    share: float
    error: float
    axis: int = 0
    side: Side = "both"

    @property
    def step(self) -> str:
        """What is done, in words."""
        along = "columns" if self.axis == 0 else "rows"
        return (
            f"smear: {100 * self.share:.3g} ± {100 * self.error:.2g} % of the sum along {along} taken out of every "
            f"pixel ({'all pixels' if self.side == 'both' else f'the pixels {self.side} it'} contribute)"
        )

    def correct(self, frames: NDArray[np.floating], factor: NDArray[np.floating] | None = None) -> None:
        """Take the smear out of dark-corrected frames ``(n, h, w)``, in place; unmeasured pixels hold 0.

        `factor` ``(n,)`` is the exposure that the share was fitted on over the frame's: the shift takes the
        same time in a short exposure. Saturated pixels are missing from the sum: their column keeps a part of
        its smear.
        """
        view = frames if self.axis == 0 else frames.swapaxes(1, 2)
        shares = np.full(len(frames), self.share) if factor is None else self.share * np.asarray(factor)
        if self.side == "both":
            slope = (shares / (1 + shares * view.shape[1])).astype(frames.dtype)
            view -= slope[:, None, None] * view.sum(axis=1, keepdims=True)
            return
        from scipy import signal  # takes longer to load than most files to check

        rows = view[:, ::-1] if self.side == "after" else view
        for frame, share in zip(rows, shares, strict=True):
            # with P the true sum so far: true = measured - share·P, and P grows by it
            before = signal.lfilter([0.0, 1.0], [1.0, -(1.0 - share)], frame, axis=0)
            frame -= (share * before).astype(frames.dtype)


class _Slope(NamedTuple):
    """Constant part of the smear's amplitude on one side of the beam, and its error."""

    value: float
    error: float

    @property
    def seen(self) -> bool:
        return self.value > SIGNIFICANT * self.error


def find_smear(
    mean: NDArray[np.floating], good: NDArray[np.bool_], full: NDArray[np.bool_] | None = None
) -> tuple[Smear | None, tuple[Finding, ...]]:
    """Look for smear along both axes of a mean pattern ``(h, w)``, dark subtracted.

    `full` ``(h, w)`` bool are pixels that are saturated in every frame: the sums of their columns are not known,
    and a share of the sums that are seen would take too much from bright columns and too little from others.
    Returns the smear, or None, and what cannot be corrected.
    """
    best: Smear | None = None
    findings: list[Finding] = []
    image = filled(np.asarray(mean, np.float64), good)
    for axis in (0, 1):
        turned, usable = (image, good) if axis == 0 else (image.T, good.T)
        smear, text = _along(turned, usable)
        if text:
            findings.append(Finding("caution", "smear-unclear", text, "Read with a shutter, or with longer exposures."))
        if smear is None:
            continue
        smear = Smear(smear.share, smear.error, axis, smear.side)
        if best is None or smear.share / smear.error > best.share / best.error:
            best = smear
    if best is not None and full is not None and (full & good).any():
        text = f"there seems to be read-out smear, but {(full & good).sum()} pixels are saturated in every frame, so "
        text += "the sums along its lines are not known; it is left as it is"
        findings.append(Finding("caution", "smear-saturated", text, "Read with a shutter, or with shorter exposures."))
        best = None
    return best, tuple(findings)


def _along(image: NDArray[np.float64], good: NDArray[np.bool_]) -> tuple[Smear | None, str]:
    """Look for smear along axis 0; None, and why, where the two sides disagree."""
    above, below = _sides(image, good)
    if above is None or below is None or not (above.seen or below.seen):
        return None, ""
    side: Side
    if abs(above.value - below.value) < 4 * math.hypot(above.error, below.error) and above.seen and below.seen:
        side = "both"
    elif below.seen and above.value < 0.2 * below.value + 3 * above.error:
        side = "before"
    elif above.seen and below.value < 0.2 * above.value + 3 * below.error:
        side = "after"
    else:
        return None, (
            f"column profiles outside the beam look like read-out smear, but with {100 * above.value:.2g} % of the "
            f"column sum above and {100 * below.value:.2g} % below the beam; left as it is"
        )
    first = _combined(above, below, side)
    share, error = first.value, first.error
    for _ in range(3):  # the sum itself holds smear
        trial = image[None].copy()
        Smear(share, error, 0, side).correct(trial)
        again = _sides(trial[0], good)
        if again[0] is None or again[1] is None:
            break
        rest = _combined(again[0], again[1], side)
        share, error = share + rest.value, max(error, rest.error)
    # the slow part of the column sums is not used: on simulated patterns that leaves a per cent open
    error = math.hypot(error, 0.01 * share)
    return (Smear(share, error, 0, side), "") if share > SIGNIFICANT * error else (None, "")


def _combined(above: _Slope, below: _Slope, side: Side) -> _Slope:
    if side != "both":
        return below if side == "before" else above
    weights = np.array([1 / max(s.error, 1e-300) ** 2 for s in (above, below)])
    value = float((weights * [above.value, below.value]).sum() / weights.sum())
    # what differs between the sides is not smear, and may be in both
    return _Slope(value, math.hypot(float(weights.sum() ** -0.5), (above.value - below.value) / 2))


def _sides(image: NDArray[np.float64], good: NDArray[np.bool_]) -> tuple[_Slope | None, _Slope | None]:
    """Amplitude of the column sums in the rows above and below the beam, as far as it does not fade."""
    columns = good.mean(axis=0) > 0.8
    sums = image.sum(axis=0)[columns]
    # scatter and leak vary slowly along a row: only what is sharper counts
    x = np.linspace(-1, 1, len(sums))
    slow = np.linalg.qr(np.polynomial.legendre.legvander(x, 4))[0]
    sharp = sums - slow @ (slow.T @ sums)
    power = float((sharp**2).sum())
    smooth = ndimage.median_filter(image, size=3, mode="nearest")
    peaks = smooth.max(axis=1)
    lit = np.flatnonzero(peaks > BRIGHT_ROW * peaks.max())
    if power <= 0 or not lit.size:
        return None, None
    amplitude = image[:, columns] @ sharp / power
    centre = float((lit[0] + lit[-1]) / 2)
    usable = good.mean(axis=1) > 0.5
    sides = []
    for rows in (np.arange(0, lit[0]), np.arange(lit[-1] + 1, len(image))):
        rows = rows[usable[rows]]
        sides.append(_constant_part(amplitude[rows], np.abs(rows - centre)) if len(rows) >= LEAST_ROWS else None)
    return sides[0], sides[1]


def _constant_part(amplitude: NDArray[np.float64], distance: NDArray[np.float64]) -> _Slope:
    """Fit ``constant + b·distance^-p``; the smallest constant over the powers counts, their spread is an error."""
    fits = []
    for p in FADING:
        basis = np.stack([np.ones_like(distance), (distance / distance.min()) ** -p], axis=1)
        for _ in range(2):
            solution, *_ = np.linalg.lstsq(basis, amplitude, rcond=None)
            rest = amplitude - basis @ solution
            variance = float((rest**2).sum()) / max(len(rest) - 2, 1)
        covariance = np.linalg.pinv(basis.T @ basis) * variance
        fits.append((variance, float(solution[0]), math.sqrt(covariance[0, 0])))
    _, value, error = min(fits)
    # powers that fit as well as the best say how far the constant is open
    near = [v for variance, v, _ in fits if variance < min(fits)[0] * (1 + 4 / math.sqrt(len(amplitude)))]
    return _Slope(value, math.hypot(error, (max(near) - min(near)) / 2))
