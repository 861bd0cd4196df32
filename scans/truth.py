"""Known truth of a simulated scan: the object on its own grid, the wave, the true positions."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from scans.errors import InputError
from scans.files import replacing


@dataclass(frozen=True)
class Sample:
    """Complex transmission on an explicit grid.

    Parameters
    ----------
    transmission
        ``(H, W)`` complex128.
    pixel_m
        Grid pixel [m].
    centre_m
        Sample coordinates ``(y, x)`` of pixel ``(H//2, W//2)`` [m].
    """

    transmission: NDArray[np.complex128]
    pixel_m: float
    centre_m: tuple[float, float] = (0.0, 0.0)

    @property
    def y_m(self) -> NDArray[np.float64]:
        """``(H,)`` y of the pixel centres [m]."""
        n = self.transmission.shape[0]
        return (np.arange(n) - n // 2) * self.pixel_m + self.centre_m[0]

    @property
    def x_m(self) -> NDArray[np.float64]:
        """``(W,)`` x of the pixel centres [m]."""
        n = self.transmission.shape[1]
        return (np.arange(n) - n // 2) * self.pixel_m + self.centre_m[1]


@dataclass(frozen=True)
class Truth:
    """What a simulated scan was made from.

    Parameters
    ----------
    object
        ``(H, W)`` complex128 transmission.
    pixel_m
        Pixel of the object and of the probe [m]: finer than `solver_pixel_m` by the oversampling.
    y_m, x_m
        ``(H,)``, ``(W,)`` sample coordinates of the object's pixel centres [m].
    probe
        ``(M, n, n)`` complex128, centred at ``(n//2, n//2)``; sum |P|² is photons per frame in front
        of the sample.
    positions_m
        ``(J, 2)`` true positions [m].
    lit
        ``(H, W)`` photons that fell on each object pixel, sum over the frames of |P(r - r_j)|².
    solver_pixel_m
        Far-field pixel of the frames [m].
    """

    object: NDArray[np.complex128]
    pixel_m: float
    y_m: NDArray[np.float64]
    x_m: NDArray[np.float64]
    probe: NDArray[np.complex128]
    positions_m: NDArray[np.float64]
    lit: NDArray[np.float64]
    solver_pixel_m: float

    @classmethod
    def of(
        cls,
        sample: Sample,
        *,
        probe: NDArray[np.complex128],
        positions_m: NDArray[np.float64],
        lit: NDArray[np.float64],
        solver_pixel_m: float,
    ) -> Truth:
        """Make the truth of a scan of `sample`."""
        return cls(
            object=sample.transmission,
            pixel_m=sample.pixel_m,
            y_m=sample.y_m,
            x_m=sample.x_m,
            probe=probe,
            positions_m=positions_m,
            lit=lit,
            solver_pixel_m=solver_pixel_m,
        )

    def save(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write to HDF5; the file appears whole or not at all.

        Raises
        ------
        InputError
            When the file exists and `overwrite` is not set, or its folder does not exist.
        """
        target = Path(path).resolve()
        with replacing(target, force=overwrite) as part, h5py.File(part, "w") as file:
            self._write(file)
        return target

    def _write(self, file: h5py.File) -> None:
        file.attrs["content"] = "truth of a simulated scan"
        for attribute, (name, unit, text) in _TRUTH_LAYOUT.items():
            dataset = file.create_dataset(name, data=getattr(self, attribute))
            dataset.attrs["long_name"] = text
            if unit:
                dataset.attrs["units"] = unit

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Truth:
        """Read a file that `save` wrote.

        Raises
        ------
        InputError
            When the file is missing, not HDF5, or not a truth file.
        """
        try:
            with h5py.File(path, "r") as file:
                missing = [name for name, _, _ in _TRUTH_LAYOUT.values() if name not in file]
                values: dict[str, Any] = {} if missing else {a: file[n][()] for a, (n, _, _) in _TRUTH_LAYOUT.items()}
        except OSError as exc:
            raise InputError(
                f"cannot be read ({exc})",
                where=str(path),
                expected="an HDF5 file with the truth of a simulated scan",
                fix="Check the name, or simulate again with --truth.",
            ) from exc
        if missing:
            raise InputError(
                f"no dataset /{missing[0]}",
                where=str(path),
                expected="datasets " + ", ".join(f"/{n}" for n, _, _ in _TRUTH_LAYOUT.values()),
                fix="Give the file that was written as --truth, not the scan.",
            )
        for name in ("pixel_m", "solver_pixel_m"):
            values[name] = float(values[name])
        return cls(**values)


# attribute of Truth: (dataset, unit, what it is)
_TRUTH_LAYOUT = {
    "object": ("object", "", "complex transmission (y, x)"),
    "pixel_m": ("pixel", "m", "pixel of object and probe"),
    "y_m": ("y", "m", "sample y of the object's rows"),
    "x_m": ("x", "m", "sample x of the object's columns"),
    "probe": ("probe", "", "probe modes (mode, y, x), sum |P|^2 = photons per frame"),
    "positions_m": ("positions", "m", "true positions (y, x)"),
    "lit": ("lit", "", "photons that fell on each object pixel"),
    "solver_pixel_m": ("solver_pixel", "m", "far-field pixel of the frames"),
}
