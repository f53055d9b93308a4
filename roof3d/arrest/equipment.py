"""What connects a person to an anchor, resolved from plan, rule set and classes, with both ends of doubt."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any, Protocol

from roof3d.errors import InputError
from roof3d.records import Absorber, Line, Rope
from roof3d.rules import AbsorberClass

KINDS = ("rope", "lanyard", "retracting")
SMALLEST, LARGEST = 1e-6, 1e12  # SI: nothing that is built is outside, and sums keep their digits


class Values(Protocol):
    """What arrest asks of a rule set."""

    def value(self, name: str) -> float:
        """Value in SI by name; raises ``InputError`` where the set has none."""
        ...

    def get(self, name: str) -> float | None:
        """The same, or None."""
        ...


@dataclass(frozen=True)
class Range:
    """A quantity known only between two ends; each claim takes the end that makes it weaker."""

    least: float
    greatest: float


@dataclass(frozen=True)
class Connector:
    """Line, absorber and harness of one worker.

    Forces in N, lengths in m. ``stiffness`` is force per unit strain, None where only a ``strain`` in
    arrest is known. ``extension_known`` says whether the absorber's own data were given: if not, the
    clearance keeps at least the rule set's deceleration term, and up to ``scope_mass`` and
    ``scope_fall`` the class's greatest extension is taken for granted. ``sources`` says where each
    value came from.
    """

    kind: str
    absorbs: bool
    average_force: Range
    peak_force: float
    maximum_extension: float
    activation_distance: float
    stiffness: Range | None
    strain: float
    harness_stretch: float
    deceleration: float
    extension_known: bool
    scope_mass: float = math.inf  # kg and m of free fall up to which the class's limits are promised
    scope_fall: float = math.inf
    assumptions: tuple[str, ...] = ()
    sources: tuple[tuple[str, str], ...] = ()


@cache
def equipment() -> Mapping[str, Any]:
    """The package's table of equipment classes, each with source and status."""
    text = (files("roof3d.arrest") / "equipment.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def friction_range() -> Range:
    """Coefficient of friction between line and edge."""
    entry = equipment()["friction"]["edge"]
    return Range(entry["least"], entry["greatest"])


def positive(place: str, value: float | None, accepted: str, *, zero: bool = False) -> float:
    """The value, if it is a number above zero (or zero, where allowed) of a size that can be; else
    ``InputError``. Nothing within is so small or so large that a sum loses it."""
    good = value is not None and math.isfinite(value) and (value > 0 or (zero and value == 0))
    if value is not None and good and not zero and value < SMALLEST:
        accepted, good = f"{accepted}, at least {SMALLEST:g}", False
    if value is not None and good and value > LARGEST:
        accepted, good = f"{accepted}, at most {LARGEST:g}", False
    if not good or value is None:
        raise InputError("", place, "nothing" if value is None else f"{value:g}", accepted)
    return float(value)


def rope_stiffness(rope: Rope, place: str) -> Range | None:
    """Both ends of a rope's stiffness, N per unit strain; None where no stiffness is known.

    A rope that gives no numbers but the name of a class in the table takes the class's range.
    Raises ``InputError`` for a stiffness that is not positive and for an unknown class.
    """
    given = [
        positive(f"{place}.{key}", value, "a force per unit strain above zero")
        for key, value in (
            ("stiffness", rope.stiffness),
            ("dynamic_stiffness", rope.dynamic_stiffness),
        )
        if value is not None
    ]
    if given:
        return Range(min(given), max(given))
    if rope.elongation is not None:
        positive(f"{place}.elongation", rope.elongation, "a strain of zero or more", zero=True)
        return None
    if not rope.name:
        return None
    classes = equipment()["rope"]
    if rope.name not in classes:
        raise InputError(
            "",
            f"{place}.name",
            f"{rope.name!r} without stiffness or elongation",
            f"numbers from the maker's sheet, or one of the classes {', '.join(sorted(classes))}",
        )
    entry = classes[rope.name]
    return Range(entry["least"], entry["greatest"])


def rope_weight(rope: Rope, place: str) -> float:
    """Mass per length of a rope, kg/m; a class of the table may know it; otherwise zero."""
    if rope.mass_per_length is not None:
        given = positive(f"{place}.mass_per_length", rope.mass_per_length, "zero or more", zero=True)
        return given if given > 1e-9 else 0.0
    entry = equipment()["rope"].get(rope.name, {})
    return float(entry.get("mass_per_length", 0.0))


def resolve(line: Line, rules: Values, *, place: str = "line") -> Connector:
    """Line of the plan with gaps filled from the rule set, worse side first.

    Raises ``InputError`` for forces, lengths or stiffnesses that no equipment has and for an unknown
    kind of line.
    """
    if line.kind not in KINDS:
        raise InputError("", f"{place}.kind", repr(line.kind), ", ".join(KINDS))
    absorber = line.absorber
    assumptions: list[str] = []
    sources: list[tuple[str, str]] = []
    if absorber.name.strip().lower() == "none":
        absorbs, average, peak, extension, known = False, Range(0.0, 0.0), math.inf, 0.0, True
        sources.append(("absorber", "plan: none"))
        of_class = _class_values(replace(line, absorber=Absorber()), rules, place)
    else:
        absorbs = True
        of_class = _class_values(line, rules, place)
        average, peak, extension, known = _absorber(absorber, rules, of_class, place, assumptions, sources)
    activation = absorber.activation_distance
    if activation is None:
        activation = of_class("activation_distance")
        if activation is None and line.kind == "retracting":
            assumptions.append("no lock-on travel of the device: its class counts it in the arrest distance")
    activation = positive(
        f"{place}.absorber.activation_distance", activation or 0.0, "zero or more", zero=True
    )
    stiffness = rope_stiffness(line.rope, f"{place}.rope")
    strain = line.rope.elongation
    if strain is None and stiffness is None:
        strain = rules.value("line_elongation")
        assumptions.append(f"no data of the line's stretch: {strain:.1%} of its length taken")
    return Connector(
        kind=line.kind,
        absorbs=absorbs,
        average_force=average,
        peak_force=peak,
        maximum_extension=extension,
        activation_distance=activation,
        stiffness=stiffness,
        strain=strain or 0.0,
        harness_stretch=rules.value("harness_stretch"),
        deceleration=rules.value("deceleration"),
        extension_known=known,
        scope_mass=max(rules.get("worker_mass_limit") or 0.0, of_class("test_mass") or 0.0),
        scope_fall=max(rules.get("free_fall_limit") or 0.0, of_class("test_free_fall") or 0.0),
        assumptions=tuple(assumptions),
        sources=tuple(sources),
    )


def _class_values(line: Line, rules: Values, place: str) -> Callable[[str], float | None]:
    """Values of the absorber class that applies: named by the plan, else of the line's kind, else the
    rule set's own. Raises ``InputError`` for a name that no class has, where the plan leaves gaps to fill."""
    classes: Mapping[str, AbsorberClass] = getattr(rules, "absorbers", {})
    absorber = line.absorber
    if absorber.name in classes:
        return classes[absorber.name].get
    if absorber.name and (absorber.average_force is None or absorber.maximum_extension is None):
        # a name alone says nothing unless a class has it; a label needs the sheet's own figures beside it
        found = f"{absorber.name!r} without average_force and maximum_extension"
        accepted = (
            f"both figures from the maker's sheet, none, or one of the classes {', '.join(sorted(classes))}"
        )
        raise InputError("", f"{place}.absorber.name", found, accepted)
    if line.kind == "retracting":
        for name in sorted(classes):
            if classes[name].kind == "retracting":
                return classes[name].get
    return lambda name: rules.get(f"absorber_{name}")


def _absorber(
    absorber: Absorber,
    rules: Values,
    of_class: Callable[[str], float | None],
    place: str,
    assumptions: list[str],
    sources: list[tuple[str, str]],
) -> tuple[Range, float, float, bool]:
    """Average force, peak force, greatest extension, and whether force and extension are the maker's."""
    place = f"{place}.absorber"
    sheet = absorber.source or absorber.name or "plan"
    force, peak, extension = absorber.average_force, absorber.peak_force, absorber.maximum_extension
    if force is not None:
        positive(f"{place}.average_force", force, "a force above zero")
        least = absorber.least_force
        if least is None:
            share = float(equipment()["absorber"]["least_per_average"]["value"])
            least = share * force
            assumptions.append(
                f"no least force of the absorber: {share:g} of its average force taken, for a label "
                "states the greatest average"
            )
        positive(f"{place}.least_force", least, "a force above zero")
        if least > force:
            raise InputError("", f"{place}.least_force", f"{least:g} N", f"at most the average, {force:g} N")
        average = Range(least, force)
        sources.append(("average force", sheet))
    else:
        least = of_class("least_average_force") or 0.0
        average = Range(least, max(least, of_class("average_force") or rules.value("arrest_force_limit")))
        assumptions.append("no average force of the absorber: least force that its class may have")
        sources.append(("average force", "class of the rule set"))
    if peak is not None:
        positive(f"{place}.peak_force", peak, "a force above zero")
        if force is not None and peak < force:
            raise InputError("", f"{place}.peak_force", f"{peak:g} N", f"at least the average, {force:g} N")
        sources.append(("peak force", sheet))
    elif force is not None:
        peak = force * float(equipment()["absorber"]["peak_per_average"]["value"])
        assumptions.append("no peak force of the absorber: 1/0.875 of the average taken")
        sources.append(("peak force", equipment()["absorber"]["peak_per_average"]["document"]))
    else:
        peak = of_class("peak_force") or rules.value("arrest_force_limit")
        sources.append(("peak force", "class of the rule set"))
    if extension is not None:
        positive(f"{place}.maximum_extension", extension, "a length above zero")
        sources.append(("maximum extension", sheet))
    else:
        extension = of_class("maximum_extension") or rules.value("deceleration")
        assumptions.append("no greatest extension of the absorber: that of its class taken")
        sources.append(("maximum extension", "class of the rule set"))
    return average, peak, extension, force is not None and absorber.maximum_extension is not None
