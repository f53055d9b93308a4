"""Small bodies, and a slow solver of the taut length that shares neither code nor principle with the product.

The slow solver knows nothing of bounds, sides or hidden pairs. It strews places along all convex edges,
joins every two that see each other (every triangle is tried), runs Dijkstra's algorithm from the anchor,
and then narrows the places of the few best chains, grid by grid. What it returns is the length of a
polyline whose corners stand ``OFF`` clear of the faces and whose every piece was tried against every
triangle in double precision, so

- it is never below the truth;
- it is above it by at most about ``pi * OFF`` for each bend (the corners' stand-off, a tenth of a
  millimetre each), unless the shortest chain's edges differ from those of the few best on the coarse grid.
  Halving the grid's step shows how often that is so: see ``test_the_slow_solver_settles``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from roof3d.load import read_mesh
from roof3d.records import Floats, Ints, Mesh
from tests.bodies import box, cut, gable, mesh_of, welded
from tests.conftest import MODELS

OFF = 1e-4  # m, corners of the slow solver's polylines stand this far off both faces of their edge
EDGE_ENDS = (4e-4, 0.02, 0.08)  # m from an edge's ends, besides the regular places


# ------------------------------------------------------------------------------------------- bodies


def prism(profile: list[tuple[float, float]], y0: float, y1: float) -> list[Floats]:
    """A profile (x, z), counter-clockwise seen from -y, drawn out from y0 to y1."""
    front = [(x, y0, z) for x, z in profile]
    back = [(x, y1, z) for x, z in profile]
    n = len(profile)
    sides = [cut([front[i], back[i], back[(i + 1) % n], front[(i + 1) % n]]) for i in range(n)]
    return [cut(front), cut(back[::-1]), *sides]


def moved(triangles: list[Floats], by: tuple[float, float, float]) -> list[Floats]:
    """The same faces elsewhere."""
    return [t + np.asarray(by) for t in triangles]


def hulled(points: Floats) -> Mesh:
    """The convex hull of points, faces outward."""
    from scipy.spatial import ConvexHull

    hull = ConvexHull(points)
    triangles = points[hull.simplices].copy()
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    turned = np.einsum("ij,ij->i", normal, hull.equations[:, :3]) < 0
    triangles[turned] = triangles[turned][:, ::-1]
    used, rows = np.unique(hull.simplices, return_inverse=True)
    rows = rows.reshape(-1, 3)
    rows[turned] = rows[turned][:, ::-1]
    return mesh_of(points[used], rows)


def l_gable() -> list[Floats]:
    """An L-plan under two gables of one height (pitch 45 degrees): wings 6 m wide, one valley, one hip."""
    h, r = 3.0, 6.0
    low = {"a": (0, 0), "b": (12, 0), "c": (12, 6), "d": (6, 6), "e": (6, 12), "f": (0, 12)}
    g = {k: (*v, 0.0) for k, v in low.items()}
    e = {k: (*v, h) for k, v in low.items()}
    corner, east, north = (3.0, 3.0, r), (12.0, 3.0, r), (3.0, 12.0, r)
    return [
        cut([g[k] for k in "fedcba"]),
        cut([g["a"], g["b"], e["b"], e["a"]]),
        cut([g["b"], g["c"], e["c"], east, e["b"]]),
        cut([g["c"], g["d"], e["d"], e["c"]]),
        cut([g["d"], g["e"], e["e"], e["d"]]),
        cut([g["e"], g["f"], e["f"], north, e["e"]]),
        cut([g["f"], g["a"], e["a"], e["f"]]),
        cut([e["a"], e["b"], east, corner]),
        cut([e["c"], e["d"], corner, east]),
        cut([e["d"], e["e"], north, corner]),
        cut([e["f"], e["a"], corner, north]),
    ]


OVERHANG = [
    (0.5, 0.0), (7.5, 0.0), (7.5, 2.9), (8.4, 2.3), (8.4, 2.5), (4.0, 5.4),
    (-0.4, 2.5), (-0.4, 2.3), (0.5, 2.9),
]  # fmt: skip
STEPS = [(0.0, 0.0), (9.0, 0.0), (9.0, 2.5), (6.0, 2.5), (6.0, 4.5), (3.0, 4.5), (3.0, 7.0), (0.0, 7.0)]
DIP = [(0.0, 0.0), (8.0, 0.0), (8.0, 5.0), (4.0, 3.0), (0.0, 4.6)]


def t_gable() -> list[Floats]:
    """A T-plan of two gables that run into each other, the stem's ridge lower; two bodies that overlap."""
    turn = np.array([[0.0, 1, 0], [-1, 0, 0], [0, 0, 1]])
    bar = prism([(0, 0), (6, 0), (6, 3), (3, 5.5), (0, 3)], 0.0, 11.0)
    stem = prism([(0, 0), (4, 0), (4, 3), (2, 4.6), (0, 3)], 2.0, 9.0)
    return [*bar, *moved([t @ turn.T for t in stem], (0.0, 7.5, 0.0))]


def dormer() -> list[Floats]:
    """A gable with one gabled dormer set into its slope."""
    turn = np.array([[0.0, 1, 0], [-1, 0, 0], [0, 0, 1]])
    house = prism([(0, 0), (8, 0), (8, 3), (4, 6.5), (0, 3)], 0.0, 9.0)
    small = prism([(0, 3.2), (2, 3.2), (2, 4.6), (1, 5.3), (0, 4.6)], 1.0, 4.5)
    return [*house, *moved([t @ turn.T for t in small], (0.0, 5.0, 0.0))]


def staggered() -> list[Floats]:
    """Two houses wall to wall, set back and of two heights: an eave of one crosses a corner of the other."""
    return [*box(0, 4, 2, 6, 0, 5), *box(4, 8, 0, 5, 0, 3)]


def made(name: str) -> Mesh:
    """A body of the kit by name; ``model-...`` are those that ship with the program."""
    if name.startswith("model-"):
        return read_mesh(MODELS / f"{name.removeprefix('model-')}.glb")
    shapes = {
        "box": lambda: box(0, 8, 0, 5, 0, 3),
        "gable": gable,
        "l-gable": l_gable,
        "overhang": lambda: prism(OVERHANG, 0.0, 9.0),
        "steps": lambda: prism(STEPS, 0.0, 6.0),
        "dip": lambda: prism(DIP, 0.0, 7.0),
        "two-boxes": lambda: [*box(0, 4, 0, 5, 0, 3), *box(6, 9, 1, 7, 0, 5)],
        "t-gable": t_gable,
        "dormer": dormer,
        "staggered": staggered,
        "box-and-stack": lambda: [*box(0, 8, 0, 5, 0, 3), *box(3, 4, 2, 2.8, 2.5, 4.5)],
    }
    return welded(shapes[name]())


def ground_of(mesh: Mesh) -> float:
    """Height of a body's lowest point."""
    return float(mesh.vertices[:, 2].min())


def finer(mesh: Mesh, times: int) -> Mesh:
    """Each triangle cut into four, ``times`` over; the surface stays as it is."""
    vertices, triangles, parts, oriented = mesh.vertices, mesh.triangles, mesh.parts, mesh.oriented
    for _ in range(times):
        count = len(vertices)
        sides = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]))
        unique, row = np.unique(sides, axis=0, return_inverse=True)
        middle = (vertices[unique[:, 0]] + vertices[unique[:, 1]]) / 2
        ab, bc, ca = np.split(count + row.reshape(-1), 3)
        a, b, c = triangles.T
        triangles = np.concatenate(
            [np.stack(corner, axis=1) for corner in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
        )
        vertices = np.concatenate([vertices, middle])
        parts, oriented = np.tile(parts, 4), np.tile(oriented, 4)
    return replace(mesh, vertices=vertices, triangles=triangles, parts=parts, oriented=oriented)


# -------------------------------------------------------------------------------------- plain tests


@dataclass(frozen=True, eq=False)
class Solid:
    """Triangles of a closed body (or several that may overlap)."""

    corner: Floats  # (t, 3, 3)
    normal: Floats  # (t, 3) unit, outward
    offset: Floats  # (t,)

    @classmethod
    def of(cls, mesh: Mesh) -> Solid:
        corner = mesh.vertices[mesh.triangles]
        normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        size = np.linalg.norm(normal, axis=1)
        corner, normal = corner[size > 1e-12], (normal / np.maximum(size, 1e-300)[:, None])[size > 1e-12]
        return cls(corner, normal, np.einsum("ij,ij->i", normal, corner[:, 0]))

    def free(self, p: Floats, q: Floats) -> np.ndarray:
        """Which of the pieces p-q (n, 3) meet no triangle: every piece against every triangle."""
        good = np.ones(len(p), dtype=bool)
        alive = np.arange(len(p))
        for k in range(len(self.corner)):
            s0 = p[alive] @ self.normal[k] - self.offset[k]
            s1 = q[alive] @ self.normal[k] - self.offset[k]
            crosses = np.flatnonzero((s0 <= 0) != (s1 <= 0))
            if not len(crosses):
                continue
            t = s0[crosses] / (s0[crosses] - s1[crosses])
            x = p[alive[crosses]] + t[:, None] * (q[alive[crosses]] - p[alive[crosses]])
            within = np.ones(len(crosses), dtype=bool)
            for i in range(3):
                side = np.cross(self.normal[k], self.corner[k, (i + 1) % 3] - self.corner[k, i])
                within &= (x - self.corner[k, i]) @ side >= -1e-9 * np.linalg.norm(side)
            if within.any():
                good[alive[crosses[within]]] = False
                alive = np.delete(alive, crosses[within])
        return good

    def few_free(self, p: Floats, q: Floats) -> np.ndarray:
        """As ``free`` for few pieces, all triangles at once (Moeller and Trumbore's test, 1997)."""
        a, b, c = (self.corner[:, i] for i in range(3))
        d = (q - p)[:, None, :]
        h = np.cross(d, (c - a)[None])
        det = np.einsum("tk,ntk->nt", b - a, h)
        det = np.where(np.abs(det) < 1e-14, np.nan, det)
        s = p[:, None, :] - a[None]
        u = np.einsum("ntk,ntk->nt", s, h) / det
        r = np.cross(s, (b - a)[None])
        v = np.einsum("nqk,ntk->nt", d, r) / det
        t = np.einsum("tk,ntk->nt", c - a, r) / det
        hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (t >= 0) & (t <= 1)
        return ~hit.any(axis=1)

    def holds(self, points: Floats) -> np.ndarray:
        """Which points lie inside: faces passed outward less faces passed inward on a way to afar."""
        way = np.array([0.2718, 0.3141, 0.9096])
        a, b, c = (self.corner[:, i] for i in range(3))
        h = np.cross(way, c - a)
        det = np.einsum("tk,tk->t", b - a, h)
        s = points[:, None, :] - a[None]
        with np.errstate(divide="ignore", invalid="ignore"):
            u = np.einsum("ntk,tk->nt", s, h) / det
            r = np.cross(s, (b - a)[None])
            v = (r @ way) / det
            t = np.einsum("tk,ntk->nt", c - a, r) / det
        hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0)
        inside: np.ndarray = (hit * np.sign(self.normal @ way)).sum(axis=1) > 0.5
        return inside

    def depth(self, points: Floats) -> Floats:
        """How deep points lie inside, metres; nil outside."""
        deep = np.zeros(len(points))
        rows = np.flatnonzero(self.holds(points))
        for row in rows:
            deep[row] = self._distance(points[row])
        return deep

    def _distance(self, p: Floats) -> float:
        """Least distance of a point from all triangles."""
        height = self.normal @ p - self.offset
        foot = p - height[:, None] * self.normal
        within = np.ones(len(height), dtype=bool)
        least = np.inf
        for i in range(3):
            start, end = self.corner[:, i], self.corner[:, (i + 1) % 3]
            along = end - start
            within &= np.einsum("tk,tk->t", np.cross(self.normal, along), foot - start) >= 0
            t = np.clip(np.einsum("tk,tk->t", p - start, along) / np.einsum("tk,tk->t", along, along), 0, 1)
            least = min(least, float(np.linalg.norm(p - start - t[:, None] * along, axis=1).min()))
        return min(least, float(np.abs(height[within]).min(initial=np.inf)))


def length_of(path: Floats) -> float:
    """Length of a polyline (k, 3)."""
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def deepest(solid: Solid, path: Floats, step: float = 0.02) -> float:
    """How deep a polyline (k, 3) gets into a body, metres, at places every ``step`` along it."""
    places = []
    for p, q in pairwise(path):
        count = max(2, int(np.ceil(np.linalg.norm(q - p) / step)))
        places.append(p + np.linspace(0, 1, count)[:, None] * (q - p))
    return float(solid.depth(np.concatenate(places)).max())


# -------------------------------------------------------------------------------------- slow solver


@dataclass(frozen=True, eq=False)
class Slow:
    """Places on the convex edges of a body and which of them see each other."""

    solid: Solid
    start: Floats  # (e, 3) edges, moved off both faces
    way: Floats  # (e, 3)
    length: Floats  # (e,)
    node: Floats  # (n, 3)
    edge: Ints  # (n,)
    place: Floats  # (n,) along the edge
    graph: csr_array  # (n, n)
    step: float

    @classmethod
    def of(cls, mesh: Mesh, step: float = 0.25) -> Slow:
        solid = Solid.of(mesh)
        start, stop, shift = convex_edges(mesh)
        length = np.linalg.norm(stop - start, axis=1)
        way = (stop - start) / length[:, None]
        start = start + shift
        nodes, edges, places = [], [], []
        for e in range(len(length)):
            count = max(2, int(np.ceil(length[e] / step)) + 1)
            t = np.concatenate(
                (np.linspace(0, length[e], count)[1:-1], EDGE_ENDS, length[e] - np.array(EDGE_ENDS))
            )
            t = np.unique(t[(t > 0) & (t < length[e])])
            nodes.append(start[e] + t[:, None] * way[e])
            edges.append(np.full(len(t), e))
            places.append(t)
        node, edge, place = np.concatenate(nodes), np.concatenate(edges), np.concatenate(places)
        out = ~solid.holds(node)
        node, edge, place = node[out], edge[out], place[out]
        i, j = np.triu_indices(len(node), 1)
        see = solid.free(node[i], node[j])
        i, j = i[see], j[see]
        size = np.linalg.norm(node[i] - node[j], axis=1)
        n = len(node)
        graph = csr_array((np.tile(size, 2), (np.concatenate((i, j)), np.concatenate((j, i)))), shape=(n, n))
        return cls(solid, start, way, length, node, edge, place, graph, step)

    def paths(self, anchor: Floats, points: Floats, spare: float = 0.3, most: int = 5) -> list[Floats]:
        """Free polylines (k, 3) from the anchor to points (n, 3), as short as they get."""
        n = len(self.node)
        see = np.flatnonzero(self.solid.free(np.broadcast_to(anchor, (n, 3)), self.node))
        size = np.linalg.norm(self.node[see] - anchor, axis=1)
        whole = self.graph.tocoo()
        joined = csr_array(
            (
                np.concatenate((whole.data, size)),
                (np.concatenate((whole.row, np.full(len(see), n))), np.concatenate((whole.col, see))),
            ),
            shape=(n + 1, n + 1),
        )
        known, before = dijkstra(joined, indices=n, return_predecessors=True)
        chains = [self._chain(before, k) for k in range(n)]
        out = [np.stack((anchor, p)) for p in points]
        straight = self.solid.free(np.broadcast_to(anchor, points.shape), points)
        for row in np.flatnonzero(~straight):
            out[row] = self._to(anchor, points[row], known, chains, spare, most)
        return out

    def lengths(self, anchor: Floats, points: Floats, spare: float = 0.3, most: int = 5) -> Floats:
        """Lengths of ``paths``."""
        return np.array([length_of(path) for path in self.paths(anchor, points, spare, most)])

    def _chain(self, before: Ints, k: int) -> tuple[tuple[int, ...], tuple[float, ...]]:
        """Edges and places from the anchor to node k; of nodes on one edge in a row only the first."""
        edges: list[int] = []
        places: list[float] = []
        while k >= 0 and k < len(self.node):
            if edges and edges[-1] == self.edge[k]:
                places[-1] = float(self.place[k])
            else:
                edges.append(int(self.edge[k]))
                places.append(float(self.place[k]))
            k = int(before[k])
        return tuple(edges[::-1]), tuple(places[::-1])

    def _to(self, anchor: Floats, p: Floats, known: Floats, chains: list, spare: float, most: int) -> Floats:  # type: ignore[type-arg]
        value = known[:-1] + np.linalg.norm(self.node - p, axis=1)
        order = np.argsort(value)
        order = order[np.isfinite(value[order])]
        best, path = np.inf, np.stack((anchor, np.full(3, np.inf), p))
        tried: set[tuple[int, ...]] = set()
        for block in range(0, len(order), 64):
            rows = order[block : block + 64]
            if len(tried) >= most or value[rows[0]] > best + spare:
                break
            for row in rows[self.solid.free(np.broadcast_to(p, (len(rows), 3)), self.node[rows])]:
                edges, places = chains[row]
                if len(tried) >= most or value[row] > best + spare:
                    break
                if edges in tried:
                    continue
                tried.add(edges)
                for t in (np.array(places), self._narrow(anchor, p, edges, places)):
                    way = self.start[list(edges)] + t[:, None] * self.way[list(edges)]
                    made = np.concatenate((anchor[None], way, p[None]))
                    if length_of(made) < best and self.solid.few_free(made[:-1], made[1:]).all():
                        best, path = length_of(made), made
        return path

    def _narrow(self, anchor: Floats, p: Floats, edges: tuple[int, ...], places: tuple[float, ...]) -> Floats:
        """Slide the bends of one chain: best choice among 11 places on each edge, then a finer 11."""
        here = np.array(places)
        width = 1.5 * self.step
        for _ in range(12):
            grids = []
            for e, t in zip(edges, here, strict=True):
                grid = np.clip(t + width * np.linspace(-1, 1, 11), 1e-6, self.length[e] - 1e-6)
                grids.append(grid)
            layers = [anchor[None]]
            layers += [self.start[e] + g[:, None] * self.way[e] for e, g in zip(edges, grids, strict=True)]
            layers.append(p[None])
            cost = np.zeros(1)
            came: list[Ints] = []
            for left, right in pairwise(layers):
                i, j = (k.reshape(-1) for k in np.indices((len(left), len(right))))
                size = np.linalg.norm(left[i] - right[j], axis=1)
                size[~self.solid.few_free(left[i], right[j])] = np.inf
                total = cost[:, None] + size.reshape(len(left), len(right))
                came.append(total.argmin(axis=0))
                cost = total.min(axis=0)
            if not np.isfinite(cost[0]):
                break
            row = 0
            inner = True
            for k in range(len(edges), 0, -1):
                row = int(came[k][row])
                at_rim = row in (0, 10) and 1e-5 < grids[k - 1][row] < self.length[edges[k - 1]] - 1e-5
                inner &= not at_rim
                here[k - 1] = grids[k - 1][row]
            if inner:
                width *= 0.25
            if width < 1e-3:
                break
        return here


def convex_edges(mesh: Mesh) -> tuple[Floats, Floats, Floats]:
    """Edges with a solid wedge under half a turn, collinear pieces joined: start, stop, stand-off."""
    triangles = mesh.triangles
    corner = mesh.vertices[triangles]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    of: dict[tuple[int, int], int] = {}
    for t, (a, b, c) in enumerate(triangles.tolist()):
        for pair in ((a, b), (b, c), (c, a)):
            of[pair] = t
    low = float(mesh.vertices[:, 2].min())
    found: dict[tuple[float, ...], list[tuple[float, float, Floats, Floats, Floats]]] = {}
    for (a, b), t in sorted(of.items()):
        if a > b or (b, a) not in of:
            continue
        n1, n2 = normal[t], normal[of[b, a]]
        p, q = mesh.vertices[a], mesh.vertices[b]
        way = (q - p) / np.linalg.norm(q - p)
        if np.cross(n1, n2) @ way < 1e-4 or max(p[2], q[2]) < low + 1e-3:
            continue
        if tuple(np.round(way, 6) + 0.0) < (0.0, 0.0, 0.0):
            way, p, q = -way, q, p
        shift = OFF * (n1 + n2) / (1 + n1 @ n2)
        key = (
            *np.round(way, 4) + 0.0,
            *np.round(p - (p @ way) * way, 4) + 0.0,
            *np.round(shift * 1e4, 3) + 0.0,
        )
        found.setdefault(key, []).append((float(p @ way), float(q @ way), p, q, shift))
    start, stop, shifts = [], [], []
    for pieces in found.values():
        pieces.sort(key=lambda piece: piece[:2])
        first = pieces[0]
        p, q, end = first[2], first[3], first[1]
        for piece in pieces[1:]:
            if piece[0] > end + 1e-4:
                start.append(p), stop.append(q), shifts.append(first[4])
                p = piece[2]
            q, end = piece[3], piece[1]
        start.append(p), stop.append(q), shifts.append(first[4])
    return np.array(start), np.array(stop), np.array(shifts)


def strewn(mesh: Mesh, count: int, seed: int, least: float = 0.02, most: float = 1.5) -> Floats:
    """Random points outside a body, ``least`` to ``most`` off its surface and above its ground."""
    rng = np.random.default_rng(seed)
    solid = Solid.of(mesh)
    area = np.linalg.norm(
        np.cross(solid.corner[:, 1] - solid.corner[:, 0], solid.corner[:, 2] - solid.corner[:, 0]), axis=1
    )
    low = float(mesh.vertices[:, 2].min()) + 0.3
    out: list[Floats] = []
    while len(out) < count:
        k = rng.choice(len(area), p=area / area.sum())
        w = rng.dirichlet(np.ones(3))
        p = w @ solid.corner[k] + solid.normal[k] * np.exp(rng.uniform(np.log(least), np.log(most)))
        if p[2] > low and not solid.holds(p[None])[0] and solid._distance(p) > 0.9 * least:
            out.append(p)
    return np.array(out)
