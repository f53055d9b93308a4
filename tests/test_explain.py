"""Explain: figures of a result unfold into formulas that come to the figure, or say why not."""

from __future__ import annotations

import copy
import re

import pytest

from roof3d.errors import InputError
from roof3d.explain import accepted_places, explain, find
from roof3d.explain.fields import MEANINGS, show, unit_of


def entry(name, value, unit="m", **more):
    return {
        "name": name,
        "value": value,
        "unit": unit,
        "text": f"{value} as printed",
        "document": "Document of an invented regime",
        "clause": "7.1",
        "year": 2020,
        "status": "memory",
        "note": "",
        **more,
    }


def segment(edge, low, high, anchor, state, surplus, available):
    s = surplus if state != "beyond" else 0.0
    terms = {"h": 1.5, "s": s, "X": 1.07 + 0.03 * 6.0, "k": 0.3, "M": 0.6}
    required = sum(terms.values())
    falls = state not in ("held", "beyond")
    return {
        "edge": edge,
        "from_m": low,
        "to_m": high,
        "anchor": anchor,
        "state": state,
        "taut_length_m": 6.0 - surplus,
        "surplus_m": surplus,
        "free_fall_m": 1.5 + surplus if falls else None,
        "swing_drop_m": 0.4 if falls else None,
        "swing_angle_deg": 21.0 if falls else None,
        "rest_point": [1.0, 0.0, 3.0] if falls else None,
        "clearance_required_m": required if falls else None,
        "clearance_available_m": available if falls else None,
        "margin_m": available - required if falls else None,
        "strikes": "ground",
        "doubt": "",
        "clearance_terms": terms if falls else None,
        "sums": {"line_m": 6.0, "taut_m": 6.0 - surplus}
        | (
            {
                "line_at_worst_m": 6.0,
                "taut_at_rest_m": 6.0 - surplus,
                "deceleration_m": 1.07,
                "activation_m": 0.0,
                "line_elongation": 0.03,
                "extra_m": 0.0,
                "rest_potential_m": 9.0,
            }
            if falls
            else {}
        ),
    }


def made():
    """A result of one edge and two anchors, added up by hand."""
    return {
        "schema": "roof3d-result/1",
        "plan": {"worker_mass_kg": 100.0, "attachment_height_m": 1.5},
        "rules": {
            "name": "invented",
            "entries": [
                entry("deceleration", 1.07),
                entry("harness_stretch", 0.3),
                entry("margin", 0.6),
                entry("line_elongation", 0.03, "1"),
                entry("attachment_height", 1.524),
                entry("anchor_force_factor", 2.0, "1"),
                entry("anchor_strength", 22_200.0, "N"),
                entry("anchor_line_safety_factor", 2.0, "1"),
            ],
        },
        "swept_footprint": {"reach_m": 1.5, "half_width_m": 0.5},
        "planes": [{"id": "P1", "pitch_deg": 26.565051, "area_m2": 40.0, "rings": []}],
        "edges": [
            {"id": "E1", "kind": "eave", "length_m": 10.0, "drop_m": 5.0},
            {"id": "E2", "kind": "ridge", "length_m": 4.0, "drop_m": None},
        ],
        "anchors": [
            {
                "id": "A1",
                "kind": "point",
                "line_length_m": 6.0,
                "load_kN": 6.0,
                "rating_kN": 15.0,
                "verdict": "design",
                "clearance_terms": {
                    "attachment_height_m": 1.5,
                    "deceleration_m": 1.07,
                    "activation_m": 0.0,
                    "line_elongation": 0.03,
                    "harness_stretch_m": 0.3,
                    "margin_m": 0.6,
                    "required_without_surplus_m": 3.65,
                    "stretch_from_standing_m": 1.35,
                    "least_absorber_force_N": 3000.0,
                },
                "arrest": {
                    "free_fall_m": 1.0,
                    "peak_force_kN": 6.0,
                    "absorber_m": round(980.665 / (3000 - 980.665), 6),
                    "line_stretch_m": 0.18,
                    "assumptions": ["something"],
                },
                "loads": [],
                "spans": [],
            },
            {
                "id": "H1",
                "kind": "line",
                "line_length_m": 6.0,
                "load_kN": 22.508,
                "verdict": "ok",
                "clearance_terms": {},
                "arrest": {"peak_force_kN": 6.0},
                "loads": [
                    {"point": 1, "kind": "end", "load_kN": 22.508, "needs_kN": 45.016, "case": "1 in span 1"}
                ],
                "spans": [
                    {
                        "span": 1,
                        "length_m": 10.0,
                        "loaded_length_m": 10.090030,
                        "deflection_m": 0.672442,
                        "pull_kN": 22.507588,
                    }
                ],
            },
        ],
        "edge_segments": [
            segment("E1", 0.0, 4.0, "A1", "arrest", 0.2, 5.0),
            segment("E1", 4.0, 10.0, "A1", "short", 0.5, 4.0),
            segment("E1", 0.0, 10.0, "H1", "beyond", -3.0, 5.0),
        ],
        "work": {"area_m2": 40.0, "served_m2": 30.0, "unserved_m2": 10.0},
        "summary": {"worst_state": "short", "worst_margin_m": 4.0 - 4.15, "anchors": 2, "findings": 1},
    }


def text(place, result=None, **more):
    return "\n".join(explain(result or made(), place, **more))


def test_worst_segment_of_an_edge_unfolds_whole():
    out = text("E1")
    assert "from 4.000 m to 10.000 m, on A1: short" in out
    for formula in (
        "s = L - d",
        "f = max(0, h + s)",
        "C = h + s + X + k + M",
        "X = a + x + e * L + y",
        "n = A - C",
    ):
        assert formula in out
    assert "C = 4.150 m" in out
    assert "n = -0.150 m" in out
    assert "Document of an invented regime, 7.1, 2020; status: memory" in out


def test_a_place_along_an_edge_and_an_anchor_narrow_it_down():
    assert find(made(), "E1@2").path == "edge_segments/0"
    assert find(made(), "E1@5.5 m").path == "edge_segments/1"
    assert find(made(), "E1@2:H1").path == "edge_segments/2"
    assert find(made(), "E1:H1").path == "edge_segments/2"
    assert find(made(), "E2").kind == "edge"
    one = text("E1@2/margin_m")
    assert "margin_m = 1.150 m" in one
    assert "C = h + s" not in one


def test_a_sum_that_does_not_add_up_is_not_shown():
    result = made()
    result["edge_segments"][1]["clearance_required_m"] += 0.01
    out = text("E1/clearance_required_m", result)
    assert "C = h + s" not in out
    result = made()
    result["edge_segments"][1]["sums"]["line_m"] += 0.01
    assert "s = L - d" not in text("E1/surplus_m", result)


def test_terms_that_are_not_the_rule_sets_are_told_apart():
    out = text("E1/clearance_required_m")
    assert "h: from the plan" in out
    assert "margin = 0.600 m" in out
    assert "attachment_height = 1.524" not in out


def test_an_anchors_own_terms_are_told_apart_from_the_rule_sets():
    assert "from the plan or its equipment, not the rule set's attachment_height" in text(
        "A1/clearance_terms/attachment_height_m"
    )
    assert "status: memory" in text("A1/clearance_terms/margin_m")
    result = made()
    result["anchors"][0]["clearance_terms"]["margin_m"] = 0.7
    assert "status" not in text("A1/clearance_terms/margin_m", result)


def test_coordinates_and_letters_have_units_and_meanings():
    out = text("E1/rest_point/2")
    assert "rest_point/2 (z) = 3.000 m: where the rope rests" in out
    assert "own coordinates" in out
    assert "clearance_terms/k = 0.300 m: harness stretch" in text("E1/clearance_terms/k")
    assert "C = h + s + X + k + M" in text("E1/clearance_terms/k")
    assert "s = L - d" in text("E1/sums/taut_m")


def test_a_broken_limit_is_named():
    result = made()
    result["edge_segments"][1]["breaks"] = ["room", "force"]
    assert "breaks a limit: room below, force on the person" in text("E1", result)


def test_an_arrests_fall_is_shown_where_it_happens():
    result = made()
    result["anchors"][0]["arrest"]["free_fall_m"] = 2.0
    out = text("A1/arrest/free_fall_m", result)
    assert "edge E1 from 4.000 m to 10.000 m, on A1" in out
    assert "f = max(0, h + s)" in out


def test_deceleration_beyond_the_absorbers_scope_is_told():
    result = made()
    worst = result["edge_segments"][1]
    asked = 980.665 * worst["free_fall_m"] / (1500 - 980.665)
    result["anchors"][0]["clearance_terms"]["least_absorber_force_N"] = 1500.0
    worst["sums"]["deceleration_m"] = asked
    for value in (worst["clearance_terms"],):
        value["X"] += asked - 1.07
    worst["clearance_required_m"] += asked - 1.07
    out = text("E1/clearance_required_m", result)
    assert "x = m * g * f / (F - m * g)" in out
    assert "x: from the plan" not in out


def test_anchor_unfolds_its_arrest_and_load():
    out = text("A1")
    assert "x = m * g * f / (F - m * g)" in out
    assert "t = a + x + k + e * L" in out
    assert "R = j * F" in out
    assert "R = 12.00 kN" in out
    assert "taken for granted: something" in out
    assert "clearance_terms/margin_m = 0.600 m: room to keep below the feet" in out


def test_anchor_line_unfolds_span_and_support():
    out = text("H1")
    assert "y = sqrt(S^2 - l^2) / 2" in out
    assert "T = P / (2 * sin(q))" in out
    assert "R = 45.02 kN" in out
    assert "solved: least potential energy" in out
    assert "T = P" not in text("H1", _with_other_pull())


def _with_other_pull():
    result = made()
    result["anchors"][1]["spans"][0]["pull_kN"] = 30.0
    return result


def test_rule_values_planes_and_parts():
    assert "status: memory" in text("margin")
    assert "x = 6 " in text("P1/pitch_deg")
    assert "served_m2 = 30.00 m2" in text("work")
    assert "it stands at:" in text("summary/worst_margin_m")
    assert "n = -0.150 m" in text("summary/worst_margin_m")
    assert "surplus_m = 0.200 m" in text("edge_segments/0/surplus_m")


def test_feet():
    out = text("E1@2/margin_m", units="ft")
    assert "n = 3.773 ft" in out
    assert not re.search(r"\d m\b", out.split("\n", 3)[-1])
    assert show("area_m2", 9.290304, "ft") == "100.0 ft2"


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("E9", "E1 to E2"),
        ("", "E1 to E2"),
        ("E1@99", "0 to 10.00"),
        ("E1@x", "0 to 10.00"),
        ("E1:A7", "A1, H1"),
        ("E1/colour", "margin_m"),
        ("A1/loads/3", "accepted"),
        ("edge_segments/12", "0 to 2"),
        ("A1@3", "accepted"),
        ("work/x", "served_m2"),
        ("E1:H1/clearance_terms/X", "what is known there"),
    ],
)
def test_places_that_are_not_there(place, message):
    with pytest.raises(InputError, match=message) as caught:
        explain(made(), place)
    assert "\n" not in str(caught.value)


def test_everything_in_the_result_can_be_asked_for():
    result = made()
    before = copy.deepcopy(result)

    def walk(item, path):
        yield path
        steps = item.items() if isinstance(item, dict) else enumerate(item) if isinstance(item, list) else ()
        for key, value in steps:
            yield from walk(value, f"{path}/{key}" if path else str(key))

    asked = 0
    for path in walk(result, ""):
        if path:
            lines = explain(result, path)
            assert lines
            assert all(isinstance(line, str) and "\n" not in line and "nan" not in line for line in lines)
            asked += 1
    assert asked > 150
    assert result == before


def test_units_come_from_the_names_of_fields():
    assert unit_of("load_kN") == "kN"
    assert unit_of("least_absorber_force_N") == "N"
    assert unit_of("area_m2") == "m2"
    assert unit_of("line_elongation") == ""
    assert all(meaning and not meaning.endswith(".") for meaning in MEANINGS.values())
    assert "E1 to E2" in accepted_places(made())
