"""The example buildings through the program: planes, edges and drops against the answers by hand.

``models/answers.json`` comes from school geometry (``scripts/model_kit``); ``tests/test_models.py`` holds
the files against it with a mesh library. Here roof3d has to find the same.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from roof3d.building import build
from roof3d.plan import read_plan
from roof3d.records import Facet, Roof
from tests.conftest import MODELS

HOUSES: dict[str, dict[str, Any]] = json.loads((MODELS / "answers.json").read_text())["houses"]
FILES = [(name, kind) for name in HOUSES for kind in ("obj", "glb")]
BODY_HALF_WIDTH_M = 0.5  # what lies below is looked up over this much to each side (roof3d.levels)


def build_example(name: str, kind: str) -> Roof:
    """The roof as its plan wants it, from the OBJ or from the GLB."""
    plan = read_plan(MODELS / f"{name}.toml")
    told = {"unit": HOUSES[name]["obj_unit"], "up": "z"} if kind == "obj" else {}
    return build(MODELS / f"{name}.{kind}", grade=plan.model.grade, **told)


@pytest.mark.parametrize(("name", "kind"), FILES)
def test_planes_are_found_as_by_hand(name: str, kind: str) -> None:
    """Every plane, its pitch to 0.01 degree, its azimuth to 0.02, its area to 0.02 percent; no other."""
    left = list(build_example(name, kind).planes)
    for answer in HOUSES[name]["planes"]:
        match = [plane for plane in left if _same_plane(plane, answer)]
        if answer["narrow_top"] and not match:
            continue  # a narrow level top may or may not count as roof
        assert match, answer
        left.remove(match[0])
    assert not left


@pytest.mark.parametrize(("name", "kind"), FILES)
def test_edges_are_found_as_by_hand(name: str, kind: str) -> None:
    """Every edge that school geometry knows is there with its kind and its length to 2 cm."""
    edges = [(edge.kind, edge.length_m) for edge in build_example(name, kind).edges]
    for answer in HOUSES[name]["edges"]:
        if answer["narrow_top"]:
            continue
        for _ in range(answer["count"]):
            near = [e for e in edges if e[0] == answer["kind"] and abs(e[1] - answer["length_m"]) < 0.02]
            assert near, answer
            edges.remove(near[0])


@pytest.mark.parametrize(("name", "kind"), FILES)
def test_drops_are_never_more_than_by_hand(name: str, kind: str) -> None:
    """Straight down is the most that there can be; over the width of a body it may be less.

    On sloping ground or over a sloping roof the body reaches half its width uphill, so the drop is
    less by up to that times the slope; 15 cm more are left to the look-up, which rounds down and
    reaches outward too. The look-up leaves out the first 2 cm from the edge.
    """
    edges = [edge for edge in build_example(name, kind).edges if edge.fall]
    for answer in HOUSES[name]["edges"]:
        if "drop_m" not in answer or answer["narrow_top"]:
            continue
        slope = 0.6 if "steps" in answer["where"] else 0.1 if name == "terrace" else 0.0
        least = answer["drop_m"] - BODY_HALF_WIDTH_M * slope - (0.15 if slope else 0.0)
        most = answer["drop_m"] + 0.02 * slope + 1e-4
        near = [e for e in edges if e.kind == answer["kind"] and abs(e.length_m - answer["length_m"]) < 0.02]
        good = [e for e in near if e.drop_m is not None and least - 1e-3 <= e.drop_m <= most]
        assert len(good) >= answer["count"], (answer, [e.drop_m for e in near])


def test_openings_and_low_upstands_are_fall_edges() -> None:
    """Common practice, no published source: a parapet of 18 inches and a curb of 9 guard nobody."""
    flat = build_example("flat", "obj")
    foot = [e for e in flat.edges if e.kind == "upstand"]
    # feet of the parapet 2 (98 + 58) ft, of four curbs 2 (9 + 5) ft each
    assert sum(e.length_m for e in foot) == pytest.approx(
        (2 * (98 + 58) + 4 * 2 * (9 + 5)) * 0.3048, abs=0.05
    )
    assert all(e.fall for e in foot)
    light = [e for e in build_example("mono-pitch", "glb").edges if e.kind == "opening"]
    assert len(light) == 4
    assert all(e.fall for e in light)


def test_the_ground_in_the_model_is_no_roof() -> None:
    terrace = build_example("terrace", "glb")
    assert terrace.grade_source == "model"
    assert [f.pitch_deg for f in terrace.facets if f.kind == "ground"] == pytest.approx([5.710593], abs=1e-3)


def _same_plane(plane: Facet, answer: dict[str, Any]) -> bool:
    if abs(plane.pitch_deg - answer["pitch_deg"]) > 0.01:
        return False
    if abs(plane.area_m2 - answer["area_m2"]) > 2e-4 * answer["area_m2"]:
        return False
    if answer["azimuth_deg"] is None:
        return True
    return abs((plane.azimuth_deg - answer["azimuth_deg"] + 180) % 360 - 180) < 0.02


def test_every_plan_names_its_model_and_rules() -> None:
    plans = sorted(MODELS.glob("*.toml"))
    assert len(plans) == len(HOUSES)
    rules = set()
    for path in plans:
        plan = read_plan(path)
        rules.add(plan.rules)
        assert Path(plan.model.file).stem == path.stem
        assert len(plan.anchors) + len(plan.anchor_lines) >= 2
        assert "invented" in plan.title
    assert len(rules) >= 5
