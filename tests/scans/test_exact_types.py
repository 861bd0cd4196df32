"""The smallest exact type, against a search by conversion: NumPy's own casts decide what is exact."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from scans.errors import InputError
from scans.exact_types import ExactStack, smallest_exact

TYPES = [np.uint8, np.uint16, np.uint32, np.float32]
VALUES = st.one_of(
    st.sampled_from([0, 1, 255, 256, 65535, 65536, 2**24, 2**24 + 1, 2**32 - 1, 2**32, -1, 0.5, -0.25, 1e20, np.nan]),
    st.integers(0, 70_000),
    st.floats(width=32, allow_nan=False, allow_infinity=False),
)


def first_exact(values):
    """Return the first type of the list whose cast there and back changes nothing; float64 otherwise."""
    for dtype in TYPES:
        with np.errstate(all="ignore"):
            there = values.astype(dtype)
            low, high = (0, np.iinfo(dtype).max) if dtype != np.float32 else (-np.inf, np.inf)
            inside = bool(((values >= low) & (values <= high)).all()) or dtype == np.float32
            if inside and np.array_equal(there.astype(np.float64), values, equal_nan=True):
                return np.dtype(dtype)
    return np.dtype(np.float64)


@given(st.lists(VALUES, min_size=1, max_size=6))
def test_smallest_exact_is_the_first_that_casts_back(values):
    values = np.array(values, np.float64)
    assert smallest_exact(values) == first_exact(values)
    # block by block is the same as all at once
    assert smallest_exact(*np.split(values, len(values))) == first_exact(values)


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.uint32, np.int64, np.float32])
def test_the_type_of_a_block_does_not_matter(dtype):
    assert smallest_exact(np.array([0, 7], dtype)) == np.uint8


def test_bool_is_whole_and_nothing_is_the_smallest():
    assert smallest_exact(np.ones(3, bool)) == np.uint8
    assert smallest_exact() == smallest_exact(np.empty((0, 4), np.float32)) == np.uint8


@settings(max_examples=150)
@given(st.data())
def test_a_stack_gives_back_what_was_put(data):
    shape = (data.draw(st.integers(1, 7)), 2, 3)
    whole = data.draw(hnp.arrays(np.float64, shape, elements=VALUES, fill=st.just(0.0)))
    stack = ExactStack(shape[0], shape[1:])
    cuts = sorted(data.draw(st.sets(st.integers(1, shape[0]), max_size=3)) | {0, shape[0]})
    parts = data.draw(st.permutations([slice(a, b) for a, b in itertools.pairwise(cuts)]))
    for part in parts:
        stack.put(part, whole[part])
    assert stack.dtype == first_exact(whole)
    assert stack.nbytes == whole.size * stack.dtype.itemsize
    keep = data.draw(st.none() | st.sets(st.integers(0, shape[0] - 1), min_size=1).map(sorted))
    result = stack.finish(None if keep is None else np.array(keep, np.int64))
    np.testing.assert_array_equal(result.astype(np.float64), whole if keep is None else whole[keep])


def test_a_long_stack_is_promoted_piece_by_piece(monkeypatch):
    monkeypatch.setattr("scans.exact_types.CONVERTED_AT_ONCE", 7)
    whole = np.arange(250, dtype=np.float32).reshape(10, 5, 5)
    stack = ExactStack(10, (5, 5))
    stack.put(slice(0, 9), whole[:9])
    assert stack.dtype == np.uint8
    stack.put(slice(9, 10), whole[9:] * 300)
    assert stack.dtype == np.uint32
    stack.put(slice(9, 10), whole[9:] + 0.5)
    assert stack.dtype == np.float32
    result = stack.finish()
    np.testing.assert_array_equal(result[:9], whole[:9])
    np.testing.assert_array_equal(result[9], whole[9] + 0.5)


@pytest.mark.parametrize("set_aside", [1, 4])
def test_threads_may_put_blocks_at_once(monkeypatch, set_aside):
    monkeypatch.setattr("scans.exact_types._set_aside", lambda n: np.zeros(set_aside * n, np.uint8))
    rng = np.random.default_rng(4)
    for last in (np.uint16, np.uint32, np.float32, np.float64):
        whole = rng.integers(0, 200, (64, 8, 8)).astype(np.float64)
        widest = {np.uint16: 60_000, np.uint32: 3_000_000_000, np.float32: 0.5, np.float64: 1 / 3}[last]
        whole[rng.permutation(64)[:9], 2, 3] = [300, 70_000, *[widest] * 7] if last != np.uint16 else widest
        stack = ExactStack(64, (8, 8))
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(lambda j, w=whole, s=stack: s.put(slice(j, j + 1), w[j : j + 1]), rng.permutation(64)))
        result = stack.finish()
        assert result.dtype == last
        np.testing.assert_array_equal(result.astype(np.float64), whole)


def test_blocks_of_another_shape_and_after_the_end_are_refused():
    stack = ExactStack(4, (2, 2))
    with pytest.raises(InputError, match=r"frames of shape \(2, 2, 2\)"):
        stack.put(slice(3, 5), np.zeros((2, 2, 2)))
    stack.finish()
    with pytest.raises(InputError, match="not finished"):
        stack.put(slice(0, 1), np.zeros((1, 2, 2)))


def test_a_fraction_far_back_in_a_block_is_seen():
    values = np.zeros(10_000, np.float32)
    values[-1] = 0.5
    assert smallest_exact(values) == np.float32 == first_exact(values.astype(np.float64))
