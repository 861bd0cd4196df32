"""``halfbit demo``: the whole job on a built-in scan."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

from recon.cli.common import (
    EXIT_DONE,
    EXIT_INTERRUPTED,
    EXIT_UNTRUSTED,
    Commands,
    add_command,
    add_output,
    add_solving,
    check_writable,
    clock,
    finding_objects,
    pass_bar,
    report,
    save_figure,
    say,
)
from scans.errors import InputError

# Fewer passes than the default: the demo solves three times (the scan and its two halves) within a minute.
# What the beam and the stage do is known here, so no trials ask for it; a prior would need its strength chosen.
SHORT_RUN = ("solve.main.iterations=60", "solve.settle.iterations=20", "run.trial_passes=0", "run.held_out=0")


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "demo",
        run,
        "simulate, inspect, reconstruct and judge a built-in scan: copper catalyst grains on a carbon film",
        "halfbit demo -o my-demo",
    )
    add_output(parser, "folder for all files (default: a new halfbit-demo_001)")
    add_solving(parser)


def run(args: argparse.Namespace) -> int:
    """Run every step through its own file, as a user would."""
    from recon import figures, workflow
    from recon.halves import resolution
    from recon.recipe import parse_recipe
    from recon.result_file import write_resolution, write_result
    from recon.truth_error import error_against
    from scans import formats, scenario
    from scans.checks import geometry_table
    from scans.overview import first_look

    began = time.perf_counter()
    folder = _folder(args)
    say("1/4 simulating copper catalyst grains on a carbon film …", args.quiet)
    scan, truth = scenario.build("catalyst")
    path = formats.write(folder / "scan.h5", scan, overwrite=True)
    truth.save(folder / "truth.h5", overwrite=True)
    save_figure(figures.simulate_figure(scan, truth), folder / "1_simulated.png")

    say("2/4 inspecting the scan file …", args.quiet)
    recipe = parse_recipe("")
    for setting in SHORT_RUN:
        recipe = recipe.override(setting)
    scan = workflow.load_scan(path, recipe)
    prepared = workflow.prepare_scan(scan, recipe)
    look = first_look(scan)
    save_figure(figures.inspect_figure(scan, look, prepared), folder / "2_first_look.png")

    say("3/4 reconstructing …", args.quiet)
    with pass_bar(args, "reconstructing") as on_pass:
        result = workflow.reconstruct(prepared, recipe, device=args.device, on_pass=on_pass)
    result_path = write_result(folder / "result.h5", result, force=True)
    save_figure(figures.result_figure(result), folder / "3_image.png")
    if result.status == "interrupted":
        say(f"interrupted; what there is so far is in {folder}")
        return EXIT_INTERRUPTED

    say("4/4 estimating the resolution from two halves of the photons …", args.quiet)
    with pass_bar(args, "solving two halves") as on_pass:
        found = resolution(result, prepared=prepared, device=args.device, on_pass=on_pass)
    write_resolution(result_path, found.to_dict())
    save_figure(figures.resolution_figure(found.rings, *found.images), folder / "4_resolution.png")

    error = error_against(result, truth)
    seconds = time.perf_counter() - began
    lines = [f"{name}: {value}" for name, value in geometry_table(scan, look)]
    text = [*lines, "", str(result), "", str(found)]
    text += [
        f"error against the known truth: {100 * error:.2g} % of the object (complex, well-lit area)",
        f"all files are in {folder}/: look at 3_image.png first ({clock(seconds)})",
    ]
    report(args, "\n".join(text), _machine(folder, result, found, error, seconds))
    untrusted = "not to be trusted" in (result.verdict, found.verdict)
    return EXIT_UNTRUSTED if args.strict and untrusted else EXIT_DONE


def _folder(args: argparse.Namespace) -> Path:
    from recon.result_file import numbered_name

    folder = Path(args.output) if args.output else numbered_name("halfbit-demo", "")
    if folder.is_dir() and any(folder.iterdir()) and not args.force:
        raise InputError(
            "the folder is there already and not empty",
            where=str(folder),
            expected="a new or empty folder",
            fix="Use another name or --force.",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise InputError(
            f"the folder cannot be made ({exc.strerror})",
            where=str(folder),
            expected="a place that you may write to",
            fix="Name another with -o.",
        ) from exc
    check_writable(folder)
    return folder


def _machine(folder: Path, result: Any, found: Any, error: float, seconds: float) -> dict[str, Any]:
    return {
        "folder": folder,
        "result": folder / "result.h5",
        "verdict": result.verdict,
        "r_factor": float(result.history.r_factor[-1]),
        "findings": finding_objects(result.findings + found.rings.findings),
        "half_period_m": found.half_periods_m,
        "nrmse": error,
        "seconds": seconds,
    }
