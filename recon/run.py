"""One run, from what is chosen to what is found."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon import backend, choose
from recon.exposure_path import FEWEST, has_readings, jumps, paths_of
from recon.groups import Groups
from recon.loop import Hooks, Loop, PassRecord, Stage
from recon.mode_shares import share_findings, share_shift
from recon.model_choice import KEYS, ModelChoice, choose_model, clocked
from recon.own_probes import begin_own_probes
from recon.probe import scaled_to_power, with_modes, zone_plate_probe
from recon.probe_limits import probe_limits
from recon.probe_start import find_defocus, first_probe
from recon.problem import Problem, make_problem
from recon.recipe import Recipe
from recon.result import Result, Source, StopReason
from recon.run_result import make_result, records_of
from recon.slice_distance import find_slice_distance
from recon.solvers import make_solver, within_limits
from recon.solvers.maximum_likelihood import AUTOMATIC
from recon.state import State, add_unknowns, start_state
from recon.unknowns import unknowns
from scans.errors import InputError
from scans.prepared import PreparedScan
from scans.scan import Note

# Share of a time budget that the search for the distance of slices may take.
SLICES_SHARE = 0.25


@dataclass
class Run:
    """One run's fixed parts; makes states at its start and results at its end.

    Parameters
    ----------
    prepared
        All frames.
    source
        The scan file as it is when the run begins: it may be gone or changed when the run ends.
    parts
        The scans that the frames are from.
    began
        When the time budget began to run, by `time.perf_counter`.
    """

    prepared: PreparedScan
    problem: Problem
    recipe: Recipe
    source: Source | None
    parts: tuple[PreparedScan, ...]
    began: float
    notes: list[Note] = field(default_factory=list)
    stopped: ModelChoice | None = None  # where a person stopped the trials
    trials_until: float | None = None  # when they have to end, by `time.perf_counter`

    @classmethod
    def of(
        cls,
        prepared: PreparedScan,
        recipe: Recipe,
        device: backend.Device,
        *,
        source: Source | None,
        parts: tuple[PreparedScan, ...] = (),
        groups: Callable[[Problem], Groups] | None = None,
        began: float | None = None,
    ) -> Run:
        """Move frames to the device as the recipe says.

        Parameters
        ----------
        parts, groups
            Of several scans in one: each of them, and how their frames are told apart.
        began
            When the time budget began to run; now, where it is None.
        """
        began, parts = began or time.perf_counter(), parts or (prepared,)
        recipe = choose.choose_problem(recipe, parts[0])
        problem = make_problem(
            prepared,
            device,
            precision=recipe.run.precision or "single",
            margin_px=recipe.object.margin_px or 0,
            held_out=recipe.run.held_out or 0.0,
            seed=recipe.run.seed,
        )
        if groups is not None:
            problem = replace(problem, groups=groups(problem))
        if recipe.object.empty_area_m is not None:
            problem = replace(problem, empty=problem.pixels_within(recipe.object.empty_area_m))
        return cls(prepared, problem, recipe, source, parts, began)

    @property
    def first(self) -> PreparedScan:
        """The scan that tells of the optics and by which is chosen."""
        return self.parts[0]

    def solve(
        self,
        resume: Result | None,
        *,
        on_pass: Callable[[PassRecord, float], None] | None,
        on_checkpoint: Callable[[Result], None] | None,
    ) -> tuple[State, Loop, StopReason]:
        """Run all stages from the start, or from where an interrupted result ended."""
        state, records = self.cold_start() if resume is None else self.resumed(resume)
        stages = self.stages()

        def save(state: State, records: list[PassRecord]) -> None:
            if on_checkpoint:
                on_checkpoint(self.checkpoint(state, records))

        budget = self.recipe.run.time_budget_s
        if budget is not None:
            # trials count, and a resumed run has its time anew
            spent = time.perf_counter() - self.began
            budget = max(budget - spent, 0.0) + (records[-1].seconds if records else 0.0)
        hooks = Hooks(on_pass=on_pass, checkpoint=save, time_budget_s=budget, stopping=self.stopped is not None)
        loop = Loop(self.problem, stages, hooks, records)
        return state, loop, loop.run(state)

    def decide(
        self, device: backend.Device, *, asked: str | None, on_trial: Callable[[int, int], None] | None = None
    ) -> None:
        """Choose what the recipe leaves open; by short trials what is refined beside object and probe."""
        self._limit_and_focus()
        choose.complete_recipe(self.recipe, self.first, self.problem)  # what is wrong is told before the trials
        self._part_slices(on_trial)
        budget_s = self.recipe.run.time_budget_s
        if budget_s is not None and not self.recipe.solve:
            pace = self._seconds_a_pass()
            self.recipe = choose.within_budget(self.recipe, budget_s / pace)
            self.trials_until = self.began + budget_s - pace * choose.passes_after_trials()
        recipe = self.recipe
        free = tuple(word for word, path in KEYS.items() if recipe.get(path) is None)
        if recipe.run.trial_passes and free and self.problem.n_held and self.stopped is None:
            self.recipe = self._by_trials(free, on_trial)
        self.recipe = choose.complete_recipe(self.recipe, self.first, self.problem)
        self.recipe = choose.choose_device(self.recipe, device, asked=asked)
        self.problem = replace(self.problem, path_px=paths_of(self.parts, self.recipe.positions.travel or 0.0))
        self._tell_of_the_way()

    def _limit_and_focus(self) -> None:
        """Set the limits of the probe, and find the defocus of a zone plate where the recipe leaves it open."""
        recipe, optic, geometry = self.recipe, self.first.scan.zone_plate, self.first.geometry
        highest = choose.highest_frequency(recipe, self.first)
        real = np.empty(0, self.problem.complex_dtype).real.dtype
        limits = probe_limits(
            geometry, self.problem.device, real, diameter_m=recipe.probe.support_m, highest_per_m=highest
        )
        self.problem = replace(self.problem, limits=limits)
        if recipe.probe.start == "zone_plate" and recipe.probe.defocus_m is None and optic is not None:
            found = find_defocus(self.first, self.problem, optic, recipe.run.seed)
            self.recipe = recipe.choose("probe.defocus_m", found.value_m, found.reason)
            self.notes += found.notes
        if recipe.probe.start == "file" and recipe.probe.modes is None and not recipe.run.trial_passes:
            self.recipe = recipe.choose("probe.modes", len(self.first_probe), "as many as in the file")

    def _part_slices(self, on_trial: Callable[[int, int], None] | None) -> None:
        """Find the distance of slices that the recipe leaves open; with a time budget, in a quarter of it."""
        recipe, problem, budget_s = self.recipe, self.problem, self.recipe.run.time_budget_s
        if (recipe.object.slices or 1) == 1 or recipe.object.slice_distance_m is not None:
            return
        found = find_slice_distance(
            problem,
            scaled_to_power(with_modes(self.first_probe, recipe.probe.modes or 1), problem.power),
            recipe.object.slices or 1,
            self.first.geometry.wavelength_m,
            steps=(self._steps(bold=True), self._steps()),
            seed=recipe.run.seed,
            progress=clocked(on_trial, None if budget_s is None else self.began + SLICES_SHARE * budget_s),
        )
        self.recipe = recipe.choose("object.slice_distance_m", found.value_m, found.reason)
        self.notes.append(
            Note("distance of slices", f"{found.value_m * 1e6:.3g} µm", "frames", found.reason, guess=True)
        )
        if found.stopped:
            self.stopped = ModelChoice(stopped=True)

    def _tell_of_the_way(self) -> None:
        """Note where the probe's way during exposures comes from, or that it is too short to matter."""
        travel, path = self.recipe.positions.travel or 0.0, self.problem.path_px
        if not travel:
            return
        if path is None:
            how, value = "less than half a pixel: taken as standing still", f"{travel:g} of a step"
        else:
            source = "the stage's readings" if has_readings(self.first) else "the order of the positions"
            how, value = f"taken from {source}", f"{travel:g} of a step, {path.shape[1]} points"
        self.notes.append(Note("way during exposures", value, "positions", how, guess=not has_readings(self.first)))

    def _seconds_a_pass(self) -> float:
        """Time one pass of the default solver, the second of two: the first one warms up."""
        problem = replace(self.problem, path_px=paths_of(self.parts, self.recipe.positions.travel or 0.0))
        modes = self.recipe.probe.modes or len(self.first_probe)
        probe = scaled_to_power(with_modes(self.first_probe, modes), problem.power)
        state = self._start(problem, probe)
        solver, seconds = make_solver("rpie", self._steps()), 0.0
        for _ in range(2):
            began = time.perf_counter()
            backend.to_host(solver.step(problem, state))
            seconds = time.perf_counter() - began
        return max(seconds, 1e-6)

    def _steps(self, *, bold: bool = False) -> dict[str, Any]:
        """Return settings of `rpie` for these frames."""
        steps = choose.steps_for(self.first, self.problem, bold=bold)
        return {key: value for key, (value, _) in steps.items()}

    def _by_trials(self, free: tuple[str, ...], on_trial: Callable[[int, int], None] | None) -> Recipe:
        recipe = self.recipe
        problem = replace(self.problem, path_px=paths_of(self.parts, 1.0, most=FEWEST))
        if recipe.positions.travel is None and jumps(self.first):
            why = "frames that follow each other are not neighbours: a stage that jumps is at rest in between"
            recipe = recipe.choose("positions.travel", 0.0, why)
        if problem.path_px is None or recipe.positions.travel is not None:
            free = tuple(word for word in free if word != "travel")
        start = ModelChoice(
            modes=recipe.probe.modes or len(self.first_probe),
            positions=bool(recipe.positions.refine),
            background=bool(recipe.probe.background),
            travel=recipe.positions.travel or 0.0,
            slices=recipe.object.slices or 1,
            slice_distance_m=recipe.object.slice_distance_m or 0.0,
        )
        found = choose_model(
            problem,
            scaled_to_power(with_modes(self.first_probe, start.modes), problem.power),
            start,
            free,
            steps=(self._steps(bold=True), self._steps()),
            passes=recipe.run.trial_passes or 0,
            seed=recipe.run.seed,
            progress=clocked(on_trial, self.trials_until),
        )
        self.stopped = found if found.stopped else None
        for word in free:
            path = KEYS[word]
            recipe = recipe.choose(path, getattr(found, word), found.reasons.get(path, "no trial was needed"))
        return recipe

    def cold_start(self) -> tuple[State, list[PassRecord]]:
        """Return the state before the first pass, and no records."""
        recipe, problem = self.recipe, self.problem
        probe = with_modes(self.first_probe, recipe.probe.modes or 1)
        state = self._start(problem, scaled_to_power(probe, problem.power))
        names = {name for stage in recipe.solve for name in unknowns(stage.refine or "")}
        waves = with_modes(probe[:1], 1 + (recipe.probe.variation or 0))[1:]
        if recipe.run.share == "object":
            begin_own_probes(problem, state, self._starts(probe[0]))
        add_unknowns(problem, state, names, scaled_to_power(waves, problem.power) if len(waves) else None)
        trial = None if self.stopped is None else self.stopped.state
        if trial is not None and trial.object_.shape == state.object_.shape and trial.probe.shape == state.probe.shape:
            state.object_, state.probe = trial.object_, trial.probe
        return state, []

    def _start(self, problem: Problem, probe: NDArray[np.complexfloating]) -> State:
        """Return the state before the first pass, with the recipe's slices."""
        sample = self.recipe.object
        return start_state(problem, probe, self.recipe.run.seed, sample.slices or 1, sample.slice_distance_m or 0.0)

    def _starts(self, first: NDArray[np.complexfloating]) -> list[NDArray[np.complexfloating]]:
        """Return a wave ``(N, N)`` for each scan: their zone plates as far from that of the first as nominally."""
        optics, defocus_m = [part.scan.zone_plate for part in self.parts], self.recipe.probe.defocus_m
        nominal = [None if optic is None else optic.defocus_m for optic in optics]
        if self.recipe.probe.start != "zone_plate" or defocus_m is None or None in nominal:
            return [first for _ in self.parts]
        return [
            zone_plate_probe(part.geometry, optic, defocus_m + here - nominal[0])[0]  # type: ignore[arg-type, operator]
            for part, optic, here in zip(self.parts, optics, nominal, strict=True)
        ]

    @cached_property
    def first_probe(self) -> NDArray[np.complexfloating]:
        """Modes that the run begins with ``(M, N, N)``."""
        probe, notes = first_probe(self.first, self.recipe.probe)
        self.notes += notes
        return probe

    def resumed(self, earlier: Result) -> tuple[State, list[PassRecord]]:
        """Return state and records of an interrupted result, if it is one of this scan."""
        if earlier.solver_state is None:
            raise InputError(
                f"a result with status {earlier.status} and no solver state",
                where="--resume",
                expected="an interrupted result",
                fix="Start anew without --resume.",
            )
        then = earlier.provenance.source
        if self.source and then and self.source.checksum != then.checksum:
            raise InputError(
                f"a checkpoint of another scan ({then.path})",
                where=f"--resume with {self.source.path}",
                expected="the scan that the checkpoint was made from, unchanged",
                fix="Name that scan, or start anew without --resume.",
            )
        state = State.from_checkpoint(earlier.solver_state, self.problem.device)
        self._check_fits(state)
        scan_notes = self.prepared.scan.notes
        self.notes += [note for note in earlier.notes if note not in scan_notes]
        return state, records_of(earlier.history)

    def _check_fits(self, state: State) -> None:
        problem = self.problem
        found = (*state.object_.shape[-2:], len(state.positions_px), state.probe.shape[-1])
        wanted = (*problem.object_shape, problem.n_frames, problem.size)
        if found != wanted:
            raise InputError(
                "a checkpoint of {} x {} object pixels, {} frames of {} pixels".format(*found),
                where="--resume",
                expected="{} x {} object pixels, {} frames of {} pixels, as this scan is prepared".format(*wanted),
                fix="Prepare the scan as for the checkpoint, or start anew without --resume.",
            )

    def stages(self) -> list[Stage]:
        """Make the recipe's solvers ready; refuse what would not fit into memory."""
        stages = []
        for one in self.recipe.solve:
            solver = make_solver(one.solver or "", one.settings, one.refine or "")
            ready = within_limits(solver, self.problem)
            chooses = choose.STRENGTH_COST if one.get("strength") == AUTOMATIC else 0
            stages.append(Stage(one.name, ready, one.iterations or 0, one.extend or 0, chooses))
        self._check_memory(stages)
        return stages

    def _check_memory(self, stages: list[Stage]) -> None:
        path = self.problem.path_px
        waves = (self.recipe.probe.modes or 1) * (1 if path is None else path.shape[1])
        need = max(s.solver.memory_bytes(self.problem, waves) for s in stages)
        free = backend.free_bytes(self.problem.device)
        if need > free:
            raise InputError(
                f"{need / 2**30:.3g} GiB needed for a pass, {free / 2**30:.3g} GiB free on {self.problem.device.name}",
                where=f"{self.prepared.scan.name}, {self.problem.n_frames} frames of {self.problem.size} pixels",
                expected="work arrays that fit",
                fix="Use smaller frames (-s prepare.bin=2), smaller batches (-s solve.batch=4) or solver rpie.",
            )

    def checkpoint(self, state: State, records: list[PassRecord]) -> Result:
        """Return a result that can be resumed."""
        result = self._result(state, records, None)
        return replace(result, status="running", solver_state=state.to_checkpoint())

    def finish(self, state: State, records: list[PassRecord], reason: StopReason) -> Result:
        """Return the final result, its metrics measured on the state as it is."""
        self._record_choices(state)
        result = self._result(state, records, reason)
        if reason in (StopReason.INTERRUPTED, StopReason.TIME_LIMIT):
            status = "interrupted" if reason is StopReason.INTERRUPTED else "complete"
            return replace(result, status=status, solver_state=state.to_checkpoint())
        return replace(result, status="failed") if reason is StopReason.NON_FINITE else result

    def with_shares(self, result: Result, state: State, loop: Loop) -> Result:
        """Return the result with what the noise adds to the shares of the modes, where that is wanted."""
        passes, ended = self.recipe.probe.share_passes or 0, (StopReason.ITERATION_LIMIT, StopReason.CONVERGED)
        if not passes or len(result.probe) == 1 or result.stop_reason not in ended:
            return result
        if self.problem.counts.nbytes > backend.free_bytes(self.problem.device):
            why = "no memory for a second set of frames"
            return replace(result, notes=(*result.notes, Note("shares of the modes", "as fitted", "run", why)))
        hooks, solver = Hooks(on_pass=loop.hooks.on_pass), loop.stages[-1].solver
        shift = share_shift(self.problem, state, solver, passes, self.recipe.run.seed, hooks, loop.records)
        if shift is None:
            return result
        return replace(result, occupancy_shift=shift.by, findings=(*result.findings, *share_findings(shift)))

    def _record_choices(self, state: State) -> None:
        """Write into the recipe what a stage chose while it ran."""
        for stage in self.recipe.solve:
            if stage.get("strength") == AUTOMATIC and state.prior_strength is not None:
                found = float(state.prior_strength)
                why = (
                    "asked for or tolerated by the held-out pixels"
                    if found > 0
                    else "no prior makes the held-out pixels more likely"
                )
                self.recipe = self.recipe.choose(f"solve.{stage.name}.strength", found, why)

    def _result(self, state: State, records: list[PassRecord], reason: StopReason | None) -> Result:
        return make_result(
            self.problem,
            self.prepared,
            self.recipe,
            state,
            records,
            reason,
            source=self.source,
            notes=tuple(self.notes),
        )
