"""What a recipe leaves open is chosen from the data, with a reason; what it gives stays."""

from __future__ import annotations

import tomllib
from dataclasses import fields, replace

import numpy as np
import pytest
from helpers_cli import simulated

from recon.backend import Device
from recon.choose import choose_device, choose_problem, complete_recipe, within_budget
from recon.problem import make_problem
from recon.recipe import Recipe, parse_recipe
from scans.errors import InputError
from scans.preparation import prepare
from scans.prepared import PreparedScan

CPU = Device("cpu")


@pytest.fixture(scope="module")
def prepared() -> PreparedScan:
    return prepare(simulated()[0])


def completed(prepared: PreparedScan, *settings: str, text: str = "") -> Recipe:
    recipe = parse_recipe(text)
    for setting in settings:
        recipe = recipe.override(setting)
    return complete_recipe(recipe, prepared, make_problem(prepared, CPU))


def dimmed(prepared: PreparedScan, mean: float) -> PreparedScan:
    """Return the same frames with `mean` counts a pixel."""
    return replace(prepared, counts=prepared.counts * np.float32(mean / prepared.counts.mean()))


@pytest.mark.parametrize(
    ("mean", "alpha", "beta"),
    # docs/methods.md: 30 / (mean counts a pixel), within 0.1 to 1; beta as alpha, at least 0.5
    [(3000, 0.1, 0.5), (300, 0.1, 0.5), (100, 0.3, 0.5), (50, 0.6, 0.6), (30, 1.0, 1.0), (2, 1.0, 1.0)],
)
def test_dim_frames_get_cautious_steps(prepared, mean, alpha, beta):
    recipe = completed(dimmed(prepared, mean))
    assert recipe.get("solve.main.alpha") == alpha
    assert recipe.get("solve.main.beta") == beta
    assert f"{mean:.3g} photons a pixel" in recipe.reason("solve.main.alpha")


@pytest.mark.parametrize(("mean", "first", "later"), [(3000, 0.1, 0.1), (50, 0.1, 0.6), (5, 0.1, 1.0), (2, 1.0, 1.0)])
def test_the_first_stage_is_bold_where_there_are_counts(prepared, mean, first, later):
    # docs/methods.md: 0.1 from 3 counts a pixel
    recipe = completed(dimmed(prepared, mean))
    assert (recipe.get("solve.approach.alpha"), recipe.get("solve.main.alpha")) == (first, later)


STAGES = [
    ("approach", "rpie", 40),
    ("main", "rpie", 40),
    ("settle", "maximum_likelihood", 60),
    ("prior", "maximum_likelihood", 50),
]


def test_stages_by_default(prepared):
    recipe = completed(prepared)
    assert [(s.name, s.solver, s.iterations) for s in recipe.solve] == STAGES[:3]
    assert recipe.solve[2].settings == {}
    # a prior's strength is chosen by pixels that were held out
    problem = make_problem(prepared, CPU, held_out=0.02)
    recipe = complete_recipe(parse_recipe("[run]\nheld_out = 0.02"), prepared, problem)
    assert [(s.name, s.solver, s.iterations) for s in recipe.solve] == STAGES
    assert recipe.solve[3].settings == {"prior": "total_variation", "strength": -1.0}


@pytest.mark.parametrize(
    ("passes", "stages", "trials"),
    # docs/methods.md: all of it takes about 700 passes, without trials 300
    [
        (1000, STAGES[:3], 40),
        (310, STAGES[:3], 0),
        (100, [("approach", "rpie", 30), ("main", "rpie", 35), (*STAGES[2][:2], 25)], 0),
    ],
)
def test_a_time_budget_shortens_the_plan(prepared, passes, stages, trials):
    recipe = within_budget(choose_problem(parse_recipe(""), prepared), passes)
    recipe = complete_recipe(recipe, prepared, make_problem(prepared, CPU))
    assert [(s.name, s.solver, s.iterations) for s in recipe.solve][:3] == stages
    assert recipe.run.trial_passes == trials
    assert trials or "time budget" in recipe.reason("run.trial_passes")


def test_what_is_refined_goes_into_every_stage(prepared):
    recipe = completed(prepared, "positions.refine=true", "probe.background=true", "solve.main.refine=positions")
    assert [stage.refine for stage in recipe.solve] == ["positions background", "positions", "positions background"]
    assert recipe.reason("solve.main.refine") is None


def test_the_distance_of_slices_is_refined_on_request(prepared):
    recipe = completed(prepared, "object.slices=2", "object.slice_distance_m=4e-6", "object.refine_slices=true")
    assert {stage.refine for stage in recipe.solve} == {"depths"}


@pytest.mark.parametrize(("n_frames", "batch"), [(40, 4), (300, 4), (450, 6), (1500, 20)])
def test_larger_scans_get_larger_batches(prepared, n_frames, batch):
    # docs/methods.md: about 75 steps a pass, at least 4 frames a step
    problem = replace(make_problem(prepared, CPU), counts=np.ones((n_frames, 48, 48), np.float32))
    recipe = complete_recipe(parse_recipe(""), prepared, problem)
    assert recipe.get("solve.main.batch") == batch


def test_everything_is_filled_in_and_has_a_reason(prepared):
    recipe = completed(prepared)
    text = recipe.to_toml()
    tables = tomllib.loads(text)
    solve = tables.pop("solve")
    keys = [f"{table}.{key}" for table, content in tables.items() for key in content]
    keys += [f"solve.{stage['name']}.{key}" for stage in solve for key in stage if key != "name"]
    assert {"prepare.size", "prepare.bin", "probe.modes", "probe.start", "object.margin_px", "run.precision"} < set(
        keys
    )
    for path in keys:
        assert recipe.reason(path) or path == "run.seed", path
    assert text.count("# chosen: ") == len(keys) - 1


def test_the_completed_recipe_is_complete(prepared):
    recipe = completed(prepared)
    again = complete_recipe(parse_recipe(recipe.to_toml()), prepared, make_problem(prepared, CPU))
    assert again == recipe
    assert not again.chosen  # all of it is given now


def test_an_earlier_choice_stays_with_its_mark(prepared):
    # the halves of a scan hold half the photons, and are to be solved as the whole was
    recipe = completed(prepared)
    assert complete_recipe(recipe, dimmed(prepared, 10), make_problem(dimmed(prepared, 10), CPU)) == recipe


def test_given_values_stay(prepared):
    given = {
        "prepare.size": 48,
        "probe.modes": 3,
        "object.margin_px": 9,
        "run.precision": "double",
        "solve.main.alpha": 0.77,
        "solve.main.iterations": 7,
        "solve.settle.floor": 0.9,
        "probe.defocus_m": 2e-5,
    }
    recipe = completed(prepared, *(f"{path}={value}" for path, value in given.items()))
    for path, value in given.items():
        assert recipe.get(path) == value
        assert recipe.reason(path) is None
    assert recipe.get("solve.settle.iterations") == 60
    assert recipe.reason("solve.settle.iterations")


def test_a_partial_table_is_completed_for_its_own_solver(prepared):
    text = """
    [[solve]]
    name = "first"
    [[solve]]
    name = "second"
    solver = "epie"
    iterations = 4
    [[solve]]
    name = "third"
    solver = "difference_map"
    """
    first, second, third = completed(prepared, text=text).solve
    assert (first.solver, first.iterations, set(first.settings)) == ("rpie", 80, {"alpha", "beta", "batch"})
    assert (second.solver, second.iterations, second.settings) == ("epie", 4, {"batch": 4})
    assert (third.solver, third.iterations, third.settings) == ("difference_map", 80, {})


def test_a_table_named_settle_of_the_users_own_is_no_default_one(prepared):
    (stage,) = completed(prepared, text='[[solve]]\nname = "settle"\nsolver = "epie"\n').solve
    assert (stage.iterations, stage.settings) == (80, {"batch": 4})


def test_one_solver_for_all(prepared):
    (stage,) = completed(prepared, "solve.solver=difference_map").solve
    assert (stage.name, stage.solver, stage.settings) == ("main", "difference_map", {})


def test_another_solver_in_one_default_stage_takes_that_solvers_keys(prepared):
    _, main, settle = completed(prepared, "solve.main.solver=difference_map", "solve.settle.solver=rpie").solve
    assert (main.solver, main.settings) == ("difference_map", {})
    assert (settle.solver, set(settle.settings), settle.iterations) == ("rpie", {"alpha", "beta", "batch"}, 60)


def test_unknown_solver_and_key_name_the_nearest_and_the_table(prepared):
    with pytest.raises(InputError, match=r"table \"main\": unknown solver 'rpi'") as info:
        completed(prepared, "solve.solver=rpi")
    assert "nearest is rpie" in info.value.fix
    with pytest.raises(InputError, match=r"unknown key") as info:
        completed(prepared, "solve.alpha=0.5")  # the second default stage has none
    assert '"settle"' in info.value.where
    assert "-s solve.NAME.KEY=VALUE, NAME one of approach, main, settle" in info.value.fix
    with pytest.raises(InputError, match=r"key alpha.*expected 0.001 to 1"):
        completed(prepared, "solve.main.alpha=1.5")


def test_no_such_table(prepared):
    with pytest.raises(InputError, match=r"-s solve.setle.iterations=3") as info:
        completed(prepared, "solve.setle.iterations=3")
    assert "settle" in info.value.fix


def test_the_probe_starts_from_what_the_file_knows(prepared):
    recipe = completed(prepared)
    assert recipe.probe.start == "zone_plate"
    assert recipe.probe.defocus_m == prepared.scan.zone_plate.defocus_m
    unknown = replace(prepared.scan.zone_plate, defocus_m=None)
    plate = completed(replace(prepared, scan=replace(prepared.scan, zone_plate=None))).probe
    assert (plate.start, plate.defocus_m) == ("data", None)
    defocus = completed(replace(prepared, scan=replace(prepared.scan, zone_plate=unknown))).probe
    assert (defocus.start, defocus.defocus_m) == ("zone_plate", None)  # to be found: recon.probe_start
    file = completed(prepared, "probe.file=first.h5").probe
    assert (file.start, file.defocus_m) == ("file", None)


@pytest.mark.parametrize("settings", [("probe.start=data", "probe.defocus_m=1e-5"), ("probe.defocus_m=1e-5",)])
def test_a_defocus_that_could_have_no_effect_is_refused(prepared, settings):
    scan = replace(prepared, scan=replace(prepared.scan, zone_plate=None))
    with pytest.raises(InputError, match=r"probe.defocus_m.*Leave probe.defocus_m out"):
        completed(scan, *settings)


def test_a_scan_that_came_binned_says_so():
    prepared = prepare(simulated()[0], bin=2)
    recipe = completed(prepared)
    assert (recipe.prepare.bin, recipe.prepare.size) == (2, 24)
    again = prepare(prepared.scan, bin=recipe.prepare.bin, size=recipe.prepare.size)
    assert np.array_equal(again.counts, prepared.counts)


def test_the_margin_is_the_one_that_ran(prepared):
    for margin in (0, 4, 11):
        problem = make_problem(prepared, CPU, margin_px=margin)
        assert complete_recipe(parse_recipe(""), prepared, problem).object.margin_px == margin


def test_the_device_is_written_down():
    recipe = parse_recipe("")
    found = choose_device(recipe, CPU)
    assert (found.run.device, found.reason("run.device")) == ("cpu", "no usable CUDA card with CuPy")
    card = Device("gpu", 1)
    assert choose_device(recipe, card).run.device == "gpu:1"
    assert "card" in choose_device(recipe, card).reason("run.device")


def test_a_device_that_was_asked_for_is_no_choice():
    found = choose_device(parse_recipe(""), CPU, asked="cpu")
    assert (found.run.device, found.reason("run.device")) == ("cpu", None)
    # what the caller wants instead of the recipe's device is what the result must say
    assert choose_device(parse_recipe('[run]\ndevice = "gpu:3"'), CPU, asked="cpu").run.device == "cpu"
    auto = choose_device(parse_recipe('[run]\ndevice = "gpu:3"'), CPU, asked="auto")
    assert auto.run.device == "cpu"
    assert auto.reason("run.device")


def test_no_key_of_the_run_is_forgotten(prepared):
    # time, corrections and what several scans share are the user's alone; all else of the recipe is filled in
    recipe = choose_device(completed(prepared), CPU)
    free = {f"run.{f.name}" for f in fields(recipe.run) if getattr(recipe.run, f.name) is None}
    assert free == {"run.time_budget_s", "run.share"}
