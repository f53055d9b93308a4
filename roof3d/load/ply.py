"""PLY (Stanford polygon format), text and binary: vertices and polygonal faces; unit and up unstated."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NoReturn

import numpy as np

from roof3d.load.polygons import cut_faces
from roof3d.load.source import MAX_CORNERS, MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats
from roof3d.records import Ints

_TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
_CORNERS = ("vertex_indices", "vertex_index")
_MAX_ELEMENTS = 20


@dataclass
class _Property:
    name: str
    type: str
    count_type: str = ""  # of a list


@dataclass
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)


def read(source: Source) -> Soup:
    """Read all faces; raises ``InputError``."""
    order, elements, start = _header(source)
    columns: dict[str, Any] = {}
    rings: tuple[Ints, Ints] | None = None  # corners, counts
    reader = _text_rows(source, start) if not order else None
    offset = start
    for element in elements:
        if reader is not None:
            table = _read_text(source, element, reader)
        else:
            table, offset = _read_binary(source, element, offset, order)
        if element.name == "vertex":
            columns = table
        elif element.name == "face":
            rings = next((table[name] for name in _CORNERS if name in table), None)
    if not all(axis in columns and isinstance(columns[axis], np.ndarray) for axis in "xyz"):
        source.fail("header", "no element vertex with x, y and z", "element vertex with properties x, y, z")
    vertices = np.stack([as_floats(columns[axis]) for axis in "xyz"], axis=1)
    source.need_finite(vertices)
    if rings is None or not len(rings[1]):
        source.fail("header", f"{len(vertices)} points and no face", "faces (a point cloud is not a model)")
    corners, counts = rings
    if counts.min() < 3:
        face = int(np.argmin(counts))
        source.fail(f"face {face + 1}", f"{int(counts[face])} corners", "three or more")
    source.need_corners(counts)
    source.need_count(int(np.sum(counts - 2)), MAX_TRIANGLES, "", "triangles")
    if corners.min() < 0 or corners.max() >= len(vertices):
        wrong = int(np.argmax((corners < 0) | (corners >= len(vertices))))
        face = int(np.searchsorted(np.cumsum(counts), wrong, side="right"))
        source.fail(f"face {face + 1}", f"vertex index {int(corners[wrong])}", f"0 to {len(vertices) - 1}")
    cut = cut_faces(vertices, corners, counts)
    types = {
        one.name: one.type for element in elements if element.name == "vertex" for one in element.properties
    }
    single = order and any(types[axis] == "f4" for axis in "xyz")
    return Soup(
        vertices,
        cut.triangles,
        np.zeros(len(cut.triangles), dtype=np.int64),
        ("",),
        empty=cut.empty,
        warps=cut.warps,
        step=float(np.spacing(np.float32(np.abs(vertices).max()))) if single else 0.0,
        doubts=tuple(f"The outline of face {face + 1} crosses itself." for face in cut.crossed[:20]),
    )


def _header(source: Source) -> tuple[str, list[_Element], int]:
    """Byte order ("" for text), elements, and where the body starts."""
    data = source.data
    end = data.find(b"end_header")
    if not data.startswith(b"ply") or not 0 < end < 1 << 20:
        source.fail("header", "no PLY header", "a file that starts with ply and has an end_header")
    line_end = data.find(b"\n", end)
    if line_end < 0:
        source.fail("header", "a file cut off after its header", "a whole PLY file")
    order: str | None = None
    elements: list[_Element] = []
    for number, raw in enumerate(data[:end].decode("ascii", "replace").splitlines(), start=1):
        tokens = raw.split()
        place = f"line {number}"
        try:
            if not tokens or tokens[0] in ("ply", "comment", "obj_info"):
                continue
            if tokens[0] == "format":
                order = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}[tokens[1]]
            elif tokens[0] == "element":
                elements.append(_Element(tokens[1], int(tokens[2])))
                limit = MAX_TRIANGLES if tokens[1] == "face" else MAX_VERTICES
                source.need_count(elements[-1].count, limit, place, f"of {tokens[1][:40]}")
            elif tokens[0] == "property" and tokens[1] == "list":
                elements[-1].properties.append(_Property(tokens[4], _TYPES[tokens[3]], _TYPES[tokens[2]]))
            elif tokens[0] == "property":
                elements[-1].properties.append(_Property(tokens[2], _TYPES[tokens[1]]))
            else:
                raise KeyError
        except (KeyError, IndexError, ValueError):
            source.fail(place, repr(raw[:60]), "format, element, property or comment of PLY 1.0")
    if order is None or len(elements) > _MAX_ELEMENTS:
        source.fail(
            "header", "no format, or too many elements", f"a format and up to {_MAX_ELEMENTS} elements"
        )
    return order, elements, line_end + 1


def _text_rows(source: Source, start: int) -> Any:
    body = source.data[start:]
    if b"\0" in body[:4096] or b"_" in body:
        source.fail("", "binary data or marks in numbers", "PLY text, as the header says")
    first = source.data[:start].count(b"\n") + 1
    return (
        (number, line.split()) for number, line in enumerate(body.splitlines(), start=first) if line.strip()
    )


def _read_text(source: Source, element: _Element, rows: Any) -> dict[str, Any]:
    singles: dict[str, list[float]] = {one.name: [] for one in element.properties if not one.count_type}
    lists: dict[str, tuple[list[int], list[int]]] = {
        one.name: ([], []) for one in element.properties if one.count_type
    }
    for row in range(element.count):
        number, tokens = next(rows, (0, None))
        if tokens is None:
            source.fail("", f"{row} of {element.count} rows of {element.name}", "a whole PLY file")
        try:
            place = 0
            for one in element.properties:
                if one.count_type:
                    count = int(tokens[place])
                    values = tokens[place + 1 : place + 1 + count]
                    if count < 0 or len(values) != count:
                        raise IndexError
                    if one.name in _CORNERS:
                        lists[one.name][0].extend(int(token) for token in values)
                        lists[one.name][1].append(count)
                    place += 1 + count
                else:
                    singles[one.name].append(float(tokens[place]))
                    place += 1
        except (ValueError, IndexError):
            text = b" ".join(tokens).decode("utf-8", "replace")
            source.fail(f"line {number}", repr(text[:60]), f"a row of {element.name} as the header says")
    table: dict[str, Any] = {name: as_floats(values) for name, values in singles.items()}
    for name, (corners, counts) in lists.items():
        table[name] = (np.asarray(corners, dtype=np.int64), np.asarray(counts, dtype=np.int64))
    return table


def _read_binary(source: Source, element: _Element, offset: int, order: str) -> tuple[dict[str, Any], int]:
    """Columns of one element, and where the next one starts."""
    if not element.count or not element.properties:
        return {}, offset
    sizes = _list_sizes(source, element, offset, order)
    fields: list[Any] = []
    for number, one in enumerate(element.properties):
        if one.count_type:
            fields += [
                (f"c{number}", order + one.count_type),
                (f"v{number}", order + one.type, (sizes[number],)),
            ]
        else:
            fields.append((f"v{number}", order + one.type))
    dtype = np.dtype(fields)
    if offset + dtype.itemsize * element.count > len(source.data):
        if sizes:  # the first list may be longer than others
            return _read_uneven(source, element, offset, order)
        _cut_off(source, element)
    rows = np.frombuffer(source.data, dtype=dtype, count=element.count, offset=offset)
    if any((rows[f"c{number}"] != size).any() for number, size in sizes.items()):
        return _read_uneven(source, element, offset, order)
    table: dict[str, Any] = {}
    for number, one in enumerate(element.properties):
        values = rows[f"v{number}"]
        if not one.count_type:
            table[one.name] = values
        elif one.name in _CORNERS:
            counts = np.full(element.count, sizes[number], dtype=np.int64)
            table[one.name] = (values.astype(np.int64).ravel(), counts)
    return table, offset + dtype.itemsize * element.count


def _list_sizes(source: Source, element: _Element, offset: int, order: str) -> dict[int, int]:
    """Length of each list in the first row, by number of the property."""
    sizes: dict[int, int] = {}
    for number, one in enumerate(element.properties):
        if one.count_type:
            sizes[number], offset = _one(source, element, order + one.count_type, offset)
            source.need_count(sizes[number], MAX_CORNERS, f"element {element.name}", "values in a list")
            offset += sizes[number] * np.dtype(one.type).itemsize
        else:
            offset += np.dtype(one.type).itemsize
    return sizes


def _one(source: Source, element: _Element, dtype: str, offset: int) -> tuple[int, int]:
    size = np.dtype(dtype).itemsize
    if offset + size > len(source.data):
        _cut_off(source, element)
    return int(np.frombuffer(source.data, dtype=dtype, count=1, offset=offset)[0]), offset + size


def _read_uneven(source: Source, element: _Element, offset: int, order: str) -> tuple[dict[str, Any], int]:
    """Row by row, for lists of different lengths; single values beside the lists are passed over."""
    corners: dict[str, list[Any]] = {one.name: [] for one in element.properties if one.name in _CORNERS}
    for _ in range(element.count):
        for one in element.properties:
            dtype = np.dtype(order + one.type)
            count = 1
            if one.count_type:
                count, offset = _one(source, element, order + one.count_type, offset)
                source.need_count(count, MAX_CORNERS, f"element {element.name}", "values in a list")
            if offset + count * dtype.itemsize > len(source.data):
                _cut_off(source, element)
            if one.count_type and one.name in corners:
                corners[one.name].append(np.frombuffer(source.data, dtype=dtype, count=count, offset=offset))
            offset += count * dtype.itemsize
    table: dict[str, Any] = {
        name: (np.concatenate(rows).astype(np.int64), np.asarray([len(row) for row in rows], dtype=np.int64))
        for name, rows in corners.items()
        if rows
    }
    return table, offset


def _cut_off(source: Source, element: _Element) -> NoReturn:
    source.fail("", f"a file that ends inside {element.count} rows of {element.name}", "a whole PLY file")
