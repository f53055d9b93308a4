"""OFF text (Geomview's object file format): vertices and polygons; unit and up axis are not stated."""

from __future__ import annotations

import numpy as np

from roof3d.load.polygons import cut_faces
from roof3d.load.source import MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats, many

_KINDS = {"OFF": 3, "COFF": 3, "NOFF": 3, "CNOFF": 3, "STOFF": 3}


def read(source: Source) -> Soup:
    """Read all polygons; raises ``InputError`` with the line."""
    lines = [
        (number, tokens)
        for number, line in enumerate(source.text().splitlines(), start=1)
        if (tokens := line.partition("#")[0].split())
    ]
    if not lines or lines[0][1][0] not in _KINDS:
        source.fail("line 1", repr(" ".join(lines[0][1]) if lines else "")[:60], "the word OFF")
    number, tokens = lines[0]
    body = lines[1:] if len(tokens) == 1 else [(number, tokens[1:]), *lines[1:]]
    if not body:
        source.fail("", "no counts", "OFF, then the numbers of vertices, faces and edges")
    number, tokens = body.pop(0)
    try:
        vertex_count, face_count = int(tokens[0]), int(tokens[1])
    except (ValueError, IndexError):
        source.fail(f"line {number}", repr(" ".join(tokens))[:60], "the numbers of vertices, faces and edges")
    source.need_count(vertex_count, MAX_VERTICES, f"line {number}", "vertices")
    source.need_count(face_count, MAX_TRIANGLES, f"line {number}", "faces")
    if vertex_count + face_count > len(body):
        source.fail(
            f"line {number}",
            f"{vertex_count} vertices and {face_count} faces in {len(body)} lines",
            "the whole file",
        )
    if not face_count:
        source.fail("", "no face", "faces")
    points: list[list[float]] = []
    for number, tokens in body[:vertex_count]:
        try:
            if len(tokens) < 3 or "_" in "".join(tokens):
                raise ValueError
            points.append([float(token) for token in tokens[:3]])
        except ValueError:
            source.fail(f"line {number}", repr(" ".join(tokens))[:60], "X Y Z")
    corners: list[int] = []
    counts: list[int] = []
    for number, tokens in body[vertex_count : vertex_count + face_count]:
        try:
            count = int(tokens[0])
            ring = [int(token) for token in tokens[1 : count + 1]]
            if count < 3 or len(ring) != count:
                raise ValueError
        except ValueError:
            source.fail(
                f"line {number}", repr(" ".join(tokens))[:60], "a number of corners (3 or more), then so many"
            )
        if min(ring) < 0 or max(ring) >= vertex_count:
            source.fail(
                f"line {number}", f"a vertex index out of range ({ring})"[:80], f"0 to {vertex_count - 1}"
            )
        corners += ring
        counts.append(count)
    vertices = as_floats(points).reshape(-1, 3)
    source.need_finite(vertices)
    source.need_corners(np.asarray(counts))
    source.need_count(len(corners) - 2 * len(counts), MAX_TRIANGLES, "", "triangles")
    cut = cut_faces(vertices, np.asarray(corners, dtype=np.int64), np.asarray(counts, dtype=np.int64))
    left_over = len(body) - vertex_count - face_count
    return Soup(
        vertices,
        cut.triangles,
        np.zeros(len(cut.triangles), dtype=np.int64),
        ("",),
        empty=cut.empty,
        warps=cut.warps,
        notes=(f"Passed over {many(left_over, 'line')} behind the last face.",) if left_over else (),
        doubts=tuple(f"The outline of face {face + 1} crosses itself." for face in cut.crossed[:20]),
    )
