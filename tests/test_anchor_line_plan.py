"""Anchor lines through real plans: read, checked, explained and drawn by the command line.

Places, people and lines are invented. The gable model is 12 m by 8 m with overhangs of 0.4 m and 0.5 m, its
ridge along x at y = 4, 5.25 m up, its eaves 3 m up.
"""

from __future__ import annotations

import json
import shutil
from itertools import pairwise
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from PIL import Image

from roof3d.cli import main
from roof3d.show.scene import make_scene
from tests.conftest import MODELS

HEAD = """
rules = "us-construction"
[model]
file = "gable.glb"
grade = 0.0
[worker]
mass = "100 kg"
attachment_height = "1.5 m"
[line]
length = "2.5 m"
[line.absorber]
average_force = "4 kN"
least_force = "4 kN"
peak_force = "5.5 kN"
maximum_extension = "1.75 m"
[line.rope]
elongation = "2 %"
[[work]]
polygon = [[5.0, 3.0], [7.0, 3.0], [7.0, 5.0], [5.0, 5.0]]
"""


STEEL = 'stiffness = "1 MN"\nstrength = "80 kN"'


def line_text(*points: tuple[float, ...], rope: str = STEEL, **keys: object) -> str:
    """A table [[anchor_line]] through the points; ``supports`` is a list of tables' texts."""
    supports = keys.pop("supports", [])
    assert isinstance(supports, list)
    said = {"id": "H1", "pretension": "60 N", **keys}
    lines = ["[[anchor_line]]", f"points = {[list(p) for p in points]}"]
    lines += [f"{key} = {json.dumps(value)}" for key, value in said.items()]
    lines += ["[anchor_line.rope]", rope]
    for support in supports:
        lines += ["[[anchor_line.support]]", support]
    return "\n".join(lines)


def run(folder: Path, *lines: str, head: str = HEAD) -> tuple[int, dict[str, Any]]:
    """Exit status and result of a plan with these anchor lines."""
    if not (folder / "gable.glb").exists():
        shutil.copy(MODELS / "gable.glb", folder)
    (folder / "plan.toml").write_text("\n".join([head, *lines]))
    status = main(["check", str(folder / "plan.toml"), "--json", str(folder / "result.json"), "--quiet"])
    return status, json.loads((folder / "result.json").read_text())


def drawn(path: Path) -> tuple[tuple[int, int], tuple[int, int]]:
    """Columns of a plan view taken by the house's edges that are short (red) and by the line (black)."""
    pixels = np.asarray(Image.open(path).convert("RGB")).astype(int)
    high, wide = pixels.shape[:2]
    pixels = pixels[high // 6 : -high // 6, : wide * 3 // 4]  # no title, no legend
    red = (pixels[..., 0] > 150) & (pixels[..., 1] < 60) & (pixels[..., 2] < 70)
    house = np.flatnonzero(red.sum(axis=0) > 100)
    dark = pixels.max(axis=2) < 60
    line = np.flatnonzero(dark[int(dark.sum(axis=1).argmax())])
    return (int(house.min()), int(house.max())), (int(line.min()), int(line.max()))


def codes(data: dict[str, Any]) -> set[str]:
    return {finding["code"] for finding in data["findings"]}


TREE, VAN, STAKE = (-9.0, 4.0, 6.2), (21.0, 4.0, 4.0), (6.0, 16.0, 0.2)
ONE, TWO = (3.0, 4.0, 5.35), (9.0, 4.0, 5.35)


def test_a_line_from_a_tree_over_two_supports_to_a_van_behind(tmp_path, capsys):
    """End anchors off the building, one rigid and one flexible support, two workers: all of it is shown."""
    supports = [
        f'at = {list(ONE)}\nkind = "rigid"\nrating = "45 kN"',
        f'at = {list(TWO)}\nkind = "flexible"\nstiffness = "80 kN/m"',
    ]
    text = line_text(
        TREE,
        ONE,
        TWO,
        VAN,
        workers=2,
        maximum_workers=4,
        maximum_span="75 ft",
        end_rating="100 kN",
        support_rating="12 kN",
        supports=supports,
    )
    status, data = run(tmp_path, text)
    assert status == 1
    (anchor,) = data["anchors"]
    assert anchor["kind"] == "line"
    assert anchor["arrest"]["workers"] == 2
    assert [load["kind"] for load in anchor["loads"]] == ["end", "rigid", "flexible", "end"]
    assert [load["rating_kN"] for load in anchor["loads"]] == [100, 45, 12, 100]
    for load in anchor["loads"]:
        vector = np.array(load["vector_kN"])
        assert np.linalg.norm(vector) == pytest.approx(load["load_kN"], abs=1e-4)
        assert load["needs_kN"] == pytest.approx(2 * load["load_kN"], abs=1e-4)
    assert anchor["loads"][0]["vector_kN"][0] > 0 > anchor["loads"][-1]["vector_kN"][0]
    # short where the rating is less than twice the load, not where it is enough
    verdicts = [load["verdict"] for load in anchor["loads"]]
    assert verdicts[2] == "short"
    assert verdicts[0] == ("ok" if anchor["loads"][0]["needs_kN"] <= 100 else "short")
    assert "anchor-rating-short" in codes(data)
    assert "span-over-limit" not in codes(data)
    assert "workers-over-limit" not in codes(data)
    capsys.readouterr()
    result = str(tmp_path / "result.json")
    assert main(["explain", result, "H1"]) == 0
    said = capsys.readouterr().out
    for words in (
        "loads/2/vector_kN",
        "spans/2/deflection_m",
        "y = sqrt(S^2 - l^2) / 2",
        "arrest/workers = 2",
    ):
        assert words in said, words
    assert "2 in span" in said
    # the pull of a span from the arrest forces of both: T = P / (2 sin q)
    assert main(["explain", result, "H1/spans/0/pull_kN"]) == 0
    assert "solved" in capsys.readouterr().out
    picture = tmp_path / "result.png"
    assert main(["picture", result, "--out", str(picture), "--view", "plan"]) == 0
    house, line = drawn(picture)
    assert line[0] < house[0] - 100  # the tree
    assert line[1] > house[1] + 100  # the van


@pytest.mark.parametrize(("kind", "crews"), [("rigid", (1, 2, 3, 4)), ("pass-through", (1, 4))])
def test_one_to_four_workers_never_sag_or_load_less(tmp_path, kind, crews):
    ends, sags, needed = [], [], []
    for workers in crews:
        _, data = run(
            tmp_path, line_text(TREE, ONE, VAN, workers=workers, maximum_workers=4, support_kind=kind)
        )
        (anchor,) = data["anchors"]
        assert anchor["arrest"]["workers"] == workers
        ends.append(anchor["loads"][0]["load_kN"])
        sags.append(anchor["spans"][0]["deflection_m"])
        needed.append(max(s["clearance_required_m"] or 0.0 for s in data["edge_segments"]))
    assert ends == sorted(ends)
    assert sags == sorted(sags)
    assert all(b >= a - 1e-6 for a, b in pairwise(needed))
    assert ends[-1] > 1.5 * ends[0]


def test_more_workers_than_allowed_are_a_finding(tmp_path):
    status, data = run(tmp_path, line_text(TREE, VAN, workers=2, maximum_workers=1))
    assert status == 1
    assert "workers-over-limit" in codes(data)


def at_the_eave(data: dict[str, Any]) -> dict[str, Any]:
    """The worst segment of the eaves at the middle of the house."""
    eaves = {edge["id"] for edge in data["edges"] if edge["kind"] == "eave"}
    found = [
        s
        for s in data["edge_segments"]
        if s["edge"] in eaves
        and s["margin_m"] is not None
        and min(s["start"][0], s["end"][0]) <= 6 <= max(s["start"][0], s["end"][0])
    ]
    assert found
    worst: dict[str, Any] = min(found, key=lambda s: s["margin_m"])
    return worst


def test_a_span_over_the_makers_limit_until_a_support_leaves_a_short_one_at_the_place_of_work(tmp_path):
    """Common practice, no published source: spans over a maker's limit of 75 ft are not allowed, so a line of
    115 ft is a finding until a support leaves a span of 35 ft at the place of work."""
    foot = 0.3048
    start, end = (6.0 - 17.5 * foot - 12.0, 4.0, 5.6), (6.0 - 17.5 * foot - 12.0 + 115 * foot, 4.0, 5.6)
    first, second = (6.0 - 17.5 * foot, 4.0, 5.6), (6.0 + 17.5 * foot, 4.0, 5.6)
    limit = {"maximum_span": "75 ft", "pretension": "12.5 lbf"}
    head = HEAD.replace('length = "2.5 m"', 'length = "4.6 m"')
    _, long = run(tmp_path, line_text(start, end, **limit), head=head)
    _, split = run(tmp_path, line_text(start, first, second, end, support_kind="rigid", **limit), head=head)
    assert long["anchors"][0]["spans"][0]["length_m"] == pytest.approx(115 * foot, abs=1e-5)
    assert "span-over-limit" in codes(long)
    assert "span-over-limit" not in codes(split)
    (middle,) = [s for s in split["anchors"][0]["spans"] if abs(s["length_m"] - 35 * foot) < 1e-5]
    whole = long["anchors"][0]["spans"][0]
    assert middle["deflection_m"] == pytest.approx(whole["deflection_m"] * 35 / 115, rel=0.02)
    far, near = at_the_eave(long), at_the_eave(split)
    assert near["clearance_required_m"] < far["clearance_required_m"]


def test_the_room_left_in_a_fall_that_ended_a_foot_above_the_ground(tmp_path):
    """Common practice, no published source: a fall over a 115 ft unsupported span took about 8.5 ft and
    ended about 1 ft above the ground, so the edge stood about 9.5 ft high; the model's eaves are put at that
    height. With the rule set's margin of 2 ft such a place is short, by at least the foot that lacks, and the
    support that leaves 35 ft makes the room needed less. The line's stiffness is that which sags by 8.5 ft
    under a person's weight (49,000 lbf per unit strain, 160 lbf); absorber and harness add nothing, so that
    the line's part is seen alone."""
    foot, pound = 0.3048, 4.4482216152605
    head = HEAD.replace("grade = 0.0", f"grade = {3.0 - 9.5 * foot}")
    head = head.replace('length = "2.5 m"', 'length = "4.9 m"')
    head += "[clearance]\ndeceleration = 0.0\nharness_stretch = 0.0\n"
    start, end = (6.0 - 57.5 * foot, 4.0, 5.35), (6.0 + 57.5 * foot, 4.0, 5.35)
    first, second = (6.0 - 17.5 * foot, 4.0, 5.35), (6.0 + 17.5 * foot, 4.0, 5.35)
    rope = f'stiffness = "{49_000 * pound:.0f} N"\nstrength = "80 kN"'
    _, long = run(tmp_path, line_text(start, end, rope=rope, pretension="12.5 lbf"), head=head)
    _, split = run(
        tmp_path,
        line_text(start, first, second, end, rope=rope, pretension="12.5 lbf", support_kind="rigid"),
        head=head,
    )
    far, near = at_the_eave(long), at_the_eave(split)
    assert far["clearance_available_m"] == pytest.approx(9.5 * foot, abs=0.02)
    assert far["state"] == "short"
    assert far["margin_m"] < -1 * foot
    # the 1 ft that was left is what the sum leaves without the margin, or less
    assert far["margin_m"] + 2 * foot <= 1 * foot
    assert near["clearance_required_m"] < far["clearance_required_m"]
    assert near["margin_m"] > far["margin_m"]


def test_ends_and_supports_are_held_to_the_direction_that_they_are_rated_for(tmp_path, capsys):
    """Of a straight line along the ridge: ends are pulled along it, and by whoever falls beside them."""
    ends = [
        f'[[anchor_line.end]]\nat = {list(TREE)}\nrating = "90 kN"\ndirection = [1.0, 0.0, -0.1]',
        f'[[anchor_line.end]]\nat = {list(VAN)}\ndirection = [1.0, 0.0, 0.0]\ndirection_within = "30 deg"',
    ]
    support = f'at = {list(ONE)}\nrating = "60 kN"\ndirection = [0.0, 0.0, -1.0]\ndirection_within = "85 deg"'
    text = line_text(TREE, ONE, VAN, end_rating="80 kN", support_rating="50 kN", supports=[support])
    status, data = run(tmp_path, text, *ends)
    assert status == 1
    (anchor,) = data["anchors"]
    near, post, far = anchor["loads"]
    assert [load["rating_kN"] for load in anchor["loads"]] == [90, 60, 80]
    assert near["rated_direction"] == pytest.approx(
        [1 / np.hypot(1, 0.1), 0, -0.1 / np.hypot(1, 0.1)], abs=1e-6
    )
    assert (near["rated_within_deg"], far["rated_within_deg"], post["rated_within_deg"]) == (15, 30, 85)
    # the greatest load on the near end is along the line; who falls right beside it pulls it down
    load = np.array(near["vector_kN"])
    along = np.degrees(np.arccos(load @ near["rated_direction"] / np.linalg.norm(load)))
    assert along < 40 < near["off_direction_deg"]
    # the far end is pulled back toward the house: the wrong way round
    assert far["off_direction_deg"] > 150
    assert (near["verdict"], far["verdict"]) == ("unknown", "unknown")
    told = {f["element"] for f in data["findings"] if f["code"] == "anchor-direction"}
    assert {"H1, end 1", "H1, end 3"} <= told
    assert "H1, end 1" not in {
        f["element"] for f in data["findings"] if f["code"] == "anchor-direction-unknown"
    }
    capsys.readouterr()
    result = str(tmp_path / "result.json")
    for number in (0, 2):
        assert main(["explain", result, f"H1/loads/{number}/off_direction_deg"]) == 0
        said = capsys.readouterr().out
        assert "furthest" in said
    assert main(["explain", result, "H1/loads/0/rated_within_deg"]) == 0
    assert "ask the anchor's maker" in capsys.readouterr().out
    # rated for every way: nothing to find
    _, free = run(
        tmp_path,
        text,
        *(end.replace("direction = [1.0, 0.0, -0.1]", 'direction_within = "180 deg"') for end in ends),
    )
    assert "H1, end 1" not in {
        f["element"] for f in free["findings"] if f["code"].startswith("anchor-direction")
    }
    assert free["anchors"][0]["loads"][0]["rated_direction"] == "any"


def test_a_line_over_the_ridge_is_told_and_drawn_as_it_lies(tmp_path):
    """Askew over the gable, from high up in front to low down behind: it does not cross the ridge where the
    straight line between its ends does in plan."""
    front, back = (2.0, -4.0, 5.0), (9.0, 16.0, 0.5)
    _, data = run(tmp_path, line_text(front, back))
    (anchor,) = data["anchors"]
    lies = np.array(anchor["lies"])
    assert len(lies) > 2
    assert lies[0] == pytest.approx(front)
    assert lies[-1] == pytest.approx(back)
    length = float(np.linalg.norm(np.diff(lies, axis=0), axis=1).sum())
    assert length == pytest.approx(anchor["spans"][0]["length_m"], abs=0.005)
    over = lies[np.argmin(np.abs(lies[:, 1] - 4.0))]
    assert over[1:] == pytest.approx([4.0, 5.25], abs=0.01)
    chord = 2.0 + 7.0 * 8.0 / 20.0
    assert abs(over[0] - chord) > 0.1
    dxf = tmp_path / "line.dxf"
    assert main(["drawing", str(tmp_path / "result.json"), "--out", str(dxf)]) == 0
    drawn = [
        np.array([p[:2] for p in entity.get_points()])
        for entity in ezdxf.readfile(dxf).modelspace().query('LWPOLYLINE[layer=="ANCHOR-LINE"]')
    ]
    (line,) = drawn
    assert len(line) == len(lies)
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    assert steps / steps.sum() == pytest.approx(
        np.linalg.norm(np.diff(lies[:, :2], axis=0), axis=1)
        / np.linalg.norm(np.diff(lies[:, :2], axis=0), axis=1).sum(),
        abs=1e-4,
    )
    # seen from the side it is the rope over the ridge, not the straight line through the house
    made = make_scene(data, None)
    (mark,) = made.anchors
    assert mark.lies + made.origin == pytest.approx(lies)
    assert len(mark.points) == 2
    # an older result says nothing of it, and is drawn straight
    del anchor["lies"]
    assert make_scene(data, None).anchors[0].lies == pytest.approx(mark.points)


def test_a_rated_direction_that_says_nothing_leaves_a_note(tmp_path):
    _, data = run(tmp_path, line_text(TREE, VAN, end_rating="90 kN"))
    notes = [f for f in data["findings"] if f["code"] == "anchor-direction-unknown"]
    assert {f["severity"] for f in notes} == {"note"}
    assert {f["element"] for f in notes} == {"H1, end 1", "H1, end 2"}


def test_loads_that_no_rating_is_known_for_and_ropes_without_data_are_findings(tmp_path):
    status, data = run(tmp_path, line_text(TREE, ONE, VAN, rope='name = "low-stretch"'))
    assert status == 1
    assert {"anchor-rating-unknown", "anchor-line-strength-unknown"} <= codes(data)
    assert {load["verdict"] for load in data["anchors"][0]["loads"]} == {"unknown"}


@pytest.mark.parametrize(
    ("text", "place", "accepted"),
    [
        (line_text(TREE, VAN, rope='name = "spider silk"'), "rope.name", "low-stretch"),
        (line_text(TREE, VAN, rope='stiffness = "0 N"'), "stiffness", "more than zero"),
        (line_text(TREE, VAN, rope='stiffness = "-3 kN"'), "stiffness", "negative"),
        (line_text(TREE, TREE), "points", "another point"),
        (line_text(TREE, ONE, VAN, supports=["at = [3.0, 4.0, 9.0]"]), "support", "point between its ends"),
        (line_text(TREE, ONE, VAN, support_kind="flexible"), "support_stiffness", "force per metre"),
        (line_text(TREE, VAN, workers=5, maximum_workers=9), "workers", "1 to 4"),
        (line_text(TREE, VAN, pretension="-5 N"), "pretension", "zero or more"),
        (line_text((4.0, 4.0, 3.5), VAN), "H1", "outside"),
        (
            line_text(TREE, VAN, rope=f"{STEEL}\n[[anchor_line.end]]\nat = [0, 0, 9]"),
            "end[1].at",
            "first or last",
        ),
        (
            line_text(
                TREE, VAN, rope=f"{STEEL}\n[[anchor_line.end]]\nat = {list(VAN)}\ndirection = [0, 0, 0]"
            ),
            "direction",
            "not all zero",
        ),
        (
            line_text(
                TREE, VAN, rope=f"{STEEL}\n[[anchor_line.end]]\nat = {list(VAN)}\ndirection_within = 20"
            ),
            "direction_within",
            "direction beside it",
        ),
        (
            line_text(TREE, VAN, rope=STEEL + 2 * f"\n[[anchor_line.end]]\nat = {list(VAN)}\nrating = 9e4"),
            "end[2].at",
            "one table for each end",
        ),
        (
            line_text(TREE, ONE, VAN, supports=[f"at = {list(ONE)}", f"at = {list(ONE)}"]),
            "support[2].at",
            "one table for each support",
        ),
    ],
)
def test_impossible_lines_end_in_one_line_that_names_file_place_and_what_is_accepted(
    tmp_path, capsys, text, place, accepted
):
    shutil.copy(MODELS / "gable.glb", tmp_path)
    plan, out = tmp_path / "plan.toml", tmp_path / "result.json"
    plan.write_text(HEAD + text)
    assert main(["check", str(plan), "--json", str(out), "--quiet"]) == 2
    said = capsys.readouterr().err.strip()
    assert "\n" not in said
    assert str(plan) in said
    assert place in said
    assert accepted in said
    assert "nan" not in said
    assert not out.exists()
