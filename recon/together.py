"""Several scans as one: joined before a run, parted after it.

Scans that share only the probe have their objects side by side on one canvas; nothing else has to know of it. Scans
that share the object keep their coordinates, and each has a strongest mode of its own unless the probe is shared, too.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.groups import Groups
from recon.own_probes import own_probe
from recon.problem import Problem, empty_field_power, with_own_scales
from recon.state import State
from scans.errors import InputError
from scans.prepared import PreparedScan
from scans.scan import Note

# Lengths and energies of scans that are joined agree to this share.
ALIKE = 1e-3
# Object pixels between the frames of fields on one canvas: more than positions can move.
GAP_PX = 64


@dataclass(frozen=True)
class Together:
    """Scans in one.

    Parameters
    ----------
    share
        "probe", "object" or "both".
    parts
        The scans, their flux relative to the typical frame of all.
    offsets_m
        ``(S, 2)`` what was added to the positions of each.
    prepared
        All frames in one scan.
    """

    share: str
    parts: tuple[PreparedScan, ...]
    offsets_m: NDArray[np.float64]
    prepared: PreparedScan

    @property
    def of_frame(self) -> NDArray[np.int64]:
        """``(J,)`` number of the scan that each frame is from."""
        return np.repeat(np.arange(len(self.parts)), [len(part.counts) for part in self.parts])

    def groups(self, problem: Problem) -> Groups:
        """Return how frames are told apart, and what each scan is free in."""
        columns = self._columns(problem) if self.share == "probe" else None
        return Groups(self.of_frame, columns, free=self.share != "both")

    def _columns(self, problem: Problem) -> tuple[tuple[int, int], ...]:
        """First and last column of each field: the canvas is cut in the middle between them."""
        x = [problem.positions_px[self.of_frame == number, 1] for number in range(len(self.parts))]
        cuts = [int((left.max() + right.min()) / 2) for left, right in itertools.pairwise(x)]
        edges = [0, *cuts, problem.object_shape[1]]
        return tuple(itertools.pairwise(edges))

    def part(self, number: int, problem: Problem, state: State) -> tuple[Problem, State]:
        """Return problem and state of one scan: its frames, its field, its probe."""
        rows = np.flatnonzero(self.of_frame == number)
        some = with_own_scales(problem.subset(rows))
        pixel, offset = np.array(problem.pixel_m), self.offsets_m[number]
        own = _state_of(state, rows, own_probes=self.share == "object")
        if self.share != "probe":
            # what registration added counts as a move
            return replace(some, positions_px=some.positions_px - offset / pixel, groups=None), own
        field = self._field(number, problem)
        first = np.array([field[0].start, field[1].start])
        origin = np.array(problem.origin_m) + first * pixel - offset
        shape = (field[0].stop - field[0].start, field[1].stop - field[1].start)
        some = replace(some, positions_px=some.positions_px - first, object_shape=shape, groups=None)
        own.object_, own.positions_px = own.object_[..., *field], own.positions_px - first
        own.without_prior = None if own.without_prior is None else own.without_prior[..., *field]
        return replace(some, origin_m=(float(origin[0]), float(origin[1]))), own

    def _field(self, number: int, problem: Problem) -> tuple[slice, slice]:
        """Rows and columns of a scan's own field, with a margin as wide as that of the canvas."""
        positions = problem.positions_px[self.of_frame == number]
        # left and above of the first frame there are as many pixels on the canvas as its margin
        margin = int(problem.positions_px.min())
        first = np.maximum(np.floor(positions.min(axis=0)).astype(int) - margin, 0)
        last = np.minimum(np.ceil(positions.max(axis=0)).astype(int) + margin + 1, problem.object_shape)
        return slice(int(first[0]), int(last[0])), slice(int(first[1]), int(last[1]))

    def note(self, number: int) -> Note:
        """Tell of one scan what it was reconstructed with."""
        others = ", ".join(part.scan.name for k, part in enumerate(self.parts) if k != number)
        what = {"probe": "the probe", "object": "the object", "both": "object and probe"}[self.share]
        return Note("together", f"with {others}", "run.share", f"{what} in common")


def _state_of(state: State, rows: NDArray[np.int64], *, own_probes: bool) -> State:
    """Return what a state knows of some of the frames, with the probe that they see."""
    aside = None if state.aside is None else np.flatnonzero(np.isin(rows, state.aside))
    own = replace(
        state,
        positions_px=state.positions_px[rows],
        intensity=None if state.intensity is None else state.intensity[rows],
        aside=None if aside is None or not len(aside) else aside,
        corners=None,
        memory={},
    )
    if own_probes:
        return replace(own, probe=own_probe(state, int(rows[0])), variation=None, coefficients=None)
    return replace(own, coefficients=None if state.coefficients is None else state.coefficients[rows])


def join(parts: Sequence[PreparedScan], share: str, offsets_m: NDArray[np.float64]) -> Together:
    """Make one scan of several.

    Parameters
    ----------
    share
        What they have in common: "probe", "object" or "both".
    offsets_m
        ``(S, 2)`` to be added to the positions of each where the object is shared.

    Raises
    ------
    InputError
        When geometry, energy, frame size or unit differ.
    """
    for part in parts[1:]:
        _check_alike(parts[0], part)
    if share == "probe":
        offsets_m = _side_by_side(parts)
    powers = np.array([empty_field_power(part.totals()) for part in parts])
    brighter = powers / powers.mean()
    same = tuple(
        replace(part, flux=(part.flux * factor).astype(np.float32))
        for part, factor in zip(parts, brighter, strict=True)
    )
    positions = [part.positions_m + offset for part, offset in zip(parts, offsets_m, strict=True)]
    return Together(share, same, offsets_m, _one_scan(same, np.concatenate(positions)))


def _side_by_side(parts: Sequence[PreparedScan]) -> NDArray[np.float64]:
    """Return offsets ``(S, 2)`` [m] that put fields side by side along x, by whole pixels."""
    pixel, offsets, right = np.array(parts[0].geometry.object_pixel_m), [], None
    gap = parts[0].counts.shape[-1] + GAP_PX
    first = parts[0].positions_m.min(axis=0)
    for part in parts:
        low, high = part.positions_m.min(axis=0), part.positions_m.max(axis=0)
        start = first if right is None else np.array([first[0], right + gap * pixel[1]])
        offset = np.rint((start - low) / pixel) * pixel
        offsets.append(offset)
        right = (high + offset)[1]
    return np.array(offsets)


def _check_alike(one: PreparedScan, other: PreparedScan) -> None:
    """Refuse scans whose frames do not mean the same."""
    here, there = one.geometry, other.geometry
    size, names = one.counts.shape[-1], f"{one.scan.name} and {other.scan.name}"
    if other.counts.shape[-1] != size:
        raise InputError(
            f"frames of {size} and of {other.counts.shape[-1]} pixels",
            where=names,
            expected="frames of one size where scans are reconstructed together",
            fix=f"Give it, e.g. -s prepare.size={min(size, other.counts.shape[-1])}.",
        )
    for what, a, b in (
        ("photon energy [eV]", here.energy_ev, there.energy_ev),
        ("distance [m]", here.distance_m, there.distance_m),
        ("detector pixel [m]", here.pixel_size_m[0], there.pixel_size_m[0]),
        ("detector pixel [m]", here.pixel_size_m[1], there.pixel_size_m[1]),
    ):
        if abs(a - b) > ALIKE * abs(a):
            raise InputError(
                f"{what} {a:.6g} and {b:.6g}",
                where=names,
                expected="scans of one geometry where they are reconstructed together",
                fix="Reconstruct them one by one, or correct the wrong value with -s scan.KEY=VALUE.",
            )
    if one.unit != other.unit:
        raise InputError(
            f"counts in {one.unit} and in {other.unit}",
            where=names,
            expected="one unit",
            fix="Give the gain: -s prepare.counts_per_photon=VALUE.",
        )


def _one_scan(parts: Sequence[PreparedScan], positions_m: NDArray[np.float64]) -> PreparedScan:
    """Return all frames as one prepared scan."""
    first, n_frames = parts[0], sum(len(part.counts) for part in parts)
    counts = np.concatenate([part.counts for part in parts])
    if counts.dtype == np.float64:  # of uint32 and float32
        counts = counts.astype(np.float32)
    settings = {k: v for k, v in first.settings.items() if all(part.settings.get(k) == v for part in parts)}
    whole: dict[str, Any] = {
        "counts": counts,
        "mask": _planes([part.mask for part in parts], parts),
        "positions_m": positions_m,
        "response": None,
        "flux": np.concatenate([part.flux for part in parts]),
        "frame_index": np.arange(n_frames),
    }
    if any(part.response is not None for part in parts):
        ones = np.ones(counts.shape[1:], np.float32)
        planes = [ones if part.response is None else part.response for part in parts]
        whole["response"] = _planes(planes, parts)
    noise = float(np.sqrt(np.mean([part.read_noise**2 for part in parts])))
    together = replace(
        first, **whole, left_out=(), steps=(), findings=(), settings=settings, read_noise=noise, scan=_plain(first)
    )
    names = " + ".join(part.scan.name for part in parts)
    return replace(together, scan=replace(together.as_scan(), title=names, index_in_file=None))


def _plain(first: PreparedScan) -> Any:
    """Return the first scan without what it has for each of its frames."""
    return replace(first.scan, raw_positions=None, readings_m=None, index_in_file=None, monitor=None)


def _planes(planes: Sequence[NDArray[Any]], parts: Sequence[PreparedScan]) -> NDArray[Any]:
    """Return one plane ``(N, N)`` where all are the same, or else one for each frame ``(J, N, N)``."""
    if all(plane.ndim == 2 and np.array_equal(plane, planes[0]) for plane in planes):
        return planes[0]
    each = [np.broadcast_to(plane, part.counts.shape) for plane, part in zip(planes, parts, strict=True)]
    return np.concatenate(each)
