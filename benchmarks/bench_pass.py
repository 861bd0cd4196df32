"""One pass of each solver over the FFT pair: ``python benchmarks/bench_pass.py --device cpu``."""

from __future__ import annotations

import argparse

import numpy as np
from bench_helpers import fft_pair_seconds, median_seconds, print_json

from recon import backend
from recon.problem import Problem
from recon.solvers import make_solver
from recon.state import start_state

SOLVERS = {"epie": 16, "rpie": 16, "difference_map": 16}


def random_problem(size: int, n_frames: int, device: backend.Device) -> Problem:
    """Random frames at random real-valued positions: a pass costs the same whatever the data."""
    rng = np.random.default_rng(0)
    counts = rng.poisson(20.0, (n_frames, size, size)).astype(np.float32)
    positions = rng.uniform(size, 4 * size, (n_frames, 2))
    total = float(counts.sum(dtype=np.float64))
    return Problem(
        counts=backend.to_device(counts, device),
        mask=None,
        positions_px=positions,
        object_shape=(5 * size, 5 * size),
        origin_m=(0.0, 0.0),
        pixel_m=(1e-8, 1e-8),
        power=total / n_frames,
        sum_amplitude=total,
        n_measured=counts.size,
        device=device,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--sizes", type=int, nargs="+", default=[64, 128, 256])
    parser.add_argument("--frames", type=int, default=256)
    args = parser.parse_args()
    device = backend.open_device(args.device)
    print(f"{device.name} {device.description}, {backend.fft_name(device)}, {args.frames} frames, complex64")
    print(f"{'size':>5} {'solver':<16} {'us/frame':>9} {'FFT pair':>9} {'ratio':>6}")
    for size in args.sizes:
        problem = random_problem(size, args.frames, device)
        for name, batch in SOLVERS.items():
            pair = fft_pair_seconds(size, batch, args.frames, device)
            rng = np.random.default_rng(1)
            probe = rng.normal(size=(1, size, size)) + 1j * rng.normal(size=(1, size, size))
            state = start_state(problem, probe * np.sqrt(problem.power / (2 * size**2)), 0)
            state.iteration = 100  # past the passes that hold the probe
            solver = make_solver(name, {"batch": batch})
            solver.prepare(problem, state)
            seconds = median_seconds(lambda s=solver, p=problem, q=state: s.step(p, q), device)
            per_frame, pair_frame = 1e6 * seconds / args.frames, 1e6 * pair / args.frames
            print(f"{size:>5} {name:<16} {per_frame:>9.1f} {pair_frame:>9.1f} {seconds / pair:>6.2f}")
            print_json(size=size, solver=name, us=per_frame, pair_us=pair_frame, device=device.description)


if __name__ == "__main__":
    main()
