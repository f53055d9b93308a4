"""3MF through trimesh, after an audit of the archive; the unit is stated in the file, z is up.

After the 3MF core specification 1.3: sections 3.3 (unit) and 3.1 (coordinate space). trimesh inflates
the whole archive and follows every path from the build to a mesh, so sizes and the number of paths
are counted here first.
"""

from __future__ import annotations

import io
import zipfile
from typing import Any

import numpy as np

from roof3d.load.source import MAX_TRIANGLES, MAX_VERTICES, Soup, Source, as_floats

_MAX_ENTRIES = 2000
_MAX_INFLATED = 512 << 20
_MAX_INSTANCES = 100_000
_UNITS = {"millimeter": "mm", "centimeter": "cm", "inch": "in", "foot": "ft", "meter": "m"}


def read(source: Source) -> Soup:
    """Read all build items; raises ``InputError``."""
    unit = _audit(source)
    import trimesh

    try:
        scene: Any = trimesh.load_scene(io.BytesIO(source.data), file_type="3mf", process=False)
        nodes = [(name, *scene.graph[name]) for name in scene.graph.nodes_geometry]
    except Exception as error:  # whatever trimesh meets in a broken file ends in one clear line
        source.fail(
            "", f"a 3MF file that cannot be read ({type(error).__name__}: {error})"[:200], "3MF core 1.x"
        )
    vertices, triangles, parts = [], [], []
    first = 0
    for part, (name, matrix, geometry) in enumerate(nodes):
        mesh = scene.geometry[geometry]
        points, corners = as_floats(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64)
        source.need_finite(points, f"{name} vertex")
        source.need_indices(corners, len(points), f"{name} triangle")
        if np.linalg.det(matrix[:3, :3]) < 0:
            corners = corners[:, ::-1]
        vertices.append(points @ matrix[:3, :3].T + matrix[:3, 3])
        triangles.append(corners + first)
        parts.append(np.full(len(corners), part, dtype=np.int64))
        first += len(points)
    if not any(map(len, triangles)):
        source.fail("build", "no triangle", "items with triangles")
    return Soup(
        np.concatenate(vertices),
        np.concatenate(triangles),
        np.concatenate(parts),
        tuple(name for name, _, _ in nodes),
        unit=unit,
        up="z",
        unit_per_file="the 3MF file",
    )


def _audit(source: Source) -> str:
    """Unit of the model; refuses what would inflate, repeat or reach out beyond limits."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(source.data))
        entries = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OverflowError, NotImplementedError) as error:
        source.fail("", f"no 3MF archive ({error})", "a whole 3MF file")
    source.need_count(len(entries), _MAX_ENTRIES, "archive", "entries")
    source.need_count(
        sum(entry.file_size for entry in entries), _MAX_INFLATED, "archive", "bytes when inflated"
    )
    models = [entry for entry in entries if entry.filename.lower().endswith(".model")]
    if not any("3d/3dmodel.model" in entry.filename.lower() for entry in models):
        source.fail("archive", "no 3D/3dmodel.model", "a 3MF file with one")
    unit = "millimeter"
    meshes: dict[str, tuple[int, int]] = {}
    children: dict[str, list[str]] = {}
    items: list[str] = []
    for entry in models:
        try:
            text = archive.read(entry)
        except Exception as error:  # a broken or encrypted entry
            source.fail(entry.filename, f"an entry that cannot be read ({error})", "a whole 3MF file")
        found = _read_model(source, entry.filename, text, meshes, children, items)
        if "3d/3dmodel.model" in entry.filename.lower():
            unit = found
    if unit not in _UNITS:
        source.fail("model unit", repr(unit)[:40], ", ".join(_UNITS))
    _count_instances(source, meshes, children, items)
    return _UNITS[unit]


def _read_model(
    source: Source,
    name: str,
    text: bytes,
    meshes: dict[str, tuple[int, int]],
    children: dict[str, list[str]],
    items: list[str],
) -> str:
    """Collect object sizes, components and build items of one model entry; returns its unit."""
    from lxml import etree

    if b"<!DOCTYPE" in text or b"<!ENTITY" in text or text[:2] in (b"\xff\xfe", b"\xfe\xff"):
        source.fail(name, "a document type, an entity, or text that is not UTF-8", "plain XML in UTF-8")
    unit, current = "millimeter", ""
    vertices = triangles = 0
    options: dict[str, Any] = {
        "resolve_entities": False,
        "no_network": True,
        "load_dtd": False,
        "huge_tree": False,
    }
    try:
        for event, node in etree.iterparse(io.BytesIO(text), events=("start", "end"), **options):
            tag = node.tag.rpartition("}")[2] if isinstance(node.tag, str) else ""
            if event == "start":
                if tag == "model":
                    unit = node.get("unit", "millimeter")
                elif tag == "object":
                    current = node.get("id", "")
                    vertices = triangles = 0
                elif tag == "component":
                    children.setdefault(current, []).append(node.get("objectid", ""))
                elif tag == "item":
                    items.append(node.get("objectid", ""))
                continue
            if tag == "object":
                before = meshes.get(current, (0, 0))
                meshes[current] = (before[0] + vertices, before[1] + triangles)
            vertices += tag == "vertex"
            triangles += tag == "triangle"
            if tag in ("vertex", "triangle"):
                node.clear()
    except etree.XMLSyntaxError as error:
        source.fail(name, f"broken XML ({error})"[:160], "well-formed XML")
    return str(unit)


def _count_instances(
    source: Source, meshes: dict[str, tuple[int, int]], children: dict[str, list[str]], items: list[str]
) -> None:
    """Instances, vertices and triangles that the build comes to, without building it."""
    totals: dict[str, tuple[int, int, int]] = {}
    open_now: set[str] = set()
    for item in items:
        stack = [(item, False)]
        while stack:
            name, done = stack.pop()
            if done:
                below = [totals[child] for child in children.get(name, [])]
                own = meshes.get(name, (0, 0))
                totals[name] = (
                    1 + sum(one[0] for one in below),
                    own[0] + sum(one[1] for one in below),
                    own[1] + sum(one[2] for one in below),
                )
                open_now.discard(name)
            elif name in open_now:
                source.fail(
                    f"object {name[:40]}", "an object that holds itself", "components without a circle"
                )
            elif name not in totals:
                if name not in meshes:
                    source.fail(
                        f"object {name[:40]!r}", "a use of an object that is not there", "a whole 3MF file"
                    )
                open_now.add(name)
                stack.append((name, True))
                stack += [(child, False) for child in children.get(name, []) if child not in totals]
    source.need_count(sum(totals[item][0] for item in items), _MAX_INSTANCES, "build", "instances")
    source.need_count(sum(totals[item][1] for item in items), MAX_VERTICES, "build", "vertices")
    source.need_count(sum(totals[item][2] for item in items), MAX_TRIANGLES, "build", "triangles")
