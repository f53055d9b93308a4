"""Plan drawings: numbers, scale, layers, the DXF library's own audit, and names that stay text.

The hand-made sample (tests/sample_result.py) fixes all lengths: 12 m by 10 m, anchors at known places.
"""

from __future__ import annotations

import io
import json
import math
import re
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import shapely
from lxml import etree

from roof3d.building import build
from roof3d.check.result import inspection
from roof3d.check.result import plain as as_plain
from roof3d.errors import InputError
from roof3d.plan import model_path, read_plan
from roof3d.show.drawing import PAPERS, SCALES, compose, draw_plan
from roof3d.show.dxf import plain
from roof3d.show.labels import overlap
from roof3d.show.paper import Dimension, Line, Text, text_box, text_width, wrap
from roof3d.show.scene import make_scene
from roof3d.show.words import load_texts
from tests.conftest import MODELS
from tests.sample_result import LENGTH, ORIGIN, WIDTH, sample, sample_roof

SVG = "{http://www.w3.org/2000/svg}"


def svg(path: Path) -> Any:
    return etree.parse(str(path), etree.XMLParser(resolve_entities=False, no_network=True)).getroot()


def drawn(tmp_path: Path, suffix: str, result: dict[str, Any] | None = None, **options: Any) -> Path:
    path = tmp_path / f"plan.{suffix}"
    draw_plan(result or sample(), sample_roof() if result is None else None, path, **options)
    return path


def points_of(element: Any) -> Any:
    return np.array([[float(v) for v in pair.split(",")] for pair in element.get("points").split()])


def test_svg_is_true_to_scale(tmp_path: Path) -> None:
    root = svg(drawn(tmp_path, "svg", scale=100.0))
    assert (root.get("width"), root.get("height")) == ("420mm", "297mm")
    assert root.get("viewBox") == "0 0 420 297"
    (roof,) = [g for g in root.iter(f"{SVG}g") if g.get("id") == "layer-roof"]
    corners = np.concatenate([points_of(p) for p in roof.iter(f"{SVG}polygon")])
    # 12 m by 10 m at 1 : 100 are 120 mm by 100 mm
    assert np.ptp(corners, axis=0) == pytest.approx([120.0, 100.0], abs=0.002)


def test_the_roof_and_its_dimensions_stay_left_of_the_title_column(tmp_path: Path) -> None:
    for paper in PAPERS:
        sheet = compose(make_scene(sample()), load_texts(), "m", paper, None)
        for mark in sheet.marks:
            points = [mark.points] if isinstance(mark, Line) else []
            points += [np.array([mark.a, mark.b])] if isinstance(mark, Dimension) else []
            for xy in points:
                paper_xy = (xy[:, :2] - sheet.centre) / sheet.mm + [sheet.width / 2, sheet.height / 2]
                assert (paper_xy >= 9.9).all() and (paper_xy <= np.array(PAPERS[paper]) - 9.9).all()


@pytest.mark.parametrize("units", ["m", "ft"])
def test_the_scale_chosen_is_the_greatest_usual_one_that_fits(tmp_path: Path, units: Any) -> None:
    texts = load_texts()
    sheet = compose(make_scene(sample()), texts, units, "A3", None)
    assert sheet.scale in SCALES[units]
    larger = compose(make_scene(sample()), texts, units, "A1", None)
    assert larger.scale < sheet.scale


def test_overall_dimensions_and_set_out_by_hand() -> None:
    sheet = compose(make_scene(sample()), load_texts(), "m", "A3", None)
    dimensions = {d.text: d for d in sheet.marks if isinstance(d, Dimension)}
    assert {"12.00 m", "10.00 m"} <= set(dimensions)
    # A1 stands at x = 3.0, y = 4.6: 4.60 m in plan, 4.60 / cos 22 = 4.96 m on the slope to the eave
    slope = 4.6 / math.cos(math.radians(22.0))
    assert f"4.60 m ({slope:.2f} m)" in dimensions and "3.00 m" in dimensions
    for text, d in dimensions.items():
        assert float(np.linalg.norm(d.b - d.a)) == pytest.approx(float(text.split()[0]), abs=0.006)


def test_dimensions_in_feet_and_inches() -> None:
    sheet = compose(make_scene(sample()), load_texts(), "ft", "tabloid", None)
    texts = [d.text for d in sheet.marks if isinstance(d, Dimension)]
    # 12 m are 39 ft 4.44 in: to the nearest eighth, 39 ft 4 1/2 in (ISO 80000-3: 1 ft = 0.3048 m)
    assert "39' 4-1/2\"" in texts


def test_a_turned_building_has_the_same_dimensions() -> None:
    angle = math.radians(31.0)
    turn = np.array(
        [[math.cos(angle), -math.sin(angle), 0], [math.sin(angle), math.cos(angle), 0], [0, 0, 1]]
    )

    def rotate(value: Any) -> Any:
        if isinstance(value, list) and len(value) == 3 and all(isinstance(v, float) for v in value):
            return (turn @ (np.array(value) - ORIGIN) + ORIGIN).tolist()
        if isinstance(value, list):
            return [rotate(v) for v in value]
        return {k: rotate(v) for k, v in value.items()} if isinstance(value, dict) else value

    def texts_of(result: dict[str, Any]) -> list[str]:
        sheet = compose(make_scene(result), load_texts(), "m", "A3", 100.0)
        return sorted(d.text for d in sheet.marks if isinstance(d, Dimension))

    turned = rotate(sample())
    for plane in turned["planes"]:
        plane["azimuth_deg"] = (plane["azimuth_deg"] - 31.0) % 360
    assert texts_of(turned) == texts_of(sample())


def test_dxf_passes_the_audit_in_metres_and_site_coordinates(tmp_path: Path) -> None:
    document = ezdxf.readfile(drawn(tmp_path, "dxf"))
    auditor = document.audit()
    assert not auditor.errors and not auditor.fixes
    assert document.header["$INSUNITS"] == 6 and document.dxfversion == "AC1024"
    space = document.modelspace()
    roof = [e for e in space.query("LWPOLYLINE") if e.dxf.layer == "ROOF"]
    corners = np.array([p[:2] for e in roof for p in e.get_points()])
    assert corners.min(axis=0) == pytest.approx(ORIGIN[:2], abs=1e-6)
    assert corners.max(axis=0) == pytest.approx([ORIGIN[0] + LENGTH, ORIGIN[1] + WIDTH], abs=1e-6)
    wanted = {"ROOF", "RIDGE", "EDGE-SHORT", "EDGE-ARREST", "ANCHOR", "DIMENSION", "TEXT", "UNSERVED"}
    assert wanted <= {e.dxf.layer for e in space}
    assert wanted <= {layer.dxf.name for layer in document.layers}


def test_dxf_dimensions_are_real_and_measure_what_they_say(tmp_path: Path) -> None:
    document = ezdxf.readfile(drawn(tmp_path, "dxf"))
    dimensions = document.modelspace().query("DIMENSION")
    assert len(dimensions) >= 6
    for dimension in dimensions:
        said = float(re.match(r"[\d.]+", dimension.dxf.text).group())  # type: ignore[union-attr]
        assert dimension.get_measurement() == pytest.approx(said, abs=0.006)


def test_anchors_are_where_the_result_has_them(tmp_path: Path) -> None:
    document = ezdxf.readfile(drawn(tmp_path, "dxf"))
    centres = {
        tuple(np.round([c.dxf.center.x, c.dxf.center.y], 6)) for c in document.modelspace().query("CIRCLE")
    }
    for anchor in sample()["anchors"]:
        assert tuple(np.round(anchor["at"][:2], 6)) in centres


def test_edge_lengths_by_layer_are_those_of_the_result(tmp_path: Path) -> None:
    scene = make_scene(sample())
    document = ezdxf.readfile(drawn(tmp_path, "dxf", sample()))
    for state in ("short", "swing", "arrest"):
        wanted = sorted(
            round(float(np.linalg.norm((s.end - s.start)[:2])), 4)
            for s in scene.stretches
            if s.state == state
        )
        lines = document.modelspace().query(f'LWPOLYLINE[layer=="EDGE-{state.upper()}"]')
        got = [np.array([p[:2] for p in e.get_points()]) for e in lines]
        lengths = [round(float(np.linalg.norm(p[1] - p[0])), 4) for p in got if len(p) == 2]
        # the legend's sample line is on the layer too
        assert all(length in lengths for length in wanted) and len(lengths) == len(wanted) + 1


@pytest.mark.parametrize("suffix", ["svg", "dxf"])
def test_same_input_same_bytes(tmp_path: Path, suffix: str) -> None:
    first = drawn(tmp_path, suffix).read_bytes()
    assert drawn(tmp_path, suffix).read_bytes() == first


@pytest.mark.parametrize(
    "name", ["=1+1", "#panic(1)", "<script>alert(1)</script>", "%%uA ^J {\\C1;x}", "&lt;\x00\n"]
)
def test_hostile_names_stay_text(tmp_path: Path, name: str) -> None:
    result = sample()
    result["plan"]["title"] = name
    result["anchors"][0]["id"] = name
    result["rules"] = {"name": name}
    root = svg(drawn(tmp_path, "svg", result))
    assert not list(root.iter(f"{SVG}script"))
    shown = [t.text for t in root.iter(f"{SVG}text")]
    assert "".join(c if c.isprintable() else " " for c in name) in shown
    document = ezdxf.readfile(drawn(tmp_path, "dxf", result))
    assert not document.audit().errors
    assert any(e.dxf.text == plain(name) for e in document.modelspace().query("TEXT"))


def test_control_codes_of_dxf_text_are_defused() -> None:
    assert plain("%%u ^J \\P {x}") == "% %u ^ J /P (x)"


def test_an_empty_list_of_anchors_still_makes_a_drawing(tmp_path: Path) -> None:
    result = sample() | {"anchors": [], "edge_segments": [], "exposure": None}
    for suffix in ("svg", "dxf"):
        assert drawn(tmp_path, suffix, result).stat().st_size > 1000


def test_many_anchors_end_in_a_count_not_in_an_overflow() -> None:
    result = sample()
    result["anchors"] = [{**result["anchors"][0], "id": f"A{k}"} for k in range(80)]
    sheet = compose(make_scene(result), load_texts(), "m", "A3", None)
    texts = [m for m in sheet.marks if isinstance(m, Text)]
    assert any(re.match(r"and \d+ more", t.text) for t in texts)
    lowest = min(((t.at - sheet.centre) / sheet.mm + [sheet.width / 2, sheet.height / 2])[1] for t in texts)
    assert lowest >= 10.0


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("plan.pdf", {}, r"\.svg, \.dxf"),
        ("plan.svg", {"paper": "A9"}, "A4, A3"),
        ("plan.svg", {"scale": 0.0}, "1 : 1 to"),
        ("plan.svg", {"scale": float("nan")}, "1 : 1 to"),
        ("no/plan.svg", {}, "can be written"),
    ],
)
def test_bad_options_are_refused(tmp_path: Path, name: str, options: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        draw_plan(sample(), None, tmp_path / name, **options)
    assert list(tmp_path.iterdir()) == []


def test_wrapped_text_fits_its_room() -> None:
    lines = wrap("a sentence with one " + "W" * 60 + " word that is too long", 2.0, 40.0)
    assert all(text_width(line, 2.0) <= 40.0 for line in lines)


def test_dxf_writer_leaves_the_librarys_options_alone(tmp_path: Path) -> None:
    before = ezdxf.options.write_fixed_meta_data_for_testing
    drawn(tmp_path, "dxf")
    assert ezdxf.options.write_fixed_meta_data_for_testing == before
    stream = io.StringIO()
    ezdxf.new().write(stream)
    assert stream.getvalue()


def test_words_do_not_cover_each_other_on_a_crowded_roof() -> None:
    """Forty planes and eleven anchors on one sheet: what has no room is left to the tables."""
    plan = read_plan(MODELS / "forty-planes.toml")
    roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    result = json.loads(json.dumps(as_plain(inspection(roof))))
    result["anchors"] = [{"id": a.id, "at": list(a.at), "policy": "fixed"} for a in plan.anchors]
    sheet = compose(make_scene(result, roof), load_texts(), "m", "A3", None)
    assert sheet.scale == 250.0
    boxes = [
        (mark.text, text_box(mark, sheet.paper(mark.at)))
        for mark in sheet.marks
        if isinstance(mark, Text) and not mark.angle_deg
    ]
    for k, (text, box) in enumerate(boxes):
        assert box[0] > 10.0 and box[2] < sheet.width - 5.0, text
        for other, more in boxes[k + 1 :]:
            if len(text) > 1 and len(other) > 1:  # not the bar of the scale
                shrunk = (box[0] + 1.5, box[1] + 0.8, box[2] - 1.5, box[3] - 0.8)
                assert overlap(shrunk, more) <= 0.0, (text, other)
    shown = {text.split()[0] for text, _ in boxes}
    assert {a.id for a in plan.anchors} <= shown
    assert len(shown & {p.id for p in roof.planes}) >= 20


def test_texts_of_dimensions_read_from_below_or_from_the_right(tmp_path: Path) -> None:
    """As ISO 129-1 has it (from memory): whatever way an anchor is measured. The library draws the texts."""
    result = sample()
    first = result["anchors"][0]
    places = [[3.0, 4.6], [9.0, 4.6], [3.0, 8.4], [9.0, 8.4]]
    for k, (x, y) in enumerate(places):
        at = [ORIGIN[0] + x, ORIGIN[1] + y, first["at"][2]]
        result["anchors"] += [{**first, "id": f"Q{k}", "at": at}]
    document = ezdxf.readfile(drawn(tmp_path, "dxf", result))
    ways = set()
    for dimension in document.modelspace().query("DIMENSION"):
        (text,) = [e for e in dimension.virtual_entities() if e.dxftype() == "MTEXT"]
        turn = (text.get_rotation() + 180.0) % 360.0 - 180.0
        assert -89.9 < turn < 90.1, dimension.dxf.text
        ways.add(round(turn))
    assert ways == {0, 90}
    root = svg(drawn(tmp_path, "svg", result))
    turns = [re.match(r"rotate\(([-\d.]+)", t.get("transform") or "") for t in root.iter(f"{SVG}text")]
    assert {float(turn.group(1)) for turn in turns if turn} == {-90.0}


def test_dimensions_of_anchors_on_one_rafter_stand_beside_each_other() -> None:
    result = sample()
    first = result["anchors"][0]
    low = first["at"][2] - 0.4 * first["at"][1] + 0.4 * ORIGIN[1]
    places = [(3.4, 4.6), (3.4, 3.6), (3.4, 2.4), (4.0, 3.6), (5.4, 4.6), (9.0, 4.6)]
    result["anchors"] = [
        {**first, "id": f"Q{k}", "at": [ORIGIN[0] + x, ORIGIN[1] + y, low + 0.4 * y]}
        for k, (x, y) in enumerate(places)
    ]
    sheet = compose(make_scene(result), load_texts(), "m", "A3", None)
    lines = []
    for one in (mark.upright for mark in sheet.marks if isinstance(mark, Dimension)):
        a, b = sheet.paper(one.a), sheet.paper(one.b)
        along = (b - a) / np.linalg.norm(b - a)
        up = np.array([-along[1], along[0]])
        start, end = a + up * one.offset, b + up * one.offset
        wide = along * text_width(one.text, 2.2) / 2
        foot = (start + end) / 2 + up * 1.0
        text = shapely.Polygon([foot - wide, foot + wide, foot + wide + up * 2.2, foot - wide + up * 2.2])
        lines.append((one.text, shapely.LineString([start, end]), text))
    assert len(lines) >= 8
    for k, (said, line, text) in enumerate(lines):
        for other, line2, text2 in lines[k + 1 :]:
            assert not text.intersects(text2), (said, other)
            assert not line.intersects(text2) and not line2.intersects(text), (said, other)
            assert line.intersection(line2).length < 1.0, (said, other)
