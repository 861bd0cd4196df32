"""Command line: parse, call one library function, print. Each command is one small file.

Heavy modules load inside the commands, so that ``halfbit --help`` is quick.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from recon.cli import demo, inspect, reconstruct, resolution, simulate
from recon.cli.common import EXIT_DEFECT, EXIT_INPUT, EXIT_INTERRUPTED, say
from scans.errors import InputError

COMMANDS = (demo, simulate, inspect, reconstruct, resolution)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="halfbit",
        description="Ptychographic reconstruction for soft X-ray scanning microscopes: from a scan file to a "
        "judged image.",
        epilog="Try it without data: halfbit demo",
    )
    parser.add_argument("--version", action="store_true", help="print the version and exit")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for module in COMMANDS:
        module.add_parser(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code (0, 1, 2, 3 or 130, see docs/commands.md)."""
    parser = build_parser()
    args = parser.parse_args(argv)
    if args.version:
        from recon.result import program_version

        print(f"halfbit {program_version()}")
        return 0
    if args.command is None:
        parser.print_help()
        return 0
    try:
        return int(args.run(args))
    except InputError as exc:
        say(f"halfbit {args.command}: {exc}")
        return EXIT_INPUT
    except KeyboardInterrupt:
        say(f"halfbit {args.command}: interrupted; nothing more was written")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output went away (halfbit … | head): nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_INTERRUPTED
    except Exception as exc:
        say(f"halfbit {args.command}: a defect of ours: {type(exc).__name__}: {exc}")
        say(f"The details are in {_save_traceback(argv)}; please send us this file.")
        return EXIT_DEFECT


def _save_traceback(argv: Sequence[str] | None) -> Path:
    """Write the traceback to a log in the current folder, or the temporary one where that is read-only."""
    name = f"halfbit-error-{time.strftime('%Y%m%d-%H%M%S')}-{os.getpid()}.log"
    words = sys.argv[1:] if argv is None else list(argv)
    text = f"halfbit {' '.join(words)}\n{traceback.format_exc()}"
    for folder in (Path.cwd(), Path(tempfile.gettempdir())):
        try:
            (folder / name).write_text(text, encoding="utf-8")
        except OSError:
            continue
        return folder / name
    say(text)
    return Path("the lines above")
