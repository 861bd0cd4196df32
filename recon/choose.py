"""What a recipe left open, chosen from the data; every choice is marked with its reason."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from recon.backend import Device
from recon.exposure_path import has_readings
from recon.priors import EMPTY_AREA
from recon.problem import Problem
from recon.recipe import Recipe
from recon.recipe_sections import SolveStage
from recon.solvers import make_solver
from recon.solvers.maximum_likelihood import AUTOMATIC
from scans.errors import InputError
from scans.prepared import PreparedScan

# Mean counts a pixel at which noise decides the step at dim pixels: α = this / mean counts, within 0.1 to 1.
# Our own measurement on simulated scans of 1e5 to 1e7 photons a frame: docs/methods.md.
NOISE_COUNTS = 30.0
# A first stage takes large steps at dim pixels, where counts allow it: strong samples are near sooner, and what it
# does to noise is mended by the next.
BOLD_ALPHA, BOLD_COUNTS = 0.1, 3.0
# Passes of the stages, and of each trial of a model.
PASSES = {"approach": 40, "main": 40, "settle": 60, "prior": 50}
TRIAL_PASSES = 40
# Passes more at most of these stages, while they still help: data without noise go on for long.
EXTEND, EXTENDED = 120, ("settle", "prior")
# Passes of a stage of the recipe's own that says nothing.
OWN_PASSES = 80
# Passes on drawn counts for the shares of the modes: simulated shares had nearly come to rest after 80 to 100.
SHARE_PASSES = 100
HELD_OUT = 0.015
# Object pixels around the scanned field: room for positions to move, where they may.
MARGIN_PX, FIXED_MARGIN_PX = 24, 4
# Probe steps a pass: a batch takes one averaged step, so fewer, larger batches need more passes.
STEPS_A_PASS, SMALLEST_BATCH = 75, 4


def choose_problem(recipe: Recipe, prepared: PreparedScan) -> Recipe:
    """Return the recipe with the keys set that the problem is made with, and the probe's start."""
    recipe = _choose_start(recipe, prepared)
    recipe = _fill(recipe, "run.held_out", HELD_OUT, "the default share")
    if has_readings(prepared):
        recipe = _fill(recipe, "positions.travel", 1.0, "the scan file has the stage's readings during exposures")
    recipe = _fill(recipe, "run.trial_passes", 0 if recipe.solve else TRIAL_PASSES, _trial_reason(recipe))
    fixed = recipe.positions.refine is False or (recipe.positions.refine is None and not recipe.run.trial_passes)
    room = "positions stay as they are" if fixed else "room for positions to move"
    return _fill(recipe, "object.margin_px", FIXED_MARGIN_PX if fixed else MARGIN_PX, room)


# Passes that the simplest choice of a model by trials takes (300 frames), and the choice of a prior's strength beside
# its stage.
TRIALS_COST, STRENGTH_COST = 400, 110


def within_budget(recipe: Recipe, passes: float) -> Recipe:
    """Return the recipe with what is left free chosen so that about `passes` passes are enough for all of it."""
    if recipe.solve:
        return recipe
    why = f"the time budget is worth about {passes:.3g} passes"
    recipe = _fill(recipe, "probe.share_passes", 0, "the time budget is for the image")
    whole = passes_after_trials()
    if passes < whole + TRIALS_COST:
        recipe = recipe.choose("run.trial_passes", 0, why)
    if passes >= whole:
        return recipe
    recipe = recipe.choose("solve", _stages("approach", "main", "settle"), why)
    for name, share in (("approach", 0.3), ("main", 0.35), ("settle", 0.25)):
        recipe = _fill(recipe, f"solve.{name}.iterations", max(1, int(share * passes)), why)
    return recipe


def passes_after_trials() -> int:
    """Return the passes that the default stages take, with the choice of the prior's strength."""
    return sum(PASSES.values()) + STRENGTH_COST


def _trial_reason(recipe: Recipe) -> str:
    return "the recipe has its own stages" if recipe.solve else "the default number"


def complete_recipe(recipe: Recipe, prepared: PreparedScan, problem: Problem) -> Recipe:
    """Return the recipe with every free key set.

    Raises
    ------
    InputError
        When a stage names an unknown solver or key, or a given key could have no effect.
    """
    margin = int(problem.positions_px.min()) - problem.size // 2
    recipe = _fill(recipe, "object.margin_px", margin, "the default")
    if problem.held is None:
        recipe = _fill(recipe, "run.held_out", 0.0, "all pixels are fitted")
    recipe = choose_problem(recipe, prepared)
    optic = prepared.scan.zone_plate
    if recipe.probe.start == "zone_plate" and optic is not None and optic.defocus_m is not None:
        recipe = _fill(recipe, "probe.defocus_m", optic.defocus_m, "nominal value of the scan file")
    recipe = _choose_model(recipe)
    recipe = _choose_share_passes(recipe, prepared)
    recipe = _settled(recipe, prepared, problem)
    single = problem.complex_dtype.itemsize == 8
    recipe = _fill(recipe, "run.precision", "single" if single else "double", "rounding is far below photon noise")
    recipe = _choose_stages(recipe, prepared, problem)
    for stage in recipe.solve:
        _check_stage(recipe, stage)
    if recipe.object.empty_area_m is not None and all(stage.get("prior") != EMPTY_AREA for stage in recipe.solve):
        raise InputError(
            "an area without sample that no stage uses",
            where="recipe, object.empty_area_m",
            expected=f'a [[solve]] table with prior = "{EMPTY_AREA}"',
            fix=f"Add e.g. -s solve.prior.prior={EMPTY_AREA}, or leave the area out.",
        )
    return recipe


def _choose_model(recipe: Recipe) -> Recipe:
    """Set what no trial has decided: the simplest model."""
    recipe = _fill(recipe, "probe.modes", 1, "one coherent mode; more on request")
    for path in ("positions.refine", "probe.background", "probe.intensity", "object.refine_slices"):
        recipe = _fill(recipe, path, False, "only on request")
    recipe = _fill(recipe, "probe.variation", 0, "only on request")
    recipe = _fill(recipe, "positions.travel", 0.0, "nothing tells of a stage that moves during exposures")
    recipe = _fill(recipe, "object.slices", 1, "a thin sample")
    return recipe


def _choose_share_passes(recipe: Recipe, prepared: PreparedScan) -> Recipe:
    """Decide whether the shares of the modes are freed of what the noise adds."""
    if recipe.solve:
        return _fill(recipe, "probe.share_passes", 0, "the recipe has its own stages")
    if recipe.probe.modes == 1:
        return _fill(recipe, "probe.share_passes", 0, "one mode has all of the light")
    if prepared.unit != "photon":
        return _fill(recipe, "probe.share_passes", 0, "counts that are not photons: their noise is not known")
    return _fill(recipe, "probe.share_passes", SHARE_PASSES, "the default number")


def refined_words(recipe: Recipe) -> str:
    """Return what the recipe's tables say is refined beside object and probe, as `recon.unknowns.WORDS`."""
    wanted = {
        "positions": recipe.positions.refine,
        "background": recipe.probe.background,
        "intensity": recipe.probe.intensity,
        "variation": recipe.probe.variation,
        "probes": recipe.run.share == "object",
        "offsets": recipe.run.share == "both",
        "depths": recipe.object.refine_slices and (recipe.object.slices or 1) > 1,
    }
    return " ".join(word for word, on in wanted.items() if on)


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
    if stage.get("prior") == EMPTY_AREA and recipe.object.empty_area_m is None:
        raise InputError(
            "no area without sample",
            where=f'recipe, [[solve]] table "{stage.name}", prior = "{EMPTY_AREA}"',
            expected="object.empty_area_m = [y first, y last, x first, x last] in metres",
            fix="Give it, e.g. -s object.empty_area_m=[-2e-6,-1e-6,0,1e-6], or use another prior.",
        )
    try:
        make_solver(stage.solver or "", stage.settings, stage.refine or "")
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


def _choose_start(recipe: Recipe, prepared: PreparedScan) -> Recipe:
    optic = prepared.scan.zone_plate
    if recipe.probe.file is not None:
        recipe = _fill(recipe, "probe.start", "file", "a file with a probe is given")
    elif optic is not None:
        recipe = _fill(recipe, "probe.start", "zone_plate", "the scan file describes the zone plate")
    else:
        recipe = _fill(recipe, "probe.start", "data", "the scan file has no zone plate")
    if (recipe.probe.start == "file") != (recipe.probe.file is not None):
        raise InputError(
            f"probe.start = {recipe.probe.start} {'with' if recipe.probe.file else 'without'} probe.file",
            where="recipe, table [probe]",
            expected="both of a probe that comes from a file, or neither",
            fix="Give -s probe.file=FILE alone, or leave it out.",
        )
    if recipe.probe.start != "zone_plate" and recipe.probe.defocus_m is not None:
        raise InputError(
            f"{recipe.probe.defocus_m:g} m beside probe.start = {recipe.probe.start}",
            where="recipe, probe.defocus_m",
            expected="a defocus only for a zone plate that the scan file describes",
            fix="Leave probe.defocus_m out.",
        )
    return recipe


def highest_frequency(recipe: Recipe, prepared: PreparedScan) -> float | None:
    """Return the highest spatial frequency that the recipe leaves the probe [1/m]; None where all are."""
    optic = prepared.scan.zone_plate
    if recipe.probe.band is None:
        return None
    if optic is None:
        raise InputError(
            f"probe.band = {recipe.probe.band:g} for a scan without a zone plate",
            where=f"{prepared.scan.name}, recipe, probe.band",
            expected="a zone plate, whose pupil the band is measured by",
            fix="Leave probe.band out.",
        )
    return recipe.probe.band / (2 * optic.outer_zone_m)


def _stages(*names: str) -> tuple[SolveStage, ...]:
    solvers = {"approach": "rpie", "main": "rpie"}
    return tuple(SolveStage(name, solvers.get(name, "maximum_likelihood")) for name in names)


def steps_for(prepared: PreparedScan, problem: Problem, *, bold: bool = False) -> dict[str, tuple[Any, str]]:
    """Return settings of `rpie` for these frames, each with its reason; `bold` ones for a first stage."""
    mean = float(problem.counts.sum(dtype="float64")) / (problem.n_measured + problem.n_held)
    alpha = round(min(1.0, max(0.1, NOISE_COUNTS / max(mean, 1e-9))), 2)
    noise = f"for {mean:.3g} {prepared.unit}s a pixel on average"
    batch = max(SMALLEST_BATCH, round(problem.n_frames / STEPS_A_PASS))
    about = f"about {STEPS_A_PASS} steps a pass over {problem.n_frames} frames"
    first = min(alpha, BOLD_ALPHA) if bold and mean >= BOLD_COUNTS else alpha
    return {"alpha": (first, noise), "beta": (max(first, 0.5), noise), "batch": (batch, about)}


def _extension(recipe: Recipe, stage: str) -> tuple[int, str]:
    """Return how many more passes than planned a stage may have, and why."""
    if stage not in EXTENDED:
        return 0, "the passes that are given"
    if recipe.run.time_budget_s is not None:
        return 0, "the time budget says how many passes there are"
    return EXTEND, "while the deviance (of the held-out pixels, if there are any) still falls"


def _choose_stages(recipe: Recipe, prepared: PreparedScan, problem: Problem) -> Recipe:
    own = not recipe.solve
    if own:
        names = ("approach", "main", "settle", "prior") if problem.n_held else ("approach", "main", "settle")
        reason = "fast steps first, then the likelihood of the counts, then a prior as strong as the data ask for"
        recipe = recipe.choose("solve", _stages(*names), reason)
    for stage in recipe.solve:
        solver = stage.solver or "rpie"
        choices: dict[str, tuple[Any, str]] = {
            "solver": ("rpie", "the default solver"),
            "iterations": (PASSES[stage.name] if own else OWN_PASSES, "the default number of passes"),
            "extend": _extension(recipe, stage.name if own and stage.iterations is None else ""),
            "refine": (refined_words(recipe), "as probe, object and positions say"),
        }
        steps = steps_for(prepared, problem, bold=own and stage.name == "approach")
        if solver == "rpie":
            choices |= steps
        if solver == "epie":
            choices["batch"] = steps["batch"]
        if own and stage.name == "prior" and solver == "maximum_likelihood":
            choices["prior"] = "total_variation", "few edges where the counts say nothing"
            choices["strength"] = AUTOMATIC, "by the held-out pixels"
        for key, (value, why) in choices.items():
            recipe = _fill(recipe, f"solve.{stage.name}.{key}", value, why)
    return recipe
