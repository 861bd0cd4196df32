"""How the stored values of a scan are to be read, decided from its facts and a bounded sample of its frames."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scans.bad_pixels import FEWEST_FRAMES, find_bad_pixels
from scans.beamstop import Beamstop, find_beamstop, zone_plate_shadow
from scans.darks import combine_darks
from scans.detector import NEGATIVE_MARKS, Readout, Sections, no_number, sample_frames, sample_index
from scans.errors import InputError
from scans.flat_field import normalise_flat
from scans.gain import GainEstimate, estimate_gain, gain_at_energy
from scans.offsets import OffsetPlan, plan_offsets
from scans.options import PrepareOptions
from scans.pixel_statistics import PixelStatistics
from scans.readout_findings import bad_pixel_findings, charge_sharing, doubtful_gain, gain_found, gain_steps, kinds
from scans.readout_sample import (
    fill_from_other_frames,
    has_pedestal,
    largest_gain,
    noise_below_zero,
    suspected_saturation,
    top_values,
)
from scans.scan import Finding, Orientation, Scan
from scans.smear import find_smear
from scans.spikes import HighLevels, plan_spikes

# A cosmic ray leaves some thousand electrons, tens of soft X-ray photons (common practice, no source): where
# frames reach this many photons, what stands out is a speckle.
RAY_PHOTONS = 100.0


def plan_readout(scan: Scan, options: PrepareOptions | None = None) -> Readout:
    """Decide how the stored values of `scan` become counts.

    Counts are called photons when the file or the caller states the gain, or the frames show it; otherwise they
    stay as stored and the unit is "ADU": integers alone prove nothing, since a CCD writes them too. A scan that
    was prepared before is taken as it is.

    Raises
    ------
    InputError
        Gain or saturation not positive, dark frames of another shape, or no good pixel.
    """
    options = options or PrepareOptions()
    plan = _Plan(scan, options)
    plan.mask()
    plan.darks()
    plan.limits()
    plan.read_sample()
    if not scan.prepared:
        plan.bad_pixels()
        plan.smear()
    plan.offsets_and_gain()
    plan.response()
    if not scan.prepared:
        plan.spikes()
    plan.sections()
    if scan.orientation != Orientation():
        plan.say(f"orientation: {scan.orientation}")
    return replace(plan.readout, steps=tuple(plan.steps), findings=tuple(plan.findings))


@dataclass
class _Plan:
    """A readout on the way: each method decides one thing, in the order in which they depend."""

    scan: Scan
    options: PrepareOptions
    steps: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    sample: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 1, 1), np.float32))
    numbers: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    statistics: PixelStatistics = field(default_factory=PixelStatistics)
    pedestal: bool = False
    full: NDArray[np.bool_] = field(init=False)  # saturated in every frame of the sample
    readout: Readout = field(init=False)

    def __post_init__(self) -> None:
        shape = tuple(int(n) for n in self.scan.frames.shape[1:])
        self.readout = Readout(np.ones(shape, bool), self.scan.orientation)

    def set(self, **changes: Any) -> None:
        self.readout = replace(self.readout, **changes)

    def say(self, *steps: str) -> None:
        self.steps += steps

    @property
    def stored_gain(self) -> float | None:
        """Counts a photon as stated."""
        given, energy_ev = self.options.counts_per_photon, self.options.gain_energy_ev
        if given is not None and energy_ev is not None:
            return gain_at_energy(given, energy_ev, self.scan.geometry.energy_ev)
        return given if given is not None else self.scan.counts_per_photon

    def mask(self) -> None:
        mask = self.scan.mask
        if mask is None:
            return
        usable = mask if mask.ndim == 2 else mask.any(axis=0)
        differs = mask.ndim == 3 and not (mask == mask[:1]).all()
        self.set(usable=usable.astype(bool), masks=mask if differs else None)

    def darks(self) -> None:
        scan, way = self.scan, self.options.dark or "clipped"
        shape = self.readout.usable.shape
        if scan.dark is not None and way != "none":
            darks = combine_darks(scan.dark, shape, scan.name, exposures_s=scan.dark_exposures_s, method=way)  # type: ignore[arg-type]
            exposures = scan.exposures_s if scan.exposures_s is not None else scan.exposure_s
            usable = self.readout.usable & darks.usable
            self.say(*darks.steps)
            if self.options.bad_pixels is not False:
                bad = usable & (darks.hot | darks.noisy)
                usable = usable & ~bad
                if bad.any():
                    self.say(f"bad pixels: {bad.sum()} hot or noisy in the dark frames, and masked")
            self.set(darks=darks, usable=usable, exposures_s=exposures)
            # the step above says the same of hot and noisy pixels, unless they stay
            told = set() if self.options.bad_pixels is False else {"dark-pixels"}
            self.findings += [f for f in darks.findings if f.code not in told]
            self.findings += darks.needs_care(scan.exposures_s)
        usable = self.readout.usable
        if not usable.any():
            raise InputError(
                "no good pixel is left",
                where=f"{scan.name}, mask",
                expected="a mask that is True (good) somewhere",
                fix="Check the mask's polarity in the file, or remove the mask.",
            )
        if usable.size > usable.sum():
            self.say(f"mask: {usable.size - usable.sum()} of {usable.size} pixels are bad in every frame")

    def limits(self) -> None:
        scan = self.scan
        stated = self.options.saturation if self.options.saturation is not None else scan.saturation
        for name, value in (("counts_per_photon", self.stored_gain), ("saturation", stated)):
            if value is not None and not (math.isfinite(value) and value > 0):
                raise InputError(
                    f"{name} = {value:g}",
                    where=f"{scan.name}, {name}",
                    expected="a positive number",
                    fix=f"Give it with -s prepare.{name}=VALUE, or leave it out.",
                )
        if scan.prepared:  # the top of the smallest type is a count like any other
            self.set(limit=self.options.saturation)
            return
        limit = whole_limit(stated, scan.frames.dtype)
        if limit is not None:
            self.say(f"saturation: stored values from {limit:.10g} on are masked frame by frame")
        self.set(limit=limit, marks=scan.frames.dtype.kind == "i" and scan.dark is None)

    def read_sample(self) -> None:
        """Read the sample once; keep it dark-corrected, and what it says of the stored values."""
        index, kind = sample_index(self.scan), self.scan.frames.dtype.kind
        self.sample = np.empty((len(index), *self.readout.usable.shape), np.float32)
        lacking, top, self.numbers, n = np.zeros(self.sample.shape, bool), [], index, 0
        self.full = np.ones(self.readout.usable.shape, bool)
        for frames, stored in sample_frames(self.scan):
            here = slice(n, n := n + len(frames))
            none = no_number(stored) if kind == "f" else np.False_
            self.sample[here] = np.where(none, 0, stored)
            flags = replace(self.readout, marks=False).flags(stored, frames)
            lacking[here] = none if flags.bad is None else none | flags.bad
            lit = stored.any(axis=(1, 2))
            self.full &= (False if flags.saturated is None else flags.saturated[lit].all(axis=0)) | ~lit.any()
            if kind in "iu":
                top.append(top_values(stored, self.readout.usable, self.readout.limit))
        lit = self.sample.any(axis=(1, 2))
        self.full &= lit.any()  # of frames without a count nothing is full
        if lit.any() and not lit.all():  # dropped frames say nothing of the detector
            self.sample, lacking, self.numbers = self.sample[lit], lacking[lit], self.numbers[lit]
        good = self.readout.usable
        if self.readout.marks and noise_below_zero(self.sample, good, NEGATIVE_MARKS):
            self.set(marks=False)
        if self.readout.marks:
            lacking |= np.isin(self.sample, NEGATIVE_MARKS)
        fill_from_other_frames(self.sample, lacking)
        if self.readout.limit is not None:  # so much light at least: a pixel that is always full must not look dark
            self.sample[:, self.full] = self.readout.limit
        self.statistics.add(self.sample)
        self.findings += suspected_saturation(top)
        if self.scan.dark is None and not self.scan.prepared:
            self.pedestal = has_pedestal(self.sample, good, whole=kind != "f", gain=self.stored_gain)
        if self.readout.darks is not None:
            self.readout.subtract_dark(self.sample, self.numbers)

    @property
    def has_offset(self) -> bool:
        """Whether there may be more in the values than photons: zero is not known to be without light."""
        darks = self.readout.darks
        # a dark without noise comes from a calculation, and so do frames of fractions with it
        measured = darks is not None and (self.scan.frames.dtype.kind != "f" or darks.read_noise > 0)
        return measured or self.pedestal

    def bad_pixels(self) -> None:
        if self.statistics.n < FEWEST_FRAMES:
            return
        dark = None
        if self.scan.dark is not None and self.scan.dark.ndim == 3 and len(self.scan.dark) >= 4:
            dark = PixelStatistics()
            dark.add(self.scan.dark)
        found = find_bad_pixels(self.statistics, dark, self.readout.usable)
        n, mask_them = int(found.combined.sum()), self.options.bad_pixels is not False
        if mask_them and n and (self.readout.usable & ~found.combined).any():
            self.set(usable=self.readout.usable & ~found.combined)
            self.say(f"bad pixels: {n} found in the frames and masked: {kinds(found)}")
        self.set(found=found)
        self.findings += bad_pixel_findings(found, n, masked=mask_them)

    def smear(self) -> None:
        if self.options.smear is False or not self.has_offset or len(self.sample) < FEWEST_FRAMES:
            return
        smear, findings = find_smear(self._mean(), self.readout.usable, self.full)
        if smear is not None:
            self.set(smear=smear)
            self.say(smear.step)
            self.sample[:, ~self.readout.usable] = 0
            smear.correct(self.sample)
        unknown = any(f.code == "smear-saturated" for f in findings)
        self.findings += findings if smear is not None or self.options.smear or unknown else ()

    def offsets_and_gain(self) -> None:
        """Follow the offset, find the gain; a gain that the frames show then helps to judge the offset."""
        if self.scan.prepared:
            self._set_gain(self.stored_gain, 0.0, self.scan.read_noise or 0.0)
            return
        darks, stated = self.readout.darks, self.stored_gain
        noise = (darks.read_noise if darks is not None else 0.0) or (self.scan.read_noise or 0.0)
        follows = self.options.offset != "fixed" and self.has_offset
        before = self.sample.copy() if follows and stated is None else None
        plan = self._offsets(stated) if follows else None
        estimate = self._estimate(noise if darks is not None else None)
        found = None if estimate is None else estimate.counts_per_photon
        if before is not None and found is not None:
            # so that the gain, once it is stated in a recipe, gives these frames again
            self.sample = before
            plan = self._offsets(found)
        if plan is not None:
            self.say(*plan.steps)
            self.findings += plan.findings
        if stated is not None:
            self.say(f"gain: {stated:.6g} counts a photon; unit photon")
            self.findings += doubtful_gain(stated, estimate)
            self._set_gain(stated, 0.0, noise)
        else:
            self.say(*gain_steps(estimate))
            self.findings += [] if estimate is None or found is None else [gain_found(estimate)]
            self._set_gain(found, 0.0 if estimate is None or found is None else estimate.error, noise)
        self.findings += charge_sharing(estimate)

    def _offsets(self, gain: float | None) -> OffsetPlan:
        darks = self.readout.darks
        plan = plan_offsets(
            self.sample,
            self.readout.usable,
            has_dark=darks is not None,
            read_noise=0.0 if darks is None else darks.read_noise,
            counts_per_photon=gain,
        )
        takes = plan.mode != "none" or plan.leak is not None
        self.set(offsets=plan if takes else None)
        if takes:
            plan.apply(self.sample)
        return plan

    def _set_gain(self, gain: float | None, error: float, read_noise: float) -> None:
        unit = "ADU" if gain is None else "photon"
        self.set(gain=gain or 1.0, gain_error=error, unit=unit, read_noise=read_noise / (gain or 1.0))

    def _estimate(self, read_noise: float | None) -> GainEstimate | None:
        if len(self.sample) < FEWEST_FRAMES:
            return None
        # block by block: its sums then take the memory of a block
        blocks = [self.sample[k : k + 16] for k in range(0, len(self.sample), 16)]
        return estimate_gain(blocks, self.readout.usable, read_noise)

    def response(self) -> None:
        """Flat field and beamstop: what a pixel shows where one with response 1 shows one count."""
        flat = self.scan.flat
        if flat is not None and flat.ndim == 2 and not self.scan.prepared:
            field_ = normalise_flat(flat, self.readout.usable, f"{self.scan.name}, flat field")
            self.say(*field_.steps)
            self.findings += field_.findings
            self.set(usable=self.readout.usable & ~field_.bad, response=field_.response)
        elif flat is not None:
            self.set(response=flat.astype(np.float32))
        way = self.options.beamstop or "divide"
        if way == "none" or self.scan.prepared or len(self.sample) < FEWEST_FRAMES:
            return
        stop = self._beamstop()
        if stop is None:
            return
        covered = stop.masked if way == "divide" else stop.masked | stop.region
        self.say(*(stop.steps if way == "divide" else (f"beamstop: {covered.sum()} pixels masked",)))
        self.findings += stop.findings
        self.set(usable=self.readout.usable & ~covered)
        if way == "divide" and stop.kind == "semi-transparent":
            old = self.readout.response
            self.set(response=stop.map if old is None else (old * stop.map).astype(np.float32))

    def _beamstop(self) -> Beamstop | None:
        scan, geometry = self.scan, self.scan.geometry
        if scan.orientation.transpose:
            pixel = geometry.pixel_size_m
            geometry = replace(geometry, pixel_size_m=(pixel[1], pixel[0]), frame_shape=geometry.frame_shape[::-1])
        shadow = None if scan.zone_plate is None else zone_plate_shadow(scan.zone_plate, geometry)
        stop, findings = find_beamstop(
            self._mean(),
            self.readout.usable,
            n_frames=len(self.sample),
            shadow=shadow,
            counts_per_photon=self.readout.gain,
        )
        # a dark centre without a zone plate to compare with is the common case, not a fault of the scan
        self.findings += [f for f in findings if stop or self.options.beamstop or f.code != "dark-centre"]
        return stop

    def spikes(self) -> None:
        few = len(self.sample) < FEWEST_FRAMES
        if self.options.spikes is False or self.scan.frames.dtype.kind == "f" or few:
            return
        levels = HighLevels(self.readout.usable.shape)
        for frame in self.sample:
            levels.add(np.where(self.readout.usable, frame, 0)[None])
        gain, noise = self.readout.gain, self.readout.read_noise * self.readout.gain
        if self.readout.unit == "ADU":  # too low a gain would make spikes of photons
            largest, own = largest_gain(self.sample, self.readout.usable)
            gain, noise = max(gain, largest), max(noise, own)
        dim = self.readout.usable
        if not self.has_offset or self.readout.unit == "photon":
            dim = dim & (levels.high < RAY_PHOTONS * self.readout.gain)
        plan = plan_spikes(
            levels.high,
            dim,
            n_frames=levels.n,
            mean=levels.mean,
            counts_per_photon=gain,
            read_noise=noise,
        )
        if plan is not None:
            self.set(spikes=plan)

    def sections(self) -> None:
        """Keep the mean patterns of up to 12 parts of the scan."""
        n = max(1, min(12, len(self.sample) // 8))
        parts = np.array_split(np.arange(len(self.sample)), n)
        means = np.stack([self.sample[p].mean(axis=0, dtype=np.float64) for p in parts]) / self.readout.gain
        means[:, ~self.readout.usable] = 0
        at = np.array([self.numbers[p].mean() for p in parts])
        self.set(sections=Sections(means.astype(np.float32), at, len(self.sample)))

    def _mean(self) -> NDArray[np.float64]:
        return np.where(self.readout.usable, self.sample.mean(axis=0, dtype=np.float64), 0)


def whole_limit(limit: float | None, dtype: np.dtype[Any]) -> float | None:
    """Saturation limit; the top of an integer type is one too: overflow, or unsigned forms of the marks."""
    if dtype.kind not in "iu":
        return limit
    top = int(np.iinfo(dtype).max) - (1 if dtype.kind == "u" and dtype.itemsize > 1 else 0)
    # a Python int compares exactly with any integer type, a float would widen the whole block
    return top if limit is None else min(math.ceil(limit), top)
