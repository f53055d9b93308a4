"""Places stood off the faces they touch, so that a rope that lies on a face is not blocked by it."""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.taut.sight import (
    ON_FACE,
    ON_SURFACE,
    SOLID,
    STAND_OFF,
    blocked,
    height_over,
    near_triangles,
    over_triangle,
)

LIFT_SPARE = 0.05  # share of the stand-off by which a lift may fall short of it
TOUCHED_MOST = 48  # triangles looked at about a place
FACING = -0.9999  # cosine from which two faces look at each other
PLACES = 9  # of a piece that are looked at for faces on both sides


@njit(cache=True)
def _ascend(ns, need, used, keep, spare, b):  # type: ignore[no-untyped-def]
    """The least b with n_i . b >= need_i for the faces to be kept (Hildreth); whether it clears them.

    ``spare``: by which it may fall short.
    """
    weight = np.zeros(used)
    b[0] = b[1] = b[2] = 0.0
    for _ in range(200):
        change = 0.0
        for j in range(used):
            if not keep[j]:
                continue
            step = need[j] - (ns[j, 0] * b[0] + ns[j, 1] * b[1] + ns[j, 2] * b[2])
            step = max(step, -weight[j])
            weight[j] += step
            for c in range(3):
                b[c] += step * ns[j, c]
            change = max(change, abs(step))
        if change < 1e-9:
            break
    for j in range(used):
        if keep[j] and ns[j, 0] * b[0] + ns[j, 1] * b[1] + ns[j, 2] * b[2] < need[j] - spare:
            return False
    return True


@njit(cache=True)
def _touched(sight, faced, p, off, ns, need):  # type: ignore[no-untyped-def]
    """Faces that p touches: normals to ns, what is lacking of ``off`` to need; (how many, one is a guess).

    Faces of unknown side count with the side that p lies on, or where it lies in them with the one that
    looks up.
    """
    faces = sight[0]
    found = np.empty(TOUCHED_MOST, np.int64)
    guess = False
    used = 0
    for k in found[: near_triangles(sight, p, 2.0 * STAND_OFF, found)]:
        if faced[k] < 0:
            continue
        sign = 1.0
        if faced[k] == 0:
            over = height_over(faces, k, p[0], p[1], p[2])
            if abs(over) > ON_SURFACE:
                sign = 1.0 if over > 0.0 else -1.0
            else:
                guess = True
                if faces[k, 2] < -1e-9 or (abs(faces[k, 2]) <= 1e-9 and faces[k, 0] + faces[k, 1] < 0):
                    sign = -1.0
        x, y, z = sign * faces[k, 0], sign * faces[k, 1], sign * faces[k, 2]
        gap = off - sign * height_over(faces, k, p[0], p[1], p[2])
        new = True
        for j in range(used):
            if ns[j, 0] * x + ns[j, 1] * y + ns[j, 2] * z > 0.9999999:
                new = False
                need[j] = max(need[j], gap)
                break
        if new:
            ns[used, 0], ns[used, 1], ns[used, 2] = x, y, z
            need[used] = gap
            used += 1
    return used, guess


@njit(cache=True)
def _stands_off(sight, p, off):  # type: ignore[no-untyped-def]
    """Whether a place is about ``off`` from all faces of the building (plugs do not count)."""
    faces = sight[0]
    found = np.empty(TOUCHED_MOST, np.int64)
    for k in found[: near_triangles(sight, p, 0.9 * off, found)]:  # noqa: SIM110 - as above
        if faces[k, SOLID] != 0.0:
            return False
    return True


@njit(cache=True)
def lift(sight, faced, p, out, off=STAND_OFF):  # type: ignore[no-untyped-def]
    """Move p off every face it touches: the least shift that clears each by ``off``.

    Hildreth's dual ascent on min |b|^2 with n_i . b >= off - (n_i . p - o_i). Where no shift clears all,
    faces that look at each other are left out if the place found without them is off them all the same
    (outlines that cross in a point). True is returned where the answer is a guess: a side was, or no such
    place was found; the shift is then capped.
    """
    ns, need = np.empty((TOUCHED_MOST, 3)), np.empty(TOUCHED_MOST)
    used, guess = _touched(sight, faced, p, off, ns, need)
    out[0], out[1], out[2] = p[0], p[1], p[2]
    if used == 0:
        return guess
    keep, b = np.ones(used, np.bool_), np.empty(3)
    clears = _ascend(ns, need, used, keep, LIFT_SPARE * off, b)
    if not clears:
        for i in range(used):
            for j in range(used):
                if ns[i, 0] * ns[j, 0] + ns[i, 1] * ns[j, 1] + ns[i, 2] * ns[j, 2] < FACING:
                    keep[i] = False
        if not keep.all():
            whole = b.copy()
            clears = _ascend(ns, need, used, keep, LIFT_SPARE * off, b)
            for c in range(3):
                out[c] = p[c] + b[c]
            clears = clears and _stands_off(sight, out, off)
            if not clears:
                b[:] = whole
    guess = guess or not clears
    size = np.sqrt(b[0] * b[0] + b[1] * b[1] + b[2] * b[2])
    scale = 1.0
    if size > 8.0 * STAND_OFF:
        scale = 8.0 * STAND_OFF / size
        guess = True
    for c in range(3):
        out[c] = p[c] + scale * b[c]
    return guess


@njit(cache=True)
def lift_apart(sight, faced, p, one, other):  # type: ignore[no-untyped-def]
    """Where two faces at p look at each other: places stood off without the one and without the other.

    False where there are none, or a rope could not change from the one place to the other.
    """
    ns, need = np.empty((TOUCHED_MOST, 3)), np.empty(TOUCHED_MOST)
    used, guess = _touched(sight, faced, p, STAND_OFF, ns, need)
    keep, b = np.ones(used, np.bool_), np.empty(3)
    for i in range(used):
        for j in range(i):
            if ns[i, 0] * ns[j, 0] + ns[i, 1] * ns[j, 1] + ns[i, 2] * ns[j, 2] >= FACING:
                continue
            keep[:] = True
            keep[i] = False
            good = _ascend(ns, need, used, keep, LIFT_SPARE * STAND_OFF, b)
            for c in range(3):
                one[c] = p[c] + b[c]
            keep[i], keep[j] = True, False
            good = good and _ascend(ns, need, used, keep, LIFT_SPARE * STAND_OFF, b)
            for c in range(3):
                other[c] = p[c] + b[c]
            good = good and _stands_off(sight, one, STAND_OFF) and _stands_off(sight, other, STAND_OFF)
            if good and not blocked(sight, one, other):
                return not guess
    return False


@njit(cache=True)
def squeezed(sight, faced, p, q):  # type: ignore[no-untyped-def]
    """Whether a place of the piece p-q lies between two faces that look at each other there."""
    faces = sight[0]
    found = np.empty(TOUCHED_MOST, np.int64)
    x = np.empty(3)
    for step in range(PLACES):
        for c in range(3):
            x[c] = p[c] + (step + 0.5) / PLACES * (q[c] - p[c])
        count = near_triangles(sight, x, STAND_OFF, found)
        for i in range(count):
            for j in range(i):
                k, m = found[i], found[j]
                if faced[k] < 1 or faced[m] < 1:
                    continue
                if (
                    faces[k, 0] * faces[m, 0] + faces[k, 1] * faces[m, 1] + faces[k, 2] * faces[m, 2]
                    >= FACING
                ):
                    continue
                apart = height_over(faces, k, x[0], x[1], x[2]) + height_over(faces, m, x[0], x[1], x[2])
                # a plate's own two faces look away from each other: x cannot be in front of both
                if apart >= -ON_FACE and over_triangle(faces, k, x, 0.0) and over_triangle(faces, m, x, 0.0):
                    return True
    return False


@njit(cache=True)
def lift_all(sight, faced, points):  # type: ignore[no-untyped-def]
    """``lift`` for points (n, 3): the places (n, 3), and which of them are guesses (n,)."""
    out = np.empty_like(points)
    guess = np.zeros(len(points), np.bool_)
    for i in range(len(points)):
        guess[i] = lift(sight, faced, points[i], out[i])
    return out, guess
