"""The names that a rule set may give values to: what each one means and what it is measured in."""

from __future__ import annotations

from dataclasses import dataclass

STATUSES = ("read", "quoted", "secondary", "memory", "computed", "assumed")
"""How far a value was verified, in the order of the trust that it deserves.

``read``: the clause itself was read. ``quoted``: read where an authority quotes the clause in full.
``secondary``: seen where somebody summarises the document. ``memory``: known but not seen.
``computed``: follows by arithmetic from other values, which the note names. ``assumed``: a choice of
the rule set's author that no document fixes.
"""

COPIES = ("law", "regulator", "mirror", "publisher", "paper", "none")
"""What kind of copy of a document was looked at: the law's own text, a regulator's page, somebody
else's copy of the text, the publisher's own summary, an open paper, or none at all."""

DATUMS = ("walking surface", "anchor", "d-ring")
"""What a clearance sum can be measured from."""


@dataclass(frozen=True)
class Name:
    """One name: ``quantity`` is a key of ``measures.SI_UNITS``; required ones stand in every set."""

    name: str
    quantity: str
    meaning: str
    required: bool = True


NAMES: dict[str, Name] = {
    entry.name: entry
    for entry in (
        # where fall protection is due
        Name("trigger_height", "length", "Height of fall from which fall protection is due; 0: any height"),
        Name("hole_trigger_height", "length", "The same for holes and rooflights", required=False),
        Name("protective_height", "length", "Least height of an upstand or rail that guards an edge"),
        Name("steep_slope_above_deg", "angle", "Slope above which a roof counts as steep"),
        Name("step_height", "length", "Deepest floor beyond an edge to step down to without a fall; 0: none"),
        Name("run_up", "length", "Height that the speed stands for with which a body may go over an edge"),
        # limits of the fall
        Name("free_fall_limit", "length", "Longest free fall of the D-ring allowed in arrest"),
        Name("arrest_force_limit", "force", "Highest force on the body allowed in arrest"),
        Name(
            "arrest_force_limit_short_fall",
            "force",
            "Highest force where the free fall keeps its limit, if the set asks for one of the two only",
            required=False,
        ),
        Name("lanyard_length_limit", "length", "Longest lanyard, absorber and connectors included"),
        Name("swing_angle_limit_deg", "angle", "Widest angle of the line off the normal to the edge"),
        Name("swing_drop_limit", "length", "Greatest drop that a swing may add"),
        Name(
            "swing_offset_limit",
            "length",
            "Furthest that a worker may go over, measured level, from where the line comes to rest",
            required=False,
        ),
        # clearance budget
        Name("attachment_height", "length", "D-ring above the soles, standing"),
        Name("deceleration", "length", "Budget term X: way from the system's first pull to the stop"),
        Name("harness_stretch", "length", "Budget term k: D-ring shift and harness stretch"),
        Name("margin", "length", "Budget term M: room to keep below the feet at the lowest point"),
        Name("line_elongation", "fraction", "Strain of the line in arrest where no rope data is given"),
        # people and tests
        Name("worker_mass", "mass", "Mass of a worker with tools to reckon with"),
        Name("worker_mass_limit", "mass", "Mass up to which the document's own values hold", required=False),
        Name("test_mass_force", "mass", "Test mass for arrest force", required=False),
        Name("test_mass_strength", "mass", "Test mass for strength", required=False),
        # anchors
        Name("anchor_strength", "force", "Strength asked of an anchor for one worker in arrest"),
        Name("anchor_strength_two", "force", "The same for two workers", required=False),
        Name("anchor_added_strength", "force", "Strength added for each further worker", required=False),
        Name("anchor_force_factor", "ratio", "Multiple of the arrest force that a designed anchor must hold"),
        Name("anchor_line_safety_factor", "ratio", "Multiple of its load that an anchor line must hold"),
        Name("anchor_line_slope_limit_deg", "angle", "Steepest line between two supports", required=False),
        Name("edge_anchor_setback", "length", "Least distance of an anchor from the edge", required=False),
        # restraint
        Name("restraint_setback", "length", "What a restraint line must lack to the nearest edge"),
        Name("restraint_anchor_strength", "force", "Strength asked of an anchor used for restraint only"),
        Name("restraint_force_factor", "ratio", "Multiple of the restraint force to hold", required=False),
        # other means
        Name(
            "warning_line_setback", "length", "Least distance of a warning line from the edge", required=False
        ),
        Name(
            "unguarded_work_setback",
            "length",
            "Distance from the edge beyond which none is due",
            required=False,
        ),
        Name("positioning_free_fall", "length", "Longest free fall in work positioning", required=False),
    )
}

ABSORBER_NAMES: dict[str, Name] = {
    entry.name: entry
    for entry in (
        Name("average_force", "force", "Highest average force while extending", required=False),
        Name("least_average_force", "force", "Least average force that still passes the class's own test"),
        Name("peak_force", "force", "Highest force"),
        Name("maximum_extension", "length", "Greatest extension, or arrest distance of a device"),
        Name("test_mass", "mass", "Mass dropped in the class's test"),
        Name("test_free_fall", "length", "Free fall in the class's test"),
        Name("activation_distance", "length", "Travel before a device locks", required=False),
    )
}
"""Values of an absorber class. The rule set's own class also answers to ``absorber_`` + name."""
