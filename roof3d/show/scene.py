"""One result, ready to be drawn: what pictures, drawings, reports and coloured models all start from.

A scene holds local coordinates (metres, z up, near nil, so that site coordinates lose no digits), the
worst state of every stretch of every fall edge over all anchors, and the cells of the exposure grid.
Where anchors disagree about a stretch the worse state is shown: a person can be tied to either.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from roof3d.errors import InputError
from roof3d.records import STATES, Floats, Ints, Roof
from roof3d.show.shape import check_shape

FALL_STATES = ("short", "swing", "arrest")
ORDER = {state: rank for rank, state in enumerate(STATES)}
ORDER["guarded"] = ORDER["beyond"]
ORDER["unassessed"] = 3  # between arrest and held: nothing is known to hold there
Piece = tuple[float, float, dict[str, Any] | None]  # from, to, and the segment that governs there
MERGE_M = 1e-6
STEP_M = 1e-5  # steps and segments are written with six decimals
SLIVER_M = 0.1  # shorter pieces get no place of their own beside one in the same state

# what a cell of the exposure grid says, the one that hides others first
CELL_KINDS = ("unserved", "margin", "unsure", "safe")


@dataclass(frozen=True, eq=False)
class PlaneShape:
    """A roof plane: rings (outer first) in the local frame."""

    id: str
    rings: tuple[Floats, ...]
    pitch_deg: float
    azimuth_deg: float
    area_m2: float

    @property
    def normal(self) -> Floats:
        """Unit normal, upwards, from the outer ring (Newell)."""
        ring = self.rings[0]
        following = np.roll(ring, -1, axis=0)
        cross = np.cross(ring - ring[0], following - ring[0]).sum(axis=0)
        length = float(np.linalg.norm(cross))
        normal = cross / length if length > 0 else np.array([0.0, 0.0, 1.0])
        return normal if normal[2] >= 0 else -normal

    def lift(self, xy: Floats) -> Floats:
        """Points (n, 2) in plan put on the plane: (n, 3)."""
        normal, origin = self.normal, self.rings[0].mean(axis=0)
        dz = -((np.asarray(xy) - origin[:2]) @ normal[:2]) / max(float(normal[2]), 1e-6)
        return np.column_stack([xy, origin[2] + dz])


@dataclass(frozen=True, eq=False)
class Stretch:
    """A piece of a fall edge in its worst state over all anchors."""

    edge: str
    kind: str
    from_m: float
    to_m: float
    start: Floats  # (3,) local
    end: Floats
    outward: Floats  # (2,) unit, in plan, away from the roof
    state: str
    anchor: str
    figures: dict[str, Any]  # the governing segment as the result has it; {} where unassessed
    number: int = 0  # 1 the worst; 0 where no fall is possible

    @property
    def margin(self) -> float:
        """Margin in metres; nan where there is none."""
        value = self.figures.get("margin_m")
        return float("nan") if value is None else float(value)

    @property
    def middle(self) -> Floats:
        """Half way along."""
        return (self.start + self.end) / 2

    @property
    def length(self) -> float:
        """Metres along the edge."""
        return self.to_m - self.from_m


@dataclass(frozen=True, eq=False)
class AnchorMark:
    """An anchor (one point) or an anchor line (its ends and supports)."""

    id: str
    kind: str  # point, line
    points: Floats  # (n, 3) local
    record: dict[str, Any]
    lies: Floats  # (k, 3) local: the way of an anchor line over the roof, ends, supports and bends


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells of the exposure grid, each a square in plan clipped to its plane when drawn."""

    planes: tuple[str, ...]  # (n,) plane of each
    centres: Floats  # (n, 3) local
    sizes: Floats  # (n,) side in plan, metres
    margins: Floats  # (n,) nan where kind is not margin
    kinds: tuple[str, ...]  # (n,) of CELL_KINDS
    served: tuple[bool, ...]  # (n,) whether some anchor serves it
    swings: tuple[bool, ...]  # (n,) whether the worst that can happen from it is a swing over its limit
    others: tuple[bool, ...]  # (n,) whether, room or not, free fall, force or absorber is over its limit


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything that is drawn, in the local frame; ``origin`` added gives loaded coordinates."""

    result: dict[str, Any]
    origin: Floats
    planes: tuple[PlaneShape, ...]
    stretches: tuple[Stretch, ...]  # along their edges; numbered worst first
    inner: tuple[tuple[str, str, Floats], ...]  # (id, kind, points) of edges without a fall
    anchors: tuple[AnchorMark, ...]
    cells: Cells | None
    vertices: Floats  # (n, 3) mesh of everything that is not roof; (0, 3) without a roof
    triangles: Ints  # (m, 3)
    ground: float | None  # local z
    earth: tuple[int, ...] = ()  # rows of triangles that are ground
    ids: dict[str, PlaneShape] = field(repr=False, default_factory=dict)

    @property
    def worst(self) -> tuple[Stretch, ...]:
        """Numbered stretches, the worst first."""
        return tuple(sorted((s for s in self.stretches if s.number), key=lambda s: s.number))

    def bounds(self) -> tuple[Floats, Floats]:
        """Least and greatest corner of roof, anchors and rest points."""
        parts: list[Floats] = [ring for plane in self.planes for ring in plane.rings]
        parts += [anchor.lies for anchor in self.anchors]
        parts += [np.array([s.start, s.end]) for s in self.stretches]
        every = np.concatenate(parts) if parts else np.zeros((1, 3))
        return every.min(axis=0), every.max(axis=0)


def make_scene(result: dict[str, Any], roof: Roof | None = None) -> Scene:
    """The scene of a result (design: result file), with the building's other surfaces from ``roof``.

    Raises InputError where ``result`` is not a result, or ``roof`` is of another model.
    """
    file = str(result.get("model", {}).get("file", "")) if isinstance(result.get("model"), dict) else ""
    with as_written(result, file):
        check_shape(result, file or "result")
        return _scene(result, roof, file)


@contextmanager
def as_written(result: dict[str, Any], file: str = "") -> Iterator[None]:
    """Turns what a result edited by hand or cut short breaks into one clear line (InputError)."""
    try:
        yield
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as error:
        model = result.get("model")
        name = file or str(model.get("file") if isinstance(model, dict) else "") or "result"
        found = " ".join(f"{type(error).__name__}: {error}".split())[:300]
        raise InputError(name, "result", found, "a result as roof3d writes it") from error


def _scene(result: dict[str, Any], roof: Roof | None, file: str) -> Scene:
    if not str(result.get("schema", "")).startswith("roof3d-result/1"):
        raise InputError(file or "result", "schema", repr(result.get("schema")), "roof3d-result/1")
    for key in ("planes", "edges"):
        if not isinstance(result.get(key), list) or not result[key]:
            raise InputError(file or "result", key, "nothing", "a list with at least one entry")
    if roof is not None:
        wanted = result.get("model", {}).get("sha256")
        if wanted and roof.mesh.sha256 and wanted != roof.mesh.sha256:
            raise InputError(
                roof.mesh.file, "SHA-256", roof.mesh.sha256, f"the model of the result, {wanted}"
            )
        origin = np.asarray(roof.mesh.origin, dtype=np.float64)
    else:
        first = np.concatenate([_points(p["rings"][0], "planes", file) for p in result["planes"]])
        origin = np.floor(first.min(axis=0))
    planes = tuple(_plane(entry, origin, file) for entry in result["planes"])
    anchors = tuple(_anchor(entry, origin, file) for entry in result.get("anchors") or [])
    stretches, inner = overlay(result, planes, origin, file)
    vertices, triangles, earth, ground = _building(roof, planes)
    return Scene(
        result=result,
        origin=origin,
        planes=planes,
        stretches=stretches,
        inner=inner,
        anchors=anchors,
        cells=_cells(result, origin),
        vertices=vertices,
        triangles=triangles,
        ground=ground,
        earth=earth,
        ids={plane.id: plane for plane in planes},
    )


def title_of(result: dict[str, Any]) -> str:
    """The plan's title, else the model's file name."""
    plan = result.get("plan")
    title = plan.get("title") if isinstance(plan, dict) else ""
    return str(title or Path(str((result.get("model") or {}).get("file") or "")).name)


def version_of(result: dict[str, Any]) -> str:
    """The version of the software that computed the result."""
    return str((result.get("software") or {}).get("version") or "?")


def _points(value: Any, place: str, file: str) -> Floats:
    try:
        points = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError):
        points = np.empty(0)
    if points.ndim != 2 or points.shape[-1:] != (3,) or not np.isfinite(points).all():
        raise InputError(file or "result", place, "something else", "a list of finite points [x, y, z]")
    return points


def _plane(entry: dict[str, Any], origin: Floats, file: str) -> PlaneShape:
    rings = tuple(_points(ring, f"planes {entry.get('id')}", file) - origin for ring in entry["rings"])
    azimuth = entry.get("azimuth_deg")
    return PlaneShape(
        str(entry["id"]),
        rings,
        float(entry["pitch_deg"]),
        float("nan") if azimuth is None else float(azimuth),
        float(entry["area_m2"]),
    )


def _anchor(entry: dict[str, Any], origin: Floats, file: str) -> AnchorMark:
    several = entry.get("points")
    place = f"anchors {entry.get('id')}"
    points = _points(several if several else [entry.get("at")], place, file) - origin
    lies = _points(entry["lies"], place, file) - origin if entry.get("lies") else points
    return AnchorMark(str(entry["id"]), "line" if len(points) > 1 else "point", points, entry, lies)


# ------------------------------------------------------------------------------------------- edges


def overlay(
    result: dict[str, Any], planes: tuple[PlaneShape, ...], origin: Floats, file: str = ""
) -> tuple[tuple[Stretch, ...], tuple[tuple[str, str, Floats], ...]]:
    """Stretches of all fall edges, numbered worst first, and the other edges (id, kind, points).

    Of ``result`` only ``edges`` and ``edge_segments`` are read.
    """
    by_edge: dict[str, list[dict[str, Any]]] = {}
    for segment in result.get("edge_segments") or []:
        by_edge.setdefault(str(segment["edge"]), []).append(segment)
    shapes = {plane.id: plane for plane in planes}
    stretches: list[Stretch] = []
    inner = []
    for edge in result["edges"]:
        name = str(edge["id"])
        points = _points(edge["points"], f"edges {name}", file) - origin
        if not edge.get("fall") and name not in by_edge:
            inner.append((name, str(edge["kind"]), points))
            continue
        stretches += edge_line(edge, points, shapes).stretches(by_edge.get(name, []))
    numbers = numbered(stretches)
    return tuple(
        Stretch(**{**vars(stretch), "number": number})
        for stretch, number in zip(stretches, numbers, strict=True)
    ), tuple(inner)


def numbered(stretches: Sequence[Stretch]) -> list[int]:
    """Numbers of stretches, 1 the worst; 0 where no fall is possible."""
    rows = [row for row, stretch in enumerate(stretches) if stretch.state in FALL_STATES]
    rows.sort(key=lambda row: _badness(stretches[row]))
    numbers = [0] * len(stretches)
    for number, row in enumerate(rows, 1):
        numbers[row] = number
    return numbers


def _badness(stretch: Stretch) -> tuple[float, float, str, float]:
    margin = stretch.margin
    # an unknown margin is as bad as any
    return ORDER[stretch.state], -np.inf if np.isnan(margin) else margin, stretch.edge, stretch.from_m


@dataclass(frozen=True, eq=False)
class EdgeLine:
    """An edge as it lies: what its stretches have in common."""

    id: str
    kind: str
    points: Floats  # (n, 3) local
    along: Floats  # (n,) metres from its start
    outward: Floats  # (2,) unit, in plan, away from the roof
    walked: tuple[tuple[float, float], ...]  # steps: no edge to fall over, no segments speak of them

    def at(self, distance: float) -> Floats:
        """The place (3,) that many metres along."""
        return np.array([np.interp(distance, self.along, self.points[:, axis]) for axis in range(3)])

    def stretches(self, segments: Iterable[dict[str, Any]]) -> list[Stretch]:
        """Pieces, each governed by the worst segment that covers it."""
        pieces = _without_slivers(
            [
                piece
                for piece in governed(segments, float(self.along[-1]))
                if piece[2] is not None or not self._is_step(piece)
            ]
        )
        return [
            Stretch(
                edge=self.id,
                kind=self.kind,
                from_m=low,
                to_m=high,
                start=self.at(low),
                end=self.at(high),
                outward=self.outward,
                state=_shown_state(governing),
                anchor="" if governing is None else str(governing.get("anchor", "")),
                figures={} if governing is None else governing,
            )
            for low, high, governing in pieces
        ]

    def _is_step(self, piece: Piece) -> bool:
        return any(low - STEP_M <= piece[0] and piece[1] <= high + STEP_M for low, high in self.walked)


def edge_line(edge: dict[str, Any], points: Floats, shapes: dict[str, PlaneShape]) -> EdgeLine:
    """The edge of a result, its points in the local frame; ``shapes``: roof planes by name."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return EdgeLine(
        str(edge["id"]),
        str(edge["kind"]),
        points,
        np.concatenate([[0.0], np.cumsum(steps)]),
        _outward(edge, points, shapes),
        tuple((float(low), float(high)) for low, high in edge.get("steps") or ()),
    )


def governed(segments: Iterable[dict[str, Any]], length: float) -> list[Piece]:
    """An edge of ``length`` metres cut where the worst segment that covers it changes; None: none does."""
    segments = [s for s in segments if float(s["to_m"]) > float(s["from_m"])]
    cuts = {0.0, length}
    for segment in segments:
        cuts |= {min(max(float(segment[key]), 0.0), length) for key in ("from_m", "to_m")}
    places = sorted(cuts)
    places = [p for k, p in enumerate(places) if k == 0 or p - places[k - 1] > MERGE_M]
    pieces: list[Piece] = []
    for low, high in itertools.pairwise(places):
        middle = (low + high) / 2
        covering = [s for s in segments if float(s["from_m"]) <= middle <= float(s["to_m"])]
        governing = min(covering, key=_segment_badness) if covering else None
        if pieces and pieces[-1][2] is governing:
            pieces[-1] = (pieces[-1][0], high, governing)
        else:
            pieces.append((low, high, governing))
    return pieces


def _without_slivers(pieces: list[Piece]) -> list[Piece]:
    """Pieces with slivers joined to a neighbour in the same state; the worse of the two governs."""
    joined: list[Piece] = []
    for piece in pieces:
        last = joined[-1] if joined else None
        if last is None or not _joins(last, piece):
            joined.append(piece)
            continue
        first, second = sorted((last[2] or {}, piece[2] or {}), key=_segment_badness)
        figures = dict(first)
        for key in ("free_fall_m", "swing_drop_m", "swing_angle_deg"):
            one, other = first.get(key), second.get(key)
            # not known is worse than any figure
            figures[key] = None if one is None or other is None else max(float(one), float(other))
        words = dict.fromkeys([*(first.get("breaks") or ()), *(second.get("breaks") or ())])
        figures["breaks"] = list(words)
        joined[-1] = (last[0], piece[1], figures)
    return joined


def _joins(a: Piece, b: Piece) -> bool:
    if b[0] - a[1] > MERGE_M:  # a step lies between
        return False
    if a[2] is None or b[2] is None or _shown_state(a[2]) != _shown_state(b[2]):
        return False
    return min(a[1] - a[0], b[1] - b[0]) < SLIVER_M


def _shown_state(segment: dict[str, Any] | None) -> str:
    if segment is None:
        return "unassessed"
    state = str(segment["state"])
    # what other means guard is not out of reach, it relies on them
    return "guarded" if segment.get("protection") and state == "beyond" else state


def _segment_badness(segment: dict[str, Any]) -> tuple[float, float, str]:
    margin = segment.get("margin_m")
    rank = ORDER.get(str(segment["state"]), -1)  # a state this version does not know counts as worst
    return rank, -np.inf if margin is None else float(margin), str(segment.get("anchor", ""))


def _outward(edge: dict[str, Any], points: Floats, shapes: dict[str, PlaneShape]) -> Floats:
    """Unit direction in plan away from the edge's first roof plane."""
    given = edge.get("outward")
    if given is not None:
        flat = np.asarray(given, dtype=np.float64)[:2]
        if np.linalg.norm(flat) > 1e-9:
            unit: Floats = flat / np.linalg.norm(flat)
            return unit
    direction = (points[-1] - points[0])[:2]
    if np.linalg.norm(direction) < 1e-9:
        return np.array([0.0, -1.0])
    side: Floats = np.array([direction[1], -direction[0]]) / np.linalg.norm(direction)
    middle = points.mean(axis=0)[:2]
    for name in edge.get("planes") or []:
        if name in shapes:
            shape = shapely.Polygon(shapes[name].rings[0][:, :2]).buffer(0)
            near = shapely.Point(*(middle + 0.02 * side))
            inwards: Floats = -side
            return inwards if shape.contains(near) else side
    return side


# ------------------------------------------------------------------------------------ grid and mesh


def _building(
    roof: Roof | None, planes: tuple[PlaneShape, ...]
) -> tuple[Floats, Ints, tuple[int, ...], float | None]:
    if roof is None:
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), (), None
    named = {plane.id for plane in planes}
    of_roof = [facet.triangles for facet in roof.facets if facet.id in named]
    keep = np.ones(len(roof.mesh.triangles), dtype=bool)
    if of_roof:
        keep[np.concatenate(of_roof)] = False
    ground = np.zeros(len(roof.mesh.triangles), dtype=bool)
    for facet in roof.facets:
        if facet.kind == "ground":
            ground[facet.triangles] = True
    earth = tuple(np.flatnonzero(ground[keep]).tolist())
    return roof.mesh.vertices, roof.mesh.triangles[keep], earth, float(roof.grade)


def _cells(result: dict[str, Any], origin: Floats) -> Cells | None:
    """The exposure grid; None where the result has none."""
    grid = result.get("exposure")
    if not grid or not grid.get("cells"):
        return None
    default = float(grid.get("cell_m") or 0.5)
    planes, centres, sizes, margins, kinds, served, swings, others = [], [], [], [], [], [], [], []
    for cell in grid["cells"]:
        margin, state = cell.get("margin_m"), cell.get("state")
        is_served = bool(cell.get("served", False))
        if state in FALL_STATES:
            kind = "margin"  # with a margin that is not known: the worst band
        elif not is_served:
            kind = "unserved"
        elif state in ("held", "beyond"):
            kind = "safe"
        else:
            kind = "unsure"
        planes.append(str(cell["plane"]))
        centres.append(cell["at"])
        sizes.append(float(cell.get("size_m") or default))
        margins.append(np.nan if margin is None else float(margin))
        kinds.append(kind)
        served.append(is_served)
        swings.append(state == "swing")
        # short with room left: another limit is broken, and the colour alone would look fine
        others.append(state == "short" and margin is not None and float(margin) >= 0)
    points = np.asarray(centres, dtype=np.float64).reshape(-1, 3) - origin
    if not np.isfinite(points).all() or not (np.asarray(sizes) > 0).all():
        raise ValueError("a cell of the exposure grid without a place or a size")
    return Cells(
        planes=tuple(planes),
        centres=points,
        sizes=np.asarray(sizes),
        margins=np.asarray(margins),
        kinds=tuple(kinds),
        served=tuple(served),
        swings=tuple(swings),
        others=tuple(others),
    )
