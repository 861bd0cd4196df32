"""From stored mask values to bad pixels: bit fields of the standards, and masks that are only 0 and 1."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.formats.overrides import Overrides

# NXdetector pixel_mask: bits 0..15 mark faults, bit 31 an interpolated pixel (not a fault by itself).
NEXUS_BAD_BITS = 0xFFFF
NEXUS_VIRTUAL_BIT = 31
# CXI 1.6: invalid, saturated, hot, dead, shadowed, bad, gap, noisy. "Has signal" (12) and "support" (16) are no faults.
CXI_BAD_BITS = 0x69F


def bad_pixels(values: NDArray[Any], fault_bits: int, good: str | None = None) -> NDArray[np.bool_]:
    """Pixels that a stored mask calls bad.

    Parameters
    ----------
    values
        ``(..., h, w)`` as stored: bits, booleans (True = bad), or floats (nan = bad).
    fault_bits
        Bits that mean a fault.
    good
        "one" for a mask in which anything but 0 is good; None or "zero" for the standards' 0.
    """
    if values.dtype.kind == "f":
        known = np.isfinite(values)
        whole: NDArray[Any] = np.where(known, values, 0).astype(np.int64)
    else:
        known, whole = np.ones(values.shape, dtype=bool), values
    if good == "one":
        return np.asarray(~known | (whole == 0))
    if whole.dtype.kind == "b":
        return np.asarray(whole, dtype=bool)
    return np.asarray(~known | ((whole.astype(np.int64) & fault_bits) != 0))


def polarity(overrides: Overrides) -> str | None:
    """Which value means good in the file's mask, where the user says so (option ``mask_good``)."""
    return overrides.mask_good


def virtual_pixels(values: NDArray[Any]) -> int:
    """Count the pixels that a NeXus mask calls interpolated (bit 31)."""
    if values.dtype.kind not in "iu" or values.dtype.itemsize < 4:
        return 0
    return int(np.count_nonzero((values.astype(np.int64) >> NEXUS_VIRTUAL_BIT) & 1))
