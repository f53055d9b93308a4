"""One preparation per building, and the taut length from any anchor to any points with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roof3d.records import Floats, Ints, Lengths, Mesh, Roof, TautPath
from roof3d.taut.contacts import Contacts, find_contacts
from roof3d.taut.graph import Graph, build_graph, lengths_from
from roof3d.taut.hidden import Plates, build_plates, pair_masks, seen_from
from roof3d.taut.cells import SIDES, Cells, bound_from, cut_cells
from roof3d.taut.search import CHECKS, SPARE, search_all
from roof3d.taut.shorten import MOST
from roof3d.taut.sight import Sight, build_sight, lift_all, winding
from roof3d.taut.surfaces import Surfaces, merge

ENOUGH = 2e-6  # m, a bracket this narrow ends the search for a point
FAR = 60.0  # m, contacts further apart than this are never neighbours on a line


@dataclass(frozen=True, eq=False)
class Preparation:
    """Everything about a building that does not depend on the anchor (local frame, metres)."""

    surfaces: Surfaces
    sight: Sight
    plates: Plates
    contacts: Contacts
    ends: Floats  # (e, 2, 3)
    pair: Ints  # (e, e) sides on which contacts may see each other
    cells: Cells
    graph: Graph
    near: Ints  # (e, k) contacts that each may see, -1 behind the last

    @property
    def contact_arrays(self) -> tuple[np.ndarray, ...]:
        """What the compiled search takes."""
        c = self.contacts
        return c.start, c.way, c.length, c.n1, c.n2, c.shift


def prepare_mesh(mesh: Mesh, ground: float) -> Preparation:
    """Prepare a mesh whose ground lies at height ``ground`` (local frame)."""
    surfaces = merge(mesh)
    sight = build_sight(surfaces.corners, surfaces.triangle_region, surfaces.normals, surfaces.oriented)
    contacts = find_contacts(surfaces, sight, ground)
    plates = build_plates(surfaces)
    count = len(contacts)
    ends = np.stack((contacts.start, contacts.start + contacts.length[:, None] * contacts.way), axis=1)
    pair = np.zeros((count, count), dtype=np.int32)
    pair_masks(
        sight.arrays, sight.region, plates.arrays, contacts.start, contacts.n1, contacts.n2, ends, pair, FAR
    )
    cells = cut_cells(contacts, sight.arrays, sight.region, plates.arrays, pair)
    most = int((pair != 0).sum(axis=1).max(initial=0)) + 1
    near = np.full((max(count, 1), most), -1, dtype=np.int64)
    for e in range(count):
        others = np.flatnonzero(pair[e])
        near[e, : len(others)] = others
    arrays = (contacts.start, contacts.way, contacts.length, contacts.n1, contacts.n2, contacts.shift)
    graph = build_graph(sight, arrays, cells, FAR)
    return Preparation(surfaces, sight, plates, contacts, ends, pair, cells, graph, near)


def prepare(roof: Roof) -> Preparation:
    """The preparation of a roof, made once and kept with it."""
    made = roof.cache.get("taut")
    if made is None:
        made = roof.cache["taut"] = prepare_mesh(roof.mesh, roof.grade)
    assert isinstance(made, Preparation)
    return made


def inside(preparation: Preparation, points: Floats) -> np.ndarray:
    """Which of the points (n, 3) lie inside the building (generalised winding number over a half)."""
    sight = preparation.sight
    lifted = lift_all(*sight.arrays, sight.faced, np.ascontiguousarray(points, dtype=np.float64))
    return np.array([abs(winding(sight.corner, p)) > 0.5 for p in lifted], dtype=bool)


@dataclass(frozen=True, eq=False)
class _Raw:
    lo: Floats
    hi: Floats
    sequence: Ints
    count: Ints
    places: Floats
    checks: Ints


def _search(preparation: Preparation, anchor: Floats, points: Floats, limit: float, checks: int) -> _Raw:
    sight, contacts = preparation.sight, preparation.contacts
    anchor = np.ascontiguousarray(anchor, dtype=np.float64).reshape(3)
    points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    a_lifted = lift_all(*sight.arrays, sight.faced, anchor[None])[0]
    a_mask = np.zeros(len(contacts), dtype=np.int32)
    seen_from(
        sight.arrays,
        sight.region,
        preparation.plates.arrays,
        contacts.start,
        contacts.n1,
        contacts.n2,
        preparation.ends,
        anchor,
        a_mask,
    )
    shape = (len(preparation.cells.contact), SIDES)
    ahead, known, before = np.empty(shape), np.empty(shape), np.empty(shape, dtype=np.int64)
    graph = preparation.graph
    lengths_from(
        sight.arrays,
        preparation.contact_arrays,
        preparation.cells.contact,
        graph.arrays,
        anchor,
        a_lifted,
        float(limit) + SPARE,
        known,
        before,
    )
    bound_from(
        sight.arrays,
        sight.region,
        preparation.plates.arrays,
        preparation.cells.arrays,
        preparation.pair,
        preparation.near,
        anchor,
        a_mask,
        float(limit),
        ahead,
    )
    lifted = lift_all(*sight.arrays, sight.faced, points)
    n = len(points)
    raw = _Raw(
        np.empty(n),
        np.empty(n),
        np.full((n, MOST), -1, dtype=np.int64),
        np.zeros(n, dtype=np.int64),
        np.zeros((n, MOST)),
        np.zeros(n, dtype=np.int64),
    )
    search_all(
        sight.arrays,
        sight.faced,
        sight.region,
        preparation.plates.arrays,
        preparation.contact_arrays,
        preparation.ends,
        preparation.cells.arrays,
        preparation.pair,
        preparation.near,
        ahead,
        known,
        before,
        graph.point,
        graph.lifted,
        anchor,
        a_lifted,
        a_mask,
        points,
        lifted,
        float(limit),
        checks,
        ENOUGH,
        raw.lo,
        raw.hi,
        raw.sequence,
        raw.count,
        raw.places,
        raw.checks,
    )
    return raw


def measure(
    preparation: Preparation, anchor: Floats, points: Floats, limit: float = np.inf, checks: int = CHECKS
) -> Lengths:
    """Brackets of the taut length from one anchor (3,) to points (n, 3), local frame, metres.

    Points further than ``limit`` come back with ``lo`` at least the smaller of the limit and their
    proven bound, and ``hi`` infinite.
    """
    raw = _search(preparation, anchor, points, limit, checks)
    return Lengths(raw.lo, raw.hi)


def trace(
    preparation: Preparation, anchor: Floats, points: Floats, limit: float = np.inf
) -> list[TautPath | None]:
    """The checked path behind each ``hi``; None where none was found within the limit."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    raw = _search(preparation, anchor, points, limit, CHECKS)
    contacts = preparation.contacts
    paths: list[TautPath | None] = []
    for i, point in enumerate(points):
        if not np.isfinite(raw.hi[i]):
            paths.append(None)
            continue
        k = raw.count[i]
        chosen = raw.sequence[i, :k][::-1]  # the search runs from the point to the anchor
        places = contacts.start[chosen] + raw.places[i, :k][::-1, None] * contacts.way[chosen]
        corners = np.concatenate((np.asarray(anchor, dtype=np.float64).reshape(1, 3), places, point[None]))
        paths.append(TautPath(corners, tuple(int(e) for e in chosen), float(raw.hi[i])))
    return paths
