"""What stands along the rims of exposed planes: walls that rise, walls that carry, other planes, nothing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from roof3d.planes import walls
from roof3d.planes.grow import components
from roof3d.planes.outline import Frame, pieces, straight_ring
from roof3d.planes.segments import merge_intervals, touching_segments
from roof3d.records import Floats, Ints

RIM = 0.5  # m, greatest thickness of a ground slab
STOREY = 1.8  # m, least height of a building over its ground
STAND = 0.30  # m, how far a wall's foot may float over the ground or stand in it


@dataclass(frozen=True, eq=False)
class Rims:
    """Per exposed plane (k): lengths in metres along its boundary, and its range of heights."""

    girth: Floats  # the whole boundary
    up: Floats  # walls rise from it
    down: Floats  # walls go down from it and do not rise (walls that pass do not carry)
    deep: NDArray[np.bool_]  # whether such walls go down more than RIM
    shore: Floats  # outer boundary that is not shared with another plane
    free: Floats  # the part of that at which there is no wall at all
    sheet: Ints  # planes that continue each other have one number
    low: Floats  # least height
    high: Floats


def _segments(frame: Frame, shape: BaseGeometry) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Start and end (n, 3) of each side, and whether it is on an outer ring."""
    start, end, outer = [np.zeros((0, 3))], [np.zeros((0, 3))], [np.zeros(0, dtype=bool)]
    for part in pieces(shape):
        for number, line in enumerate([part.exterior, *part.interiors]):
            space = frame.lift(straight_ring(np.asarray(line.coords)[:-1, :2]))
            start.append(space)
            end.append(np.roll(space, -1, axis=0))
            outer.append(np.full(len(space), number == 0))
    return np.vstack(start), np.vstack(end), np.concatenate(outer)


def measure_rims(frames: list[Frame], shapes: list[BaseGeometry], standing: walls.Walls) -> Rims:
    """Walk along the rims of exposed planes (plan ``shapes``) among the walls."""
    count = len(frames)
    sides = [_segments(frame, shape) for frame, shape in zip(frames, shapes, strict=True)]
    start = np.vstack([np.zeros((0, 3)), *[side[0] for side in sides]])
    end = np.vstack([np.zeros((0, 3)), *[side[1] for side in sides]])
    outer = np.concatenate([np.zeros(0, dtype=bool), *[side[2] for side in sides]])
    owner = np.repeat(np.arange(count), [len(side[0]) for side in sides])
    i, j, interval, _ = touching_segments(start, end, owner, walls.NEAR, walls.NEAR)
    shared: list[list[tuple[float, float]]] = [[] for _ in start]
    for one, (low, high) in zip(i.tolist(), interval.tolist(), strict=True):
        shared[one].append((low, high))
    near = walls.candidates(standing, start, end)
    girth, up, down, shore, free = (np.zeros(count) for _ in range(5))
    deep = np.zeros(count, dtype=bool)
    length = np.linalg.norm(end - start, axis=1)
    none = np.zeros((0, 2))
    for at in range(len(start)):
        row = owner[at]
        girth[row] += length[at]
        rising = passing = far = none
        if near[at]:
            side = standing, near[at], start[at], end[at]
            rising = walls.along(*side, walls.PROBE)
            passing = walls.along(*side, -walls.PROBE)
            far = walls.along(*side, -RIM)
        carrying = walls.without(passing, rising)
        up[row] += walls.total(rising)
        down[row] += walls.total(carrying)
        deep[row] |= walls.total(walls.without(far, rising)) > 0.1 * walls.total(carrying) > 0
        if outer[at]:
            met = merge_intervals(np.array(shared[at]).reshape(-1, 2), walls.JOIN)
            own = walls.without(np.array([[0.0, length[at]]]), met)
            shore[row] += walls.total(own)
            free[row] += walls.total(walls.without(walls.without(own, rising), passing))
    z = np.concatenate([start[:, 2], [np.inf]])
    starts = np.concatenate([[0], np.cumsum([len(side[0]) for side in sides])]).astype(np.int64)
    low = np.array([z[a:b].min(initial=np.inf) for a, b in pairwise(starts.tolist())])
    high = np.array([z[a:b].max(initial=-np.inf) for a, b in pairwise(starts.tolist())])
    sheet = components(count, owner[i], owner[j]) if count else np.zeros(0, dtype=np.int64)
    return Rims(girth, up, down, deep, shore, free, sheet, low, high)


def feet_inside(frames: list[Frame], shapes: list[BaseGeometry], standing: walls.Walls) -> Floats:
    """Metres (k,) of wall a storey high whose foot stands inside each plane's outline, at its height."""
    found = np.zeros(len(frames))
    feet = []
    for frame, shape in zip(standing.frames, standing.shapes, strict=True):
        west, low, east, high = shape.bounds
        if high - low >= STOREY:
            ends = frame.lift(np.array([[west, low], [east, low]]))
            feet.append((ends[:, :2], low, high))
    if not feet:
        return found
    lines = shapely.linestrings(np.array([ends for ends, _, _ in feet]))
    tree = shapely.STRtree(lines)
    for row, (frame, shape) in enumerate(zip(frames, shapes, strict=True)):
        plot = shapely.union_all(np.array([shapely.Polygon(part.exterior) for part in pieces(shape)]))
        plot = plot.buffer(0.02)
        for at in tree.query(plot, predicate="intersects").tolist():
            inside = lines[at].intersection(plot)
            if inside.length < 0.1:
                continue
            level = float(frame.lift(np.array([inside.centroid.coords[0]]))[0, 2])
            if feet[at][1] <= level + STAND and feet[at][2] >= level + STOREY:
                found[row] += inside.length
    return found
