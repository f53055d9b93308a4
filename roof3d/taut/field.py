"""One preparation per building, and the taut length from any anchor to any points with it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

from roof3d.records import Floats, Ints, Lengths, Mesh, Roof, TautPath
from roof3d.taut import store
from roof3d.taut.cells import SIDES, Cells, bound_from, cells_within, cut_cells
from roof3d.taut.clear import cells_seen
from roof3d.taut.contacts import Contacts, find_contacts
from roof3d.taut.cracks import plug
from roof3d.taut.graph import Graph, build_graph, lengths_from, place_ends
from roof3d.taut.hidden import Plates, build_plates, pair_cosines, pair_masks, seen_from
from roof3d.taut.lift import lift_all
from roof3d.taut.search import ALLOWANCE, CHECKS, Building, Tied, sealed, search_all
from roof3d.taut.shorten import MOST
from roof3d.taut.sight import FINE, STAND_OFF, Sight, blocked, build_sight, winding
from roof3d.taut.surfaces import Surfaces, merge
from roof3d.taut.targets import BEYOND, OPEN, WIDEST, Targets, decide_all, make_targets
from roof3d.taut.thin import PIECES_MOST, thin

ENOUGH = 2e-6  # m, a bracket this narrow ends the search for a point
NARROW = 0.01  # m, brackets wider than this are worth settling the cells for
MORE = 10  # times the checks are then allowed
SETTLE_CHECKS = 100  # sequences looked at for the middle of a cell, or the end of a contact
SPARE = 1.0  # m, cells this far beyond the limit are settled too: their known lengths are upper ends
SETTLED_FROM = 1000  # points from which on settling pays in any case
BATCH = 12  # cells measured before their bounds are used for the next
WIDE = 0.001  # m, brackets wider than this are tried against their neighbours'
NEIGHBOURS = 24
TIED_STEP = 2.0  # m, limits up to which an anchor is tied are multiples of this
KEPT = 256  # anchors whose part of the work is kept with a preparation


@dataclass(frozen=True, eq=False)
class Preparation:
    """Everything about a building that does not depend on the anchor (local frame, metres)."""

    surfaces: Surfaces
    sight: Sight
    plates: Plates
    contacts: Contacts
    ends: Floats  # (e, 2, 3)
    pair: Ints  # (e, e) sides on which contacts may see each other
    cosine: np.ndarray  # (e, e, 2) float32, hidden.pair_cosines
    cells: Cells
    graph: Graph
    near: Ints  # (e, k) contacts that each may see, -1 behind the last
    cell_ends: Floats  # (c, 2, 3) stood-off ends of the cells
    tips: Floats  # (p, 3) ends of contacts, each once
    tip_of: Ints  # (e, 2) rows of tips
    pair_clear: np.ndarray  # (c, c) int8: cells that see each other whole; -1 not asked (own: 0 a guess)
    tied: dict[bytes, _Tied] = field(default_factory=dict, repr=False)  # by anchor, KEPT at most
    slack: float = 0.0  # m, how far a stand-in for a noisy scan is from the scan (thin.py)

    @property
    def contact_arrays(self) -> tuple[np.ndarray, ...]:
        """What the compiled functions take."""
        return _contact_arrays(self.contacts)

    @property
    def arrays(self) -> Building:
        """What the compiled search takes of the building."""
        return Building(
            self.sight.arrays,
            self.sight.faced,
            self.sight.region,
            self.plates.arrays,
            self.contact_arrays,
            self.cells.arrays,
            self.pair,
            self.cosine,
            self.near,
            self.graph.point,
            self.graph.lifted,
            self.cell_ends,
            self.pair_clear,
            min(STAND_OFF, max(FINE, 2.0 * self.surfaces.fit_m)),
        )


def _contact_arrays(c: Contacts) -> tuple[np.ndarray, ...]:
    return c.start, c.way, c.length, c.n1, c.n2, c.shift, c.guess, c.other, c.slack


def prepare_mesh(mesh: Mesh, ground: float) -> Preparation:
    """Prepare a mesh whose ground lies at height ``ground`` (local frame), or take what store.py keeps."""
    if len(mesh.triangles) < store.FROM_TRIANGLES or store.folder() is None:
        return _prepare(mesh, ground)
    name = store.key(mesh, ground)
    made: Preparation | None = store.read(Preparation, name)
    if made is None:
        made = _prepare(mesh, ground)
        store.write(made, name)
    return made


def _prepare(mesh: Mesh, ground: float) -> Preparation:
    surfaces = merge(mesh)
    slack = 0.0
    if len(surfaces.normals) > PIECES_MOST:
        mesh, slack = thin(mesh)
        surfaces = merge(mesh)
    sight = build_sight(surfaces.corners, surfaces.triangle_region, surfaces.normals, surfaces.oriented)
    contacts = find_contacts(surfaces, sight, ground)
    solid = len(surfaces.normals)
    plugged = plug(surfaces, sight, contacts)
    if plugged is not surfaces:
        surfaces = plugged
        sight = build_sight(
            surfaces.corners, surfaces.triangle_region, surfaces.normals, surfaces.oriented, solid
        )
    plates = build_plates(surfaces)
    count = len(contacts)
    ends = np.stack((contacts.start, contacts.start + contacts.length[:, None] * contacts.way), axis=1)
    pair = np.zeros((count, count), dtype=np.int64)
    pair_masks(
        sight.arrays,
        sight.region,
        plates.arrays,
        contacts.start,
        contacts.n1,
        contacts.n2,
        contacts.slack,
        ends,
        contacts.edge_count,
        pair,
    )
    cosine = np.ones((count, count, 2), dtype=np.float32)
    pair_cosines(contacts.start, contacts.way, contacts.length, ends, pair, cosine)
    cells = cut_cells(contacts, sight.arrays, sight.region, plates.arrays, pair)
    most = int((pair != 0).sum(axis=1).max(initial=0)) + 1
    near = np.full((max(count, 1), most), -1, dtype=np.int64)
    for e in range(count):
        others = np.flatnonzero(pair[e])
        near[e, : len(others)] = others
    arrays = _contact_arrays(contacts)
    graph = build_graph(sight, arrays, cells)
    cell_ends = np.zeros((len(cells.contact), 2, 3))
    guess = np.zeros(len(cells.contact), dtype=bool)
    place_ends(sight.arrays, sight.faced, arrays, cells.contact, cells.low, cells.high, cell_ends, guess)
    clear = np.full((len(cells.contact), len(cells.contact)), -1, dtype=np.int8)
    clear[guess], clear[:, guess] = 0, 0  # what is a guess proves no sight
    tips, tip_of = np.unique(ends.reshape(-1, 3).round(6), axis=0, return_inverse=True)
    return Preparation(
        surfaces, sight, plates, contacts, ends, pair, cosine, cells, graph, near, cell_ends,
        tips, tip_of.reshape(-1, 2), clear, slack=slack,
    )  # fmt: skip


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
    lifted, _ = lift_all(sight.arrays, sight.faced, np.ascontiguousarray(points, dtype=np.float64))
    return _within(sight, lifted)


def _within(sight: Sight, lifted: Floats) -> np.ndarray:
    return np.array([abs(winding(sight.faces, p)) > 0.5 for p in lifted], dtype=bool)


@dataclass(frozen=True, eq=False)
class _Raw:
    lo: Floats
    hi: Floats
    sequence: Ints
    count: Ints
    places: Floats
    checks: Ints


@dataclass(frozen=True, eq=False)
class _Tied:
    """What is known of a building from one anchor, whatever the points."""

    anchor: Floats
    lifted: Floats
    mask: Ints  # (e,) sides of the contacts seen from the anchor
    ahead: Floats  # (c, 2) lower bounds to cells
    tip_ahead: Floats  # (e, 2) lower bounds to the ends of contacts
    known: Floats  # (c, 2) graph lengths to cells
    before: Ints  # (c, 2)
    clear: Ints  # (c,) 1 where the anchor sees all of the cell
    guess: bool  # the anchor lies on a face of unknown side, or sees nothing
    limit: float  # m, all this holds for ropes up to here
    nodes: Ints  # (m,) nodes of the graph within the limit
    in_use: Ints  # (e,) 1 where a contact may be touched by a rope within the limit
    settled: list[float] = field(default_factory=list)  # limits up to which the cells' middles are measured

    @property
    def arrays(self) -> Tied:
        """What the compiled search takes of the anchor."""
        return Tied(
            self.anchor,
            self.lifted,
            self.mask,
            self.clear,
            self.ahead,
            self.tip_ahead,
            self.known,
            self.before,
            np.flatnonzero(self.in_use),
            self.in_use,
            self.nodes,
        )


def _tie(preparation: Preparation, anchor: Floats, limit: float) -> _Tied:
    """The anchor's part of the work, kept with the preparation: it does not depend on the points.

    It holds for ropes up to the limit: only contacts and nodes within it are looked at.
    """
    anchor = np.ascontiguousarray(anchor, dtype=np.float64).reshape(3)
    kept = preparation.tied.get(anchor.tobytes())
    if kept is not None and limit <= kept.limit:
        return kept
    limit = TIED_STEP * np.ceil(limit / TIED_STEP)  # so that limits a little apart share one
    sight, contacts, graph = preparation.sight, preparation.contacts, preparation.graph
    places, guesses = lift_all(sight.arrays, sight.faced, anchor[None])
    lifted = places[0]
    mask = np.zeros(len(contacts), dtype=np.int64)
    plates = preparation.plates.arrays
    seen_from(
        sight.arrays,
        sight.region,
        plates,
        contacts.start,
        contacts.n1,
        contacts.n2,
        preparation.ends,
        anchor,
        lifted,
        limit,
        mask,
    )
    shape = (len(preparation.cells.contact), SIDES)
    clear = np.zeros(shape[0], dtype=np.int64)
    cells = preparation.cells.arrays
    within = cells_within(cells, anchor, limit)
    cells_seen(sight.arrays, lifted, preparation.cell_ends, within, clear)
    clear[np.diagonal(preparation.pair_clear) == 0] = 0
    ahead, known, before = np.empty(shape), np.empty(shape), np.empty(shape, dtype=np.int64)
    pair, near = preparation.pair, preparation.near
    bound_from(
        sight.arrays, sight.region, plates, cells, pair, near, anchor, lifted, mask, within, limit, ahead
    )
    contact = preparation.cells.contact
    arrays = preparation.contact_arrays
    nodes = cells_within(cells, anchor, limit + SPARE)
    lengths_from(
        sight.arrays, arrays, contact, graph.arrays, anchor, lifted, nodes, limit + SPARE, known, before
    )
    # an anchor that sees no node may be walled in by the stand-off: what it finds blocked proves nothing
    guess = bool(guesses[0]) or (
        not np.isfinite(known).any() and bool(sealed(sight.arrays, lifted, graph.lifted))
    )
    tip_ahead = np.linalg.norm(preparation.ends - anchor, axis=2)
    in_use = _in_use(preparation, ahead, limit)
    tied = _Tied(anchor, lifted, mask, ahead, tip_ahead, known, before, clear, guess, limit, nodes, in_use)
    if len(preparation.tied) >= KEPT:
        preparation.tied.pop(next(iter(preparation.tied)))
    preparation.tied[anchor.tobytes()] = tied
    return tied


def _in_use(preparation: Preparation, ahead: Floats, limit: float) -> Ints:
    """Which contacts (e,) have a cell within the limit."""
    first = preparation.cells.first
    least = ahead.min(axis=1) <= limit
    count = np.concatenate(([0], np.cumsum(least)))
    return (count[first[1:]] > count[first[:-1]]).astype(np.int64)


def _search(
    preparation: Preparation,
    anchor: Floats,
    points: Floats,
    limit: float,
    checks: int,
    thorough: bool = False,
) -> _Raw:
    tied = _tie(preparation, anchor, limit)
    sight = preparation.sight
    points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    lifted, guess = lift_all(sight.arrays, sight.faced, points)
    guess |= tied.guess
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
        preparation.arrays, tied.arrays, points, lifted, guess, np.full(n, float(limit)),
        np.full(n, -np.inf), checks, ENOUGH, thorough,
        raw.lo, raw.hi, raw.sequence, raw.count, raw.places, raw.checks,
    )  # fmt: skip
    return raw


def measure(
    preparation: Preparation,
    anchor: Floats,
    points: Floats,
    limit: float = np.inf,
    checks: int = CHECKS,
    settle: bool = True,
) -> Lengths:
    """Brackets of the taut length from one anchor (3,) to points (n, 3), local frame, metres.

    With few ``checks`` and without ``settle`` it is quick, and brackets are wider. Points further than
    ``limit`` come back with ``lo`` at least the smaller of the limit and their proven bound, less the
    search's allowance, and ``hi`` infinite or the length of a free way beyond the limit.
    ``hi`` is the length over the unmoved points of a polyline that was tested free with its bends and
    ends stood off (sight.py); an end within some 3 mm of a corner can make it up to about 4 mm short.
    """
    points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    if preparation.slack > 0.0:
        return _measure_scan(preparation, np.asarray(anchor, dtype=np.float64), points, limit, checks)
    raw = _solve(preparation, anchor, points, limit, checks, settle)
    return Lengths(_carry(preparation, points, raw.lo, raw.hi), raw.hi)


def _solve(
    preparation: Preparation, anchor: Floats, points: Floats, limit: float, checks: int, settle: bool
) -> _Raw:
    """Search for all points, and again with better bounds and more patience where brackets stay wide."""
    if settle and len(points) >= SETTLED_FROM:
        _settle(preparation, anchor, limit)
    raw = _search(preparation, anchor, points, limit, checks)
    wide = np.flatnonzero((raw.lo + NARROW < raw.hi) & (raw.lo < limit))
    if settle and len(wide):
        _settle(preparation, anchor, limit)
        again = _search(preparation, anchor, points[wide], limit, MORE * checks, thorough=True)
        raw.lo[wide] = np.maximum(raw.lo[wide], again.lo)
        better = again.hi < raw.hi[wide]
        for kept, found in (
            (raw.hi, again.hi), (raw.sequence, again.sequence), (raw.count, again.count),
            (raw.places, again.places),
        ):  # fmt: skip
            kept[wide[better]] = found[better]
    return raw


def _settle(preparation: Preparation, anchor: Floats, limit: float = np.inf) -> None:
    """Raise the bounds to cells and contacts' ends by measuring them once for an anchor, near ones first.

    Along an edge the taut length changes by at most 1 per metre, so every place of a cell is at least
    as far as the lower bound of its middle less half the cell. Bounds only ever rise, to other valid
    bounds; what is searched with them later is proven as before.
    """
    tied, cells = _tie(preparation, anchor, limit), preparation.cells
    if tied.settled and tied.settled[-1] >= limit:
        return
    tips, tip_of = preparation.tips, preparation.tip_of
    half = np.concatenate((np.zeros(len(tips)), 0.5 * np.linalg.norm(cells.high - cells.low, axis=1)))
    places = np.concatenate((tips, 0.5 * (cells.low + cells.high)))
    known = tied.known.min(axis=1)
    tip_known = np.full(len(tips), np.inf)
    np.minimum.at(tip_known, tip_of[:, 0], known[cells.first[:-1]])
    np.minimum.at(tip_known, tip_of[:, 1], known[cells.first[1:] - 1])
    known = np.concatenate((tip_known, known))
    order = np.argsort(known, kind="stable")
    order = order[known[order] - half[order] < limit + SPARE]
    # what stands for both sides of a thin strip is not where either of them is
    doubt = np.zeros(len(tips), dtype=bool)
    doubt[tip_of[preparation.contacts.guess]] = True
    doubt = np.concatenate((doubt, preparation.contacts.guess[cells.contact]))
    reached = np.full(len(tips), -np.inf)
    for batch in np.array_split(order, max(1, len(order) // BATCH)):
        raw = _search(preparation, anchor, places[batch], limit, SETTLE_CHECKS)
        bound = raw.lo - half[batch]
        bound[~np.isfinite(bound) | doubt[batch]] = 0.0
        at_tip = batch < len(tips)
        reached[batch[at_tip]] = bound[at_tip]
        row = batch[~at_tip] - len(tips)
        tied.ahead[row] = np.maximum(tied.ahead[row], bound[~at_tip, None])
        np.maximum(tied.tip_ahead, reached[tip_of], out=tied.tip_ahead)
    tied.in_use[:] = _in_use(preparation, tied.ahead, tied.limit)
    tied.settled.append(limit)


def targets(preparation: Preparation, points: Floats) -> Targets:
    """Points (n, 3), local frame, prepared once for ``decide`` with many anchors."""
    return make_targets(preparation.sight, points)


def decide(
    preparation: Preparation,
    anchor: Floats,
    at: Targets,
    limit: float,
    checks: int = CHECKS,
    settle: bool = True,
) -> Lengths:
    """Which targets are within a rope of length ``limit``, by as few taut lengths as that takes.

    The ends of the brackets are as valid as those of ``measure``, but only as near to each other as the
    verdict needs: ``hi <= limit`` (within), ``lo > limit`` (beyond), or else a bracket that
    straddles the limit.
    """
    if preparation.slack > 0.0:
        return _measure_scan(preparation, np.asarray(anchor, dtype=np.float64), at.points, limit, checks)
    tied, sight = _tie(preparation, anchor, limit + WIDEST + BEYOND), preparation.sight
    n = len(at)
    lo, hi, state = np.empty(n), np.empty(n), np.empty(n, dtype=np.int8)
    decide_all(
        preparation.arrays, tied.arrays, at.points, at.lifted, at.guess, at.order, at.first, at.last,
        at.child, at.centre, at.whole, float(limit), tied.guess, checks, ENOUGH, lo, hi, state,
    )  # fmt: skip
    wide = np.flatnonzero((state == OPEN) & (lo + NARROW < hi))
    unknown = ~np.isfinite(hi[wide])
    wide = np.concatenate((wide[~unknown], wide[unknown][~_within(sight, at.lifted[wide[unknown]])]))
    if settle and len(wide):
        _settle(preparation, anchor, limit)
        again = _search(preparation, anchor, at.points[wide], limit + NARROW, MORE * checks, thorough=True)
        lo[wide], hi[wide] = np.maximum(lo[wide], again.lo), np.minimum(hi[wide], again.hi)
    return Lengths(lo, hi)


def _measure_scan(
    preparation: Preparation, anchor: Floats, points: Floats, limit: float, checks: int
) -> Lengths:
    """Brackets on the stand-in of a scan, widened by what the stand-in may be off.

    Both ends are raised by the slack, so that they stand clear of the stand-in. Each bend, and each end,
    may be off by the slack: a rope over it is at most twice that longer or shorter.
    """
    up = np.array([0.0, 0.0, preparation.slack])
    raw = _search(preparation, anchor + up, points + up, limit, checks)
    each = 2.0 * preparation.slack
    straight = np.linalg.norm(points - anchor, axis=1)
    # the shortest rope may have more bends than the one that was found: the lower end allows for the most
    lo = np.maximum(straight, raw.lo - each * (MOST + 1))
    return Lengths(lo, raw.hi + each * (raw.count + 1))


def _carry(preparation: Preparation, points: Floats, lo: Floats, hi: Floats) -> Floats:
    """Raise lower bounds by those of neighbours in sight: the taut length changes by at most 1 per metre."""
    wide = np.flatnonzero(lo + WIDE < hi)
    if not len(wide) or len(points) < 2:
        return lo
    sight = preparation.sight
    found = cKDTree(points).query(points[wide], k=np.arange(1, min(NEIGHBOURS, len(points)) + 1))
    distance, neighbour = np.asarray(found[0]), np.asarray(found[1])
    lifted, guess = lift_all(sight.arrays, sight.faced, points)
    useful = np.isfinite(lo) & ~guess
    gain = np.where(useful[neighbour], lo[neighbour], 0.0) - distance - lo[wide, None]
    gain[guess[wide]] = 0.0
    raised = lo.copy()
    for row, point in enumerate(wide):
        for column in np.argsort(-gain[row], kind="stable"):
            if gain[row, column] <= 0.0:
                break
            other = neighbour[row, column]
            if not blocked(sight.arrays, lifted[point], lifted[other]):
                raised[point] = lo[other] - distance[row, column] - ALLOWANCE
                break
    return np.clip(raised, lo, hi)


def trace(
    preparation: Preparation, anchor: Floats, points: Floats, limit: float = np.inf
) -> list[TautPath | None]:
    """The checked path behind each ``hi``; None where none was found within the limit."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    raw = _solve(preparation, anchor, points, limit, CHECKS, settle=True)
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
