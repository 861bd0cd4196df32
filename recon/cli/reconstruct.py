"""``halfbit reconstruct``: the main job."""

from __future__ import annotations

import argparse
import glob
import shlex
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from recon.cli.common import (
    EXIT_DONE,
    EXIT_INTERRUPTED,
    EXIT_UNTRUSTED,
    FIGURE,
    Commands,
    add_command,
    add_output,
    add_scan,
    add_solving,
    all_different,
    check_writable,
    checked_target,
    duration_s,
    finding_objects,
    load_recipe,
    open_scan,
    output_path,
    pass_bar,
    progress_bar,
    report,
    save_figure,
    say,
    scan_file,
    scan_stem,
    still_free,
)
from scans.errors import InputError


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "reconstruct",
        run,
        "reconstruct object and probe from a scan, or from several that share them; with no recipe everything is "
        "chosen from the data",
        "halfbit reconstruct run17.cxi -o run17_image.h5 -s solve.main.iterations=200",
    )
    add_scan(parser, "probe.modes=3", several="; several where they share probe or object (-s run.share=probe)")
    add_output(parser, "result file or folder (default: a numbered .h5 in the current folder)")
    add_solving(parser)
    parser.add_argument(
        "--time-budget", metavar="TIME", type=duration_s, help="stop after this time, e.g. 60s, 5min, 1h"
    )
    parser.add_argument(
        "--resume",
        action="store_true",
        help="go on from an interrupted result: -o, or the newest of this scan in the current folder",
    )
    parser.add_argument("--write-recipe", metavar="FILE", help="also write the recipe that was used, choices marked")


def run(args: argparse.Namespace) -> int:
    """Reconstruct one scan, or several together."""
    if len(args.scan) > 1:
        from recon.cli import together

        return together.run(args)
    args.scan = args.scan[0]
    return _run_one(args)


def _run_one(args: argparse.Namespace) -> int:
    """Load, prepare, reconstruct, write result and figure."""
    from recon import figures, workflow
    from scans.files import replacing

    began, recipe = time.perf_counter(), load_recipe(args)
    if args.time_budget:
        recipe = recipe.override(f"run.time_budget_s={args.time_budget}")
    earlier, output = _resumed(args) if args.resume else (None, _new(args))
    recipe_path = Path(args.write_recipe) if args.write_recipe else None
    if recipe_path:
        checked_target(recipe_path, force=args.force, inputs=[scan_file(args.scan)])
    all_different(output.path, output.path.with_suffix(FIGURE), recipe_path)
    if earlier is not None:
        recipe = earlier.recipe
    scan = open_scan(args, recipe)
    with progress_bar(args, "preparing", "frame") as progress, progress_bar(args, "orientation", "try") as tries:
        prepared = workflow.prepare_scan(scan, recipe, progress, on_orientation=tries)
    solve = partial(workflow.reconstruct, prepared, recipe, device=args.device, resume=earlier, began=began)
    result = watched(args, output, solve)
    if result is None:
        return EXIT_INTERRUPTED
    path = output.write(result)
    if recipe_path:
        with replacing(recipe_path.resolve(), force=args.force) as temporary:
            temporary.write_text(result.recipe.to_toml(), encoding="utf-8")
    picture = save_figure(figures.result_figure(result), path.with_suffix(FIGURE))
    files = [f"result  {path}", f"figure  {picture}", *([f"recipe  {recipe_path}"] if recipe_path else [])]
    report(args, "\n".join([str(result), *files]), machine(result, path, picture) | {"recipe": recipe_path})
    return _exit_code(args, result, path)


def watched(args: argparse.Namespace, output: Output, solve: Callable[..., Any]) -> Any:
    """Run with bars and checkpoints; None where a person stopped it at once and a checkpoint tells how far it was."""
    try:
        with progress_bar(args, "trying models", "trial") as on_trial, pass_bar(args, "reconstructing") as on_pass:
            return solve(on_pass=on_pass, on_trial=on_trial, on_checkpoint=output.save_checkpoint)
    except KeyboardInterrupt:
        if not output.has_checkpoint:
            raise
        several = isinstance(args.scan, list)  # their results are in a folder
        how = how_to_go_on(args.scan if several else [args.scan], output.path.parent if several else output.path)
        say(f"stopped at once; the last checkpoint is {output.path}; {how}")
        return None


def _exit_code(args: argparse.Namespace, result: Any, path: Path) -> int:
    if result.status == "interrupted":
        say(f"interrupted; {how_to_go_on([args.scan], path)}")
        return EXIT_INTERRUPTED
    # A run that broke down never counts as done, asked for or not.
    broken = result.status == "failed" or (args.strict and result.verdict == "not to be trusted")
    return EXIT_UNTRUSTED if broken else EXIT_DONE


def how_to_go_on(scans: list[str], path: Path) -> str:
    """Say how an interrupted run is continued."""
    names = " ".join(shlex.quote(scan) for scan in scans)
    return f"go on with: halfbit reconstruct {names} -o {shlex.quote(str(path))} --resume"


@dataclass
class Output:
    """The result's name, and whether the file that may be there is this run's own."""

    path: Path
    own: bool
    has_checkpoint: bool = False

    def write(self, result: Any) -> Path:
        """Write the result; where another run took the name meanwhile, under the next."""
        from recon.result_file import write_result

        self.path = still_free(self.path, force=self.own, beside=(FIGURE,))
        write_result(self.path, result, force=self.own)
        self.own = True
        return self.path

    def save_checkpoint(self, result: Any) -> None:
        """Write a checkpoint; a full disk does not end the run, for it may have room again at the end."""
        try:
            self.write(result)
            self.has_checkpoint = True
        except InputError as exc:
            say(f"no checkpoint written: {exc}")


def _new(args: argparse.Namespace) -> Output:
    path = output_path(args, f"{scan_stem(args.scan)}_result", ".h5", beside=(FIGURE,))
    return Output(path, own=args.force)


def _resumed(args: argparse.Namespace) -> tuple[Any, Output]:
    """Find the checkpoint."""
    refuse_settings(args)
    folder = Path(args.output or Path.cwd())
    result, path = _newest(args, folder) if folder.is_dir() else _named(folder)
    check_writable(path.absolute().parent)
    if args.time_budget:
        result = replace(result, recipe=result.recipe.override(f"run.time_budget_s={args.time_budget}"))
    return result, Output(path, own=True, has_checkpoint=True)


def refuse_settings(args: argparse.Namespace) -> None:
    """Refuse settings beside ``--resume``: they would not be what the checkpoint ran with."""
    if args.recipe or args.set:
        raise InputError(
            "-r or -s beside --resume",
            where="options",
            expected="--resume alone: the checkpoint holds its recipe",
            fix="Leave them out, or start anew without --resume.",
        )


def _named(path: Path) -> tuple[Any, Path]:
    from recon.result_file import read_result

    result = read_result(path)
    if result.solver_state is None:
        raise InputError(
            f"a result with status {result.status}, which ran to its end",
            where=str(path),
            expected="a result that was interrupted or ran out of time",
            fix="Name such a one, or start anew without --resume.",
        )
    return result, path


def _newest(args: argparse.Namespace, folder: Path) -> tuple[Any, Path]:
    from recon.result import Source

    return newest(folder, f"{scan_stem(args.scan)}_result", Source.of(scan_file(args.scan)), args.quiet)


def newest(folder: Path, stem: str, source: Any, quiet: bool) -> tuple[Any, Path]:
    """Return the newest result in a folder, named by a stem and a number, that goes on from this source.

    Raises
    ------
    InputError
        When there is none.
    """
    from recon.result_file import read_result

    candidates = sorted(folder.glob(f"{glob.escape(stem)}_*.h5"), key=lambda p: -p.stat().st_mtime)
    for path in candidates:
        result = read_result(path)
        then = result.provenance.source
        if result.solver_state is not None and then is not None and then.checksum == source.checksum:
            say(f"going on from {path}", quiet)
            return result, path
    raise InputError(
        f"no interrupted result of this scan; results with the name {stem}_*.h5: {len(candidates)}",
        where=str(folder),
        expected="one that --resume can go on from",
        fix="Name it with -o, or start anew without --resume.",
    )


def machine(result: Any, path: Path, picture: Path) -> dict[str, Any]:
    """Return what ``--json`` says of a result."""
    history = result.history
    held_out = history.held_out is not None and len(history)
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
        "held_out_deviance_per_pixel": float(history.held_out[-1]) if held_out else None,
        "prior": result.prior,
        "position_move_rms_m": result.position_move_m,
        "seconds": float(history.seconds[-1]) if len(history) else 0.0,
        "frames": len(result.frame_index),
        "pixel_m": result.pixel_m,
        "shape": result.transmission.shape,
        "occupancy": result.occupancy,
        "occupancy_shift": result.occupancy_shift,
        "device": result.provenance.device,
    }
