"""Writes polyhedra as OBJ (z up, polygons kept) and GLB (metres, y up), the same bytes each time."""

from __future__ import annotations

import json
import math
import struct
from fractions import Fraction
from pathlib import Path

from .solid import Point3, Polyhedron, normal_of, triangles

MICRO = 6  # decimals written


def decimal(value: Fraction) -> str:
    """A fraction as a decimal number, rounded half to even at six places, without trailing zeros."""
    scaled = round(value * 10**MICRO)
    sign, digits = ("-" if scaled < 0 else ""), f"{abs(scaled):0{MICRO + 1}d}"
    text = f"{digits[:-MICRO]}.{digits[-MICRO:]}".rstrip("0").rstrip(".")
    return sign + text if text != "0" else "0"


def write_obj(path: Path, parts: dict[str, Polyhedron], heading: list[str]) -> None:
    """Every part is an object; faces keep their corners, except that those with holes are cut up."""
    lines = [f"# {line}" for line in heading]
    first = 1
    for name, solid in parts.items():
        lines.append(f"o {name}")
        lines += ["v " + " ".join(decimal(c) for c in p) for p in solid.vertices]
        cut = {number for number, rings in enumerate(solid.faces) if len(rings) > 1}
        lines += [
            "f " + " ".join(str(first + i) for i in rings[0])
            for number, rings in enumerate(solid.faces)
            if number not in cut
        ]
        lines += [
            "f " + " ".join(str(first + i) for i in corners)
            for number, *corners in triangles(solid)
            if number in cut
        ]
        first += len(solid.vertices)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def write_glb(
    path: Path, parts: dict[str, Polyhedron], metres: Fraction, offset: Point3, heading: list[str]
) -> None:
    """One node per part; every face has vertices and a normal of its own, as renderers like them.

    ``metres`` is the size of the parts' unit. ``offset`` (metres, z up) goes into the nodes'
    translation, because single precision holds no map coordinates.
    """
    blob = b""
    views: list[dict[str, int]] = []
    accessors: list[dict[str, object]] = []
    meshes: list[dict[str, object]] = []
    nodes: list[dict[str, object]] = []

    def store(data: bytes, kind: str, component: int, count: int, target: int, **more: object) -> int:
        nonlocal blob
        views.append({"buffer": 0, "byteOffset": len(blob), "byteLength": len(data), "target": target})
        blob += data + b"\0" * (-len(data) % 4)
        accessors.append(
            {"bufferView": len(views) - 1, "componentType": component, "count": count, "type": kind, **more}
        )
        return len(accessors) - 1

    for name, solid in parts.items():
        positions: list[tuple[float, ...]] = []
        normals: list[tuple[float, ...]] = []
        indices: list[int] = []
        place: dict[tuple[int, int], int] = {}
        for number, *corners in triangles(solid):
            for i in corners:
                if (number, i) not in place:
                    place[number, i] = len(positions)
                    x, y, z = (float(c * metres) for c in solid.vertices[i])
                    positions.append((x, z, -y))
                    ring = [solid.vertices[k] for k in solid.faces[number][0]]
                    nx, ny, nz = (float(c) for c in normal_of(ring))
                    length = math.sqrt(nx * nx + ny * ny + nz * nz)
                    normals.append((nx / length, nz / length, -ny / length))
                indices.append(place[number, i])
        rounded = [struct.unpack("<3f", struct.pack("<3f", *p)) for p in positions]
        low = [min(p[k] for p in rounded) for k in range(3)]
        high = [max(p[k] for p in rounded) for k in range(3)]
        position = store(
            b"".join(struct.pack("<3f", *p) for p in positions),
            "VEC3",
            5126,
            len(positions),
            34962,
            min=low,
            max=high,
        )
        normal = store(b"".join(struct.pack("<3f", *n) for n in normals), "VEC3", 5126, len(normals), 34962)
        index = store(struct.pack(f"<{len(indices)}H", *indices), "SCALAR", 5123, len(indices), 34963)
        meshes.append(
            {
                "name": name,
                "primitives": [
                    {"attributes": {"POSITION": position, "NORMAL": normal}, "indices": index, "material": 0}
                ],
            }
        )
        node: dict[str, object] = {"name": name, "mesh": len(meshes) - 1}
        if any(offset):
            x, y, z = (float(c) for c in offset)
            node["translation"] = [x, z, -y]
        nodes.append(node)
    document = {
        "asset": {"version": "2.0", "generator": "scripts/make_models.py", "extras": {"notes": heading}},
        "scene": 0,
        "scenes": [{"nodes": list(range(len(nodes)))}],
        "nodes": nodes,
        "meshes": meshes,
        "materials": [{"name": "plain", "doubleSided": False}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(blob)}],
    }
    text = json.dumps(document, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    total = 12 + 8 + len(text) + 8 + len(blob)
    path.write_bytes(
        struct.pack("<4sII", b"glTF", 2, total)
        + struct.pack("<I4s", len(text), b"JSON")
        + text
        + struct.pack("<I4s", len(blob), b"BIN\0")
        + blob
    )
