"""Random buildings and awkward places about them, for trying the taut length on what nobody thought of."""

from __future__ import annotations

import numpy as np

from roof3d.records import Floats, Mesh
from tests.bodies import box, welded
from tests.taut_kit import Solid, convex_edges, prism, strewn

Triangles = list[Floats]


def _roof(
    rng: np.random.Generator, width: float, eave: float, out: float, thick: float
) -> list[tuple[float, float]]:
    """Profile of a house drawn along y: gable, mono-pitch, flat or valley roof, perhaps with eaves."""
    kind = rng.choice(["gable", "gable", "skew", "shed", "flat", "dip"])
    slope = rng.uniform(0.15, 1.1)
    ridge = {"gable": 0.5, "skew": rng.uniform(0.2, 0.8), "shed": 1.0, "flat": 0.5, "dip": 0.5}[
        str(kind)
    ] * width
    rise = {"flat": 0.0, "dip": -min(slope * ridge, 0.6 * eave)}.get(str(kind), slope * ridge)
    if out == 0.0 or kind in ("flat", "dip"):
        middle = [] if kind in ("shed", "flat") else [(ridge, eave + rise)]
        east = eave + rise if kind == "shed" else eave
        return [(0, 0), (width, 0), (width, east), *middle, (0, eave)]
    west_slope = rise / ridge
    if kind == "shed":
        high, low = eave + west_slope * (width + out), eave - west_slope * out
        return [
            (0, 0), (width, 0), (width, eave + west_slope * width - thick), (width + out, high - thick),
            (width + out, high), (-out, low), (-out, low - thick), (0, eave - thick),
        ]  # fmt: skip
    east_slope = rise / (width - ridge)
    west, east = eave - west_slope * out, eave - east_slope * out
    return [
        (0, 0), (width, 0), (width, eave - thick), (width + out, east - thick), (width + out, east),
        (ridge, eave + rise), (-out, west), (-out, west - thick), (0, eave - thick),
    ]  # fmt: skip


def _turned(triangles: Triangles, quarter: bool, x: float, y: float) -> Triangles:
    """A quarter turn about z or none, then to (x, y)."""
    turn = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]]) if quarter else np.eye(3)
    return [t @ turn.T + [x, y, 0.0] for t in triangles]


def _house(rng: np.random.Generator) -> tuple[Triangles, float, float]:
    """One house with what stands on it: (faces, its size in x, its size in y)."""
    width, depth, eave = rng.uniform(4, 9), rng.uniform(4, 11), rng.uniform(2.2, 5)
    out = float(rng.choice([0.0, 0.0, rng.uniform(0.1, 0.9)]))
    profile = _roof(rng, width, eave, out, rng.uniform(0.08, 0.3))
    faces = prism(profile, 0.0, depth)
    top = max(z for _, z in profile)
    if rng.random() < 0.5:  # a wing across
        w, d = rng.uniform(2.5, max(2.6, depth - 1)), rng.uniform(2, 6)
        wing = _roof(rng, w, eave * rng.uniform(0.6, 1.0), float(rng.choice([0.0, out])), 0.15)
        start = rng.uniform(0.2, max(0.3, depth - w - 0.2)) + w
        faces += _turned(prism(wing, -width / 2, d), True, width, start - w)
    for _ in range(int(rng.integers(0, 3))):  # chimneys, and dormers as small houses
        x, y = rng.uniform(0.3, width - 1.2), rng.uniform(0.3, depth - 1.2)
        high = float(np.interp(x + 0.3, *_upper(profile)))
        if rng.random() < 0.5:
            faces += box(
                x,
                x + rng.uniform(0.3, 0.9),
                y,
                y + rng.uniform(0.3, 0.9),
                high - 1.2,
                high + rng.uniform(0.5, 2),
            )
        else:
            w = rng.uniform(0.9, 1.8)
            small = _roof(rng, w, high + rng.uniform(0.3, 0.9), 0.0, 0.1)
            small = [(a, max(b, high - 1.5)) for a, b in small]
            faces += _turned(prism(small, 0.0, rng.uniform(1.0, 2.5)), bool(rng.random() < 0.5), x, y)
    if rng.random() < 0.25:  # a block against it, sometimes flush with a wall
        w, d = rng.uniform(1.5, 4), rng.uniform(1.5, min(4, depth))
        y = float(rng.choice([0.0, rng.uniform(0, depth - d)]))
        faces += box(
            -w, float(rng.choice([0.0, 0.4])), y, y + d, 0.0, float(rng.choice([eave, rng.uniform(1.5, top)]))
        )
    return faces, width, depth


def _upper(profile: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
    """Upper side of a profile as x and z, rising in x."""
    points = sorted((p for p in profile if p[1] > 0.0), key=lambda p: (p[0], p[1]))
    best = dict(points)
    return list(best), list(best.values())


def random_body(seed: int) -> Mesh:
    """One to three houses that may overlap, touch, or stand apart, turned anyhow."""
    rng = np.random.default_rng([seed, 7])
    faces, width, depth = _house(rng)
    for _ in range(int(rng.choice([0, 0, 1, 2]))):
        other, w, _ = _house(rng)
        gap = float(rng.choice([0.0, rng.uniform(0.02, 0.2), rng.uniform(0.5, 4)]))
        x, y = (
            (width + gap, rng.uniform(-2, depth))
            if rng.random() < 0.7
            else (rng.uniform(-2, width), depth + gap)
        )
        faces += _turned(other, False, x, y)
        width = max(width, x + w)
    if rng.random() < 0.6:
        angle = rng.uniform(0, 2 * np.pi)
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
        faces = [t @ turn.T for t in faces]
    return welded(faces)


def awkward(mesh: Mesh, count: int, seed: int) -> Floats:
    """Places outside a body: at its edges and corners, on its faces, under its eaves, on the ground."""
    rng = np.random.default_rng([seed, 11])
    solid = Solid.of(mesh)
    start, stop, _ = convex_edges(mesh)
    low = float(mesh.vertices[:, 2].min())
    box_low, box_high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    out: list[Floats] = []
    for _ in range(200 * count):
        kind = rng.integers(0, 10)
        if kind <= 3:  # about an edge, or near its end
            e = rng.integers(len(start))
            length = np.linalg.norm(stop[e] - start[e])
            t = rng.uniform() if kind <= 2 else np.exp(rng.uniform(np.log(5e-4), np.log(0.05))) / length
            t = 1 - t if rng.random() < 0.5 else t
            away = rng.normal(size=3)
            size = np.exp(rng.uniform(np.log(2e-4), np.log(0.03)))
            p = start[e] + t * (stop[e] - start[e]) + size * away / np.linalg.norm(away)
        elif kind == 4:  # on an edge itself
            e = rng.integers(len(start))
            p = start[e] + rng.uniform() * (stop[e] - start[e])
        elif kind == 5:  # at a corner
            p = mesh.vertices[rng.integers(len(mesh.vertices))] + rng.normal(size=3) * 0.003
        elif kind == 6:  # level with an edge and a little behind or under it
            e = rng.integers(len(start))
            p = start[e] + rng.uniform() * (stop[e] - start[e])
            p = p + 0.3 * np.array([*rng.normal(size=2), -abs(rng.normal())])
        elif kind == 7:  # on the ground
            p = np.array([*rng.uniform(box_low[:2] - 2, box_high[:2] + 2), low + rng.uniform(0.05, 1.5)])
        else:
            near = (1e-5, 2e-5) if kind == 8 else (0.02, 1.5)
            p = strewn(mesh, 1, int(rng.integers(2**31)), *near)[0]
        if p[2] > low + 0.04 and not solid.holds(p[None])[0] and solid._distance(p) > 5e-6:
            out.append(p)
            if len(out) == count:
                return np.array(out)
    return np.array(out)


def off_edges(mesh: Mesh, points: Floats) -> Floats:
    """Distances of points (n, 3) from the nearest edge of any triangle, metres."""
    corner = mesh.vertices[mesh.triangles]
    start, along = corner.reshape(-1, 3), (np.roll(corner, -1, axis=1) - corner).reshape(-1, 3)
    size = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    away = points[:, None] - start
    t = np.clip(np.einsum("nij,ij->ni", away, along) / size, 0, 1)
    out: Floats = np.linalg.norm(away - t[..., None] * along, axis=2).min(axis=1)
    return out
