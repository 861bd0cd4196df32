"""Error of maximum likelihood over the Cramér-Rao bound: ``python benchmarks/bench_cramer_rao.py``.

Simulated far-field frames with Poisson counts and a known or an unknown probe. The bound of the object's error comes
from the Fisher matrix of all unknowns; the error from many draws of the noise, once from a cold start and once
from the truth. Both are taken over the well-lit pixels, after the same fit of what the frames cannot tell.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from itertools import product
from multiprocessing import Pool

import numpy as np
import scipy.linalg
from bench_helpers import print_json
from numpy.typing import NDArray

from recon.backend import Device
from recon.problem import Problem
from recon.solvers import make_solver
from recon.solvers.maximum_likelihood import MaximumLikelihood
from recon.state import State, start_state
from recon.truth_error import well_lit

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
# Phase of the probe's defocus at the rim of its pupil [rad].
DEFOCUS = 5.0
# Object pixels with less than this share of the brightest light are no unknowns: nothing tells of them.
UNLIT = 1e-8


@dataclass(frozen=True)
class Scene:
    """What the frames are made of: object ``(H, W)``, probe ``(N, N)`` of unit power, positions ``(J, 2)`` [pixels].

    A position is the object's row and column under the probe's centre pixel ``(N//2, N//2)``.
    """

    object_: Complex
    probe: Complex
    positions_px: Real

    @property
    def corners(self) -> NDArray[np.int64]:
        """``(J, 2)`` object row and column under the first pixel of each frame."""
        return np.rint(self.positions_px - len(self.probe) // 2).astype(np.int64)

    def moved(self, probes: Complex, frame: int) -> Complex:
        """Move ``(..., N, N)`` arrays by what is left of a frame's position beside its corner, by Fourier factors."""
        left = self.positions_px[frame] - len(self.probe) // 2 - self.corners[frame]
        f = np.fft.fftfreq(len(self.probe))
        ramp = np.exp(-2j * np.pi * (left[0] * f[:, None] + left[1] * f))
        return np.fft.ifft2(np.fft.fft2(probes) * ramp)

    def patch(self, frame: int) -> tuple[slice, slice]:
        """Rows and columns of the object under a frame."""
        (y, x), n = self.corners[frame], len(self.probe)
        return slice(y, y + n), slice(x, x + n)

    def illumination(self) -> Real:
        """``Σ_j |P_j|²`` at each object pixel ``(H, W)``."""
        light = np.zeros(self.object_.shape)
        for j in range(len(self.positions_px)):
            light[self.patch(j)] += np.abs(self.moved(self.probe, j)) ** 2
        return light

    def expected(self) -> Real:
        """Return the counts expected of one photon a frame, ``(J, N, N)``, direct beam at index (0, 0)."""
        frames = range(len(self.positions_px))
        waves = np.stack([self.moved(self.probe, j) * self.object_[self.patch(j)] for j in frames])
        return np.abs(np.fft.fft2(waves, norm="ortho")) ** 2


# --- scene ---------------------------------------------------------------------------------------------------------


def soft_lens_probe(size: int, radius_px: float, curvature: float) -> Complex:
    """Probe behind a round lens with a soft rim, out of focus; unit power.

    Parameters
    ----------
    radius_px
        Of the pupil [detector pixels]; soft over two pixels, so that the probe ends within the frame.
    curvature
        Phase at the pupil's rim [rad].
    """
    f = np.fft.fftfreq(size, 1 / size)
    radius = np.hypot(f[:, None], f)
    pupil = np.exp(-1j * curvature * (radius / radius_px) ** 2) / (1 + np.exp(radius - radius_px))
    probe = np.fft.fftshift(np.fft.ifft2(pupil))
    return probe / np.linalg.norm(probe)


def specimen(side: int, rng: np.random.Generator) -> Complex:
    """Random thickness, smooth with some sharp edges: phases of 0 to -1.2 rad, absorption a tenth of it."""
    f = np.fft.fftfreq(side)
    bumps = np.fft.ifft2(np.fft.fft2(rng.normal(size=(side, side))) * np.exp(-((f[:, None] ** 2 + f**2) / 0.1**2))).real
    smooth = (bumps - bumps.min()) / np.ptp(bumps)
    thickness = 0.7 * smooth + 0.3 * (smooth > 0.5)
    return np.exp(-(0.1 + 1j) * 1.2 * thickness)


def standard_scene(size: int = 32, n_frames: int = 81, step_px: float = 3.1, seed: int = 1) -> Scene:
    """81 frames of 32 px on a Fermat spiral, object 66 px wide."""
    k = np.arange(n_frames) + 0.5
    radius, angle = step_px * np.sqrt(k / np.pi), 2.399963229728653 * k
    away = np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=1)
    side = 2 * (int(np.ceil(np.abs(away).max())) + size // 2 + 1)
    return Scene(
        specimen(side, np.random.default_rng(seed)), soft_lens_probe(size, size / 4, DEFOCUS), away + side // 2
    )


def problem_of(scene: Scene, photons: float, rng: np.random.Generator) -> Problem:
    """Poisson counts of so many incident photons a frame."""
    counts = rng.poisson(photons * scene.expected()).astype(np.float64)
    return Problem(
        counts=counts,
        mask=None,
        response=None,
        flux=None,
        positions_px=scene.positions_px,
        object_shape=scene.object_.shape,
        origin_m=(0.0, 0.0),
        pixel_m=(1e-8, 1e-8),
        power=photons,
        mean_total=float(counts.sum()) / len(counts),
        sum_amplitude=float(np.sqrt(counts).sum()),
        n_measured=counts.size,
        device=Device("cpu"),
    )


# --- bound ---------------------------------------------------------------------------------------------------------


def fisher_matrix(scene: Scene, with_probe: bool) -> Real:
    """Fisher information of Poisson counts at one photon a frame; many photons scale it (probe of unit power too).

    ``F_ab = Σ (1/i) ∂i/∂a ∂i/∂b`` over all pixels and frames, with ``∂i/∂Re u = 2 Re(Ψ* D)`` and
    ``∂i/∂Im u = -2 Im(Ψ* D)`` for the field D of one unit of u. Unknowns: real parts of the object's pixels,
    their imaginary parts, and the same of the probe. Wei, Urbach & Coene, arXiv:2003.05475 (from memory).
    """
    n, n_object = len(scene.probe), scene.object_.size
    total = 2 * n_object + (2 * n * n if with_probe else 0)
    fisher = np.zeros((total, total))
    transform = _fourier_matrix(n)
    units = np.eye(n * n, dtype=np.complex128).reshape(n * n, n, n)
    numbers = np.arange(n_object).reshape(scene.object_.shape)
    probe_numbers = 2 * n_object + np.arange(2 * n * n)
    for j in range(len(scene.positions_px)):
        patch, probe = scene.object_[scene.patch(j)], scene.moved(scene.probe, j)
        field = transform @ (probe * patch).ravel()
        # Ψ*/|Ψ|: with it the derivatives are those of 2√i, whose products are the Fisher information
        phase = (field.conj() / np.maximum(np.abs(field), 1e-150))[:, None] * transform
        own = numbers[scene.patch(j)].ravel()
        index, parts = np.concatenate([own, n_object + own]), [phase * probe.ravel()]
        if with_probe:
            index = np.concatenate([index, probe_numbers])
            parts.append(phase @ (scene.moved(units, j) * patch).reshape(n * n, n * n).T)
        slopes = np.concatenate([part for d in parts for part in (2 * d.real, -2 * d.imag)], axis=1)
        fisher[np.ix_(index, index)] += slopes.T @ slopes
    return fisher


def _fourier_matrix(n: int) -> Complex:
    """Unitary transform of ``(N, N)`` arrays as a matrix ``(N², N²)``."""
    k = np.arange(n)
    one = np.exp(-2j * np.pi * np.outer(k, k) / n) / np.sqrt(n)
    return np.kron(one, one)


def open_ways(scene: Scene, with_probe: bool) -> tuple[Complex, Complex]:
    """How object ``(K, H, W)`` and probe ``(K, N, N)`` may change while the frames stay as they are.

    A phase; with an unknown probe also a factor, phase ramps along both axes, and last the probe's own phase. A
    common move of object and probe is no such way here: the frames of an object with detail as fine as its pixels
    tell where it is.
    """
    object_, probe = scene.object_, scene.probe
    if not with_probe:
        return 1j * object_[None], 0 * probe[None]
    ways = [(1j * object_, 0 * probe), (object_, -probe)]
    for axis in (0, 1):
        there, here = (np.indices(a.shape)[axis] - a.shape[axis] // 2 for a in (object_, probe))
        ways.append((1j * there * object_, -1j * here * probe))
    ways.append((0 * object_, 1j * probe))
    return np.stack([o for o, _ in ways]), np.stack([p for _, p in ways])


def real_parts(*arrays: Complex) -> Real:
    """Real and imaginary parts of ``(K, ...)`` arrays, in the order of the Fisher matrix, as ``(K, unknowns)``."""
    flat = [a.reshape(len(a), -1) for a in arrays]
    return np.concatenate([part for a in flat for part in (a.real, a.imag)], axis=1)


def bound(scene: Scene, fisher: Real, lit: NDArray[np.bool_], with_probe: bool) -> float:
    """Least sum of squared errors of the pixels `lit` ``(H, W)`` at one photon a frame; it falls with their number.

    All lit and dim pixels (and the probe) are unknown; the open ways are taken out of the error as `misfit` does:
    ``tr(Q C Q^T)`` with C the part of F^-1 for the pixels of `lit` and Q the projection off the open ways there.
    F is made regular by adding its own null vectors, which changes nothing behind Q. With these pixels last,
    the last block of the Cholesky factor L of F is that of C^-1.
    """
    light, n = scene.illumination(), scene.object_.size
    own = np.flatnonzero(lit)
    rest = np.flatnonzero((light > UNLIT * light.max()) & ~lit)
    probe = np.arange(2 * n, 2 * n + (2 * scene.probe.size if with_probe else 0))
    index = np.concatenate([rest, n + rest, probe, own, n + own])
    matrix = fisher[np.ix_(index, index)]
    units = 1 / np.sqrt(np.diag(matrix))  # dim pixels to the same scale as bright ones
    matrix *= units
    matrix *= units[:, None]
    objects, probes = open_ways(scene, with_probe)
    null = np.linalg.qr(real_parts(objects, probes)[:, index].T / units[:, None])[0]
    matrix += null @ null.T
    factor = scipy.linalg.cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
    m = 2 * len(own)
    taken_out = scipy.linalg.orth(real_parts(objects[:, lit]).T)
    kept = units[-m:, None] * (np.eye(m) - taken_out @ taken_out.T)
    return float((scipy.linalg.solve_triangular(factor[-m:, -m:], kept, lower=True) ** 2).sum())


# --- estimates -----------------------------------------------------------------------------------------------------


def misfit(estimate: Complex, scene: Scene, lit: NDArray[np.bool_], with_probe: bool) -> float:
    """Sum of squared errors of the pixels `lit`, after the best fit of what the frames leave open."""
    truth, rows = scene.object_, np.indices(scene.object_.shape)
    away = [rows[axis] - truth.shape[axis] // 2 for axis in (0, 1)]
    first = np.vdot(estimate[lit], truth[lit]) / np.linalg.norm(estimate[lit]) ** 2
    estimate = estimate * (first if with_probe else first / abs(first))
    if with_probe:
        ways = real_parts(open_ways(scene, True)[0][:4, lit]).T
        for _ in range(10):
            left = real_parts((estimate - truth)[lit][None])[0]
            phase, scale, *ramp = np.linalg.lstsq(ways, left, rcond=None)[0]
            estimate = estimate * np.exp(-scale - 1j * (phase + ramp[0] * away[0] + ramp[1] * away[1]))
    return float((np.abs(estimate - truth)[lit] ** 2).sum())


@dataclass(frozen=True)
class Trial:
    """One draw of the noise and what is done with it."""

    photons: float
    with_probe: bool
    seed: int
    pie_passes: int = 60
    passes: int = 200


def start(scene: Scene, problem: Problem, trial: Trial, cold: bool) -> State:
    """From the truth; or from a flat object, an unknown probe with a tenth more defocus, after passes of ePIE."""
    if not cold:
        state = start_state(problem, np.sqrt(trial.photons) * scene.probe[None], trial.seed)
        state.object_ = scene.object_.copy()
        return state
    n = len(scene.probe)
    probe = soft_lens_probe(n, n / 4, 1.1 * DEFOCUS) if trial.with_probe else scene.probe
    state = start_state(problem, np.sqrt(trial.photons) * probe[None], trial.seed)
    pie = make_solver("epie", {"hold_probe": 2 if trial.with_probe else 10_000})
    for _ in range(trial.pie_passes):
        pie.step(problem, state)
        state.iteration += 1
    return state


def errors(job: tuple[Scene, NDArray[np.bool_], Trial]) -> list[float]:
    """Return sums of squared errors: cold, cold after half of the passes, from the truth."""
    scene, lit, trial = job
    problem = problem_of(scene, trial.photons, np.random.default_rng(trial.seed))
    found = []
    for cold in (True, False):
        state = start(scene, problem, trial, cold)
        solver = MaximumLikelihood(hold_probe=0 if trial.with_probe else 100_000)
        for k in range(trial.passes):
            solver.step(problem, state)
            if cold and k + 1 == trial.passes // 2:
                half = misfit(state.object_, scene, lit, trial.with_probe)
        solver.finish(problem, state)
        found.append(misfit(state.object_, scene, lit, trial.with_probe))
    return [found[0], half, found[1]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=1, help="draws side by side")
    parser.add_argument("--draws", type=int, default=20, help="draws of the noise in each case")
    parser.add_argument("--photons", type=float, nargs="+", default=[1e4, 1e5, 1e6, 1e7], help="a frame")
    parser.add_argument("--probes", nargs="+", choices=("known", "unknown"), default=["known", "unknown"])
    parser.add_argument("--passes", type=int, default=200, help="of maximum likelihood")
    args = parser.parse_args()
    scene, began = standard_scene(), time.perf_counter()
    light, expected = scene.illumination(), scene.expected()
    lit = well_lit(light)
    fisher = fisher_matrix(scene, with_probe=True)
    bounds = [bound(scene, fisher, lit, with_probe) for with_probe in (False, True)]
    floor = float((1 / light[lit]).sum())
    del fisher
    print(f"{lit.sum()} of {lit.size} pixels compared; bounds {time.perf_counter() - began:.0f} s")
    over = ", ".join(f"{value / floor:.3f}" for value in bounds)
    print(f"bound over the sum of 1/(photons on a pixel): {over} (known, unknown probe)")
    print("probe    photons  <1 count   cold/bound  truth/bound  cold/truth  half/cold   seconds")
    with Pool(args.jobs) as pool:
        for with_probe, photons in product([name == "unknown" for name in args.probes], args.photons):
            began = time.perf_counter()
            trials = [Trial(photons, with_probe, seed, passes=args.passes) for seed in range(args.draws)]
            found = np.array(pool.map(errors, [(scene, lit, trial) for trial in trials], chunksize=1))
            report(found * photons / bounds[with_probe], trials[0], float((photons * expected < 1).mean()), began)


def report(ratios: Real, trial: Trial, dark: float, began: float) -> None:
    """Print one line and its JSON; `ratios` ``(draws, 3)`` over the bound, with standard errors of their means."""
    cold, half, truth = ratios.mean(axis=0)
    bars = ratios.std(axis=0, ddof=1) / np.sqrt(len(ratios)) if len(ratios) > 1 else np.full(3, np.nan)
    seconds = time.perf_counter() - began
    print(
        f"{'unknown' if trial.with_probe else 'known':8} {trial.photons:.0e}  {dark:8.2f}   {cold:.3f}({bars[0]:.3f})"
        f" {truth:.3f}({bars[2]:.3f})  {cold / truth:10.3f} {half / cold:10.3f} {seconds:9.0f}",
        flush=True,
    )
    values = {"cold": cold, "half": half, "truth": truth, "bar": bars[0], "cold_over_truth": cold / truth}
    print_json(
        probe="unknown" if trial.with_probe else "known",
        photons=trial.photons,
        draws=len(ratios),
        passes=trial.passes,
        **{k: round(float(v), 4) for k, v in values.items()},
    )


if __name__ == "__main__":
    main()
