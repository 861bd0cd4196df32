"""Candidates for a role, and when the best of them is good enough to be proposed."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from scans.formats.items import Item
from scans.formats.role_words import Name, name_of

Confidence = Literal["high", "medium", "open", "given"]

# Sums of evidence. Each kind of evidence adds 0.5 to 2.5; a name alone reaches no threshold.
HIGH, MEDIUM = 4.0, 3.0
# The best must lead what means something else by so much.
LEAD_HIGH, LEAD_MEDIUM = 1.0, 0.5
# Two values that differ by less mean the same.
SAME = 1e-3


@dataclass(frozen=True)
class Candidate:
    """Something that may have a role.

    Parameters
    ----------
    entries
        Keys of ``[scan.mapping]`` and their references, such as ``{"y": "/a/hy in um", "x": "/a/hx in um"}``.
    score
        Sum of the evidence.
    evidence
        For people.
    value
        In SI, where it is a number: two candidates of one value do not compete.
    doubt
        Something about it is a guess (a unit, which column is y): it is never claimed with high confidence.
    """

    entries: dict[str, str]
    score: float
    evidence: tuple[str, ...] = ()
    value: tuple[float, ...] = ()
    doubt: bool = False

    @property
    def what(self) -> str:
        """References in one line."""
        return ", ".join(dict.fromkeys(ref for key, ref in self.entries.items() if key != "mask_bad"))

    def agrees_with(self, other: Candidate) -> bool:
        """Tell whether both hold the same numbers."""
        a, b = np.array(self.value), np.array(other.value)
        return bool(a.size and a.shape == b.shape and np.allclose(a, b, rtol=SAME, atol=0))


@dataclass(frozen=True)
class Guess:
    """What is thought of one role.

    Parameters
    ----------
    role
        For people: "frames", "positions", ...
    entries
        What the mapping gets; empty where the role stays open.
    confidence
        "high", "medium", "open", or "given" where the user said it.
    evidence
        For the guess, or why there is none.
    candidates
        Of an open role, best first.
    value
        In SI, where it is a number.
    """

    role: str
    entries: dict[str, str] = field(default_factory=dict)
    confidence: Confidence = "open"
    evidence: tuple[str, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    value: tuple[float, ...] = ()

    @property
    def what(self) -> str:
        """References in one line; empty where open."""
        return Candidate(self.entries, 0.0).what


def decide(role: str, candidates: list[Candidate]) -> Guess:
    """Take the best candidate where it is strong and alone; leave the role open otherwise."""
    ranked = sorted((c for c in candidates if c.score > 0), key=lambda c: -c.score)
    if not ranked:
        return Guess(role, evidence=("nothing in the file looks like it",))
    best = ranked[0]
    rivals = [c for c in ranked[1:] if not best.agrees_with(c)]
    same = [c.what for c in ranked[1:] if best.agrees_with(c)]
    lead = best.score - rivals[0].score if rivals else np.inf
    evidence = best.evidence + ((f"the same value as {same[0]}",) if same else ())
    if best.score >= MEDIUM and lead >= LEAD_MEDIUM:
        sure = best.score >= HIGH and lead >= LEAD_HIGH and not best.doubt
        confidence: Confidence = "high" if sure else "medium"
        if rivals and confidence == "medium" and lead < LEAD_HIGH:
            evidence += (f"next best: {rivals[0].what}",)
        return Guess(role, best.entries, confidence, evidence, value=best.value)
    why = f"{best.what} and {rivals[0].what} fit alike" if rivals and lead < LEAD_MEDIUM else "the evidence is thin"
    return Guess(role, evidence=(why,), candidates=tuple(ranked[:5]))


@dataclass(frozen=True)
class Named:
    """An item and its name taken apart."""

    item: Item
    name: Name

    @property
    def path(self) -> str:
        """Of the item."""
        return self.item.path

    @property
    def label(self) -> str:
        """Last part of the path, as written."""
        return re.split(r"[/@:\\]", self.item.path)[-1]

    @property
    def shape(self) -> tuple[int, ...]:
        """Of the item."""
        return self.item.shape

    @property
    def numeric(self) -> bool:
        """Tell whether it holds numbers."""
        return self.item.dtype.kind in "biuf"

    @property
    def size(self) -> int:
        """Number of values."""
        return int(np.prod(self.item.shape, dtype=object)) if self.item.shape else 1


def named(items: list[Item]) -> list[Named]:
    """Take the names of all items apart."""
    return [Named(item, name_of(item.path)) for item in items]


def reference(item: Named, unit: str | None = None, select: str = "") -> str:
    """Write a reference: the unit is added where the source does not say it itself."""
    return f"{item.path}{select}" + (f" in {unit}" if unit and not item.item.unit else "")
