"""The plan file of each example building: rule set, worker, line, anchors."""

from __future__ import annotations

from dataclasses import dataclass

from .house import House, Number

Point = tuple[Number, Number, Number]

# Equipment and prices of the examples: plausible, and invented like the village.
ABSORBER = """[line.absorber]
name = "example absorber"
average_force = "4.2 kN"
peak_force = "6 kN"
maximum_extension = "1.75 m"
source = "invented for this example; take the maker's sheet"
"""
CABLE = """pretension = "1 kN"
maximum_span = "8 m"
maximum_workers = 2
end_rating = "24 kN"
support_rating = "12 kN"
rope = { name = "example cable, 8 mm steel", stiffness = 3.6e6, mass_per_length = 0.25, strength = "36 kN", \
source = "invented for this example; take the maker's sheet" }
""".replace("\\\n", "")
PRICES = """[prices]
currency = "crowns (invented)"
anchor = 90
line_per_m = 3
anchor_line_per_m = 25
support = 60
visit = 150
edge_protection_per_m = 30
"""


@dataclass(frozen=True)
class Choice:
    """What a plan says, in the unit and axes of the house's author."""

    rules: str
    model: str  # obj or glb
    length: str
    policy: str
    anchors: tuple[tuple[str, Point], ...] = ()
    anchor_lines: tuple[tuple[str, tuple[Point, ...]], ...] = ()
    grade: bool = True  # the ground is level at the foot of the house; False: it is in the model
    more: str = ""  # further lines of the [line] table
    tables: tuple[str, ...] = ()  # further tables
    rating: str = ""  # of every anchor
    mass: str = "100 kg"
    height: str = "1.5 m"
    remark: str = ""


CHOICES = {
    "gable": Choice(
        "us-construction",
        "glb",
        "4.2 m",
        "fixed",
        (("A1", (3, 4, "5.3")), ("A2", (9, 4, "5.3"))),
        rating="24 kN",
        tables=(
            """[candidates]              # where roof3d place may put anchors
along = ["ridge"]
spacing = "0.6 m"
offset = "0.4 m"
line_lengths = ["4.2 m", "6 m"]
""",
            PRICES,
        ),
        remark="Two ridge anchors, one length of rope for both slopes.",
    ),
    "hip": Choice(
        "us-construction",
        "obj",
        "17 ft 6 in",
        "fixed",
        (("A1", (17, 15, "18.4")), ("A2", (25, 15, "18.4"))),
        mass="220 lb",
        height="5 ft",
        remark="The model is in feet; plain numbers in a plan are metres all the same.",
    ),
    "l-valley": Choice(
        "uk",
        "obj",
        "6 m",
        "fixed",
        (("A1", (4, "4.4", "8.33")), ("A2", ("11.6", "4.4", "8.33")), ("A3", ("11.6", -3, "8.33"))),
        remark="Map coordinates kept: the foot of the house is at 40 m above datum.",
    ),
    "dormers": Choice(
        "eu-363",
        "obj",
        "6.5 m",
        "snug",
        (("A1", (7, "4.5", "8.55")),),
        (("H1", ((1, "4.5", "8.55"), (4, "4.5", "8.55"), ("6.2", "4.5", "8.55"))),),
        more='slack = "0.3 m"\n',
        tables=(
            ABSORBER,
            """[[work]]                  # only the gutters and the main verges have to be reached
id = "gutters"
edge_kinds = ["eave", "rake"]
strip = "1 m"
""",
        ),
        rating="12 kN",
        remark="A single anchor by the chimney and an anchor line along the western ridge.",
    ),
    "t-plan": Choice(
        "us-construction",
        "obj",
        "16 ft",
        "restraint",
        (("A1", (14, 12, "19.2")), ("A2", (33, 12, "19.2"))),
        mass="220 lb",
        height="5 ft",
        remark="The longest rope that keeps everybody off every edge is asked for.",
    ),
    "mono-pitch": Choice(
        "eu-363",
        "obj",
        "5 m",
        "fixed",
        (("A1", ("6.5", 6, "4.85")),),
        (("H1", (("6.5", 1, "4.85"), ("6.5", 4, "4.85"), ("6.5", 8, "4.85"), ("6.5", 11, "4.85"))),),
        remark="The open rooflight is an edge like any other. Map coordinates kept, ground at 212 m.",
    ),
    "mansard": Choice(
        "eu-363",
        "glb",
        "5.5 m",
        "fixed",
        (("A1", (5, 5, "10.1")), ("A2", (7, 5, "10.1"))),
        tables=(
            ABSORBER,
            """[[protection]]            # a scaffold stands along these
kinds = ["eave"]
means = "scaffold"
""",
        ),
        remark="A scaffold guards the eaves; ropes run over the break to the steep lower slopes.",
    ),
    "flat": Choice(
        "us-general-industry",
        "obj",
        "20 ft",
        "fixed",
        (("A1", (50, 12, "22.2")), ("A2", (50, 48, "22.2"))),
        (("H1", ((12, 30, "22.5"), (31, 30, "22.5"), (50, 30, "22.5"), (69, 30, "22.5"), (88, 30, "22.5"))),),
        mass="220 lb",
        height="5 ft",
        remark="The parapet is too low to guard; the skylights are open, for glass carries nobody.",
    ),
    "terrace": Choice(
        "eu-363",
        "glb",
        "5 m",
        "fixed",
        tuple((f"A{i + 1}", (6 * i + 3, "4.5", f"{8.39 - 0.6 * i:.2f}")) for i in range(4)),
        grade=False,
        remark="The ground falls 1:10 along the row and is part of the model.",
    ),
    "butterfly": Choice(
        "au-nz",
        "glb",
        "4 m",
        "fixed",
        (("A1", (5, "2.5", "3.5")), ("A2", (5, "6.5", "3.5"))),
        remark="Ropes lift off over the valley: a rope's way is shorter than the way along the roof.",
    ),
    "forty-planes": Choice(
        "ca",
        "glb",
        "8 m",
        "fixed",
        (
            *((f"A{i}", (x, 7, "11.3")) for i, x in enumerate(("8.5", "16.5", 24, "31.5", "39.5"), start=1)),
            *((f"A{i}", (x, 1, "9.05")) for i, x in enumerate((9, 24, 39), start=6)),
            *((f"A{i}", (x, 13, "9.05")) for i, x in enumerate((9, 24, 39), start=9)),
        ),
        tables=(
            """[candidates]
along = ["ridge", "hip"]
spacing = "1 m"
line_lengths = ["6 m", "8 m", "10 m"]
""",
            PRICES,
        ),
        remark="Five anchors on the long ridge, one on the ridge of each wing.",
    ),
}


def text(house: House, village: str) -> str:
    """The plan of a house as TOML text."""
    choice = CHOICES[house.name]
    lines = [
        f"# {house.address}: {house.title}.",
        f"# {village}.",
        f"# {choice.remark}",
        "# Not a plan to climb by: a competent person plans on site, to the local rules.",
        "",
        f'title = "{house.address}, Quillowmere (invented)"',
        f'rules = "{choice.rules}"',
        "",
        "[model]",
        f'file = "{house.name}.{choice.model}"',
    ]
    if choice.model == "obj":
        lines += [f'unit = "{house.file_unit}"', 'up = "z"']
    else:
        lines += ["# GLB is in metres with y up by its standard; points below are metres with z up"]
    if choice.grade:
        lines += [f"grade = {float(house.loaded(0, 0, 0)[2]):.1f}"]
    lines += [
        "",
        "[worker]",
        f'mass = "{choice.mass}"',
        f'attachment_height = "{choice.height}"',
        "",
        "[line]",
        f'length = "{choice.length}"',
        f'policy = "{choice.policy}"',
    ]
    lines += choice.more.splitlines()
    early = [table for table in choice.tables if table.startswith("[line")]
    late = [table for table in choice.tables if not table.startswith("[line")]
    for table in early:
        lines += ["", *table.splitlines()]
    for name, point in choice.anchors:
        lines += ["", "[[anchor]]", f'id = "{name}"', f"at = {house.point(*point)}"]
        if choice.rating:
            lines.append(f'rating = "{choice.rating}"')
    for name, points in choice.anchor_lines:
        listed = ", ".join(house.point(*p) for p in points)
        lines += ["", "[[anchor_line]]", f'id = "{name}"', f"points = [{listed}]", *CABLE.splitlines()]
    for table in late:
        lines += ["", *table.splitlines()]
    return "\n".join(lines) + "\n"
