"""Edge segments from an assessment: neighbours in one state joined, each figure the worst in them."""

from __future__ import annotations

import numpy as np

from roof3d.fall.limits import SHOWN_M, SWINGS
from roof3d.fall.states import (
    ARREST,
    HELD,
    SHORT,
    Assessment,
    segment_rows,
    state_name,
    swing_offset,
    widest_turn,
)
from roof3d.fall.stretch import Terms
from roof3d.records import BREAKS, EdgeSegment, Floats

NOTABLE_GAP_M = 0.05


def make_segments(
    result: Assessment,
    terms: Terms,
    anchor: str,
    guards: list[list[tuple[float, float, str]]],
    angles: bool = True,
) -> list[EdgeSegment]:
    """Segments of all fall edges for one anchor, in the order of the edges and along them.

    ``angles``: whether swing angles are told even where they do not decide a state; they cost most. One
    that is not told counts as over its limit.
    """
    segments = segment_rows(result)
    work = result.pieces
    asked: list[np.ndarray] = []
    for rows in segments if angles else ():
        some = _telling(result, rows)
        if result.state[rows[0]] <= ARREST and len(some):
            ties = [piece for k in some for piece in result.others[k]]
            rest = np.concatenate((result.rest[some], np.array(ties, dtype=np.int64)))
            asked += [work.ia[some], work.ib[some], work.ia[rest], work.ib[rest]]
    if asked:
        work.need_runs(np.unique(np.concatenate(asked)))  # all in one go, for each asking costs
    return [_segment(result, rows, terms, anchor, guards, angles) for rows in segments]


def _first_rest(result: Assessment, row: int) -> int:
    """The rest piece of a piece; of several equally low ones the first along the boundary."""
    work = result.pieces
    potential = work.at[:, 2] + work.lo

    def key(piece: int) -> tuple[float, int, float]:
        low = min(potential[work.ia[piece]], potential[work.ib[piece]])
        return round(float(low), 6), int(work.run[piece]), float(work.a[piece])

    return min((int(result.rest[row]), *result.others[row]), key=key)


def _telling(result: Assessment, rows: np.ndarray) -> np.ndarray:
    """Pieces of a segment whose swing angle is told: none where all are known, else ends and deepest."""
    if np.isfinite(result.angle[rows]).all():
        return rows[:0]
    return np.unique([rows[0], rows[-1], rows[np.argmax(result.swing_drop[rows])]])


def _place(result: Assessment, piece: int, at: float) -> Floats:
    work = result.pieces
    run = work.run[piece]
    start, end = work.boundary.start[run], work.boundary.end[run]
    place: Floats = start + (end - start) * (at / work.boundary.length[run])
    return place


def rest_point(result: Assessment, piece: int) -> Floats:
    """The lower end, in potential, of a rest piece, (3,) local."""
    work = result.pieces
    i, j = work.ia[piece], work.ib[piece]
    lower: Floats = work.at[i] if work.at[i, 2] + work.lo[i] <= work.at[j, 2] + work.lo[j] else work.at[j]
    return lower


def _segment(
    result: Assessment,
    rows: np.ndarray,
    terms: Terms,
    anchor: str,
    guards: list[list[tuple[float, float, str]]],
    angles: bool,
) -> EdgeSegment:
    work = result.pieces
    boundary = work.boundary
    first, last = int(rows[0]), int(rows[-1])
    number = int(boundary.edge[work.run[first]])
    edge = boundary.edges[number]
    state = int(result.state[first])
    guard = int(work.guard[first])
    deepest = rows[np.argmax(result.surplus[rows])]
    doubts = [edge.doubt] if edge.doubt else []
    free = drop = angle = required = available = margin = None
    rest = worst_at = None
    strikes = ""
    sums = {"line_m": float(result.length[deepest]), "taut_m": float(result.taut[deepest])}
    if state <= ARREST:
        # where the edge is passed only by stretch the line may pull before the D-ring gets down to it
        falls = result.surplus + result.slides + result.slope
        longest = int(rows[np.argmax(falls[rows])])
        more = float(falls[longest] - result.surplus[deepest])
        slope = min(float(result.slope[longest]), more)
        slides = max(0.0, more - slope)
        free = max(0.0, terms.attachment + float(falls[longest]))
        drop = float(result.swing_drop[rows].max())
        angle = _widest_angle(result, rows, angles)
        worst = int(rows[np.argmin(result.margin[rows])])
        governs = int(result.governs[worst])
        margin = float(result.margin[worst])
        length = float(result.length[worst])
        fall = max(0.0, terms.attachment + float(falls[worst]))
        # how far the D-ring gets below that place, which may be further than the rope over it leads
        deep = length - float(result.taut[governs]) + float(result.hung[worst])
        required = float(terms.below_edge(length, fall)) + deep
        available = required + margin
        sums |= {
            "h": terms.attachment,
            "s": deep,
            "X": float(terms.below_edge(length, fall)) - terms.attachment - terms.harness - terms.margin,
            "k": terms.harness,
            "M": terms.margin,
            "line_at_worst_m": length,
            "taut_at_rest_m": float(result.taut[governs]),
            "deceleration_m": float(terms.way(fall)),
            "activation_m": terms.activation,
            "line_elongation": terms.elongation,
            "extra_m": terms.extra,
        }
        if slope > 0:
            sums["slope_m"] = slope
        if slides > 0:
            sums["slides_m"] = slides
        if result.hung[worst] > 0:
            sums["hung_m"] = float(result.hung[worst])
        swings = int(result.rest[rows[np.argmax(result.swing_drop[rows])]])
        ends = [work.ia[swings], work.ib[swings]]
        sums["rest_potential_m"] = float(np.min(work.at[ends, 2] + work.lo[ends]))
        sums["most_swing_m"] = float(result.way_down[rows].max())
        if result.limits.swing_offset is not None:
            seeds = np.column_stack((work.ia[rows], work.ib[rows]))
            offset = swing_offset(work, seeds, result.rest[rows], [result.others[row] for row in rows])
            sums["swing_offset_m"] = float(offset.max())
        # the swing is told for the place that swings furthest, clearance for the one that needs most
        rest = rest_point(result, _first_rest(result, worst))
        worst_at = _place(result, governs, float(work.a[governs] + work.b[governs]) / 2)
        strikes = boundary.step_what[int(work.step[governs])]
        blocked = result.blocked[rows]
        if state != SHORT and (blocked >= 0).any():
            piece = int(blocked[blocked >= 0][0])
            strikes = _in_the_way(result, piece) or strikes
        if "assumed" in strikes:
            doubts.append("no ground in the model")
        drop = None if not np.isfinite(drop) else max(0.0, drop)
        if drop is None:
            doubts.append("taut length has no upper bound here")
        if angle is None and angles:
            doubts.append("swing angle not known")
    gap = float(result.gap[rows].max())
    if state <= HELD and np.isfinite(gap) and gap > NOTABLE_GAP_M:
        doubts.append(f"taut length known to {gap:.2f} m")
    return EdgeSegment(
        edge=edge.id,
        from_m=float(boundary.offset[work.run[first]] + work.a[first]),
        to_m=float(boundary.offset[work.run[last]] + work.b[last]),
        start=_place(result, first, float(work.a[first])),
        end=_place(result, last, float(work.b[last])),
        anchor=anchor,
        state=state_name(state),
        taut_length_m=float(result.taut[rows].min()),
        surplus_m=float(result.surplus[deepest]),
        free_fall_m=free,
        swing_drop_m=drop,
        swing_angle_deg=angle,
        rest_point=rest,
        clearance_required_m=required,
        clearance_available_m=available,
        margin_m=margin,
        strikes=strikes,
        doubt="; ".join(doubts),
        breaks=_broken(result, rows, drop, angle, sums.get("swing_offset_m")) if state <= ARREST else (),
        protection=guards[number][guard][2] if guard >= 0 else "",
        sums=tuple(sums.items()),
        clearance_point=worst_at,
    )


def _broken(
    result: Assessment, rows: np.ndarray, drop: float | None, angle: float | None, offset: float | None
) -> tuple[str, ...]:
    """Words for all that is broken somewhere in a segment with this swing (None: not known)."""
    found = result.breaks[rows].any(axis=0)
    limits = result.limits
    found[SWINGS] |= limits.swing_offset is not None and offset is not None and offset > limits.swing_offset
    for value, limit in ((drop, limits.swing_drop), (angle, limits.swing_angle_deg)):
        if limit is not None and (value is None or value > limit + SHOWN_M):
            found[SWINGS] = True
    return tuple(word for word, broken in zip(BREAKS, found, strict=True) if broken)


def _widest_angle(result: Assessment, rows: np.ndarray, ask: bool) -> float | None:
    """Swing angle at the ends of a segment and where it swings deepest, the widest of them, degrees."""
    work = result.pieces
    some = _telling(result, rows)
    if not len(some):
        return float(result.angle[rows].max())
    if not ask:
        return None
    angles = widest_turn(
        work,
        np.column_stack((work.ia, work.ib))[some],
        (work.b - work.a)[some],
        result.rest[some],
        [result.others[k] for k in some],
    )
    return float(angles.max()) if np.isfinite(angles).all() else None


def _in_the_way(result: Assessment, piece: int) -> str:
    """Name of the first thing in the way along a piece."""
    work = result.pieces
    boundary = work.boundary
    run = int(work.run[piece])
    zero = float(boundary.base[boundary.edge[run]] + boundary.offset[run])
    low = int(np.searchsorted(boundary.step_at, zero + work.a[piece] + 1e-9, side="right")) - 1
    high = int(np.searchsorted(boundary.step_at, zero + work.b[piece] - 1e-9, side="left"))
    names = [name for name in boundary.step_way_name[low : max(high, low + 1)] if name]
    return names[0] if names else ""
