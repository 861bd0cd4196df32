"""Exposures of one position, merged in a prepared scan."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.exact_types import ExactStack
from scans.exposures import ExposureGroups, Merged, group_exposures, merge_exposures
from scans.prepared import PreparedScan

# Frames with less than this share of the median total are none, when exposures are told from the totals.
LEAST_SHARE = 1e-4
# How the reason of a frame begins that is in another one.
MERGED = "merged into frame"


def exposure_factors(
    exposures_s: NDArray[np.float64] | None,
    positions_m: NDArray[np.float64],
    totals: NDArray[np.float64],
    lit: NDArray[np.bool_],
) -> NDArray[np.float64] | None:
    """Return the exposure of each frame over the median one ``(J,)``; None where all are alike.

    It is the recorded one, or told from the totals: good enough to see which frames are empty, not to merge them.

    Raises
    ------
    InputError
        Recorded exposures that are not positive.
    """
    if exposures_s is not None:
        bad = ~(np.isfinite(exposures_s) & (exposures_s > 0))
        if bad.any():
            raise InputError(
                f"exposure {exposures_s[bad][0]:g} s in {bad.sum()} of {len(bad)} frames",
                where="exposures of the frames",
                expected="positive numbers, in seconds",
                fix="Correct the exposures, or leave them out: they are then told from the counts.",
            )
        return exposures_s / np.median(exposures_s) if np.ptp(exposures_s) > 0 else None
    if not lit.any():
        return None
    bright = lit & (totals > LEAST_SHARE * np.median(totals[lit]))
    groups = group_exposures(positions_m[bright], None, totals[bright]) if bright.any() else None
    if groups is None:
        return None
    factors = np.ones(len(totals))
    factors[bright] = groups.times / np.median(groups.times)
    return factors


def merge_prepared(prepared: PreparedScan, ever_bad: NDArray[np.bool_]) -> PreparedScan:
    """Merge frames of one position and several exposures, where there are any.

    A merged frame holds the photons of its usable exposures, and its response is their share of the whole
    exposure: where the long one is saturated, the short one stands alone with its own noise. Frames of different
    exposures without a partner are left as they are, with the exposure in their flux.

    Parameters
    ----------
    ever_bad
        ``(N, N)`` pixels that lack a value in some frame: totals are compared without them.
    """
    scan, used = prepared.scan, prepared.frame_index
    times = None if scan.exposures_s is None else scan.exposures_s[used]
    totals = np.array([frame[~ever_bad].sum(dtype=np.float64) for frame in prepared.counts])
    if times is None and (totals <= 0).any():
        return prepared
    groups = group_exposures(prepared.positions_m, times, totals)
    if groups is None:
        return prepared
    if len(groups.members) == len(totals):  # told apart, but no two frames belong together
        return replace(
            prepared,
            flux=(prepared.flux * groups.times / np.median(groups.times)).astype(np.float32),
            steps=(*prepared.steps, groups.steps[0]),
            findings=(*prepared.findings, *groups.findings),
        )
    # exposure times are in the response from here on; what is left of the flux is the monitor's
    flux = prepared.flux if times is None else (prepared.flux / (times / np.median(times))).astype(np.float32)
    return _merge(replace(prepared, flux=flux), groups)


def _left_out(prepared: PreparedScan, groups: ExposureGroups) -> tuple[tuple[int, str], ...]:
    """Frames left out before, and those that are in another one now."""
    left_out = dict(prepared.left_out)
    for members in groups.members:
        frame = int(prepared.frame_index[members[0]])
        left_out |= {int(prepared.frame_index[j]): f"{MERGED} {frame}" for j in members[1:]}
    return tuple(sorted(left_out.items()))


def _merge(prepared: PreparedScan, groups: ExposureGroups) -> PreparedScan:
    n, size = len(groups.members), prepared.counts.shape[-1]
    whole = prepared.read_noise == 0 and prepared.counts.dtype.kind == "u"
    photons, response, mask = ExactStack(n, (size, size)), _Planes(n), _Planes(n)
    flux, noise = np.empty(n), np.empty(n)
    masks, plane = np.broadcast_to(prepared.mask, prepared.counts.shape), prepared.response
    rate = _rate(prepared, groups.times, masks) if prepared.read_noise > 0 else None
    for k, members in enumerate(groups.members):
        own = prepared.flux[members].astype(np.float64)
        flux[k] = np.average(own, weights=groups.times[members])
        merged = merge_exposures(
            prepared.counts[members].astype(np.float32),
            groups.times[members] * own / flux[k],
            masks[members],
            groups.total,
            read_noise=prepared.read_noise,
            expected_rate=None if rate is None else rate * np.float32(flux[k]),
        )
        counts, measured = merged.values * merged.weight, merged.weight > 0
        share = np.where(measured, merged.weight, 1)
        if plane is not None:
            share = np.where(measured, share * (plane if plane.ndim == 2 else plane[members].mean(axis=0)), 1)
        photons.put(slice(k, k + 1), np.rint(counts)[None] if whole else counts[None])
        response.put(k, share.astype(np.float32))
        mask.put(k, measured)
        noise[k] = _read_noise(merged, measured)
    first = np.array([members[0] for members in groups.members])
    return replace(
        prepared,
        counts=photons.finish(),
        mask=mask.planes,
        response=response.planes,
        flux=(flux / np.median(flux)).astype(np.float32),
        read_noise=float(np.median(noise)),
        positions_m=np.stack([prepared.positions_m[members].mean(axis=0) for members in groups.members]),
        frame_index=prepared.frame_index[first],
        left_out=_left_out(prepared, groups),
        steps=(*prepared.steps, *groups.steps),
        findings=(*prepared.findings, *groups.findings),
    )


def _rate(prepared: PreparedScan, times: NDArray[np.float64], masks: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Mean counts in a unit of time ``(N, N)``: weights made of a frame's own counts would bias it."""
    total, exposure = np.zeros(masks.shape[1:]), np.zeros(masks.shape[1:])
    for frame, good, time, flux in zip(prepared.counts, masks, times, prepared.flux, strict=True):
        total += np.where(good, frame, 0)
        exposure += good * (time * float(flux))
    return (np.maximum(total, 0) / np.where(exposure > 0, exposure, 1)).astype(np.float32)


def _read_noise(merged: Merged, measured: NDArray[np.bool_]) -> float:
    """Read noise of the typical pixel in the merged counts, which are the values times their weight."""
    if not measured.any():
        return 0.0
    variance = merged.weight[measured] ** 2 * merged.read_variance[measured]
    return float(np.sqrt(np.median(variance)))


class _Planes:
    """Arrays ``(N, N)`` of n frames, kept as one while all are the same."""

    def __init__(self, n: int) -> None:
        self._n = n
        self._first: NDArray[Any] | None = None
        self._all: NDArray[Any] | None = None

    def put(self, k: int, plane: NDArray[Any]) -> None:
        """Take in the plane of frame k, in order."""
        if self._first is None:
            self._first = plane.copy()
        if self._all is None:
            if np.array_equal(plane, self._first):
                return
            self._all = np.empty((self._n, *plane.shape), plane.dtype)
            self._all[:k] = self._first
        self._all[k] = plane

    @property
    def planes(self) -> NDArray[Any]:
        """``(N, N)``, or ``(n, N, N)`` where they differ."""
        planes = self._first if self._all is None else self._all
        assert planes is not None
        return planes
