"""The example buildings through the program: planes, edges and drops against the answers by hand.

``models/answers.json`` comes from school geometry (``scripts/model_kit``); ``tests/test_models.py`` holds
the files against it with a mesh library. Here roof3d has to find the same.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from roof3d.building import build
from roof3d.check import check
from roof3d.plan import read_plan
from roof3d.records import Facet, Roof
from tests.conftest import MODELS, PROJECT

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
    reaches outward too.
    """
    edges = [edge for edge in build_example(name, kind).edges if edge.fall]
    for answer in HOUSES[name]["edges"]:
        if "drop_m" not in answer or answer["narrow_top"]:
            continue
        slope = 0.6 if "steps" in answer["where"] else 0.1 if name == "terrace" else 0.0
        least = answer["drop_m"] - BODY_HALF_WIDTH_M * slope - (0.15 if slope else 0.0)
        most = answer["drop_m"] + 1e-4
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


@pytest.fixture(scope="module")
def gable_check(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, bytes, str]:
    """Exit status, result file and printed table of the README's check."""
    return _run_check(tmp_path_factory.mktemp("gable"))


def test_check_prints_a_table_and_tells_findings_by_its_status(gable_check: tuple[int, bytes, str]) -> None:
    status, written, table = gable_check
    result = json.loads(written)
    assert status == (1 if result["summary"]["findings"] else 0)
    assert result["schema"] == "roof3d-result/1"
    for segment in result["edge_segments"]:
        assert segment["state"] in ("short", "swing", "arrest", "held", "beyond")
    assert "A1" in table
    assert "m²" in table


def test_check_of_the_gable_agrees_with_plane_geometry(gable_check: tuple[int, bytes, str]) -> None:
    """Worked by hand: anchor A1 at (3, 4, 5.3), eave top at y = -0.5, z = 3, the slope between is plane.

    The shortest rope to the eave is the straight line sqrt(4.5^2 + 2.3^2), for the anchor is above the
    plane; the surplus of 4.2 m is negative there by the difference.
    """
    result = json.loads(gable_check[1])
    eave = {e["id"] for e in result["edges"] if e["kind"] == "eave" and e["points"][0][1] < 0}
    nearest = [
        s
        for s in result["edge_segments"]
        if s["edge"] in eave and s["anchor"] == "A1" and s["start"][0] != s["end"][0] and _spans(s, 3.0)
    ]
    assert nearest
    straight = (4.5**2 + 2.3**2) ** 0.5
    assert min(s["taut_length_m"] for s in nearest) == pytest.approx(straight, abs=1e-3)
    assert max(s["surplus_m"] for s in nearest) == pytest.approx(4.2 - straight, abs=1e-3)


def test_the_same_bytes_from_the_same_input(gable_check: tuple[int, bytes, str], tmp_path: Path) -> None:
    assert _run_check(tmp_path)[1] == gable_check[1]


def test_obj_and_glb_of_one_building_give_the_same_findings() -> None:
    """Metres of edge in each state to 2 cm, the worst margin to 2 mm (GLB holds single precision)."""
    plan = read_plan(MODELS / "l-valley.toml")
    found = []
    for kind in ("obj", "glb"):
        result = check(build_example("l-valley", kind), plan).to_json()
        metres: dict[str, float] = {}
        for s in result["edge_segments"]:
            metres[s["state"]] = metres.get(s["state"], 0.0) + s["to_m"] - s["from_m"]
        found.append((metres, result["summary"]["worst_margin_m"], result["work"]["served_m2"]))
    (first, margin, served), (second, margin_glb, served_glb) = found
    assert first.keys() == second.keys()
    for state, length in first.items():
        assert second[state] == pytest.approx(length, abs=0.02)
    assert margin_glb == pytest.approx(margin, abs=2e-3)
    assert served_glb == pytest.approx(served, rel=1e-3)


def _spans(segment: dict[str, Any], x: float) -> bool:
    low, high = sorted((segment["start"][0], segment["end"][0]))
    return bool(low <= x <= high)


def _run_check(folder: Path) -> tuple[int, bytes, str]:
    out = folder / "result.json"
    run = subprocess.run(
        [sys.executable, "-m", "roof3d.cli", "check", "models/gable.toml", "--json", str(out)],
        capture_output=True,
        text=True,
        timeout=300,
        cwd=PROJECT,
        check=False,
    )
    assert "Traceback" not in run.stderr
    return run.returncode, out.read_bytes(), run.stdout
