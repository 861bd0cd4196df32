"""Whether detector and stage axes are joined right: ``python benchmarks/bench_orientation.py``.

All eight orientations of simulated scans, or of the scan files that are named: the same frames turned. A decision
is confidently wrong where it says "decided" and is not right.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np
from bench_helpers import print_json

import scans
from recon.orientation import decide_orientation
from scans.optics import zone_plate_probe
from scans.scan import Orientation, Scan
from scans.scenario import scenario
from scans.simulation import simulate
from scans.truth import Sample

EIGHT = tuple(Orientation(*flags) for flags in product((False, True), repeat=3))
HALF_TURN = Orientation(False, True, True)
# Specimens, trajectories and photons a frame; other specimen seeds than those the thresholds were set on.
SCANS = (
    ("catalyst", "fermat_spiral", 1e5, 7),
    ("testchart", "raster", 1e6, 7),
    ("weak", "jittered_raster", 1e6, 7),
    ("weak", "fermat_spiral", 1e5, 11),
    ("catalyst", "raster", 1e6, 11),
)


def star(photons: float, trajectory: str, seed: int) -> Scan:
    """Binary star of 72 spokes (period at the rim 87 nm, far below the step of 140 nm), phase -1, small defocus."""
    s = scenario("testchart", trajectory=trajectory, step_m=140e-9, n_frames=196, defocus_m=8e-6, seed=seed)
    positions_m = s.positions_m()
    half = int(np.ceil((np.abs(positions_m).max() + 0.55 * s.geometry.frame_width_m[0]) / s.pixel_m))
    y, x = np.mgrid[-half:half, -half:half] * s.pixel_m
    thick = (np.sin(72 * np.arctan2(y, x)) > 0) & (np.hypot(y, x) < 1e-6)
    sample = Sample(np.where(thick, np.exp(-0.25 - 1j), 1.0), s.pixel_m)
    size = (s.frame_px * s.oversampling,) * 2
    probe = zone_plate_probe(size, s.pixel_m, s.geometry.wavelength_m, s.zone_plate, s.defocus_m)
    measured = replace(s.measurement(), photons_per_frame=photons)
    return simulate(sample, probe, positions_m, s.geometry, measured, zone_plate=s.zone_plate, seed=seed)[0]


def samples() -> Iterator[tuple[str, Scan]]:
    """Name and scan, one after the other."""
    yield "star raster 1e+06", star(1e6, "raster", 5)
    yield "star fermat_spiral 1e+05", star(1e5, "fermat_spiral", 6)
    for name, trajectory, photons, seed in SCANS:
        settings = {"trajectory": trajectory, "photons_per_frame": photons, "specimen_seed": seed, "seed": seed}
        yield f"{name} {trajectory} {photons:.0e}", scans.build(name, **settings)[0]


def inverse(orientation: Orientation) -> Orientation:
    """Return what undoes a turn."""
    return next(o for o in EIGHT if orientation.then(o) == Orientation())


def stored_turned(scan: Scan, orientation: Orientation) -> Scan:
    """Store the frames of a scan another way round, and forget which."""
    centre = scan.beam_centre_px
    shape = scan.frames.shape[1], scan.frames.shape[2]
    turned = np.ascontiguousarray(orientation.apply(np.asarray(scan.frames[:])))
    middle = None if centre is None else orientation.apply_point(centre, shape)
    mask = None if scan.mask is None else np.ascontiguousarray(orientation.apply(scan.mask))
    return replace(scan, frames=turned, mask=mask, beam_centre_px=middle, orientation=Orientation())


def judge(name: str, scan: Scan, truths: tuple[Orientation, ...] = EIGHT) -> dict[str, int]:
    """Decide for every way of storing the frames of a scan that is right as stored; print and count."""
    counts = dict.fromkeys(("cases", "decided", "class right", "twin right", "confidently wrong"), 0)
    began, lowest = time.perf_counter(), 1.0
    for stored in truths:
        found = decide_orientation(scans.prepare(stored_turned(scan, stored)), affine=False)
        right = inverse(stored)
        in_class = found.orientation in (right, right.then(HALF_TURN))
        counts["cases"] += 1
        counts["decided"] += found.decided
        counts["class right"] += in_class
        counts["twin right"] += found.orientation == right
        counts["confidently wrong"] += found.decided and found.orientation != right
        lowest = min(lowest, found.class_confidence)
    seconds = (time.perf_counter() - began) / len(truths)
    print(f"{name:34}" + "".join(f"{v:>18}" for v in counts.values()) + f"{lowest:>12.3f}{seconds:>8.1f} s", flush=True)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="*", help="scan files whose stated orientation is right, instead of simulated")
    parser.add_argument("--turns", type=int, default=8, help="ways of storing to try of each, at most 8")
    args = parser.parse_args()
    columns = ("cases", "decided", "class right", "twin right", "confidently wrong")
    print(f"{'scan':34}" + "".join(f"{c:>18}" for c in columns) + f"{'least conf.':>12}{'a case':>10}")
    total = dict.fromkeys(columns, 0)
    scans_of_files = ((path.rsplit("/", 1)[-1], scans.load(path)) for path in args.files)
    for name, scan in scans_of_files if args.files else samples():
        counts = judge(name, stored_turned(scan, scan.orientation), EIGHT[: args.turns])
        total = {key: total[key] + counts[key] for key in total}
    print(f"{'all':34}" + "".join(f"{v:>18}" for v in total.values()))
    print_json(**total)


if __name__ == "__main__":
    main()
