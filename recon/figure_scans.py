"""Figures of scans: a first look at one, and a simulated one with its truth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colors import Normalize, to_rgb
from matplotlib.figure import Figure
from numpy.typing import NDArray

from recon.figure_colours import (
    AMPLITUDE_MAP,
    HATCH,
    INK,
    LEVEL_COLOURS,
    MUTED,
    ORANGE,
    SKY,
    VERMILION,
    Scale,
    count_scale,
    robust_limits,
    symmetric_scale,
)
from recon.figure_panels import (
    MICRO,
    covered_pixels,
    covered_window,
    draw_table,
    nearest_map,
    notes_below,
    object_panels,
    order_panel,
    positions_window,
    probe_panel,
    size_text,
    table_rows,
    typical_step_m,
)
from recon.figure_parts import (
    COLOUR_BAR,
    EDGE,
    HEADER,
    LINE,
    WIDTH,
    Box,
    Page,
    Window,
    draw_remarks,
    edges,
    frequency_text,
    header,
    house_style,
    image,
    polished,
    remark_lines,
    thinned,
)
from scans.checks import FirstLook, check_scan, geometry_table
from scans.detector import plan_readout
from scans.geometry import Geometry
from scans.measures import probe_size
from scans.preparation import PreparedScan
from scans.scan import Finding, Scan
from scans.truth import Truth

FRAMES_SHOWN = 5


def inspect_figure(scan: Scan, look: FirstLook, prepared: PreparedScan | None = None) -> Figure:
    """Draw patterns, transmission and phase-gradient maps, positions and geometry of a scan.

    Parameters
    ----------
    look
        As `first_look` made it of `scan`.
    prepared
        Adds left-out frames and the findings of preparation.
    """
    with house_style():
        findings = prepared.findings if prepared else tuple(check_scan(scan))
        remarks = remark_lines(findings, WIDTH)
        panels, beside = Box(EDGE, HEADER, 8.9, 5.5), Box(9.45, HEADER, WIDTH - 9.45 - EDGE, 0)
        rows, table_height = table_rows(geometry_table(scan, look), beside.width)
        height = max(panels.height, table_height)
        page = Page(WIDTH, HEADER + height + 0.3 + LINE * len(remarks))
        _scan_header(page, scan, look, findings)
        half = Box(panels.left, panels.top, panels.width, height / 2 - 0.05)
        upper, lower = (half.inner(top=k * height / 2, bottom=-k * height / 2).columns(3, 0.1) for k in (0, 1))
        _patterns(page, upper[:2], scan, look)
        step = typical_step_m(scan.positions_m, min(scan.geometry.frame_width_m) / 4)
        window = positions_window(scan.positions_m, 0.8 * step)
        left_out = np.array([j for j, _ in prepared.left_out] if prepared else look.zero_frames, dtype=int)
        probe = probe_size(scan.zone_plate, scan.geometry.wavelength_m)
        diameter_m = probe.diameter_m if probe else None
        order_panel(page, upper[2], scan.positions_m, window=window, left_out=left_out, probe_m=diameter_m)
        _maps(page, lower, scan, look, window=window, step_m=step)
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
    header(page, f"First look at {scan.path.name if scan.path else 'a scan in memory'}", facts, badge)


def _patterns(page: Page, boxes: Sequence[Box], scan: Scan, look: FirstLook) -> None:
    """Mean and brightest pattern, bad pixels grey, faults marked."""
    good = np.ones(look.mean.shape, bool) if scan.mask is None else scan.orientation.apply(scan.mask)
    g, saturated = scan.geometry, np.argwhere(look.saturated > 0)
    unit = "photons" if look.unit == "photon" else look.unit
    mean, top = (np.where(good, values, np.nan) for values in (look.mean, look.maximum))
    scale = count_scale(mean, f"{unit} per frame")
    first = _pattern_panel(page, boxes[0], mean, g, title="Mean pattern", scale=scale)
    _mark_pixels(first, g, good.shape, [(look.hot_px, "hot"), (look.dead_px, "dead")])
    scale = count_scale(top, unit)
    second = _pattern_panel(page, boxes[1], top, g, title="Brightest value of each pixel", scale=scale)
    _mark_pixels(second, g, good.shape, [(saturated, "saturated")])


def _maps(page: Page, boxes: Sequence[Box], scan: Scan, look: FirstLook, *, window: Window, step_m: float) -> None:
    """Draw what each frame says about the sample at its position."""
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
        picture = nearest_map(scan.positions_m, values, window, step_m)
        image(page, box, picture, window, title=name, scale=scale)


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
    readout = plan_readout(scan)
    chosen = np.unique(np.linspace(0, scan.n_frames - 1, FRAMES_SHOWN).round().astype(int))
    frames = []
    for j in chosen:
        block = readout.clean(scan.frames[slice(int(j), int(j) + 1)])
        good = readout.good if block.bad is None else readout.good & ~block.bad[0]
        frames.append(np.where(good, block.values[0], np.nan))
    unit = "photons" if readout.unit == "photon" else readout.unit
    scale = count_scale(np.array(frames), unit)
    width = (box.width - COLOUR_BAR + 0.12) / FRAMES_SHOWN
    for k, (j, frame) in enumerate(zip(chosen, frames, strict=True)):
        last = k == len(frames) - 1
        cell = Box(box.left + k * width, box.top, width - 0.12 + last * COLOUR_BAR, box.height)
        axes = _pattern_panel(page, cell, frame, scan.geometry, title=f"Frame {j}", scale=scale, with_bar=last)
        total = polished(f"{np.nansum(frame):.3g} {unit}")
        axes.set_title(total, loc="right", size=8, weight="normal", color=MUTED)


def _pattern_panel(
    page: Page,
    box: Box,
    pattern: NDArray[Any],
    geometry: Geometry,
    *,
    title: str,
    scale: Scale,
    with_bar: bool = True,
) -> Axes:
    """Draw a detector pattern ``(h, w)`` over spatial frequency; nan where not measured."""
    place, (pattern,) = thinned(_frequency_window(geometry, pattern.shape), pattern)
    colours = _pattern_colours(pattern, scale)
    explained = scale if with_bar else None
    return image(page, box, colours, place, title=title, scale=explained, bar_text=frequency_text)


def _pattern_colours(pattern: NDArray[Any], scale: Scale) -> NDArray[np.float64]:
    """Colours ``(h, w, 3)`` of a pattern: counts of 0 as the least, missing pixels in a plain grey."""
    values = np.where(pattern > 0, pattern, float(scale.norm.vmin or 1.0))
    colours = colormaps[scale.map](np.clip(scale.norm(values), 0, 1))[..., :3]
    colours[~np.isfinite(pattern)] = to_rgb(HATCH)
    return colours


def _frequency_window(geometry: Geometry, shape: tuple[int, ...]) -> Window:
    """Window in 1/µm of a frame of `shape`: a detector pixel is p/(λz) wide."""
    per_px = 1e-6 / np.array(geometry.frame_width_m)
    y, x = ((np.arange(n) - n // 2) * step for n, step in zip(shape, per_px, strict=True))
    return edges(y, x)


def _mark_pixels(
    axes: Axes, geometry: Geometry, shape: tuple[int, ...], groups: Sequence[tuple[NDArray[Any], str]]
) -> None:
    """Mark pixels ``(K, 2)`` of a pattern: "dead", "hot" or "saturated"; their numbers stand below right."""
    place, notes = _frequency_window(geometry, shape), []
    size = np.array([place.bottom - place.top, place.right - place.left]) / shape
    for pixels, name in groups:
        if not len(pixels):
            continue
        marker, sign, colour = _PIXEL_MARKS[name]
        y, x = ((np.asarray(pixels) + 0.5) * size + (place.top, place.left)).T
        style: dict[str, Any] = {"color": colour} if marker == "x" else {"facecolors": "none", "edgecolors": colour}
        axes.scatter(x, y, s=min(22.0, max(5.0, 600 / len(x))), marker=marker, linewidths=0.8, **style)
        notes.append((f"{sign} {len(pixels)} {name}", colour))
    notes_below(axes, notes)


_PIXEL_MARKS = {"dead": ("s", "□", SKY), "hot": ("x", "×", VERMILION), "saturated": ("o", "○", ORANGE)}
