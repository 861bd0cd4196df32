"""Counts per photon from an ordinary scan: no flat exposures, no repeated frames.

Two independent looks at the same frames. *Single photons*: far from the beam photons come one by one; a
photon's charge is summed over the 3 x 3 pixels around it, so sharing between pixels does not matter, and the
sums pile up at the gain. Where the frame is bright up to its edge there are still dark spots with one photon, too
small for that: the same with 2 x 2 pixels. *Mean and variance*: between frames a pixel's variance is noise +
gain x mean + (sample's changes) x mean²; where the mean goes to zero the middle term is left. Covariances with
the eight neighbours are added, since sharing moves variance into them. Each gives an error; where both speak they
must agree. Data that can't tell give a reason, never a number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from scans.detector_charge import sharing_weights
from scans.errors import InputError
from scans.gain_blocks import BlockHits
from scans.mean_variance import PixelMoments, Slopes, slopes
from scans.single_photons import Peak, PhotonHits, find_peak

# Two looks that differ by more than this many standard errors, and by this share, contradict each other.
AGREE_SIGMA = 5.0
AGREE_SHARE = 0.2
# A gain known to no better than this is not worth a number (common practice, no source).
WORST_ERROR = 0.05
# The two peaks contradict from this share on.
PEAKS_SHARE = 0.05
# So many lone photons are enough; and a peak of so many photons outweighs a line that the sample's changes bend.
LONE_ENOUGH, MANY = 400, 1000
# A few million pixels give every look the statistics that its own limits allow.
MOST_PIXELS, LEAST_FRAMES, RUN = 4_000_000, 16, 4


@dataclass(frozen=True)
class GainEstimate:
    """What the frames say about the gain.

    Parameters
    ----------
    counts_per_photon
        Gain, None when the data can't tell (then `evidence` says why).
    error
        Standard error of it [counts a photon]; 0 for a photon counter.
    method
        "photon counter", "single photons", "mean and variance", or "none".
    evidence
        Sentences for a person, with numbers.
    sharing_share
        Mean share of a photon's charge that leaves the pixel where it landed; None when unknown.
    sharing_px
        Rms width of the Gaussian charge cloud that gives this share [pixels].
    """

    counts_per_photon: float | None
    error: float
    method: str
    evidence: tuple[str, ...]
    sharing_share: float | None = None
    sharing_px: float | None = None

    def __str__(self) -> str:
        if self.counts_per_photon is None:
            return "gain unknown: " + " ".join(self.evidence)
        return f"{self.counts_per_photon:.5g} +- {self.error:.2g} counts a photon ({self.method}): " + " ".join(
            self.evidence
        )


def gain_at_energy(counts_per_photon: float, energy_ev: float, at_energy_ev: float) -> float:
    """Scale the gain of an integrating detector: charge, and with it counts, is proportional to energy.

    `counts_per_photon` holds at `energy_ev`; the result at `at_energy_ev`. (Mean charge E / 3.65 eV in
    silicon.) Not for photon counters, whose gain is 1 at any energy.

    Raises
    ------
    InputError
        A value that is not positive.
    """
    for name, value in (
        ("counts_per_photon", counts_per_photon),
        ("energy_ev", energy_ev),
        ("at_energy_ev", at_energy_ev),
    ):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{value:g}", where=name, expected="a positive number", fix=f"Correct {name}.")
    return counts_per_photon * at_energy_ev / energy_ev


def estimate_gain(
    frames: NDArray[Any] | Iterable[NDArray[Any]],
    good: NDArray[np.bool_] | None = None,
    read_noise: float | None = None,
) -> GainEstimate:
    """Estimate the gain from frames of a scan.

    Parameters
    ----------
    frames
        ``(n, h, w)`` dark-subtracted counts, or an iterable of such blocks, which are held. 50 to 300 frames
        spread over the scan do; neighbours in time should be neighbours in the list. Of many large frames
        some are looked at.
    good
        ``(h, w)`` bool, True = usable; bad pixels found on the way are left out too.
    read_noise
        Rms a pixel [counts], from dark frames; None: taken from the frames' dim pixels.

    Raises
    ------
    InputError
        Fewer than 8 frames, or frames that do not fit together.
    """
    blocks = [frames] if isinstance(frames, np.ndarray) else list(frames)
    _check(blocks, good)
    usable = np.ones(blocks[0].shape[1:], bool) if good is None else good
    moments, hits, spots = PixelMoments(usable), PhotonHits(usable, read_noise), BlockHits(usable)
    for run in _runs(blocks):
        for k, frame in enumerate(run):
            moments.add(frame[None], follows=k > 0)
            hits.add(frame[None])
            spots.add(np.asarray(frame, np.float64), hits.noise or 0.0)
    quiet = moments.quiet()
    peak = _better(find_peak(hits, quiet), spots.peak(quiet, hits.noise or 0.0))
    return _decide(peak, slopes(moments, peak.gain), moments)


def _runs(blocks: Sequence[NDArray[Any]]) -> Iterator[Iterator[NDArray[Any]]]:
    """Frames in runs of neighbours: all in one, or short runs spread over the scan where that is enough."""
    frames = [frame for block in blocks for frame in block]
    most = max(MOST_PIXELS // frames[0].size, LEAST_FRAMES)
    if len(frames) <= most:
        yield iter(frames)
        return
    for start in np.linspace(0, len(frames) - RUN, most // RUN).astype(int):
        yield iter(frames[start : start + RUN])


def _better(around: Peak, spots: Peak) -> Peak:
    """Peak known better of the two; none where they contradict each other."""
    if around.gain is not None and spots.gain is not None:
        apart = abs(around.gain - spots.gain)
        if apart > max(AGREE_SIGMA * math.hypot(around.error, spots.error), PEAKS_SHARE * around.gain):
            return Peak(None, math.inf, 0, None, f"{around.text} {spots.text} These contradict.")
    # lone photons need no model of the cloud: they are taken while they are enough
    lone = around.gain is not None and around.n >= LONE_ENOUGH
    return around if lone or around.error <= spots.error else spots


def _check(blocks: Sequence[NDArray[Any]], good: NDArray[np.bool_] | None) -> None:
    n = sum(len(block) for block in blocks)
    if n < 8:
        raise InputError(
            f"{n} frames", where="gain estimate", expected="8 or more", fix="Give more frames, or state the gain."
        )
    for block in blocks:
        if block.ndim == 3 and (good is None or good.shape == block.shape[1:]) and min(block.shape[1:]) >= 8:
            continue
        raise InputError(
            f"frames {block.shape}, mask {None if good is None else good.shape}",
            where="gain estimate",
            expected="frames (n, h, w) of at least 8 x 8 pixels and a mask (h, w)",
            fix="Give blocks of frames of one detector region and its mask.",
        )


def _decide(peak: Peak, line: Slopes, moments: PixelMoments) -> GainEstimate:
    """Choose between the two looks."""
    evidence = (peak.text, line.text)
    share, cloud = _sharing(peak, line)
    peak_fits, line_fits = (_usable(a.gain, a.error) for a in (peak, line))
    if peak.gain is not None and line.gain is not None and peak_fits and line_fits:
        allowed = max(AGREE_SIGMA * math.hypot(peak.error, line.error), AGREE_SHARE * peak.gain)
        if abs(peak.gain - line.gain) > allowed and peak.n < MANY:
            return GainEstimate(None, math.inf, "none", ("Single photons and variances contradict.", *evidence))
    if moments.whole and moments.lowest >= 0 and moments.zeros > 0.05:
        exact = peak.gain is not None and abs(peak.gain - 1) < 1e-6
        follows = line.gain is not None and line_fits and abs(line.gain - 1) <= max(3 * line.error, 0.02)
        if exact or (follows and peak.gain is None):
            said = "Values are whole and none is negative: a photon counter."
            return GainEstimate(1.0, 0.0, "photon counter", (said, *evidence), 0.0, 0.0)
    if peak_fits:
        return GainEstimate(peak.gain, peak.error, "single photons", evidence, share, cloud)
    if line_fits:
        return GainEstimate(line.gain, line.error, "mean and variance", evidence, share, cloud)
    return GainEstimate(None, math.inf, "none", ("The data can't tell the gain.", *evidence))


def _usable(gain: float | None, error: float) -> bool:
    return gain is not None and gain > 0 and error < WORST_ERROR * gain


def _sharing(peak: Peak, line: Slopes) -> tuple[float | None, float | None]:
    """Share of charge that leaves the pixel, and the cloud's rms; from single photons, else from variances."""
    if peak.gain is not None and peak.kept is not None:
        kept, power = peak.kept, 1
    elif line.kept_power is not None:
        kept, power = line.kept_power, 2
    else:
        return None, None

    def excess(sharing_px: float) -> float:
        weights = sharing_weights(sharing_px, landings=32)
        one_axis = weights[:, weights.shape[1] // 2] if power == 1 else (weights**2).sum(axis=1)
        return float(one_axis.mean() ** 2) - kept

    if kept >= 0.995:
        return 0.0, 0.0
    if excess(0.8) > 0:
        return None, None
    cloud = float(optimize.brentq(excess, 1e-3, 0.8))
    weights = sharing_weights(cloud, landings=32)
    return 1 - float(weights[:, weights.shape[1] // 2].mean() ** 2), cloud
