"""What the tests of figures share: a small result, and eyes for a drawn page."""

from itertools import combinations

import numpy as np
from matplotlib.image import AxesImage
from matplotlib.text import Text

from recon.recipe import Recipe
from recon.result import History, Provenance, Result, StopReason
from scans.geometry import Geometry
from scans.scan import Finding

SIDE, FRAME = 60, 32
GEOMETRY = Geometry(710.0, 0.08, (44e-6, 44e-6), (FRAME, FRAME))
PIXEL = GEOMETRY.object_pixel_m[0]


def made(transmission=None, *, modes=1, passes=30, positions=None, **changes):
    """A result whose covered region is a disc of 25 pixels radius around the middle."""
    y, x = np.indices((SIDE, SIDE)) - SIDE // 2
    axis = PIXEL * np.arange(SIDE)
    if transmission is None:
        transmission = 0.9 * np.exp(-0.4j * np.sin(x / 5) * np.cos(y / 7))
    if positions is None:
        positions = axis[SIDE // 2] + PIXEL * np.random.default_rng(3).uniform(-15, 15, (40, 2))
    q = np.indices((FRAME, FRAME)) - FRAME // 2
    probe = np.exp(-(q**2).sum(0) / 40) * (q[0] / 8.0) ** np.arange(modes)[:, None, None]
    t = np.arange(1, passes + 1)
    history = History(t, ["main"] * passes, 0.5 / t + 0.1, 9.0 / t + 1, 0.1 * t)
    fields = {
        "transmission": transmission,
        **{"y_m": 3e-6 + axis, "x_m": -2e-6 + axis, "coverage": 1e4 * (np.hypot(y, x) <= 25)},
        **{"probe": probe, "positions_measured_m": positions, "positions_refined_m": positions},
        **{"frame_index": np.arange(len(positions)), "frame_intensity": np.ones(len(positions))},
        **{"geometry": GEOMETRY, "unit": "photon", "history": history, "stop_reason": StopReason.CONVERGED},
        **{"status": "complete", "verdict": "good", "recipe": Recipe()},
        "provenance": Provenance.now(seed=0, device="cpu", fft="scipy", threads=1),
    }
    moved = {k: v + np.array([3e-6, -2e-6]) for k, v in fields.items() if k.startswith("positions")}
    return Result(**fields | moved | changes)


def check_page(figure, monkeypatch):
    """Every text drawn is inside the page, and none lies on another."""
    drawn = []
    original = Text.draw

    def draw(self, renderer, *args, **kwargs):
        if self.get_visible() and self.get_text().strip():
            drawn.append(self)
        return original(self, renderer, *args, **kwargs)

    with monkeypatch.context() as patch:
        patch.setattr(Text, "draw", draw)
        figure.draw_without_rendering()
    # tick labels are their own artists; an annotation's extent without its arrow is that of its text
    boxes = [(text.get_text(), Text.get_window_extent(text)) for text in dict.fromkeys(drawn)]
    width, height = figure.bbox.size
    assert len(boxes) > 5
    outside = [t for t, b in boxes if b.x0 < 0 or b.y0 < 0 or b.x1 > width or b.y1 > height]
    assert not outside
    touching = [
        (s, t)
        for (s, a), (t, b) in combinations(boxes, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 1 and min(a.y1, b.y1) - max(a.y0, b.y0) > 1
    ]
    assert not touching


def axes_titled(figure, title):
    return next(axes for axes in figure.axes if axes.get_title(loc="left") == title)


def picture(axes):
    return next(artist for artist in axes.get_children() if isinstance(artist, AxesImage))


def scale_length(axes):
    """Drawn scale bar in data units, from its pixels on the page, and the text beside it."""
    bar = next(patch for patch in axes.patches if patch.get_gid() == "scale-bar")
    extent = bar.get_window_extent().transformed(axes.transData.inverted())
    text = next(text.get_text() for text in axes.texts if text.get_gid() == "scale-text")
    return extent.width, text


LONG = Finding("caution", "long", "something that takes many words to tell " * 8, "Do " + "what must be done " * 9)
