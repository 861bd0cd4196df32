"""Response of each pixel relative to the typical one, and the pixels that cannot be corrected.

After ``value = counts / response`` the variance of a Poisson count is ``value / response``: the response is
also the weight of the pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.scan import Finding

# A pixel outside is not a pixel with another response but a broken one (common practice, no source).
LOWEST, HIGHEST = 0.2, 5.0
# Robust spread of the response above which it looks like the shape of a beam (common practice, no source).
UNEVEN = 0.2


@dataclass(frozen=True)
class FlatField:
    """Response ``(h, w)`` float32, median 1 over good pixels, 1 where `bad`; what was done and seen."""

    response: NDArray[np.float32] = field(repr=False)
    bad: NDArray[np.bool_] = field(repr=False)
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


def normalise_flat(
    flat: NDArray[Any],
    good: NDArray[np.bool_],
    where: str,
) -> FlatField:
    """Bring a flat field to a median of 1 over the good pixels.

    Parameters
    ----------
    flat
        ``(h, w)`` response of the pixels, any scale; the readers invert factors that multiply.
    good
        ``(h, w)`` bool, True = good.
    where
        File and dataset, for messages.

    Raises
    ------
    InputError
        Shape does not fit, or no pixel has a positive finite value.
    """
    values = np.asarray(flat, np.float64)
    if values.shape != good.shape:
        raise InputError(
            f"a flat field of shape {values.shape}",
            where=where,
            expected=f"the frame's shape {good.shape}",
            fix="Give the flat field of the same detector region, or remove it.",
        )
    usable = np.isfinite(values) & (values > 0)
    if not (usable & good).any():
        raise InputError(
            "no good pixel of the flat field is positive and finite",
            where=where,
            expected="relative response of each pixel, near 1",
            fix="Check that this is the flat field of this detector, or remove it.",
        )
    response = values / np.median(values[usable & good])
    bad = ~usable | (response < LOWEST) | (response > HIGHEST)
    kept = response[~bad & good]
    low, middle, high = np.percentile(kept, [15.9, 50, 84.1])
    spread = (high - low) / 2 / middle
    n_bad = int((bad & good).sum())
    steps = [f"flat field: counts stay as counted, the response holds it; median 1, spread {100 * spread:.3g} %"]
    if n_bad:
        steps.append(f"flat field: {n_bad} pixels with a response below {LOWEST:g}, above {HIGHEST:g} or none masked")
    return FlatField(np.where(bad, 1.0, response).astype(np.float32), bad, tuple(steps), _doubts(spread, n_bad, good))


def _doubts(spread: float, n_bad: int, good: NDArray[np.bool_]) -> tuple[Finding, ...]:
    """Doubt a flat field that looks like the picture of a beam."""
    findings = []
    if spread > UNEVEN:
        findings.append(
            Finding(
                "caution",
                "flat-uneven",
                f"the flat field varies by {100 * spread:.0f} % over the good pixels: is it the shape of the beam?",
                "If the flat was not taken with even light, leave it out.",
            )
        )
    if n_bad > 0.01 * good.sum():
        findings.append(
            Finding(
                "caution",
                "flat-bad-pixels",
                f"the flat field makes {n_bad} of {good.sum()} good pixels bad ({100 * n_bad / good.sum():.1f} %)",
                "Check that the flat field belongs to this detector, and whether it divides or multiplies.",
            )
        )
    return tuple(findings)
