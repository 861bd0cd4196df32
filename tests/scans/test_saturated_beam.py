"""A beam that is saturated in every frame is no beamstop, and its centre is found or doubted."""

import math
from dataclasses import replace

import numpy as np
import pytest
from dirty_scans import patterns, record

from scans.detector_model import dirty_detector
from scans.readout_plan import plan_readout
from scans.window import beam_centre


@pytest.mark.parametrize(("photons", "bits", "smear"), [(1e6, 16, 2e-4), (1e6, 12, 5e-4), (1e7, 14, 1e-4)])
def test_a_beam_saturated_in_every_frame(photons, bits, smear):
    source = patterns("catalyst", 40, frame_px=96, centre_offset_y_px=3.3, centre_offset_x_px=-2.4)
    model = dirty_detector(smear=smear, adc_top=(1 << bits) - 1)
    scan, _, exposure = record(model, photons, source=source, counts_per_photon=None, beam_centre_px=None)
    readout = plan_readout(replace(scan, saturation=float((1 << bits) - 1)))
    assert exposure.truth.saturated.all(axis=0).sum() > 300  # the check means something
    assert not any(s.startswith("beamstop") for s in readout.steps)
    centre, _, findings = beam_centre(scan, readout, None)
    assert math.dist(centre, (51.3, 45.6)) < 0.2
    assert "centre-saturated" in {f.code for f in findings}


def test_frames_without_any_count_are_not_taken_for_saturated():
    scan, _, _ = record(dirty_detector(), 1e5, source=patterns("catalyst", 40), darks=0, beam_centre_px=None)
    readout = plan_readout(replace(scan, frames=np.zeros(scan.frames.shape, np.uint16), dark=None))
    assert not readout.pattern.any()
