"""Which model do the frames ask for? Short trials, judged by the pixels that were held out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, to_device, to_host
from recon.held_out import Gain, gain, held_out_deviance
from recon.loop import Loop, Stage
from recon.probe import with_modes
from recon.problem import Problem
from recon.result import StopReason
from recon.solvers import Solver, make_solver
from recon.state import State, add_unknowns, start_state
from recon.unknowns import unknowns

# A model is taken where it gains this many standard errors on the held-out pixels, and this share of their deviance.
# Positions have many numbers to fit and imitate a probe that is not yet right: they have to gain more.
SIGNIFICANT = 3.0
WORTH = {"probe.modes": 0.003, "probe.background": 0.003, "positions.refine": 0.02}
# Frames that trials use at most, the middle of the scan, and passes of `rpie` before the first comparison: unless the
# simplest model has nearly settled, others gain by what it would still have gained itself.
TRIAL_FRAMES, FIRST_PASSES = 150, 60
# Power that a new mode begins with: enough to show in a short trial.
MOST_MODES, NEW_MODE = 6, 0.04


@dataclass(frozen=True)
class ModelChoice:
    """What is refined beside object and probe, with the reason for each.

    Parameters
    ----------
    modes, positions, background
        Number of probe modes; whether positions and a static background are refined.
    reasons
        By recipe key.
    """

    modes: int = 1
    positions: bool = False
    background: bool = False
    reasons: tuple[tuple[str, str], ...] = ()

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
    settings: dict[str, float | int],
    passes: int,
    seed: int,
    progress: Callable[[int, int], None] | None = None,
) -> ModelChoice:
    """Add modes, background and position refinement one at a time, as long as the held-out pixels gain.

    Parameters
    ----------
    problem
        With held-out pixels.
    probe
        First guess ``(M, N, N)`` on the host.
    start, free
        What is there to begin with, and what may be added: "modes", "positions", "background".
    settings
        Of the solver `rpie`.
    passes
        Of each trial.
    progress
        Called with the trials done and the trials expected.

    Notes
    -----
    Before the first model has nearly settled, whatever helps the probe along looks like a gain: docs/methods.md.
    """
    part = _middle(problem)
    trial = _Trial(part, settings, passes, seed)
    state = trial.begin(start, probe)
    chosen, done = start, 1
    while True:
        options = _options(chosen, free)
        if not options:
            return chosen
        base = held_out_deviance(part, trial.run(chosen, state))
        found: list[tuple[Gain, ModelChoice, str, State]] = []
        for key, option in options:
            candidate = trial.run(option, state)
            found.append((gain(base, held_out_deviance(part, candidate), part), option, key, candidate))
            done += 1
            if progress is not None:
                progress(done, done + len(options))
        better = [f for f in found if f[0].significance > SIGNIFICANT and f[0].mean > WORTH[f[2]] * f[0].before]
        chosen = replace(chosen, reasons=_told(chosen.reasons, found))
        if not better:
            return chosen
        _, option, _, state = max(better, key=lambda f: f[0].mean)
        chosen = replace(option, reasons=chosen.reasons)


def _told(
    reasons: tuple[tuple[str, str], ...], found: list[tuple[Gain, ModelChoice, str, State]]
) -> tuple[tuple[str, str], ...]:
    """Keep the latest comparison for each key."""
    told = dict(reasons)
    for won, option, key, _ in found:
        what = f"with {option.modes} modes " if key == "probe.modes" else ""
        told[key] = f"held-out pixels {what}{won}"
    return tuple(told.items())


def _options(chosen: ModelChoice, free: tuple[str, ...]) -> list[tuple[str, ModelChoice]]:
    options = []
    if "positions" in free and not chosen.positions:
        options.append(("positions.refine", replace(chosen, positions=True)))
    if "modes" in free and chosen.modes < MOST_MODES:
        options.append(("probe.modes", replace(chosen, modes=chosen.modes + 1)))
    if "background" in free and not chosen.background:
        options.append(("probe.background", replace(chosen, background=True)))
    return options


def _middle(problem: Problem) -> Problem:
    """Return the frames nearest to the middle of the scan: neighbours, and enough of them."""
    if problem.n_frames <= TRIAL_FRAMES:
        return problem
    away = np.hypot(*(problem.positions_px - np.median(problem.positions_px, axis=0)).T)
    return problem.subset(np.sort(np.argsort(away, kind="stable")[:TRIAL_FRAMES]))


@dataclass(frozen=True)
class _Trial:
    """Short reconstructions that go on from a state and leave it as it is."""

    problem: Problem
    settings: dict[str, float | int]
    passes: int
    seed: int

    def begin(self, choice: ModelChoice, probe: NDArray[np.complexfloating]) -> State:
        """Bring the first model to where it has nearly settled."""
        state = start_state(self.problem, probe, self.seed)
        add_unknowns(self.problem, state, set(unknowns(choice.words)))
        self._solve(state, make_solver("rpie", self.settings, choice.words), FIRST_PASSES)
        return self.run(choice, state)

    def run(self, choice: ModelChoice, state: State) -> State:
        """Go on with a model by maximum likelihood, all its unknowns together."""
        own = replace(state, rng=np.random.default_rng([self.seed, state.iteration]))
        own.restore(state.keep())
        if choice.modes > len(own.probe):
            own.probe = self._more_modes(own, choice.modes)
        add_unknowns(self.problem, own, set(unknowns(choice.words)))
        self._solve(own, make_solver("maximum_likelihood", {}, choice.words), self.passes)
        return own

    def _solve(self, state: State, solver: Solver, passes: int) -> None:
        state.memory, state.stage, state.stage_pass = {}, 0, 0
        if Loop(self.problem, [Stage("trial", solver, passes)]).run(state) is StopReason.INTERRUPTED:
            raise KeyboardInterrupt

    def _more_modes(self, state: State, n_modes: int) -> Array:
        """Add modes to those found so far."""
        found = to_host(state.probe)
        extra = with_modes(found[:1].astype(np.complex128), n_modes - len(found) + 1, np.random.default_rng(self.seed))[
            1:
        ]
        return to_device(np.concatenate([found, extra.astype(found.dtype)]), self.problem.device)
