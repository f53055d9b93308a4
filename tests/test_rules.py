"""Rule sets: complete, sourced, in SI; values against the documents that they come from."""

from __future__ import annotations

import json
import math
import re
import tomllib
from fractions import Fraction
from importlib.resources import files
from pathlib import Path

import pytest

from roof3d.errors import InputError
from roof3d.rules import NAMES, STATUSES, load_rules, rule_set_names
from roof3d.rules.measures import RULE_UNITS, SI_UNITS, to_si
from roof3d.rules.names import ABSORBER_NAMES, COPIES, DATUMS

SETS = ("au-nz", "ca", "ca-quebec", "eu-363", "uk", "us-construction", "us-general-industry")
G = 9.80665  # m/s2, exact (CGPM 1901)
FOOT = Fraction(3048, 10000)  # m, exact (international yard and pound agreement, 1959)
POUND = Fraction(45359237, 10**8)  # kg, exact (the same)


def test_the_sets_in_the_package() -> None:
    assert rule_set_names() == SETS


# ----------------------------------------------------------------------------------------- complete


@pytest.mark.parametrize("name", SETS)
def test_every_entry_is_complete(name: str) -> None:
    rules = load_rules(name)
    assert rules.name == name
    assert rules.title
    for required in NAMES.values():
        if required.required:
            assert rules.entry(required.name).name == required.name
    titles = {source.title for source in rules.sources}
    everything = [*rules.all_entries(), *(e for c in rules.absorbers.values() for e in c.entries.values())]
    for entry in everything:
        assert math.isfinite(entry.value)
        assert entry.value >= 0
        assert entry.status in STATUSES
        assert entry.unit in SI_UNITS.values()
        assert entry.copy in COPIES
        assert entry.rule_set in rules.chain
        if entry.status == "assumed":
            assert entry.note, entry
        else:
            assert entry.document in titles, entry
            assert entry.clause, entry
        if entry.status in ("read", "quoted", "secondary"):
            assert entry.text, entry
        if entry.status == "read":
            assert entry.copy != "none", entry
        if entry.status == "computed":
            assert entry.note, entry
        assert entry.value == to_si(
            entry.printed_value, entry.printed_unit, (NAMES | ABSORBER_NAMES)[entry.name].quantity
        )


@pytest.mark.parametrize("name", SETS)
def test_text_as_printed_holds_the_number(name: str) -> None:
    """A value whose clause was read stands in the text beside it."""
    words = {"two": "2", "five": "5", "twice": "2"}
    for entry in load_rules(name).all_entries():
        if entry.status not in ("read", "quoted") or entry.value == 0:
            continue
        decimal = re.sub(r"(?<=\d),(?=\d{1,2}(?!\d))", ".", entry.text)  # a comma before one or two digits
        digits = decimal.replace(",", "")
        for word, digit in words.items():
            digits = digits.replace(word, digit)
        if entry.name == "restraint_anchor_strength" and name in ("ca", "ca-quebec"):
            continue  # the number is in the text of anchor_strength, which it quotes
        assert f"{entry.printed_value:g}" in digits, entry


@pytest.mark.parametrize("name", SETS)
def test_sources_say_what_was_looked_at(name: str) -> None:
    rules = load_rules(name)
    assert len({source.title for source in rules.sources}) == len(rules.sources)
    for source in rules.sources:
        assert source.copy in COPIES
        assert source.year is None or 1900 < source.year < 2100
        assert source.year is not None or source.note
    assert rules.budget.datum in DATUMS
    assert rules.budget.text


def test_from_memory_lists_what_was_not_read() -> None:
    rules = load_rules("eu-363")
    listed = {entry.name: entry.status for entry in rules.from_memory()}
    assert listed["arrest_force_limit"] == "memory"
    assert listed["line_elongation"] == "assumed"
    assert listed["absorber_least_average_force".removeprefix("absorber_")] == "computed"
    assert "restraint_setback" not in listed  # read
    assert all(entry.status not in ("read", "quoted") for entry in rules.from_memory())


# ------------------------------------------------------------------------- values against documents

# 29 CFR 1926.502(d)(15), (d)(16) and note, as printed; 1926.501(b)(1); read in copies of the text.
# Conversions are exact fractions, rounded once.
US = {
    "trigger_height": float(6 * FOOT),  # 6 feet (1.8 m), 1926.501(b)(1)
    "free_fall_limit": float(6 * FOOT),  # 6 feet (1.8 m), (d)(16)(iii)
    "deceleration": float(Fraction(7, 2) * FOOT),  # 3.5 feet (1.07 m), (d)(16)(iv)
    "arrest_force_limit": float(1800 * POUND * Fraction("9.80665")),  # 1,800 pounds (8 kN), (d)(16)(ii)
    "anchor_strength": float(5000 * POUND * Fraction("9.80665")),  # 5,000 pounds (22.2 kN), (d)(15)
    "anchor_force_factor": 2,  # (d)(15)(i)
    "worker_mass_limit": float(310 * POUND),  # 310 pounds (140 kg), (d)(16) note
}


@pytest.mark.parametrize("name", US)
def test_us_construction_values(name: str) -> None:
    entry = load_rules("us-construction").entry(name)
    assert entry.value == US[name]
    assert entry.status == "read"


@pytest.mark.parametrize(
    ("rule_set", "names"),
    [
        # 29 CFR 1926.502, whole section
        (
            "us-construction",
            "anchor_line_safety_factor protective_height warning_line_setback positioning_free_fall",
        ),
        # 29 CFR 1910.140(c)(11), (c)(13), (d)(1), (d)(2); 1910.29(b)(4), (d)(2)(vi)
        (
            "us-general-industry",
            "anchor_line_safety_factor protective_height warning_line_setback free_fall_limit deceleration "
            "arrest_force_limit anchor_strength anchor_force_factor restraint_anchor_strength "
            "worker_mass_limit",
        ),
        ("ca", "arrest_force_limit swing_angle_limit_deg"),
        ("ca-quebec", "arrest_force_limit free_fall_limit trigger_height warning_line_setback"),
    ],
)
def test_clauses_that_were_read(rule_set: str, names: str) -> None:
    """The paragraphs were read in a copy of the electronic code, Quebec's on the government's own pages."""
    rules = load_rules(rule_set)
    for name in names.split():
        entry = rules.entry(name)
        assert entry.status == "read", name
        assert entry.rule_set == rule_set, name
    # what could not be read says so: definitions and duty of both parts, the technical manual's sum
    for other, name in (
        ("us-construction", "steep_slope_above_deg"),
        ("us-construction", "margin"),
        ("us-general-industry", "trigger_height"),
    ):
        assert load_rules(other).entry(name).status == "secondary"


@pytest.mark.parametrize(
    ("name", "metric", "digits"),
    [
        ("free_fall_limit", 1.8, 1),  # the metric figures that the same paragraphs print
        ("deceleration", 1.07, 2),
        ("arrest_force_limit", 8e3, -3),
        ("anchor_strength", 22.2e3, -2),
    ],
)
def test_us_values_round_to_the_printed_metric_ones(name: str, metric: float, digits: int) -> None:
    assert round(load_rules("us-construction").value(name), digits) == metric


def test_exact_units() -> None:
    assert to_si(6, "ft", "length") == 1.8288
    assert to_si(3.5, "ft", "length") == 1.0668
    assert to_si(39, "in", "length") == 0.9906
    assert to_si(310, "lb", "mass") == 140.6136347
    assert to_si(1800, "lbf", "force") == 8006.7989074689
    assert to_si(5000, "lbf", "force") == 22241.1080763025
    assert to_si(3, "%", "fraction") == 0.03
    assert to_si(4, ":12", "angle") == pytest.approx(18.434948822922, abs=1e-12)  # atan(1/3)
    assert to_si(950, "mm", "length") == 0.95


@pytest.mark.parametrize(
    ("rule_set", "name", "value"),
    [
        # Work Health and Safety Regulation 2011 (Qld) s 306I(2), (4), read in a copy
        ("au-nz", "anchor_strength", 15e3),
        ("au-nz", "anchor_strength_two", 21e3),
        ("au-nz", "arrest_force_limit", 6e3),
        # Canada Occupational Health and Safety Regulations ss 12.07(1)(a), 12.08(1), (2), read
        ("ca", "trigger_height", 3),
        ("ca", "warning_line_setback", 2),
        ("ca", "steep_slope_above_deg", 5),
        # Alberta OHS Code Explanation Guide s 152, Manitoba M.R. 217/2006 s 14.14(1)(a), read
        ("ca", "anchor_force_factor", 2),
        ("ca", "anchor_strength", 22.2e3),
        # DGUV Information 201-056, publisher's correction note of 2025-09, read
        ("eu-363", "restraint_setback", 0.5),
        # EN 355, EN 354, EN 795: secondary
        ("eu-363", "deceleration", 1.75),
        ("eu-363", "lanyard_length_limit", 2),
        ("eu-363", "anchor_strength", 12e3),
        # Work at Height Regulations 2005 regulation 2(1): any height; regulator's page on guard heights
        ("uk", "trigger_height", 0),
        ("uk", "protective_height", 0.95),
        # Quebec S-2.1, r. 13, ss 347, 349.1(2), 33.1(1), 354.1(2), read on the government's pages
        ("ca", "arrest_force_limit", 6e3),
        ("ca", "swing_angle_limit_deg", 22),
        ("ca-quebec", "arrest_force_limit", 6e3),
        ("ca-quebec", "free_fall_limit", 1.8),
        ("ca-quebec", "trigger_height", 3),
        ("ca-quebec", "warning_line_setback", 2),
        # 29 CFR 1910.28(b)(1)(i), (b)(13)(iii): secondary; 1910.29(d)(2)(vi): read
        ("us-general-industry", "trigger_height", 1.2192),
        ("us-general-industry", "unguarded_work_setback", 4.572),
        ("us-general-industry", "warning_line_setback", 1.8288),
    ],
)
def test_values_of_the_other_sets(rule_set: str, name: str, value: float) -> None:
    assert load_rules(rule_set).value(name) == value


def test_the_worked_sums_of_the_documents() -> None:
    """Sums as printed by their sources: OSHA Technical Manual V-4 as cited (6 ft lanyard at D-ring
    level, 2 ft margin), the short European trade sum, the Australian trade sum."""
    us = load_rules("us-construction")
    below_d_ring = sum(
        us.value(n)
        for n in ("free_fall_limit", "deceleration", "harness_stretch", "attachment_height", "margin")
    )
    assert us.budget.datum == "d-ring"
    assert below_d_ring == pytest.approx(17.5 * 0.3048, abs=1e-12)
    eu = load_rules("eu-363")
    terms = ("lanyard_length_limit", "deceleration", "attachment_height", "margin")
    assert eu.budget.datum == "anchor"
    assert sum(eu.value(n) for n in terms) == pytest.approx(6.25)
    au = load_rules("au-nz")
    terms = ("lanyard_length_limit", "deceleration", "harness_stretch", "margin")
    assert au.budget.datum == "anchor"
    assert sum(au.value(n) for n in terms) + 1.8 == pytest.approx(6.85)  # 1.8 m: a person's height


# -------------------------------------------------------------------------------- never optimistic


@pytest.mark.parametrize("name", SETS)
def test_rope_stretch_is_never_forgotten(name: str) -> None:
    assert load_rules(name).value("line_elongation") == 0.03


@pytest.mark.parametrize("name", SETS)
def test_least_average_force_follows_from_the_classes_own_test(name: str) -> None:
    """Energy balance of the test: m g (h + x) = F x; the value is rounded down, by less than 0.1 %."""
    for found in load_rules(name).absorbers.values():
        mass, fall, stretch = (found.get(n) for n in ("test_mass", "test_free_fall", "maximum_extension"))
        assert mass is not None
        assert fall is not None
        assert stretch is not None
        force = mass * G * (fall + stretch) / stretch
        least = found.get("least_average_force")
        assert least is not None
        assert 0.999 * force < least <= force * (1 + 1e-12), found.id
        peak, average = found.get("peak_force"), found.get("average_force")
        assert peak is not None
        assert least <= (average or peak) <= peak


def test_absorber_names_reach_the_sets_own_class() -> None:
    rules = load_rules("eu-363")
    assert rules.value("absorber_peak_force") == 6000
    assert rules.absorber_class().id == "en-355"
    assert rules.absorber_class("en-360").kind == "retracting"
    assert rules.get("absorber_average_force") is None
    with pytest.raises(InputError, match="'en-360' \\(nearest\\)"):
        rules.absorber_class("en-36O")


def test_a_plans_values_show_as_such() -> None:
    rules = load_rules("eu-363").with_values({"margin": 0.5, "hole_trigger_height": 1.0}, "plan p.toml")
    assert rules.value("margin") == 0.5
    assert rules.entry("margin").status == "plan"
    assert "1 m" in rules.entry("margin").note
    assert rules.value("hole_trigger_height") == 1
    assert load_rules("eu-363").value("margin") == 1


@pytest.mark.parametrize("name", SETS)
def test_plain_form_is_json_with_the_datum(name: str) -> None:
    data = json.loads(json.dumps(load_rules(name).to_json(), allow_nan=False))
    assert data["budget"]["datum"] in DATUMS
    assert {entry["name"] for entry in data["entries"]} >= {n.name for n in NAMES.values() if n.required}
    used = {e["document"] for e in data["entries"] if e["status"] != "assumed"}
    assert used <= {source["title"] for source in data["sources"]}


def test_names_that_a_set_does_not_state() -> None:
    rules = load_rules("uk")
    assert rules.get("positioning_free_fall") is None
    with pytest.raises(InputError, match="'margin' \\(nearest\\)"):
        rules.value("margn")


def test_extends_takes_over_and_replaces() -> None:
    uk, eu = load_rules("uk"), load_rules("eu-363")
    assert uk.chain == ("uk", "eu-363", "assumptions")
    assert uk.entry("deceleration") == eu.entry("deceleration")
    assert uk.entry("deceleration").rule_set == "eu-363"
    assert uk.entry("protective_height").rule_set == "uk"


# ------------------------------------------------------------------------------------ one's own set


def template() -> str:
    return (files("roof3d.rules") / "template.toml").read_text(encoding="utf-8")


def own(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_template_works_as_it_stands(tmp_path: Path) -> None:
    path = own(tmp_path, template())
    rules = load_rules(path)
    assert rules.value("margin") == 1.2
    assert rules.value("deceleration") == 1.75
    assert rules.absorber_class("our-absorber").get("maximum_extension") == 1.5
    assert load_rules("own.toml", tmp_path).value("margin") == 1.2
    assert load_rules("./own.toml", tmp_path).file == str(tmp_path / "own.toml")


def test_template_names_every_value() -> None:
    text = template()
    assert [name for name in NAMES if name not in text] == []
    for units in RULE_UNITS.values():
        for unit in units:
            assert unit in text


BROKEN = {
    "unknown name": (
        "[values.margin]",
        "[values.margn]",
        "values",
        "unknown value 'margn'",
        "'margin' (nearest)",
    ),
    "unknown key": ("clause = ", "claus = ", "values.margin", "unknown key 'claus'", "'clause' (nearest)"),
    "wrong unit": ('unit = "m"', 'unit = "kN"', "values.margin.unit", "unit 'kN'", "m, cm, mm, ft, in"),
    "no unit": ('unit = "m"\ntext', "text", "values.margin.unit", "nothing", "text"),
    "no value": ("value = 1.2\n", "", "values.margin.value", "nothing", "a number"),
    "text as value": ("value = 1.2", 'value = "1.2"', "values.margin.value", "'1.2'", "finite number"),
    "negative": ("value = 1.2", "value = -1.2", "values.margin.value", "-1.2", "zero or more"),
    "infinite": ("value = 1.2", "value = inf", "values.margin.value", "inf", "finite"),
    "no document": (
        'document = "our-manual"\nclause = "4.2"\nstatus = "read"\nnote = "Stri',
        'clause = "4.2"\nstatus = "read"\nnote = "Stri',
        "values.margin.document",
        "nothing",
        "text",
    ),
    "unknown document": (
        'document = "our-manual"',
        'document = "our-manul"',
        "values.margin.document",
        "unknown",
        "our-manual",
    ),
    "no clause": (
        'clause = "4.2"\nstatus = "read"\nnote = "S',
        'status = "read"\nnote = "S',
        "values.margin.clause",
        "nothing",
        "text",
    ),
    "no text": (
        'text = "at least 1.2 m shall stay clear below the feet"\n',
        "",
        "values.margin.text",
        "nothing",
        "text",
    ),
    "wrong status": ('status = "read"', 'status = "sure"', "values.margin.status", "'sure'", "read, quoted"),
    "read without copy": (
        'copy = "publisher"',
        'copy = "none"',
        "values.margin.status",
        "no copy",
        "another status",
    ),
    "wrong copy": (
        'copy = "publisher"',
        'copy = "photo"',
        "documents.our-manual.copy",
        "'photo'",
        "law, regulator",
    ),
    "no year": ("year = 2024\ncopy", "copy", "budget", "", ""),
    "wrong year": ("year = 2024", 'year = "2024"', "documents.our-manual.year", "'2024'", "1900 to 2100"),
    "assumption without reason": (
        'note = "Crews are used to it."',
        "",
        "values.swing_angle_limit_deg.note",
        "nothing",
        "text",
    ),
    "unknown parent": (
        'extends = "eu-363"',
        'extends = "eu-364"',
        "rules",
        "unknown rule set 'eu-364'",
        "eu-363",
    ),
    "itself as parent": (
        'extends = "eu-363"',
        'extends = "own.toml"',
        "extends",
        "a circle",
        "ends somewhere",
    ),
    "no parent": ('extends = "eu-363"', "", "values", "no value for trigger_height", "extend"),
    "wrong datum": (
        'datum = "walking surface"',
        'datum = "roof"',
        "budget.datum",
        "'roof'",
        "walking surface, anchor",
    ),
    "unknown absorber": ('# absorber = "en-355"', 'absorber = "en-35"', "absorber", "'en-35'", "en-355"),
    "half a class": (
        "[absorbers.our-absorber.values.test_mass]",
        "[absorbers.other.values.test_mass]",
        "absorbers",
        "",
        "",
    ),
    "value no table": ("[values.margin]", "[values]\nmargin = 1\n[documents.x]", "", "", ""),
    "syntax": ('name = "our-rules"', "name = our-rules", "line 8, column 8", "invalid value", "a TOML file"),
}


@pytest.mark.parametrize("name", sorted(set(BROKEN) - {"no year"}))
def test_broken_sets_end_in_one_clear_line(tmp_path: Path, name: str) -> None:
    old, new, place, found, accepted = BROKEN[name]
    text = template()
    assert old in text
    path = own(tmp_path, text.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        load_rules(path)
    error = caught.value
    assert error.place.startswith(place), error
    assert found in error.found, error
    assert accepted in error.accepted, error
    assert "\n" not in str(error)
    if name != "unknown parent":
        assert str(path) in str(error)


def test_unknown_sets() -> None:
    with pytest.raises(
        InputError, match=r"unknown rule set 'us-constructoin'.*'us-construction' \(nearest\)"
    ):
        load_rules("us-constructoin")
    for name in ("template", "", "..", "eu_363"):
        with pytest.raises(InputError):
            load_rules(name)
    with pytest.raises(InputError, match="no such file"):
        load_rules("nowhere/own.toml")


def test_every_file_of_the_package_is_toml() -> None:
    found = [item for item in files("roof3d.rules").iterdir() if item.name.endswith(".toml")]
    assert {item.name.removesuffix(".toml") for item in found} == {*SETS, "assumptions", "template"}
    for item in found:
        assert tomllib.loads(item.read_text(encoding="utf-8"))["name"]
