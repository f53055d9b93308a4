"""Steps: stretches of edge where going over is a step down, because all that lies beyond is just below.

A stretch counts only where roof planes and ground of the model, at most a step below every place of
it, cover the whole swept footprint; exact in plan, so no gap between two samples is missed. A surface that
first appears above the edge covers nothing: one may get under it.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import shapely

from roof3d.levels.below import HALF_WIDTH_M, NAMES, REACH_M, Below, prepare
from roof3d.levels.clip import HIDDEN, RIM
from roof3d.levels.covered import nearby
from roof3d.levels.profile import outward_of, profiles
from roof3d.records import Floats, Roof

FIRST_M = 0.5
LEAST_M = 0.02
SHORTEST_M = 0.1  # shorter steps between falls are left to the fall
OPEN_M2 = 1e-4
LEVEL_M = 0.01
BEARING = ("roof", "ground")

Stretches = tuple[tuple[float, float], ...]


def find_steps(
    roof: Roof, step_height: float, *, reach_m: float = REACH_M, half_width_m: float = HALF_WIDTH_M
) -> dict[str, Stretches]:
    """Stretches (from, to) in metres of each fall edge that are steps, by id. Kept in ``Roof.cache``.

    ``step_height``: how far below the edge the deepest thing in the footprint may lie, metres; 0 or less: no
    step anywhere. Edges that carry a doubt have none.
    """
    key = f"steps {step_height!r} {reach_m!r} {half_width_m!r} {roof.grade!r}"
    known = roof.cache.get(key)
    if isinstance(known, dict):
        return known
    edges = [edge for edge in roof.edges if edge.fall]
    out: dict[str, Stretches] = {edge.id: () for edge in edges}
    if step_height > 0:
        floor = _Floor(roof, prepare(roof))
        highest = profiles(roof, reach_m=reach_m, half_width_m=half_width_m, rise_m=reach_m)
        for edge in edges:
            if edge.doubt:
                continue
            profile = highest[edge.id]
            way = np.array([bool(name) for name in profile.in_the_way])
            found: list[tuple[float, float]] = []
            at = 0.0
            for p, q in zip(edge.points[:-1], edge.points[1:], strict=True):
                length = float(np.linalg.norm(q - p))
                count = max(1, int(np.ceil(length / FIRST_M)))
                marks = np.linspace(0.0, length, count + 1)
                stack = [(float(a), float(b)) for a, b in pairwise(marks)][::-1]
                while stack:
                    a, b = stack.pop()
                    ends = p + (q - p) * (np.array([[a], [b]]) / max(length, 1e-12))
                    near = (profile.at[1:] > at + a) & (profile.at[:-1] < at + b)
                    low = float(ends[:, 2].min()) - step_height
                    if not (near & ((profile.top >= low) | way)).any():
                        continue
                    out_of = outward_of(q - p, edge)
                    if floor.covers(ends, out_of, reach_m, half_width_m, step_height):
                        found.append((at + a, at + b))
                    elif b - a > LEAST_M and floor.covers(
                        ends, out_of, reach_m, half_width_m, step_height, shared=True
                    ):
                        stack += [((a + b) / 2, b), (a, (a + b) / 2)]
                at += length
            out[edge.id] = _joined(found)
    roof.cache[key] = out
    return out


def _joined(found: list[tuple[float, float]]) -> Stretches:
    joined: list[tuple[float, float]] = []
    for a, b in found:
        if joined and a - joined[-1][1] < 1e-9:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return tuple((a, b) for a, b in joined if b - a >= SHORTEST_M)


class _Floor:
    """Upward surfaces of roof planes and ground, and whether they cover a footprint."""

    def __init__(self, roof: Roof, below: Below) -> None:
        self.below = below
        kinds = np.array([facet.kind in BEARING for facet in roof.facets] + [False])
        self.fit = np.array([facet.fit_m for facet in roof.facets] + [0.0])
        self.bears = kinds[below.owner] & (below.kinds != HIDDEN) & (below.kinds != RIM)

    def covers(
        self,
        ends: Floats,
        outward: Floats,
        reach: float,
        half_width: float,
        step: float,
        *,
        shared: bool = False,
    ) -> bool:
        """Whether all of the footprint of an edge's piece ``ends`` (2, 3) has a floor a step below at most.

        ``shared``: only of what the footprints of all its places share, at its lowest place: where that
        is not covered, no place of the piece is a step.
        """
        along = np.array([-outward[1], outward[0]])
        u = np.sort((ends[:, :2] - ends[0, :2]) @ along)
        least, edge_low = float(ends[:, 2].max()) - step, float(ends[:, 2].min())
        if u[1] - u[0] >= 2 * half_width:
            return shared  # nothing that all places share: too long to tell

        def strip(low: float, high: float) -> shapely.Polygon:
            places = ((low, 0.0), (high, 0.0), (high, reach), (low, reach))
            return shapely.Polygon([ends[0, :2] + a * along + b * outward[:2] for a, b in places])

        whole = strip(u[0] - half_width, u[1] + half_width)
        core = strip(u[1] - half_width, u[0] + half_width)  # in the footprint of every place
        # a surface must begin below the edge within the footprint of every place (shared: of any)
        footprint, begins = (core, whole) if shared else (whole, core)
        if shared:
            least, edge_low = edge_low - step, float(ends[:, 2].max())
        box = np.array(whole.bounds)
        near = nearby(
            self.below.starts, self.below.members, self.below.low, self.below.cell, self.below.shape, box
        )
        near = near[self.bears[near]]
        parts: dict[int, list[shapely.Geometry]] = {}
        lowest: dict[int, float] = {}
        for t in near.tolist():
            owner = int(self.below.owner[t])
            ring = _above(self.below.corners[t], least + float(self.fit[owner]))
            if len(ring) < 3:
                continue
            part = shapely.Polygon(ring[:, :2])
            if not part.is_valid or part.area < 1e-9:
                continue
            cut = shapely.intersection(part, footprint)
            if cut.area >= 1e-9:
                parts.setdefault(owner, []).append(cut)
            cut = shapely.intersection(part, begins)
            if cut.area >= 1e-9:
                heights = _on_plane(shapely.get_coordinates(cut), self.below.corners[t])
                lowest[owner] = min(lowest.get(owner, np.inf), float(heights.min()))
        floors = [
            part
            for owner, some in parts.items()
            if lowest.get(owner, np.inf) <= edge_low + LEVEL_M
            for part in some
        ]
        if not floors:
            return False
        return float(shapely.difference(footprint, shapely.unary_union(floors)).area) <= OPEN_M2


def _above(corners: Floats, least: float) -> Floats:
    """The part of a triangle (3, 3) at or above a height, as a ring (n, 3)."""
    out: list[Floats] = []
    for k in range(3):
        here, there = corners[k], corners[(k + 1) % 3]
        if here[2] >= least:
            out.append(here)
        if (here[2] - least) * (there[2] - least) < 0:
            out.append(here + (there - here) * ((least - here[2]) / (there[2] - here[2])))
    return np.array(out).reshape(-1, 3)


def _on_plane(xy: Floats, corners: Floats) -> Floats:
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
    z: Floats = (float(normal @ corners[0]) - xy @ normal[:2]) / normal[2]
    return z


def step_words(step_height: float, steps: Iterable[Stretches]) -> list[str]:
    """What a reader must know of the steps that were found: one sentence, or none."""
    edges = [found for found in steps if found]
    lengths = [b - a for found in edges for a, b in found]
    if not lengths:
        return []
    return [
        f"{sum(lengths):.2f} m of edge on {len(edges)} edges: a step, not a "
        f"fall, for {' or '.join(NAMES[kind] for kind in BEARING)} lies at most {step_height:g} m below "
        "under the whole swept footprint; what one can fall over from there counts at its own edge"
    ]
