"""Edges of real buildings: kinds, lengths and fall flags against the reference beside them.

The reference has its kinds from the same polygons by rules of its own; two buildings were read through by
hand (see the README of the data). Every stretch that it calls a fall edge must be one here: no exception.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from roof3d.building import build
from roof3d.records import Edge, Roof
from tests.conftest import shared_data, shared_truth

NAMES = [
    "bsi_house_ifc",
    "denhaag_gable",
    "denhaag_parts_nasty",
    "nl_rowhouse_dormer",
    "rotterdam_block_nasty",
    "vienna_hip_valley",
    "vienna_many_planes",
    "vienna_valley",
    "zurich_gable_open",
    "zurich_hip_bellcast",
]
KINDS = {
    "flat_edge": ["flat"],
    "break_convex": ["break"],
    "break_concave": ["break"],
    "crease": ["break"],
}
# where the rules differ, as shares of the length: the open shaft of 3.38 m girth is an opening here
ALIKE = {"bsi_house_ifc": 0.915, "nl_rowhouse_dormer": 0.99, "rotterdam_block_nasty": 0.98}


@cache
def roof_of(name: str) -> Roof:
    return build(shared_data(name) / f"{name}.obj", unit="m", up="z")


def along(edge: Edge, point: Any) -> float:
    """Distance of a point from an edge."""
    start, end = edge.points[0], edge.points[-1]
    axis = end - start
    at = np.clip((point - start) @ axis / (axis @ axis), 0.0, 1.0)
    return float(np.linalg.norm(start + at * axis - point))


def samples(truth: dict[str, Any], origin: Any) -> tuple[Any, Any, float]:
    start, end = np.array(truth["a"]) - origin, np.array(truth["b"]) - origin
    share = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    axis = (end - start) / np.linalg.norm(end - start)
    return start + share[:, None] * (end - start), axis, truth["length_m"] / len(share)


def near(roof: Roof, point: Any, axis: Any) -> list[Edge]:
    """Edges through a point (within 6 cm), in the direction of ``axis`` within 6 deg."""
    found = []
    for edge in roof.edges:
        own = (edge.points[-1] - edge.points[0]) / edge.length_m
        if abs(float(own @ axis)) > 0.994 and along(edge, point) < 0.06:
            found.append(edge)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_every_fall_edge_of_the_reference_is_one(name: str) -> None:
    roof = roof_of(name)
    for truth in shared_truth(name)["computed"]["edges"]:
        # under 10 cm: corners cut off by a hand's width, joined here to the straight edges beside them
        if truth.get("side") != "fall" or truth["length_m"] < 0.1:
            continue
        points, axis, _ = samples(truth, roof.mesh.origin)
        for point in points:
            assert any(edge.fall for edge in near(roof, point, axis)), (truth["kind"], truth["a"], truth["b"])


@pytest.mark.parametrize("name", NAMES)
def test_kinds_and_lengths(name: str) -> None:
    roof = roof_of(name)
    good = total = 0.0
    for truth in shared_truth(name)["computed"]["edges"]:
        kinds = KINDS.get(truth["kind"], [truth["kind"]])
        if truth.get("side") in ("abuts_wall", "wall_passes"):
            kinds = ["abutment"]
        points, axis, weight = samples(truth, roof.mesh.origin)
        for point in points:
            total += weight
            good += weight * any(edge.kind in kinds for edge in near(roof, point, axis))
    assert good >= ALIKE.get(name, 0.995) * total
    # nothing beyond the reference but the break in the bent polygon
    own = sum(edge.length_m for edge in roof.edges)
    assert own == pytest.approx(total, rel=0.01, abs=4.9 if name == "denhaag_parts_nasty" else 0.1)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_no_fall_edge_is_not_made_one_without_a_reason(name: str) -> None:
    """False alarms: at most 2 % of the length that does not fall, each with its doubt stated."""
    roof = roof_of(name)
    alarm = total = 0.0
    for truth in shared_truth(name)["computed"]["edges"]:
        if truth.get("side") == "fall":
            continue
        points, axis, weight = samples(truth, roof.mesh.origin)
        for point in points:
            total += weight
            found = near(roof, point, axis)
            if found and not any(not edge.fall for edge in found):
                alarm += weight
    assert alarm <= 0.02 * total


@pytest.mark.parametrize("name", NAMES)
def test_fall_edges_form_closed_walks_or_end_at_other_boundaries(name: str) -> None:
    """Each node that a boundary edge reaches is reached by another one: no loose ends."""
    roof = roof_of(name)
    inner = {"ridge", "hip", "valley", "break"}
    for node in roof.graph.nodes:
        there = [data["edge"] for _, _, data in roof.graph.edges(node, data=True)]
        boundary = [edge for edge in there if edge.kind not in inner]
        assert len(boundary) != 1, (node, roof.graph.nodes[node]["point"], [e.id for e in there])
        for edge in there:
            ends = [np.linalg.norm(p - roof.graph.nodes[node]["point"]) for p in edge.points[[0, -1]]]
            assert min(ends) < 0.08


# where an edge of the reference is told as one and falls on a part of its length: here it falls for longer
SPLIT = {"rotterdam_block_nasty": [(21.449, 6.270, 6.481), (18.076, 38.851, 7.086)]}
# nodes whose ends lie apart: true steps of less than 5 cm from one to the next, taken for one corner
SPREAD = {
    "nl_rowhouse_dormer": [0.030, 0.053],
    "vienna_hip_valley": [0.028],
    "vienna_many_planes": [0.078],
}


@pytest.mark.parametrize("name", NAMES)
def test_edges_end_where_those_of_the_reference_do(name: str) -> None:
    """Within 1.1 cm; 2.5 cm at a corner of the scanned roof whose edges are shorter than 5 cm."""
    roof = roof_of(name)
    known = np.array([[e["a"], e["b"]] for e in shared_truth(name)["computed"]["edges"]]).reshape(-1, 3)
    known = np.vstack([known, np.array(SPLIT.get(name, [])).reshape(-1, 3)])
    for edge in roof.edges:
        for end in edge.points[[0, -1]] + roof.mesh.origin:
            off = float(np.linalg.norm(known - end, axis=1).min())
            assert off < (0.025 if name == "nl_rowhouse_dormer" else 0.011), (edge.id, end)


@pytest.mark.parametrize("name", NAMES)
def test_ends_that_are_one_node_are_one_corner(name: str) -> None:
    roof = roof_of(name)
    spreads = []
    for node in roof.graph.nodes:
        ends = np.array(
            [
                point
                for _, _, data in roof.graph.edges(node, data=True)
                for point, end in zip(data["edge"].points[[0, -1]], data["edge"].ends, strict=True)
                if end == node
            ]
        )
        spreads.append(float(np.linalg.norm(ends[:, None] - ends[None], axis=2).max()))
    assert sorted(s for s in spreads if s > 0.01) == pytest.approx(SPREAD.get(name, []), abs=0.001)
