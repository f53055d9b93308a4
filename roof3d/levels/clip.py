"""Triangles clipped against the upright prism over a swept footprint: the hot loop of levels.

A footprint is a rectangle in plan, given by its middle on the edge, the unit direction along the
edge, the unit direction outward, and its extent along and outward. Clipping is exact (double
precision), so a ledge of any width that reaches into the footprint is found.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints

SURFACE, STEEP, HIDDEN, RIM = 0, 1, 2, 3
"""Kinds of triangles: what one can land on; steep ones, along which a body slides; surfaces that
look down on a closed body, always topped by something higher; free rims of steep sheets."""


@njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def _cut(poly: Floats, count: int, axis: int, sign: float, bound: float, out: Floats) -> int:
    """Keep the part of a polygon (count, 3) with ``sign * coordinate <= sign * bound``."""
    kept = 0
    for i in range(count):
        j = i + 1 if i + 1 < count else 0
        here = sign * (poly[i, axis] - bound)
        there = sign * (poly[j, axis] - bound)
        if here <= 0.0:
            for k in range(3):
                out[kept, k] = poly[i, k]
            kept += 1
        if (here < 0.0 < there) or (there < 0.0 < here):
            t = here / (here - there)
            for k in range(3):
                out[kept, k] = poly[i, k] + t * (poly[j, k] - poly[i, k])
            out[kept, axis] = bound
            kept += 1
    return kept


@njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def sweep_footprints(
    corners: Floats,  # (t, 3, 3)
    kinds: Ints,  # (t,)
    owner: Ints,  # (t,) facet row, -1 unknown
    starts: Ints,  # (cells + 1,) triangles of each grid cell
    members: Ints,
    low_x: float,
    low_y: float,
    cell: float,
    columns: int,
    rows: int,
    middle: Floats,  # (n, 2)
    along: Floats,  # (n, 2) unit
    outward: Floats,  # (n, 2) unit
    half: Floats,  # (n,) half extent along
    near: Floats,  # (n,) extent outward, from
    far: Floats,  # (n,) to
    below: Floats,  # (n,) only what lies under this height is landed on
    band_low: Floats,  # (n,) what reaches into this band of heights is in the way
    band_high: Floats,
    own: Ints,  # (n,) facet row of the edge's own plane
    only_own: bool,  # only that facet counts, else all but that
) -> tuple[Floats, Ints, Ints]:
    """Highest surface under ``below`` and something in the band, for each footprint.

    Returns its height (-inf: nothing), its triangle (-1) and a triangle in the band (-1).
    """
    n = len(middle)
    top = np.full(n, -np.inf)
    which = np.full(n, -1, np.int64)
    block = np.full(n, -1, np.int64)
    poly = np.empty((12, 3))
    spare = np.empty((12, 3))
    for i in range(n):
        min_x, max_x, min_y, max_y = np.inf, -np.inf, np.inf, -np.inf
        for su in (-1.0, 1.0):
            for v in (near[i], far[i]):
                x = middle[i, 0] + su * half[i] * along[i, 0] + v * outward[i, 0]
                y = middle[i, 1] + su * half[i] * along[i, 1] + v * outward[i, 1]
                min_x, max_x = min(min_x, x), max(max_x, x)
                min_y, max_y = min(min_y, y), max(max_y, y)
        c0 = max(0, int(np.floor((min_x - low_x) / cell)))
        c1 = min(columns - 1, int(np.floor((max_x - low_x) / cell)))
        r0 = max(0, int(np.floor((min_y - low_y) / cell)))
        r1 = min(rows - 1, int(np.floor((max_y - low_y) / cell)))
        for row in range(r0, r1 + 1):
            for column in range(c0, c1 + 1):
                spot = row * columns + column
                for m in range(starts[spot], starts[spot + 1]):
                    t = members[m]
                    kind = kinds[t]
                    z0 = min(corners[t, 0, 2], corners[t, 1, 2], corners[t, 2, 2])
                    z1 = max(corners[t, 0, 2], corners[t, 1, 2], corners[t, 2, 2])
                    if (owner[t] >= 0 and owner[t] == own[i]) != only_own:
                        continue
                    lands = kind in (SURFACE, RIM) and z0 <= below[i]
                    lands = lands and min(z1, below[i]) >= top[i]
                    # a top far above the edge can be that of a body that the footprint lies inside of
                    ceiling = np.inf if kind == SURFACE else band_high[i]
                    blocks = block[i] < 0 and z1 >= band_low[i] and z0 <= ceiling
                    if not lands and not blocks:
                        continue
                    for k in range(3):
                        dx = corners[t, k, 0] - middle[i, 0]
                        dy = corners[t, k, 1] - middle[i, 1]
                        poly[k, 0] = dx * along[i, 0] + dy * along[i, 1]
                        poly[k, 1] = dx * outward[i, 0] + dy * outward[i, 1]
                        poly[k, 2] = corners[t, k, 2]
                    count = _cut(poly, 3, 0, 1.0, half[i], spare)
                    count = _cut(spare, count, 0, -1.0, -half[i], poly)
                    count = _cut(poly, count, 1, 1.0, far[i], spare)
                    count = _cut(spare, count, 1, -1.0, near[i], poly)
                    if count == 0:
                        continue
                    lowest, highest = np.inf, -np.inf
                    for k in range(count):
                        lowest = min(lowest, poly[k, 2])
                        highest = max(highest, poly[k, 2])
                    if blocks and highest >= band_low[i] and lowest <= ceiling:
                        block[i] = t
                    # the clipped piece is connected: it reaches every height from its lowest up
                    if lands and lowest <= below[i]:
                        height = min(highest, below[i])
                        if height > top[i] or (
                            height == top[i] and (which[i] < 0 or owner[t] < owner[which[i]])
                        ):
                            top[i] = height
                            which[i] = t
    return top, which, block
