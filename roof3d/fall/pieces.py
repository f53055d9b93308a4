"""Pieces of the boundary with the taut length at their ends, halved where more has to be known."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from roof3d.fall.boundary import Boundary
from roof3d.fall.ruler import NO_RUN, Ruler, cone_low
from roof3d.fall.stretch import Terms
from roof3d.records import Floats, Ints


@dataclass(eq=False)
class Pieces:
    """The working state of one assessment; grows by ``split``. Rows of points and of pieces."""

    boundary: Boundary
    ruler: Ruler
    limit: float
    heights: tuple[float, float]  # D-ring above the edge: kneeling, standing
    ring_from: float  # D-rings are measured above points whose taut length lies between these two
    ring_to: float
    # points
    at: Floats  # (p, 3)
    lo: Floats  # (p,) bracket at the edge itself; lo = limit where it is further
    hi: Floats
    lo_ring: Floats  # (p,) least over kneeling and standing
    hi_ring: Floats  # (p,) greatest over kneeling and standing
    starts: Floats  # (runs,) greatest height from which one can slide down to a run, -inf
    rise: Floats  # (p,) the same at points
    along: Floats  # (p, 3) unit vector of a run through the point
    point_state: Ints
    point_room: np.ndarray  # bool: room below lacks for a fall from the point
    run_vector: Floats  # (p, 3) last run of the rope, nan until asked
    run_length: Floats  # (p,)
    # pieces
    run: Ints
    a: Floats
    b: Floats
    ia: Ints
    ib: Ints
    guard: Ints  # index of the protection, -1
    walked: np.ndarray  # bool: going over is a step, not a fall
    far: np.ndarray  # bool: certainly out of reach, not measured
    top: Floats
    step: Ints
    way: np.ndarray

    @classmethod
    def cut(
        cls,
        boundary: Boundary,
        ruler: Ruler,
        limit: float,
        terms: Terms,
        guards: list[list[tuple[float, float, str]]],
        spacing: float,
        ring: tuple[float, float] = (0.0, np.inf),
        longest: float = np.inf,
    ) -> Pieces:
        """Cut all runs: those within ``limit`` into equal pieces, the others left whole.

        ``ring``: taut lengths between which the D-ring above a point is measured as well; elsewhere its
        taut length is bounded by that of the point. ``longest``: line that there is anywhere.
        """
        near = ruler.floor_between(boundary.start, boundary.end) <= limit
        vertex_count = len(boundary.vertices)
        points: list[Floats] = [boundary.vertices]
        count = vertex_count
        parts: list[tuple[Ints, Floats, Floats, Ints, Ints, Ints, np.ndarray]] = []
        runs_of_points: list[Ints] = []
        for run in range(len(boundary.length)):
            length = boundary.length[run]
            zero = boundary.offset[run]
            marks = guards[int(boundary.edge[run])] if guards else []
            steps = boundary.walked[int(boundary.edge[run])]
            cuts = [end - zero for mark in (*marks, *steps) for end in mark[:2]]
            inner = sorted({round(c, 9) for c in cuts if 1e-6 < c < length - 1e-6})
            ends = [0.0, *inner, float(length)]
            at: list[float] = [0.0]
            for low, high in pairwise(ends):
                number = max(1, int(np.ceil((high - low) / spacing - 1e-9))) if near[run] else 1
                at.extend(low + (high - low) * (np.arange(1, number + 1) / number))
            at[-1] = float(length)
            t = np.array(at)
            unit = (boundary.end[run] - boundary.start[run]) / length
            middle = boundary.start[run] + t[1:-1, None] * unit
            points.append(middle)
            rows = np.concatenate(
                ([boundary.tail[run]], np.arange(len(middle)) + count, [boundary.head[run]])
            )
            count += len(middle)
            runs_of_points.append(np.full(len(middle), run))
            centre = (t[:-1] + t[1:]) / 2 + zero
            guard = np.full(len(centre), -1, dtype=np.int64)
            for index, (low, high, _) in enumerate(marks):
                guard[(centre > low) & (centre < high) & (guard < 0)] = index
            walked = np.zeros(len(centre), dtype=bool)
            for low, high in steps:
                walked |= (centre > low) & (centre < high)
            parts.append((np.full(len(centre), run), t[:-1], t[1:], rows[:-1], rows[1:], guard, walked))
        every = np.concatenate(points) if points else np.zeros((0, 3))
        n = len(every)
        run_of = np.full(n, -1, dtype=np.int64)
        for row in range(len(boundary.length)):
            run_of[[boundary.tail[row], boundary.head[row]]] = row
        if runs_of_points:
            run_of[vertex_count:] = np.concatenate(runs_of_points)
        starts = boundary.starts(ruler, longest)
        rise = np.full(n, -np.inf)
        np.maximum.at(rise, boundary.tail, starts)
        np.maximum.at(rise, boundary.head, starts)
        rise[vertex_count:] = starts[run_of[vertex_count:]]
        joined = (
            [np.concatenate([part[k] for part in parts]) for k in range(7)] if parts else [np.zeros(0)] * 7
        )
        run_rows = joined[0].astype(np.int64)
        work = cls(
            boundary=boundary,
            ruler=ruler,
            limit=limit,
            heights=(terms.kneeling, terms.attachment),
            ring_from=ring[0],
            ring_to=ring[1],
            at=every,
            lo=np.full(n, limit),
            hi=np.full(n, np.inf),
            lo_ring=np.full(n, limit),
            hi_ring=np.full(n, np.inf),
            starts=starts,
            rise=rise,
            along=_units(boundary)[run_of],
            point_state=np.full(n, 4, dtype=np.int64),
            point_room=np.zeros(n, dtype=bool),
            run_vector=np.full((n, 3), np.nan),
            run_length=np.full(n, np.nan),
            run=run_rows,
            a=joined[1],
            b=joined[2],
            ia=joined[3].astype(np.int64),
            ib=joined[4].astype(np.int64),
            guard=joined[5].astype(np.int64),
            walked=joined[6].astype(bool),
            far=~near[run_rows],
            top=np.zeros(0),
            step=np.zeros(0, dtype=np.int64),
            way=np.zeros(0, dtype=bool),
        )
        work.top, work.step, work.way = boundary.below(work.run, work.a, work.b)
        asked = np.unique(np.concatenate((work.ia[~work.far], work.ib[~work.far])))
        work._measure(asked)
        return work

    def _measure(self, rows: Ints) -> None:
        if not len(rows):
            return
        place = self.at[rows]
        up = [place + np.array([0.0, 0.0, h]) for h in self.heights]
        # where every D-ring is asked for, all is measured in one go, for each asking costs
        whole = self.ring_from <= 0 and self.ring_to == np.inf
        lengths = self.ruler.measure(np.concatenate([place, *up]) if whole else place, self.limit)
        n = len(rows)
        lo = np.where(np.isfinite(lengths.lo[:n]), lengths.lo[:n], self.limit)
        lo = np.maximum(lo, self.ruler.floor(place))
        hi = np.maximum(lengths.hi[:n], lo)
        self.lo[rows], self.hi[rows] = lo, hi
        tallest = max(self.heights)
        self.lo_ring[rows] = np.maximum(lo - tallest, 0.0)
        self.hi_ring[rows] = hi + tallest
        asked = (lo >= self.ring_from) & (lo <= self.ring_to)
        if not asked.any():
            return
        if whole:
            ring_lo, ring_hi = lengths.lo[n:], lengths.hi[n:]
        else:
            rings = self.ruler.measure(np.concatenate([points[asked] for points in up]), self.limit)
            ring_lo, ring_hi = rings.lo, rings.hi
        low = np.where(np.isfinite(ring_lo), ring_lo, self.limit).reshape(2, -1)
        self.lo_ring[rows[asked]] = low.min(axis=0)
        self.hi_ring[rows[asked]] = ring_hi.reshape(2, -1).max(axis=0)

    def split(self, which: np.ndarray, parts: int = 2) -> None:
        """Cut pieces into equal parts and measure the new points."""
        old = np.flatnonzero(which)
        cut = np.arange(1, parts) / parts
        within = (self.a[old, None] + (self.b - self.a)[old, None] * cut).ravel()
        run = np.repeat(self.run[old], parts - 1)
        unit = _units(self.boundary)[run]
        place = self.boundary.start[run] + within[:, None] * unit
        n, k = len(self.at), len(within)
        new = np.arange(n, n + k)
        self.at = np.concatenate((self.at, place))
        self.lo = np.concatenate((self.lo, np.full(k, self.limit)))
        self.hi = np.concatenate((self.hi, np.full(k, np.inf)))
        self.lo_ring = np.concatenate((self.lo_ring, np.full(k, self.limit)))
        self.hi_ring = np.concatenate((self.hi_ring, np.full(k, np.inf)))
        self.rise = np.concatenate((self.rise, self.starts[run]))
        self.along = np.concatenate((self.along, unit))
        self.point_state = np.concatenate((self.point_state, np.full(k, 4)))
        self.point_room = np.concatenate((self.point_room, np.zeros(k, dtype=bool)))
        self.run_vector = np.concatenate((self.run_vector, np.full((k, 3), np.nan)))
        self.run_length = np.concatenate((self.run_length, np.full(k, np.nan)))
        self._measure(new)
        # the first part stays in the piece's row, the others are appended
        ends = within.reshape(-1, parts - 1)
        nodes = new.reshape(-1, parts - 1)
        last_b, last_ib = self.b[old], self.ib[old]
        more = np.repeat(old, parts - 1)
        self.run = np.concatenate((self.run, run))
        self.a = np.concatenate((self.a, within))
        self.b = np.concatenate((self.b, np.column_stack((ends[:, 1:], last_b)).ravel()))
        self.ia = np.concatenate((self.ia, new))
        self.ib = np.concatenate((self.ib, np.column_stack((nodes[:, 1:], last_ib)).ravel()))
        self.b[old], self.ib[old] = ends[:, 0], nodes[:, 0]
        self.guard = np.concatenate((self.guard, self.guard[more]))
        self.walked = np.concatenate((self.walked, self.walked[more]))
        self.far = np.concatenate((self.far, self.far[more]))
        first = self.boundary.below(self.run[old], self.a[old], self.b[old])
        rest = self.boundary.below(self.run[-k:], self.a[-k:], self.b[-k:])
        self.top[old], self.step[old], self.way[old] = first
        self.top = np.concatenate((self.top, rest[0]))
        self.step = np.concatenate((self.step, rest[1]))
        self.way = np.concatenate((self.way, rest[2]))

    def note_states(self, states: Ints, room_lacks: np.ndarray) -> None:
        """Remember the states at the points themselves, and where room below lacks."""
        self.point_state, self.point_room = states, room_lacks

    def ends(self) -> tuple[Floats, Floats]:
        """End points of all pieces, (m, 3) each."""
        return self.at[self.ia], self.at[self.ib]

    def least_taut(self) -> Floats:
        """Lower bound of the taut length over each piece."""
        cone = cone_low(self.lo[self.ia], self.lo[self.ib], self.b - self.a)
        return np.maximum(cone, self.ruler.floor_between(*self.ends()))

    def least_potential(self, taut: Floats) -> Floats:
        """Lower bound of height plus taut length over each piece, metres (local z)."""
        size = self.b - self.a
        d0, d1 = self.lo[self.ia], self.lo[self.ib]
        z0, z1 = self.at[self.ia, 2], self.at[self.ib, 2]
        t = np.clip((d0 - d1 + size) / 2, 0.0, size)
        z = z0 + (z1 - z0) * t / np.maximum(size, 1e-12)
        cone = z + np.maximum(d0 - t, d1 - size + t)
        # where the two ends differ by more than a rope can, the ends themselves bound as well
        cone = np.minimum(cone, np.minimum(z0 + d0, z1 + d1))
        plain = np.minimum(z0, z1) + taut
        low: Floats = np.maximum(np.maximum(cone, plain), self.ruler.floor_potential(*self.ends()))
        return low

    def greatest_potential(self) -> Floats:
        """Upper bound of height plus taut length over each piece, inf where none is known."""
        size = self.b - self.a
        d0 = np.minimum(self.hi[self.ia], self.hi[self.ib] + size)
        d1 = np.minimum(self.hi[self.ib], self.hi[self.ia] + size)
        known = np.isfinite(d0)
        d0, d1 = np.where(known, d0, 0.0), np.where(known, d1, 0.0)
        t = np.clip((d1 - d0 + size) / 2, 0.0, size)
        z0, z1 = self.at[self.ia, 2], self.at[self.ib, 2]
        z = z0 + (z1 - z0) * t / np.maximum(size, 1e-12)
        value = np.maximum(z + np.minimum(d0 + t, d1 + size - t), np.maximum(z0 + d0, z1 + d1))
        return np.where(known, value, np.inf)

    def need_runs(self, rows: Ints) -> None:
        """Ask the ruler for the rope's last runs to points that have none yet."""
        missing = rows[np.isnan(self.run_length[rows])]
        if not len(missing):
            return
        run = self.ruler.last_run(self.at[missing])
        length = np.linalg.norm(run, axis=1)
        self.run_vector[missing] = run / np.maximum(length, 1e-12)[:, None]
        self.run_length[missing] = length

    def turn(self, here: Ints, there: Ints) -> Floats:
        """Angle between the last runs to points ``here`` and ``there``, degrees; nan where unknown.

        A run shorter than 1 cm (the rope is tied or bends at the edge itself) counts as square to
        the edge.
        """
        u, v = self.run_vector[here], self.run_vector[there]
        cosine = np.clip(np.einsum("ij,ij->i", u, v), -1.0, 1.0)
        plain = np.arccos(cosine)
        sine_here = np.abs(np.einsum("ij,ij->i", u, self.along[here]))
        off_square = np.arcsin(np.clip(sine_here, 0.0, 1.0))
        angle = np.where(self.run_length[there] < NO_RUN, off_square, plain)
        angle = np.where(self.run_length[here] < NO_RUN, 0.0, angle)
        degrees: Floats = np.rad2deg(np.where(np.isnan(self.run_length[here]), np.nan, angle))
        return degrees


def _units(boundary: Boundary) -> Floats:
    unit: Floats = (boundary.end - boundary.start) / np.maximum(boundary.length, 1e-12)[:, None]
    return unit
