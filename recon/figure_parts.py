"""Parts of figures: the page, the house style, images with scale and colour bar, colours.

Boxes on the page are in inches from its top left corner, so text keeps its distance whatever the data's shape.
Data axes of sample images are in micrometres with y downwards, as rows run.
"""

from __future__ import annotations

import math
import textwrap
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from typing import Any, ParamSpec

import matplotlib
import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, LogNorm, Normalize
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import FancyBboxPatch, Rectangle
from numpy.typing import NDArray

INK, MUTED, PAPER, UNMEASURED, HATCH = "#1f2a33", "#66727c", "#ffffff", "#e9ebec", "#c3c9cd"
# Okabe and Ito's colours, told apart with every common colour blindness (from memory).
BLUE, ORANGE, GREEN, SKY, VERMILION = "#0072b2", "#e69f00", "#009e73", "#56b4e9", "#d55e00"
LEVEL_COLOURS = {"good": "#00734f", "note": MUTED, "caution": "#9a5b00", "serious": "#b3261e"}
AMPLITUDE_MAP, COUNT_MAP, ORDER_MAP = "gray", "magma", "viridis"
DIVERGING_MAP, CYCLIC_MAP = "PuOr", "twilight"
# Values on more than this share of the circle: no cut can be placed that nothing crosses.
FULL_CIRCLE_SHARE = 0.9
DPI = 150

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "text.color": INK,
    "figure.facecolor": PAPER,
    "figure.dpi": DPI,
    "savefig.dpi": DPI,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlepad": 5,
    "axes.grid": False,
    "grid.color": "#e3e6e8",
    "grid.linewidth": 0.6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "hatch.color": HATCH,
    "hatch.linewidth": 0.6,
    "lines.linewidth": 1.4,
}
_FAMILIES = tuple(
    f"{name}."
    for name in "axes figure font grid hatch image legend lines markers mathtext patch scatter text xtick ytick".split()
)
_LOCK = threading.RLock()
P = ParamSpec("P")


@contextmanager
def house_style() -> Iterator[None]:
    """Use our style whatever the user's is, and put theirs back.

    Matplotlib keeps one table of settings for all threads: only one thread at a time may be in here.
    """
    settings = {k: v for k, v in matplotlib.rcParamsDefault.items() if k.startswith(_FAMILIES)}
    with _LOCK, matplotlib.rc_context(settings | _STYLE):
        yield


def styled(draw: Callable[P, Figure]) -> Callable[P, Figure]:
    """Run a drawing function in the house style."""

    @wraps(draw)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> Figure:
        with house_style():
            return draw(*args, **kwargs)

    return drawn


# --- the page -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Box:
    """Part of a page: left, top, width, height [inch], from its top left corner."""

    left: float
    top: float
    width: float
    height: float

    def grid(self, rows: int, columns: int, gap: float = 0.25) -> list[list[Box]]:
        """Cut into equal cells, row by row."""
        w = (self.width - gap * (columns - 1)) / columns
        h = (self.height - gap * (rows - 1)) / rows
        return [
            [Box(self.left + c * (w + gap), self.top + r * (h + gap), w, h) for c in range(columns)]
            for r in range(rows)
        ]

    def inner(self, left: float = 0, top: float = 0, right: float = 0, bottom: float = 0) -> Box:
        """Box less its margins."""
        return Box(self.left + left, self.top + top, self.width - left - right, self.height - top - bottom)


class Page:
    """A figure of fixed size that is drawn on without pyplot, so without any global state."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.figure = Figure(figsize=(width, height))
        FigureCanvasAgg(self.figure)

    def axes(self, box: Box) -> Axes:
        """Axes that fill a box."""
        bottom = self.height - box.top - box.height
        w, h = self.width, self.height
        return self.figure.add_axes((box.left / w, bottom / h, box.width / w, box.height / h))

    def text(self, left: float, top: float, text: str, **style: Any) -> None:
        """Text with its top left corner at a point."""
        style = {"va": "top", "ha": "left", **style}
        self.figure.text(left / self.width, 1 - top / self.height, text, **style)


def wrapped(text: str, inches: float, size: float = 8.5) -> list[str]:
    """Cut a text into lines that fit (mean width of a letter: 0.57 of its size, measured on this font)."""
    return textwrap.wrap(text, max(8, int(inches * 72 / (0.57 * size)))) or [""]


def header(page: Page, title: str, badge: tuple[str, str], facts: Sequence[str]) -> float:
    """Draw title, badge (text, colour) and facts on top of the page; returns the height used [inch]."""
    page.text(0.4, 0.28, title, size=14, weight="bold")
    text, colour = badge
    if text:
        style = {"boxstyle": "round,pad=0.35,rounding_size=0.3", "facecolor": colour, "edgecolor": "none"}
        where = {"ha": "right", "size": 10, "weight": "bold", "color": "white", "bbox": style}
        page.text(page.width - 0.47, 0.31, text, **where)
    lines = [line for fact in facts for line in wrapped(fact, page.width - 0.8, 9)]
    for k, line in enumerate(lines):
        page.text(0.4, 0.66 + 0.19 * k, line, size=9, color=MUTED)
    return 0.72 + 0.19 * len(lines)


def remark_lines(remarks: Sequence[tuple[str, str]], inches: float, most: int = 7) -> list[tuple[str, str]]:
    """Cut remarks ``(level, text)`` into at most `most` lines ``(level or "", text)``, gravest first."""
    rank = {"serious": 0, "caution": 1, "note": 2}
    ordered = sorted(remarks, key=lambda remark: rank.get(remark[0], 3))
    lines: list[tuple[str, str]] = []
    for k, (level, text) in enumerate(ordered):
        cut = wrapped(" ".join(text.split()), inches)
        left = len(ordered) - k
        if len(lines) + len(cut) + (left > 1) > most and lines:
            lines.append(("", f"and {left} more {'remark' if left == 1 else 'remarks'}, printed with the result"))
            break
        lines += [(level, cut[0]), *(("", more) for more in cut[1:])]
    return lines


def remarks(page: Page, top: float, lines: Sequence[tuple[str, str]]) -> None:
    """Draw the lines of `remark_lines` below `top` [inch]."""
    for k, (level, text) in enumerate(lines):
        y = top + 0.18 * k
        page.text(0.4, y, level, weight="bold", color=LEVEL_COLOURS.get(level, INK))
        page.text(1.05, y, text)


# --- lengths ------------------------------------------------------------------------------------------------


def round_length(limit: float) -> float:
    """Largest 1, 2 or 5 times a power of ten that is not above `limit`."""
    if not (math.isfinite(limit) and limit > 0):
        raise ValueError(f"no round length below {limit}")
    power = 10.0 ** math.floor(math.log10(limit) + 1e-12)
    # 1e-9: a limit of 0.5 may come as 0.49999999999999994
    return max(step * power for step in (1, 2, 5) if step * power <= limit * (1 + 1e-9))


def length_text(length_m: float) -> str:
    """A length with the unit people use for it."""
    for unit, scale in (("nm", 1e-9), ("µm", 1e-6), ("mm", 1e-3)):
        if length_m < 999.5 * scale:
            return f"{length_m / scale:.3g} {unit}"
    return f"{length_m:.3g} m"


def scale_bar(axes: Axes, text: Callable[[float], str], share: float = 0.3) -> None:
    """Draw a bar of round length along x, at most `share` of the axes wide, with its length above.

    Parameters
    ----------
    axes
        With final limits.
    text
        Names a length given in data units.
    """
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    width, height = x1 - x0, y1 - y0
    box = axes.get_window_extent()
    unit = height * 0.01 * 0.4 * DPI / box.height  # a hundredth of 0.4 inch, in data units along y
    length = round_length(share * abs(width))
    left, base = x0 + 0.045 * width, y0 + 22 * unit
    label = axes.text(
        *(left + math.copysign(length, width) / 2, base + 14 * unit),
        text(length),
        ha="center",
        va="bottom",
        size=8,
        color=INK,
        zorder=8,
        gid="scale-bar-text",
    )
    bar = Rectangle((left, base), math.copysign(length, width), 9 * unit, color=INK, lw=0, zorder=8, gid="scale-bar")
    axes.add_patch(bar)
    # the text may be wider than the bar: the backing covers both
    extent = label.get_window_extent().transformed(axes.transData.inverted())
    half = max(length, abs(extent.width)) / 2 + 0.02 * abs(width)
    middle = max(left + length / 2, x0 + 0.02 * width + half) if width > 0 else left - length / 2
    label.set_x(middle)
    bar.set_x(middle - length / 2 if width > 0 else middle + length / 2)
    low, high = base - 10 * unit, base + 14 * unit + extent.height * math.copysign(1, height) + 8 * unit
    backing = FancyBboxPatch(
        (middle - half, min(low, high)),
        2 * half,
        abs(high - low),
        boxstyle="round,pad=0,rounding_size=0",
        facecolor=PAPER,
        alpha=0.8,
        edgecolor="none",
        zorder=7,
    )
    axes.add_patch(backing)
