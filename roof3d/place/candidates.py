"""Places where anchors could be built: along edges and over slopes on rafters, beside the roof, from a list.

A *rafter line* runs up and down a roof plane in the direction of its slope. Rafter lines of a plane are
``spacing`` apart, measured level along the eave; the first is ``offset`` from the plane's edge. An edge
takes anchors where it crosses the rafter lines of its first plane. On a level plane rafters run square to
its longest side.
"""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import numpy as np
import shapely

from roof3d import taut
from roof3d.errors import InputError
from roof3d.fall import footprint
from roof3d.plan import candidates_path, rules_for
from roof3d.records import Candidates, Edge, Facet, Floats, Plan, Roof

LEVEL_DEG = 3.0  # planes up to this pitch count as level
SAME_M = 0.01  # candidates nearer to each other than this are one
DEFAULT_SETBACK_M = 0.3
DEFAULT_SPACING = "610"
COLUMNS = ("id", "x", "y", "z")
MORE_COLUMNS = ("rating_kN", "note")


@dataclass(frozen=True, eq=False)
class Candidate:
    """One place for a single anchor. ``at`` is the tie-off point, local frame."""

    id: str  # C1 .. or the list's own
    at: Floats  # (3,)
    kind: str  # the kind of edge it is on, slope, off-roof, list
    on: str  # id of edge or plane, "" beside the roof
    rafter: int | None = None  # 0 is the first of its plane
    rating: float | None = None  # N
    note: str = ""


@dataclass(frozen=True)
class Spacing:
    """A usual spacing of rafters or trusses, centre to centre, metres."""

    name: str
    value: float
    text: str
    source: str
    status: str


def spacings() -> tuple[Spacing, ...]:
    """The shipped spacings, each with its source."""
    data = tomllib.loads(files("roof3d.place").joinpath("spacings.toml").read_text(encoding="utf-8"))
    return tuple(Spacing(name, **entry) for name, entry in sorted(data["spacing"].items()))


def find_candidates(roof: Roof, plan: Plan) -> tuple[tuple[Candidate, ...], tuple[str, ...]]:
    """All places for single anchors that the plan allows, in a fixed order, and what was assumed.

    Places inside the building, in keep-outs or too near to edges are left out; a list of one's own is
    taken as it stands. Raises InputError for a list that cannot be used.
    """
    wish = plan.candidates
    assumptions: list[str] = []
    if wish.spacing is None:
        usual = next(s for s in spacings() if s.name == DEFAULT_SPACING)
        spacing = usual.value
        assumptions.append(
            f"rafters {spacing:.3f} m apart ({usual.text}; {usual.source}): the plan gives no spacing"
        )
    else:
        spacing = wish.spacing
    raw, said = _on_roof(roof, plan, wish.along, spacing)
    if not raw and "along" not in wish.given and wish.along == Candidates().along and not wish.list_file:
        # a roof without ridge or hip, and a plan that does not ask for them
        raw, said = _on_roof(roof, plan, ("slope",), spacing)
        said.append(
            "anchors stand on the slopes (assumed: the plan names no edges, and no ridge or hip takes any)"
        )
    assumptions += said
    raw += [(roof.to_local(at), "off-roof", "", None) for at in wish.off_roof]
    raw = _apart(raw)
    found = [
        Candidate(f"C{number}", at, kind, on, rafter, wish.rating)
        for number, (at, kind, on, rafter) in enumerate(raw, 1)
    ]
    if wish.list_file:
        path = candidates_path(plan)
        assert path is not None
        found += read_list(path, roof)
    return tuple(found), tuple(assumptions)


def _on_roof(
    roof: Roof, plan: Plan, along: Sequence[str], spacing: float
) -> tuple[list[tuple[Floats, str, str, int | None]], list[str]]:
    """Tie-off points over the edges and slopes of ``along`` that are allowed and free; what is assumed."""
    raw: list[tuple[Floats, str, str, int | None]] = []
    for edge in roof.edges:
        if edge.kind in along:
            raw += [(at, edge.kind, edge.id, rafter) for at, rafter in _on_edge(roof, edge, plan, spacing)]
    for facet in roof.planes:
        if "slope" in along or facet.pitch_deg <= LEVEL_DEG:
            raw += [(at, "slope", facet.id, rafter) for at, rafter in _on_slope(facet, plan, spacing)]
    if not raw:
        return [], []
    points = np.array([entry[0] for entry in raw])
    keep, said = _allowed(roof, plan, points)
    raised = points + np.array([0.0, 0.0, plan.candidates.height])
    keep &= ~taut.inside(taut.prepare(roof), raised)
    return [(raised[k], *raw[k][1:]) for k in np.flatnonzero(keep)], said


def _apart(raw: list[tuple[Floats, str, str, int | None]]) -> list[tuple[Floats, str, str, int | None]]:
    """The entries without those that repeat an earlier place."""
    seen: dict[tuple[int, ...], None] = {}
    out = []
    for entry in raw:
        cell = np.round(entry[0] / SAME_M).astype(np.int64)
        near = [
            (int(cell[0]) + a, int(cell[1]) + b, int(cell[2]) + c)
            for a in (-1, 0, 1)
            for b in (-1, 0, 1)
            for c in (-1, 0, 1)
        ]
        if not any(key in seen for key in near):
            seen[tuple(int(v) for v in cell)] = None
            out.append(entry)
    return out


def slope_axes(facet: Facet) -> tuple[Floats, Floats]:
    """Unit vectors in a plane: level along the eave, and up the slope (square to it)."""
    normal = facet.normal
    if facet.pitch_deg <= LEVEL_DEG:
        ring = facet.rings[0]
        sides = np.roll(ring, -1, axis=0) - ring
        side = sides[int(np.argmax(np.round(np.linalg.norm(sides, axis=1), 6)))]
        level = np.array([side[0], side[1], 0.0])
    else:
        level = np.array([-normal[1], normal[0], 0.0])
    level = level / np.linalg.norm(level)
    up = np.cross(normal, level)
    up = up / np.linalg.norm(up)
    # along +x (or +y) so that rafters count the same way on both sides of a ridge
    if level[0] < -1e-9 or (abs(level[0]) <= 1e-9 and level[1] < 0):
        level = -level
    return level, up if up[2] >= 0 else -up


def rafter_lines(facet: Facet, spacing: float, offset: float) -> Floats:
    """Level coordinates (along ``slope_axes``'s first) of a plane's rafter lines, metres."""
    level, _ = slope_axes(facet)
    along = facet.rings[0] @ level
    count = math.floor((along.max() - along.min() - offset) / spacing + 1e-6) + 1
    lines: Floats = along.min() + offset + spacing * np.arange(max(count, 0))
    return lines


def _on_edge(roof: Roof, edge: Edge, plan: Plan, spacing: float) -> list[tuple[Floats, int | None]]:
    facet = next((f for name in edge.facets for f in roof.planes if f.id == name), None)
    if facet is None:
        return []
    level, _ = slope_axes(facet)
    lines = rafter_lines(facet, spacing, plan.candidates.offset)
    out: list[tuple[Floats, int | None]] = []
    for p, q in zip(edge.points[:-1], edge.points[1:], strict=True):
        length = float(np.linalg.norm(q - p))
        a, b = float(p @ level), float(q @ level)
        if abs(b - a) > 0.05 * length:
            for number, line in enumerate(lines):
                t = (line - a) / (b - a)
                if -1e-6 <= t <= 1 + 1e-6:
                    out.append((p + min(max(t, 0.0), 1.0) * (q - p), number))
        else:  # along a rafter: at the slope's steps
            step = plan.candidates.slope_step
            out += [(p + (q - p) * (step * k / length), None) for k in range(1, int(length / step) + 1)]
    return out


def _on_slope(facet: Facet, plan: Plan, spacing: float) -> list[tuple[Floats, int | None]]:
    """Places on rafter lines, every ``slope_step`` up from the plane's lowest point."""
    level, up = slope_axes(facet)
    shape = footprint(facet)
    shapely.prepare(shape)
    heights = facet.rings[0] @ up
    step = plan.candidates.slope_step
    base = facet.normal * facet.offset
    # coordinates in the plane: base + level * u + up * v
    v = heights.min() + step * np.arange(1, int((heights.max() - heights.min()) / step) + 1)
    out: list[tuple[Floats, int | None]] = []
    origin_u, origin_v = float(base @ level), float(base @ up)
    for number, u in enumerate(rafter_lines(facet, spacing, plan.candidates.offset)):
        points = base + (u - origin_u) * level + (v - origin_v)[:, None] * up
        inside = shapely.contains_xy(shape, points[:, 0], points[:, 1])
        out += [(point, number) for point in points[inside]]
    return out


def _allowed(roof: Roof, plan: Plan, points: Floats) -> tuple[np.ndarray, list[str]]:
    """Which places keep their distance from edges and openings and are in no keep-out."""
    wish = plan.candidates
    said: list[str] = []
    setback = wish.edge_setback
    if setback is None:
        rule = rules_for(plan).get("edge_anchor_setback")
        setback = DEFAULT_SETBACK_M if rule is None else rule
        why = "assumed" if rule is None else "from the rule set"
        said.append(f"anchors keep {setback:.2f} m from fall edges ({why}): the plan gives no edge_setback")
    opening = setback if wish.opening_setback is None else wish.opening_setback
    keep = np.ones(len(points), dtype=bool)
    for edge in roof.edges:
        hole = edge.kind in ("opening", "upstand")
        least = opening if hole else setback
        if (edge.fall or hole) and least > 0:
            line = edge.points
            for p, q in pairwise(line):
                t = np.clip((points - p) @ (q - p) / max(float((q - p) @ (q - p)), 1e-12), 0.0, 1.0)
                away = np.linalg.norm(points - p - t[:, None] * (q - p), axis=1)
                keep &= away >= least - 1e-9
    for area in plan.keep_out:
        ring = np.asarray(area.polygon, dtype=np.float64) - roof.mesh.origin[:2]
        shape = shapely.make_valid(shapely.Polygon(ring))
        keep &= ~shapely.intersects_xy(shape, points[:, 0], points[:, 1])
    return keep, said


# ------------------------------------------------------------------------------------ list of one's own


def read_list(path: str | Path, roof: Roof) -> list[Candidate]:
    """Candidates from a CSV table with the columns id, x, y, z and, if wanted, rating_kN and note.

    Coordinates are metres in the loaded frame. Raises InputError with the line for anything else.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(str(path), "", "no such file", "a CSV table of places") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(str(path), "", f"what cannot be read ({error})", "a CSV table, UTF-8") from None
    rows = csv.reader(text.splitlines())
    header = [name.strip() for name in next(rows, [])]
    accepted = f"the columns {', '.join(COLUMNS)} and, if wanted, {', '.join(MORE_COLUMNS)}"
    unknown = [name for name in header if name not in (*COLUMNS, *MORE_COLUMNS)]
    missing = [name for name in COLUMNS if name not in header]
    if missing or unknown or len(set(header)) != len(header):
        raise InputError(str(path), "line 1", repr(",".join(header)), accepted)
    found: list[Candidate] = []
    seen: set[str] = set()
    for row in rows:
        place = f"line {rows.line_num}"
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(header):
            raise InputError(str(path), place, f"{len(row)} values", f"{len(header)}, as in line 1")
        entry = {name: cell.strip() for name, cell in zip(header, row, strict=True)}
        if not entry["id"] or entry["id"] in seen:
            raise InputError(str(path), f"{place}, id", repr(entry["id"]), "an id that no other line has")
        seen.add(entry["id"])
        at = roof.to_local([_number(path, place, name, entry[name]) for name in ("x", "y", "z")])
        rating = None
        if entry.get("rating_kN"):
            rating = 1000.0 * _number(path, place, "rating_kN", entry["rating_kN"])
            if rating <= 0:
                raise InputError(str(path), f"{place}, rating_kN", entry["rating_kN"], "a force above zero")
        found.append(Candidate(entry["id"], at, "list", "", None, rating, entry.get("note", "")))
    if not found:
        raise InputError(str(path), "", "no places", "at least one line below the header")
    _outside(path, roof, found)
    return found


def _number(path: Path, place: str, name: str, text: str) -> float:
    try:
        value = float(text) if "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(str(path), f"{place}, {name}", repr(text), "a number such as 4.25, in metres")
    return value


def _outside(path: Path, roof: Roof, found: Sequence[Candidate]) -> None:
    low, high = roof.mesh.vertices.min(axis=0), roof.mesh.vertices.max(axis=0)
    points = np.array([one.at for one in found])
    away = np.linalg.norm(np.maximum(np.maximum(low - points, points - high), 0.0), axis=1)
    inside = taut.inside(taut.prepare(roof), points)
    for one, far, within in zip(found, away, inside, strict=True):
        shown = ", ".join(f"{v:.3f}" for v in roof.to_loaded(one.at))
        if far > 100.0:
            raise InputError(
                str(path), f"id {one.id}", f"({shown}), {far:.0f} m away", "a place within 100 m of the model"
            )
        if within:
            raise InputError(
                str(path), f"id {one.id}", f"({shown}), inside the building", "a place outside or on it"
            )
