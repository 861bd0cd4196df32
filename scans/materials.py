"""Optical constants of the few materials that simulated specimens are made of.

Tables of Chantler (J. Phys. Chem. Ref. Data 24 (1995) 71) at nodes between which δ and β follow power laws to
1.3 %; no node range crosses an edge. They treat atoms as isolated: within some 15 eV of an edge
measured spectra differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.geometry import PLANCK_TIMES_C_EV_M

# energy [eV], δ·1e6, β·1e6
_Nodes = tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Material:
    """Optical constants n = 1 - δ + iβ of one material.

    Parameters
    ----------
    name
        For messages.
    formula, density_g_cm3
        What the tables were evaluated for.
    ranges
        Node tables, one for each energy range free of edges.
    """

    name: str
    formula: str
    density_g_cm3: float
    ranges: tuple[_Nodes, ...]

    def delta_beta(self, energy_ev: float) -> tuple[float, float]:
        """δ and β at an energy [eV].

        Raises
        ------
        InputError
            Outside the tables, edges included.
        """
        for nodes in self.ranges:
            if nodes[0][0] <= energy_ev <= nodes[-1][0]:
                energies, delta, beta = np.log(np.array(nodes)).T
                at = np.log(energy_ev)
                return (
                    float(np.exp(np.interp(at, energies, delta))) * 1e-6,
                    float(np.exp(np.interp(at, energies, beta))) * 1e-6,
                )
        known = " or ".join(f"{nodes[0][0]:g} to {nodes[-1][0]:g} eV" for nodes in self.ranges)
        raise InputError(
            f"{energy_ev:g} eV",
            where=f"energy_ev for {self.name}",
            expected=known,
            fix="Take an energy in range, or a scenario of another material.",
        )


COPPER = Material(
    "copper",
    "Cu",
    8.96,
    (
        (
            (300, 11508, 3693),
            (405, 6708.9, 1732),
            (599, 3085.6, 571.7),
            (746, 1850.6, 295.4),
            (827, 1352.9, 211.9),
            (871, 1072.6, 180.0),
            (895, 881.3, 166.0),
            (908, 740.18, 159.9),
            (916, 620.31, 157.6),
            (921, 516.0, 156.9),
            (924, 428.12, 159.2),
            (925, 391.46, 160.1),
        ),
        (
            (960, 632.25, 1044),
            (965, 707.25, 1027),
            (975, 802.5, 991.9),
            (995, 909.25, 924.9),
            (1025, 979.34, 834.1),
            (1070, 987.44, 717.9),
            (1090, 955.62, 684.4),
            (1100, 944.47, 699.3),
            (1140, 973.38, 644.4),
            (1255, 912.98, 470.0),
            (1500, 707.33, 252.7),
            (2135, 369.91, 72.46),
            (3420, 144.51, 13.14),
            (4200, 95.014, 6.073),
        ),
    ),
)
CARBON = Material(
    "carbon",
    "C",
    2.0,
    (
        (
            (300, 2186.0, 2867),
            (305, 2385.7, 2726),
            (315, 2607.6, 2471),
            (335, 2733.5, 2039),
            (370, 2598.2, 1478),
            (435, 2115.8, 853.2),
            (580, 1284.4, 307.4),
            (1050, 395.84, 33.98),
            (3275, 39.176, 0.3891),
            (4200, 23.721, 0.1412),
        ),
    ),
)
GOLD = Material(
    "gold",
    "Au",
    19.32,
    (
        (
            (400, 7049.6, 7502),
            (475, 6179.4, 5252),
            (540, 5217.0, 3934),
            (570, 4950.6, 3574),
            (735, 3487.4, 1895),
            (910, 2488.3, 1094),
            (1095, 1808.6, 645.1),
            (1565, 893.09, 216.1),
            (1895, 568.67, 116.9),
            (2060, 436.76, 90.18),
            (2135, 366.03, 81.27),
            (2150, 347.96, 79.81),
        ),
    ),
)
# Composition and density are common practice; no authority was checked.
PROTEIN = Material(
    "protein",
    "C50H30N9O10S",
    1.35,
    (((560, 873.16, 275.4), (685, 626.62, 135.6), (1130, 235.73, 21.48), (2400, 50.834, 1.173)),),
)
SILICON_NITRIDE = Material(
    "silicon nitride",
    "Si3N4",
    3.17,
    (
        (
            (450, 2761.4, 1118),
            (535, 2136.3, 624.8),
            (790, 1025.6, 158.0),
            (1190, 445.51, 34.91),
            (1670, 212.71, 9.725),
            (1780, 177.33, 7.655),
        ),
    ),
)
MATERIALS = (COPPER, CARBON, GOLD, PROTEIN, SILICON_NITRIDE)


def transmission(thickness_m: Mapping[Material, NDArray[np.float64]], energy_ev: float) -> NDArray[np.complex128]:
    """Transmission of thin layers one after the other: the product of exp(-kβt)·exp(-ikδt).

    Parameters
    ----------
    thickness_m
        Projected thickness ``(H, W)`` [m] of each material.
    energy_ev
        Photon energy [eV].

    Returns
    -------
    ``(H, W)`` complex128.
    """
    k = 2 * np.pi * energy_ev / PLANCK_TIMES_C_EV_M
    exponent = np.zeros((), np.complex128)
    for material, thickness in thickness_m.items():
        delta, beta = material.delta_beta(energy_ev)
        exponent = exponent - k * complex(beta, delta) * thickness
    return np.exp(exponent)
