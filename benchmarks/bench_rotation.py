"""Whether rotation and scale of the positions are found within their errors: ``python benchmarks/bench_rotation.py``.

Simulated scans whose recorded positions are turned and scaled; a line for each with truth, estimate and error bar,
then how many errors are beyond 2 and 3 of their own bars. With ``--jobs N`` side by side.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from itertools import product
from multiprocessing import Pool

import numpy as np
from bench_helpers import print_json
from bench_orientation import star

import scans
from recon.orientation import decide_orientation
from scans.scan import Scan
from scans.trajectories import affine_matrix

# Rotations [rad], scales; specimen and trajectory; photons a frame.
TRUTHS = ((0.0, 1.0), (0.01, 0.96), (-0.01, 1.03), (0.03, 1.03), (-0.03, 0.96), (0.06, 1.0))
SCANS = (
    ("catalyst", "fermat_spiral"),
    ("catalyst", "jittered_raster"),
    ("testchart", "raster"),
    ("testchart", "fermat_spiral"),
    ("weak", "jittered_raster"),
    ("star", "raster"),
)
PHOTONS = (1e5, 1e6)

Case = tuple[str, str, float, float, float, int]


def make(case: Case) -> Scan:
    """Simulate one case."""
    name, trajectory, photons, rotation_rad, scale, seed = case
    if name == "star":
        scan = star(photons, trajectory, seed)
        # recorded positions are the true ones turned and scaled back
        matrix = np.linalg.inv(affine_matrix(scale=scale, rotation_rad=rotation_rad))
        return replace(scan, positions_m=scan.positions_m @ matrix.T)
    settings = {"position_rotation_rad": rotation_rad, "position_scale": scale, "photons_per_frame": photons}
    return scans.build(name, trajectory=trajectory, specimen_seed=seed, seed=seed, **settings)[0]


def judge(case: Case) -> tuple[Case, str, list[float | None], float]:
    """Estimate and the errors in units of their bars (rotation, scale; None: unknown), seconds."""
    prepared = scans.prepare(make(case))
    began = time.perf_counter()
    found = decide_orientation(prepared)
    fit, seconds = found.affine, time.perf_counter() - began
    shares: list[float | None] = [None, None]
    if fit.rotation_rad is not None and fit.rotation_sigma_rad is not None:
        shares[0] = (fit.rotation_rad - case[3]) / fit.rotation_sigma_rad
    if fit.scale is not None and fit.scale_sigma is not None:
        shares[1] = (fit.scale - case[4]) / fit.scale_sigma
    return case, str(fit), shares, seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=1, help="cases side by side")
    parser.add_argument("--seeds", type=int, default=1, help="specimens of each case")
    args = parser.parse_args()
    cases = [
        (*which, photons, *truth, 20 + seed)
        for which, photons, truth, seed in product(SCANS, PHOTONS, TRUTHS, range(args.seeds))
    ]
    shares: list[list[float | None]] = []
    with Pool(args.jobs) as pool:
        for (name, trajectory, photons, rotation, scale, _), text, share, seconds in pool.imap(judge, cases):
            truth = f"{name:10}{trajectory:16}{photons:.0e}  {1e3 * rotation:+4.0f} mrad {scale:.2f}"
            print(f"{truth}   {text}   {seconds:.1f} s", flush=True)
            shares.append(share)
    for k, what in enumerate(("rotation", "scale")):
        known = np.array([s[k] for s in shares if s[k] is not None], np.float64)
        rms = float(np.sqrt((known**2).mean())) if len(known) else 0.0
        beyond = {f"beyond_{n}_sigma": int((np.abs(known) > n).sum()) for n in (2, 3)}
        print_json(what=what, cases=len(shares), known=len(known), rms_over_bar=round(rms, 2), **beyond)


if __name__ == "__main__":
    main()
