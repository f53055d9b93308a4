"""Contacts cut into cells, and lower bounds of rope lengths as sums of distances between cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints
from roof3d.taut.contacts import Contacts
from roof3d.taut.hidden import may_see, point_may_see

CELL = 0.8  # m, wanted length of a cell
CELLS_MOST = 16  # cells an edge is cut into at most
FEW = 3  # halvings when one cell is tested against another: they are short already
FAR = 15.0  # m, cells further apart count as seeing each other where their contacts may: it saves time
SIDES = 2


@dataclass(frozen=True, eq=False)
class Cells:
    """Pieces of contacts; those of contact e are rows ``first[e]`` to ``first[e + 1]``."""

    first: Ints  # (e + 1,)
    contact: Ints  # (c,)
    low: Floats  # (c, 3) one end
    high: Floats  # (c, 3) other end
    apart: np.ndarray  # (c, c) float32, least distance; infinite where they cannot see each other

    @property
    def arrays(self) -> tuple[np.ndarray, ...]:
        """What the compiled functions take."""
        return self.first, self.contact, self.low, self.high, self.apart


@njit(cache=True)
def point_to_cell(p, low, high, c):  # type: ignore[no-untyped-def]
    """Distance from a point to cell c."""
    dx, dy, dz = high[c, 0] - low[c, 0], high[c, 1] - low[c, 1], high[c, 2] - low[c, 2]
    px, py, pz = p[0] - low[c, 0], p[1] - low[c, 1], p[2] - low[c, 2]
    size = dx * dx + dy * dy + dz * dz
    t = min(1.0, max(0.0, (px * dx + py * dy + pz * dz) / size)) if size > 0.0 else 0.0
    px, py, pz = px - t * dx, py - t * dy, pz - t * dz
    return np.sqrt(px * px + py * py + pz * pz)


@njit(cache=True)
def _cell_distance(low, high, c, d):  # type: ignore[no-untyped-def]
    """Least distance between two cells (segments): ends, or the common perpendicular."""
    best = min(
        min(point_to_cell(low[c], low, high, d), point_to_cell(high[c], low, high, d)),
        min(point_to_cell(low[d], low, high, c), point_to_cell(high[d], low, high, c)),
    )
    aa = ab = bb = aw = bw = 0.0
    for k in range(3):
        u, v, w = high[c, k] - low[c, k], high[d, k] - low[d, k], low[c, k] - low[d, k]
        aa += u * u
        ab += u * v
        bb += v * v
        aw += u * w
        bw += v * w
    det = aa * bb - ab * ab
    if det > 1e-12 * aa * bb and det > 0.0:
        s, t = (ab * bw - bb * aw) / det, (aa * bw - ab * aw) / det
        if 0.0 <= s <= 1.0 and 0.0 <= t <= 1.0:
            q = 0.0
            for k in range(3):
                q += (
                    low[c, k] + s * (high[c, k] - low[c, k]) - low[d, k] - t * (high[d, k] - low[d, k])
                ) ** 2
            best = min(best, np.sqrt(q))
    return best


@njit(cache=True)
def _cell_apart(sight, region, plates, pair, contact, low, high, apart):  # type: ignore[no-untyped-def]
    n = len(contact)
    for c in range(n):
        for d in range(c + 1, n):
            if pair[contact[c], contact[d]] == 0:
                continue
            s = np.float32(_cell_distance(low, high, c, d) * (1.0 - 1e-6))
            if s < FAR and not may_see(sight, region, plates, low[c], high[c], low[d], high[d], FEW):
                continue
            apart[c, d] = s
            apart[d, c] = s


def cut_cells(
    contacts: Contacts,
    sight: tuple[np.ndarray, ...],
    region: Ints,
    plates: tuple[np.ndarray, ...],
    pair: Ints,
) -> Cells:
    """Cut all contacts into cells and measure the cells against each other."""
    numbers = np.clip(np.ceil(contacts.length / CELL), 1, CELLS_MOST).astype(np.int64)
    first = np.concatenate(([0], np.cumsum(numbers)))
    contact = np.repeat(np.arange(len(contacts)), numbers)
    place = np.arange(len(contact)) - first[contact]
    step = contacts.length[contact] / numbers[contact]
    low = contacts.start[contact] + (place * step)[:, None] * contacts.way[contact]
    high = contacts.start[contact] + ((place + 1) * step)[:, None] * contacts.way[contact]
    apart = np.full((len(contact), len(contact)), np.inf, dtype=np.float32)
    _cell_apart(sight, region, plates, pair, contact, low, high, apart)
    return Cells(first, contact, low, high, apart)


@njit(cache=True)
def least_open(value, rows, count):  # type: ignore[no-untyped-def]
    """(least value, its place in ``rows``) among the open states rows[:count] of the flat array value.

    Plain selection: there are a few hundred to a few thousand states. Place -1 where all are infinite.
    """
    best, at = np.inf, -1
    for k in range(count):
        if value[rows[k]] < best:
            best, at = value[rows[k]], k
    return best, at


@njit(cache=True)
def states_of(cells):  # type: ignore[no-untyped-def]
    """Flat numbers of the states (cell, side) of some cells."""
    rows = np.empty(len(cells) * SIDES, np.int64)
    for k in range(len(cells)):
        for side in range(SIDES):
            rows[k * SIDES + side] = cells[k] * SIDES + side
    return rows


@njit(cache=True)
def cells_within(cells, a, limit):  # type: ignore[no-untyped-def]
    """Numbers of the cells no further from a point than the limit, as the crow flies."""
    low, high = cells[2], cells[3]
    found = np.empty(len(low), np.int64)
    count = 0
    for c in range(len(low)):
        if point_to_cell(a, low, high, c) <= limit:
            found[count] = c
            count += 1
    return found[:count]


@njit(cache=True, nogil=True)
def bound_from(  # type: ignore[no-untyped-def]
    sight, region, plates, cells, pair, near, a, a_lifted, a_mask, within, limit, ahead
):
    """Least chains of cells from an anchor: ahead[cell, side]; beyond the limit any value beyond it.

    Dijkstra over (cell, side from which the rope arrives); a rope that arrives at a contact from one
    side leaves it on the other. Only the cells ``within`` the limit can lie on a chain that short.
    """
    first, contact, low, high, apart = cells
    use = np.zeros(len(contact), np.bool_)
    ahead[:] = np.inf
    flat = ahead.reshape(-1)
    for c in within:
        use[c] = True
        mask = a_mask[contact[c]]
        if mask == 0 or not point_may_see(sight, region, plates, a, a_lifted, low[c], high[c], FEW):
            continue
        for side in range(SIDES):
            if mask & (1 << side):
                ahead[c, side] = point_to_cell(a, low, high, c)
    rows = states_of(within)
    count = len(rows)
    while True:
        best, k = least_open(flat, rows, count)
        if k < 0:
            break
        if best > limit:  # what is still open is no nearer
            break
        at, from_side = rows[k] // SIDES, rows[k] % SIDES
        count -= 1
        rows[k] = rows[count]
        e = contact[at]
        leave = 2 >> from_side  # bit of the other side
        for row in range(len(near[0])):
            f = near[e, row]
            if f < 0:
                break
            if pair[e, f] & leave == 0:
                continue
            arrive = pair[f, e]
            for d in range(first[f], first[f + 1]):
                s = best + apart[at, d]
                if s > limit or not use[d]:
                    continue
                for side in range(SIDES):
                    if arrive & (1 << side) and s < ahead[d, side]:
                        ahead[d, side] = s
    for c in within:  # a chain may slide along touching cells for nothing; the straight way may not
        s = point_to_cell(a, low, high, c)
        for side in range(SIDES):
            ahead[c, side] = max(ahead[c, side], s)
