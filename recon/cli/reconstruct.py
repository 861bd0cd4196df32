"""``halfbit reconstruct``: the main job."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from recon.cli.common import (
    EXIT_DONE,
    EXIT_INTERRUPTED,
    EXIT_UNTRUSTED,
    Commands,
    add_command,
    add_output,
    add_settings,
    add_solving,
    checked_target,
    duration_s,
    finding_objects,
    load_recipe,
    output_path,
    pass_bar,
    progress_bar,
    report,
    save_figure,
    say,
    scan_stem,
)
from scans.errors import InputError


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "reconstruct",
        run,
        "reconstruct object and probe from a scan; with no recipe everything is chosen from the data",
        "halfbit reconstruct run17.cxi -o run17_image.h5 -s solve.main.iterations=200",
    )
    parser.add_argument("scan", metavar="SCAN", help="scan file, or FILE::/entry")
    parser.add_argument("-r", "--recipe", metavar="RECIPE.toml", help="settings; what it leaves open is chosen")
    add_settings(parser, "probe.modes=3")
    add_output(parser, "result file or folder (default: a numbered .h5 in the current folder)")
    add_solving(parser)
    parser.add_argument(
        "--time-budget", metavar="TIME", type=duration_s, help="stop after this time, e.g. 60s, 5min, 1h"
    )
    parser.add_argument(
        "--resume",
        action="store_true",
        help="go on from an interrupted result: that of -o, else the newest of this scan in the current folder",
    )
    parser.add_argument("--write-recipe", metavar="FILE", help="also write the recipe that was used, choices marked")


def run(args: argparse.Namespace) -> int:
    """Load, prepare, reconstruct, write result and figure."""
    from recon import figures, workflow
    from recon.result_file import write_result

    recipe = load_recipe(args)
    if args.time_budget:
        recipe = recipe.override(f"run.time_budget_s={args.time_budget}")
    recipe_path = checked_target(Path(args.write_recipe), force=args.force) if args.write_recipe else None
    earlier, path = _resume_from(args, recipe) if args.resume else (None, _target(args))
    if earlier is not None:
        recipe = earlier.recipe
    scan = workflow.load_scan(args.scan, recipe)
    with progress_bar(args, "preparing", "frame") as progress:
        prepared = workflow.prepare_scan(scan, recipe, progress)

    def save_checkpoint(result: Any) -> None:
        write_result(path, result, force=True)

    with pass_bar(args, "reconstructing") as on_pass:
        result = workflow.reconstruct(
            prepared,
            recipe,
            device=args.device,
            resume=earlier,
            on_pass=on_pass,
            on_checkpoint=save_checkpoint,
        )
    # The name was free (or --force given) when the run began; checkpoints of this run may stand there now.
    write_result(path, result, force=True)
    picture = save_figure(figures.result_figure(result), path.with_suffix(".png"))
    if recipe_path:
        recipe_path.write_text(result.recipe.to_toml(), encoding="utf-8")
    report(args, f"{result}\nresult  {path}\nfigure  {picture}", machine(result, path, picture))
    if result.status == "interrupted":
        say(f"interrupted; go on with: halfbit reconstruct {args.scan} -o {path} --resume")
        return EXIT_INTERRUPTED
    return EXIT_UNTRUSTED if args.strict and result.verdict == "not to be trusted" else EXIT_DONE


def _target(args: argparse.Namespace) -> Path:
    return output_path(args, f"{scan_stem(args.scan)}_result", ".h5")


def _resume_from(args: argparse.Namespace, recipe: Any) -> tuple[Any, Path]:
    """Find the checkpoint; settings given beside ``--resume`` would not be what it ran with."""
    from recon.result_file import read_result

    if args.recipe or args.set:
        raise InputError(
            "-r or -s beside --resume",
            where="options",
            expected="--resume alone: the checkpoint holds its recipe",
            fix="Leave them out, or start anew without --resume.",
        )
    if args.output:
        path = Path(args.output)
        return read_result(path), path
    candidates = sorted(Path.cwd().glob(f"{scan_stem(args.scan)}_result_*.h5"), key=lambda p: -p.stat().st_mtime)
    for path in candidates:
        result = read_result(path)
        if result.solver_state is not None:
            say(f"going on from {path}", args.quiet)
            return result, path
    raise InputError(
        f"no interrupted result among {len(candidates)} files {scan_stem(args.scan)}_result_*.h5",
        where=str(Path.cwd()),
        expected="one that --resume can go on from",
        fix="Name it with -o, or start anew without --resume.",
    )


def machine(result: Any, path: Path, picture: Path) -> dict[str, Any]:
    """Result for ``--json``."""
    history = result.history
    return {
        "result": path,
        "figure": picture,
        "status": result.status,
        "verdict": result.verdict,
        "stop_reason": result.stop_reason.value if result.stop_reason else None,
        "findings": finding_objects(result.findings),
        "iterations": int(history.iteration[-1]) if len(history) else 0,
        "r_factor": float(history.r_factor[-1]) if len(history) else None,
        "deviance_per_pixel": float(history.deviance[-1]) if len(history) else None,
        "seconds": float(history.seconds[-1]) if len(history) else 0.0,
        "frames": len(result.frame_index),
        "pixel_m": result.pixel_m,
        "shape": result.transmission.shape,
        "occupancy": result.occupancy,
        "device": result.provenance.device,
    }
