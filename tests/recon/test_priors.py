"""Penalties against automatic differentiation, dense matrices and analytic cases."""

from dataclasses import replace

import numpy as np
import pytest
from helpers_core import fourier_matrix, noise, relative

from recon.backend import to_host
from recon.priors import PRIORS, EmptyArea, Gradient, HighFrequency, Magnitude, TotalVariation, make_prior
from scans.errors import InputError

SHAPES = [(6, 7), (3, 6, 7)]
MU, LIMIT, EPSILON, RADIUS = 1.7, 0.9, 0.3, 0.4


def weight_of(shape):
    """Weights with zeros in them, 0 to 2."""
    return np.random.default_rng(3).choice([0, 0.5, 1, 2], size=shape[-2:])


# A penalty, and whether its case has a weight.
CASES = {
    "gradient": lambda w: Gradient(MU),
    "gradient weighted": lambda w: Gradient(MU, w),
    "total_variation": lambda w: TotalVariation(MU, None, EPSILON),
    "total_variation weighted": lambda w: TotalVariation(MU, w, EPSILON),
    "magnitude": lambda w: Magnitude(MU, None, LIMIT),
    "magnitude weighted": lambda w: Magnitude(MU, w, LIMIT),
    "high_frequency": lambda w: HighFrequency(MU, None, RADIUS),
    "empty_area weighted": lambda w: EmptyArea(MU, w),
    "empty_area bool": lambda w: EmptyArea(MU, w > 0.7),
}


def loss_of(name, shape):
    """Loss of one case, in JAX: slice after slice, from the formulas of the docstrings."""
    jnp = jax_numpy()
    kind, _, form = name.partition(" ")
    w = np.ones(shape[-2:]) if not form else weight_of(shape)
    w = (w > 0.7).astype(float) if form == "bool" else w
    f = [np.fft.fftfreq(n) for n in shape[-2:]]
    beyond = np.add.outer(f[0] ** 2, f[1] ** 2) > RADIUS**2
    rows, columns = (fourier_matrix(n) for n in shape[-2:])

    def square(z):
        return z.real**2 + z.imag**2

    def one(o):
        down = square(jnp.concatenate([o[1:], o[-1:]]) - o)  # 0 in the last row
        right = square(jnp.concatenate([o[:, 1:], o[:, -1:]], axis=1) - o)
        if kind == "gradient":
            return (w * (down + right)).sum()
        if kind == "total_variation":
            return (w * (jnp.sqrt(down + right + EPSILON**2) - EPSILON)).sum()
        if kind == "magnitude":
            return (w * jnp.maximum(jnp.sqrt(square(o)) - LIMIT, 0) ** 2).sum()
        if kind == "high_frequency":
            return (beyond * square(rows @ o @ columns)).sum()
        return (w * square(o - (w * o).sum() / w.sum())).sum()

    return lambda object_: MU * sum(one(o) for o in object_.reshape(-1, *shape[-2:]))


def jax_numpy():
    jax = pytest.importorskip("jax")
    jax.config.update("jax_enable_x64", True)
    return jax.numpy


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("name", CASES)
def test_loss_and_descent_against_automatic_differentiation(xp, rng, name, shape):
    loss = loss_of(name, shape)
    object_ = 1 + 0.5 * noise(rng, *shape)
    value, by_object = pytest.importorskip("jax").value_and_grad(loss)(object_)
    prior = CASES[name](xp.asarray(weight_of(shape)))
    found, descent = prior.loss_and_descent(xp.asarray(object_))
    assert float(found) == pytest.approx(float(value), rel=1e-12)
    assert float(found) > 0.1
    # JAX gives 2 ∂L/∂z; for a real loss ∂L/∂z* is the conjugate of ∂L/∂z
    assert relative(to_host(descent), -np.conj(by_object) / 2) < 1e-9


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("name", CASES)
def test_descent_by_central_difference(rng, name, shape):
    # dR = -2 Re<descent, dO> along a random direction, without any library
    prior = CASES[name](weight_of(shape))
    object_, along, h = 1 + 0.5 * noise(rng, *shape), noise(rng, *shape), 1e-5
    ahead, behind = (prior.loss_and_descent(object_ + t * along)[0] for t in (h, -h))
    expected = -2 * np.vdot(prior.loss_and_descent(object_)[1], along).real
    assert (ahead - behind) / (2 * h) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("name", CASES)
def test_single_precision_stays_and_agrees(xp, rng, name, shape):
    object_ = 1 + 0.5 * noise(rng, *shape)
    prior = CASES[name](xp.asarray(weight_of(shape)))
    single = xp.asarray(object_.astype(np.complex64))
    before = single.copy()
    loss, descent = prior.loss_and_descent(single)
    scale = prior.curvature(single)
    assert (loss.dtype, descent.dtype, scale.dtype) == (np.float64, np.complex64, np.float32)
    assert loss.shape == ()
    assert descent.shape == scale.shape == shape
    assert bool((single == before).all())
    expected = prior.loss_and_descent(xp.asarray(object_))
    assert float(loss) == pytest.approx(float(expected[0]), rel=3e-6)
    assert relative(to_host(descent), to_host(expected[1])) < 3e-6
    assert prior.curvature(xp.asarray(object_)).dtype == np.float64


@pytest.mark.parametrize("name", PRIORS)
def test_a_strength_of_numpy_does_not_widen_single_precision(rng, name):
    area = np.ones((6, 6), bool) if name == "empty_area" else None
    object_ = (1 + 0.5 * noise(rng, 6, 6)).astype(np.complex64)
    prior = make_prior(name, np.float64(0.3), area)
    assert prior.loss_and_descent(object_)[1].dtype == np.complex64
    assert prior.curvature(object_).dtype == np.float32


def dense(prior, at, step=1.0):
    """Hermitian matrix A of a quadratic penalty ``O' A O``, column by column: its descent is ``-A O``."""
    base = prior.loss_and_descent(at)[1]
    columns = []
    for k in range(at.size):
        moved = at.copy()
        moved.flat[k] += step
        columns.append(-(prior.loss_and_descent(moved)[1] - base).ravel() / step)
    return np.stack(columns, axis=1)


# Largest eigenvalue of D^-1/2 A D^-1/2, D the curvature. Gradient: A is a graph's Laplacian, D its degrees: 2 on a
# bipartite graph such as a grid (Chung, Spectral Graph Theory, 1997, lemma 1.7, from memory). The others: 1.
BOUNDS = {
    "gradient": (Gradient(MU), 2),
    "gradient weighted": (Gradient(MU, weight_of((6, 6)) + 0.1), 2),
    "high_frequency": (HighFrequency(MU, None, RADIUS), 1),
    "empty_area": (EmptyArea(MU, weight_of((6, 6)) + 0.1), 1),
}


@pytest.mark.parametrize("name", BOUNDS)
def test_curvature_bounds_a_quadratic_penalty(rng, name):
    prior, bound = BOUNDS[name]
    object_ = noise(rng, 6, 6)
    matrix, scale = dense(prior, object_), prior.curvature(object_)
    assert np.allclose(matrix, matrix.conj().T)
    loss = prior.loss_and_descent(object_)[0]
    assert loss == pytest.approx(np.vdot(object_, matrix @ object_.ravel()).real, rel=1e-12)
    root = np.sqrt(scale.ravel())
    values = np.linalg.eigvalsh(matrix / root[:, None] / root)
    assert values[0] > -1e-12
    assert values[-1] == pytest.approx(bound, rel=1e-9)  # tight: no smaller bound of this shape exists
    if name.startswith("gradient"):
        assert scale.ravel() == pytest.approx(np.diag(matrix).real)
        assert values[0] == pytest.approx(0, abs=1e-12)  # a flat object costs nothing


@pytest.mark.parametrize("name", ["gradient", "gradient weighted", "high_frequency"])
def test_the_parabola_of_a_quadratic_penalty_is_its_matrix(xp, rng, name):
    prior, _ = BOUNDS[name]
    object_, step = noise(rng, 6, 6), noise(rng, 6, 6)
    matrix = dense(prior, object_)
    if prior.weight is not None:
        prior = replace(prior, weight=xp.asarray(prior.weight))
    found = to_host(prior.parabola(xp.asarray(object_))(xp.asarray(step)))
    np.testing.assert_allclose(found.ravel(), matrix @ step.ravel(), atol=1e-10)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("name", ["total_variation", "total_variation weighted"])
def test_the_parabola_of_total_variation_touches_and_lies_above(xp, rng, name, shape):
    # half-quadratic majoriser: Geman & Reynolds, IEEE Trans. PAMI 14 (1992) 367 (from memory)
    object_ = 2 + 0.5 * noise(rng, *shape)
    prior = CASES[name](xp.asarray(weight_of(shape)))
    loss, descent = (to_host(one) for one in prior.loss_and_descent(xp.asarray(object_)))
    along = prior.parabola(xp.asarray(object_))
    for size in (1e-4, 0.1, 0.4):
        d = size * noise(rng, *shape)
        above = loss - 2 * np.vdot(descent, d).real + np.vdot(d, to_host(along(xp.asarray(d)))).real
        there = float(prior.loss_and_descent(xp.asarray(object_ + d))[0])
        assert there <= above * (1 + 1e-12)
        assert size > 1e-3 or there == pytest.approx(above, abs=1e-4)


def test_curvature_of_the_gradient_counts_the_neighbours():
    expected = [[2, 3, 3, 2], [3, 4, 4, 3], [2, 3, 3, 2]]
    assert Gradient(1.0).curvature(np.ones((2, 3, 4), complex)) == pytest.approx(np.array([expected] * 2))


@pytest.mark.parametrize("name", ["total_variation", "total_variation weighted", "magnitude", "magnitude weighted"])
def test_a_parabola_of_the_curvature_lies_above(rng, name):
    # R(O + d) <= R(O) - 2 Re<descent, d> + 2 sum c |d|^2 for total variation (the factor 2 as for the gradient), and
    # without the 2 for the magnitude where both ends are above the limit.
    object_ = 2 + 0.5 * noise(rng, 6, 6)
    prior = CASES[name](weight_of((6, 6)))
    loss, descent = prior.loss_and_descent(object_)
    factor = 2 if name.startswith("total") else 1
    for size in (1e-3, 0.1, 0.4):
        for _ in range(20):
            d = size * noise(rng, 6, 6)
            above = loss - 2 * np.vdot(descent, d).real + factor * (prior.curvature(object_) * np.abs(d) ** 2).sum()
            assert prior.loss_and_descent(object_ + d)[0] <= above * (1 + 1e-12)


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("height", [0.3, 0.2 - 0.5j])
def test_total_variation_of_a_step_is_its_height_times_its_length(axis, height):
    # The value for a characteristic function is the perimeter times the height (Rudin, Osher & Fatemi 1992).
    object_ = np.ones((20, 20), complex)
    np.moveaxis(object_, axis, 0)[8:] += height
    object_ = object_[:, :15] if axis == 0 else object_[:15]
    exact = MU * abs(height) * 15
    errors = [abs(TotalVariation(MU, None, e).loss_and_descent(object_)[0] / exact - 1) for e in (1e-1, 1e-3, 1e-5)]
    assert errors[0] > errors[1] > errors[2]
    assert errors[2] < 1e-4
    # a ramp of the same height costs the same, and a flat object nothing
    steps = np.clip((np.arange(20) - 6) / 5, 0, 1)[:, None] * height + np.ones((20, 15))
    assert TotalVariation(MU, None, 1e-6).loss_and_descent(steps)[0] == pytest.approx(exact, rel=1e-3)
    assert TotalVariation(MU).loss_and_descent(np.ones((20, 15), complex))[0] == 0


def test_smooth_total_variation_is_a_gradient_penalty_for_small_steps(rng):
    # √(x² + ε²) - ε → x²/2ε
    object_ = 1 + 1e-4 * noise(rng, 9, 8)
    found = TotalVariation(MU, None, 0.1).loss_and_descent(object_)
    expected = Gradient(MU / 0.2).loss_and_descent(object_)
    assert found[0] == pytest.approx(expected[0], rel=1e-4)
    assert relative(found[1], expected[1]) < 1e-4


def test_gradient_of_waves_has_the_known_spectrum():
    # Along a whole-period cosine the Neumann difference matrix has eigenvalues 4 sin²(πk/2n) (Strang, SIAM Rev. 41
    # (1999) 135: the DCT-2 diagonalises it).
    n, k, m = 12, 5, 3
    y, x = (np.arange(n) + 0.5) / n, (np.arange(n) + 0.5) / n
    wave = np.multiply.outer(np.cos(np.pi * k * y), np.cos(np.pi * m * x)) * (1 + 2j)
    eigenvalue = 4 * np.sin(np.pi * k / (2 * n)) ** 2 + 4 * np.sin(np.pi * m / (2 * n)) ** 2
    descent = Gradient(MU).loss_and_descent(wave)[1]
    assert relative(descent, -MU * eigenvalue * wave) < 1e-12


def test_high_frequencies_are_those_outside_the_circle():
    # Waves at known frequencies of a grid that is not square; by default only the corners are taken.
    y, x = np.mgrid[:16, :20]

    def cost(p, q, prior):
        return prior.loss_and_descent(np.exp(2j * np.pi * (p * y / 16 + q * x / 20)))[0] / (MU * 320)

    corners = HighFrequency(MU)
    assert cost(-8, 0, corners) == pytest.approx(0, abs=1e-12)  # 0.5
    assert cost(0, -10, corners) == pytest.approx(0, abs=1e-12)  # 0.5
    assert cost(6, 6, corners) == pytest.approx(0, abs=1e-12)  # hypot(.375, .3) = .480
    assert cost(6, 7, corners) == pytest.approx(1)  # hypot(.375, .35) = .513
    assert cost(0, 7, HighFrequency(MU, None, 0.34)) == pytest.approx(1)
    assert cost(5, 0, HighFrequency(MU, None, 0.34)) == pytest.approx(0, abs=1e-12)


def test_an_empty_area_takes_off_the_ramp_but_not_the_constant(rng):
    area = np.zeros((12, 12), bool)
    area[2:7, 3:9] = True
    prior = EmptyArea(MU, area)
    flat = np.full((12, 12), 0.7 - 0.4j)
    flat[~area] = noise(rng, int((~area).sum()))
    loss, descent = prior.loss_and_descent(flat)
    assert loss == pytest.approx(0, abs=1e-25)
    assert np.abs(descent).max() < 1e-15
    tilted = flat * np.exp(0.05j * np.arange(12))
    assert prior.loss_and_descent(tilted)[0] == pytest.approx(MU * area.sum() * tilted[area].var(), rel=1e-12)
    # the best constant is found in one step of its own curvature, and nothing changes outside
    loss, descent = prior.loss_and_descent(tilted)
    after = tilted + np.where(area, descent / MU, 0)
    assert prior.loss_and_descent(after)[0] < 1e-25
    assert after[~area] == pytest.approx(tilted[~area])


def test_registry():
    area = np.ones((4, 4), bool)
    for name, kind in PRIORS.items():
        weight = area if name == "empty_area" else None
        prior = make_prior(name, 2.0, weight)
        assert isinstance(prior, kind)
        assert prior.strength == 2
        assert prior.weight is weight


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: make_prior("total_variatoin", 1.0), ["total_variatoin", 'nearest is "total_variation"']),
        (lambda: make_prior("TV", 1.0), ["TV", "gradient", "empty_area"]),
        (lambda: make_prior("gradient", -1.0), ["-1", "strength"]),
        (lambda: make_prior("gradient", float("nan")), ["nan", "strength"]),
        (lambda: make_prior("empty_area", 1.0), ["no area"]),
        (lambda: make_prior("empty_area", 1.0, np.zeros((4, 4), bool)), ["weight", "not all 0"]),
        (lambda: make_prior("high_frequency", 1.0, np.ones((4, 4))), ["high_frequency", "none"]),
        (lambda: make_prior("gradient", 1.0, np.full((4, 4), -1.0)), ["weight"]),
        (lambda: make_prior("gradient", 1.0, np.full((4, 4), np.nan)), ["weight"]),
        (lambda: make_prior("gradient", 1.0, np.ones(4)), ["(4,)"]),
        (lambda: TotalVariation(1.0, None, 0.0), ["epsilon"]),
        (lambda: HighFrequency(1.0, None, 0.8), ["0.8", "0.7071"]),
        (lambda: Magnitude(1.0, None, 0.0), ["limit"]),
        (lambda: Gradient(1.0, np.ones((4, 5))).loss_and_descent(np.ones((5, 4), complex)), ["(4, 5)", "(5, 4)"]),
    ],
)
def test_what_is_wrong_is_named(make, words):
    with pytest.raises(InputError) as caught:
        make()
    assert all(word in str(caught.value) for word in words), str(caught.value)
