"""Quantities that people write and read: text with a unit to SI and back.

Plain numbers, and text without a unit, are taken as SI (angles: degrees). Whatever could be read in
two ways is refused with a ``ValueError`` that says what was found and what is accepted; the caller
adds the file and the place. A comma is always refused: ``1,5`` is 1.5 to some and 15 to others.

Factors: international foot 0.3048 m and avoirdupois pound 0.45359237 kg (exact by the international
yard and pound agreement, 1959); standard gravity 9.80665 m/s2 (exact, CGPM 1901).
"""

from __future__ import annotations

import math
import re
import reprlib
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Literal

__all__ = [
    "FOOT",
    "INCH",
    "LENGTH_UNITS",
    "PARSERS",
    "POUND",
    "POUND_FORCE",
    "format_angle",
    "format_area",
    "format_force",
    "format_length",
    "format_mass",
    "format_pitch",
    "parse_angle",
    "parse_force",
    "parse_fraction",
    "parse_length",
    "parse_mass",
    "parse_mass_per_length",
    "parse_pitch",
    "parse_stiffness",
    "parse_strain_stiffness",
    "pitch_over_12",
]

FOOT = 0.3048  # m
INCH = 0.0254  # m
POUND = 0.45359237  # kg
STANDARD_GRAVITY = 9.80665  # m/s2
POUND_FORCE = POUND * STANDARD_GRAVITY  # N

Sign = Literal["any", "nonnegative", "positive"]
Direction = Literal["nearest", "up", "down"]
System = Literal["m", "ft"]

# units that a model file may be in, and their length in metres
LENGTH_UNITS: Mapping[str, float] = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": FOOT, "in": INCH}

_LENGTHS: Mapping[str, float] = {
    **LENGTH_UNITS,
    **dict.fromkeys(("metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("centimetre", "centimetres", "centimeter", "centimeters"), 0.01),
    **dict.fromkeys(("millimetre", "millimetres", "millimeter", "millimeters"), 0.001),
    **dict.fromkeys(("foot", "feet", "ft.", "'"), FOOT),
    **dict.fromkeys(("inch", "inches", "in.", '"'), INCH),
}
_MASSES: Mapping[str, float] = {
    "kg": 1.0,
    "g": 0.001,
    **dict.fromkeys(("lb", "lbs", "lb.", "lbm", "pound", "pounds"), POUND),
}
# "lb" in a place where only a force can stand is the pound-force
_FORCES: Mapping[str, float] = {
    "N": 1.0,
    "daN": 10.0,
    "kN": 1e3,
    "MN": 1e6,
    "kgf": STANDARD_GRAVITY,
    **dict.fromkeys(("lbf", "lb", "lbs", "lb."), POUND_FORCE),
    **dict.fromkeys(("kip", "kips"), 1000 * POUND_FORCE),
}
_ANGLES: Mapping[str, float] = {
    **dict.fromkeys(("deg", "degree", "degrees", "°"), 1.0),
    "rad": math.degrees(1.0),
}
_FRACTIONS: Mapping[str, float] = {**dict.fromkeys(("%", "percent"), 0.01)}

_LENGTH_EXAMPLES = "4.2 m, 420 cm, 4200 mm, 16 ft, 16' 3-1/2\" or 195 in; a plain number is metres"

_DECIMAL = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_MIXED = r"(?:[0-9]+(?:\s*-\s*|\s+))?[0-9]+\s*/\s*[0-9]+"
_ONE_UNIT = re.compile(
    rf"(?P<sign>[+-]?)\s*(?P<number>{_MIXED}|{_DECIMAL})\s*(?P<unit>[^0-9\s+.-].*)?", re.ASCII
)
_FEET_INCHES = re.compile(
    rf"(?P<sign>[+-]?)\s*(?P<feet>[0-9]+)\s*(?:'|ft\.?|feet|foot)\s*-?\s*"
    rf"(?P<inches>{_MIXED}|[0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*(?:\"|in\.?|inch|inches)",
    re.ASCII | re.IGNORECASE,
)
_RATIO = re.compile(rf"(?P<rise>{_DECIMAL}|{_MIXED})\s*(?::|in|/)\s*(?P<run>{_DECIMAL})", re.ASCII)
_PRIMES = str.maketrans({"’": "'", "′": "'", "‘": "'", "”": '"', "″": '"', "“": '"', "−": "-", "\u2011": "-"})


# ------------------------------------------------------------------------------------------ parsing


def parse_length(value: str | float, *, sign: Sign = "nonnegative") -> float:
    """Length in metres from ``4.2 m``, ``16 ft``, ``16' 3-1/2"``, ``16 ft 3 in``, or metres as a number.

    ``sign`` says whether negative values ("any") or zero ("nonnegative") may stand here.
    Raises ``ValueError`` for all else.
    """
    if isinstance(value, str):
        match = _FEET_INCHES.fullmatch(_tidy(value))
        if match:
            inches = _number(match["inches"], value)
            if inches >= 12:
                raise ValueError(
                    f"found {_show(value)}: 12 inches or more beside feet; accepted: {_LENGTH_EXAMPLES}"
                )
            metres = float(match["feet"]) * FOOT + inches * INCH
            return _signed(-metres if match["sign"] == "-" else metres, value, sign)
    return _parse(value, _LENGTHS, sign, _LENGTH_EXAMPLES)


def parse_angle(value: str | float, *, sign: Sign = "any") -> float:
    """Angle in degrees from ``18.4 deg``, ``18.4°``, ``0.32 rad``, or degrees as a number."""
    return _parse(value, _ANGLES, sign, "18.4 deg, 18.4° or 0.32 rad; a plain number is degrees")


def parse_pitch(value: str | float) -> float:
    """Roof pitch in degrees, 0 to 90, from ``4:12``, ``4 in 12``, ``18.4 deg``, ``33 %``, or degrees."""
    accepted = "4:12, 18.4 deg or 33 %; a plain number is degrees; 0 to 90 degrees"
    if isinstance(value, str):
        text = _tidy(value)
        match = _RATIO.fullmatch(text)
        if match:
            rise, run = _number(match["rise"], value), _number(match["run"], value)
            if not (math.isfinite(rise) and math.isfinite(run) and run > 0):
                raise ValueError(f"found {_show(value)}: not a rise over a run; accepted: {accepted}")
            return math.degrees(math.atan2(rise, run))
        if text.endswith(("%", "percent")):
            return math.degrees(math.atan(_parse(value, _FRACTIONS, "nonnegative", accepted)))
    degrees = _parse(value, _ANGLES, "nonnegative", accepted)
    if degrees > 90:
        raise ValueError(f"found {_show(value)}: steeper than a wall; accepted: {accepted}")
    return degrees


def parse_mass(value: str | float, *, sign: Sign = "nonnegative") -> float:
    """Mass in kilograms from ``100 kg``, ``220 lb``, or kilograms as a number."""
    return _parse(value, _MASSES, sign, "100 kg or 220 lb; a plain number is kilograms")


def parse_force(value: str | float, *, sign: Sign = "nonnegative") -> float:
    """Force in newtons from ``6 kN``, ``6000 N``, ``1800 lbf``, or newtons as a number."""
    return _parse(value, _FORCES, sign, "6 kN, 6000 N or 1800 lbf; a plain number is newtons")


def parse_strain_stiffness(value: str | float, *, sign: Sign = "nonnegative") -> float:
    """Force per unit strain (EA) in newtons from ``40 kN``, ``9000 lbf``, or newtons as a number."""
    return _parse(
        value, _FORCES, sign, "40 kN, 40000 N or 9000 lbf per unit strain; a plain number is newtons"
    )


def parse_stiffness(value: str | float, *, sign: Sign = "nonnegative") -> float:
    """Stiffness in N/m from ``25 kN/m``, ``25 N/mm``, ``140 lbf/in``, or N/m as a number."""
    return _parse_per(value, _FORCES, sign, "25 kN/m, 25 N/mm or 140 lbf/in; a plain number is N/m")


def parse_mass_per_length(value: str | float, *, sign: Sign = "nonnegative") -> float:
    """Mass per length in kg/m from ``0.3 kg/m``, ``80 g/m``, ``0.2 lb/ft``, or kg/m as a number."""
    return _parse_per(value, _MASSES, sign, "0.3 kg/m, 300 g/m or 0.2 lb/ft; a plain number is kg/m")


def parse_fraction(value: str | float, *, sign: Sign = "nonnegative", maximum: float = 1.0) -> float:
    """Fraction (1 = the whole) from ``3 %`` or ``0.03``; above ``maximum`` is refused."""
    accepted = f"3 % or 0.03, at most {maximum:g}"
    fraction = _parse(value, _FRACTIONS, sign, accepted)
    if fraction > maximum:
        raise ValueError(f"found {_show(value)}, which is {fraction * 100:g} %; accepted: {accepted}")
    return fraction


# what a table of keys can name, for readers that look their parser up
PARSERS: Mapping[str, Callable[..., float]] = {
    "length": parse_length,
    "angle": parse_angle,
    "pitch": parse_pitch,
    "mass": parse_mass,
    "force": parse_force,
    "stiffness": parse_stiffness,
    "strain_stiffness": parse_strain_stiffness,
    "mass_per_length": parse_mass_per_length,
    "fraction": parse_fraction,
}


_repr = reprlib.Repr()
_repr.maxstring = _repr.maxother = 60


def _show(value: object) -> str:
    """A value as it was given, cut short where it is very long."""
    return _repr.repr(value)


def _tidy(text: str) -> str:
    """One kind of prime, minus and space."""
    return " ".join(text.translate(_PRIMES).split())


def _number(text: str, value: object) -> float:
    """A decimal number or a (mixed) fraction; all characters are known to be in order."""
    if "/" not in text:
        return float(text)
    *whole, top = text.replace("-", " ").split("/")[0].split()
    bottom = text.split("/")[1]
    if int(bottom) == 0 or (whole and int(top) >= int(bottom)):
        raise ValueError(
            f"found {_show(value)}, whose fraction is not a proper one; accepted: fractions such as 3-1/2"
        )
    return float(int(whole[0]) if whole else 0) + float(Fraction(int(top), int(bottom)))


def _parse(value: object, units: Mapping[str, float], sign: Sign, accepted: str) -> float:
    number, unit = _split(value, accepted)
    return _signed(number * _factor(unit, units, value, accepted), value, sign)


def _parse_per(value: object, units: Mapping[str, float], sign: Sign, accepted: str) -> float:
    """A quantity per length, such as ``N/m``."""
    number, unit = _split(value, accepted)
    if not unit:
        return _signed(number, value, sign)
    top, slash, bottom = unit.partition("/")
    if not (top.strip() and slash and bottom.strip()):
        raise ValueError(f"found {_show(value)}: no unit per unit of length; accepted: {accepted}")
    over = _factor(top.strip(), units, value, accepted)
    return _signed(number * over / _factor(bottom.strip(), _LENGTHS, value, accepted), value, sign)


def _split(value: object, accepted: str) -> tuple[float, str]:
    """Number and unit text ("" where there is none)."""
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"found {_show(value)}, which is not a number or a text; accepted: {accepted}")
    if not isinstance(value, str):
        try:
            return float(value), ""
        except OverflowError:
            return math.inf, ""
    text = _tidy(value)
    if "," in text:
        raise ValueError(
            f"found {_show(value)}: a comma can be a decimal or a thousands mark; accepted: {accepted}"
        )
    match = _ONE_UNIT.fullmatch(text)
    if match is None:
        raise ValueError(f"found {_show(value)}; accepted: {accepted}")
    unit = (match["unit"] or "").strip()
    if "/" in match["number"] and unit.casefold() not in {
        "in",
        "in.",
        "inch",
        "inches",
        '"',
        "ft",
        "ft.",
        "feet",
        "'",
    }:
        raise ValueError(f"found {_show(value)}: a fraction without feet or inches; accepted: {accepted}")
    number = _number(match["number"], value)
    return (-number if match["sign"] == "-" else number), unit


def _factor(unit: str, units: Mapping[str, float], value: object, accepted: str) -> float:
    """Factor of a unit; letter case matters only where it makes another unit (mN and MN)."""
    if not unit:
        return 1.0
    if unit in units:
        return units[unit]
    alike = {factor for name, factor in units.items() if name.casefold() == unit.casefold() and name != "MN"}
    if len(alike) != 1:
        raise ValueError(f"found {_show(value)} with unknown unit {unit!r}; accepted: {accepted}")
    return alike.pop()


def _signed(number: float, value: object, sign: Sign) -> float:
    if not math.isfinite(number):
        raise ValueError(f"found {_show(value)}, which is not a finite number; accepted: finite numbers")
    if sign != "any" and number < 0:
        raise ValueError(f"found {_show(value)}, which is negative; accepted: zero or more")
    if sign == "positive" and number == 0:
        raise ValueError(f"found {_show(value)}; accepted: more than zero")
    return number + 0.0  # no minus zero


# --------------------------------------------------------------------------------------- formatting


def format_length(
    value_m: float, units: System = "m", *, direction: Direction = "nearest", decimals: int = 2
) -> str:
    """Metres as ``4.96 m``, or as feet and inches to 1/8 in: ``16' 3-1/2"``.

    ``direction`` says which way to round: a height that is needed goes "up", one that is there goes
    "down", so that no printed figure looks better than the computed one. Raises ``ValueError`` for
    NaN and infinities, which a caller has to put in words.
    """
    if units == "m":
        steps = _steps(value_m * 10**decimals, direction)
        return f"{steps / 10**decimals + 0.0:.{decimals}f} m"
    if units != "ft":
        raise ValueError(f"found units {units!r}; accepted: m, ft")
    eighths = _steps(value_m / INCH * 8, direction)
    feet, rest = divmod(abs(eighths), 96)
    inches, part = divmod(rest, 8)
    fraction = Fraction(part, 8)
    text = f"{inches}" if not part else f"{inches}-{fraction}" if inches else f"{fraction}"
    return f"{'-' if eighths < 0 else ''}{feet}' {text}\""


def format_area(value_m2: float, units: System = "m") -> str:
    """Square metres as ``42.1 m²`` or ``453 ft²``."""
    if units == "m":
        return f"{_finite(value_m2):.1f} m²"
    return f"{_finite(value_m2) / FOOT**2:.0f} ft²"


def format_force(value_n: float, units: System = "m", *, direction: Direction = "nearest") -> str:
    """Newtons as ``6.00 kN`` or ``1349 lbf``; a load goes "up", a strength "down"."""
    if units == "m":
        return f"{_steps(value_n / 10, direction) / 100 + 0.0:.2f} kN"
    return f"{_steps(value_n / POUND_FORCE, direction)} lbf"


def format_mass(value_kg: float, units: System = "m") -> str:
    """Kilograms as ``100 kg`` or ``220 lb``."""
    return f"{_finite(value_kg):.4g} kg" if units == "m" else f"{_finite(value_kg) / POUND:.4g} lb"


def format_angle(value_deg: float) -> str:
    """Degrees as ``18.4°``."""
    return f"{_finite(value_deg) + 0.0:.1f}°"


def pitch_over_12(pitch_deg: float) -> float:
    """Rise for a run of 12: 18.43 degrees is 4; infinite for a wall."""
    return math.inf if pitch_deg >= 90 else 12 * math.tan(math.radians(pitch_deg))


def format_pitch(pitch_deg: float) -> str:
    """Degrees as ``18.4° (4.0:12)``; walls without the ratio."""
    rise = pitch_over_12(_finite(pitch_deg))
    return format_angle(pitch_deg) if rise > 120 else f"{format_angle(pitch_deg)} ({rise:.1f}:12)"


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(
            f"found {_show(value)}, which cannot be printed as a quantity; accepted: finite numbers"
        )
    return value


def _steps(scaled: float, direction: Direction) -> int:
    """Whole steps; what is within float noise of a step counts as on it."""
    nearest = round(_finite(scaled))
    if direction == "nearest" or abs(scaled - nearest) <= max(1e-9, 1e-12 * abs(scaled)):
        return nearest
    if direction not in ("up", "down"):
        raise ValueError(f"found direction {direction!r}; accepted: nearest, up, down")
    return math.ceil(scaled) if direction == "up" else math.floor(scaled)
