"""One object and a probe of each scan's own: the strongest mode varies from scan to scan, and stays within one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from recon.backend import Array, to_device, to_host
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
    contrasts = scipy.linalg.helmert(len(own))  # (G - 1, G): orthonormal, each of sum 0
    basis = np.tensordot(contrasts, own, axes=1)
    state.probe[0] = to_device(own.mean(axis=0).astype(problem.complex_dtype), problem.device)
    state.variation = to_device(basis.astype(problem.complex_dtype), problem.device)
    state.coefficients = contrasts.T[problem.groups.of_frame].astype(complex)


def own_probe(state: State, frame: int) -> Array:
    """Return the modes ``(M, N, N)`` that one frame sees."""
    if state.variation is None or state.coefficients is None:
        return state.probe
    probe = state.probe.copy()
    for share, wave in zip(state.coefficients[frame], state.variation, strict=True):
        probe[0] += complex(share) * wave
    return probe
