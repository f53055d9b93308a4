"""Quantities: text to SI and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from roof3d import units

# Factors: NIST Special Publication 811, appendix B (exact values of foot, inch and pound; pound-force
# 4.448222 N, lbf/in 175.1268 N/m, lb/ft 1.488164 kg/m), from memory.


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("4.2 m", 4.2),
        ("4.2m", 4.2),
        ("4.2", 4.2),
        (4.2, 4.2),
        (3, 3.0),
        ("420 cm", 4.2),
        ("4200 mm", 4.2),
        ("1e3 mm", 1.0),
        (".5 m", 0.5),
        ("16 ft", 4.8768),
        ("16'", 4.8768),
        ("16.5 ft", 5.0292),
        ("16 1/2 ft", 5.0292),
        ("16 FT", 4.8768),
        ("16' 3-1/2\"", 4.9657),
        ("16'-3 1/2\"", 4.9657),
        ("16'3-1/2\"", 4.9657),
        ("16′ 3‑1/2″", 4.9657),
        ("16’ 3 - 1/2”", 4.9657),
        ("16 ft 3 in", 4.953),
        ("16 ft. 3 in.", 4.953),
        ("16 feet 3.5 inches", 4.9657),
        ("0' 0\"", 0.0),
        ("195 in", 4.953),
        ("3/8 in", 0.009525),
        ('1-1/4"', 0.03175),
        ("16\u00a0ft", 4.8768),
    ],
)
def test_lengths_that_people_write(text: str | float, metres: float) -> None:
    assert units.parse_length(text) == pytest.approx(metres, rel=1e-15, abs=1e-15)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "m",
        "1,5 m",
        "1,500 mm",
        "1.500,0 mm",
        "1 500 mm",
        "1_500 mm",
        "nan",
        "NaN m",
        "inf",
        "1e400 m",
        float("nan"),
        float("inf"),
        10**400,
        True,
        None,
        [4.2],
        "-3 m",
        "− 3 m",
        -3,
        "5 furlongs",
        "5 km",
        "4.2 m 3",
        "4 m 20 cm",
        "16' 3",
        "16 ft 14 in",
        "16.5' 3\"",
        "3-1/2",
        "3-1/2 m",
        "3 5/4 in",
        "1/0 in",
        "5-6 ft",
        "3 in 2 ft",
        "16''",
        "٤ m",
        "4.2.1 m",
        "--4 m",
        "4 m/s",
        "0x10 m",
    ],
)
def test_lengths_that_are_refused(text: object) -> None:
    with pytest.raises(ValueError, match=r"found .*accepted: ") as caught:
        units.parse_length(text)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_the_comma_is_named() -> None:
    with pytest.raises(ValueError, match="'1,5 m': a comma"):
        units.parse_length("1,5 m")


def test_signs() -> None:
    assert units.parse_length("-16' 3\"", sign="any") == pytest.approx(-4.953)
    assert units.parse_length("-0", sign="any") == 0.0
    assert math.copysign(1, units.parse_length("-0 m")) == 1
    with pytest.raises(ValueError, match="more than zero"):
        units.parse_length("0 m", sign="positive")


def test_other_quantities() -> None:
    assert units.parse_mass("220 lb") == pytest.approx(99.7903214)
    assert units.parse_mass("100 kg") == units.parse_mass(100) == 100
    assert units.parse_force("6 kN") == units.parse_force("6000 N") == units.parse_force("600 daN") == 6000
    assert units.parse_force("1800 lbf") == pytest.approx(8006.7996, rel=1e-6)
    assert units.parse_force("5000 lb") == pytest.approx(22241.11, rel=1e-6)
    assert units.parse_strain_stiffness("0.04 MN") == pytest.approx(40e3)
    assert units.parse_stiffness("25 N/mm") == units.parse_stiffness("25 kN/m") == pytest.approx(25e3)
    assert units.parse_stiffness("1 lbf/in") == pytest.approx(175.1268, rel=1e-6)
    assert units.parse_mass_per_length("1 lb/ft") == pytest.approx(1.488164, rel=1e-6)
    assert units.parse_mass_per_length("80 g / m") == pytest.approx(0.08)
    assert units.parse_fraction("3 %") == pytest.approx(0.03)
    assert units.parse_fraction(0.03) == 0.03
    assert units.parse_angle("0.5 rad") == pytest.approx(28.6478898)
    assert units.parse_angle("18.4°") == units.parse_angle(18.4) == 18.4


@pytest.mark.parametrize(
    ("parser", "text"),
    [
        ("force", "6 kg"),
        ("force", "6 mN"),
        ("force", "6 mn"),
        ("mass", "6 N"),
        ("mass", "1,000 kg"),
        ("stiffness", "25 kN"),
        ("stiffness", "25 m/kN"),
        ("stiffness", "25 kN/"),
        ("mass_per_length", "80 g"),
        ("fraction", "3"),
        ("fraction", 3),
        ("fraction", "150 %"),
        ("fraction", "-1 %"),
        ("angle", "3 m"),
        ("angle", "4:12"),
        ("pitch", "4:0"),
        ("pitch", "91 deg"),
        ("pitch", "-4:12"),
        ("pitch", "4:12:3"),
        ("pitch", "1e400:1"),
        ("pitch", "nan"),
        ("pitch", "1e400 %"),
    ],
)
def test_other_quantities_that_are_refused(parser: str, text: object) -> None:
    with pytest.raises(ValueError, match="accepted: "):
        units.PARSERS[parser](text)


@pytest.mark.parametrize("rise", [3, 4, 6, 8, 12, 16])
def test_pitch_is_the_arc_tangent_of_rise_over_run(rise: int) -> None:
    degrees = math.degrees(math.atan(rise / 12))
    assert units.parse_pitch(f"{rise}:12") == pytest.approx(degrees, abs=1e-12)
    assert (
        units.parse_pitch(f"{rise} in 12")
        == units.parse_pitch(f"{rise}/12")
        == units.parse_pitch(f"{rise}:12")
    )
    assert units.parse_pitch(f"{rise * 100 / 12} %") == pytest.approx(degrees, abs=1e-9)
    assert units.pitch_over_12(degrees) == pytest.approx(rise)
    assert units.format_pitch(degrees) == f"{degrees:.1f}° ({rise}.0:12)"


def test_pitch_of_a_wall() -> None:
    assert units.parse_pitch("90 deg") == 90
    assert units.format_pitch(90.0) == "90.0°"


@pytest.mark.parametrize(
    ("metres", "direction", "text"),
    [
        (4.9657, "nearest", "16' 3-1/2\""),
        (4.9657, "up", "16' 3-1/2\""),  # exact: rounding must not add a step of float noise
        (4.9657, "down", "16' 3-1/2\""),
        (4.9658, "up", "16' 3-5/8\""),
        (4.9656, "down", "16' 3-3/8\""),
        (0.3047, "nearest", "1' 0\""),
        (0.3047, "down", "0' 11-7/8\""),
        (0.0032, "nearest", "0' 1/8\""),
        (-0.3048, "nearest", "-1' 0\""),
        (-0.001, "nearest", "0' 0\""),
        (-0.001, "down", "-0' 1/8\""),
        (-0.001, "up", "0' 0\""),
    ],
)
def test_feet_and_inches(metres: float, direction: units.Direction, text: str) -> None:
    assert units.format_length(metres, "ft", direction=direction) == text


def test_metres() -> None:
    assert units.format_length(1.1, direction="up") == "1.10 m"
    assert units.format_length(1.1, direction="down") == "1.10 m"
    assert units.format_length(1.1001, direction="up") == "1.11 m"
    assert units.format_length(1.1099, direction="down") == "1.10 m"
    assert units.format_length(-0.001) == "0.00 m"
    assert units.format_length(4.25, decimals=1, direction="up") == "4.3 m"
    with pytest.raises(ValueError, match="accepted: m, ft"):
        units.format_length(1.0, "yd")  # type: ignore[arg-type]


def test_other_formats() -> None:
    assert units.format_force(6000) == "6.00 kN"
    assert units.format_force(6000, "ft") == "1349 lbf"
    assert units.format_force(6000, "ft", direction="down") == "1348 lbf"
    assert units.format_force(6001, direction="up") == "6.01 kN"
    assert units.format_area(100, "ft") == "1076 ft²"
    assert units.format_area(100) == "100.0 m²"
    assert units.format_mass(100, "ft") == "220.5 lb"
    assert units.format_angle(-0.0) == "0.0°"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_figure_for_what_is_not_finite(value: float) -> None:
    for function in (units.format_length, units.format_force, units.format_area, units.format_angle):
        with pytest.raises(ValueError, match="finite"):
            function(value)


lengths = st.floats(min_value=-1e5, max_value=1e5, allow_nan=False)


@given(lengths, st.sampled_from(["m", "ft"]), st.sampled_from(["nearest", "up", "down"]))
@example(4.9657, "ft", "up")
@example(-1e-9, "ft", "down")
def test_what_is_printed_parses_back(metres: float, system: units.System, direction: units.Direction) -> None:
    step = {"m": 0.01, "ft": units.INCH / 8}[system]
    back = units.parse_length(units.format_length(metres, system, direction=direction), sign="any")
    noise = step * max(1e-9, 1e-11 * abs(metres) / step) + 1e-15
    assert abs(back - metres) <= step * (0.5 if direction == "nearest" else 1) + noise
    if direction == "up":
        assert back >= metres - noise  # what is needed is never printed smaller
    if direction == "down":
        assert back <= metres + noise  # what is there is never printed greater


@given(lengths, st.sampled_from(sorted(units.LENGTH_UNITS)), st.sampled_from(["", " ", "  "]))
def test_every_unit_goes_there_and_back(value: float, unit: str, gap: str) -> None:
    got = units.parse_length(f"{value!r}{gap}{unit}", sign="any")
    assert got == pytest.approx(value * units.LENGTH_UNITS[unit], rel=1e-15, abs=1e-300)


@given(
    st.integers(0, 500),
    st.integers(0, 11),
    st.integers(0, 7),
    st.sampled_from(["{}' {}\"", "{}'-{}\"", "{} ft {} in"]),
)
def test_feet_inches_and_eighths(feet: int, inches: int, eighths: int, form: str) -> None:
    text = form.format(feet, f"{inches} {eighths}/8" if eighths else inches)
    assert units.parse_length(text) == pytest.approx((feet * 12 + inches + eighths / 8) * 0.0254, rel=1e-14)


@given(st.text(max_size=12))
def test_any_text_is_a_finite_number_or_a_clear_refusal(text: str) -> None:
    for parser in units.PARSERS.values():
        try:
            value = parser(text)
        except ValueError as error:
            assert "found" in str(error)
            assert "accepted" in str(error)
        else:
            assert math.isfinite(value)
            assert any(character.isdigit() for character in text)
            assert "," not in text
