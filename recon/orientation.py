"""Which flips and transposition join detector axes and stage axes, decided from the data; and the rotation left.

Four kinds of evidence: curl and smooth potential of the frames' first moments, movement of the sample's shadows,
short reconstructions. Where they disagree, or all are weak, the answer is "undecided" and a question.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon import backend
from recon.loop import Loop, Stage
from recon.probe import defocus_phase, probe_from_data, scaled_to_power
from recon.problem import make_problem
from recon.result import StopReason
from recon.solvers import make_solver
from recon.stage_affine import TRIALS, AffineFit, fit_affine
from recon.state import start_state
from scans import orientation_maps as maps
from scans.geometry import Geometry
from scans.prepared import PreparedScan
from scans.scan import Orientation

Progress = Callable[[int, int], None]
Vector = NDArray[np.float64]
Waves = NDArray[np.complex128]

# Frames from the scan's middle: for moments and shadows, and for the short reconstructions; fewest, thinnest field.
_MAP_FRAMES, _SHORT_FRAMES, _FEWEST_FRAMES, _THINNEST = 200, 100, 16, 0.05
_SHORT_PASSES, _EPIE = 8, {"hold_probe": 2, "batch": 4}
_CROP = 2.6  # side of the square kept for them, in radii of the bright disc
# From here on evidence is clear: ratio of the second best to the best, or standard errors; and the log-odds that
# clear evidence is worth (at most 1.5 times). Our choice, on 20 scans; others: benchmarks/bench_orientation.py.
_CLEAR = {"curl": 1.4, "potential": 1.25, "shadows": 5.0, "reconstructions": 1.05}
_WORTH = {"curl": 2.0, "potential": 3.0, "shadows": 3.0, "reconstructions": 4.0, "matter": 3.0}
_MOST, _SURE = 1.5, 0.95
# The sign of the defocus is known from this many depths of focus (2 drn²/λ) on, matter's sign this far from edges.
_DEPTHS, _EDGE_SHARE, _EDGE_EV, _MATTER_ERRORS = 2.0, 0.03, 20.0, 6.0
_TRIES = 8  # short reconstructions of the classes
_ASK_CLASS = (
    "Move the sample stage by one step in +y, then in +x: which way does the shadow move on the detector (rows, "
    "columns)? Or give -s scan.orientation=..."
)
_ASK_SIDE = "Is the sample downstream (+) or upstream (-) of the focus? Give the zone plate's defocus with its sign."


def turned(prepared: PreparedScan, orientation: Orientation) -> PreparedScan:
    """Turn prepared frames further; the direct beam stays at ``(N//2, N//2)``.

    A flip alone would move it to N//2 - 1: frames are rolled back by one. The row or column that so comes round
    from the other side is that of the highest frequency, where both signs are the same.
    """
    axes = [axis for axis, on in ((-2, orientation.flip_y), (-1, orientation.flip_x)) if on]

    def turn(planes: NDArray[Any]) -> NDArray[Any]:
        planes = orientation.apply(planes)
        return np.ascontiguousarray(np.roll(planes, [1] * len(axes), axes) if axes else planes)

    pixel, response = prepared.geometry.pixel_size_m, prepared.response
    return replace(
        prepared,
        counts=turn(prepared.counts),
        mask=turn(prepared.mask),
        response=None if response is None else turn(response),
        geometry=replace(prepared.geometry, pixel_size_m=pixel[::-1] if orientation.transpose else pixel),
    )


@dataclass(frozen=True)
class OrientationDecision:
    """How frames are to be turned, how sure that is, and why.

    Parameters
    ----------
    orientation
        Extra turn of the *prepared* frames; ``scan.orientation.then(orientation)`` is the scan's. The best
        guess where undecided.
    decided
        Whether class and twin are both sure: only then use it without asking.
    class_confidence
        Of the class, a pair of orientations that differ by a half turn: 0.25 knows nothing, 1 is sure.
    twin, twin_confidence
        What decides between the two ("defocus", "matter" or "unknown"), and how surely: 0.5 knows nothing.
    affine
        Rotation and scale that are left: by which the positions are to be turned and multiplied.
    defocus_m
        Signed defocus that the shadows' movement means [m], too large by up to a third; None if unknown.
    evidence, question
        A line for each kind of evidence; what to find out, empty when decided.
    """

    orientation: Orientation
    decided: bool
    class_confidence: float
    twin: str
    twin_confidence: float
    affine: AffineFit
    defocus_m: float | None
    evidence: tuple[str, ...]
    question: str

    @property
    def sure(self) -> str:
        """How sure it is, in words: scores from 0 to 1, no probabilities."""
        return f"score of the class {self.class_confidence:.2f}, of the twin {self.twin_confidence:.2f} by {self.twin}"

    def __str__(self) -> str:
        head = f"orientation: {'' if self.decided else 'undecided, perhaps '}{self.orientation}"
        lines = [f"{head} (further to the frames as prepared; {self.sure})", *(f"  {line}" for line in self.evidence)]
        lines += [f"  positions against the frames: {self.affine}"]
        return "\n".join(lines + ([f"  question: {self.question}"] if self.question else []))


def decide_orientation(
    prepared: PreparedScan,
    *,
    edges_ev: Sequence[float] | None = None,
    confirm: bool = True,
    affine: bool = True,
    seed: int = 0,
    progress: Progress | None = None,
) -> OrientationDecision:
    """Decide how prepared frames are to be turned further so that rows and columns run with sample y and x.

    Parameters
    ----------
    prepared
        Frames with the direct beam centred; any orientation.
    edges_ev
        Absorption edges of the elements in the sample [eV]. Only with these may matter decide the twin, and only
        far from all: between 250 and 4200 eV there is nearly always an edge of some element within 3 %.
    confirm, seed
        Reconstruct briefly (some seconds), with this seed. Without, moments and shadows must both be clear.
    affine
        Measure rotation and scale of the positions too, once the orientation is sure: about twice the time.
    progress
        Called with (short reconstructions done, in all).
    """
    spread = np.linalg.svd(prepared.positions_m - prepared.positions_m.mean(axis=0), compute_uv=False)
    if len(prepared.counts) < _FEWEST_FRAMES or spread[1] < _THINNEST * spread[0]:
        why = f"{len(prepared.counts)} frames are too few to tell, or all on a line"
        blank = Orientation(), False, 0.25, "unknown", 0.5, AffineFit(why="too few frames"), None
        return OrientationDecision(*blank, (why,), f"{why}. {_ASK_CLASS}")
    central = _central(prepared, _MAP_FRAMES)
    evidence, shadow = _map_evidence(central)
    in_all = _TRIES + (TRIALS if affine else 0)
    tries = None if progress is None else lambda done: progress(done, in_all)
    short = _short_runs(prepared, shadow, seed, tries) if confirm else None
    if short is not None:
        figure = short.r_factor.min(axis=1)
        evidence.append(_by_ratio("reconstructions", figure, f"R factor after {_SHORT_PASSES} passes"))
    total = sum((e.log_odds for e in evidence), np.zeros(4))
    best, odds = int(np.argmax(total)), np.exp(total - total.max())
    confidence, doubt = float(odds[best] / odds.sum()), _doubt(evidence, best)
    twin = _decide_twin(prepared, best, shadow, short, edges_ev)
    chosen = maps.ALL[best + (4 if twin.half_turn else 0)]
    question = doubt or (f"all evidence is weak. {_ASK_CLASS}" if confidence < _SURE else twin.question)
    known = shadow if not doubt and any(e.name == "shadows" and e.clear for e in evidence) else None
    defocus = None if known is None else _defocus_from(known, chosen, prepared.geometry)
    fit = AffineFit(why="not asked for" if short is None or not affine else "the orientation comes first")
    if short is not None and affine and not doubt and confidence >= _SURE:
        tell = None if tries is None else lambda done: tries(_TRIES + done)
        fit = fit_affine(short.frames[best], short.probes[short.best_run(best)], seed=seed, progress=tell)
    return OrientationDecision(
        chosen,
        not question,
        min(confidence, 0.5) if doubt else confidence,
        twin.by,
        twin.confidence,
        fit,
        defocus,
        (*map(str, evidence), *twin.lines),
        question,
    )


@dataclass(frozen=True)
class _Evidence:
    """How far each of the four classes is behind the best (1 = clearly) by one kind of evidence."""

    name: str
    strength: Vector
    what: str

    @property
    def best(self) -> int:
        return int(np.argmin(self.strength))

    @property
    def clear(self) -> bool:
        return bool(np.sort(self.strength)[1] >= 1)

    @property
    def log_odds(self) -> Vector:
        return -_WORTH[self.name] * np.minimum(self.strength, _MOST)

    def __str__(self) -> str:
        return f"{self.name}, {'clearly' if self.clear else 'weakly'} for {maps.CLASSES[self.best]}: {self.what}"


def _by_ratio(name: str, figure: Vector, what: str) -> _Evidence:
    ratio = np.maximum(figure, 1e-12) / max(figure.min(), 1e-12)
    return _Evidence(name, np.log(ratio) / math.log(_CLEAR[name]), f"{what}: {_listed(figure)}")


def _listed(figures: Vector) -> str:
    return ", ".join(f"{o} {v:.3g}" for o, v in zip(maps.CLASSES, figures, strict=True))


def _doubt(evidence: list[_Evidence], best: int) -> str:
    """Say what forbids a decision: clear evidence for another class, or too little that is clear for this."""
    against = [e.name for e in evidence if e.clear and e.best != best]
    # both figures of the moments are misled by detail below the step: they count as one
    kinds = {"moments" if e.name in ("curl", "potential") else e.name for e in evidence if e.clear}
    if against:
        return f"{' and '.join(against)} speak clearly for another orientation. {_ASK_CLASS}"
    return "" if "reconstructions" in kinds or len(kinds) > 1 else f"too little of the evidence is clear. {_ASK_CLASS}"


def _central(prepared: PreparedScan, count: int) -> PreparedScan:
    """Return the frames nearest to the scan's middle, normalised, in single precision."""
    away = np.hypot(*(prepared.positions_m - np.median(prepared.positions_m, axis=0)).T)
    chosen = np.sort(np.argsort(away, kind="stable")[:count])
    return replace(
        prepared,
        counts=np.concatenate([prepared.normalised(slice(int(j), int(j) + 1)) for j in chosen]),
        mask=prepared.mask if prepared.mask.ndim == 2 else prepared.mask[chosen],
        response=None,
        flux=np.ones(len(chosen), np.float32),
        positions_m=prepared.positions_m[chosen],
        frame_index=prepared.frame_index[chosen],
    )


def _filled(central: PreparedScan) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Frames with unmeasured pixels at the mean of the frames that measured them, and pixels that most did."""
    if central.mask.ndim == 2:
        return central.counts, central.mask
    n = central.mask.sum(axis=0)
    mean = central.counts.sum(axis=0, dtype=np.float64) / np.maximum(n, 1)
    return np.where(central.mask, central.counts, mean.astype(np.float32)), 2 * n > len(central.mask)


def _map_evidence(central: PreparedScan) -> tuple[list[_Evidence], maps.ShadowFit | None]:
    """Evidence of moments and shadows, and the shadows' movement."""
    frames, good = _filled(central)
    shifts, positions = maps.first_moments(frames, good), central.positions_m
    curl, misfit = maps.curl_residuals(positions, shifts), maps.potential_residuals(positions, shifts)
    found = [
        _by_ratio("curl", curl, "share of the moments' slopes that is curl"),
        _by_ratio("potential", misfit, "misfit of the moments to a smooth potential"),
    ]
    shadow = maps.shadow_fit(frames, good, positions)
    if shadow is not None:
        leads = np.minimum(shadow.leads[:4], shadow.leads[4:])
        what = f"lead of the best over each [standard errors]: {_listed(leads)}"
        found.append(_Evidence("shadows", np.maximum(leads, 0) / _CLEAR["shadows"], what))
    return found, shadow


@dataclass(frozen=True)
class _ShortRuns:
    """What the short reconstructions gave, for `CLASSES` and defocus +, -.

    `r_factor` ``(4, 2)``; frames of each class; objects and probes row by row.
    """

    r_factor: Vector
    frames: list[PreparedScan]
    objects: list[Waves]
    probes: list[Waves]

    def best_run(self, k: int) -> int:
        """Row of the better defocus of a class."""
        return 2 * k + int(np.argmin(self.r_factor[k]))


def _short_runs(
    prepared: PreparedScan, shadow: maps.ShadowFit | None, seed: int, progress: Callable[[int], None] | None
) -> _ShortRuns:
    """Reconstruct briefly with each class and each sign of the defocus."""
    small, device = _cropped(_central(prepared, _SHORT_FRAMES)), backend.open_device("cpu")
    size_m = _trial_defocus(prepared, shadow)
    runs = _ShortRuns(np.zeros((4, 2)), [turned(small, o) for o in maps.CLASSES], [], [])
    for k, side in np.ndindex(4, 2):
        if side == 0:
            frames = runs.frames[k]
            problem, mean = make_problem(frames, device), frames.counts.mean(axis=0, dtype=np.float64)
            pupil = np.fft.ifftshift(np.sqrt(np.where(maps.bright_disc(mean), mean, 0)))
        spectrum = pupil * defocus_phase(frames.geometry, size_m * (1 - 2 * side))
        probe = scaled_to_power(np.fft.fftshift(np.fft.ifft2(spectrum))[None], problem.power)
        state = start_state(problem, probe, seed)
        loop = Loop(problem, [Stage("orientation", make_solver("epie", _EPIE), _SHORT_PASSES)])
        if loop.run(state) is StopReason.INTERRUPTED:
            raise KeyboardInterrupt
        runs.r_factor[k, side] = min(record.r_factor for record in loop.records)
        (y0, x0), (y1, x1) = (f(state.positions_px, axis=0).astype(int) for f in (np.min, np.max))
        runs.objects.append(np.asarray(state.object_[y0 : y1 + 1, x0 : x1 + 1], np.complex128))
        runs.probes.append(np.asarray(state.probe, np.complex128))
        if progress is not None:
            progress(len(runs.objects))
    return runs


def _cropped(central: PreparedScan) -> PreparedScan:
    """Cut frames to a square around the bright disc: fast, and enough to tell."""
    n = central.counts.shape[-1]
    lit = np.array(np.nonzero(maps.bright_disc(central.counts.mean(axis=0, dtype=np.float64))))
    size = min(n, max(48, 2 * math.ceil(_CROP * np.abs(lit - n // 2).max() / 2)))
    cut = np.s_[..., n // 2 - size // 2 : n // 2 + size // 2, n // 2 - size // 2 : n // 2 + size // 2]
    counts, mask = np.ascontiguousarray(central.counts[cut]), central.mask[cut].copy()
    return replace(central, counts=counts, mask=mask, geometry=central.geometry.with_frame_shape((size, size)))


def _trial_defocus(prepared: PreparedScan, shadow: maps.ShadowFit | None) -> float:
    """Size of the defocus to start from [m]: the nominal, else the shadows', else from all frames."""
    optic = prepared.scan.zone_plate
    if optic is not None and optic.defocus_m:
        return abs(optic.defocus_m)
    if shadow is not None and shadow.scores.max() > _CLEAR["shadows"]:
        return abs(_defocus_from(shadow, Orientation(), prepared.geometry))
    frames = prepared.normalised()
    return abs(probe_from_data(frames, prepared.mask, prepared.geometry, prepared.positions_m).defocus_m)


def _oriented_matrix(shadow: maps.ShadowFit, orientation: Orientation, geometry: Geometry) -> Vector:
    """Movement on the oriented detector [spatial frequency 1/m] for a movement on the sample [m]."""
    pixel = np.array(geometry.pixel_size_m) / (geometry.wavelength_m * geometry.distance_m)
    return np.asarray(maps.matrix_of(orientation) @ (pixel[:, None] * shadow.matrix))


def _defocus_from(shadow: maps.ShadowFit, orientation: Orientation, geometry: Geometry) -> float:
    """Signed defocus [m]: shadows of a movement d are -d/(λz) apart in spatial frequency."""
    matrix = _oriented_matrix(shadow, orientation, geometry)
    size = max(math.sqrt(abs(float(np.linalg.det(matrix)))), 1e-30)
    return -math.copysign(1 / (geometry.wavelength_m * size), float(np.trace(matrix)))


@dataclass(frozen=True)
class _Twin:
    """Whether the class needs a half turn, by what that was decided, how surely, and what to ask."""

    half_turn: bool
    by: str
    confidence: float
    lines: tuple[str, ...]
    question: str


def _decide_twin(
    prepared: PreparedScan,
    best: int,
    shadow: maps.ShadowFit | None,
    short: _ShortRuns | None,
    edges_ev: Sequence[float] | None,
) -> _Twin:
    """By the known sign of the defocus, or by matter away from edges; where both are known they must agree."""
    side, lines, votes = 0.0, [], {}  # side: log-odds for downstream, were the frames turned by the class as it is
    if shadow is not None:
        # downstream of the focus the shadows move against the probe
        side -= _WORTH["shadows"] * float(np.clip(shadow.scores[best] / _CLEAR["shadows"], -_MOST, _MOST))
        lines.append(f"shadows move along with the probe by {shadow.scores[best]:+.3g} standard errors")
    if short is not None:
        plus, minus = short.r_factor[best]
        ratio = np.log(minus / plus) / math.log(_CLEAR["reconstructions"])
        side += _WORTH["reconstructions"] * float(np.clip(ratio, -_MOST, _MOST))
        lines.append(f"R factor {plus:.3g} with the sample downstream of the focus, {minus:.3g} upstream")
        value, sigma = maps.matter_correlation(short.objects[short.best_run(best)])
        why = _near_edge(prepared.geometry.energy_ev, edges_ev)
        lines.append(f"phase and ln(amplitude) correlate by {value:+.2f} +- {sigma:.2f}; {why or 'used'}")
        if not why:
            votes["matter"] = _WORTH["matter"] * float(
                np.clip(value / max(_MATTER_ERRORS * sigma, 1e-9), -_MOST, _MOST)
            )
    optic = prepared.scan.zone_plate
    if optic is not None and optic.defocus_m is not None:
        depths = optic.defocus_m * prepared.geometry.wavelength_m / (2 * optic.outer_zone_m**2)
        votes |= {"defocus": side * math.copysign(1, depths)} if abs(depths) > _DEPTHS else {}
    if not votes:
        return _Twin(False, "unknown", 0.5, tuple(lines), _ASK_SIDE)
    name = max(votes, key=lambda key: abs(votes[key]))
    if len({v > 0 for v in votes.values() if abs(v) > 2}) > 1:
        return _Twin(False, "unknown", 0.5, tuple(lines), f"Defocus and matter disagree. {_ASK_SIDE}")
    confidence = 1 / (1 + math.exp(-abs(votes[name])))
    return _Twin(votes[name] < 0, name, confidence, tuple(lines), "" if confidence >= _SURE else _ASK_SIDE)


def _near_edge(energy_ev: float, edges_ev: Sequence[float] | None) -> str:
    """Say why matter must not decide here; empty where it may."""
    if edges_ev is None:
        return "not used: the sample's absorption edges are not known"
    near = [e for e in edges_ev if abs(e - energy_ev) < max(_EDGE_EV, _EDGE_SHARE * energy_ev)]
    return f"not used: the edge at {near[0]:g} eV is near" if near else ""
