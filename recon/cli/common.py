"""What all commands share: options, messages, progress, names of outputs."""

from __future__ import annotations

import argparse
import json
import math
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scans.errors import InputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from recon.loop import PassRecord
    from recon.recipe import Recipe
    from scans.scan import Finding

EXIT_DONE, EXIT_DEFECT, EXIT_INPUT, EXIT_UNTRUSTED, EXIT_INTERRUPTED = 0, 1, 2, 3, 130

Commands = Any  # argparse's own type for add_subparsers() is private


def add_command(
    commands: Commands, name: str, run: Callable[[argparse.Namespace], int], text: str, example: str
) -> argparse.ArgumentParser:
    """Add a command with its one-line description, its example and the options that all commands have."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run)
    parser.add_argument("--json", action="store_true", help="print one machine-readable object on stdout")
    parser.add_argument("--quiet", action="store_true", help="no progress and no log")
    parser.add_argument("--force", action="store_true", help="replace files that are there already")
    return parser


def add_output(parser: argparse.ArgumentParser, text: str) -> None:
    """Add ``-o``."""
    parser.add_argument("-o", "--output", metavar="OUT", help=text)


def add_settings(parser: argparse.ArgumentParser, example: str) -> None:
    """Add ``-s KEY=VALUE``, which may be repeated."""
    parser.add_argument(
        "-s", "--set", metavar="KEY=VALUE", action="append", default=[], help=f"set one value, e.g. -s {example}"
    )


def add_solving(parser: argparse.ArgumentParser) -> None:
    """Add the options of commands that reconstruct."""
    parser.add_argument("--device", metavar="DEVICE", help="auto (default), cpu, gpu or gpu:N")
    parser.add_argument("--strict", action="store_true", help='exit with 3 where the verdict is "not to be trusted"')


def say(text: str, quiet: bool = False) -> None:
    """Print a line of log on stderr."""
    if not quiet:
        print(text, file=sys.stderr, flush=True)


def report(args: argparse.Namespace, text: str, machine: dict[str, Any]) -> None:
    """Print the outcome on stdout: text for people, or one JSON object with ``--json``."""
    if args.json:
        print(json.dumps(_plain(machine), allow_nan=False))
    else:
        print(text)


def _plain(value: Any) -> Any:
    """Turn NumPy values, paths and non-finite numbers into what JSON can hold (null for the last)."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, str | int | float | bool) or value is None else str(value)


def finding_lines(findings: tuple[Finding, ...] | list[Finding]) -> list[str]:
    """One line a finding, the worst first."""
    order = {"serious": 0, "caution": 1, "note": 2}
    return [
        f"  {f.level:<8} {f.text}{f'. {f.fix}' if f.fix else ''}" for f in sorted(findings, key=lambda f: order[f.level])
    ]


def finding_objects(findings: tuple[Finding, ...] | list[Finding]) -> list[dict[str, str]]:
    """Findings for ``--json``."""
    return [{"level": f.level, "code": f.code, "text": f.text, "fix": f.fix} for f in findings]


def output_path(args: argparse.Namespace, stem: str, suffix: str) -> Path:
    """Where a command writes: ``-o`` (a file, or a folder), else a numbered name in the current folder.

    Raises
    ------
    InputError
        When the file is there already and ``--force`` was not given, or its folder is missing.
    """
    from recon.result_file import numbered_name

    if args.output is None:
        return numbered_name(stem, suffix)
    path = Path(args.output)
    if path.is_dir():
        return numbered_name(stem, suffix, path)
    return checked_target(path, force=args.force)


def checked_target(path: Path, *, force: bool) -> Path:
    """Return `path` when it may be written."""
    if not path.parent.is_dir():
        raise InputError(
            f"no folder {path.parent}", where=str(path), expected="a folder that exists", fix="Make it first."
        )
    if path.exists() and not force:
        raise InputError(
            "the file is there already", where=str(path), expected="a new name", fix="Use another name or --force."
        )
    return path


def save_figure(figure: Figure, path: Path) -> Path:
    """Write a figure as PNG."""
    from recon import figures

    figures.save(figure, path)
    return path


def scan_stem(path: str) -> str:
    """Name of a scan file without folder, suffix and entry."""
    return Path(path.partition("::")[0]).stem or "scan"


def duration_s(text: str) -> float:
    """Read "90", "60s", "5min" or "1h" as seconds."""
    match = re.fullmatch(r"\s*([0-9.]+)\s*(s|min|h)?\s*", text)
    try:
        value = float(match[1]) if match else 0.0
    except ValueError:
        value = 0.0
    if not match or value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a duration such as 60s, 5min or 1h")
    return value * {"s": 1, "min": 60, "h": 3600, None: 1}[match[2]]


def load_recipe(args: argparse.Namespace) -> Recipe:
    """Recipe of ``-r`` with every ``-s`` applied."""
    from recon.recipe import parse_recipe, read_recipe

    recipe = read_recipe(args.recipe) if args.recipe else parse_recipe("")
    for text in args.set:
        recipe = recipe.override(text)
    return recipe


@contextmanager
def progress_bar(args: argparse.Namespace, what: str, unit: str) -> Iterator[Callable[[int, int], None]]:
    """Yield ``update(done, total)``, which draws a bar with time left on a terminal and nothing elsewhere."""
    from tqdm import tqdm

    shown = sys.stderr.isatty() and not args.quiet
    with tqdm(desc=what, unit=unit, file=sys.stderr, disable=not shown, leave=False) as bar:

        def update(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        yield update


@contextmanager
def pass_bar(args: argparse.Namespace, what: str) -> Iterator[Callable[[PassRecord, float], None]]:
    """Yield a pass hook: a bar on a terminal, one line of log every half minute elsewhere."""
    from tqdm import tqdm

    shown = sys.stderr.isatty() and not args.quiet
    layout = "{desc}: {bar} {percentage:3.0f} %  {postfix}"
    with tqdm(desc=what, file=sys.stderr, disable=not shown, leave=False, total=1.0, bar_format=layout) as bar:
        last_line = 0.0

        def on_pass(record: PassRecord, seconds_left: float) -> None:
            nonlocal last_line
            text = f"{record.stage}, pass {record.iteration}, R {record.r_factor:.4f}, {clock(seconds_left)} left"
            if shown:
                bar.set_postfix_str(text, refresh=False)
                share = record.seconds / max(record.seconds + seconds_left, 1e-9)
                bar.update(max(0.0, share - bar.n))
            elif record.seconds - last_line > 30:
                last_line = record.seconds
                say(f"{what}: {text}", args.quiet)

        yield on_pass


def clock(seconds: float) -> str:
    """Write a duration for people: "8 s", "2:05 min", "1:10 h"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60}:{whole % 60:02d} min"
    return f"{whole // 3600}:{whole % 3600 // 60:02d} h"
