"""Gain and bad pixels of the simulated dirty detector: ``python benchmarks/bench_detector.py``.

At three noise levels: error of the gain and its error bar, precision of all rejected pixels, and recall of those
that can be known (dead ones where lit, columns where `lit` holds on both sides in 12 rows).
"""

from __future__ import annotations

import numpy as np
from bench_helpers import print_json

import scans
from scans.bad_pixels import find_bad_pixels
from scans.detector_model import dirty_detector
from scans.gain import estimate_gain
from scans.pixel_statistics import PixelStatistics

LEVELS = ((1e5, 10), (1e6, 5), (1e7, 1))  # photons a frame, read noise [e-]
SEEDS = range(3)


def statistics(frames: np.ndarray) -> PixelStatistics:
    found = PixelStatistics()
    found.add(frames)
    return found


def recall(found: np.ndarray, true: np.ndarray) -> str:
    return f"{(found & true).sum()}/{true.sum()}"


def main() -> None:
    scan, _ = scans.build("catalyst", poisson=False, n_frames=100)
    expected = scan.frames[slice(0, 100)].astype(float)
    expected /= expected.sum(axis=(1, 2)).mean()
    print("photons  noise  seed  gain error  error bar  precision  hot  warm  dead  stuck  columns")
    for photons, noise_e in LEVELS:
        for seed in SEEDS:
            model = dirty_detector(read_noise_e=noise_e, dead=100, adc_top=(1 << 32) - 1)
            record = model.expose(expected * photons, np.random.default_rng(seed), dark_frames=20)
            found, truth = find_bad_pixels(statistics(record.frames), statistics(record.darks)), record.truth
            noise = float(np.median(record.darks.std(axis=0, ddof=1)))
            values = record.frames[:60] - record.darks.mean(axis=0)
            gain = estimate_gain(values, ~found.combined, noise)
            off = None if gain.counts_per_photon is None else gain.counts_per_photon / 45 - 1
            rejected = found.combined
            column = int(np.flatnonzero(truth.dead_columns.any(axis=0))[0])
            beside = found.lit[:, max(column - 1, 0)] & found.lit[:, min(column + 1, found.lit.shape[1] - 1)]
            known_column = truth.dead_columns & (truth.dead_columns[:, column].all() and beside.sum() >= 12)
            row = {
                "precision": f"{(rejected & ~truth.good).sum()}/{rejected.sum()}",
                "hot": recall(rejected, truth.hot),
                "warm": recall(rejected, truth.warm),
                "dead": recall(rejected, truth.dead & found.lit),
                "stuck": recall(rejected, truth.stuck),
                "columns": recall(rejected, known_column),
            }
            said = "unknown" if off is None else f"{100 * off:+.2f} %  {100 * gain.error / 45:.2f} %"
            print(f"{photons:.0e}  {noise_e:3d} e-  {seed}  {said}  ", "  ".join(row.values()))
            print_json(photons=photons, noise_e=noise_e, seed=seed, gain_error=off, **row)


if __name__ == "__main__":
    main()
