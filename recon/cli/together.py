"""``halfbit reconstruct SCAN SCAN…``: several scans that have something in common."""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from recon.cli.common import (
    EXIT_DONE,
    EXIT_INTERRUPTED,
    EXIT_UNTRUSTED,
    FIGURE,
    all_different,
    check_writable,
    checked_target,
    load_recipe,
    open_scan,
    output_path,
    progress_bar,
    report,
    save_figure,
    say,
    scan_file,
    scan_stem,
)
from recon.cli.reconstruct import Output, how_to_go_on, machine, newest, refuse_settings, watched
from scans.errors import InputError


def run(args: argparse.Namespace) -> int:
    """Load, prepare and reconstruct together; a result and a figure for each scan."""
    from recon import joint, workflow

    began, recipe = time.perf_counter(), load_recipe(args)
    if args.time_budget:
        recipe = recipe.override(f"run.time_budget_s={args.time_budget}")
    recipe_path = Path(args.write_recipe) if args.write_recipe else None
    if recipe_path:
        checked_target(recipe_path, force=args.force, inputs=[scan_file(name) for name in args.scan])
    singles = [argparse.Namespace(**vars(args) | {"scan": name}) for name in args.scan]
    earlier, checkpoint = _checkpoint(args, singles)
    outputs = [Output(path, own=args.force) for path in _results(args, singles)]
    all_different(*(output.path for output in outputs), checkpoint.path, recipe_path)
    if earlier is not None:
        recipe = earlier.recipe
    joint.what_they_share(recipe, len(singles))  # what is missing is told before anything is read
    parts = []
    for single in singles:
        scan = open_scan(single, recipe)
        name = scan_stem(single.scan)
        with progress_bar(args, f"preparing {name}", "frame") as progress:
            with progress_bar(args, f"orientation of {name}", "try") as tries:
                parts.append(workflow.prepare_scan(scan, recipe, progress, on_orientation=tries))
    solve = partial(joint.reconstruct_together, parts, recipe, device=args.device, resume=earlier, began=began)
    results = watched(args, checkpoint, solve)
    if results is None:
        return EXIT_INTERRUPTED
    return _written(args, results, outputs, checkpoint, recipe_path)


def _written(
    args: argparse.Namespace,
    results: tuple[Any, ...],
    outputs: list[Output],
    checkpoint: Output,
    recipe_path: Path | None,
) -> int:
    """Write what was found, tell of it, and return the exit code."""
    from recon import figures
    from recon.result import StopReason
    from scans.files import replacing

    texts, objects = [], []
    for result, output in zip(results, outputs, strict=True):
        path = output.write(result)
        picture = save_figure(figures.result_figure(result), path.with_suffix(FIGURE))
        texts += [str(result), f"result  {path}", f"figure  {picture}"]
        objects.append(machine(result, path, picture))
    if recipe_path:
        with replacing(recipe_path.resolve(), force=args.force) as temporary:
            temporary.write_text(results[0].recipe.to_toml(), encoding="utf-8")
        texts.append(f"recipe  {recipe_path}")
    interrupted = results[0].status == "interrupted"
    if results[0].stop_reason is StopReason.TIME_LIMIT:
        texts.append(f"goes on {checkpoint.path} (--resume)")
    elif checkpoint.has_checkpoint and not interrupted:
        checkpoint.path.unlink(missing_ok=True)
    report(args, "\n".join(texts), {"results": objects, "recipe": recipe_path})
    if interrupted:
        say(f"interrupted; {_how(args, checkpoint)}")
        return EXIT_INTERRUPTED
    bad = any(r.status == "failed" or (args.strict and r.verdict == "not to be trusted") for r in results)
    return EXIT_UNTRUSTED if bad else EXIT_DONE


def _how(args: argparse.Namespace, checkpoint: Output) -> str:
    return how_to_go_on(args.scan, checkpoint.path.parent)


def _results(args: argparse.Namespace, singles: list[argparse.Namespace]) -> list[Path]:
    """Return a free name for each scan's result, in the folder that is asked for."""
    if args.output is not None and not Path(args.output).is_dir():
        raise InputError(
            "a file for the results of several scans",
            where=f"-o {args.output}",
            expected="a folder that exists",
            fix="Name a folder; each scan gets a result there that is named after it.",
        )
    stems = [scan_stem(single.scan) for single in singles]
    names = [stem if stems.count(stem) == 1 else f"{stem}_{k + 1}" for k, stem in enumerate(stems)]
    return [
        output_path(single, f"{name}_result", ".h5", beside=(FIGURE,))
        for single, name in zip(singles, names, strict=True)
    ]


def _checkpoint(args: argparse.Namespace, singles: list[argparse.Namespace]) -> tuple[Any, Output]:
    """Return the checkpoint to go on from, if it is asked for, and where one is written."""
    stem = f"{scan_stem(singles[0].scan)}_together"
    if not args.resume:
        return None, Output(output_path(singles[0], stem, ".h5"), own=args.force)
    refuse_settings(args)
    from recon.joint import all_of
    from recon.result import Source

    folder = Path(args.output or Path.cwd())
    source = all_of([Source.of(scan_file(single.scan)) for single in singles])
    result, path = newest(folder, stem, source, args.quiet)
    check_writable(path.absolute().parent)
    if args.time_budget:
        result = replace(result, recipe=result.recipe.override(f"run.time_budget_s={args.time_budget}"))
    return result, Output(path, own=True, has_checkpoint=True)
