"""Kinds of values in plan files: each reads TOML to SI, gives it back plain, and describes itself.

The same objects drive reading, writing and the JSON Schema, so that the three cannot part.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from typing import Any, NoReturn, Protocol

from roof3d import units
from roof3d.errors import InputError
from roof3d.tomlfile import describe, unknown

GIVEN = "given"
"""Field of a record that keeps which keys its table sets, where default and chosen differ in standing."""


@dataclass(frozen=True)
class Place:
    """Where in which file a value stands, for messages; and the records that nested ones build on."""

    file: str
    path: str = ""
    label: str = ""  # id of the element, said after the path
    bases: Mapping[type, Any] = field(default_factory=dict)

    def key(self, name: str) -> Place:
        return replace(self, path=f"{self.path}.{name}" if self.path else name)

    def item(self, number: int) -> Place:
        """An element of a list, counted from 1 as people count."""
        return replace(self, path=f"{self.path}[{number}]")

    def __str__(self) -> str:
        return f"{self.path} ({self.label})" if self.label and self.path else self.path or self.label

    def fail(self, found: str, accepted: str) -> NoReturn:
        raise InputError(self.file, str(self), found, accepted)


class Kind(Protocol):
    """What every kind can do; ``base`` is the record that an element builds on, if any."""

    def read(self, value: object, place: Place) -> Any:
        """The value in SI; raises ``InputError`` at ``place``."""

    def plain(self, value: Any, bases: Mapping[type, Any]) -> Any:
        """The value as TOML takes it."""

    def schema(self) -> dict[str, Any]:
        """JSON Schema (draft 2020-12) of what may be written."""


@dataclass(frozen=True)
class Text:
    """One line of text."""

    least: int = 1

    def read(self, value: object, place: Place) -> str:
        if not isinstance(value, str) or len(value.strip()) < self.least:
            place.fail(describe(value), "text" if not self.least else "text that is not empty")
        if not value.isprintable():
            place.fail(describe(value), "one line of printable text")
        return value

    def plain(self, value: str, bases: Mapping[type, Any]) -> str:
        return value

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": self.least} if self.least else {"type": "string"}


@dataclass(frozen=True)
class Choice:
    """One of a few words."""

    choices: tuple[str, ...]

    def read(self, value: object, place: Place) -> str:
        if not isinstance(value, str) or value not in self.choices:
            place.fail(describe(value), ", ".join(self.choices))
        return value

    def plain(self, value: str, bases: Mapping[type, Any]) -> str:
        return value

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.choices)}


@dataclass(frozen=True)
class Quantity:
    """A number in SI, or text with a unit; ``quantity`` is a key of ``units.PARSERS``."""

    quantity: str
    sign: str = "nonnegative"
    least: float = -math.inf
    most: float = math.inf

    def read(self, value: object, place: Place) -> float:
        parser = units.PARSERS[self.quantity]
        signs = {} if self.quantity == "pitch" else {"sign": self.sign}
        try:
            number = parser(value, **signs)
        except ValueError as error:
            found, _, accepted = str(error).partition("; accepted: ")
            place.fail(found.removeprefix("found "), accepted)
        if not self.least <= number <= self.most:
            unit = SI_NAMES[self.quantity]
            found = describe(value) if not isinstance(value, str) else f"{value!r}, {number:g} {unit}"
            place.fail(found, f"{self.least:g} to {self.most:g} {unit}")
        return number

    def plain(self, value: float, bases: Mapping[type, Any]) -> float:
        return float(value)

    def schema(self) -> dict[str, Any]:
        found: dict[str, Any] = {"type": ["number", "string"], "pattern": "[0-9]"}
        if self.sign == "positive":
            found["exclusiveMinimum"] = 0
        elif self.sign == "nonnegative":
            found["minimum"] = 0
        if self.least > 0:
            found["minimum"] = self.least
        if self.most < math.inf:
            found["maximum"] = self.most
        return found


SI_NAMES = {
    "length": "m",
    "angle": "degrees",
    "pitch": "degrees",
    "mass": "kg",
    "force": "N",
    "stiffness": "N/m",
    "strain_stiffness": "N",
    "mass_per_length": "kg/m",
    "fraction": "(1 is the whole)",
}


@dataclass(frozen=True)
class Number:
    """A plain number, zero or more: prices, factors."""

    def read(self, value: object, place: Place) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < math.inf:
            place.fail(describe(value), "a number, zero or more")
        return float(value)

    def plain(self, value: float, bases: Mapping[type, Any]) -> float:
        return float(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "number", "minimum": 0}


@dataclass(frozen=True)
class Count:
    """A whole number from 1."""

    most: int = 100

    def read(self, value: object, place: Place) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= self.most:
            place.fail(describe(value), f"a whole number from 1 to {self.most}")
        return value

    def plain(self, value: int, bases: Mapping[type, Any]) -> int:
        return int(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": 1, "maximum": self.most}


@dataclass(frozen=True)
class Switch:
    """true or false."""

    def read(self, value: object, place: Place) -> bool:
        if not isinstance(value, bool):
            place.fail(describe(value), "true or false")
        return value

    def plain(self, value: bool, bases: Mapping[type, Any]) -> bool:
        return bool(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True)
class ListOf:
    """A list of one kind; a list of sections is an array of tables in TOML."""

    kind: Kind
    least: int = 0
    most: int | None = None
    what: str = "a list"

    def read(self, value: object, place: Place) -> tuple[Any, ...]:
        if not isinstance(value, list) or not self.least <= len(value) <= (self.most or len(value)):
            found = f"a list of {len(value)}" if isinstance(value, list) else describe(value)
            place.fail(found, self.what)
        return tuple(self.kind.read(item, place.item(i)) for i, item in enumerate(value, 1))

    def plain(self, value: Sequence[Any], bases: Mapping[type, Any]) -> list[Any]:
        return [self.kind.plain(item, bases) for item in value]

    def schema(self) -> dict[str, Any]:
        found: dict[str, Any] = {"type": "array", "items": self.kind.schema()}
        if self.least:
            found["minItems"] = self.least
        if self.most is not None:
            found["maxItems"] = self.most
        return found


@dataclass(frozen=True)
class Overrides:
    """A table of names with values that replace those of the rule set."""

    kinds: Mapping[str, Kind]
    texts: Mapping[str, str]

    def read(self, value: object, place: Place) -> tuple[tuple[str, float], ...]:
        if not isinstance(value, dict):
            place.fail(describe(value), "a table")
        for name in value:
            if name not in self.kinds:
                raise unknown(place.file, str(place), name, self.kinds)
        # in the table's own order, so that the order in the file changes nothing
        return tuple((k, kind.read(value[k], place.key(k))) for k, kind in self.kinds.items() if k in value)

    def plain(self, value: Sequence[tuple[str, float]], bases: Mapping[type, Any]) -> dict[str, Any]:
        return {name: self.kinds[name].plain(number, bases) for name, number in value}

    def schema(self) -> dict[str, Any]:
        properties = {
            name: {"description": self.texts[name], **kind.schema()} for name, kind in self.kinds.items()
        }
        return {"type": "object", "properties": properties, "additionalProperties": False}


@dataclass(frozen=True)
class Key:
    """A key of a table: its kind, what it means, and the record's field where that differs."""

    name: str
    kind: Kind
    text: str
    field: str = ""
    required: bool = False

    @property
    def attribute(self) -> str:
        """Name of the field of the record."""
        return self.field or self.name


@dataclass(frozen=True)
class Section:
    """A table that becomes a record.

    With ``inherits``, keys that are not said are those of the plan's own record of that class.
    """

    record: type
    keys: tuple[Key, ...]
    inherits: bool = False

    def read(self, value: object, place: Place) -> Any:
        if not isinstance(value, dict):
            place.fail(describe(value), "a table")
        names = [key.name for key in self.keys]
        label = value.get("id")
        if isinstance(label, str) and label and label.isprintable():
            place = replace(place, label=f"id {label}")
        for name in value:
            if name not in names:
                raise unknown(place.file, str(place), name, names)
        said = {}
        for key in self.keys:
            if key.name in value:
                found = key.kind.read(value[key.name], place.key(key.name))
                said[key.attribute] = found
                if isinstance(key.kind, Section):
                    place = replace(place, bases={**place.bases, key.kind.record: found})
            elif key.required:
                place.key(key.name).fail("nothing", f"this key: {key.text[:1].lower()}{key.text[1:]}")
        if any(known.name == GIVEN for known in fields(self.record)):
            said[GIVEN] = tuple(said)
        base = place.bases.get(self.record) if self.inherits else None
        return self.record(**said) if base is None else replace(base, **said)

    def default(self, key: Key, base: Any) -> Any:
        """What a key that is not said amounts to."""
        if base is not None:
            return getattr(base, key.attribute)
        for found in fields(self.record):
            if found.name == key.attribute:
                return found.default if found.default is not MISSING else None
        raise KeyError(key.attribute)

    def base(self, bases: Mapping[type, Any]) -> Any:
        """The record that this one builds on, or None."""
        return bases.get(self.record) if self.inherits else None

    def inner(self, record: Any, bases: Mapping[type, Any]) -> dict[type, Any]:
        """What tables inside this one build on."""
        own = {
            key.kind.record: getattr(record, key.attribute)
            for key in self.keys
            if isinstance(key.kind, Section) and getattr(record, key.attribute) is not None
        }
        return {**bases, **own}

    def plain(self, value: Any, bases: Mapping[type, Any]) -> dict[str, Any]:
        base, inner, found = self.base(bases), self.inner(value, bases), {}
        for key in self.keys:
            said, default = getattr(value, key.attribute), self.default(key, base)
            given = key.attribute in getattr(value, GIVEN, ())
            if said is None or (said == default and not key.required and not given):
                continue
            # a table that inherits is written against what it inherits, not against itself
            found[key.name] = key.kind.plain(said, bases if isinstance(key.kind, Section) else inner)
        return found

    def schema(self) -> dict[str, Any]:
        properties = {key.name: {"description": key.text, **key.kind.schema()} for key in self.keys}
        found: dict[str, Any] = {"type": "object", "properties": properties}
        required = [key.name for key in self.keys if key.required]
        if required:
            found["required"] = required
        return {**found, "additionalProperties": False}
