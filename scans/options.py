"""What `prepare` can be told; whatever is left out is decided from the scan."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from scans.errors import InputError

DARKS = ("clipped", "median", "mean", "none")
OFFSETS = ("follow", "fixed")
BEAMSTOPS = ("mask", "divide", "none")
FLUXES = ("monitor", "trend", "none")


@dataclass(frozen=True)
class PrepareOptions:
    """Keyword arguments of `prepare`; None leaves a decision to the data.

    Parameters
    ----------
    size
        Side N of the prepared frames in pixels after binning, even. Left out: the detector's larger side, or
        the next even size that is fast for an FFT.
    bin
        Detector pixels summed along each side.
    centre_px
        ``(row, column)`` of the direct beam in the *stored* frame.
    follow_beam
        Move the window by whole pixels where the beam drifts over the scan.
    counts_per_photon, saturation
        Before what the file says [stored counts].
    gain_energy_ev
        Photon energy at which `counts_per_photon` holds [eV]: an integrating detector's gain goes with the energy.
    dark
        How dark frames become one: "clipped" mean (6 sigma), "median", "mean"; "none" leaves them alone.
    offset
        "follow" subtracts what the unexposed margin of each frame shows, "fixed" does not.
    smear
        Take out light that fell on the pixels while the frame was read out.
    bad_pixels
        Also mask pixels that the frames show to be dead, hot, stuck, flickering or under-responding.
    spikes
        Mask single values far above what neighbours and other frames allow (cosmic rays).
    beamstop
        "divide": what it lets through counts with its fitted transmission (in the response); "mask" what it
        covers; or "none".
    merge
        Merge exposures of one position.
    flux
        "monitor", "trend" of the counts, or "none".
    flat_detector
        Map the flat detector to an even grid of spatial frequencies (large angles).

    Raises
    ------
    InputError
        For a value that an option does not take.
    """

    size: int | None = None
    bin: int | None = None
    centre_px: tuple[float, float] | None = None
    follow_beam: bool | None = None
    counts_per_photon: float | None = None
    gain_energy_ev: float | None = None
    saturation: float | None = None
    dark: str | None = None
    offset: str | None = None
    smear: bool | None = None
    bad_pixels: bool | None = None
    spikes: bool | None = None
    beamstop: str | None = None
    merge: bool | None = None
    flux: str | None = None
    flat_detector: bool | None = None

    def __post_init__(self) -> None:
        for name, words in (("dark", DARKS), ("offset", OFFSETS), ("beamstop", BEAMSTOPS), ("flux", FLUXES)):
            value = getattr(self, name)
            if value is not None and value not in words:
                raise _wrong(name, f"'{value}'", f"one of {', '.join(words)}")
        for name in ("counts_per_photon", "gain_energy_ev", "saturation"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise _wrong(name, f"{value:g}", "a positive number")
        if self.gain_energy_ev is not None and self.counts_per_photon is None:
            raise _wrong("gain_energy_ev", f"{self.gain_energy_ev:g} without counts_per_photon", "both, or neither")
        if self.bin is not None and (self.bin != int(self.bin) or self.bin < 1):
            raise _wrong("bin", f"{self.bin}", "a whole number, 1 or more")

    def given(self) -> Mapping[str, Any]:
        """Return what is not left to the data."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: value for name, value in values.items() if value is not None}


def _wrong(name: str, found: str, expected: str) -> InputError:
    return InputError(
        f"{name} = {found}",
        where=f"prepare.{name}",
        expected=expected,
        fix=f"Give it with -s prepare.{name}=VALUE, or leave it out.",
    )
