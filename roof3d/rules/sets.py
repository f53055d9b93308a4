"""The frozen records of a rule set: documents, entries, absorber classes, clearance budget."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from roof3d.rules.measures import SI_UNITS
from roof3d.rules.names import NAMES
from roof3d.tomlfile import unknown


@dataclass(frozen=True)
class Document:
    """A document that values come from, and what kind of copy of it was looked at."""

    id: str
    title: str
    year: int | None  # of the edition that was looked at, else of the one that is meant; None: not known
    copy: str  # law, regulator, mirror, publisher, paper, none
    note: str = ""


@dataclass(frozen=True)
class Entry:
    """One value with its source. ``value`` is in ``unit``, an SI unit (degrees for angles)."""

    name: str
    value: float
    unit: str  # m, kg, N, deg, 1
    text: str  # as printed in the document
    document: str  # title; for assumptions: that it is one
    clause: str
    year: int | None
    status: str  # read, quoted, secondary, memory, computed, assumed; "plan" for a plan's own value
    note: str = ""
    copy: str = "none"  # kind of copy of the document that was looked at
    printed_value: float = 0.0  # in printed_unit, as the document has it
    printed_unit: str = ""
    rule_set: str = ""  # the set that states it; a set that extends another keeps the other's name

    @property
    def verified(self) -> bool:
        """Whether the clause was read, follows from a reading, or is the user's own value."""
        return self.status in ("read", "quoted", "plan")

    @property
    def source(self) -> str:
        """Document, clause, year in one line."""
        parts = [self.document, self.clause, str(self.year) if self.year is not None else ""]
        return ", ".join(part for part in parts if part)

    def to_json(self) -> dict[str, Any]:
        """Plain values for the result file."""
        return {
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "text": self.text,
            "document": self.document,
            "clause": self.clause,
            "year": self.year,
            "status": self.status,
            "copy": self.copy,
            "note": self.note,
            "rule_set": self.rule_set,
        }


@dataclass(frozen=True)
class AbsorberClass:
    """A class of absorbers or devices by a standard: what its own test lets it do, at worst.

    ``least_average_force`` follows from the longest extension that the test allows:
    ``m g (h + x) / x`` for a rigid mass ``m``, free fall ``h``, extension ``x``.
    """

    id: str
    title: str
    kind: str  # lanyard, retracting, guided
    entries: Mapping[str, Entry]

    def get(self, name: str) -> float | None:
        """A value of the class in SI, or None where the class does not state it."""
        entry = self.entries.get(name)
        return None if entry is None else entry.value


@dataclass(frozen=True)
class Budget:
    """How the rule set's documents add up the clearance, and what they measure it from."""

    datum: str  # walking surface, anchor, d-ring
    text: str
    document: str
    clause: str
    year: int | None
    status: str
    note: str = ""

    def to_json(self) -> dict[str, Any]:
        """Plain values for the result file."""
        return asdict(self)


@dataclass(frozen=True)
class RuleSet:
    """Values by name, each with its source; see ``names.NAMES`` for what each name means."""

    name: str
    title: str
    entries: Mapping[str, Entry]
    sources: tuple[Document, ...]
    budget: Budget
    absorbers: Mapping[str, AbsorberClass] = field(default_factory=dict)
    absorber: str = ""  # id of the class that applies where the plan names none
    chain: tuple[str, ...] = ()  # this set and those that it extends, nearest first
    file: str = ""

    def entry(self, name: str) -> Entry:
        """The value with its source; ``absorber_...`` names reach the set's own absorber class.

        Raises ``InputError`` for a name that the set gives no value to.
        """
        found = self._find(name)
        if found is None:
            raise unknown(self.file or self.name, "", name, self.names(), "value")
        return found

    def value(self, name: str) -> float:
        """The value in SI (degrees for angles). Raises ``InputError`` as ``entry`` does."""
        return self.entry(name).value

    def get(self, name: str) -> float | None:
        """The value, or None where the set gives none."""
        found = self._find(name)
        return None if found is None else found.value

    def names(self) -> tuple[str, ...]:
        """All names that ``entry`` knows in this set."""
        own = self.absorbers[self.absorber].entries if self.absorber else {}
        return (*self.entries, *(f"absorber_{name}" for name in own))

    def absorber_class(self, name: str = "") -> AbsorberClass:
        """A class of absorbers by id; the set's own when no id is given."""
        wanted = name or self.absorber
        if wanted not in self.absorbers:
            raise unknown(self.file or self.name, "absorbers", wanted, self.absorbers, "absorber class")
        return self.absorbers[wanted]

    def all_entries(self) -> Iterator[Entry]:
        """Every entry: the set's values, then those of its own absorber class."""
        for name in self.names():
            yield self.entry(name)

    def from_memory(self) -> tuple[Entry, ...]:
        """Entries whose clause was not read: secondary, memory, computed and assumed ones.

        A report lists them with their statuses, so that somebody checks them.
        """
        return tuple(entry for entry in self.all_entries() if not entry.verified)

    def to_json(self) -> dict[str, Any]:
        """Plain values for the result file: what the set says, from where, and how far that was verified."""
        return {
            "name": self.name,
            "title": self.title,
            "chain": list(self.chain),
            "absorber": self.absorber,
            "budget": self.budget.to_json(),
            "sources": [asdict(source) for source in self.sources],
            "entries": [entry.to_json() for entry in self.all_entries()],
        }

    def with_values(self, values: Mapping[str, float], source: str) -> RuleSet:
        """The set with some values replaced by a plan's own; ``source`` says where they stand.

        Names are those of ``NAMES``. A plan may change a value in either direction: it is the
        user's, and it shows as such.
        """
        entries = dict(self.entries)
        for name, value in values.items():
            old = entries.get(name)
            unit = SI_UNITS[NAMES[name].quantity]
            entries[name] = Entry(
                name=name,
                value=value,
                unit=unit,
                text=f"{value:g} {unit}",
                document=source,
                clause=name,
                year=None,
                status="plan",
                note=f"in place of {old.value:g} {old.unit} ({old.source}, {old.status})" if old else "",
                printed_value=value,
                printed_unit=unit,
                rule_set=self.name,
            )
        return replace(self, entries=entries)

    def _find(self, name: str) -> Entry | None:
        if name in self.entries:
            return self.entries[name]
        if name.startswith("absorber_") and self.absorber:
            return self.absorbers[self.absorber].entries.get(name.removeprefix("absorber_"))
        return None
