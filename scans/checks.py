"""What a person should know about a scan before trusting it: small checks, and a table.

A check takes facts and returns a list of `Finding`, empty when all is well. Limits marked "common practice,
no source" are the field's habits, not published numbers.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scans.geometry import Geometry
from scans.measures import REGULAR_RASTER, measured_overlap, pair_text, probe_size, raster_regularity, zone_plate_rows
from scans.overview import FirstLook
from scans.scan import Finding, Scan, ZonePlate

Level = Literal["note", "caution", "serious"]
# Distance from the middle of a scan, in median distances (common practice, no source).
FAR = 30.0


def frame_sampling(geometry: Geometry, zone_plate: ZonePlate | None) -> list[Finding]:
    """Frame width W = λz/p over the probe diameter; 2 is the single-pattern rule, dense steps relax it.

    Limits 2 and 1: common practice, no source. Relaxed sampling: Edo et al., Phys. Rev. A 87 (2013) 053850,
    from memory.
    """
    probe = probe_size(zone_plate, geometry.wavelength_m)
    if probe is None:
        return []
    ratio = min(geometry.frame_width_m) / probe.diameter_m
    if ratio >= 2:
        return []
    return [
        Finding(
            "serious" if ratio < 1 else "caution",
            "sampling",
            f"the frame width of {min(geometry.frame_width_m) * 1e6:.3g} µm is {ratio:.2f} times the probe's "
            f"{probe.diameter_m * 1e6:.3g} µm ({probe.which}); 2 is wanted",
            "Bin less, move the detector back, or use a smaller defocus.",
        )
    ]


def overlap(positions_m: NDArray[np.float64], geometry: Geometry, zone_plate: ZonePlate | None) -> list[Finding]:
    """Linear overlap of neighbours: 60 % after Bunk et al., Ultramicroscopy 108 (2008) 481 (from memory).

    The 40 % limit: common practice, no source.
    """
    probe = probe_size(zone_plate, geometry.wavelength_m)
    spacing = None if probe is None else measured_overlap(positions_m, probe.diameter_m)
    if probe is None or spacing is None or spacing.linear >= 0.6:
        return []
    value = spacing.linear
    return [
        Finding(
            "serious" if value < 0.4 else "caution",
            "overlap",
            f"neighbouring exposures overlap by {100 * value:.0f} % of the probe's "
            f"{probe.diameter_m * 1e6:.3g} µm ({probe.which}); 60 % or more is wanted",
            "Scan with smaller steps or a larger defocus; with this scan, do not trust fine detail.",
        )
    ]


def duplicates(positions_m: NDArray[np.float64], geometry: Geometry) -> list[Finding]:
    """Positions that repeat within a hundredth of an object pixel: wanted repeats, or a stuck encoder."""
    cell = min(geometry.object_pixel_m) / 100
    origin = positions_m.min(axis=0)
    places = np.unique(np.round((positions_m - origin) / cell), axis=0)
    repeats = len(positions_m) - len(places)
    if not repeats:
        return []
    share = repeats / len(positions_m)
    level: Level = "serious" if len(places) == 1 else "caution" if share > 0.1 else "note"
    return [
        Finding(
            level,
            "repeated-positions",
            f"{repeats} of {len(positions_m)} positions repeat another one",
            "Fine if meant so; otherwise the encoder stood still or the wrong dataset is read.",
        )
    ]


def far_positions(positions_m: NDArray[np.float64]) -> list[Finding]:
    """Name positions far from all others: an encoder that dropped out, a value never written (common practice).

    Far is more than 30 times the median distance from the median; in an even scan of a line, rectangle or circle
    no ratio is above 2.
    """
    away = np.hypot(*(positions_m - np.median(positions_m, axis=0)).T)
    far = np.flatnonzero(away > FAR * max(float(np.median(away)), _step(positions_m)))
    if not far.size or far.size > len(positions_m) / 10:
        return []
    named = ", ".join(str(j) for j in far[:6]) + (f" ... {far[-1]}" if far.size > 6 else "")
    return [
        Finding(
            "serious",
            "far-positions",
            f"{far.size} of {len(positions_m)} positions lie up to {away[far].max() * 1e6:.4g} µm from the others "
            f"(row {named})",
            "Leave these frames out or correct their positions: the object grows to hold them.",
        )
    ]


def _step(positions_m: NDArray[np.float64]) -> float:
    """Median distance of consecutive positions that differ; infinite where none do."""
    steps = np.hypot(*np.diff(positions_m, axis=0).T)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else np.inf


def regular_raster(positions_m: NDArray[np.float64]) -> list[Finding]:
    """Warn of a raster without jitter, which lets a lattice of its own period into the object.

    Fannjiang, arXiv:1810.00852: O·g and P/g with g of the step's period fit the data equally well. The limit
    of 0.05 lies near a uniform jitter of ±8 % of the step (tests/scans/test_checks.py).
    """
    if raster_regularity(positions_m) < REGULAR_RASTER:
        return []
    spacing = measured_overlap(positions_m, 1.0)
    step = spacing.nearest_m if spacing else 0.0
    return [
        Finding(
            "caution",
            "regular-raster",
            f"the positions form a regular raster of {step * 1e6:.3g} µm: a lattice of that period can "
            "appear in the object, and ring correlation between halves shares it and claims too much",
            "Use a spiral, or jitter each point by 10 to 20 % of the step; distrust lattices of that period.",
        )
    ]


# What a reader had to decide about the frames: its note, and the code of the finding made of it.
READER_WARNINGS = {
    "aborted scan": "aborted-scan",
    "several exposures": "several-exposures",
    "growing file": "growing-file",
}


def reader_warnings(scan: Scan) -> list[Finding]:
    """Return what the reader decided about frames and positions, and a person must know."""
    return [
        Finding(
            "caution",
            READER_WARNINGS[note.what],
            f"{note.what}: {note.value}" + (f"; {note.why}" if note.why else ""),
            "Check that frames and positions belong together; -s scan.n_frames=N uses the first N of both.",
        )
        for note in scan.notes
        if note.what in READER_WARNINGS
    ]


def masked_pixels(mask: NDArray[np.bool_] | None) -> list[Finding]:
    """Share of the detector that the mask ``(h, w)`` rejects (10 % and 50 %: common practice, no source)."""
    share = 0.0 if mask is None else 1 - float(np.mean(mask))
    if share <= 0.1:
        return []
    return [
        Finding(
            "serious" if share > 0.5 else "caution",
            "masked-pixels",
            f"the mask rejects {100 * share:.0f} % of the detector",
            "If that is not so, the mask's polarity is the other way round: correct it in the file.",
        )
    ]


def saturated_pixels(per_frame: NDArray[np.integer], n_pixels: int) -> list[Finding]:
    """Saturated pixels of each frame ``(J,)``, of `n_pixels` measured (1 %: common practice, no source)."""
    frames = int(np.count_nonzero(per_frame))
    if not frames:
        return []
    worst = float(per_frame.max()) / max(n_pixels, 1)
    return [
        Finding(
            "serious" if worst > 0.01 else "caution",
            "saturated",
            f"{int(per_frame.sum())} saturated pixels in {frames} of {len(per_frame)} frames, up to "
            f"{int(per_frame.max())} ({100 * worst:.2g} %) in one; they are masked",
            "Expose shorter: the brightest pixels carry the low spatial frequencies.",
        )
    ]


def always_saturated(n_pixels: int) -> list[Finding]:
    """Pixels at the top of the range in every frame: gaps that no mask names, or always over-exposed."""
    if not n_pixels:
        return []
    return [
        Finding(
            "caution",
            "always-saturated",
            f"{n_pixels} pixels are saturated in every frame; they are masked",
            "Gaps of the detector belong in the file's mask; in the direct beam it means over-exposure.",
        )
    ]


def frames_left_out(n_left_out: int, n_frames: int) -> list[Finding]:
    """Frames that cannot be used (10 % and 50 %: common practice, no source)."""
    if not n_left_out:
        return []
    share = n_left_out / n_frames
    level: Level = "serious" if share > 0.5 else "caution" if share > 0.1 else "note"
    text = f"{n_left_out} of {n_frames} frames are left out"
    return [Finding(level, "frames-left-out", text, "Their numbers and reasons are listed; check shutter and beam.")]


def low_counts(totals: NDArray[np.float64], unit: str) -> list[Finding]:
    """Photons of each frame ``(J,)``; below a median of 2e4 noise rules (common practice, no source)."""
    median = float(np.median(totals))
    if unit != "photon" or median >= 2e4:
        return []
    return [
        Finding(
            "serious" if median < 1e3 else "caution",
            "low-counts",
            f"a frame holds {median:.3g} photons (median)",
            "Expose longer or defocus less; expect noise to limit the resolution, not the detector's edge.",
        )
    ]


def unknown_gain(unit: str) -> list[Finding]:
    """Without a gain the noise model and every photon number are unknown by a factor."""
    if unit == "photon":
        return []
    return [
        Finding(
            "caution",
            "gain-unknown",
            "how many counts a photon gives is not known; counts stay as stored (ADU), and the weight "
            "of noise and the coverage are unknown by that factor",
            "If counts are photons say -s prepare.counts_per_photon=1, otherwise give the detector's gain.",
        )
    ]


def check_scan(scan: Scan) -> list[Finding]:
    """All checks that need no detector frame; fast on any file."""
    return [
        *frame_sampling(scan.geometry, scan.zone_plate),
        *overlap(scan.positions_m, scan.geometry, scan.zone_plate),
        *duplicates(scan.positions_m, scan.geometry),
        *far_positions(scan.positions_m),
        *regular_raster(scan.positions_m),
        *masked_pixels(scan.mask),
        *unknown_gain("ADU" if scan.counts_per_photon is None else "photon"),
    ]


def _gain_text(scan: Scan, look: FirstLook | None) -> str:
    """Gain as the first look used it, otherwise as the scan states it."""
    if look is not None and look.gain is not None:
        gain, error = look.gain
        return f"{gain:.5g}" + (f" ± {error:.2g}, from the frames" if error else "")
    return "unknown" if scan.counts_per_photon is None else f"{scan.counts_per_photon:.5g}"


def geometry_table(scan: Scan, look: FirstLook | None = None) -> list[tuple[str, str]]:
    """Names and values with units of what fixes the image, in reading order.

    With a `look` the photons of the frames are added; without it no frame is read.
    """
    g = scan.geometry
    rows = [
        ("photon energy", f"{g.energy_ev:.2f} eV"),
        ("wavelength", f"{g.wavelength_m * 1e9:.4f} nm"),
        ("sample to detector", f"{g.distance_m * 1e3:.3f} mm"),
        ("detector pixel", f"{pair_text(g.pixel_size_m, 1e6)} µm"),
        ("frame", f"{g.frame_shape[0]} x {g.frame_shape[1]} pixels"),
        ("object pixel", f"{pair_text(g.object_pixel_m, 1e9)} nm"),
        ("frame width on the sample", f"{pair_text(g.frame_width_m, 1e6)} µm"),
        ("half period at the detector's edge", f"{g.half_period_limit_m * 1e9:.2f} nm"),
        ("numerical aperture of the detector", f"{g.detector_na:.4f}"),
        ("frames", f"{scan.n_frames}"),
        ("scanned field", pair_text(tuple(np.ptp(scan.positions_m, axis=0)), 1e6) + " µm"),
    ]
    spacing = measured_overlap(scan.positions_m, 1.0)
    if spacing is not None:
        rows.append(("step (root of the area a position)", f"{spacing.step_m * 1e6:.4g} µm"))
        rows.append(("nearest neighbour, median", f"{spacing.nearest_m * 1e6:.4g} µm"))
    rows += zone_plate_rows(scan)
    if scan.exposure_s is not None:
        rows.append(("exposure", f"{scan.exposure_s * 1e3:.4g} ms"))
    rows.append(("counts a photon", _gain_text(scan, look)))
    rows.append(
        ("saturation", "the file does not say" if scan.saturation is None else f"{scan.saturation:.10g} stored counts")
    )
    if look is not None:
        name = "photons a frame" if look.unit == "photon" else "counts a frame (ADU)"
        low, median, high = np.percentile(look.totals, [5, 50, 95])
        rows.append((name, f"{median:.4g} (5 % to 95 % of frames: {low:.4g} to {high:.4g})"))
        rows.append(("brightest pixel", f"{look.maximum.max():.4g} {look.unit}"))
        rows += look.radial_rows(g)
    return rows
