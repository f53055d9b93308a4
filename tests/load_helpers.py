"""Small buildings and writers of model files for the loader's tests, independent of the loader."""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from roof3d.records import Floats, Mesh

# An invented shed, 10 m by 6 m, eaves at 3 m, ridge at 5 m, closed: corners, and polygons
# counter-clockwise from outside.
SHED_POINTS = np.array(
    [
        [0, 0, 0], [10, 0, 0], [10, 6, 0], [0, 6, 0],
        [0, 0, 3], [10, 0, 3], [10, 6, 3], [0, 6, 3],
        [0, 3, 5], [10, 3, 5],
    ],
    dtype=float,
)  # fmt: skip
SHED_FACES = (
    (0, 3, 2, 1),
    (0, 1, 5, 4),
    (2, 3, 7, 6),
    (1, 2, 6, 9, 5),
    (3, 0, 4, 8, 7),
    (4, 5, 9, 8),
    (6, 7, 8, 9),
)
SHED_AREA = 60 + 2 * 30 + 2 * (18 + 6) + 2 * 10 * np.hypot(3, 2)
SHED_VOLUME = 10 * (6 * 3 + 6)

# an L-shaped outline whose fan from its first corner leaves the polygon
L_SHAPE = np.array([[4, 1], [4, 0], [0, 0], [0, 4], [1, 4], [1, 1]], dtype=float)


def fan(faces: Sequence[Sequence[int]]) -> np.ndarray:
    """Triangles of convex polygons."""
    return np.array([(face[0], face[i], face[i + 1]) for face in faces for i in range(1, len(face) - 1)])


SHED_TRIANGLES = fan(SHED_FACES)


def write_obj(path: Path, points: Any, faces: Any, names: Sequence[str] | None = None) -> Path:
    """Polygons as OBJ; coordinates to the last bit."""
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in np.asarray(points, dtype=float).tolist()]
    for number, face in enumerate(faces):
        if names is not None:
            lines.append(f"o {names[number]}")
        lines.append("f " + " ".join(str(int(corner) + 1) for corner in face))
    path.write_text("\n".join(lines) + "\n")
    return path


def gltf_document(
    meshes: Sequence[tuple[Any, Any]], nodes: Sequence[dict[str, Any]] | None = None
) -> tuple[dict[str, Any], bytes]:
    """glTF document and its one buffer, from (points, triangles) as they shall stand in the file."""
    blob = b""
    document: dict[str, Any] = {"asset": {"version": "2.0"}, "scene": 0, "meshes": [], "accessors": []}
    document["bufferViews"] = []
    for points, triangles in meshes:
        indices = []
        for array, kind, component in (
            (np.asarray(points, dtype="<f4"), "VEC3", 5126),
            (np.asarray(triangles, dtype="<u4").reshape(-1, 1), "SCALAR", 5125),
        ):
            view = {"buffer": 0, "byteOffset": len(blob), "byteLength": array.nbytes}
            accessor = {"bufferView": len(document["bufferViews"]), "componentType": component}
            accessor |= {"count": len(array), "type": kind}
            indices.append(len(document["accessors"]))
            document["bufferViews"].append(view)
            document["accessors"].append(accessor)
            blob += array.tobytes()
        primitive = {"attributes": {"POSITION": indices[0]}, "indices": indices[1]}
        document["meshes"].append({"primitives": [primitive]})
    document["buffers"] = [{"byteLength": len(blob)}]
    document["nodes"] = list(nodes) if nodes is not None else [{"mesh": i} for i in range(len(meshes))]
    children = {child for node in document["nodes"] for child in node.get("children", [])}
    document["scenes"] = [{"nodes": [i for i in range(len(document["nodes"])) if i not in children]}]
    return document, blob


def write_glb(path: Path, document: dict[str, Any], blob: bytes | None) -> Path:
    """A GLB file."""
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    body = struct.pack("<II", len(text), 0x4E4F534A) + text
    if blob is not None:
        blob += b"\0" * (-len(blob) % 4)
        body += struct.pack("<II", len(blob), 0x004E4942) + blob
    path.write_bytes(struct.pack("<III", 0x46546C67, 2, 12 + len(body)) + body)
    return path


def y_up(points: Any) -> Floats:
    """Points z up to the y-up numbers of the same place: (x, y, z) is (x, z, -y) there."""
    points = np.asarray(points, dtype=float)
    return np.stack((points[:, 0], points[:, 2], -points[:, 1]), axis=1)


def area(mesh: Mesh) -> float:
    """Area of all triangles, square metres."""
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    return 0.5 * float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())


def volume(mesh: Mesh) -> float:
    """Signed volume, cubic metres; positive where triangles are counter-clockwise from outside."""
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    return float(np.einsum("ni,ni->", a, np.cross(b, c))) / 6


def loaded(mesh: Mesh) -> Floats:
    """Vertices in the loaded frame."""
    return mesh.vertices + mesh.origin


def assert_same_mesh(one: Mesh, other: Mesh, atol: float = 0.0) -> None:
    """Same vertices, triangles, windings and doubts, row by row."""
    assert one.vertices.shape == other.vertices.shape
    np.testing.assert_allclose(loaded(one), loaded(other), rtol=0, atol=atol)
    np.testing.assert_array_equal(one.triangles, other.triangles)
    np.testing.assert_array_equal(one.oriented, other.oriented)
    assert one.doubts == other.doubts
