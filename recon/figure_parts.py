"""Parts of figures: the house style, the page, images with scale and colour bar.

Boxes on the page are in inches from its top left corner: text keeps its distance whatever the data's shape.
Sample images have axes in micrometres with y downwards, as the rows run; detector images in 1/µm.
"""

from __future__ import annotations

import math
import re
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

import matplotlib
import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, LogNorm, Normalize
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.patches import Rectangle
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator
from numpy.typing import NDArray

from recon.figure_colours import FAINT, HATCH, INK, LEVEL_COLOURS, MUTED, PAPER, Scale
from scans.scan import Finding

DPI = 150
MOST_PIXELS = 900  # along the shorter side of an image

# Room around an image [inch].
TITLE, STRIP, COLOUR_BAR = 0.26, 0.24, 0.76

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "text.color": INK,
    "figure.facecolor": PAPER,
    "figure.dpi": DPI,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlepad": 5,
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
_FAMILIES = (
    *("axes", "figure", "font", "grid", "hatch", "image", "legend", "lines", "markers", "mathtext"),
    *("patch", "scatter", "text", "xtick", "ytick"),
)
_SETTINGS: dict[Any, Any] = {
    **{key: value for key, value in matplotlib.rcParamsDefault.items() if key.split(".")[0] in _FAMILIES},
    **_STYLE,
}
_LOCK = threading.RLock()


@contextmanager
def house_style() -> Iterator[None]:
    """Use our style whatever the user's is, and put theirs back.

    Matplotlib keeps one table of settings for all threads, so one thread at a time may be in here.
    """
    with _LOCK, matplotlib.rc_context(_SETTINGS):
        yield


# --- the page -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Box:
    """Part of a page: left, top, width, height [inch], from its top left corner."""

    left: float
    top: float
    width: float
    height: float

    def columns(self, n: int, gap: float = 0.3) -> list[Box]:
        """Cut into equal columns."""
        width = (self.width - gap * (n - 1)) / n
        return [Box(self.left + k * (width + gap), self.top, width, self.height) for k in range(n)]

    def inner(self, left: float = 0, top: float = 0, right: float = 0, bottom: float = 0) -> Box:
        """Box less its margins."""
        return Box(self.left + left, self.top + top, self.width - left - right, self.height - top - bottom)

    def fitting(self, elongation: float) -> Box:
        """Largest box of this height over width in here, top left."""
        width = min(self.width, self.height / elongation)
        return Box(self.left, self.top, width, width * elongation)


class Page:
    """A figure of fixed size, drawn without pyplot and so without its global list of figures."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, math.ceil(10 * height - 1e-9) / 10  # whole pixels
        self.figure = Figure(figsize=(self.width, self.height))
        FigureCanvasAgg(self.figure)

    def axes(self, box: Box, **settings: Any) -> Axes:
        """Axes that fill a box."""
        w, h = self.width, self.height
        place = (box.left / w, 1 - (box.top + box.height) / h, box.width / w, box.height / h)
        return self.figure.add_axes(place, **settings)

    def text(self, left: float, top: float, text: str, **style: Any) -> None:
        """Text with its top left corner at a point."""
        style = {"va": "top", "ha": "left", "parse_math": False, **style}
        self.figure.text(left / self.width, 1 - top / self.height, plain(text), **style)


def plain(text: str) -> str:
    """Text on one line, with a mark in place of characters that the font lacks: file names may hold any."""
    font = get_font(findfont(_STYLE["font.family"]))
    return "".join(c if c.isprintable() and font.get_char_index(ord(c)) else "\ufffd" for c in " ".join(text.split()))


@lru_cache(maxsize=4096)
def text_width(text: str, size: float, weight: str = "normal") -> float:
    """Width of a line of text [inch]."""
    font = FontProperties(family=_STYLE["font.family"], size=size, weight=weight)
    return _measure().get_text_width_height_descent(plain(text) or " ", font, ismath=False)[0] / DPI


@lru_cache(maxsize=1)
def _measure() -> RendererAgg:
    return RendererAgg(1, 1, DPI)


def wrapped(text: str, inches: float, size: float = 8.5) -> list[str]:
    """Cut a text into lines that fit, at spaces where it can."""
    lines = [""]
    for word in text.split():
        line = f"{lines[-1]} {word}".strip()
        if text_width(line, size) <= inches:
            lines[-1] = line
            continue
        lines = lines if lines[-1] else []
        while text_width(word, size) > inches:
            keep = max(1, int(len(word) * inches / text_width(word, size)) - 1)
            lines.append(word[:keep])
            word = word[keep:]
        lines.append(word)
    return lines


def shortened(text: str, inches: float, size: float) -> str:
    """Cut the middle out of a bold line that is too long."""
    for keep in range(len(text) // 2, 4, -1):
        line = text if 2 * keep >= len(text) - 1 else f"{text[:keep]}…{text[-keep:]}"
        if text_width(line, size, "bold") <= inches:
            return line
    return f"{text[:4]}…"


def polished(text: str) -> str:
    """Set a plain text better: 2e+06 as 2×10⁶, a minus sign for a negative number."""
    raised = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
    text = re.sub(r"(?<!\S)-(?=\d)", "−", text)
    return re.sub(r"(?<=\d)e([+-]?\d+)\b", lambda found: "×10" + str(int(found[1])).translate(raised), text)


def header(page: Page, title: str, facts: Sequence[str], badge: tuple[str, str] = ("", "")) -> None:
    """Draw title, two facts, a line each, and badge ``(text, colour)`` within `HEADER` of the page's top."""
    text, colour = badge
    room = page.width - 2 * EDGE - (text_width(text, 10, "bold") + 0.4 if text else 0)
    page.text(EDGE, 0.3, shortened(title, room, 14), size=14, weight="bold")
    if text:
        style = {"boxstyle": "round,pad=0.4,rounding_size=0.3", "facecolor": colour, "edgecolor": "none"}
        where: dict[str, Any] = {"ha": "right", "size": 10, "weight": "bold", "color": "white", "bbox": style}
        page.text(page.width - EDGE - 0.07, 0.34, text, **where)
    for k, fact in enumerate(facts[:2]):
        first, *rest = wrapped(polished(fact), page.width - 2 * EDGE - 0.2, 9)
        page.text(EDGE, 0.65 + 0.2 * k, f"{first} …" if rest else first, size=9, color=MUTED)


# Height of the header, width and margin of every page, height of a line of text [inch].
HEADER, WIDTH, EDGE = 1.2, 12.8, 0.4
LINE = 0.18
_GRAVITY = {"serious": 0, "caution": 1, "note": 2}


def remark_lines(findings: Sequence[Finding], page_width: float) -> list[tuple[str, str]]:
    """Cut findings into about 7 lines ``(level or "", text)``, gravest first."""
    ordered = sorted(findings, key=lambda finding: _GRAVITY[finding.level])
    lines: list[tuple[str, str]] = []
    for k, finding in enumerate(ordered):
        text = finding.text.rstrip(". ")
        text = f"{text[:1].upper()}{text[1:]}. {finding.fix}"
        first, *rest = wrapped(polished(text), page_width - 2 * EDGE - 0.7)
        if k and len(lines) + 1 + len(rest) > 6:
            return [*lines, ("", f"and {len(ordered) - k} more, printed by the command")]
        lines += [(finding.level, first), *(("", more) for more in rest)]
    return lines


def draw_remarks(page: Page, top: float, lines: Sequence[tuple[str, str]]) -> None:
    """Draw what `remark_lines` made below `top` [inch]."""
    for k, (level, text) in enumerate(lines):
        page.text(EDGE, top + LINE * k, level, weight="bold", color=LEVEL_COLOURS.get(level, INK))
        page.text(EDGE + 0.7, top + LINE * k, text)


# --- lengths ------------------------------------------------------------------------------------------------


def round_length(limit: float) -> float:
    """Largest 1, 2 or 5 times a power of ten that is not above `limit`."""
    if not (math.isfinite(limit) and limit > 0):
        raise ValueError(f"no round length up to {limit}")
    exponent = math.floor(math.log10(limit) + 1e-9)
    # 1e-9: a limit of 0.5 may come as 0.49999999999999994
    step = max(step for step in (1, 2, 5) if step * 10.0**exponent <= limit * (1 + 1e-9))
    return float(f"{step}e{exponent}")


def length_text(length_m: float) -> str:
    """Write a length with the unit people use for it."""
    for unit, scale in (("nm", 1e-9), ("µm", 1e-6), ("mm", 1e-3)):
        if length_m < 999.5 * scale:
            return f"{length_m / scale:.3g} {unit}"
    return f"{length_m:.3g} m"


def micrometre_text(length_um: float) -> str:
    """Name of a scale bar on the sample."""
    return length_text(length_um * 1e-6)


def frequency_text(frequency_per_um: float) -> str:
    """Name of a scale bar on the detector."""
    return f"{frequency_per_um:g} µm⁻¹"


def scale_bar(axes: Axes, height_in: float, text: Callable[[float], str]) -> None:
    """Draw a bar of round length below an image `height_in` high; `text` names its length in data units."""
    left, right = sorted(axes.get_xlim())
    length = round_length(0.3 * (right - left))
    y, across = -0.13 / height_in, axes.get_xaxis_transform()
    thick = 0.045 / height_in
    bar = Rectangle((left, y - thick / 2), length, thick, transform=across, clip_on=False, color=INK, lw=0)
    bar.set_gid("scale-bar")
    axes.add_patch(bar)
    gap: dict[str, Any] = {"xytext": (4, 0), "textcoords": "offset points"}
    axes.annotate(text(length), (left + length, y), xycoords=across, va="center", size=8, gid="scale-text", **gap)


# --- images -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Window:
    """Rectangle in data units that a panel shows: left, right, top, bottom; y runs downwards."""

    left: float
    right: float
    top: float
    bottom: float

    @property
    def elongation(self) -> float:
        """Height over width."""
        return (self.bottom - self.top) / (self.right - self.left)

    def widened(self, most: float = 2.5) -> Window:
        """Window padded so that no side is more than `most` times the other."""
        w, h = self.right - self.left, self.bottom - self.top
        dx, dy = max(0.0, h / most - w) / 2, max(0.0, w / most - h) / 2
        return Window(self.left - dx, self.right + dx, self.top - dy, self.bottom + dy)


def edges(y: NDArray[Any], x: NDArray[Any]) -> Window:
    """Window of an image whose pixel centres are at `y` and `x`, two or more each."""
    dy, dx = ((axis[-1] - axis[0]) / (len(axis) - 1) / 2 for axis in (y, x))
    return Window(float(x[0] - dx), float(x[-1] + dx), float(y[0] - dy), float(y[-1] + dy))


def thinned(place: Window, *arrays: NDArray[Any]) -> tuple[Window, list[NDArray[Any]]]:
    """Every k-th pixel of large images ``(h, w)`` and what they then cover: no screen shows more."""
    h, w = arrays[0].shape
    k = max(1, min(h, w) // MOST_PIXELS)
    ny, nx = h // k, w // k
    right = place.left + (place.right - place.left) * nx * k / w
    bottom = place.top + (place.bottom - place.top) * ny * k / h
    window = Window(place.left, right, place.top, bottom)
    return window, [a[k // 2 :: k, k // 2 :: k][:ny, :nx] for a in arrays]


def image(
    page: Page,
    box: Box,
    values: NDArray[Any],
    place: Window,
    *,
    title: str,
    scale: Scale | None = None,
    window: Window | None = None,
    bar_text: Callable[[float], str] = micrometre_text,
) -> Axes:
    """Draw an image with title, scale bar and, where there is a `scale`, colour bar into a box.

    Parameters
    ----------
    values
        ``(h, w)``, masked or nan where not measured; or colours ``(h, w, 3)``, which a `scale` only explains.
    place, window
        What the image covers, and what of it is shown.
    bar_text
        Names the scale bar's length given in data units.
    """
    window = (window or place).widened()
    frame = box.inner(top=TITLE, right=COLOUR_BAR if scale else 0, bottom=STRIP).fitting(window.elongation)
    axes = page.axes(frame)
    axes.patch.set(facecolor=FAINT, hatch="////", edgecolor=HATCH, linewidth=0)
    extent = (place.left, place.right, place.bottom, place.top)
    if scale is None or values.ndim == 3:
        axes.imshow(values, extent=extent, aspect="auto")
    else:
        shown = np.ma.masked_invalid(values)
        axes.imshow(shown, extent=extent, aspect="auto", cmap=_colours(scale.map), norm=scale.norm)
    if scale is not None:
        colour_bar(page, frame, scale)
    axes.set(xlim=(window.left, window.right), ylim=(window.bottom, window.top), xticks=(), yticks=())
    axes.set_title(title)
    scale_bar(axes, frame.height, bar_text)
    return axes


def _colours(name: str) -> Colormap:
    """Colour map with nothing in place of missing values, so that the hatching shows."""
    return colormaps[name].with_extremes(bad=(0, 0, 0, 0))


def colour_bar(page: Page, frame: Box, scale: Scale) -> None:
    """Draw a colour bar right of an image's frame."""
    axes = page.axes(Box(frame.left + frame.width + 0.07, frame.top, 0.11, frame.height))
    mappable = ScalarMappable(scale.norm, colormaps[scale.map])
    label = scale.label
    if isinstance(scale.norm, LogNorm):
        few = (scale.norm.vmax or 1.0) < 30 * (scale.norm.vmin or 1.0)
        bar = page.figure.colorbar(mappable, cax=axes, ticks=LogLocator(subs=(1, 2, 5) if few else (1,), numticks=6))
        if few:
            bar.formatter = FuncFormatter(lambda value, _: f"{value:.6g}")
    else:
        bar = page.figure.colorbar(mappable, cax=axes, ticks=MaxNLocator(5, steps=[1, 2, 5, 10], integer=scale.whole))
        unit = _thousands(scale.norm)
        bar.formatter = FuncFormatter(lambda value, _: f"{value / unit:.6g}".replace("-", "−"))
        label = polished(f"{unit:.0e}")[2:] + f" {label}" if unit != 1 else label
    if scale.shown is not None:
        bar.ax.set_ylim(*scale.shown)
    bar.ax.yaxis.set_minor_locator(NullLocator())
    if scale.ticks:
        places, texts = zip(*scale.ticks, strict=True)
        bar.set_ticks(places, labels=texts)
    cast(Any, bar.outline).set_linewidth(0.5)
    bar.ax.tick_params(length=2, pad=2, width=0.5)
    bar.set_label(label, size=8, labelpad=3)


def _thousands(norm: Normalize) -> float:
    """Power of 1000 to write large or small limits in."""
    size = max(abs(norm.vmin or 0.0), abs(norm.vmax or 0.0))
    return 1.0 if size == 0 or 1e-2 <= size < 1e4 else 1000.0 ** math.floor(math.log10(size) / 3)
