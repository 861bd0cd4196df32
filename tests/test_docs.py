"""The pages must not lie: links lead somewhere, examples run, the commands of the README are the ones that CI uses."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md"), *(ROOT / "benchmarks").glob("*.md")])


def anchors(page: Path) -> set[str]:
    """Anchors as common Markdown renderers make them: lower case, spaces to hyphens, punctuation dropped."""
    titles = re.findall(r"^#+ (.+)$", page.read_text("utf-8"), re.M)
    return {re.sub(r"[^\w\- ]", "", title.lower()).strip().replace(" ", "-") for title in titles}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    text = re.sub(r"```.*?```", "", page.read_text("utf-8"), flags=re.S)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        name, _, anchor = target.partition("#")
        where = page.parent / name if name else page
        assert where.exists(), f"{page.name} links to {target}"
        assert not anchor or anchor in anchors(where), f"{page.name} links to {target}; {sorted(anchors(where))}"


def test_python_example_of_the_first_reconstruction_runs(capsys):
    page = (ROOT / "docs/first-reconstruction.md").read_text("utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", page, re.S)
    exec(compile(example, "first-reconstruction.md", "exec"), {})
    printed = capsys.readouterr().out
    assert "halfbit result: " in printed
    assert "R factor" in printed


def test_readme_has_one_line_for_each_of_the_two_commands():
    readme = (ROOT / "README.md").read_text("utf-8")
    ends = {"demo": ".venv/bin/halfbit demo", "test": '.venv/bin/python -m pytest -q -n auto -m "not slow"'}
    for name, last in ends.items():
        (block,) = re.findall(rf"<!-- {name} command -->\n```\n(.*?)\n```", readme, re.S)
        assert "\n" not in block
        assert block.startswith("python3 -m venv .venv && ")
        assert block.endswith(last)
    # .ci/run takes the line from the README, so that the two cannot differ
    assert "test command" in (ROOT / ".ci/run").read_text("utf-8")


def test_every_solver_and_recipe_key_is_documented():
    from dataclasses import fields

    from recon.recipe_sections import (
        ObjectSection,
        PositionsSection,
        PrepareSection,
        ProbeSection,
        RunSection,
        ScanSection,
    )
    from recon.solvers import SOLVERS

    commands = (ROOT / "docs/commands.md").read_text("utf-8")
    for section in (ScanSection, PrepareSection, ProbeSection, ObjectSection, PositionsSection, RunSection):
        missing = [f.name for f in fields(section) if f"`{f.name}`" not in commands]
        assert not missing, f"docs/commands.md does not name {section.TABLE}: {missing}"
    methods = (ROOT / "docs/methods.md").read_text("utf-8")
    for name, solver in SOLVERS.items():
        (row,) = re.findall(rf"^\| `{name}` \|.*$", methods, re.M)
        for f in fields(solver):
            default = f'"{f.default}"' if isinstance(f.default, str) else f"{f.default:g}"
            assert f"`{f.name}` {default}" in row, f"{name}: {f.name}"
