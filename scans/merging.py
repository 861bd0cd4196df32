"""Exposures of one position, merged in a prepared scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from scans.exposures import ExposureGroups, group_exposures, merge_exposures
from scans.prepared import PreparedScan


def merge_prepared(prepared: PreparedScan, ever_bad: NDArray[np.bool_]) -> PreparedScan:
    """Merge frames of one position and several exposures, where there are any.

    A merged frame holds the photons of its usable exposures, and its response is their share of the whole
    exposure: where the long one is saturated, the short one stands alone with its own noise.

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
    # exposure times are in the response from here on; what is left of the flux is the monitor's
    flux = prepared.flux if times is None else (prepared.flux / (times / np.median(times))).astype(np.float32)
    return _merge(replace(prepared, flux=flux), groups)


def _merge(prepared: PreparedScan, groups: ExposureGroups) -> PreparedScan:
    n, size = len(groups.members), prepared.counts.shape[-1]
    photons = np.empty((n, size, size), np.float32)
    response = np.empty((n, size, size), np.float32)
    flux, masks = np.empty(n), np.broadcast_to(prepared.mask, prepared.counts.shape)
    plane = prepared.response
    for k, members in enumerate(groups.members):
        own = prepared.flux[members].astype(np.float64)
        flux[k] = np.average(own, weights=groups.times[members])
        merged = merge_exposures(
            prepared.counts[members].astype(np.float32),
            groups.times[members] * own / flux[k],
            masks[members],
            groups.total,
            read_noise=prepared.read_noise,
        )
        photons[k], response[k] = merged.values * merged.weight, merged.weight
        if plane is not None:
            response[k] *= plane if plane.ndim == 2 else plane[members].mean(axis=0)
    if prepared.read_noise == 0 and prepared.counts.dtype.kind == "u":
        photons = np.rint(photons)
    mask = response > 0
    first = np.array([members[0] for members in groups.members])
    left_out = dict(prepared.left_out)
    for members in groups.members:
        frame = int(prepared.frame_index[members[0]])
        left_out |= {int(prepared.frame_index[j]): f"merged into frame {frame}" for j in members[1:]}
    return replace(
        prepared,
        counts=photons,
        mask=mask[0] if (mask == mask[0]).all() else mask,
        response=np.where(mask, response, 1).astype(np.float32),
        flux=(flux / np.median(flux)).astype(np.float32),
        positions_m=np.stack([prepared.positions_m[members].mean(axis=0) for members in groups.members]),
        frame_index=prepared.frame_index[first],
        left_out=tuple(sorted(left_out.items())),
        steps=(*prepared.steps, *groups.steps),
        findings=(*prepared.findings, *groups.findings),
    )
