"""Rulers: how long the tight rope is from one anchor, or from an anchor line, to any point."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Protocol

import numpy as np

from roof3d import taut
from roof3d.records import Floats, Ints, Lengths
from roof3d.taut import Preparation

NO_RUN = 0.01  # m; a last run shorter than this has no direction of its own
REST_STEP_M = 0.5  # between places on a line that lies on something, for upper bounds
REST_ROUNDS = 4  # of them are measured from for each point


class Ruler(Protocol):
    """What the fall stage asks of an anchor. All points are local, metres."""

    def measure(self, points: Floats, limit: float = np.inf) -> Lengths:
        """Brackets of the taut length to points (n, 3); inf where it exceeds ``limit``."""

    def floor(self, points: Floats) -> Floats:
        """A cheap lower bound of the taut length to points (n, 3)."""

    def floor_between(self, start: Floats, end: Floats) -> Floats:
        """A lower bound of the taut length to every place of each segment (n, 3)-(n, 3)."""

    def floor_potential(self, start: Floats, end: Floats) -> Floats:
        """A lower bound of height plus taut length over every place of each segment."""

    def foot(self, normal: Floats, offset: Floats) -> Floats:
        """Greatest height, over the anchor's places, of their feet on planes ``normal . x = offset`` (n,);
        with a normal of no length that of the places themselves."""

    def last_run(self, points: Floats) -> Floats:
        """From the rope's last bend (or the anchor) to each point, (n, 3); nan where unknown."""


def cone_low(a: Floats, b: Floats, length: Floats) -> Floats:
    """Least value between two samples of a function that changes by at most 1 per metre."""
    low: Floats = np.minimum(np.minimum(a, b), (a + b - length) / 2)
    return low


def cone_high(a: Floats, b: Floats, length: Floats) -> Floats:
    """Greatest value between two samples of a function that changes by at most 1 per metre."""
    with np.errstate(invalid="ignore"):
        high: Floats = np.maximum(np.maximum(a, b), (a + b + length) / 2)
    return high


def distance_to_segments(point: Floats, start: Floats, end: Floats) -> Floats:
    """Least straight distance from one point (3,) to each segment."""
    along = end - start
    size = np.einsum("ij,ij->i", along, along)
    t = np.einsum("ij,ij->i", point - start, along) / np.maximum(size, 1e-300)
    nearest = start + np.clip(t, 0.0, 1.0)[:, None] * along
    distance: Floats = np.linalg.norm(nearest - point, axis=1)
    return distance


def distance_between_segments(p: Floats, q: Floats, start: Floats, end: Floats) -> Floats:
    """Least straight distance from the segment ``p`` (3,) to ``q`` to each of the segments (n, 3)-(n, 3).

    It lies at an end of one of them, or where the common perpendicular meets both.
    """
    one, other = q - p, end - start
    least = np.minimum(distance_to_segments(p, start, end), distance_to_segments(q, start, end))
    for point in (start, end):
        t = np.clip((point - p) @ one / max(float(one @ one), 1e-300), 0.0, 1.0)
        least = np.minimum(least, np.linalg.norm(point - p - t[:, None] * one, axis=1))
    apart = start - p
    a, b, c = float(one @ one), other @ one, np.einsum("ij,ij->i", other, other)
    d, e = apart @ one, np.einsum("ij,ij->i", apart, other)
    det = a * c - b * b
    skew = det > 1e-12 * a * np.maximum(c, 1e-300)
    det = np.where(skew, det, 1.0)
    s, t = (c * d - b * e) / det, (b * d - a * e) / det
    both = skew & (s >= 0) & (s <= 1) & (t >= 0) & (t <= 1)
    gap = np.linalg.norm(apart + t[:, None] * other - s[:, None] * one, axis=1)
    inside: Floats = np.where(both, np.minimum(least, gap), least)
    return inside


def least_straight_potential(point: Floats, start: Floats, end: Floats) -> Floats:
    """Least of height plus straight distance to ``point`` over each segment, in closed form.

    On a line that descends by ``sin a`` for each metre, at distance ``b`` from the point, the least is
    ``b tan a`` down from the foot of the perpendicular (zero derivative of ``hypot(b, t) - t sin a``).
    """
    along = end - start
    length = np.linalg.norm(along, axis=1)
    unit = along / np.maximum(length, 1e-12)[:, None]
    foot = np.einsum("ij,ij->i", point - start, unit)
    off = np.sqrt(np.maximum(np.einsum("ij,ij->i", point - start, point - start) - foot**2, 0.0))
    climb = np.clip(unit[:, 2], -0.999999, 0.999999)
    t = np.clip(foot - off * climb / np.sqrt(1 - climb**2), 0.0, length)
    potential: Floats = start[:, 2] + unit[:, 2] * t + np.hypot(off, t - foot)
    return potential


QUICK_CHECKS = 200  # sequences of bends looked at for each point, at most


@dataclass(frozen=True, eq=False)
class StraightRuler:
    """The straight distance from one anchor: exact in sight of it, a lower bound everywhere.

    It serves where nothing stands between (one plane seen from above) and to bound other rulers.
    """

    at: Floats  # (3,)

    def measure(self, points: Floats, limit: float = np.inf) -> Lengths:
        d = self.floor(points)
        d = np.where(d > limit, np.inf, d)
        return Lengths(d, d.copy())

    def floor(self, points: Floats) -> Floats:
        distance: Floats = np.linalg.norm(points - self.at, axis=1)
        return distance

    def floor_between(self, start: Floats, end: Floats) -> Floats:
        return distance_to_segments(self.at, start, end)

    def floor_potential(self, start: Floats, end: Floats) -> Floats:
        return least_straight_potential(self.at, start, end)

    def foot(self, normal: Floats, offset: Floats) -> Floats:
        high: Floats = self.at[2] - normal[:, 2] * (normal @ self.at - offset)
        return high

    def last_run(self, points: Floats) -> Floats:
        run: Floats = points - self.at
        return run


@dataclass(frozen=True, eq=False)
class AnchorRuler(StraightRuler):
    """The taut length from one anchor around the building, by the roof's preparation."""

    preparation: Preparation
    limit: float = np.inf  # m; longer ropes are not followed by ``last_run``
    quick: bool = False  # for a first look: brackets may be wider

    def measure(self, points: Floats, limit: float = np.inf) -> Lengths:
        if self.quick:
            return taut.measure(self.preparation, self.at, points, limit, QUICK_CHECKS, settle=False)
        return taut.measure(self.preparation, self.at, points, limit)

    def last_run(self, points: Floats) -> Floats:
        run = np.full((len(points), 3), np.nan)
        limit = self.limit
        for row, path in enumerate(taut.trace(self.preparation, self.at, points, limit)):
            if path is not None:
                run[row] = path.points[-1] - path.points[-2]
        return run


@dataclass(frozen=True)
class Span:
    """One span of an anchor line: places ``q`` with ``|q - p1| + |q - p2| <= loaded``, metres.

    ``loaded`` is the longest length of rope in the span under load. ``clear``: the straight line
    between the supports runs free; where it does not, the line rests on something between them and turns at
    ``bends`` (k, 3), none where they are not known.
    """

    p1: tuple[float, float, float]
    p2: tuple[float, float, float]
    loaded: float
    clear: bool = True
    bends: tuple[tuple[float, float, float], ...] = ()

    @property
    def chord(self) -> float:
        """Straight distance between the supports."""
        return float(np.linalg.norm(np.subtract(self.p2, self.p1)))

    @property
    def side(self) -> float:
        """How far the traveller can get off the straight line between the supports."""
        return float(np.sqrt(max(self.loaded**2 - self.chord**2, 0.0))) / 2


@dataclass(frozen=True, eq=False)
class LineRuler:
    """The taut length from the best place of a traveller on an anchor line.

    Lower bounds let the traveller go wherever the line lets it under load; upper bounds keep it on the
    line at rest, which is straight between the supports or turns at the bends. Places are ``step`` apart;
    what lies between and beside them counts at its shortest in lower bounds.
    """

    preparation: Preparation
    spans: tuple[Span, ...]
    step: float = 0.1
    rounds: int = 60

    @cached_property
    def _places(self) -> tuple[Floats, Floats, Ints]:
        """Places on the spans (k, 3), how far the traveller can be from them (k,), and their spans."""
        places, away, span_of = [], [], []
        for number, span in enumerate(self.spans):
            p, q = np.array(span.p1), np.array(span.p2)
            count = max(2, int(np.ceil(span.chord / self.step)) + 1)
            places.append(p + (q - p) * np.linspace(0.0, 1.0, count)[:, None])
            away.append(np.full(count, np.hypot(span.chord / (count - 1) / 2, span.side)))
            span_of.append(np.full(count, number))
        return np.concatenate(places), np.concatenate(away), np.concatenate(span_of)

    @cached_property
    def _apart(self) -> tuple[Floats, Ints, Ints]:
        """How far the traveller can be off each place of its span, from any other (k, k); and where, among
        all places, those of its span begin and end (k,)."""
        places, away, span_of = self._places
        apart: Floats = np.linalg.norm(places[:, None] - places[None], axis=2) + away
        return apart, np.searchsorted(span_of, span_of), np.searchsorted(span_of, span_of, side="right")

    @cached_property
    def _unusable(self) -> np.ndarray:
        """Places inside of what the line rests on (k,): measured from by nobody, straight bounds only."""
        places, _, span_of = self._places
        clear = np.array([span.clear for span in self.spans])
        inside: np.ndarray = ~clear[span_of] & taut.inside(self.preparation, places)
        return inside

    def _rest(self) -> Floats:
        """Places (k, 3) on the line at rest in spans that lie on something, ends and bends among them."""
        found = [np.empty((0, 3))]
        for span in self.spans:
            if span.clear or not span.bends:
                continue
            for near, far in pairwise(np.array([span.p1, *span.bends, span.p2])):
                count = max(2, int(np.ceil(np.linalg.norm(far - near) / REST_STEP_M)) + 1)
                found.append(near + (far - near) * np.linspace(0.0, 1.0, count)[:, None])
        return np.concatenate(found)

    def _from_rest(self, points: Floats, limit: float, hi: Floats, best: Ints, offset: int) -> None:
        """Lowers upper bounds by what is measured from the line at rest where it lies on something.

        A few places for each point, the straight nearest first: an upper bound from any of them holds.
        """
        places = self._rest()
        if not len(places):
            return
        straight = np.linalg.norm(points[:, None] - places[None], axis=2)
        for _ in range(REST_ROUNDS):
            rows = np.flatnonzero(straight.min(axis=1) < np.minimum(hi, limit))
            if not len(rows):
                return
            nearest = straight[rows].argmin(axis=1)
            for k in np.unique(nearest):
                mine = rows[nearest == k]
                found = taut.measure(self.preparation, places[k], points[mine], limit)
                better = found.hi < hi[mine]
                hi[mine[better]], best[mine[better]] = found.hi[better], offset + k
            straight[rows, nearest] = np.inf

    def _search(self, points: Floats, limit: float) -> tuple[Floats, Floats, Ints]:
        """Brackets (n,) and the place that each upper bound was measured from (-1: none).

        Best first: each round measures, for each point, from the place whose lower bound is least;
        what it tells about the places beside it raises theirs. It ends where the least bound has been
        measured, which is then the lower bound of all.
        """
        places, away, span_of = self._places
        n = len(points)
        bound = np.linalg.norm(points[:, None] - places[None], axis=2) - away
        hi = np.full(n, np.inf)
        best = np.full(n, -1, dtype=np.int64)
        measured = np.zeros(bound.shape, dtype=bool)
        clear = np.array([span.clear for span in self.spans])
        measured[:, self._unusable] = True
        apart, begins, ends = self._apart
        active = np.arange(n)
        for _ in range(self.rounds):
            least = bound[active].argmin(axis=1)
            go_on = ~measured[active, least] & (bound[active, least] <= limit)
            active, least = active[go_on], least[go_on]
            if not len(active):
                break
            for k in np.unique(least):
                rows = active[least == k]
                found = taut.measure(self.preparation, places[k], points[rows], limit + away[k])
                measured[rows, k] = True
                better = (found.hi < hi[rows]) & clear[span_of[k]]  # else nobody is tied there
                hi[rows[better]], best[rows[better]] = found.hi[better], k
                low = np.where(np.isfinite(found.lo), found.lo, limit + away[k])
                beside = slice(begins[k], ends[k]) if clear[span_of[k]] else slice(k, k + 1)
                bound[rows, beside] = np.maximum(bound[rows, beside], low[:, None] - apart[k, beside])
        lo = np.maximum(bound.min(axis=1), 0.0)
        self._from_rest(points, limit, hi, best, len(places))
        hi[hi > limit] = np.inf
        return lo, np.maximum(hi, lo), best

    def measure(self, points: Floats, limit: float = np.inf) -> Lengths:
        lo = self.floor(points)
        hi = np.full(len(points), np.inf)
        near = np.flatnonzero(lo <= limit)
        if len(near):
            low, hi[near], _ = self._search(points[near], limit)
            lo[near] = np.maximum(lo[near], low)
        return Lengths(lo, hi)

    def floor(self, points: Floats) -> Floats:
        least = np.full(len(points), np.inf)
        for span in self.spans:
            p, q = np.array(span.p1), np.array(span.p2)
            t = np.clip((points - p) @ (q - p) / max(span.chord**2, 1e-300), 0.0, 1.0)
            off = np.linalg.norm(points - (p + t[:, None] * (q - p)), axis=1)
            least = np.minimum(least, np.maximum(off - span.side, 0.0))
        return least

    def floor_between(self, start: Floats, end: Floats) -> Floats:
        least = np.full(len(start), np.inf)
        for span in self.spans:
            off = distance_between_segments(np.array(span.p1), np.array(span.p2), start, end)
            least = np.minimum(least, np.maximum(off - span.side, 0.0))
        return least

    def floor_potential(self, start: Floats, end: Floats) -> Floats:
        low: Floats = np.minimum(start[:, 2], end[:, 2]) + self.floor_between(start, end)
        return low

    def foot(self, normal: Floats, offset: Floats) -> Floats:
        most = np.full(len(offset), -np.inf)
        # the height of a foot changes by the plane's lean for each metre at most
        lean = np.sqrt(np.maximum(1.0 - normal[:, 2] ** 2, 0.0))
        for span in self.spans:
            for end in (np.array(span.p1), np.array(span.p2)):
                high = end[2] - normal[:, 2] * (normal @ end - offset)
                most = np.maximum(most, high + lean * span.side)
        return most

    def last_run(self, points: Floats) -> Floats:
        run = np.full((len(points), 3), np.nan)
        places = np.concatenate((self._places[0], self._rest()))
        _, _, best = self._search(points, float(self.floor(points).max(initial=0.0)) + 50.0)
        for k in np.unique(best[best >= 0]):
            rows = np.flatnonzero(best == k)
            for row, path in zip(rows, taut.trace(self.preparation, places[k], points[rows]), strict=True):
                if path is not None:
                    run[row] = path.points[-1] - path.points[-2]
        return run
