"""What a reader collects about the detector's pixels: mask, dark frames, flat field, limits, beam centre."""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.formats.facts_base import GIVEN, FactsBase
from scans.formats.values import read_array


class PixelFacts(FactsBase):
    """Setters of what goes with pixels; shapes are those of the stored frame."""

    def set_mask(self, bad: NDArray[np.bool_], where: Any, why: str, *, sure: bool = False) -> None:
        """Keep a mask ``(h, w)``, or ``(..., h, w)`` with one for each frame of the file.

        Masks that differ from frame to frame are kept so, ``(J, h, w)``. Where there are not as many as frames,
        a pixel bad in any of them counts as bad. Several masks are joined: a pixel bad in one of them is bad.
        A mask that rejects most pixels is refused, unless its polarity is `sure`.
        """
        if not self._fits(bad.shape, where):
            return
        if bad.ndim > 2:
            bad, more = self._each_frame(bad.reshape(-1, *bad.shape[-2:]))
            why += more
        share = float(bad.mean()) if bad.size else 0.0
        if share > 0.5 and not sure and not self.given("mask_good"):
            self.problems.append(
                InputError(
                    f"the mask rejects {share:.0%} of the pixels",
                    where=where if isinstance(where, str) else self.file.where(where),
                    expected="0 = good, and at most half of the pixels bad",
                    fix="If 1 means good in this file, say -s scan.mask_good=one; if so many are bad, "
                    "-s scan.mask_good=zero.",
                )
            )
        self.mask = ~bad if self.mask is None else self.mask & ~bad
        each = f" in {len(bad)} frames" if bad.ndim == 3 else ""
        self.note("mask", f"{int(bad.sum())} bad pixels{each}", where, why)

    def _each_frame(self, bad: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], str]:
        """Masks ``(K, h, w)`` frame by frame where they differ and are as many as frames, otherwise joined."""
        if bool((bad == bad[:1]).all()):
            return bad[0], "" if len(bad) == 1 else "; the same in every frame"
        n_file = None if self.all_frames is None else self.all_frames.shape[0]
        n_used = None if self.frames is None else self.frames.shape[0]
        if len(bad) in (n_file, n_used):
            return bad, "; one mask a frame"
        joined: NDArray[np.bool_] = np.logical_or.reduce(bad, axis=0)
        return joined, f"; {len(bad)} masks are not one a frame: bad in any of them counts as bad"

    def _fits(self, shape: tuple[int, ...], where: Any) -> bool:
        """Tell whether the last two axes of a mask, dark frame or flat field are the frames'; a problem otherwise."""
        if self.frames is None or tuple(shape[-2:]) == self.frames.shape[1:]:
            return True
        self.refuse(
            InputError(
                f"shape {tuple(shape)}",
                where=where if isinstance(where, str) else self.file.where(where),
                expected=f"the frames' {self.frames.shape[1:]} pixels",
                fix="Correct or remove it in a copy of the file.",
            )
        )
        return False

    def set_dark(
        self,
        dark: h5py.Dataset | NDArray[Any],
        exposures_s: NDArray[np.float64] | float | None = None,
        *,
        where: Any = None,
        why: str = "",
    ) -> None:
        """Keep dark frames; a second call adds to the first.

        Parameters
        ----------
        dark
            ``(h, w)`` or ``(K, h, w)`` as stored: a dataset, or an array.
        exposures_s
            ``(K,)`` exposure of each [s], or one for all; None where unknown.
        where
            HDF5 object or text for the note; needed for an array.
        why
            For the note.
        """
        where = dark if where is None else where
        if len(dark.shape or ()) not in (2, 3) or not self._fits(dark.shape, where):
            return
        new = read_array(self.file, dark) if isinstance(dark, h5py.Dataset) else np.asarray(dark)
        n = len(new) if new.ndim == 3 else 1
        times = np.full(n, np.nan) if exposures_s is None else np.broadcast_to(np.float64(exposures_s), (n,))
        if self.dark is not None:
            old = self.dark.reshape(-1, *self.dark.shape[-2:])
            before = np.full(len(old), np.nan) if self.dark_exposures_s is None else self.dark_exposures_s
            times = np.concatenate([before, times])
            new = np.concatenate([old, new.reshape(-1, *new.shape[-2:])])
        self.dark = new
        self.dark_exposures_s = times.astype(np.float64) if np.isfinite(times).all() else None
        self.note("dark frames", f"{' x '.join(map(str, new.shape))} {new.dtype}", where, why)

    def set_flat(self, flat: h5py.Dataset | NDArray[Any], where: Any, why: str, *, measured: bool = False) -> None:
        """Keep the flat field ``(h, w)``, or ``(K, h, w)`` of which the mean is taken.

        It is taken as the pixels' response, without dark counts, by which counts are divided; the user's `flat`
        says otherwise ("multiplies": correction factors, whose inverse is kept; "none": left alone). It is kept
        relative to its median over the good pixels. Pixels without a response above 0 cannot be corrected: they
        join the mask.

        Parameters
        ----------
        flat
            Dataset or array.
        where, why
            For the note: HDF5 object or text, and what makes this a response to divide by.
        measured
            It was made of frames of even light, so that it is a response whatever the user says of a stored one.
        """
        if len(flat.shape or ()) not in (2, 3) or not self._fits(flat.shape, where):
            return
        use = None if measured and self.overrides.flat != "none" else self.overrides.flat
        if use == "none":
            self.note("flat field", "not applied", where, GIVEN)
            return
        values = self.values(flat) if isinstance(flat, h5py.Dataset) else np.asarray(flat, dtype=np.float64)
        values = values.mean(axis=0) if values.ndim == 3 else values
        good = np.isfinite(values) & (values > 0)
        if use is not None:
            why = f"it {use} the counts: {GIVEN}"
        if good.mean() < 0.5:
            fix = "Leave it out with -s scan.flat=none, or correct it in a copy of the file."
            name = where if isinstance(where, str) else self.file.where(where)
            found = f"a flat field that is above 0 in {good.mean():.0%} of the pixels only"
            self.refuse(InputError(found, where=name, expected="a response above 0 in most pixels", fix=fix))
            return
        response = np.divide(1.0, values, out=np.ones_like(values), where=good) if use == "multiplies" else values
        known = good if self.mask is None else good & (self.mask if self.mask.ndim == 2 else self.mask.any(axis=0))
        response = response / np.median(response[known if known.any() else good])
        self.flat = np.where(good, response, 1.0)
        spread = float(np.std(self.flat[good]))
        self.note("flat field", f"response with a standard deviation of {spread:.3g}", where, why)
        if not good.all():
            self.set_mask(~good, where, "no response above 0 in the flat field")

    def set_saturation(self, dataset: h5py.Dataset | None, why: str = "") -> None:
        """Keep the largest trustworthy count; 0 stands for unset."""
        limit = self.number(dataset)
        if dataset is not None and limit is not None and limit > 0:
            self.saturation = limit
            self.note("saturation", limit, dataset, why)

    def set_centre(self, point: tuple[float, float], where: Any, why: str) -> None:
        """Keep the direct beam's stored ``(row, column)``, unless it is unset or off the frame."""
        if self.frames is None:
            return
        _, height, width = self.frames.shape
        value = f"({point[0]:.6g}, {point[1]:.6g}) px"
        if point == (0.0, 0.0) or not (0 <= point[0] <= height - 1 and 0 <= point[1] <= width - 1):
            text = "zero stands for unset" if point == (0.0, 0.0) else f"not on the {height} x {width} frame"
            self.note("beam centre", "unknown", where, f"{value} in the file: {text}", guess=True)
            return
        self.beam_centre_px = (float(point[0]), float(point[1]))
        self.note("beam centre", value, where, why)
