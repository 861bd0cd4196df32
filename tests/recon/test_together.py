"""Several scans in one run: what is joined is parted again, and what is shared is better known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers_cli import contents, halfbit, raised_in, simulated, skip_drawing, written
from helpers_core import CPU, curved_probe, problem_from_model, relative, smooth_object, spiral_px

import scans
from recon import reconstruct, reconstruct_together
from recon.affine_refinement import affine_step, apply_affine
from recon.groups import Groups, Middles, without_means
from recon.halves import resolution
from recon.kernels import PassSums, residual_pass
from recon.likelihoods import make_likelihood
from recon.loop import Loop
from recon.own_probes import begin_own_probes, own_probe
from recon.problem import make_problem, with_own_scales
from recon.recipe import parse_recipe
from recon.registration import object_error
from recon.result_file import read_result
from recon.solvers import make_solver
from recon.state import start_state
from recon.together import join
from recon.truth_error import truth_on_grid, well_lit
from scans.errors import InputError
from scans.options import PrepareOptions

POISSON = make_likelihood("poisson")
STAGES = """
[run]
trial_passes = 0
[[solve]]
name = "first"
solver = "rpie"
iterations = {0}
[[solve]]
name = "last"
solver = "maximum_likelihood"
iterations = {1}
"""


def recipe(share, first=20, last=20):
    found = parse_recipe(STAGES.format(first, last))
    return found if share is None else found.override(f"run.share={share}")


def prepared(dead=0, **settings):
    """A prepared scan, the first pixels of its frames dead."""
    part = scans.prepare(simulated(**settings)[0])
    if not dead:
        return part
    counts, mask = part.counts.copy(), part.mask.copy()
    counts[:, 0, :dead], mask[..., 0, :dead] = 0, False
    return replace(part, counts=counts, mask=mask)


def error_of(result, truth):
    """Error of an object over what is lit well."""
    expected = truth_on_grid(truth, result.y_m, result.x_m)
    return object_error(result.transmission, expected, well_lit(result.coverage).astype(float))


# --- groups -------------------------------------------------------------------------------------------------------


def test_each_scan_loses_its_own_mean(rng):
    values, groups = rng.normal(size=(7, 2)), Groups(np.array([0, 0, 1, 1, 1, 2, 2]))
    found = without_means(values, groups)
    for label in range(3):
        mine = groups.of_frame == label
        np.testing.assert_allclose(found[mine], values[mine] - values[mine].mean(axis=0), atol=1e-15)
    np.testing.assert_allclose(without_means(values, None).mean(axis=0), 0, atol=1e-15)
    some = np.array([1, 3, 4])
    np.testing.assert_allclose(without_means(values[some], groups, some)[0], 0, atol=1e-15)


def test_a_map_turns_each_field_about_its_own_middle(rng):
    probe = 1e3 * curved_probe(32)
    positions = [38.2 + spiral_px(40, 3.0), 38.2 + spiral_px(40, 3.0) + (0, 90)]
    object_ = np.concatenate([smooth_object(rng, (76, 90), depth=1.5), smooth_object(rng, (76, 76), depth=1.5)], axis=1)
    problem = problem_from_model(object_, probe, np.concatenate(positions))
    groups = Groups(np.repeat([0, 1], 40), ((0, 83), (83, 166)))
    problem = replace(problem, groups=groups)
    state = start_state(problem, probe, 4)
    state.object_, truth = object_.astype(problem.complex_dtype), state.positions_px.copy()
    matrix = np.array([[0.02, -0.015], [0.01, -0.01]])
    apply_affine(state, matrix, groups)
    for number, before in enumerate(positions):
        middle = before.mean(axis=0)
        expected = middle + (before - middle) @ (np.eye(2) + matrix).T
        np.testing.assert_allclose(state.positions_px[groups.of_frame == number], expected, atol=1e-12)
    for _ in range(6):
        affine_step(problem, state, POISSON)
    left = without_means(state.positions_px - truth, groups)
    assert np.hypot(*left.T).max() < 0.02  # of 0.7 pixels; about one middle of all it would be 1 pixel and more
    middles = Middles.of(truth, 166, groups)
    assert [(first, last) for first, last, _ in middles.fields] == [(0, 83), (83, 166)]


# --- probes of their own ------------------------------------------------------------------------------------------


def test_each_scan_begins_with_its_own_wave(rng):
    waves = [curved_probe(16, sigma=s)[0] for s in (2.0, 2.5, 3.5)]
    problem = problem_from_model(smooth_object(rng, (40, 40)), 30 * curved_probe(16), 20 + spiral_px(9, 2.0))
    problem = replace(problem, groups=Groups(np.repeat([0, 1, 2], 3)))
    state = start_state(problem, 30 * curved_probe(16), 0)
    power = (np.abs(state.probe) ** 2).sum()
    begin_own_probes(problem, state, waves)
    for number, wave in enumerate(waves):
        own = own_probe(state, 3 * number)
        np.testing.assert_allclose(own[0], wave * np.sqrt(power / (np.abs(wave) ** 2).sum()), atol=1e-12 * power**0.5)


@pytest.mark.parametrize("name", ["epie", "rpie"])
def test_a_pass_takes_one_scan_after_the_other(rng, name):
    # by hand: the solver on the first scan's frames and probe, then on the other's with the object as it is then
    object_, modes = (
        smooth_object(rng, (40, 40)),
        np.concatenate([30 * curved_probe(16), 8 * curved_probe(16, sigma=4)]),
    )
    problem = problem_from_model(object_, modes, 20 + spiral_px(12, 2.0), rng=rng)
    problem = replace(problem, groups=Groups(np.repeat([0, 1], 6)))
    state, plain = start_state(problem, modes, 7), make_solver(name, {"batch": 2, "hold_probe": 0})
    begin_own_probes(problem, state, [curved_probe(16)[0], curved_probe(16, sigma=3)[0]])
    state.aside = np.array([4])
    hand = start_state(problem, modes, 7)
    expected, residuals = [], 0
    starts = [own_probe(state, frame)[0] for frame in (0, 6)]
    for rows, start in zip((np.arange(6), np.arange(6, 12)), starts, strict=True):
        part = problem.subset(rows)
        hand.probe[0], hand.positions_px = start, part.positions_px
        hand.aside = np.array([4]) if rows[0] == 0 else None
        residuals = residuals + plain.step(part, hand)
        expected.append(hand.probe[0].copy())
    solver = make_solver(name, {"batch": 2, "hold_probe": 0}, "probes")
    found = solver.step(problem, state)
    np.testing.assert_allclose(found, residuals, rtol=1e-12)
    np.testing.assert_allclose(state.object_, hand.object_, atol=1e-12)
    np.testing.assert_allclose(state.probe[1], hand.probe[1], atol=1e-11)
    for frame, wave in zip((0, 6), expected, strict=True):
        np.testing.assert_allclose(own_probe(state, frame)[0], wave, atol=1e-11)
    np.testing.assert_array_equal(state.aside, [4])


def test_scans_with_all_in_common_are_moved_as_a_whole(rng):
    object_, probe = smooth_object(rng, (76, 76), depth=1.5), 1e3 * curved_probe(32)
    truth = np.concatenate([38.2 + spiral_px(30, 3.0), 37.7 + spiral_px(40, 3.0)])
    problem = problem_from_model(object_, probe, truth, rng=rng)
    problem = replace(problem, groups=Groups(np.repeat([0, 1], [30, 40]), free=False))
    state, solver = start_state(problem, probe, 3), make_solver("rpie", {"hold_probe": 100}, "offsets")
    state.positions_px[30:] += (0.9, -0.6)
    state.aside, off = np.array([50]), state.positions_px - truth
    for _ in range(30):
        solver.step(problem, state)
        state.iteration, state.stage_pass = state.iteration + 1, state.stage_pass + 1
    left = state.positions_px - truth
    np.testing.assert_allclose(left.mean(axis=0), off.mean(axis=0), atol=1e-9)  # all together tell nothing of that
    np.testing.assert_allclose(left[30:] - left[30:].mean(axis=0), 0, atol=1e-9)
    assert np.abs(left[30:].mean(axis=0) - left[:30].mean(axis=0)).max() < 0.02  # of 0.9 pixels


# --- joined, and parted again -------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", ["probe", "object", "both"])
def test_a_part_predicts_the_frames_that_the_whole_predicts(rng, share):
    parts = [prepared(seed=0), prepared(seed=1, n_frames=30, dead=8)]
    offsets = np.array([[0, 0], [40e-9, -25e-9]])
    together = join(parts, share, offsets)
    problem = make_problem(together.prepared, CPU, precision="double", margin_px=6, held_out=0.02)
    problem = replace(problem, groups=together.groups(problem))
    state = start_state(problem, np.sqrt(problem.power) * curved_probe(problem.size), 0)
    state.object_ = state.object_ * np.exp(0.1j * rng.normal(size=state.object_.shape))
    state.intensity, state.aside = rng.uniform(0.9, 1.1, problem.n_frames), np.array([3, 41, 50])
    if share == "object":
        begin_own_probes(problem, state, [curved_probe(problem.size, sigma=s)[0] for s in (4, 5)])

    def predicted(problem, state):
        return residual_pass(state, state.batch(problem, np.arange(problem.n_frames)), PassSums.like(state))

    whole = predicted(problem, state)
    for number, rows in enumerate((slice(0, 40), slice(40, 70))):
        own_problem, own = together.part(number, problem, state)
        np.testing.assert_allclose(predicted(own_problem, own), whole[rows], rtol=1e-9, atol=1e-9 * whole.max())
        np.testing.assert_array_equal(own.aside, ([3], [1, 10])[number])
        y, x = own_problem.coordinates_m()
        at = [np.interp(own.positions_px[:, k], np.arange(len(c)), c) for k, c in enumerate((y, x))]
        given = parts[number].positions_m + (0 if share == "probe" else together.offsets_m[number])
        np.testing.assert_allclose(np.stack(at, axis=1), given, atol=1e-13)  # in the stage's own coordinates
        alone = make_problem(together.parts[number], CPU, precision="double", margin_px=6)
        if share == "probe":
            assert own_problem.object_shape == alone.object_shape
            np.testing.assert_allclose(own_problem.origin_m, alone.origin_m, atol=1e-15)
        assert own_problem.n_measured + own_problem.n_held == alone.n_measured


def test_scales_of_the_metrics_are_those_of_the_frames():
    part = prepared(dead=5)
    problem = make_problem(part, CPU, held_out=0.02, seed=3)
    again = with_own_scales(replace(problem, sum_amplitude=0.0, n_measured=0, n_held=0))
    assert (again.n_measured, again.n_held) == (problem.n_measured, problem.n_held)
    assert again.sum_amplitude == pytest.approx(problem.sum_amplitude, rel=1e-6)


def test_a_scan_with_less_light_is_not_a_darker_sample():
    bright, dim = prepared(seed=0), prepared(seed=1, photons_per_frame=2e5)
    together = join([bright, dim], "both", np.zeros((2, 2)))
    first, second = (float(np.median(part.flux)) for part in together.parts)
    assert second / first == pytest.approx(0.04, rel=0.02)  # 2e5 of 5e6


def wrong_geometry(part, **values):
    return replace(part, geometry=replace(part.geometry, **values))


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda p: wrong_geometry(p, energy_ev=p.geometry.energy_ev * 1.01), "photon energy"),
        (lambda p: wrong_geometry(p, distance_m=p.geometry.distance_m * 1.01), "distance"),
        (lambda p: replace(p, unit="ADU"), "unit"),
        (lambda p: scans.prepare(p.scan, PrepareOptions(size=32)), "prepare.size=32"),
    ],
)
def test_scans_that_do_not_fit_together(change, word):
    part = prepared()
    with pytest.raises(InputError) as caught:
        join([part, change(part)], "probe", np.zeros((2, 2)))
    assert word in str(caught.value)


def test_what_they_share_has_to_be_said():
    part = prepared()
    for several, given, word in (
        ([part, part], recipe(None), "run.share"),
        ([part], recipe("probe"), "1 scan"),
        ([part, part], recipe("object").override("probe.variation=1"), "probe.variation"),
    ):
        with pytest.raises(InputError) as caught:
            reconstruct_together(several, given, device="cpu")
        assert word in str(caught.value)
    with pytest.raises(InputError) as caught:
        reconstruct(part, recipe("both"), device="cpu")
    assert "run.share" in str(caught.value)


# --- what it is for -----------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("share", ["object", "both"])
def test_two_scans_of_one_sample_know_it_better(share):
    # twice the counts halve the variance of an estimate (counting statistics): 0.71 of the error
    defocus = {"object": 1.25, "both": 1.0}[share] * scans.scenario.scenario("catalyst").defocus_m
    (one, truth), (other, _) = simulated(frame_px=64, seed=0), simulated(frame_px=64, seed=1, defocus_m=defocus)
    moved = replace(other, positions_m=other.positions_m + np.array([57e-9, -91e-9]))
    alone = [error_of(reconstruct(scan, recipe(None, 40, 30), device="cpu"), truth) for scan in (one, other)]
    results = reconstruct_together([one, moved], recipe(share, 40, 30), device="cpu")
    assert error_of(results[0], truth) < 0.9 * min(alone)  # measured 0.78 (both), 0.86 (object)
    offset = results[1].positions_refined_m.mean(axis=0) - other.positions_m.mean(axis=0)
    offset -= results[0].positions_refined_m.mean(axis=0) - one.positions_m.mean(axis=0)
    limit = {"object": 4e-9, "both": 0.4e-9}[share]  # a pixel is 18 nm; probes of their own take up what is left
    np.testing.assert_allclose(offset, 0, atol=limit)
    told = [[note.what for note in result.notes if note.where == "run.share"] for result in results]
    assert told == [["together"], ["together", "offset"]]
    assert "together" in str(results[0])
    if share == "object":
        ratio = relative(results[1].probe, results[0].probe)
        assert ratio > 0.2  # a quarter more of defocus is another probe
    half = resolution(results[1], prepared=scans.prepare(moved), device="cpu")  # by itself, as any other result
    assert half.method == "photon split"


@pytest.mark.slow
def test_positions_of_scans_that_share_the_probe_are_found():
    pixel = scans.scenario.scenario("catalyst").geometry.object_pixel_m[0]
    wrong = {"frame_px": 64, "position_jitter_m": 1.0 * pixel, "position_scale": 1.01}
    made = [simulated(specimen_seed=k, seed=k, **wrong) for k in (0, 1)]
    given = recipe("probe", 60, 40).override("positions.refine=true")
    for result, (scan, truth) in zip(
        reconstruct_together([scan for scan, _ in made], given, device="cpu"), made, strict=True
    ):

        def wrongness(positions_m, truth=truth):
            away = (positions_m - truth.positions_m) / pixel
            return float(np.median(np.hypot(*(away - away.mean(axis=0)).T)))

        assert wrongness(result.positions_refined_m) < 0.2 * wrongness(scan.positions_m)  # measured 0.11 and 0.09


# --- on the command line ------------------------------------------------------------------------------------------


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    skip_drawing(monkeypatch)
    written(tmp_path / "a.h5", seed=0)
    written(tmp_path / "b.h5", seed=1, specimen_seed=2)
    return tmp_path


WORDS = ("-s", "run.share=probe", "-s", "run.trial_passes=0", "-s", "solve.iterations=6", "-s", "run.held_out=0")


def test_a_result_for_each_scan(here, capsys):
    done = halfbit(capsys, "reconstruct", "a.h5", "b.h5", *WORDS, "--write-recipe", "r.toml")
    assert done.code == 0, done.err
    one, other = (read_result(here / f"{name}_result_001.h5") for name in "ab")
    np.testing.assert_array_equal(one.probe, other.probe)
    assert one.provenance.source.path.endswith("a.h5")
    assert other.provenance.source.path.endswith("b.h5")
    assert relative(one.transmission[:50, :50], other.transmission[:50, :50]) > 0.001
    assert "with b.h5::/entry_1 (the probe in common)" in done.out
    assert 'share = "probe"' in (here / "r.toml").read_text()
    assert not list(here.glob("*together*"))
    (here / "out").mkdir()
    again = halfbit(capsys, "reconstruct", "a.h5", "b.h5", "-r", "r.toml", "-o", "out", "--json")
    assert again.code == 0, again.err
    assert read_result(here / "out" / "b_result_001.h5").transmission.tobytes() == other.transmission.tobytes()


def test_several_scans_need_a_word_and_a_folder(here, capsys):
    before = contents(here)
    for words, told in (((), "run.share"), ((*WORDS, "-o", "one.h5"), "Name a folder")):
        done = halfbit(capsys, "reconstruct", "a.h5", "b.h5", *words)
        assert (done.code, done.out) == (2, "")
        assert told in done.err
    assert contents(here) == before


def test_an_interrupted_run_goes_on_to_the_same_bytes(here, capsys, monkeypatch):
    assert halfbit(capsys, "reconstruct", "a.h5", "b.h5", *WORDS).code == 0
    whole = read_result(here / "b_result_001.h5").transmission.tobytes()
    with monkeypatch.context() as patch:
        raised_in(patch, Loop, "_one_pass", 2, at_call=3)
        done = halfbit(capsys, "reconstruct", "a.h5", "b.h5", *WORDS)
    assert done.code == 130
    assert "go on with: halfbit reconstruct a.h5 b.h5 -o " in done.err
    assert read_result(here / "b_result_002.h5").status == "interrupted"
    assert len(list(here.glob("a_together_001.h5"))) == 1
    again = halfbit(capsys, "reconstruct", "a.h5", "b.h5", "--resume")
    assert again.code == 0, again.err
    assert read_result(here / "b_result_003.h5").transmission.tobytes() == whole
    assert not list(here.glob("*together*"))
    swapped = halfbit(capsys, "reconstruct", "b.h5", "a.h5", "--resume")
    assert swapped.code == 2


@pytest.mark.gpu
@pytest.mark.parametrize("share", ["probe", "object", "both"])
def test_a_card_finds_what_the_processor_finds(share):
    pytest.importorskip("cupy")
    pairs = [simulated(seed=0), simulated(seed=1)]
    errors = []
    for device in ("cpu", "gpu"):
        results = reconstruct_together([scan for scan, _ in pairs], recipe(share), device=device)
        errors.append([error_of(result, truth) for result, (_, truth) in zip(results, pairs, strict=True)])
    np.testing.assert_allclose(errors[1], errors[0], rtol=0.02)  # the contract's bound for a whole run
