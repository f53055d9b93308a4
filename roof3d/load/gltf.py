"""glTF 2.0 and GLB: triangles of the shown scene with all node transforms applied.

After the Khronos Group's glTF 2.0 specification (2021). The whole document is checked before memory
is taken for what it announces. Materials, textures, cameras, lights and normals are passed over;
positions are in metres, y up (section 3.4), unless the caller says otherwise.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import struct
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np

from roof3d.load.source import MAX_FILE_BYTES, MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats, many
from roof3d.records import Floats, Ints

_COMPONENTS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
# extensions that change how a model looks and not where it is
_HARMLESS = ("KHR_materials_", "KHR_texture_", "EXT_texture_", "MSFT_texture_", "KHR_lights_", "KHR_xmp")
_READ = ("KHR_mesh_quantization",)
# extensions that add or hide geometry: when used, the picture that is read here may not be whole
_GEOMETRY = ("EXT_mesh_gpu_instancing", "KHR_node_visibility", "MSFT_lod", "EXT_mesh_manifold", "CESIUM_")
_MAX_DEPTH = 200
_MAX_NODES = 1_000_000
_GLB, _JSON, _BIN = 0x46546C67, 0x4E4F534A, 0x004E4942


def read(source: Source) -> Soup:
    """Read the default scene; raises ``InputError`` with the place in the document."""
    document, binary = _split(source)
    return _Document(source, document, binary).soup()


def _split(source: Source) -> tuple[Any, bytes | None]:
    """JSON document, and the binary chunk of a GLB."""
    data = source.data
    if data[:4] != b"glTF":
        if b"\0" in data[:4096]:
            source.fail("", "binary data that is not GLB", "glTF 2.0 as JSON, or GLB")
        return source.json(data.removeprefix(b"\xef\xbb\xbf")), None
    if len(data) < 20:
        source.fail("header", f"a file cut off after {len(data)} bytes", "a whole GLB file")
    _, version, length = struct.unpack_from("<III", data)
    if version != 2:
        source.fail("header", f"GLB version {version}", "version 2")
    if length > len(data):
        source.fail("header", f"a file cut off after {len(data)} of {length} bytes", "a whole GLB file")
    offset, document, binary = 12, None, None
    while offset + 8 <= length:
        size, kind = struct.unpack_from("<II", data, offset)
        if offset + 8 + size > length:
            source.fail(f"byte {offset}", f"a chunk of {size} bytes that is cut off", "a whole GLB file")
        chunk = data[offset + 8 : offset + 8 + size]
        if document is None:
            if kind != _JSON:
                source.fail(f"byte {offset}", "a first chunk that is not JSON", "a JSON chunk first")
            document = source.json(chunk, "JSON chunk")
        elif kind == _BIN and binary is None:
            binary = chunk
        offset += 8 + size
    if document is None:
        source.fail("header", "no JSON chunk", "a JSON chunk")
    return document, binary


class _Document:
    """One parsed document; every look-up checks type and range and names its place."""

    def __init__(self, source: Source, document: Any, binary: bytes | None) -> None:
        self.source = source
        if not isinstance(document, dict) or not isinstance(document.get("asset"), dict):
            source.fail("asset", "no glTF asset", "a glTF 2.0 document")
        self.document: dict[str, Any] = document
        self.binary = binary
        self.buffers: dict[int, bytes] = {}
        self.notes: list[str] = []
        self.doubts: list[str] = []
        self.step = 0.0
        self.names: list[str] = []
        self.vertices: list[Floats] = []
        self.triangles: list[Ints] = []
        self.parts: list[Ints] = []
        self.shown: set[int] = set()
        self.passed_over = 0
        self.count_vertices = self.count_triangles = 0

    # --------------------------------------------------------------------------------- look-ups

    def entry(self, kind: str, index: Any, place: str) -> dict[str, Any]:
        """One object of a top-level array."""
        entries = self.document.get(kind, [])
        count = len(entries) if isinstance(entries, list) else 0
        if isinstance(index, bool) or not isinstance(index, int) or not 0 <= index < count:
            self.source.fail(place, f"{kind} index {index!r} of {count}", f"an index of {kind}")
        value = entries[index]
        if not isinstance(value, dict):
            self.source.fail(f"{kind}[{index}]", f"{type(value).__name__}", "an object")
        return value

    def whole(self, holder: dict[str, Any], key: str, place: str, default: int | None = None) -> int:
        """A whole number of zero or more."""
        value = holder.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 2**53:
            self.source.fail(f"{place}.{key}", repr(value)[:40], "a whole number of zero or more")
        return value

    def listing(self, holder: dict[str, Any], key: str, place: str) -> list[Any]:
        """A list, empty where the key is missing."""
        value = holder.get(key, [])
        if not isinstance(value, list):
            self.source.fail(f"{place}.{key}", type(value).__name__, "a list")
        return value

    def numbers(self, holder: dict[str, Any], key: str, place: str, count: int) -> Floats | None:
        """So many finite numbers, or None where the key is missing."""
        if key not in holder:
            return None
        value = holder[key]
        good = isinstance(value, list) and len(value) == count
        if not good or not all(isinstance(x, int | float) and not isinstance(x, bool) for x in value):
            self.source.fail(f"{place}.{key}", repr(value)[:60], f"{count} numbers")
        array = as_floats([float(min(max(x, -1e300), 1e300)) for x in value])
        if not (np.abs(array) < 1e12).all():
            self.source.fail(f"{place}.{key}", repr(value)[:60], "finite numbers")
        return array

    def name(self, holder: dict[str, Any]) -> str:
        value = holder.get("name", "")
        return value if isinstance(value, str) else ""

    # --------------------------------------------------------------------------------- the scene

    def soup(self) -> Soup:
        self.check_asset()
        for root in self.roots():
            self.walk(root)
        if not self.triangles:
            self.source.fail("scene", "no triangles", "meshes of triangles in the scene")
        if self.passed_over:
            self.notes.append(f"Passed over {many(self.passed_over, 'primitive')} of points or lines.")
        hidden = len(self.document.get("nodes", [])) - len(self.shown)
        if hidden > 0:
            self.doubts.append(f"Left out {many(hidden, 'node')} outside the scene that was read.")
        return Soup(
            vertices=np.concatenate(self.vertices),
            triangles=np.concatenate(self.triangles),
            parts=np.concatenate(self.parts),
            names=tuple(self.names),
            unit="m",
            up="y",
            unit_per_file="the glTF standard",
            step=self.step,
            notes=tuple(self.notes),
            doubts=tuple(self.doubts),
        )

    def check_asset(self) -> None:
        version = self.document["asset"].get("version")
        if not (isinstance(version, str) and version.startswith("2.")):
            self.source.fail("asset.version", repr(version)[:40], "2.0")
        for name in self.listing(self.document, "extensionsRequired", ""):
            if not (isinstance(name, str) and (name in _READ or name.startswith(_HARMLESS))):
                self.source.fail(
                    "extensionsRequired",
                    repr(name)[:60],
                    "plain glTF 2.0 (export without compression or extension)",
                )
        for name in self.listing(self.document, "extensionsUsed", ""):
            if isinstance(name, str) and name.startswith(_GEOMETRY):
                self.doubts.append(
                    f"The extension {name} is not read; geometry may be missing or shown twice."
                )
        if self.listing(self.document, "animations", ""):
            self.doubts.append("Animations are passed over; the model is read at rest.")
        if len(self.listing(self.document, "nodes", "")) > _MAX_NODES:
            self.source.fail("nodes", f"{len(self.document['nodes'])} nodes", f"at most {_MAX_NODES}")

    def roots(self) -> list[Any]:
        scenes = self.listing(self.document, "scenes", "")
        if scenes:
            if "scene" not in self.document and len(scenes) > 1:
                self.doubts.append(f"None of {len(scenes)} scenes is the default one; the first was read.")
            index = self.document.get("scene", 0)
            return self.listing(self.entry("scenes", index, "scene"), "nodes", f"scenes[{index}]")
        nodes = self.listing(self.document, "nodes", "")
        if not nodes:
            self.source.fail("scenes", "no scene and no node", "a scene with nodes")
        self.doubts.append("There is no scene; all nodes were read.")
        children = {
            child
            for index in range(len(nodes))
            for child in self.listing(self.entry("nodes", index, "nodes"), "children", f"nodes[{index}]")
            if isinstance(child, int)
        }
        return [index for index in range(len(nodes)) if index not in children]

    def walk(self, root: Any) -> None:
        """Nodes from the root down; each at most once, so that no cycle and no blow-up is possible."""
        stack: list[tuple[Any, Floats, int]] = [(root, np.eye(4), 0)]
        while stack:
            index, above, depth = stack.pop()
            node = self.entry("nodes", index, "scene")
            place = f"nodes[{index}]"
            if index in self.shown or depth > _MAX_DEPTH:
                self.source.fail(place, "a node that is reached twice or lies too deep", "a tree of nodes")
            self.shown.add(index)
            matrix = above @ self.matrix(node, place)
            if "mesh" in node:
                self.add_mesh(node, matrix, place)
            children = self.listing(node, "children", place)
            stack += [(child, matrix, depth + 1) for child in reversed(children)]

    def matrix(self, node: dict[str, Any], place: str) -> Floats:
        """The node's transform (section 3.5.3): matrix in columns, or translation, rotation, scale."""
        flat = self.numbers(node, "matrix", place, 16)
        if flat is not None:
            matrix = flat.reshape(4, 4).T
            if not np.allclose(matrix[3], (0, 0, 0, 1), atol=1e-9):
                self.source.fail(f"{place}.matrix", "a matrix with perspective", "an affine matrix")
            return matrix
        matrix = np.eye(4)
        turn = self.numbers(node, "rotation", place, 4)
        if turn is not None:
            size = float(np.linalg.norm(turn))
            if abs(size - 1) > 1e-2:
                self.source.fail(f"{place}.rotation", f"a quaternion of length {size:g}", "length 1")
            x, y, z, w = turn / size
            matrix[:3, :3] = (
                (1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)),
                (2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)),
                (2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)),
            )
        scale = self.numbers(node, "scale", place, 3)
        if scale is not None:
            matrix[:3, :3] *= scale
        shift = self.numbers(node, "translation", place, 3)
        if shift is not None:
            matrix[:3, 3] = shift
        return matrix

    # --------------------------------------------------------------------------------- meshes

    def add_mesh(self, node: dict[str, Any], matrix: Floats, place: str) -> None:
        mesh = self.entry("meshes", node["mesh"], f"{place}.mesh")
        if "skin" in node:
            self.doubts.append(f"The skin of {place} is passed over; its mesh is read at rest.")
        part = len(self.names)
        self.names.append(self.name(node) or self.name(mesh))
        mirrored = np.linalg.det(matrix[:3, :3]) < 0
        for number, primitive in enumerate(self.listing(mesh, "primitives", f"meshes[{node['mesh']}]")):
            where = f"meshes[{node['mesh']}].primitives[{number}]"
            if not isinstance(primitive, dict) or not isinstance(primitive.get("attributes"), dict):
                self.source.fail(where, "no attributes", "an object with attributes")
            mode = self.whole(primitive, "mode", where, default=4)
            if mode not in (4, 5, 6):
                self.passed_over += 1
                continue
            if "targets" in primitive:
                self.doubts.append(f"Morph targets of {where} are passed over.")
            attribute = primitive["attributes"].get("POSITION")
            count = self.check_accessor(attribute, f"{where}.POSITION", "VEC3")
            self.count_vertices += count
            indexed = "indices" in primitive
            corners = (
                self.check_accessor(primitive["indices"], f"{where}.indices", "SCALAR") if indexed else count
            )
            self.count_triangles += corners // 3 if mode == 4 else max(corners - 2, 0)
            self.source.need_count(self.count_vertices, MAX_VERTICES, where, "vertices")
            self.source.need_count(self.count_triangles, MAX_TRIANGLES, where, "triangles")
            positions = as_floats(self.values(attribute, f"{where}.POSITION"))
            self.source.need_finite(positions, f"{where} vertex")
            flat = (
                self.values(primitive["indices"], f"{where}.indices").ravel() if indexed else np.arange(count)
            )
            if flat.dtype.kind == "f":
                self.source.fail(f"{where}.indices", "indices that are not whole numbers", "whole numbers")
            triangles = _triangles(flat.astype(np.int64), mode)
            self.source.need_indices(triangles, count, f"{where} triangle")
            if mode == 4 and corners % 3:
                self.doubts.append(f"{corners % 3} corners at the end of {where} make no triangle.")
            first = self.count_vertices - count
            self.triangles.append((triangles[:, ::-1] if mirrored else triangles) + first)
            self.vertices.append(positions @ matrix[:3, :3].T + matrix[:3, 3])
            self.source.need_finite(self.vertices[-1], f"{where} placed vertex")
            self.parts.append(np.full(len(triangles), part, dtype=np.int64))
            if len(positions):
                stretch = float(np.linalg.norm(matrix[:3, :3], axis=0).max())
                self.step = max(self.step, stretch * float(np.spacing(np.float32(np.abs(positions).max()))))

    def check_accessor(self, index: Any, place: str, width: str) -> int:
        """Count of an accessor, all its ranges checked against the bytes that there are."""
        accessor = self.entry("accessors", index, place)
        at = f"accessors[{index}]"
        if accessor.get("type") != width or accessor.get("componentType") not in _COMPONENTS:
            found = f"{accessor.get('type')!r} of component type {accessor.get('componentType')!r}"
            self.source.fail(at, found[:80], f"{width} of a component type of glTF 2.0")
        count = self.whole(accessor, "count", at)
        if "sparse" in accessor:
            self.source.fail(
                at, "a sparse accessor", "accessors with a bufferView only (export without sparse data)"
            )
        if "bufferView" not in accessor:
            self.source.fail(at, "no bufferView", "accessors with a bufferView")
        view = self.entry("bufferViews", accessor["bufferView"], f"{at}.bufferView")
        where = f"bufferViews[{accessor['bufferView']}]"
        size = np.dtype(_COMPONENTS[accessor["componentType"]]).itemsize * _WIDTHS[width]
        stride = self.whole(view, "byteStride", where, default=size)
        length, start = (
            self.whole(view, "byteLength", where),
            self.whole(view, "byteOffset", where, default=0),
        )
        offset = self.whole(accessor, "byteOffset", at, default=0)
        if stride != size and not size <= stride <= 252:
            self.source.fail(f"{where}.byteStride", str(stride), f"{size} to 252")
        if count and offset + (count - 1) * stride + size > length:
            self.source.fail(
                at, f"{count} elements in a bufferView of {length} bytes", "what fits into the view"
            )
        buffer = self.entry("buffers", view.get("buffer"), f"{where}.buffer")
        announced = self.whole(buffer, "byteLength", f"buffers[{view['buffer']}]")
        there = len(self.buffer_bytes(view["buffer"], buffer))
        if start + length > min(there, announced):
            self.source.fail(
                where,
                f"bytes {start} to {start + length} of a buffer of {min(there, announced)}",
                "what the buffer holds",
            )
        if announced > there:
            self.source.fail(
                f"buffers[{view['buffer']}]", f"{there} of {announced} bytes", "the whole buffer"
            )
        return count

    def values(self, index: int, place: str) -> Any:
        """Elements of an accessor that ``check_accessor`` has passed, (count, width)."""
        accessor = self.entry("accessors", index, place)
        view = self.entry("bufferViews", accessor["bufferView"], place)
        dtype, width = np.dtype(_COMPONENTS[accessor["componentType"]]), _WIDTHS[accessor["type"]]
        stride = view.get("byteStride", dtype.itemsize * width)
        data = self.buffer_bytes(view["buffer"], self.entry("buffers", view["buffer"], place))
        array: Any = (
            np.ndarray(
                (accessor["count"], width),
                dtype=dtype,
                buffer=data,
                offset=view.get("byteOffset", 0) + accessor.get("byteOffset", 0),
                strides=(stride, dtype.itemsize),
            )
            if accessor["count"]
            else np.zeros((0, width), dtype=dtype)
        )
        if accessor.get("normalized") and dtype.kind in "iu":  # section 3.11
            return np.maximum(array / np.iinfo(dtype).max, -1.0)
        return array

    def buffer_bytes(self, index: int, buffer: dict[str, Any]) -> bytes:
        """A buffer: the binary chunk, a data URI, or a file in the model's own folder."""
        if index in self.buffers:
            return self.buffers[index]
        place = f"buffers[{index}].uri"
        uri = buffer.get("uri")
        if uri is None:
            if index != 0 or self.binary is None:
                self.source.fail(place, "none", "a data URI or the name of a file beside the model")
            data = self.binary
        elif not isinstance(uri, str):
            self.source.fail(place, repr(uri)[:40], "a text")
        elif uri.startswith("data:"):
            head, comma, body = uri.partition(",")
            if not comma or not head.endswith(";base64"):
                self.source.fail(place, repr(head[:40]), "a data URI in base64")
            try:
                data = base64.b64decode(body, validate=True)
            except (binascii.Error, ValueError):
                self.source.fail(place, "a data URI that is not base64", "base64")
        else:
            data = self.beside(uri, place)
        self.buffers[index] = data
        total = sum(map(len, self.buffers.values()))
        self.source.need_count(total, MAX_FILE_BYTES, place, "bytes in all buffers")
        return data

    def beside(self, uri: str, place: str) -> bytes:
        """A file in the model's folder or below; links that lead out are refused too."""
        name = unquote(uri)
        accepted = "the name of a file in the model's folder"
        if (
            "://" in name
            or name.startswith(("/", "\\", "file:", "http:", "https:"))
            or "\0" in name
            or ":" in name
        ):
            self.source.fail(place, repr(uri[:60]), accepted)
        folder = self.source.path.parent.resolve()
        path = (folder / Path(name.replace("\\", "/"))).resolve()
        if not path.is_relative_to(folder):
            self.source.fail(place, f"{uri[:60]!r}, which lies outside the model's folder", accepted)
        if not path.is_file():
            self.source.fail(place, f"{uri[:60]!r}, which is not there", accepted)
        if path.stat().st_size > MAX_FILE_BYTES:
            self.source.fail(place, f"{path.stat().st_size} bytes", f"at most {MAX_FILE_BYTES}")
        try:
            data = path.read_bytes()
        except OSError as error:
            self.source.fail(
                place, f"{uri[:60]!r}, which cannot be read ({error.strerror})", "a readable file"
            )
        self.notes.append(f"Also read {name} (SHA-256 {hashlib.sha256(data).hexdigest()}).")
        return data


def _triangles(flat: Ints, mode: int) -> Ints:
    """Triangles of a list (4), a strip (5) or a fan (6), section 3.7.2.1."""
    if mode == 4:
        return flat[: len(flat) // 3 * 3].reshape(-1, 3)
    if len(flat) < 3:
        return np.zeros((0, 3), dtype=np.int64)
    if mode == 5:
        strip = np.stack((flat[:-2], flat[1:-1], flat[2:]), axis=1)
        strip[1::2] = strip[1::2][:, [1, 0, 2]]
        return strip
    return np.stack((flat[1:-1], flat[2:], np.full(len(flat) - 2, flat[0])), axis=1)
