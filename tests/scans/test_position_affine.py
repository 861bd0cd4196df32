"""Rotation and factor of the positions that the user gives: against a turn by hand."""

from __future__ import annotations

import numpy as np
import pytest
from formats_files import make_nexus, positions_um

from scans.errors import InputError
from scans.formats import load


def test_positions_are_turned_and_scaled_about_their_mean(tmp_path):
    path = make_nexus(tmp_path / "n.nxs")
    plain = load(path).positions_m
    scan = load(path, position_rotation_mrad=500.0, position_factor=1.1)
    # by hand, with complex numbers x + iy: +x towards +y is a turn by +0.5 rad
    z = plain[:, 1] + 1j * plain[:, 0]
    z = z.mean() + 1.1 * np.exp(0.5j) * (z - z.mean())
    np.testing.assert_allclose(scan.positions_m, np.stack([z.imag, z.real], axis=1), rtol=1e-12, atol=1e-18)
    # the map from the readings says the same
    raw = scan.raw_positions
    np.testing.assert_allclose(raw.values @ raw.matrix.T + raw.offset_m, scan.positions_m, rtol=1e-9, atol=1e-15)
    assert {n.what: n.value for n in scan.notes}["position_rotation_mrad"] == "500"
    np.testing.assert_allclose(plain, positions_um() * 1e-6, rtol=1e-12)


@pytest.mark.parametrize(
    "given", [{"position_rotation_mrad": float("nan")}, {"position_factor": 0.0}, {"position_rotation_mrad": 4000.0}]
)
def test_impossible_turns_name_the_option(tmp_path, given):
    (name,) = given
    with pytest.raises(InputError, match=rf"scan\.{name}"):
        load(make_nexus(tmp_path / "n.nxs"), **given)
