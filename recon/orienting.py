"""Turn prepared frames the way the data say, where the scan file does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from recon.orientation import OrientationDecision, decide_orientation, turned
from scans.prepared import PreparedScan
from scans.scan import Finding, Note, Orientation, Scan

Progress = Callable[[int, int], None]


def is_guess(scan: Scan) -> bool:
    """Whether the file did not say how the detector lies."""
    return any(note.what == "orientation" and note.guess for note in scan.notes)


def orient(prepared: PreparedScan, *, seed: int = 0, progress: Progress | None = None) -> PreparedScan:
    """Decide the orientation from the frames, and turn them; with the decision as step, note and finding.

    Where the data cannot tell, the frames stay as they are, and a finding asks the question that would.

    Parameters
    ----------
    seed
        Of the short reconstructions.
    progress
        Called with (short reconstructions done, in all).
    """
    decision = decide_orientation(prepared, seed=seed, progress=progress)
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
        return replace(prepared, findings=(*prepared.findings, finding), steps=(*prepared.steps, *_lines(decision)))
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
        findings=(*result.findings, finding),
        settings={**result.settings, "orientation": str(whole)},
    )


def _lines(decision: OrientationDecision) -> tuple[str, ...]:
    return tuple(line.strip() for line in str(decision).splitlines())


def _turned_scan(scan: Scan, extra: Orientation, whole: Orientation, notes: tuple[Note, ...]) -> Scan:
    geometry = scan.geometry
    if extra.transpose:
        pixel, shape = geometry.pixel_size_m, geometry.frame_shape
        geometry = replace(geometry, pixel_size_m=(pixel[1], pixel[0]), frame_shape=(shape[1], shape[0]))
    return replace(scan, orientation=whole, geometry=geometry, notes=notes)
