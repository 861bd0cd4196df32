"""Are two slices told apart? ``python benchmarks/bench_slices.py``.

Two different specimens, one behind the other with free space between them: frames by a plain forward model on a grid
twice finer than the solver's, with Poisson counts. The distance is found by the run; given wrong and kept; given wrong
and refined. A line with the cross-talk of each slice: its estimate is fitted by both true slices (detail beyond the
lowest frequencies, which slices can exchange), and the other one's share is over its own.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from bench_helpers import print_json
from numpy.typing import NDArray

import scans
from recon import reconstruct
from recon.recipe import Recipe
from recon.registration import register
from recon.result import Result
from recon.truth_error import truth_on_grid, well_lit
from scans.geometry import Geometry
from scans.scan import Scan
from scans.truth import Truth

Complex = NDArray[np.complex128]


def free_space(shape: tuple[int, int], pixel_m: float, wavelength_m: float, distance_m: float) -> Complex:
    """Transfer function, exact for waves exp(+ikz).

    Goodman, Introduction to Fourier Optics, section 3.10 (from memory).
    """
    f = [np.fft.fftfreq(n, pixel_m) for n in shape]
    axial = np.sqrt(np.maximum(1 / wavelength_m**2 - f[0][:, None] ** 2 - f[1] ** 2, 0))
    return np.exp(2j * np.pi * distance_m * (axial - 1 / wavelength_m))


def frames(first: Truth, second: Truth, geometry: Geometry, distance_m: float, seed: int) -> NDArray[np.uint16]:
    """Return counts ``(J, N, N)`` of the beam through the first specimen, free space, and the second."""
    n, size = first.probe.shape[-1], geometry.frame_shape[0]
    spectrum, f = np.fft.fft2(first.probe[0]), np.fft.fftfreq(n)
    space = free_space((n, n), first.pixel_m, geometry.wavelength_m, distance_m)
    rng, found = np.random.default_rng(seed), []
    for y, x in (first.positions_m - (first.y_m[0], first.x_m[0])) / first.pixel_m:
        row, column = round(y), round(x)
        wave = np.fft.ifft2(spectrum * np.exp(-2j * np.pi * ((y - row) * f[:, None] + (x - column) * f)))
        patch = np.s_[row - n // 2 : row + n // 2, column - n // 2 : column + n // 2]
        between = np.fft.ifft2(np.fft.fft2(wave * first.object[patch]) * space)
        far = np.fft.fftshift(np.fft.fft2(between * second.object[patch], norm="ortho"))
        middle = slice(n // 2 - size // 2, n // 2 + size // 2)
        found.append(rng.poisson(np.abs(far[middle, middle]) ** 2))
    return np.array(found).astype(np.uint16)


def cross_talk(result: Result, truths: tuple[Truth, Truth], lowest: float) -> list[float]:
    """Share of the other slice in each estimate over that of its own.

    Parameters
    ----------
    lowest
        Frequencies below so many cycles a field are left out.
    """
    assert result.slices is not None
    lit, found = well_lit(result.coverage), []
    wanted = [truth_on_grid(truth, result.y_m, result.x_m) for truth in truths]
    for k, slice_ in enumerate(result.slices):
        own = register(slice_, wanted[k], lit.astype(float)).apply(slice_)
        columns = [_detail(one, lit, lowest) for one in (own, wanted[k], wanted[1 - k])]
        shares = np.linalg.lstsq(np.stack(columns[1:], axis=1), columns[0], rcond=None)[0]
        found.append(float(abs(shares[1] / shares[0])))
    return found


def _detail(image: Complex, lit: NDArray[np.bool_], lowest: float) -> Complex:
    """Return an image's detail in the lit area."""
    weight = lit.astype(float)
    away = (image - (image * weight).sum() / weight.sum()) * weight
    spectrum = np.fft.fft2(away)
    f = [np.fft.fftfreq(n, 1 / n) for n in image.shape]
    spectrum[np.hypot(f[0][:, None], f[1]) < lowest] = 0
    return np.fft.ifft2(spectrum)[lit]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--distance", type=float, default=20e-6, help="of the slices [m]")
    parser.add_argument("--off", type=float, default=0.1, help="relative error of the distance in the recipe")
    parser.add_argument("--photons", type=float, default=1e7, help="a frame")
    parser.add_argument("--frames", type=int, default=225)
    parser.add_argument("--lowest", type=float, default=8.0, help="cycles a field that are compared at least")
    parser.add_argument("--how", nargs="+", choices=("found", "kept", "refined"), default=["found", "kept", "refined"])
    args = parser.parse_args()
    settings = {"poisson": False, "photons_per_frame": args.photons, "n_frames": args.frames}
    (scan, first), (_, second) = (scans.build("catalyst", specimen_seed=k, **settings) for k in (0, 7))
    counts = frames(first, second, scan.geometry, args.distance, seed=0)
    thick: Scan = replace(scan, frames=counts)
    for how in args.how:
        recipe = Recipe().override("object.slices=2").override("positions.refine=false")
        if how != "found":
            recipe = recipe.override(f"object.slice_distance_m={args.distance * (1 + args.off)}")
        recipe = recipe.override(f"object.refine_slices={str(how == 'refined').lower()}")
        result = reconstruct(thick, recipe, device=args.device)
        talk = cross_talk(result, (first, second), args.lowest)
        assert result.slice_positions_m is not None
        apart = float(result.slice_positions_m[1])
        shares = ", ".join(f"{100 * one:.1f} %" for one in talk)
        told = f"slices {apart * 1e6:.2f} um apart, R {result.history.r_factor[-1]:.4f}"
        print(f"distance {how:8}  cross-talk {shares}, {told}", flush=True)
        print_json(distance=how, cross_talk=talk, distance_m=apart, device=result.provenance.device)


if __name__ == "__main__":
    main()
