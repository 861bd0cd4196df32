"""Relaxed alternating projections."""

from __future__ import annotations

from dataclasses import dataclass

from recon.kernels import WaveRule
from recon.solvers.base import check_range
from recon.solvers.projections import Projections


@dataclass(frozen=True)
class RelaxedProjections(Projections):
    """Alternating projections, each with a relaxation of its own.

    ``ψ <- Π_O^a Π_F^b ψ`` with ``Π^w = 1 + w (Π - 1)``. Bauschke & Borwein, SIAM Rev. 38 (1996) 367,
    doi:10.1137/S0036144593251710, for relaxed projections in general (from memory); a = b = 1 are plain
    alternating projections, which are slow. Never far from the data: a safe end of a run, but it stays in a false
    solution.

    Parameters
    ----------
    overlap_relaxation, modulus_relaxation
        a and b.
    overlap_rounds, hold_probe, batch
        As for the family.
    """

    overlap_relaxation: float = 1.0
    modulus_relaxation: float = 1.3

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range(self, overlap_relaxation=(1e-2, 1), modulus_relaxation=(1, 1.99))

    @property
    def rule(self) -> WaveRule:
        """What is remembered is ``Π_F^b ψ``, to which object and probe are fitted."""
        a, b = self.overlap_relaxation, self.modulus_relaxation
        return WaveRule(acts_on=(a, 1 - a), fitted=(a, 1 - a, b))
