"""``halfbit prepare``: write the cleaned, cropped, oriented frames as a scan of its own."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from recon.cli.common import (
    EXIT_DONE,
    FIGURE,
    Commands,
    add_command,
    add_output,
    add_scan,
    finding_lines,
    finding_objects,
    load_recipe,
    open_scan,
    output_path,
    progress_bar,
    report,
    save_figure,
    scan_stem,
    still_free,
)

SUFFIX = ".nxs"


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "prepare",
        run,
        "write the cleaned, cropped, oriented frames as a scan of its own",
        "halfbit prepare run17.cxi -o ready17.nxs",
    )
    add_scan(parser, "prepare.bin=2")
    add_output(parser, "scan file (.nxs, .h5 or .cxi) or folder (default: a numbered .nxs in the current folder)")


def run(args: argparse.Namespace) -> int:
    """Load, prepare, write, draw what came out, print."""
    import scans
    from recon import figures, workflow
    from scans.overview import first_look

    recipe = load_recipe(args)
    path = output_path(args, f"{scan_stem(args.scan)}_ready", SUFFIX, beside=(FIGURE,))
    scan = open_scan(args, recipe)
    with progress_bar(args, "preparing", "frame") as progress, progress_bar(args, "orientation", "try") as tries:
        prepared = workflow.prepare_scan(scan, recipe, progress, on_orientation=tries)
    ready = prepared.as_scan()
    path = still_free(path, force=args.force, beside=(FIGURE,))
    with progress_bar(args, "writing", "frame") as progress:
        scans.write(path, ready, overwrite=args.force, progress=progress)
    save_figure(figures.inspect_figure(ready, first_look(ready), findings=prepared.findings), path.with_suffix(FIGURE))
    report(args, _text(prepared, path), _machine(prepared, path))
    return EXIT_DONE


def _text(prepared: Any, path: Path) -> str:
    n, size = prepared.counts.shape[:2]
    lines = [f"{n} frames of {size} x {size} pixels [{prepared.unit}] from {prepared.scan.name}"]
    lines += [f"  {step}" for step in prepared.steps]
    lines += ["findings", *finding_lines(prepared.findings)] if prepared.findings else ["no findings"]
    return "\n".join([*lines, f"scan    {path}", f"figure  {path.with_suffix(FIGURE)}"])


def _machine(prepared: Any, path: Path) -> dict[str, Any]:
    return {
        "scan": prepared.scan.path,
        "output": path,
        "figure": path.with_suffix(FIGURE),
        "frames": len(prepared.counts),
        "size": prepared.counts.shape[-1],
        "unit": prepared.unit,
        "frame_index": prepared.frame_index,
        "left_out": [{"frame": frame, "why": why} for frame, why in prepared.left_out],
        "settings": dict(prepared.settings),
        "steps": prepared.steps,
        "findings": finding_objects(prepared.findings),
    }
