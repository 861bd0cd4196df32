"""`reconstruct`: the whole chain on one page. Start reading here."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import scans
from recon import backend, orienting
from recon.loop import PassRecord
from recon.recipe import Recipe, parse_recipe, read_recipe
from recon.result import Result, Source
from recon.run import Run
from scans.detector import Watch
from scans.errors import InputError
from scans.options import PrepareOptions
from scans.prepared import PreparedScan
from scans.scan import Scan


def reconstruct(
    scan: Scan | PreparedScan | str | Path,
    recipe: Recipe | str | Path | None = None,
    *,
    device: str | None = None,
    resume: Result | None = None,
    on_pass: Callable[[PassRecord, float], None] | None = None,
    on_checkpoint: Callable[[Result], None] | None = None,
    on_trial: Callable[[int, int], None] | None = None,
    began: float | None = None,
) -> Result:
    """Reconstruct object and probe from a scan.

    Parameters
    ----------
    scan
        A scan, a prepared scan, or the path of a scan file (``FILE::/entry`` picks an entry).
    recipe
        A recipe or the path of one; whatever it leaves open is chosen from the data.
    device
        Overrides the recipe's device: "auto", "cpu", "gpu" or "gpu:N".
    resume
        An interrupted result of the same scan that holds its solver state; the run goes on from there with
        the recipe of that result.
    on_pass, on_checkpoint
        Called after each pass with its record and the seconds left, and at times with a result that can be
        resumed.
    on_trial
        Called with the short trials done, which decide what is refined, and those expected.
    began
        When the time budget began to run, by `time.perf_counter`; now, where it is None.

    Returns
    -------
    Result
        Interrupted and time-limited runs hold their solver state, so that they can be resumed.

    Raises
    ------
    InputError
        When the scan, the recipe or the device cannot be used.
    """
    began, recipe = began or time.perf_counter(), resolve_recipe(recipe, resume)
    prepared = resolve_scan(scan, recipe)
    if recipe.run.share is not None:
        raise InputError(
            f"run.share = {recipe.run.share} with one scan",
            where=f"{prepared.scan.name}, recipe, run.share",
            expected="several scans that have something in common",
            fix="Leave it out, or name all scans.",
        )
    opened = backend.open_device(device or recipe.run.device or "auto")
    run = Run.of(prepared, recipe, opened, source=source_of(prepared), began=began)  # reading and preparing count
    run.decide(opened, asked=device, on_trial=on_trial)
    state, loop, reason = run.solve(resume, on_pass=on_pass, on_checkpoint=on_checkpoint)
    return run.with_shares(run.finish(state, loop.records, reason), state, loop)


def resolve_recipe(recipe: Recipe | str | Path | None, resume: Result | None) -> Recipe:
    """Return the recipe to go by: that of a checkpoint, or what is given."""
    if resume is not None:
        return resume.recipe
    if recipe is None:
        return parse_recipe("")
    return recipe if isinstance(recipe, Recipe) else read_recipe(recipe)


def resolve_scan(scan: Scan | PreparedScan | str | Path, recipe: Recipe) -> PreparedScan:
    """Read and prepare a scan as far as it is not."""
    if isinstance(scan, PreparedScan):
        return scan
    return prepare_scan(scan if isinstance(scan, Scan) else load_scan(scan, recipe), recipe)


def load_scan(path: str | Path, recipe: Recipe) -> Scan:
    """Open a scan file with the recipe's corrections."""
    return scans.load(path, **_given(recipe.scan))


def prepare_options(recipe: Recipe) -> PrepareOptions:
    """Return what the recipe says of preparation."""
    return PrepareOptions(**_given(recipe.prepare))


def prepare_scan(
    scan: Scan,
    recipe: Recipe,
    progress: Callable[[int, int], None] | None = None,
    *,
    on_orientation: Callable[[int, int], None] | None = None,
    watch: Watch | None = None,
    affine: bool = False,
) -> PreparedScan:
    """Prepare a scan as the recipe says, and turn it where neither file nor recipe say how.

    Parameters
    ----------
    progress
        Gets frames done and frames in all.
    on_orientation
        Gets short reconstructions done and in all, where the orientation has to be found.
    watch
        Sees the cleaned frames as they pass, before they are turned by what they say themselves.
    affine
        Where the orientation has to be found, measure rotation and scale of the positions too.
    """
    prepared = scans.prepare(scan, prepare_options(recipe), progress=progress, watch=watch)
    if recipe.scan.orientation is None and not scan.prepared and orienting.is_guess(scan):
        prepared = orienting.orient(prepared, affine=affine, seed=recipe.run.seed, progress=on_orientation)
    return prepared


def source_of(prepared: PreparedScan) -> Source | None:
    """Describe the scan file as it is when the run begins: it may be gone or changed when the run ends."""
    scan = prepared.scan
    return Source.of(scan.path, scan.entry) if scan.path else None


def _given(section: Any) -> dict[str, Any]:
    return {key: value for key, value in asdict(section).items() if value is not None}
