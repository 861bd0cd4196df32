"""Resolution of a result: from two results, or from one scan split into two halves that are solved anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.loop import PassRecord
from recon.metrics import VERDICTS, verdict_of
from recon.result import Result, Source
from recon.result_file import read_result
from recon.ring_correlation import RingCorrelation, lattice_periods, ring_correlation
from recon.workflow import load_scan, prepare_scan, reconstruct
from scans.errors import InputError
from scans.prepared import PreparedScan
from scans.scan import Finding, Scan

OnPass = Callable[[PassRecord, float], None]

# Counts this close to whole numbers are photons; more than a few off, and thinning them would not be Poisson.
_WHOLE, _MAY_DIFFER = 1e-3, 1e-4
# Pixel sizes of two results that differ by less than this share blur by less than a ring.
_SAME_PIXEL = 1e-3

METHODS = {
    "two results": "two results as they are",
    "photon split": "each photon given to one of two halves at random, both solved cold, object and probe",
    "frame split": "every other frame, with half the overlap, both solved cold, object and probe",
}


@dataclass(frozen=True)
class Resolution:
    """A ring correlation and how its two images came about.

    Parameters
    ----------
    rings
        The correlation, its thresholds and crossings.
    method
        A key of `METHODS`.
    images
        The two complex images ``(H, W)`` that were compared, on a common area.
    """

    rings: RingCorrelation
    method: str
    images: tuple[NDArray[np.complex64], NDArray[np.complex64]]

    def __str__(self) -> str:
        return f"{self.rings}\n  images: {METHODS[self.method]}"

    @property
    def verdict(self) -> str:
        """What the findings come to, in the words of a result's verdict."""
        return verdict_of(self.rings.findings)

    @property
    def half_periods_m(self) -> dict[str, float | None]:
        """Half period at each threshold's crossing [m]; None where it was not crossed."""
        return {name: crossing.half_period_m for name, crossing in self.rings.crossings.items()}

    def to_dict(self) -> dict[str, Any]:
        """Curve, thresholds and crossings by name, for ``/entry/resolution``."""
        rings = self.rings
        crossings: dict[str, Any] = {}
        for name, crossing in rings.crossings.items():
            word = name.translate(str.maketrans("/-.", "___"))
            crossings[f"half_period_{word}_m"] = crossing.half_period_m
            crossings[f"status_{word}"] = crossing.status
        return {
            "frequency_per_m": rings.frequency_per_m,
            "correlation": rings.frc,
            "half_bit": rings.half_bit,
            "one_bit": rings.one_bit,
            "ring_pixels": rings.ring_pixels,
            "effective_samples": rings.effective_samples,
            "left_out": rings.left_out,
            **crossings,
            "window": rings.window,
            "method": self.method,
            "halves": METHODS[self.method],
            "verdict": self.verdict,
            "findings": [f"{f.level}: {f.text}" + (f". {f.fix}" if f.fix else "") for f in rings.findings],
            "summary": str(self),
        }


def resolution(
    result: Result | str | Path,
    other: Result | str | Path | None = None,
    *,
    prepared: PreparedScan | None = None,
    device: str | None = None,
    on_pass: OnPass | None = None,
) -> Resolution:
    """Estimate the resolution by ring correlation.

    With two results their objects are compared. With one, its scan is read again and split in two: by
    photons where the counts are whole photons (each photon goes to either half at random, so both halves
    keep all positions), else by frames (every other one, with half the overlap). Both halves are solved
    cold, object and probe, with the recipe of the result.

    Parameters
    ----------
    prepared
        The prepared scan of `result`, where it is at hand; else the file that the result names is read.
    device, on_pass
        As for `reconstruct`.

    Raises
    ------
    InputError
        When a file cannot be read, the scan has changed since, or the two results have different pixels or no
        common area.
    KeyboardInterrupt
        When a half was interrupted: a comparison of what was reached would mean nothing.
    """
    first = result if isinstance(result, Result) else read_result(result)
    if other is not None:
        second = other if isinstance(other, Result) else read_result(other)
        names = (
            ("the first result" if first is result else str(result)),
            ("the second result" if second is other else str(other)),
        )
        return compare_images(first, second, "two results", names=names)
    prepared = prepared if prepared is not None else _prepare_again(first)
    rng = np.random.default_rng([first.recipe.run.seed, 2])
    if has_whole_photons(prepared):
        halves, method = split_by_photons(prepared, rng), "photon split"
    else:
        halves, method = split_by_frames(prepared), "frame split"
    a = _solve_half(halves[0], first, device, on_pass and _first_of_two(on_pass))
    taken_s = float(a.history.seconds[-1])
    b = _solve_half(halves[1], first, device, on_pass and _second_of_two(on_pass, taken_s))
    return compare_images(a, b, method, names=("the first half", "the second half"))


def _solve_half(half: PreparedScan, result: Result, device: str | None, on_pass: OnPass | None) -> Result:
    # a prior would put the same guess into both halves; the shares of the modes are not asked for
    recipe = result.recipe.alone().without_prior().override("probe.share_passes=0")
    solved = reconstruct(half, recipe, device=device, on_pass=on_pass)
    if solved.status == "interrupted":
        raise KeyboardInterrupt
    return solved


def _first_of_two(on_pass: OnPass) -> OnPass:
    """Report a half's passes as those of the whole job, taking the second half to last as long."""

    def report(record: PassRecord, left_s: float) -> None:
        on_pass(replace(record, stage=f"half 1, {record.stage}"), left_s + record.seconds + left_s)

    return report


def _second_of_two(on_pass: OnPass, taken_s: float) -> OnPass:
    def report(record: PassRecord, left_s: float) -> None:
        on_pass(replace(record, stage=f"half 2, {record.stage}", seconds=taken_s + record.seconds), left_s)

    return report


def compare_images(a: Result, b: Result, method: str, *, names: tuple[str, str] = ("a", "b")) -> Resolution:
    """Correlate the objects of two results over the area that both cover; `names` are for messages.

    Raises
    ------
    InputError
        When pixel sizes differ, or there is no common area.
    """
    for one, two in zip(a.pixel_m, b.pixel_m, strict=True):
        if abs(one / two - 1) > _SAME_PIXEL:
            raise InputError(
                f"object pixels of {one * 1e9:.4g} nm and {two * 1e9:.4g} nm",
                where=" and ".join(names),
                expected="the same pixel",
                fix="Reconstruct both with the same frame size, energy and distance.",
            )
    areas = _common_area(a, b, names)
    images = a.transmission[areas[0]], b.transmission[areas[1]]
    rings = ring_correlation(
        *images,
        a.pixel_m,
        weight=a.coverage[areas[0]],
        weight_b=b.coverage[areas[1]],
        lattice_m=lattice_periods(a.positions_measured_m),
    )
    doubted = {name: one for name, one in zip(names, (a, b), strict=True) if one.verdict == VERDICTS[2]}
    if doubted:
        texts = dict.fromkeys(f.text for one in doubted.values() for f in one.findings if f.level == "serious")
        doubt = Finding(
            "serious",
            "untrusted image",
            f"{' and '.join(doubted)} cannot be trusted: {'; '.join(texts)}",
            "Put that right first: a resolution of wrong images means nothing.",
        )
        rings = replace(rings, findings=(doubt, *rings.findings))
    return Resolution(rings, method, images)


def _common_area(a: Result, b: Result, names: tuple[str, str]) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Slices of either object that cover the same sample coordinates, to the nearest pixel."""
    mine, other = [], []
    for axis_a, axis_b, pixel in zip((a.y_m, a.x_m), (b.y_m, b.x_m), a.pixel_m, strict=True):
        shift = round((axis_b[0] - axis_a[0]) / pixel)
        start, stop = max(0, shift), min(len(axis_a), len(axis_b) + shift)
        if stop - start < 16:
            raise InputError(
                "objects without a common area",
                where=" and ".join(names),
                expected="two scans of the same place",
                fix="Compare results whose positions overlap.",
            )
        mine.append(slice(start, stop))
        other.append(slice(start - shift, stop - shift))
    return (mine[0], mine[1]), (other[0], other[1])


def _prepare_again(result: Result) -> PreparedScan:
    source = result.provenance.source
    if source is None:
        raise InputError(
            "a result made from arrays, which names no scan file",
            where="resolution of one result",
            expected="a result whose scan can be read again",
            fix="Give the prepared scan, or compare two results.",
        )
    if Source.of(source.path, source.entry).checksum != source.checksum:
        raise InputError(
            "the scan file has changed since this result was made from it",
            where=source.path,
            expected="the same counts, to split them",
            fix="Reconstruct it again, or compare two results.",
        )
    prepared = prepare_scan(_open_again(result, source), result.recipe)
    same = np.array_equal(prepared.file_index, result.frame_index) and prepared.unit == result.unit
    if not same or prepared.geometry != result.geometry:
        raise InputError(
            "the scan comes out otherwise than it was: it was opened or prepared with settings that are not in "
            "the recipe",
            where=source.path,
            expected="the same frames, unit and geometry",
            fix="Give the prepared scan (recon.resolution(result, prepared=...)), or compare two results.",
        )
    return prepared


def _open_again(result: Result, source: Source) -> Scan:
    """Open the scan file of a result, at the dataset of frames that was read then."""
    then = next((note.where.rpartition("::")[2] for note in result.notes if note.what == "frames"), "")
    try:
        scan = load_scan(f"{source.path}::{source.entry}", result.recipe)
    except InputError:
        if not then:
            raise
    else:
        if then in ("", scan.frames_path):
            return scan
    return load_scan(f"{source.path}::{then}", result.recipe)  # one of several, named by the user


def has_whole_photons(prepared: PreparedScan) -> bool:
    """Tell whether the counts are whole photons, so that thinning gives independent Poisson halves."""
    if prepared.unit != "photon":
        return False
    if prepared.counts.dtype.kind == "u":
        return True
    odd = 0
    for frame in prepared.counts:  # one at a time: the whole stack may fill the memory
        if frame.min() < 0:
            return False
        odd += int(np.count_nonzero(np.abs(frame - np.rint(frame)) > _WHOLE))
    return odd <= _MAY_DIFFER * prepared.counts.size


def split_by_photons(prepared: PreparedScan, rng: np.random.Generator) -> tuple[PreparedScan, PreparedScan]:
    """Give each photon to one of two halves at random.

    Binomial thinning of Poisson counts with p = 1/2 leaves two independent Poisson counts of half the mean.
    """
    first, second = np.empty_like(prepared.counts), np.empty_like(prepared.counts)
    for frame, one, other in zip(prepared.counts, first, second, strict=True):
        photons = np.rint(frame).astype(np.int64)
        one[...] = kept = rng.binomial(photons, 0.5)
        other[...] = photons - kept
    return replace(prepared, counts=first), replace(prepared, counts=second)


def split_by_frames(prepared: PreparedScan) -> tuple[PreparedScan, PreparedScan]:
    """Give every other frame to either half; each has half the overlap."""
    if len(prepared.counts) < 4:
        raise InputError(
            f"{len(prepared.counts)} frames",
            where=prepared.scan.name,
            expected="at least four to split",
            fix="Compare two scans instead.",
        )
    halves: list[PreparedScan] = []
    for start in (0, 1):
        halves.append(prepared.part(slice(start, None, 2)))
    return halves[0], halves[1]
