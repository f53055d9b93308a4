"""The surfaces that levels look things up in: a roof's triangles, or its planes cut into a few."""

from __future__ import annotations

import mapbox_earcut as earcut
import numpy as np

from roof3d.levels.clip import HIDDEN, RIM, STEEP, SURFACE
from roof3d.records import Facet, Floats, Ints, Roof

STEEP_ABOVE_DEG = 75.0
MANY = 200  # triangles of a plane from which it is cut anew
TRUE_M = 1e-5  # a plane that its corners keep to as well as this is as good as its triangles
SAME_AREA = 1e-6  # relative; an outline of another area has lost or straightened something


def gather(roof: Roof) -> tuple[Floats, Ints, Ints]:
    """Triangles (t, 3, 3), the row of ``Roof.facets`` (-1: none) and the kind of each.

    Finely meshed planes are cut anew from their outlines, so that look-ups cost what the building asks and
    not what its mesh does. Last come the free edges of steep triangles, as flat triangles: the tops of
    sheets that carry nothing.
    """
    mesh = roof.mesh
    steep_lean = np.cos(np.deg2rad(STEEP_ABOVE_DEG))
    owner = np.full(len(mesh.triangles), -1, dtype=np.int64)
    kept = np.ones(len(mesh.triangles), dtype=bool)
    cut: list[tuple[int, Floats, bool]] = []
    for row, facet in enumerate(roof.facets):
        owner[facet.triangles] = row
        anew = _cut_anew(facet)
        sides = mesh.oriented[facet.triangles]
        if anew is not None and (sides.all() or not sides.any()):
            kept[facet.triangles] = False
            cut.append((row, anew, bool(sides.all())))
    rows = np.flatnonzero(kept)
    corners = mesh.vertices[mesh.triangles[rows]]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lean = cross[:, 2] / np.maximum(np.linalg.norm(cross, axis=1), 1e-300)
    # slivers have no direction of their own: their facet's counts
    upright = np.array([abs(facet.normal[2]) for facet in roof.facets] + [0.0])[owner[rows]]
    lean = np.where(owner[rows] >= 0, np.where(lean < 0, -1, 1) * upright, lean)
    kinds = _kinds(lean, mesh.oriented[rows], steep_lean)
    steep = np.zeros(len(mesh.triangles), dtype=bool)
    steep[rows] = kinds == STEEP
    parts, part_owner, part_kinds = [corners], [owner[rows]], [kinds]
    for row, triangles, oriented in cut:
        facet = roof.facets[row]
        kind = _kinds(facet.normal[2:], np.array([oriented]), steep_lean)
        steep[facet.triangles] = kind[0] == STEEP
        parts.append(triangles)
        part_owner.append(np.full(len(triangles), row))
        part_kinds.append(np.full(len(triangles), kind[0]))
    rims, rim_owner = _rims(mesh.vertices, mesh.triangles, steep, owner)
    return (
        np.ascontiguousarray(np.concatenate([*parts, rims])),
        np.concatenate([*part_owner, rim_owner]).astype(np.int64),
        np.concatenate([*part_kinds, np.full(len(rims), RIM)]).astype(np.int64),
    )


def _kinds(lean: Floats, oriented: np.ndarray, steep_lean: float) -> Ints:
    kinds = np.full(len(lean), SURFACE, dtype=np.int64)
    kinds[np.abs(lean) < steep_lean] = STEEP
    kinds[(kinds == SURFACE) & (lean < 0) & oriented] = HIDDEN
    return kinds


def _cut_anew(facet: Facet) -> Floats | None:
    """A finely meshed plane's outline cut into triangles (t, 3, 3); None where its own serve better."""
    count = sum(len(ring) for ring in facet.rings)
    if len(facet.triangles) < MANY or 4 * count > len(facet.triangles) or facet.fit_m > TRUE_M:
        return None
    keep = [k for k in range(3) if k != int(np.argmax(np.abs(facet.normal)))]
    points = np.concatenate(facet.rings)
    if float(np.abs(points @ facet.normal - facet.offset).max()) > TRUE_M:
        return None
    ends = np.cumsum([len(ring) for ring in facet.rings]).astype(np.uint32)
    rows = earcut.triangulate_float64(np.ascontiguousarray(points[:, keep]), ends).reshape(-1, 3)
    triangles: Floats = points[rows]
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    area = float(np.linalg.norm(cross, axis=1).sum()) / 2
    return triangles if abs(area - facet.area_m2) <= SAME_AREA * facet.area_m2 else None


def _rims(vertices: Floats, triangles: Ints, steep: np.ndarray, owner: Ints) -> tuple[Floats, Ints]:
    """Edges of one triangle alone where that is steep, as flat triangles, and the rows of their facets."""
    a, b, rows = _singles(triangles, np.flatnonzero(steep), len(vertices))
    # those that a triangle which is not steep shares are not free
    marked = np.zeros(len(vertices), dtype=bool)
    marked[a], marked[b] = True, True
    others = np.flatnonzero(~steep)
    on = marked[triangles[others]]
    others = others[on.sum(axis=1) >= 2]
    c, d = triangles[others].ravel(), np.roll(triangles[others], -1, axis=1).ravel()
    shared = np.isin(_keys(a, b, len(vertices)), _keys(c, d, len(vertices)))
    start, end = vertices[a[~shared]], vertices[b[~shared]]
    return np.stack((start, end, end), axis=1).reshape(-1, 3, 3), owner[rows[~shared]]


def _keys(a: Ints, b: Ints, count: int) -> Ints:
    keys: Ints = np.minimum(a, b).astype(np.int64) * np.int64(count) + np.maximum(a, b)
    return keys


def _singles(triangles: Ints, rows: Ints, count: int) -> tuple[Ints, Ints, Ints]:
    """Edges (from, to, triangle) that only one of some triangles has, in the order of the triangles."""
    a, b = triangles[rows].ravel(), np.roll(triangles[rows], -1, axis=1).ravel()
    keys = _keys(a, b, count)
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    differs = np.ones(len(keys) + 1, dtype=bool)
    differs[1:-1] = ordered[1:] != ordered[:-1]
    alone = np.sort(order[differs[1:] & differs[:-1]])
    return a[alone], b[alone], np.repeat(rows, 3)[alone]
