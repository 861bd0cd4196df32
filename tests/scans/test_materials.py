from __future__ import annotations

import numpy as np
import pytest
import xraydb

from scans.errors import InputError
from scans.materials import CARBON, COPPER, GOLD, MATERIALS, PROTEIN, SILICON_NITRIDE, transmission


@pytest.mark.parametrize("material", MATERIALS, ids=lambda m: m.name)
def test_optical_constants_are_chantlers(material, rng):
    # xraydb evaluates the tables of Chantler (1995); nodes and places between them within 2 %
    for nodes in material.ranges:
        energies = [e for e, _, _ in nodes]
        between = np.exp(rng.uniform(np.log(energies[0]), np.log(energies[-1]), 15))
        for energy_ev in (*energies, *between):
            expected = xraydb.xray_delta_beta(material.formula, material.density_g_cm3, energy_ev)[:2]
            assert material.delta_beta(energy_ev) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("material", "nm", "energy_ev", "phase", "optical_density"),
    [
        # φ = -kδt and OD = 4πβt/λ by hand from Chantler's δ and β: gold 36.8e-4, 20.7e-4 and copper 21.0e-4,
        # 3.45e-4 at 710 eV, nitride 12.7e-4, 2.32e-4 at 710 eV
        (GOLD, 50, 710.0, -0.662, 0.746),
        (COPPER, 50, 710.0, -0.378, 0.124),
        (SILICON_NITRIDE, 100, 710.0, -0.457, 0.167),
    ],
)
def test_matter_retards_and_absorbs(material, nm, energy_ev, phase, optical_density):
    value = transmission({material: np.full((2, 3), nm * 1e-9)}, energy_ev)
    assert value.shape == (2, 3)
    assert value.dtype == np.complex128
    np.testing.assert_allclose(np.angle(value), phase, rtol=0.02)
    np.testing.assert_allclose(-2 * np.log(np.abs(value)), optical_density, rtol=0.02)


def test_layers_multiply():
    carbon, protein = np.full((2, 2), 30e-9), np.arange(4.0).reshape(2, 2) * 50e-9
    both = transmission({CARBON: carbon, PROTEIN: protein}, 710.0)
    np.testing.assert_allclose(both, transmission({CARBON: carbon}, 710.0) * transmission({PROTEIN: protein}, 710.0))


@pytest.mark.parametrize("energy_ev", [250.0, 933.0, 5000.0])
def test_edges_are_outside_the_tables(energy_ev):
    with pytest.raises(InputError, match=r"energy_ev for copper: .* 300 to 925 eV or 960 to 4200 eV\. Take an"):
        COPPER.delta_beta(energy_ev)
