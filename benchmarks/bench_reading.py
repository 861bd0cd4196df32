"""Reading and preparing over a bare read of one file: ``python benchmarks/bench_reading.py [--large | --cold]``."""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import hdf5plugin
import numpy as np

from scans.detector import Readout
from scans.formats.lazy import LazyFrames, lazy_frames
from scans.geometry import Geometry
from scans.pipeline import cores, work_ahead
from scans.readout_plan import plan_readout
from scans.scan import Scan
from scans.stack import BLOCK_BYTES, Cutting, Stack
from scans.window import Window

WAYS = ("kept photons", "ahead photons", "photons", "photons/2", "camera", "camera/2")


def layouts(side: int) -> dict[str, dict]:
    """Ways to store a stack, by name."""
    return {
        "gzip (1,h,w)": {"chunks": (1, side, side), "compression": "gzip"},
        "gzip+shuffle (64,64,64)": {"chunks": (64, 64, 64), "compression": "gzip", "shuffle": True},
        "bitshuffle/LZ4 (1,h,w)": {"chunks": (1, side, side), **hdf5plugin.Bitshuffle(cname="lz4")},
        "zstd (1,h,w)": {"chunks": (1, side, side), **hdf5plugin.Zstd()},
        "uncompressed": {},
    }


def speckle(n: int, side: int) -> np.ndarray:
    """Make counts as of a diffraction pattern: bright centre, speckle three pixels wide, Poisson noise."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[-side // 2 : side // 2, -side // 2 : side // 2]
    mean = 300 * np.exp(-np.hypot(y, x) / 60) + 0.02
    probe = np.hypot(y, x) < side / 6  # its transform fills the detector with speckle of side / diameter pixels
    sample = np.exp(2j * np.pi * rng.random((16, side, side))) * probe
    bright = np.abs(np.fft.fft2(sample)) ** 2 / probe.sum()
    some = rng.poisson(mean * bright).astype(np.uint16)
    # flipped, not shifted: a pattern that moved from frame to frame would be a drifting beam
    return np.concatenate([some[:, :: 1 - 2 * (j % 2), :: 1 - 2 * (j // 2 % 2)] for j in range(n // 16)])


def make(path: Path, data: np.ndarray, storage: dict) -> LazyFrames:
    with h5py.File(path, "w") as file:
        return lazy_frames([file.create_dataset("frames", data=data, **storage)])


def scan_of(frames: LazyFrames | np.ndarray, dark: np.ndarray | None) -> Scan:
    """Return a scan around frames: the geometry does not matter for the time."""
    n, h, w = frames.shape
    geometry = Geometry(energy_ev=800.0, distance_m=0.1, pixel_size_m=(5e-5, 5e-5), frame_shape=(h, w))
    positions = np.stack(np.unravel_index(np.arange(n), (n // 16, 16)), axis=1) * 1e-7
    positions += np.random.default_rng(1).normal(0, 1e-8, positions.shape)
    return Scan(frames=frames, positions_m=positions, geometry=geometry, dark=dark)


def forget(path: Path) -> None:
    """Drop a file from the system's cache, so that it is read from the disk."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def bare(path: Path) -> None:
    """Read chunk by chunk with h5py, as simply as can be."""
    with h5py.File(path) as file:
        frames = file["frames"]
        step = frames.chunks[0] if frames.chunks else 1
        for j in range(0, len(frames), step):
            frames[j : j + step]


def bare_kept(path: Path) -> None:
    """Read chunk by chunk into memory of the whole stack, which a prepared scan takes as well."""
    with h5py.File(path) as file:
        frames = file["frames"]
        out, step = np.empty(frames.shape, frames.dtype), frames.chunks[0] if frames.chunks else 1
        for j in range(0, len(frames), step):
            frames.read_direct(out, np.s_[j : j + step], np.s_[j : j + step])


def median_seconds(
    ways: dict[str, Callable[[], object]], repeats: int, before: Callable[[], None]
) -> dict[str, tuple[float, float]]:
    """Median wall and CPU time of each way after a warm-up; in turn, so that a busy moment hits all of them."""
    times: dict[str, list[tuple[float, float]]] = {way: [] for way in ways}
    for _ in range(repeats + 1):
        for way, work in ways.items():
            before()
            wall, cpu = time.perf_counter(), time.process_time()
            work()
            times[way].append((time.perf_counter() - wall, time.process_time() - cpu))
    return {way: tuple(map(statistics.median, zip(*all_times[1:], strict=True))) for way, all_times in times.items()}


def prepared(scan: Scan, readout: Readout, size: int, bin: int) -> None:
    """Do the pass of `scans.prepare` over all frames, what is to be done being decided: what grows with the scan."""
    side = scan.frames.shape[-1]
    stack = Stack(scan, readout, Cutting(Window.around((side / 2, side / 2), size, bin, (side, side))))
    stack.fill()
    stack.counts.finish()


def blocks(frames: LazyFrames) -> list[slice]:
    return list(scan_of(frames, None).blocks(max_bytes=BLOCK_BYTES))


def compare(folder: Path, args: argparse.Namespace) -> None:
    n, side, repeats, cold = args.frames, args.side, args.repeats, args.cold
    photons = speckle(n, side)
    rng = np.random.default_rng(2)
    dark = np.rint(rng.normal(100, 2, (8, side, side)))
    camera = np.rint(8.0 * photons + 100 + rng.normal(0, 2, photons.shape)).astype(np.uint16)
    few = slice(0, 96)  # decisions are taken once, from a bounded sample: they are timed apart
    began = time.process_time()
    plain = plan_readout(replace(scan_of(photons[few], None), counts_per_photon=1.0))
    decided = time.process_time() - began
    charged = plan_readout(replace(scan_of(camera[few], dark), counts_per_photon=8.0))
    print(f"{n} frames of {side} x {side} uint16, {cores()} cores; decisions on 96 frames: {decided:.1f} CPU s")
    print("files read from the disk" if cold else "files in the system's cache")
    print("share of the bare read's throughput, wall (CPU); kept: the bare read into an array of all frames;")
    print("ahead: by our reader alone; photons, camera: prepared; /2: middle half, binned 2 x 2")
    print(f"{'storage':<26}{'bare MB/s':>10}" + "".join(f"{way:>13}" for way in WAYS))
    for name, storage in layouts(side).items():
        if args.only not in name:
            continue
        path = folder / "stack.h5"
        seconds: dict[str, tuple[float, float]] = {}
        for kind, data, readout, exposed in (("photons", photons, plain, None), ("camera", camera, charged, dark)):
            scan = scan_of(make(path, data, storage), exposed)
            ways = {
                f"bare {kind}": lambda p=path: bare(p),
                f"kept {kind}": lambda p=path: bare_kept(p),
                f"ahead {kind}": lambda s=scan: [None for _ in work_ahead(lambda *_: None, s.frames, blocks(s.frames))],
                kind: lambda s=scan, r=readout: prepared(s, r, side, 1),
                f"{kind}/2": lambda s=scan, r=readout: prepared(s, r, side // 4, 2),
            }
            seconds |= median_seconds(ways, repeats, (lambda p=path: forget(p)) if cold else lambda: None)
        rate = photons.nbytes / seconds["bare photons"][0] / 1e6
        print(f"{name:<26}{rate:>10.0f}" + "".join(f"{share(seconds, way):>13}" for way in WAYS), flush=True)
        print(json.dumps({"storage": name, "seconds": seconds, **versions()}))
        path.unlink()


def share(seconds: dict[str, tuple[float, float]], way: str) -> str:
    """Throughput of a way over that of the bare read of the same file, wall (CPU)."""
    bare_read = seconds["bare camera" if "camera" in way else "bare photons"]
    wall, cpu = (b / s for b, s in zip(bare_read, seconds[way], strict=True))
    return f"{wall:.2f} ({cpu:.2f})"


def versions() -> dict[str, object]:
    return {
        "h5py": h5py.__version__,
        "hdf5": h5py.version.hdf5_version,
        "hdf5plugin": hdf5plugin.version,
        "numpy": np.__version__,
        "python": platform.python_version(),
        "cores": cores(),
    }


def make_large(path: Path, n: int, side: int) -> None:
    """Write a stack of any logical size in seconds: every chunk is the same packed frame."""
    frame = speckle(16, side)[0]
    packed = zlib.compress(frame.tobytes(), 4)
    with h5py.File(path, "w") as file:
        shape = (n, side, side)
        frames = file.create_dataset("frames", shape, np.uint16, chunks=(1, side, side), compression="gzip")
        for j in range(n):
            frames.id.write_direct_chunk((j, 0, 0), packed)


LARGE = """
import resource, sys, time
sys.path.insert(0, {here!r})
from bench_reading import h5py, lazy_frames, scan_of
from scans import prepare
with h5py.File({path!r}) as file:
    frames = lazy_frames([file["frames"]])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
began = time.perf_counter()
ready = prepare(scan_of(frames, None), size={size}, bin=4, centre_px=({centre}, {centre}))
seconds = time.perf_counter() - began
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(ready.counts.nbytes, before * 1024, peak * 1024, seconds)
"""


def large(folder: Path, n: int, side: int) -> None:
    """Prepare a stack of many GB, cropped and binned, in a process of its own; print its peak memory."""
    path = folder / "large.h5"
    make_large(path, n, side)
    code = LARGE.format(here=os.path.dirname(__file__), path=str(path), size=side // 8, centre=side / 2)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    result, before, peak, seconds = map(float, done.stdout.split())
    logical = n * side * side * 2
    print(
        f"{logical / 1e9:.1f} GB stored as {path.stat().st_size / 1e9:.1f} GB -> {result / 1e9:.2f} GB prepared: "
        f"peak memory {peak / 1e9:.2f} GB ({before / 1e9:.2f} GB before), {seconds:.0f} s, "
        f"{logical / seconds / 1e6:.0f} MB/s"
    )
    print(json.dumps({"logical": logical, "result": result, "peak": peak, "seconds": seconds, **versions()}))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=512)
    parser.add_argument("--side", type=int, default=512)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--large", action="store_true", help="prepare a 40 GB stack instead, and print peak memory")
    parser.add_argument("--cold", action="store_true", help="read from the disk, not from the system's cache")
    parser.add_argument("--only", default="", help="only the storages whose names hold this, e.g. LZ4")
    parser.add_argument("--folder", help="where the files are made; the system's temporary folder by default")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        if args.large:
            large(Path(folder), 20_000, 1024)
        else:
            compare(Path(folder), args)


if __name__ == "__main__":
    main()
