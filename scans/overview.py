"""What one pass over the frames shows before any reconstruction."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from scans.backlash import FEWEST_FRAMES, estimate_backlash
from scans.beam import BeamDisc, find_beam
from scans.detector import Block, Readout, sums_over
from scans.flux import Flux, incident_flux
from scans.geometry import Geometry
from scans.measures import REGULAR_RASTER, raster_regularity
from scans.options import PrepareOptions
from scans.phase_map import integrate_gradient
from scans.pipeline import work_ahead
from scans.radial import DARK_FIELD_FROM, Radial, radial_counts, radius_px
from scans.readout_plan import plan_readout
from scans.scan import Finding, Orientation, Progress, Scan

# While reading, a view of what was read so far is given this often [s].
LIVE_EVERY_S = 5.0
# Showing views may take this share of the time: a large picture is drawn more seldom.
LIVE_SHARE = 0.1
BLOCK_BYTES = 4 << 20


@dataclass(frozen=True, eq=False)
class FirstLook:
    """What one pass over the frames shows; detector axes are oriented.

    Parameters
    ----------
    mean, maximum
        ``(h, w)`` float32 patterns in `unit`; 0 where never measured.
    totals
        ``(J,)`` float64 counts of each frame, at the typical flux where a monitor says it: at the positions they
        are the transmission map.
    dark_field
        ``(J,)`` share of the counts that fell outside the direct beam's disc; nan where there is no disc.
    shift_px
        ``(J, 2)`` float64 centre of mass of each frame minus the scan's median one [detector pixels];
        nan where a frame has no counts.
    phase
        ``(J,)`` phase whose gradient fits those shifts best [rad]; nan where unknown.
    saturated
        ``(h, w)`` int64: in how many frames each pixel is saturated.
    zero_frames
        Indices of frames without any counts.
    bad_px
        ``(K, 2)`` int64 pixels by kind (hot, dead, ...) that the frames show beyond the mask.
    beam
        Disc of the direct beam, or None.
    radial
        Counts over radius, or None without a beam.
    unit
        "photon" or "ADU".
    gain
        Counts a photon and their standard error (0 where stated); None while unknown.
    flux
        What the totals were brought to the typical flux by: "monitor", or "none".
    n_read
        Frames read so far: J when the look is complete. Frames not yet read are nan.
    """

    mean: NDArray[np.float32]
    maximum: NDArray[np.float32]
    totals: NDArray[np.float64]
    dark_field: NDArray[np.float64]
    shift_px: NDArray[np.float64]
    phase: NDArray[np.float64]
    saturated: NDArray[np.int64]
    zero_frames: NDArray[np.int64]
    bad_px: dict[str, NDArray[np.int64]]
    beam: BeamDisc | None
    radial: Radial | None
    unit: str
    gain: tuple[float, float] | None
    flux: str
    n_read: int

    def phase_gradient(self, geometry: Geometry) -> NDArray[np.float64]:
        """Mean phase gradient under the probe ``(J, 2)`` [rad/m] from the shift of the pattern."""
        return phase_gradient(self.shift_px, geometry)

    def turned(self, orientation: Orientation, scan: Scan) -> FirstLook:
        """Turn the detector further by `orientation`: the look of `scan`, whose frames are so turned."""
        shape = self.mean.shape
        shift = self.shift_px[:, ::-1] if orientation.transpose else self.shift_px
        shift = shift * [-1 if orientation.flip_y else 1, -1 if orientation.flip_x else 1]
        places = {
            kind: np.array([orientation.apply_point((y, x), shape) for y, x in pixels.tolist()], np.int64)
            for kind, pixels in self.bad_px.items()
        }
        beam = self.beam and self.beam._replace(centre=orientation.apply_point(self.beam.centre, shape))
        return replace(
            self,
            mean=np.ascontiguousarray(orientation.apply(self.mean)),
            maximum=np.ascontiguousarray(orientation.apply(self.maximum)),
            saturated=np.ascontiguousarray(orientation.apply(self.saturated)),
            bad_px=places,
            shift_px=shift,
            phase=integrate_gradient(scan.positions_m, phase_gradient(shift, scan.geometry)),
            beam=beam,
        )

    def radial_rows(self, geometry: Geometry) -> list[tuple[str, str]]:
        """Say what limits the resolution, for the table of `inspect`."""
        r = self.radial
        if r is None or r.floor is None:
            return []
        width = min(geometry.frame_width_m)
        if r.limit_px is None:
            text = f"the detector's edge ({width / (2 * r.edge_px) * 1e9:.3g} nm): signal reaches it"
        else:
            text = f"exposure, near {width / (2 * r.limit_px) * 1e9:.2g} nm: photon noise hides what is finer"
        return [("half period limited by", text)]


def look_findings(scan: Scan, look: FirstLook) -> list[Finding]:
    """Return what the maps say of the stage: back-lash, where a raster is scanned both ways.

    On spirals the estimate is not to be relied on, so nothing is said there.
    """
    if raster_regularity(scan.positions_m) < REGULAR_RASTER or scan.prepared:
        return []
    signals = np.stack([look.totals, *look.shift_px.T])
    usable = np.isfinite(signals).all(axis=0)
    lash = estimate_backlash(scan.positions_m[usable], signals[:, usable]) if usable.sum() >= FEWEST_FRAMES else None
    if lash is None or not lash.significant:
        return []
    pairs = zip(lash.distance_m, lash.error_m, strict=True)
    y, x = (d if d is not None and e is not None and abs(d) > 3 * e else 0.0 for d, e in pairs)
    fix = f"Try -s scan.backlash_m=[{y:.3g},{x:.3g}] and compare; scan lines in one direction to avoid it."
    return [Finding("caution", "back-lash", str(lash), fix)]


def phase_gradient(shift_px: NDArray[np.float64], geometry: Geometry) -> NDArray[np.float64]:
    """Phase gradient [rad/m] that moves a pattern by `shift_px` ``(J, 2)``.

    A ramp exp(i g·r) moves the pattern by n = g λz/(2π p) pixels (Fourier shift theorem).
    """
    scale = 2 * math.pi * np.asarray(geometry.pixel_size_m) / (geometry.wavelength_m * geometry.distance_m)
    return shift_px * scale


def first_look(
    scan: Scan,
    progress: Progress | None = None,
    *,
    options: PrepareOptions | None = None,
    on_view: Callable[[FirstLook], None] | None = None,
    every_s: float = LIVE_EVERY_S,
) -> FirstLook:
    """Read all frames once, in blocks, and sum up what they show.

    Parameters
    ----------
    progress
        Called with (frames done, frames in all).
    options
        As for `prepare`; only those on the detector count.
    on_view
        Called every `every_s` seconds of a long reading with what was seen so far, or as often as a tenth of the
        time allows.

    Raises
    ------
    InputError
        From `plan_readout`: gain, saturation, dark frames or mask do not fit.
    """
    look = Look(on_view, every_s)
    readout = plan_readout(scan, options)
    look.begin(scan, readout)

    def seen(part: slice, stored: NDArray[Any]) -> _Seen:
        return look.piece(part, readout.clean(stored, np.arange(part.start, part.stop)))

    for part, sums in work_ahead(seen, scan.frames, scan.blocks(max_bytes=BLOCK_BYTES)):
        look.add(part, sums)
        if progress is not None:
            progress(part.stop, scan.n_frames)
    return look.result()


class Look:
    """A first look taken on the way: on the cleaned frames of a pass that is made for something else.

    ``look = Look(); prepare(scan, watch=look); look.result()`` reads the frames once.

    Parameters
    ----------
    on_view
        Called every `every_s` seconds of a long reading with what was seen so far.
    """

    def __init__(self, on_view: Callable[[FirstLook], None] | None = None, every_s: float = LIVE_EVERY_S) -> None:
        self.on_view, self.every_s = on_view, every_s
        self.next_view = math.inf
        self.sums: _Sums

    def begin(self, scan: Scan, readout: Readout) -> None:
        """Start, before the pass over the frames of `scan`."""
        self.sums = _Sums(scan, readout)
        self.next_view = time.monotonic() + self.every_s

    def piece(self, part: slice, block: Block) -> _Seen:
        """Sum up one block of whole frames; may run in a thread, changes nothing."""
        return self.sums.piece(part, block)

    def add(self, part: slice, seen: _Seen) -> None:
        """Take in one block, in the order of the frames."""
        self.sums.add(seen, part)
        began = time.monotonic()
        if self.on_view is None or part.stop >= self.sums.scan.n_frames or began < self.next_view:
            return
        self.on_view(self.sums.look())
        ended = time.monotonic()
        self.next_view = ended + max(self.every_s, (ended - began) / LIVE_SHARE)

    def result(self, scan: Scan | None = None) -> FirstLook:
        """Return what was seen so far.

        Parameters
        ----------
        scan
            The scan with its frames turned further, where that was decided after the pass.
        """
        look, first = self.sums.look(), self.sums.scan.orientation
        if scan is None or scan.orientation == first:
            return look
        turns = (Orientation(*flags) for flags in itertools.product((False, True), repeat=3))
        return look.turned(next(turn for turn in turns if first.then(turn) == scan.orientation), scan)


class _Seen(NamedTuple):
    """Sums over one block: over its frames ``(h, w)``, and of each frame ``(n,)`` (row and column profiles).

    `n_seen` is one number where every good pixel is measured in every frame.
    """

    total: NDArray[Any]
    n_seen: NDArray[np.int64] | int
    maximum: NDArray[Any]
    saturated: NDArray[np.int64] | None
    totals: NDArray[np.float64]
    zero: NDArray[np.bool_]
    profiles: tuple[NDArray[Any], NDArray[Any]]
    near: NDArray[np.float64] | None


class _Sums:
    """Running sums of `Look`."""

    def __init__(self, scan: Scan, readout: Readout) -> None:
        shape, n = readout.good.shape, scan.n_frames
        self.scan, self.readout, self.n_read = scan, readout, 0
        self.total, self.seen, self.seen_alike = np.zeros(shape), np.zeros(shape, np.int64), 0
        self.any_good = bool(readout.good.any())
        self.maximum = np.full(shape, -np.inf, np.float32)
        self.saturated = np.zeros(shape, np.int64)
        self.totals, self.zero, self.scattered = np.full(n, np.nan), np.zeros(n, bool), np.full(n, np.nan)
        self.centre = np.full((n, 2), np.nan)
        # a hot pixel pulls the centre of mass of every frame
        found = readout.found
        sound = readout.good if found is None else readout.good & ~readout.orientation.apply(found.combined)
        self.weight = sound.astype(np.float32)
        self.beam = find_beam(readout.pattern, sound)
        self.weighs = bool((sound != readout.good).any())  # values are 0 where not good
        self.near, self.box = self._near(shape)

    def _near(self, shape: tuple[int, ...]) -> tuple[NDArray[np.float64] | None, tuple[slice, slice]]:
        """Weights of the pixels in the beam's disc, and the box around them."""
        whole = (slice(0, shape[0]), slice(0, shape[1]))
        if self.beam is None:
            return None, whole
        reach = DARK_FIELD_FROM * self.beam.diameter_px / 2
        y, x = (slice(max(int(c - reach), 0), int(c + reach) + 2) for c in self.beam.centre)
        near = self.weight * (radius_px(shape, self.beam.centre) <= reach)
        return near[y, x].astype(np.float64), (y, x)

    def piece(self, part: slice, block: Block) -> _Seen:
        values, good, n = block.values, self.readout.good, part.stop - part.start
        rows = sums_over(values, 2)
        totals = rows.sum(axis=1, dtype=np.float64)
        if block.bad is None:
            n_seen, unmeasured = n, np.full(n, not self.any_good)
            maximum = values.max(axis=0)
        else:
            measured = good & ~block.bad
            n_seen, unmeasured = measured.sum(axis=0), np.count_nonzero(measured, axis=(1, 2)) == 0
            maximum = np.where(measured, values, -np.inf).max(axis=0)
        total = sums_over(values, 0)
        if self.weighs:
            values = values * self.weight
            rows = sums_over(values, 2)
        profiles = rows, sums_over(values, 1)
        near = None
        if self.near is not None:
            near = np.einsum("nyx,yx->n", values[(slice(None), *self.box)], self.near, dtype=np.float64)
        saturated = None if block.saturated is None else block.saturated.sum(axis=0)
        return _Seen(total, n_seen, maximum, saturated, totals, block.blank | unmeasured, profiles, near)

    def add(self, seen: _Seen, part: slice) -> None:
        self.total += seen.total
        if isinstance(seen.n_seen, int):  # most blocks: counting pixel by pixel would take as long as all the rest
            self.seen_alike += seen.n_seen
        else:
            self.seen += seen.n_seen
        np.maximum(self.maximum, seen.maximum, out=self.maximum)
        if seen.saturated is not None:
            self.saturated += seen.saturated
        self.totals[part], self.zero[part] = seen.totals, seen.zero
        mass = seen.profiles[0].sum(axis=1, dtype=np.float64)
        lit = mass > 0
        for axis, profile in enumerate(seen.profiles):
            moment = profile[lit] @ np.arange(profile.shape[1])
            self.centre[part, axis][lit] = moment / mass[lit]
        if seen.near is not None:
            self.scattered[part][lit] = 1 - seen.near[lit] / mass[lit]
        self.n_read = part.stop

    def _flux(self) -> Flux:
        """Flux of each frame as `prepare` decides it from the monitor."""
        totals = np.nan_to_num(self.totals)
        return incident_flux(totals, ~self.zero & (totals > 0), self.scan.monitor)

    def look(self) -> FirstLook:
        r = self.readout
        n_seen = self.seen + self.seen_alike * r.good
        mean = self.total / np.maximum(n_seen, 1)
        known = np.isfinite(self.centre).all(axis=1)
        middle = np.median(self.centre[known], axis=0) if known.any() else np.zeros(2)
        shift = self.centre - middle
        gradient = phase_gradient(shift, self.scan.geometry)
        flux = self._flux()
        return FirstLook(
            mean=mean.astype(np.float32),
            maximum=np.where(n_seen > 0, self.maximum, 0).astype(np.float32),
            totals=self.totals / flux.relative,
            dark_field=self.scattered.copy(),
            shift_px=shift,
            phase=integrate_gradient(self.scan.positions_m, gradient),
            saturated=self.saturated.copy(),
            zero_frames=np.flatnonzero(self.zero),
            bad_px=_bad_pixels(r),
            beam=self.beam,
            radial=None if self.beam is None else radial_counts(self.scan, mean, self.weight > 0, self.beam, r.unit),
            unit=r.unit,
            gain=(r.gain, r.gain_error) if r.unit == "photon" else None,
            flux=flux.way,
            n_read=self.n_read,
        )


def _bad_pixels(readout: Readout) -> dict[str, NDArray[np.int64]]:
    """Pixels ``(K, 2)`` of each kind, oriented; kinds without any are left out."""
    found = readout.found
    if found is None:
        return {}
    kinds = {name: getattr(found, name) for name, n in found.counts.items() if n}
    return {name: np.argwhere(readout.orientation.apply(mask)) for name, mask in kinds.items()}
