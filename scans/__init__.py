"""What was measured: geometry, trajectories, file layouts, preparation, simulation with known truth.

`scans` never imports `recon`. Names load when they are first used, so ``import scans`` is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from scans.checks import geometry_table
    from scans.errors import InputError
    from scans.formats import load, write
    from scans.geometry import Geometry
    from scans.overview import FirstLook, first_look
    from scans.preparation import prepare
    from scans.prepared import PreparedScan
    from scans.scan import Finding, Note, Orientation, RawPositions, Scan, ZonePlate
    from scans.scenario import SCENARIOS, build
    from scans.simulation import simulate
    from scans.truth import Truth

__all__ = [
    "SCENARIOS",
    "Finding",
    "FirstLook",
    "Geometry",
    "InputError",
    "Note",
    "Orientation",
    "PreparedScan",
    "RawPositions",
    "Scan",
    "Truth",
    "ZonePlate",
    "build",
    "first_look",
    "geometry_table",
    "load",
    "prepare",
    "simulate",
    "write",
]

_HOMES = {
    "checks": ("geometry_table",),
    "overview": ("FirstLook", "first_look"),
    "errors": ("InputError",),
    "formats": ("load", "write"),
    "geometry": ("Geometry",),
    "preparation": ("prepare",),
    "prepared": ("PreparedScan",),
    "scan": ("Finding", "Note", "Orientation", "RawPositions", "Scan", "ZonePlate"),
    "scenario": ("SCENARIOS", "build"),
    "simulation": ("simulate",),
    "truth": ("Truth",),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"scans.{_HOME[name]}"), name)
    raise AttributeError(f"module 'scans' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
