"""Edge states for one anchor: where a fall is possible, where it ends, and what room it has.

The boundary is cut into pieces. For each piece the worst that any place in it can do is bounded from
what its ends do (the taut length changes by at most one metre per metre); where the bound and the
ends disagree on the state, the piece is halved, down to 1 cm. What stays open counts as the worse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roof3d.fall.boundary import Boundary
from roof3d.fall.hang import hanging_potential
from roof3d.fall.limits import ROOM, SWINGS, Limits
from roof3d.fall.pieces import Pieces
from roof3d.fall.ruler import NO_RUN, Ruler, cone_high, cone_low
from roof3d.fall.stretch import Terms
from roof3d.fall.track import Tracks, find_tracks, join_tracks
from roof3d.records import BREAKS, STATES, Floats, Ints

SHORT, SWING, ARREST, HELD, BEYOND = range(5)
SPACING_M = 0.25
TOLERANCE_M = 0.01
ROUNDS = 120
MOST_POINTS = 400_000
SURE_M = 0.01  # heights that are bounded as well as this need no closer look
SPARE = 1.0001  # pieces longer than this times the tolerance may be halved
MOST_FIGURES = 4  # pieces of a segment that are looked at closer at once, for its figures
FIGURE_ROUNDS = 8
GROUPS = 2  # of lengths of rope that are kept snug
SLIDE_GROUPS = 12  # of them where the free fall is told


@dataclass(frozen=True)
class Tie:
    """How a worker is tied: ``length`` from anchor to D-ring, by policy, with ``slack`` (snug)."""

    length: float
    policy: str = "fixed"
    slack: float = 0.0


@dataclass(frozen=True, eq=False)
class Assessment:
    """States of all pieces for one anchor; every figure is the worst in its piece."""

    pieces: Pieces
    state: Ints  # (m,) rows of records.STATES
    surplus: Floats  # (m,)
    taut: Floats  # (m,) least taut length
    passable: np.ndarray  # (m,) bool
    length: Floats  # (m,) line length that counts (snug: at the place itself)
    margin: Floats
    swing_drop: Floats
    angle: Floats  # degrees; nan where it did not decide the state
    rest: Ints  # piece of the rest point
    governs: Ints  # piece where clearance is worst
    surplus_gap: Floats  # (m,) by how much ``surplus`` and ``swing_drop`` exceed those at the piece's ends
    drop_gap: Floats
    potential: Floats  # (m,) height plus taut length, at least
    value: Floats  # (m,) that, less the height of what lies below
    hung: Floats  # (m,) by how much a body hangs lower there from a rope that runs over another place
    slides: Floats  # (m,) further fall before the rope pulls, if it slides along the edge while slack
    slope: Floats  # (m,) height that a body may slide down a steep plane before it goes over
    way_down: Floats  # (m,) height from the highest to the lowest place that a fall's energy carries it to
    others: tuple[tuple[int, ...], ...]  # further rest pieces that lie as low
    blocked: Ints  # piece where something is in the way, -1 nowhere
    breaks: np.ndarray  # (m, words of records.BREAKS) bool; swing only where it is known or decides
    limits: Limits
    gap: Floats  # (m,) widest bracket of the taut length at its ends; inf where one has no upper end

    def __len__(self) -> int:
        return len(self.state)


def reach_limit(tie: Tie, terms: Terms) -> float:
    """Taut length beyond which nothing matters to this line, metres."""
    return tie.length + terms.most_stretch(tie.length) + terms.attachment + 0.5


def assess(
    boundary: Boundary,
    ruler: Ruler,
    tie: Tie,
    terms: Terms,
    limits: Limits,
    guards: list[list[tuple[float, float, str]]],
    *,
    spacing: float = SPACING_M,
    tolerance: float = TOLERANCE_M,
) -> Assessment:
    """States along the whole boundary. ``guards``: protected stretches of each edge (metres)."""
    # the D-ring above an edge matters where the line is kept snug, and to tell held from beyond
    ring = (0.0, np.inf) if tie.policy == "snug" else (tie.length, tie.length + terms.attachment)
    limit = reach_limit(tie, terms)
    work = Pieces.cut(boundary, ruler, limit, terms, guards, spacing, ring, tie.length)
    # what a slack rope does is asked once the rest is known, for it costs most; where no piece may be
    # halved there is no rest to find out
    if not (~work.far & (work.b - work.a > tolerance * SPARE)).any():
        return _evaluate(work, tie, terms, limits, True)
    result = _evaluate(work, tie, terms, limits, False)
    figures = 0
    for sliding in (False, True):
        if sliding:
            result = _evaluate(work, tie, terms, limits, True)
        for _ in range(ROUNDS):
            split, settled = _what_to_split(result, tolerance)
            figures += settled
            if not split.any() or figures > FIGURE_ROUNDS or len(work.lo) > MOST_POINTS:
                break
            work.split(split)
            result = _evaluate(work, tie, terms, limits, sliding)
    return result


def _lengths(work: Pieces, tie: Tie) -> tuple[Floats, Floats]:
    """Line lengths that count at points, and at most over pieces."""
    if tie.policy != "snug":
        return np.full(len(work.lo), tie.length), np.full(len(work.run), tie.length)
    at_points = np.minimum(work.hi_ring + tie.slack, tie.length)
    most = cone_high(work.hi_ring[work.ia], work.hi_ring[work.ib], work.b - work.a)
    return at_points, np.minimum(np.where(np.isnan(most), np.inf, most) + tie.slack, tie.length)


def _least_hanging(work: Pieces, tie: Tie) -> tuple[Floats, Floats, Floats, Floats]:
    """Line below the edge and line in all, at least: over pieces, and at points (both metres)."""
    high = cone_high(work.hi[work.ia], work.hi[work.ib], work.b - work.a)
    if tie.policy != "snug":
        least = np.full(len(work.run), tie.length)
        point_least = np.full(len(work.lo), tie.length)
    else:
        ring = cone_low(work.lo_ring[work.ia], work.lo_ring[work.ib], work.b - work.a)
        least = np.clip(ring + tie.slack, 0.0, tie.length)
        point_least = np.clip(work.lo_ring + tie.slack, 0.0, tie.length)
    below = np.where(np.isfinite(high), least - high, 0.0)
    point_below = np.where(np.isfinite(work.hi), point_least - work.hi, 0.0)
    return below, least, point_below, point_least


def _slides(work: Pieces, potential: Floats, taut: Floats, passable: np.ndarray, length: Floats) -> Floats:
    """By how much further a body falls from each piece before its rope pulls, metres.

    A rope that lies slack over the edge slides along it: it pulls only where the body, straight below the
    piece, is as far as the rope is long over the place of the boundary that leaves it most.
    """
    out = np.zeros(len(length))
    rows = np.flatnonzero(passable)
    for some, longest in _alike(length[rows], SLIDE_GROUPS):
        asked = rows[some]
        out[asked] = (potential - hanging_potential(work, potential, taut, longest, asked))[asked]
    return out


def _evaluate(work: Pieces, tie: Tie, terms: Terms, limits: Limits, sliding: bool) -> Assessment:
    """States of all pieces; ``sliding``: with what a slack rope that slides adds to the free fall."""
    size = work.b - work.a
    point_length, length = _lengths(work, tie)
    taut = work.least_taut()
    potential = work.least_potential(taut)
    highest = work.greatest_potential()
    surplus = length - taut
    point_surplus = point_length - work.lo

    slack = np.inf if tie.policy != "snug" else tie.slack
    point_slide = np.minimum(np.maximum(work.rise - work.at[:, 2], 0.0), slack)
    z0, z1 = work.at[work.ia, 2], work.at[work.ib, 2]
    slide = np.minimum(np.maximum(work.starts[work.run] - np.minimum(z0, z1), 0.0), slack)
    point_pass = point_surplus + terms.stretch(point_length, terms.attachment + point_slide) >= 0
    passable = surplus + terms.stretch(length, terms.attachment + slide) >= 0
    passable &= ~work.far & ~work.walked

    slides, point_slides = np.zeros(len(length)), np.zeros(len(point_length))
    if sliding:
        slides = _slides(work, potential, taut, passable, length)
        for ends in (work.ia, work.ib):
            np.maximum.at(point_slides, ends, slides)
    points_asked = np.flatnonzero(point_pass)
    pieces_asked = np.flatnonzero(passable)
    k = len(pieces_asked)
    start = np.concatenate((highest[pieces_asked], (work.at[:, 2] + work.hi)[points_asked]))
    seeds = np.concatenate((np.column_stack((work.ia, work.ib))[pieces_asked], _twice(points_asked)))
    seed_pieces = np.concatenate((pieces_asked, np.full(len(points_asked), -1))).astype(np.int64)
    asked_length = np.concatenate((length[pieces_asked], point_length[points_asked]))
    # a rope cannot bend over a place that it does not get to, however far a fall draws it out
    bends = work.lo <= tie.length + terms.most_stretch(tie.length)
    energy = terms.carries(length, np.maximum(np.maximum(z0, z1), np.minimum(z0, z1) + slide))
    point_energy = terms.carries(point_length, work.at[:, 2] + point_slide)
    level = np.concatenate((energy[pieces_asked], point_energy[points_asked]))
    tracks, hung = _tracks(
        work, potential, taut, bends, (level, start), seeds.astype(np.int64), seed_pieces, asked_length
    )
    drops = start - tracks.lowest
    asked_fall = terms.attachment + np.concatenate(
        (
            (surplus + slides + slide)[pieces_asked],
            (point_surplus + point_slides + point_slide)[points_asked],
        )
    )
    margins = tracks.worst - terms.below_edge(asked_length, asked_fall) - asked_length
    breaks = _limits_broken(work, tie, limits, pieces_asked, points_asked, asked_fall)
    breaks[:, ROOM] = margins < 0
    other = breaks.any(axis=1)
    fall_state = np.full(len(drops), ARREST)
    swings = tracks.blocked >= 0
    if limits.swing_drop is not None:
        swings |= drops > limits.swing_drop
    angles = np.full(len(drops), np.nan)
    if limits.swing_angle_deg is not None:
        # angles cost most: only where they decide
        decide = np.flatnonzero(~swings & ~other)
        sizes = np.concatenate((size[pieces_asked], np.zeros(len(points_asked))))
        angles[decide] = widest_turn(
            work, seeds[decide], sizes[decide], tracks.rest[decide], [tracks.others[q] for q in decide]
        )
        over = np.zeros(len(drops), dtype=bool)
        # an angle that is not known is over the limit
        over[decide] = ~(angles[decide] <= limits.swing_angle_deg)
        swings |= over
    if limits.swing_offset is not None:
        swings |= ~(swing_offset(work, seeds, tracks.rest, tracks.others) <= limits.swing_offset)
    fall_state[swings] = SWING
    fall_state[other] = SHORT
    breaks[:, SWINGS] = swings

    reach = cone_low(work.lo_ring[work.ia], work.lo_ring[work.ib], size)
    state = np.where(reach <= length, HELD, BEYOND)
    state[work.far] = BEYOND
    state[work.walked] = BEYOND
    state[pieces_asked] = fall_state[:k]
    point_state = np.where(work.lo_ring <= point_length, HELD, BEYOND)
    point_state[points_asked] = fall_state[k:]
    state[work.guard >= 0] = BEYOND
    point_room = np.zeros(len(point_state), dtype=bool)
    point_room[points_asked] = breaks[k:, ROOM]
    work.note_states(point_state, point_room)
    broken = np.zeros((len(state), len(BREAKS)), dtype=bool)
    broken[pieces_asked] = breaks[:k]
    broken[work.guard >= 0] = False

    def spread(values: Floats, empty: float) -> Floats:
        out = np.full(len(state), empty)
        out[pieces_asked] = values[:k]
        return out

    def spread_rows(values: Ints) -> Ints:
        out = np.full(len(state), -1, dtype=np.int64)
        out[pieces_asked] = values[:k]
        return out

    at_ends = work.at[:, 2] + work.hi
    known = np.isfinite(highest)
    end_highest = np.where(known, np.maximum(at_ends[work.ia], at_ends[work.ib]), 0.0)
    gap = np.maximum((work.hi - work.lo)[work.ia], (work.hi - work.lo)[work.ib])
    return Assessment(
        pieces=work,
        state=state,
        surplus=surplus,
        taut=taut,
        passable=passable & (work.guard < 0),
        length=length,
        margin=spread(margins, np.nan),
        swing_drop=spread(drops, np.nan),
        angle=spread(angles, np.nan),
        rest=spread_rows(tracks.rest),
        governs=spread_rows(tracks.governs),
        surplus_gap=surplus - np.maximum(point_surplus[work.ia], point_surplus[work.ib]),
        drop_gap=np.where(known, np.where(known, highest, 0.0) - end_highest, 0.0),
        potential=potential,
        value=potential - work.top,
        hung=spread(hung, 0.0),
        slides=slides,
        slope=slide,
        way_down=spread(level - tracks.bottom, np.nan),
        others=tuple(_spread_ties(tracks.others[:k], pieces_asked, len(state))),
        blocked=spread_rows(tracks.blocked),
        breaks=broken,
        limits=limits,
        gap=gap,
    )


def _tracks(
    work: Pieces,
    potential: Floats,
    taut: Floats,
    bends: np.ndarray,
    levels: tuple[Floats, Floats],
    seeds: Ints,
    seed_pieces: Ints,
    length: Floats,
) -> tuple[Tracks, Floats]:
    """Tracks of all queries, with by how much a body hangs lower where clearance is worst.

    What lies lowest is told for a body that starts at the second of ``levels``, all else for the first. Ropes
    of nearly the same length are taken together, as long as the longest of them. ``bends``: points that a
    rope can get to.
    """
    point_potential = np.where(bends, work.at[:, 2] + work.lo, np.inf)
    hung = np.zeros(len(length))
    found = []
    for rows, longest in _alike(length, GROUPS):
        hanging = hanging_potential(work, potential, taut, longest)
        some = find_tracks(
            point_potential,
            work.ia,
            work.ib,
            potential,
            hanging - work.top,
            work.way,
            np.concatenate([level[rows] for level in levels]),
            np.concatenate((seeds[rows], seeds[rows])),
            np.concatenate((seed_pieces[rows], seed_pieces[rows])),
        ).crossed(len(rows))
        hung[rows] = np.where(some.governs >= 0, (potential - hanging)[some.governs], 0.0)
        found.append((rows, some))
    return join_tracks(found, len(length)), hung


def _alike(length: Floats, most: int) -> list[tuple[Ints, float]]:
    """Ropes of nearly the same length in up to ``most`` groups, rows each, with the longest of them.

    The longest hangs lowest.
    """
    groups = np.zeros(len(length), dtype=np.int64)
    if len(length) and np.ptp(length) > 0:
        share = (length.max() - length) / np.ptp(length)
        groups = np.minimum(np.floor(share * most), most - 1).astype(np.int64)
    rows = [np.flatnonzero(groups == group) for group in np.unique(groups).tolist() or [0]]
    return [(some, float(length[some].max(initial=0.0))) for some in rows]


def _limits_broken(
    work: Pieces, tie: Tie, limits: Limits, pieces: Ints, points: Ints, free_fall: Floats
) -> np.ndarray:
    """Limits broken by falls from pieces, then from points."""
    if limits.force is None:
        nothing = np.zeros(len(free_fall))
        return limits.broken(free_fall, nothing, nothing)
    below, least, point_below, point_least = _least_hanging(work, tie)
    return limits.broken(
        free_fall,
        np.concatenate((below[pieces], point_below[points])),
        np.concatenate((least[pieces], point_least[points])),
    )


def _spread_ties(ties: Sequence[tuple[int, ...]], rows: Ints, count: int) -> list[tuple[int, ...]]:
    out: list[tuple[int, ...]] = [()] * count
    for row, tie in zip(rows.tolist(), ties, strict=True):
        out[row] = tie
    return out


def _twice(points: Ints) -> Ints:
    return np.column_stack((points, points))


def widest_turn(
    work: Pieces, seeds: Ints, sizes: Floats, rest: Ints, others: Sequence[tuple[int, ...]]
) -> Floats:
    """As ``turned``, the widest over the rest point and all others that lie as low."""
    more = [(row, piece) for row, pieces in enumerate(others) for piece in pieces]
    if not more:
        return turned(work, seeds, sizes, rest)
    row = np.concatenate((np.arange(len(rest)), [r for r, _ in more])).astype(np.int64)
    piece = np.concatenate((rest, [p for _, p in more])).astype(np.int64)
    every = turned(work, seeds[row], sizes[row], piece)
    widest = np.full(len(rest), -np.inf)
    np.maximum.at(widest, row, np.where(np.isnan(every), np.inf, every))
    return np.where(np.isfinite(widest), widest, np.nan)


def swing_offset(work: Pieces, seeds: Ints, rest: Ints, others: Sequence[tuple[int, ...]]) -> Floats:
    """How far, measured level, places are from their rest points, m, at most; nan without a rest point.

    ``seeds`` (n, 2): the points at the ends of each place; ``rest`` (n,): the piece of its rest point;
    ``others``: pieces that lie as low.
    """
    furthest = np.full(len(rest), -np.inf)
    more = [(row, piece) for row, pieces in enumerate(others) for piece in pieces]
    row = np.concatenate((np.arange(len(rest)), [r for r, _ in more])).astype(np.int64)
    piece = np.concatenate((rest, [p for _, p in more])).astype(np.int64)
    for place in seeds.T:
        for end in (work.ia[piece], work.ib[piece]):
            away = np.linalg.norm(work.at[place[row], :2] - work.at[end, :2], axis=1)
            np.maximum.at(furthest, row, away)
    return np.where(rest >= 0, furthest, np.nan)


def turned(work: Pieces, seeds: Ints, sizes: Floats, rest: Ints) -> Floats:
    """Angle between the rope's last runs at a place and at its rest point, degrees, at most.

    ``seeds`` (n, 2): the points at the ends of the place, a piece of length ``sizes`` (0 for a point);
    ``rest``: the piece of the rest point. Within half a piece the run turns by no more than half the
    piece's length over its own length.
    """
    ia, ib = work.ia[rest], work.ib[rest]
    potential = work.at[:, 2] + work.lo
    lower = np.where(potential[ia] <= potential[ib], ia, ib)
    work.need_runs(np.unique(np.concatenate((seeds.ravel(), lower))))
    turn = np.maximum(work.turn(seeds[:, 0], lower), work.turn(seeds[:, 1], lower))
    reach = np.minimum(work.run_length[seeds[:, 0]], work.run_length[seeds[:, 1]])
    rest_reach = np.where(work.run_length[lower] < NO_RUN, np.inf, work.run_length[lower])
    with np.errstate(invalid="ignore"):
        more = np.rad2deg(sizes / 2 / np.maximum(reach, NO_RUN))
        away = np.rad2deg((work.b - work.a)[rest] / rest_reach)
        angle = turn + more + away
    # at its own rest point nothing turns
    same = (seeds[:, 0] == ia) | (seeds[:, 0] == ib)
    same &= (seeds[:, 1] == ia) | (seeds[:, 1] == ib)
    limited: Floats = np.minimum(np.where(same, 0.0, angle), 180.0)
    return limited


def _what_to_split(result: Assessment, tolerance: float) -> tuple[np.ndarray, bool]:
    """Pieces that keep something open, and whether that is only figures, all states being settled.

    Governing places come first, then states, then figures.
    """
    work = result.pieces
    size = work.b - work.a
    coarse = (size > tolerance * SPARE) & ~work.far
    split: np.ndarray = np.zeros(len(size), dtype=bool)
    fall = np.flatnonzero(result.passable)
    if len(fall):
        points = work.at[:, 2] + work.lo
        ends = np.minimum(points[work.ia], points[work.ib])
        unsure = ends - result.potential
        rest, governs = result.rest[fall], result.governs[fall]
        split |= _rivals(work, coarse, rest[unsure[rest] > SURE_M], result.potential, ends)
        undecided = (result.margin[fall] < 0) & (result.margin[fall] >= -np.maximum(unsure, size)[governs])
        split |= _rivals(work, coarse, governs[undecided], result.value, ends - work.top)
        if split.any():
            return split, False
    room = result.breaks[:, ROOM]
    open_state = np.zeros(len(size), dtype=bool)
    for end in (work.ia, work.ib):
        open_state |= (result.state != work.point_state[end]) | (room != work.point_room[end])
    split = open_state & coarse & (work.guard < 0) & ~work.walked
    if split.any():
        return split, False
    value_gap = (ends - work.top - result.value) if len(fall) else np.zeros(len(size))
    for rows in segment_rows(result):
        if result.state[rows[0]] > HELD:
            continue
        split[_greatest(rows, result.surplus, result.surplus_gap)] = True
        if result.state[rows[0]] == HELD:
            continue
        split[_greatest(rows, result.swing_drop, result.drop_gap)] = True
        worst = rows[np.argmin(result.margin[rows])]
        if value_gap[result.governs[worst]] > SURE_M:
            split[result.governs[worst]] = True
        split[[result.rest[worst], result.rest[rows[np.argmax(result.swing_drop[rows])]]]] = True
    return split & coarse, True


def _greatest(rows: Ints, most: Floats, gap: Floats) -> Ints:
    """The row with the greatest upper bound, and others that lie clearly over the greatest known value."""
    bound = most[rows]
    known = float(np.where(np.isfinite(bound), bound - gap[rows], -np.inf).max())
    over = rows[(bound > known + SURE_M) | (rows == rows[np.argmax(bound)])]
    first: Ints = over[np.argsort(-most[over], kind="stable")[:MOST_FIGURES]]
    return first


def _rivals(work: Pieces, coarse: np.ndarray, rows: Ints, least: Floats, known: Floats) -> np.ndarray:
    """Coarse pieces that are the least of some track, or may be once those of ``rows`` are halved.

    ``least``: lower bounds; ``known``: values at an end of each piece. What lies on the same run and may be
    lower than what is known of the least piece would come next, one after the other.
    """
    split: np.ndarray = np.zeros(len(least), dtype=bool)
    for row in np.unique(rows[coarse[rows]]).tolist():
        split |= coarse & (work.run == work.run[row]) & (least <= known[row] - SURE_M)
        split[row] = True
    return split


def segment_rows(result: Assessment) -> list[Ints]:
    """Rows of pieces of each segment: neighbours on one edge with one state and with or without room
    below, in order along it. Steps are left out, unless guarded."""
    work = result.pieces
    edge = work.boundary.edge[work.run]
    order = np.lexsort((work.boundary.offset[work.run] + work.a, edge))
    steps = work.walked & (work.guard < 0)
    key = np.column_stack((edge, result.state, result.breaks[:, ROOM], work.guard, steps))[order]
    cuts = np.flatnonzero((key[1:] != key[:-1]).any(axis=1)) + 1
    rows = np.split(order, cuts) if len(order) else []
    return [some for some in rows if not steps[some[0]]]


def state_name(code: int) -> str:
    """The state's name for its row in ``records.STATES``."""
    return STATES[code]
