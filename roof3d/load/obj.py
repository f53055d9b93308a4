"""Wavefront OBJ: vertices and polygonal faces; materials, textures and normals are passed over.

Keywords after "Object Files (.obj)", appendix B1 of the Advanced Visualizer manual. The format says
nothing about unit or up axis. A material library is named in the notes and never opened.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator

import numpy as np

from roof3d.load.polygons import cut_faces
from roof3d.load.source import MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats
from roof3d.records import Ints

_PASSED_OVER = frozenset(
    b"vt vn vp cstype deg bmat step parm trim hole scrv sp end con s mg bevel c_interp d_interp lod usemap "
    b"maplib usemtl shadow_obj trace_obj ctech stech res bsp bzp cdc cdp".split()
)
_FREE_FORM = frozenset((b"curv", b"curv2", b"surf"))


def read(source: Source) -> Soup:
    """Read all faces; raises ``InputError`` with the line."""
    if b"\0" in source.data[:4096]:
        source.fail("", "binary data", "OBJ text")
    coordinates = array("d")
    corners = array("q")
    counts = array("q")
    parts = array("q")
    lines_of_faces = array("q")
    part_ids: dict[bytes, int] = {}
    object_name = group_name = b""
    part = -1
    vertices = 0
    libraries: list[str] = []
    lines_and_points = free_forms = 0

    for number, line in _lines(source.data.removeprefix(b"\xef\xbb\xbf")):
        tokens = line.split()
        if not tokens or tokens[0].startswith(b"#"):
            continue
        word = tokens[0]
        try:
            if (word == b"v" or word == b"f") and b"_" in line:  # which Python takes for a digit mark
                raise ValueError
            if word == b"v":
                coordinates.extend((float(tokens[1]), float(tokens[2]), float(tokens[3])))
                vertices += 1
                continue
            if word == b"f":
                if part < 0:
                    key = b"/".join(name for name in (object_name, group_name) if name)
                    part = part_ids.setdefault(key, len(part_ids))
                count = 0
                for token in tokens[1:]:
                    if token.startswith(b"#"):
                        break
                    index = int(token.partition(b"/")[0])
                    if index < 0:
                        index += vertices
                        if index < 0:
                            raise IndexError
                    elif index == 0:
                        raise IndexError
                    else:
                        index -= 1
                    corners.append(index)
                    count += 1
                if count < 3:
                    source.fail(f"line {number}", f"a face of {count} corners", "three or more")
                counts.append(count)
                parts.append(part)
                lines_of_faces.append(number)
                continue
        except IndexError:
            found = _show(line)
            accepted = (
                "v X Y Z" if word == b"v" else "vertex numbers from 1 up, or from -1 down to the first vertex"
            )
            source.fail(f"line {number}", found, accepted)
        except ValueError:
            accepted = (
                "v X Y Z with a point as decimal mark"
                if word == b"v"
                else "f V V V, V/VT or V/VT/VN or V//VN"
            )
            source.fail(f"line {number}", _show(line), accepted)
        if word == b"o":
            object_name, part = b" ".join(tokens[1:]), -1
        elif word == b"g":
            group_name, part = b" ".join(tokens[1:]), -1
        elif word == b"mtllib":
            libraries += [_text(name) for name in tokens[1:]]
        elif word in (b"l", b"p"):
            lines_and_points += 1
        elif word in _FREE_FORM:
            free_forms += 1
        elif word in (b"call", b"csh"):
            source.fail(f"line {number}", f"the command {_show(word)}", "geometry; commands are never run")
        elif word not in _PASSED_OVER:
            source.fail(f"line {number}", _show(line), "OBJ keywords such as v, f, o, g")

    source.need_count(vertices, MAX_VERTICES, "", "vertices")
    if not counts:
        source.fail("", f"no face ({vertices} vertices)", "faces (lines that start with f)")
    flat = np.frombuffer(corners, dtype=np.int64)
    per_face = np.frombuffer(counts, dtype=np.int64)
    source.need_count(int(np.sum(per_face - 2)), MAX_TRIANGLES, "", "triangles")
    points = as_floats(np.frombuffer(coordinates, dtype=np.float64)).reshape(-1, 3)
    source.need_finite(points)
    if int(flat.max()) >= vertices:
        face = int(np.searchsorted(np.cumsum(per_face), int(np.argmax(flat >= vertices)), side="right"))
        source.fail(f"line {lines_of_faces[face]}", f"vertex {int(flat.max()) + 1}", f"1 to {vertices}")
    cut = cut_faces(points, flat, per_face)

    notes = []
    if libraries:
        notes.append(f"Materials ({', '.join(libraries)}) were not opened; they have no part in the check.")
    if lines_and_points:
        notes.append(f"{lines_and_points} line and point elements were passed over.")
    doubts = []
    if free_forms:
        doubts.append(f"{free_forms} free-form curves or surfaces cannot be read and are missing.")
    doubts += [
        f"The outline of the face in line {lines_of_faces[int(face)]} crosses itself."
        for face in cut.crossed[:20]
    ]
    part_of_face: Ints = np.frombuffer(parts, dtype=np.int64)
    return Soup(
        vertices=points,
        triangles=cut.triangles,
        parts=part_of_face[cut.face],
        names=tuple(_text(name) for name in part_ids),
        faces=len(per_face),
        warps=cut.warps,
        notes=tuple(notes),
        doubts=tuple(doubts),
    )


def _lines(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Numbered lines; one that ends in a backslash goes on in the next."""
    lines = enumerate(data.splitlines(), start=1)
    if b"\\\n" not in data and b"\\\r" not in data:
        return lines
    return _joined(lines)


def _joined(lines: Iterator[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
    head: list[bytes] = []
    first = 0
    for number, line in lines:
        first = first if head else number
        if line.endswith(b"\\"):
            head.append(line[:-1])
        else:
            yield first, b" ".join([*head, line])
            head = []
    if head:
        yield first, b" ".join(head)


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "replace")


def _show(raw: bytes) -> str:
    text = _text(raw).strip()
    return repr(text if len(text) <= 60 else text[:57] + "...")
