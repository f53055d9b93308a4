"""Frozen records that the stages hand to each other: mesh, facets, edges, roof, plan, result.

Inside the program everything is SI (metres, kilograms, newtons, radians only where a name says so)
and in the *local* frame: the loaded frame (metres, z up, the file's own origin kept) less
``Mesh.origin``, so that site coordinates of 10^7 m lose no digits. Files that people write and read
are in the loaded frame; ``Roof.to_local`` and ``Roof.to_loaded`` convert at that border.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import networkx as nx

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


# --------------------------------------------------------------------------------------------- load


@dataclass(frozen=True, eq=False)
class Mesh:
    """Welded triangles in the local frame, metres, z up.

    ``triangles`` run counter-clockwise seen from outside where the mesh tells what outside is;
    ``oriented`` says for each triangle whether it does.
    """

    vertices: Floats  # (n, 3)
    triangles: Ints  # (m, 3)
    parts: Ints  # (m,) index of the object or scene node that each triangle came from
    part_names: tuple[str, ...]
    oriented: NDArray[np.bool_]  # (m,)
    origin: Floats  # (3,) loaded coordinates of the local origin
    file: str
    sha256: str
    unit: str  # m, cm, mm, ft, in
    up: str  # z, y
    triangles_in_file: int
    repairs: tuple[str, ...] = ()  # one sentence each, counts included
    doubts: tuple[str, ...] = ()  # what the mesh leaves open (open edges, faces of unknown side)


# --------------------------------------------------------------------------------- planes and edges


@dataclass(frozen=True, eq=False)
class Facet:
    """A connected planar region of the mesh, whatever way it is cut into triangles."""

    id: str  # "P1" .. for roof planes, "F1" .. for all others
    kind: str  # roof, wall, ground, underside
    normal: Floats  # (3,) unit, outward
    offset: float  # normal . x = offset
    triangles: Ints  # (k,) rows of Mesh.triangles
    rings: tuple[Floats, ...]  # (r, 3) each, outer first, counter-clockwise from outside; then holes
    area_m2: float
    pitch_deg: float  # 0 level, 90 wall
    azimuth_deg: float  # clockwise from +y, of the downslope direction; nan where level
    centroid: Floats  # (3,)
    fit_m: float = 0.0  # greatest distance of a vertex from the plane


@dataclass(frozen=True, eq=False)
class Edge:
    """A boundary or shared edge of roof planes, collinear pieces joined."""

    id: str  # "E1" ..
    kind: str  # eave rake top flat ridge hip valley break abutment upstand opening
    fall: bool  # whether a person can go over it
    facets: tuple[str, ...]  # ids; the roof plane first
    points: Floats  # (n, 3), n >= 2; seen from outside the roof plane is on the left
    outward: Floats | None  # (3,) unit, level, away from the roof plane; None for inner edges
    length_m: float
    ends: tuple[int, int]  # nodes of Roof.graph
    drop_m: float | None = None  # least height to what lies below; filled by levels for fall edges
    doubt: str = ""  # why a worse kind or a fall was assumed, if it was


@dataclass(frozen=True, eq=False)
class Roof:
    """A building ready for checking: the mesh, its facets, the graph of its edges, its ground."""

    mesh: Mesh
    facets: tuple[Facet, ...]
    edges: tuple[Edge, ...]
    graph: nx.MultiGraph  # nodes: int with point=(3,); edges: key = edge id, with edge=Edge
    grade: float  # local z of the ground
    grade_source: str  # "model", "plan", "assumed"
    assumptions: tuple[str, ...] = ()
    # computed once, on first need, by the stages behind (taut preparation, levels, ...)
    cache: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def planes(self) -> tuple[Facet, ...]:
        """The roof planes among the facets."""
        return tuple(facet for facet in self.facets if facet.kind == "roof")

    def to_local(self, points: Any) -> Floats:
        """Loaded coordinates (..., 3) to local ones."""
        return np.asarray(points, dtype=np.float64) - self.mesh.origin

    def to_loaded(self, points: Any) -> Floats:
        """Local coordinates (..., 3) to loaded ones."""
        return np.asarray(points, dtype=np.float64) + self.mesh.origin


# --------------------------------------------------------------------------------------------- plan
# What a plan file says, units resolved to SI, coordinates still in the loaded frame. ``None`` means
# "not said": the rule set's value or a printed assumption steps in.


@dataclass(frozen=True)
class ModelChoice:
    file: str = ""
    unit: str | None = None
    up: str | None = None
    grade: float | None = None  # m, loaded frame


@dataclass(frozen=True)
class Worker:
    mass: float | None = None  # kg, with tools
    attachment_height: float = 1.5  # m, D-ring above soles, standing
    kneeling_height: float = 0.9  # m, D-ring above the surface, kneeling
    count: int = 1


@dataclass(frozen=True)
class Absorber:
    """An energy absorber as a maker's sheet or a standard's class states it."""

    name: str = ""
    average_force: float | None = None  # N while extending
    peak_force: float | None = None  # N
    maximum_extension: float | None = None  # m
    activation_distance: float | None = None  # m, lock-on travel of a retracting or guided device
    source: str = ""
    least_force: float | None = None  # N, least average while extending, for reckoning its way


@dataclass(frozen=True)
class Rope:
    """A rope or cable: elongation as data."""

    name: str = ""
    stiffness: float | None = None  # N per unit strain (EA), static
    dynamic_stiffness: float | None = None  # N per unit strain
    elongation: float | None = None  # strain (1) reached in arrest, when no stiffness is known
    mass_per_length: float | None = None  # kg/m
    strength: float | None = None  # N
    source: str = ""


@dataclass(frozen=True)
class Line:
    """How the worker is tied: length from anchor to D-ring, and what it is made of."""

    length: float | None = None  # m
    policy: str = "fixed"  # fixed, snug, restraint
    slack: float = 0.0  # m, snug only
    setback: float | None = None  # m, restraint only
    rope: Rope = Rope()
    absorber: Absorber = Absorber()
    kind: str = "rope"  # rope (with grab), lanyard, retracting


@dataclass(frozen=True)
class Anchor:
    id: str
    at: tuple[float, float, float]  # loaded frame
    line: Line | None = None  # overrides the plan's line
    rating: float | None = None  # N
    direction: tuple[float, float, float] | None = None  # only direction of pull it is rated for
    note: str = ""
    direction_within: float | None = None  # degrees off that direction that the rating still holds for


@dataclass(frozen=True)
class Support:
    """A place where an anchor line is held between its end anchors."""

    at: tuple[float, float, float]
    kind: str | None = None  # rigid, flexible, pass-through; None, here and below: as the line says of all
    stiffness: float | None = None  # N/m, flexible only
    rating: float | None = None  # N
    direction: tuple[float, float, float] | None = None  # of the pull that it is rated for
    direction_within: float | None = None  # degrees off that direction that the rating still holds for


@dataclass(frozen=True)
class LineEnd:
    """What is known of one end anchor of an anchor line beside what the line says of both."""

    at: tuple[float, float, float]
    rating: float | None = None  # N
    direction: tuple[float, float, float] | None = None  # of the pull that it is rated for
    direction_within: float | None = None  # degrees off that direction that the rating still holds for


@dataclass(frozen=True)
class AnchorLine:
    id: str
    points: tuple[tuple[float, float, float], ...]  # ends, and supports between, loaded frame
    line: Line | None = None
    rope: Rope = Rope()
    pretension: float | None = None  # N
    support_kind: str = "pass-through"
    support_stiffness: float | None = None  # N/m
    maximum_span: float | None = None  # m, the maker's limit
    maximum_workers: int = 1
    workers: int = 1
    end_rating: float | None = None  # N
    support_rating: float | None = None  # N
    note: str = ""
    supports: tuple[Support, ...] = ()  # where single supports differ; each at one of ``points``
    ends: tuple[LineEnd, ...] = ()  # where single ends differ; each at the first or last of ``points``


@dataclass(frozen=True)
class WorkArea:
    """Where work has to be done; with nothing set: every roof plane."""

    id: str = ""
    planes: tuple[str, ...] = ()
    polygon: tuple[tuple[float, float], ...] = ()  # plan view, loaded frame
    edges: tuple[str, ...] = ()  # a strip along these edges
    edge_kinds: tuple[str, ...] = ()
    strip: float | None = None  # m, width of that strip


@dataclass(frozen=True)
class KeepOut:
    id: str = ""
    polygon: tuple[tuple[float, float], ...] = ()  # no anchor here (plan view, loaded frame)


@dataclass(frozen=True)
class Protection:
    """Edges made safe by other means (guardrail, net, scaffold)."""

    edges: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    means: str = "guardrail"
    from_m: float | None = None
    to_m: float | None = None


@dataclass(frozen=True)
class Prices:
    currency: str = ""
    anchor: float | None = None  # each
    line_per_m: float | None = None
    anchor_line_per_m: float | None = None
    support: float | None = None
    visit: float | None = None
    edge_protection_per_m: float | None = None


@dataclass(frozen=True)
class Candidates:
    """Where anchors could be built, and which lines are on offer."""

    spacing: float | None = None  # m between rafters or trusses
    offset: float = 0.0  # m, of the first rafter from the plane's edge
    along: tuple[str, ...] = ("ridge", "hip")  # edges that take anchors; "slope": over the planes
    edge_setback: float | None = None  # m from fall edges
    opening_setback: float | None = None  # m from openings
    off_roof: tuple[tuple[float, float, float], ...] = ()  # ground anchors, trees
    list_file: str = ""  # CSV of one's own
    line_lengths: tuple[float, ...] = ()  # m on offer
    anchor_lines: bool = False
    height: float = 0.1  # m, tie-off point above the roof surface, measured upright
    slope_step: float = 1.2  # m between places along a rafter, on the slope
    rating: float | None = None  # N, of the anchors on offer
    tied: bool = False  # a worker can change from anchor to anchor without letting go
    tie_overlap: float = 0.5  # m2 that two anchors must both serve for a change between them
    given: tuple[str, ...] = field(default=(), compare=False)  # keys that the plan file sets itself


@dataclass(frozen=True)
class Plan:
    """A plan file, read. ``clearance`` and ``limits`` override values of the rule set by name."""

    rules: str = "us-construction"
    model: ModelChoice = ModelChoice()
    worker: Worker = Worker()
    line: Line = Line()
    anchors: tuple[Anchor, ...] = ()
    anchor_lines: tuple[AnchorLine, ...] = ()
    clearance: tuple[tuple[str, float], ...] = ()  # (term, m): deceleration, harness_stretch, margin
    limits: tuple[tuple[str, float], ...] = ()  # (name, SI value)
    work: tuple[WorkArea, ...] = ()
    keep_out: tuple[KeepOut, ...] = ()
    protection: tuple[Protection, ...] = ()
    prices: Prices = Prices()
    candidates: Candidates = Candidates()
    file: str = ""  # path of the plan, "" when it was built in memory
    sha256: str = ""
    title: str = ""


# --------------------------------------------------------------------------------------------- taut


@dataclass(frozen=True, eq=False)
class Lengths:
    """Brackets of the taut length: ``lo <= d <= hi`` for each point, metres; inf = out of limit."""

    lo: Floats  # (n,)
    hi: Floats  # (n,)


@dataclass(frozen=True, eq=False)
class TautPath:
    """One checked path from anchor to point."""

    points: Floats  # (k, 3) local, anchor first
    edges: tuple[int, ...]  # contact edges of the preparation, k - 2 of them
    length_m: float


# -------------------------------------------------------------------------------------------- check

STATES = ("short", "swing", "arrest", "held", "beyond")  # worst first

BREAKS = ("room", "free-fall", "force", "absorber", "swing")
"""What a fall can break: clearance below, the limits on free fall and force, what the absorber stops
within the way it may take, and the limits on the swing."""


@dataclass(frozen=True, eq=False)
class EdgeSegment:
    """A stretch of one edge in one state for one anchor; each figure is the worst in it."""

    edge: str
    from_m: float
    to_m: float
    start: Floats  # (3,) local
    end: Floats
    anchor: str
    state: str
    taut_length_m: float  # the end of the bracket that makes the state worse
    surplus_m: float
    free_fall_m: float | None
    swing_drop_m: float | None
    swing_angle_deg: float | None
    rest_point: Floats | None  # (3,) local, on the boundary
    clearance_required_m: float | None
    clearance_available_m: float | None
    margin_m: float | None
    strikes: str = ""  # what is below or in the way
    doubt: str = ""
    protection: str = ""  # what guards this stretch (plan); then the state is "beyond"
    breaks: tuple[str, ...] = ()  # words of ``BREAKS``: what is broken somewhere in the stretch
    sums: tuple[tuple[str, float], ...] = ()  # what the figures were summed from, by name
    clearance_point: Floats | None = None  # (3,) local, on the boundary, where clearance is worst


@dataclass(frozen=True, eq=False)
class Finding:
    """One thing that a person must look at. ``severity``: danger, warning, note."""

    code: str  # kebab-case, stable
    severity: str
    text: str
    element: str = ""  # id of edge, anchor, plane, span
    at: Floats | None = None  # (3,) local, where to look
    worse: float | None = None  # m, by how much a limit is missed, to put the worst first
    small: bool = False  # of low steps only: told last
