"""Turn prepared frames the way the data say, where the scan file does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from recon.orientation import OrientationDecision, decide_orientation, turned
from recon.stage_affine import AffineFit
from scans.prepared import PreparedScan
from scans.scan import Finding, Note, Orientation, Scan

Progress = Callable[[int, int], None]

# Standard errors from which rotation and scale are told, if they move the outermost frames by this many pixels.
_ERRORS, _PIXELS = 3.0, 0.5


def is_guess(scan: Scan) -> bool:
    """Whether the file did not say how the detector lies."""
    return any(note.what == "orientation" and note.guess for note in scan.notes)


def orient(
    prepared: PreparedScan, *, affine: bool = True, seed: int = 0, progress: Progress | None = None
) -> PreparedScan:
    """Decide the orientation from the frames, and turn them; with the decision as step, note and finding.

    Where the data cannot tell, the frames stay as they are, and a finding asks the question that would.

    Parameters
    ----------
    affine
        Measure rotation and scale of the positions too: about twice the time.
    seed
        Of the short reconstructions.
    progress
        Called with (short reconstructions done, in all).
    """
    decision = decide_orientation(prepared, affine=affine, seed=seed, progress=progress)
    return apply(prepared, decision)


def apply(prepared: PreparedScan, decision: OrientationDecision) -> PreparedScan:
    """Turn the frames by a decision and record it."""
    scan = prepared.scan
    whole = scan.orientation.then(decision.orientation)
    if not decision.decided:
        # what is left to a person: the class is nothing without the twin, and half a turn more fits as well
        finding = Finding(
            "caution",
            "orientation-undecided",
            f"how the detector lies is not known, and the data do not decide: {decision.question}",
            f"Give it with -s scan.orientation=... (best guess: {whole}); the frames stay as stored until then.",
        )
        findings = (*prepared.findings, finding, *_affine_findings(prepared, decision.affine))
        return replace(prepared, findings=findings, steps=(*prepared.steps, *_lines(decision)))
    changed = decision.orientation != Orientation()
    result = turned(prepared, decision.orientation) if changed else prepared
    sure = decision.sure
    note = Note("orientation", str(whole), "the frames themselves", f"decided from the data: {sure}", guess=True)
    others = tuple(n for n in scan.notes if n.what != "orientation")
    finding = Finding(
        "note",
        "orientation-decided",
        f"the file does not say how the detector lies; the data say: {whole} ({sure})",
        "Give it with -s scan.orientation=... if it is otherwise.",
    )
    return replace(
        result,
        scan=_turned_scan(scan, decision.orientation, whole, (*others, note)),
        steps=(*result.steps, *_lines(decision)),
        findings=(*result.findings, finding, *_affine_findings(prepared, decision.affine)),
        settings={**result.settings, "orientation": str(whole)},
    )


def _affine_findings(prepared: PreparedScan, fit: AffineFit) -> tuple[Finding, ...]:
    """Say by how much positions and frames disagree, where that is sure and matters; nothing is applied."""
    positions_m, pixel_m = prepared.positions_m, np.array(prepared.geometry.object_pixel_m)
    reach_px = float(np.hypot(*((positions_m - positions_m.mean(axis=0)) / pixel_m).T).max())
    found, fixes = [], []
    for what, value, sigma, neutral, option, unit in (
        ("turned", fit.rotation_rad, fit.rotation_sigma_rad, 0.0, "position_rotation_mrad", 1e3),
        ("scaled", fit.scale, fit.scale_sigma, 1.0, "position_factor", 1.0),
    ):
        if value is None or sigma is None:
            continue
        off = abs(value - neutral)
        if off > _ERRORS * sigma and off * reach_px > _PIXELS:
            amount = f"{unit * value:.3g} +- {unit * sigma:.2g}{' mrad' if unit > 1 else ''}"
            found.append(f"{what} by {amount} ({off * reach_px:.2g} pixels at the rim of the field)")
            whole = _whole(prepared.scan, option, unit * value, neutral)
            fixes.append(f"-s scan.{option}={whole:.4g}")
    if not found:
        return ()
    cause = "; a scale may as well be a wrong distance, energy or pixel size" if fit.scale is not None else ""
    return (
        Finding(
            "caution",
            "positions-affine",
            f"the frames agree with positions that are {' and '.join(found)}; they are used as stated",
            f"Try {' '.join(fixes)} and compare{cause}.",
        ),
    )


def _whole(scan: Scan, option: str, more: float, neutral: float) -> float:
    """Join what was found to what the user gave already: angles add up, factors multiply."""
    given = [float(note.value) for note in scan.notes if note.what == option]
    if not given:
        return more
    return given[-1] + more if neutral == 0 else given[-1] * more


def _lines(decision: OrientationDecision) -> tuple[str, ...]:
    return tuple(line.strip() for line in str(decision).splitlines())


def _turned_scan(scan: Scan, extra: Orientation, whole: Orientation, notes: tuple[Note, ...]) -> Scan:
    geometry = scan.geometry
    if extra.transpose:
        pixel, shape = geometry.pixel_size_m, geometry.frame_shape
        geometry = replace(geometry, pixel_size_m=(pixel[1], pixel[0]), frame_shape=(shape[1], shape[0]))
    return replace(scan, orientation=whole, geometry=geometry, notes=notes)
