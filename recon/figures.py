"""Figures of each command: a first look, a simulated scan, a result, its resolution.

All are drawn without pyplot, in a style of their own, and can be made in any thread.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from recon.figure_colours import (
    AMPLITUDE_MAP,
    BLUE,
    COVERAGE_MAP,
    CYCLIC_MAP,
    FAINT,
    INK,
    LEVEL_COLOURS,
    MUTED,
    ORANGE,
    VERMILION,
    Scale,
    phase_scale,
    robust_limits,
    wrap,
)
from recon.figure_look import inspect_figure
from recon.figure_panels import (
    MICRO,
    covered_pixels,
    covered_window,
    history_panel,
    notes_below,
    object_panels,
    period_axis,
    plot_axes,
    probe_panel,
    size_text,
)
from recon.figure_parts import (
    DPI,
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
    house_style,
    image,
    remark_lines,
    round_length,
    thinned,
)
from recon.figure_scans import simulate_figure
from recon.registration import remove_ramp
from recon.result import Result, flattened
from recon.ring_correlation import RingCorrelation
from recon.ring_curve import Crossing
from scans.files import replacing

__all__ = ["inspect_figure", "resolution_figure", "result_figure", "save", "simulate_figure"]

_BADGES = {"good": "good", "usable with cautions": "caution", "not to be trusted": "serious"}
# Moves of positions that are drawn at most.
MOST_ARROWS = 100


def save(figure: Figure, path: str | Path, *, force: bool = True) -> Path:
    """Write a figure as PNG, 150 dots an inch; the file appears whole or not at all.

    Parameters
    ----------
    force
        Replace a file that is there already.

    Raises
    ------
    InputError
        When the file cannot be written, or exists and `force` is off.
    """
    target = Path(path).resolve()
    with house_style(), replacing(target, force=force) as temporary:
        figure.savefig(temporary, format="png", dpi=DPI, metadata={"Software": "halfbit"})
    return target


# --- a result -----------------------------------------------------------------------------------------------


def result_figure(result: Result) -> Figure:
    """Draw object phase and amplitude, probe, coverage with positions, and convergence of a result.

    The object is cropped to the well-covered region; what was not measured is hatched.
    """
    with house_style():
        remarks = remark_lines(result.findings, WIDTH)
        below = HEADER + 3.75 * (1 if result.slices is None else 2)
        page = Page(WIDTH, below + 3.0 + 0.3 + LINE * len(remarks))
        covered, trusted = covered_pixels(result.coverage, np.isfinite(result.transmission))
        place = edges(result.y_m * MICRO, result.x_m * MICRO)
        window = covered_window(covered, place, result.positions_refined_m)
        _result_header(page, result, window)
        left, middle, right = Box(EDGE, HEADER, WIDTH - 2 * EDGE, 3.6).columns(3)
        shown: dict[str, Any] = {"masks": (covered, trusted), "place": place, "window": window}
        object_panels(page, (left, middle), result.phase, result.amplitude, **shown)
        probe_panel(page, right, result.probe, pixel_m=result.pixel_m, share=result.occupancy)
        if result.slices is not None:
            _slices(page, Box(EDGE, HEADER + 3.75, WIDTH - 2 * EDGE, 3.6), result, **shown)
        left, middle, right = Box(EDGE, below, WIDTH - 2 * EDGE, 3.0).columns(3)
        _coverage(page, left, result, place, window)
        h = result.history
        passes: dict[str, Any] = {"iteration": h.iteration, "stage": h.stage}
        history_panel(page, middle, "R factor", {"R factor": h.r_factor}, **passes)
        curves = {"fitted pixels": h.deviance}
        if h.held_out is not None:
            curves["held-out pixels"] = h.held_out
        history_panel(page, right, "Poisson deviance per pixel", curves, **passes)
        draw_remarks(page, below + 3.0 + 0.15, remarks)
        return page.figure


def _result_header(page: Page, result: Result, window: Window) -> None:
    source, history = result.provenance.source, result.history
    title = f"Reconstruction of {Path(source.path).name}" if source else "Reconstruction"
    (py, px), out = result.pixel_m, len(result.left_out)
    pixel = f"{px * 1e9:.4g} nm" if abs(py / px - 1) < 1e-3 else f"{px * 1e9:.4g} (x) × {py * 1e9:.4g} (y) nm"
    facts = [
        f"field {size_text(window)}",
        f"pixel {pixel}",
        f"{len(result.frame_index)} frames" + (f", {out} left out" if out else ""),
        f"{result.geometry.energy_ev:.6g} eV",
    ]
    run = [f"{len(result.probe)} probe mode{'s' if len(result.probe) > 1 else ''}"]
    if len(history):
        run.append(f"{history.iteration[-1]} passes in {history.seconds[-1]:.3g} s")
        run.append(f"R factor {history.r_factor[-1]:.3g}, {history.deviance_text} per pixel")
    if result.prior is not None:
        run.append(f"prior: {result.prior}")
    run.append(f"stopped: {result.stop_reason.value}" if result.stop_reason else f"status: {result.status}")
    badge = result.verdict.capitalize(), LEVEL_COLOURS[_BADGES[result.verdict]]
    header(page, title, [" · ".join(facts), " · ".join(run)], badge)


def _coverage(page: Page, box: Box, result: Result, place: Window, window: Window) -> None:
    """Light on the sample with the positions on it."""
    counts = "photons" if result.coverage_unit == "photon" else "ADU"
    place, (light,) = thinned(place, np.where(np.isfinite(result.coverage), result.coverage, 0))
    scale = Scale(COVERAGE_MAP, Normalize(0, max(float(light.max()), 1e-12)), f"{counts} per pixel")
    axes = image(page, box, light, place, title="Coverage and positions", scale=scale, window=window)
    measured, refined = result.positions_measured_m * MICRO, result.positions_refined_m * MICRO
    size = min(10.0, max(1.0, 3000 / len(refined)))
    axes.scatter(refined[:, 1], refined[:, 0], s=size, color=INK, edgecolors="white", lw=0.3)
    notes = [("• position", INK)]
    if not np.allclose(measured, refined, rtol=0, atol=0.02 * MICRO * min(result.pixel_m)):
        notes.insert(0, (_moves(axes, measured, refined - measured, window), ORANGE))
    notes_below(axes, notes)


def _moves(axes: Axes, starts: NDArray[np.float64], moves: NDArray[np.float64], window: Window) -> str:
    """Draw moves ``(J, 2)`` [µm] of some positions as arrows, enlarged to be seen; returns what to write below."""
    n = len(starts)
    some = np.random.default_rng(0).permutation(n)[:MOST_ARROWS]
    room = 0.5 * np.sqrt((window.right - window.left) * (window.bottom - window.top) / len(some))
    ratio = room / np.sqrt((moves**2).sum(axis=1).mean())
    times = max(1.0, round_length(ratio)) if np.isfinite(ratio) else 1.0
    (y, x), (v, u) = starts[some].T, times * moves[some].T
    style: dict[str, Any] = {"angles": "xy", "scale_units": "xy", "scale": 1, "units": "inches", "minlength": 0}
    head: dict[str, Any] = {"headwidth": 3.5, "headlength": 4, "headaxislength": 3.5}
    axes.quiver(x, y, u, v, color=ORANGE, width=0.013, zorder=3, **head, **style)
    return f"→ refinement{f' × {times:g}' if times > 1 else ''}{f', {len(some)} shown' if n > len(some) else ''}"


def _slices(page: Page, box: Box, result: Result, *, masks: Any, place: Window, window: Window) -> None:
    """Phase of the first and the last slices, as many as there is room for, on scales of their own."""
    assert result.slices is not None
    assert result.slice_positions_m is not None
    n = len(result.slices)
    chosen = sorted({0, 1, n - 1} & set(range(n)))
    covered, trusted = masks
    for cell, k in zip(box.columns(3), chosen, strict=False):
        phase = np.angle(flattened(result.slices[k], result.coverage)[0])
        inside, (phase, shown, trust) = thinned(place, phase, covered, trusted)
        phase, scale = phase_scale(phase, trust)
        title = f"Phase of slice {k + 1} of {n}, at {result.slice_positions_m[k] * MICRO:.4g} µm"
        image(page, cell, np.where(shown, phase, np.nan), inside, title=title, scale=scale, window=window)


# --- resolution ---------------------------------------------------------------------------------------------

_CURVES = {"1/7": (VERMILION, "-"), "half-bit": (BLUE, "-"), "1-bit": (ORANGE, "-"), "0.5": (MUTED, "--")}
_MARKS = {"1/7": "o", "half-bit": "s", "1-bit": "^", "0.5": "D"}


def resolution_figure(rings: RingCorrelation, a: NDArray[Any], b: NDArray[Any] | None = None) -> Figure:
    """Draw a ring correlation with its thresholds, and the images that were compared.

    Parameters
    ----------
    rings
        As `ring_correlation` made it of `a` and `b`.
    a, b
        The images ``(H, W)``, ``(h, w)``, complex or real; without `b` only the first is shown.
    """
    with house_style():
        remarks = remark_lines(rings.findings, WIDTH)
        page = Page(WIDTH, HEADER + 6.4 + 0.2 + LINE * len(remarks))
        ny, nx = (s.stop - s.start for s in rings.area)
        (py, px), (sy, sx) = rings.pixel_m, rings.shift_m
        facts = [
            f"compared: {nx * px * MICRO:.3g} × {ny * py * MICRO:.3g} µm, {nx} × {ny} pixels · {rings.window} window · "
            f"shift taken out: {sx * 1e9:.2g} nm (x), {sy * 1e9:.2g} nm (y)",
            "Half period: one line, the number usually called resolution. Full period: one dark and one bright line.",
        ]
        header(page, _headline(rings.crossings["1/7"]), facts)
        _curve(page, Box(EDGE, HEADER + 0.25, 8.0, 4.6), rings)
        _crossing_rows(page, EDGE + 0.55, HEADER + 5.1, rings)
        _compared(page, Box(8.95, HEADER, WIDTH - 8.95 - EDGE, 6.4), rings, a, b)
        draw_remarks(page, HEADER + 6.4 + 0.05, remarks)
        return page.figure


def _crossing_text(crossing: Crossing) -> str:
    half, full = crossing.half_period_m, crossing.full_period_m
    if half is not None and full is not None:
        return f"half period {half * 1e9:.3g} nm, full period {full * 1e9:.3g} nm"
    if crossing.status == "not crossed":
        finest = 0.5e9 / crossing.last_frequency_per_m
        return f"not crossed down to a half period of {finest:.3g} nm, where the measurement ends"
    return "nothing in common at any period"


def _headline(crossing: Crossing) -> str:
    if crossing.half_period_m is not None:
        return f"Resolution: half period {crossing.half_period_m * 1e9:.3g} nm (where F falls to 1/7)"
    if crossing.status == "not crossed":
        return "Resolution: finer than the measurement reaches (F stays above 1/7)"
    return "Resolution: none, the two images have nothing in common"


def _curve(page: Page, box: Box, rings: RingCorrelation) -> None:
    axes = plot_axes(page, box, "", "spatial frequency (1/µm)")
    k = rings.frequency_per_m * 1e-6
    axes.set_ylabel("ring correlation F")
    lowest = float(np.min(rings.frc[~rings.left_out], initial=0.0))
    axes.set(xlim=(0, k[-1]), ylim=(min(-0.1, lowest - 0.03), 1.05))
    axes.axhline(0, color=MUTED, lw=0.7)
    step = k[1] - k[0]
    for first, after in _runs(rings.left_out):
        axes.axvspan(k[first] - step / 2, k[after - 1] + step / 2, color=FAINT, lw=0, zorder=0)
    axes.fill_between(k[1:], -rings.noise_band[1:], rings.noise_band[1:], color=MUTED, alpha=0.15, lw=0)
    thresholds = {"1/7": np.full(k.shape, 1 / 7), "0.5": np.full(k.shape, 0.5)}
    thresholds |= {"half-bit": rings.half_bit, "1-bit": rings.one_bit}
    axes.plot(k[1:], rings.frc[1:], color=INK, lw=1.6, zorder=4)  # ring 0 is the mean, which was removed
    for name, (colour, line) in _CURVES.items():
        axes.plot(k[1:], thresholds[name][1:], color=colour, ls=line, lw=1.1, zorder=3)
        at = rings.crossings[name].frequency_per_m
        if at is not None:
            height = float(np.interp(at, rings.frequency_per_m, thresholds[name]))
            axes.plot(at * 1e-6, height, _MARKS[name], color=colour, mec="white", mew=0.8, ms=7, zorder=6)
            axes.vlines(at * 1e-6, axes.get_ylim()[0], height, color=colour, lw=0.8, ls=":", zorder=2)
    period_axis(axes, k[-1], box.width)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one-after-last index of each run of True."""
    change = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True)]


def _crossing_rows(page: Page, left: float, top: float, rings: RingCorrelation) -> None:
    """Write the key to the curve, with what each threshold says."""
    names = {"1/7": "F = 1/7", "half-bit": "half-bit curve", "1-bit": "1-bit curve", "0.5": "F = 0.5"}
    glyphs = {"o": "●", "s": "■", "^": "▲", "D": "◆"}
    for row, (name, words) in enumerate(names.items()):
        y, weight = top + 0.21 * row, "bold" if name == "1/7" else "normal"
        page.text(left, y, glyphs[_MARKS[name]], color=_CURVES[name][0], size=9)
        page.text(left + 0.22, y, words, weight=weight)
        page.text(left + 1.35, y, _crossing_text(rings.crossings[name]), weight=weight)
    grey = "shaded: rings not searched (centre, lattice of the scan); band around 0: chance agreement, one sigma"
    page.text(left, top + 0.86, grey, size=7.5, color=MUTED)


def _compared(page: Page, box: Box, rings: RingCorrelation, a: NDArray[Any], b: NDArray[Any] | None) -> None:
    """Both images over the compared area, on one scale."""
    first = np.asarray(a)[rings.area]
    images = [first]
    if b is not None:
        images.append(rings.match.apply(np.where(np.isfinite(b), b, 0))[rings.area])
    if np.iscomplexobj(first):
        first = np.where(np.isfinite(first), first, 0)
        turn = remove_ramp(first)[0] * np.conj(first)
        shown, scale = phase_scale(np.angle(images[0] * turn), np.ones(first.shape, bool))
        images = [shown, *(shown + wrap(np.angle(other * turn) - shown) for other in images[1:])]
        if scale.map == CYCLIC_MAP:
            images = [wrap(values) for values in images]
        what = "Phase"
    else:
        scale = Scale(AMPLITUDE_MAP, Normalize(*robust_limits(first), clip=True), "value")
        what = "Values"
    (py, px), (rows, columns) = rings.pixel_m, rings.area
    y, x = (np.arange(s.start, s.stop) * p * MICRO for s, p in ((rows, py), (columns, px)))
    height = (box.height - 0.15) / 2
    for k, values in enumerate(images):
        cell = Box(box.left, box.top + k * (height + 0.15), box.width, height)
        title = f"{what} of the first image" if k == 0 else f"{what} of the second, aligned"
        image(page, cell, values, edges(y, x), title=title, scale=scale)
