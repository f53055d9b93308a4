"""Unions and cuts of upright blocks in exact fractions, returned as one watertight polyhedron.

A block stands over a convex plan polygon, between a lower and an upper surface, each the least or the
greatest of some planes ``z = a x + b y + c``. That is enough for houses: a gable is the least of two
planes, a butterfly roof the greatest, a valley comes from joining two gables, an opening from a cut.

Method: the plan is split into convex cells until no block outline and no crossing of two planes runs
through a cell; in each cell the solid is then a list of intervals of height. Tops and undersides come
from the cells, walls from the difference between neighbouring cells. Faces in one plane are joined
again, and vertices that every face passes straight through are dropped.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from dataclasses import dataclass, field
from fractions import Fraction

Point2 = tuple[Fraction, Fraction]
Point3 = tuple[Fraction, Fraction, Fraction]
Plane = tuple[Fraction, Fraction, Fraction]  # a, b, c of z = a x + b y + c
Interval = tuple[Plane, Plane]  # from, to


def at(plane: Plane, p: Point2) -> Fraction:
    """Height of ``plane`` over the plan point ``p``."""
    return plane[0] * p[0] + plane[1] * p[1] + plane[2]


def raised(planes: Surface, by: Fraction) -> Surface:
    """The surface moved up by ``by`` (down where negative)."""
    return Surface(planes.rule, tuple((a, b, c + by) for a, b, c in planes.planes))


@dataclass(frozen=True)
class Surface:
    """The ``least`` or the ``greatest`` of some planes."""

    rule: str
    planes: tuple[Plane, ...]

    def over(self, p: Point2) -> Plane:
        """The plane that governs over ``p``."""
        pick = min if self.rule == "least" else max
        return pick(self.planes, key=lambda plane: at(plane, p))


@dataclass(frozen=True)
class Block:
    """What is added to the solid, or cut out of it, over one convex outline (counter-clockwise)."""

    outline: tuple[Point2, ...]
    low: Surface
    high: Surface
    cut: bool = False


@dataclass
class Cell:
    outline: list[Point2]
    blocks: list[Block] = field(default_factory=list)

    def middle(self) -> Point2:
        count = len(self.outline)
        return sum(p[0] for p in self.outline) / count, sum(p[1] for p in self.outline) / count


@dataclass(frozen=True)
class Polyhedron:
    """Vertices and faces (outer ring first, then holes), counter-clockwise seen from outside."""

    vertices: list[Point3]
    faces: list[list[list[int]]]


def build(blocks: list[Block]) -> Polyhedron:
    """Join and cut the blocks in the order given."""
    cells = _split(blocks)
    columns = [_column(cell) for cell in cells]
    outlines, shared = _neighbours(cells, columns)
    faces: list[list[Point3]] = []
    for outline, column in zip(outlines, columns, strict=True):
        for low, high in column:
            faces.append([(x, y, at(high, (x, y))) for x, y in outline])
            faces.append([(x, y, at(low, (x, y))) for x, y in reversed(outline)])
    faces += _walls(shared, columns)
    return _merged(faces)


# --------------------------------------------------------------------------------------------- plan


def _side(line: Plane, p: Point2) -> Fraction:
    return line[0] * p[0] + line[1] * p[1] + line[2]


def _cut(outline: list[Point2], line: Plane) -> tuple[list[Point2], list[Point2]]:
    """A convex outline cut by ``line``: the part where it is >= 0, the part where it is <= 0."""
    sides = [_side(line, p) for p in outline]
    if all(s >= 0 for s in sides):
        return outline, []
    if all(s <= 0 for s in sides):
        return [], outline
    above: list[Point2] = []
    below: list[Point2] = []
    for i, p in enumerate(outline):
        q, sp, sq = outline[(i + 1) % len(outline)], sides[i], sides[(i + 1) % len(outline)]
        if sp >= 0:
            above.append(p)
        if sp <= 0:
            below.append(p)
        if sp * sq < 0:
            t = sp / (sp - sq)
            cross = (p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1]))
            above.append(cross)
            below.append(cross)
    return above, below


def _split(blocks: list[Block]) -> list[Cell]:
    xs = [p[0] for b in blocks for p in b.outline]
    ys = [p[1] for b in blocks for p in b.outline]
    x0, x1, y0, y1 = min(xs), max(xs), min(ys), max(ys)
    cells = [Cell([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])]
    for block in blocks:
        after: list[Cell] = []
        for cell in cells:
            inside, outside = cell.outline, []
            for i, p in enumerate(block.outline):
                q = block.outline[(i + 1) % len(block.outline)]
                line = (p[1] - q[1], q[0] - p[0], p[0] * q[1] - q[0] * p[1])  # left is positive
                inside, rest = _cut(inside, line)
                if rest:
                    outside.append(rest)
                if not inside:
                    break
            if inside:
                after += [Cell(o, list(cell.blocks)) for o in outside]
                after.append(Cell(inside, [*cell.blocks, block]))
            else:
                after.append(cell)
        cells = after
    pending, done = [cell for cell in cells if cell.blocks], []
    while pending:
        cell = pending.pop()
        planes = sorted({p for b in cell.blocks for p in (*b.low.planes, *b.high.planes)})
        for i, p in enumerate(planes):
            for q in planes[i + 1 :]:
                parts = _cut(cell.outline, (p[0] - q[0], p[1] - q[1], p[2] - q[2]))
                if all(parts):
                    pending += [Cell(part, cell.blocks) for part in parts]
                    break
            else:
                continue
            break
        else:
            done.append(cell)
    return sorted(done, key=lambda c: sorted(c.outline))


def _column(cell: Cell) -> list[Interval]:
    """Intervals of height that are solid over the cell, from below up, none touching the next."""
    p = cell.middle()
    column: list[Interval] = []
    for block in cell.blocks:
        low, high = block.low.over(p), block.high.over(p)
        if at(high, p) <= at(low, p):
            continue
        if block.cut:
            kept: list[Interval] = []
            for a, b in column:
                if at(a, p) < at(low, p):
                    kept.append((a, min(b, low, key=lambda f: at(f, p))))
                if at(b, p) > at(high, p):
                    kept.append((max(a, high, key=lambda f: at(f, p)), b))
            column = kept
            continue
        apart: list[Interval] = []
        for a, b in column:
            if at(b, p) < at(low, p) or at(a, p) > at(high, p):
                apart.append((a, b))
            else:
                low = min(a, low, key=lambda f: at(f, p))
                high = max(b, high, key=lambda f: at(f, p))
        column = sorted([*apart, (low, high)], key=lambda iv: at(iv[0], p))
    return column


def _neighbours(
    cells: list[Cell], columns: list[list[Interval]]
) -> tuple[list[list[Point2]], dict[tuple[Point2, Point2], list[int]]]:
    """Outlines that share all their vertices, and the cells left of each directed plan edge."""
    points = {p for cell in cells for p in cell.outline}
    while True:
        floats = sorted((float(x), float(y), (x, y)) for x, y in points)
        outlines = [_with_points(cell.outline, floats) for cell in cells]
        left: dict[tuple[Point2, Point2], list[int]] = defaultdict(list)
        for i, outline in enumerate(outlines):
            for p, q in zip(outline, outline[1:] + outline[:1], strict=True):
                left[p, q].append(i)
        more = set()
        for (p, q), owners in left.items():
            levels = {f for i in owners + left.get((q, p), []) for iv in columns[i] for f in iv}
            for f in levels:
                for g in levels:
                    at_p, at_q = at(f, p) - at(g, p), at(f, q) - at(g, q)
                    if at_p * at_q < 0:
                        t = at_p / (at_p - at_q)
                        more.add((p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])))
        if more <= points:
            return outlines, dict(left)
        points |= more


def _with_points(outline: list[Point2], points: list[tuple[float, float, Point2]]) -> list[Point2]:
    full: list[Point2] = []
    for p, q in zip(outline, outline[1:] + outline[:1], strict=True):
        dx, dy = q[0] - p[0], q[1] - p[1]
        fx, fy, px, py = float(dx), float(dy), float(p[0]), float(p[1])
        between = []
        for x, y, r in points:
            if abs(fx * (y - py) - fy * (x - px)) > 1e-6:  # coarse and quick, exact below
                continue
            if dx * (r[1] - p[1]) == dy * (r[0] - p[0]):
                t = (r[0] - p[0]) * dx + (r[1] - p[1]) * dy
                if 0 < t < dx * dx + dy * dy:
                    between.append((t, r))
        full += [p, *(r for _, r in sorted(between))]
    return full


def _walls(
    shared: dict[tuple[Point2, Point2], list[int]], columns: list[list[Interval]]
) -> list[list[Point3]]:
    quads: list[tuple[Point2, Point2, Plane, Plane]] = []
    for (p, q), owners in shared.items():
        here = columns[owners[0]]
        other = shared.get((q, p))
        there = columns[other[0]] if other else []
        middle = ((p[0] + q[0]) / 2, (p[1] + q[1]) / 2)
        levels = sorted({at(f, middle): f for iv in here + there for f in iv}.items())
        for (z0, low), (z1, high) in itertools.pairwise(levels):
            z = (z0 + z1) / 2
            inside_here = any(at(a, middle) < z < at(b, middle) for a, b in here)
            inside_there = any(at(a, middle) < z < at(b, middle) for a, b in there)
            if inside_here and not inside_there:
                quads.append((p, q, low, high))
    heights: dict[Point2, set[Fraction]] = defaultdict(set)
    for p, q, low, high in quads:
        heights[p] |= {at(low, p), at(high, p)}
        heights[q] |= {at(low, q), at(high, q)}
    faces = []
    for p, q, low, high in quads:
        rise = [z for z in sorted(heights[q]) if at(low, q) <= z <= at(high, q)]
        fall = [z for z in sorted(heights[p], reverse=True) if at(low, p) <= z <= at(high, p)]
        faces.append([(*q, z) for z in rise] + [(*p, z) for z in fall])
    return faces


# -------------------------------------------------------------------------------------------- faces


def _sub(a: Point3, b: Point3) -> Point3:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _cross(a: Point3, b: Point3) -> Point3:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def normal_of(ring: list[Point3]) -> Point3:
    """Twice the vector area of a ring."""
    total = (Fraction(0),) * 3
    for i in range(1, len(ring) - 1):
        c = _cross(_sub(ring[i], ring[0]), _sub(ring[i + 1], ring[0]))
        total = (total[0] + c[0], total[1] + c[1], total[2] + c[2])
    return total


def _plane_key(ring: list[Point3]) -> tuple[Fraction, ...]:
    n = normal_of(ring)
    scale = max(abs(v) for v in n)
    n = (n[0] / scale, n[1] / scale, n[2] / scale)
    return (*n, sum(a * b for a, b in zip(n, ring[0], strict=True)))


def _merged(faces: list[list[Point3]]) -> Polyhedron:
    groups: dict[tuple[Fraction, ...], list[list[Point3]]] = defaultdict(list)
    for ring in faces:
        groups[_plane_key(ring)].append(ring)
    joined: list[list[list[Point3]]] = []
    for key in sorted(groups):
        joined += [_boundary(component, key) for component in _components(groups[key])]
    # a vertex stays if any ring turns there
    keep = {
        b
        for rings in joined
        for ring in rings
        for a, b, c in zip(ring[-1:] + ring[:-1], ring, ring[1:] + ring[:1], strict=True)
        if any(_cross(_sub(b, a), _sub(c, b)))
    }
    index: dict[Point3, int] = {p: i for i, p in enumerate(sorted(keep))}
    return Polyhedron(
        sorted(keep), [[[index[p] for p in ring if p in index] for ring in rings] for rings in joined]
    )


def _edges(ring: list[Point3]) -> list[tuple[Point3, Point3]]:
    return list(zip(ring, ring[1:] + ring[:1], strict=True))


def _components(rings: list[list[Point3]]) -> list[list[list[Point3]]]:
    owner = {edge: i for i, ring in enumerate(rings) for edge in _edges(ring)}
    seen: set[int] = set()
    found = []
    for start in range(len(rings)):
        if start in seen:
            continue
        seen.add(start)
        queue, members = [start], []
        while queue:
            i = queue.pop()
            members.append(rings[i])
            for a, b in _edges(rings[i]):
                j = owner.get((b, a))
                if j is not None and j not in seen:
                    seen.add(j)
                    queue.append(j)
        found.append(members)
    return found


def flat(key: tuple[Fraction, ...]) -> tuple[int, int]:
    """Two axes that show faces with this normal undistorted in sense: outer rings run left-handed never."""
    axis = max(range(3), key=lambda i: abs(key[i]))
    u, v = (axis + 1) % 3, (axis + 2) % 3
    return (u, v) if key[axis] > 0 else (v, u)


def _boundary(rings: list[list[Point3]], key: tuple[Fraction, ...]) -> list[list[Point3]]:
    """Outer ring and holes of connected faces in one plane."""
    edges = {edge for ring in rings for edge in _edges(ring)}
    following: dict[Point3, list[Point3]] = defaultdict(list)
    for a, b in sorted(edges):
        if (b, a) not in edges:
            following[a].append(b)
    u, v = flat(key)
    loops = []
    while following:
        start = min(following)
        loop, before, here = [start], None, start
        while True:
            nexts = following[here]
            if before is not None and len(nexts) > 1:  # rings touch here: keep to this side
                back = math.atan2(float(before[v] - here[v]), float(before[u] - here[u]))
                nexts.sort(
                    key=lambda p: (
                        (back - math.atan2(float(p[v] - here[v]), float(p[u] - here[u]))) % (2 * math.pi)
                    )
                )
            after = nexts.pop(0)
            if not nexts:
                del following[here]
            if after == start:
                break
            loop.append(after)
            before, here = here, after
        loops.append(loop)

    def area(loop: list[Point3]) -> Fraction:
        return sum(a[u] * b[v] - b[u] * a[v] for a, b in _edges(loop))

    loops.sort(key=area, reverse=True)
    return loops


def triangles(solid: Polyhedron) -> list[tuple[int, int, int, int]]:
    """All faces cut into triangles by ear clipping: face number, then three vertices."""
    found = []
    for number, rings in enumerate(solid.faces):
        corners = [solid.vertices[i] for i in rings[0]]
        u, v = flat(_plane_key(corners))
        flat_points = {i: (solid.vertices[i][u], solid.vertices[i][v]) for ring in rings for i in ring}
        found += [(number, *t) for t in _ears(_bridged(rings, flat_points), flat_points)]
    return found


def _turn(a: Point2, b: Point2, c: Point2) -> Fraction:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _bridged(rings: list[list[int]], xy: dict[int, Point2]) -> list[int]:
    """One ring with the holes tied in by the shortest bridges that meet nothing."""
    ring = list(rings[0])
    holes = [list(h) for h in rings[1:]]
    while holes:
        walls = [e for r in (ring, *holes) for e in zip(r, r[1:] + r[:1], strict=True)]
        options = sorted(
            ((xy[a][0] - xy[b][0]) ** 2 + (xy[a][1] - xy[b][1]) ** 2, i, h, j)
            for h, hole in enumerate(holes)
            for i, a in enumerate(ring)
            for j, b in enumerate(hole)
        )
        for _, i, h, j in options:
            a, b = ring[i], holes[h][j]
            if not any(_meets(xy[a], xy[b], xy[c], xy[d]) for c, d in walls if not {a, b} & {c, d}):
                ring = ring[: i + 1] + holes[h][j:] + holes[h][: j + 1] + ring[i:]
                del holes[h]
                break
        else:
            raise ArithmeticError("a hole cannot be tied to its face")
    return ring


def _meets(a: Point2, b: Point2, c: Point2, d: Point2) -> bool:
    return _turn(a, b, c) * _turn(a, b, d) <= 0 and _turn(c, d, a) * _turn(c, d, b) <= 0


def _ears(ring: list[int], xy: dict[int, Point2]) -> list[tuple[int, int, int]]:
    ring = list(ring)
    found = []
    while len(ring) > 3:
        best, shape = -1, -1.0
        for i in range(len(ring)):
            tri = (ring[i - 1], ring[i], ring[(i + 1) % len(ring)])
            a, b, c = (xy[k] for k in tri)
            if _turn(a, b, c) <= 0:
                continue
            others = [xy[k] for k in ring if xy[k] not in (a, b, c)]
            if any(_turn(a, b, p) >= 0 and _turn(b, c, p) >= 0 and _turn(c, a, p) >= 0 for p in others):
                continue
            longest = max((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 for p, q in ((a, b), (b, c), (c, a)))
            if float(_turn(a, b, c) / longest) > shape:
                best, shape = i, float(_turn(a, b, c) / longest)
        if best < 0:
            raise ArithmeticError("a face cannot be cut into triangles")
        found.append((ring[best - 1], ring[best], ring[(best + 1) % len(ring)]))
        del ring[best]
    return [*found, (ring[0], ring[1], ring[2])]
