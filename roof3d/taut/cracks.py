"""Plugs over cracks: no rope passes between parts that are less than ``CRACK`` apart.

The mouth of a crack is always bounded by an edge of one part that lies near a face of another. From
each stretch of such an edge a strip is laid to that face; strips that fall inside the building or
along a face that is there already change nothing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numba import njit

from roof3d.records import Floats
from roof3d.taut.contacts import Contacts
from roof3d.taut.sight import Sight, height_over, near_triangles, over_triangle
from roof3d.taut.surfaces import Surfaces

CRACK = 0.010  # m
LEAN = 0.2  # sine of the angle between the two sides of a crack at most
TOUCHING = 0.0015  # m, nearer than this a face counts as the edge's own
STRETCH = 0.1  # m, edges are looked at in stretches of about this length ...
STEP = 0.01  # m, ... and plugged in steps of about this length


@njit(cache=True)
def _strips(sight, faced, start, way, length, n1, n2):  # type: ignore[no-untyped-def]
    """Strips (edge point, edge point, foot, foot) from edges to faces near them, as rows of 12."""
    faces = sight[0]
    rows = [np.zeros(12)]
    found = np.empty(64, np.int64)
    x, foot = np.empty((2, 3)), np.empty((2, 3))
    for e in range(len(length)):
        pieces = max(1, int(np.ceil(length[e] / STRETCH)))
        fine = int(np.ceil(length[e] / pieces / STEP))
        for i in range(pieces):
            middle = np.empty(3)
            for c in range(3):
                middle[c] = start[e, c] + length[e] * (i + 0.5) / pieces * way[e, c]
            half = 0.5 * length[e] / pieces
            for k in found[: near_triangles(sight, middle, CRACK + half, found)]:
                on1 = on2 = 0.0
                for c in range(3):
                    on1 += faces[k, c] * n1[e, c]
                    on2 += faces[k, c] * n2[e, c]
                own = faced[k] < 1 or on1 > 0.9 or on2 > 0.9
                lean = 0.0
                for c in range(3):
                    lean += faces[k, c] * way[e, c]
                if abs(lean) > LEAN:
                    continue  # the edge runs into the face: an inner corner
                for j in range(fine):
                    near = True
                    for end in range(2):
                        t = length[e] * (i + (j + end) / fine) / pieces
                        for c in range(3):
                            x[end, c] = start[e, c] + t * way[e, c]
                        s = height_over(faces, k, x[end, 0], x[end, 1], x[end, 2])
                        for c in range(3):
                            foot[end, c] = x[end, c] - s * faces[k, c]
                        near = near and TOUCHING * own <= abs(s) <= CRACK
                    # beyond the face there is no crack, but free air
                    if (
                        not near
                        or not over_triangle(faces, k, foot[0])
                        or not over_triangle(faces, k, foot[1])
                    ):
                        continue
                    row = np.empty(12)
                    for c in range(3):
                        row[c], row[3 + c], row[6 + c], row[9 + c] = x[0, c], x[1, c], foot[1, c], foot[0, c]
                    rows.append(row)
    return rows


def plug(surfaces: Surfaces, sight: Sight, contacts: Contacts) -> Surfaces:
    """The surfaces with strips over all cracks; the same object where there is none."""
    edges = slice(0, contacts.edge_count)
    rows = np.array(
        _strips(
            sight.arrays,
            sight.faced,
            contacts.start[edges],
            contacts.way[edges],
            contacts.length[edges],
            contacts.n1[edges],
            contacts.n2[edges],
        )[1:]
    )
    if not len(rows):
        return surfaces
    strips: Floats = np.unique(np.round(rows, 9), axis=0).reshape(-1, 4, 3)
    cross = np.cross(strips[:, 1] - strips[:, 0], strips[:, 3] - strips[:, 0])
    size = np.linalg.norm(cross, axis=1)
    strips, cross, size = strips[size > 1e-9], cross[size > 1e-9], size[size > 1e-9]
    if not len(strips):
        return surfaces
    normal = cross / size[:, None]
    region = len(surfaces.normals) + np.arange(len(strips))
    ends = np.roll(strips, -1, axis=1)
    inward = np.cross(normal[:, None, :], ends - strips)
    inward /= np.maximum(np.linalg.norm(inward, axis=2), 1e-300)[:, :, None]
    corners = np.concatenate((strips[:, [0, 1, 2]], strips[:, [0, 2, 3]]))
    return replace(
        surfaces,
        corners=np.concatenate((surfaces.corners, corners)),
        triangle_region=np.concatenate((surfaces.triangle_region, region, region)),
        normals=np.concatenate((surfaces.normals, normal)),
        offsets=np.concatenate((surfaces.offsets, np.einsum("ij,ij->i", normal, strips.mean(axis=1)))),
        oriented=np.concatenate((surfaces.oriented, np.zeros(len(strips), dtype=bool))),
        segment_a=np.concatenate((surfaces.segment_a, strips.reshape(-1, 3))),
        segment_b=np.concatenate((surfaces.segment_b, ends.reshape(-1, 3))),
        segment_inward=np.concatenate((surfaces.segment_inward, inward.reshape(-1, 3))),
        segment_region=np.concatenate((surfaces.segment_region, np.repeat(region, 4))),
    )
