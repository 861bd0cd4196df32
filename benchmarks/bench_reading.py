"""Reading and preparing over a bare read of the same file: ``python benchmarks/bench_reading.py [--large]``."""

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
from pathlib import Path

import h5py
import hdf5plugin
import numpy as np

from scans import prepare
from scans.formats.lazy import LazyFrames, lazy_frames
from scans.geometry import Geometry
from scans.pipeline import cores, read_ahead, work_ahead
from scans.scan import Scan

BLOCK_BYTES = 16 << 20


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
    """Make counts as of a diffraction pattern: bright centre, exponential speckle, Poisson noise."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[-side // 2 : side // 2, -side // 2 : side // 2]
    mean = 300 * np.exp(-np.hypot(y, x) / 60) + 0.02
    some = rng.poisson(mean * rng.exponential(size=(16, side, side))).astype(np.uint16)
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


def bare(path: Path) -> None:
    """Read chunk by chunk with h5py, as simply as can be."""
    with h5py.File(path) as file:
        frames = file["frames"]
        step = frames.chunks[0] if frames.chunks else 1
        for j in range(0, len(frames), step):
            frames[j : j + step]


def median_seconds(ways: dict[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Median wall time of each way after a warm-up; in turn, so that a busy moment hits all of them."""
    times: dict[str, list[float]] = {way: [] for way in ways}
    for _ in range(repeats + 1):
        for way, work in ways.items():
            began = time.perf_counter()
            work()
            times[way].append(time.perf_counter() - began)
    return {way: statistics.median(all_times[1:]) for way, all_times in times.items()}


def cleaned(frames: LazyFrames, dark: np.ndarray) -> None:
    """Dark subtracted, float32, cropped to the middle half, binned 2 x 2: a stand-in for preparing."""
    side = frames.shape[-1]
    window = (slice(side // 4, side - side // 4),) * 2
    cut = dark[window].astype(np.float32)

    def work(part: slice, stored: np.ndarray) -> np.ndarray:
        out = np.empty((len(stored), side // 4, side // 4), np.float32)
        for j, frame in enumerate(stored):  # a frame stays in the core's cache
            values = frame.astype(np.float32) - cut
            rows = values[0::2] + values[1::2]
            np.add(rows[:, 0::2], rows[:, 1::2], out=out[j])
        return out

    for _ in work_ahead(work, frames, blocks(frames), window=window):
        pass


def blocks(frames: LazyFrames) -> list[slice]:
    return list(scan_of(frames, None).blocks(max_bytes=BLOCK_BYTES))


def compare(folder: Path, n: int, side: int, repeats: int) -> None:
    data = speckle(n, side)
    dark = np.full((side, side), 1.0)
    print(f"{n} frames of {side} x {side} uint16, {cores()} cores; share of the bare read's throughput")
    print(f"{'storage':<26}{'bare MB/s':>10}{'read ahead':>12}{'+ stand-in':>12}{'scans.prepare':>15}")
    for name, storage in layouts(side).items():
        path = folder / "stack.h5"
        frames = make(path, data, storage)
        ways = {
            "bare": lambda p=path: bare(p),
            "ahead": lambda f=frames: [None for _ in read_ahead(f, blocks(f))],
            "stand_in": lambda f=frames: cleaned(f, dark),
            "prepare": lambda f=frames: prepare(
                scan_of(f, dark), size=side // 4, bin=2, centre_px=(side / 2, side / 2)
            ),
        }
        seconds = median_seconds(ways, repeats)
        share = {way: seconds["bare"] / s for way, s in seconds.items()}
        rate = data.nbytes / seconds["bare"] / 1e6
        print(f"{name:<26}{rate:>10.0f}{share['ahead']:>12.2f}{share['stand_in']:>12.2f}{share['prepare']:>15.2f}")
        print(json.dumps({"storage": name, "seconds": seconds, **versions()}))
        path.unlink()


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
    parser.add_argument("--frames", type=int, default=256)
    parser.add_argument("--side", type=int, default=512)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--large", action="store_true", help="prepare a 40 GB stack instead, and print peak memory")
    parser.add_argument("--folder", help="where the files are made; the system's temporary folder by default")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        if args.large:
            large(Path(folder), 20_000, 1024)
        else:
            compare(Path(folder), args.frames, args.side, args.repeats)


if __name__ == "__main__":
    main()
