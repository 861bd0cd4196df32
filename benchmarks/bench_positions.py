"""How well wrong positions are found: ``python benchmarks/bench_positions.py``.

Simulated scans of 225 frames of 96 px on an irregular trajectory whose recorded positions are wrong: at random, by
a common scale and by a rotation. The nominal defocus is 8 % off. A line for each case: errors that are left
[pixels] after taking out the common shift, then after taking out the best affine map, and scale and rotation of
that map. A frame is lost beyond 2 pixels. With noise also the least error that the counts allow. On the processor only.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from typing import Any

import numpy as np
from bench_helpers import print_json
from numpy.typing import NDArray

import scans
from recon import backend
from recon.choose import EXTEND, steps_for
from recon.kernels import expected_counts, illuminate
from recon.loop import Loop, Stage
from recon.metrics import evaluate
from recon.probe import scaled_to_power, zone_plate_probe
from recon.problem import Problem, make_problem
from recon.registration import object_error
from recon.solvers import make_solver
from recon.state import State, start_state
from recon.truth_error import truth_on_grid, well_lit
from scans.scenario import scenario
from scans.truth import Truth

# Random errors [pixels rms, length of the vector], scale, rotation [rad], photons a frame (0: no noise).
CASES: dict[str, tuple[float, float, float, float]] = {
    "none": (0.0, 1.0, 0.0, 0),
    "none, noisy": (0.0, 1.0, 0.0, 1e6),
    "small": (0.5, 1.0, 0.0, 0),
    "small, noisy": (0.5, 1.0, 0.0, 1e6),
    "large": (5.0, 1.02, np.deg2rad(1), 0),
    "large, noisy": (5.0, 1.02, np.deg2rad(1), 1e6),
}
LOST_PX = 2.0


Start = tuple[Problem, State, Truth, dict[str, Any]]


def make(case: str, specimen: str, trajectory: str, seed: int, device: backend.Device) -> Start:
    """Simulate a case; problem, state before the first pass, truth and the settings that a recipe would choose."""
    error_px, scale, rotation_rad, photons = CASES[case]
    settings = {"trajectory": trajectory, "specimen_seed": seed, "seed": seed}
    pixel_m = scenario(specimen, **settings).geometry.object_pixel_m[0]
    scan, truth = scans.build(
        specimen,
        photons_per_frame=photons or 1e6,
        poisson=photons > 0,
        position_jitter_m=error_px * pixel_m / np.sqrt(2),
        position_scale=scale,
        position_rotation_rad=rotation_rad,
        **settings,
    )
    prepared = scans.prepare(scan)
    problem = make_problem(prepared, device, margin_px=24)
    probe = zone_plate_probe(prepared.geometry, scan.zone_plate, scan.zone_plate.defocus_m)
    state = start_state(problem, scaled_to_power(probe, problem.power), seed)
    return problem, state, truth, {key: value for key, (value, _) in steps_for(prepared, problem).items()}


def judge(problem: Problem, state: State, truth: Truth) -> dict[str, float]:
    """Errors of the positions [pixels] and of the object."""
    true = (truth.positions_m - np.array(problem.origin_m)) / np.array(problem.pixel_m)
    away = true - true.mean(axis=0)
    shifted = without_mean(state.positions_px - true)
    matrix = np.linalg.lstsq(away, shifted, rcond=None)[0].T
    lengths, left = np.hypot(*shifted.T), np.hypot(*(shifted - away @ matrix.T).T)
    expected = truth_on_grid(truth, *problem.coordinates_m())
    lit = well_lit(evaluate(problem, state).illumination).astype(float)
    return {
        "rms": float(np.sqrt((lengths**2).mean())),
        "median": float(np.median(lengths)),
        "p95": float(np.percentile(lengths, 95)),
        "lost": int((lengths > LOST_PX).sum()),
        "affine_rms": float(np.sqrt((left**2).mean())),
        "affine_median": float(np.median(left)),
        "affine_p95": float(np.percentile(left, 95)),
        "affine_lost": int((left > LOST_PX).sum()),
        "scale": float(np.trace(matrix) / 2),
        "rotation": float((matrix[0, 1] - matrix[1, 0]) / 2),
        "object": object_error(backend.to_host(state.object_), expected, lit),
    }


def least_errors(problem: Problem, state: State) -> NDArray[np.float64]:
    """Return the Cramer-Rao bound ``(J,)`` of each position (rms length, pixels), object and probe known.

    The Fisher information of Poisson counts, ``sum de_a de_b / e``; unknown objects make it larger.
    """
    found = []
    for start in range(0, problem.n_frames, 16):
        batch = state.batch(problem, np.arange(start, min(start + 16, problem.n_frames)))
        step, rises = 1e-2, []
        for axis in (0, 1):
            ends = []
            for sign in (-1, 1):
                shifts = batch.shifts.copy()
                shifts[:, axis] += sign * step
                moved = replace(batch, shifts=shifts)
                ends.append(expected_counts(state, moved, backend.fft2(illuminate(state, moved).exit_waves())))
            rises.append((ends[1] - ends[0]) / (2 * step))
        light = np.maximum((ends[0] + ends[1]) / 2, 1e-2)
        information = np.einsum("abyx,cbyx->bac", rises, np.array(rises) / light)
        found.append(np.sqrt(np.trace(np.linalg.inv(information), axis1=1, axis2=2)))
    return np.concatenate(found)


def without_mean(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    return vectors - vectors.mean(axis=0)


def line(name: str, found: dict[str, float]) -> str:
    shift = "rms {rms:.3f} median {median:.3f} 95 % {p95:.3f} lost {lost:3}"
    affine = "rms {affine_rms:.3f} median {affine_median:.3f} 95 % {affine_p95:.3f} lost {affine_lost:3}"
    return (
        f"{name:28} {shift} | {affine} | scale {{scale:+.4f}} rotation {{rotation:+.4f}} object {{object:.3f}}".format(
            **found
        )
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    parser.add_argument("--specimens", nargs="+", default=["catalyst"], help="names of scenarios")
    parser.add_argument("--trajectory", default="fermat_spiral")
    parser.add_argument("--seeds", type=int, default=1, help="specimens and errors of each case")
    parser.add_argument("--passes", type=int, default=80, help="of rPIE with refinement")
    parser.add_argument("--likelihood-passes", type=int, default=60, help="of maximum likelihood after it, at least")
    parser.add_argument("--every", type=int, default=0, help="passes between lines on the way; 0: none")
    args = parser.parse_args()
    device = backend.open_device("cpu")
    for specimen in args.specimens:
        for case in args.cases:
            for seed in range(args.seeds):
                run(case, specimen, seed, device, args)


def run(case: str, specimen: str, seed: int, device: backend.Device, args: argparse.Namespace) -> None:
    """Reconstruct one case and print what is left of its errors."""
    problem, state, truth, settings = make(case, specimen, args.trajectory, seed, device)
    stages = [
        Stage("rpie", make_solver("rpie", settings, "positions"), args.passes),
        Stage("likelihood", make_solver("maximum_likelihood", {}, "positions"), args.likelihood_passes, EXTEND),
    ]
    name, began = f"{specimen} {seed} {case}", time.perf_counter()
    print(line(f"{name}, at first", judge(problem, state, truth)), flush=True)
    for stage in stages:
        passes = args.every or stage.iterations
        for start in range(0, stage.iterations, passes):
            last = start + passes >= stage.iterations
            part = Stage(stage.name, stage.solver, start + passes, stage.extend if last else 0)
            state.stage = 0
            Loop(problem, [part]).run(state)
            print(line(f"  {state.iteration} {stage.name}", judge(problem, state, truth)), flush=True)
        state.stage_pass, state.memory = 0, {}
    found = judge(problem, state, truth)
    if CASES[case][3]:
        found["least_median"] = float(np.median(least_errors(problem, state)))
        print(f"  least possible, object and probe known: median {found['least_median']:.3f}")
    print_json(case=case, specimen=specimen, seed=seed, seconds=round(time.perf_counter() - began, 1), **found)


if __name__ == "__main__":
    main()
