"""What each item of an unknown file may be: a proposal with its evidence, never a decision."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, replace
from pathlib import Path

from scans.formats.items import Item, Source
from scans.formats.mapping_text import mapping_of, parse_reference
from scans.formats.overrides import Overrides
from scans.formats.role_arrays import (
    FrameFacts,
    dark_candidates,
    exposure_candidates,
    flat_candidates,
    frame_candidates,
    look_at,
    mask_candidates,
    may_be_frames,
    monitor_candidates,
)
from scans.formats.role_guess import Candidate, Guess, Named, decide, named
from scans.formats.role_numbers import centre_candidates, energy_candidates, number_candidates, pixel_candidates
from scans.formats.role_own import OWN, TURNS, orientation_guess, own_guesses
from scans.formats.role_positions import position_candidates
from scans.geometry import PLANCK_TIMES_C_EV_M
from scans.scan import Finding

__all__ = ["Candidate", "Guess", "Proposal", "propose"]

# So many stacks are looked into.
MAX_LOOKED_AT = 4
# Role -> keys of the mapping that fill it.
KEYS: dict[str, tuple[str, ...]] = {
    "frames": ("frames",),
    "positions": ("y", "x", "positions"),
    "energy": ("energy", "wavelength"),
    "distance": ("distance",),
    "pixel size": ("pixel_size", "pixel_size_y", "pixel_size_x"),
    "dark": ("dark",),
    "flat": ("flat",),
    "mask": ("mask", "mask_bad"),
    "monitor": ("monitor",),
    "exposure": ("exposure",),
    "counts per photon": ("counts_per_photon",),
    "saturation": ("saturation",),
    "beam centre": ("beam_centre", "beam_centre_y", "beam_centre_x"),
    "zone plate diameter": ("zone_plate_diameter",),
    "outer zone": ("outer_zone",),
    "stop fraction": ("stop_fraction", "stop_diameter"),
    "defocus": ("defocus",),
    "orientation": (*TURNS, "pixel_axes"),
    **{role: (key,) for role, (key, *_) in OWN.items()},
}


@dataclass(frozen=True)
class Proposal:
    """What a file may hold, by role.

    Parameters
    ----------
    path, kind
        Of the source.
    guesses
        One for each role, in the order of ``KEYS``.
    unused
        Items that no role took.
    missing
        Essential roles that are open and not given otherwise.
    n_stacks
        Number of arrays that have the shape of frames, whatever they are.
    findings
        What a person should know about the files: missing numbers, odd rows of tables.
    ignored
        Files that were not used, each with the reason.
    """

    path: Path
    kind: str
    guesses: tuple[Guess, ...]
    unused: tuple[Item, ...]
    missing: tuple[str, ...]
    n_stacks: int = 0
    findings: tuple[Finding, ...] = ()
    ignored: tuple[tuple[str, str], ...] = ()

    @property
    def mapping(self) -> dict[str, str]:
        """What is proposed, as the recipe's ``[scan.mapping]``."""
        return {key: ref for guess in self.guesses for key, ref in guess.entries.items()}


def propose(source: Source, overrides: Overrides | None = None) -> Proposal:
    """Guess the role of every item; roles with thin or equal evidence stay open.

    Parameters
    ----------
    source
        Open source.
    overrides
        What the user says: keys of its mapping are kept, and essential values given otherwise are not missed.
    """
    overrides = overrides or Overrides()
    given = dict(overrides.mapping or {})
    items = named(list(source.items()))
    frames, facts = _frames(items, given)
    count = facts.n_frames if facts else None
    guesses = {"frames": frames}
    guesses["energy"] = decide("energy", energy_candidates(items, count))
    guesses["distance"] = decide("distance", number_candidates("distance", items, count))
    guesses["pixel size"] = decide("pixel size", pixel_candidates(items, count))
    if facts is not None:
        guesses |= _per_frame_roles(items, facts, _object_pixel(guesses, overrides, facts))
    guesses |= _plain_roles(items, facts) | {"orientation": orientation_guess(items)} | own_guesses(items, count)
    every = [_with_given(guesses.get(role) or Guess(role, evidence=("no frames",)), given) for role in KEYS]
    ordered = tuple(g for g in every if g.entries or g.role not in OWN)  # no other program writes these
    entries = {key: ref for guess in ordered for key, ref in guess.entries.items()}
    missing = tuple(mapping_of(entries).missing(overrides))
    used = {parse_reference(ref, key).path for g in ordered for key, ref in g.entries.items() if key != "mask_bad"}
    unused = tuple(i.item for i in items if i.path not in used)
    stacks = sum(may_be_frames(item) for item in items)
    return Proposal(source.path, source.kind, ordered, unused, missing, stacks, source.findings, source.ignored)


def _with_given(guess: Guess, given: MappingOf[str, str]) -> Guess:
    """Put what the user said in place of the guess."""
    said = {key: given[key] for key in KEYS[guess.role] if key in given}
    return replace(guess, entries=said, confidence="given", evidence=("given by the user",)) if said else guess


def _frames(items: list[Named], given: MappingOf[str, str]) -> tuple[Guess, FrameFacts | None]:
    """Guess the frames, and what a few of them show."""
    ranked = frame_candidates(items)
    if "frames" in given:
        ranked = [(c, i) for c, i in ranked if i.path == given["frames"]]
        ranked = ranked or [(Candidate({"frames": i.path}, 0.0), i) for i in items if i.path == given["frames"]]
    looked = [(*look_at(candidate, item), item) for candidate, item in ranked[:MAX_LOOKED_AT]]
    guess = decide("frames", [candidate for candidate, _, _ in looked])
    chosen = given.get("frames") or guess.entries.get("frames")
    facts = next((f for _, f, item in looked if item.path == chosen and len(item.shape) > 2), None)
    return guess, facts


def _object_pixel(
    guesses: MappingOf[str, Guess], overrides: Overrides, facts: FrameFacts
) -> tuple[float, float] | None:
    """Object pixel ``(y, x)`` [m] of what was guessed or given; None where something is open."""
    energy = overrides.energy_ev or _value(guesses["energy"])
    distance = overrides.distance_m or _value(guesses["distance"])
    pixel = (overrides.pixel_pair or (0.0,))[0] or _value(guesses["pixel size"])
    if not (energy and distance and pixel):
        return None
    length = PLANCK_TIMES_C_EV_M / energy * distance / pixel
    return length / facts.shape[0], length / facts.shape[1]


def _value(guess: Guess) -> float | None:
    """Return the number behind a guess."""
    return guess.value[0] if guess.value else None


def _per_frame_roles(
    items: list[Named], facts: FrameFacts, object_pixel_m: tuple[float, float] | None
) -> dict[str, Guess]:
    """Roles that are told by the frames' number and shape."""
    taken: dict[str, list[Candidate]] = {
        "positions": position_candidates(items, facts, object_pixel_m),
        "dark": dark_candidates(items, facts),
        "flat": flat_candidates(items, facts),
        "mask": mask_candidates(items, facts),
        "monitor": monitor_candidates(items, facts),
        "exposure": exposure_candidates(items, facts),
        "beam centre": centre_candidates(items, facts.shape, facts.centre),
    }
    return {role: decide(role, candidates) for role, candidates in taken.items()}


def _plain_roles(items: list[Named], facts: FrameFacts | None) -> dict[str, Guess]:
    """Roles of single numbers."""
    count = facts.n_frames if facts else None
    saturation = number_candidates("saturation", items, count)
    if facts is not None and facts.largest > 0:
        # A limit far below what the frames hold is something else.
        saturation = [c for c in saturation if not c.value or c.value[0] >= 0.5 * facts.largest]
    stop = number_candidates("stop_fraction", items, count) + number_candidates("stop_diameter", items, count)
    found = {
        "counts per photon": number_candidates("counts_per_photon", items, count),
        "saturation": saturation,
        "zone plate diameter": number_candidates("zone_plate_diameter", items, count),
        "outer zone": number_candidates("outer_zone", items, count),
        "stop fraction": stop,
        "defocus": number_candidates("defocus", items, count),
    }
    return {role: decide(role, candidates) for role, candidates in found.items()}
