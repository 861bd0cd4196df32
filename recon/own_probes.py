"""One object and a probe of each scan's own: the strongest mode varies from scan to scan, and stays within one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from recon.backend import Array, array_module, to_device, to_host
from recon.probe import scaled_to_power
from recon.problem import Problem
from recon.state import State


def begin_own_probes(problem: Problem, state: State, waves: Sequence[NDArray[np.complexfloating]]) -> None:
    """Give a state a strongest mode for each scan: ``P_g = P + Σ_k c_gk V_k`` with fixed, orthonormal contrasts c.

    Parameters
    ----------
    problem
        With the scan of each frame in `groups`.
    waves
        A wave ``(N, N)`` for each scan to begin with, of any power.
    """
    assert problem.groups is not None
    power = float((np.abs(to_host(state.probe[0])) ** 2).sum())
    own = np.stack([scaled_to_power(wave[None], power)[0] for wave in waves])
    state.coefficients = _contrasts(len(own)).T[problem.groups.of_frame].astype(complex)
    set_own_waves(state, to_device(own.astype(problem.complex_dtype), problem.device))


def _contrasts(n_scans: int) -> NDArray[np.float64]:
    """``(G - 1, G)``: orthonormal rows, each of sum 0."""
    return np.asarray(scipy.linalg.helmert(n_scans), np.float64)


def set_own_waves(state: State, own: Array) -> None:
    """Let the strongest mode of each scan be one of ``(G, N, N)``."""
    xp = array_module(own)
    state.probe = state.probe.copy()
    state.probe[0] = own.mean(axis=0)
    state.variation = xp.tensordot(xp.asarray(_contrasts(len(own)).astype(own.real.dtype)), own, axes=1)


def own_probe(state: State, frame: int) -> Array:
    """Return the modes ``(M, N, N)`` that one frame sees."""
    if state.variation is None or state.coefficients is None:
        return state.probe
    probe = state.probe.copy()
    for share, wave in zip(state.coefficients[frame], state.variation, strict=True):
        probe[0] += complex(share) * wave
    return probe
