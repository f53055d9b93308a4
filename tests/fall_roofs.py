"""Small buildings made by hand for tests of levels, fall and check: facets and edges as records."""

from __future__ import annotations

from typing import Any

import networkx as nx
import numpy as np

from roof3d.records import Edge, Facet, Floats, Mesh, Roof


def make_roof(
    facets: list[tuple[str, str, Any]],
    edges: list[tuple[str, str, bool, tuple[str, ...], Any, Any]],
    *,
    grade: float = 0.0,
    grade_source: str = "plan",
    origin: Any = (0.0, 0.0, 0.0),
    oriented: bool = True,
) -> Roof:
    """A roof of convex facets (id, kind, ring) and edges (id, kind, fall, facet ids, start, end)."""
    vertices: list[Floats] = []
    triangles: list[tuple[int, int, int]] = []
    made: list[Facet] = []
    for name, kind, ring in facets:
        points = np.asarray(ring, dtype=float)
        base = len(vertices)
        vertices.extend(points)
        rows = []
        for k in range(1, len(points) - 1):
            rows.append(len(triangles))
            triangles.append((base, base + k, base + k + 1))
        cross = sum(
            np.cross(points[k] - points[0], points[k + 1] - points[0]) for k in range(1, len(points) - 1)
        )
        area = float(np.linalg.norm(cross)) / 2
        normal = cross / (2 * area)
        pitch = float(np.rad2deg(np.arccos(np.clip(normal[2], -1, 1))))
        azimuth = float(np.rad2deg(np.arctan2(normal[0], normal[1])) % 360) if pitch > 0.01 else float("nan")
        made.append(
            Facet(
                name,
                kind,
                normal,
                float(normal @ points[0]),
                np.array(rows),
                (points,),
                area,
                pitch,
                azimuth,
                points.mean(axis=0),
            )
        )
    stack = np.array(vertices)
    welded, inverse = np.unique(np.round(stack, 9), axis=0, return_inverse=True)
    mesh = Mesh(
        vertices=welded,
        triangles=inverse.reshape(-1)[np.array(triangles)],
        parts=np.zeros(len(triangles), dtype=np.int64),
        part_names=("made by hand",),
        oriented=np.full(len(triangles), oriented),
        origin=np.asarray(origin, dtype=float),
        file="hand.obj",
        sha256="0" * 64,
        unit="m",
        up="z",
        triangles_in_file=len(triangles),
    )
    graph = nx.MultiGraph()
    numbers: dict[tuple[float, ...], int] = {}
    by_id = {facet.id: facet for facet in made}
    records: list[Edge] = []
    for name, kind, fall, owners, start, end in edges:
        p, q = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
        nodes = []
        for point in (p, q):
            key = tuple(np.round(point, 6))
            if key not in numbers:
                numbers[key] = len(numbers)
                graph.add_node(numbers[key], point=point)
            nodes.append(numbers[key])
        outward = None
        if fall:
            square = np.array([q[1] - p[1], p[0] - q[0], 0.0])
            square /= np.linalg.norm(square)
            inside = by_id[owners[0]].centroid - (p + q) / 2
            outward = -square if square @ inside > 0 else square
        edge = Edge(
            name,
            kind,
            fall,
            owners,
            np.array([p, q]),
            outward,
            float(np.linalg.norm(q - p)),
            (nodes[0], nodes[1]),
        )
        records.append(edge)
        graph.add_edge(nodes[0], nodes[1], key=name, edge=edge)
    return Roof(mesh, tuple(made), tuple(records), graph, grade, grade_source)


def box(
    x0: float, x1: float, y0: float, y1: float, z0: float, z1: float, name: str
) -> list[tuple[str, str, Any]]:
    """Walls and level top of a box, without a floor."""
    a, b, c, d = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    out: list[tuple[str, str, Any]] = [(f"P{name}", "roof", [(*a, z1), (*b, z1), (*c, z1), (*d, z1)])]
    for k, (p, q) in enumerate(((a, b), (b, c), (c, d), (d, a))):
        out.append((f"W{name}{k}", "wall", [(*p, z0), (*q, z0), (*q, z1), (*p, z1)]))
    return out


def flat_edges(
    x0: float, x1: float, y0: float, y1: float, z: float, plane: str, name: str = "E"
) -> list[Any]:
    """The four edges of a level rectangle: south, east, north, west."""
    a, b, c, d = (x0, y0, z), (x1, y0, z), (x1, y1, z), (x0, y1, z)
    return [
        (f"{name}{k}", "flat", True, (plane,), p, q)
        for k, (p, q) in enumerate(((a, b), (b, c), (c, d), (d, a)), 1)
    ]


def flat_roof(width: float = 20.0, depth: float = 20.0, height: float = 6.0, **kw: Any) -> Roof:
    """A box building with a level roof."""
    return make_roof(
        box(0, width, 0, depth, 0, height, "1"), flat_edges(0, width, 0, depth, height, "P1"), **kw
    )


def mono_roof(slope: float, run: float, width: float = 20.0, eave: float = 6.0, **kw: Any) -> Roof:
    """A mono-pitch roof, eave at y = 0 and height ``eave``, ``slope`` = rise over run, upwards in y."""
    top = eave + slope * run
    a, b, c, d = (0, 0), (width, 0), (width, run), (0, run)
    facets = [
        ("P1", "roof", [(*a, eave), (*b, eave), (*c, top), (*d, top)]),
        ("W1", "wall", [(*a, 0), (*b, 0), (*b, eave), (*a, eave)]),
        ("W2", "wall", [(*b, 0), (*c, 0), (*c, top), (*b, eave)]),
        ("W3", "wall", [(*c, 0), (*d, 0), (*d, top), (*c, top)]),
        ("W4", "wall", [(*d, 0), (*a, 0), (*a, eave), (*d, top)]),
    ]
    edges = [
        ("E1", "eave", True, ("P1",), (*a, eave), (*b, eave)),
        ("E2", "rake", True, ("P1",), (*b, eave), (*c, top)),
        ("E3", "top", True, ("P1",), (*c, top), (*d, top)),
        ("E4", "rake", True, ("P1",), (*d, top), (*a, eave)),
    ]
    return make_roof(facets, edges, **kw)
