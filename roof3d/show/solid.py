"""What the oblique view and the coloured model are made of: triangles and bars with colours."""

from __future__ import annotations

import numpy as np

from roof3d.records import Floats
from roof3d.show import render3d
from roof3d.show.canvas import dashes
from roof3d.show.cells import Patch, patterns, triangles_of
from roof3d.show.colours import (
    ANCHOR,
    EDGE_STYLES,
    GROUND,
    INNER,
    ROPE,
    SOFT_INK,
    WALL,
    EdgeStyle,
    Rgb,
)
from roof3d.show.marks import (
    ROPES,
    Traced,
    edge_order,
    pieces_of,
)
from roof3d.show.scene import Scene


def solid_of(scene: Scene, coloured: tuple[Patch, ...], traced: Traced, pixel: float) -> render3d.Solid:
    """Triangles and bars of the oblique view; ``pixel`` metres a base unit of the sheet."""
    triangles: list[Floats] = []
    colours: list[Floats] = []
    bars: list[tuple[Floats, Rgb, float]] = []

    def add(corners: Floats, colour: Floats) -> None:
        triangles.append(corners)
        colours.append(np.broadcast_to(colour, (len(corners), 3)))

    if len(scene.triangles):
        corners = scene.vertices[scene.triangles]
        earth = np.zeros(len(corners), dtype=bool)
        earth[list(scene.earth)] = True
        base = np.where(earth[:, None], np.asarray(GROUND), np.asarray(WALL)).astype(np.float64)
        add(corners, base * np.where(earth, 1.0, shade(corners))[:, None])
        bars += [(line, SOFT_INK, 0.9 * pixel) for line in creases(corners[~earth])]
    if scene.ground is not None:
        low, high = scene.bounds()
        pad = 0.22 * float(np.max(high - low)) + 1.0
        x0, y0, x1, y1 = low[0] - pad, low[1] - pad, high[0] + pad, high[1] + pad
        z = scene.ground - 0.02
        square = np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z], [x0, y1, z]])
        add(square[[[0, 1, 2], [0, 2, 3]]], np.asarray(GROUND, dtype=np.float64))
    for patch in coloured:
        add(triangles_of(patch, 0.005), np.asarray(patch.colour, dtype=np.float64))
        for colour, width, lines in patterns(patch, 15 * pixel):
            for flat in lines:
                bars.append((patch.plane.lift(flat) + 0.01 * patch.plane.normal, colour, width * pixel))
    for _, _, points in scene.inner:
        bars += [(piece, INNER, 1.5 * pixel) for piece in pieces_of(points)]
    for stretch in edge_order(scene):
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        lifted = np.array([stretch.start, stretch.end]) + np.array([0.0, 0.0, 0.02])
        for piece in dashes(lifted, tuple(d * pixel for d in style.dash)):
            bars += [(part, style.colour, style.width / 2 * pixel) for part in pieces_of(piece)]
        if style.mark:
            add(_teeth(lifted, stretch.outward, style, pixel), np.asarray(style.colour, dtype=np.float64))
    for stretch in scene.worst[:ROPES]:
        path = traced.get(stretch.number)
        if path is not None:
            for piece in dashes(path + np.array([0.0, 0.0, 0.03]), (5 * pixel, 7 * pixel)):
                bars += [(part, ROPE, 1.8 * pixel) for part in pieces_of(piece)]
    for mark in scene.anchors:
        bars += [(part, ANCHOR, 2.5 * pixel) for part in pieces_of(mark.lies)]
    return render3d.Solid(
        np.concatenate(triangles) if triangles else np.zeros((0, 3, 3)),
        np.round(np.concatenate(colours)).astype(np.int64) if colours else np.zeros((0, 3), dtype=np.int64),
        np.stack([bar[0] for bar in bars]) if bars else np.zeros((0, 2, 3)),
        np.array([bar[1] for bar in bars], dtype=np.int64).reshape(-1, 3),
        np.round([bar[2] for bar in bars], 6) if bars else np.zeros(0),
    )


def _teeth(ends: Floats, outward: Floats, style: EdgeStyle, pixel: float) -> Floats:
    """The marks of a state along an edge, level triangles on its outer side."""
    length = float(np.linalg.norm(ends[1] - ends[0]))
    if length < 1e-6:
        return np.zeros((0, 3, 3))
    along = (ends[1] - ends[0]) / length
    # a narrow tooth for bars, a wide one for the rest: told apart by shape, as in plan
    half, reach = {"tooth": (10.0, 24.0), "chevron": (16.0, 18.0), "bar": (3.0, 20.0), "dot": (5.0, 9.0)}[
        style.mark
    ]
    count = max(1, int(length // (style.mark_every * pixel)))
    feet = ends[0] + along * (length * (np.arange(count)[:, None] + 0.5) / count)
    tips = feet + np.append(outward, 0.0) * (reach * pixel)
    wing = along * half * pixel
    return np.stack([feet - wing, tips, feet + wing], axis=1)


def shade(corners: Floats) -> Floats:
    """Brightness (n,) of triangles under a fixed light, the same on both sides."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    unit = normal / np.where(length > 0, length, 1.0)
    light = np.array([0.38, 0.75, 0.54])
    brightness: Floats = 0.80 + 0.20 * np.abs(unit @ light)
    return brightness


def creases(corners: Floats, angle_deg: float = 25.0, most: int = 4000) -> list[Floats]:
    """Edges (2, 3) where triangles meet at an angle, or end; none at all where there are too many."""
    flat = np.round(corners.reshape(-1, 3), 4)
    points, index = np.unique(flat, axis=0, return_inverse=True)
    faces = index.reshape(-1, 3)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = normal / np.where(length > 0, length, 1.0)
    pairs = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    edges, which, counts = np.unique(pairs, axis=0, return_inverse=True, return_counts=True)
    order = np.argsort(which.ravel(), kind="stable")
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    sharp = counts != 2
    two = np.flatnonzero(counts == 2)
    first, second = owner[order[starts[two]]], owner[order[starts[two] + 1]]
    cosine = np.abs(np.einsum("ij,ij->i", normal[first], normal[second]))
    sharp[two] = cosine < np.cos(np.radians(angle_deg))
    chosen = points[edges[sharp]]
    return [] if len(chosen) > most else list(chosen)


def bar_triangles(bars: Floats, radius: float, sides: int = 6) -> Floats:
    """Straight bars (n, 2, 3) as closed prisms: triangles (k, 3, 3)."""
    along = bars[:, 1] - bars[:, 0]
    along = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    helper = np.where(np.abs(along[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    u = np.cross(along, helper)
    u = u / np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(along, u)
    angles = np.arange(sides) * 2 * np.pi / sides
    ring = radius * (np.cos(angles)[:, None, None] * u + np.sin(angles)[:, None, None] * v)  # (s, n, 3)
    a, b = bars[None, :, 0] + ring, bars[None, :, 1] + ring
    a2, b2 = np.roll(a, -1, axis=0), np.roll(b, -1, axis=0)
    start, end = np.broadcast_to(bars[:, 0], a.shape), np.broadcast_to(bars[:, 1], a.shape)
    faces = [(a, b, b2), (a, b2, a2), (start, a, a2), (end, b2, b)]
    # wound so that normals point outwards
    corners = np.concatenate([np.stack(face, axis=2).reshape(-1, 3, 3) for face in faces])
    return corners[:, ::-1]
