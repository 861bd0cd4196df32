from __future__ import annotations

import numpy as np
import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--require-gpu", action="store_true", help="fail instead of skipping GPU cases")


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20260101)


def _cupy_problem() -> str | None:
    try:
        import cupy

        cupy.cuda.runtime.getDeviceCount()
        cupy.zeros(1).sum()
    except Exception as exc:  # any failure of the driver or the package means: no usable card
        return f"{type(exc).__name__}: {exc}".splitlines()[0]
    return None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    wanted = [item for item in items if item.get_closest_marker("gpu")]
    if not wanted:
        return
    problem = _cupy_problem()
    if problem is None:
        return
    if config.getoption("--require-gpu"):
        raise pytest.UsageError(f"--require-gpu: no usable CUDA card ({problem})")
    for item in wanted:
        item.add_marker(pytest.mark.skip(reason=f"needs a CUDA card and CuPy ({problem})"))


@pytest.fixture(params=["numpy", pytest.param("cupy", marks=pytest.mark.gpu)])
def xp(request: pytest.FixtureRequest):
    """The array module under test."""
    return pytest.importorskip(request.param)
