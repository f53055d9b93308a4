"""Plan files: every key, every error, round trips, hand edits, JSON Schema.

The JSON Schema is checked by jsonschema, TOML by the standard library's reader: neither is the
project's own.
"""

from __future__ import annotations

import hashlib
import json
import math
import tomllib
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roof3d.errors import InputError
from roof3d.plan import (
    candidates_path,
    model_path,
    parse_plan,
    plan_from_options,
    plan_schema,
    plan_text,
    read_plan,
    rules_for,
    write_plan,
)
from roof3d.plan.keys import OWN_LINE, PLAN
from roof3d.plan.kinds import Choice, Count, Kind, ListOf, Number, Overrides, Quantity, Section, Switch, Text
from roof3d.plan.schema import SCHEMA_FILE, schema_text
from roof3d.records import Anchor, AnchorLine, Line, Plan, Rope

SMALL = """\
rules = "us-construction"            # a rule set's name, or a path to one
[model]
file = "hall.obj"                    # relative to the plan
unit = "m"                           # m, cm, mm, ft, in
up = "z"
grade = 0.0                          # ground height
[worker]
mass = "100 kg"
attachment_height = "1.5 m"
[line]                               # defaults for every anchor
length = "6 m"                       # as bought
policy = "fixed"
[[anchor]]
id = "A1"
at = [0.0, 6.0, 5.3]                 # the tie-off point
[[anchor_line]]
id = "H1"
points = [[0, 1, 5.3], [0, 6, 5.3], [0, 11, 5.3]]   # ends, and supports between them
"""

EVERY_KEY = """\
title = "Sheds of an invented orchard"
rules = "eu-363"

[model]
file = "sheds/press_house.obj"
unit = "ft"
up = "y"
grade = "-2 ft"

[worker]
mass = "220 lb"
attachment_height = "5 ft"
kneeling_height = "80 cm"
count = 2

[line]
length = "16' 3-1/2\\""
policy = "snug"
slack = "10 cm"
kind = "lanyard"
rope = { name = "11 mm", stiffness = "24 kN", dynamic_stiffness = "30 kN", elongation = "3 %", \
mass_per_length = "80 g/m", strength = "27 kN", source = "made up" }
absorber = { name = "short", average_force = "4 kN", least_force = "3 kN", peak_force = "6 kN", \
maximum_extension = "1.2 m", activation_distance = "0.3 m", source = "made up" }

[clearance]
deceleration = "3.5 ft"
harness_stretch = "1 ft"
margin = "2 ft"
line_elongation = "2 %"

[limits]
free_fall_limit = "1.5 m"
swing_angle_limit_deg = "22 deg"
steep_slope_above_deg = "4:12"
anchor_strength = "15 kN"
anchor_force_factor = 2.5
worker_mass = "120 kg"

[[anchor]]
id = "A1"
at = ["0 ft", 6, "5.3 m"]
rating = "15 kN"
direction = [0, -1, 0]
direction_within = "20 deg"
note = "post in the ridge"

[anchor.line]
length = "20 ft"
policy = "restraint"
slack = 0
setback = "0.5 m"

[[anchor_line]]
id = "H1"
points = [[0, 1, 5.3], [0, 4, 5.3], [0, 6, 5.3]]
pretension = "1 kN"
support_kind = "flexible"
support_stiffness = "25 kN/m"
maximum_span = "75 ft"
maximum_workers = 3
workers = 2
end_rating = "22 kN"
support_rating = "12 kN"
note = "ends in the gables"

[anchor_line.rope]
name = "cable"
stiffness = "2.5 MN"

[anchor_line.line]
length = "3 m"

[[anchor_line.support]]
at = [0, 4, 5.3]
kind = "flexible"
stiffness = "140 lbf/in"
rating = "10 kN"
direction = [0, 0, -1]
direction_within = "60 deg"

[[anchor_line.end]]
at = [0, 1, 5.3]
rating = "30 kN"
direction = [0, 1, 0]
direction_within = 30

[[work]]
id = "W1"
planes = ["P1", "P2"]

[[work]]
polygon = [[0, 0], [4, 0], [4, "13 ft"]]

[[work]]
edges = ["E4"]
edge_kinds = ["eave"]
strip = "1 m"

[[keep_out]]
id = "K1"
polygon = [[0, 0], [1, 0], [1, 1]]

[[protection]]
edges = ["E1"]
means = "net"
from_m = 0
to_m = "3 m"

[[protection]]
kinds = ["rake"]

[candidates]
spacing = "24 in"
offset = "6 in"
along = ["ridge", "slope"]
edge_setback = "2.5 m"
opening_setback = "1 m"
off_roof = [[20, 0, 0.5]]
list_file = "posts.csv"
line_lengths = ["6 m", "10 m"]
anchor_lines = true
height = "15 cm"
slope_step = "1 m"
rating = "22.2 kN"
tied = true
tie_overlap = 1.5

[prices]
currency = "EUR"
anchor = 120
line_per_m = 4.5
anchor_line_per_m = 11
support = 60
visit = 300
edge_protection_per_m = 35
"""


def written(folder: Path, text: str, name: str = "plan.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refused(folder: Path, text: str) -> InputError:
    path = written(folder, text)
    with pytest.raises(InputError) as caught:
        read_plan(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    return caught.value


# ------------------------------------------------------------------------------------------ reading


def test_smallest_plan(tmp_path: Path) -> None:
    path = written(tmp_path, SMALL)
    plan = read_plan(path)
    assert plan.rules == "us-construction"
    assert plan.worker.mass == 100
    assert plan.line.length == 6
    assert plan.anchors == (Anchor("A1", (0.0, 6.0, 5.3)),)
    assert plan.anchor_lines[0].points == ((0, 1, 5.3), (0, 6, 5.3), (0, 11, 5.3))
    assert plan.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert plan.file == str(path)
    assert plan.model.file == "hall.obj"
    assert model_path(plan) == tmp_path / "hall.obj"


def test_every_key_is_read(tmp_path: Path) -> None:
    """Each field of each record that a plan can say differs from its default in the full example."""
    plan = read_plan(written(tmp_path, EVERY_KEY))
    assert plan.line.length == pytest.approx(4.9657, abs=1e-12)  # 16 x 0.3048 + 3.5 x 0.0254
    assert plan.model.grade == pytest.approx(-0.6096, abs=1e-12)
    assert plan.worker.mass == pytest.approx(99.7903214, abs=1e-9)  # 220 x 0.45359237
    assert plan.anchor_lines[0].rope.stiffness == 2.5e6
    assert plan.anchor_lines[0].support_stiffness == 25e3
    assert plan.line.rope.mass_per_length == pytest.approx(0.08)
    assert dict(plan.limits)["steep_slope_above_deg"] == pytest.approx(18.434948822922)
    assert plan.work[1].polygon[2] == (4, pytest.approx(3.9624))
    assert plan.candidates.spacing == pytest.approx(0.6096)
    assert candidates_path(plan) == tmp_path / "posts.csv"

    def unsaid(record: Any, where: str) -> list[str]:
        found = []
        for part in fields(record):
            value = getattr(record, part.name)
            for one in value if isinstance(value, tuple) else (value,):
                if is_dataclass(one):
                    found += unsaid(one, f"{where}.{part.name}")
            if value == part.default:
                found.append(f"{where}.{part.name}")
        return found

    # every one of these is said elsewhere in the example, or is the other choice of two
    left = {
        name
        for name in unsaid(plan, "plan")
        if not name.startswith(("plan.work.", "plan.protection.", "plan.anchor_lines.rope."))
    }
    assert left == {
        "plan.anchors.line.slack",  # inherited 10 cm is set back to none
        "plan.line.setback",  # of the restraint line
        "plan.anchor_lines.line.setback",
    }


def test_own_line_builds_on_the_plans(tmp_path: Path) -> None:
    plan = read_plan(written(tmp_path, EVERY_KEY))
    own = plan.anchor_lines[0].line
    assert own is not None
    assert (own.length, own.policy, own.slack) == (3, "snug", 0.1)
    assert own.rope == plan.line.rope
    other = plan.anchors[0].line
    assert other is not None
    assert (other.policy, other.slack, other.setback) == ("restraint", 0, 0.5)


def test_own_rope_is_not_mixed_with_the_plans(tmp_path: Path) -> None:
    """A rope is one maker's data: half of one and half of another is no rope."""
    text = EVERY_KEY.replace('length = "20 ft"', 'length = "20 ft"\nrope = {name = "other", stiffness = 1e5}')
    own = read_plan(written(tmp_path, text)).anchors[0].line
    assert own is not None
    assert own.rope == Rope(name="other", stiffness=1e5)


def test_rules_take_the_plans_values(tmp_path: Path) -> None:
    plan = read_plan(written(tmp_path, EVERY_KEY))
    rules = rules_for(plan)
    assert rules.value("margin") == pytest.approx(0.6096)
    assert rules.entry("margin").status == "plan"
    assert "plan.toml" in rules.entry("margin").document
    assert "1 m" in rules.entry("margin").note
    assert rules.value("anchor_force_factor") == 2.5
    assert rules.value("arrest_force_limit") == 6000
    assert "margin" not in {entry.name for entry in rules.from_memory()}


def test_rule_set_beside_the_plan(tmp_path: Path) -> None:
    written(
        tmp_path,
        """
name = "own"
title = "Own rules of the invented orchard"
extends = "eu-363"
[values.margin]
value = 2
unit = "m"
status = "assumed"
note = "dogs below"
""",
        "own.toml",
    )
    plan = read_plan(written(tmp_path, SMALL.replace("us-construction", "own.toml")))
    assert rules_for(plan).value("margin") == 2


@pytest.mark.parametrize("where", ["/abs/hall.obj", "../models/hall.obj"])
def test_model_path_is_kept_and_resolved(tmp_path: Path, where: str) -> None:
    plan = read_plan(written(tmp_path, SMALL.replace("hall.obj", where)))
    assert plan.model.file == where
    assert model_path(plan) == tmp_path / where  # an absolute path wins in pathlib


# ------------------------------------------------------------------------------------------- errors

BROKEN = {
    "unknown key": ("length =", "lenght =", "line", "unknown key 'lenght'", "'length' (nearest)"),
    "unknown table": ("[worker]", "[workers]", "", "unknown key 'workers'", "'worker' (nearest)"),
    "wrong case": ("[line] ", "[Line] ", "", "unknown key 'Line'", "'line' (nearest)"),
    "wrong unit": ('"6 m"', '"6 kg"', "line.length", "unknown unit 'kg'", "16 ft"),
    "decimal comma": ('"6 m"', '"6,5 m"', "line.length", "comma", "4.2 m"),
    "negative": ('"6 m"', "-6", "line.length", "negative", "zero or more"),
    "no length": ('"6 m"', "0", "line.length", "0", "more than zero"),
    "not a number": ('"6 m"', "nan", "line.length", "not a finite number", "finite"),
    "infinite": ('"6 m"', "inf", "line.length", "not a finite number", "finite"),
    "boolean": ('"6 m"', "true", "line.length", "True", "4.2 m"),
    "date": ('"6 m"', "2024-01-01", "line.length", "2024", "4.2 m"),
    "millimetres": ('"6 m"', "6000", "line.length", "6000", "1000 m"),
    "feet as metres": ('"1.5 m"', "5", "worker.attachment_height", "5", "0.5 to 2.5 m"),
    "two numbers": ("[0.0, 6.0, 5.3]", "[0.0, 6.0]", "anchor[1].at (id A1)", "a list of 2", "[x, y, z]"),
    "bad number": ("[0.0, 6.0, 5.3]", '[0.0, "x", 5.3]', "anchor[1].at[2] (id A1)", "'x'", "4.2 m"),
    "no list": ("[0.0, 6.0, 5.3]", "5", "anchor[1].at (id A1)", "5", "[x, y, z]"),
    "one point": (
        "[0, 6, 5.3], [0, 11, 5.3]]",
        "]",
        "anchor_line[1].points (id H1)",
        "a list of 1",
        "two or more",
    ),
    "same points": ("[0, 6, 5.3]", "[0, 1, 5.3]", "anchor_line[1].points[2]", "the same point", "another"),
    "same id": ('id = "H1"', 'id = "A1"', "anchor_line[1].id", "'A1', which anchor[1] has too", "once"),
    "no id": ('id = "A1"', "", "anchor[1].id", "nothing", "name of the anchor"),
    "empty id": ('id = "A1"', 'id = " "', "anchor[1].id", "' '", "not empty"),
    "number as id": ('id = "A1"', "id = 1", "anchor[1].id", "1", "text"),
    "wrong policy": ('"fixed"', '"loose"', "line.policy", "'loose'", "fixed, snug, restraint"),
    "wrong axis": ('up = "z"', 'up = "x"', "model.up", "'x'", "z, y"),
    "wrong model unit": ('unit = "m"', 'unit = "yd"', "model.unit", "'yd'", "m, cm, mm, ft, in"),
    "no model": ('file = "hall.obj"', "", "model.file", "nothing", "model file"),
    "no rules": ('rules = "us-construction"', "", "rules", "nothing", "rule set"),
    "unknown rules": ("us-construction", "us-constructoin", "rules", "unknown rule set", "us-construction"),
    "table wanted": ("[model]", "model = 5\n[candidates]", "model", "5", "a table"),
    "single anchor": ("[[anchor]]", "[anchor]", "anchor", "a table", "[[anchor]]"),
    "limit unknown": (
        "[worker]",
        "[limits]\nfree_fal = 2\n[worker]",
        "limits",
        "'free_fal'",
        "'free_fall_limit'",
    ),
    "limit unit": (
        "[worker]",
        '[limits]\nfree_fall_limit = "2 kN"\n[worker]',
        "limits.free_fall_limit",
        "kN",
        "16 ft",
    ),
    "clearance": (
        "[worker]",
        "[clearance]\nmargin = -1\n[worker]",
        "clearance.margin",
        "negative",
        "zero or more",
    ),
    "kneeling": ("[line]", "kneeling_height = 2\n[line]", "worker.kneeling_height", "2 m", "1.5 m"),
    "slack": ('"fixed"', '"fixed"\nslack = 0.1', "line.slack", "policy fixed", 'policy = "snug"'),
    "count": ("[line]", "count = 0\n[line]", "worker.count", "0", "a whole number"),
    "forces": (
        '"fixed"',
        '"fixed"\nabsorber = {average_force = 7000, peak_force = 6000}',
        "line.absorber.average_force",
        "7000 N",
        "6000 N",
    ),
    "syntax": ('id = "A1"', 'id = "A1', "line 14, column", "illegal character", "TOML"),
    "twice": ('id = "A1"', 'id = "A1"\nid = "A2"', "line 15", "overwrite", "TOML"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_plans_end_in_one_clear_line(tmp_path: Path, name: str) -> None:
    old, new, place, found, accepted = BROKEN[name]
    assert old in SMALL
    error = refused(tmp_path, SMALL.replace(old, new, 1))
    assert error.place.startswith(place), error
    assert found in error.found, error
    assert accepted in error.accepted, error


@pytest.mark.parametrize(
    ("added", "place", "found"),
    [
        ("[[work]]\nid='W'", "work[1]", "nothing that says where"),
        ("[[work]]\nedges=['E1']", "work[1].strip", "nothing"),
        ("[[work]]\nplanes=['P1']\nstrip=1", "work[1].strip", "a width without edges"),
        ("[[work]]\npolygon=[[0,0],[1,0]]", "work[1].polygon", "a list of 2"),
        ("[[work]]\nplanes='P1'", "work[1].planes", "'P1'"),
        ("[[keep_out]]\nid='K'", "keep_out[1].polygon", "nothing"),
        ("[[protection]]\nmeans='net'", "protection[1]", "nothing that says where"),
        ("[[protection]]\nkinds=['ridge','eve']", "protection[1].kinds[2]", "'eve'"),
        ("[[protection]]\nkinds=['eave']\nfrom_m=1", "protection[1]", "without exactly one edge"),
        ("[[protection]]\nedges=['E1']\nfrom_m=2\nto_m=2", "protection[1].to_m", "2 m"),
        ("[prices]\nanchor='12 EUR'", "prices.anchor", "'12 EUR'"),
        ("[candidates]\nalong=['gutter']", "candidates.along[1]", "'gutter'"),
        ("[candidates]\nanchor_lines=1", "candidates.anchor_lines", "1"),
        ("[[anchor]]\nid='A2'\nat=[0,0,0]\ndirection=[0,0,0]", "anchor[2].direction", "no length"),
        ("[[anchor]]\nid='A1'\nat=[0,0,0]", "anchor[2].id", "'A1', which anchor[1] has too"),
        ("[[anchor]]\nid='A2'\nat=[1e300,0,0]", "anchor[2].at[1]", "1e+300"),
        ("[[anchor]]\nid='A2'\nat=[0,0,0]\nline={slack=1}", "anchor[2].line.slack", "policy fixed"),
        (
            "[[anchor_line]]\nid='H2'\npoints=[[0,0,0],[1,0,0]]\nsupport_stiffness=9",
            "anchor_line[2].support_st",
            "pass-through",
        ),
        (
            "[[anchor_line.support]]\nat=[0,6,5.3]\nstiffness=9",
            "anchor_line[1].support[1].stiffness",
            "pass-through",
        ),
        ("[[anchor_line.support]]\nat=[0,1,5.3]", "anchor_line[1].support[1].at", "none of the line's"),
        ("[[anchor_line.support]]\nkind='rigid'", "anchor_line[1].support[1].at", "nothing"),
        ("title = 'x'", "anchor_line[1]", "unknown key 'title'"),
    ],
)
def test_mistakes_in_later_tables(tmp_path: Path, added: str, place: str, found: str) -> None:
    error = refused(tmp_path, SMALL + added + "\n")
    assert error.place.startswith(place), error
    assert found in error.found or found in str(error), error


def test_files_that_are_no_plans(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_plan(tmp_path / "none.toml")
    with pytest.raises(InputError, match="a folder"):
        read_plan(tmp_path)
    path = tmp_path / "plan.toml"
    path.write_bytes(b"rules = 'x'\n# \xff\n")
    with pytest.raises(InputError, match="line 2: found bytes that are not UTF-8"):
        read_plan(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match="rules: found nothing"):
        read_plan(path)
    path.write_bytes(b"a = " + b"[" * 100_000)
    with pytest.raises(InputError):
        read_plan(path)


# ------------------------------------------------------------------------------------------- schema


def test_shipped_schema_is_up_to_date() -> None:
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), "run roof3d.plan.schema.ship()"


def test_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(plan_schema())


@pytest.mark.parametrize("text", [SMALL, EVERY_KEY])
def test_schema_accepts_good_plans(text: str) -> None:
    jsonschema.Draft202012Validator(plan_schema()).validate(tomllib.loads(text))


def test_example_plans_fit_schema_and_reader() -> None:
    plans = sorted((Path(__file__).resolve().parents[1] / "models").rglob("*.toml"))
    for path in plans:
        jsonschema.Draft202012Validator(plan_schema()).validate(tomllib.loads(path.read_text()))
        read_plan(path)


# mistakes that only reading finds: contradictions between keys, files, TOML itself
NOT_BY_SCHEMA = {
    "same points",
    "same id",
    "empty id",
    "unknown rules",
    "kneeling",
    "slack",
    "forces",
    "wrong unit",
    "decimal comma",
    "not a number",
    "infinite",
    "bad number",
    "limit unit",
    "syntax",
    "twice",
    "date",
}


@pytest.mark.parametrize("name", sorted(set(BROKEN) - NOT_BY_SCHEMA))
def test_schema_refuses_broken_plans(name: str) -> None:
    old, new, *_ = BROKEN[name]
    data = tomllib.loads(SMALL.replace(old, new, 1))
    assert not jsonschema.Draft202012Validator(plan_schema()).is_valid(data)


def test_table_of_keys_covers_every_field() -> None:
    """Each field of each record has its key; only what reading itself fills has none."""

    def missing(section: Section) -> list[str]:
        known = {key.attribute for key in section.keys}
        found = [f"{section.record.__name__}.{f.name}" for f in fields(section.record) if f.name not in known]
        for key in section.keys:
            kind = key.kind.kind if isinstance(key.kind, ListOf) else key.kind
            if isinstance(kind, Section):
                found += missing(kind)
        return found

    assert missing(PLAN) == ["Plan.file", "Plan.sha256", "Candidates.given"]


# ------------------------------------------------------------------------------------------ writing


def test_new_file_reads_back(tmp_path: Path) -> None:
    plan = read_plan(written(tmp_path, EVERY_KEY))
    again = write_plan(plan, tmp_path / "copy.toml")
    assert replace(again, file="", sha256="") == replace(plan, file="", sha256="")
    assert again.sha256 == hashlib.sha256((tmp_path / "copy.toml").read_bytes()).hexdigest()


@pytest.mark.parametrize("text", [SMALL, EVERY_KEY])
def test_writing_what_is_there_changes_no_byte(tmp_path: Path, text: str) -> None:
    path = written(tmp_path, text)
    write_plan(read_plan(path), path)
    assert path.read_text(encoding="utf-8") == text


def test_hand_edits_survive(tmp_path: Path) -> None:
    path = written(tmp_path, SMALL)
    plan = read_plan(path)
    second = Anchor("A2", (1.0, 2.0, 3.0), line=replace(plan.line, length=4.0))
    plan = replace(
        plan,
        line=replace(plan.line, length=7.5),
        anchors=(second, *plan.anchors),
        clearance=(("margin", 1.0),),
    )
    again = write_plan(plan, path)
    text = path.read_text(encoding="utf-8")
    changed = {'length = "6 m"                       # as bought'}
    for line in SMALL.splitlines():
        assert (line in text.splitlines()) is (line not in changed), line
    assert "length = 7.5                       # as bought" in text
    assert [anchor.id for anchor in again.anchors] == ["A2", "A1"]
    assert again.clearance == (("margin", 1.0),)


def test_anchors_leave_and_change_places(tmp_path: Path) -> None:
    path = written(tmp_path, SMALL + '[[anchor]]\nid = "A2" # second\nat = [0, 0, 1]\n')
    plan = read_plan(path)
    write_plan(replace(plan, anchors=plan.anchors[::-1]), path)
    assert [a.id for a in read_plan(path).anchors] == ["A2", "A1"]
    assert "# second" in path.read_text()
    write_plan(replace(plan, anchors=plan.anchors[1:], anchor_lines=()), path)
    assert read_plan(path).anchors == plan.anchors[1:]
    assert "H1" not in path.read_text()


def test_keys_that_go_back_to_their_default(tmp_path: Path) -> None:
    path = written(tmp_path, EVERY_KEY)
    plan = read_plan(path)
    plain = Plan(rules=plan.rules, model=plan.model, line=Line(length=1.0), file=str(path))
    again = write_plan(plain, path)
    assert replace(again, sha256="") == plain


def test_relative_files_follow_the_plan(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    plan = read_plan(written(tmp_path / "a", EVERY_KEY))
    again = write_plan(plan, tmp_path / "b" / "plan.toml")
    assert model_path(again).resolve() == model_path(plan).resolve()
    assert candidates_path(again).resolve() == candidates_path(plan).resolve()  # type: ignore[union-attr]


def test_nothing_is_half_written(tmp_path: Path) -> None:
    path = written(tmp_path, "this is no plan")
    plan = plan_from_options("hall.obj", ["0,0,1"], "6 m")
    with pytest.raises(InputError):
        write_plan(plan, path)
    assert path.read_text() == "this is no plan"
    other = written(tmp_path, SMALL, "other.toml")
    unsayable = replace(plan, anchors=(Anchor("A", (0, 0, 1)), Anchor("A", (0, 0, 2))))
    with pytest.raises(ValueError, match="cannot be written"):
        write_plan(unsayable, other)
    assert other.read_text() == SMALL
    with pytest.raises(InputError):
        write_plan(plan, tmp_path / "no folder" / "plan.toml")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["other.toml", "plan.toml"]


# -------------------------------------------------------------------------------- any plan at all


def strategy(kind: Kind) -> st.SearchStrategy[Any]:
    """Values of a kind, in SI."""
    match kind:
        case Text():
            return st.text(
                st.characters(categories=["L", "N", "P", "S"], include_characters=" "), max_size=8
            ).filter(lambda text: text.isprintable() and len(text.strip()) >= kind.least)
        case Choice():
            return st.sampled_from(kind.choices)
        case Switch():
            return st.booleans()
        case Count():
            return st.integers(1, kind.most)
        case Number():
            return st.floats(0, 1e9, allow_subnormal=False)
        case Quantity():
            least = {"any": -1e9, "nonnegative": 0.0, "positive": 1e-6}[kind.sign]
            most = {"fraction": 1.0, "pitch": 90.0}.get(kind.quantity, 1e9)
            return st.floats(max(least, kind.least), min(most, kind.most), allow_subnormal=False).map(
                lambda x: x + 0.0
            )
        case ListOf():
            most = kind.most if kind.most is not None else kind.least + 2
            return st.lists(strategy(kind.kind), min_size=kind.least, max_size=most).map(tuple)
        case Overrides():
            names = list(kind.kinds)
            chosen = st.sets(st.sampled_from(names), max_size=3)
            return chosen.flatmap(
                lambda found: st.tuples(
                    *(st.tuples(st.just(n), strategy(kind.kinds[n])) for n in names if n in found)
                )
            )
        case Section():
            optional = {
                key.attribute: st.none() if key.kind is OWN_LINE else strategy(key.kind) for key in kind.keys
            }
            required = {key.attribute: optional.pop(key.attribute) for key in kind.keys if key.required}
            return st.fixed_dictionaries(required, optional=optional).map(lambda said: kind.record(**said))
    raise AssertionError(kind)


def sayable(plan: Plan) -> bool:
    try:
        plan_text_of = plan_text(plan)
        parse_plan(tomllib.loads(plan_text_of), "")
    except InputError:
        return False
    return True


ANY_WAY: dict[str, Any] = {"direction": None, "direction_within": 180.0}


def tidied(plan: Plan) -> Plan:
    """The plan without the contradictions that reading refuses."""
    line = replace(
        plan.line,
        slack=0.0,
        setback=None,
        absorber=replace(plan.line.absorber, peak_force=None, least_force=None),
    )
    return replace(
        plan,
        rules="eu-363",
        line=line,
        worker=replace(
            plan.worker, kneeling_height=min(plan.worker.kneeling_height, plan.worker.attachment_height)
        ),
        anchors=tuple(
            replace(a, id=f"A{i}", **ANY_WAY, line=replace(line, length=float(i)) if i % 2 else None)
            for i, a in enumerate(plan.anchors, 1)
        ),
        anchor_lines=tuple(
            replace(
                a,
                id=f"H{i}",
                points=tuple((float(j), 0.0, z) for j, (*_, z) in enumerate(a.points)),
                support_stiffness=None,
                supports=tuple(
                    replace(s, at=(1.0, 0.0, a.points[1][2]), stiffness=None, **ANY_WAY)
                    for s in a.supports[:1]
                    if len(a.points) > 2
                ),
                ends=tuple(replace(e, at=(0.0, 0.0, a.points[0][2]), **ANY_WAY) for e in a.ends[:1]),
            )
            for i, a in enumerate(plan.anchor_lines, 1)
        ),
        work=tuple(
            replace(w, id=f"W{i}", planes=("P1",), edges=(), edge_kinds=(), strip=None)
            for i, w in enumerate(plan.work, 1)
        ),
        keep_out=tuple(replace(k, id="") for k in plan.keep_out),
        protection=tuple(replace(p, kinds=("eave",), from_m=None, to_m=None) for p in plan.protection),
    )


PLANS = strategy(PLAN).map(tidied)
FEW = settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[
        HealthCheck.too_slow,
        HealthCheck.function_scoped_fixture,
        HealthCheck.data_too_large,
        HealthCheck.large_base_example,
    ],
)


@FEW
@given(PLANS)
def test_any_plan_reads_back_the_same(plan: Plan) -> None:
    data = tomllib.loads(plan_text(plan))
    assert parse_plan(data, "") == plan
    jsonschema.Draft202012Validator(plan_schema()).validate(data)


@FEW
@given(PLANS, PLANS)
def test_any_plan_can_be_written_over_any_other(
    tmp_path_factory: pytest.TempPathFactory, first: Plan, second: Plan
) -> None:
    path = tmp_path_factory.mktemp("plans") / "plan.toml"
    path.write_text(plan_text(first), encoding="utf-8")
    again = write_plan(replace(second, file=str(path)), path)
    assert replace(again, file="", sha256="") == second


# ------------------------------------------------------------------------------------------ options


def test_plan_from_options() -> None:
    plan = plan_from_options("hall.obj", ["0,6,5.3", "1 ft, -2, 3"], "6m", "eu-363", "mm", "y", "-1 m")
    assert plan.line.length == 6
    assert plan.anchors == (Anchor("A1", (0.0, 6.0, 5.3)), Anchor("A2", (0.3048, -2.0, 3.0)))
    assert (plan.model.unit, plan.model.up, plan.model.grade) == ("mm", "y", -1)
    assert model_path(plan) == Path("hall.obj")
    assert rules_for(plan).name == "eu-363"
    assert plan_from_options("hall.obj", [(0, 6, 5.3)], 6).anchors == plan.anchors[:1]


@pytest.mark.parametrize(
    ("options", "place", "found"),
    [
        ({"anchors": ["0,0,1", "0,6"]}, "--anchor 2", "a list of 2"),
        ({"anchors": ["0,6,x"]}, "--anchor 1", "'x'"),
        ({"anchors": ["0,6,nan"]}, "--anchor 1", "'nan'"),
        ({"line": "6 kg"}, "--line", "'kg'"),
        ({"rules": "eu"}, "--rules", "unknown rule set"),
        ({"unit": "yd"}, "--unit", "'yd'"),
        ({"up": "x"}, "--up", "'x'"),
        ({"grade": "low"}, "--grade", "'low'"),
        ({"model": ""}, "MODEL", "''"),
    ],
)
def test_wrong_options_are_named(options: dict[str, Any], place: str, found: str) -> None:
    with pytest.raises(InputError) as caught:
        plan_from_options(**{"model": "hall.obj", **options})
    assert caught.value.place == place
    assert found in caught.value.found


def test_schema_text_is_plain_json() -> None:
    assert json.loads(schema_text()) == plan_schema()
    assert not math.isnan(float(len(schema_text())))


def test_anchor_line_record_keeps_supports(tmp_path: Path) -> None:
    found = read_plan(written(tmp_path, SMALL)).anchor_lines[0]
    assert found == AnchorLine("H1", ((0, 1, 5.3), (0, 6, 5.3), (0, 11, 5.3)))
