"""`reconstruct_together`: several scans that have probe or object in common, in one run."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from recon import backend
from recon.loop import PassRecord
from recon.mode_shares import SHARES_UNTOLD
from recon.recipe import Recipe
from recon.result import Result, Source
from recon.run import Run
from recon.run_result import make_result
from recon.scan_offsets import Offsets, find_offsets
from recon.together import join
from recon.workflow import resolve_recipe, resolve_scan, source_of
from scans.errors import InputError
from scans.prepared import PreparedScan
from scans.scan import Note, Scan


def reconstruct_together(
    several: Sequence[Scan | PreparedScan | str | Path],
    recipe: Recipe | str | Path | None = None,
    *,
    device: str | None = None,
    resume: Result | None = None,
    on_pass: Callable[[PassRecord, float], None] | None = None,
    on_checkpoint: Callable[[Result], None] | None = None,
    on_trial: Callable[[int, int], None] | None = None,
    began: float | None = None,
) -> tuple[Result, ...]:
    """Reconstruct scans that share the probe, the object, or both; one result for each.

    What is chosen from the data is chosen by the first scan. Where the object is shared, scans are brought together
    by short reconstructions of each, and without a common probe the strongest mode is each scan's own.

    Parameters
    ----------
    several
        Two scans or more, of one geometry.
    recipe
        With `run.share`: "probe", "object" or "both".
    resume
        A checkpoint of these scans, in the same order.
    device, on_pass, on_trial, began
        As for `recon.reconstruct`.
    on_checkpoint
        Called at times with all frames in one result, which can be resumed; also when the run is interrupted or its
        time is up.

    Raises
    ------
    InputError
        When scans do not fit together, or the recipe does not say what they share.
    """
    began, recipe = began or time.perf_counter(), resolve_recipe(recipe, resume)
    parts = [resolve_scan(scan, recipe) for scan in several]
    share = what_they_share(recipe, len(parts))
    offsets = _offsets(parts, recipe, resume, device, on_pass)
    together = join(parts, share, offsets.values_m)
    sources = [source_of(part) for part in parts]
    opened = backend.open_device(device or recipe.run.device or "auto")
    run = Run.of(
        together.prepared,
        recipe,
        opened,
        source=all_of(sources),
        parts=together.parts,
        groups=together.groups,
        began=began,  # the search for offsets counts
    )
    run.decide(opened, asked=device, on_trial=on_trial)
    state, loop, reason = run.solve(resume, on_pass=on_pass, on_checkpoint=on_checkpoint)
    whole = run.finish(state, loop.records, reason)
    if whole.solver_state is not None and on_checkpoint:
        on_checkpoint(whole)
    if share != "object":
        whole = run.with_shares(whole, state, loop)
    untold = tuple(finding for finding in whole.findings if finding.code == SHARES_UNTOLD)
    found = []
    for number, source in enumerate(sources):
        problem, own = together.part(number, run.problem, state)
        notes = (*run.notes, together.note(number), *offsets.notes[number])
        result = make_result(
            problem, together.parts[number], run.recipe, own, loop.records, reason, source=source, notes=notes
        )
        # light of all scans fell on an object that they share
        coverage, findings = result.coverage if share == "probe" else whole.coverage, (*result.findings, *untold)
        common = replace(result, status=whole.status, occupancy_shift=whole.occupancy_shift, coverage=coverage)
        found.append(replace(common, findings=findings))
    return tuple(found)


def what_they_share(recipe: Recipe, n_scans: int) -> str:
    """Return what so many scans have in common by their recipe.

    Raises
    ------
    InputError
        When it does not say, or they cannot.
    """
    if n_scans < 2:
        raise InputError(
            f"{n_scans} scan",
            where="scans to be reconstructed together",
            expected="two or more",
            fix="Use recon.reconstruct for one.",
        )
    share = recipe.run.share
    if share is None:
        raise InputError(
            f"{n_scans} scans, and nothing says what they have in common",
            where="recipe, run.share",
            expected='"probe" (other places, same optics), "object" (same place, another probe) or "both"',
            fix="Give it, e.g. -s run.share=probe, or reconstruct them one by one.",
        )
    if share == "object" and recipe.probe.variation:
        raise InputError(
            f"probe.variation = {recipe.probe.variation} beside run.share = object",
            where="recipe, probe.variation",
            expected="a probe that is steady in each scan where scans have probes of their own",
            fix="Leave probe.variation out.",
        )
    return share


def _offsets(
    parts: Sequence[PreparedScan],
    recipe: Recipe,
    resume: Result | None,
    device: str | None,
    on_pass: Callable[[PassRecord, float], None] | None,
) -> Offsets:
    """Return the offsets of the scans where they share an object; a checkpoint has found them before."""
    if recipe.run.share == "probe":
        return Offsets(np.zeros((len(parts), 2)), tuple(() for _ in parts))
    if resume is None:
        return find_offsets(parts, recipe, device, on_pass)
    _check_frames(parts, resume)
    ends = np.cumsum([len(part.counts) for part in parts])[:-1]
    then = np.split(resume.positions_measured_m, ends)
    values = [(a - part.positions_m).mean(axis=0) for a, part in zip(then, parts, strict=True)]
    note = Note("offset", "as in the checkpoint", "run.share")
    return Offsets(np.array(values), ((), *((note,) for _ in parts[1:])))


def _check_frames(parts: Sequence[PreparedScan], resume: Result) -> None:
    n, known = sum(len(part.counts) for part in parts), len(resume.positions_measured_m)
    if n != known:
        raise InputError(
            f"a checkpoint of {known} frames",
            where="--resume",
            expected=f"the {n} frames of these scans",
            fix="Name the same scans in the same order, or start anew without --resume.",
        )


def all_of(sources: Sequence[Source | None]) -> Source | None:
    """Return one source that stands for all, in their order."""
    files = [source for source in sources if source is not None]
    if len(files) < len(sources):
        return None
    digest = hashlib.sha256("".join(f.checksum for f in files).encode()).hexdigest()
    latest, size = max(f.modified for f in files), sum(f.size_bytes for f in files)
    return Source(" + ".join(f.path for f in files), files[0].entry, size, latest, digest)
