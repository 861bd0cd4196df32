"""How do damaged files end? Thousands of seeded corruptions, each loaded, looked at and prepared in its own process."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import Counter
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "scans"))

import corruption_runs as runs
import corruption_samples
import corruptions

from scans.formats import load  # noqa: F401  (imported before processes are forked)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="kinds of damage or samples whose name holds this")
    parser.add_argument("--command", action="store_true", help="run 'halfbit inspect' instead")
    parser.add_argument("--show", default="silent,error,hang,crash,memory", help="outcomes that are listed")
    parser.add_argument("--slice", default="0/1", help="i/n: every n-th case from the i-th on")
    parser.add_argument("--seconds", type=float, default=runs.MAX_SECONDS, help="limit of one run")
    parser.add_argument("--json", help="file for the outcomes")
    args = parser.parse_args()
    runs.MAX_SECONDS = args.seconds
    with tempfile.TemporaryDirectory() as folder:
        survey(args, Path(folder))


def survey(args: argparse.Namespace, folder: Path) -> None:
    samples = corruption_samples.build(folder / "samples")
    sound = {s.name: runs.read(s.path, s.given) for s in samples}
    dealt = corruptions.cases(samples, args.cases, args.seed)
    dealt = [c for c in dealt if args.only in c[1] or args.only == c[0].name]
    first, step = map(int, args.slice.split("/"))
    table: Counter[tuple[str, str]] = Counter()
    slowest, most, lines = 0.0, 0, []
    began = time.monotonic()
    for sample, kind, seed in dealt[first::step]:
        path = corruptions.damage(sample, kind, seed, folder)
        bare = partial(corruptions.beyond_notice, sample, kind)
        command = inspect(folder) if args.command else None
        out = runs.run(path, sample.given, sound[sample.name], bare, command=command)
        mine = "own" if sample.protected == "all" else "other"
        table[mine, out.kind] += 1
        table[kind, out.kind] += 1
        slowest, most = max(slowest, out.seconds), max(most, out.extra_bytes)
        lines.append([sample.name, kind, seed, out.kind, out.text, out.seconds, out.extra_bytes])
        if out.kind in args.show.split(","):
            print(f"{out.kind}: {sample.name}, {kind}, seed {seed}: {out.text}", flush=True)
    rows = ["own", "other", *corruptions.BYTES, *corruptions.STRUCTURE]
    print(f"{'':26}" + "".join(f"{kind:>9}" for kind in runs.OUTCOMES))
    for row in rows:
        print(f"{row:26}" + "".join(f"{table[row, kind]:9}" for kind in runs.OUTCOMES))
    print(f"slowest {slowest:.1f} s, most memory {most / 1e6:.0f} MB, {time.monotonic() - began:.0f} s in all")
    if args.json:
        Path(args.json).write_text(json.dumps(lines))


def inspect(folder: Path):
    """Return the command line's look at a file."""
    from recon.cli import main as command

    def call(path: Path) -> None:
        code = command(["inspect", str(path), "-o", str(folder / "look.png"), "--force"])
        if code not in (0, 2):
            raise RuntimeError(f"exit status {code}")

    return call


if __name__ == "__main__":
    main()
