"""Values of rule sets to SI, rounded once: 6 ft is the float nearest to 1.8288 m."""

from __future__ import annotations

from fractions import Fraction

from roof3d import units

SI_UNITS = {"length": "m", "mass": "kg", "force": "N", "angle": "deg", "fraction": "1", "ratio": "1"}
"""Unit in which each quantity is held."""

RULE_UNITS = {
    "length": ("m", "cm", "mm", "ft", "in"),
    "mass": ("kg", "lb"),
    "force": ("N", "kN", "lbf"),
    "angle": ("deg", ":12"),
    "fraction": ("1", "%"),
    "ratio": ("1",),
}
"""Units that a rule set may use for each quantity."""


def to_si(value: float, unit: str, quantity: str) -> float:
    """A value in one of ``RULE_UNITS[quantity]`` in SI; raises ``ValueError`` naming the units."""
    if unit not in RULE_UNITS[quantity]:
        raise ValueError(f"unit {unit!r}; accepted: {', '.join(RULE_UNITS[quantity])}")
    if quantity == "ratio" or unit == "1":
        return float(value)
    if quantity == "angle":
        return units.parse_pitch(f"{value}:12") if unit == ":12" else units.parse_angle(f"{value} deg")
    # the decimal digits that people wrote, times the factor's: no float product in between
    factor = units.PARSERS[quantity](f"1 {unit}")
    return float(Fraction(repr(value)) * Fraction(repr(factor)))
