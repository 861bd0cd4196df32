"""What a result says of itself in a terminal."""

from __future__ import annotations

from pathlib import Path

from recon.probe import mode_shares
from recon.result import Result


def summary(result: Result) -> list[str]:
    """Return the lines a person wants to see first."""
    (h, w), (py, px) = result.transmission.shape, result.pixel_m
    source, history, n_modes = result.provenance.source, result.history, len(result.probe)
    counts = f"{result.coverage.sum(dtype=float):.3g} {'photons' if result.unit == 'photon' else 'ADU'}"
    rows = [
        ("scan", Path(source.path).name if source else "arrays in memory"),
        ("field", f"{h * py * 1e6:.3g} x {w * px * 1e6:.3g} µm, {h} x {w} pixels (y, x)"),
        ("pixel", f"{py * 1e9:.4g} x {px * 1e9:.4g} nm at {result.geometry.energy_ev:.6g} eV"),
        ("frames", f"{len(result.frame_index)} used, {len(result.left_out)} left out, {counts} in {_of_what(result)}"),
        ("probe", f"{n_modes} mode{'s' if n_modes > 1 else ''} ({_shares(result)})"),
    ]
    rows += _model_rows(result)
    if len(history):
        error = f"R factor {history.r_factor[-1]:.4g}, {history.deviance_text} per pixel"
        rows.append(("fit", f"{error} after {history.iteration[-1]} passes, {history.seconds[-1]:.3g} s"))
    if result.stop_reason is not None:
        rows.append(("stopped", f"{result.stop_reason.value}. {result.stop_reason.advice}"))
    rows += [
        (finding.level, f"{finding.text}. {finding.fix}" if finding.fix else finding.text)
        for finding in result.findings
    ]
    first = f"halfbit result: {result.verdict} ({result.status})"
    return [first, *(f"  {name:<9}{text}" for name, text in rows)]


def _of_what(result: Result) -> str:
    """Say what the counts on the object are from: an object in common has those of all scans."""
    common = any(note.what == "together" and "object" in note.why for note in result.notes)
    return "all scans together" if common else "all"


def _shares(result: Result) -> str:
    """Shares of the modes; as fitted beside, where the noise is known to shift them."""
    found, fitted = (", ".join(f"{100 * s:.1f}" for s in x) for x in (result.occupancy, mode_shares(result.probe)))
    return f"{found} %" if result.occupancy_shift is None else f"{found} % of the power; as fitted {fitted} %"


def _model_rows(result: Result) -> list[tuple[str, str]]:
    """Return what was found beside one object, one steady probe and the measured positions."""
    rows = []
    if result.variation_basis is not None:
        k, share = len(result.variation_basis), 100 * result.variation_share
        rows.append(("", f"varying over the scan by {k} wave{'s' if k > 1 else ''}, {share:.2g} % of the power"))
    together = [note for note in result.notes if note.where == "run.share"]
    rows += [(note.what, f"{note.value} ({note.why})" if note.why else note.value) for note in together]
    if result.slice_positions_m is not None:
        places = ", ".join(f"{1e6 * z:.4g}" for z in result.slice_positions_m)
        rows.append(("slices", f"{len(result.slice_positions_m)}, at {places} µm along the beam"))
    if result.background is not None:
        rows.append(("counts", f"{100 * result.background_share:.2g} % of all are a static background"))
    if result.position_move_m > 0:
        rows.append(("moved", f"positions, by {1e9 * result.position_move_m:.3g} nm (rms)"))
    told = result.prior or "not recorded which"
    if result.without_prior is not None:
        rows.append(("prior", f"{told}; the estimate without it is kept beside"))
    elif result.prior is not None:
        rows.append(("prior", told))
    return rows
