import numpy as np
import pytest

from recon.recipe import Recipe, SolveStage
from recon.result import History, Provenance, Result, Source, StopReason
from scans.geometry import Geometry
from scans.scan import Finding, Note, RawPositions

H, W, J, N = 24, 31, 5, 16


def noise(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


@pytest.fixture
def result(rng, tmp_path):
    """A result with something in every field."""
    scan_file = tmp_path / "scän\udcff.cxi"  # a name that is no UTF-8, as old systems leave them
    scan_file.write_bytes(b"counts")
    positions = rng.normal(size=(J, 2)) * 1e-6
    recipe = Recipe().override("probe.modes=2").choose("prepare.size", N, "all of the frame")
    stages = [SolveStage("main", "rpie", 30, settings={"alpha": 0.2})]
    return Result(
        transmission=noise(rng, H, W),
        y_m=1e-6 + 9.5e-9 * np.arange(H),
        x_m=-2e-6 + 1e-8 * np.arange(W),
        coverage=rng.uniform(1, 100, (H, W)),
        probe=noise(rng, 2, N, N),
        positions_measured_m=positions,
        positions_refined_m=positions + 1e-9,
        frame_index=[0, 1, 3, 4, 7],
        frame_intensity=rng.uniform(0.9, 1.1, J),
        geometry=Geometry(710.0, 0.08, (44e-6, 45e-6), (N, N)),
        unit="photon",
        history=History([1, 2, 3], ["main"] * 3, [0.5, 0.3, 0.2], [9.0, 2.0, 1.1], [0.1, 0.2, 0.31]),
        stop_reason=StopReason.ITERATION_LIMIT,
        status="complete",
        verdict="usable with cautions",
        recipe=recipe.choose("solve", stages, "the default"),
        provenance=Provenance.now(seed=3, device="cpu", fft="scipy", threads=2, source=Source.of(scan_file, "/e_1")),
        left_out=((2, "all zero"), (5, "beam lost")),
        findings=(
            Finding("caution", "overlap", "overlap 42 %", "Take smaller steps."),
            Finding("note", "n", "µ\n"),
        ),
        notes=(Note("energy", "710 eV", "/e/energy"), Note("unit", "um", "", "by size", guess=True)),
        steps=("dark subtracted", "cropped to 16"),
        raw_positions=RawPositions(rng.normal(size=(J, 2)), "um", ("sx", "sy"), np.array([[0, 1e-6], [-1e-6, 0]])),
        exposure_s=0.02,
        monitor=rng.uniform(1, 2, J),
    )
