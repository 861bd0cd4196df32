"""From the end of a run, or its middle, to a result."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon import backend, metrics
from recon.loop import PassRecord
from recon.priors import NO_PRIOR
from recon.probe import orthogonal_modes
from recon.problem import Problem
from recon.provenance import Provenance, Source
from recon.recipe import Recipe
from recon.result import History, Result, StopReason
from recon.state import State
from scans.checks import READER_WARNINGS
from scans.prepared import PreparedScan
from scans.scan import Finding, Note


def make_result(
    problem: Problem,
    prepared: PreparedScan,
    recipe: Recipe,
    state: State,
    records: list[PassRecord],
    reason: StopReason | None,
    *,
    source: Source | None,
    notes: tuple[Note, ...],
) -> Result:
    """Measure a state as it is, judge it, and put everything together."""
    fit, scan = metrics.evaluate(problem, state), prepared.scan
    verdict, findings = metrics.judge(fit, reason, prepared.unit, (*prepared.findings, *_aside(state, prepared)))
    y_m, x_m = problem.coordinates_m()
    moved = (state.positions_px - problem.positions_px) * np.array(problem.pixel_m)
    raw = scan.raw_positions
    flux = prepared.flux if state.intensity is None else (prepared.flux * state.intensity).astype(np.float32)
    return Result(
        transmission=backend.to_host(state.transmission),
        y_m=y_m,
        x_m=x_m,
        coverage=fit.illumination if fit.illumination.ndim == 2 else fit.illumination[0],
        probe=orthogonal_modes(backend.to_host(state.probe)),
        positions_measured_m=prepared.positions_m,
        positions_refined_m=prepared.positions_m + moved,
        frame_index=prepared.file_index,
        frame_intensity=flux,
        geometry=prepared.geometry,
        unit=prepared.unit,
        history=_history(records),
        stop_reason=reason,
        status="complete",
        verdict=verdict,
        recipe=recipe,
        provenance=Provenance.now(
            seed=recipe.run.seed,
            device=f"{problem.device.name} {problem.device.description}".strip(),
            fft=backend.fft_name(problem.device),
            threads=backend.thread_count(),
            source=source,
        ),
        left_out=_in_file(prepared),
        findings=findings + _guess_findings((*scan.notes, *notes), findings),
        notes=(*scan.notes, *notes),
        steps=prepared.steps,
        raw_positions=raw and replace(raw, values=raw.values[prepared.frame_index]),
        exposure_s=scan.exposure_s,
        monitor=None if scan.monitor is None else scan.monitor[prepared.frame_index],
        **_parts(state, recipe),
    )


def _parts(state: State, recipe: Recipe) -> dict[str, Any]:
    """Return the fields of a result that only some runs have."""
    parts: dict[str, Any] = {}
    if state.without_prior is not None:
        plain = replace(state, object_=state.without_prior).transmission
        parts |= {"without_prior": backend.to_host(plain), "prior": _prior_text(state, recipe)}
    if state.object_.ndim == 3 and state.depths_m is not None:
        parts["slices"] = backend.to_host(state.object_)
        parts["slice_positions_m"] = np.concatenate([[0.0], np.cumsum(state.depths_m)])
    if state.background is not None:
        parts["background"] = np.fft.fftshift(backend.to_host(state.background))
    if state.variation is not None:
        parts["variation_basis"] = backend.to_host(state.variation)
        parts["variation_coefficients"] = state.coefficients
    return parts


def _prior_text(state: State, recipe: Recipe) -> str | None:
    """Name and strength of the prior in use."""
    names = [str(stage.get("prior")) for stage in recipe.solve if stage.get("prior") not in (None, NO_PRIOR)]
    return f"{names[-1]}, strength {float(state.prior_strength):.3g}" if names and state.prior_strength else None


def _aside(state: State, prepared: PreparedScan) -> list[Finding]:
    """One finding on frames that were set aside to the end."""
    if state.aside is None:
        return []
    numbers = prepared.file_index[state.aside]
    shown = ", ".join(map(str, numbers[:10])) + (", ..." if len(numbers) > 10 else "")
    fits = "1 frame fits" if len(numbers) == 1 else f"{len(numbers)} frames fit"
    return [
        Finding(
            "caution",
            "set-aside",
            f"{fits} far worse than the others; the object was made without: {shown}",
            "Look at these frames and their positions.",
        )
    ]


def _in_file(prepared: PreparedScan) -> tuple[tuple[int, str], ...]:
    """Frames left out, by their number in the file's stack."""
    index = prepared.scan.index_in_file
    if index is None:
        return prepared.left_out
    return tuple((int(index[j]), why) for j, why in prepared.left_out)


def _guess_findings(notes: tuple[Note, ...], findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """One finding a guess, but for those that a finding tells already."""
    told = {f.code for f in findings}
    told |= {what for what, code in READER_WARNINGS.items() if code in told}
    told |= {"orientation"} if told & {"orientation-decided", "orientation-undecided"} else set()
    guesses = [n for n in notes if n.guess and n.what not in told]
    return tuple(Finding("note", "guess", f"{n.what} = {n.value} is a guess ({n.why or n.where})") for n in guesses)


def _history(records: list[PassRecord]) -> History:
    return History(
        iteration=np.array([r.iteration for r in records]),
        stage=tuple(r.stage for r in records),
        r_factor=np.array([r.r_factor for r in records]),
        deviance=np.array([r.deviance for r in records]),
        seconds=np.array([r.seconds for r in records]),
        held_out=_column([r.held_out for r in records]),
    )


def _column(values: list[float | None]) -> NDArray[np.float64] | None:
    """Make a column of values of which all or none are known (those of no records are not)."""
    return None if None in values or not values else np.array(values, np.float64)


def records_of(history: History) -> list[PassRecord]:
    """Return what `_history` was made of."""
    held_out = [None] * len(history) if history.held_out is None else history.held_out.tolist()
    columns = history.iteration, np.array(history.stage), history.r_factor, history.deviance, history.seconds
    return [PassRecord(*row) for row in zip(*(column.tolist() for column in columns), held_out, strict=True)]
