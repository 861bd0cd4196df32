"""Figure of a simulated scan with its truth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from recon.figure_colours import INK, MUTED, ORANGE, count_scale
from recon.figure_panels import (
    MICRO,
    covered_pixels,
    covered_window,
    notes_below,
    object_panels,
    probe_panel,
    size_text,
)
from recon.figure_parts import COLOUR_BAR, EDGE, HEADER, WIDTH, Box, Page, Window, edges, header, house_style, polished
from recon.figure_patterns import pattern_panel
from scans.options import PrepareOptions
from scans.readout_plan import plan_readout
from scans.scan import Scan
from scans.truth import Truth

FRAMES_SHOWN = 5


def simulate_figure(scan: Scan, truth: Truth) -> Figure:
    """Draw the true object with the positions on it, the true probe and some frames of a simulated scan."""
    with house_style():
        page = Page(WIDTH, HEADER + 3.55 + 2.7)
        place = edges(truth.y_m * MICRO, truth.x_m * MICRO)
        covered, trusted = covered_pixels(truth.lit, np.isfinite(truth.object))
        window = covered_window(covered, place, truth.positions_m)
        _truth_header(page, scan, truth, window)
        left, middle, right = Box(EDGE, HEADER, WIDTH - 2 * EDGE, 3.4).columns(3)
        shown = np.ones(covered.shape, bool)
        phase, amplitude = np.angle(truth.object), np.abs(truth.object)
        where: dict[str, Any] = {"place": place, "window": window}
        axes = object_panels(page, (left, middle), phase, amplitude, masks=(shown, trusted), name="True", **where)
        _positions(axes, scan, truth)
        power = (np.abs(truth.probe) ** 2).sum(axis=(1, 2))
        pixel_m = (truth.pixel_m, truth.pixel_m)
        probe_panel(page, right, truth.probe, pixel_m=pixel_m, share=power / power.sum(), name="True probe")
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
    title = scan.title or "Simulated scan"
    header(page, title[:1].upper() + title[1:], facts)


def _positions(axes: Sequence[Axes], scan: Scan, truth: Truth) -> None:
    """Mark true positions on the phase, and the recorded ones where they are off by a tenth of a pixel."""
    true, recorded = truth.positions_m * MICRO, scan.positions_m * MICRO
    size = min(10.0, max(1.0, 3000 / len(true)))
    off = np.abs(true - recorded).max() > 0.1 * truth.solver_pixel_m * MICRO
    if off:
        axes[0].scatter(recorded[:, 1], recorded[:, 0], s=size, color=ORANGE, edgecolors="white", lw=0.3)
    axes[0].scatter(true[:, 1], true[:, 0], s=size, color=INK, edgecolors="white", lw=0.3)
    notes_below(axes[0], [("• recorded", ORANGE), ("• true position", INK)] if off else [("• position", INK)])


def _frames(page: Page, box: Box, scan: Scan) -> None:
    """Draw some frames, evenly spread over the scan, on one scale."""
    readout = plan_readout(scan, PrepareOptions(bad_pixels=False, spikes=False))
    chosen = np.unique(np.linspace(0, scan.n_frames - 1, FRAMES_SHOWN).round().astype(int))
    frames = []
    for j in chosen:
        block = readout.clean(scan.frames[slice(int(j), int(j) + 1)], np.array([j]))
        good = readout.good if block.bad is None else readout.good & ~block.bad[0]
        frames.append(np.where(good, block.values[0], np.nan))
    unit = "photons" if readout.unit == "photon" else readout.unit
    scale = count_scale(np.array(frames), unit)
    width = (box.width - COLOUR_BAR + 0.12) / FRAMES_SHOWN
    for k, (j, frame) in enumerate(zip(chosen, frames, strict=True)):
        last = k == len(frames) - 1
        cell = Box(box.left + k * width, box.top, width - 0.12 + last * COLOUR_BAR, box.height)
        axes = pattern_panel(page, cell, frame, scan.geometry, title=f"Frame {j}", scale=scale, with_bar=last)
        total = polished(f"{np.nansum(frame):.3g} {unit}")
        axes.set_title(total, loc="right", size=8, weight="normal", color=MUTED)
