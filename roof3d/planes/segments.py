"""Line segments that run along each other in space, whether or not they share vertices."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from roof3d.records import Floats, Ints


def touching_segments(
    start: Floats,
    end: Floats,
    owner: Ints,
    tolerance: float,
    shortest: float,
    other: tuple[Floats, Floats, Ints] | None = None,
) -> tuple[Ints, Ints, Floats, Floats]:
    """Pairs of segments of different owners that overlap sideways within ``tolerance``.

    Parameters are ``start`` and ``end`` (n, 3) in metres, ``owner`` (n,), and optionally a second
    set ``other`` to compare with. Returns ``first`` and ``second`` (k,) rows, the interval (k, 2)
    of overlap along the first segment in metres from its start, and the greatest gap (k,) between
    the two lines over the overlap. Overlaps shorter than ``shortest`` are left out.
    """
    start2, end2, owner2 = (start, end, owner) if other is None else other
    if len(start) == 0 or len(start2) == 0:
        none = np.zeros(0, dtype=np.int64)
        return none, none, np.zeros((0, 2)), np.zeros(0)
    low, high = np.minimum(start, end) - tolerance, np.maximum(start, end) + tolerance
    low2, high2 = np.minimum(start2, end2), np.maximum(start2, end2)
    tree = shapely.STRtree(shapely.box(low2[:, 0], low2[:, 1], high2[:, 0], high2[:, 1]))
    first, second = tree.query(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    near = (owner[first] != owner2[second]) & (low[first, 2] <= high2[second, 2])
    near &= high[first, 2] >= low2[second, 2]
    first, second = first[near], second[near]

    axis = end[first] - start[first]
    length = np.linalg.norm(axis, axis=1)
    good = length > 1e-9
    first, second, axis, length = first[good], second[good], axis[good], length[good]
    axis = axis / length[:, None]
    one = start2[second] - start[first]
    two = end2[second] - start[first]
    at_one = np.einsum("ij,ij->i", one, axis)
    at_two = np.einsum("ij,ij->i", two, axis)
    side_one = one - at_one[:, None] * axis
    side_two = two - at_two[:, None] * axis
    begin = np.clip(np.minimum(at_one, at_two), 0.0, length)
    finish = np.clip(np.maximum(at_one, at_two), 0.0, length)
    overlap = finish - begin
    # The sideways gap is linear along the overlap: its greatest value lies at one of the two ends.
    span = at_two - at_one
    steep = np.abs(span) < 1e-9
    span = np.where(steep, 1.0, span)
    gap = np.maximum(
        np.linalg.norm(side_one + ((begin - at_one) / span)[:, None] * (side_two - side_one), axis=1),
        np.linalg.norm(side_one + ((finish - at_one) / span)[:, None] * (side_two - side_one), axis=1),
    )
    keep = (overlap >= np.minimum(shortest, 0.5 * length)) & (overlap > 1e-6) & (gap <= tolerance) & ~steep
    interval = np.column_stack([begin, finish])[keep]
    return first[keep], second[keep], interval, gap[keep]


def merge_intervals(intervals: Floats, join: float) -> Floats:
    """Union of intervals (n, 2); gaps up to ``join`` are closed. Returns (k, 2), sorted."""
    if len(intervals) == 0:
        return np.zeros((0, 2))
    ordered = intervals[np.argsort(intervals[:, 0], kind="stable")]
    reach = np.maximum.accumulate(ordered[:, 1])
    fresh: NDArray[np.bool_] = np.ones(len(ordered), dtype=bool)
    fresh[1:] = ordered[1:, 0] > reach[:-1] + join
    first = np.flatnonzero(fresh)
    last = np.append(first[1:], len(ordered)) - 1
    return np.column_stack([ordered[first, 0], reach[last]])
