import math
import tomllib
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recon.recipe import (
    ObjectSection,
    PositionsSection,
    PrepareSection,
    ProbeSection,
    Recipe,
    RunSection,
    ScanSection,
    SolveStage,
    parse_recipe,
    read_recipe,
)
from recon.recipe_sections import ORIENTATIONS
from scans.errors import InputError
from scans.scan import Orientation

FULL = """
[scan]
energy_ev = 710            # a whole number is a fine energy
distance_m = 0.08
pixel_size_m = 44e-6
position_unit = "um"
orientation = "transpose+flip_x"
[prepare]
size = 128
bin = 2
centre_px = [127.5, 130]
follow_beam = false
counts_per_photon = 12.5
gain_energy_ev = 500
saturation = 60000
dark = "median"
offset = "fixed"
beamstop = "mask"
[probe]
modes = 3
start = "data"
defocus_m = -1.2e-5
[object]
margin_px = 0
[positions]
[run]
seed = 7
device = "gpu:0,1"
precision = "double"
time_budget_s = 60
[[solve]]
name = "start"
solver = "epie"
iterations = 30
object_step = 0.9
[[solve]]
name = "finish"
solver = "difference_map"
iterations = 50
beta = 1
fancy = true
variant = "a"
"""


def test_every_key_is_read_with_its_type():
    recipe = parse_recipe(FULL)
    assert recipe.scan == ScanSection(710.0, 0.08, (44e-6, 44e-6), "um", "transpose+flip_x")
    assert isinstance(recipe.scan.energy_ev, float)
    assert recipe.prepare == PrepareSection(
        size=128,
        bin=2,
        centre_px=(127.5, 130.0),
        follow_beam=False,
        counts_per_photon=12.5,
        gain_energy_ev=500.0,
        saturation=60000.0,
        dark="median",
        offset="fixed",
        beamstop="mask",
    )
    assert all(isinstance(value, float) for value in recipe.prepare.centre_px)
    assert recipe.probe == ProbeSection(3, "data", -1.2e-5)
    assert recipe.object == ObjectSection(0)
    assert recipe.positions == PositionsSection()
    assert recipe.run == RunSection(7, "gpu:0,1", "double", 60.0)
    start, finish = recipe.solve
    assert start == SolveStage("start", "epie", 30, {"object_step": 0.9})
    assert finish.settings == {"beta": 1, "fancy": True, "variant": "a"}
    assert [type(value) for value in finish.settings.values()] == [int, bool, str]


def test_an_empty_recipe_leaves_everything_free_but_the_seed():
    recipe = parse_recipe("")
    sections = (recipe.scan, recipe.prepare, recipe.probe, recipe.object, recipe.positions, recipe.run)
    given_keys = [f.name for s in sections for f in fields(s) if getattr(s, f.name) is not None]
    assert given_keys == ["seed"]
    assert recipe.run.seed == 0
    assert recipe.solve == ()


def test_orientation_words_are_those_of_the_scan():
    flags = [(t, y, x) for t in (False, True) for y in (False, True) for x in (False, True)]
    assert {str(Orientation(*f)) for f in flags} == set(ORIENTATIONS)


@pytest.mark.parametrize(
    ("text", "where", "near"),
    [
        ("[probe]\nmode = 3", r"run\.toml, probe\.mode", r"probe\.modes"),
        ("[prepare]\ncentre = [1, 2]", r"prepare\.centre", r"prepare\.centre_px"),
        ("[scan]\nenergy_kev = 0.7", r"scan\.energy_kev", r"scan\.energy_ev"),
        ("[positions]\nsize = 64", r"positions\.size", r"prepare\.size"),
        ("[scan.mapping]\nframe = '/a'", r"run\.toml, scan\.mapping\.frame", r"scan\.mapping\.frames"),
        ("[run]\niterations = 64", r"run\.iterations", r"solve\.iterations"),
        ("[prob]\nmodes = 3", r"run\.toml, prob", r"\[probe\]"),
        ("modes = 3", r"run\.toml, modes", r"probe\.modes"),
        ("chosen = 3", r"run\.toml, chosen", ""),
    ],
)
def test_an_unknown_key_names_file_key_and_the_nearest(text, where, near):
    with pytest.raises(InputError, match=rf"{where}: unknown .*The nearest is {near}"):
        parse_recipe(text, "run.toml")


@pytest.mark.parametrize(
    ("line", "found", "expected"),
    [
        ("probe.modes = true", "true", "a whole number from 1"),
        ("probe.modes = 3.0", r"3\.0", "a whole number from 1"),
        ("probe.modes = 0", "0", "a whole number from 1"),
        ('probe.modes = "3"', '"3"', "a whole number from 1"),
        ("probe.defocus_m = true", "true", r"a number \[m\]"),
        ("probe.defocus_m = nan", "nan", r"a number \[m\]"),
        ('probe.start = "zoneplate"', '"zoneplate"', 'one of "zone_plate", "data", "file"'),
        ("scan.energy_ev = -5", "-5", r"a number above 0 \[eV\]"),
        ("scan.energy_ev = inf", "inf", r"a number above 0 \[eV\]"),
        ("scan.pixel_size_m = [1e-5, 1e-5, 1e-5]", r"\[1e-05, 1e-05, 1e-05\]", r"one number or \[y, x\]"),
        ("scan.pixel_size_m = [1e-5, true]", r"\[1e-05, True\]", r"each a number above 0 \[m\]"),
        ("scan.position_unit = 2026-01-01", "2026-01-01", 'one of "m"'),
        ('scan.orientation = "flip_x+flip_y"', '"flip_x', 'one of "as stored"'),
        ("scan.mapping = 3", "3", r"a table \[scan\.mapping\]"),
        ("scan.mapping.energy = 710", r"\{'energy': 710\}", "a name in quotes for energy"),
        ("scan.parts = 'a/b*'", '"a/b', "a pattern of file names without folders"),
        ("prepare.size = 4", "4", "a whole number from 8"),
        ("prepare.centre_px = 5", "5", r"\[y, x\]"),
        ("prepare.centre_px = [-1, 5]", r"\[-1, 5\]", r"\[y, x\], each a number from 0"),
        ("run.seed = -1", "-1", "a whole number from 0"),
        ('run.device = "gpu:"', '"gpu:"', '"auto", "cpu", "gpu"'),
        ('run.precision = "half"', '"half"', 'one of "single", "double"'),
        ("run.time_budget_s = 0", "0", r"a number above 0 \[s\]"),
        ("solve = [{name = 'a b'}]", '"a b"', "a name of letters"),
        ("solve = [{iterations = 1.5}]", r"1\.5", "a whole number from 1"),
        ("solve = [{alpha = [1, 2]}]", r"\[1, 2\]", "a finite number, a string, true or false"),
        ("solve = [{alpha = inf}]", "inf", "a finite number"),
        ("probe = 3", "3", "a table"),
    ],
)
def test_a_wrong_value_says_what_was_found_and_expected(line, found, expected):
    with pytest.raises(InputError, match=rf"recipe, [a-z_. ]+: {found}.*; expected .*{expected}"):
        parse_recipe(line)


def test_the_mapping_is_a_table_of_its_own_and_is_set_role_by_role():
    recipe = parse_recipe('[scan]\nenergy_ev = 3.0\n[scan.mapping]\nframes = "/a"\n')
    recipe = recipe.override("scan.mapping.x=/p[:,0] in um").override('scan.mapping.frames="/b"')
    assert recipe.scan.mapping == {"frames": "/b", "x": "/p[:,0] in um"}
    assert recipe.get("scan.mapping.x") == "/p[:,0] in um"
    assert recipe.get("scan.mapping.y") is None
    text = recipe.to_toml()
    assert tomllib.loads(text)["scan"] == {"energy_ev": 3.0, "mapping": recipe.scan.mapping}
    assert parse_recipe(text) == recipe
    assert parse_recipe("").override('scan.mapping={frames="/c"}').scan.mapping == {"frames": "/c"}
    with pytest.raises(InputError, match=r"-s scan\.mapping\.enrgy=/e: unknown .*nearest is scan\.mapping\.energy"):
        recipe.override("scan.mapping.enrgy=/e")


def test_solve_must_be_a_list_of_tables_with_names_of_their_own():
    with pytest.raises(InputError, match=r"solve: not a list of tables.*double brackets"):
        parse_recipe("[solve]\nsolver = 'epie'")
    with pytest.raises(InputError, match=r"solve\.name: 2 .* named \"main\".*name of its own"):
        parse_recipe("[[solve]]\nsolver = 'epie'\n[[solve]]\nsolver = 'epie'")


@pytest.mark.parametrize(
    ("text", "line"), [("[probe]\nmodes = \n", 2), ("[probe\n", 1), ("\n\nx = [1,", 3), ("a = 1\na = 2\n", 2)]
)
def test_a_syntax_error_names_file_and_line(tmp_path, text, line):
    path = tmp_path / "r.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=rf"r\.toml, line {line}: .*expected TOML.*Correct the line"):
        read_recipe(path)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(InputError, match=r"gone\.toml: No such file.*after -r"):
        read_recipe(tmp_path / "gone.toml")
    with pytest.raises(InputError, match="Is a directory"):
        read_recipe(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"# \xb5m\n")
    with pytest.raises(InputError, match=r"latin\.toml: no text at byte 2.*UTF-8"):
        read_recipe(tmp_path / "latin.toml")
    (tmp_path / "bom.toml").write_bytes(b"\xef\xbb\xbf[probe]\r\nmodes = 2\r\n")
    assert read_recipe(tmp_path / "bom.toml").probe.modes == 2


@pytest.mark.parametrize(
    ("text", "path", "value"),
    [
        ("probe.modes=3", "probe.modes", 3),
        (" scan.energy_ev = 710 ", "scan.energy_ev", 710.0),
        ("scan.pixel_size_m=[1e-5, 2e-5]", "scan.pixel_size_m", (1e-5, 2e-5)),
        ("probe.start=data", "probe.start", "data"),
        ('probe.start="data"', "probe.start", "data"),
        ("run.device=gpu:0,1", "run.device", "gpu:0,1"),
        ("scan.orientation=as stored", "scan.orientation", "as stored"),
        ("solve.start.iterations=200", "solve.start.iterations", 200),
        ("solve.finish.beta=0.75", "solve.finish.beta", 0.75),
        ("solve.finish.fancy=false", "solve.finish.fancy", False),
        ("solve.start.note=a = b", "solve.start.note", "a = b"),
    ],
)
def test_an_override_sets_one_key(text, path, value):
    old = parse_recipe(FULL)
    new = old.override(text)
    assert new.get(path) == value
    assert type(new.get(path)) is type(value)
    assert old == parse_recipe(FULL)  # a new recipe, the old one untouched


def test_an_override_of_all_tables():
    recipe = parse_recipe(FULL).override("solve.iterations=200").override("solve.batch=4")
    assert [(s.iterations, s.settings["batch"]) for s in recipe.solve] == [(200, 4), (200, 4)]


DEFAULTS = (SolveStage("main", "rpie", 100, {"alpha": 0.2}), SolveStage("settle", "epie", 25))


def test_overrides_of_tables_that_are_still_to_be_chosen():
    recipe = Recipe().override("solve.iterations=200").override("solve.settle.batch=4")
    with pytest.raises(ValueError, match=r"choose the \[\[solve\]\] tables first.*solve\.settle\.batch=4"):
        recipe.to_toml()
    recipe = recipe.choose("solve", DEFAULTS, "the default")
    assert [(s.name, s.solver, s.iterations) for s in recipe.solve] == [
        ("main", "rpie", 200),
        ("settle", "epie", 200),
    ]
    assert recipe.get("solve.settle.batch") == 4
    assert recipe.reason("solve.main.alpha") == "the default"
    assert recipe.reason("solve.main.iterations") is None  # the user's, no longer a choice
    assert parse_recipe(recipe.to_toml()) == recipe


def test_a_solver_of_ones_own_replaces_the_tables_to_be_chosen():
    recipe = Recipe().override("solve.iterations=200").override("solve.solver=difference_map")
    assert recipe == Recipe(solve=(SolveStage("main", "difference_map", 200),))
    assert recipe.choose("solve", DEFAULTS, "the default") == recipe
    recipe = Recipe().override("solve.main.solver=epie").override("solve.main.batch=2")
    main = recipe.choose("solve", DEFAULTS, "the default").solve[0]
    assert main == SolveStage("main", "epie", 100, {"batch": 2})  # alpha was chosen for the other solver


def test_a_pending_override_is_checked_at_once_and_when_the_tables_are_known():
    with pytest.raises(InputError, match=r"-s solve\.iterations=0: 0; expected a whole number from 1"):
        Recipe().override("solve.iterations=0")
    recipe = Recipe().override("solve.mein.iterations=5")
    with pytest.raises(InputError, match=r'-s solve\.mein\.iterations=5: no .*nearest is "main"'):
        recipe.choose("solve", DEFAULTS, "the default")
    with pytest.raises(InputError, match=r'-s solve\.mein\.iterations=5: no .*nearest is "main"'):
        recipe.override("solve.solver=epie")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("probe.mode=3", r"-s probe\.mode=3: unknown key \"mode\".*nearest is probe\.modes"),
        ("probe.modes=three", r"-s probe\.modes=three: \"three\"; expected a whole number from 1"),
        ("probe.modes", r"-s: .*expected section\.key=VALUE.*-s probe\.modes=3"),
        ("probe.modes=", r"-s: .*expected section\.key=VALUE"),
        ("probe=3", r"\"probe\" alone, which is a table"),
        ("modes=3", r"unknown .*\"modes\".*nearest is probe\.modes"),
        ("a.b.c.d=3", r"-s a\.b\.c\.d=3: unknown"),
        ("solve.strat.iterations=3", r"named \"strat\".*one of: start, finish.*nearest is \"start\""),
        ("solve.start.name=other", r"-s solve\.start\.name=other.*recipe file"),
        ("probe.modes=3\nrun.seed=4", r"expected a whole number"),
    ],
)
def test_a_wrong_override(text, message):
    with pytest.raises(InputError, match=message):
        parse_recipe(FULL).override(text)


def test_a_choice_fills_a_free_key_and_never_what_the_user_gave():
    recipe = parse_recipe("[probe]\nmodes = 2").choose("probe.modes", 5, "held-out pixels")
    assert recipe.probe.modes == 2
    assert recipe.reason("probe.modes") is None
    recipe = recipe.choose("prepare.centre_px", np.array([63.5, 64.0]), "centre of\nmass")
    recipe = recipe.choose("prepare.size", np.int64(128), "all of the frame")
    assert recipe.prepare.centre_px == (63.5, 64.0)
    assert type(recipe.prepare.size) is int
    assert recipe.reason("prepare.size") == "all of the frame"
    assert recipe.choose("prepare.size", 64, "less is enough").prepare.size == 64  # a choice may be revised
    assert recipe.choose("run.seed", 5, "no").run.seed == 0
    given_later = recipe.override("prepare.size=256")
    assert given_later.reason("prepare.size") is None
    assert given_later.choose("prepare.size", 64, "late").prepare.size == 256


def test_chosen_stages():
    stages = [SolveStage("main", "epie", 30, {"object_step": 0.9})]
    recipe = Recipe().choose("solve", stages, "the default").choose("solve.main.batch", 8, "fits")
    assert recipe.solve == (SolveStage("main", "epie", 30, {"object_step": 0.9, "batch": 8}),)
    assert recipe.reason("solve.main.iterations") == "the default"
    assert recipe.choose("solve", [SolveStage("other")], "again").solve == recipe.solve
    partly = parse_recipe("[[solve]]\niterations = 200").choose("solve.main.solver", "epie", "the default")
    assert partly.solve[0] == SolveStage("main", "epie", 200)
    assert partly.choose("solve.main.iterations", 5, "x").solve[0].iterations == 200


def test_a_wrong_choice_is_a_defect_and_not_the_users():
    with pytest.raises(ValueError, match=r"probe\.modes: 0") as error:
        Recipe().choose("probe.modes", 0, "nothing seen")
    assert not isinstance(error.value, InputError)
    with pytest.raises(ValueError, match=r"solve\.NAME\.key"):
        Recipe().choose("solve.iterations", 5, "all")


def test_choices_are_marked_in_the_text():
    recipe = Recipe().choose("probe.modes", 3, "gain above\n2 sigma").override("run.device=cpu")
    lines = recipe.to_toml().splitlines()
    assert "modes = 3 # chosen: gain above 2 sigma" in lines
    assert 'device = "cpu"' in lines
    assert not any("energy_ev" in line for line in lines)


def test_sections_check_themselves_outside_files_too():
    with pytest.raises(InputError, match=r"probe\.modes: 0"):
        ProbeSection(modes=0)
    with pytest.raises(InputError, match=r"run\.seed: None"):
        RunSection(seed=None)
    with pytest.raises(InputError, match="name of a key"):
        SolveStage("a", "epie", 3, {"two.parts": 1})


POSITIVE = st.floats(1e-12, 1e12)
FREE_TEXT = st.text(st.characters(exclude_categories=("Cs",)))
SCALARS = (
    st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False, allow_infinity=False) | FREE_TEXT
)
NAMES = st.from_regex(r"[A-Za-z0-9_-]{1,8}", fullmatch=True)
KEYS = NAMES.filter(lambda key: key not in ("name", "solver", "iterations"))


def optional(strategy):
    return st.none() | strategy


RECIPES = st.builds(
    Recipe,
    scan=st.builds(
        ScanSection,
        optional(POSITIVE),
        optional(POSITIVE),
        optional(st.tuples(POSITIVE, POSITIVE)),
        optional(st.sampled_from(["m", "um", "angstrom"])),
        optional(st.sampled_from(ORIENTATIONS)),
    ),
    prepare=st.builds(
        PrepareSection,
        size=optional(st.integers(8, 4096)),
        bin=optional(st.integers(1, 8)),
        centre_px=optional(st.tuples(POSITIVE, POSITIVE)),
        follow_beam=optional(st.booleans()),
        counts_per_photon=optional(POSITIVE),
        gain_energy_ev=optional(POSITIVE),
        saturation=optional(POSITIVE),
        dark=optional(st.sampled_from(["clipped", "median", "mean", "none"])),
        spikes=optional(st.booleans()),
        flux=optional(st.sampled_from(["monitor", "trend", "none"])),
    ),
    probe=st.builds(ProbeSection, optional(st.integers(1, 20)), st.none(), optional(st.floats(-1, 1))),
    object=st.builds(ObjectSection, optional(st.integers(0, 99))),
    run=st.builds(RunSection, st.integers(0, 2**63 - 1), optional(st.sampled_from(["auto", "gpu:3"]))),
    solve=st.lists(
        st.builds(
            SolveStage,
            NAMES,
            optional(NAMES),
            optional(st.integers(1)),
            st.dictionaries(KEYS, SCALARS, max_size=3),
        ),
        max_size=3,
        unique_by=lambda stage: stage.name,
    ).map(tuple),
)


@settings(max_examples=100, deadline=None)
@given(RECIPES, FREE_TEXT)
def test_the_text_reads_back_as_the_same_recipe(recipe, reason):
    recipe = recipe.choose("probe.start", "data", reason)
    text = recipe.to_toml()
    back = parse_recipe(text)
    assert back == recipe
    assert back.to_toml() == parse_recipe(back.to_toml()).to_toml()
    for old, new in zip(recipe.solve, back.solve, strict=True):
        assert [type(value) for value in old.settings.values()] == [type(v) for v in new.settings.values()]
    # The standard library's own reader is the judge of what is TOML.
    assert tomllib.loads(text)["run"]["seed"] == recipe.run.seed


def test_negative_zero_and_small_numbers_keep_their_bits():
    recipe = Recipe(solve=(SolveStage(),)).override("solve.a=-0.0").override("solve.b=5e-324")
    a, b = parse_recipe(recipe.to_toml()).solve[0].settings.values()
    assert math.copysign(1, a) == -1
    assert b == 5e-324
