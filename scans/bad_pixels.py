"""Pixels that cannot be trusted, from the statistics of a scan: dead, hot, noisy, stuck, weak, dead columns.

Every rule compares a pixel with its surroundings along four lines (row, column, both diagonals): a fault is a
fault in all directions, while a beam's edge, a fringe or the shadow of a beamstop goes on along one of them.
A dead pixel can be told only where its neighbours are lit above the noise: `BadPixels.lit`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from scans.errors import InputError
from scans.pixel_statistics import PixelStatistics
from scans.surroundings import beside, lowest, over_lines

Mask = NDArray[np.bool_]
Map = NDArray[np.float64]

# All factors: common practice, no source; set on simulated detectors with known faults, and judged on others
# (tests, benchmarks/bench_detector.py).
SIGMA = 8.0
# The mean of the surroundings in its standard errors, photons and changes of the sample together: its square is
# the number of independent values, so 20 photons where light is faint.
STRENGTH = 4.5
# And in standard errors of a pixel without light.
CLEAR = 12.0
WEAK_STRENGTH = 10.0
DEAD_RESPONSE = 0.1
WEAK_RESPONSE = 0.65
HOT_FACTOR = 3.0
NOISY_FACTOR = 10.0
FEWEST_FRAMES = 8
FEWEST_PHOTONS = 15
# Side of the parts among which the darkest is looked for.
PART = 8


@dataclass(frozen=True, eq=False)
class BadPixels:
    """Bad pixels by kind, masks ``(h, w)`` bool, True = bad; a pixel is in one kind only.

    `hot` has a high dark level or mean, `noisy` flickers, `stuck` never changes, `dead` does not respond,
    `weak` responds too little, `lines` are whole columns or rows. `lit` (True = yes) is where a dead pixel
    can be told from an unlit one.
    """

    hot: Mask = field(repr=False)
    noisy: Mask = field(repr=False)
    stuck: Mask = field(repr=False)
    dead: Mask = field(repr=False)
    weak: Mask = field(repr=False)
    lines: Mask = field(repr=False)
    lit: Mask = field(repr=False)

    @property
    def combined(self) -> Mask:
        """All kinds together ``(h, w)``."""
        return self.hot | self.noisy | self.stuck | self.dead | self.weak | self.lines

    @property
    def counts(self) -> dict[str, int]:
        """Number of pixels of each kind."""
        return {name: int(getattr(self, name).sum()) for name in ("hot", "noisy", "stuck", "dead", "weak", "lines")}

    @property
    def explanations(self) -> tuple[str, ...]:
        """Say what was found, a sentence a kind."""
        h, w = self.lines.shape
        columns, rows = int(self.lines.all(axis=0).sum()), int(self.lines.all(axis=1).sum())
        why = {
            "hot": "far above their surroundings without light, or in the mean of all frames",
            "noisy": "vary far more than their surroundings",
            "stuck": "have one value in every frame while their neighbours change",
            "dead": "stay dark while their neighbours are lit in all directions",
            "weak": f"show less than {WEAK_RESPONSE:.2f} of what their neighbours show in all directions",
            "lines": f"lie in {columns} column(s) and {rows} row(s) without response or with a high level",
        }
        said = [f"{n} pixel(s) {why[name]} ({name})." for name, n in self.counts.items() if n]
        told = f"Dead pixels can be told on {int(self.lit.sum())} of {h * w} pixels, those lit above the noise."
        return (*said, told)

    def __str__(self) -> str:
        return "\n".join(self.explanations)


def find_bad_pixels(
    light: PixelStatistics, dark: PixelStatistics | None = None, good: NDArray[np.bool_] | None = None
) -> BadPixels:
    """Find bad pixels in the statistics of a scan's frames.

    Parameters
    ----------
    light
        Of the frames of the scan, dark not subtracted where `dark` is given.
    dark
        Of the dark frames, in the same counts.
    good
        ``(h, w)`` bool: pixels that are known to be good or unknown; known bad ones are not looked at, and
        are not reported again.

    Raises
    ------
    InputError
        Fewer than 8 frames, or shapes that differ.
    """
    shape = light.first.shape if light.n else (0, 0)
    no_offset = dark is not None and dark.n == 0  # dark frames of nothing but zeros: a photon counter
    dark = None if no_offset else dark
    _check(light, dark, good, shape)
    usable = np.ones(shape, bool) if good is None else good.astype(bool)
    mean, variance, largest = light.trimmed()
    stuck = _stuck(light, dark, usable)
    usable = usable & ~stuck
    rise = largest - mean
    empty = _without_light(light, dark, usable)
    if no_offset:
        empty = empty._replace(floor=0.0)
    hot, noisy = empty.hot, empty.noisy
    signal = mean - empty.level
    # the offset may have moved between darks and scan: the darkest part of the frame is the zero, within reason
    drift = 0.0 if no_offset else _possible_drift(light, dark, usable)
    signal -= min(_darkest(signal, usable & ~hot & ~noisy), 3 * (drift + empty.floor))
    error = np.sqrt(over_lines(variance, usable, "middle") / light.n + empty.floor**2)
    outshining = _outshine(signal, error + 20 / SIGMA * rise / light.n, usable & ~hot & ~noisy)
    if dark is None:
        # where light saturates, a pixel that does not is the one that varies
        below = ndimage.maximum_filter(light.maximum, 5) < light.maximum[usable].max()
        flickers = _flicker(variance, rise, light.n, usable) & below
        noisy = (outshining & (variance > 0.1 * signal**2)) | flickers
    hot = hot | (outshining & ~noisy)
    usable = usable & ~hot & ~noisy
    # drift of the offset during the scan is in every variance
    noise = np.full(shape, empty.variance + light.drift_variance)
    silence = np.sqrt(noise / light.n + empty.floor**2 + (drift**2 if math.isfinite(drift) else 0.0))
    if dark is None and not light.whole:
        noise = np.full(shape, np.inf)  # nothing tells photons from a smooth change
    changes = np.maximum(variance - noise, 0)
    own = np.sqrt(variance / light.n + empty.floor**2) + 1e-300
    pixels = _Pixels(signal, changes, own, silence, rise, noise, np.full(shape, light.n))
    lines = _dead_columns(pixels, usable) | _dead_columns(pixels.turned(), usable.T).T
    lines |= _crowded(hot | noisy | stuck)
    dead, weak, lit = _dim(pixels, usable & ~lines)
    hot, noisy, stuck = (kind & ~lines for kind in (hot, noisy & ~hot, stuck))
    return BadPixels(hot, noisy, stuck, dead, weak, lines, lit)


class _Empty(NamedTuple):
    """The detector without light: level, hot and noisy pixels ``(h, w)``, variance, rms error of a level."""

    level: Map
    hot: Mask
    noisy: Mask
    variance: float
    floor: float


def _without_light(light: PixelStatistics, dark: PixelStatistics | None, usable: Mask) -> _Empty:
    """From the dark frames; without them nothing but the pattern of the dimmest pixels is known."""
    if dark is None:
        none = np.zeros(usable.shape, bool)
        return _Empty(np.zeros(usable.shape), none, none, 0.0, _pattern(light.trimmed()[0], usable))
    level, noise, _ = dark.trimmed()
    typical = max(float(np.median(noise[usable])), 0.0)
    return _Empty(level, *_dark_faults(level, noise, dark.n, usable), typical, math.sqrt(typical / dark.n))


def _possible_drift(light: PixelStatistics, dark: PixelStatistics | None, usable: Mask) -> float:
    """How far the offset may lie from the darks; without them, from zero where values begin there."""
    if dark is not None:
        # a random walk, its step as in the darks: mean square between the means of darks and of frames
        steps = dark.level_steps if dark.n > 2 else light.level_steps
        return math.sqrt(steps * (light.n + dark.n) / 3)
    known = light.whole and light.minimum[usable].min() <= 0
    return math.sqrt(light.level_steps * light.n / 3) if known else math.inf


class _Pixels(NamedTuple):
    """What the rules look at, maps ``(h, w)``.

    Mean signal, variance above that without light, standard error of a pixel's own mean and of one without
    light, largest usual rise above the mean, variance without light, number of frames.
    """

    signal: Map
    changes: Map
    error: Map
    silence: Map
    rise: Map
    noise: Map
    n: Map

    def turned(self) -> _Pixels:
        return _Pixels(*(each.T for each in self))

    def seen_by_variance(self, changes: Map, rise: Map) -> Mask:
        """Where `changes` of the surroundings stand for 15 photons over the scan, and above the read noise.

        A photon is no more than `rise`. A normal pixel gets a tenth of them by chance once in 1e6 (Poisson).
        """
        return (self.n * changes > FEWEST_PHOTONS * rise**2) & self.stand_out(changes)

    def stand_out(self, changes: Map) -> Mask:
        """Where `changes` are above the uncertainty of the variance without light."""
        above: Mask = changes > self.noise * np.sqrt(200 / self.n)
        return above


def _check(light: PixelStatistics, dark: PixelStatistics | None, good: Mask | None, shape: tuple[int, ...]) -> None:
    wrong = None
    if light.n < FEWEST_FRAMES:
        wrong = f"{light.n} frames"
    elif dark is not None and dark.first.shape != shape:
        wrong = f"dark frames of shape {dark.first.shape}, frames of {shape}"
    elif good is not None and good.shape != shape:
        wrong = f"a mask of shape {good.shape}, frames of {shape}"
    if wrong is not None:
        raise InputError(
            wrong,
            where="search for bad pixels",
            expected=f"{FEWEST_FRAMES} or more frames, dark frames and mask of their shape",
            fix="Give more frames, or dark frames and a mask of the same detector region.",
        )


def _stuck(light: PixelStatistics, dark: PixelStatistics | None, usable: Mask) -> Mask:
    """Constant pixels whose surroundings change; a constant zero may be an unlit or dead pixel, and is none."""
    constant = light.maximum == light.minimum
    if dark is not None and dark.n > 1:
        constant &= dark.maximum == dark.minimum
    around = over_lines((light.maximum > light.minimum).astype(float), usable, "lowest")
    stuck: Mask = usable & constant & (light.minimum != 0) & (around > 0)
    if dark is not None:  # a dead pixel of a quiet detector keeps the usual dark level
        usual = dark.first[usable]
        stuck &= np.abs(light.minimum - np.median(usual)) > SIGMA * _robust_rms(usual)
    return stuck


def _robust_rms(values: Map) -> float:
    # 1.4826: median deviation of a Gaussian to its rms
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _pattern(mean: Map, usable: Mask) -> float:
    """Rms of the offset's pattern: that within the dimmest parts, their light included."""
    parts = _parts(mean, usable)
    if not len(parts):
        return _robust_rms(mean[usable])
    medians = np.nanmedian(parts, axis=1)
    # 1.4826: see _robust_rms
    spreads = 1.4826 * np.nanmedian(np.abs(parts - medians[:, None]), axis=1)
    return float(np.median(spreads[np.argsort(medians)[: max(len(medians) // 5, 1)]]))


def _darkest(signal: Map, usable: Mask) -> float:
    """Lowest median of the parts of the frame."""
    parts = _parts(signal, usable)
    return float(np.nanmedian(parts, axis=1).min()) if len(parts) else float(np.median(signal[usable]))


def _parts(image: Map, usable: Mask) -> Map:
    """Cut `image` into squares of `PART` pixels, ``(parts, PART²)``; nan where unusable; half usable at least."""
    h, w = (n // PART * PART for n in image.shape)
    cut = np.where(usable, image, np.nan)[:h, :w].reshape(h // PART, PART, w // PART, PART)
    parts = cut.swapaxes(1, 2).reshape(-1, PART**2)
    enough: Map = parts[np.isfinite(parts).sum(axis=1) >= PART**2 // 2]
    return enough


def _dark_faults(level: Map, variance: Map, n: int, usable: Mask) -> tuple[Mask, Mask]:
    """Hot and flickering pixels of the dark frames."""
    typical = max(float(np.median(variance[usable])), 0.0)
    spread = max(_robust_rms(level[usable]), math.sqrt(typical / n))
    excess = level - float(np.median(level[usable]))
    hot = usable & (excess > SIGMA * spread)
    if n < 4:
        return hot, np.zeros(level.shape, bool)
    # far outside the chi-square law of a sample variance; rounding to whole counts adds 1/12
    factor = max(4.0, 1.5 * float(special.chdtri(n - 3, 1e-7)) / (n - 3))
    # the shot noise of a hot pixel's steady current is small beside its level; flicker is about as large
    noisy = usable & (variance > factor * (typical + 1 / 12)) & (variance > 0.1 * excess**2)
    return hot & ~noisy, noisy


def _outshine(signal: Map, error: Map, usable: Mask) -> Mask:
    """Pixels far above the highest line around them."""
    highest = np.maximum(over_lines(signal, usable, "highest"), 0)
    # a pixel beside the edge of a beam has bright neighbours, two at least
    ring = np.ones((3, 3), bool)
    ring[1, 1] = False
    second = ndimage.rank_filter(np.where(usable, signal, -np.inf), -2, footprint=ring, mode="mirror")
    hot: Mask = usable & (signal > HOT_FACTOR * highest + SIGMA * error) & (signal > second)
    return hot


def _flicker(variance: Map, rise: Map, n: int, usable: Mask) -> Mask:
    """Pixels that vary far more than the most variable line around them, in more than a few frames.

    `rise` is the largest rise above the mean, a few frames left out: fewer than 20 like it are no flicker.
    """
    highest = over_lines(variance, usable, "highest")
    noisy: Mask = usable & (variance > NOISY_FACTOR * highest + 20 * rise**2 / n) & (n >= 100)
    return noisy


def _dead_columns(pixels: _Pixels, usable: Mask) -> Mask:
    """Whole columns without response where the columns on both sides are lit, in 6 rows or more."""
    level, changes, rise, strength = (
        beside(image, usable) for image in (pixels.signal, pixels.changes, pixels.rise, pixels.signal / pixels.error)
    )
    with np.errstate(invalid="ignore"):
        lit = usable & (level > CLEAR * pixels.silence) & (strength > STRENGTH)
        seen = usable & (pixels.seen_by_variance(changes, rise) | (pixels.stand_out(changes) & (strength > STRENGTH)))
        dim = pixels.signal < DEAD_RESPONSE * level + 3 * pixels.silence
        low = np.where(seen, pixels.changes < 0.25 * changes, dim) & (lit | seen)
    number = (lit | seen).sum(axis=0)
    total, expected = (np.where(lit, image, 0).sum(axis=0) for image in (pixels.signal, level))
    dead = (number >= 6) & (low.sum(axis=0) >= 0.9 * number) & (total <= 0.2 * expected)
    return np.broadcast_to(dead, usable.shape).copy() & usable


def _crowded(bad: Mask) -> Mask:
    """Columns and rows of which more than half the pixels are bad."""
    h, w = bad.shape
    lines: Mask = (bad.sum(axis=0) > h / 2)[None, :] | (bad.sum(axis=1) > w / 2)[:, None]
    return lines


def _dim(pixels: _Pixels, usable: Mask) -> tuple[Mask, Mask, Mask]:
    """Dead pixels, weak pixels, and where dead ones can be told: by their mean, or by their variance."""
    dead, lit = _dead(pixels, usable)
    more = dead
    while more.any():  # a dead neighbour hides a dead one: look again without those found
        more, lit = _dead(pixels, usable & ~dead)
        dead = dead | more
    return dead, _weak(pixels, usable & ~dead), lit | dead


def _weak(pixels: _Pixels, usable: Mask) -> Mask:
    """Pixels that show too little, in mean and in variance, where the mean of the surroundings is well known."""
    signal = pixels.signal
    level, changes = (over_lines(m, usable, "lowest") for m in (signal, pixels.changes))
    strength = over_lines(signal / pixels.error, usable, "lowest")
    with np.errstate(invalid="ignore"):
        short = (signal < WEAK_RESPONSE * level) & (signal < 0.8 * lowest(signal, usable, 0))
        known = (strength > WEAK_STRENGTH) & (level > 2 * CLEAR * pixels.silence)
        weak: Mask = usable & known & short & ((pixels.changes < 0.8 * changes) | ~np.isfinite(pixels.noise))
    return weak


def _dead(pixels: _Pixels, usable: Mask) -> tuple[Mask, Mask]:
    """Dead pixels that show among usable ones, and where they can be told."""
    signal = pixels.signal
    level, changes = (over_lines(m, usable, "lowest") for m in (signal, pixels.changes))
    strength = over_lines(signal / pixels.error, usable, "lowest")
    rise = over_lines(pixels.rise, usable, "lowest")
    # in a rough shadow neighbours differ as much as a fault does: a fault is below all but two of 24
    certain, steady = (np.minimum(m, 4 * lowest(v, usable, 2)) for m, v in ((level, signal), (changes, pixels.changes)))
    with np.errstate(invalid="ignore"):
        lit = usable & (certain > CLEAR * pixels.silence) & (strength > STRENGTH)
        seen = usable & (pixels.seen_by_variance(steady, rise) | (pixels.stand_out(steady) & (strength > STRENGTH)))
        silent = seen & (pixels.changes < DEAD_RESPONSE * steady) & (signal < 0.5 * level + 3 * pixels.error)
        dead = (lit & (signal < DEAD_RESPONSE * certain + 3 * pixels.silence)) | silent
    return dead, lit | seen
