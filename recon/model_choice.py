"""Which model do the frames ask for? Short trials, judged by the pixels that were held out."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, to_device, to_host
from recon.held_out import Gain, gain, held_out_deviance
from recon.loop import Loop, Stage
from recon.probe import orthogonal_modes, with_modes
from recon.problem import Problem, with_own_scales
from recon.result import StopReason
from recon.solvers import make_solver, within_limits
from recon.stage_motion import Fitted, Motion, Path, find_motion
from recon.state import State, add_unknowns, start_state
from recon.unknowns import unknowns

# A model is taken where it gains this many standard errors on the held-out pixels, and this share of their deviance.
# Positions have many numbers to fit and imitate a probe that is not yet right: they have to gain more.
SIGNIFICANT = 3.0
WORTH = {"modes": 0.003, "background": 0.003, "positions": 0.08}
# Frames that trials use at most, the middle of the scan.
TRIAL_FRAMES = 150
# Passes of `rpie` before the first comparison and with each model, as shares of those of maximum likelihood that
# judge it: unless the simplest model has nearly settled, others gain by what it would still have gained itself, and
# modes grow slowly.
FIRST, MORE = 1.5, 0.75
# A mode of less light than this imitates what the object's grid cannot show: simulated scans with edges finer than
# the pixel gain by modes of 0.1 to 1 %, and their objects lose.
MOST_MODES, LEAST_MODE = 6, 0.02

Settings = dict[str, float | int]


class TimeIsUp(Exception):
    """No trial fits into the time any more."""


def clocked(tell: Callable[[int, int], None] | None, until: float | None) -> Callable[[int, int], None]:
    """Return a progress callback that raises `TimeIsUp` after a time of `time.perf_counter`."""

    def told(done: int, expected: int) -> None:
        if tell is not None:
            tell(done, expected)
        if until is not None and time.perf_counter() > until:
            raise TimeIsUp

    return told


@dataclass(frozen=True)
class ModelChoice:
    """What is refined beside object and probe, with the reason for each.

    Parameters
    ----------
    modes, positions, background
        Number of probe modes; whether positions and a static background are refined.
    travel
        Share of the problem's paths that the probe goes during exposures.
    slices, slice_distance_m
        Of a thick sample, as they are given: no trial changes them.
    reasons
        By recipe key.
    stopped, state
        Whether a person stopped the trials, and how far object and probe were then, of the frames in the middle.
    """

    modes: int = 1
    positions: bool = False
    background: bool = False
    travel: float = 0.0
    slices: int = 1
    slice_distance_m: float = 0.0
    reasons: dict[str, str] = field(default_factory=dict)
    stopped: bool = False
    state: State | None = None

    @property
    def words(self) -> str:
        """As `recon.unknowns.WORDS`."""
        return " ".join(w for w, on in (("positions", self.positions), ("background", self.background)) if on)


def choose_model(
    problem: Problem,
    probe: NDArray[np.complexfloating],
    start: ModelChoice,
    free: tuple[str, ...],
    *,
    steps: tuple[Settings, Settings],
    passes: int,
    seed: int,
    progress: Callable[[int, int], None] | None = None,
) -> ModelChoice:
    """Add modes, background and position refinement one at a time, as long as the held-out pixels gain.

    Whether the stage moves is asked first, and again when positions are refined: modes would imitate it.

    Parameters
    ----------
    problem
        With held-out pixels, and paths of the whole way where the stage may have moved during exposures.
    probe
        First guess ``(M, N, N)`` on the host.
    start, free
        What is there to begin with, and what may be added: "modes", "positions", "background", "travel".
    steps
        Settings of the solver `rpie`, to begin with and later.
    passes
        Of each trial.
    progress
        Called with the trials done and the trials expected by then; raises `TimeIsUp` where no more may begin.

    Returns
    -------
    ModelChoice
        Where time is up or a person stops the trials, what was chosen by then; stopped, it says so and has the state.

    Notes
    -----
    Before the first model has nearly settled, whatever helps the probe along looks like a gain: docs/methods.md.
    """
    fits = itertools.count(1)

    def tell() -> None:
        done = next(fits)
        if progress is not None:
            progress(done, done + len(free))

    trial = _Trial(with_own_scales(problem.middle(TRIAL_FRAMES)), steps, passes, seed, tell)
    search = _Search(trial, start.modes, free, start)
    try:
        search.run(probe)
    except KeyboardInterrupt:
        return replace(search.without_more(free, "the trials were stopped"), stopped=True, state=search.state)
    except TimeIsUp:
        return search.without_more(free, "no time was left for a trial")
    return search.chosen


# Words of what a trial may add, and the recipe's keys for them.
KEYS = {
    "positions": "positions.refine",
    "modes": "probe.modes",
    "background": "probe.background",
    "travel": "positions.travel",
}


def _options(chosen: ModelChoice, free: tuple[str, ...]) -> list[tuple[str, ModelChoice]]:
    """Return what may be added to a model, each with its word."""
    more = {
        "positions": None if chosen.positions else replace(chosen, positions=True),
        "modes": None if chosen.modes == MOST_MODES else replace(chosen, modes=chosen.modes + 1),
        "background": None if chosen.background else replace(chosen, background=True),
    }
    return [(word, option) for word, option in more.items() if option is not None and word in free]


@dataclass(frozen=True)
class _Outcome:
    """Where a trial came to; what is held out, and the weakest mode's share of the light, where it is judged."""

    fitted: Fitted
    held_out: NDArray[np.float64]
    weakest_mode: float


@dataclass(frozen=True)
class _Tried:
    """A model with one thing more, and what it gained."""

    word: str
    option: ModelChoice
    outcome: _Outcome
    gain: Gain

    @property
    def is_worth_it(self) -> bool:
        enough = self.gain.significance > SIGNIFICANT and self.gain.mean > WORTH[self.word] * self.gain.before
        return enough and (self.word != "modes" or self.outcome.weakest_mode > LEAST_MODE)

    @property
    def is_a_loss(self) -> bool:
        """Whether it need not be tried again."""
        return self.gain.significance < -SIGNIFICANT

    def __str__(self) -> str:
        if self.word != "modes":
            return f"held-out pixels {self.gain}"
        weakest = f"the weakest with {self.outcome.weakest_mode:.2g} of the light"
        return f"held-out pixels with {self.option.modes} modes, {weakest}: {self.gain}"


@dataclass
class _Search:
    """What is chosen so far, and the state of it; grows from round to round."""

    trial: _Trial
    fewest_modes: int
    free: tuple[str, ...]
    chosen: ModelChoice
    state: State | None = None

    def run(self, probe: NDArray[np.complexfloating]) -> None:
        """Go on until nothing gains."""
        self.state = self.trial.begin(self.chosen, probe)
        may_move = "travel" in self.free
        while (options := _options(self.chosen, self.free)) or may_move:
            base, before = self.trial.run(self.chosen, self.state), self.chosen
            if may_move and self._moves(base):
                may_move = False
                continue
            if not self._goes_on(options, base):
                return
            may_move = "travel" in self.free and self.chosen.positions != before.positions

    def _moves(self, base: _Outcome) -> bool:
        """Ask whether the stage moves, and if so go on from there: with no more modes than at first."""
        simple = replace(self.chosen, modes=self.fewest_modes)
        motion = self.trial.motion(simple, base.fitted)
        self._note({"travel": motion.reason})
        if not motion.share:
            return False
        self.chosen = replace(simple, travel=motion.share, reasons=self.chosen.reasons)
        self.state = motion.state
        self.free = tuple(word for word in self.free if word != "travel")
        return True

    def _goes_on(self, options: list[tuple[str, ModelChoice]], base: _Outcome) -> bool:
        """Try one thing more, each by itself, and the best for as many passes again; says whether one seemed worth it.

        Where a probe is not yet right a mode helps it along: a gain that lasts is taken, one that fades is not.
        """
        assert self.state is not None
        tried = [self.trial.compare(word, option, base, self.state) for word, option in options]
        self._note({one.word: str(one) for one in tried})
        self.free = tuple(word for word in self.free if word not in [one.word for one in tried if one.is_a_loss])
        better = [one for one in tried if one.is_worth_it]
        if not better:
            return False
        best = max(better, key=lambda one: one.gain.mean)
        later = self.trial.run(self.chosen, base.fitted.state)
        again = self.trial.compare(best.word, best.option, later, best.outcome.fitted.state)
        self._note({best.word: f"{again}, after twice the passes ({best.gain} before)"})
        if again.is_worth_it:
            self.chosen = replace(best.option, reasons=self.chosen.reasons)
            self.state = again.outcome.fitted.state
        else:
            self.free = tuple(word for word in self.free if word != best.word)
            self.state = base.fitted.state
        return True

    def without_more(self, free: tuple[str, ...], why: str) -> ModelChoice:
        """Return what is chosen by now, with the reason why nothing more was tried."""
        return replace(self.chosen, reasons={KEYS[word]: why for word in free} | self.chosen.reasons)

    def _note(self, reasons: dict[str, str]) -> None:
        """Write down why, by word."""
        self.chosen = replace(self.chosen, reasons=self.chosen.reasons | {KEYS[k]: why for k, why in reasons.items()})


@dataclass(frozen=True)
class _Trial:
    """Short reconstructions that go on from a state and leave it as it is."""

    problem: Problem
    steps: tuple[Settings, Settings]
    passes: int
    seed: int
    tell: Callable[[], None]

    def begin(self, choice: ModelChoice, probe: NDArray[np.complexfloating]) -> State:
        """Bring the first model to where it has nearly settled."""
        state = start_state(self.problem, probe, self.seed, choice.slices, choice.slice_distance_m)
        add_unknowns(self.problem, state, set(unknowns(choice.words)))
        for settings in self.steps:
            self._solve(choice, state, "rpie", settings, round(FIRST / 2 * self.passes))
        return state

    def run(self, choice: ModelChoice, state: State) -> _Outcome:
        """Go on with a model by `rpie`, and from there by maximum likelihood, to be judged."""
        moved = self._copy(state)
        if choice.modes != len(moved.probe):
            moved.probe = self._with_modes(moved, choice.modes)
        add_unknowns(self.problem, moved, set(unknowns(choice.words)))
        self._solve(choice, moved, "rpie", self.steps[1], round(MORE * self.passes))
        judged = self._copy(moved)
        self._solve(choice, judged, "maximum_likelihood", {}, self.passes)
        modes = orthogonal_modes(to_host(judged.probe))
        power = (np.abs(modes) ** 2).sum(axis=(1, 2))
        problem = self._problem(choice)
        self.tell()
        return _Outcome(
            Fitted(problem, moved, judged), held_out_deviance(problem, judged), float(power[-1] / power.sum())
        )

    def compare(self, word: str, option: ModelChoice, base: _Outcome, state: State) -> _Tried:
        """Go on with one thing more."""
        outcome = self.run(option, state)
        return _Tried(word, option, outcome, gain(base.held_out, outcome.held_out, self.problem))

    def motion(self, choice: ModelChoice, still: Fitted) -> Motion:
        """Ask whether the stage moves during exposures."""

        def fit(path_px: Path, state: State) -> Fitted:
            moving = replace(self, problem=replace(self.problem, path_px=path_px))
            return moving.run(replace(choice, travel=1.0), state).fitted

        assert self.problem.path_px is not None
        return find_motion(still, self.problem.path_px, fit)

    def _problem(self, choice: ModelChoice) -> Problem:
        path = self.problem.path_px
        return replace(self.problem, path_px=None if path is None or not choice.travel else choice.travel * path)

    def _with_modes(self, state: State, n_modes: int) -> Array:
        """Return the strongest of the state's modes, or new ones beside them, with the light that there is."""
        probe = with_modes(orthogonal_modes(to_host(state.probe))[:n_modes], n_modes)
        probe *= np.sqrt(self.problem.power / (np.abs(probe) ** 2).sum())
        return to_device(probe.astype(self.problem.complex_dtype), self.problem.device)

    def _copy(self, state: State) -> State:
        own = replace(state, rng=np.random.default_rng([self.seed, state.iteration]))
        own.restore(state.keep())
        return own

    def _solve(self, choice: ModelChoice, state: State, solver: str, settings: Settings, passes: int) -> None:
        state.memory, state.stage, state.stage_pass = {}, 0, 0
        ready = within_limits(make_solver(solver, settings, choice.words), self.problem)
        stage = Stage("trial", ready, passes)
        if Loop(self._problem(choice), [stage]).run(state) is StopReason.INTERRUPTED:
            raise KeyboardInterrupt
