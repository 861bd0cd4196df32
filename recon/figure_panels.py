"""Panels that several figures share: waves, detector patterns, values at positions, convergence, tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from recon.figure_colours import (
    AS_TEXT,
    BLUE,
    FAINT,
    HATCH,
    INK,
    MUTED,
    ORDER_MAP,
    PAPER,
    VERMILION,
    Scale,
    amplitude_scale,
    phase_scale,
    wave_colours,
)
from recon.figure_parts import (
    TITLE,
    Box,
    Page,
    Window,
    edges,
    image,
    plain,
    polished,
    text_width,
    thinned,
    wrapped,
)
from recon.registration import lit_area

MICRO = 1e6  # metres to micrometres
# Room for the colour wheel beside a wave, for the ticks and labels of a plot [inch].
WHEEL, AXIS_LEFT, AXIS_BOTTOM = 0.95, 0.55, 0.42
# The part of a probe that holds this share of its power is shown.
PROBE_POWER = 0.995
MOST_MODES = 6
# Object pixels lit at least this share as well as the bright ones are shown; those with the second share set
# the colours.
SHOWN, TRUSTED = 0.1, 0.25


# --- objects and waves --------------------------------------------------------------------------------------


def size_text(window: Window) -> str:
    """Width and height in words."""
    return f"{window.right - window.left:.3g} × {window.bottom - window.top:.3g} µm"


def covered_pixels(light: NDArray[Any], usable: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Pixels ``(H, W)`` to show, and those whose values set the colours."""
    light = np.where(usable & np.isfinite(light), light, 0)
    if not (light > 0).any():
        return usable, usable
    return lit_area(light, SHOWN) & usable, lit_area(light, TRUSTED) & usable


def covered_window(covered: NDArray[np.bool_], place: Window, positions_m: NDArray[Any]) -> Window:
    """Covered region and all positions, with a small margin, within the image."""
    rows, columns = (np.flatnonzero(covered.any(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return place
    dy, dx = (place.bottom - place.top) / covered.shape[0], (place.right - place.left) / covered.shape[1]
    y, x = positions_m.T * MICRO
    margin = 2 * max(dy, dx)
    return Window(
        max(place.left, min(place.left + dx * columns[0], x.min()) - margin),
        min(place.right, max(place.left + dx * (columns[-1] + 1), x.max()) + margin),
        max(place.top, min(place.top + dy * rows[0], y.min()) - margin),
        min(place.bottom, max(place.top + dy * (rows[-1] + 1), y.max()) + margin),
    )


def object_panels(
    page: Page,
    boxes: Sequence[Box],
    phase: NDArray[Any],
    amplitude: NDArray[Any],
    *,
    masks: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    place: Window,
    window: Window,
    name: str = "Object",
) -> list[Axes]:
    """Draw phase and amplitude ``(H, W)``; `masks` say which pixels are shown and which set the colours."""
    place, (phase, amplitude, shown, trusted) = thinned(place, phase, amplitude, *masks)
    phase, phases = phase_scale(phase, trusted)
    parts = (("phase", phase, phases), ("amplitude", amplitude, amplitude_scale(amplitude[trusted])))
    return [
        image(page, box, np.where(shown, v, np.nan), place, title=f"{name} {what}", scale=scale, window=window)
        for box, (what, v, scale) in zip(boxes, parts, strict=True)
    ]


def probe_panel(
    page: Page,
    box: Box,
    modes: NDArray[Any],
    *,
    pixel_m: tuple[float, float],
    share: NDArray[Any],
    name: str = "Probe",
) -> None:
    """Draw probe modes ``(M, n, n)``, the strongest large, with their shares of the power.

    Each has its own brightness; of many modes the strongest six are drawn.
    """
    half = _half_width(modes)
    n = modes.shape[-1]
    part = slice(max(0, n // 2 - half), n // 2 + half + 1)
    modes = modes[:, part, part]
    others = min(len(modes), MOST_MODES) - 1
    strip = 1.15 if others else 0.0
    main = box.inner(right=WHEEL, bottom=strip)
    percent = [f"{100 * s:.3g} %" for s in share]
    title = name if len(modes) == 1 else f"{name}, mode 1 of {len(modes)}: {percent[0]}"
    axes = _wave(page, main, modes[0], pixel_m, title)
    width = axes.get_position().width * page.width
    colour_wheel(page, main.left + width + 0.2, main.top + TITLE)
    cells = Box(box.left, box.top + box.height - 1.12, box.width, 1.12).columns(MOST_MODES - 1, 0.1)
    for k, cell in enumerate(cells[:others], start=1):
        small = _wave(page, cell, modes[k], pixel_m, "")
        small.set_title(f"{k + 1}: {100 * share[k]:.2g} %", size=7, weight="normal", pad=3)


def _half_width(modes: NDArray[Any]) -> int:
    """Half side [pixels] of the centred square that holds `PROBE_POWER`, with a margin."""
    power = (np.abs(modes) ** 2).sum(axis=0)
    n = power.shape[-1]
    away = np.abs(np.arange(n) - n // 2)
    sums = np.cumsum(np.bincount(np.maximum(away[:, None], away).ravel(), power.ravel()))
    if not (np.isfinite(sums[-1]) and sums[-1] > 0):
        return n // 2
    return min(n // 2, math.ceil(1.15 * int(np.searchsorted(sums, PROBE_POWER * sums[-1])) + 2))


def _wave(page: Page, box: Box, wave: NDArray[Any], pixel_m: tuple[float, float], title: str) -> Axes:
    y, x = ((np.arange(n) - n // 2) * p * MICRO for n, p in zip(wave.shape, pixel_m, strict=True))
    finite = np.where(np.isfinite(wave), wave, 0)
    return image(page, box, wave_colours(finite), edges(y, x), title=title)


def colour_wheel(page: Page, left: float, top: float) -> None:
    """Draw the key to `wave_colours`: phase around, amplitude outwards."""
    axis = np.linspace(-1, 1, 161)
    wave = axis[None, :] - 1j * axis[:, None]  # phase grows anticlockwise on the screen
    wave = np.where(np.abs(wave) <= 1, wave, 0)
    colours = np.concatenate([wave_colours(wave), (np.abs(wave) > 0)[..., None]], axis=-1)
    axes = page.axes(Box(left, top + 0.15, 0.5, 0.5))
    axes.imshow(colours, extent=(-1, 1, -1, 1), aspect="auto")
    axes.set_axis_off()
    for angle, text in zip((0, 90, 180, 270), ("0", "π/2", "π", "−π/2"), strict=True):
        away = 1.3 if angle in (0, 180) else 1.33
        where = away * math.cos(math.radians(angle)), away * math.sin(math.radians(angle))
        axes.text(*where, text, ha="center", va="center", size=7)
    for k, line in enumerate(("colour: phase", "brightness:", "amplitude")):
        page.text(left - 0.12, top + 0.9 + 0.14 * k, line, size=7, color=MUTED)


# --- positions ----------------------------------------------------------------------------------------------


def positions_window(positions_m: NDArray[Any], margin_m: float) -> Window:
    """Window [µm] around all positions ``(J, 2)``."""
    (top, left), (bottom, right) = positions_m.min(axis=0), positions_m.max(axis=0)
    m = margin_m
    return Window(*(MICRO * v for v in (left - m, right + m, top - m, bottom + m)))


def typical_step_m(positions_m: NDArray[Any], otherwise: float) -> float:
    """Median distance to the nearest other place; `otherwise` where there is none."""
    places = np.unique(positions_m, axis=0)
    if len(places) < 2:
        return otherwise
    distances = np.asarray(cKDTree(places).query(places, k=2)[0])
    return float(np.median(distances[:, 1]))


def nearest_map(positions_m: NDArray[Any], values: NDArray[Any], window: Window, step_m: float) -> NDArray[Any]:
    """Image over a window [µm] of the value at the nearest position; nan beyond 1.1 steps of any."""
    n = 240
    width, height = window.right - window.left, window.bottom - window.top
    longest = max(width, height)
    nx, ny = (max(2, round(n * side / longest)) for side in (width, height))
    x = window.left + (np.arange(nx) + 0.5) * width / nx
    y = window.top + (np.arange(ny) + 0.5) * height / ny
    grid = np.stack(np.meshgrid(y, x, indexing="ij"), axis=-1)
    distance, index = cKDTree(positions_m * MICRO).query(grid)
    return np.where(distance <= 1.1 * step_m * MICRO, values[index], np.nan)


def order_panel(
    page: Page,
    box: Box,
    positions_m: NDArray[Any],
    *,
    window: Window,
    left_out: NDArray[np.int64],
    probe_m: float | None,
) -> None:
    """Draw positions coloured by frame number, their path, left-out frames, and the nominal probe's size."""
    n = len(positions_m)
    scale = Scale(ORDER_MAP, Normalize(0, max(n - 1, 1)), "frame number", whole=True)
    blank = np.ones((2, 2, 3))
    axes = image(page, box, blank, window.widened(), title="Positions in scan order", scale=scale)
    y, x = positions_m.T * MICRO
    axes.plot(x, y, color=HATCH, lw=0.4, zorder=2)
    size = min(18.0, max(1.5, 5000 / n))
    axes.scatter(x, y, c=np.arange(n), cmap=colormaps[ORDER_MAP], norm=scale.norm, s=size, lw=0, zorder=3)
    notes = []
    if probe_m is not None:
        middle = np.argmin(np.hypot(x - (window.left + window.right) / 2, y - (window.top + window.bottom) / 2))
        turn, radius = np.linspace(0, 2 * math.pi, 100), probe_m / 2 * MICRO
        axes.plot(x[middle] + radius * np.cos(turn), y[middle] + radius * np.sin(turn), color=BLUE, lw=1, zorder=4)
        notes.append(("○ nominal probe", BLUE))
    if len(left_out):
        axes.scatter(x[left_out], y[left_out], marker="x", s=26, color=VERMILION, lw=1, zorder=5)
        notes.append((f"× {len(left_out)} left out", VERMILION))
    notes_below(axes, notes)


def notes_below(axes: Axes, notes: Sequence[tuple[str, str]]) -> None:
    """Write short texts ``(text, colour)`` below an image, to the right end, or after the scale where it is narrow."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    width, gap = axes.get_position().width * figure.get_figwidth(), 0.12
    widths = [text_width(text, 8) for text, _ in notes]
    scale = next(text for text in axes.texts if text.get_gid() == "scale-text")
    after = axes.transAxes.inverted().transform(scale.get_window_extent().corners())[:, 0].max() * width
    at = max(width - sum(widths) - gap * (len(notes) - 1), after + gap)
    where: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points", "va": "center", "size": 8}
    for (text, colour), needed in zip(notes, widths, strict=True):
        axes.annotate(text, (at / width, 0), xytext=(0, -9), color=AS_TEXT.get(colour, colour), **where)
        at += needed + gap


# --- plots and tables ---------------------------------------------------------------------------------------


def plot_axes(page: Page, box: Box, title: str, x_label: str) -> Axes:
    """Axes of a curve with room for their labels inside the box."""
    axes = page.axes(box.inner(left=AXIS_LEFT, top=TITLE, bottom=AXIS_BOTTOM))
    axes.set_title(title)
    axes.set_xlabel(x_label)
    axes.grid(visible=True)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def period_axis(axes: Axes, last_per_um: float, inches: float) -> None:
    """Half periods in nm along the top, the roundest first."""
    top = axes.twiny()
    top.set_xlim(axes.get_xlim())
    decades = [10.0**n for n in range(-1, 6)]
    steps = (1, 2, 5, 3, 1.5, 4, 2.5, 1.2, 7)
    periods: list[float] = []
    for period in (step * decade for step in steps for decade in decades):
        at = 500 / period
        near = min((abs(at - 500 / other) for other in periods), default=last_per_um)
        if at <= last_per_um and near / last_per_um * inches > 0.4 and at / last_per_um * inches > 0.3:
            periods.append(period)
    top.set_xticks([500 / p for p in periods], labels=[f"{p:g}" for p in periods])
    top.set_xlabel("half period (nm)")
    for side in ("right", "bottom"):
        top.spines[side].set_visible(False)


def history_panel(
    page: Page,
    box: Box,
    title: str,
    curves: Mapping[str, NDArray[np.float64]],
    *,
    iteration: NDArray[np.int64],
    stage: Sequence[str],
) -> None:
    """Draw metrics over iterations on a log axis, stages as bands."""
    axes = plot_axes(page, box, title, "iteration (pass over all frames)")
    drawn = []
    for (name, values), colour in zip(curves.items(), (BLUE, VERMILION), strict=False):
        good = np.isfinite(values) & (values > 0)
        if good.any():
            style: dict[str, Any] = {"marker": "o", "ms": 4} if good.sum() < 3 else {}
            axes.plot(iteration[good], values[good], color=colour, label=name, **style)
            drawn.append(values[good])
    if not drawn:
        axes.set(xticks=(), yticks=())
        axes.text(0.5, 0.5, "not recorded", transform=axes.transAxes, ha="center", va="center", color=MUTED)
        return
    values = np.concatenate(drawn)
    low, high = float(values.min()), float(values.max())
    axes.set_yscale("log")
    axes.set_ylim(low / 1.15, high * max(1.3, (high / low) ** 0.15))
    axes.set_xlim(iteration.min() - 0.5, iteration.max() + 0.5)
    subs = next(steps for most, steps in _LOG_STEPS if high / low < most)
    axes.yaxis.set_major_locator(LogLocator(subs=subs))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.4g}"))
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True, steps=[1, 2, 5, 10]))
    _stage_bands(axes, iteration, stage, box.width - AXIS_LEFT)
    if len(drawn) > 1:
        axes.legend(loc="center right")


# Steps within a decade that are labelled, by the ratio of highest to lowest value.
_LOG_STEPS = (
    (3, (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8)),
    (20, (1, 2, 3, 5, 7)),
    (100, (1, 3)),
    (math.inf, (1,)),
)


def _stage_bands(axes: Axes, iteration: NDArray[np.int64], stage: Sequence[str], inches: float) -> None:
    """Shade every other stage and name each that has room."""
    starts = [k for k in range(len(stage)) if k == 0 or stage[k] != stage[k - 1]]
    span = iteration[-1] - iteration[0] + 1
    for number, (first, after) in enumerate(zip(starts, [*starts[1:], len(stage)], strict=True)):
        left, right = iteration[first] - 0.5, iteration[after - 1] + 0.5
        if number % 2:
            axes.axvspan(left, right, color=FAINT, lw=0, zorder=0)
        name = plain(stage[first])
        if text_width(name, 7.5) + 0.05 < inches * (right - left) / span:
            across = axes.get_xaxis_transform()
            ground = {"facecolor": FAINT if number % 2 else PAPER, "edgecolor": "none", "pad": 1.5}
            style: dict[str, Any] = {
                "ha": "center",
                "va": "top",
                "size": 7.5,
                "color": MUTED,
                "bbox": ground,
                "parse_math": False,
            }
            axes.text((left + right) / 2, 0.97, name, transform=across, **style)


Row = tuple[list[str], list[str]]  # name and value, cut into lines
NAME_SHARE, ROW_LINE, ROW_GAP = 0.44, 0.145, 0.055


def table_rows(rows: Sequence[tuple[str, str]], width: float) -> tuple[list[Row], float]:
    """Cut names and values to the columns of a table `width` wide; returns them and the table's height."""
    cut = [
        (wrapped(name, NAME_SHARE * width - 0.1, 8), wrapped(polished(value), (1 - NAME_SHARE) * width, 8))
        for name, value in rows
    ]
    return cut, TITLE + 0.05 + sum(ROW_GAP + ROW_LINE * max(len(n), len(v)) for n, v in cut)


def draw_table(page: Page, box: Box, title: str, rows: Sequence[Row]) -> None:
    """Draw what `table_rows` made."""
    page.text(box.left, box.top + 0.03, title, size=9.5, weight="bold")
    y = box.top + TITLE + 0.05
    for names, values in rows:
        for lines, left, colour in (
            (names, box.left, MUTED),
            (values, box.left + NAME_SHARE * box.width, INK),
        ):
            for k, line in enumerate(lines):
                page.text(left, y + ROW_LINE * k, line, size=8, color=colour)
        y += ROW_LINE * max(len(names), len(values)) + ROW_GAP
