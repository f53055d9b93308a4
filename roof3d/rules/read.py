"""Reads rule sets from TOML, strictly: a value without a source does not get in."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.rules.measures import SI_UNITS, to_si
from roof3d.rules.names import ABSORBER_NAMES, COPIES, DATUMS, NAMES, STATUSES, Name
from roof3d.rules.sets import AbsorberClass, Budget, Document, Entry, RuleSet
from roof3d.tomlfile import describe, read_toml, unknown

HELPERS = ("assumptions", "template")
"""Files beside the rule sets that are no rule sets to plan with."""

_TOP = ("name", "title", "extends", "absorber", "documents", "values", "absorbers", "budget")
_DOCUMENT = ("title", "year", "copy", "note")
_ENTRY = ("value", "unit", "text", "document", "clause", "year", "status", "note")
_CLASS = ("title", "kind", "values")
_BUDGET = ("datum", "text", "document", "clause", "year", "status", "note")
_KINDS = ("lanyard", "retracting", "guided")


def rule_set_names() -> tuple[str, ...]:
    """Names of the rule sets in the package."""
    found = (Path(item.name) for item in _folder().iterdir())
    return tuple(sorted(item.stem for item in found if item.suffix == ".toml" and item.stem not in HELPERS))


def load_rules(name_or_path: str | Path, folder: str | Path = "") -> RuleSet:
    """The rule set of that name in the package, or in the TOML file at that path.

    A text is a path when it ends in ``.toml`` or has a slash in it; a relative path is taken from
    ``folder``. Raises ``InputError`` naming file and key for whatever is missing, unknown, without
    source or in a wrong unit.
    """
    return _load(str(name_or_path), Path(folder), ())


def _folder() -> Path:
    return Path(str(files("roof3d.rules")))


def _locate(name: str, folder: Path) -> Path:
    if name.endswith(".toml") or "/" in name or "\\" in name:
        return folder / name
    path = _folder() / f"{name}.toml"
    known = rule_set_names()
    if name not in (*known, "assumptions") or not path.is_file():
        error = unknown("", "rules", name, known, "rule set")
        raise InputError("", "rules", error.found, f"{error.accepted}; or the path of a .toml file")
    return path


def _load(name: str, folder: Path, seen: tuple[Path, ...]) -> RuleSet:
    path = _locate(name, folder)
    if path.resolve() in seen:
        raise InputError(
            str(seen[0]), "extends", f"a circle through {path.name}", "a set that ends somewhere"
        )
    data, _ = read_toml(path, "a rule set")
    return _Reader(path, data).read((*seen, path.resolve()))


class _Reader:
    """One file being read; holds what every message needs."""

    def __init__(self, path: Path, data: dict[str, Any]) -> None:
        self.file = str(path)
        self.path = path
        self.data = data
        self.name = path.stem

    def read(self, seen: tuple[Path, ...]) -> RuleSet:
        data = self.data
        self.known("", data, _TOP)
        self.name = self.text("", data, "name")
        title = self.text("", data, "title")
        parent = None
        if "extends" in data:
            parent = _load(self.text("", data, "extends"), self.path.parent, seen)
        documents = {source.id: source for source in parent.sources} if parent else {}
        documents |= self.documents()
        entries = dict(parent.entries) if parent else {}
        entries |= self.entries("values", self.table("", data, "values", {}), NAMES, documents)
        absorbers = dict(parent.absorbers) if parent else {}
        absorbers |= self.absorbers(documents)
        chain = (self.name, *(parent.chain if parent else ()))
        if "budget" in data:
            budget = self.budget(documents)
        elif parent:
            budget = parent.budget
        else:
            raise InputError(self.file, "budget", "nothing", "a table that says how clearance is summed")
        absorber = self.text("", data, "absorber", parent.absorber if parent else "")
        if absorber and absorber not in absorbers:
            raise unknown(self.file, "absorber", absorber, absorbers, "absorber class")
        # only a set to plan with has to be whole, not one that others build on
        if len(seen) == 1:
            self.complete(entries, absorber)
        return RuleSet(
            name=self.name,
            title=title,
            entries=entries,
            sources=tuple(documents.values()),
            budget=budget,
            absorbers=absorbers,
            absorber=absorber,
            chain=chain,
            file=self.file,
        )

    def complete(self, entries: Mapping[str, Entry], absorber: str) -> None:
        missing = [name.name for name in NAMES.values() if name.required and name.name not in entries]
        if missing:
            raise InputError(
                self.file, "values", f"no value for {', '.join(missing)}", "all of them, or a set to extend"
            )
        if not absorber:
            raise InputError(
                self.file, "absorber", "nothing", "the class of absorbers that applies by default"
            )

    def documents(self) -> dict[str, Document]:
        found = {}
        for key, table in self.tables("documents", self.table("", self.data, "documents", {})):
            place = f"documents.{key}"
            self.known(place, table, _DOCUMENT)
            copy = self.choice(place, table, "copy", COPIES)
            year = self.year(place, table)
            title, note = self.text(place, table, "title"), self.text(place, table, "note", "")
            if year is None and not note:
                raise InputError(
                    self.file,
                    f"{place}.year",
                    "nothing",
                    "the year of the edition, or a note that it is unknown",
                )
            found[key] = Document(key, title, year, copy, note)
        return found

    def absorbers(self, documents: Mapping[str, Document]) -> dict[str, AbsorberClass]:
        found = {}
        for key, table in self.tables("absorbers", self.table("", self.data, "absorbers", {})):
            place = f"absorbers.{key}"
            self.known(place, table, _CLASS)
            values = self.table(place, table, "values", {})
            entries = self.entries(f"{place}.values", values, ABSORBER_NAMES, documents)
            missing = [n.name for n in ABSORBER_NAMES.values() if n.required and n.name not in entries]
            if missing:
                raise InputError(
                    self.file, f"{place}.values", f"no value for {', '.join(missing)}", "all of them"
                )
            title = self.text(place, table, "title")
            found[key] = AbsorberClass(key, title, self.choice(place, table, "kind", _KINDS), entries)
        return found

    def entries(
        self, place: str, table: dict[str, Any], names: Mapping[str, Name], documents: Mapping[str, Document]
    ) -> dict[str, Entry]:
        for key in table:
            if key not in names:
                raise unknown(self.file, place, key, names, "value")
        return {
            key: self.entry(f"{place}.{key}", names[key], t, documents)
            for key, t in self.tables(place, table)
        }

    def entry(
        self, place: str, name: Name, table: dict[str, Any], documents: Mapping[str, Document]
    ) -> Entry:
        self.known(place, table, _ENTRY)
        if "value" not in table:
            raise InputError(self.file, f"{place}.value", "nothing", "a number")
        value = table["value"]
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
            or value < 0
        ):
            raise InputError(self.file, f"{place}.value", describe(value), "a finite number, zero or more")
        unit = self.text(place, table, "unit")
        try:
            si = to_si(value, unit, name.quantity)
        except ValueError as error:
            found, _, accepted = str(error).partition("; accepted: ")
            accepted = accepted or "a value that fits"
            raise InputError(self.file, f"{place}.unit", found.removeprefix("found "), accepted) from None
        status = self.choice(place, table, "status", STATUSES)
        document = self.source(place, table, status, documents)
        return Entry(
            name=name.name,
            value=si,
            unit=SI_UNITS[name.quantity],
            text=self.text(place, table, "text", None if status in ("read", "quoted", "secondary") else ""),
            document=document.title if document else "assumption of the rule set",
            clause=self.text(place, table, "clause", None if document else ""),
            year=self.year(place, table, document.year if document else None),
            status=status,
            note=self.text(place, table, "note", None if status in ("assumed", "computed") else ""),
            copy=document.copy if document else "none",
            printed_value=float(value),
            printed_unit=unit,
            rule_set=self.name,
        )

    def budget(self, documents: Mapping[str, Document]) -> Budget:
        table = self.table("", self.data, "budget")
        self.known("budget", table, _BUDGET)
        status = self.choice("budget", table, "status", STATUSES)
        document = self.source("budget", table, status, documents)
        return Budget(
            datum=self.choice("budget", table, "datum", DATUMS),
            text=self.text("budget", table, "text"),
            document=document.title if document else "assumption of the rule set",
            clause=self.text("budget", table, "clause", None if document else ""),
            year=self.year("budget", table, document.year if document else None),
            status=status,
            note=self.text("budget", table, "note", ""),
        )

    def source(
        self, place: str, table: dict[str, Any], status: str, documents: Mapping[str, Document]
    ) -> Document | None:
        """The document of a value; only an assumption may do without."""
        key = self.text(place, table, "document", "" if status == "assumed" else None)
        if not key:
            return None
        if key not in documents:
            raise unknown(self.file, f"{place}.document", key, documents, "document")
        if status == "read" and documents[key].copy == "none":
            raise InputError(
                self.file, f"{place}.status", f"'read', of which no copy was seen ({key})", "another status"
            )
        return documents[key]

    # ---------------------------------------------------------------------------- parts of messages

    def known(self, place: str, table: dict[str, Any], keys: Iterable[str]) -> None:
        for key in table:
            if key not in keys:
                raise unknown(self.file, place, key, keys)

    def tables(self, place: str, table: dict[str, Any]) -> Iterable[tuple[str, dict[str, Any]]]:
        for key, value in table.items():
            if not isinstance(value, dict):
                raise InputError(self.file, f"{place}.{key}", describe(value), "a table")
            yield key, value

    def table(
        self, place: str, table: dict[str, Any], key: str, default: dict[str, Any] | None = None
    ) -> dict[str, Any]:
        value = table.get(key, default)
        if not isinstance(value, dict):
            found = "nothing" if value is None else describe(value)
            raise InputError(self.file, _join(place, key), found, "a table")
        return value

    def text(self, place: str, table: dict[str, Any], key: str, default: str | None = None) -> str:
        if key not in table and default is not None:
            return default
        value = table.get(key)
        if not isinstance(value, str) or not (value.strip() or default == ""):
            found = "nothing" if value is None else describe(value)
            raise InputError(self.file, _join(place, key), found, "text")
        return " ".join(value.split())

    def choice(self, place: str, table: dict[str, Any], key: str, choices: tuple[str, ...]) -> str:
        value = self.text(place, table, key)
        if value not in choices:
            raise InputError(self.file, _join(place, key), describe(value), ", ".join(choices))
        return value

    def year(self, place: str, table: dict[str, Any], default: int | None = None) -> int | None:
        value = table.get("year", default)
        if value is None and "year" not in table:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not 1900 <= value <= 2100:
            raise InputError(self.file, f"{place}.year", describe(value), "a year from 1900 to 2100")
        return value


def _join(place: str, key: str) -> str:
    return f"{place}.{key}" if place else key
