"""From a scan as stored to frames a solver can use, with a record of what was done.

`prepare` is one pass over the frames. What was done is in `PreparedScan.steps`, a line a step; a further
cleaning step goes between the pass and the choice of frames.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans import checks
from scans.detector import (
    Block,
    Readout,
    dead_pixels,
    hot_pixels,
    outlier_floor,
    plan_readout,
)
from scans.errors import InputError
from scans.prepared import PreparedScan
from scans.scan import Finding, Progress, Scan
from scans.window import Window, beam_centre, choose_window

# A frame below this share of the median total was taken with the shutter closed (common practice, no source).
CLOSED_SHUTTER_SHARE = 0.02
BLOCK_BYTES = 16 << 20


def prepare(
    scan: Scan,
    *,
    size: int | None = None,
    bin: int = 1,
    centre_px: tuple[float, float] | None = None,
    counts_per_photon: float | None = None,
    saturation: float | None = None,
    progress: Progress | None = None,
) -> PreparedScan:
    """Subtract dark, mask, convert to photons, orient, centre, crop and bin all frames of a scan.

    Memory is that of the result and one block of frames.

    Parameters
    ----------
    scan
        As read; its frames are read once, and a few of them before to find the beam.
    size
        Side N of the prepared frames in pixels after binning, even. Left out: the detector's larger side, or
        the next even size that is fast for an FFT.
    bin
        Detector pixels summed along each side.
    centre_px
        ``(row, column)`` of the direct beam in the *stored* frame, before `scan.beam_centre_px`; when both
        are absent it is found in the mean pattern.
    counts_per_photon, saturation
        Before what the file says [stored counts].
    progress
        Called with (frames done, frames in all).

    Raises
    ------
    InputError
        An option does not fit, the frames hold no counts, or the result does not fit into memory.
    """
    readout = plan_readout(scan, counts_per_photon, saturation)
    if readout.good.shape != tuple(scan.geometry.frame_shape):
        raise InputError(
            f"oriented frames of {readout.good.shape} pixels, geometry of {scan.geometry.frame_shape}",
            where=scan.name,
            expected="a geometry of the oriented frame",
            fix="Correct the geometry's frame_shape or the orientation of the scan.",
        )
    centre, steps, findings = beam_centre(scan, readout, centre_px)
    window = choose_window(centre, size, bin, readout.good.shape)
    stack = _Stack(scan, readout, window)
    for part in scan.blocks(max_bytes=BLOCK_BYTES):
        stack.add(readout.clean(scan.frames[part], window.source), part)
        if progress is not None:
            progress(part.stop, scan.n_frames)
    used, left_out = _choose_frames(scan, stack)
    prepared = PreparedScan(
        counts=_keep(stack.counts, used),
        mask=stack.mask(used),
        positions_m=np.ascontiguousarray(scan.positions_m[used], dtype=np.float64),
        geometry=scan.geometry.with_frame_shape((window.side, window.side)).binned(bin),
        frame_index=used,
        left_out=left_out,
        unit=readout.unit,
        # bin² pixels with independent noise add up
        read_noise=readout.read_noise * bin,
        steps=(*readout.steps, *steps, *window.steps(), *stack.steps(used, left_out)),
        findings=(),
        scan=scan,
    )
    return replace(prepared, findings=(*findings, *_check(prepared, stack)))


def _check(prepared: PreparedScan, stack: _Stack) -> list[Finding]:
    """All findings on prepared frames."""
    scan, g, counts = prepared.scan, prepared.geometry, prepared.counts
    used, plane = prepared.frame_index, _everywhere(prepared.mask)
    mean = counts.mean(axis=0, dtype=np.float64)
    floor = outlier_floor(len(counts), prepared.unit, prepared.read_noise)
    n_hot = int(hot_pixels(mean, plane, floor).sum())
    n_dead = int(dead_pixels(mean, plane, floor).sum())
    return [
        *checks.frame_sampling(g, scan.zone_plate),
        *checks.overlap(prepared.positions_m, g, scan.zone_plate),
        *checks.duplicates(prepared.positions_m, g),
        *checks.regular_raster(prepared.positions_m),
        *checks.masked_pixels(scan.mask),
        *checks.saturated_pixels(stack.saturated[used] - stack.n_always, stack.n_good),
        *checks.always_saturated(stack.n_always),
        *checks.frames_left_out(len(prepared.left_out), scan.n_frames),
        *checks.low_counts(stack.totals[used], prepared.unit),
        *checks.unknown_gain(prepared.unit),
        *checks.outlier_pixels(n_hot, n_dead),
    ]


def _everywhere(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels ``(N, N)`` measured in all frames."""
    return mask if mask.ndim == 2 else np.logical_and.reduce(mask, axis=0)


class _Stack:
    """Prepared frames while they are read, and tallies of each frame ``(J,)``."""

    def __init__(self, scan: Scan, readout: Readout, window: Window) -> None:
        frames, n = scan.n_frames, window.size
        _check_memory(4 * frames * n * n, scan)
        self.window, self.good = window, readout.good[window.source]
        self.n_good = int(self.good.sum())
        self.base = np.empty((1, n, n), bool)
        window.fit(self.good[None], self.base)
        self.counts = np.empty((frames, n, n), np.float32)
        self.reference: NDArray[np.bool_] | None = None  # mask of the first frame, of all while `masks` is None
        self.masks: NDArray[np.bool_] | None = None
        self.always: NDArray[np.bool_] | None = None  # saturated in every frame that is not empty
        self.totals = np.zeros(frames)
        self.empty, self.unusable = np.zeros(frames, bool), np.zeros(frames, bool)
        self.saturated, self.nonfinite, self.marked, self.negative = np.zeros((4, frames), np.int64)

    def add(self, block: Block, part: slice) -> None:
        """Take in one cleaned block, cut out by the window's `source`."""
        out = self.counts[part]
        self.window.fit(block.values, out)
        measured = self.base
        if block.bad is not None:
            measured = np.empty(out.shape, bool)
            self.window.fit(self.good & ~block.bad, measured)
        out *= measured  # a bin with one bad pixel holds part of its counts
        self.totals[part] = out.sum(axis=(1, 2), dtype=np.float64)
        self.negative[part] = np.count_nonzero(out < 0, axis=(1, 2))
        self.nonfinite[part], self.marked[part] = block.nonfinite, block.marked
        self.unusable[part] = ~measured.any(axis=(1, 2))
        self.empty[part] = block.blank | ~out.any(axis=(1, 2))
        self._add_saturated(block, part)
        self._add_mask(measured, part)

    def _add_saturated(self, block: Block, part: slice) -> None:
        flags = block.saturated
        if flags is not None:
            self.saturated[part] = flags.sum(axis=(1, 2))
        lit = ~self.empty[part]
        if lit.any():
            here = np.zeros(self.good.shape, bool)
            if flags is not None:
                np.all(flags[lit], axis=0, out=here)
            self.always = here if self.always is None else self.always & here

    def _add_mask(self, measured: NDArray[np.bool_], part: slice) -> None:
        """Keep one mask as long as all frames have the same; most scans never need more."""
        if self.reference is None:
            self.reference = measured[0].copy()
        if self.masks is None:
            if (measured == self.reference).all():
                return
            self.masks = np.empty(self.counts.shape, bool)
            self.masks[: part.start] = self.reference
        self.masks[part] = measured

    def mask(self, used: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Mask ``(N, N)``, or ``(J, N, N)`` where the used frames differ."""
        if self.masks is None:
            return self.base[0] if self.reference is None else self.reference
        masks = _keep(self.masks, used)
        return masks[0].copy() if all(np.array_equal(m, masks[0]) for m in masks) else masks

    @property
    def n_always(self) -> int:
        """Number of pixels saturated in every frame that holds counts."""
        return 0 if self.always is None else int(self.always.sum())

    def steps(self, used: NDArray[np.int64], left_out: tuple[tuple[int, str], ...]) -> list[str]:
        """Return what was met while reading, in words."""
        lines = []
        for name, tally in (
            ("saturated", self.saturated),
            ("not finite", self.nonfinite),
            ("marked as having no value (-1, -2)", self.marked),
        ):
            if tally.any():
                lines.append(f"masked: {tally.sum()} pixels {name}, in {np.count_nonzero(tally)} frames")
        negative = int(self.negative[used].sum())
        if negative:
            share = negative / (len(used) * self.counts[0].size)
            lines.append(f"negative: {100 * share:.3g} % of the counts are below zero; kept as they are")
        lines.append(f"frames: {len(used)} of {len(self.totals)} used, {len(left_out)} left out")
        return lines


def _keep(array: NDArray[Any], used: NDArray[np.int64]) -> NDArray[Any]:
    """Move the used frames to the front, in place: a copy would double the memory."""
    for k, j in enumerate(used):
        if k != j:
            array[k] = array[j]
    return array[: len(used)]


def _choose_frames(scan: Scan, stack: _Stack) -> tuple[NDArray[np.int64], tuple[tuple[int, str], ...]]:
    """Pick the frames to use; say why the others are not.

    Raises
    ------
    InputError
        No frame holds counts.
    """
    lit = ~stack.empty & ~stack.unusable
    where = f"{scan.path}::{scan.frames_path or scan.entry}" if scan.path else f"{scan.name}, frames"
    median = float(np.median(stack.totals[lit])) if lit.any() else 0.0
    if median <= 0:
        raise InputError(
            f"all {scan.n_frames} frames are empty: zero or nothing usable in every pixel"
            if not lit.any()
            else f"the median frame holds {median:.4g} counts after the dark was subtracted",
            where=where,
            expected="frames with counts",
            fix="Check that this is the dataset of the frames (name another after '::'), that files it links "
            "to are present (missing parts read as zeros), and that mask and dark frames belong to it.",
        )
    closed = lit & (stack.totals < CLOSED_SHUTTER_SHARE * median)
    reasons: dict[int, str] = {}
    for j in np.flatnonzero(~lit | closed):
        if stack.unusable[j]:
            reasons[int(j)] = "no usable pixel: all saturated, marked or not finite"
        elif stack.empty[j]:
            reasons[int(j)] = "no counts at all"
        else:
            reasons[int(j)] = f"{100 * stack.totals[j] / median:.2g} % of the median counts: shutter closed?"
    used = np.flatnonzero(lit & ~closed).astype(np.int64)
    return used, tuple(reasons.items())


def _check_memory(n_bytes: int, scan: Scan) -> None:
    """Refuse a stack larger than the machine's memory before it is filled for hours."""
    try:
        installed = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):  # not a POSIX system
        return
    if n_bytes > installed:
        raise InputError(
            f"the prepared frames take {n_bytes / 2**30:.1f} GiB",
            where=scan.name,
            expected=f"at most the machine's {installed / 2**30:.1f} GiB of memory",
            fix="Crop (-s prepare.size=...) or bin (-s prepare.bin=2) the frames.",
        )
