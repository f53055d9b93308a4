"""Pictures: first the numbers under them, then their pixels.

The sample result is made by hand (tests/sample_result.py). Colour figures are checked against
published ones: WCAG 2.1 contrast, and the OKLab colour space's own table.
"""

from __future__ import annotations

import copy
import itertools
import json
import math
import os
import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh

from roof3d.cli import main
from roof3d.errors import InputError
from roof3d.records import Roof
from roof3d.show import plan_view, render3d
from roof3d.show.broken import broken, state_text
from roof3d.show.canvas import Canvas, dashes
from roof3d.show.cells import footprint, hatch_lines, patches, patterns, triangles_of
from roof3d.show.colours import (
    BANDS_A_SIDE,
    EDGE_STYLES,
    GROUND,
    LACKING,
    LEFT,
    PAPER,
    Rgb,
    Scale,
    contrast,
    oklch,
    scale_for,
)
from roof3d.show.glb import write_glb
from roof3d.show.labels import length_text, overlap, round_length
from roof3d.show.marks import drop_place, rest_place
from roof3d.show.picture import draw_picture, draw_set
from roof3d.show.scene import make_scene
from roof3d.show.setout import set_out, slope_axes
from roof3d.show.solid import bar_triangles, creases
from roof3d.show.verdict import verdict
from roof3d.show.words import load_texts
from tests.sample_result import EAVE, LENGTH, ORIGIN, PITCH, WIDTH, sample, sample_roof

SMALL = (900, 600)
GOLDEN = Path(__file__).parent / "pictures"


def luminance(colour: Rgb) -> float:
    """Relative luminance, WCAG 2.1 definition."""
    linear_ = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in np.array(colour) / 255]
    return float(np.dot(linear_, [0.2126, 0.7152, 0.0722]))


# ------------------------------------------------------------------------------------------ colours


def test_oklch_agrees_with_the_published_table() -> None:
    """Ottosson 2020, "A perceptual color space", table of XYZ to OKLab: XYZ (0.950, 1, 1.089) is white,
    L = 1. sRGB red is OKLCH (0.628, 0.2577, 29.23) in CSS Color 4, section on conversions."""
    assert oklch(1.0, 0.0, 0.0) == (255, 255, 255)
    red, green, blue = oklch(0.62796, 0.25768, 29.234)
    assert red == 255 and green <= 2 and blue <= 2


def test_heat_scale_gets_darker_evenly_on_both_sides_and_sides_differ() -> None:
    for side in (LACKING, LEFT):
        light = [luminance(c) ** (1 / 3) for c in side]
        steps = -np.diff(light)
        assert (steps > 0).all()
        assert steps.max() / steps.min() < 1.6
    # nil is a jump, not one pale colour: contrast in colour for every pair across it
    for a in LACKING:
        for b in LEFT:
            assert a[0] - a[2] > 40 and b[2] - b[0] > 20


def test_states_are_told_apart_without_colour() -> None:
    looks = {(style.width, style.dash, style.mark) for style in EDGE_STYLES.values()}
    assert len(looks) == len(EDGE_STYLES)
    marks = [EDGE_STYLES[state].mark for state in ("short", "swing", "arrest")]
    assert len(set(marks)) == 3 and all(marks)


# Machado, Oliveira, Fernandes 2009, "A physiologically-based model for simulation of color vision
# deficiency", table of matrices for severity 1.0, on linear RGB; from memory
COLOUR_BLIND = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def seen(colour: Rgb, kind: str) -> Any:
    """A colour in OKLab as a colour-blind eye has it (Ottosson 2020 for the matrices of OKLab)."""
    linear_ = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in np.array(colour) / 255]
    red, green, blue = np.clip(np.array(COLOUR_BLIND[kind]) @ linear_, 0.0, 1.0)
    lms = np.cbrt(
        np.array([[0.4122214708, 0.5363325363, 0.0514459929], [0.2119034982, 0.6806995451, 0.1073969566],
                  [0.0883024619, 0.2817188376, 0.6299787005]]) @ [red, green, blue]
    )  # fmt: skip
    return np.array(
        [[0.2104542553, 0.7936177850, -0.0040720468], [1.9779984951, -2.4285922050, 0.4505937099],
         [0.0259040371, 0.7827717662, -0.8086757660]]
    ) @ lms  # fmt: skip


@pytest.mark.parametrize("kind", COLOUR_BLIND)
def test_room_lacking_and_room_left_are_told_apart_by_colour_blind_eyes(kind: str) -> None:
    """Five times the difference that is just seen (0.02 in OKLab) across nil, whatever the bands."""
    assert np.array(COLOUR_BLIND[kind]).sum(axis=1) == pytest.approx(1.0, abs=1e-5)  # white stays white
    apart = [np.linalg.norm(seen(a, kind) - seen(b, kind)) for a in LACKING for b in LEFT]
    assert min(apart) > 0.1
    for side in (LACKING, LEFT):
        steps = [np.linalg.norm(seen(a, kind) - seen(b, kind)) for a, b in itertools.pairwise(side)]
        assert min(steps) > 0.04


def test_ink_on_every_colour_reads() -> None:
    """WCAG 2.1, 1.4.11: 3:1 for large text and graphics."""
    for colour in (*LACKING, *LEFT):
        pair = sorted((luminance(colour), luminance(contrast(colour))))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 3.0


@pytest.mark.parametrize(
    ("margin", "band"), [(-9.0, 0), (-0.001, 3), (-1e-12, 3), (0.0, 4), (0.49, 4), (0.5, 5), (9.0, 7)]
)
def test_bands_round_to_the_worse_side(margin: float, band: int) -> None:
    assert Scale(0.5, "m").bands(np.array([margin]))[0] == band


def test_an_unknown_margin_is_in_the_worst_band() -> None:
    assert Scale(0.5, "m").bands(np.array([np.nan]))[0] == 0


def test_scale_step_is_round_in_the_units_shown() -> None:
    assert scale_for(np.array([-0.82, 3.0])).step == 0.2
    assert scale_for(np.array([-0.82]), "ft").step / 0.3048 == pytest.approx(1.0)
    assert scale_for(np.zeros(0)).step > 0
    assert len(scale_for(np.array([np.nan])).colours()) == 2 * BANDS_A_SIDE


# -------------------------------------------------------------------------------------------- scene


def test_every_metre_of_fall_edge_is_drawn_once() -> None:
    scene = make_scene(sample())
    boundary = sum(e["length_m"] for e in sample()["edges"] if e["fall"])
    assert sum(s.length for s in scene.stretches) == pytest.approx(boundary)


def test_the_worse_anchor_governs_each_stretch() -> None:
    result = sample()
    rank = {"short": 0, "swing": 1, "arrest": 2, "held": 3, "beyond": 4}
    scene = make_scene(result)
    for stretch in scene.stretches:
        middle = (stretch.from_m + stretch.to_m) / 2
        covering = [
            s
            for s in result["edge_segments"]
            if s["edge"] == stretch.edge and s["from_m"] <= middle <= s["to_m"]
        ]
        assert {s["anchor"] for s in covering} == {"A1", "A2"}
        assert rank[stretch.state] == min(rank[s["state"]] for s in covering)
        same = [s["margin_m"] for s in covering if s["state"] == stretch.state]
        if stretch.state in ("short", "swing", "arrest"):
            assert stretch.margin == min(same)


def test_numbers_count_from_the_worst() -> None:
    worst = make_scene(sample()).worst
    assert [s.number for s in worst] == list(range(1, len(worst) + 1))
    assert worst[0].margin == pytest.approx(sample()["summary"]["worst_margin_m"])
    short = [s.margin for s in worst if s.state == "short"]
    assert short == sorted(short)


def test_an_edge_without_a_segment_is_never_drawn_as_safe() -> None:
    result = sample()
    result["edge_segments"] = [s for s in result["edge_segments"] if s["edge"] != "E3"]
    scene = make_scene(result)
    assert {s.state for s in scene.stretches if s.edge == "E3"} == {"unassessed"}
    for segment in result["edge_segments"]:
        segment |= {"state": "held", "margin_m": None}
    result |= {"findings": [], "work": {"unserved_m2": 0.0}, "summary": {"worst_state": "held"}}
    assert verdict(make_scene(result)) == "warning"


def test_a_gap_in_the_segments_is_not_bridged() -> None:
    result = sample()
    result["edge_segments"] = [
        s | {"to_m": min(s["to_m"], 4.0)}
        for s in result["edge_segments"]
        if not (s["edge"] == "E1" and s["from_m"] >= 4)
    ]
    gap = [s for s in make_scene(result).stretches if s.edge == "E1" and s.state == "unassessed"]
    assert sum(s.length for s in gap) == pytest.approx(LENGTH - 4.0)


def test_a_state_this_version_does_not_know_counts_as_the_worst() -> None:
    result = sample()
    result["edge_segments"][0]["state"] = "collapse"
    scene = make_scene(result)
    assert "collapse" in {s.state for s in scene.stretches}
    assert verdict(scene) == "danger"


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({}, "danger"),
        ({"findings": [{"severity": "catastrophe"}]}, "danger"),
        ({"findings": [{"severity": "warning"}]}, "warning"),
        ({"findings": [], "work": {}}, "warning"),
        ({"findings": [], "work": {"unserved_m2": 0.1}}, "warning"),
        ({"findings": [], "work": {"unserved_m2": 0.0}}, "hold"),
        ({"anchors": [], "findings": []}, "nothing"),
        ({"findings": [], "work": {"unserved_m2": 0.0}, "summary": {"worst_state": "swing"}}, "danger"),
    ],
)
def test_verdict_takes_the_worse_where_in_doubt(change: dict[str, Any], word: str) -> None:
    result = sample()
    if change:
        for segment in result["edge_segments"]:
            if segment["state"] in ("short", "swing"):
                segment |= {"state": "arrest", "margin_m": 0.3}
        result["summary"] = {"worst_state": "arrest"}
    assert verdict(make_scene({**result, **change})) == word


def test_an_arrest_without_a_margin_is_no_hold() -> None:
    result = sample()
    result |= {"findings": [], "work": {"unserved_m2": 0.0}, "summary": {"worst_state": "arrest"}}
    for segment in result["edge_segments"]:
        segment |= {"state": "arrest", "margin_m": 0.3}
    assert verdict(make_scene(result)) == "hold"
    for segment in result["edge_segments"]:
        segment["margin_m"] = None
    assert verdict(make_scene(result)) == "danger"


def rules(**values: float) -> dict[str, Any]:
    return {"name": "x", "entries": [{"name": name, "value": value} for name, value in values.items()]}


@pytest.mark.parametrize(
    ("figures", "names"),
    [
        ({"state": "short", "margin_m": -0.1, "breaks": ["room"]}, ("room",)),
        ({"state": "short", "margin_m": 0.4, "breaks": ["free-fall", "absorber"]}, ("free-fall", "absorber")),
        # what figures show is named though the result does not, and the other way round
        ({"state": "short", "margin_m": -0.1, "free_fall_m": 2.0}, ("room", "free-fall")),
        ({"state": "short", "margin_m": None, "free_fall_m": 1.8}, ("room",)),
        ({"state": "short", "margin_m": 0.4, "breaks": ["cold"]}, ("cold",)),
        ({"state": "short", "margin_m": 0.4}, ("unnamed",)),
        ({"state": "swing", "margin_m": 0.4, "swing_drop_m": 0.7}, ("swing",)),
        ({"state": "swing", "margin_m": 0.4, "swing_drop_m": None}, ("swing",)),
        ({"state": "swing", "margin_m": 0.4, "swing_drop_m": 0.1}, ("strikes",)),
        ({"state": "arrest", "margin_m": 0.4, "swing_drop_m": 0.1, "free_fall_m": 1.8}, ()),
        ({"state": "held", "margin_m": None}, ()),
    ],
)
def test_what_is_broken_is_named(figures: dict[str, Any], names: tuple[str, ...]) -> None:
    result = sample() | {"rules": rules(free_fall_limit=1.8, swing_drop_limit=0.6)}
    result["edge_segments"] = [{"edge": "E1", "from_m": 0.0, "to_m": 12.0, "anchor": "A1", **figures}]
    scene = make_scene(result)
    (stretch,) = [s for s in scene.stretches if s.edge == "E1"]
    if "swing_drop_m" not in figures:
        scene.result["rules"] = rules(free_fall_limit=1.8)
    assert broken(stretch, scene) == names
    text = state_text(stretch, scene, load_texts())
    assert text.startswith(figures["state"]) and ("unnamed" in names) == ("not named" in text)


def test_a_sliver_joins_a_neighbour_in_its_state_with_the_worse_figures() -> None:
    result = sample()

    def segment(low: float, high: float, margin: float, fall: float, **more: Any) -> dict[str, Any]:
        base = {"edge": "E1", "from_m": low, "to_m": high, "anchor": "A1", "state": "short"}
        return {**base, "margin_m": margin, "free_fall_m": fall, "swing_drop_m": 0.1, **more}

    result["edge_segments"] = [
        segment(0.0, 5.0, -0.5, 2.0, breaks=["room"]),
        segment(5.0, 5.02, -0.7, 1.0, breaks=["free-fall"]),
        segment(5.02, 5.05, 0.2, 1.0, state="arrest"),
        segment(5.05, 12.0, -0.1, 1.0),
    ]
    own = [s for s in make_scene(result).stretches if s.edge == "E1"]
    assert [(s.from_m, s.to_m, s.state) for s in own] == [
        (0.0, 5.02, "short"),
        (5.02, 5.05, "arrest"),
        (5.05, 12.0, "short"),
    ]
    assert own[0].margin == -0.7 and own[0].figures["free_fall_m"] == 2.0
    assert set(own[0].figures["breaks"]) == {"room", "free-fall"}


def test_the_drop_is_drawn_where_clearance_is_worst_or_not_at_all() -> None:
    scene = make_scene(sample())
    worst = scene.worst[0]
    place = drop_place(worst, scene)
    assert place is not None and (place + scene.origin).tolist() == worst.figures["clearance_point"]
    assert not np.allclose(place, rest_place(worst, scene))
    worst.figures["clearance_point"] = None
    assert drop_place(worst, scene) is None


# ------------------------------------------------------------------------------------------ heat map


def test_patches_cover_every_plane_exactly_once() -> None:
    scene = make_scene(sample())
    made = patches(scene, Scale(0.2, "m"))
    for plane in scene.planes:
        own = [p.area for p in made if p.plane is plane]
        assert sum(a.area for a in own) == pytest.approx(LENGTH * WIDTH / 2, rel=1e-6)
        assert shapely.union_all(own).area == pytest.approx(LENGTH * WIDTH / 2, rel=1e-6)


def test_a_patch_has_the_colour_of_the_margin_under_it() -> None:
    result = sample()
    scene = make_scene(result)
    scale = Scale(0.2, "m")
    made = patches(scene, scale)
    checked = 0
    for cell in result["exposure"]["cells"]:
        if cell["margin_m"] is None:
            continue
        place = shapely.Point(cell["at"][0] - scene.origin[0], cell["at"][1] - scene.origin[1])
        (patch,) = [p for p in made if p.plane.id == cell["plane"] and p.area.contains(place)]
        wanted = min(max(math.floor(cell["margin_m"] / 0.2 + 1e-9), -4), 3) + 4
        assert patch.band == wanted and patch.colour == scale.colours()[wanted]
        checked += 1
    assert checked > 100


def test_unserved_work_is_hatched_and_what_has_no_cell_is_not_called_safe() -> None:
    result = sample()
    cells = result["exposure"]["cells"]
    result["exposure"]["cells"] = [c for c in cells if c["plane"] == "P1"]
    made = patches(make_scene(result), Scale(0.2, "m"))
    assert all(p.hatched for p in made if p.kind == "unserved")
    bare = [p for p in made if p.plane.id == "P2"]
    assert {p.kind for p in bare} == {"outside"} and all(p.hatched for p in bare)
    assert sum(p.area.area for p in bare) == pytest.approx(LENGTH * WIDTH / 2)


def test_a_place_with_a_fall_that_nobody_serves_shows_both() -> None:
    result = sample()
    cell = next(c for c in result["exposure"]["cells"] if c["margin_m"] is not None and c["margin_m"] < 0)
    cell["served"] = False
    made = patches(make_scene(result), Scale(0.2, "m"))
    assert any(p.kind == "margin" and p.hatched for p in made)


def test_a_place_with_room_that_breaks_another_limit_does_not_look_fine() -> None:
    result = sample()
    cells = [c for c in result["exposure"]["cells"] if c["state"] == "arrest" and c["margin_m"] >= 0]
    cells[0]["state"] = "short"
    made = [p for p in patches(make_scene(result), Scale(0.2, "m")) if p.others]
    assert len(made) == 1
    assert sum(a.area for a in [made[0].area]) == pytest.approx(0.25, rel=0.01)
    lines = [line for colour, _, some in patterns(made[0], 0.05) for line in some]
    assert lines and EDGE_STYLES["short"].colour in [colour for colour, _, _ in patterns(made[0], 0.05)]


def test_triangles_lie_on_their_plane_and_keep_its_area() -> None:
    scene = make_scene(sample())
    area = 0.0
    for patch in patches(scene, Scale(0.2, "m")):
        corners = triangles_of(patch)
        normal = patch.plane.normal
        assert np.abs((corners - patch.plane.rings[0][0]) @ normal).max() < 1e-9
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        area += float(np.linalg.norm(cross, axis=1).sum()) / 2
    assert area == pytest.approx(LENGTH * WIDTH / math.cos(math.radians(PITCH)), rel=1e-6)


def test_holes_stay_holes() -> None:
    result = sample()
    plane = result["planes"][0]
    x, y = ORIGIN[0] + 5, ORIGIN[1] + 2
    z = ORIGIN[2] + EAVE
    slope = math.tan(math.radians(PITCH))
    hole = [(x, y), (x, y + 1), (x + 2, y + 1), (x + 2, y)]
    plane["rings"].append([[px, py, z + (py - ORIGIN[1]) * slope] for px, py in hole])
    scene = make_scene(result)
    assert footprint(scene.planes[0]).area == pytest.approx(60.0 - 2.0)
    assert sum(p.area.area for p in patches(scene, Scale(0.2, "m")) if p.plane.id == "P1") == pytest.approx(
        58.0, rel=1e-5
    )


def test_hatch_lines_lie_in_the_area_at_their_spacing() -> None:
    area = shapely.Polygon([(0, 0), (4, 0), (4, 3), (0, 3)], [[(1, 1), (2, 1), (2, 2), (1, 2)]])
    lines = hatch_lines(area, 0.25, 45.0)
    assert sum(np.linalg.norm(b - a) for a, b in lines) == pytest.approx(area.area / 0.25, rel=0.05)
    assert all(area.buffer(1e-9).covers(shapely.LineString(line)) for line in lines)


def test_dashes_keep_their_share_of_a_line() -> None:
    pieces = dashes(np.array([[0.0, 0.0], [6.0, 0.0], [6.0, 6.0]]), (2.0, 1.0))
    assert sum(np.linalg.norm(np.diff(p, axis=0), axis=1).sum() for p in pieces) == pytest.approx(8.0)


# ------------------------------------------------------------------------------------------- set-out


def test_set_out_by_hand() -> None:
    """Anchor A1 at x = 3.0, y = 4.6 on a slope of 22 degrees with its ridge at y = 5."""
    first = set_out(make_scene(sample()))[0]
    tapes = {t.direction: t for t in first.tapes}
    slope = 1 / math.cos(math.radians(22.0))
    assert tapes["up"].surface_m == pytest.approx(0.4 * slope) and tapes["up"].edge == "E7"
    assert tapes["down"].surface_m == pytest.approx(4.6 * slope) and tapes["down"].kind == "eave"
    # looking up this slope, north, the left hand is west
    assert tapes["left"].surface_m == pytest.approx(3.0) and tapes["left"].edge == "E6"
    assert tapes["right"].surface_m == pytest.approx(9.0) and tapes["right"].edge == "E2"
    assert tapes["down"].plan_m == pytest.approx(4.6)


def test_set_out_turns_with_the_building() -> None:
    result = sample()
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    turned = json.loads(json.dumps(result), object_hook=None)

    def rotate(value: Any) -> Any:
        if isinstance(value, list) and len(value) == 3 and all(isinstance(v, float) for v in value):
            return (turn @ (np.array(value) - ORIGIN) + ORIGIN).tolist()
        if isinstance(value, list):
            return [rotate(v) for v in value]
        return {k: rotate(v) for k, v in value.items()} if isinstance(value, dict) else value

    before, after = set_out(make_scene(result)), set_out(make_scene(rotate(turned)))
    for a, b in zip(before, after, strict=True):
        assert [t.direction for t in a.tapes] == [t.direction for t in b.tapes]
        assert [t.edge for t in a.tapes] == [t.edge for t in b.tapes]
        assert [t.surface_m for t in a.tapes] == pytest.approx([t.surface_m for t in b.tapes])


def test_an_anchor_off_the_roof_has_no_tapes() -> None:
    result = sample()
    result["anchors"][0]["at"] = [ORIGIN[0] - 6.0, ORIGIN[1], ORIGIN[2]]
    assert set_out(make_scene(result))[0].tapes == ()


def test_level_plane_has_square_axes() -> None:
    result = sample()
    ring = [[0.0, 0.0, 3.0], [8.0, 2.0, 3.0], [7.0, 6.0, 3.0], [-1.0, 4.0, 3.0]]
    result["planes"][0]["rings"] = [[[a + b for a, b in zip(p, ORIGIN, strict=True)] for p in ring]]
    up, left = slope_axes(make_scene(result).planes[0])
    assert up @ left == pytest.approx(0) and up[2] == pytest.approx(0) and up[1] > 0
    assert abs(left @ np.array([8.0, 2.0, 0.0])) == pytest.approx(math.hypot(8, 2))


# --------------------------------------------------------------------------------- projection, 3D


def test_projection_is_orthonormal_and_sees_north_up_from_above() -> None:
    right, up, towards = render3d.look_from(180.0, 89.999)
    frame = np.array([right, up, towards])
    assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(frame) == pytest.approx(1.0)
    view = render3d.View(right, up, towards, np.zeros(3), 0.01, 400, 300)
    assert view.project(np.array([[1.0, 0.5, 0.0]]))[0] == pytest.approx([300.0, 100.0], abs=0.1)


def test_depth_and_colours_of_the_3d_view() -> None:
    """A red square two metres above a blue one: red hides blue, depth differs by two metres."""
    square = np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])[[[0, 1, 2], [0, 2, 3]]]
    triangles = np.concatenate([square * [2, 2, 1], square + np.array([0, 0, 2.0])])
    colours = np.array([[10, 20, 200]] * 2 + [[200, 30, 10]] * 2)
    empty = render3d.Solid(triangles, colours, np.zeros((0, 2, 3)), np.zeros((0, 3), dtype=int), np.zeros(0))
    right, up, towards = render3d.look_from(180.0, 89.999)
    view = render3d.View(right, up, towards, np.zeros(3), 0.02, 300, 240)
    drawn = render3d.render(empty, view, (255, 255, 255))
    if isinstance(drawn, str):
        pytest.skip(f"no GL library here: {drawn}")
    image, depth = drawn
    assert tuple(image[120, 150]) == (200, 30, 10)
    assert tuple(image[120, 150 + 75]) == (10, 20, 200)
    assert tuple(image[3, 3]) == (255, 255, 255) and depth[3, 3] == -np.inf
    assert depth[120, 150] - depth[120, 150 + 75] == pytest.approx(2.0, abs=0.01)


def test_without_a_gl_library_the_sheet_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A child that dies by a signal, as VTK does without GL libraries, must not take us along."""
    dying = tmp_path / "python"
    dying.write_text("#!/bin/sh\nkill -SEGV $$\n")
    dying.chmod(0o755)
    monkeypatch.setattr(render3d.sys, "executable", str(dying))
    reason = draw_picture(sample(), None, tmp_path / "x.png", size=SMALL)
    assert "status -11" in reason
    assert (tmp_path / "x.png").stat().st_size > 10_000
    assert "status -11" in draw_picture(sample(), None, tmp_path / "y.png", size=SMALL, view="oblique")


def test_creases_of_a_box_are_its_twelve_edges() -> None:
    box = trimesh.creation.box()
    assert len(creases(box.triangles)) == 12
    # an open shell shows its rim: the top alone is a square of two triangles
    top = box.triangles[box.face_normals[:, 2] > 0.5]
    assert len(creases(top)) == 4


def test_bars_are_closed_and_have_their_volume() -> None:
    corners = bar_triangles(np.array([[[0.0, 0, 0], [1, 2, 3]], [[5.0, 0, 0], [5, 0, 1]]]), 0.1)
    mesh = trimesh.Trimesh(**trimesh.triangles.to_kwargs(corners), process=True)
    mesh.merge_vertices()
    assert mesh.is_watertight
    hexagon = 6 * 0.5 * 0.1**2 * math.sin(math.radians(60))
    assert mesh.volume == pytest.approx(hexagon * (math.sqrt(14) + 1))


# -------------------------------------------------------------------------------------------- words


def test_printed_figures_never_look_better() -> None:
    assert length_text(4.851, "m", "up") == "4.86 m"
    assert length_text(2.859, "m", "down") == "2.85 m"
    assert length_text(-0.001, "m", "down") == "−0.01 m"
    assert length_text(None, "m", "up") == length_text(float("nan"), "m", "up") == "–"


def test_round_lengths_for_scale_bars() -> None:
    assert [round_length(v, "m") for v in (0.7, 1.0, 4.9, 5.0, 19.0)] == pytest.approx([0.5, 1, 2, 5, 10])
    assert round_length(7.0, "ft") / 0.3048 == pytest.approx(20.0)


# ------------------------------------------------------------------------------------------- pixels


def pixels(path: Path) -> Any:
    from PIL import Image

    with Image.open(path) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def count(image: Any, colour: Rgb) -> int:
    return int((np.abs(image - np.array(colour)).max(axis=2) <= 2).sum())


@pytest.fixture(scope="module")
def plan_pixels(tmp_path_factory: pytest.TempPathFactory) -> Any:
    path = tmp_path_factory.mktemp("picture") / "plan.png"
    draw_picture(sample(), None, path, size=(1800, 1200), view="plan")
    return pixels(path)


def test_states_and_bands_that_the_result_holds_are_seen(plan_pixels: Any) -> None:
    field = plan_pixels[:, :1400]  # left of the legend
    scene = make_scene(sample())
    for state in ("short", "swing", "arrest"):
        assert count(field, EDGE_STYLES[state].colour) > 300, state
    assert count(field, EDGE_STYLES["unassessed"].colour) < 100
    assert scene.cells is not None
    scale = scale_for(scene.cells.margins)
    present = set(scale.bands(scene.cells.margins[np.isfinite(scene.cells.margins)]).tolist())
    for band, colour in enumerate(scale.colours()):
        assert (count(field, colour) > 500) == (band in present), band


def test_area_of_a_colour_is_the_area_in_the_result(plan_pixels: Any) -> None:
    """Pixels of the worst band against square metres of its cells, by the scale of the picture."""
    scene = make_scene(sample())
    assert scene.cells is not None
    scale = scale_for(scene.cells.margins)
    made = patches(scene, scale)
    field = plan_pixels[:, :1400]
    areas = {}
    for band, colour in enumerate(scale.colours()):
        metres = sum(p.area.area for p in made if p.band == band)
        if metres > 8:
            areas[band] = count(field, colour) / metres
    assert len(areas) >= 2
    # edges, ropes, arrows and labels cover a part of each
    assert max(areas.values()) / min(areas.values()) < 1.35


def hillside() -> Roof:
    """The shed on a slope that reaches far beyond any frame."""
    roof = sample_roof()
    vertices = np.concatenate(
        [roof.mesh.vertices, [[-90.0, -90, 0.6], [90, -90, 0.6], [90, 90, -0.4], [-90, 90, -0.4]]]
    )
    triangles = np.concatenate([roof.mesh.triangles, [[10, 11, 12], [10, 12, 13]]])
    rows = np.array([len(triangles) - 2, len(triangles) - 1])
    ground = replace(roof.facets[0], id="F1", kind="ground", triangles=rows)
    mesh = replace(roof.mesh, vertices=vertices, triangles=triangles, oriented=np.ones(len(triangles), bool))
    return replace(roof, mesh=mesh, facets=(*roof.facets, ground))


def test_ground_stays_in_its_frame_and_pale(tmp_path: Path) -> None:
    draw_picture(sample(), hillside(), tmp_path / "x.png", size=(1800, 1200), view="plan")
    image = pixels(tmp_path / "x.png")
    # frame of the plan: 30 px from the left, legend at the right
    assert count(image[300:900, 34:200], GROUND) > 50_000
    assert count(image[300:900, :28], PAPER) == 600 * 28
    assert count(image[:140], GROUND) == 0


def crowded() -> dict[str, Any]:
    """The sample with each of its segments cut in six, all of them short."""
    result = sample()
    pieces = []
    for s in result["edge_segments"]:
        cuts = np.linspace(s["from_m"], s["to_m"], 7)
        for k in range(6):
            margin = -0.5 - 0.01 * len(pieces)
            pieces.append(s | {"from_m": cuts[k], "to_m": cuts[k + 1], "state": "short", "margin_m": margin})
    result["edge_segments"] = pieces
    return result


@pytest.mark.parametrize("most", [8, 12])
def test_labels_do_not_cover_each_other(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    seen: list[Any] = []
    drawn = plan_view._draw_label

    def watched(canvas: Canvas, label: Any, unit: float) -> None:
        seen.append(label)
        drawn(canvas, label, unit)

    monkeypatch.setattr(plan_view, "_draw_label", watched)
    scene = make_scene(crowded())
    box = (0.0, 0.0, 900.0, 800.0)
    plan_view.plan_panel(Canvas(900, 800), box, scene, (), {}, load_texts(), "m", 1.0, most)
    assert [label.number for label in seen] == list(range(1, most + 1))
    assert any(not label.lines for label in seen), "crowded: some have a number alone"
    for k, label in enumerate(seen):
        size = (label.box[2] - label.box[0]) * (label.box[3] - label.box[1])
        assert overlap(label.box, box) == pytest.approx(size)
        for other in seen[:k]:
            assert overlap(label.box, other.box) < 0.05 * size


def test_same_input_same_bytes(tmp_path: Path) -> None:
    for name in ("a.png", "b.png"):
        draw_picture(sample(), sample_roof(), tmp_path / name, size=SMALL)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_site_offset_changes_nothing_in_the_picture(tmp_path: Path) -> None:
    shifted = copy.deepcopy(sample())

    def shift(value: Any) -> Any:
        if isinstance(value, list) and len(value) == 3 and all(isinstance(v, float) for v in value):
            return [a - b for a, b in zip(value, ORIGIN, strict=True)]
        if isinstance(value, list):
            return [shift(v) for v in value]
        return {k: shift(v) for k, v in value.items()} if isinstance(value, dict) else value

    draw_picture(sample(), None, tmp_path / "a.png", size=SMALL, view="plan")
    draw_picture(shift(shifted), None, tmp_path / "b.png", size=SMALL, view="plan")
    a, b = pixels(tmp_path / "a.png"), pixels(tmp_path / "b.png")
    # float noise of 10^6 m may move a line by a subpixel; the words are the same
    assert (np.abs(a - b).max(axis=2) > 40).mean() < 0.002


@pytest.mark.parametrize("view", ["plan", "oblique"])
def test_golden_pictures(tmp_path: Path, view: str) -> None:
    """Few, small, with tolerance: fonts and drawing differ a little between library versions."""
    path = tmp_path / f"{view}.png"
    reason = draw_picture(sample(), sample_roof(), path, size=SMALL, view=view)
    if reason:
        pytest.skip(f"no 3D view here: {reason}")
    golden = GOLDEN / f"{view}.png"
    if os.environ.get("ROOF3D_NEW_PICTURES"):
        golden.parent.mkdir(exist_ok=True)
        golden.write_bytes(path.read_bytes())
    wanted, got = pixels(golden), pixels(path)
    assert wanted.shape == got.shape
    assert (np.abs(wanted - got).max(axis=2) > 60).mean() < 0.02


def test_pictures_in_feet_and_of_a_roof_alone(tmp_path: Path) -> None:
    draw_picture(sample(), None, tmp_path / "ft.png", size=SMALL, units="ft", view="plan")
    bare = {key: sample()[key] for key in ("schema", "model", "planes", "edges")}
    draw_picture(bare, None, tmp_path / "bare.png", size=SMALL, view="plan")
    assert count(pixels(tmp_path / "bare.png")[:, :600], EDGE_STYLES["unassessed"].colour) > 50


def test_an_anchor_line_is_drawn(tmp_path: Path) -> None:
    result = sample()
    result["anchors"][0] = {
        "id": "H1",
        "kind": "line",
        "points": [[ORIGIN[0] + x, ORIGIN[1] + 5, ORIGIN[2] + 6.6] for x in (1.0, 6.0, 11.0)],
        "policy": "fixed",
        "line_length_m": 3.0,
    }
    draw_picture(result, None, tmp_path / "x.png", size=SMALL, view="plan")
    assert make_scene(result).anchors[0].kind == "line"


def test_png_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(render3d, "render", lambda *_: "left out here, for speed")
    made, lacking = draw_set(sample(), None, tmp_path / "new" / "folder", size=SMALL)
    assert lacking == "left out here, for speed"
    assert {path.name for path in made} == {"sheet.png", "views.png", "plan.png", "oblique.png"}
    assert all(path.stat().st_size > 5000 for path in made)


def test_the_command_writes_a_set_or_one_view(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(render3d, "render", lambda *_: "left out here, for speed")
    source = tmp_path / "r.json"
    source.write_text(json.dumps(sample()))
    size = ["--size", "900x600", "--quiet"]
    assert main(["picture", str(source), "--set", str(tmp_path / "set"), *size]) == 0
    assert len(list((tmp_path / "set").iterdir())) == 4
    assert main(["picture", str(source), "--view", "views", *size]) == 0
    assert source.with_suffix(".png").read_bytes() == (tmp_path / "set" / "views.png").read_bytes()
    assert main(["picture", str(source), "--set", str(tmp_path / "b"), "--out", "x.png", *size]) == 2
    assert not (tmp_path / "b").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"view": "side"}, "sheet, views, plan, oblique"),
        ({"size": (10, 10)}, "600 to 8000"),
        ({"size": (900, 90000)}, "600 to 8000"),
    ],
)
def test_bad_options_are_refused(tmp_path: Path, options: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        draw_picture(sample(), None, tmp_path / "x.png", **options)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"schema": "something/1"}, "roof3d-result/1"),
        ({"planes": []}, "planes"),
        ({"edges": None}, "edges"),
        ({"anchors": [{"id": "A", "at": [0.0, float("nan"), 1.0]}]}, r"anchors 1 \(A\)"),
        ({"anchors": [{"id": "A", "at": "here"}]}, r"anchors 1 \(A\)"),
    ],
)
def test_a_broken_result_is_one_clear_line(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        draw_picture({**sample(), **change}, None, tmp_path / "x.png", size=SMALL)
    assert list(tmp_path.iterdir()) == []


def test_a_roof_of_another_model_is_refused(tmp_path: Path) -> None:
    result = sample()
    result["model"]["sha256"] = "00" * 32
    with pytest.raises(InputError, match="SHA-256"):
        draw_picture(result, sample_roof(), tmp_path / "x.png")


def test_nothing_half_written_where_nothing_can_be(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can be written"):
        draw_picture(sample(), None, tmp_path / "no" / "x.png", size=SMALL, view="plan")


def test_hostile_names_are_drawn_as_they_stand(tmp_path: Path) -> None:
    result = sample()
    result["plan"]["title"] = "=1+1 #panic <script>\n\x00\u202e" + "W" * 500
    result["anchors"][0]["id"] = "A" * 400
    result["model"]["file"] = "../../" + "x" * 300
    draw_picture(result, None, tmp_path / "x.png", size=SMALL, view="plan")
    canvas = Canvas(10, 10)
    assert canvas.fit("W" * 500, 20, 100).endswith("…")


# ---------------------------------------------------------------------------------------------- GLB


def read_glb(path: Path) -> dict[str, Any]:
    data = path.read_bytes()
    magic, version, size = struct.unpack_from("<4sII", data)
    assert (magic, version, size) == (b"glTF", 2, len(data))
    length, kind = struct.unpack_from("<I4s", data, 12)
    assert kind == b"JSON"
    document: dict[str, Any] = json.loads(data[20 : 20 + length])
    return document


def test_glb_opens_elsewhere_with_the_right_place_and_colours(tmp_path: Path) -> None:
    path = tmp_path / "x.glb"
    write_glb(sample(), sample_roof(), path)
    scene = trimesh.load_scene(path)
    low, high = scene.bounds
    # y up: (x, z, -y); the ridge is the highest thing but for the posts of the anchors, 0.3 m
    ridge = EAVE + WIDTH / 2 * math.tan(math.radians(PITCH))
    assert low == pytest.approx([0, 0, -WIDTH], abs=0.1) and high[0] == pytest.approx(LENGTH, abs=0.1)
    assert high[1] == pytest.approx(ridge + 0.3, abs=0.3)
    document = read_glb(path)
    assert document["asset"]["extras"]["local_origin_m"] == list(ORIGIN)
    names = [node["name"] for node in document["nodes"]]
    assert any(name.startswith("short E") for name in names) and "building" in names
    node = next(n for n in document["nodes"] if n["name"].startswith("short E6"))
    assert node["extras"]["margin_m"] == pytest.approx(sample()["summary"]["worst_margin_m"])
    attributes = document["meshes"][node["mesh"]]["primitives"][0]["attributes"]
    view = document["bufferViews"][document["accessors"][attributes["COLOR_0"]]["bufferView"]]
    data = path.read_bytes()
    start = 20 + struct.unpack_from("<I", data, 12)[0] + 8 + view["byteOffset"]
    colour = np.frombuffer(data[start : start + view["byteLength"]], dtype="<f4").reshape(-1, 4)
    # glTF 2.0, 3.7.2.1: COLOR_0 is in linear light; sRGB 196 is 0.552 there (IEC 61966-2-1)
    assert EDGE_STYLES["short"].colour[0] == 196
    assert colour[:, 0] == pytest.approx(0.552, abs=0.001) and (colour[:, 3] == 1).all()


def test_glb_is_the_same_twice_and_accessors_fit(tmp_path: Path) -> None:
    for name in ("a.glb", "b.glb"):
        write_glb(sample(), None, tmp_path / name)
    assert (tmp_path / "a.glb").read_bytes() == (tmp_path / "b.glb").read_bytes()
    document = read_glb(tmp_path / "a.glb")
    for accessor in document["accessors"]:
        view = document["bufferViews"][accessor["bufferView"]]
        width = {"VEC3": 12, "VEC4": 16}[accessor["type"]]
        assert view["byteLength"] == accessor["count"] * width
        assert view["byteOffset"] % 4 == 0


def test_an_anchor_on_the_ridge_is_set_out_along_it() -> None:
    """Tie-off point 5 cm above the ridge, at x = 3.0: nil up, 5 m / cos 22 down, 3 m and 9 m level."""
    result = sample()
    ridge = ORIGIN[2] + EAVE + 5.0 * math.tan(math.radians(PITCH))
    result["anchors"][0]["at"] = [ORIGIN[0] + 3.0, ORIGIN[1] + 5.0, ridge + 0.05]
    entry = set_out(make_scene(result))[0]
    assert entry.plane == "P1" and entry.above_m == pytest.approx(0.05, abs=0.002)
    measured = {t.direction: (round(t.surface_m, 2), t.kind) for t in entry.tapes}
    slope = round(5.0 / math.cos(math.radians(PITCH)), 2)
    assert measured == {
        "up": (0.0, "ridge"),
        "down": (slope, "eave"),
        "left": (3.0, "rake"),
        "right": (9.0, "rake"),
    }


def test_room_left_does_not_hide_a_swing_over_its_limit(tmp_path: Path) -> None:
    result = sample()
    for cell in result["exposure"]["cells"]:
        if cell["margin_m"] is not None:
            cell |= {"state": "swing", "margin_m": 0.5}
    made = [p for p in patches(make_scene(result), Scale(0.2, "m")) if p.kind == "margin"]
    assert made and all(p.swings for p in made)
    draw_picture(result, None, tmp_path / "x.png", size=(1800, 1200), view="plan")
    result["edge_segments"] = []
    draw_picture(result, None, tmp_path / "x.png", size=(1800, 1200), view="plan")
    assert count(pixels(tmp_path / "x.png")[:, :1400], EDGE_STYLES["swing"].colour) > 400


def test_a_guarded_edge_is_not_drawn_as_out_of_reach() -> None:
    result = sample()
    for segment in result["edge_segments"]:
        if segment["edge"] == "E1":
            segment |= {"state": "beyond", "protection": "guardrail", "margin_m": None}
    scene = make_scene(result)
    assert {s.state for s in scene.stretches if s.edge == "E1"} == {"guarded"}
    # a state that says a fall is possible stands, whatever guards it
    result["edge_segments"][0] |= {"state": "short", "margin_m": -1.0}
    assert "short" in {s.state for s in make_scene(result).stretches if s.edge == "E1"}


@pytest.mark.parametrize("key", ["planes", "edges", "edge_segments", "anchors"])
@pytest.mark.parametrize("garbage", [None, "x", -1, [], {}, [[1, 2]], float("nan")])
def test_a_result_edited_by_hand_is_drawn_or_refused_in_one_line(key: str, garbage: Any) -> None:
    for name in list(sample()[key][0]):
        for remove in (True, False):
            result = sample()
            if remove:
                del result[key][0][name]
            else:
                result[key][0][name] = garbage
            try:
                make_scene(result)
            except InputError as error:
                assert "\n" not in str(error)


def test_a_cell_without_a_place_is_refused() -> None:
    result = sample()
    result["exposure"]["cells"][0]["at"] = [None, 0.0, 0.0]
    with pytest.raises(InputError, match="exposure cells 1"):
        make_scene(result)
