"""What a recipe left open, chosen from the data; every choice is marked with its reason."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from recon.backend import Device
from recon.problem import Problem
from recon.recipe import Recipe
from recon.recipe_sections import SolveStage
from recon.solvers import make_solver
from scans.errors import InputError
from scans.prepared import PreparedScan

# Mean counts a pixel at which noise decides the step at dim pixels: α = this / mean counts, within 0.1 to 1.
# Our own measurement on simulated scans of 1e5 to 1e7 photons a frame: docs/methods.md.
NOISE_COUNTS = 30.0
MAIN_PASSES, SETTLE_PASSES = 100, 25
# Probe steps a pass: a batch takes one averaged step, so fewer, larger batches need more passes.
STEPS_A_PASS, SMALLEST_BATCH = 75, 4


def complete_recipe(recipe: Recipe, prepared: PreparedScan, problem: Problem) -> Recipe:
    """Return the recipe with every free key set.

    Raises
    ------
    InputError
        When a stage names an unknown solver or key, or a given key could have no effect.
    """
    recipe = _choose_probe(recipe, prepared)
    recipe = _settled(recipe, prepared, problem)
    margin = int(problem.positions_px.min()) - problem.size // 2
    recipe = _fill(recipe, "object.margin_px", margin, "the default")
    single = problem.complex_dtype.itemsize == 8
    recipe = _fill(recipe, "run.precision", "single" if single else "double", "rounding is far below photon noise")
    recipe = _choose_stages(recipe, prepared, problem)
    for stage in recipe.solve:
        _check_stage(recipe, stage)
    return recipe


SETTLED = {
    # what preparation decided: the recipe's key, and why
    "counts_per_photon": ("prepare.counts_per_photon", "what the frames show"),
    "flux": ("prepare.flux", "what the monitor and the counts show"),
    "orientation": ("scan.orientation", "what the frames show"),
}


def _settled(recipe: Recipe, prepared: PreparedScan, problem: Problem) -> Recipe:
    """Write down what preparation decided from the data, so that it need not be decided again."""
    recipe = _fill(recipe, "prepare.size", problem.size, "the detector's side, at a fast transform size")
    summed = round(prepared.geometry.pixel_size_m[0] / prepared.scan.geometry.pixel_size_m[0])
    recipe = _fill(recipe, "prepare.bin", summed, "frames as recorded" if summed == 1 else "the scan came so prepared")
    for name, (key, reason) in SETTLED.items():
        if name in prepared.settings:
            recipe = _fill(recipe, key, prepared.settings[name], reason)
    return recipe


def _check_stage(recipe: Recipe, stage: SolveStage) -> None:
    """Let wrong names and values end the run before its first pass."""
    try:
        make_solver(stage.solver or "", stage.settings)
    except InputError as exc:
        names, fix = [one.name for one in recipe.solve], exc.fix
        if len(names) > 1:
            fix += f" For one table only: -s solve.NAME.KEY=VALUE, NAME one of {', '.join(names)}."
        where = f'{exc.where}, [[solve]] table "{stage.name}"'
        raise InputError(exc.found, where=where, expected=exc.expected, fix=fix) from exc


def choose_device(recipe: Recipe, device: Device, *, asked: str | None = None) -> Recipe:
    """Write down what the device request came to; `asked` is what the caller wanted instead of the recipe's."""
    if asked not in (None, "auto"):
        return recipe.override(f"run.device={device.name}")
    if asked == "auto":
        recipe = replace(recipe, run=replace(recipe.run, device=None))
    reason = "a usable CUDA card was found" if device.kind == "gpu" else "no usable CUDA card with CuPy"
    return _fill(recipe, "run.device", device.name, reason)


def _fill(recipe: Recipe, path: str, value: Any, reason: str) -> Recipe:
    """Choose a key that is free; what was given stays, and what an earlier run chose."""
    return recipe if recipe.get(path) is not None else recipe.choose(path, value, reason)


def _choose_probe(recipe: Recipe, prepared: PreparedScan) -> Recipe:
    optic = prepared.scan.zone_plate
    recipe = _fill(recipe, "probe.modes", 1, "one coherent mode; more on request")
    known = optic is not None and (optic.defocus_m is not None or recipe.probe.defocus_m is not None)
    if known:
        recipe = _fill(recipe, "probe.start", "zone_plate", "the scan file describes the zone plate and its defocus")
    else:
        recipe = _fill(recipe, "probe.start", "data", "the scan file has no zone plate with its defocus")
    if recipe.probe.start == "data" and recipe.probe.defocus_m is not None:
        raise InputError(
            f"{recipe.probe.defocus_m:g} m beside a probe that starts from the data",
            where="recipe, probe.defocus_m",
            expected="a defocus only for a zone plate that the scan file describes",
            fix="Leave probe.defocus_m out: probe.start=data finds the defocus itself.",
        )
    nominal = None if optic is None else optic.defocus_m
    if recipe.probe.start == "zone_plate" and nominal is not None:
        recipe = _fill(recipe, "probe.defocus_m", nominal, "nominal value of the scan file")
    return recipe


def _choose_stages(recipe: Recipe, prepared: PreparedScan, problem: Problem) -> Recipe:
    mean = float(problem.counts.sum(dtype="float64")) / problem.n_measured
    alpha = round(min(1.0, max(0.1, NOISE_COUNTS / max(mean, 1e-9))), 2)
    noise = f"for {mean:.3g} {prepared.unit}s a pixel on average"
    batch = max(SMALLEST_BATCH, round(problem.n_frames / STEPS_A_PASS))
    own = not recipe.solve
    if own:
        stages = SolveStage("main", "rpie"), SolveStage("settle", "epie")
        recipe = recipe.choose("solve", stages, "fast steps first, then small ones that average the noise")
    for stage in recipe.solve:
        choices: dict[str, tuple[Any, str]] = {
            "solver": ("rpie", "the default solver"),
            "iterations": (MAIN_PASSES, "the default number of passes"),
        }
        if (stage.solver or "rpie") == "rpie":
            choices["alpha"] = alpha, noise
            choices["beta"] = max(alpha, 0.5), noise
        if (stage.solver or "rpie") in ("rpie", "epie"):
            choices["batch"] = batch, f"about {STEPS_A_PASS} steps a pass over {problem.n_frames} frames"
        if own and stage.name == "settle":
            choices["iterations"] = SETTLE_PASSES, "enough to average the noise of single frames"
            if stage.solver == "epie":
                choices |= dict.fromkeys(("object_step", "probe_step"), (0.3, "small steps average the noise"))
                choices["hold_probe"] = 0, "the probe is known by now"
                choices["batch"] = 4 * batch, "more frames a step average more noise"
        for key, (value, reason) in choices.items():
            recipe = _fill(recipe, f"solve.{stage.name}.{key}", value, reason)
    return recipe
