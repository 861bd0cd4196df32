"""From a scan as stored to frames a solver can use, with a record of what was done.

`prepare` is one pass over the frames. What was done is in `PreparedScan.steps`, a line a step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans import checks
from scans.beam import Drift, beam_drift, find_beam, follow_beam
from scans.detector import Readout, Watch
from scans.errors import InputError
from scans.flat_detector import FlatRemap, corner_distance_px, distortion_px
from scans.flux import Flux, incident_flux
from scans.merging import MERGED, exposure_factors, merge_prepared
from scans.options import PrepareOptions
from scans.prepared import PreparedScan
from scans.readout_plan import plan_readout
from scans.scan import Finding, Progress, Scan
from scans.stack import Cutting, Stack
from scans.window import Window, beam_centre, choose_window

# A frame below this share of the median total was taken with the shutter closed (common practice, no source).
CLOSED_SHUTTER_SHARE = 0.02
# A flat detector's distortion is reported from here on; on the brightest side of it nothing can be seen of it.
DISTORTION_PX = 0.5
# The window follows a beam that moves by more than this: below, the centre is off by less than half a pixel.
DRIFT_PX = 1.0


def prepare(
    scan: Scan,
    options: PrepareOptions | None = None,
    *,
    progress: Progress | None = None,
    watch: Watch | None = None,
    **given: Any,
) -> PreparedScan:
    """Clean, orient, centre, crop and bin all frames of a scan.

    Memory is that of the result, a few blocks of frames and a bounded sample of them.

    Parameters
    ----------
    scan
        As read; a sample of its frames is read to decide what has to be done, then all of them once.
    options
        What not to leave to the data.
    progress
        Called with (frames done, frames in all).
    watch
        Sees every cleaned frame on the way.
    **given
        The fields of `PrepareOptions` as keywords, in place of `options`.

    Raises
    ------
    InputError
        An option does not fit, the frames hold no counts, or the result does not fit into memory.
    """
    options = options or PrepareOptions(**given)
    readout = plan_readout(scan, options)
    if readout.good.shape != tuple(scan.geometry.frame_shape):
        raise InputError(
            f"oriented frames of {readout.good.shape} pixels, geometry of {scan.geometry.frame_shape}",
            where=scan.name,
            expected="a geometry of the oriented frame",
            fix="Correct the geometry's frame_shape or the orientation of the scan.",
        )
    run = _Run(scan, options, readout)
    stack = Stack(scan, readout, run.cutting)
    stack.fill(progress, watch)
    prepared = run.assemble(stack)
    if options.merge is not False and not scan.prepared:
        prepared = merge_prepared(prepared, stack.ever)
    return replace(prepared, findings=(*prepared.findings, *_check(prepared, stack)))


@dataclass
class _Run:
    """One preparation: where frames are cut, the pass over them, what comes of it."""

    scan: Scan
    options: PrepareOptions
    readout: Readout
    cutting: Cutting = field(init=False)
    centre: tuple[float, float] = field(init=False)
    steps: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def __post_init__(self) -> None:
        scan, options, readout = self.scan, self.options, self.readout
        self.centre, steps, findings = beam_centre(scan, readout, options.centre_px)
        window = choose_window(self.centre, options.size, options.bin or 1, readout.good.shape)
        self.steps += [*readout.steps, *steps]
        self.findings += [*readout.findings, *findings]
        self.cutting = Cutting(window, self._moves(), self._remap(window))
        self.steps += window.steps()

    def _moves(self) -> NDArray[np.int64] | None:
        """Whole pixels by which the window follows the beam; None where it need not."""
        drift = None if self.scan.prepared else _drift(self.readout, self.scan.n_frames)
        if drift is None or max(drift.range_px) < DRIFT_PX:
            return None
        y, x = drift.range_px
        text = f"the beam drifts over the detector by ({y:.2f}, {x:.2f}) pixels during the scan"
        if self.options.follow_beam is False:
            fix = "Leave prepare.follow_beam out: the window then follows by whole pixels."
            self.findings.append(Finding("caution", "beam-drift", text, fix))
            return None
        self.steps.append(f"drift: {text}; the window follows by whole pixels")
        self.findings.append(Finding("note", "beam-drift", text, "The window follows it."))
        return np.rint(drift.centre_px).astype(np.int64)

    def _remap(self, window: Window) -> FlatRemap | None:
        """Map of the flat detector where asked for; a finding where it matters and was not."""
        g, shape = self.scan.geometry, self.readout.good.shape
        reach = min(corner_distance_px(self.centre, shape), window.side / 2 * 2**0.5)
        distortion = distortion_px(reach, max(g.pixel_size_m), g.distance_m)
        if self.options.flat_detector:
            self.steps.append(
                f"flat detector: mapped to an even grid of spatial frequencies; its corner moves by {distortion:.2f} px"
            )
            return FlatRemap.plan(shape, self.centre, g.pixel_size_m, g.distance_m)
        if distortion > DISTORTION_PX and not self.scan.prepared:
            text = f"the flat detector distorts the far field by {distortion:.2f} pixels in the corners of the frame"
            fix = "Where the signal reaches so far, use -s prepare.flat_detector=true."
            level: Any = "caution" if distortion > 4 * DISTORTION_PX else "note"
            self.findings.append(Finding(level, "flat-detector", text, fix))
        return None

    def assemble(self, stack: Stack) -> PreparedScan:
        """Choose the frames and make the scan of them."""
        scan, window = self.scan, self.cutting.window
        lit = ~stack.empty & ~stack.unusable
        flux, relative, usual = self._flux(stack, lit)
        used, left_out = _choose_frames(scan, stack, flux, usual)
        self.findings += flux.findings
        counts = stack.counts.finish(used)
        if counts.dtype == np.float64:  # whole numbers beyond 2^24 beside fractions
            counts = counts.astype(np.float32)
        return PreparedScan(
            counts=counts,
            mask=stack.mask(used),
            positions_m=np.ascontiguousarray(scan.positions_m[used], dtype=np.float64),
            geometry=scan.geometry.with_frame_shape((window.side, window.side)).binned(window.bin),
            frame_index=used,
            left_out=left_out,
            unit=self.readout.unit,
            # bin² pixels with independent noise add up
            read_noise=self.readout.read_noise * window.bin,
            steps=(*self.steps, *flux.steps, *stack.steps(used, len(left_out))),
            findings=tuple(self.findings),
            scan=scan,
            response=stack.response(used, window.bin),
            flux=relative[used].astype(np.float32),
            settings=self._settings(flux),
        )

    def _flux(self, stack: Stack, lit: NDArray[np.bool_]) -> tuple[Flux, NDArray[np.float64], NDArray[np.float64]]:
        """Flux by the monitor, its product with recorded exposures, and that with exposures that the totals show."""
        scan = self.scan
        if scan.prepared:  # the readings are the flux itself
            relative = np.ones(scan.n_frames) if scan.monitor is None else scan.monitor.astype(np.float64)
            return Flux(relative, np.zeros(scan.n_frames, bool), "none"), relative, relative
        factors = exposure_factors(scan.exposures_s, scan.positions_m, stack.totals, lit)
        # a total that lacks saturated pixels falls where the beam is bright: it says nothing of the flux
        whole = lit if self.options.flux == "trend" else lit & (stack.saturated == stack.n_always)
        flux = incident_flux(stack.totals, whole, scan.monitor, self.options.flux, factors)
        usual = flux.relative * (1 if factors is None else factors)
        return flux, flux.relative if scan.exposures_s is None else usual, usual

    def _settings(self, flux: Flux) -> dict[str, Any]:
        """Return what the data decided, as options that say the same."""
        window, readout = self.cutting.window, self.readout
        settings: dict[str, Any] = {"size": window.size, "bin": window.bin}
        if readout.gain_error or (readout.unit == "photon" and self.scan.counts_per_photon is None):
            settings["counts_per_photon"] = readout.gain
        if self.scan.monitor is not None and not self.scan.prepared:
            settings["flux"] = flux.way
        return {**settings, **self.options.given()}


def _drift(readout: Readout, n_frames: int) -> Drift | None:
    """Follow the centre of the beam through the sections of the sample."""
    sections = readout.sections
    if sections is None or len(sections.means) < 6:
        return None
    disc = find_beam(readout.pattern, readout.good)
    if disc is None:
        return None
    means = readout.orientation.apply(sections.means).astype(np.float64)
    found = [(c, at) for c, at in zip(follow_beam(list(means), readout.good, disc), sections.at, strict=True) if c]
    centres, numbers = np.array([c for c, _ in found]), np.array([at for _, at in found])
    return beam_drift(centres, numbers, n_frames) if len(found) >= 6 else None


def _choose_frames(
    scan: Scan, stack: Stack, flux: Flux, relative: NDArray[np.float64]
) -> tuple[NDArray[np.int64], tuple[tuple[int, str], ...]]:
    """Pick the frames to use; say why the others are not.

    Raises
    ------
    InputError
        No frame holds counts.
    """
    lit = ~stack.empty & ~stack.unusable & ~flux.no_beam
    totals = stack.totals / relative
    where = f"{scan.path}::{scan.frames_path or scan.entry}" if scan.path else f"{scan.name}, frames"
    median = float(np.median(totals[lit])) if lit.any() else 0.0
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
    closed = lit & (totals < (-math.inf if scan.prepared else CLOSED_SHUTTER_SHARE * median))
    reasons: dict[int, str] = {}
    for j in np.flatnonzero(~lit | closed):
        if stack.unusable[j]:
            reasons[int(j)] = "no usable pixel: all saturated, marked or not finite"
        elif stack.empty[j]:
            reasons[int(j)] = "no counts at all"
        elif flux.no_beam[j]:
            reasons[int(j)] = "the monitor saw no beam"
        else:
            reasons[int(j)] = f"{100 * totals[j] / median:.2g} % of the median counts: shutter closed?"
    used = np.flatnonzero(lit & ~closed).astype(np.int64)
    return used, tuple(reasons.items())


def _check(prepared: PreparedScan, stack: Stack) -> list[Finding]:
    """All findings on prepared frames."""
    scan, g = prepared.scan, prepared.geometry
    used = prepared.frame_index
    # merged frames are not lost, and what the long exposure lacks the short one shows
    merged = sum(why.startswith(MERGED) for _, why in prepared.left_out)
    return [
        *checks.reader_warnings(scan),
        *checks.frame_sampling(g, scan.zone_plate),
        *checks.overlap(prepared.positions_m, g, scan.zone_plate),
        *checks.duplicates(prepared.positions_m, g),
        *checks.far_positions(prepared.positions_m),
        *checks.regular_raster(prepared.positions_m),
        *checks.masked_pixels(None if scan.mask is None or scan.mask.ndim == 3 else scan.mask),
        *([] if merged else checks.saturated_pixels(stack.saturated[used] - stack.n_always, stack.n_good)),
        *checks.always_saturated(stack.n_always),
        *checks.frames_left_out(len(prepared.left_out) - merged, scan.n_frames),
        *checks.low_counts(prepared.totals(), prepared.unit),
        *checks.unknown_gain(prepared.unit),
    ]
