"""Figures of scans: a first look at one, and a simulated one with its truth."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from recon.figure_colours import (
    AMPLITUDE_MAP,
    INK,
    LEVEL_COLOURS,
    ORANGE,
    Scale,
    count_scale,
    robust_limits,
    symmetric_scale,
)
from recon.figure_panels import (
    MICRO,
    covered_pixels,
    covered_window,
    mark_pixels,
    nearest_map,
    notes_below,
    object_panels,
    order_panel,
    pattern_panel,
    positions_window,
    probe_panel,
    size_text,
    table,
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
    edges,
    header,
    image,
    remark_lines,
    styled,
)
from scans.checks import FirstLook, check_scan, geometry_table
from scans.detector import plan_readout
from scans.measures import probe_size
from scans.preparation import PreparedScan
from scans.scan import Finding, Scan
from scans.truth import Truth

FRAMES_SHOWN = 5


@styled
def inspect_figure(scan: Scan, look: FirstLook, prepared: PreparedScan | None = None) -> Figure:
    """Draw patterns, transmission and phase-gradient maps, positions and geometry of a scan.

    Parameters
    ----------
    look
        As `first_look` made it of `scan`.
    prepared
        Adds left-out frames and the findings of preparation.
    """
    findings = prepared.findings if prepared else tuple(check_scan(scan))
    remarks = remark_lines(findings, WIDTH)
    page = Page(WIDTH, HEADER + 6.4 + 0.25 + LINE * len(remarks))
    _scan_header(page, scan, look, findings)
    upper, lower = (Box(EDGE, HEADER + 3.25 * k, 8.55, 3.15).columns(3, 0.1) for k in (0, 1))
    _patterns(page, upper[:2], scan, look)
    step = typical_step_m(scan.positions_m, min(scan.geometry.frame_width_m) / 4)
    window = positions_window(scan.positions_m, 0.8 * step)
    left_out = np.array([j for j, _ in prepared.left_out] if prepared else look.zero_frames, dtype=int)
    probe = probe_size(scan.zone_plate, scan.geometry.wavelength_m)
    order_panel(page, upper[2], scan.positions_m, window, left_out, probe.diameter_m if probe else None)
    _maps(page, lower, scan, look, window, step)
    table(page, Box(9.1, HEADER, WIDTH - 9.1 - EDGE, 6.4), "Geometry", geometry_table(scan, look))
    draw_remarks(page, HEADER + 6.45, remarks)
    return page.figure


def _scan_header(page: Page, scan: Scan, look: FirstLook, findings: Sequence[Finding]) -> None:
    name = scan.path.name if scan.path else scan.title or "scan in memory"
    h, w = look.mean.shape
    gain = "" if look.unit == "photon" else " (gain unknown: counts in ADU)"
    facts = [
        f"{scan.n_frames} frames of {h} × {w} pixels · {scan.geometry.energy_ev:.6g} eV · object pixel "
        f"{min(scan.geometry.object_pixel_m) * 1e9:.4g} nm · layout {scan.layout}{gain}",
    ]
    if scan.guesses:
        facts.append("guessed, please check: " + ", ".join(f"{n.what} = {n.value}" for n in scan.guesses))
    elif scan.path and scan.title:
        facts.append(scan.title)
    levels = [f.level for f in findings]
    badge = "No findings", LEVEL_COLOURS["good"]
    for level, word in (("serious", "serious"), ("caution", "caution")):
        if number := levels.count(level):
            badge = f"{number} {word} finding{'s' if number > 1 else ''}", LEVEL_COLOURS[level]
            break
    header(page, f"First look at {name}", facts, badge)


def _patterns(page: Page, boxes: Sequence[Box], scan: Scan, look: FirstLook) -> None:
    """Mean and brightest pattern, bad pixels grey, faults marked."""
    good = np.ones(look.mean.shape, bool) if scan.mask is None else scan.orientation.apply(scan.mask)
    g, saturated = scan.geometry, np.argwhere(look.saturated > 0)
    unit = "photons" if look.unit == "photon" else look.unit
    mean, top = (np.where(good, values, np.nan) for values in (look.mean, look.maximum))
    scale = count_scale(mean, f"{unit} per frame")
    first = pattern_panel(page, boxes[0], mean, g, "Mean pattern", scale)
    mark_pixels(first, g, good.shape, [(look.hot_px, "hot"), (look.dead_px, "dead")])
    second = pattern_panel(page, boxes[1], top, g, "Brightest value of each pixel", count_scale(top, unit))
    mark_pixels(second, g, good.shape, [(saturated, "saturated")])


def _maps(page: Page, boxes: Sequence[Box], scan: Scan, look: FirstLook, window: Window, step: float) -> None:
    """What each frame says about the sample at its position."""
    light, what = look.totals, "photons" if look.unit == "photon" else look.unit
    title = "Transmission map"
    if scan.monitor is not None and (scan.monitor > 0).all():
        light, title = light * np.median(scan.monitor) / scan.monitor, "Transmission map, flux corrected"
    window = window.widened()
    scale = Scale(AMPLITUDE_MAP, Normalize(*robust_limits(light, 1e-12)), f"{what} per frame")
    gradient = look.phase_gradient(scan.geometry) * 1e-6
    slopes = symmetric_scale(gradient, "mean phase gradient (rad/µm)")
    panels = [
        (light, title, scale),
        (gradient[:, 0], "Phase gradient along y", slopes),
        (gradient[:, 1], "Phase gradient along x", slopes),
    ]
    for box, (values, name, scale) in zip(boxes, panels, strict=True):
        picture = nearest_map(scan.positions_m, values, window, step)
        image(page, box, picture, window, title=name, scale=scale)


@styled
def simulate_figure(scan: Scan, truth: Truth) -> Figure:
    """Draw the true object with the positions on it, the true probe and some frames of a simulated scan."""
    page = Page(WIDTH, HEADER + 3.55 + 2.7)
    place = edges(truth.y_m * MICRO, truth.x_m * MICRO)
    covered, trusted = covered_pixels(truth.lit, np.isfinite(truth.object))
    window = covered_window(covered, place, truth.positions_m)
    _truth_header(page, scan, truth, window)
    left, middle, right = Box(EDGE, HEADER, WIDTH - 2 * EDGE, 3.4).columns(3)
    shown = np.ones(covered.shape, bool)
    phase, amplitude = np.angle(truth.object), np.abs(truth.object)
    axes = object_panels(page, (left, middle), phase, amplitude, (shown, trusted), place, window, "True")
    _positions(axes, scan, truth)
    power = (np.abs(truth.probe) ** 2).sum(axis=(1, 2))
    probe_panel(
        page, right, truth.probe, (truth.pixel_m, truth.pixel_m), power / power.sum(), name="True probe"
    )
    _frames(page, Box(EDGE, HEADER + 3.55, WIDTH - 2 * EDGE, 2.6), scan)
    return page.figure


def _truth_header(page: Page, scan: Scan, truth: Truth, window: Window) -> None:
    h, w = scan.geometry.frame_shape
    facts = [
        f"field {size_text(window)} · object pixel {truth.solver_pixel_m * 1e9:.4g} nm, simulated on "
        f"{truth.pixel_m * 1e9:.4g} nm · {scan.n_frames} frames of {h} × {w} pixels · "
        f"{scan.geometry.energy_ev:.6g} eV",
        f"{(np.abs(truth.probe) ** 2).sum():.3g} photons per frame in front of the sample, "
        f"{truth.lit[truth.lit > 0].sum():.3g} in all",
    ]
    name = scan.path.name if scan.path else scan.title or "scan in memory"
    title = name[:1].upper() + name[1:] if not scan.path else f"Simulated scan {Path(name).name}"
    header(page, title, facts)


def _positions(axes: Sequence[Any], scan: Scan, truth: Truth) -> None:
    """True positions on the phase, with the recorded ones where they differ by a tenth of a pixel."""
    true, recorded = truth.positions_m * MICRO, scan.positions_m * MICRO
    size = min(7.0, max(0.8, 2500 / len(true)))
    off = np.abs(true - recorded).max() > 0.1 * truth.solver_pixel_m * MICRO
    if off:
        axes[0].scatter(recorded[:, 1], recorded[:, 0], s=size, color=ORANGE, lw=0)
    axes[0].scatter(true[:, 1], true[:, 0], s=size, color=INK, lw=0)
    notes_below(axes[0], [("• recorded", ORANGE), ("• true position", INK)] if off else [("• position", INK)])


def _frames(page: Page, box: Box, scan: Scan) -> None:
    """Some frames, evenly spread over the scan, on one scale."""
    readout = plan_readout(scan)
    chosen = np.unique(np.linspace(0, scan.n_frames - 1, FRAMES_SHOWN).round().astype(int))
    frames = []
    for j in chosen:
        block = readout.clean(scan.frames[slice(int(j), int(j) + 1)])
        good = readout.good if block.bad is None else readout.good & ~block.bad[0]
        frames.append(np.where(good, block.values[0], np.nan))
    unit = "photons" if readout.unit == "photon" else readout.unit
    scale = count_scale(np.array(frames), unit)
    width = (box.width - 0.75) / FRAMES_SHOWN
    for k, (j, frame) in enumerate(zip(chosen, frames, strict=True)):
        last = k == len(frames) - 1
        cell = Box(box.left + k * width, box.top, width + (0.75 if last else 0) - 0.12, box.height)
        title = f"Frame {j}: {np.nansum(frame):.3g} {unit}"
        pattern_panel(page, cell, frame, scan.geometry, title, scale, with_bar=last)
