"""``halfbit resolution``: ring correlation of two results, or of one result's scan split in two."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from recon.cli.common import (
    EXIT_DONE,
    EXIT_UNTRUSTED,
    FIGURE,
    Commands,
    add_command,
    add_output,
    add_solving,
    check_writable,
    finding_objects,
    output_path,
    pass_bar,
    report,
    save_figure,
    still_free,
)


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "resolution",
        run,
        "ring correlation of two results, or of one result's scan split in two",
        "halfbit resolution run17_result_001.h5",
    )
    parser.add_argument("result", metavar="RESULT", help="result file; gets /entry/resolution")
    parser.add_argument("other", metavar="RESULT", nargs="?", help="a second result of the same place")
    add_output(parser, "figure (.png) or folder (default: a numbered .png in the current folder)")
    add_solving(parser)


def run(args: argparse.Namespace) -> int:
    """Correlate, write into the result, draw, print."""
    from recon import figures
    from recon.halves import resolution
    from recon.result_file import write_resolution

    if Path(args.result).is_file():
        check_writable(Path(args.result).absolute().parent, "Copy the result to a folder that you may write to.")
    path = output_path(args, f"{Path(args.result).stem}_resolution", FIGURE)
    with pass_bar(args, "solving two halves") as on_pass:
        found = resolution(args.result, args.other, device=args.device, on_pass=on_pass)
    write_resolution(args.result, found.to_dict())
    path = still_free(path, force=args.force)
    picture = save_figure(figures.resolution_figure(found.rings, *found.images), path)
    text = f"{found}\nresult  {args.result} (in /entry/resolution)\nfigure  {picture}"
    report(args, text, machine(found, args.result, picture))
    return EXIT_UNTRUSTED if args.strict and found.verdict == "not to be trusted" else EXIT_DONE


def machine(found: Any, result: str | Path, picture: Path) -> dict[str, Any]:
    """Return what ``--json`` says of a resolution."""
    return {
        "result": result,
        "figure": picture,
        "method": found.method,
        "verdict": found.verdict,
        "half_period_m": found.half_periods_m,
        "status": {name: crossing.status for name, crossing in found.rings.crossings.items()},
        "findings": finding_objects(found.rings.findings),
    }
