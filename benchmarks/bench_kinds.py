"""What a run with no recipe reaches on scans that are hard in one way each: ``python benchmarks/bench_kinds.py``.

260 frames of 128 px, with 0.25 waves of astigmatism and 0.15 of coma in the probe and a nominal defocus 10 % too
large, as nobody tells the solver. A line a kind: contrast error of the object (1: no better than a uniform one)
with no recipe, beside it that of the same recipe begun at the truth, and what was chosen.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

import numpy as np
from bench_fly import exposed
from bench_helpers import print_json
from bench_modes import SOURCE, modes_of
from numpy.typing import NDArray

import recon
import scans
from recon import backend
from recon.loop import Hooks, Loop
from recon.probe import scaled_to_power, with_modes
from recon.recipe import Recipe
from recon.registration import object_error
from recon.result import Result
from recon.run import Run
from recon.state import State
from recon.truth_error import truth_on_grid, well_lit
from recon.workflow import resolve_scan
from scans.scan import Scan
from scans.scenario import Scenario, scenario
from scans.simulation import simulate
from scans.truth import Truth

NM = 1e-9
BASE: dict[str, Any] = {
    "frame_px": 128,
    "n_frames": 260,
    "step_m": 110 * NM,
    "defocus_m": 20e-6,
    "defocus_error": 0.1,
    "astigmatism_waves": 0.25,
    "coma_waves": 0.15,
}
WRONG_POSITIONS = {"position_jitter_m": 30 * NM, "position_scale": 1.004, "position_rotation_rad": 4e-3, "seed": 7}
CAMERA = {
    "read_noise": 3.0,
    "counts_per_photon": 5.0,
    "dark_level": 100,
    "dark_frames": 20,
    "centre_offset_y_px": 7.3,
    "centre_offset_x_px": -5.1,
    "saturation": 60000,
}
# Scenario, and what is changed in it and in `BASE`.
KINDS: dict[str, tuple[str, dict[str, Any]]] = {
    "clean": ("catalyst", {"poisson": False, "photons_per_frame": 1e8, "specimen_seed": 3}),
    "clean chart": ("testchart", {"poisson": False, "photons_per_frame": 1e8}),
    "chart": ("testchart", {"photons_per_frame": 1e7, "edge_m": 3 * NM, "seed": 3}),
    "weak 1e6": ("weak", {"photons_per_frame": 1e6, "specimen_seed": 5, "seed": 5}),
    "weak 1e5": ("weak", {"photons_per_frame": 1e5, "specimen_seed": 6, "seed": 6, "trajectory": "jittered_raster"}),
    "grains 1e5": ("catalyst", {"photons_per_frame": 1e5, "specimen_seed": 6, "seed": 6}),
    "turned": (
        "catalyst",
        {
            "photons_per_frame": 2e6,
            "orientation": "transpose+flip_y",
            "energy_ev": 1200.0,
            "distance_m": 0.1,
            "seed": 3,
            "specimen_seed": 12,
        },
    ),
    "camera": ("catalyst", {"photons_per_frame": 1e6, "seed": 8, **CAMERA}),
    "positions chart": ("testchart", {"photons_per_frame": 1e7, **WRONG_POSITIONS}),
    "positions grains": ("catalyst", {"photons_per_frame": 1e7, "specimen_seed": 4, **WRONG_POSITIONS}),
    "positions lines": (
        "testchart",
        {"photons_per_frame": 1e7, **WRONG_POSITIONS, "trajectory": "jittered_raster"},
    ),
    "modes lines": ("testchart", {"photons_per_frame": 2e6, "seed": 4, "trajectory": "jittered_raster"}),
    "modes chart": ("testchart", {"photons_per_frame": 2e6, "seed": 4}),
    "modes grains": ("catalyst", {"photons_per_frame": 1e7, "seed": 4, "specimen_seed": 9}),
    "fly raster": ("testchart", {"photons_per_frame": 2e6, "seed": 2, "trajectory": "raster"}),
    "fly rings": (
        "catalyst",
        {"photons_per_frame": 5e6, "seed": 2, "specimen_seed": 7, "trajectory": "concentric_rings"},
    ),
}


def make(kind: str) -> tuple[Scan, Truth]:
    """Simulate a scan of this kind."""
    name, changes = KINDS[kind]
    settings = BASE | changes
    chosen = scenario(name, **settings)
    if kind.startswith("modes"):
        return coherent_in_part(chosen)
    if kind.startswith("fly"):
        scan, truth = scans.build(name, **settings | {"poisson": False})
        step_m = float(np.median(np.hypot(*np.diff(truth.positions_m, axis=0).T)))
        return exposed(scan, truth, chosen.sample(chosen.positions_m()), step_m, chosen.seed), truth
    return scans.build(name, **settings)


def coherent_in_part(chosen: Scenario) -> tuple[Scan, Truth]:
    """Simulate a scenario with the three modes of `bench_modes`."""
    zone_m, positions_m = chosen.zone_plate.outer_zone_m, chosen.positions_m()
    waves = modes_of(chosen.probe(), chosen.pixel_m, (SOURCE[0] * zone_m, SOURCE[1] * zone_m))
    nominal = replace(chosen.zone_plate, defocus_m=chosen.defocus_m * (1 + chosen.defocus_error))
    return simulate(
        chosen.sample(positions_m), waves, positions_m, chosen.geometry, chosen.measurement(),
        zone_plate=nominal, seed=chosen.seed,
    )  # fmt: skip


def contrast_error(result: Result, truth: Truth) -> float:
    """Rms error in the well-lit area over the rms of the true object about its mean."""
    lit, expected = well_lit(result.coverage).astype(float), truth_on_grid(truth, result.y_m, result.x_m)
    mean = (lit * expected).sum() / lit.sum()
    contrast = np.sqrt((lit * abs(expected - mean) ** 2).sum() / (lit * abs(expected) ** 2).sum())
    return object_error(result.transmission, expected, lit) / float(contrast)


def begun_at_truth(result: Result, scan: Scan, truth: Truth, device: backend.Device) -> Result:
    """Run the last stages of a result's recipe from the true object, probe and positions."""
    prepared = resolve_scan(scan, result.recipe)
    run = Run.of(prepared, result.recipe, device, source=None)
    run.decide(device, asked=None)
    state, _ = run.cold_start()
    set_truth(run, state, truth, prepared.frame_index)
    loop = Loop(run.problem, [stage for stage in run.stages() if stage.name in ("settle", "prior")], Hooks())
    return run.finish(state, loop.records, loop.run(state))


def set_truth(run: Run, state: State, truth: Truth, frame_index: NDArray[np.int64]) -> None:
    """Put the true object, probe and, where they are refined, positions into a state."""
    problem, modes = run.problem, run.recipe.probe.modes or 1
    y, x = problem.coordinates_m()
    inside = np.ix_(*((at >= own[0]) & (at <= own[-1]) for at, own in ((y, truth.y_m), (x, truth.x_m))))
    object_ = np.ones(problem.object_shape, complex)
    object_[inside] = truth_on_grid(truth, y, x)[inside]
    waves = on_coarse_grid(truth.probe.reshape(-1, *truth.probe.shape[-2:]), problem.size)
    waves = waves[:modes] if len(waves) >= modes else with_modes(waves, modes)
    state.object_ = backend.to_device(object_.astype(problem.complex_dtype), problem.device)
    state.probe = backend.to_device(scaled_to_power(waves, problem.power).astype(problem.complex_dtype), problem.device)
    if run.recipe.positions.refine:
        true_m = truth.positions_m[frame_index]
        state.positions_px = (true_m - np.array(problem.origin_m)) / np.array(problem.pixel_m)


def on_coarse_grid(waves: NDArray[np.complexfloating], size: int) -> NDArray[np.complexfloating]:
    """Return waves ``(M, n, n)`` of a finer grid on one of `size` pixels of the same field: the low frequencies."""
    axes, middle = (1, 2), waves.shape[-1] // 2
    kept = slice(middle - size // 2, middle - size // 2 + size)
    spectra = np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(waves, axes=axes)), axes=axes)[:, kept, kept]
    return np.fft.fftshift(np.fft.ifft2(np.fft.ifftshift(spectra, axes=axes)), axes=axes)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--device", default="cpu")
    args = parser.parse_args()
    device = backend.open_device(args.device)
    for kind in args.kinds:
        scan, truth = make(kind)
        cold = recon.reconstruct(resolve_scan(scan, Recipe()), device=device.name)
        found = {
            "no_recipe": contrast_error(cold, truth),
            "begun_at_truth": contrast_error(begun_at_truth(cold, scan, truth, device), truth),
        }
        used = cold.recipe
        chosen = f"modes {used.probe.modes} travel {used.positions.travel:g} positions {used.positions.refine}"
        print("{:18} {no_recipe:.4f}  {begun_at_truth:.4f}  {}".format(kind, chosen, **found), flush=True)
        print_json(kind=kind, device=device.name, seconds=float(cold.history.seconds[-1]), **found)


if __name__ == "__main__":
    main()
