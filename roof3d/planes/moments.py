"""Area-weighted plane fits from moments, additive over triangles."""

from __future__ import annotations

import numpy as np

from roof3d.records import Floats, Ints


def triangle_moments(corners: Floats, area: Floats, about: Floats) -> Floats:
    """Moments (m, 10) of triangles: area, first (3), second (6: xx yy zz xy yz zx), exact integrals."""
    one, two, three = (corners[:, k] - about for k in range(3))
    total = one + two + three
    weight = area / 12.0
    found = np.empty((10, len(area)))
    found[0] = area
    found[1:4] = (area / 3.0) * total.T
    for row, (p, q) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (1, 2), (2, 0)), 4):
        product = one[:, p] * one[:, q] + two[:, p] * two[:, q] + three[:, p] * three[:, q]
        found[row] = weight * (product + total[:, p] * total[:, q])
    return found.T


def sum_by(label: Ints, values: Floats, count: int) -> Floats:
    """Sums (count, k) of ``values`` (m, k) per label."""
    return np.column_stack([np.bincount(label, weights=column, minlength=count) for column in values.T])


def fit_planes(moments: Floats, about: Floats) -> tuple[Floats, Floats]:
    """Unit normals (k, 3), of arbitrary sign, and centroids (k, 3) of the best planes."""
    area = np.where(moments[:, 0] > 0, moments[:, 0], 1.0)
    mean = moments[:, 1:4] / area[:, None]
    xx, yy, zz, xy, yz, zx = (moments[:, 4:] / area[:, None]).T
    spread = np.empty((len(moments), 3, 3))
    spread[:, 0, 0] = xx - mean[:, 0] ** 2
    spread[:, 1, 1] = yy - mean[:, 1] ** 2
    spread[:, 2, 2] = zz - mean[:, 2] ** 2
    spread[:, 0, 1] = spread[:, 1, 0] = xy - mean[:, 0] * mean[:, 1]
    spread[:, 1, 2] = spread[:, 2, 1] = yz - mean[:, 1] * mean[:, 2]
    spread[:, 0, 2] = spread[:, 2, 0] = zx - mean[:, 2] * mean[:, 0]
    _, axes = np.linalg.eigh(spread)
    return axes[:, :, 0], mean + about
