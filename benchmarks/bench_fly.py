"""What a stage that moves during exposures costs: ``python benchmarks/bench_fly.py``.

One sample, one dose, the same positions: exposed at rest, and while the stage moves by some object pixels along its
way (ring by ring). The moving one is solved with no recipe, with its way given, and as if it stood still. A line each:
error of the object in the well-lit area, and half period at which the ring correlation with the truth, the mean of
five rings, falls to 0.5. Single rings scatter by a tenth of that: compare means over seeds.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from bench_helpers import print_json
from numpy.typing import NDArray

import scans
from recon import reconstruct
from recon.recipe import Recipe
from recon.result import Result
from recon.ring_correlation import ring_correlation
from recon.truth_error import error_against, truth_on_grid
from scans.scan import Scan
from scans.scenario import scenario
from scans.simulation import diffraction_patterns
from scans.truth import Sample, Truth

POINTS = 12
# Keys of the recipe in each case; all but the first move.
CASES = {
    "rest": (),
    "chosen": (),
    "given": ("positions.travel={travel:.3f}",),
    "ignored": ("positions.travel=0", "probe.modes=1"),
}


def directions(positions_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return unit vectors ``(J, 2)`` along the way: to the next position, or from the last where the stage jumps."""
    steps = np.diff(positions_m, axis=0)
    after, before = np.vstack([steps, steps[-1:]]), np.vstack([steps[:1], steps])
    lengths = np.linalg.norm(after, axis=1)
    ways = np.where((lengths > 1.5 * np.median(lengths))[:, None], before, after)
    return ways / np.linalg.norm(ways, axis=1, keepdims=True)


def exposed(scan: Scan, truth: Truth, sample: Sample, move_m: float, seed: int) -> Scan:
    """Return the scan with the stage moving by so much in each exposure, with Poisson counts."""
    along = directions(truth.positions_m)
    mean = np.zeros(())
    for share in (np.arange(POINTS) + 0.5) / POINTS - 0.5:
        at = truth.positions_m + share * move_m * along
        mean = mean + diffraction_patterns(sample, truth.probe, at, scan.geometry) / POINTS
    counts = np.random.default_rng(seed).poisson(mean).astype(np.uint16)
    return replace(scan, frames=counts)


def half_period_m(result: Result, truth: Truth) -> float | None:
    """Half period at which the ring correlation with the truth, the mean of five rings, falls to 0.5."""
    inside = [
        np.flatnonzero((own >= at[0]) & (own <= at[-1]))
        for own, at in ((result.y_m, truth.y_m), (result.x_m, truth.x_m))
    ]
    area = np.ix_(*inside)
    expected = truth_on_grid(truth, result.y_m[inside[0]], result.x_m[inside[1]]).astype(np.complex64)
    rings = ring_correlation(result.transmission[area], expected, result.pixel_m, weight=result.coverage[area])
    mean, at = np.convolve(rings.frc, np.ones(5) / 5, "valid"), rings.frequency_per_m[2:-2]
    below = np.flatnonzero(mean < 0.5)
    if not len(below) or below[0] == 0:
        return None
    k = below[0]
    return float(0.5 / np.interp(0.5, [mean[k], mean[k - 1]], [at[k], at[k - 1]]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--move", type=float, default=3.0, help="object pixels a frame")
    parser.add_argument("--specimen", default="catalyst", help="name of a scenario")
    parser.add_argument("--photons", type=float, default=1e6, help="a frame")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    args = parser.parse_args()
    settings = {
        "frame_px": 96,
        "trajectory": "concentric_rings",
        "photons_per_frame": args.photons,
        "specimen_seed": args.seed,
        "seed": args.seed,
    }
    scan, truth = scans.build(args.specimen, poisson=False, **settings)
    chosen = scenario(args.specimen, **settings)
    sample = chosen.sample(chosen.positions_m())
    move_m = args.move * scan.geometry.object_pixel_m[0]
    rest, moving = (exposed(scan, truth, sample, one, args.seed) for one in (0.0, move_m))
    step_m = float(np.median(np.hypot(*np.diff(truth.positions_m, axis=0).T)))
    travel = move_m / step_m
    print(f"{len(truth.positions_m)} frames, steps of {step_m * 1e9:.0f} nm, moves of {move_m * 1e9:.0f} nm")
    for name in args.cases:
        recipe = Recipe()
        for text in CASES[name]:
            recipe = recipe.override(text.format(travel=travel))
        result = reconstruct(rest if name == "rest" else moving, recipe, device=args.device)
        error, half = error_against(result, truth), half_period_m(result, truth)
        used = result.recipe
        told = f"modes {used.probe.modes} travel {used.positions.travel:g} refine {used.positions.refine}"
        print(f"{name:10} error {error:.4f}  half period {1e9 * (half or 0):.1f} nm  {told}", flush=True)
        print_json(case=name, error=round(error, 5), half_period_m=half, device=result.provenance.device)


if __name__ == "__main__":
    main()
