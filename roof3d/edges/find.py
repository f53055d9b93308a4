"""Edges of roof planes with their trade names, and the graph that they form."""

from __future__ import annotations

from dataclasses import dataclass, replace

import networkx as nx
import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from roof3d.edges.border import COURTYARD, PROTECTS, SHORT, Stretch, hole_area, stretches
from roof3d.edges.kinds import boundary_kind, inner_kind, outward_of
from roof3d.edges.surfaces import surfaces_of
from roof3d.planes import walls
from roof3d.planes.classify import WALL_DEG
from roof3d.planes.outline import frame_of
from roof3d.records import Edge, Facet, Floats, Ints, Mesh

NODE = 0.05  # m, ends of edges within this distance are one node
CRUMB = 0.05  # m, shorter stretches of a straight line are counted to their neighbour
STRAIGHT = float(np.cos(np.radians(2.0)))  # pieces that bend less are joined
OFF_LINE = 0.03  # m, sideways distance up to which pieces are joined


@dataclass(frozen=True, eq=False)
class Piece:
    """A joined stretch with its kind."""

    stretch: Stretch
    kind: str
    fall: bool
    doubt: str


def find_edges(mesh: Mesh, facets: tuple[Facet, ...], grade: float) -> tuple[tuple[Edge, ...], nx.MultiGraph]:
    """Edges of the roof planes and their graph.

    ``grade`` is the local height of the ground: an edge at most 0.3 m over it is no fall edge where
    nothing else is known to lie there. Shared edges occur once, with the plane of lower number first. Ids
    E1, E2, ... run plane by plane, ring by ring, from the corner farthest from the plane's centre.
    """
    rows = list(facets)
    standing = _walls(mesh, rows)
    surfaces = surfaces_of(rows)
    found = stretches(rows, standing, surfaces)
    pieces = [_named(rows, piece, found) for piece in _once(rows, _joined(found))]
    return _graph(rows, pieces)


def _walls(mesh: Mesh, facets: list[Facet]) -> walls.Walls:
    steep = [row for row, facet in enumerate(facets) if facet.kind == "wall" and facet.pitch_deg >= WALL_DEG]
    frames, shapes, boxes = [], [], []
    for row in steep:
        facet = facets[row]
        frame = frame_of(facet.normal, facet.offset, True)
        flat = [frame.flat(ring) for ring in facet.rings]
        shape = shapely.make_valid(shapely.Polygon(flat[0], flat[1:]))
        frames.append(frame)
        shapes.append(shape)
        boxes.append([*facet.rings[0][:, :2].min(axis=0), *facet.rings[0][:, :2].max(axis=0)])
    loose = np.ones(len(mesh.triangles), dtype=bool)
    for facet in facets:
        loose[facet.triangles] = False
    corner = mesh.vertices[mesh.triangles[loose]]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    size = np.linalg.norm(cross, axis=1)
    for points, normal in zip(corner[size > 1e-8], cross[size > 1e-8] / size[size > 1e-8, None], strict=True):
        if abs(normal[2]) > 0.5:
            continue  # loose triangles that are not steep rise from nothing
        frame = frame_of(normal, float(normal @ points[0]), True)
        frames.append(frame)
        shapes.append(shapely.Polygon(frame.flat(points)))
        boxes.append([*points[:, :2].min(axis=0), *points[:, :2].max(axis=0)])
    return walls.walls_of(frames, shapes, np.array(boxes, dtype=np.float64), list(range(len(frames))))


def _key(piece: Stretch) -> tuple[int, int, str, int, bool]:
    return (piece.facet, piece.ring, piece.meets, piece.partner, bool(piece.doubt))


def _runs_on(one: Stretch, two: Stretch, first: Floats) -> bool:
    """Whether ``two`` continues the straight line from ``first`` over the end of ``one``."""
    if float(np.linalg.norm(two.start - one.end)) > SHORT:
        return False
    axis, other = one.end - first, two.end - two.start
    whole = two.end - first
    size = float(np.linalg.norm(axis)) * float(np.linalg.norm(other))
    length = float(np.linalg.norm(whole))
    if size <= 0 or length <= 0 or float(axis @ other) < STRAIGHT * size:
        return False
    return float(np.linalg.norm(np.cross(whole / length, one.end - first))) <= OFF_LINE


def _joined(found: list[Stretch]) -> list[Stretch]:
    """Stretches of one ring that go straight on with the same neighbour, joined."""
    done: list[Stretch] = []
    rings: dict[tuple[int, int], list[Stretch]] = {}
    for piece in found:
        rings.setdefault((piece.facet, piece.ring), []).append(piece)
    for members in rings.values():
        chain: list[Stretch] = []
        for piece in members:
            on = bool(chain) and _runs_on(chain[-1], piece, chain[-1].start)
            if on and (_key(chain[-1]) == _key(piece) or _length(piece) < CRUMB):
                chain[-1] = _union(chain[-1], piece)
            elif on and _length(chain[-1]) < CRUMB:
                chain[-1] = replace(piece, start=chain[-1].start)
            else:
                chain.append(piece)
        if (
            len(chain) > 2
            and _key(chain[-1]) == _key(chain[0])
            and _runs_on(chain[-1], chain[0], chain[-1].start)
        ):
            chain = [_union(chain[-1], chain[0]), *chain[1:-1]]
        done.extend(chain)
    return done


def _length(piece: Stretch) -> float:
    return float(np.linalg.norm(piece.end - piece.start))


def _union(one: Stretch, two: Stretch) -> Stretch:
    return replace(one, end=two.end, gap=max(one.gap, two.gap), rise=min(one.rise, two.rise))


def _distance(point: Floats, start: Floats, end: Floats) -> float:
    axis = end - start
    at = float(np.clip((point - start) @ axis / max(float(axis @ axis), 1e-18), 0.0, 1.0))
    return float(np.linalg.norm(start + at * axis - point))


def _once(facets: list[Facet], found: list[Stretch]) -> list[Stretch]:
    """Shared edges once: from the plane of lower row, unless only the other one sees it."""
    kept: dict[tuple[int, int], list[Stretch]] = {}
    for piece in found:
        if piece.meets == "plane" and piece.facet < piece.partner:
            kept.setdefault((piece.facet, piece.partner), []).append(piece)
    out: list[Stretch] = []
    for piece in found:
        if piece.meets == "plane" and piece.facet > piece.partner:
            middle = 0.5 * (piece.start + piece.end)
            known = kept.get((piece.partner, piece.facet), [])
            if any(_distance(middle, other.start, other.end) <= 2 * NODE for other in known):
                continue
        out.append(piece)
    return out


def _named(facets: list[Facet], piece: Stretch, found: list[Stretch]) -> Piece:
    facet = facets[piece.facet]
    if piece.meets == "plane":
        return Piece(piece, inner_kind(facet, facets[piece.partner], piece.start, piece.end), False, "")
    kind = boundary_kind(facet, piece.start, piece.end)
    if piece.meets == "ground":
        return Piece(piece, kind, False, "")
    hole = piece.ring > 0 and hole_area(facet, piece.ring) <= COURTYARD
    low_box = hole and not any(other.meets == "wall" and other.rise == 0.0 for other in _ring(found, piece))
    if piece.meets == "wall" and not (low_box and piece.rise > 0):
        return Piece(piece, "abutment", False, "")
    if piece.meets == "nothing":
        return Piece(piece, "opening" if hole else kind, True, piece.doubt)
    doubt = f"an upstand of about {piece.rise:.2f} m, less than {PROTECTS:.1f} m, is not taken to protect"
    if low_box:
        doubt = f"a hole with an upstand of about {piece.rise:.2f} m: what closes it may not bear a person"
    return Piece(piece, "upstand", True, doubt)


def _ring(found: list[Stretch], piece: Stretch) -> list[Stretch]:
    return [other for other in found if other.facet == piece.facet and other.ring == piece.ring]


def _graph(facets: list[Facet], pieces: list[Piece]) -> tuple[tuple[Edge, ...], nx.MultiGraph]:
    graph: nx.MultiGraph = nx.MultiGraph()
    if not pieces:
        return (), graph
    points = np.vstack([[piece.stretch.start, piece.stretch.end] for piece in pieces])
    node = _nodes(points)
    for number in range(int(node.max()) + 1):
        graph.add_node(number, point=points[node == number].mean(axis=0))
    edges: list[Edge] = []
    for row, piece in enumerate(pieces):
        stretch = piece.stretch
        ids = [facets[stretch.facet].id]
        if stretch.partner >= 0:
            ids.append(facets[stretch.partner].id)
        edge = Edge(
            id=f"E{row + 1}",
            kind=piece.kind,
            fall=piece.fall,
            facets=tuple(ids),
            points=np.array([stretch.start, stretch.end]),
            outward=None if stretch.meets == "plane" else outward_of(stretch.start, stretch.end),
            length_m=float(np.linalg.norm(stretch.end - stretch.start)),
            ends=(int(node[2 * row]), int(node[2 * row + 1])),
            doubt=piece.doubt,
        )
        edges.append(edge)
        graph.add_edge(edge.ends[0], edge.ends[1], key=edge.id, edge=edge)
    return tuple(edges), graph


def _nodes(points: Floats) -> Ints:
    """Node numbers (n,) of points: those within ``NODE`` of each other are one."""
    pairs = cKDTree(points).query_pairs(NODE, output_type="ndarray")
    count = len(points)
    net = coo_matrix((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    _, label = connected_components(net, directed=False)
    # numbered in the order in which the edges come to them
    _, first = np.unique(label, return_index=True)
    order = np.argsort(np.argsort(first))
    return np.asarray(order[label], dtype=np.int64)
