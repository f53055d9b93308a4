"""Rulers: how long the tight rope is from one anchor, or from an anchor line, to any point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from roof3d import taut
from roof3d.records import Floats, Lengths
from roof3d.taut import Preparation

NO_RUN = 0.01  # m; a last run shorter than this has no direction of its own


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

    def last_run(self, points: Floats) -> Floats:
        run: Floats = points - self.at
        return run


@dataclass(frozen=True, eq=False)
class AnchorRuler(StraightRuler):
    """The taut length from one anchor around the building, by the roof's preparation."""

    preparation: Preparation

    def measure(self, points: Floats, limit: float = np.inf) -> Lengths:
        return taut.measure(self.preparation, self.at, points, limit)

    def last_run(self, points: Floats) -> Floats:
        run = np.full((len(points), 3), np.nan)
        for row, path in enumerate(taut.trace(self.preparation, self.at, points)):
            if path is not None:
                run[row] = path.points[-1] - path.points[-2]
        return run


@dataclass(frozen=True)
class Span:
    """One span of an anchor line: places ``q`` with ``|q - p1| + |q - p2| <= length``, metres.

    ``unloaded`` is the length of rope in the span before a fall, ``loaded`` the longest under load.
    """

    p1: tuple[float, float, float]
    p2: tuple[float, float, float]
    unloaded: float
    loaded: float


@dataclass(frozen=True, eq=False)
class LineRuler:
    """The taut length from the best place of a traveller on an anchor line.

    Lower bounds let the traveller go wherever the line lets it under load; upper bounds keep it on the
    straight line between the supports. Places are ``step`` apart; what lies between and beside
    them counts at its shortest in lower bounds.
    """

    preparation: Preparation
    spans: tuple[Span, ...]
    step: float = 0.1

    def _places(self) -> tuple[Floats, Floats]:
        """Places on the spans (k, 3) and how far from one of them the traveller can be (k,)."""
        places, away = [], []
        for span in self.spans:
            p, q = np.array(span.p1), np.array(span.p2)
            chord = float(np.linalg.norm(q - p))
            count = max(2, int(np.ceil(chord / self.step)) + 1)
            places.append(p + (q - p) * np.linspace(0.0, 1.0, count)[:, None])
            side = np.sqrt(max(span.loaded**2 - chord**2, 0.0)) / 2
            away.append(np.full(count, np.hypot(chord / (count - 1) / 2, side)))
        return np.concatenate(places), np.concatenate(away)

    def measure(self, points: Floats, limit: float = np.inf) -> Lengths:
        lo = np.full(len(points), np.inf)
        hi = np.full(len(points), np.inf)
        places, away = self._places()
        for place, off in zip(places, away, strict=True):
            near = np.flatnonzero(np.linalg.norm(points - place, axis=1) - off <= limit)
            if not len(near):
                continue
            lengths = taut.measure(self.preparation, place, points[near], limit + off)
            lo[near] = np.minimum(lo[near], np.maximum(lengths.lo - off, 0.0))
            hi[near] = np.minimum(hi[near], lengths.hi)
        hi[hi > limit] = np.inf
        return Lengths(lo, hi)

    def floor(self, points: Floats) -> Floats:
        least = np.full(len(points), np.inf)
        for span in self.spans:
            p, q = np.array(span.p1), np.array(span.p2)
            chord = float(np.linalg.norm(q - p))
            side = np.sqrt(max(span.loaded**2 - chord**2, 0.0)) / 2
            t = np.clip((points - p) @ (q - p) / max(chord**2, 1e-300), 0.0, 1.0)
            away = np.linalg.norm(points - (p + t[:, None] * (q - p)), axis=1)
            least = np.minimum(least, np.maximum(away - side, 0.0))
        return least

    def floor_between(self, start: Floats, end: Floats) -> Floats:
        size = np.linalg.norm(end - start, axis=1)
        return np.maximum(cone_low(self.floor(start), self.floor(end), size), 0.0)

    def floor_potential(self, start: Floats, end: Floats) -> Floats:
        low: Floats = np.minimum(start[:, 2], end[:, 2]) + self.floor_between(start, end)
        return low

    def last_run(self, points: Floats) -> Floats:
        run = np.full((len(points), 3), np.nan)
        best = np.full(len(points), np.inf)
        for place in self._places()[0]:
            for row, path in enumerate(taut.trace(self.preparation, place, points)):
                if path is not None and path.length_m < best[row] - 1e-9:
                    best[row] = path.length_m
                    run[row] = path.points[-1] - path.points[-2]
        return run
