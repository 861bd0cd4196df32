"""What all commands share: options, messages, progress, names of outputs."""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from scans.errors import InputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from recon.loop import PassRecord
    from recon.recipe import Recipe
    from scans.scan import Finding, Scan

EXIT_DONE, EXIT_DEFECT, EXIT_INPUT, EXIT_UNTRUSTED, EXIT_INTERRUPTED = 0, 1, 2, 3, 130

Commands = Any  # argparse's own type for add_subparsers() is private

FIGURE = ".png"


class Parser(argparse.ArgumentParser):
    """Says in one line what is wrong with the options, and where they are listed."""

    def error(self, message: str) -> NoReturn:
        """Exit with 2."""
        self.exit(EXIT_INPUT, f"{self.prog}: {message}. See {self.prog} --help.\n")


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
        allow_abbrev=False,  # a script's abbreviation would break with the next option
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


def add_scan(parser: argparse.ArgumentParser, example: str, several: str = "") -> None:
    """Add the scan, its recipe with the settings, and ``--follow-external``.

    Parameters
    ----------
    several
        Help text of a command that takes several scans: they come as a list.
    """
    help_text = "scan file, FILE::/entry, or a folder or pattern that holds one scan"
    parser.add_argument("scan", metavar="SCAN", nargs="+" if several else None, help=help_text + several)
    parser.add_argument("-r", "--recipe", metavar="RECIPE.toml", help="settings; what it leaves open is chosen")
    add_settings(parser, example)
    parser.add_argument(
        "--follow-external",
        action="store_true",
        help="follow links and virtual sources that lead out of the scan's folder (-s scan.follow_external=true)",
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
        f"  {f.level:<8} {f.text}{f'. {f.fix}' if f.fix else ''}"
        for f in sorted(findings, key=lambda f: order[f.level])
    ]


def finding_objects(findings: tuple[Finding, ...] | list[Finding]) -> list[dict[str, str]]:
    """Return findings as ``--json`` holds them."""
    return [{"level": f.level, "code": f.code, "text": f.text, "fix": f.fix} for f in findings]


def output_path(args: argparse.Namespace, stem: str, suffix: str, *, beside: tuple[str, ...] = ()) -> Path:
    """Where a command writes: ``-o`` (a file, or a folder), else a numbered name in the current folder.

    Parameters
    ----------
    beside
        Suffixes of further files of the same name that the command writes.

    Raises
    ------
    InputError
        When the name cannot be used, see `checked_target`.
    """
    path = Path.cwd() if args.output is None else Path(args.output)
    if path.is_dir():
        check_writable(path)
        return free_name(path, stem, (suffix, *beside))
    if args.output.endswith("/"):
        raise InputError("no such folder", where=args.output, expected="a folder that exists", fix="Make it first.")
    wrong = path.suffix.lower() in beside
    if wrong or (suffix == FIGURE and path.suffix.lower() != FIGURE):
        raise InputError(
            f"the suffix {path.suffix!r}" if path.suffix else "no suffix",
            where=f"-o {args.output}",
            expected=f"another one than {path.suffix}, which the figure gets" if wrong else f"a name in {FIGURE}",
            fix=f"E.g. -o {path.with_suffix(suffix)}",
        )
    for one in (path, *(path.with_suffix(s) for s in beside)):
        checked_target(one, force=args.force, inputs=input_files(args))
    return path


def free_name(folder: Path, stem: str, suffixes: tuple[str, ...]) -> Path:
    """Return ``stem_001`` with the first suffix, or the next number of which no file is there with any suffix."""
    number = 1
    while any(os.path.lexists(folder / f"{stem}_{number:03d}{suffix}") for suffix in suffixes):
        number += 1
    return folder / f"{stem}_{number:03d}{suffixes[0]}"


def still_free(path: Path, *, force: bool, beside: tuple[str, ...] = ()) -> Path:
    """Return `path`, or a numbered name where another run took it since it was checked."""
    suffixes = (path.suffix, *beside)
    if force or not any(os.path.lexists(path.with_suffix(suffix)) for suffix in suffixes):
        return path
    other = free_name(path.parent, re.sub(r"_\d{3}$", "", path.stem), suffixes)
    say(f"{path} was taken meanwhile; writing {other.name} instead")
    return other


def input_files(args: argparse.Namespace) -> list[Path]:
    """Files that a command reads, by its options."""
    names = (getattr(args, name, None) for name in ("scan", "recipe", "result", "other"))
    return [scan_file(name) for name in names if name]


def checked_target(path: Path, *, force: bool, inputs: list[Path] | None = None) -> Path:
    """Return `path` when it may be written.

    Raises
    ------
    InputError
        When the file is there already and `force` is off, is one of the `inputs`, or its folder is missing or
        cannot be written.
    """
    if path.is_dir():
        raise InputError("is a folder", where=str(path), expected="a file name", fix="Add a file name.")
    if not path.parent.is_dir():
        raise InputError(
            f"no folder {path.parent}", where=str(path), expected="a folder that exists", fix="Make it first."
        )
    if any(path.exists() and one.exists() and path.samefile(one) for one in inputs or ()):
        raise InputError(
            "the command reads this file",
            where=str(path),
            expected="another name: what is read is never replaced, not with --force either",
            fix="Name another file.",
        )
    if os.path.lexists(path) and not force:
        raise InputError(
            "the file is there already", where=str(path), expected="a new name", fix="Use another name or --force."
        )
    check_writable(path.parent)
    return path


def all_different(*paths: Path | None) -> None:
    """Raise `InputError` where two outputs have one name."""
    seen: dict[Path, Path] = {}
    for path in paths:
        if path is None:
            continue
        other = seen.setdefault(path.resolve(), path)
        if other is not path:
            raise InputError(
                "one name for two files",
                where=f"{other} and {path}",
                expected="a name for each",
                fix="Give them different names.",
            )


def check_writable(folder: Path, fix: str = "Name another place with -o.") -> None:
    """Try a nameless file: missing rights and read-only disks show before the work, not after.

    Raises
    ------
    InputError
        When no file can be made in the folder.
    """
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as exc:
        raise InputError(
            f"no file can be made there ({exc.strerror})",
            where=str(folder),
            expected="a folder with room that you may write to",
            fix=fix,
        ) from exc


def save_figure(figure: Figure, path: Path) -> Path:
    """Write a figure as PNG, in place of one that is there: the name was checked or belongs to the run."""
    from recon import figures

    figures.save(figure, path)
    return path


def scan_file(target: str) -> Path:
    """Path of the file of ``FILE::/entry`` or ``FILE``."""
    name, mark, _ = target.rpartition("::")
    return Path(name if mark and not os.path.exists(target) else target)


def scan_stem(target: str) -> str:
    """Name of a scan file without folder, suffix and entry; of a pattern what its files share."""
    path = scan_file(target)
    stem = path.name if path.is_dir() else path.stem
    if path.exists():
        return stem or "scan"
    return re.sub(r"\{\d+-\d+\}|[*?{}\[\]]+", "", stem).strip(" _-.") or "scan"


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


def open_scan(args: argparse.Namespace, recipe: Recipe) -> Scan:
    """Open the scan; a result given in its place is told as one, for it has arrays that a scan has, too.

    Raises
    ------
    InputError
        When the file is no scan.
    """
    from recon.result_file import read_result
    from recon.workflow import load_scan

    try:
        return load_scan(args.scan, recipe)
    except InputError as exc:
        try:
            source = read_result(args.scan).provenance.source
        except InputError:
            raise exc from None
    raise InputError(
        "a result of halfbit, not a scan",
        where=args.scan,
        expected="a file of diffraction frames",
        fix=f"Name the scan: {source.path}" if source else "Name the scan that it was made from.",
    )


def load_recipe(args: argparse.Namespace) -> Recipe:
    """Recipe of ``-r`` with every ``-s`` applied."""
    from recon.recipe import parse_recipe, read_recipe

    recipe = read_recipe(args.recipe) if args.recipe else parse_recipe("")
    for text in args.set:
        recipe = recipe.override(text)
    if getattr(args, "follow_external", False):
        recipe = recipe.override("scan.follow_external=true")
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
