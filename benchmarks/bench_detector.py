"""Gain and bad pixels of the simulated dirty detector: ``python benchmarks/bench_detector.py``.

Scans of three specimens (one of them with fine speckle), three noise levels, seeds of its own. Precision is that
of all rejected pixels. Recall is that of faults that can be known from the truth: hot, flickering and stuck pixels
all (they are in the darks); dead pixels and columns where a healthy pixel would have had 200 photons in the scan,
spread over ten independent values; weak ones at 2000 photons. The gain is estimated with the pixels found masked.
"""

from __future__ import annotations

import numpy as np
from bench_helpers import print_json

import scans
from scans.bad_pixels import find_bad_pixels
from scans.detector_model import DetectorModel, DetectorTruth, dirty_detector
from scans.gain import estimate_gain
from scans.pixel_statistics import PixelStatistics

LEVELS = ((1e5, 10), (1e6, 5), (1e7, 1))  # photons a frame, read noise [e-]
SCANS = ("catalyst", "testchart", "weak", "weak, fine speckle")
SEEDS = range(2)
N_FRAMES = 100


def patterns(name: str) -> np.ndarray:
    """Return the expected photons of a scan, for one photon a frame."""
    fine = "fine" in name
    scan, _ = scans.build(name.split(",")[0], poisson=False, n_frames=N_FRAMES, frame_px=192 if fine else 96)
    expected = scan.frames[slice(0, N_FRAMES)].astype(float)
    if fine:
        expected = expected.reshape(N_FRAMES, 96, 2, 96, 2).sum(axis=(2, 4))
    return expected / expected.sum(axis=(1, 2)).mean()


def statistics(frames: np.ndarray) -> PixelStatistics:
    found = PixelStatistics()
    found.add(frames)
    return found


def faults(rejected: np.ndarray, truth: DetectorTruth, expected: np.ndarray) -> dict[str, np.ndarray]:
    """Pairs (right, all): precision, and recall of each kind of fault."""
    light = truth.flux[:, None, None] * (expected + truth.scatter)
    photons = light.sum(axis=0)
    known = (photons >= 200) & (photons**2 / (light**2 + light).sum(axis=0) >= 10)
    kinds = {
        "hot": truth.hot,
        "warm": truth.warm,
        "stuck": truth.stuck,
        "dead": truth.dead & known,
        "columns": truth.dead_columns & known,
        "weak": truth.weak & known & (photons >= 2000),
    }
    found = {name: np.array([(rejected & true).sum(), true.sum()]) for name, true in kinds.items()}
    return {"precision": np.array([(rejected & ~truth.good).sum(), rejected.sum()]), **found}


def one(model: DetectorModel, expected: np.ndarray, rng: np.random.Generator) -> tuple[dict, float | None, float]:
    record = model.expose(expected, rng, dark_frames=20)
    found = find_bad_pixels(statistics(record.frames), statistics(record.darks)).combined
    noise = float(np.median(record.darks.std(axis=0, ddof=1)))
    gain = estimate_gain(record.frames[:60] - record.darks.mean(axis=0), ~found, noise)
    off = None if gain.counts_per_photon is None else gain.counts_per_photon / model.counts_per_photon - 1
    return faults(found, record.truth, expected), off, gain.error / model.counts_per_photon


def main() -> None:
    total: dict[str, np.ndarray] = {}
    for name in SCANS:
        unit = patterns(name)
        for level, (photons, noise_e) in enumerate(LEVELS):
            sums: dict[str, np.ndarray] = {}
            gains = []
            for seed in SEEDS:
                model = dirty_detector(read_noise_e=noise_e, dead=100, weak=40, dead_columns=2, adc_top=(1 << 32) - 1)
                got, off, error = one(model, unit * photons, np.random.default_rng([seed, level, *name.encode()]))
                gains.append("unknown" if off is None else f"{100 * off:+.1f} +- {100 * error:.1f} %")
                for kind, pair in got.items():
                    sums[kind] = sums.get(kind, 0) + pair
                    total[kind] = total.get(kind, 0) + pair
            row = {kind: f"{right}/{number}" for kind, (right, number) in sums.items()}
            print(f"{name}, {photons:.0e} photons, {noise_e} e-: ", "  ".join(f"{k} {v}" for k, v in row.items()))
            print("    gain", ", ".join(gains), flush=True)
            print_json(scan=name, photons=photons, noise_e=noise_e, gain=gains, **row)
    print("all:", "  ".join(f"{k} {100 * right / max(n, 1):.2f} %" for k, (right, n) in total.items()))


if __name__ == "__main__":
    main()
