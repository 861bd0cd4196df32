"""Rotation and scale that join stage positions to the detector's object pixels, from short reconstructions.

Wrong positions leave a force on each frame: the slope of its misfit along its position. Its moment over the field
is zero only where rotation and scale are right. It is read from frames that the object was *not* made from:
frames that it was made from pull outwards, where they overlap less and are fitted the better.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon import backend
from recon.backend import array_module, fft2, ifft2, to_host
from recon.frames import Batch, Model
from recon.kernels import illuminate
from recon.loop import Loop, Stage
from recon.problem import Problem, make_problem
from recon.result import StopReason
from recon.solvers import make_solver
from recon.solvers.base import Solver
from recon.state import State, start_state
from scans.prepared import PreparedScan
from scans.trajectories import affine_matrix

Vector = NDArray[np.float64]
Frames = NDArray[np.int64]

# Passes of each short reconstruction: for the probe to follow the positions, and for the object from then on; few,
# so that noise is not fitted. Parts of the frames of which one at a time is left out.
_COARSE_PASSES, _PROBE_PASSES, _PASSES, _FOLDS = 6, 12, 8, 4
# ePIE finds where to look; a probe that is not yet right pulls the positions together, and rPIE is faster there.
_EPIE = {"hold_probe": 0, "batch": 4}
_RPIE = _EPIE | {"alpha": 0.2, "beta": 0.5}
# Trials lie on a triangle of rotation [rad] and ln(scale), of this radius; first wide, with all frames.
_TRIANGLE = np.array([[1.0, 0.0], [-0.5, 0.866], [-0.5, -0.866]])
_COARSE, _FINE = 0.05, 0.03
# Coarse rounds, the step [radii] below which one is enough, the longest, and the farthest from the stated positions.
_ROUNDS, _NEAR, _AT_ONCE, _FARTHEST = 4, 0.6, 0.1, 0.2
# Parts of the frames left out in turn for the error; what short reconstructions are off by beside it; errors beyond
# which nothing is known (rotation [rad], scale). Set on other scans than benchmarks/bench_rotation.py tries.
_PARTS, _SYSTEMATIC, _LARGEST = 10, np.array([0.003, 0.017]), np.array([0.05, 0.05])
_NO_PULL = "the frames agree no better with one rotation and scale than with another"
TRIALS = 2 * len(_TRIANGLE)


@dataclass(frozen=True)
class AffineFit:
    """What turns the stated positions into those that the frames agree with.

    Parameters
    ----------
    rotation_rad, rotation_sigma_rad
        Angle by which they are to be turned, +x towards +y, and its standard error; None if unknown.
    scale, scale_sigma
        Factor by which they are to be multiplied, and its standard error; None if unknown.
    why
        Why something is unknown; empty otherwise.
    """

    rotation_rad: float | None = None
    rotation_sigma_rad: float | None = None
    scale: float | None = None
    scale_sigma: float | None = None
    why: str = ""

    def __str__(self) -> str:
        parts = []
        if self.rotation_rad is not None and self.rotation_sigma_rad is not None:
            parts.append(f"rotation {1e3 * self.rotation_rad:.1f} +- {1e3 * self.rotation_sigma_rad:.1f} mrad")
        if self.scale is not None and self.scale_sigma is not None:
            parts.append(f"scale {self.scale:.3f} +- {self.scale_sigma:.3f}")
        return "; ".join([*parts, *([f"unknown: {self.why}"] if self.why else [])])


def fit_affine(
    frames: PreparedScan,
    probe: NDArray[np.complexfloating],
    *,
    seed: int = 0,
    progress: Callable[[int], None] | None = None,
) -> AffineFit:
    """Estimate rotation and scale of the positions, within 0.2 of those stated.

    Parameters
    ----------
    frames
        Some 100 neighbouring frames, rightly oriented, their flux and response taken out.
    probe
        ``(M, N, N)`` from a short reconstruction with the positions as they are.
    seed
        Of the reconstructions.
    progress
        Called with the trials done, of `TRIALS`.

    Notes
    -----
    Our own estimator. Errors: leaving out a tenth of the frames at a time (jackknife), half of the difference to
    frames that the object was made from, and what was seen on simulated scans where both are small.
    """
    trial = _Trial(frames, probe, seed)
    centre = _coarse(trial)
    if progress is not None:
        progress(len(_TRIANGLE))
    if centre is None:
        return AffineFit(why=_NO_PULL)
    forces = np.empty((2, len(_TRIANGLE), len(frames.counts), 2))  # of frames left out, of frames used
    for k, at in enumerate(_TRIANGLE):
        forces[:, k] = trial.held_out_forces(centre + _FINE * at)
        if progress is not None:
            progress(len(_TRIANGLE) + k + 1)
    return _settled(centre, forces)


def _coarse(trial: _Trial) -> Vector | None:
    """Rotation and ln(scale) to try around, from a few rounds with all frames; None where nothing pulls."""
    centre = np.zeros(2)
    for _ in range(_ROUNDS):
        forces = np.array([trial.forces(centre + _COARSE * at).sum(axis=0) for at in _TRIANGLE])
        step = _root(_TRIANGLE, forces)
        if step is None:
            return None
        centre = np.clip(centre + np.clip(_COARSE * step, -_AT_ONCE, _AT_ONCE), -_FARTHEST, _FARTHEST)
        if np.abs(step).max() < _NEAR:
            break
    return centre


def _settled(centre: Vector, forces: Vector) -> AffineFit:
    """Root and its errors, or why there is none, from forces ``(2, 3, J, 2)`` at the corners of the triangle."""
    step, used = (_root(_TRIANGLE, f.sum(axis=1)) for f in forces)
    part = np.arange(forces.shape[2]) * _PARTS // forces.shape[2]
    others = [_root(_TRIANGLE, forces[0][:, part != k].sum(axis=1)) for k in range(_PARTS)]
    roots = np.array([other for other in others if other is not None])
    if step is None or used is None or len(roots) < _PARTS:
        return AffineFit(why=_NO_PULL)
    scatter = _FINE * np.sqrt((_PARTS - 1) * roots.var(axis=0))
    found = centre + _FINE * step
    sigma = np.sqrt(scatter**2 + (_FINE * (used - step) / 2) ** 2 + _SYSTEMATIC**2)
    known = sigma < _LARGEST
    if (np.abs(found) > _FARTHEST)[known].any() or (np.abs(_FINE * step) > _AT_ONCE)[known].any():
        return AffineFit(why=f"farther off than {1e3 * _FARTHEST:.0f} mrad or a factor of {np.exp(_FARTHEST):.2f}")
    names = [name for name, sure in zip(("rotation", "scale"), known, strict=True) if not sure]
    angle, factor = float(found[0]), float(np.exp(found[1]))
    return AffineFit(
        rotation_rad=angle if known[0] else None,
        rotation_sigma_rad=float(sigma[0]) if known[0] else None,
        scale=factor if known[1] else None,
        scale_sigma=factor * float(sigma[1]) if known[1] else None,
        why=f"the frames leave the {' and '.join(names)} open by 5 % and more" if names else "",
    )


def _root(design: Vector, moments: Vector) -> Vector | None:
    """Where the moments ``(K, 2)`` at `design` ``(K, 2)`` vanish, by a linear fit; None where they do not push back."""
    fit, *_ = np.linalg.lstsq(np.column_stack([np.ones(len(design)), design]), moments, rcond=None)
    slopes = fit[1:].T
    # forces at a minimum of the misfit: both slopes positive, and more than what they share
    if not (np.diag(slopes) > 0).all() or not np.linalg.det(slopes) > 0.1 * np.prod(np.diag(slopes)):
        return None
    return np.asarray(-np.linalg.solve(slopes, fit[0]), np.float64)


@dataclass(frozen=True)
class _Trial:
    """Short reconstructions at other rotations and scales of the positions."""

    frames: PreparedScan
    probe: NDArray[np.complexfloating]
    seed: int

    def _moved(self, at: Vector) -> tuple[Problem, Vector]:
        """Problem with positions turned by ``at[0]``, scaled by exp ``at[1]``; how they move with either [pixels]."""
        stated = self.frames.positions_m
        middle = np.median(stated, axis=0)
        away = (stated - middle) @ affine_matrix(scale=float(np.exp(at[1])), rotation_rad=float(at[0])).T
        problem = make_problem(replace(self.frames, positions_m=middle + away), backend.open_device("cpu"))
        lever = away / np.array(problem.pixel_m)
        return problem, np.stack([np.stack([lever[:, 1], -lever[:, 0]], axis=1), lever], axis=1)

    def forces(self, at: Vector) -> Vector:
        """Slope of each frame's misfit with rotation and ln(scale) ``(J, 2)``, object from all frames."""
        problem, ways = self._moved(at)
        every, solver = np.arange(problem.n_frames), make_solver("epie", _EPIE)
        return _forces(problem, self._solved(problem, every, self.probe, solver, _COARSE_PASSES), every, ways)

    def held_out_forces(self, at: Vector) -> Vector:
        """Return forces ``(2, J, 2)`` of each frame with an object that was made without it, and with it."""
        problem, ways = self._moved(at)
        every, found = np.arange(problem.n_frames), np.empty((2, problem.n_frames, 2))
        solver = make_solver("rpie", _RPIE)
        whole = self._solved(problem, every, self.probe, solver, _PROBE_PASSES)
        found[1] = _forces(problem, whole, every, ways)
        order = np.random.default_rng([self.seed, 2]).permutation(problem.n_frames)
        for k in range(_FOLDS):
            out = np.sort(order[k::_FOLDS])
            state = self._solved(problem, np.setdiff1d(every, out), np.array(whole.probe), solver, _PASSES)
            found[0, out] = _forces(problem, state, out, ways)
        return found

    def _solved(
        self, problem: Problem, kept: Frames, probe: NDArray[np.complexfloating], solver: Solver, passes: int
    ) -> State:
        """Reconstruct briefly from some of the frames, the object from nothing."""
        mask = problem.mask
        part = replace(
            problem,
            counts=problem.counts[kept],
            mask=mask if mask is None or len(mask) == 1 else mask[kept],
            positions_px=problem.positions_px[kept],
        )
        state = start_state(part, probe, self.seed)
        if Loop(part, [Stage("affine", solver, passes)]).run(state) is StopReason.INTERRUPTED:
            raise KeyboardInterrupt
        return state


def _forces(problem: Problem, state: State, index: Frames, ways: Vector) -> Vector:
    """Slopes ``(K, 2)`` of the misfit of frames `index`; `ways` ``(J, 2, 2)``: how positions move [pixels]."""
    found = []
    for start in range(0, len(index), 8):
        some = index[start : start + 8]
        slopes = position_slopes(state, problem.batch(some, problem.positions_px), problem.dark)
        found.append(np.einsum("jpk,jk->jp", ways[some], slopes))
    return np.concatenate(found)


def position_slopes(model: Model, batch: Batch, dark: float) -> NDArray[np.float64]:
    """Differentiate the misfit ``Σ (√I - √i)² / 2`` of each frame by its position: ``(B, 2)`` [1/pixel].

    Object and probe stay fixed. The probe is moved by a Fourier shift, so its derivative is exact: ``-2πi f``
    times its spectrum.

    Parameters
    ----------
    dark
        Model intensity below which a pixel says nothing.
    """
    xp, probe = array_module(model.object_), model.probe
    lit = illuminate(model, batch)
    field, spectrum = fft2(lit.probes * lit.patches), fft2(lit.probes.copy())
    expected = batch.expected((field.real**2 + field.imag**2).sum(axis=1))
    amplitude = xp.sqrt(xp.maximum(expected, dark))
    rest = xp.sqrt(xp.maximum(batch.counts, 0)) - amplitude
    if batch.mask is not None:
        rest = rest * batch.mask
    f = xp.fft.fftfreq(probe.shape[-1]).astype(rest.dtype)
    slopes = []
    for along in (f[:, None], f[None, :]):
        moved = fft2(ifft2(spectrum * (-2j * np.pi * along).astype(probe.dtype)) * lit.patches)
        rise = batch.expected((field.real * moved.real + field.imag * moved.imag).sum(axis=1)) / amplitude
        slopes.append(-(rest * rise).sum(axis=(1, 2), dtype=np.float64))
    return np.asarray(to_host(xp.stack(slopes, axis=1)), np.float64)
