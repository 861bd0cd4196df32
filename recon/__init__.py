"""What is made of a scan: probe, solvers, metrics, resolution, results, figures, command line.

Names load when they are first used, so ``import recon`` is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from recon.halves import resolution
    from recon.joint import reconstruct_together
    from recon.recipe import Recipe, parse_recipe, read_recipe
    from recon.result import Result, StopReason
    from recon.result_file import read_result, write_result
    from recon.ring_correlation import RingCorrelation
    from recon.workflow import reconstruct

__all__ = [
    "Recipe",
    "Result",
    "RingCorrelation",
    "StopReason",
    "parse_recipe",
    "read_recipe",
    "read_result",
    "reconstruct",
    "reconstruct_together",
    "resolution",
    "write_result",
]

_HOMES = {
    "halves": ("resolution",),
    "joint": ("reconstruct_together",),
    "recipe": ("Recipe", "parse_recipe", "read_recipe"),
    "result": ("Result", "StopReason"),
    "result_file": ("read_result", "write_result"),
    "ring_correlation": ("RingCorrelation",),
    "workflow": ("reconstruct",),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"recon.{_HOME[name]}"), name)
    raise AttributeError(f"module 'recon' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
