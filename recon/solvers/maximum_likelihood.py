"""Maximum likelihood by a preconditioned quasi-Newton method: all unknowns together, all frames at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.affine_refinement import global_step
from recon.backend import Array, to_host
from recon.blocks import Blocks, combine, dot, quasi_newton, store, stored
from recon.gradients import GradientSums, measure
from recon.likelihoods import make_likelihood
from recon.position_search import find_again
from recon.preconditioner import Preconditioner
from recon.prior_strength import choose_strength, natural_strength, with_calm_margin
from recon.priors import EMPTY_AREA, NO_PRIOR, Prior, make_prior
from recon.problem import Problem
from recon.shares import share_count
from recon.solvers.base import check_range
from recon.state import ON_HOST, State
from recon.unknowns import descent_of, set_values, unknowns, values
from scans.errors import InputError

# A step is taken when the loss falls by this share of what its slope promises (Armijo), or changes by rounding.
_SUFFICIENT, _ROUNDING = 1e-4, 1e-7
# Shares of a refused step that are tried next; after so many refusals in a row what was learnt is dropped.
_SHORTER, _REFUSALS = (0.1, 0.5), 4
# Passes between steps along global directions; with positions among them (each step leaves a good half of a wrong
# scale); and of the run before the first: while the object has not shown, the probe's phases stand for it (from a flat
# start an error of 0.01 was not reached in 60 passes, without in 40).
GLOBAL_EVERY, MAP_EVERY, GLOBAL_AFTER = 20, 10, 40
# Frames that an earlier stage has set aside are searched for so often, within so many pixels: an object that is nearly
# right shows where they belong.
SEARCH_EVERY, SEARCH_PX = 20, 6.0
# A frame's corner follows its position where that is farther away [pixels].
FARTHEST_PX = 0.8
# A prior's strength that is to be chosen.
AUTOMATIC = -1.0


@dataclass(frozen=True)
class MaximumLikelihood:
    """Maximum likelihood by limited-memory quasi-Newton steps (L-BFGS) in all unknowns together.

    Thibault & Guizar-Sicairos, New J. Phys. 14 (2012) 063004, doi:10.1088/1367-2630/14/6/063004, for the
    likelihoods; Nocedal & Wright, Numerical Optimization, chapter 7, for the method (both from memory). The
    first guess of the inverse Hessian is diagonal: the light that falls on each object pixel, the object
    that each probe pixel meets. One step a pass; a step that does not lower the loss is shortened in the next pass.

    Parameters
    ----------
    likelihood
        "poisson", "anscombe", "amplitude" or "gaussian".
    refine
        What is refined beside object and probe, in words parted by blanks: "positions", "background",
        "intensity", "variation", "probes", "depths".
    memory
        Steps that the inverse Hessian is made of.
    floor
        Share of the brightest light that is added to the light of every object pixel, in steps only.
    hold_probe
        Passes of a cold start during which the probe stays as it is.
    prior, strength
        One of `recon.priors.PRIORS`, or "none", and its weight against the likelihood; `AUTOMATIC` has it chosen
        when the stage begins, by the pixels that were held out. The object without it is kept beside.
    batch
        Frames worked on together; does not change the result but for rounding.
    """

    likelihood: str = "poisson"
    refine: str = ""
    memory: int = 8
    floor: float = 0.02
    hold_probe: int = 0
    prior: str = NO_PRIOR
    strength: float = 0.0
    batch: int = 16

    def __post_init__(self) -> None:
        check_range(self, memory=(1, 100), floor=(1e-6, 1), hold_probe=(0, 100_000), batch=(1, 100_000))
        make_likelihood(self.likelihood)
        unknowns(self.refine)
        if self.prior not in (NO_PRIOR, EMPTY_AREA):  # the area is the problem's
            make_prior(self.prior, max(self.strength, 0.0))

    def _names(self, state: State) -> tuple[str, ...]:
        """Return the fields of the state that this pass refines; the memory of other ones is dropped."""
        probe = () if state.iteration < self.hold_probe else ("probe",)
        names = ("object_", *probe, *unknowns(self.refine))
        if "from/object_" in state.memory and ("from/probe" in state.memory) != bool(probe):
            self._forget(state)
            state.memory.pop("numbers", None)
        return names

    def prepare(self, problem: Problem, state: State) -> None:
        """Begin within the probe's limits; with a prior keep the object, calm its margin and choose the strength."""
        if problem.limits is not None and "numbers" not in state.memory:
            state.probe = problem.limits(state.probe)
        if "positions_px" in unknowns(self.refine) and state.corners is None:
            state.hold_corners()
        if self.prior == NO_PRIOR:
            state.prior_strength = None
            return
        if "begun" in state.memory:  # a checkpoint of this stage
            return
        state.memory["begun"] = np.array(1)
        strength, before = self.strength, state.object_
        light = self._measure(problem, state)[0].illumination
        state.object_ = with_calm_margin(before, light)
        if strength == AUTOMATIC:
            strength = self._best_strength(problem, state, natural_strength(before, light, self.prior))
        state.prior_strength = np.array(strength)
        if strength > 0:
            state.without_prior = before

    def _best_strength(self, problem: Problem, state: State, natural: float) -> float:
        """Return the strength, 0 among them, after which the held-out pixels are predicted best."""
        if not problem.n_held:
            raise InputError(
                "a prior's strength to be chosen with no held-out pixels",
                where="recipe, key strength",
                expected="a share of pixels that are not fitted",
                fix="Set run.held_out=0.015, or give the strength.",
            )
        return choose_strength(problem, state, self, natural)

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """About eight complex arrays of a batch, the sums of each share, and pairs of steps [bytes]."""
        frame, object_ = n_modes * problem.size**2, np.prod(problem.object_shape)
        sums = 2 * share_count(problem.device, self.batch) + 2 * self.memory + 6
        return int(problem.complex_dtype.itemsize * (8 * self.batch * frame + sums * (object_ + frame)))

    def step(self, problem: Problem, state: State) -> Array:
        """Measure loss and slopes at the state, and move on along the next direction, or back from a bad step."""
        names = self._names(state)
        self._global_step(problem, state, names)
        sums, loss = self._measure(problem, state)
        if self._refused(state, loss):
            self._shorten(state, loss)
            return sums.residuals
        if state.corners is not None and state.hold_corners(FARTHEST_PX):
            sums, loss = self._measure(problem, state)
        here, descent = values(state, names), descent_of(sums, state, names)
        scaled = Preconditioner(sums, state, problem, self.floor)
        prior = self._prior(problem, state)
        if prior is not None:
            descent["object_"] += 2 * prior.loss_and_descent(state.object_)[1]
            scaled.add_prior(prior, state.object_)
        self._learn(state, here, descent)
        pairs = [(stored(state.memory, f"step{k}/"), stored(state.memory, f"rise{k}/")) for k in self._pairs(state)]
        direction = scaled.without_gauge(quasi_newton(descent, pairs, scaled))
        slope = dot(descent, direction)
        if not slope > 0:  # the curvatures learnt no longer fit
            self._forget(state)
            direction = scaled.without_gauge(scaled(descent))
            slope = dot(descent, direction)
        length = scaled.longest(direction)
        store(state.memory, "from/", here)
        store(state.memory, "descent/", descent)
        store(state.memory, "direction/", direction)
        self._numbers(state, loss, slope, length, 0)
        set_values(state, combine(here, length, direction))
        return sums.residuals

    def finish(self, problem: Problem, state: State) -> None:
        """Go back to the last measured state if the step after it, which no pass has measured, is worse."""
        self._end_step(problem, state)
        state.corners = None

    def _end_step(self, problem: Problem, state: State) -> None:
        """Measure the step that no pass has measured, take it back if it is worse, and remember none."""
        if "numbers" in state.memory and self._refused(state, self._measure(problem, state)[1]):
            set_values(state, self._host(stored(state.memory, "from/")))
        state.memory.pop("numbers", None)

    def _global_step(self, problem: Problem, state: State, names: tuple[str, ...]) -> None:
        """Every few passes solve for what single pixels and positions do not see."""
        age = int(to_host(state.memory.get("passes", np.zeros(1)))[0])
        state.memory["passes"] = np.array([age + 1])
        moving = "positions_px" in names
        if age % (MAP_EVERY if moving else GLOBAL_EVERY) or state.iteration < GLOBAL_AFTER:
            return
        if "probe" not in names or state.object_.ndim == 3:
            return
        self._end_step(problem, state)  # or else a refused step would take this one back, but not its corners
        likelihood = make_likelihood(self.likelihood, problem.read_noise)
        if moving and age % SEARCH_EVERY == 0:
            find_again(problem, state, likelihood, SEARCH_PX)
        global_step(problem, state, likelihood, positions=moving)
        if state.corners is not None:
            state.hold_corners()

    def _measure(self, problem: Problem, state: State) -> tuple[GradientSums, float]:
        """Return the sums of a pass at the state, and its loss with that of the prior."""
        likelihood = make_likelihood(self.likelihood, problem.read_noise)
        sums = measure(problem, state, likelihood, unknowns(self.refine), self.batch)
        loss, prior = float(to_host(sums.loss)), self._prior(problem, state)
        if prior is not None:
            loss += float(to_host(prior.loss_and_descent(state.object_)[0]))
        return sums, loss

    def _prior(self, problem: Problem, state: State) -> Prior | None:
        strength = 0.0 if state.prior_strength is None else float(state.prior_strength)
        area = problem.empty if self.prior == EMPTY_AREA else None
        return make_prior(self.prior, strength, area) if strength > 0 else None

    def _refused(self, state: State, loss: float) -> bool:
        if "numbers" not in state.memory:
            return False
        before, slope, length, _ = to_host(state.memory["numbers"])
        return not loss <= before - _SUFFICIENT * length * slope + _ROUNDING * abs(before)

    def _shorten(self, state: State, loss: float) -> None:
        """Try a shorter step from the same place: the minimum of the parabola through what is known."""
        before, slope, length, refusals = to_host(state.memory["numbers"])
        rise = loss - before + length * slope
        share = length * slope / (2 * rise) if np.isfinite(rise) and rise > 0 else 0.0
        length *= float(np.clip(share, *_SHORTER))
        here, direction = (self._host(stored(state.memory, p)) for p in ("from/", "direction/"))
        if refusals + 1 >= _REFUSALS:
            self._forget(state)
        self._numbers(state, before, slope, length, refusals + 1)
        set_values(state, combine(here, length, direction))

    def _learn(self, state: State, here: Blocks, descent: Blocks) -> None:
        """Add the step that led here and the rise of the gradient along it to the memory."""
        if "numbers" not in state.memory:
            return
        step = combine(here, -1.0, self._host(stored(state.memory, "from/")))
        rise = combine(self._host(stored(state.memory, "descent/")), -1.0, descent)
        if not dot(step, rise) > 1e-10 * np.sqrt(dot(step, step) * dot(rise, rise)):
            return
        for k in reversed(self._pairs(state)):  # the newest is number 0, and moves up
            for word in ("step", "rise"):
                blocks = stored(state.memory, f"{word}{k}/")
                store(state.memory, f"{word}{k}/", {})
                if k + 1 < self.memory:
                    store(state.memory, f"{word}{k + 1}/", blocks)
        store(state.memory, "step0/", step)
        store(state.memory, "rise0/", rise)

    def _pairs(self, state: State) -> list[int]:
        """Numbers of the pairs, oldest first in use."""
        return [k for k in range(self.memory) if f"step{k}/object_" in state.memory]

    def _forget(self, state: State) -> None:
        for k in self._pairs(state):
            store(state.memory, f"step{k}/", {})
            store(state.memory, f"rise{k}/", {})

    @staticmethod
    def _numbers(state: State, *numbers: float) -> None:
        state.memory["numbers"] = np.array(numbers)

    @staticmethod
    def _host(blocks: Blocks) -> Blocks:
        """Bring blocks of the host back there, whatever a checkpoint made of them."""
        return {name: to_host(one) if name in ON_HOST else one for name, one in blocks.items()}
