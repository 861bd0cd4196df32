"""Where the beam is on the detector, and the square around it that is kept, padded and binned."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from scans.beam import BeamDisc, find_beam
from scans.detector import Readout, stored_point
from scans.errors import InputError
from scans.scan import Finding, Scan

# Share of the range above the dark level from which a mean is that of saturated pixels: smear and offset take some of
# it (common practice, no source).
NEARLY_FULL = 0.75
# A centre is doubted where so much of the disc is saturated: simulated ones were then up to 0.3 pixels off.
FULL_SHARE = 0.1


def fast_even_size(n: int) -> int:
    """Smallest even size from `n` up whose FFT has small factors only."""
    n += n % 2
    while fft.next_fast_len(n) != n:
        n += 2
    return n


@dataclass(frozen=True)
class Window:
    """Square part of the detector around the beam, `size` x `size` bins of `bin` x `bin` pixels.

    Parameters
    ----------
    start
        First row and column on the oriented detector; may be negative (then padded).
    size, bin
        Prepared side in bins, pixels a bin.
    shape
        Oriented detector ``(h, w)``.
    rest_px
        Beam centre minus the centre of bin ``(size//2, size//2)`` [detector pixels], at most half a pixel.
    """

    start: tuple[int, int]
    size: int
    bin: int
    shape: tuple[int, int]
    rest_px: tuple[float, float]

    @classmethod
    def around(cls, centre: tuple[float, float], size: int, bin: int, shape: tuple[int, int]) -> Window:
        """Put the beam `centre` into bin ``(size//2, size//2)``, to the nearest whole pixel."""
        half_bin = (bin - 1) / 2
        start, rest = [], []
        for c in centre:
            first = math.floor(c - half_bin + 0.5)  # detector pixel where the central bin begins
            start.append(first - size // 2 * bin)
            rest.append(c - half_bin - first)
        return cls((start[0], start[1]), size, bin, shape, (rest[0], rest[1]))

    def moved(self, by: tuple[int, int]) -> Window:
        """Return the window moved by whole detector pixels."""
        return replace(self, start=(self.start[0] + by[0], self.start[1] + by[1]))

    @property
    def side(self) -> int:
        """Side of the window in detector pixels."""
        return self.size * self.bin

    @property
    def source(self) -> tuple[slice, slice]:
        """Part of the oriented detector that is read."""
        y, x = (slice(max(s, 0), max(min(s + self.side, n), 0)) for s, n in zip(self.start, self.shape, strict=True))
        return y, x

    def takes_as_is(self, shape: tuple[int, ...]) -> bool:
        """Tell whether planes of a shape, cut out by `source`, need neither padding nor binning."""
        return self.bin == 1 and shape == (self.size, self.size)

    def fit(self, part: NDArray[Any], out: NDArray[Any]) -> None:
        """Pad `part` ``(n, h', w')``, cut out by `source`, and sum it over the bins into `out` ``(n, N, N)``.

        For bool arrays the sum is "all of the bin" and padding is False.
        """
        target = tuple(slice(s.start - a, s.stop - a) for s, a in zip(self.source, self.start, strict=True))
        whole = part.shape[1:] == (self.side, self.side)
        if self.bin == 1:
            if not whole:
                out[...] = 0
            out[(slice(None), *target)] = part
            return
        add = np.logical_and if part.dtype == bool else np.add
        for frame, binned in zip(part, out, strict=True):  # a frame stays in the core's cache
            if whole:
                padded = frame
            else:
                padded = np.zeros((self.side, self.side), part.dtype)
                padded[target] = frame
            # strided sums are some ten times faster than a reduction over two axes of a reshaped array
            rows = padded[0 :: self.bin].astype(out.dtype)
            for k in range(1, self.bin):
                add(rows, padded[k :: self.bin], out=rows)
            binned[...] = rows[:, 0 :: self.bin]
            for k in range(1, self.bin):
                add(binned, rows[:, k :: self.bin], out=binned)

    def steps(self) -> list[str]:
        """Say what the window does to a frame."""
        (y, x), half = self.source, self.size // 2
        inside = (y.stop - y.start) * (x.stop - x.start)
        dy, dx = self.rest_px
        lines = [
            f"centre: direct beam to pixel ({half}, {half}); the rest of ({dy:+.3f}, {dx:+.3f}) detector "
            "pixels stays as a linear phase ramp of the probe",
            f"crop: rows {y.start} to {y.stop - 1}, columns {x.start} to {x.stop - 1} of the oriented "
            f"{self.shape[0]} x {self.shape[1]} detector, "
            f"{self.shape[0] * self.shape[1] - inside} pixels left out, "
            f"{self.side**2 - inside} unmeasured pixels added",
        ]
        if self.bin > 1:
            lines.append(f"bin: {self.bin} x {self.bin} detector pixels summed; a bin counts only where all are good")
        return lines


def choose_window(centre: tuple[float, float], size: int | None, bin: int, shape: tuple[int, int]) -> Window:
    """Place the window for the options of `prepare`.

    Raises
    ------
    InputError
        Size odd or too small.
    """
    if size is None:
        size = fast_even_size(max(8, math.ceil(max(shape) / bin)))
    if size != int(size) or size < 8 or size % 2:
        raise InputError(
            f"{size} pixels",
            where="prepare.size",
            expected="an even number, 8 or more",
            fix=f"Try -s prepare.size={fast_even_size(max(8, math.ceil(size)))}.",
        )
    return Window.around(centre, int(size), int(bin), shape)


def beam_centre(
    scan: Scan, readout: Readout, centre_px: tuple[float, float] | None
) -> tuple[tuple[float, float], list[str], list[Finding]]:
    """Decide the beam's centre in the oriented frame: as asked, as the file says, or as found.

    Returns the centre, lines for the record, and findings.
    """
    shape = readout.good.shape
    stored_shape = (shape[1], shape[0]) if scan.orientation.transpose else shape
    if centre_px is not None:
        y, x = _inside(centre_px, stored_shape, "prepare.centre_px")
        text = f"beam centre: ({y:.2f}, {x:.2f}) of the stored frame, as asked for"
        return scan.orientation.apply_point((y, x), stored_shape), [text], []
    disc = find_beam(readout.pattern, readout.good)
    n = 0 if readout.sections is None else readout.sections.n_frames
    if scan.beam_centre_px is not None:
        y, x = _inside(scan.beam_centre_px, stored_shape, f"{scan.name}, beam centre")
        text = f"beam centre: ({y:.2f}, {x:.2f}) of the stored frame, as the file says"
        centre = scan.orientation.apply_point((y, x), stored_shape)
        return centre, [text], _compare_centre(centre, disc, scan, shape)
    if disc is None:
        centre = ((shape[0] - 1) / 2, (shape[1] - 1) / 2)
        text = f"beam centre: middle of the frame, since the mean of {n} frames shows no beam"
        fix = "Give it with -s prepare.centre_px=[ROW,COLUMN] of the stored frame."
        return centre, [text], [Finding("caution", "centre-guessed", text, fix)]
    y, x = stored_point(disc.centre, scan.orientation, shape)
    text = (
        f"beam centre: ({y:.2f}, {x:.2f}) of the stored frame, found as the middle of the bright disc "
        f"({disc.diameter_px:.0f} pixels across) in the mean of {n} frames"
    )
    fix = f"If it is wrong, give it with -s prepare.centre_px=[ROW,COLUMN]; [{y:.2f},{x:.2f}] was used."
    found = Finding("note", "centre-found", f"the file does not say: {text}", fix)
    return disc.centre, [text], [found, *_saturated(readout, disc)]


def _saturated(readout: Readout, disc: BeamDisc) -> list[Finding]:
    """Doubt a centre found where much of the disc is full in the mean pattern: its rim alone then tells."""
    if readout.limit is None:
        return []
    dark = 0.0 if readout.darks is None else float(np.median(readout.darks.at()[0]))
    y, x = np.indices(readout.good.shape)
    inside = readout.good & (np.hypot(y - disc.centre[0], x - disc.centre[1]) <= disc.diameter_px / 2)
    full = readout.pattern[inside] >= NEARLY_FULL * (readout.limit - dark) / readout.gain
    if not full.any() or full.mean() < FULL_SHARE:
        return []
    text = f"{100 * full.mean():.0f} % of the bright disc is saturated or nearly so, so its centre rests on its rim: "
    text += "scatter of the sample may move it by some tenths of a pixel"
    fix = "Give the centre, from a shorter exposure, with -s prepare.centre_px=[ROW,COLUMN]."
    return [Finding("caution", "centre-saturated", text, fix)]


def _inside(point: tuple[float, float], shape: tuple[int, int], where: str) -> tuple[float, float]:
    """Check that a beam centre lies on the detector."""
    if len(point) == 2 and all(-0.5 <= c <= n - 0.5 for c, n in zip(point, shape, strict=True)):
        return float(point[0]), float(point[1])
    raise InputError(
        f"beam centre {tuple(point)}",
        where=where,
        expected=f"(row, column) in pixels, inside the stored frame of {shape}",
        fix="Give -s prepare.centre_px=[ROW,COLUMN], counted from 0 in the stored frame.",
    )


def _compare_centre(
    centre: tuple[float, float], disc: BeamDisc | None, scan: Scan, shape: tuple[int, int]
) -> list[Finding]:
    """Doubt a stated centre 5 % of the frame or more off the bright disc (swapped axes, old value)."""
    if disc is None or math.dist(centre, disc.centre) < max(2.0, 0.05 * min(shape)):
        return []
    y, x = stored_point(disc.centre, scan.orientation, shape)
    return [
        Finding(
            "caution",
            "centre-doubtful",
            f"the stated beam centre is {math.dist(centre, disc.centre):.1f} pixels off the middle of the "
            f"bright disc, which lies at ({y:.1f}, {x:.1f}) of the stored frame",
            f"If the disc is the direct beam, use -s prepare.centre_px=[{y:.1f},{x:.1f}].",
        )
    ]
