"""Scans of a simulated detector with known truth, for tests of the whole preparation."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.detector_model import DetectorModel, Exposure
from scans.prepared import PreparedScan
from scans.scan import Scan
from scans.scenario import build

CCD = DetectorModel(counts_per_photon=20.0, read_noise_e=5.0, dark_level=300.0, dark_pattern=4.0)


@cache
def patterns(name: str = "catalyst", n: int = 60, **settings: Any) -> tuple[Scan, NDArray[np.float64]]:
    """A scan and its expected photons ``(J, N, N)`` for one photon a frame (`scans.simulation`)."""
    scan, _ = build(name, poisson=False, n_frames=n, photons_per_frame=1.0, **({"frame_px": 64} | settings))
    return scan, np.asarray(scan.frames[slice(0, n)], np.float64)


def record(
    model: DetectorModel,
    photons: float = 1e5,
    *,
    darks: int = 12,
    seed: int = 1,
    source: tuple[Scan, NDArray[np.float64]] | None = None,
    exposures_s: NDArray[np.float64] | None = None,
    **facts: Any,
) -> tuple[Scan, NDArray[np.float64], Exposure]:
    """Expose `model`: the scan, the expected photons, and the exposure with its truth."""
    ideal, pattern = source or patterns()
    expected = pattern * photons
    exposure = model.expose(expected, np.random.default_rng(seed), dark_frames=darks, exposures_s=exposures_s)
    known: dict[str, Any] = {"counts_per_photon": model.counts_per_photon, "beam_centre_px": ideal.beam_centre_px}
    scan = Scan(exposure.frames, ideal.positions_m, ideal.geometry, dark=exposure.darks, zone_plate=ideal.zone_plate)
    return replace(scan, **(known | facts)), expected, exposure


def chi_square(
    prepared: PreparedScan, expected: NDArray[np.float64], variance: float = 0.0
) -> tuple[float, float, float]:
    """Compare counts with expected photons ``(J, N, N)`` of the used frames.

    Gives the ratio of the sums, the mean difference in pixels of less than 0.2 photons, and
    ``sum (n - model)² / sum (model + read noise²)``, 1 for photons and read noise alone (Poisson law).
    """
    response = 1.0 if prepared.response is None else prepared.response.astype(float)
    model = expected * response * prepared.flux[:, None, None].astype(float)
    good = np.broadcast_to(prepared.mask, model.shape)
    difference = (prepared.counts - model)[good]
    dim = model[good] < 0.2
    power = (model[good] + prepared.read_noise**2 + variance).sum()
    return (
        float(prepared.counts[good].sum(dtype=float) / model[good].sum()),
        float(difference[dim].mean()),
        float((difference**2).sum() / power),
    )


def codes(prepared: PreparedScan) -> set[str]:
    """Return the codes of the findings."""
    return {f.code for f in prepared.findings}


def same(a: PreparedScan, b: PreparedScan) -> list[str]:
    """Name what differs between two prepared scans; empty when nothing does."""
    differs = [
        name
        for name in ("counts", "mask", "response", "flux", "positions_m")
        if not np.array_equal(
            np.asarray(getattr(a, name), object if getattr(a, name) is None else None), getattr(b, name)
        )
    ]
    differs += [name for name in ("geometry", "unit", "read_noise") if getattr(a, name) != getattr(b, name)]
    return differs + (["dtype"] if a.counts.dtype != b.counts.dtype else [])
