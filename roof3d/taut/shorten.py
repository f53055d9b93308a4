"""The shortest polyline over a given sequence of contacts, building ignored: a convex problem.

Minimise ``f(t) = sum_i |x_(i+1) - x_i|`` over ``0 <= t_i <= L_i`` with ``x_i = P_i + t_i U_i``, the
first and last point fixed. Each term is a norm of an affine function, so f is convex. Newton steps
on the tridiagonal Hessian with bounds held active and a halving line search; every length is
smoothed as ``sqrt(l^2 + SMOOTH^2)``, which is convex too and at most SMOOTH too long.

The answer carries its own proof: by convexity, for any t' within the bounds,
``f(t') >= f(t) + g . (t' - t) >= f(t) - sum_i max(g_i t_i, -g_i (L_i - t_i))`` with g the gradient
at t. That number, less the smoothing, is returned as the lower bound of the minimum, however well
or badly the iteration converged.
"""

from __future__ import annotations

import numpy as np
from numba import njit

MOST = 14  # contacts in a sequence
SMOOTH = 1e-6  # m
SWEEPS = 60
GOOD_ENOUGH = 1e-6  # m, gap between the value found and the proven bound

# columns of the memory of shorten: places, places tried, gradient and Hessian, step, unit runs and lengths
X, TRIAL, GRADIENT, DIAGONAL, UPPER, STEP, FRESH, HELD, RUN, LENGTH, COLUMNS = (
    0,
    3,
    6,
    7,
    8,
    9,
    10,
    11,
    12,
    15,
    16,
)


@njit(cache=True)
def one_contact(a, p, start, way, length):  # type: ignore[no-untyped-def]
    """Place t on one edge that makes a - x(t) - p shortest: unfolding about the edge (closed form)."""
    sa = sp = 0.0
    for i in range(3):
        sa += (a[i] - start[i]) * way[i]
        sp += (p[i] - start[i]) * way[i]
    da = dp = 0.0
    for i in range(3):
        da += (a[i] - start[i] - sa * way[i]) ** 2
        dp += (p[i] - start[i] - sp * way[i]) ** 2
    da, dp = np.sqrt(da), np.sqrt(dp)
    t = 0.5 * (sa + sp) if da + dp < 1e-12 else (sa * dp + sp * da) / (da + dp)
    return min(length, max(0.0, t))


@njit(cache=True)
def over_one(a, p, start, way, t):  # type: ignore[no-untyped-def]
    """Length of a - x(t) - p."""
    to = off = 0.0
    for c in range(3):
        x = start[c] + t * way[c]
        to += (x - a[c]) ** 2
        off += (p[c] - x) ** 2
    return np.sqrt(to) + np.sqrt(off)


@njit(cache=True)
def _value(a, p, room, at, k, smooth):  # type: ignore[no-untyped-def]
    """Smoothed length over the places in columns ``at`` to at + 2 of room."""
    total = 0.0
    for i in range(k + 1):
        s = smooth * smooth
        for c in range(3):
            left = a[c] if i == 0 else room[i - 1, at + c]
            right = p[c] if i == k else room[i, at + c]
            s += (right - left) ** 2
        total += np.sqrt(s)
    return total


@njit(cache=True)
def shorten(a, p, sequence, k, start, way, low, high, t, good=1e-9, cut=np.inf):  # type: ignore[no-untyped-def]
    """Shortest polyline a - contacts - p.

    ``sequence[:k]`` are contact numbers; ``t[:k]`` holds the first guess and receives the places.
    Returns (lower bound of the minimum, length of the polyline left in t), metres.
    """
    room = np.empty((MOST + 1, COLUMNS))  # one piece of memory: this runs millions of times
    for i in range(k):
        e = sequence[i]
        t[i] = min(high[i], max(low[i], t[i]))
        for c in range(3):
            room[i, X + c] = start[e, c] + t[i] * way[e, c]
    smooth = SMOOTH
    value = _value(a, p, room, X, k, smooth)
    gap = np.inf
    stalled = 0
    for _ in range(SWEEPS):
        for i in range(k + 1):
            s = smooth * smooth
            for c in range(3):
                left = a[c] if i == 0 else room[i - 1, X + c]
                right = p[c] if i == k else room[i, X + c]
                room[i, RUN + c] = right - left
                s += room[i, RUN + c] ** 2
            room[i, LENGTH] = np.sqrt(s)
            for c in range(3):
                room[i, RUN + c] /= room[i, LENGTH]
        gap = 0.0
        for i in range(k):
            e = sequence[i]
            before = way[e, 0] * room[i, RUN] + way[e, 1] * room[i, RUN + 1] + way[e, 2] * room[i, RUN + 2]
            after = (
                way[e, 0] * room[i + 1, RUN]
                + way[e, 1] * room[i + 1, RUN + 1]
                + way[e, 2] * room[i + 1, RUN + 2]
            )
            g = before - after
            room[i, GRADIENT] = g
            gap += max(g * (t[i] - low[i]), -g * (high[i] - t[i]))
            room[i, HELD] = (
                high[i] <= low[i] or (t[i] <= low[i] and g >= 0.0) or (t[i] >= high[i] and g <= 0.0)
            )
            room[i, DIAGONAL] = (
                (1.0 - before * before) / room[i, LENGTH] + (1.0 - after * after) / room[i + 1, LENGTH] + 1e-9
            )
            room[i, UPPER] = 0.0
            if i + 1 < k:
                f = sequence[i + 1]
                between = way[e, 0] * way[f, 0] + way[e, 1] * way[f, 1] + way[e, 2] * way[f, 2]
                on_f = (
                    way[f, 0] * room[i + 1, RUN]
                    + way[f, 1] * room[i + 1, RUN + 1]
                    + way[f, 2] * room[i + 1, RUN + 2]
                )
                room[i, UPPER] = -(between - after * on_f) / room[i + 1, LENGTH]
        if value - gap - (k + 1) * smooth >= cut:
            break
        if gap < good or (smooth > SMOOTH and gap < 0.1 * smooth):
            if smooth <= SMOOTH:
                break
            smooth = max(SMOOTH, 0.03 * smooth)
            value = _value(a, p, room, X, k, smooth)
            continue
        # Thomas solve of H step = -g on the free places
        previous = -1
        for i in range(k):
            room[i, STEP] = 0.0
            if room[i, HELD] != 0.0:
                previous = -1
                continue
            room[i, FRESH] = room[i, DIAGONAL]
            room[i, STEP] = -room[i, GRADIENT]
            if previous == i - 1 and previous >= 0:
                factor = room[i - 1, UPPER] / room[i - 1, FRESH]
                room[i, FRESH] -= factor * room[i - 1, UPPER]
                room[i, STEP] -= factor * room[i - 1, STEP]
            room[i, FRESH] = max(room[i, FRESH], 1e-9)
            previous = i
        for i in range(k - 1, -1, -1):
            if room[i, HELD] != 0.0:
                continue
            right = room[i + 1, STEP] if i + 1 < k and room[i + 1, HELD] == 0.0 else 0.0
            coupling = room[i, UPPER] if i + 1 < k and room[i + 1, HELD] == 0.0 else 0.0
            room[i, STEP] = (room[i, STEP] - coupling * right) / room[i, FRESH]
        scale = 1.0
        moved = False
        for _half in range(30):
            for i in range(k):
                e = sequence[i]
                place = min(high[i], max(low[i], t[i] + scale * room[i, STEP]))
                for c in range(3):
                    room[i, TRIAL + c] = start[e, c] + place * way[e, c]
            new = _value(a, p, room, TRIAL, k, smooth)
            if new < value - 1e-15 * value:
                for i in range(k):
                    e = sequence[i]
                    t[i] = min(high[i], max(low[i], t[i] + scale * room[i, STEP]))
                    for c in range(3):
                        room[i, X + c] = room[i, TRIAL + c]
                value = new
                moved = True
                break
            scale *= 0.5
        if not moved:
            # a place that the joint step cannot better may still gain alone (near kinks)
            for i in range(k):
                e = sequence[i]
                left = a if i == 0 else room[i - 1, X:TRIAL]
                right_point = p if i == k - 1 else room[i + 1, X:TRIAL]
                place = min(high[i], max(low[i], one_contact(left, right_point, start[e], way[e], high[i])))
                old = t[i]
                for c in range(3):
                    room[i, X + c] = start[e, c] + place * way[e, c]
                new = _value(a, p, room, X, k, smooth)
                if new < value - 1e-13:
                    value, t[i], moved = new, place, True
                else:
                    for c in range(3):
                        room[i, X + c] = start[e, c] + old * way[e, c]
            if not moved:
                if gap < GOOD_ENOUGH or stalled > 0:
                    if smooth <= SMOOTH:
                        break
                    smooth = max(SMOOTH, 0.03 * smooth)
                else:  # two places meet in a kink: blunt it, then sharpen it step by step
                    stalled = 1
                    smooth = 0.03
                value = _value(a, p, room, X, k, smooth)
    exact = 0.0
    for i in range(k + 1):
        s = 0.0
        for c in range(3):
            left_c = a[c] if i == 0 else room[i - 1, X + c]
            right_c = p[c] if i == k else room[i, X + c]
            s += (right_c - left_c) ** 2
        exact += np.sqrt(s)
    return value - gap - (k + 1) * smooth, exact
