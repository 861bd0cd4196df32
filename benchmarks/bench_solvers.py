"""Passes and seconds to a given error, noise-free: ``python benchmarks/bench_solvers.py``."""

from __future__ import annotations

import argparse
import time

from bench_helpers import print_json

import scans
from recon import backend
from recon.metrics import evaluate
from recon.probe import scaled_to_power, zone_plate_probe
from recon.problem import make_problem
from recon.registration import object_error
from recon.solvers import make_solver
from recon.state import start_state
from recon.truth_error import truth_on_grid, well_lit

LEVELS = (0.05, 0.02, 0.01)
SETTINGS = {
    "epie": {},
    "rpie": {},
    "momentum_pie": {},
    "difference_map": {},
    "raar": {},
    "relaxed_projections": {},
    "maximum_likelihood": {},
    "least_squares": {},
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--passes", type=int, default=150)
    parser.add_argument("--solvers", nargs="+", choices=SETTINGS, default=list(SETTINGS))
    args = parser.parse_args()
    device = backend.open_device(args.device)
    scan, truth = scans.build("catalyst", poisson=False)
    prepared = scans.prepare(scan)
    problem = make_problem(prepared, device)
    optic = scan.zone_plate
    probe = scaled_to_power(zone_plate_probe(prepared.geometry, optic, optic.defocus_m), problem.power)
    expected = truth_on_grid(truth, *problem.coordinates_m())
    lit = well_lit(evaluate(problem, start_state(problem, probe, 0)).illumination).astype(float)
    for name in args.solvers:
        state, solver = start_state(problem, probe, 0), make_solver(name, SETTINGS[name])
        solver.prepare(problem, state)
        reached, seconds, error = {}, 0.0, 1.0
        while state.iteration < args.passes and len(reached) < len(LEVELS):
            began = time.perf_counter()
            solver.step(problem, state)
            backend.synchronize(device)
            seconds += time.perf_counter() - began
            state.iteration += 1
            error = object_error(backend.to_host(state.object_), expected, lit)
            reached |= {level: (state.iteration, round(seconds, 2)) for level in LEVELS if error < level} | reached
        print(name, {level: reached.get(level, "not reached") for level in LEVELS}, f"last error {error:.4f}")
        print_json(solver=name, reached={str(k): v for k, v in reached.items()}, error=error, device=device.name)


if __name__ == "__main__":
    main()
