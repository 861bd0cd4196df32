"""A smooth phase from its gradient at scattered positions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import linalg
from scipy.spatial import Delaunay, QhullError


def integrate_gradient(positions_m: NDArray[np.float64], gradient: NDArray[np.float64]) -> NDArray[np.float64]:
    """Phase ``(J,)`` [rad], mean zero, whose gradient fits best in the sense of least squares.

    On each edge of the positions' Delaunay triangulation the phase rises by the mean gradient of its ends
    times the edge (trapezium rule, exact for quadratic phases); least squares leaves out what is curl.

    Parameters
    ----------
    positions_m
        ``(J, 2)`` [m], ``(y, x)``.
    gradient
        ``(J, 2)`` [rad/m]; points with nan are left out and are nan in the result.

    Returns
    -------
    phase
        All nan where the positions do not span an area.
    """
    phase = np.full(len(positions_m), np.nan)
    known = np.flatnonzero(np.isfinite(gradient).all(axis=1))
    places, first = np.unique(positions_m[known], axis=0, return_index=True)
    known = known[first]  # repeated positions would make flat triangles
    edges = _edges(places)
    if edges is None:
        return phase
    a, b = edges.T
    rise = (0.5 * (gradient[known][a] + gradient[known][b]) * (places[b] - places[a])).sum(axis=1)
    length = np.sqrt(((places[b] - places[a]) ** 2).sum(axis=1))
    # long edges run along the hull and across gaps, where the rule is worst
    weight = (np.median(length) / length) ** 2
    row = np.arange(len(edges))
    n = len(places)
    incidence = sparse.csr_matrix((np.ones(len(edges)), (row, b)), (len(edges), n)) - sparse.csr_matrix(
        (np.ones(len(edges)), (row, a)), (len(edges), n)
    )
    normal = (incidence.T @ sparse.diags(weight) @ incidence).tolil()
    right = incidence.T @ (weight * rise)
    normal[0, 0] += float(weight.mean())  # the constant is free: tie one point down
    solved = linalg.spsolve(normal.tocsc(), right)
    phase[known] = solved - solved.mean()
    return _spread_to_repeats(positions_m, gradient, phase)


def _edges(places: NDArray[np.float64]) -> NDArray[np.intp] | None:
    """Edges ``(E, 2)`` of the Delaunay triangulation; None where the points span no area."""
    if len(places) < 4:
        return None
    scale = np.ptp(places, axis=0).max() or 1.0
    try:
        triangles = Delaunay((places - places.mean(axis=0)) / scale).simplices
    except QhullError:
        return None
    pairs = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    return np.unique(np.sort(pairs, axis=1), axis=0)


def _spread_to_repeats(
    positions_m: NDArray[np.float64], gradient: NDArray[np.float64], phase: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give repeated positions the phase of their twin."""
    _, inverse = np.unique(positions_m, axis=0, return_inverse=True)
    by_place = np.full(int(inverse.max()) + 1, np.nan)
    done = np.isfinite(phase)
    by_place[inverse[done]] = phase[done]
    return np.where(np.isfinite(gradient).all(axis=1), by_place[inverse], np.nan)
