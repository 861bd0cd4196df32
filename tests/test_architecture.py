"""The map of files as a table; a new file needs a row here. Read by `ast`, so nothing has to be imported."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[1]

# module <- what it may import of the two packages. `scans.formats` and `recon.cli` are rows of their own below.
ALLOWED = {
    "scans.errors": "",
    "scans.files": "errors",
    "scans.geometry": "errors",
    "scans.trajectories": "errors",
    "scans.scan": "errors geometry",
    "scans.detector_charge": "",
    "scans.detector_model": "detector_charge errors",
    "scans.pixel_statistics": "",
    "scans.surroundings": "",
    "scans.bad_pixels": "errors pixel_statistics surroundings",
    "scans.single_photons": "",
    "scans.mean_variance": "single_photons",
    "scans.gain_blocks": "detector_charge single_photons",
    "scans.gain": "detector_charge errors gain_blocks mean_variance single_photons",
    "scans.darks": "errors scan",
    "scans.margins": "pipeline",
    "scans.offsets": "margins scan",
    "scans.smear": "beam scan",
    "scans.spikes": "",
    "scans.beamstop": "beam errors geometry scan",
    "scans.exposures": "errors scan",
    "scans.flat_field": "errors scan",
    "scans.backlash": "",
    "scans.flux": "errors options scan",
    "scans.options": "errors",
    "scans.pipeline": "",
    "scans.exact_types": "errors",
    "scans.orientation_maps": "scan",
    "scans.detector": "bad_pixels darks offsets scan smear spikes",
    "scans.readout_findings": "bad_pixels gain scan",
    "scans.readout_sample": "scan",
    "scans.readout_plan": "bad_pixels beamstop darks detector errors flat_field gain offsets options pixel_statistics "
    "readout_findings readout_sample scan smear spikes",
    "scans.stack": "detector errors exact_types flat_detector pipeline scan window",
    "scans.merging": "errors exact_types exposures prepared",
    "scans.measures": "scan trajectories",
    "scans.beam": "",
    "scans.flat_detector": "",
    "scans.phase_map": "",
    "scans.checks": "geometry measures overview scan",
    "scans.radial": "beam measures scan",
    "scans.overview": "backlash beam detector flux geometry measures options phase_map pipeline radial "
    "readout_plan scan",
    "scans.window": "beam detector errors scan",
    "scans.prepared": "errors geometry scan",
    "scans.preparation": "beam checks detector errors flat_detector flux merging options prepared "
    "readout_plan scan stack window",
    "scans.materials": "errors geometry",
    "scans.optics": "errors scan",
    "scans.specimens": "materials",
    "scans.truth": "errors files",
    "scans.simulation": "errors geometry scan truth",
    "scans.scenario": "errors geometry materials optics scan simulation specimens trajectories truth",
    "scans.formats": "backlash errors files geometry scan trajectories",
    "recon.backend": "",
    "recon.physics": "backend",
    "recon.kernels_cuda": "",
    "recon.frames": "backend",
    "recon.kernels": "backend frames physics kernels_cuda",
    "recon.likelihoods": "backend physics",
    "recon.gradients": "backend frames kernels likelihoods problem shares state",
    "recon.held_out": "backend frames kernels metrics physics problem state",
    "recon.groups": "",
    "recon.global_directions": "backend frames groups kernels likelihoods problem state",
    "recon.affine_refinement": "backend global_directions groups likelihoods problem state",
    "recon.position_search": "backend frames groups kernels likelihoods problem state unknowns",
    "recon.exposure_path": "",
    "recon.parabola": "",
    "recon.prior_strength": "backend held_out parabola problem state",
    "recon.stage_motion": "backend held_out kernels problem state",
    "recon.model_choice": "backend held_out loop probe problem result solvers stage_motion state unknowns",
    "recon.slice_distance": "held_out loop model_choice parabola problem result solvers state",
    "recon.mode_shares": "backend kernels loop probe problem result solvers state",
    "recon.shares": "backend frames kernels",
    "recon.blocks": "backend",
    "recon.unknowns": "backend blocks gradients state",
    "recon.preconditioner": "backend blocks gradients groups priors problem state",
    "recon.priors": "backend recipe_keys",
    "recon.ring_filter": "registration ring_correlation ring_curve shift_fit",
    "recon.provenance": "",
    "recon.recipe_keys": "",
    "recon.recipe_sections": "recipe_keys",
    "recon.recipe": "recipe_keys recipe_sections",
    "recon.problem": "backend frames groups probe_limits",
    "recon.state": "backend frames problem",
    "recon.probe": "backend physics",
    "recon.probe_limits": "backend",
    "recon.probe_file": "hdf5",
    "recon.probe_start": "loop probe probe_file problem recipe_sections result solvers state",
    "recon.solvers": "affine_refinement backend blocks frames gradients groups kernels likelihoods own_probes physics "
    "position_search preconditioner prior_strength priors problem recipe_keys recipe_sections shares state "
    "unknowns",
    "recon.shift_fit": "",
    "recon.coarse_shift": "",
    "recon.registration": "coarse_shift shift_fit",
    "recon.hdf5": "",
    "recon.result": "probe provenance recipe registration",
    "recon.result_summary": "probe result",
    "recon.result_layout": "hdf5 provenance result",
    "recon.result_file": "hdf5 recipe result result_layout",
    "recon.loop": "backend problem result solvers state",
    "recon.metrics": "backend kernels physics problem result state",
    "recon.ring_curve": "",
    "recon.ring_correlation": "registration ring_curve shift_fit",
    "recon.truth_error": "registration result",
    "recon.stage_affine": "backend frames kernels loop problem result solvers state",
    "recon.orientation": "backend loop probe problem result solvers stage_affine state",
    "recon.orienting": "orientation stage_affine",
    "recon.choose": "backend exposure_path priors problem recipe recipe_sections solvers",
    "recon.run_result": "backend loop metrics priors probe problem provenance recipe result state",
    "recon.own_probes": "backend probe problem state",
    "recon.together": "groups own_probes problem state",
    "recon.run": "backend choose exposure_path groups loop mode_shares model_choice own_probes probe probe_limits "
    "probe_start problem recipe result run_result slice_distance solvers state unknowns",
    "recon.workflow": "backend loop orienting recipe result run",
    "recon.scan_offsets": "loop recipe recipe_sections registration result workflow",
    "recon.joint": "backend loop mode_shares recipe result run run_result scan_offsets together workflow",
    "recon.halves": "loop metrics result result_file ring_correlation workflow",
    "recon.figure_colours": "",
    "recon.figure_parts": "figure_colours",
    "recon.figure_panels": "figure_colours figure_parts registration",
    "recon.figure_patterns": "figure_colours figure_panels figure_parts",
    "recon.figure_look": "figure_colours figure_panels figure_parts figure_patterns",
    "recon.figure_scans": "figure_colours figure_panels figure_parts figure_patterns",
    "recon.figures": "figure_colours figure_look figure_panels figure_parts figure_scans registration result "
    "ring_correlation "
    "ring_curve",
    "recon.__main__": "cli",
}
# Imports inside a function, against the direction of the table: a result prints and draws itself.
LATE = {("recon.result", "recon.figures"), ("recon.result", "recon.result_summary")}
# The core of a run touches files and simulated truth only through these facts.
SCANS_FOR_RECON = {
    "recon.probe": "geometry scan",
    "recon.problem": "errors prepared",
    "recon.truth_error": "truth",
    "recon.metrics": "scan",
}
ONLY_HERE = {
    "cupy": {"recon.backend", "recon.kernels_cuda"},
    "cupyx": {"recon.backend", "recon.kernels_cuda"},
    "matplotlib": {
        "recon.figures",
        "recon.figure_colours",
        "recon.figure_panels",
        "recon.figure_parts",
        "recon.figure_look",
        "recon.figure_patterns",
        "recon.figure_scans",
        "recon.cli.common",  # chooses the backend without a screen
    },
    "tqdm": {"recon.cli.common"},
    "tomlkit": {"recon.recipe"},
    "jax": set(),
    "xraydb": set(),
}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {module_name(p): p for package in ("scans", "recon") for p in sorted((ROOT / package).rglob("*.py"))}
PACKAGES = ("scans", "recon")  # their __init__ only names what loads on first use


def imports(name: str, *, at_top: bool = False) -> set[str]:
    """Return what a module imports, by full name; only where the file is loaded with `at_top`."""
    found = set()
    tree = ast.parse(FILES[name].read_text())
    inside = {id(n) for f in ast.walk(tree) if isinstance(f, ast.FunctionDef) for n in ast.walk(f)}
    for node in ast.walk(tree):
        if at_top and id(node) in inside:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{name}: a relative import"
            full = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {f if f in FILES else node.module for f in full}
    return found


def row(name: str) -> str:
    """Return the row of the table that a module belongs to."""
    return next((g for g in ("scans.formats", "recon.solvers", "recon.cli") if name.startswith(g)), name)


def own(name: str) -> set[str]:
    return {i for i in imports(name) if i.split(".")[0] in PACKAGES}


# Functions above 40 lines, and why they are not split.
LONGER = {
    "recon.cli.demo.run": "the demo's own script, read from top to bottom",
}

MODULES = [m for m in FILES if m not in PACKAGES]


@pytest.mark.parametrize("name", MODULES)
def test_imports_follow_the_map(name):
    if row(name) == "recon.cli":  # stands on everything
        return
    assert row(name) in ALLOWED, f"{name} has no row in the map"
    package = name.split(".")[0]
    allowed = {f"{package}.{a}" for a in ALLOWED[row(name)].split()} | {row(name)}
    for other in own(name):
        if (name, other) in LATE:
            assert other not in imports(name, at_top=True)
        elif package == "recon" and other.split(".")[0] == "scans":
            limits = SCANS_FOR_RECON.get(name)
            assert limits is None or other.removeprefix("scans.") in limits.split(), f"{name} imports {other}"
        else:
            assert row(other) in allowed, f"{name} imports {other}"


def test_every_row_has_its_file():
    assert {row(m) for m in MODULES} - {"recon.cli"} == set(ALLOWED)


def test_scans_never_imports_recon():
    for name in MODULES:
        if name.startswith("scans"):
            assert not any(i.split(".")[0] == "recon" for i in imports(name)), name


@pytest.mark.parametrize("package", list(ONLY_HERE))
def test_heavy_packages_stay_where_they_belong(package):
    users = {m for m in FILES if any(i.split(".")[0] == package for i in imports(m))}
    assert users <= ONLY_HERE[package]


def test_no_circular_imports():
    before = {m: {i for i in imports(m, at_top=True) if i in FILES and i not in PACKAGES} for m in MODULES}
    while before:
        ready = [m for m, needs in before.items() if not needs & before.keys()]
        assert ready, f"a circle among {sorted(before)}"
        for m in ready:
            del before[m]


def reachable(name: str) -> set[str]:
    seen, todo = set(), [name]
    while todo:
        one = todo.pop()
        if one in FILES and one not in seen:
            seen.add(one)
            todo += imports(one, at_top=True)
    return seen


@pytest.mark.parametrize("judge", ["recon.metrics", "recon.ring_correlation", "recon.truth_error"])
def test_judgement_knows_no_solver(judge):
    assert not {m for m in reachable(judge) if m.startswith(("recon.solvers", "recon.loop", "recon.workflow"))}


def test_simulated_truth_knows_no_reconstruction():
    assert not {m for m in reachable("scans.scenario") if m.startswith("recon")}


def test_a_module_is_never_named_as_a_public_function():
    import recon
    import scans

    for package in (recon, scans):
        for name in package.__all__:
            assert f"{package.__name__}.{name}" not in FILES, name


LOADED = "import sys; {}; print(*sorted({{m.split('.')[0] for m in sys.modules}} & set({!r})))"


@pytest.mark.parametrize(
    ("statement", "unwanted"),
    [
        ("import recon, scans", ["matplotlib", "cupy", "jax", "scipy", "h5py", "tqdm", "tomlkit", "numpy"]),
        ("from recon import reconstruct", ["matplotlib", "cupy", "jax", "tqdm", "xraydb"]),
        ("from scans import load, prepare, simulate", ["matplotlib", "cupy", "jax", "tqdm", "recon"]),
        ("import recon.cli", ["matplotlib", "cupy", "jax"]),
    ],
)
def test_imports_are_light(statement, unwanted):
    code = LOADED.format(statement, unwanted)
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


@pytest.mark.parametrize("name", list(FILES))
def test_public_things_say_what_they_are(name):
    for node in ast.parse(FILES[name].read_text()).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{name}.{node.name} has no docstring"


@pytest.mark.parametrize("name", list(FILES))
def test_files_and_functions_fit_a_screen(name):
    text = FILES[name].read_text()
    assert text.count("\n") <= 400, f"{name} has {text.count(chr(10))} lines"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            length = body[-1].end_lineno - body[0].lineno + 1 if body else 0
            assert length <= 40 or f"{name}.{node.name}" in LONGER, f"{name}.{node.name} has {length} lines"


# --- single precision stays single ----------------------------------------------------------------------------


def arguments(real):
    """Small arrays of one precision, by the names that the functions give their parameters."""
    from recon.frames import Batch, Model
    from recon.kernels import PassSums, illuminate

    rng, kind = np.random.default_rng(0), np.result_type(real, np.complex64)
    object_, probe = (rng.normal(size=s).astype(kind) for s in ((12, 12), (2, 8, 8)))
    counts = rng.poisson(9.0, (3, 8, 8)).astype(real)
    corners = np.array([[0, 0], [1, 3], [4, 4]])
    batch = Batch(counts, None, corners, np.full((3, 2), 0.25, real))
    model = Model(object_, probe)
    lit = illuminate(model, batch)
    return {
        "object_": object_,
        "model": model,
        "field": lit.exit_waves(),
        "expected": counts + real(1),
        "probe": probe,
        "batch": batch,
        "corners": corners,
        "size": 8,
        "target": np.zeros((12, 12), kind),
        "patches": lit.patches[:, 0],
        "lit": lit,
        "waves": lit.probes * lit.patches,
        "memory": lit.probes * lit.patches,
        "sums": PassSums.like(model),
        "step": None,
        "intensity": counts + real(1),
        "counts": counts,
        "mask": None,
        "shifts_px": batch.shifts,
        "dtype": kind,
    }


def arrays_of(thing):
    """All float and complex arrays and scalars inside a result."""
    if isinstance(thing, np.ndarray | np.generic):
        return [thing] if thing.dtype.kind in "fc" else []
    if isinstance(thing, tuple | list):
        return [a for part in thing for a in arrays_of(part)]
    return [a for part in vars(thing).values() for a in arrays_of(part)] if hasattr(thing, "__dict__") else []


def public_functions():
    from recon import kernels, physics

    for module in (kernels, physics):
        for name, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__ == module.__name__ and not name.startswith("_"):
                yield pytest.param(function, id=f"{module.__name__}.{name}")


@pytest.mark.parametrize("real", [np.float32, np.float64])
@pytest.mark.parametrize("function", list(public_functions()))
def test_precision_is_kept(function, real):
    from recon.physics import amplitude_step

    given = arguments(real) | {"step": amplitude_step}
    needed = [p.name for p in inspect.signature(function).parameters.values() if p.default is p.empty]
    result = function(**{n: given[n] for n in needed})
    sums = given["sums"]
    # residuals and what adds up over all pixels is double on purpose
    touched = [a for n in ("target", "memory") for a in arrays_of(given[n])]
    touched += [a for n, v in vars(sums).items() if n != "residuals" for a in arrays_of(v)]
    if function.__name__ not in ("r_factor_terms", "deviance_terms"):
        touched += arrays_of(result)
    expected = {np.dtype(real), given["dtype"]}
    assert {a.dtype for a in touched} <= expected
    if function.__name__ in ("r_factor_terms", "deviance_terms"):
        assert result.dtype == np.float64
