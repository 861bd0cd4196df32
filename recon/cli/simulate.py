"""``halfbit simulate``: a scan with known truth."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

from recon.cli.common import (
    EXIT_DONE,
    FIGURE,
    Commands,
    add_command,
    add_output,
    add_settings,
    all_different,
    checked_target,
    output_path,
    report,
    save_figure,
    still_free,
)
from scans.errors import InputError


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "simulate",
        run,
        "make a scan with known truth",
        "halfbit simulate -o scan.h5 --truth truth.h5 -s photons_per_frame=1e5",
    )
    add_output(parser, "scan file: .h5 or .nxs for NeXus, .cxi for CXI (default: a numbered .h5)")
    parser.add_argument("--scenario", default="catalyst", metavar="NAME", help="see --list (default: catalyst)")
    parser.add_argument("--list", action="store_true", help="list the scenarios and their settings")
    parser.add_argument("--truth", metavar="TRUTH.h5", help="also write the true object, probe and positions")
    add_settings(parser, "photons_per_frame=1e5")


def _pair(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not (key.strip() and equals and value.strip()):
        raise InputError(
            f"{text!r}", where="-s", expected="KEY=VALUE", fix="E.g. -s photons_per_frame=1e5 (--list shows all keys)."
        )
    return key.strip(), value.strip()


def run(args: argparse.Namespace) -> int:
    """Simulate, write scan, truth and figure."""
    from recon import figures
    from scans import formats, scenario
    from scans.formats import writing

    if args.list:
        names = {name: text for name, (text, _) in scenario.SCENARIOS.items()}
        settings = asdict(scenario.scenario(args.scenario))
        lines = ["scenarios", *(f"  {name:<10} {text}" for name, text in names.items())]
        lines += [f"settings of {args.scenario}", *(f"  {key} = {value}" for key, value in settings.items())]
        report(args, "\n".join(lines), {"scenarios": names, "settings": settings})
        return EXIT_DONE
    settings = dict(_pair(text) for text in args.set)
    scenario.scenario(args.scenario, **settings)  # a wrong name or value ends here, before names are chosen
    path = output_path(args, args.scenario, ".h5", beside=(FIGURE,))
    if path.suffix.lower() not in writing.SUFFIXES:
        raise InputError(
            f"the suffix {path.suffix!r}" if path.suffix else "no suffix",
            where=f"-o {path}",
            expected=", ".join(f"{suffix} ({layout})" for suffix, layout in writing.SUFFIXES.items()),
            fix="Name the file with one of these suffixes.",
        )
    truth_path = checked_target(Path(args.truth), force=args.force) if args.truth else None
    all_different(path, path.with_suffix(FIGURE), truth_path)
    scan, truth = scenario.build(args.scenario, **settings)
    path = still_free(path, force=args.force, beside=(FIGURE,))
    formats.write(path, scan, overwrite=args.force)
    if truth_path:
        truth.save(truth_path, overwrite=args.force)
    picture = save_figure(figures.simulate_figure(scan, truth), path.with_suffix(FIGURE))
    text = f"{scan.title}: {scan.n_frames} frames of {scan.frames.shape[1]} x {scan.frames.shape[2]} pixels\n"
    text += f"scan    {path}\nfigure  {picture}" + (f"\ntruth   {truth_path}" if truth_path else "")
    report(args, text, {"scan": path, "truth": truth_path, "figure": picture, "frames": scan.n_frames})
    return EXIT_DONE
