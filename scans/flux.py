"""How bright the beam was in each frame: from the monitor, or from a trend of the frames' own counts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.options import FLUXES
from scans.scan import Finding

# A monitor reading below this share of the median means no beam (common practice, no source).
NO_BEAM_SHARE = 0.02
# The monitor is doubted where the counts follow it with a slope this far from 1, beyond four standard errors.
SLOPE_DOUBT = 0.5
# A change of the counts over the scan that is reported.
TREND_SHARE = 0.03


@dataclass(frozen=True, eq=False)
class Flux:
    """Incident flux of each frame.

    Parameters
    ----------
    relative
        ``(J,)`` float64, 1 for the typical frame.
    no_beam
        ``(J,)`` bool: frames that the monitor saw no beam in.
    way
        A word of `FLUXES`: what was done.
    steps, findings
        The same in words, and what a person should know.
    """

    relative: NDArray[np.float64]
    no_beam: NDArray[np.bool_]
    way: str
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


def incident_flux(
    totals: NDArray[np.float64],
    lit: NDArray[np.bool_],
    monitor: NDArray[np.float64] | None,
    way: str | None = None,
    exposures: NDArray[np.float64] | None = None,
) -> Flux:
    """Decide the flux of every frame, for one exposure: where exposures differ, their share is not in it.

    Parameters
    ----------
    totals
        ``(J,)`` counts of each frame.
    lit
        ``(J,)`` frames that hold counts.
    monitor
        ``(J,)`` readings, any unit; nan, zero and negative ones mean no beam. None without a monitor.
    way
        "monitor", "trend" or "none"; None takes the monitor where there is one that the counts follow.
    exposures
        ``(J,)`` exposure of each frame in any unit, None where all are alike. A monitor that integrates over the
        exposure goes with it, one that shows a rate does not; the readings tell which it is.

    Raises
    ------
    InputError
        For "monitor" without usable readings, or an unknown word.
    """
    n = len(totals)
    if way not in (None, *FLUXES):
        raise _wrong(f"'{way}'", f"one of {', '.join(FLUXES)}")
    plain = Flux(np.ones(n), np.zeros(n, bool), "none")
    if exposures is not None:
        totals = totals / exposures
        monitor = None if monitor is None else _rate(monitor, exposures)
    if way == "none":
        return plain
    if way == "trend":
        return _from_trend(totals, lit)
    if monitor is None:
        if way == "monitor":
            raise _wrong("no monitor in the scan", "a monitor reading a frame")
        return Flux(plain.relative, plain.no_beam, "none", (), tuple(_trend_findings(totals, lit)))
    usable = np.isfinite(monitor) & (monitor > 0)
    median = float(np.median(monitor[usable])) if usable.any() else 0.0
    beam = usable & (monitor > NO_BEAM_SHARE * median)
    if beam.sum() < max(2, n // 2):
        if way == "monitor":
            raise _wrong(f"{int(beam.sum())} of {n} monitor readings show a beam", "a beam in most frames")
        text = f"the monitor shows a beam in only {int(beam.sum())} of {n} frames; it is not used"
        return Flux(plain.relative, plain.no_beam, "none", (), (_caution("monitor-unusable", text),))
    relative = np.where(beam, monitor / np.median(monitor[beam]), 1.0)
    doubt = [] if way == "monitor" else _doubts(totals, lit & beam, relative)
    if doubt:
        return Flux(plain.relative, plain.no_beam, "none", (), tuple(doubt))
    kept = relative[beam]
    step = f"flux: by the monitor, {kept.min():.4f} to {kept.max():.4f} of the median; the counts stay as counted"
    return Flux(relative, ~beam, "monitor", (step,))


def _rate(monitor: NDArray[np.float64], exposures: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the readings a unit of time: a monitor that integrates shows more in long exposures, by as much."""
    usable = np.isfinite(monitor) & (monitor > 0)
    logs, times = np.log(monitor[usable]), np.log(exposures[usable])
    long = times > (times.min() + times.max()) / 2 if times.size else usable
    if not 0 < long.sum() < long.size:
        return monitor
    # medians: single readings without a beam do not count
    rise, ratio = (float(np.median(v[long]) - np.median(v[~long])) for v in (logs, times))
    return monitor / exposures * float(np.median(exposures)) if rise > 0.5 * ratio else monitor


def _wrong(found: str, expected: str) -> InputError:
    return InputError(found, where="prepare.flux", expected=expected, fix="Leave prepare.flux out, or use none.")


def _caution(code: str, text: str) -> Finding:
    fix = "Check the monitor's dataset; -s prepare.flux=monitor uses it all the same, -s prepare.flux=none never."
    return Finding("caution", code, text, fix)


def _doubts(totals: NDArray[np.float64], lit: NDArray[np.bool_], relative: NDArray[np.float64]) -> list[Finding]:
    """Doubt a monitor that the counts do not follow: ln(counts) against ln(monitor) has slope 1 if they do.

    The sample scatters the counts too, so the slope has an error; nothing is said within it.
    """
    lit = lit & (totals > 0)
    if lit.sum() < 10 or np.ptp(relative[lit]) == 0:
        return []
    x, y = np.log(relative[lit]), np.log(totals[lit])
    slope, error = _line(x, y)
    if abs(slope - 1) < max(SLOPE_DOUBT, 4 * error):
        return []
    text = (
        f"the counts do not follow the monitor: they change as its power {slope:.2f} ± {error:.2f}, not 1; "
        "it is not used"
    )
    return [_caution("monitor-doubtful", text)]


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Slope of a straight line and its standard error (ordinary least squares)."""
    x, y = x - x.mean(), y - y.mean()
    power = float(x @ x)
    slope = float(x @ y) / power
    rest = y - slope * x
    return slope, math.sqrt(float(rest @ rest) / max(len(x) - 2, 1) / power)


def _trend(totals: NDArray[np.float64], lit: NDArray[np.bool_]) -> tuple[float, float] | None:
    """Change of ln(counts) over the whole scan, and its error; None for too few frames.

    Neighbouring frames see the same sample, so the error is that of the means of 16 sections.
    """
    index = np.flatnonzero(lit & (totals > 0))
    if len(index) < 64:
        return None
    sections = np.array_split(index, 16)
    x = np.array([s.mean() for s in sections]) / len(totals)
    y = np.array([np.median(np.log(totals[s])) for s in sections])
    return _line(x, y)


def _trend_findings(totals: NDArray[np.float64], lit: NDArray[np.bool_]) -> list[Finding]:
    trend = _trend(totals, lit)
    if trend is None or abs(trend[0]) < max(TREND_SHARE, 4 * trend[1]):
        return []
    change = math.expm1(trend[0])
    return [
        Finding(
            "note",
            "counts-drift",
            f"the counts {'rise' if change > 0 else 'fall'} by {100 * abs(change):.1f} % over the scan "
            f"(± {100 * trend[1]:.1f} %), and no monitor says whether it is the beam or the sample",
            "If it was the beam (a decaying ring current), take it out with -s prepare.flux=trend.",
        )
    ]


def _from_trend(totals: NDArray[np.float64], lit: NDArray[np.bool_]) -> Flux:
    n = len(totals)
    trend = _trend(totals, lit)
    if trend is None:
        raise _wrong(f"{int(lit.sum())} frames with counts", "64 or more for a trend")
    relative = np.exp(trend[0] * (np.arange(n) / n - 0.5))
    step = f"flux: an exponential of {100 * math.expm1(trend[0]):+.2f} % over the scan, from the counts' own trend"
    return Flux(relative / np.median(relative), np.zeros(n, bool), "trend", (step,))
