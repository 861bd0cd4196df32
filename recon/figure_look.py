"""Figure of a first look at a scan."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from recon.figure_colours import (
    AMPLITUDE_MAP,
    FAINT,
    INK,
    LEVEL_COLOURS,
    MUTED,
    VERMILION,
    Scale,
    count_scale,
    robust_limits,
    symmetric_scale,
)
from recon.figure_panels import (
    draw_table,
    nearest_map,
    order_panel,
    period_axis,
    plot_axes,
    positions_window,
    table_rows,
    typical_step_m,
)
from recon.figure_parts import (
    EDGE,
    HEADER,
    LINE,
    WIDTH,
    Box,
    Page,
    Window,
    draw_remarks,
    header,
    house_style,
    image,
    remark_lines,
)
from recon.figure_patterns import mark_pixels, pattern_panel
from scans.checks import check_scan, geometry_table
from scans.geometry import Geometry
from scans.measures import probe_size
from scans.overview import FirstLook
from scans.prepared import PreparedScan
from scans.scan import Finding, Scan


def inspect_figure(
    scan: Scan, look: FirstLook, prepared: PreparedScan | None = None, *, findings: Sequence[Finding] | None = None
) -> Figure:
    """Draw patterns, transmission and phase-gradient maps, positions and geometry of a scan.

    Parameters
    ----------
    look
        As `first_look` made it of `scan`.
    prepared
        Adds left-out frames and the findings of preparation.
    findings
        In place of these.
    """
    with house_style():
        if findings is None:
            findings = prepared.findings if prepared else tuple(check_scan(scan))
        remarks = remark_lines(findings, WIDTH)
        panels, beside = Box(EDGE, HEADER, 8.9, 8.1), Box(9.45, HEADER, WIDTH - 9.45 - EDGE, 0)
        rows, table_height = table_rows(geometry_table(scan, look), beside.width)
        height = max(panels.height, table_height)
        page = Page(WIDTH, HEADER + height + 0.3 + LINE * len(remarks))
        _scan_header(page, scan, look, findings)
        row = Box(panels.left, panels.top, panels.width, height / 3 - 0.05)
        upper, middle, lower = (
            row.inner(top=k * height / 3, bottom=-k * height / 3).columns(3, 0.1) for k in (0, 1, 2)
        )
        _patterns(page, upper[:2], scan, look)
        step = typical_step_m(scan.positions_m, min(scan.geometry.frame_width_m) / 4)
        window = positions_window(scan.positions_m, 0.8 * step)
        left_out = np.array([j for j, _ in prepared.left_out] if prepared else look.zero_frames, dtype=int)
        probe = probe_size(scan.zone_plate, scan.geometry.wavelength_m)
        diameter_m = probe.diameter_m if probe else None
        order_panel(page, upper[2], scan.positions_m, window=window, left_out=left_out, probe_m=diameter_m)
        _maps(page, [*middle, *lower[:2]], scan, look, window=window, step_m=step)
        _radial(page, lower[2].inner(left=0.1, top=0.34, right=0.35), look, scan.geometry)
        draw_table(page, beside, "Geometry", rows)
        draw_remarks(page, HEADER + height + 0.1, remarks)
        return page.figure


def _scan_header(page: Page, scan: Scan, look: FirstLook, findings: Sequence[Finding]) -> None:
    h, w = look.mean.shape
    gain = "" if look.unit == "photon" else " · gain unknown: counts in ADU"
    facts = [
        f"{scan.n_frames} frames of {h} × {w} pixels · {scan.geometry.energy_ev:.6g} eV · object pixel "
        f"{min(scan.geometry.object_pixel_m) * 1e9:.4g} nm · layout {scan.layout}{gain}",
        scan.title,
    ]
    if scan.guesses:
        facts[1] = "guessed, please check: " + ", ".join(f"{n.what} = {n.value}" for n in scan.guesses)
    levels: list[str] = [f.level for f in findings]
    badge = "No findings", LEVEL_COLOURS["good"]
    for level, word in (("serious", "serious finding"), ("caution", "caution")):
        if number := levels.count(level):
            badge = f"{number} {word}{'s' if number > 1 else ''}", LEVEL_COLOURS[level]
            break
    if look.n_read < scan.n_frames:
        facts[1] = f"still reading: {look.n_read} of {scan.n_frames} frames so far"
    header(page, f"First look at {scan.path.name if scan.path else 'a scan in memory'}", facts, badge)


def _patterns(page: Page, boxes: Sequence[Box], scan: Scan, look: FirstLook) -> None:
    """Mean and brightest pattern, bad pixels grey, faults marked."""
    good = np.ones(look.mean.shape, bool)
    if scan.mask is not None:
        good = scan.orientation.apply(scan.mask if scan.mask.ndim == 2 else np.any(scan.mask, axis=0))
    g, saturated = scan.geometry, np.argwhere(look.saturated > 0)
    unit = "photons" if look.unit == "photon" else look.unit
    mean, top = (np.where(good, values, np.nan) for values in (look.mean, look.maximum))
    scale = count_scale(mean, f"{unit} per frame")
    first = pattern_panel(page, boxes[0], mean, g, title="Mean pattern", scale=scale)
    mark_pixels(first, g, good.shape, [(pixels, name) for name, pixels in look.bad_px.items()])
    scale = count_scale(top, unit)
    second = pattern_panel(page, boxes[1], top, g, title="Brightest value of each pixel", scale=scale)
    mark_pixels(second, g, good.shape, [(saturated, "saturated")])


def _maps(page: Page, boxes: Sequence[Box], scan: Scan, look: FirstLook, *, window: Window, step_m: float) -> None:
    """Draw what each frame says about the sample at its position."""
    what = "photons" if look.unit == "photon" else look.unit
    title = "Transmission map" + (", flux corrected" if look.flux == "monitor" else "")
    gradient = look.phase_gradient(scan.geometry) * 1e-6
    slopes = symmetric_scale(gradient, "mean phase gradient (rad/µm)")
    panels = [
        (look.totals, title, _map_scale(look.totals, f"{what} per frame")),
        (100 * look.dark_field, "Dark-field map", _map_scale(100 * look.dark_field, "counts beyond the disc (%)")),
        (look.phase, "Phase integrated from its gradients", symmetric_scale(look.phase, "phase (rad), smoothed")),
        (gradient[:, 0], "Phase gradient along y", slopes),
        (gradient[:, 1], "Phase gradient along x", slopes),
    ]
    window = window.widened()
    for box, (values, name, scale) in zip(boxes, panels, strict=True):
        picture = nearest_map(scan.positions_m, values, window, step_m)
        image(page, box, picture, window, title=name, scale=scale)


def _map_scale(values: NDArray[Any], label: str) -> Scale:
    known = values[np.isfinite(values)]
    return Scale(AMPLITUDE_MAP, Normalize(*robust_limits(known if known.size else np.zeros(1), 1e-12)), label)


def _radial(page: Page, box: Box, look: FirstLook, geometry: Geometry) -> None:
    """Draw counts over spatial frequency, the detector's edge and what photon noise hides."""
    axes = plot_axes(page, box, "", "spatial frequency (1/µm)")
    axes.set_title("Counts over radius", pad=30)
    radial = look.radial
    if radial is None:
        axes.text(0.5, 0.5, "no direct beam was found", transform=axes.transAxes, ha="center", color=MUTED)
        return
    per_px = 1e-6 / min(geometry.frame_width_m)
    seen = np.isfinite(radial.counts) & (radial.counts > 0)
    at = radial.frequency_px * per_px
    axes.set_yscale("log")
    axes.plot(at[seen], radial.counts[seen], color=INK, zorder=4)
    axes.set_xlim(0, at[-1])
    axes.set_ylabel(f"{'photons' if look.unit == 'photon' else look.unit} per pixel and frame")
    axes.axvspan(radial.edge_px * per_px, at[-1], color=FAINT, lw=0, zorder=0)
    middle = (radial.edge_px * per_px + at[-1]) / 2
    style: dict[str, Any] = {"transform": axes.get_xaxis_transform(), "size": 7, "color": MUTED}
    if at[-1] - radial.edge_px * per_px > 0.1 * at[-1]:
        axes.text(middle, 0.96, "beyond the edge", rotation=90, ha="center", va="top", **style)
    if radial.floor is not None:
        axes.axhline(radial.floor, color=VERMILION, ls="--", lw=1.1)
        axes.text(0.02, radial.floor * 0.8, "photon noise", size=7, color=VERMILION, va="top", ha="left")
        if radial.limit_px is not None:
            axes.axvline(radial.limit_px * per_px, color=VERMILION, lw=0.8, ls=":")
    period_axis(axes, float(at[-1]), box.width)
