"""STL, binary and text: single triangles with no shared corners; unit and up axis are not stated."""

from __future__ import annotations

import numpy as np

from roof3d.load.source import MAX_TRIANGLES, Soup, Source, as_floats
from roof3d.records import Floats

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 84  # bytes: 80 of text, and the count


def read(source: Source) -> Soup:
    """Read all facets; raises ``InputError``."""
    data = source.data
    count = int.from_bytes(data[80:84], "little") if len(data) >= _HEADER else -1
    if len(data) == _HEADER + count * _RECORD.itemsize:
        return _binary(source, count)
    head = data[:512].lstrip().lower()
    if not head.startswith(b"solid") or b"\0" in data[:512]:
        announced = f", {count} triangles announced" if count >= 0 else ""
        source.fail("", f"{len(data)} bytes{announced}", "84 + 50 bytes for each triangle, or STL text")
    return _text(source)


def _binary(source: Source, count: int) -> Soup:
    source.need_count(count, MAX_TRIANGLES, "header", "triangles")
    if count == 0:
        source.fail("", "no triangle", "triangles")
    corners = np.frombuffer(source.data, dtype=_RECORD, offset=_HEADER)["corners"].reshape(-1, 3)
    source.need_finite(as_floats(corners), "corner")
    return _soup(as_floats(corners), ("",), [count], float(np.spacing(np.abs(corners).max())))


def _text(source: Source) -> Soup:
    corners: list[tuple[float, float, float]] = []
    names: list[str] = []
    counts: list[int] = []
    in_loop = -1
    for number, line in enumerate(source.text().splitlines(), start=1):
        tokens = line.split()
        word = tokens[0].lower() if tokens else ""
        if word == "vertex":
            try:
                if "_" in line or len(tokens) != 4 or in_loop < 0:
                    raise ValueError
                corners.append((float(tokens[1]), float(tokens[2]), float(tokens[3])))
            except ValueError:
                source.fail(f"line {number}", repr(line.strip()[:60]), "vertex X Y Z inside a loop")
            in_loop += 1
        elif word == "outer":
            in_loop = 0
        elif word == "endloop":
            if in_loop != 3 or not counts:
                source.fail(
                    f"line {number}", f"a loop of {max(in_loop, 0)} corners", "three corners inside a solid"
                )
            counts[-1] += 1
            source.need_count(len(corners) // 3, MAX_TRIANGLES, f"line {number}", "triangles")
            in_loop = -1
        elif word == "solid":
            names.append(" ".join(tokens[1:]))
            counts.append(0)
        elif word not in ("", "facet", "endfacet", "endsolid"):
            source.fail(
                f"line {number}", repr(line.strip()[:60]), "solid, facet, outer loop, vertex and their ends"
            )
    if in_loop >= 0:
        source.fail("", "a text that ends inside a loop", "a whole STL file")
    if not corners:
        source.fail("", "no triangle", "triangles")
    points = as_floats(corners)
    source.need_finite(points, "corner")
    return _soup(points, tuple(names), counts, 0.0)


def _soup(corners: Floats, names: tuple[str, ...], counts: list[int], step: float) -> Soup:
    triangles = np.arange(len(corners), dtype=np.int64).reshape(-1, 3)
    return Soup(corners, triangles, np.repeat(np.arange(len(counts)), counts), names, step=step)
