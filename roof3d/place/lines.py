"""Places where anchor lines could be built: between candidates along straight edges, and level along slopes.

A line runs along an edge that takes candidates (ridges that go on in one another count as one), or along a
row of candidates at one height of a plane, on rafter after rafter. Ends and supports stand on candidates.
What is steeper than an anchor line may be (most hips) is left out: a traveller would run down it.
"""

from __future__ import annotations

import math
import tomllib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise

import numpy as np

from roof3d.place.candidates import SAME_M, Candidate, slope_axes
from roof3d.plan import rules_for
from roof3d.records import Edge, Floats, Plan, Roof

LEAST_M = 2.0  # shorter lines than this are not proposed
STRAIGHT = math.cos(math.radians(1.0))
PARTS: tuple[int, ...] = (1, 2, 3)
"""Along an edge: the whole length between its outermost candidates, its halves and thirds."""


@dataclass(frozen=True, eq=False)
class CandidateLine:
    """One place for an anchor line: end anchors and supports between, local frame."""

    id: str  # K1 ..
    points: Floats  # (n, 3)
    on: str  # id of the edge or plane


def steepest(plan: Plan) -> tuple[float, str]:
    """How many degrees off level an anchor line may run, and what is assumed where no rule says it."""
    rule = rules_for(plan).get("anchor_line_slope_limit_deg")
    if rule is not None:
        return rule, ""
    data = tomllib.loads(files("roof3d.place").joinpath("spacings.toml").read_text(encoding="utf-8"))
    usual = data["anchor_line"]["slope_limit_deg"]
    value = float(usual["value"])
    return value, (
        f"anchor lines are proposed at most {value:g} degrees off level ({usual['source']}): "
        "the rule set names no limit"
    )


def find_lines(roof: Roof, plan: Plan, places: Sequence[Candidate], span: float) -> tuple[CandidateLine, ...]:
    """Anchor lines between candidates, supports at most ``span`` apart.

    Along an edge the whole length between its outermost candidates, its halves and its thirds; along a row
    on a slope the whole length. None is shorter than 2 m.
    """
    limit, _ = steepest(plan)
    lines: list[CandidateLine] = []
    edges, slopes = _along_edges(roof, places), _along_slopes(roof, places)
    runs = [(*run, parts) for some, parts in ((edges, PARTS), (slopes, PARTS[:1])) for run in some]
    for points, on, parts in runs:
        last = len(points) - 1
        pieces = [piece for n in parts for piece in pairwise([round(last * k / n) for k in range(n + 1)])]
        for a, b in dict.fromkeys(pieces):
            if b <= a or float(np.linalg.norm(points[b] - points[a])) < LEAST_M:
                continue
            stops = _supports(points[a : b + 1], span)
            if stops is None:
                continue
            stands = points[a : b + 1][stops]
            steps = np.diff(stands, axis=0)
            pitch = np.degrees(np.arctan2(np.abs(steps[:, 2]), np.hypot(steps[:, 0], steps[:, 1])))
            if pitch.max() <= limit:
                lines.append(CandidateLine(f"K{len(lines) + 1}", stands, on))
    return tuple(lines)


def _along_edges(roof: Roof, places: Sequence[Candidate]) -> list[tuple[Floats, str]]:
    """Candidates on each straight row of edges of one kind, in order, and the ids of the edges."""
    found = []
    for chain in _chains(roof, {one.on for one in places}):
        way = chain[-1].points[-1] - chain[0].points[0]
        names = {edge.id for edge in chain}
        on = [one.at for one in places if one.on in names and one.kind == chain[0].kind]
        if len(on) >= 2:
            order = np.argsort([float(at @ way) for at in on], kind="stable")
            found.append((np.array(on)[order], " ".join(edge.id for edge in chain)))
    return found


def _chains(roof: Roof, names: set[str]) -> list[list[Edge]]:
    """Straight edges of one kind that go on in one another, in order; each edge once, ends turned alike."""
    left = [edge for edge in roof.edges if edge.id in names and _is_straight(edge)]
    chains = []
    while left:
        chain = [left.pop(0)]
        grown = True
        while grown:
            grown = False
            for edge in left:
                joined = _joined(chain, edge)
                if joined is not None:
                    chain, grown = joined, True
                    left.remove(edge)
                    break
        chains.append(chain)
    return chains


def _joined(chain: list[Edge], edge: Edge) -> list[Edge] | None:
    """The chain with the edge at one of its ends, where both are of one kind and in one straight line."""
    if edge.kind != chain[0].kind or abs(float(_way(chain[0]) @ _way(edge))) < STRAIGHT:
        return None
    low, high = chain[0].points[0], chain[-1].points[-1]
    from_chain = float(_way(chain[0]) @ (edge.points[-1] - edge.points[0])) > 0
    start, end = (edge.points[0], edge.points[-1]) if from_chain else (edge.points[-1], edge.points[0])
    if float(np.linalg.norm(start - high)) <= SAME_M:
        return [*chain, edge]
    if float(np.linalg.norm(end - low)) <= SAME_M:
        return [edge, *chain]
    return None


def _way(edge: Edge) -> Floats:
    way: Floats = edge.points[-1] - edge.points[0]
    return way / max(float(np.linalg.norm(way)), 1e-12)


def _is_straight(edge: Edge) -> bool:
    return all(
        float(_way(edge) @ (q - p)) >= STRAIGHT * np.linalg.norm(q - p) for p, q in pairwise(edge.points)
    )


def _along_slopes(roof: Roof, places: Sequence[Candidate]) -> list[tuple[Floats, str]]:
    """Rows of candidates at one height of a plane, on rafter after rafter without a gap."""
    found = []
    for facet in roof.planes:
        _, up = slope_axes(facet)
        rows: dict[int, dict[int, Floats]] = defaultdict(dict)
        for one in places:
            if one.kind == "slope" and one.on == facet.id and one.rafter is not None:
                rows[round(float(one.at @ up) / SAME_M)][one.rafter] = one.at
        for _, row in sorted(rows.items()):
            numbers = sorted(row)
            cuts = [k + 1 for k, (a, b) in enumerate(pairwise(numbers)) if b != a + 1]
            for a, b in pairwise([0, *cuts, len(numbers)]):
                if b - a >= 2:
                    found.append((np.array([row[n] for n in numbers[a:b]]), facet.id))
    return found


def _supports(points: Floats, span: float) -> list[int] | None:
    """Indices of end anchors and the fewest supports with no span longer than ``span``; None: no way."""
    at = np.linalg.norm(points - points[0], axis=1)
    spans = max(1, math.ceil(at[-1] / span - 1e-9))
    for count in range(spans, len(points)):
        wanted = np.linspace(0.0, at[-1], count + 1)
        stops = sorted({int(np.argmin(np.abs(at - w))) for w in wanted})
        if np.diff(at[stops]).max() <= span + 1e-9:
            return stops
    return None
