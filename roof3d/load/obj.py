"""Wavefront OBJ: vertices and polygonal faces; materials, textures and normals are passed over.

Keywords after "Object Files (.obj)", appendix B1 of the Advanced Visualizer manual. The format says
nothing about unit or up axis. A material library is named in the notes and never opened.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from itertools import groupby, islice

import numpy as np

from roof3d.load.polygons import cut_faces
from roof3d.load.source import MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats, many
from roof3d.records import Ints

_PASSED_OVER = frozenset(
    b"vt vn vp cstype deg bmat step parm trim hole scrv sp end con s mg bevel c_interp d_interp lod usemap "
    b"maplib usemtl shadow_obj trace_obj ctech stech res bsp bzp cdc cdp".split()
)
_FREE_FORM = frozenset((b"curv", b"curv2", b"surf"))
_BATCH = 20_000  # lines of one kind that are split at once


def read(source: Source) -> Soup:
    """Read all faces; raises ``InputError`` with the line."""
    if b"\0" in source.data[:4096]:
        source.fail("", "binary data", "OBJ text")
    reader = _Reader(source)
    for kind, run in groupby(_lines(source.data.removeprefix(b"\xef\xbb\xbf")), key=lambda line: line[1][:2]):
        while batch := list(islice(run, _BATCH)):
            if (kind == b"v " and reader.many_vertices(batch)) or (
                kind == b"f " and reader.many_faces(batch)
            ):
                continue
            for number, line in batch:
                reader.line(number, line)
    return reader.soup()


class _Reader:
    """What has been read so far."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.coordinates = array("d")
        self.corners = array("q")
        self.counts = array("q")
        self.parts = array("q")
        self.numbers = array("q")  # line of each face
        self.part_ids: dict[bytes, int] = {}
        self.object_name = self.group_name = b""
        self.part = -1
        self.libraries: list[bytes] = []
        self.lines_and_points = self.free_forms = 0

    def many_vertices(self, batch: list[tuple[int, bytes]]) -> bool:
        """Take lines of plain vertices; False, and nothing taken, where one is not plain."""
        text = b" ".join([line for _, line in batch])
        tokens = text.split()
        count = len(batch)
        if len(tokens) != 4 * count or tokens[::4].count(b"v") != count or b"_" in text or b"#" in text:
            return False
        del tokens[::4]
        try:
            self.coordinates.extend(list(map(float, tokens)))
        except ValueError:
            return False
        return True

    def many_faces(self, batch: list[tuple[int, bytes]]) -> bool:
        """Take lines of plain triangles; False, and nothing taken, where one is not plain."""
        text = b" ".join([line for _, line in batch])
        tokens = text.split()
        count = len(batch)
        if len(tokens) != 4 * count or tokens[::4].count(b"f") != count or b"_" in text or b"#" in text:
            return False
        del tokens[::4]
        try:
            indices = (
                [int(token.partition(b"/")[0]) for token in tokens]
                if b"/" in text
                else list(map(int, tokens))
            )
        except ValueError:
            return False
        if min(indices) < 1 or max(indices) > 2**40:
            return False
        self.corners.extend((np.asarray(indices, dtype=np.int64) - 1).tolist())
        self.counts.extend([3] * count)
        self.parts.extend([self.current_part()] * count)
        self.numbers.extend([number for number, _ in batch])
        return True

    def current_part(self) -> int:
        if self.part < 0:
            key = b"/".join(name for name in (self.object_name, self.group_name) if name)
            self.part = self.part_ids.setdefault(key, len(self.part_ids))
        return self.part

    def line(self, number: int, line: bytes) -> None:
        """Take any line."""
        tokens = line.partition(b"#")[0].split()
        if not tokens:
            return
        word = tokens[0]
        place = f"line {number}"
        if word == b"v":
            self.vertex(place, line, tokens)
        elif word == b"f":
            self.face(number, line, tokens)
        elif word == b"o":
            self.object_name, self.part = b" ".join(tokens[1:]), -1
        elif word == b"g":
            self.group_name, self.part = b" ".join(tokens[1:]), -1
        elif word == b"mtllib":
            self.libraries += tokens[1:]
        elif word in (b"l", b"p"):
            self.lines_and_points += 1
        elif word in _FREE_FORM:
            self.free_forms += 1
        elif word in (b"call", b"csh"):
            self.source.fail(place, f"the command {_show(word)}", "geometry; commands are never run")
        elif word not in _PASSED_OVER:
            self.source.fail(place, _show(line), "OBJ keywords such as v, f, o, g")

    def vertex(self, place: str, line: bytes, tokens: list[bytes]) -> None:
        try:
            if b"_" in line:  # which Python takes for a digit mark
                raise ValueError
            self.coordinates.extend((float(tokens[1]), float(tokens[2]), float(tokens[3])))
        except (IndexError, ValueError):
            self.source.fail(place, _show(line), "v X Y Z with a point as decimal mark")

    def face(self, number: int, line: bytes, tokens: list[bytes]) -> None:
        place, vertices = f"line {number}", len(self.coordinates) // 3
        if len(tokens) < 4:
            self.source.fail(place, f"a face of {len(tokens) - 1} corners", "three or more")
        try:
            if b"_" in line:
                raise ValueError
            indices = [int(token.partition(b"/")[0]) for token in tokens[1:]]
        except ValueError:
            self.source.fail(place, _show(line), "f V V V, V/VT, V/VT/VN or V//VN")
        indices = [index + vertices if index < 0 else index - 1 if index > 0 else -1 for index in indices]
        if min(indices) < 0 or max(indices) > 2**40:
            self.source.fail(place, _show(line), f"vertex numbers 1 to {vertices} or -1 to -{vertices}")
        self.corners.extend(indices)
        self.counts.append(len(indices))
        self.parts.append(self.current_part())
        self.numbers.append(number)

    def soup(self) -> Soup:
        vertices = len(self.coordinates) // 3
        self.source.need_count(vertices, MAX_VERTICES, "", "vertices")
        if not self.counts:
            self.source.fail("", f"no face ({vertices} vertices)", "faces (lines that start with f)")
        corners = np.frombuffer(self.corners, dtype=np.int64)
        counts = np.frombuffer(self.counts, dtype=np.int64)
        self.source.need_corners(counts)
        self.source.need_count(int(np.sum(counts - 2)), MAX_TRIANGLES, "", "triangles")
        points = as_floats(np.frombuffer(self.coordinates, dtype=np.float64)).reshape(-1, 3)
        self.source.need_finite(points)
        if int(corners.max()) >= vertices:
            wrong = int(np.argmax(corners >= vertices))
            face = int(np.searchsorted(np.cumsum(counts), wrong, side="right"))
            self.source.fail(
                f"line {self.numbers[face]}", f"vertex {int(corners[wrong]) + 1}", f"1 to {vertices}"
            )
        cut = cut_faces(points, corners, counts)

        notes, doubts = [], []
        if self.libraries:
            names = ", ".join(_text(name) for name in self.libraries)
            notes.append(f"Materials ({names}) were not opened; they have no part in the check.")
        if self.lines_and_points:
            notes.append(f"Passed over {many(self.lines_and_points, 'line or point element')}.")
        if self.free_forms:
            doubts.append(
                f"Missing: {many(self.free_forms, 'free-form curve or surface')}, which cannot be read."
            )
        crossed = [self.numbers[int(face)] for face in cut.crossed[:20]]
        doubts += [f"The outline of the face in line {number} crosses itself." for number in crossed]
        part_of_face: Ints = np.frombuffer(self.parts, dtype=np.int64)
        return Soup(
            vertices=points,
            triangles=cut.triangles,
            parts=part_of_face[cut.face],
            names=tuple(_text(name) for name in self.part_ids),
            empty=cut.empty,
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
