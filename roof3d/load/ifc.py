"""IFC through ifcopenshell, an optional extra: building elements as triangles in metres, z up."""

from __future__ import annotations

from typing import Any

import numpy as np

from roof3d.load.source import MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats, many

# what is in an IFC file without being there to stand on or to strike
_NOT_BUILT = (
    "IfcSpace",
    "IfcOpeningElement",
    "IfcAnnotation",
    "IfcGrid",
    "IfcVirtualElement",
    "IfcSpatialZone",
)


def read(source: Source) -> Soup:
    """Read all built elements; raises ``InputError``, also where ifcopenshell is not installed."""
    if source.data.lstrip()[:13] != b"ISO-10303-21;":
        source.fail("header", "no STEP header", "an IFC file that starts with ISO-10303-21;")
    try:
        import ifcopenshell
        import ifcopenshell.geom
    except ImportError:
        source.fail(
            "", "an IFC file, for which ifcopenshell is missing", 'pip install "roof3d[ifc]", or glTF or OBJ'
        )
    try:
        model: Any = ifcopenshell.open(str(source.path))
        settings: Any = ifcopenshell.geom.settings()
        settings.set("use-world-coords", True)
        built = [one for one in model.by_type("IfcProduct") if not any(one.is_a(kind) for kind in _NOT_BUILT)]
        shapes: Any = ifcopenshell.geom.iterator(
            settings, model, 1, include=[one for one in built if one.Representation]
        )
        vertices, triangles, parts = [], [], []
        names: list[str] = []
        first = corners = 0
        more = shapes.initialize()
        while more:
            shape = shapes.get()
            points = as_floats(shape.geometry.verts).reshape(-1, 3)
            faces = np.asarray(shape.geometry.faces, dtype=np.int64).reshape(-1, 3)
            vertices.append(points)
            triangles.append(faces + first)
            parts.append(np.full(len(faces), len(names), dtype=np.int64))
            names.append(f"{shape.type} {shape.name}".strip())
            first += len(points)
            corners += len(faces)
            source.need_count(first, MAX_VERTICES, "", "vertices")
            source.need_count(corners, MAX_TRIANGLES, "", "triangles")
            more = shapes.next()
    except Exception as error:
        if error.__class__.__module__.startswith("roof3d"):
            raise
        source.fail(
            "", f"an IFC file that cannot be read ({type(error).__name__}: {error})"[:200], "IFC 2x3 or 4"
        )
    if not any(map(len, triangles)):
        source.fail("", "no element with a shape", "building elements with shapes")
    missing = sum(1 for one in built if one.Representation) - len(names)
    return Soup(
        np.concatenate(vertices),
        np.concatenate(triangles),
        np.concatenate(parts),
        tuple(names),
        unit="m",
        up="z",
        unit_per_file="the IFC file",
        doubts=(f"No triangles came from {many(missing, 'element')} with a representation.",)
        if missing > 0
        else (),
    )
