"""The mapping that ``inspect`` proposes for a file of unknown names: as a table, as recipe text, as an object."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, closing
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recon.recipe import Recipe
from scans.files import replacing
from scans.scan import Finding, Scan

if TYPE_CHECKING:
    from scans.formats.items import Item, Source
    from scans.formats.role_guess import Guess
    from scans.formats.roles import Proposal

# So many items that no role took are listed.
MAX_UNUSED = 12


@dataclass
class _Together:
    """The parts of a scan joined, and what the file that was named holds besides."""

    path: Path
    kind: str
    joined: list[Item]
    other: Source
    findings: tuple[Finding, ...]
    ignored: tuple[tuple[str, str], ...]
    followed: dict[str, str]

    def items(self) -> Iterator[Item]:
        """Yield the items of both, those of the parts first."""
        known = {item.path for item in self.joined}
        yield from self.joined
        yield from (item for item in self.other.items() if item.path not in known)

    def item(self, path: str) -> Item | None:
        """Return one by its path."""
        return next((item for item in self.joined if item.path == path), None) or self.other.item(path)

    def close(self) -> None:
        """Close the file; the parts are closed already."""
        self.other.close()


def _together(source: Source, parts: list[Source]) -> _Together:
    """Join the parts, whose order is that of the scan, with the file that was named."""
    from scans.formats.joined_items import join_sources

    items, findings = join_sources(parts)
    ignored = [one for part in (*parts, source) for one in part.ignored]
    followed = {path: link for part in (*parts, source) for path, link in part.followed.items()}
    findings = [*findings, *source.findings]
    return _Together(source.path, source.kind, items, source, tuple(findings), tuple(ignored), followed)


def propose_mapping(target: str, recipe: Recipe) -> Proposal:
    """Guess the role of everything in a file; what the recipe says of the scan is kept.

    Raises
    ------
    InputError
        When the file cannot be opened.
    """
    from scans.formats import open_source, part_paths, split_target
    from scans.formats.hdf5 import READ_ERRORS, damaged
    from scans.formats.overrides import Overrides
    from scans.formats.roles import propose

    given = {key: value for key, value in asdict(recipe.scan).items() if value is not None}
    path, inner = split_target(target)
    if inner not in (None, "/"):
        given["mapping"] = {"frames": inner} | given.get("mapping", {})
    overrides = Overrides(**given)
    with ExitStack() as stack:
        source = stack.enter_context(closing(open_source(path, follow_external=overrides.follow_external)))
        if overrides.parts:
            names = part_paths(path, overrides.parts)
            opened = (open_source(name, follow_external=overrides.follow_external) for name in names)
            source = _together(source, [stack.enter_context(closing(part)) for part in opened])
        try:
            return propose(source, overrides)
        except READ_ERRORS as exc:
            raise damaged(str(path), exc) from exc


def with_mapping(recipe: Recipe, proposal: Proposal) -> Recipe:
    """Return the recipe with the proposed mapping."""
    return replace(recipe, scan=replace(recipe.scan, mapping=proposal.mapping))


def marked_as_guessed(scan: Scan, proposal: Proposal) -> Scan:
    """Return the scan with every value marked as a guess that comes from a guessed role."""
    from scans.formats.mapping_text import parse_reference

    guessed = [
        (parse_reference(reference, key).path, guess)
        for guess in proposal.guesses
        if guess.confidence != "given"
        for key, reference in guess.entries.items()
        if key != "mask_bad"
    ]

    def mark(note: Any) -> Any:
        names = note.where.rpartition("::")[2] if " and " not in note.where else note.where
        for path, guess in guessed:
            if path == names or (" and " in names and path in names):
                why = f"proposed, {guess.confidence} confidence; {note.why}".rstrip("; ")
                return replace(note, guess=True, why=why)
        return note

    return replace(scan, notes=tuple(mark(note) for note in scan.notes))


def proposal_finding(proposal: Proposal, written: Path) -> Finding:
    """Say that what was read is a proposal."""
    unsure = [g.role for g in proposal.guesses if g.confidence == "medium"]
    text = "the names in this file were guessed" + (f", with less certainty: {', '.join(unsure)}" if unsure else "")
    return Finding("caution", "proposed_mapping", text, f"Check {written.name}, then use it with -r.")


def write_mapping(path: Path, proposal: Proposal, recipe: Recipe, target: str) -> Path:
    """Write the mapping as a recipe; the file appears whole."""
    with replacing(path, force=False) as part:
        part.write_text(mapping_text(proposal, recipe, target, path.name), encoding="utf-8")
    return path


def mapping_text(proposal: Proposal, recipe: Recipe, target: str, name: str) -> str:
    """Recipe text of a proposal: each role with its evidence, open roles as comments with their candidates."""
    state = f"OPEN: {', '.join(proposal.missing)}" if proposal.missing else "complete"
    lines = [
        f"# Proposed by halfbit inspect for {_line(target)}: names were guessed. Check every line. ({state})",
        f"# Then: halfbit reconstruct {_line(target)} -r {name}",
        '# A line is ROLE = "NAME", with "[:,1]" for a column and " in UNIT" where the file names no unit.',
        "",
        *_scan_lines(recipe),
        "[scan.mapping]",
    ]
    for guess in proposal.guesses:
        lines += _given_lines(guess) if guess.entries else _open_lines(guess, guess.role in proposal.missing)
    unused = [f"#   {_line(_item_text(item))}" for item in proposal.unused]
    tail = ["", "# Not used:", *unused] if unused else []
    return "\n".join([*lines, *tail]) + "\n"


def _scan_lines(recipe: Recipe) -> list[str]:
    """Write what the user said besides the mapping."""
    section = recipe.scan
    pairs = {f.name: getattr(section, f.name) for f in fields(section) if f.name != "mapping"}
    lines = [f"{key} = {_toml(value)}" for key, value in pairs.items() if value is not None]
    return ["[scan]", *lines, ""] if lines else []


def _given_lines(guess: Guess) -> list[str]:
    lines = [f"# {guess.role}, {guess.confidence}: {_line('; '.join(guess.evidence))}"]
    return lines + [f"{key} = {_toml(reference)}" for key, reference in guess.entries.items()]


def _open_lines(guess: Guess, needed: bool) -> list[str]:
    word = "OPEN, to be filled in" if needed else "open"
    lines = [f"# {guess.role}, {word}: {_line('; '.join(guess.evidence))}"]
    for candidate in guess.candidates:
        said = _line("; ".join(candidate.evidence))
        lines += [f"# {key} = {_toml(ref)}  # {said}" for key, ref in candidate.entries.items()]
    if needed and not guess.candidates:
        from scans.formats.roles import KEYS

        lines.append(f'# {KEYS[guess.role][0]} = "NAME"')
    return lines


def _toml(value: Any) -> str:
    """Write a value as TOML; JSON's spelling of text, numbers and lists is TOML's, too."""
    return json.dumps(list(value) if isinstance(value, tuple) else value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _line(text: str) -> str:
    """Text as it may stand in a comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _item_text(item: Item) -> str:
    shape = " x ".join(map(str, item.shape)) or "one value"
    return f"{item.path} ({shape}, {'text' if item.dtype.kind in 'OSU' else item.dtype})"


def proposal_lines(proposal: Proposal, target: str, written: Path) -> list[str]:
    """Table for people: role, guess, confidence, evidence; then what was not used."""
    rows = [(g.role, g.what or "-", g.confidence, "; ".join(g.evidence)) for g in proposal.guesses]
    widths = [max(len(row[k]) for row in rows) for k in range(3)]
    lines = [f"{target} ({proposal.kind} of unknown names): roles were guessed", ""]
    for guess, row in zip(proposal.guesses, rows, strict=True):
        lines.append("  " + "  ".join(f"{text:<{w}}" for text, w in zip(row, widths, strict=False)) + f"  {row[3]}")
        lines += [f"      candidate {c.what}: {'; '.join(c.evidence)}" for c in guess.candidates]
    unused = [_item_text(item) for item in proposal.unused]
    more = f"; and {len(unused) - MAX_UNUSED} more" if len(unused) > MAX_UNUSED else ""
    lines += ["", f"not used  {'; '.join(unused[:MAX_UNUSED])}{more}"] if unused else []
    lines += _file_lines(proposal)
    return [_printable(line) for line in lines] + [f"mapping  {written}"]


def _file_lines(proposal: Proposal) -> list[str]:
    """Say which files were not used, and what is odd about the others."""
    ignored = [f"{name} ({why})" for name, why in proposal.ignored]
    more = f"; and {len(ignored) - MAX_UNUSED} more" if len(ignored) > MAX_UNUSED else ""
    lines = [f"files not used  {'; '.join(ignored[:MAX_UNUSED])}{more}"] if ignored else []
    return lines + [f"{f.level}  {f.text}. {f.fix}" for f in proposal.findings]


def _printable(line: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in line)


def what_to_do(proposal: Proposal, target: str, written: Path) -> str:
    """Say what is to be filled in."""
    return (
        f"{target}: no role found for {', '.join(proposal.missing)}; fill in {written} "
        f"(candidates stand there as comments), then: halfbit inspect {target} -r {written}"
    )


def proposal_object(proposal: Proposal, written: Path) -> dict[str, Any]:
    """Return the proposal as ``--json`` holds it."""
    return {
        "mapping_file": written,
        "mapping": proposal.mapping,
        "missing": proposal.missing,
        "roles": [
            {
                "role": g.role,
                "entries": g.entries,
                "confidence": g.confidence,
                "evidence": g.evidence,
                "candidates": [{"entries": c.entries, "evidence": c.evidence} for c in g.candidates],
            }
            for g in proposal.guesses
        ],
        "not_used": [item.path for item in proposal.unused],
        "files_not_used": [{"file": name, "why": why} for name, why in proposal.ignored],
        "file_findings": [asdict(f) for f in proposal.findings],
    }
