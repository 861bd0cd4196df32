"""Flux from monitor or trend, against frames whose flux was put in."""

import numpy as np
import pytest

from scans.errors import InputError
from scans.flux import incident_flux


@pytest.fixture
def sample(rng):
    """Transmission of 400 frames: mean 0.9, scatter 5 %."""
    return np.clip(rng.normal(0.9, 0.045, 400), 0.5, 1)


ALL = np.ones(400, bool)
DECAY = np.exp(-np.arange(400) / 400 * 0.2)  # a ring current that falls by 18 %


def test_the_monitor_gives_the_flux(sample, rng):
    totals = rng.poisson(1e5 * sample * DECAY).astype(float)
    flux = incident_flux(totals, ALL, 37 * DECAY)
    assert flux.way == "monitor"
    np.testing.assert_allclose(flux.relative, DECAY / np.median(DECAY))
    assert "monitor" in flux.steps[0]
    assert not flux.findings


def test_readings_without_beam_are_named(sample):
    monitor = 5 * np.ones(400)
    monitor[[3, 4, 250]] = 0, np.nan, -0.1
    monitor[77] = 0.01
    flux = incident_flux(1e5 * sample, ALL, monitor)
    assert np.flatnonzero(flux.no_beam).tolist() == [3, 4, 77, 250]
    assert (flux.relative == 1).all()


def test_a_monitor_that_the_counts_do_not_follow_is_doubted(sample, rng):
    totals = rng.poisson(1e5 * sample).astype(float)
    flux = incident_flux(totals, ALL, rng.uniform(0.5, 1.5, 400))
    assert flux.way == "none"
    assert [f.code for f in flux.findings] == ["monitor-doubtful"]
    assert (flux.relative == 1).all()
    asked = incident_flux(totals, ALL, rng.uniform(0.5, 1.5, 400), "monitor")
    assert asked.way == "monitor"


def test_a_steady_monitor_is_not_doubted_for_the_samples_scatter(sample, rng):
    # 0.1 % of ripple cannot be seen beside 5 % of scatter: the slope's error is large, nothing is said
    for seed in range(20):
        monitor = 1 + 1e-3 * np.random.default_rng(seed).standard_normal(400)
        assert incident_flux(1e5 * sample, ALL, monitor).way == "monitor"


def test_a_trend_is_reported_and_taken_out_only_on_request(sample, rng):
    totals = rng.poisson(1e5 * sample * DECAY).astype(float)
    silent = incident_flux(totals, ALL, None)
    assert silent.way == "none"
    assert [f.code for f in silent.findings] == ["counts-drift"]
    assert "fall by 1" in silent.findings[0].text
    asked = incident_flux(totals, ALL, None, "trend")
    np.testing.assert_allclose(asked.relative, DECAY / np.median(DECAY), rtol=0.02)


def test_no_trend_no_word(sample):
    for seed in range(50):
        totals = np.random.default_rng(seed).permutation(1e5 * sample)
        assert not incident_flux(totals, ALL, None).findings


@pytest.mark.parametrize(
    ("monitor", "way", "match"),
    [(None, "monitor", "no monitor"), (np.zeros(400), "monitor", "0 of 400"), (None, "sun", "'sun'")],
)
def test_what_cannot_be_done(sample, monitor, way, match):
    with pytest.raises(InputError, match=match):
        incident_flux(sample, ALL, monitor, way)


def test_a_dead_monitor_is_left_alone(sample):
    flux = incident_flux(sample, ALL, np.zeros(400))
    assert flux.way == "none"
    assert [f.code for f in flux.findings] == ["monitor-unusable"]


def test_a_trend_needs_frames(sample):
    with pytest.raises(InputError, match="64 or more"):
        incident_flux(sample[:20], ALL[:20], None, "trend")
