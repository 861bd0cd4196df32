"""What a recipe left open, chosen from the data; every choice is marked with its reason."""

from __future__ import annotations

from recon.backend import Device
from recon.problem import Problem
from recon.recipe import Recipe
from recon.recipe_sections import SolveStage
from recon.solvers import make_solver
from scans.preparation import PreparedScan

# Mean counts a pixel at which noise decides the step at dim pixels: α = this / mean counts, within 0.1 to 1.
# Our own measurement on simulated scans of 1e5 to 1e7 photons a frame: docs/methods.md.
NOISE_COUNTS = 30.0
MAIN_PASSES, SETTLE_PASSES = 100, 25


def complete_recipe(recipe: Recipe, prepared: PreparedScan, problem: Problem) -> Recipe:
    """Return the recipe with every free key set.

    Raises
    ------
    InputError
        When a stage names an unknown solver or key.
    """
    recipe = _choose_probe(recipe, prepared)
    if recipe.prepare.size is None:
        recipe = recipe.choose("prepare.size", problem.size, "the detector's side, at a fast transform size")
    if recipe.prepare.bin is None:
        recipe = recipe.choose("prepare.bin", 1, "frames as recorded")
    recipe = _choose_stages(recipe, prepared, problem)
    for stage in recipe.solve:
        make_solver(stage.solver or "", stage.settings)  # wrong names and values end the run here
    return recipe


def choose_device(recipe: Recipe, device: Device) -> Recipe:
    """Mark what the device request came to."""
    reason = "a usable CUDA card was found" if device.kind == "gpu" else "no usable CUDA card with CuPy"
    return recipe.choose("run.device", device.name, reason)


def _choose_probe(recipe: Recipe, prepared: PreparedScan) -> Recipe:
    optic = prepared.scan.zone_plate
    if recipe.probe.modes is None:
        recipe = recipe.choose("probe.modes", 1, "one coherent mode; more on request")
    known = optic is not None and (optic.defocus_m is not None or recipe.probe.defocus_m is not None)
    if recipe.probe.start is None and known:
        recipe = recipe.choose("probe.start", "zone_plate", "the scan file describes the zone plate and its defocus")
    elif recipe.probe.start is None:
        recipe = recipe.choose("probe.start", "data", "the scan file has no zone plate with its defocus")
    nominal = None if optic is None else optic.defocus_m
    if recipe.probe.start == "zone_plate" and recipe.probe.defocus_m is None and nominal is not None:
        recipe = recipe.choose("probe.defocus_m", nominal, "nominal value of the scan file")
    return recipe


def _choose_stages(recipe: Recipe, prepared: PreparedScan, problem: Problem) -> Recipe:
    mean = float(problem.counts.sum(dtype="float64")) / problem.n_measured
    alpha = round(min(1.0, max(0.1, NOISE_COUNTS / max(mean, 1e-9))), 2)
    noise = f"{mean:.3g} {prepared.unit}s a pixel on average"
    if not recipe.solve:
        main = SolveStage("main", "rpie", MAIN_PASSES, {"alpha": alpha, "beta": alpha if alpha > 0.5 else 0.5})
        settle = SolveStage(
            "settle",
            "epie",
            SETTLE_PASSES,
            {"object_step": 0.3, "probe_step": 0.3, "hold_probe": 0, "batch": 16},
        )
        return recipe.choose("solve", (main, settle), f"steps for {noise}, then small steps that average noise")
    for stage in recipe.solve:
        defaults = {"solver": "rpie", "iterations": MAIN_PASSES}
        if (stage.solver or "rpie") == "rpie":
            defaults["alpha"] = alpha
        for key, value in defaults.items():
            if stage.get(key) is None:
                reason = noise if key == "alpha" else f"the default {key}"
                recipe = recipe.choose(f"solve.{stage.name}.{key}", value, reason)
    return recipe
