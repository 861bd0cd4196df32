"""Solvers by name: what a recipe's ``solver`` key may say."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from recon.recipe_keys import nearest
from recon.recipe_sections import STAGE_KEYS
from recon.solvers.base import Solver
from recon.solvers.difference_map import DifferenceMap
from recon.solvers.least_squares import LeastSquares
from recon.solvers.limited import within_limits
from recon.solvers.maximum_likelihood import MaximumLikelihood
from recon.solvers.momentum_pie import MomentumPIE
from recon.solvers.moving_scans import MovingScans
from recon.solvers.pie import EPIE, RPIE
from recon.solvers.raar import RAAR
from recon.solvers.refining import Refining
from recon.solvers.relaxed_projections import RelaxedProjections
from recon.solvers.scan_by_scan import ScanByScan
from recon.unknowns import unknowns
from scans.errors import InputError

SOLVERS: dict[str, type[Any]] = {
    "epie": EPIE,
    "rpie": RPIE,
    "difference_map": DifferenceMap,
    "maximum_likelihood": MaximumLikelihood,
    "least_squares": LeastSquares,
    "momentum_pie": MomentumPIE,
    "raar": RAAR,
    "relaxed_projections": RelaxedProjections,
}

__all__ = ["SOLVERS", "Solver", "make_solver", "within_limits"]


def make_solver(name: str, settings: dict[str, Any], refine: str = "") -> Solver:
    """Return the solver `name` with these settings; what `refine` names is refined beside object and probe.

    Raises
    ------
    InputError
        For an unknown solver or key (names the nearest), a wrong type or a value out of range.
    """
    if name not in SOLVERS:
        raise InputError(
            f"unknown solver {name!r}",
            where="recipe, key solver",
            expected="one of " + ", ".join(SOLVERS),
            fix=f"The nearest is {nearest(name, SOLVERS)}.",
        )
    kind = SOLVERS[name]
    known: dict[str, Any] = {f.name: type(f.default) for f in fields(kind)}
    clean: dict[str, Any] = {}
    for key, value in settings.items():
        where = f"recipe, solver {name}, key {key}"
        if key not in known or key == "refine":
            raise InputError(
                "unknown key",
                where=where,
                expected="one of " + ", ".join(known),
                fix=f"The nearest is {nearest(key, (*STAGE_KEYS, *known))}.",
            )
        if isinstance(value, bool) or not isinstance(value, (known[key], int)):
            raise InputError(
                f"{value!r} of type {type(value).__name__}",
                where=where,
                expected=f"a value of type {known[key].__name__}",
                fix="Correct the value.",
            )
        clean[key] = known[key](value)
    if "refine" in known:
        return kind(**clean, refine=refine)
    solver, words = kind(**clean), refine.split()
    if "probes" in words and kind in (EPIE, RPIE):  # they step too often to wait for a slope once a pass
        solver, words = ScanByScan(solver), [word for word in words if word != "probes"]
    if "offsets" in words:
        solver, words = MovingScans(solver), [word for word in words if word != "offsets"]
    return Refining(solver, " ".join(words)) if unknowns(" ".join(words)) else solver
