"""What partial coherence costs: ``python benchmarks/bench_modes.py``.

The same simulated scan with a coherent beam and with one of three modes (shares .65, .22, .13) at the same dose,
each reconstructed with its number of modes and without a prior: error of the object, and the shares that are found.
The modes are the strongest three of a Gaussian source; recorded by the simulator, which shares no code with `recon`.
"""

from __future__ import annotations

import argparse

import numpy as np
from bench_helpers import print_json
from numpy.typing import NDArray

import recon
from recon.mode_shares import SHARES_UNTOLD
from recon.registration import object_error
from recon.truth_error import truth_on_grid, well_lit
from scans.scenario import scenario
from scans.simulation import simulate

SHARES = (0.65, 0.22, 0.13)
RECIPE = """
[probe]
modes = {}
share_passes = 60
[positions]
refine = false
[run]
trial_passes = 0
held_out = 0.0
"""
# Rms size of the source's image on the sample, y and x, in sizes of the outermost zone; points a side.
SOURCE, POINTS = (0.4, 0.26), 7


def modes_of(probe: NDArray[np.complex128], pixel_m: float, source_m: tuple[float, float]) -> NDArray[np.complex128]:
    """Return three orthogonal modes ``(3, n, n)`` with `SHARES` of the power, of a probe under a Gaussian source.

    The strongest singular vectors of the probe from all points of the source (Gauss-Hermite rule), each weighted by
    the light from there: coherent-mode decomposition, Mandel & Wolf, Optical Coherence and Quantum Optics, section
    4.7 (from memory).
    """
    at, light = np.polynomial.hermite_e.hermegauss(POINTS)
    f, spectrum = np.fft.fftfreq(probe.shape[-1], pixel_m), np.fft.fft2(probe)
    ramps = [np.exp(-2j * np.pi * np.outer(at * side_m, f)) for side_m in source_m]
    waves = [
        np.sqrt(light[j] * light[k]) * np.fft.ifft2(spectrum * np.outer(ramps[0][j], ramps[1][k]))
        for j in range(POINTS)
        for k in range(POINTS)
    ]
    flat = np.linalg.svd(np.reshape(waves, (POINTS**2, -1)), full_matrices=False)[2][:3]
    power = (np.abs(probe) ** 2).sum()
    return (np.sqrt(np.array(SHARES) * power)[:, None] * flat).reshape(3, *probe.shape)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", default="testchart", choices=("testchart", "catalyst", "weak"))
    parser.add_argument("--photons", type=float, default=1e6, help="a frame")
    parser.add_argument("--frame-px", type=int, default=96)
    parser.add_argument("--device", default="cpu")
    args = parser.parse_args()
    chosen = scenario(args.scenario, photons_per_frame=args.photons, frame_px=args.frame_px)
    probe = chosen.probe()
    positions_m, errors = chosen.positions_m(), list[float]()
    zone_m = chosen.zone_plate.outer_zone_m
    several = modes_of(probe, chosen.pixel_m, (SOURCE[0] * zone_m, SOURCE[1] * zone_m))
    for waves in (probe[None], several):
        scan, truth = simulate(
            chosen.sample(positions_m), waves, positions_m, chosen.geometry, chosen.measurement(),
            zone_plate=chosen.zone_plate, seed=chosen.seed,
        )  # fmt: skip
        recipe = recon.parse_recipe(RECIPE.format(len(waves)))
        result = recon.reconstruct(scan, recipe, device=args.device)
        lit = well_lit(result.coverage).astype(float)
        errors.append(object_error(result.transmission, truth_on_grid(truth, result.y_m, result.x_m), lit))
        shares = [round(float(s), 3) for s in result.occupancy]
        print(f"{len(waves)} modes: error {errors[-1]:.4f}, shares {shares}", flush=True)
        for finding in result.findings:
            if finding.code == SHARES_UNTOLD:
                print(f"  {finding.text}")
        print_json(scenario=args.scenario, modes=len(waves), photons=args.photons, error=errors[-1], shares=shares)
    print(f"three modes over one: {errors[1] / errors[0]:.2f}")


if __name__ == "__main__":
    main()
