"""Least-squares maximum likelihood: a step after every group of frames, its lengths found frame by frame."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, array_module, fft2, ifft2, to_host
from recon.frames import Batch, Model
from recon.kernels import (
    Lit,
    PassSums,
    add_object,
    add_probe,
    add_residuals,
    expected_counts,
    gather,
    illuminate,
    scatter,
)
from recon.physics import INTENSITY_FLOOR, amplitude_step
from recon.problem import Problem
from recon.shares import Shares, share_count
from recon.solvers.base import check_range
from recon.state import State
from scans.errors import InputError

CHOICES = {"likelihood": ("amplitude", "poisson"), "grouping": ("compact", "sparse")}
# Cosine between the movements of two passes at which the share of averaging stays. Movements that are noise undo
# each other and give -1/2, progress gives up to 1. Away from it the share changes by exp(GAIN * difference) a pass.
UNDOING, GAIN = -0.25, 2.0
# Share of each diagonal element added to the 2 x 2 equations: object and probe may point the same way.
RIDGE = 1e-2
# Step lengths of a frame are kept from 0 to this.
LONGEST = 2.0
# Poisson: a pixel pulls at most this many times as hard as in the amplitude model. Where the model is dark, I/i - 1
# has no bound, and single photons would decide the direction of everything.
STRONGEST = 8.0
# Newton steps of a frame's likelihood along its direction, after a first one with the expected curvature.
NEWTON_STEPS, NEWTON_RANGE = 2, 4.0


@dataclass
class GroupSums(PassSums):
    """Sums of a group and, from its second round, those that weigh step lengths."""

    weighted: Array = None  # as illumination: Σ_j a_j |P_j|²
    probe_lengths: Array = None  # (1,) Σ_j b_j

    @classmethod
    def of(cls, model: Model) -> GroupSums:
        """Zeros for this object and probe."""
        sums, xp = PassSums.like(model), array_module(model.probe)
        return cls(**vars(sums), weighted=xp.zeros_like(sums.illumination), probe_lengths=xp.zeros(1))


@dataclass
class Pass:
    """What the groups of one pass share."""

    problem: Problem
    state: State
    with_probe: bool
    averaging: float
    light: Array  # Σ_j |P_j|² of the last pass, or None in the first
    gathered: Array  # the same of this pass, so far
    residuals: Array  # (3,)


@dataclass(frozen=True)
class LeastSquares:
    """Generalised maximum likelihood by least squares (LSQ-ML), which averages as much as the noise asks for.

    For each group of frames: the misfit χ of each frame's exit wave; common directions ``dO = Σ P* χ / (Σ|P|² +
    d max)`` and ``dP = Σ O* χ / (Σ|O|² + d max)``; for each frame the pair of step lengths that brings the linear
    change of its exit wave nearest to χ; then ``O += dO Σ a_j |P_j|² / W``, ``P += dP mean(b_j)``, with W the
    light Σ|P|² of the group. Odstrcil, Menzel & Guizar-Sicairos, Opt. Express 26 (2018) 3108,
    doi:10.1364/OE.26.003108 (from memory).

    What is ours: to W comes a share of the light of all other frames, so that a group does not write its own noise
    over what the others say. The share grows while successive passes undo each other and falls while they do not:
    small on clean data, near 1 at few counts.

    Parameters
    ----------
    likelihood
        "amplitude" or "poisson".
    grouping
        "compact": neighbours; "sparse": frames of a group far apart.
    batch
        Frames in a group.
    damping
        d, the share of the brightest light that is added to the light of every pixel.
    relaxation
        Share of the step lengths that is taken.
    averaging
        Least share of the other frames' light in W, and that of the first passes. 1 keeps it at 1.
    momentum
        Share of the last passes' movement that goes on, times what the newest movement repeats of the one before
        (cosine, and ratio of lengths if below 1); none while they point against each other.
    hold_probe
        Passes of a cold start during which the probe stays as it is.
    """

    likelihood: str = "amplitude"
    grouping: str = "compact"
    batch: int = 2
    damping: float = 1.0
    relaxation: float = 1.0
    averaging: float = 0.001
    momentum: float = 0.9
    hold_probe: int = 1

    def __post_init__(self) -> None:
        for key, known in CHOICES.items():
            if getattr(self, key) not in known:
                raise InputError(
                    f"{getattr(self, key)!r}",
                    where=f"recipe, solver least_squares, key {key}",
                    expected="one of " + ", ".join(known),
                    fix=f"Give it with -s solve.{key}=VALUE.",
                )
        check_range(self, batch=(1, 100_000), damping=(1e-6, 1), relaxation=(1e-3, 2), averaging=(0, 1))
        check_range(self, momentum=(0, 0.99), hold_probe=(0, 10_000))

    def prepare(self, problem: Problem, state: State) -> None:
        """Make nothing: the first pass has no memory."""
        return

    def finish(self, problem: Problem, state: State) -> None:
        """Do nothing: the last pass left the best that is known."""
        return

    def memory_bytes(self, problem: Problem, n_modes: int) -> int:
        """About nine complex arrays of a group, the sums of each share, and what is kept between passes [bytes]."""
        frame, object_ = n_modes * problem.size**2, np.prod(problem.object_shape)
        sums = 3 * share_count(problem.device, self.batch) + 8
        return int(problem.complex_dtype.itemsize * (9 * self.batch * frame + sums * (object_ + frame)))

    def step(self, problem: Problem, state: State) -> Array:
        """One pass: a step of object and probe for each group, then momentum."""
        xp, memory = array_module(state.probe), state.memory
        run = Pass(
            problem,
            state,
            with_probe=state.iteration >= self.hold_probe,
            averaging=float(to_host(memory["averaging"])[0]) if "averaging" in memory else self.averaging,
            light=memory.get("light"),
            gathered=xp.zeros(state.object_.shape, state.probe.real.dtype),
            residuals=xp.zeros(3),
        )
        before = {name: getattr(state, name).copy() for name in ("object_", "probe")}
        for index in frame_groups(state.positions_px, self.batch, self.grouping, state.rng):
            self._move(run, index)
        memory["light"] = run.gathered
        agreement = self._accelerate(state, before)
        if agreement is not None and state.iteration > self.hold_probe:
            share = run.averaging * math.exp(GAIN * (UNDOING - agreement))
            memory["averaging"] = np.array([min(1.0, max(self.averaging, share))])
        return run.residuals

    def _move(self, run: Pass, index: NDArray[np.int64]) -> None:
        """Step after one group. Each thread keeps the waves of its frames from the first round to the second."""
        model, batch, box = window(run.state, run.problem, index)
        shares = Shares([GroupSums.of(model) for _ in range(share_count(run.problem.device, len(index)))])
        kept: dict[int, tuple[Lit, Array]] = {}

        def look(part: Batch, memory: Array | None, sums: PassSums) -> None:
            lit, misfit = kept[_key(part)] = self.misfit(model, part, sums, run.problem.dark)
            at_probe = add_object(sums, lit, part, misfit)
            if run.with_probe:
                add_probe(sums, lit, at_probe)

        shares.run(look, batch)
        d_object, d_probe = self._directions(shares.updates(), run.with_probe)

        def measure(part: Batch, memory: Array | None, sums: PassSums) -> None:
            lit, misfit = kept[_key(part)]
            add_lengths(sums, lit, part, *step_lengths(lit, part, misfit, d_object, d_probe))

        shares.run(measure, batch)
        sums = shares.updates()
        assert isinstance(sums, GroupSums)
        run.state.object_[box] += d_object * self._share(run, sums, box)
        if d_probe is not None:
            lengths = sums.probe_lengths * (self.relaxation / len(index))
            run.state.probe += d_probe * lengths.astype(d_probe.real.dtype)
        run.gathered[box] += sums.illumination
        run.residuals += shares.residuals()

    def _directions(self, sums: PassSums, with_probe: bool) -> tuple[Array, Array | None]:
        light, met = sums.illumination, sums.probe_weight
        d_object = sums.object_numerator / (light + self.damping * light.max())
        return d_object, sums.probe_step() / (met + self.damping * met.max()) if with_probe else None

    def _share(self, run: Pass, sums: GroupSums, box: tuple[Any, ...]) -> Array:
        """How far the object goes along its direction, as the light."""
        xp, light = array_module(sums.weighted), sums.illumination
        weight = xp.maximum(light, xp.finfo(light.dtype).tiny)
        if run.light is not None:
            weight = weight + run.averaging * xp.maximum(run.light[box] - light, 0)
        return sums.weighted * self.relaxation / weight

    def misfit(self, model: Model, batch: Batch, sums: PassSums, dark: float) -> tuple[Lit, Array]:
        """Return the waves of each frame and the step χ of its exit wave ``(B, Q, N, N)``; adds the residuals."""
        lit = illuminate(model, batch)
        field = fft2(lit.exit_waves())
        expected = expected_counts(model, batch, field)
        add_residuals(sums, expected, batch)
        factor = amplitude_step(expected, batch.counts, batch.mask, dark)
        if self.likelihood == "poisson":
            xp = array_module(factor)
            factor *= xp.minimum(factor + 2, STRONGEST)  # I/i - 1 = (√(I/i) - 1)(√(I/i) + 1)
        factor = batch.without_held(batch.expected(factor))
        lengths = likelihood_step(model, batch, expected, factor, self.likelihood == "poisson")
        field *= (factor * lengths[:, None, None])[:, None]
        return lit, ifft2(field)

    def _accelerate(self, state: State, before: dict[str, Array]) -> float | None:
        """Go on along earlier passes, damped by how well two agree; returns the cosine of the object's movements."""
        agreements: list[float] = []
        for name, old in before.items():
            moved = getattr(state, name) - old
            last, velocity = (state.memory.get(f"{word}/{name}") for word in ("moved", "velocity"))
            state.memory[f"moved/{name}"] = moved
            if last is not None:
                agreement, shrinking = cosine(moved, last)
                agreements.append(agreement)
                more = velocity * moved.real.dtype.type(self.momentum * max(agreement, 0.0) * min(shrinking, 1.0))
                getattr(state, name)[...] += more
                moved = moved + more
            state.memory[f"velocity/{name}"] = moved
        return agreements[0] if agreements else None


def window(state: State, problem: Problem, index: NDArray[np.int64]) -> tuple[Model, Batch, tuple[Any, ...]]:
    """Return the frames `index` with a copy of the part of the object that they touch, and where that part lies.

    Compact groups touch little of a large object, and steps cost as much as the object that they are given.
    """
    corners = np.rint(state.positions_px[index] - problem.size // 2).astype(np.int64)
    low, high = corners.min(axis=0), corners.max(axis=0) + problem.size
    box = (..., slice(int(low[0]), int(high[0])), slice(int(low[1]), int(high[1])))
    model = Model(state.object_[box].copy(), state.probe, state.background, state.variation, state.depths_m)
    batch = state.batch(problem, index)
    offset = array_module(batch.corners).asarray(low)
    return model, replace(batch, corners=batch.corners - offset), box


def likelihood_step(model: Model, batch: Batch, expected: Array, factor: Array, poisson: bool) -> Array:
    """Return each frame's step ξ ``(B,)`` along the change ``factor`` x far field that its likelihood asks for.

    Along it the counts are ``e(ξ) = e + p [(1 + ξ c)² - 1]`` with p the counts of the waves without background.
    The first Newton step takes the expected curvature, 1/e.
    """
    xp = array_module(expected)
    if not poisson and model.background is None and batch.response is None:
        return xp.ones(len(expected), expected.dtype)  # on the measured modulus
    waves = expected if model.background is None else expected - batch.expected(model.background)
    tiny = xp.finfo(expected.dtype).tiny
    seen = xp.maximum(batch.counts, 0)
    e = xp.maximum(expected, INTENSITY_FLOOR)
    slope = 1 - seen / e if poisson else 2 - 2 * xp.sqrt(seen / e)
    along = 2 * waves * factor
    start = -_total(slope * along) / (_total(along * along / e) + tiny)
    if not poisson:
        return start
    length = start
    for _ in range(NEWTON_STEPS):
        grown = 1 + length[:, None, None] * factor
        e = xp.maximum(expected + waves * (grown * grown - 1), INTENSITY_FLOOR)
        slope = 1 - seen / e
        turn = along * grown
        curvature = _total(seen * (turn / e) ** 2 + slope * along * factor)
        length = xp.where(curvature > 0, length - _total(slope * turn) / (curvature + tiny), length)
        length = xp.clip(length, start / NEWTON_RANGE, start * NEWTON_RANGE)
    return length


def step_lengths(lit: Lit, batch: Batch, misfit: Array, d_object: Array, d_probe: Array | None) -> tuple[Array, Array]:
    """Return the lengths ``(B,)`` of object and probe that bring each frame nearest to its misfit ``(B, Q, N, N)``.

    Least squares of ``a u + b w`` against it, with u and w the linear changes of the exit wave.
    """
    xp, size = array_module(misfit), misfit.shape[-1]
    slices = d_object if d_object.ndim == 3 else d_object[None]
    u = changed_exit(lit, None, xp.stack([gather(one, batch.corners, size) for one in slices], axis=1))
    uu, uc = _dot(u, u), _dot(u, misfit)
    tiny = np.finfo(float).tiny
    if d_probe is None:
        lengths = xp.clip(uc / ((1 + RIDGE) * uu + tiny), 0, LONGEST)
        return lengths, xp.zeros_like(lengths)
    ramp_y, ramp_x = lit.ramp
    moved = ifft2((fft2(d_probe.copy())[None, None] * ramp_y * ramp_x).reshape(misfit.shape))
    w = changed_exit(lit, moved, None)
    ww, wc, uw = _dot(w, w), _dot(w, misfit), _dot(u, w)
    uu, ww = (1 + RIDGE) * uu, (1 + RIDGE) * ww
    determinant = uu * ww - uw * uw + tiny
    lengths = (ww * uc - uw * wc) / determinant, (uu * wc - uw * uc) / determinant
    return xp.clip(lengths[0], 0, LONGEST), xp.clip(lengths[1], 0, LONGEST)


def changed_exit(lit: Lit, probe: Array | None, patches: Array | None) -> Array:
    """Return the linear change ``(B, Q, N, N)`` of exit waves by one of the probe, of the object ``(B, S, N, N)``."""
    change, last = probe, len(lit.entering) - 1
    for s, entering in enumerate(lit.entering):
        out = None if change is None else change * lit.patches[:, s : s + 1]
        if patches is not None:
            own = entering * patches[:, s : s + 1]
            out = own if out is None else out + own
        if s < last:
            spectrum = fft2(out)
            spectrum *= lit.transfers[s]
            out = ifft2(spectrum)
        change = out
    return change


def add_lengths(sums: PassSums, lit: Lit, batch: Batch, by_object: Array, by_probe: Array) -> None:
    """Add step lengths ``(B,)``: those of the object where each frame has its light."""
    assert isinstance(sums, GroupSums)
    many = sums.weighted.ndim == 3
    for s, wave in enumerate(lit.entering):
        light = (wave.real**2 + wave.imag**2).sum(axis=1)
        light *= by_object.astype(light.dtype)[:, None, None]
        scatter(sums.weighted[s] if many else sums.weighted, light, batch.corners)
    sums.probe_lengths += by_probe.sum()


def frame_groups(
    positions_px: NDArray[np.float64], size: int, grouping: str, rng: np.random.Generator
) -> Iterator[NDArray[np.int64]]:
    """Yield every frame once, in groups of `size` (some one smaller), in random order.

    The scan is cut in halves again and again, along a direction drawn anew. Compact groups are the pieces;
    sparse ones take the frames at the same place of each of `size` pieces.
    """
    n = len(positions_px)
    n_groups = -(-n // size)
    turn = rng.uniform(0, np.pi)
    axes = positions_px @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if grouping == "compact":
        groups = _pieces(axes, np.arange(n), n_groups)
    else:
        ordered = [
            np.concatenate(_pieces(axes, one, len(one))) for one in _pieces(axes, np.arange(n), -(-n // n_groups))
        ]
        groups = [np.array([one[k] for one in ordered if k < len(one)]) for k in range(max(map(len, ordered)))]
    for k in rng.permutation(len(groups)):
        yield np.sort(groups[k])


def _pieces(axes: NDArray[np.float64], index: NDArray[np.int64], count: int) -> list[NDArray[np.int64]]:
    """Cut the frames `index` into `count` compact pieces of equal numbers, give or take one."""
    if count == 1:
        return [index]
    spread = np.ptp(axes[index], axis=0)
    index = index[np.argsort(axes[index, int(spread[1] > spread[0])], kind="stable")]
    first = count // 2
    cut = round(len(index) * first / count)
    return _pieces(axes, index[:cut], first) + _pieces(axes, index[cut:], count - first)


def cosine(a: Array, b: Array) -> tuple[float, float]:
    """Return ``Re <a, b> / ‖a‖ ‖b‖`` and ``‖a‖ / ‖b‖``; 0 where one of them vanishes."""
    xp = array_module(a)
    ab, aa, bb = (float((x.conj() * y).real.sum(dtype=xp.float64)) for x, y in ((a, b), (a, a), (b, b)))
    return (ab / math.sqrt(aa * bb), math.sqrt(aa / bb)) if aa > 0 and bb > 0 else (0.0, 0.0)


def _key(batch: Batch) -> int:
    """Name a part of a group by its first frame."""
    assert batch.rows is not None
    return int(batch.rows[0])


def _total(terms: Array) -> Array:
    """Sum ``(B, N, N)`` over each frame."""
    return terms.sum(axis=(1, 2))


def _dot(a: Array, b: Array) -> Array:
    """``Re <a, b>`` of each frame, ``(B,)`` float64."""
    n, real = len(a), a.real.dtype
    product = a.reshape(n, 1, -1).view(real) @ b.reshape(n, -1).view(real)[:, :, None]
    return product[:, 0, 0].astype(float)
