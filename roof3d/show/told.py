"""Sentences of a check in other units and languages: as the result has them they are English and SI."""

from __future__ import annotations

import re
from collections.abc import Iterable

from roof3d.show.said import say
from roof3d.show.words import Texts
from roof3d.units import FOOT, POUND, POUND_FORCE, System, format_force, format_length, format_mass

STANDARD_GRAVITY = 9.80665  # m/s2
_FOOT_POUND = POUND_FORCE * FOOT  # J
_NUMBER = r"[-−]?\d+(?:\.\d+)?(?:e[+-]?\d+)?"
_MANY = (
    rf"\({_NUMBER}(?:, {_NUMBER})+\)",  # (1.00, 2.00, 3.00) m
    rf"{_NUMBER} x {_NUMBER} x {_NUMBER}",  # 14.6 x 10 x 9.6 m; two alone could be a number of times
    rf"{_NUMBER} to {_NUMBER}",
    _NUMBER,
)
_QUANTITY = re.compile(
    rf"(?<![\w.,/-])(?P<numbers>{'|'.join(_MANY)}) ?"
    r"(?P<unit>kN/m|kg/m|m/s2|m/s|mm|cm|m²|m2|kN|kJ|kg|m|N|J)(?![\w²/])"
)
_SCALES = {
    "m/s2": (1.0 / FOOT, "ft/s2"),
    "m/s": (1.0 / FOOT, "ft/s"),
    "m2": (1.0 / FOOT**2, "ft²"),
    "m²": (1.0 / FOOT**2, "ft²"),
    "kN/m": (1000.0 / POUND_FORCE * FOOT, "lbf/ft"),
    "kg/m": (FOOT / POUND, "lb/ft"),
    "J": (1.0 / _FOOT_POUND, "ft·lbf"),
    "kJ": (1000.0 / _FOOT_POUND, "ft·lbf"),
}
DOUBT = "in doubt: "  # the word by which an explanation marks one
_METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001}


def told(text: str, units: System, texts: Texts | None = None) -> str:
    """The sentence with its quantities in ``units``, in the language of ``texts``.

    Figures are those of the sentence, which the check has rounded, turned to the nearest eighth of an
    inch, pound, or the like: what counts is in the tables, which are rounded to the worse side.
    """
    if texts is not None:
        text = say(text, texts)
    if units == "m":
        return text
    return _QUANTITY.sub(_turned, text)


def told_sums(lines: Iterable[str], units: System, texts: Texts | None = None) -> list[str]:
    """The lines of an explanation: of these the doubts are sentences of the check."""
    return [_told_doubt(line, units, texts) if line.lstrip().startswith(DOUBT) else line for line in lines]


def _told_doubt(line: str, units: System, texts: Texts | None) -> str:
    before, after = line.split(DOUBT, 1)
    return before + DOUBT + told(after, units, texts)


def _turned(found: re.Match[str]) -> str:
    unit = found["unit"]
    return re.sub(_NUMBER, lambda one: _shown(float(one[0].replace("−", "-")), unit), found["numbers"])


def _shown(value: float, unit: str) -> str:
    if unit in _METRES:
        return format_length(value * _METRES[unit], "ft")
    if unit in ("N", "kN"):
        return format_force(value * (1000.0 if unit == "kN" else 1.0), "ft")
    if unit == "kg":
        return format_mass(value, "ft")
    factor, name = _SCALES[unit]
    return f"{value * factor:.4g} {name}"
