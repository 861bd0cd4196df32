import numpy as np
import pytest

from recon.registration import Match, lit_area, object_error, register, remove_ramp
from scans.errors import InputError

SIZE = 128


class Field:
    """A band-limited scene that can be evaluated anywhere: a sum of plane waves, by direct summation.

    Nothing in it is periodic over the array, and nothing of it comes from an FFT.
    """

    def __init__(self, rng, *, finest_px=5.0, mean=1.0, contrast=0.3, waves=300):
        radius, angle = np.sqrt(rng.uniform(0, 1, waves)) / finest_px, rng.uniform(0, 2 * np.pi, waves)
        self.fy, self.fx = radius * np.sin(angle), radius * np.cos(angle)
        self.c = rng.standard_normal(waves) + 1j * rng.standard_normal(waves)
        self.c *= contrast / np.sqrt((np.abs(self.c) ** 2).sum())
        self.mean = mean

    def __call__(self, shift=(0.0, 0.0), shape=(SIZE, SIZE), order=(0, 0)):
        """Values at r + shift, or their derivative."""
        parts = []
        for f, s, n, d in zip((self.fy, self.fx), shift, shape, order, strict=True):
            parts.append(np.exp(2j * np.pi * np.outer(np.arange(n) + s, f)) * (2j * np.pi * f) ** d)
        return (self.mean if order == (0, 0) else 0) + (parts[0] * self.c) @ parts[1].T


def ramp(cycles_per_px, shape=(SIZE, SIZE)):
    y, x = np.indices(shape)
    return np.exp(2j * np.pi * (cycles_per_px[0] * y + cycles_per_px[1] * x))


def disc(radius, shape=(SIZE, SIZE), centre=None):
    y, x = np.indices(shape)
    cy, cx = centre or ((shape[0] - 1) / 2, (shape[1] - 1) / 2)
    return (np.hypot(y - cy, x - cx) < radius).astype(float)


def white(rng, shape=(SIZE, SIZE)):
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


# Reference(r) = scale ramp(r) moving(r + shift) with ramps of the moving image and between both: up to
# 0.08 x 128 = 10 cycles over the field.
CASES = [
    ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), 1.0),
    ((0.37, -0.81), (0.0013, -0.002), (0.0, 0.0), 0.7 * np.exp(1.1j)),
    ((-6.5, 3.25), (-0.08, 0.05), (0.07, 0.03), 2 * np.exp(-2.5j)),
    ((19.6, -18.2), (0.06, 0.08), (-0.09, 0.1), 1.3j),
]


@pytest.mark.parametrize(("shift", "between", "own", "scale"), CASES)
@pytest.mark.parametrize("mean", [1.0, 0.0])
def test_shift_ramp_and_scale_are_found(rng, shift, between, own, scale, mean):
    field = Field(rng, mean=mean)
    moving = field() * ramp(own)
    at_shift = field(shift) * ramp(own) * np.exp(2j * np.pi * np.dot(own, shift))  # moving(r + shift)
    reference = scale * ramp(between) * at_shift
    match = register(moving, reference)
    assert np.abs(np.subtract(match.shift_px, shift)).max() < 2e-3
    assert np.abs(np.subtract(match.ramp_cycles_per_px, between)).max() * SIZE < 2e-3
    assert abs(match.scale / scale - 1) < 2e-2  # its phase counts from the corner: the ramp's error times 64
    inner = np.zeros((SIZE, SIZE), bool)
    inner[12:-12, 12:-12] = True  # nearer to the edge the neighbours that interpolation needs are missing
    inner = match.covers(inner)
    assert inner.sum() > 0.5 * SIZE**2
    assert np.abs(match.apply(moving) - reference)[inner].max() / np.abs(scale) < 0.02


@pytest.mark.parametrize("shift", [(0.3, -0.6), (-14.7, 17.45)])
def test_good_signal_to_noise_gives_a_fiftieth_of_a_pixel_whatever_lies_outside(rng, shift):
    field, between = Field(rng, finest_px=4), (0.05, -0.07)
    lit, lit_moving = disc(55), disc(55, centre=(63.5 + shift[0], 63.5 + shift[1]))
    moving = field() + 0.03 * white(rng)
    reference = 0.8j * ramp(between) * (field(shift) + 0.03 * white(rng))
    # What was not lit is anything, even bright.
    moving = np.where(lit_moving > 0, moving, 4 * white(rng))
    reference = np.where(lit > 0, reference, np.nan)
    match = register(moving, reference, lit, moving_weight=lit_moving)
    assert np.abs(np.subtract(match.shift_px, shift)).max() < 0.02
    assert np.abs(np.subtract(match.ramp_cycles_per_px, between)).max() * SIZE < 0.01


def test_shift_error_reaches_the_cramer_rao_bound(rng):
    # Gaussian noise of variance v per complex pixel in each image: var >= (2v) / (2 sum |dO/dy|^2), the Fisher
    # information of a shift (Kay, Fundamentals of Statistical Signal Processing I, 1993, chapter 3, from memory; here
    # the difference of the images carries 2v). Ramp and scale are nearly orthogonal to the shift.
    field, noise, size = Field(rng, finest_px=6), 0.4, 96
    inside = np.s_[4 : size - 4, 4 : size - 4]  # the fit's own edge: 4 px unused, then a soft rise over 8
    errors, bound = [], []
    for order in ((1, 0), (0, 1)):
        slope = field((0, 0), (size, size), order)[inside]
        bound.append(noise**2 / (np.abs(slope) ** 2).sum())
    for _ in range(12):
        a, b = (field((0, 0), (size, size)) + noise * white(rng, (size, size)) for _ in range(2))
        errors.append(register(b, a).shift_px)
    ratio = np.sqrt(np.mean(np.square(errors) / bound))
    assert 0.75 < ratio < 1.4, ratio  # 24 errors: +-15 % by chance, and the soft edge takes some of the area


def test_arrays_of_different_shapes_are_matched_by_index(rng):
    field = Field(rng)
    moving, reference = field((0, 0), (150, 110)), field((21.3, -4.6), (120, 100))
    match = register(moving, reference)
    assert np.abs(np.subtract(match.shift_px, (21.3, -4.6))).max() < 2e-3
    assert match.apply(moving).shape == (120, 100)


def test_real_images_have_shift_and_scale_only(rng):
    field = Field(rng, mean=0.0)
    moving, reference = field().real, -1.7 * field((5.4, 0.25)).real
    match = register(moving, reference, disc(60))
    assert np.abs(np.subtract(match.shift_px, (5.4, 0.25))).max() < 2e-3
    assert match.scale == pytest.approx(-1.7, rel=2e-3)
    assert match.ramp_cycles_per_px == (0.0, 0.0)
    assert match.apply(moving).dtype == np.float64


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.complex64, np.complex128])
def test_apply_keeps_the_precision(rng, dtype):
    match = Match((0.5, 0.0), (0.0, 0.0), 1.0, 0.0, (32, 32))
    assert match.apply(rng.standard_normal((32, 32)).astype(dtype)).dtype == dtype


def test_apply_moves_whole_pixels_without_interpolation(rng):
    image = white(rng, (40, 50))
    moved = Match((-3.0, 7.0), (0.0, 0.0), 2.0, 0.0, (40, 50)).apply(image)
    assert np.allclose(moved[3:, :-7], 2 * image[:-3, 7:], atol=1e-12)
    assert (moved[:3] == 0).all()
    assert (moved[:, -7:] == 0).all()


def test_covers_wants_both_neighbours_well_inside_the_lit_area():
    lit = np.zeros((30, 30), bool)
    lit[5:25, 5:25] = True
    whole = Match((0.0, 2.0), (0.0, 0.0), 1.0, 0.0, (30, 30)).covers(lit)
    half = Match((0.0, 2.5), (0.0, 0.0), 1.0, 0.0, (30, 30)).covers(lit)
    # 20 pixels, of which 3 on each side have faded to the mean.
    assert (whole.any(axis=1).sum(), whole.any(axis=0).sum()) == (14, 14)
    assert list(np.flatnonzero(whole.any(axis=0))) == list(range(6, 20))
    assert list(np.flatnonzero(half.any(axis=0))) == list(range(6, 19))


def test_ramp_is_exact_with_an_empty_area_and_near_without(rng):
    clean = np.ones((SIZE, SIZE), complex)
    clean[40:80, 20:60] = 0.8 * np.exp(-0.7j)  # film
    clean[90:110, 70:100] = 0.6 * np.exp(-1.9j)  # grain
    empty = clean == 1
    tilted = 3 * np.exp(2j) * clean * ramp((0.071, -0.093))
    flat, found = remove_ramp(tilted, disc(60), empty=empty)
    assert found == pytest.approx((0.071, -0.093), abs=1e-9)
    assert np.angle(flat[60, 40]) == pytest.approx(-0.7, abs=1e-6)
    assert np.angle(flat[100, 80]) == pytest.approx(-1.9, abs=1e-6)
    flat, found = remove_ramp(tilted.astype(np.complex64), disc(60))
    assert np.abs(np.subtract(found, (0.071, -0.093))).max() * SIZE < 0.3  # cycles over the field
    assert flat.dtype == np.complex64
    assert abs(np.angle((flat * disc(60)).sum())) < 1e-5


def test_ramp_from_an_empty_area_averages_its_noise(rng):
    # Phase noise of 1 / sqrt(2 n) for n photons (unit amplitude, noise variance 1/n): the slope of a line
    # through N points of variance v over positions y is v / sum (y - mean)^2 (textbook linear regression).
    empty, noise = np.zeros((SIZE, SIZE), bool), 0.2
    empty[:, :16] = True
    y = np.arange(SIZE) - (SIZE - 1) / 2
    sigma = np.sqrt(noise**2 / 2 / (16 * (y**2).sum())) / (2 * np.pi)
    found = [remove_ramp(ramp((0.03, 0.02)) + noise * white(rng), empty=empty)[1] for _ in range(20)]
    assert np.std([f[0] for f in found]) == pytest.approx(sigma, rel=0.5)
    assert abs(np.mean([f[0] for f in found]) - 0.03) < 4 * sigma / np.sqrt(20)


@pytest.mark.parametrize("noise", [0.02, 0.2, 1.0])
def test_object_error_of_added_noise(rng, noise):
    # The best scale of T + n for orthogonal noise of relative norm s leaves s / sqrt(1 + s^2): a projection.
    field, lit = Field(rng), disc(58)
    truth = field((3.3, -2.2), (SIZE + 20, SIZE + 20))
    estimate = 0.4 * np.exp(1j) * field() * ramp((0.04, -0.03))
    size = np.sqrt((np.abs(estimate) ** 2 * lit).sum() / lit.sum())
    estimate = np.where(lit > 0, estimate + noise * size * white(rng), 1e3)
    assert object_error(estimate, truth, lit) == pytest.approx(noise / np.sqrt(1 + noise**2), rel=0.03)


def test_object_error_knows_no_scale_ramp_or_shift(rng):
    field = Field(rng)
    estimate = 5j * field((7.7, 8.8)) * ramp((0.05, -0.02))
    truth = field((0, 0), (150, 150))
    assert object_error(estimate, truth, disc(60)) < 1e-3
    assert object_error(truth, truth) < 1e-9


def test_object_error_weighs_by_illumination(rng):
    # Two halves, wrong by 0 and by a phase p: for weights u, v and |O| = 1 the best scale leaves
    # sqrt(1 - |u + v exp(ip)|^2 / (u + v)^2), with no ramp allowed (a ramp could take part of it: p is small
    # and its edges alternate in stripes).
    truth = np.ones((SIZE, SIZE), complex) + 0.2 * Field(rng, mean=0)()
    truth /= np.abs(truth)
    stripes = np.indices((SIZE, SIZE))[1] // 4 % 2 == 1
    u, v, p = 1.0, 0.5, 0.2
    error = object_error(np.where(stripes, np.exp(1j * p), 1) * truth, truth, np.where(stripes, v, u))
    assert error == pytest.approx(np.sqrt(1 - abs(u + v * np.exp(1j * p)) ** 2 / (u + v) ** 2), rel=0.02)


def test_lit_area_is_measured_against_the_bright_part():
    # Bright is 100, in spite of a brighter spot: a quarter of it is 25.
    weight = np.tile(np.repeat([0.01, 20.0, 30.0, 100.0], 10), (40, 1))
    weight[5, 35] = 400.0
    lit = lit_area(weight)
    assert not lit[:, :20].any()
    assert lit[:, 20:].all()


BAD = [
    (dict(moving=np.ones((40, 40))), "complex", "same quantity"),
    (dict(weight=np.ones((40, 41))), r"reference: weight of shape \(40, 41\)", "photons"),
    (dict(weight=-np.ones((40, 40))), "reference: weight", "photons"),
    (dict(weight=np.zeros((40, 40))), "not all 0", "photons"),
    (dict(moving=np.full((40, 40), np.nan + 0j)), "moving: 1600 lit pixels", "reconstruct again"),
    (dict(reference=np.ones((3, 40, 40), complex)), "reference: complex128 array of shape", "one object"),
    (dict(moving=np.ones((8, 40), complex)), "moving: complex128", "one object"),
]


@pytest.mark.parametrize(("change", "what", "fix"), BAD)
def test_bad_input_is_named(rng, change, what, fix):
    given = dict(moving=white(rng, (40, 40)), reference=white(rng, (40, 40)), weight=None) | change
    if given["weight"] is not None:
        given["moving_weight"] = np.ones((40, 40))
    with pytest.raises(InputError, match=what) as error:
        register(given.pop("moving"), given.pop("reference"), given.pop("weight"), **given)
    assert fix in str(error.value)


def test_an_unlit_empty_area_is_named(rng):
    lit, empty = np.zeros((40, 40)), np.zeros((40, 40), bool)
    lit[:20], empty[30:] = 1, True
    with pytest.raises(InputError, match=r"empty area: no pixel of it is lit.*Mark another"):
        remove_ramp(white(rng, (40, 40)), lit, empty=empty)


def test_areas_too_thin_to_compare_are_named(rng):
    lit = np.zeros((40, 40))
    lit[:, 20:24] = 1
    with pytest.raises(InputError, match=r"lit areas that do not overlap.*larger scans"):
        register(white(rng, (40, 40)), white(rng, (40, 40)), lit)


@pytest.mark.parametrize("seed", range(4))
def test_a_slowly_fading_weight_is_no_feature(seed):
    # a weak object lit by a fading beam, against the whole truth with no weight: the weight's own shape, and
    # stronger detail outside the lit area, must not decide the shift
    rng = np.random.default_rng(seed)
    field = Field(rng, contrast=0.03, finest_px=8)
    y, x = (np.arange(SIZE) - SIZE / 2)[:, None], (np.arange(SIZE) - SIZE / 2)[None, :]
    beam = np.exp(-((y**2 + x**2) / (2 * 22**2)))
    strong = np.hypot(y + 50, x - 50) < 20
    moving = np.where(strong, 1 + 8 * (field() - 1), field())
    reference = field((1.4, -0.7)) + 0.01 * white(rng) / np.sqrt(beam + 1e-3)
    match = register(moving, reference, 4000 * beam, moving_weight=np.ones((SIZE, SIZE)))
    assert np.hypot(match.shift_px[0] - 1.4, match.shift_px[1] + 0.7) < 0.1
