"""Where a probe may be: within a disc around its centre, and within a band of spatial frequencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.backend import Array, Device, fft2, ifft2, to_device
from scans.geometry import Geometry


@dataclass(frozen=True)
class ProbeLimits:
    """A linear map onto probes within limits: the band first, then the disc.

    No probe but 0 is limited in both exactly; with both, the disc is kept and the band nearly.

    Parameters
    ----------
    support
        ``(N, N)`` real, 1 inside, centre at ``(N//2, N//2)``; None where any place is allowed.
    band
        ``(N, N)`` real, 1 inside, in FFT order; None where any frequency is.
    """

    support: Array | None = None
    band: Array | None = None

    def __call__(self, waves: Array) -> Array:
        """Return what is left of waves ``(..., N, N)``."""
        return self._cut(self._filtered(waves))

    def adjoint(self, waves: Array) -> Array:
        """Return the adjoint map of waves ``(..., N, N)``."""
        return self._filtered(self._cut(waves))

    def _cut(self, waves: Array) -> Array:
        return waves if self.support is None else waves * self.support

    def _filtered(self, waves: Array) -> Array:
        # a filter does not see where the centre lies
        return waves if self.band is None else ifft2(fft2(waves.copy()) * self.band)


def probe_limits(
    geometry: Geometry,
    device: Device,
    dtype: np.dtype[np.floating],
    *,
    diameter_m: float | None = None,
    highest_per_m: float | None = None,
) -> ProbeLimits | None:
    """Return the limits of a probe on the object's pixel; None where there are none.

    Parameters
    ----------
    diameter_m
        Of the disc [m].
    highest_per_m
        Highest spatial frequency of the band [1/m].
    """
    size, pixel = geometry.frame_shape, geometry.object_pixel_m
    if diameter_m is None and highest_per_m is None:
        return None

    def inside(axes: list[NDArray[np.floating]], radius: float | None) -> Array | None:
        if radius is None:
            return None
        return to_device((np.hypot(axes[0][:, None], axes[1]) <= radius).astype(dtype), device)

    places: list[NDArray[np.floating]] = [(np.arange(n) - n // 2) * d for n, d in zip(size, pixel, strict=True)]
    frequencies: list[NDArray[np.floating]] = [np.fft.fftfreq(n, d) for n, d in zip(size, pixel, strict=True)]
    radius = None if diameter_m is None else diameter_m / 2
    return ProbeLimits(support=inside(places, radius), band=inside(frequencies, highest_per_m))
