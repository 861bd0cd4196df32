"""Error of a result against a known truth; only simulated scans have one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.registration import object_error
from recon.result import Result
from scans.truth import Truth

# Pixels that got at least this share of the well-lit pixels' photons (their 90th percentile) are compared.
WELL_LIT = 0.25


def error_against(result: Result, truth: Truth) -> float:
    """Normalised rms error of the complex object in the well-lit area.

    The truth is band-limited to the result's pixel; complex scale, linear phase ramp and shift, which the
    frames leave open, are fitted first.
    """
    rows, columns = (
        np.flatnonzero((at >= own[0]) & (at <= own[-1]))
        for at, own in ((result.y_m, truth.y_m), (result.x_m, truth.x_m))
    )
    area = np.ix_(rows, columns)  # beyond the truth's edge its Fourier series repeats
    expected = truth_on_grid(truth, result.y_m[rows], result.x_m[columns])
    return object_error(result.transmission[area], expected, well_lit(result.coverage)[area].astype(float))


def well_lit(coverage: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Mask ``(H, W)`` of the pixels with enough photons to be compared."""
    typical = np.percentile(coverage[coverage > 0.05 * coverage.max()], 90)
    return coverage > WELL_LIT * typical


def truth_on_grid(truth: Truth, y_m: NDArray[np.float64], x_m: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Evaluate the true object at the pixel centres `y_m`, `x_m`, without the frequencies they cannot hold.

    Outside the truth's own area its Fourier series repeats.
    """
    spectrum = np.fft.fft2(truth.object) / truth.object.size
    sides = []
    for axis, (at, own) in enumerate(((y_m, truth.y_m), (x_m, truth.x_m))):
        frequency = np.fft.fftfreq(len(own), truth.pixel_m)
        kept = np.abs(frequency) < 0.5 / (at[1] - at[0])
        spectrum = np.compress(kept, spectrum, axis=axis)
        sides.append(np.exp(2j * np.pi * np.outer(at - own[0], frequency[kept])))
    return sides[0] @ spectrum @ sides[1].T
