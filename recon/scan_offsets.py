"""How far scans of one sample lie apart beside what their stages wrote: by short reconstructions of each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.loop import PassRecord
from recon.recipe import Recipe, parse_recipe
from recon.recipe_sections import SolveStage
from recon.registration import Match, register
from recon.result import Result
from recon.workflow import reconstruct
from scans.prepared import PreparedScan
from scans.scan import Note

# Passes of `rpie` that show a sample well enough to be found again.
PASSES = 25
# Images whose contrasts correlate less than this do not show the same.
SAME = 0.3
# Lit is what gets this share of the best lit pixel's photons; less in common than this share of it tells nothing.
LIT, COMMON = 0.1, 0.05


@dataclass(frozen=True)
class Offsets:
    """What to add to the positions of each scan ``(S, 2)`` [m], and what is to be told of each."""

    values_m: NDArray[np.float64]
    notes: tuple[tuple[Note, ...], ...]


def find_offsets(
    parts: Sequence[PreparedScan],
    recipe: Recipe,
    device: str | None = None,
    on_pass: Callable[[PassRecord, float], None] | None = None,
) -> Offsets:
    """Reconstruct each scan for a few passes and bring its image onto that of the first.

    Where two images do not show the same, the positions stay as the stage wrote them, and the note is a guess.
    """
    short = _short(recipe)
    images = []
    for part in parts:
        images.append(reconstruct(part, short, device=device, on_pass=on_pass))
        if images[-1].status == "interrupted":
            raise KeyboardInterrupt
    values: list[NDArray[np.float64]] = [np.zeros(2)]
    notes: list[tuple[Note, ...]] = [()]
    for image in images[1:]:
        offset, note = _offset(image, images[0])
        values.append(offset)
        notes.append((note,))
    return Offsets(np.array(values), tuple(notes))


def _short(recipe: Recipe) -> Recipe:
    probe = replace(recipe.probe, modes=1, variation=0, background=False, intensity=False, share_passes=0)
    plain = parse_recipe("[positions]\nrefine = false\n[run]\nheld_out = 0.0\ntrial_passes = 0\n")
    run = replace(plain.run, seed=recipe.run.seed, device=recipe.run.device, precision=recipe.run.precision)
    return replace(plain, probe=probe, run=run, solve=(SolveStage("offsets", "rpie", PASSES),))


def _offset(image: Result, first: Result) -> tuple[NDArray[np.float64], Note]:
    match = register(image.transmission, first.transmission, weight=first.coverage, moving_weight=image.coverage)
    here, there = (np.array([r.y_m[0], r.x_m[0]]) for r in (first, image))
    offset = here - there - np.array(match.shift_px) * np.array(first.pixel_m)
    alike = _alikeness(image, first, match)
    told = f"{offset[0] * 1e9:+.3g}, {offset[1] * 1e9:+.3g} nm (y, x)"
    if alike >= SAME:
        why = f"registered after {PASSES} passes each; correlation of the contrasts {alike:.2f}"
        return offset, Note("offset", told, "run.share", why)
    why = (
        f"the images do not show the same (correlation of the contrasts {alike:.2f}): positions as the stage wrote them"
    )
    return np.zeros(2), Note("offset", "0 nm", "run.share", why, guess=True)


def _alikeness(image: Result, first: Result, match: Match) -> float:
    """Correlation of the contrasts where both are lit; 0 where that is next to nowhere."""
    lit = image.coverage > LIT * image.coverage.max()
    both = match.covers(lit) & (first.coverage > LIT * first.coverage.max())
    if both.sum() < COMMON * lit.sum():
        return 0.0
    a, b = (o[both] - o[both].mean() for o in (match.apply(image.transmission, lit), first.transmission))
    return float(abs(np.vdot(a, b)) / max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-30))
