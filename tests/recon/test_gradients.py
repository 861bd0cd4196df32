"""All derivatives of a pass, and the frame pass of a model of many parts, against JAX and against plain loops.

The model is written here once more from its formulas (dense transforms as matrices, complex128), and JAX
differentiates it: Bradbury et al., "JAX: composable transformations of Python+NumPy programs" (2018).
"""

from dataclasses import dataclass, fields, replace
from functools import cache
from typing import Any

import numpy as np
import pytest
import tolerances as tol
from helpers_core import (
    curved_probe,
    fourier_matrix,
    noise,
    plain_mask,
    plain_shift,
    plain_waves,
    relative,
    smooth_object,
)

from recon import gradients, kernels, physics
from recon.backend import ifft2, to_host
from recon.frames import Batch, Model
from recon.gradients import EXTRAS, GradientSums, gradient_pass
from recon.kernels import PassSums
from recon.likelihoods import make_likelihood

SIZE, SHAPE, FRAMES, SCAN = 8, (13, 14), 4, 6
ROWS = np.array([4, 0, 5, 2])  # the batch's frames in a scan of SCAN
WAVELENGTH_M, PIXEL_M = 1.746e-9, 8e-9  # 710 eV


@dataclass(frozen=True)
class Form:
    """Which parts a model has; 0 slices: an object (H, W), 0 points: no path."""

    slices: int = 0
    modes: int = 1
    points: int = 0
    basis: int = 0
    background: bool = False


FORMS = {
    "thin": Form(),
    "modes": Form(modes=2, background=True),
    "path": Form(modes=2, points=4),
    "varying": Form(modes=2, basis=2, background=True),
    "one slice": Form(slices=1),
    "two slices": Form(slices=2, modes=2, points=2, basis=2, background=True),
    "three slices": Form(slices=3, basis=1, background=True),
}
# of the batch: (mask, response, whether pixels are held out)
DETECTORS = {
    "plain": (None, None, False),
    "shared mask": ("shared", "frame", False),
    "all": ("each", "pixel", True),
    "held": (None, "frame", True),
}
# what is summed in float64 whatever the precision of the frames
ALWAYS_DOUBLE = {"loss", "residuals", "coefficients", "depth", "depth_weight"} | {
    "position",
    "position_weight",
    "intensity",
    "intensity_weight",
}
# by name and read noise
LIKELIHOODS = [
    ("poisson", 0.0),
    ("poisson", 1.5),
    ("anscombe", 0.0),
    ("anscombe", 1.5),
    ("amplitude", 0.0),
    ("gaussian", 1.5),
]


def axial():
    """Phase of free space a metre [rad/m]: exact propagation of plane waves."""
    f = np.fft.fftfreq(SIZE, PIXEL_M)
    return 2 * np.pi * (np.sqrt(WAVELENGTH_M**-2 - f[:, None] ** 2 - f[None, :] ** 2) - 1 / WAVELENGTH_M)


def make_model(rng, form):
    """Model of random parts; about 20 counts a pixel."""
    n = SIZE
    return Model(
        1 + 0.5 * noise(rng, *((form.slices,) if form.slices else ()), *SHAPE),
        4 / np.sqrt(form.modes) * noise(rng, form.modes, n, n),
        background=rng.gamma(2, 1, (n, n)) if form.background else None,
        variation=noise(rng, form.basis, n, n) if form.basis else None,
        depths_m=rng.uniform(1e-6, 3e-6, form.slices - 1) if form.slices > 1 else None,
    )


def make_batch(rng, form, detector="plain"):
    """Overlapping frames of photons and read noise: some pixels have no counts, or less than none."""
    n, (mask, response, held) = SIZE, DETECTORS[detector]
    whole = (FRAMES, n, n)
    measured = {None: None, "shared": rng.random((1, n, n)) > 0.2, "each": rng.random(whole) > 0.2}
    shown = {None: None, "frame": rng.uniform(0.5, 2, (FRAMES, 1, 1)), "pixel": rng.uniform(0.1, 2, whole)}
    return Batch(
        rng.poisson(rng.gamma(0.5, 40, whole)) + rng.normal(0, 1.0, whole).round(),
        measured[mask],
        corners=np.stack([rng.integers(0, side - n + 1, FRAMES) for side in SHAPE], axis=1),
        shifts=rng.uniform(-0.5, 0.5, (FRAMES, 2)),
        response=shown[response],
        held=rng.permuted(np.tile(np.arange(n * n), (FRAMES, 1)), axis=1)[:, :5] if held else None,
        path=rng.uniform(-1, 1, (FRAMES, form.points, 2)) if form.points else None,
        coefficients=noise(rng, FRAMES, form.basis) if form.basis else None,
        axial=axial() if form.slices > 1 else None,
        rows=ROWS,
    )


def moved_to(xp: Any, thing: Any, real: Any) -> Any:
    """Model or batch with its arrays on another module and in another precision; what lives on the host stays."""

    def one(name: str, array: Any) -> Any:
        if array is None or name in ("rows", "depths_m", "read_variance"):
            return array
        kind = {"f": real, "c": np.result_type(real, np.complex64)}.get(array.dtype.kind, array.dtype)
        return xp.asarray(array.astype(kind))

    return replace(thing, **{f.name: one(f.name, getattr(thing, f.name)) for f in fields(thing)})


def run_pass(xp, model, batch, likelihood, real=np.float64):
    """All that one gradient pass on `xp` sums, on the host; sums in Fourier space taken back."""
    model, batch = moved_to(xp, model, real), moved_to(xp, batch, real)
    sums = GradientSums.wanting(model, SCAN, EXTRAS)
    gradient_pass(model, batch, likelihood, sums)
    return on_host(sums)


def on_host(sums):
    found = {f.name: getattr(sums, f.name) for f in fields(sums)}
    found["probe_numerator"] = sums.probe_step()
    if sums.variation is not None:
        found["variation"] = ifft2(sums.variation.copy())
    return {key: to_host(array) for key, array in found.items() if array is not None}


# --- the model again, in JAX -------------------------------------------------------------------------------------


def jax_terms(jnp, e, counts, s2):
    """Loss a pixel of each of LIKELIHOODS at expected counts e and counts I, from the formulas."""

    def poisson(variance):
        # e - I + (I + c) ln[(I + c)/(e + c)], c = 3e-4 and the read variance
        m, k = e + variance + 3e-4, jnp.maximum(counts + variance + 3e-4, 0)
        return m - k - k * jnp.log(m) + jnp.where(k > 0, k * jnp.log(jnp.where(k > 0, k, 1)), 0)

    def root(c):
        return 2 * (jnp.sqrt(e + c) - jnp.sqrt(jnp.maximum(counts + c, 0))) ** 2

    gaussian = (e - counts) ** 2 / (2 * (jnp.maximum(counts, 0) + 1 + s2))
    return [poisson(0), poisson(s2), root(3 / 8), root(3 / 8 + s2), root(3e-4), gaussian]


def jax_expected(jnp, u, fixed):
    """``(J, N, N)``: e = response exp(η) (Σ_tm |F waves_tm|² + b), waves = moved probes taken through the slices."""
    w, f = fourier_matrix(SIZE), np.fft.fftfreq(SIZE)
    forward, back = (lambda x: w @ x @ w), (lambda x: w.conj() @ x @ w.conj())
    rows, columns = (fixed["corners"][:, k, None] + np.arange(SIZE) for k in (0, 1))
    varied = jnp.einsum("jk,kyx->jyx", u["coefficients"], u["variation"])
    probes = jnp.repeat(u["probe"][None], FRAMES, axis=0).at[:, 0].add(varied)
    moves = u["shifts"][:, None] + fixed["path"]  # (J, T, 2)
    ramp_y, ramp_x = (jnp.exp(-2j * np.pi * moves[:, :, None, k, None] * f) for k in (0, 1))
    moved = forward(probes)[:, None] * ramp_y[..., :, None] * ramp_x[..., None, :]
    waves = back(moved) / np.sqrt(moves.shape[1])  # (J, T, M, N, N)
    for s, slice_ in enumerate(u["object_"]):
        if s:
            waves = back(jnp.exp(1j * u["depths_m"][s - 1] * axial()) * forward(waves))
        waves = waves * slice_[rows[:, :, None], columns[:, None, :]][:, None, None]
    field = forward(waves)
    intensity = (field.real**2 + field.imag**2).sum(axis=(1, 2)) + u["background"]
    return fixed["response"] * jnp.exp(u["intensity"])[:, None, None] * intensity


@cache
def compiled():
    """``(unknowns, fixed, number of the likelihood, s²) -> ((loss, expected counts), derivatives)``.

    Compiled once, without optimisation, which takes longer than all the runs: so models of all forms have
    the same shapes here.
    """
    jax = pytest.importorskip("jax")
    jax.config.update("jax_enable_x64", True)

    def loss(u, fixed, which, s2):
        e = jax_expected(jax.numpy, u, fixed)
        terms = jax.numpy.stack(jax_terms(jax.numpy, e, fixed["counts"], s2))[which]
        return (terms * fixed["fitted"]).sum(), e

    rng = np.random.default_rng(0)
    example = unknowns(make_model(rng, Form()), make_batch(rng, Form())), fixed_parts(make_batch(rng, Form()))
    lowered = jax.jit(jax.value_and_grad(loss, has_aux=True)).lower(*example, 0, 0.0)
    return lowered.compile({"xla_backend_optimization_level": 0})


def filled(array, shape, value=0.0):
    """Array of this shape with `array` as its first part; the rest does nothing to the model."""
    whole = np.full(shape, value, complex)
    if array is not None:
        whole[tuple(slice(0, k) for k in array.shape)] = array
    return whole if np.iscomplexobj(array) or array is None else whole.real.copy()


def unknowns(model, batch):
    """Everything that the loss is differentiated by, in the shapes of the largest model."""
    return {
        "object_": filled(model.slices, (3, *SHAPE), 1),  # slices of vacuum at no distance
        "probe": filled(model.probe, (2, SIZE, SIZE)),
        "shifts": batch.shifts,
        "background": filled(model.background, (SIZE, SIZE)).real,
        "intensity": np.zeros(FRAMES),
        "variation": filled(model.variation, (2, SIZE, SIZE)),
        "coefficients": filled(batch.coefficients, (FRAMES, 2)),
        "depths_m": filled(model.depths_m, (2,)).real,
    }


def fixed_parts(batch):
    """What the loss is not differentiated by; a path of fewer points than four passes each of them again."""
    path = np.zeros((FRAMES, 1, 2)) if batch.path is None else batch.path
    return {
        "corners": batch.corners,
        "path": np.repeat(path, 4 // path.shape[1], axis=1),
        "response": np.ones(batch.counts.shape) * (1 if batch.response is None else batch.response),
        "counts": batch.counts,
        "fitted": plain_mask(batch) & ~plain_held(batch),
    }


def plain_held(batch):
    """``(B, N, N)`` bool, True where a pixel is never fitted."""
    held = np.zeros(batch.counts.shape, bool)
    for j, pixels in enumerate([] if batch.held is None else batch.held):
        for p in pixels:
            held[j, p // SIZE, p % SIZE] = True
    return held


def jax_pass(model, batch, name="poisson", read_noise=0.0):
    """Loss, expected counts and minus the derivatives, by the names of the sums."""
    which = LIKELIHOODS.index((name, read_noise))
    (loss, e), slopes = compiled()(unknowns(model, batch), fixed_parts(batch), which, read_noise**2)
    # JAX gives ∂L/∂x - i ∂L/∂y = 2 ∂L/∂z; for a real loss ∂L/∂z* is the conjugate of ∂L/∂z
    minus = {key: -np.conj(s) / 2 if np.iscomplexobj(s) else -np.asarray(s) for key, s in slopes.items()}

    def scan(array):
        whole = np.zeros((SCAN, *array.shape[1:]), array.dtype)
        whole[ROWS] = array
        return whole

    wanted = {
        "object_numerator": minus["object_"][: len(model.slices)].reshape(model.object_.shape),
        "probe_numerator": minus["probe"][: len(model.probe)],
        "background": minus["background"],
        "position": scan(minus["shifts"]),
        "intensity": scan(minus["intensity"]),
    }
    if model.variation is not None:
        k = len(model.variation)
        wanted |= {"variation": minus["variation"][:k], "coefficients": scan(minus["coefficients"][:, :k])}
    if model.depths_m is not None:
        wanted["depth"] = minus["depths_m"][: len(model.depths_m)]
    return float(loss), np.asarray(e), wanted


@pytest.fixture(params=FORMS)
def form(request):
    return request.param


@pytest.fixture(params=DETECTORS)
def detector(request):
    return request.param


@pytest.fixture
def case(rng, form, detector):
    """Model and batch: of every form and detector, unless the test names some."""
    return make_model(rng, FORMS[form]), make_batch(rng, FORMS[form], detector)


# --- derivatives -----------------------------------------------------------------------------------------------------


def test_all_derivatives_and_the_loss(xp, case):
    for name, read_noise in LIKELIHOODS:
        found = run_pass(xp, *case, make_likelihood(name, read_noise))
        loss, _, wanted = jax_pass(*case, name, read_noise)
        for key, expected in wanted.items():
            error = relative(found[key], expected)
            assert error < tol.GRADIENT, (name, read_noise, key, error)
        assert abs(found["loss"] / loss - 1) < tol.EXACT_SUM, (name, read_noise)


def test_residuals_of_fitted_and_of_held_pixels(case):
    batch = case[1]
    found = run_pass(np, *case, make_likelihood("poisson"))["residuals"]
    e = jax_pass(*case)[1]
    seen, held = plain_mask(batch), plain_held(batch)
    counts, floored = np.maximum(batch.counts, 0), np.maximum(e, physics.INTENSITY_FLOOR)
    # Poisson deviance 2 [i - I + I ln(I/i)], I ln I -> 0 at I = 0; R factor Σ|√I - √i|
    deviance = 2 * (floored - counts + np.where(counts > 0, counts * np.log(np.maximum(counts, 1) / floored), 0))
    amplitude = np.abs(np.sqrt(counts) - np.sqrt(e))
    expected = [amplitude[seen & ~held].sum(), deviance[seen & ~held].sum(), deviance[seen & held].sum()]
    np.testing.assert_allclose(found, expected, rtol=tol.EXACT_SUM)
    assert (expected[2] > 0) == (batch.held is not None)


def test_held_pixels_decide_nothing_but_their_own_deviance(rng):
    form = FORMS["two slices"]
    model, batch = make_model(rng, form), make_batch(rng, form, "all")
    other = replace(batch, counts=np.where(plain_held(batch), 1000.0, batch.counts))
    first, second = (run_pass(np, model, one, make_likelihood("poisson")) for one in (batch, other))
    for key in first.keys() - {"residuals"}:
        np.testing.assert_array_equal(first[key], second[key], err_msg=key)
    np.testing.assert_allclose(first["residuals"][:2], second["residuals"][:2], rtol=tol.EXACT_SUM)
    assert second["residuals"][2] > 10 * first["residuals"][2]


def test_batches_of_any_size_add_up(case):
    # each with its own frames, and the second into sums of another thread
    model, batch = case
    whole = run_pass(np, *case, make_likelihood("poisson"))
    sums, other = (GradientSums.wanting(model, SCAN, EXTRAS) for _ in range(2))
    for part, into in ((slice(0, 1), sums), (slice(1, 3), other), (slice(3, 4), sums)):
        gradient_pass(model, batch.part(part), make_likelihood("poisson"), into)
    sums.add(other)
    sums.residuals += other.residuals
    for key, found in on_host(sums).items():
        assert relative(found, whole[key]) < tol.PASS_C128 or not whole[key].any(), key


def test_only_what_is_asked_for_is_summed(rng):
    form = FORMS["two slices"]
    model, batch = make_model(rng, form), make_batch(rng, form, "all")
    whole, names = run_pass(np, model, batch, make_likelihood("anscombe")), {f.name for f in fields(GradientSums)}
    always = {f.name for f in fields(PassSums)} | {"loss"}
    brought = {"variation": {"variation"}, "coefficients": {"coefficients"}, "depths_m": {"depth", "depth_weight"}}
    for extra, base in (("positions_px", "position"), ("background", "background"), ("intensity", "intensity")):
        brought[extra] = {base, f"{base}_weight"}
    assert set(brought) == set(EXTRAS)
    assert always.union(*brought.values()) == names
    for extra, keys in brought.items():
        sums = GradientSums.wanting(model, SCAN, [extra])
        gradient_pass(model, batch, make_likelihood("anscombe"), sums)
        found = on_host(sums)
        assert found.keys() == always | keys, extra
        for key in found:
            np.testing.assert_array_equal(found[key], whole[key], err_msg=f"{extra}: {key}")


# --- weights: expected curvatures ------------------------------------------------------------------------------------


@pytest.mark.parametrize("detector", ["plain", "all"])
def test_weights_of_background_and_intensity_are_the_information(case):
    # expected curvature of Poisson counts Σ (∂e)²/e, with ∂e/∂b = response and ∂e/∂η = e
    batch = case[1]
    found, e, fixed = run_pass(np, *case, make_likelihood("poisson")), jax_pass(*case)[1], fixed_parts(batch)
    by_background = (fixed["fitted"] * fixed["response"] ** 2 / e).sum(axis=0)
    assert relative(found["background_weight"], by_background) < tol.GRADIENT
    assert relative(found["intensity_weight"][ROWS], (fixed["fitted"] * e).sum(axis=(1, 2))) < tol.GRADIENT


def test_weight_of_positions_is_about_the_information(rng):
    # a beam that ends inside the frame on a smooth object; Σ ∂e ∂e / e by central differences of plain waves
    n, h = 24, 1e-4
    object_, probe = smooth_object(rng, (30, 31)), 300 * curved_probe(n, sigma=3.0)
    batch = Batch(np.ones((FRAMES, n, n)), None, rng.integers(0, 7, (FRAMES, 2)), rng.uniform(-0.5, 0.5, (FRAMES, 2)))
    w = fourier_matrix(n)

    def expected(move):
        return (np.abs(w @ plain_waves(object_, probe, replace(batch, shifts=batch.shifts + move))[1] @ w) ** 2)[:, 0]

    slopes = np.stack([(expected(h * unit) - expected(-h * unit)) / (2 * h) for unit in np.eye(2)])
    information = np.einsum("ajyx,bjyx,jyx->ab", slopes, slopes, 1 / expected(0))
    weight = run_pass(np, Model(object_, probe), replace(batch, rows=ROWS), make_likelihood("poisson"))
    weight = weight["position_weight"].sum(axis=0)
    assert np.linalg.eigvalsh(information - 0.7 * weight)[0] > 0, (information, weight)
    assert np.linalg.eigvalsh(1.4 * weight - information)[0] > 0, (information, weight)


def test_step_by_the_weight_of_a_distance_is_never_long(rng):
    # Σ (∂e)²/e = Σ (2 Re ψ* ∂ψ)²/e <= 4 Σ |∂ψ|² (Cauchy and Schwarz), at most twice the weight where |O| <= 1
    model, batch = make_model(rng, FORMS["three slices"]), make_batch(rng, FORMS["three slices"])
    model = replace(model, object_=model.object_ / np.abs(model.object_).max())
    weight = run_pass(np, model, batch, make_likelihood("poisson"))["depth_weight"]
    u, fixed, h, e = unknowns(model, batch), fixed_parts(batch), 1e-11, jax_pass(model, batch)[1]
    for gap, along in enumerate(h * np.eye(2)):
        ends = [compiled()({**u, "depths_m": u["depths_m"] + d}, fixed, 0, 0.0)[0][1] for d in (along, -along)]
        information = ((np.subtract(*ends) / (2 * h)) ** 2 / e).sum()
        assert 0 < information < 2 * weight[gap], (gap, information, weight)


# --- precision -------------------------------------------------------------------------------------------------------


class Watched:
    """Likelihood that refuses anything but single precision."""

    def __init__(self, name, read_noise):
        self.inner = make_likelihood(name, read_noise)

    def _single(self, function, *arrays):
        result = function(*arrays)
        assert all(array.dtype == np.float32 for array in (*arrays, result))
        return result

    def loss(self, expected, counts):
        return self._single(self.inner.loss, expected, counts)

    def slope(self, expected, counts):
        return self._single(self.inner.slope, expected, counts)


@pytest.mark.parametrize("detector", ["all"])
def test_single_precision_stays_single_and_near_double(xp, case, monkeypatch):
    def watched(transform):
        def checked(array):
            assert array.dtype == np.complex64
            result = transform(array)
            assert result.dtype == np.complex64
            return result

        return checked

    for name, read_noise in LIKELIHOODS:
        double = run_pass(np, *case, make_likelihood(name, read_noise))
        with monkeypatch.context() as patch:
            for module in (kernels, gradients):
                for transform in ("fft2", "ifft2"):
                    patch.setattr(module, transform, watched(getattr(module, transform)))
            single = run_pass(xp, *case, Watched(name, read_noise), np.float32)
            lit = kernels.illuminate(*(moved_to(xp, part, np.float32) for part in case))
        assert {a.dtype for a in (lit.patches, *lit.entering, *lit.ramp, *lit.transfers)} == {np.dtype("c8")}
        for key, expected in double.items():
            wanted = expected.dtype.itemsize // (1 if key in ALWAYS_DOUBLE else 2)
            assert single[key].dtype.itemsize == wanted, key
            scale = np.linalg.norm(expected)
            if key == "depth":  # terms of both signs that cancel: against the most they add up to, as in least squares
                scale = np.sqrt(2 * double["loss"] * double["depth_weight"].sum())
            error = np.linalg.norm(single[key] - expected)
            # the darkest pixel's 1/e is the worst of them
            assert error <= (1e-4 if key == "background_weight" else 2e-5) * scale, (name, key, error / scale)


# --- the frame pass of a model of many parts -------------------------------------------------------------------------


def far_field(waves):
    w = fourier_matrix(SIZE)
    return w @ waves @ w


def from_far_field(field):
    w = fourier_matrix(SIZE).conj()
    return w @ field @ w


def plain_frame(model, batch, j):
    """Waves of one frame by their definitions: entering each slice, exit waves; points outside, modes inside."""
    y, x = batch.corners[j]
    patches = model.slices[:, y : y + SIZE, x : x + SIZE]
    path = np.zeros((1, 2)) if batch.path is None else batch.path[j]
    entering = [[] for _ in patches]
    for point in path:
        for m, mode in enumerate(model.probe):
            if m == 0 and model.variation is not None:
                mode = mode + sum(c * v for c, v in zip(batch.coefficients[j], model.variation, strict=True))
            wave = plain_shift(mode, batch.shifts[j] + point) / np.sqrt(len(path))
            for s, patch in enumerate(patches):
                entering[s].append(wave)
                if s + 1 < len(patches):
                    free = np.exp(1j * model.depths_m[s] * axial())
                    wave = from_far_field(free * far_field(wave * patch))
    return patches, path, np.array(entering), np.array(entering[-1]) * patches[-1]


def plain_pass(model, batch, memory):
    """Sums of a frame pass with the amplitude step, and the new memory, frame by frame in float64."""
    sums = PassSums.like(model)
    objects = sums.object_numerator.reshape(model.slices.shape), sums.illumination.reshape(model.slices.shape)
    b, fitted = 0 if model.background is None else model.background, plain_mask(batch) & ~plain_held(batch)
    waves_after = []
    for j, (y, x) in enumerate(batch.corners):
        here = np.s_[y : y + SIZE, x : x + SIZE]
        patches, path, entering, waves = plain_frame(model, batch, j)
        field = far_field(waves if memory is None else 2 * waves - memory[j])
        response = 1 if batch.response is None else batch.response[j]
        e, counts = response * ((np.abs(field) ** 2).sum(axis=0) + b), np.maximum(batch.counts[j], 0)
        d = from_far_field(np.where(fitted[j], np.sqrt(counts / e) - 1, 0) * field)
        waves_after.append(waves + d)
        for s in reversed(range(len(patches))):
            objects[0][s][here] += (entering[s].conj() * d).sum(axis=0)
            objects[1][s][here] += (np.abs(entering[s]) ** 2).sum(axis=0)
            d = patches[s].conj() * d
            if s:  # free space backwards
                d = from_far_field(np.exp(-1j * model.depths_m[s - 1] * axial()) * far_field(d))
        for k, point in enumerate(np.repeat(path, len(model.probe), axis=0)):
            back = plain_shift(d[k], -batch.shifts[j] - point) / np.sqrt(len(path))
            sums.probe_numerator[k % len(model.probe)] += back
        sums.probe_weight += np.abs(patches[0]) ** 2
    return sums, np.array(waves_after)


@pytest.mark.parametrize("remembers", [False, True])
def test_frame_pass_is_the_plain_loop(xp, rng, case, remembers):
    model, batch = case
    waves = noise(rng, FRAMES, max(1, 0 if batch.path is None else batch.path.shape[1]) * len(model.probe), SIZE, SIZE)
    expected, after = plain_pass(*case, waves if remembers else None)
    on_xp, memory = moved_to(xp, model, np.float64), xp.asarray(waves.copy()) if remembers else None
    sums = PassSums.like(on_xp)
    kernels.frame_pass(on_xp, moved_to(xp, batch, np.float64), physics.amplitude_step, sums, memory=memory)
    for key in ("object_numerator", "illumination", "probe_weight"):
        error = relative(to_host(getattr(sums, key)), getattr(expected, key))
        assert error < tol.PASS_C128, (key, error)
    assert relative(to_host(sums.probe_step()), expected.probe_numerator) < tol.PASS_C128
    if remembers:
        assert relative(to_host(memory), after) < tol.PASS_C128


def test_residual_pass_sees_every_part(case):
    model, batch = case
    sums, expected = PassSums.like(model), plain_pass(*case, None)[0]
    e = kernels.residual_pass(model, batch, sums)
    assert relative(e, jax_pass(*case)[1]) < tol.PASS_C128
    assert relative(sums.illumination, expected.illumination) < tol.PASS_C128
    np.testing.assert_allclose(
        sums.residuals, run_pass(np, *case, make_likelihood("poisson"))["residuals"], rtol=tol.EXACT_SUM
    )


@pytest.mark.parametrize("form", ["two slices", "three slices"])
def test_weight_of_distances_by_its_definition(case):
    # 2 Σ |∂ψ|² of the waves that arrive, ∂ψ = i axial ψ in Fourier space
    model, batch = case
    expected = np.zeros(len(model.depths_m))
    for j in range(FRAMES):
        arrived = far_field(plain_frame(model, batch, j)[2][1:])
        expected += 2 * (np.abs(axial() * arrived) ** 2).sum(axis=(1, 2, 3))
    assert relative(run_pass(np, *case, make_likelihood("poisson"))["depth_weight"], expected) < tol.PASS_C128


# --- adjoints --------------------------------------------------------------------------------------------------------


def same_product(left, right):
    assert abs(left - right) < tol.ADJOINT * abs(left), f"<Ax, y> = {left}, <x, A'y> = {right}"


@pytest.mark.parametrize("detector", ["plain"])
@pytest.mark.parametrize("form", ["path", "one slice", "two slices", "three slices"])
def test_object_and_probe_sums_are_the_adjoint_of_the_exit_waves(rng, case):
    # exit waves are linear in each slice with the other slices and the probe fixed, and linear in all probes
    model, batch = case
    lit, sums = kernels.illuminate(model, batch), GradientSums.wanting(model, SCAN)
    waves = noise(rng, *lit.exit_waves().shape)
    spectra = kernels.add_probe(sums, lit, kernels.add_object(sums, lit, batch, waves.copy()))

    def product(**parts):
        return np.vdot(waves, kernels.illuminate(replace(model, **parts), batch).exit_waves())

    for s, numerator in enumerate(sums.object_numerator.reshape(model.slices.shape)):
        slices = model.slices.copy()
        slices[s] = noise(rng, *SHAPE)
        same_product(product(object_=slices.reshape(model.object_.shape)), np.vdot(numerator, slices[s]))
    probe = noise(rng, *model.probe.shape)
    other = None if model.variation is None else noise(rng, *model.variation.shape)
    right = np.vdot(sums.probe_step(), probe)
    if other is not None:
        parts = np.einsum("jk,jyx->kyx", batch.coefficients.conj(), ifft2(spectra[:, 0].copy()))
        right += np.vdot(parts, other)
    same_product(product(probe=probe, variation=other), right)
