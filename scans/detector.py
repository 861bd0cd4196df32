"""From stored detector values to counts, block by block, as a plan says.

The plan is made by `readout_plan`; the passes over a scan are in `preparation` and `overview`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from scans.bad_pixels import BadPixels
from scans.darks import Darks
from scans.offsets import OffsetPlan
from scans.scan import Finding, Orientation, Scan
from scans.smear import Smear
from scans.spikes import REACH, SpikePlan

SAMPLE_FRAMES = 192
SAMPLE_BYTES = 64 << 20
# Of longer scans the sample is this share, but no fewer frames than that: it must not cost a second reading.
SAMPLE_SHARE = 0.15
SAMPLE_LEAST = 64
# Area detectors write these into signed frames for gaps and bad pixels (common practice, no source).
NEGATIVE_MARKS = (-1, -2)
Window = tuple[slice, slice]
WHOLE: Window = (slice(None), slice(None))
# A pixel's verdict may hang on others so far away, and no further.
SPARE_PX = REACH
# Larger than any count (common practice, no source); its square still fits into float32.
MOST_COUNTS = 1e18


class Block(NamedTuple):
    """Cleaned frames of one block, oriented and cropped.

    `values` are ``(n, h, w)`` in the unit of the `Readout`, 0 where unmeasured: float32, or of the stored integer
    type where nothing is subtracted or divided (`Readout.keeps_integers`); then they may be a view of the stored
    frames, and are not to be changed. `bad` and
    `saturated` are ``(n, h, w)`` bool, or None where no pixel is. `blank` marks frames that are stored as
    nothing but zeros. `nonfinite`, `marked` and `spikes` count pixels of each frame, bad pixels of the mask left
    out. `offset` is what was taken from each frame for a drifting offset [stored counts].
    """

    values: NDArray[Any]
    bad: NDArray[np.bool_] | None
    saturated: NDArray[np.bool_] | None
    blank: NDArray[np.bool_]
    nonfinite: NDArray[np.int64]
    marked: NDArray[np.int64]
    spikes: NDArray[np.int64]
    offset: NDArray[np.float64]


class Cleaned(NamedTuple):
    """Whole frames ``(n, h, w)`` after cleaning, in the detector's axes; unmeasured pixels still hold a value.

    `stays` says that `values` are the stored frames themselves, not to be changed. The rest as in `Block`.
    """

    values: NDArray[Any]
    stays: bool
    flags: Flags
    spikes: NDArray[np.bool_] | None
    blank: NDArray[np.bool_]
    offset: NDArray[np.float64]


class Watch(Protocol):
    """What looks on while a scan is prepared, so that frames are read once."""

    def begin(self, scan: Scan, readout: Readout) -> None:
        """Start, when it is decided how frames are cleaned."""

    def piece(self, part: slice, block: Block) -> Any:
        """See one block of whole, oriented frames; in several threads at once, changes nothing and keeps no view."""

    def add(self, part: slice, seen: Any) -> None:
        """Take in what `piece` returned, in the order of the frames."""


class Sections(NamedTuple):
    """Mean patterns of parts of the scan.

    `means` ``(S, h, w)`` as stored, in the unit of the readout, 0 in unusable pixels; `at` ``(S,)`` mean frame
    numbers; `n_frames` in all.
    """

    means: NDArray[np.float32]
    at: NDArray[np.float64]
    n_frames: int


@dataclass(frozen=True, eq=False)
class Readout:
    """How one scan's stored values become counts; arrays ``(h, w)`` are as stored.

    Parameters
    ----------
    usable
        bool: pixels that mask, dark frames and statistics allow in every frame.
    masks
        ``(J, h, w)`` bool where the file's mask differs from frame to frame, else None.
    darks
        None when nothing is subtracted.
    exposures_s
        ``(J,)`` that choose the dark of a frame, or one number, or None.
    smear, offsets, spikes
        Corrections, None where there is none.
    response
        float32 ``(h, w)`` or ``(J, h, w)``: flat field and beamstop; None where all are 1.
    gain, gain_error
        Stored counts a photon and its standard error (0 where stated); 1 while unknown.
    unit
        "photon", or "ADU" while the gain is unknown.
    read_noise
        Rms a pixel in `unit`, from several dark frames; 0 when unknown.
    limit
        Stored values at and above it are saturated; None for none.
    marks
        Whether -1 and -2 mean "no value".
    sections
        What a sample of cleaned frames looks like.
    found
        Bad pixels that the sample of frames shows beyond the mask; None when there were too few frames.
    orientation
        Applied to every block.
    steps, findings
        What will be done, in words, and what a person should know.
    """

    usable: NDArray[np.bool_] = field(repr=False)
    orientation: Orientation
    masks: NDArray[np.bool_] | None = field(default=None, repr=False)
    darks: Darks | None = field(default=None, repr=False)
    exposures_s: NDArray[np.float64] | float | None = field(default=None, repr=False)
    smear: Smear | None = None
    offsets: OffsetPlan | None = None
    spikes: SpikePlan | None = None
    response: NDArray[np.float32] | None = field(default=None, repr=False)
    gain: float = 1.0
    gain_error: float = 0.0
    unit: str = "ADU"
    read_noise: float = 0.0
    limit: float | None = None
    marks: bool = False
    sections: Sections | None = field(default=None, repr=False)
    found: BadPixels | None = None
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @cached_property
    def good(self) -> NDArray[np.bool_]:
        """Pixels usable in every frame ``(h, w)``, oriented."""
        return self.orientation.apply(self.usable)

    @property
    def pattern(self) -> NDArray[np.float64]:
        """Mean pattern of the sample ``(h, w)``, oriented."""
        assert self.sections is not None
        return self.orientation.apply(self.sections.means.mean(axis=0, dtype=np.float64))

    def keeps_integers(self, dtype: np.dtype[Any]) -> bool:
        """Whether counts are the stored integers themselves, so that no conversion is needed."""
        changed = self.darks is not None or self.smear is not None or self.offsets is not None or self.gain != 1
        return dtype.kind in "iu" and dtype.itemsize <= 4 and not changed

    @property
    def judges_pixels_alone(self) -> bool:
        """Whether a pixel is cleaned without looking further than `SPARE_PX` pixels, so that `part` may be taken."""
        return self.smear is None and self.offsets is None

    def part(self, box: Window) -> Readout:
        """Return the readout of some rows and columns of the stored frame: what cleaning them takes, no more."""
        return replace(
            self,
            usable=self.usable[box],
            masks=None if self.masks is None else self.masks[(slice(None), *box)],
            darks=None if self.darks is None else self.darks.part(box),
            spikes=None if self.spikes is None else self.spikes.part(box),
            response=None,
            sections=None,
            found=None,
        )

    def clean(self, stored: NDArray[Any], frames: NDArray[np.int64], window: Window = WHOLE) -> Block:
        """Clean stored frames ``(n, h, w)``.

        Parameters
        ----------
        stored
            As read; not changed.
        frames
            ``(n,)`` their numbers in the scan, which choose dark and mask.
        window
            Part of the *oriented* frame that is wanted.
        """
        return self.block(self.cleaned(stored, frames), window)

    def cleaned(self, stored: NDArray[Any], frames: NDArray[np.int64]) -> Cleaned:
        """Clean whole frames ``(n, h, w)``, left as stored in the detector's axes (parameters as for `clean`)."""
        whole = self.keeps_integers(stored.dtype)
        peaks = stored.reshape(len(stored), -1).max(axis=1) if stored.dtype.kind == "u" and stored.size else None
        flags = self.flags(stored, frames, peaks)
        values, offset = (stored, np.zeros(len(stored))) if whole else self._counts(stored, frames)
        spikes = None if self.spikes is None else self.spikes.find(values, flags.bad)
        if self.unit == "photon" and self.gain != 1:
            values /= np.float32(self.gain)
        blank = ~np.any(stored, axis=(1, 2)) if peaks is None else peaks == 0
        return Cleaned(values, whole, flags, spikes, blank, offset)

    def block(self, cleaned: Cleaned, window: Window = WHOLE) -> Block:
        """Turn cleaned frames, cut `window` out of them, and put 0 where nothing is measured."""
        values, stays, flags, spikes, blank, offset = cleaned
        turn = (slice(None), *window)

        def cut(array: NDArray[Any] | None) -> NDArray[Any] | None:
            return None if array is None else self.orientation.apply(array)[turn]

        inside, bad = self.orientation.apply(values)[turn], cut(_either(flags.bad, spikes))
        rows, columns = self._unusable(window)
        if stays and (rows.size or bad is not None):
            inside = inside.copy()  # only of what is wanted: stored frames are not changed
        if rows.size:
            inside[:, rows, columns] = 0
        if bad is not None:
            inside[bad] = 0
        return Block(
            inside,
            _some(bad),
            _some(cut(flags.saturated)),
            blank,
            _per_frame(cut(flags.nonfinite), len(values)),
            _per_frame(cut(flags.marked), len(values)),
            _per_frame(cut(spikes), len(values)),
            offset,
        )

    def _unusable(self, window: Window) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows and columns, in the window, of pixels that no frame can use."""
        (y, x), (h, w) = window, self.good.shape
        key = (*y.indices(h), *x.indices(w))
        if key not in self._unusable_in:
            rows, columns = np.nonzero(~self.good[window])
            self._unusable_in[key] = rows, columns
        return self._unusable_in[key]

    @cached_property
    def _unusable_in(self) -> dict[tuple[int, ...], tuple[NDArray[np.int64], NDArray[np.int64]]]:
        """What `_unusable` found, by window."""
        return {}

    def flags(self, stored: NDArray[Any], frames: NDArray[np.int64], peaks: NDArray[Any] | None = None) -> Flags:
        """Return the pixels of frames as stored that hold no value: told before a cast makes them look alike.

        `peaks` ``(n,)`` are the highest values of the frames, where they are known already.
        """
        good, whole = self.usable, stored.dtype.kind in "iu" and stored.size > 0
        saturated = marked = None
        # extremes tell in a fraction of the time that most blocks have neither
        if self.limit is not None and not (whole and (stored if peaks is None else peaks).max() < self.limit):
            saturated = _some((stored >= self.limit) & good)
        if self.marks and stored.dtype.kind != "u" and not (whole and stored.min() >= 0):
            marked = _some(np.isin(stored, NEGATIVE_MARKS) & good)
        nonfinite = _some(no_number(stored) & good) if stored.dtype.kind == "f" else None
        masked = None if self.masks is None else _some(~self.masks[frames] & good)
        bad = masked
        for each in (saturated, marked, nonfinite):
            bad = _either(bad, each)
        return Flags(bad, saturated, marked, nonfinite)

    def _counts(
        self, stored: NDArray[Any], frames: NDArray[np.int64]
    ) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
        """Subtract dark, smear and drifting offset; returns the offset of each frame."""
        with np.errstate(over="ignore"):
            values = stored.astype(np.float32, order="C")
        none = np.zeros(len(stored))
        if stored.dtype.kind == "f":
            values[no_number(stored)] = 0
        if self.darks is not None:
            self.subtract_dark(values, frames)
        if self.smear is None and self.offsets is None:
            return values, none
        unusable = ~self.usable
        if self.smear is not None:
            values[:, unusable] = 0
            self.smear.correct(values)
        taken = none if self.offsets is None else self.offsets.apply(values).frame
        return values, taken

    def subtract_dark(self, values: NDArray[np.float32], frames: NDArray[np.int64]) -> None:
        """Each frame's own dark: one for all, or that of its exposure."""
        assert self.darks is not None
        if not isinstance(self.exposures_s, np.ndarray):
            values -= self._dark_at(self.exposures_s)
            return
        own = self.exposures_s[frames]
        for exposure in np.unique(own):
            values[own == exposure] -= self._dark_at(float(exposure))

    def _dark_at(self, exposure_s: float | None) -> NDArray[np.float32]:
        """Dark ``(h, w)`` of an exposure; they are few, and each is made once."""
        assert self.darks is not None
        if exposure_s not in self._darks_made:
            self._darks_made[exposure_s] = self.darks.at(exposure_s)[0]
        return self._darks_made[exposure_s]

    @cached_property
    def _darks_made(self) -> dict[float | None, NDArray[np.float32]]:
        return {}


def no_number(stored: NDArray[Any]) -> NDArray[np.bool_]:
    """Tell where real values are none: not finite, or beyond what counts can be and float32 can square."""
    wide = stored.astype(np.float32) if stored.dtype.itemsize < 4 else stored  # half precision ends at 65504
    none: NDArray[np.bool_] = ~(np.abs(wide) < MOST_COUNTS)
    return none


class Flags(NamedTuple):
    """Pixels ``(n, h, w)`` of single frames without a value, as stored: any of the kinds, and each (None for none)."""

    bad: NDArray[np.bool_] | None
    saturated: NDArray[np.bool_] | None
    marked: NDArray[np.bool_] | None
    nonfinite: NDArray[np.bool_] | None


def _either(a: NDArray[np.bool_] | None, b: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
    return b if a is None else a if b is None else a | b


def _some(flags: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
    return flags if flags is not None and flags.any() else None


def _per_frame(flags: NDArray[np.bool_] | None, n: int) -> NDArray[np.int64]:
    # frame by frame, for counting along axes takes ten times as long
    return np.array([0] * n if flags is None else [np.count_nonzero(f) for f in flags], np.int64)


def sums_over(frames: NDArray[Any], axis: int) -> NDArray[Any]:
    """Sum frames ``(n, h, w)`` over one axis, exactly for small integers, else in double precision.

    Sums of up to 2^16 unsigned values of 16 bits fit into 32 bits, which takes half the time of doubles.
    """
    small = frames.dtype.kind == "u" and frames.dtype.itemsize <= 2 and frames.shape[axis] <= 1 << 16
    sums: NDArray[Any] = frames.sum(axis=axis, dtype=np.uint32 if small else np.float64)
    return sums


def sample_index(scan: Scan) -> NDArray[np.int64]:
    """Numbers of a bounded sample of frames: pairs of neighbours, evenly spread over the scan."""
    frame_bytes = int(np.prod(scan.frames.shape[1:])) * scan.frames.dtype.itemsize
    n = min(SAMPLE_FRAMES, max(8, SAMPLE_BYTES // max(frame_bytes, 1)))
    if scan.n_frames > SAMPLE_FRAMES:
        n = min(n, max(SAMPLE_LEAST, round(SAMPLE_SHARE * scan.n_frames)))
    if n >= scan.n_frames:
        return np.arange(scan.n_frames)
    first = np.linspace(0, scan.n_frames - 2, max(n // 2, 1)).round().astype(np.int64)
    return np.unique(np.concatenate([first, first + 1]))


def sample_frames(scan: Scan) -> Iterator[tuple[NDArray[np.int64], NDArray[Any]]]:
    """Yield the sample's frame numbers and stored frames, a few at a time."""
    index = sample_index(scan)
    for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1):
        for start in range(0, len(run), 16):
            part = run[start : start + 16]
            yield part, scan.frames[slice(int(part[0]), int(part[-1]) + 1)]


def stored_point(
    point: tuple[float, float], orientation: Orientation, oriented_shape: tuple[int, int]
) -> tuple[float, float]:
    """Turn oriented pixel coordinates back into those of the stored frame (inverse of `apply_point`)."""
    y = oriented_shape[0] - 1 - point[0] if orientation.flip_y else point[0]
    x = oriented_shape[1] - 1 - point[1] if orientation.flip_x else point[1]
    return (x, y) if orientation.transpose else (y, x)
