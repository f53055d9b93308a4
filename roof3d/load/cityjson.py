"""CityJSON and CityJSON text sequences: every surface of the highest level of detail of each object.

After CityJSON 2.0 (OGC 20-072r5), sections 3 (geometry) and 4 (transform); 1.0 and 1.1 read the same.
What a surface means (roof, wall) is not taken from the file. z is up; the unit is that of the
reference system, which is known here for some that are in metres and else assumed to be metres.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from roof3d.load.polygons import Cut, cut_faces, cut_polygon
from roof3d.load.source import MAX_CORNERS, MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats, many
from roof3d.records import Floats, Ints

# lists around a surface, by type of geometry
_DEPTH = {"MultiSurface": 0, "CompositeSurface": 0, "Solid": 1, "MultiSolid": 2, "CompositeSolid": 2}
# reference systems known to be in metres on all axes (EPSG registry, from memory); UTM besides
_METRES = {
    2056,
    5555,
    5556,
    5972,
    6697,
    7415,
    7423,
    28992,
    31254,
    31255,
    31256,
    31257,
    31258,
    31259,
    31370,
    21781,
}


def read(source: Source) -> Soup:
    """Read all city objects; raises ``InputError`` with the object's id."""
    reader = _Reader(source)
    for place, document in _documents(source):
        reader.add(document, place)
    return reader.soup()


def _documents(source: Source) -> list[tuple[str, Any]]:
    """The one document, or the header and features of a sequence."""
    text = source.text()
    lines = [line for line in text.splitlines() if line.strip()]
    if source.path.name.lower().endswith(".jsonl"):
        return [
            (f"line {number}", source.json(line, f"line {number}"))
            for number, line in enumerate(lines, start=1)
        ]
    return [("", source.json(text))]


class _Reader:
    def __init__(self, source: Source) -> None:
        self.source = source
        self.scale, self.shift = np.ones(3), np.zeros(3)
        self.system = ""
        self.version_seen = False
        self.vertices: list[Floats] = []
        self.offset = 0
        self.cuts: list[tuple[Cut, int, int]] = []  # cut, first vertex, part
        self.names: list[str] = []
        self.surfaces = 0
        self.instances = self.flat_footprints = 0
        self.repeated = 0
        self.crossed: list[str] = []
        self.triangles = 0

    def add(self, document: Any, place: str) -> None:
        """One document or feature."""
        if not isinstance(document, dict) or document.get("type") not in ("CityJSON", "CityJSONFeature"):
            self.source.fail(place, "no CityJSON", 'an object of type "CityJSON" (or "CityJSONFeature")')
        if document["type"] == "CityJSON":
            version = str(document.get("version", ""))
            if not version.startswith(("1.", "2.")):
                self.source.fail(place or "version", repr(version)[:40], "1.0, 1.1 or 2.0")
            self.version_seen = True
            self.read_header(document, place)
        elif not self.version_seen:
            self.source.fail(place, "a feature before any header", "a CityJSON object in the first line")
        vertices = self.read_vertices(document.get("vertices", []), f"{place} vertices".strip())
        objects = document.get("CityObjects", {})
        if not isinstance(objects, dict):
            self.source.fail(f"{place} CityObjects".strip(), type(objects).__name__, "an object")
        chosen = {name: self.choose(name, one) for name, one in objects.items()}
        solid = any(lod >= 1 for geometries in chosen.values() for lod, _ in geometries)
        same = _first_equal(vertices)
        for name, geometries in chosen.items():
            had: set[frozenset[tuple[int, ...]]] = set()  # surfaces of this object, by their corners
            kind = str(objects[name].get("type", ""))
            for lod, geometry in geometries:
                if solid and lod < 1 and kind.startswith("Building"):
                    self.flat_footprints += 1
                    continue
                self.add_geometry(name, geometry, vertices, same, had)
        self.vertices.append(vertices)
        self.offset += len(vertices)

    def read_header(self, document: dict[str, Any], place: str) -> None:
        transform = document.get("transform")
        if transform is not None:
            for key in ("scale", "translate"):
                value = transform.get(key) if isinstance(transform, dict) else None
                if not isinstance(value, list) or len(value) != 3 or not all(_is_number(x) for x in value):
                    self.source.fail(f"{place} transform.{key}".strip(), repr(value)[:60], "three numbers")
            self.scale, self.shift = as_floats(transform["scale"]), as_floats(transform["translate"])
        metadata = document.get("metadata")
        if isinstance(metadata, dict):
            self.system = str(metadata.get("referenceSystem", "") or self.system)

    def read_vertices(self, rows: Any, place: str) -> Floats:
        if not isinstance(rows, list):
            self.source.fail(place, type(rows).__name__, "a list")
        self.source.need_count(self.offset + len(rows), MAX_VERTICES, place, "vertices")
        for number, row in enumerate(rows):
            if not isinstance(row, list) or len(row) != 3 or not all(_is_number(x) for x in row):
                self.source.fail(f"{place}[{number}]", repr(row)[:60], "three numbers")
        vertices = as_floats(rows).reshape(-1, 3) * self.scale + self.shift
        self.source.need_finite(vertices, place)
        return vertices

    def choose(self, name: str, one: Any) -> list[tuple[float, dict[str, Any]]]:
        """Geometries of the highest level of detail of one object."""
        if not isinstance(one, dict):
            self.source.fail(f"CityObjects {name[:60]}", type(one).__name__, "an object")
        geometries = one.get("geometry", [])
        if not isinstance(geometries, list) or not all(isinstance(each, dict) for each in geometries):
            self.source.fail(
                f"CityObjects {name[:60]} geometry", "no list of objects", "a list of geometries"
            )
        found: list[tuple[float, dict[str, Any]]] = []
        for geometry in geometries:
            if geometry.get("type") == "GeometryInstance":
                self.instances += 1
            elif geometry.get("type") in _DEPTH:
                try:
                    found.append((float(geometry.get("lod", 0)), geometry))
                except (TypeError, ValueError):
                    self.source.fail(
                        f"CityObjects {name[:60]} lod", repr(geometry["lod"])[:40], "a number such as 2.2"
                    )
        best = max((lod for lod, _ in found), default=0.0)
        return [(lod, geometry) for lod, geometry in found if lod == best]

    def add_geometry(
        self,
        name: str,
        geometry: dict[str, Any],
        vertices: Floats,
        same: Ints,
        had: set[frozenset[tuple[int, ...]]],
    ) -> None:
        """Surfaces of one geometry; one that the object has already, as another type, is left out."""
        place = f"CityObjects {name[:60]}"
        surfaces: Any = geometry.get("boundaries", [])
        for _ in range(_DEPTH[geometry["type"]]):
            if not isinstance(surfaces, list) or not all(isinstance(shell, list) for shell in surfaces):
                self.source.fail(
                    f"{place} boundaries", "lists that are not nested deep enough", geometry["type"]
                )
            surfaces = [surface for shell in surfaces for surface in shell]
        if not isinstance(surfaces, list):
            self.source.fail(f"{place} boundaries", type(surfaces).__name__, "a list")
        part = len(self.names)
        self.names.append(name)
        plain: list[list[int]] = []
        holed: list[list[list[int]]] = []
        for number, surface in enumerate(surfaces):
            rings = self.check_rings(surface, len(vertices), f"{place} surface {number + 1}")
            key = frozenset(tuple(sorted(same[ring].tolist())) for ring in rings)
            if key in had:
                self.repeated += 1
                continue
            had.add(key)
            if len(rings) == 1:
                plain.append(rings[0])
            else:
                holed.append(rings)
        self.surfaces += len(surfaces)
        self.triangles += sum(len(ring) for ring in plain) + sum(
            len(ring) + 2 for rings in holed for ring in rings
        )
        self.source.need_count(self.triangles, MAX_TRIANGLES, place, "triangles")
        cuts = [
            cut_faces(
                vertices,
                np.asarray([corner for ring in plain for corner in ring], dtype=np.int64),
                np.asarray([len(ring) for ring in plain], dtype=np.int64),
            ),
            *(cut_polygon(vertices, rings) for rings in holed),
        ]
        self.cuts += [(cut, self.offset, part) for cut in cuts]
        self.crossed += [name for cut in cuts for _ in cut.crossed]

    def check_rings(self, surface: Any, count: int, place: str) -> list[list[int]]:
        if (
            not isinstance(surface, list)
            or not surface
            or not all(isinstance(ring, list) for ring in surface)
        ):
            self.source.fail(place, "no list of rings", "an outer ring, then holes")
        self.source.need_count(sum(map(len, surface)), MAX_CORNERS, place, "corners")
        for ring in surface:
            if len(ring) < 3 or not all(isinstance(corner, int) and 0 <= corner < count for corner in ring):
                self.source.fail(
                    place, f"the ring {ring!r}"[:80], f"three or more vertex indices from 0 to {count - 1}"
                )
        return list(surface)

    def soup(self) -> Soup:
        if not any(len(cut.triangles) for cut, _, _ in self.cuts):
            self.source.fail("CityObjects", "no surface", "objects with surfaces")
        notes, doubts = [], []
        if self.flat_footprints:
            notes.append(f"Passed over {many(self.flat_footprints, 'flat footprint')} of buildings.")
        if self.repeated:
            notes.append(f"Left out {many(self.repeated, 'repeated surface')}.")
        if self.instances:
            doubts.append(
                f"Missing: {many(self.instances, 'object')} made from templates, which cannot be read."
            )
        doubts += [f"The outline of a surface of {name[:60]} crosses itself." for name in self.crossed[:20]]
        code = re.search(r"(\d+)$", self.system)
        known = code is not None and _in_metres(int(code[1]))
        return Soup(
            vertices=np.concatenate(self.vertices),
            triangles=np.concatenate([cut.triangles + first for cut, first, _ in self.cuts]),
            parts=np.concatenate([np.full(len(cut.triangles), part) for cut, _, part in self.cuts]),
            names=tuple(self.names),
            unit="m",
            up="z",
            unit_per_file=f"the reference system {self.system[:60]}" if known else "",
            empty=sum(cut.empty for cut, _, _ in self.cuts),
            warps=np.concatenate([cut.warps for cut, _, _ in self.cuts]),
            notes=tuple(notes),
            doubts=tuple(doubts),
        )


def _first_equal(vertices: Floats) -> Ints:
    """For each vertex the number of its place among distinct ones."""
    if not len(vertices):
        return np.zeros(0, dtype=np.int64)
    return np.unique(vertices, axis=0, return_inverse=True)[1].ravel()


def _in_metres(code: int) -> bool:
    utm = 25828 <= code <= 25838 or 32601 <= code <= 32660 or 32701 <= code <= 32760
    return code in _METRES or utm


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e15
