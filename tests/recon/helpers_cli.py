"""A tiny simulated scan, and one call of the command line with what it printed."""

from __future__ import annotations

import functools
import shutil
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from recon.cli import main
from recon.recipe import Recipe, parse_recipe
from scans import formats, scenario
from scans.scan import Scan
from scans.truth import Truth

PNG = b"\x89PNG\r\n\x1a\n"  # the file signature of the PNG specification, section 5.2
FEW_PASSES = (
    *("-s", "solve.approach.iterations=2", "-s", "solve.main.iterations=2", "-s", "solve.settle.iterations=2"),
    *("-s", "run.trial_passes=0", "-s", "run.held_out=0"),
)


@functools.cache
def simulated(**settings: Any) -> tuple[Scan, Truth]:
    """Copper grains on 40 frames of 48 pixels, a twentieth of the built-in scan's work."""
    return scenario.build("catalyst", **{"n_frames": 40, "frame_px": 48, **settings})


def written(path: Path, **settings: Any) -> Path:
    """Write the tiny scan to `path`."""
    return formats.write(path, simulated(**settings)[0], overwrite=True)


def recipe(*settings: str, passes: tuple[int, int] = (4, 2)) -> Recipe:
    """Return a recipe with few passes, and `settings` as after ``-s``."""
    found = parse_recipe("")
    names = ("approach", "main", "settle")
    passes_of = tuple(f"solve.{name}.iterations={n}" for name, n in zip(names, (1, *passes), strict=True))
    # no trials, no prior, which is chosen by held-out pixels, and no repetition
    for text in (*passes_of, "run.trial_passes=0", "run.held_out=0", "probe.share_passes=0", *settings):
        found = found.override(text)
    return found


@dataclass(frozen=True)
class Outcome:
    """Exit code and what stood on stdout and stderr."""

    code: int
    out: str
    err: str


def halfbit(capsys: pytest.CaptureFixture[str], *words: Any) -> Outcome:
    """Run one command in this process."""
    capsys.readouterr()
    code = main([str(word) for word in words])
    out, err = capsys.readouterr()
    return Outcome(code, out, err)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, hidden ones too, with what is in it."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def copied(source: Path, target: Path) -> Path:
    """Copy a file."""
    return Path(shutil.copyfile(source, target))


def skip_drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let commands write an empty figure: drawing takes longer than all else here."""
    from matplotlib.figure import Figure

    from recon import figures

    for name in ("simulate_figure", "inspect_figure", "result_figure", "resolution_figure"):
        monkeypatch.setattr(figures, name, lambda *parts: Figure(figsize=(1, 1)))


def raised_in(monkeypatch: pytest.MonkeyPatch, owner: object, name: str, number: int, at_call: int = 1) -> None:
    """Let a function raise a signal in its `at_call`-th call, before it does its work."""
    plain, calls = getattr(owner, name), []

    def talking(*args: object, **given: object) -> object:
        calls.append(name)
        if len(calls) == at_call:
            signal.raise_signal(number)
        return plain(*args, **given)

    monkeypatch.setattr(owner, name, talking)
