"""Natural steps: the solver of neighbouring pixels against a direct one."""

from __future__ import annotations

import numpy as np
import pytest

from recon.backend import to_host
from recon.preconditioner import conjugate_gradient
from recon.priors import Gradient


def system(xp, light):
    """``W + 2A`` of a gradient prior, as a map and as a matrix."""
    along = Gradient(3.0).parabola(xp.zeros(light.shape, complex))
    columns = [
        to_host(along(xp.asarray(one.reshape(light.shape).astype(complex)))).ravel() for one in np.eye(light.size)
    ]
    weight = xp.asarray(light)
    return lambda step: weight * step + 2 * along(step), np.diag(light.ravel()) + 2 * np.stack(columns, axis=1)


def test_conjugate_gradients_solve_what_a_direct_solver_does(xp, rng):
    # numpy.linalg.solve; light over a factor of a hundred, as from the centre of a scan to its margin
    light = np.geomspace(1, 100, 30).reshape(5, 6)
    matrix, dense = system(xp, light)
    right = rng.normal(size=(5, 6)) + 1j * rng.normal(size=(5, 6))
    expected = np.linalg.solve(dense, right.ravel()).reshape(5, 6)
    scale = xp.asarray(np.diag(dense).real.reshape(5, 6).copy())
    errors = [
        np.linalg.norm(to_host(conjugate_gradient(matrix, scale, xp.asarray(right), steps)) - expected)
        for steps in (0, 3, 10, 40)
    ]
    assert errors[0] == pytest.approx(np.linalg.norm(expected))
    assert errors[1] < 0.2 * errors[0]
    assert errors[2] < 1e-2 * errors[0]
    assert errors[3] < 1e-10 * errors[0]


def test_nothing_to_solve_gives_nothing(xp):
    light = np.ones((4, 4))
    matrix, _ = system(xp, light)
    assert not to_host(conjugate_gradient(matrix, xp.asarray(light), xp.zeros((4, 4), complex))).any()
