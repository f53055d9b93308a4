"""The one table of all keys of a plan file: it drives reading, writing and the JSON Schema."""

from __future__ import annotations

from roof3d.plan.kinds import (
    Choice,
    Count,
    Key,
    Kind,
    ListOf,
    Number,
    Overrides,
    Quantity,
    Section,
    Switch,
    Text,
)
from roof3d.records import (
    Absorber,
    Anchor,
    AnchorLine,
    Candidates,
    KeepOut,
    Line,
    LineEnd,
    ModelChoice,
    Plan,
    Prices,
    Protection,
    Rope,
    Support,
    WorkArea,
    Worker,
)
from roof3d.rules.names import NAMES

UNITS = ("m", "cm", "mm", "ft", "in")
UP_AXES = ("z", "y")
POLICIES = ("fixed", "snug", "restraint")
LINE_KINDS = ("rope", "lanyard", "retracting")
SUPPORT_KINDS = ("rigid", "flexible", "pass-through")
EDGE_KINDS = (
    "eave",
    "rake",
    "top",
    "flat",
    "ridge",
    "hip",
    "valley",
    "break",
    "abutment",
    "upstand",
    "opening",
)
MEANS = ("guardrail", "net", "scaffold", "parapet", "cover")

CLEARANCE_NAMES = ("deceleration", "harness_stretch", "margin", "line_elongation")
"""Terms of the clearance budget that a plan may set."""

_FARTHEST = 1e9  # m; coordinates beyond are no building's


def _length(sign: str = "nonnegative", least: float = -float("inf"), most: float = 1000.0) -> Quantity:
    return Quantity("length", sign, least, most)


def _rule_kind(name: str) -> Kind:
    quantity = NAMES[name].quantity
    if quantity == "ratio":
        return Number()
    if quantity == "angle":
        return Quantity("pitch", least=0, most=90)
    return _length() if quantity == "length" else Quantity(quantity)


def _overrides(names: tuple[str, ...]) -> Overrides:
    return Overrides({n: _rule_kind(n) for n in names}, {n: NAMES[n].meaning for n in names})


_COORDINATE = Quantity("length", "any", -_FARTHEST, _FARTHEST)
_POINT = ListOf(_COORDINATE, 3, 3, "a point [x, y, z], metres or text with units")
_DIRECTION = ListOf(Quantity("length", "any"), 3, 3, "a direction [x, y, z]")
_POLYGON = ListOf(
    ListOf(_COORDINATE, 2, 2, "a point [x, y] in plan"), 3, None, "three or more points [x, y] in plan"
)
_TEXTS = ListOf(Text(), 0, None, 'a list of ids, such as ["E1", "E2"]')
_EDGE_KINDS = ListOf(Choice(EDGE_KINDS), 0, None, f"a list of {', '.join(EDGE_KINDS)}")

ROPE = Section(
    Rope,
    (
        Key("name", Text(0), "Name of rope or cable"),
        Key("stiffness", Quantity("strain_stiffness", "positive"), "Force per unit strain, static"),
        Key(
            "dynamic_stiffness", Quantity("strain_stiffness", "positive"), "Force per unit strain, in arrest"
        ),
        Key("elongation", Quantity("fraction"), "Strain reached in arrest where no stiffness is known"),
        Key("mass_per_length", Quantity("mass_per_length", most=100.0), "Mass per length"),
        Key("strength", Quantity("force", "positive"), "Breaking strength"),
        Key("source", Text(0), "Where the data comes from, such as a maker's sheet with its date"),
    ),
)

ABSORBER = Section(
    Absorber,
    (
        Key("name", Text(0), "Name of the absorber, or of a class of the rule set"),
        Key("average_force", Quantity("force", "positive"), "Average force while extending, as on its label"),
        Key(
            "least_force",
            Quantity("force", "positive"),
            "Least average force while extending, in any weather, if its maker tells it",
        ),
        Key("peak_force", Quantity("force", "positive"), "Highest force"),
        Key("maximum_extension", _length("positive", most=10.0), "Greatest extension"),
        Key("activation_distance", _length(most=10.0), "Travel before a device locks"),
        Key("source", Text(0), "Where the data comes from"),
    ),
)

_LINE_KEYS = (
    Key("length", _length("positive"), "Length from anchor to D-ring, all connectors included"),
    Key("policy", Choice(POLICIES), "How the length is set while working"),
    Key("slack", _length(most=100.0), "Slack left by the snug policy"),
    Key("setback", _length(most=100.0), "What a restraint line lacks to the nearest edge"),
    Key("kind", Choice(LINE_KINDS), "What the line is"),
    Key("rope", ROPE, "What the line is made of"),
    Key("absorber", ABSORBER, "The energy absorber in the line"),
)
LINE = Section(Line, _LINE_KEYS)
OWN_LINE = Section(Line, _LINE_KEYS, inherits=True)

MODEL = Section(
    ModelChoice,
    (
        Key("file", Text(), "Model file; a relative path starts at the plan", required=True),
        Key("unit", Choice(UNITS), "Unit of the model's coordinates, where its format does not fix it"),
        Key("up", Choice(UP_AXES), "Upward axis of the model, where its format does not fix it"),
        Key("grade", _COORDINATE, "Height of the ground, where the model has none"),
    ),
)

WORKER = Section(
    Worker,
    (
        Key("mass", Quantity("mass", "positive", 20.0, 500.0), "Mass of a worker with tools"),
        Key("attachment_height", _length("positive", 0.5, 2.5), "D-ring above the soles, standing"),
        Key("kneeling_height", _length("positive", 0.1, 2.5), "D-ring above the surface, kneeling"),
        Key("count", Count(), "People on the roof at a time"),
    ),
)

_RATED_WITHIN = Key(
    "direction_within",
    Quantity("angle", least=0, most=180),
    "How far off that direction the rating still holds; 180 deg: in every direction",
)

ANCHOR = Section(
    Anchor,
    (
        Key("id", Text(), "Name of the anchor, unique among anchors and anchor lines", required=True),
        Key("at", _POINT, "The tie-off point", required=True),
        Key("rating", Quantity("force", "positive"), "Strength that the anchor is rated for"),
        Key("direction", _DIRECTION, "The only direction of pull that it is rated for"),
        _RATED_WITHIN,
        Key("note", Text(0), "Anything a reader should know"),
        Key("line", OWN_LINE, "Where this anchor's line differs from the plan's"),
    ),
)

SUPPORT = Section(
    Support,
    (
        Key("at", _POINT, "The support: one of the line's points between its ends", required=True),
        Key("kind", Choice(SUPPORT_KINDS), "How it holds the line"),
        Key("stiffness", Quantity("stiffness", "positive"), "Stiffness, if flexible"),
        Key("rating", Quantity("force", "positive"), "Strength that it is rated for"),
        Key("direction", _DIRECTION, "The direction of pull that it is rated for"),
        _RATED_WITHIN,
    ),
)

END = Section(
    LineEnd,
    (
        Key("at", _POINT, "The end anchor: the first or the last of the line's points", required=True),
        Key("rating", Quantity("force", "positive"), "Strength that it is rated for"),
        Key("direction", _DIRECTION, "The direction of pull that it is rated for"),
        _RATED_WITHIN,
    ),
)

ANCHOR_LINE = Section(
    AnchorLine,
    (
        Key("id", Text(), "Name of the line, unique among anchors and anchor lines", required=True),
        Key(
            "points",
            ListOf(_POINT, 2, None, "two or more points [x, y, z]"),
            "End anchors, and supports between them",
            required=True,
        ),
        Key("pretension", Quantity("force"), "Tension before anybody loads the line"),
        Key("support_kind", Choice(SUPPORT_KINDS), "How the supports hold the line"),
        Key("support_stiffness", Quantity("stiffness", "positive"), "Stiffness of flexible supports"),
        Key("maximum_span", _length("positive"), "Longest span that the maker allows"),
        Key("maximum_workers", Count(), "People that the maker allows on the line"),
        Key("workers", Count(), "People on the line at a time"),
        Key("end_rating", Quantity("force", "positive"), "Strength that the end anchors are rated for"),
        Key("support_rating", Quantity("force", "positive"), "Strength that the supports are rated for"),
        Key("note", Text(0), "Anything a reader should know"),
        Key("rope", ROPE, "The rope or cable of the anchor line"),
        Key(
            "support",
            ListOf(SUPPORT, what="tables [[anchor_line.support]]"),
            "Single supports that differ from what the line says of all",
            "supports",
        ),
        Key(
            "end",
            ListOf(END, what="tables [[anchor_line.end]]"),
            "Single ends that differ from what the line says of both",
            "ends",
        ),
        Key("line", OWN_LINE, "Where the workers' lines on it differ from the plan's"),
    ),
)

WORK = Section(
    WorkArea,
    (
        Key("id", Text(0), "Name of the area"),
        Key("planes", _TEXTS, "Roof planes to work on, by id"),
        Key("polygon", _POLYGON, "Outline in plan"),
        Key("edges", _TEXTS, "A strip along these edges, by id"),
        Key("edge_kinds", _EDGE_KINDS, "A strip along all edges of these kinds"),
        Key("strip", _length("positive", most=100.0), "Width of the strip"),
    ),
)

KEEP_OUT = Section(
    KeepOut,
    (
        Key("id", Text(0), "Name of the place"),
        Key("polygon", _POLYGON, "Outline in plan; no anchor inside", required=True),
    ),
)

PROTECTION = Section(
    Protection,
    (
        Key("edges", _TEXTS, "Edges made safe, by id"),
        Key("kinds", _EDGE_KINDS, "All edges of these kinds"),
        Key("means", Choice(MEANS), "What makes them safe"),
        Key("from_m", _length(most=1e5), "Start along the edge"),
        Key("to_m", _length(most=1e5), "End along the edge"),
    ),
)

PRICES = Section(
    Prices,
    (
        Key("currency", Text(0), "Currency, as it is to be printed"),
        Key("anchor", Number(), "One anchor, installed"),
        Key("line_per_m", Number(), "Workers' line, per metre"),
        Key("anchor_line_per_m", Number(), "Anchor line, per metre"),
        Key("support", Number(), "One support of an anchor line"),
        Key("visit", Number(), "One visit to the site"),
        Key("edge_protection_per_m", Number(), "Guardrail or scaffold, per metre"),
    ),
)

CANDIDATES = Section(
    Candidates,
    (
        Key("spacing", _length("positive", most=100.0), "Spacing of rafters or trusses"),
        Key("offset", _length(most=100.0), "First rafter from the plane's edge"),
        Key(
            "along",
            ListOf(Choice((*EDGE_KINDS, "slope")), 0, None, f"a list of {', '.join(EDGE_KINDS)}, slope"),
            "Edges that take anchors; slope: all over the planes",
        ),
        Key("edge_setback", _length(most=100.0), "Least distance of anchors from fall edges"),
        Key("opening_setback", _length(most=100.0), "Least distance of anchors from openings"),
        Key("off_roof", ListOf(_POINT, 0, None, "a list of points [x, y, z]"), "Places beside the building"),
        Key("list_file", Text(0), "Table (CSV) of places of one's own; a relative path starts at the plan"),
        Key(
            "line_lengths",
            ListOf(_length("positive"), 0, None, 'a list of lengths, such as ["6 m", "10 m"]'),
            "Line lengths on offer",
        ),
        Key("anchor_lines", Switch(), "Whether anchor lines may be proposed"),
        Key("height", _length(most=10.0), "Tie-off point above the roof surface, measured upright"),
        Key("slope_step", _length("positive", most=100.0), "Distance of places along a rafter, on the slope"),
        Key("rating", Quantity("force", "positive"), "Rating of the anchors on offer"),
        Key("tied", Switch(), "Whether workers must be able to change anchors without letting go"),
        Key("tie_overlap", Number(), "Area in m2 that two anchors must both serve for such a change"),
    ),
)

PLAN = Section(
    Plan,
    (
        Key("title", Text(0), "What the plan is for"),
        Key("rules", Text(), "Name of a rule set, or the path of one", required=True),
        Key("model", MODEL, "The building's model", required=True),
        Key("worker", WORKER, "The people"),
        Key("line", LINE, "The line of every anchor that says nothing else"),
        Key("clearance", _overrides(CLEARANCE_NAMES), "Clearance terms in place of the rule set's"),
        Key(
            "limits",
            _overrides(tuple(name for name in NAMES if name not in CLEARANCE_NAMES)),
            "Other values in place of the rule set's",
        ),
        Key("anchor", ListOf(ANCHOR, what="tables [[anchor]]"), "Anchors", "anchors"),
        Key(
            "anchor_line", ListOf(ANCHOR_LINE, what="tables [[anchor_line]]"), "Anchor lines", "anchor_lines"
        ),
        Key("work", ListOf(WORK, what="tables [[work]]"), "Where work is done; none: on every roof plane"),
        Key("keep_out", ListOf(KEEP_OUT, what="tables [[keep_out]]"), "Where no anchor may be"),
        Key("protection", ListOf(PROTECTION, what="tables [[protection]]"), "Edges made safe otherwise"),
        Key("candidates", CANDIDATES, "Where anchors could be built"),
        Key("prices", PRICES, "Prices for the take-off"),
    ),
)
