"""Colours of figures: which map, which limits, and complex images as colours."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.colors import LogNorm, Normalize
from numpy.typing import NDArray

INK, MUTED, PAPER, FAINT, HATCH = "#1f2a33", "#66727c", "#ffffff", "#e9ebec", "#c3c9cd"
# Okabe and Ito's colours, told apart with the common colour blindnesses (from memory).
BLUE, ORANGE, SKY, VERMILION = "#0072b2", "#e69f00", "#56b4e9", "#d55e00"
# Darker forms of the pale ones, for text on paper.
AS_TEXT = {SKY: BLUE, ORANGE: "#9a5b00"}
LEVEL_COLOURS = {"good": "#00734f", "note": MUTED, "caution": "#9a5b00", "serious": "#b3261e"}
AMPLITUDE_MAP, COUNT_MAP, ORDER_MAP, COVERAGE_MAP = "gray", "magma", "viridis", "Blues"
DIVERGING_MAP, CYCLIC_MAP = "PuOr", "twilight"
# Values on more than this share of the circle: wherever it is cut, some values cross the cut.
FULL_CIRCLE_SHARE = 0.9
# Colour limits leave out this share of the well-covered values at either end.
OUTLIER_SHARE = 0.005
BRIGHT_SHARE = 0.04


@dataclass(frozen=True)
class Scale:
    """Colour map and its limits; `label` names quantity and unit.

    The colour bar has `ticks`, and shows the part `shown` of the limits, where these are given; `whole` numbers
    get no ticks between them.
    """

    map: str
    norm: Normalize
    label: str
    ticks: tuple[tuple[float, str], ...] = ()
    shown: tuple[float, float] | None = None
    whole: bool = False


def robust_limits(values: NDArray[Any], least: float = 0.02) -> tuple[float, float]:
    """Limits that leave out `OUTLIER_SHARE` at either end, at least `least` apart."""
    values = _sample(values[np.isfinite(values)])
    if not values.size:
        return 0.0, least
    low, high = (float(v) for v in np.quantile(values, [OUTLIER_SHARE, 1 - OUTLIER_SHARE]))
    spare = max(0.0, least - (high - low)) / 2
    return low - spare, high + spare


def _sample(values: NDArray[Any]) -> NDArray[Any]:
    """At most some hundred thousand of many values: sorting them all takes longer than the rest of a figure."""
    return values[:: max(1, values.size // 200_000)]


def amplitude_scale(amplitude: NDArray[Any]) -> Scale:
    """Grey scale over the well-covered `amplitude` values."""
    return Scale(AMPLITUDE_MAP, Normalize(*robust_limits(amplitude), clip=True), "amplitude")


def phase_scale(phase: NDArray[Any], covered: NDArray[np.bool_]) -> tuple[NDArray[Any], Scale]:
    """Phases ``(H, W)`` [rad] made continuous where they can be, and their colours.

    Where the well-covered phases leave part of the circle free, the circle is cut there and the map diverges
    from neutral at 0, or at the phase nearest to 0 where all lie on one side of it. Where they fill the circle
    the map is cyclic, from -π to π.
    """
    sample = _sample(phase[covered & np.isfinite(phase)]).astype(float)
    if not sample.size:
        sample = np.zeros(1)
    start, length = _shortest_arc(sample, 1 - 2 * OUTLIER_SHARE)
    if length > FULL_CIRCLE_SHARE * 2 * math.pi:
        ticks = tuple(zip(np.linspace(-math.pi, math.pi, 5), ("−π", "−π/2", "0", "π/2", "π"), strict=True))
        return wrap(phase), Scale(CYCLIC_MAP, Normalize(-math.pi, math.pi), "phase (rad), cyclic", ticks)
    centre = float(wrap(start + length / 2))
    half = max(length / 2, 0.01)
    low, high = centre - half, centre + half
    neutral = min(max(0.0, low), high)
    limit = max(high - neutral, neutral - low)
    norm = Normalize(neutral - limit, neutral + limit, clip=True)
    return centre + wrap(phase - centre), Scale(DIVERGING_MAP, norm, "phase (rad)", shown=(low, high))


def wrap(phase: Any) -> Any:
    """Phase moved by whole turns into -π to π [rad]."""
    return (phase + math.pi) % (2 * math.pi) - math.pi


def _shortest_arc(phase: NDArray[Any], share: float) -> tuple[float, float]:
    """Start and length [rad] of the shortest arc that holds this share of the phases."""
    ordered = np.sort(wrap(phase))
    take = max(1, math.ceil(share * ordered.size))
    ends = np.concatenate([ordered, ordered + 2 * math.pi])[take - 1 : take - 1 + ordered.size]
    best = int(np.argmin(ends - ordered))
    return float(ordered[best]), float(ends[best] - ordered[best])


def symmetric_scale(values: NDArray[Any], label: str) -> Scale:
    """Diverging scale with neutral at 0."""
    limit = max(abs(v) for v in robust_limits(values, 0.0)) or 1.0
    return Scale(DIVERGING_MAP, Normalize(-limit, limit, clip=True), label)


def count_scale(values: NDArray[Any], label: str) -> Scale:
    """Logarithmic scale for counts; what is 0 or below takes the lowest colour."""
    positive = values[np.isfinite(values) & (values > 0)]
    high = float(positive.max()) if positive.size else 1.0
    low = float(np.quantile(positive, 0.02)) if positive.size else 0.1
    return Scale(COUNT_MAP, LogNorm(min(max(low, 1e-6 * high), 0.1 * high), high), label)


def wave_colours(wave: NDArray[Any]) -> NDArray[np.float64]:
    """Colours ``(h, w, 3)`` of a complex image: hue is the phase, lightness the amplitude.

    The brightest pixels, with `BRIGHT_SHARE` of the power, are cut: a sharp peak would leave the rest dark.

    CIELAB with lightness 74 and chroma 39 at the maximum (CIE 15, sRGB after IEC 61966-2-1, from memory):
    equal amplitudes look equally bright whatever the phase, and every colour exists on a screen.
    """
    top = _bright_amplitude(wave)
    amplitude = np.minimum(np.abs(wave) / top, 1) if top > 0 else np.zeros(wave.shape)
    angle = np.angle(wave)
    fy = (74 * amplitude + 16) / 116
    f = np.stack([fy + 39 * amplitude * np.cos(angle) / 500, fy, fy - 39 * amplitude * np.sin(angle) / 200], -1)
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * (0.95047, 1.0, 1.08883)
    linear = np.clip(xyz @ np.array(_XYZ_TO_SRGB).T, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def _bright_amplitude(wave: NDArray[Any]) -> float:
    """Amplitude that the pixels with `BRIGHT_SHARE` of the power exceed."""
    amplitude = np.sort(np.abs(wave), axis=None)
    power = np.cumsum(amplitude.astype(float) ** 2)
    return float(amplitude[np.searchsorted(power, (1 - BRIGHT_SHARE) * power[-1])])


_XYZ_TO_SRGB = (
    (3.2404542, -1.5371385, -0.4985314),
    (-0.9692660, 1.8760108, 0.0415560),
    (0.0556434, -0.2040259, 1.0572252),
)
