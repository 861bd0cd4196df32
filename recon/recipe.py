"""The recipe: what the user fixed about a run; everything else is chosen from the data.

One frozen dataclass per TOML table. A key that is None is free; `Recipe.choose` fills it, marks it, and
never touches what the user gave. Keys are closed: an unknown one is an error that names the nearest.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field, fields, replace
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from recon.recipe_keys import ROLES, nearest, shown
from recon.recipe_sections import (
    STAGE_KEYS,
    ObjectSection,
    PositionsSection,
    PrepareSection,
    ProbeSection,
    RunSection,
    ScanSection,
    Section,
    SolveStage,
)
from scans.errors import InputError

# The one table within a table: [scan.mapping].
MAPPING = "mapping"


@dataclass(frozen=True)
class Recipe:
    """All tables of a recipe, and which values were chosen from the data.

    `chosen` holds ``(path, reason)`` pairs. It takes no part in comparisons: a recipe read back from its
    own TOML is the same recipe, with every value given. `pending` holds overrides of ``[[solve]]`` tables
    that are still to be chosen; they are applied when that happens.
    """

    scan: ScanSection = field(default_factory=ScanSection)
    prepare: PrepareSection = field(default_factory=PrepareSection)
    probe: ProbeSection = field(default_factory=ProbeSection)
    object: ObjectSection = field(default_factory=ObjectSection)
    positions: PositionsSection = field(default_factory=PositionsSection)
    run: RunSection = field(default_factory=RunSection)
    solve: tuple[SolveStage, ...] = ()
    chosen: tuple[tuple[str, str], ...] = field(default=(), compare=False)
    pending: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        names = [stage.name for stage in self.solve]
        for name in names:
            if names.count(name) > 1:
                raise InputError(
                    f'{names.count(name)} [[solve]] tables named "{name}"',
                    where="solve.name",
                    expected="each name once",
                    fix="Give each table a name of its own.",
                )

    def get(self, path: str) -> Any:
        """Value of ``section.key``, ``scan.mapping.role`` or ``solve.NAME.key``; None when free."""
        table, stage, name = _split(path, path)
        if stage == MAPPING:
            return (self.scan.mapping or {}).get(name)
        return self._stage(stage, path).get(name) if table == "solve" else getattr(getattr(self, table), name)

    def reason(self, path: str) -> str | None:
        """Why the value at `path` was chosen; None when the user gave it or it is free."""
        return dict(self.chosen).get(path)

    def override(self, text: str) -> Recipe:
        """Return the recipe with one key set as ``-s`` does.

        Parameters
        ----------
        text
            ``section.key=VALUE``, ``scan.mapping.role=NAME`` for one role of a mapping,
            ``solve.NAME.key=VALUE`` for one table, ``solve.key=VALUE`` for all. VALUE
            is a TOML value; what is not one is a string. Where the recipe has no ``[[solve]]`` table, those
            that will be chosen are changed; only ``solve.solver=VALUE`` makes a single one, named "main".

        Raises
        ------
        InputError
            When the key is unknown (the nearest is named) or does not take the value.
        """
        where = f"-s {text}"
        path, _, value = (part.strip() for part in text.partition("="))
        if not (path and value):
            raise InputError(f'"{text}"', where="-s", expected="section.key=VALUE", fix="E.g. -s probe.modes=3")
        table, stage, name = _split(path, where)
        if table == "solve" and name == "name":
            fix = "Rename a [[solve]] table in the recipe file."
            raise InputError("a new name", where=where, expected="any other key", fix=fix)
        try:
            return self._overridden(text, (table, stage, name), _toml_value(value))
        except InputError as exc:
            where = exc.where if exc.where.startswith("-s") else where
            raise InputError(exc.found, where=where, expected=exc.expected, fix=exc.fix) from None

    def _overridden(self, text: str, path: tuple[str, str | None, str], value: Any) -> Recipe:
        table, stage, name = path
        if stage == MAPPING:
            return self._having([f"{table}.{stage}"], (self.scan.mapping or {}) | {name: value})
        if table != "solve":
            return self._having([f"{table}.{name}"], value)
        if not self.solve:
            SolveStage().having(name, value)  # a wrong value is told now
            if stage or name != "solver":
                return replace(self, pending=(*self.pending, text))
            return replace(self, solve=(SolveStage(solver=value),))._settled()
        names = [self._stage(stage, f"-s {text}").name] if stage else [s.name for s in self.solve]
        recipe = self
        if name == "solver":  # settings chosen for another solver go with it
            for stage_name in names:
                recipe = recipe._without_chosen_settings(stage_name)
        return recipe._having([f"solve.{stage_name}.{name}" for stage_name in names], value)

    def without_prior(self) -> Recipe:
        """Return the recipe without the stages that have a prior: for estimates that a prior would flatter."""
        kept = tuple(stage for stage in self.solve if stage.get("prior") in (None, "none"))
        if not kept:
            return self
        gone = tuple(f"solve.{stage.name}." for stage in self.solve if stage not in kept)
        kept_marks = tuple(mark for mark in self.chosen if not mark[0].startswith(gone or (" ",)))
        return replace(self, solve=kept, chosen=kept_marks)

    def alone(self) -> Recipe:
        """Return the recipe for one of several scans that were reconstructed together."""
        stages = tuple(
            replace(
                stage,
                refine=" ".join(word for word in (stage.refine or "").split() if word not in ("probes", "offsets")),
            )
            for stage in self.solve
        )
        return replace(self, solve=stages, run=replace(self.run, share=None))

    def _settled(self) -> Recipe:
        """Apply the pending overrides to the tables that are there now."""
        recipe = replace(self, pending=())
        for text in self.pending:
            recipe = recipe.override(text)
        return recipe

    def choose(self, path: str, value: Any, reason: str) -> Recipe:
        """Return the recipe with a free key set from the data and marked so; what the user gave stays.

        Parameters
        ----------
        path
            ``section.key``; ``solve.NAME.key``, the solver's own keys too; or ``solve`` for all tables at
            once, where the recipe has none.
        value
            Python or NumPy value; a sequence of `SolveStage` for ``solve``.
        reason
            Why, as it will stand behind ``# chosen:`` in the written recipe.

        Raises
        ------
        ValueError
            When the key does not take the chosen value: a defect of whoever chose.
        """
        if path == "solve":
            return self if self.solve else self._with_stages(tuple(value), reason)
        if self.get(path) is not None and self.reason(path) is None:
            return self
        try:
            return self._having([path], value, reason)
        except InputError as exc:  # not the user's doing
            raise ValueError(f"choice for {exc}") from exc

    def to_toml(self) -> str:
        """Write the recipe as TOML text; free keys are left out, chosen ones carry ``# chosen: reason``.

        Raises
        ------
        ValueError
            While overrides wait for ``[[solve]]`` tables to be chosen, which no text can say.
        """
        if self.pending:
            raise ValueError(f"choose the [[solve]] tables first; pending: {', '.join(self.pending)}")
        document = tomlkit.document()
        for section in (self.scan, self.prepare, self.probe, self.object, self.positions, self.run):
            pairs = {f.name: getattr(section, f.name) for f in fields(section)}
            if any(value is not None for value in pairs.values()):
                document.add(section.TABLE, self._table(section.TABLE, pairs))
        stages = AoT([])
        for stage in self.solve:
            pairs = {name: getattr(stage, name) for name in STAGE_KEYS} | stage.settings
            stages.append(self._table(f"solve.{stage.name}", pairs))
        if self.solve:
            document.add("solve", stages)
        return tomlkit.dumps(document)

    def _table(self, prefix: str, pairs: dict[str, Any]) -> Table:
        table = tomlkit.table()
        for name, value in pairs.items():
            if value is None:
                continue
            item = tomlkit.item(list(value) if isinstance(value, tuple) else value)
            if isinstance(value, dict):
                table.add(tomlkit.nl())  # [scan.mapping] stands on its own
            reason = self.reason(f"{prefix}.{name}")
            if reason is not None:
                plain = "".join(c if c.isprintable() else " " for c in reason)  # TOML comments take no others
                item.comment(f"chosen: {' '.join(plain.split())}")
            table.add(name, item)
        return table

    def _stage(self, name: str | None, where: str) -> SolveStage:
        names = [stage.name for stage in self.solve]
        if name in names:
            return self.solve[names.index(name)]
        known = ", ".join(names) or "(the recipe has no [[solve]] table)"
        raise InputError(
            f'no [[solve]] table named "{name}"' if name else "no name of a [[solve]] table",
            where=where,
            expected=f"solve.NAME.key with NAME one of: {known}",
            fix=f'The nearest is "{nearest(name or "", names)}".' if names else "Write solve.KEY, without a name.",
        )

    def _having(self, paths: Iterable[str], value: Any, reason: str | None = None) -> Recipe:
        """Set full paths to one value; with `reason` they are marked as chosen, without it as given."""
        recipe = self
        for path in paths:
            table, stage, name = _split(path, path)
            if table == "solve":
                new: Any = tuple(s.having(name, value) if s.name == stage else s for s in recipe.solve)
            else:
                new = replace(getattr(recipe, table), **{name: value})
            marks = tuple(mark for mark in recipe.chosen if mark[0] != path)
            marks += ((path, reason),) if reason is not None else ()
            recipe = replace(recipe, chosen=marks, **{table: new})
        return recipe

    def _with_stages(self, stages: tuple[SolveStage, ...], reason: str) -> Recipe:
        keys = [(s.name, k) for s in stages for k in ("solver", "iterations", *s.settings) if s.get(k) is not None]
        marks = tuple((f"solve.{name}.{k}", reason) for name, k in keys)
        return replace(self, solve=stages, chosen=self.chosen + marks)._settled()

    def _without_chosen_settings(self, name: str) -> Recipe:
        stage = self._stage(name, name)
        gone = {f"solve.{name}.{key}" for key in stage.settings} & set(dict(self.chosen))
        kept = {key: value for key, value in stage.settings.items() if f"solve.{name}.{key}" not in gone}
        stages = tuple(replace(s, settings=kept) if s is stage else s for s in self.solve)
        return replace(self, solve=stages, chosen=tuple(mark for mark in self.chosen if mark[0] not in gone))


_SECTIONS: dict[str, type[Section]] = {
    s.TABLE: s for s in (ScanSection, PrepareSection, ProbeSection, ObjectSection, PositionsSection, RunSection)
}
_PATHS = [f"{table}.{f.name}" for table, section in _SECTIONS.items() for f in fields(section)]
_PATHS += [f"solve.{name}" for name in STAGE_KEYS]
_PATHS += [f"scan.{MAPPING}.{name}" for name in ROLES]


def read_recipe(path: str | Path) -> Recipe:
    """Read a recipe file.

    Raises
    ------
    InputError
        When the file cannot be read, is not TOML, or holds an unknown key or a wrong value.
    """
    try:
        text = Path(path).read_text("utf-8-sig")
    except OSError as exc:
        fix = "Give the path of a TOML recipe after -r."
        raise InputError(str(exc.strerror), where=str(path), expected="a recipe file", fix=fix) from exc
    except UnicodeDecodeError as exc:
        fix = "Save it as UTF-8; is it a recipe at all?"
        raise InputError(f"no text at byte {exc.start}", where=str(path), expected="UTF-8", fix=fix) from exc
    return parse_recipe(text, str(path))


def parse_recipe(text: str, where: str = "recipe") -> Recipe:
    """Make a recipe of TOML text; `where` names the source in messages.

    Raises
    ------
    InputError
        When the text is not TOML (with its line), or holds an unknown key or a wrong value.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        line = re.search(r"line (\d+)", str(exc))
        number = line[1] if line else str(text.rstrip().count("\n") + 1)
        what = re.sub(r" \(at .*\)$", "", str(exc))
        fix = "Correct the line; strings need quotes."
        raise InputError(what, where=f"{where}, line {number}", expected="TOML", fix=fix) from exc
    try:
        return Recipe(**{name: _section(name, content) for name, content in tables.items()})
    except InputError as exc:
        raise InputError(exc.found, where=f"{where}, {exc.where}", expected=exc.expected, fix=exc.fix) from None


def _section(table: str, content: Any) -> Any:
    """Make one table's value of its parsed TOML."""
    if table == "solve":
        if not isinstance(content, list) or not all(isinstance(stage, dict) for stage in content):
            fix = "Write [[solve]] with double brackets above each stage."
            raise InputError("not a list of tables", where="solve", expected="[[solve]] tables", fix=fix)
        return tuple(_solve_stage(stage) for stage in content)
    if table not in _SECTIONS:
        raise _unknown("", table, table)
    if not isinstance(content, dict):
        raise InputError(shown(content), where=table, expected="a table", fix=f"Write [{table}] on its own line.")
    for name, value in content.items():
        _split(f"{table}.{name}", f"{table}.{name}")
        if name == MAPPING and isinstance(value, dict):
            for role in value:
                _split(f"{table}.{name}.{role}", f"{table}.{name}.{role}")
    return _SECTIONS[table](**content)


def _solve_stage(content: dict[str, Any]) -> SolveStage:
    common = {name: content[name] for name in STAGE_KEYS if name in content}
    return SolveStage(**common, settings={k: v for k, v in content.items() if k not in STAGE_KEYS})


def _split(path: str, where: str) -> tuple[str, str | None, str]:
    """Take a path apart into table, name of a ``[[solve]]`` table or "mapping", key; raise on an unknown key."""
    table, *rest = path.split(".")
    if table == "solve" and len(rest) in (1, 2):
        return table, rest[0] if len(rest) == 2 else None, rest[-1]
    if path not in _PATHS:
        within = f"{table}.{MAPPING}" if (table, rest[:-1]) == ("scan", [MAPPING]) else table
        raise _unknown(within, rest[-1] if rest else "", where)
    return table, rest[0] if len(rest) == 2 else None, rest[-1]


def _unknown(table: str, name: str, where: str) -> InputError:
    """Make the error for an unknown key or table; a like key in the same table counts as nearer."""

    def likeness(path: str) -> float:
        known_table, _, known = path.rpartition(".")
        table_like = SequenceMatcher(None, table, known_table).ratio()
        return SequenceMatcher(None, name or table, known).ratio() + 0.3 * table_like

    near = max(_PATHS, key=likeness)
    tables = [*_SECTIONS, "solve"]
    if not table and max(SequenceMatcher(None, name, t).ratio() for t in tables) > 0.6:
        near = f"[{nearest(name, tables)}]"
    what = f'unknown key "{name}"' if table.split(".")[0] in _SECTIONS else f'unknown table or key "{table or name}"'
    if table in tables and not name:
        what = f'"{table}" alone, which is a table'
    return InputError(what, where=where, expected="a key of the recipe", fix=f"The nearest is {near}.")


def _toml_value(text: str) -> Any:
    """Parse a TOML value; text that is none is itself the value."""
    try:
        parsed = tomllib.loads(f"value = {text}")
    except tomllib.TOMLDecodeError:
        return text
    return parsed["value"] if list(parsed) == ["value"] else text
