"""Relaxed averaged alternating reflections (RAAR)."""

from __future__ import annotations

from dataclasses import dataclass

from recon.backend import Array, array_module
from recon.kernels import WaveRule
from recon.solvers.base import check_range
from recon.solvers.projections import Projections


@dataclass(frozen=True)
class RAAR(Projections):
    """Relaxed averaged alternating reflections with an alternating overlap solve.

    ``ψ <- β [Π_O(2 Π_F ψ - ψ) + ψ] + (1 - 2β) Π_F ψ``. Luke, Inverse Problems 21 (2005) 37,
    doi:10.1088/0266-5611/21/1/004 (from memory); with a linear Π_O it is ``β/2 (R_O R_F + 1) + (1 - β) Π_F``
    of reflections R. Unlike the difference map it settles where frames and model differ. Where it stands still
    ``P O`` is what fits Π_F ψ best, a stationary point of the amplitude loss; but a pixel whose modelled amplitude
    is below ``(2 - 1/β)`` of the measured one cannot stand still, so that with few counts it ends near that point
    (a loss 5 % higher on noisy test frames). Two arrays of all waves are kept.

    Parameters
    ----------
    relaxation
        β: near 1 it escapes false solutions, and hardly settles; at 0.5 it is slow.
    overlap_rounds, hold_probe, batch
        As for the family.
    """

    relaxation: float = 0.75

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range(self, relaxation=(0.5, 1))

    @property
    def rule(self) -> WaveRule:
        """By parts: the rest ``ψ - β P O`` is kept, as the new ``P O`` is known only after the overlap solve."""
        beta = self.relaxation
        return WaveRule(
            acts_on=(beta, 1),
            fitted=(beta, 1, 2),
            kept=((1 - beta) * beta, 1 - beta, 1 - 2 * beta),
        )

    def start(self, waves: Array) -> Array:
        """Return the waves to fit and the rest, side by side."""
        return array_module(waves).concatenate([waves, (1 - self.relaxation) * waves], axis=1)
