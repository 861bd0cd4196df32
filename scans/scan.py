"""What was measured: one frozen `Scan`, whatever file it came from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.geometry import Geometry

Progress = Callable[[int, int], None]  # called with (frames done, frames in all)


class Frames(Protocol):
    """Stack of frames ``(J, h, w)``: a NumPy array, or a file that is read slice by slice."""

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        ...

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the stored counts."""
        ...

    def __getitem__(self, key: slice) -> NDArray[Any]: ...


@dataclass(frozen=True)
class ZonePlate:
    """Nominal focusing optic: what the beamline believes, not what the wave was.

    Parameters
    ----------
    diameter_m, outer_zone_m
        Diameter and outermost zone width [m].
    stop_fraction
        Diameter of the central stop over the zone plate's diameter.
    defocus_m
        Sample distance behind the focus, downstream positive [m]; None when unknown.
    """

    diameter_m: float
    outer_zone_m: float
    stop_fraction: float = 0.0
    defocus_m: float | None = None

    def __post_init__(self) -> None:
        if not (self.diameter_m > 4 * self.outer_zone_m > 0 and 0 <= self.stop_fraction < 1):
            raise InputError(
                f"diameter {self.diameter_m:g} m, outer zone {self.outer_zone_m:g} m, stop {self.stop_fraction:g}",
                where="zone plate",
                expected="diameter > 4 x outer zone > 0 and a stop fraction from 0 to below 1",
                fix="Correct the zone-plate entries, or start the probe from the data (-s probe.start=data).",
            )

    def focal_length_m(self, wavelength_m: float) -> float:
        """First-order focal length D·drn/λ [m] (X-Ray Data Booklet, section 4.4)."""
        return self.diameter_m * self.outer_zone_m / wavelength_m


@dataclass(frozen=True)
class Orientation:
    """How stored frames become frames whose rows and columns run with sample y and x.

    The transposition comes first, then the flips.
    """

    transpose: bool = False
    flip_y: bool = False
    flip_x: bool = False

    def apply(self, frames: NDArray[Any]) -> NDArray[Any]:
        """Turn an array ``(..., h, w)``; the last two axes are the detector's. Returns a view."""
        if self.transpose:
            frames = np.swapaxes(frames, -1, -2)
        if self.flip_y:
            frames = frames[..., ::-1, :]
        if self.flip_x:
            frames = frames[..., ::-1]
        return frames

    def stored_box(self, box: tuple[slice, slice], shape: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns of the stored frame that become those of `box` in the oriented frame of `shape`."""
        y, x = (slice(*s.indices(n)) for s, n in zip(box, shape, strict=True))
        if self.flip_y:
            y = slice(shape[0] - y.stop, shape[0] - y.start)
        if self.flip_x:
            x = slice(shape[1] - x.stop, shape[1] - x.start)
        return (x, y) if self.transpose else (y, x)

    def apply_point(self, point: tuple[float, float], shape: tuple[int, int]) -> tuple[float, float]:
        """Turn pixel coordinates ``(row, column)`` of a stored frame of `shape` alike."""
        y, x = point
        ny, nx = shape
        if self.transpose:
            y, x, ny, nx = x, y, nx, ny
        return (ny - 1 - y if self.flip_y else y), (nx - 1 - x if self.flip_x else x)

    def then(self, second: Orientation) -> Orientation:
        """Return the one orientation that does what this and then `second` do to a frame."""
        # moving the transposition of `second` in front of the flips of this one swaps these
        flip_y, flip_x = (self.flip_x, self.flip_y) if second.transpose else (self.flip_y, self.flip_x)
        return Orientation(self.transpose ^ second.transpose, flip_y ^ second.flip_y, flip_x ^ second.flip_x)

    @classmethod
    def named(cls, text: str, where: str = "orientation") -> Orientation:
        """Return the orientation that prints as `text`.

        Raises
        ------
        InputError
            For any other spelling.
        """
        for case in range(8):
            orientation = cls(bool(case & 4), bool(case & 2), bool(case & 1))
            if text == str(orientation):
                return orientation
        raise InputError(
            f"{text!r}",
            where=where,
            expected='"as stored", or "transpose", "flip_y", "flip_x" joined by "+" in this order',
            fix=f"For example -s {where}=transpose+flip_y.",
        )

    def __str__(self) -> str:
        steps = [n for n, on in (("transpose", self.transpose), ("flip_y", self.flip_y), ("flip_x", self.flip_x)) if on]
        return "+".join(steps) or "as stored"


@dataclass(frozen=True)
class Note:
    """Where one value of a scan came from.

    `guess` marks what the file did not say; guesses are printed and stored with the result.
    """

    what: str
    value: str
    where: str
    why: str = ""
    guess: bool = False


@dataclass(frozen=True)
class Finding:
    """Something a person should know about a scan or a result.

    `code` is a short fixed name for programs, `text` says what was seen, `fix` what to do.
    """

    level: Literal["note", "caution", "serious"]
    code: str
    text: str
    fix: str = ""


@dataclass(frozen=True)
class RawPositions:
    """Stage readings as written, and the linear map to sample coordinates.

    ``positions_m = values @ matrix.T + offset_m`` with `values` ``(J, 2)`` in `unit`, in the order of
    `names`; the rows of `matrix` are sample y and x.
    """

    values: NDArray[np.float64]
    unit: str
    names: tuple[str, str]
    matrix: NDArray[np.float64]
    offset_m: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Scan:
    """One scan as read from its file: lazy frames, positions in metres, geometry, what is known.

    Parameters
    ----------
    frames
        ``(J, h, w)`` detector counts as stored (raw orientation, raw centre), read on demand.
    positions_m
        ``(J, 2)`` float64 [m], ``(y, x)``: where the probe's centre meets the sample.
    geometry
        Of the *oriented* frames: `frame_shape` and `pixel_size_m` are after `orientation`.
    path, layout, entry
        Source file (None for arrays), name of the layout that read it, HDF5 path of the entry.
    mask
        ``(h, w)``, or ``(J, h, w)`` where frames differ, bool as stored, True = good pixel; None when the file
        has none.
    dark
        ``(K, h, w)`` or ``(h, w)`` dark counts as stored, or None.
    dark_exposures_s
        ``(K,)`` exposure of each dark frame [s] where they differ; None when they do not, or it is unknown.
    flat
        ``(h, w)``, or ``(J, h, w)`` where frames differ, response of each pixel relative to the typical one: the
        counts that it shows where one with response 1 shows one. None when unknown or corrected already.
    counts_per_photon
        Detector gain [counts/photon]; None when unknown.
    read_noise
        Rms of one pixel [stored counts], for scans without dark frames; None when unknown.
    saturation
        Stored counts at and above this value are not to be trusted; None when unknown.
    beam_centre_px
        ``(row, column)`` of the direct beam in the stored frame; None when unknown.
    readings_m
        ``(J, K, 2)`` sample positions read during each exposure [m], in order of time, whose mean (nan left
        out) is `positions_m`: the path of a fly scan. None when there is one reading a frame.
    monitor
        ``(J,)`` incident flux per frame, any unit, or None.
    exposure_s, exposures_s
        Exposure of all frames [s]; ``(J,)`` where frames differ (interleaved long and short exposures).
    index_in_file
        ``(J,)`` int64 number of each frame in the file's stack; None when that is 0 to J-1.
    prepared
        What was done to the frames already, a line a step (they were written by `prepare`); empty for raw frames.
    notes
        Where each value came from, guesses marked.
    """

    frames: Frames
    positions_m: NDArray[np.float64]
    geometry: Geometry
    path: Path | None = None
    layout: str = "arrays"
    entry: str = "/"
    frames_path: str = ""
    title: str = ""
    mask: NDArray[np.bool_] | None = None
    dark: NDArray[Any] | None = None
    dark_exposures_s: NDArray[np.float64] | None = None
    flat: NDArray[np.float64] | None = None
    counts_per_photon: float | None = None
    read_noise: float | None = None
    saturation: float | None = None
    beam_centre_px: tuple[float, float] | None = None
    orientation: Orientation = Orientation()
    zone_plate: ZonePlate | None = None
    raw_positions: RawPositions | None = None
    readings_m: NDArray[np.float64] | None = None
    monitor: NDArray[np.float64] | None = None
    exposure_s: float | None = None
    exposures_s: NDArray[np.float64] | None = None
    index_in_file: NDArray[np.int64] | None = None
    prepared: tuple[str, ...] = ()
    notes: tuple[Note, ...] = field(default=())

    def __post_init__(self) -> None:
        where = self.name
        shape = self.frames.shape
        if len(shape) != 3 or shape[0] < 1:
            raise InputError(
                f"frames of shape {tuple(shape)}",
                where=where,
                expected="(frames, rows, columns) with at least one frame",
                fix="Name the dataset that holds the diffraction frames after '::'.",
            )
        if self.positions_m.shape != (shape[0], 2):
            raise InputError(
                f"{shape[0]} frames but {len(self.positions_m)} positions",
                where=where,
                expected="one position (y, x) a frame",
                fix="If the scan was aborted, write both to the same length; nothing is cut silently.",
            )
        bad = np.flatnonzero(~np.isfinite(self.positions_m).all(axis=1))
        if bad.size:
            raise InputError(
                f"{bad.size} of {shape[0]} positions are not finite, the first at frame {bad[0]}",
                where=f"{where}, positions",
                expected="finite positions for every frame",
                fix="Correct the position table, or leave these frames out when writing the scan.",
            )
        stored = tuple(shape[1:])
        if self.mask is not None and self.mask.shape not in (stored, (shape[0], *stored)):
            raise InputError(
                f"mask of shape {self.mask.shape}",
                where=where,
                expected=f"the frame's shape {stored}, or one mask a frame",
                fix="Correct or remove the mask.",
            )
        self._check_companions(stored)

    def _check_companions(self, stored: tuple[int, ...]) -> None:
        """Compare the shapes of what goes with frames and pixels."""
        n, dark = self.n_frames, self.dark
        n_dark = None if dark is None else dark.shape[0] if dark.ndim == 3 else 1
        for name, shape in (
            ("flat", stored if self.flat is None or self.flat.ndim == 2 else (n, *stored)),
            ("monitor", (n,)),
            ("exposures_s", (n,)),
            ("index_in_file", (n,)),
            ("readings_m", (n, None, 2)),
            ("dark_exposures_s", (n_dark,)),
        ):
            value = getattr(self, name)
            if value is None:
                continue
            same = [want in (None, have) for have, want in zip(value.shape, shape, strict=False)]
            if len(value.shape) != len(shape) or not all(same):
                raise InputError(
                    f"{name} of shape {value.shape}",
                    where=self.name,
                    expected=f"shape {tuple('any' if s is None else s for s in shape)}".replace("'", ""),
                    fix=f"Correct or remove {name}.",
                )

    @property
    def name(self) -> str:
        """Path and entry, for messages."""
        return f"{self.path}::{self.entry}" if self.path else "scan in memory"

    @property
    def n_frames(self) -> int:
        """Number of frames J."""
        return int(self.frames.shape[0])

    @property
    def guesses(self) -> tuple[Note, ...]:
        """Notes on values that the file did not say."""
        return tuple(n for n in self.notes if n.guess)

    def blocks(self, max_bytes: int = 64 << 20) -> Iterator[slice]:
        """Yield slices over the frames whose stored bytes stay near `max_bytes`, whole chunks each."""
        per_frame = int(np.prod(self.frames.shape[1:])) * self.frames.dtype.itemsize
        chunk = getattr(self.frames, "chunk_frames", 1)
        step = max(1, max_bytes // max(per_frame * chunk, 1)) * chunk
        for start in range(0, self.n_frames, step):
            yield slice(start, min(start + step, self.n_frames))
