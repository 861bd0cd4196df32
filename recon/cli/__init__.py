"""Command line: parse, call one library function, print. Each command is one small file.

Heavy modules load inside the commands, so that ``halfbit --help`` is quick.
"""

from __future__ import annotations

import argparse
import os
import shlex
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from recon.cli import demo, inspect, prepare, reconstruct, resolution, simulate
from recon.cli.common import EXIT_DEFECT, EXIT_INPUT, EXIT_INTERRUPTED, Parser, say
from scans.errors import InputError

COMMANDS = (demo, simulate, inspect, prepare, reconstruct, resolution)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = Parser(
        prog="halfbit",
        allow_abbrev=False,
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
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # an old terminal must not stop a run at a "µ"
    parser = build_parser()
    try:
        args = parser.parse_args(argv)
    except SystemExit as exc:  # --help, or wrong options
        return int(exc.code or 0)
    if args.version:
        from recon.result import program_version

        version = program_version()
        print("halfbit (not installed, so without a version)" if version == "not installed" else f"halfbit {version}")
        return 0
    if args.command is None:
        parser.print_help()
        return 0
    with _terminated_as_interrupted():
        return _run(args, argv)


@contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """Handle SIGTERM, which batch systems send, as Ctrl-C; Python takes signals in the main thread only."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    old = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, old)


def _run(args: argparse.Namespace, argv: Sequence[str] | None) -> int:
    """Run the command; every way it can end becomes an exit code and one message."""
    try:
        code = int(args.run(args))
        sys.stdout.flush()
        return code
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
    text = f"halfbit {shlex.join(words)}\n{traceback.format_exc()}"
    for folder in (Path.cwd(), Path(tempfile.gettempdir())):
        try:
            (folder / name).write_text(text, encoding="utf-8")
        except OSError:
            continue
        return folder / name
    say(text)
    return Path("the lines above")
