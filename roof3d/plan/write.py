"""Writes plans as TOML; in a file that exists, what people wrote by hand stays as they wrote it."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable

from roof3d.errors import InputError
from roof3d.plan.keys import PLAN
from roof3d.plan.kinds import Key, ListOf, Overrides, Place, Section
from roof3d.plan.read import parse_plan, read_plan, rules_for
from roof3d.records import Plan
from roof3d.tomlfile import read_toml, replace_file

_HEAD = "Plain numbers are metres, kilograms, newtons and degrees; text may carry another unit."


def write_plan(plan: Plan, path: str | Path) -> Plan:
    """Writes ``plan`` to ``path`` and returns it as read back from there.

    In a file that exists, keys whose value is the plan's already keep their text, comments and
    order. Relative names of model, rule set and table of places are turned so that they reach the
    same files from the new folder. Nothing is written unless the new text reads back as the same
    plan. Raises ``InputError`` when the file that exists is no plan or cannot be written, and
    ``ValueError`` for a plan that a file cannot say.
    """
    path = Path(path)
    plan = _rebased(plan, path)
    plain = PLAN.plain(plan, {})
    if path.exists():
        data, raw = read_toml(path, "a plan")
        parse_plan(data, str(path))
        text = _merged(raw.decode("utf-8"), plan, plain)
    else:
        text = _fresh(plan, plain)
    _same(text, plan, path)
    rules_for(replace(plan, file=str(path)))
    replace_file(path, text)
    return read_plan(path)


def plan_text(plan: Plan) -> str:
    """The plan as the text of a new TOML file."""
    return _fresh(plan, PLAN.plain(plan, {}))


def _rebased(plan: Plan, path: Path) -> Plan:
    """The plan with relative file names that start at the folder of ``path``."""
    old = Path(plan.file).parent if plan.file else Path()
    new = path.parent

    def turned(name: str) -> str:
        if not name or Path(name).is_absolute() or old.resolve() == new.resolve():
            return name
        return Path(os.path.relpath((old / name).resolve(), new.resolve())).as_posix()

    is_path = plan.rules.endswith(".toml") or "/" in plan.rules
    return replace(
        plan,
        model=replace(plan.model, file=turned(plan.model.file)),
        candidates=replace(plan.candidates, list_file=turned(plan.candidates.list_file)),
        rules=turned(plan.rules) if is_path else plan.rules,
    )


def _same(text: str, plan: Plan, path: Path) -> None:
    """Raises unless the text reads as the plan."""
    try:
        again = parse_plan(tomllib.loads(text), str(path))
    except (InputError, tomllib.TOMLDecodeError) as error:
        raise ValueError(f"this plan cannot be written as a file: {error}") from error
    if again != replace(plan, file="", sha256=""):
        raise ValueError("this plan cannot be written as a file that reads back the same")


def _fresh(plan: Plan, plain: dict[str, Any]) -> str:
    document = tomlkit.document()
    document.add(tomlkit.comment(_HEAD))
    for name in ("title", "rules"):
        if name in plain:
            document.add(name, tomlkit.item(plain[name]))
    for name, value in plain.items():
        if name in ("title", "rules"):
            continue
        if isinstance(value, dict):
            document.add(name, _table(value))
        elif value:
            document.append(name, _tables(value))
    return tomlkit.dumps(document)


def _table(value: Mapping[str, Any]) -> Any:
    table = tomlkit.table()
    # plain keys first: what follows a sub-table's head belongs to the sub-table
    for key, part in sorted(value.items(), key=lambda pair: isinstance(pair[1], dict)):
        table.add(key, _table(part) if isinstance(part, dict) else tomlkit.item(part))
    return table


def _tables(values: Sequence[Mapping[str, Any]]) -> AoT:
    found = tomlkit.aot()
    for value in values:
        found.append(_table(value))
    return found


def _merged(text: str, plan: Plan, plain: dict[str, Any]) -> str:
    try:
        document = tomlkit.parse(text)
        _merge(document, PLAN, plan, plain, {})
        return tomlkit.dumps(document)
    except TOMLKitError as error:
        raise ValueError(f"the file that exists cannot be changed in place: {error}") from error


def _merge(
    table: Any, section: Section, record: Any, plain: Mapping[str, Any], bases: Mapping[type, Any]
) -> None:
    """Changes in ``table`` what differs from ``record``, whose plain form is ``plain``."""
    inner = section.inner(record, bases)
    for key in section.keys:
        wanted = getattr(record, key.attribute)
        if key.name not in table:
            no_tables = isinstance(key.kind, ListOf) and isinstance(key.kind.kind, Section)
            if key.name in plain and not (no_tables and plain[key.name] == []):
                _add(table, key.name, plain[key.name])
            continue
        if isinstance(key.kind, Section):
            if wanted is None:
                del table[key.name]
            else:
                _merge(table[key.name], key.kind, wanted, plain.get(key.name, {}), bases)
        elif isinstance(key.kind, ListOf) and isinstance(key.kind.kind, Section):
            _merge_tables(table, key, key.kind.kind, wanted, plain.get(key.name, []), inner)
        elif isinstance(key.kind, Overrides):
            _merge_overrides(table[key.name], key.kind, plain.get(key.name, {}))
        elif key.kind.read(_unwrapped(table[key.name]), Place("")) != wanted:
            if key.name in plain:
                _replace(table, key.name, plain[key.name])
            else:
                del table[key.name]


def _merge_overrides(table: Any, kind: Overrides, plain: Mapping[str, float]) -> None:
    for name in [name for name in table if name not in plain]:
        del table[name]
    for name, value in plain.items():
        if name not in table:
            table[name] = tomlkit.item(value)
        elif kind.kinds[name].read(_unwrapped(table[name]), Place("")) != value:
            _replace(table, name, value)


def _replace(table: Any, name: str, value: Any) -> None:
    """Another value for a key, with the comment that stands beside it."""
    old, item = table[name], tomlkit.item(value)
    if hasattr(old, "trivia"):
        item.trivia.comment_ws, item.trivia.comment = old.trivia.comment_ws, old.trivia.comment
        item.trivia.trail = old.trivia.trail
    table[name] = item


def _merge_tables(
    table: Any,
    key: Key,
    section: Section,
    records: Sequence[Any],
    plain: Sequence[Mapping[str, Any]],
    bases: Mapping[type, Any],
) -> None:
    """An array of tables: elements found again by id, else by their place in the list."""
    old = list(table[key.name])
    named = {item["id"]: item for item in old if item.get("id")}
    found = []
    for number, (record, wanted) in enumerate(zip(records, plain, strict=True)):
        name = getattr(record, "id", "")
        known = named.get(name) if name else (old[number] if number < len(old) else None)
        if known is not None and not name and known.get("id"):
            known = None
        if known is not None:
            _merge(known, section, record, wanted, bases)
        found.append(known)
    if len(found) == len(old) and all(a is b for a, b in zip(found, old, strict=True)):
        return
    inline = not isinstance(table[key.name], AoT)
    fresh = tomlkit.array() if inline else tomlkit.aot()
    for known, wanted in zip(found, plain, strict=True):
        item = known if known is not None else _inline(wanted) if inline else _table(wanted)
        fresh.append(item)
    if found:
        table[key.name] = fresh
    else:
        del table[key.name]


def _add(table: Any, name: str, value: Any) -> None:
    if isinstance(value, dict):
        table[name] = _inline(value) if isinstance(table, InlineTable) else _table(value)
    elif value and isinstance(value, list) and isinstance(value[0], dict):
        table[name] = _tables(value)
    else:
        table[name] = tomlkit.item(value)


def _inline(value: Mapping[str, Any]) -> InlineTable:
    table = tomlkit.inline_table()
    for key, part in value.items():
        table[key] = _inline(part) if isinstance(part, dict) else tomlkit.item(part)
    return table


def _unwrapped(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item
