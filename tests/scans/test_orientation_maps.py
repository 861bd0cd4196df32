import numpy as np
import pytest
import scipy.ndimage

from scans import orientation_maps as maps

# Bound on a figure = measured error with the stated margin; all data below are exact apart from stated noise.
# Linear interpolation on triangles of 0.3 mean edge of a Gaussian of width 1.2 leaves curl of 0.13.
CURL_OF_GRADIENT = 0.25


def bumps(positions, seed=3):
    """Gradient ``(J, 2)`` of a sum of 8 Gaussian lenses of width 1.2: -∇ Σ a exp(-r²/2w²) by hand."""
    rng = np.random.default_rng(seed)
    total = np.zeros_like(positions)
    for centre, height in zip(rng.uniform(-3, 3, (8, 2)), rng.normal(size=8), strict=True):
        d = positions - centre
        total -= height * d / 1.2**2 * np.exp(-(d**2).sum(axis=1) / (2 * 1.2**2))[:, None]
    return total


@pytest.fixture
def positions(rng):
    """Irregular positions on a field of 6 x 6, about 0.4 apart."""
    return rng.uniform(-3, 3, (220, 2))


def stored(orientation, vectors):
    """Vectors as the detector stores them: the inverse of the turn, by the matrix's transpose (it is orthogonal)."""
    return vectors @ maps.matrix_of(orientation)


@pytest.mark.parametrize("orientation", maps.ALL)
def test_a_vector_turns_as_a_frame_does(orientation):
    # a bright pixel 2 rows down and 1 column right of the middle of 7 x 7, turned by NumPy's own views
    frame = np.zeros((7, 7))
    frame[5, 4] = 1
    where = np.argwhere(orientation.apply(frame))[0] - 3
    np.testing.assert_array_equal(maps.matrix_of(orientation) @ [2, 1], where)


def test_all_eight_and_their_half_turns():
    matrices = [maps.matrix_of(o) for o in maps.ALL]
    assert len({m.tobytes() for m in np.array(matrices) + 0.0}) == 8
    np.testing.assert_array_equal(matrices[4:], -np.array(matrices[:4]))  # a half turn is minus one


@pytest.mark.parametrize("k", range(4))
@pytest.mark.parametrize("half", [1, -1])
def test_curl_and_potential_find_the_class_of_gaussian_lenses(positions, k, half):
    shifts = half * stored(maps.CLASSES[k], bumps(positions))
    curl, misfit = maps.curl_residuals(positions, shifts), maps.potential_residuals(positions, shifts)
    assert np.argmin(curl) == np.argmin(misfit) == k
    assert curl[k] < CURL_OF_GRADIENT
    assert np.sort(curl)[1] > 2 * curl[k]
    assert misfit[k] < 0.1
    assert np.sort(misfit)[1] > 3 * misfit[k]


def test_curl_of_linear_fields_is_exact(positions):
    # φ = y² - 3yx + 0.5x²: g = (2y - 3x, -3y + x), linear, so triangles are exact; slopes [[2, -3], [-3, 1]]
    y, x = positions.T
    gradient = np.stack([2 * y - 3 * x, -3 * y + x], axis=1)
    # by hand: curl ∂_x g_y - ∂_y g_x: 0; flip_y (-g_y): 3 + 3; transposed: 1 - 2; both (-g_x, g_y): -1 - 2;
    # over the root of Σ slopes² = 4 + 9 + 9 + 1
    expected = np.array([0, 6, 1, 3]) / np.sqrt(23)
    np.testing.assert_allclose(maps.curl_residuals(positions, gradient), expected, atol=1e-9)


def test_a_field_that_only_turns_is_all_curl(positions):
    # g = (x, -y): by hand ∂_x g_y - ∂_y g_x = 2 as stored, and 0 turned otherwise; root of Σ slopes² = √2
    y, x = positions.T
    found = maps.curl_residuals(positions, np.stack([x, -y], axis=1))
    np.testing.assert_allclose(found, np.array([2, 0, 0, 0]) / np.sqrt(2), atol=1e-9)


def test_rotation_matrix_turns_x_towards_y():
    np.testing.assert_allclose(maps.rotation_matrix(np.pi / 2) @ [0, 1], [1, 0], atol=1e-12)


def test_noise_alone_gives_no_class(positions, rng):
    noise = rng.normal(size=positions.shape)
    curl, misfit = maps.curl_residuals(positions, noise), maps.potential_residuals(positions, noise)
    assert np.sort(curl)[1] / curl.min() < 1.2
    assert np.sort(misfit)[1] / misfit.min() < 1.1


def test_first_moments_of_moved_discs(rng):
    # a disc that is moved by whole pixels has its centre of mass moved by as much
    y, x = np.mgrid[:32, :32] - 16.0
    disc = (np.hypot(y, x) < 6).astype(float)
    moves = rng.integers(-4, 5, (12, 2))
    frames = np.array([np.roll(disc, m, (0, 1)) for m in moves])
    found = maps.first_moments(frames, np.ones((32, 32), bool))
    np.testing.assert_allclose(found, moves - moves.mean(axis=0), atol=1e-9)


# --- shadows ------------------------------------------------------------------------------------------------------


def shadow_frames(matrix, positions, photons=None, seed=5):
    """Discs of 28 pixels that show a random texture, moved on the detector by ``matrix @ position`` exactly.

    A sum of 60 plane waves, sampled anywhere without interpolation.
    """
    rng = np.random.default_rng(seed)
    waves, phases = rng.normal(0, 0.35, (60, 2)), rng.uniform(0, 2 * np.pi, 60)
    y, x = np.mgrid[:40, :40] - 20.0
    frames = []
    for place in positions @ matrix.T:
        angle = waves[:, 0, None, None] * (y - place[0]) + waves[:, 1, None, None] * (x - place[1])
        texture = np.cos(angle + phases[:, None, None]).sum(axis=0) / np.sqrt(30)
        frames.append((np.hypot(y, x) < 14) * (1 + 0.15 * texture))
    frames = np.array(frames)
    return frames if photons is None else rng.poisson(np.maximum(frames, 0) * photons).astype(float)


@pytest.fixture
def stops(rng):
    """Positions of a scan of 8 x 8 in steps of 1, moved at random by 0.2."""
    grid = np.stack(np.meshgrid(np.arange(8.0), np.arange(8.0), indexing="ij"), axis=-1).reshape(-1, 2)
    return grid + rng.uniform(-0.2, 0.2, grid.shape)


@pytest.mark.parametrize("index", range(8))
def test_shadow_matrix_of_a_known_movement(stops, index):
    # |M| = 3.1 pixels a step, 60 mrad, stored one of eight ways: oriented it is 3.1 rotation
    orientation = maps.ALL[index]
    matrix = 3.1 * maps.matrix_of(orientation).T @ maps.rotation_matrix(0.06)
    found = maps.shadow_fit(shadow_frames(matrix, stops), np.ones((40, 40), bool), stops)
    assert int(np.argmax(found.scores)) == index == int(np.argmin(found.leads))
    assert np.sort(found.leads)[1] > 4
    # a bin is one pixel; measured: within 0.06
    np.testing.assert_allclose(found.matrix, matrix, atol=0.2)


def test_shadow_matrix_with_shear_and_noise(stops):
    # astigmatism: another movement along y than along x
    matrix = np.array([[-2.6, 0.3], [0.3, -3.4]])
    frames = shadow_frames(matrix, stops, photons=40.0)
    found = maps.shadow_fit(frames, np.ones((40, 40), bool), stops)
    assert maps.ALL[int(np.argmax(found.scores))] == maps.HALF_TURN
    np.testing.assert_allclose(found.matrix, matrix, atol=0.4)  # measured: within 0.15
    assert found.sigma.max() < 0.5


def test_no_shadows_no_answer(stops, rng):
    flat = np.array([np.hypot(*(np.mgrid[:40, :40] - 20.0)) < 14] * 64, float)
    good = np.ones((40, 40), bool)
    assert maps.shadow_fit(flat, good, stops) is None  # all frames the same
    assert maps.shadow_fit(flat[:5], good, stops[:5]) is None  # too few
    assert maps.shadow_fit(np.zeros((64, 40, 40)), good, stops) is None
    noise = maps.shadow_fit(rng.poisson(40 * flat).astype(float), good, stops)
    assert np.sort(np.minimum(noise.leads[:4], noise.leads[4:]))[1] < 4


# --- matter -------------------------------------------------------------------------------------------------------


def test_phase_and_absorption_of_matter_go_together(rng):
    # T = exp(-kβt - ikδt): ln|T| and phase are both minus the thickness (contract: n = 1 - δ + iβ); 2 waves deep
    thickness = np.abs(scipy.ndimage.gaussian_filter(rng.normal(size=(60, 70)), 4))
    thickness *= 12 / thickness.max()
    ramp = np.exp(1j * 0.1 * np.arange(70))
    value, sigma = maps.matter_correlation(np.exp(-(0.1 + 1j) * thickness) * ramp)
    assert value > 0.95
    assert value > 6 * sigma
    conjugate, _ = maps.matter_correlation(np.exp(-(0.1 - 1j) * thickness) * ramp)
    assert conjugate < -0.95
    # two unrelated maps
    other = 0.1 * scipy.ndimage.gaussian_filter(rng.normal(size=(60, 70)), 2)
    value, sigma = maps.matter_correlation(np.exp(-other + 1j * thickness))
    assert abs(value) < 6 * sigma
