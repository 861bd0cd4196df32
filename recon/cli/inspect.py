"""``halfbit inspect``: read and check a scan, draw a first look."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recon.cli.common import (
    EXIT_DONE,
    EXIT_INPUT,
    FIGURE,
    Commands,
    add_command,
    add_output,
    add_scan,
    finding_lines,
    finding_objects,
    free_name,
    load_recipe,
    open_scan,
    output_path,
    progress_bar,
    report,
    save_figure,
    say,
    scan_stem,
    still_free,
)
from scans.errors import InputError

if TYPE_CHECKING:
    from recon.recipe import Recipe
    from scans.formats.roles import Proposal
    from scans.overview import FirstLook
    from scans.scan import Finding


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "inspect",
        run,
        "read and check a scan, and draw a first look; propose a mapping for a file of unknown names",
        "halfbit inspect run17.cxi",
    )
    add_scan(parser, "scan.energy_ev=710")
    add_output(parser, "figure (.png) or folder (default: a numbered .png in the current folder)")


def run(args: argparse.Namespace) -> int:
    """Load, look at every frame, check, draw, print; a file of unknown names gets a mapping first."""
    from scans.formats.mapping_text import UnknownLayout

    recipe = load_recipe(args)
    path = output_path(args, f"{scan_stem(args.scan)}_inspect", FIGURE)
    try:
        scan = open_scan(args, recipe)
    except UnknownLayout as unknown:
        return _propose(args, recipe, path, unknown)
    return _look(args, recipe, path, scan)


def _propose(args: argparse.Namespace, recipe: Recipe, path: Path, unknown: InputError) -> int:
    """Guess the roles, write the mapping, and go on with it where it is complete.

    Raises
    ------
    InputError
        When nothing in the file can be frames: there is nothing to propose then.
    """
    from recon.cli import proposal as texts

    found = texts.propose_mapping(args.scan, recipe)
    if not found.n_stacks and "frames" not in found.mapping:
        fix = "Nothing in it can be diffraction frames (a stack of at least 8 x 8 pixels): name another file."
        raise InputError(unknown.found, where=unknown.where, expected=unknown.expected, fix=fix)
    written = free_name(path.parent, f"{scan_stem(args.scan)}_mapping", (".toml",))
    texts.write_mapping(written, found, recipe, args.scan)
    lines = texts.proposal_lines(found, args.scan, written)
    if found.missing:
        report(args, "\n".join(lines), texts.proposal_object(found, written))
        say(f"halfbit inspect: {texts.what_to_do(found, args.scan, written)}")
        return EXIT_INPUT
    recipe = texts.with_mapping(recipe, found)
    try:
        scan = texts.marked_as_guessed(open_scan(args, recipe), found)
        return _look(args, recipe, path, scan, (found, written))
    except InputError:
        report(args, "\n".join(lines), texts.proposal_object(found, written))
        raise


def _look(
    args: argparse.Namespace, recipe: Recipe, path: Path, scan: Any, proposed: tuple[Proposal, Path] | None = None
) -> int:
    """Prepare a scan, look at its frames as they pass, and print both; with the mapping that was proposed for it."""
    from recon import figures, workflow
    from recon.cli import proposal as texts
    from scans.checks import geometry_table
    from scans.overview import Look, look_findings

    picture = still_free(path, force=args.force)

    def so_far(view: FirstLook) -> None:
        save_figure(figures.inspect_figure(scan, view), picture)

    watch = Look(so_far)
    with progress_bar(args, "reading", "frame") as progress, progress_bar(args, "orientation", "try") as tries:
        prepared = workflow.prepare_scan(scan, recipe, progress, on_orientation=tries, watch=watch, affine=True)
    scan = prepared.scan  # turned, where the frames said how
    look = watch.result(scan)
    guessed = () if proposed is None else (texts.proposal_finding(*proposed),)
    findings = (*guessed, *prepared.findings, *look_findings(scan, look))
    save_figure(figures.inspect_figure(scan, look, replace(prepared, findings=findings)), picture)
    table = geometry_table(scan, look)
    lines, extra = [], {}
    if proposed is not None:
        lines = [*texts.proposal_lines(proposed[0], args.scan, proposed[1]), "", "with this mapping:"]
        extra = texts.proposal_object(*proposed)
    text = "\n".join([*lines, _text(scan, prepared, table, findings, picture)])
    report(args, text, _machine(scan, prepared, table, findings, picture) | extra)
    return EXIT_DONE


def _text(scan: Any, prepared: Any, table: list[tuple[str, str]], findings: tuple[Finding, ...], picture: Any) -> str:
    width = max(len(name) for name, _ in table)
    lines = [f"{scan.name} ({scan.layout})"]
    lines += [f"  {name:<{width}}  {value}" for name, value in table]
    lines += ["prepared"] + [f"  {step}" for step in prepared.steps]
    guesses = [f"  {n.what} = {n.value} ({n.where}: {n.why})" for n in scan.guesses]
    lines += (["guessed, please check", *guesses]) if guesses else []
    lines += ["findings", *finding_lines(findings)] if findings else ["no findings"]
    return "\n".join([*lines, f"figure  {picture}"])


def _machine(
    scan: Any, prepared: Any, table: list[tuple[str, str]], findings: tuple[Finding, ...], picture: Any
) -> dict[str, Any]:
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
        "findings": finding_objects(findings),
        "figure": picture,
    }
