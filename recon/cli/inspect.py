"""``halfbit inspect``: read and check a scan, draw a first look."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

from recon.cli.common import (
    EXIT_DONE,
    FIGURE,
    Commands,
    add_command,
    add_output,
    add_settings,
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


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands, "inspect", run, "read and check a scan, and draw a first look", "halfbit inspect run17.cxi"
    )
    parser.add_argument("scan", metavar="SCAN", help="scan file, or FILE::/entry")
    add_output(parser, "figure (.png) or folder (default: a numbered .png in the current folder)")
    parser.add_argument("-r", "--recipe", metavar="RECIPE.toml", help="recipe with corrections to the scan file")
    add_settings(parser, "scan.energy_ev=710")


def run(args: argparse.Namespace) -> int:
    """Load, look at every frame, check, draw, print."""
    from recon import figures, workflow
    from scans.checks import first_look, geometry_table

    recipe = load_recipe(args)
    path = output_path(args, f"{scan_stem(args.scan)}_inspect", FIGURE)
    scan = open_scan(args, recipe)
    # What the recipe says of the detector goes before the file, in the first look too.
    given: dict[str, Any] = {
        "counts_per_photon": recipe.prepare.counts_per_photon,
        "saturation": recipe.prepare.saturation,
    }
    scan = replace(scan, **{name: value for name, value in given.items() if value is not None})
    with progress_bar(args, "reading", "frame") as progress:
        look = first_look(scan, progress)
    with progress_bar(args, "preparing", "frame") as progress:
        prepared = workflow.prepare_scan(scan, recipe, progress)
    picture = save_figure(figures.inspect_figure(scan, look, prepared), still_free(path, force=args.force))
    table = geometry_table(scan, look)
    report(args, _text(scan, prepared, table, picture), _machine(scan, prepared, table, picture))
    return EXIT_DONE


def _text(scan: Any, prepared: Any, table: list[tuple[str, str]], picture: Any) -> str:
    width = max(len(name) for name, _ in table)
    lines = [f"{scan.name} ({scan.layout})"]
    lines += [f"  {name:<{width}}  {value}" for name, value in table]
    lines += ["prepared"] + [f"  {step}" for step in prepared.steps]
    guesses = [f"  {n.what} = {n.value} ({n.where}: {n.why})" for n in scan.guesses]
    lines += (["guessed, please check", *guesses]) if guesses else []
    lines += ["findings", *finding_lines(prepared.findings)] if prepared.findings else ["no findings"]
    return "\n".join([*lines, f"figure  {picture}"])


def _machine(scan: Any, prepared: Any, table: list[tuple[str, str]], picture: Any) -> dict[str, Any]:
    geometry = prepared.geometry
    return {
        "scan": scan.path,
        "layout": scan.layout,
        "entry": scan.entry,
        "frames": scan.n_frames,
        "frames_used": len(prepared.frame_index),
        "left_out": [{"frame": frame, "why": why} for frame, why in prepared.left_out],
        "energy_ev": geometry.energy_ev,
        "distance_m": geometry.distance_m,
        "pixel_size_m": geometry.pixel_size_m,
        "object_pixel_m": geometry.object_pixel_m,
        "unit": prepared.unit,
        "table": dict(table),
        "steps": prepared.steps,
        "notes": [vars(n) for n in scan.notes],
        "findings": finding_objects(prepared.findings),
        "figure": picture,
    }
