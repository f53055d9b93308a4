"""Where walls rise from a line on a roof, and where they go down from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from roof3d.planes.outline import Frame
from roof3d.planes.segments import merge_intervals
from roof3d.records import Floats, Ints

NEAR = 0.05  # m, distance between a roof's edge and the wall that belongs to it
PROBE = 0.05  # m, height over (or under) the edge at which the wall must be there
SKEW = 0.15  # greatest sine of the angle between the edge and the wall
JOIN = 0.02  # m, gaps in a wall that are ignored (cracks; windows and doors are wider)


@dataclass(frozen=True, eq=False)
class Walls:
    """Steep planes in their own two coordinates (along, height)."""

    frames: tuple[Frame, ...]
    shapes: tuple[BaseGeometry, ...]
    tree: shapely.STRtree
    rows: Ints  # row of the plane that each wall is


def walls_of(frames: list[Frame], shapes: list[BaseGeometry], boxes: Floats, rows: list[int]) -> Walls:
    """Prepare walls; ``boxes`` (k, 4) are their plan extents x0 y0 x1 y1."""
    wide = [shape.buffer(0.01, join_style="mitre") for shape in shapes]
    for shape in wide:
        shapely.prepare(shape)
    boxes = boxes.reshape(-1, 4)
    tree = shapely.STRtree(
        shapely.box(boxes[:, 0] - NEAR, boxes[:, 1] - NEAR, boxes[:, 2] + NEAR, boxes[:, 3] + NEAR)
    )
    return Walls(tuple(frames), tuple(wide), tree, np.asarray(rows, dtype=np.int64))


def candidates(walls: Walls, start: Floats, end: Floats) -> list[list[int]]:
    """For each segment (n) the walls that run along it within ``NEAR``."""
    found: list[list[int]] = [[] for _ in start]
    if not walls.frames or len(start) == 0:
        return found
    low, high = np.minimum(start, end), np.maximum(start, end)
    first, second = walls.tree.query(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    normal = np.array([frame.normal for frame in walls.frames])
    offset = np.array([frame.offset for frame in walls.frames])
    bounds = shapely.bounds(np.array(walls.shapes, dtype=object))
    axis = end[first] - start[first]
    length = np.linalg.norm(axis, axis=1)
    good = length > 1e-9
    sine = np.abs(np.einsum("ij,ij->i", axis, normal[second])) / np.where(good, length, 1.0)
    one = np.einsum("ij,ij->i", start[first], normal[second]) - offset[second]
    two = np.einsum("ij,ij->i", end[first], normal[second]) - offset[second]
    close = np.where(one * two < 0, 0.0, np.minimum(np.abs(one), np.abs(two))) <= NEAR
    level = (bounds[second, 1] <= high[first, 2] + 2.0) & (bounds[second, 3] >= low[first, 2] - 2.0)
    keep = good & (sine <= SKEW) & close & level
    for i, j in zip(first[keep].tolist(), second[keep].tolist(), strict=True):
        found[i].append(j)
    return [sorted(row) for row in found]


def along(walls: Walls, near: list[int], start: Floats, end: Floats, lift: float) -> Floats:
    """Intervals (k, 2) in metres along one segment, moved up by ``lift``, at which a wall is there."""
    length = float(np.linalg.norm(end - start))
    intervals: list[tuple[float, float]] = []
    shift = np.array([0.0, 0.0, lift])
    for wall in near:
        frame, shape = walls.frames[wall], walls.shapes[wall]
        ends = np.vstack([start, end])
        away = ends @ frame.normal - frame.offset
        flat = frame.flat(ends + shift)
        axis = flat[1] - flat[0]
        size = float(axis @ axis)
        if size < 1e-12:
            continue
        hit = shapely.LineString(flat).intersection(shape)
        for part in shapely.get_parts(hit).tolist():
            if part.geom_type != "LineString" or part.is_empty:
                continue
            at = (np.asarray(part.coords) - flat[0]) @ axis / size
            low, high = float(at.min()), float(at.max())
            slope = float(away[1] - away[0])
            if abs(slope) > 1e-9:  # only where the wall is within reach of the edge
                near_ends = sorted(((-NEAR - away[0]) / slope, (NEAR - away[0]) / slope))
                low, high = max(low, float(near_ends[0])), min(high, float(near_ends[1]))
            elif abs(float(away[0])) > NEAR:
                continue
            if high > low:
                intervals.append((low * length, high * length))
    return merge_intervals(np.array(intervals, dtype=np.float64).reshape(-1, 2), JOIN)


def without(intervals: Floats, taken: Floats) -> Floats:
    """Disjoint intervals (k, 2) less others."""
    left: list[tuple[float, float]] = []
    for low, high in intervals.tolist():
        at = low
        for begin, finish in taken.tolist():
            if finish <= at or begin >= high:
                continue
            if begin > at:
                left.append((at, begin))
            at = max(at, finish)
        if at < high:
            left.append((at, high))
    return np.array(left, dtype=np.float64).reshape(-1, 2)


def total(intervals: Floats) -> float:
    """Summed length of disjoint intervals."""
    return float((intervals[:, 1] - intervals[:, 0]).sum()) if len(intervals) else 0.0
