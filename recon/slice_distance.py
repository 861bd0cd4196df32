"""How far apart are the slices of a thick sample? As far as short reconstructions fit the frames best."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.held_out import frame_deviance
from recon.loop import Hooks, Loop, Stage
from recon.model_choice import TimeIsUp
from recon.parabola import lowest
from recon.problem import Problem
from recon.result import StopReason
from recon.solvers import make_solver, within_limits
from recon.state import start_state

# Distances tried, in units of pixel²/λ, over which the finest details blur: from the first, each so many times the one
# before, until so many in a row fit worse than the best.
FIRST, RATIO, MOST, WORSE = 4.0, 2.0, 9, 2
# Distances about the best of the parabola through these, as powers of the ratio.
NEAR = (0.0, -0.5, 0.5)
# Frames, the middle of the scan, and passes of `rpie` with each setting and of maximum likelihood. All distances have
# as many unknowns, so all pixels judge.
FRAMES, PASSES, JUDGED = 100, 20, 20


@dataclass(frozen=True)
class SliceDistance:
    """A distance [m], and why; `stopped` where a person stopped the search."""

    value_m: float
    reason: str
    stopped: bool = False


def find_slice_distance(
    problem: Problem,
    probe: NDArray[np.complexfloating],
    n_slices: int,
    wavelength_m: float,
    *,
    steps: tuple[dict[str, Any], dict[str, Any]],
    seed: int,
    progress: Callable[[int, int], None] | None = None,
) -> SliceDistance:
    """Find the distance of slices that are equally far apart.

    Parameters
    ----------
    probe
        ``(M, N, N)`` on the host, with the power of a frame.
    steps
        Settings of the solver `rpie`, to begin with and later.
    progress
        Called in every pass with the reconstructions done and those expected; raises `TimeIsUp` to end the search.

    Returns
    -------
    SliceDistance
        Where time is up or a person stops the search, the best by then.
    """
    unit = min(problem.pixel_m) ** 2 / wavelength_m
    search = _Search(replace(problem.middle(FRAMES), path_px=None), probe, n_slices, steps, seed, progress)
    try:
        search.ladder(FIRST * unit)
        about = lowest(search.found, RATIO)
        for power in NEAR:
            search.fit(about * RATIO**power)
    except (TimeIsUp, KeyboardInterrupt) as exc:
        stopped = isinstance(exc, KeyboardInterrupt)
        if not search.found:  # a depth that is neither thin nor too thick for these frames
            return SliceDistance(FIRST * RATIO**2 * unit, "no time was left for a trial", stopped)
        return SliceDistance(search.best, f"{search.told()}; the search was cut short", stopped)
    reason = search.told()
    if search.best in (min(search.found), max(search.found)):
        reason += "; the best is the last that was tried on one side, so the true one may lie beyond"
    return SliceDistance(lowest(search.found, RATIO**0.5), reason)


@dataclass
class _Search:
    """Distances that were tried, and the deviance per pixel that is left with each."""

    problem: Problem
    probe: NDArray[np.complexfloating]
    n_slices: int
    steps: tuple[dict[str, Any], dict[str, Any]]
    seed: int
    progress: Callable[[int, int], None] | None
    found: dict[float, float] = field(default_factory=dict)

    @property
    def best(self) -> float:
        """Distance with which the frames fit best."""
        return min(self.found, key=lambda distance: self.found[distance])

    def ladder(self, first_m: float) -> None:
        """Try ever longer distances until they fit worse."""
        for k in range(MOST):
            self.fit(first_m * RATIO**k)
            if self.best < first_m * RATIO ** (k - WORSE + 0.5):
                return

    def fit(self, distance_m: float) -> None:
        """Reconstruct with this distance, from the start."""
        if distance_m in self.found:
            return
        state = start_state(self.problem, self.probe, self.seed, self.n_slices, distance_m)
        for solver, settings, passes in (
            ("rpie", self.steps[0], PASSES),
            ("rpie", self.steps[1], PASSES),
            ("maximum_likelihood", {}, JUDGED),
        ):
            state.memory, state.stage, state.stage_pass = {}, 0, 0
            ready = within_limits(make_solver(solver, settings), self.problem)
            stage = Stage("distance", ready, passes)
            hooks = Hooks(on_pass=lambda *_: self.tell())
            if Loop(self.problem, [stage], hooks).run(state) is StopReason.INTERRUPTED:
                raise KeyboardInterrupt
        pixels = self.problem.n_measured + self.problem.n_held
        self.found[distance_m] = float(frame_deviance(self.problem, state).sum()) / pixels
        self.tell()

    def tell(self) -> None:
        """Say how far the search is; raises `TimeIsUp` where it has to end, within a reconstruction too."""
        if self.progress is not None:
            self.progress(len(self.found), max(MOST - WORSE + len(NEAR), len(self.found)))

    def told(self) -> str:
        """Return the deviance at each distance, in words."""
        each = ", ".join(f"{d * 1e6:.3g} µm {self.found[d]:.4g}" for d in sorted(self.found))
        return f"deviance per pixel after short reconstructions: {each}"
