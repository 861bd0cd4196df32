"""Detector patterns as panels, over spatial frequency."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from numpy.typing import NDArray

from recon.figure_colours import BLUE, HATCH, MUTED, ORANGE, SKY, VERMILION, Scale
from recon.figure_panels import notes_below
from recon.figure_parts import Box, Page, Window, edges, frequency_text, image, thinned
from scans.geometry import Geometry


def pattern_panel(
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


def mark_pixels(
    axes: Axes, geometry: Geometry, shape: tuple[int, ...], groups: Sequence[tuple[NDArray[Any], str]]
) -> None:
    """Mark pixels ``(K, 2)`` of a pattern by kind; their numbers stand below right."""
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


_PIXEL_MARKS = {
    "dead": ("s", "□", SKY),
    "weak": ("s", "□", BLUE),
    "lines": ("s", "□", SKY),
    "stuck": ("D", "◇", MUTED),
    "hot": ("x", "×", VERMILION),
    "noisy": ("x", "×", ORANGE),
    "saturated": ("o", "○", ORANGE),
}
