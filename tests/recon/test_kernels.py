"""The frame pass against plain loops, automatic differentiation and the adjoint identity."""

from dataclasses import replace

import numpy as np
import pytest
import tolerances as tol
from helpers_core import (
    fourier_matrix,
    jax_loss,
    noise,
    on,
    plain_mask,
    plain_shift,
    plain_waves,
    random_batch,
    relative,
    sums_for,
)

from recon import kernels, physics
from recon.backend import to_host
from recon.frames import Model

SIZE, SHAPE = 9, (14, 15)
STEPS = {"amplitude": physics.amplitude_step, "poisson": physics.poisson_step}
RESPONSES = {
    "none": lambda rng: None,
    "each frame": lambda rng: rng.uniform(0.5, 2, (5, 1, 1)),
    "each pixel": lambda rng: rng.uniform(0.1, 2, (5, SIZE, SIZE)),
}
MASKS = {
    "none": lambda rng, n: None,
    "shared": lambda rng, n: rng.random((1, SIZE, SIZE)) > 0.2,
    "each": lambda rng, n: rng.random((n, SIZE, SIZE)) > 0.2,
}


@pytest.fixture(params=MASKS)
def case(request, rng):
    """Object, two probe modes and five overlapping frames, without mask, with one for all or one each."""
    batch = random_batch(rng, size=SIZE, object_shape=SHAPE, mask=MASKS[request.param](rng, 5))
    return noise(rng, *SHAPE), 2 * noise(rng, 2, SIZE, SIZE), batch


def run_pass(xp, object_, probe, batch, step, real=np.float64, **options):
    """One frame pass on `xp`; returns the sums with the probe numerator in real space, on the host."""
    kind = np.result_type(real, np.complex64)
    object_, probe = xp.asarray(object_.astype(kind)), xp.asarray(probe.astype(kind))
    sums = sums_for(object_, probe)
    kernels.frame_pass(Model(object_, probe), on(xp, batch, real), step, sums, **options)
    names = ("object_numerator", "illumination", "probe_weight", "residuals")
    return {n: to_host(getattr(sums, n)) for n in names} | {"probe_numerator": to_host(sums.probe_step())}


def plain_pass(object_, probe, batch, step):
    """The same sums, frame by frame from their definitions."""
    n = probe.shape[-1]
    probes, waves, patches = plain_waves(object_, probe, batch)
    w, mask = fourier_matrix(n), plain_mask(batch)
    sums = {
        "object_numerator": np.zeros_like(object_),
        "illumination": np.zeros(object_.shape),
        "probe_numerator": np.zeros_like(probe),
        "probe_weight": np.zeros((n, n)),
        "residuals": np.zeros(3),
    }
    for j, (y, x) in enumerate(batch.corners):
        field = w @ waves[j] @ w
        i, counts, seen = (np.abs(field) ** 2).sum(axis=0), batch.counts[j], mask[j]
        i = i if batch.response is None else i * batch.response[j]
        factor = np.sqrt(counts / i) - 1 if step is physics.amplitude_step else counts / i - 1
        d = w.conj() @ (np.where(seen, factor, 0) * field) @ w.conj()
        here = np.s_[y : y + n, x : x + n]
        sums["object_numerator"][here] += (probes[j].conj() * d).sum(axis=0)
        sums["illumination"][here] += (np.abs(probes[j]) ** 2).sum(axis=0)
        sums["probe_numerator"] += [plain_shift(patches[j].conj() * one, -batch.shifts[j]) for one in d]
        sums["probe_weight"] += np.abs(patches[j]) ** 2
        sums["residuals"][0] += np.abs(np.sqrt(counts) - np.sqrt(i))[seen].sum()
        sums["residuals"][1] += 2 * (i - counts + counts * np.log(counts / i))[seen].sum()
    return sums


@pytest.mark.parametrize("response", RESPONSES)
@pytest.mark.parametrize("name", STEPS)
@pytest.mark.parametrize(("real", "limit"), [(np.float64, tol.PASS_C128), (np.float32, tol.PASS_C64)])
def test_pass_is_the_plain_loop(xp, case, name, response, rng, real, limit):
    case = *case[:2], replace(case[2], response=RESPONSES[response](rng))
    found = run_pass(xp, *case, STEPS[name], real)
    for key, expected in plain_pass(*case, STEPS[name]).items():
        error = relative(found[key], expected)
        assert error < limit, (key, error)


@pytest.mark.parametrize("parts", [(3, 2), (1, 1, 1, 1, 1), (4, 1)])
def test_batches_of_any_size_add_up(case, parts):
    object_, probe, batch = case
    whole = run_pass(np, *case, physics.amplitude_step)
    sums, start = sums_for(object_, probe), 0
    for n in parts:
        part = batch.part(slice(start, start + n))
        kernels.frame_pass(Model(object_, probe), part, physics.amplitude_step, sums)
        start += n
    for key in ("object_numerator", "illumination", "probe_weight", "residuals"):
        assert relative(getattr(sums, key), whole[key]) < tol.PASS_C128, key
    assert relative(sums.probe_step(), whole["probe_numerator"]) < tol.PASS_C128


def test_without_probe_its_sums_stay_untouched(case):
    found = run_pass(np, *case, physics.amplitude_step, with_probe=False)
    full = run_pass(np, *case, physics.amplitude_step)
    assert not found["probe_numerator"].any()
    assert not found["probe_weight"].any()
    np.testing.assert_array_equal(found["object_numerator"], full["object_numerator"])


def test_clearing_keeps_the_residuals(case):
    object_, probe, batch = case
    sums = sums_for(object_, probe)
    kernels.frame_pass(Model(object_, probe), batch, physics.amplitude_step, sums)
    residuals = sums.residuals.copy()
    sums.clear_updates()
    for name in ("object_numerator", "illumination", "probe_numerator", "probe_weight"):
        assert not getattr(sums, name).any()
    np.testing.assert_array_equal(sums.residuals, residuals)


# --- gradients --------------------------------------------------------------------------------------------


def jax_gradients(object_, probe, batch, name):
    """-∂L/∂O*, -∂L/∂P* by automatic differentiation in complex128."""
    loss = jax_loss(batch, name)
    by_object, by_probe = pytest.importorskip("jax").grad(loss, argnums=(0, 1))(object_, probe)
    # JAX gives ∂L/∂x - i ∂L/∂y = 2 ∂L/∂z; for a real loss ∂L/∂z* is the conjugate of ∂L/∂z
    return -np.conj(by_object) / 2, -np.conj(by_probe) / 2


@pytest.mark.parametrize("name", STEPS)
def test_numerators_are_minus_the_gradient(xp, case, name):
    by_object, by_probe = jax_gradients(*case, name)
    found = run_pass(xp, *case, STEPS[name])
    errors = relative(found["object_numerator"], by_object), relative(found["probe_numerator"], by_probe)
    assert max(errors) < tol.GRADIENT, errors


def test_gradient_by_central_difference(rng, case):
    # dL = 2 Re<∂L/∂z*, dz>, without any library: a random direction through object and probe at once
    object_, probe, batch = case
    w, mask = fourier_matrix(SIZE), plain_mask(batch)

    def loss(t):
        waves = plain_waves(object_ + t * along[0], probe + t * along[1], batch)[1]
        i = (np.abs(w @ waves @ w) ** 2).sum(axis=1)
        return ((np.sqrt(i) - np.sqrt(batch.counts)) ** 2)[mask].sum()

    along = noise(rng, *SHAPE), noise(rng, 2, SIZE, SIZE)
    h = 1e-5  # truncation h² L'''/6 and rounding 1e-16 L/h are both near 1e-10 of the slope
    slope = (loss(h) - loss(-h)) / (2 * h)
    found = run_pass(np, *case, physics.amplitude_step)
    expected = -2 * (
        np.vdot(found["object_numerator"], along[0]).real + np.vdot(found["probe_numerator"], along[1]).real
    )
    assert abs(slope / expected - 1) < tol.CENTRAL_DIFFERENCE, (slope, expected)


# --- adjoints ---------------------------------------------------------------------------------------------


def same_product(left, right, limit=tol.ADJOINT):
    assert abs(left - right) < limit * abs(left), f"<Ax, y> = {left}, <x, A'y> = {right}"


def test_scatter_is_the_adjoint_of_gather(xp, rng):
    batch = on(xp, random_batch(rng, size=SIZE, object_shape=SHAPE))
    object_, patches = noise(rng, *SHAPE), noise(rng, 5, SIZE, SIZE)
    gathered = to_host(kernels.gather(xp.asarray(object_), batch.corners, SIZE))
    target = xp.zeros(SHAPE, complex)
    kernels.scatter(target, xp.asarray(patches), batch.corners)
    same_product(np.vdot(patches, gathered), np.vdot(to_host(target), object_))


def test_gather_and_scatter_place_patches(xp):
    object_ = xp.arange(30.0).reshape(5, 6)
    corners = xp.asarray([[0, 0], [2, 3], [1, 1]])
    patches = kernels.gather(object_, corners, 3)
    np.testing.assert_array_equal(to_host(patches[1]), [[15, 16, 17], [21, 22, 23], [27, 28, 29]])
    covered = xp.zeros((5, 6))
    kernels.scatter(covered, xp.ones((3, 3, 3)), corners)
    # the overlap of three frames, counted by hand
    expected = [[1, 1, 1, 0, 0, 0], [1, 2, 2, 1, 0, 0], [1, 2, 2, 2, 1, 1], [0, 1, 1, 2, 1, 1], [0, 0, 0, 1, 1, 1]]
    np.testing.assert_array_equal(to_host(covered), expected)


def test_object_sums_are_the_adjoint_of_the_exit_waves(rng, case):
    # exit waves are linear in the object at a fixed probe: A O = P_j O_j
    object_, probe, batch = case
    lit = kernels.illuminate(Model(object_, probe), batch)
    waves, sums = noise(rng, 5, 2, SIZE, SIZE), sums_for(object_, probe)
    kernels.add_object(sums, lit, batch, waves)
    same_product(np.vdot(waves, lit.probes * lit.patches), np.vdot(sums.object_numerator, object_))


def test_probe_sums_are_the_adjoint_of_the_exit_waves(rng, case):
    # and linear in the probe at a fixed object: A P = O_j S_j P
    object_, probe, batch = case
    lit = kernels.illuminate(Model(object_, probe), batch)
    waves, sums = noise(rng, 5, 2, SIZE, SIZE), sums_for(object_, probe)
    kernels.add_probe(sums, lit, lit.patches.conj() * waves)
    same_product(np.vdot(waves, lit.probes * lit.patches), np.vdot(sums.probe_step(), probe))


def test_illuminate_does_not_harm_its_input(case):
    object_, probe, batch = case
    before = object_.copy(), probe.copy()
    run_pass(np, object_, probe, batch, physics.amplitude_step)
    np.testing.assert_array_equal(object_, before[0])
    np.testing.assert_array_equal(probe, before[1])


# --- remembered exit waves ----------------------------------------------------------------------------------


def test_difference_map_of_the_waves(xp, rng, case):
    # ψ + Π_F(2 P O - ψ) - P O (Thibault et al., Ultramicroscopy 109 (2009) 338, β = 1; from memory),
    # Π_F with the modes' common factor, masked pixels left as they are
    object_, probe, batch = case
    waves = noise(rng, 5, 2, SIZE, SIZE)
    w, mask = fourier_matrix(SIZE), plain_mask(batch)
    product = plain_waves(object_, probe, batch)[1]
    field = w @ (2 * product - waves) @ w
    i = (np.abs(field) ** 2).sum(axis=1)
    factor = np.where(mask, np.sqrt(batch.counts / i), 1)[:, None]
    expected = waves + w.conj() @ (factor * field) @ w.conj() - product

    memory = xp.asarray(waves.copy())
    found = run_pass(xp, object_, probe, batch, physics.amplitude_step, memory=memory)
    assert relative(to_host(memory), expected) < tol.PASS_C128
    # numerators fit object and probe to the new waves
    probes = plain_waves(object_, probe, batch)[0]
    numerator = np.zeros_like(object_)
    for (y, x), one in zip(batch.corners, (probes.conj() * (expected - product)).sum(axis=1), strict=True):
        numerator[y : y + SIZE, x : x + SIZE] += one
    assert relative(found["object_numerator"], numerator) < tol.PASS_C128
    # the residual is that of P O, not of the reflection
    assert relative(found["residuals"], plain_pass(*case, physics.amplitude_step)["residuals"]) < tol.PASS_C128


def test_overlap_passes_measure_the_misfit_of_the_waves(rng, case):
    object_, probe, batch = case
    waves = noise(rng, 5, 2, SIZE, SIZE)
    probes, product, patches = plain_waves(object_, probe, batch)
    by_object, by_probe = sums_for(object_, probe), sums_for(object_, probe)
    kernels.overlap_object_pass(Model(object_, probe), batch, waves, by_object)
    kernels.overlap_probe_pass(Model(object_, probe), batch, waves, by_probe)
    numerator, other = np.zeros_like(object_), np.zeros_like(probe)
    for j, (y, x) in enumerate(batch.corners):
        misfit = waves[j] - product[j]
        numerator[y : y + SIZE, x : x + SIZE] += (probes[j].conj() * misfit).sum(axis=0)
        other += [plain_shift(patches[j].conj() * one, -batch.shifts[j]) for one in misfit]
    assert relative(by_object.object_numerator, numerator) < tol.PASS_C128
    assert relative(by_probe.probe_step(), other) < tol.PASS_C128


def test_residual_pass_gives_intensity_illumination_and_residuals(case):
    object_, probe, batch = case
    sums = sums_for(object_, probe)
    intensity = kernels.residual_pass(Model(object_, probe), batch, sums)
    w, expected = fourier_matrix(SIZE), plain_pass(*case, physics.amplitude_step)
    plain = (np.abs(w @ plain_waves(object_, probe, batch)[1] @ w) ** 2).sum(axis=1)
    assert relative(intensity, plain) < tol.PASS_C128
    assert relative(sums.illumination, expected["illumination"]) < tol.PASS_C128
    assert relative(sums.residuals, expected["residuals"]) < tol.PASS_C128


def test_global_phase_and_whole_pixel_shift_change_nothing(rng, case):
    # the ambiguities of the model: c O with P/c, and a common translation
    object_, probe, batch = case
    expected = run_pass(np, object_, probe, batch, physics.amplitude_step)["residuals"]
    c = 0.7 * np.exp(0.4j)
    assert relative(run_pass(np, c * object_, probe / c, batch, STEPS["amplitude"])["residuals"], expected) < (
        tol.PASS_C128
    )
    wider = np.pad(object_, ((2, 0), (3, 0)))
    moved = kernels.Batch(batch.counts, batch.mask, batch.corners + np.array([2, 3]), batch.shifts)
    assert relative(run_pass(np, wider, probe, moved, STEPS["amplitude"])["residuals"], expected) < tol.PASS_C128
