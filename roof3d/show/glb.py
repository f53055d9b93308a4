"""The coloured model as GLB (glTF 2.0): heat map, hatches, edges by state, anchors, for any 3D program.

Written directly, so that colours are what glTF says they are: vertex colours in linear light, not in
the sRGB of a picture. Positions are relative to a local origin (extras of the asset), y up, metres.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from roof3d import __version__
from roof3d.errors import InputError
from roof3d.records import Floats, Roof
from roof3d.show.cells import patches, patterns, triangles_of
from roof3d.show.colours import ANCHOR, EDGE_STYLES, INNER, WALL, Rgb, scale_for
from roof3d.show.marks import edge_order, pieces_of
from roof3d.show.scene import Scene, as_written, make_scene
from roof3d.show.solid import bar_triangles, shade
from roof3d.units import System

FLOAT, UNSIGNED_BYTE, ARRAY_BUFFER, TRIANGLES = 5126, 5121, 34962, 4
# two level arms and a post
ANCHOR_ARMS = np.array(
    [
        [[-0.15, 0.0, 0.0], [0.15, 0.0, 0.0]],
        [[0.0, -0.15, 0.0], [0.0, 0.15, 0.0]],
        [[0.0, 0.0, 0.0], [0.0, 0.0, 0.3]],
    ]
)
EDGE_RADIUS_M, THIN_RADIUS_M, HATCH_SPACING_M = 0.05, 0.015, 0.3


def write_glb(result: dict[str, Any], roof: Roof | None, path: str | Path, *, units: System = "m") -> None:
    """Writes the scene of a result as one GLB file with vertex colours and named nodes.

    Nodes of edge stretches carry their figures as extras. Same input, same bytes. Raises InputError
    where the result cannot be drawn or the file not be written.
    """
    path = Path(path)
    scene = make_scene(result, roof)
    with as_written(result):
        data = _Builder(scene).build(units)
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(str(path), "GLB", str(error), "a place that can be written") from error


def linear(colours: Floats) -> Floats:
    """sRGB bytes (n, 3) to linear light, 0..1 (IEC 61966-2-1)."""
    c = np.asarray(colours, dtype=np.float64) / 255
    light: Floats = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return light


@dataclass
class _Builder:
    scene: Scene
    nodes: list[dict[str, Any]] = field(default_factory=list)
    meshes: list[dict[str, Any]] = field(default_factory=list)
    accessors: list[dict[str, Any]] = field(default_factory=list)
    views: list[dict[str, Any]] = field(default_factory=list)
    blob: bytearray = field(default_factory=bytearray)

    def build(self, units: System) -> bytes:
        scene = self.scene
        margins = scene.cells.margins if scene.cells is not None else np.zeros(0)
        for patch in patches(scene, scale_for(margins, units)):
            triangles = triangles_of(patch, 0.005)
            extras = {"plane": patch.plane.id, "kind": patch.kind}
            self.add(f"{patch.plane.id} {patch.kind}", triangles, patch.colour, extras)
            for colour, width, flat in patterns(patch, HATCH_SPACING_M):
                lines = [patch.plane.lift(line) + 0.02 * patch.plane.normal for line in flat]
                self.bars(
                    f"{patch.plane.id} {patch.kind} pattern", lines, THIN_RADIUS_M * width, colour, extras
                )
        if len(scene.triangles):
            corners = scene.vertices[scene.triangles]
            self.add("building", corners, np.asarray(WALL) * shade(corners)[:, None], {})
        for name, kind, points in scene.inner:
            self.bars(f"{kind} {name}", pieces_of(points), THIN_RADIUS_M, INNER, {"edge": name, "kind": kind})
        for stretch in edge_order(scene):
            style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
            line = [np.array([stretch.start, stretch.end])]
            keys = ("clearance_required_m", "clearance_available_m", "margin_m", "swing_drop_m")
            extras = {"edge": stretch.edge, "state": stretch.state, "anchor": stretch.anchor}
            figures = {key: stretch.figures.get(key) for key in keys}
            label = f"{stretch.state} {stretch.edge} {stretch.from_m:.2f}-{stretch.to_m:.2f} m"
            radius = EDGE_RADIUS_M * style.width / 10
            self.bars(label, line, radius, style.colour, {**extras, **figures})
        for mark in scene.anchors:
            parts = [point + arm for point in mark.points for arm in ANCHOR_ARMS]
            self.bars(f"anchor {mark.id}", parts + pieces_of(mark.lies), 0.03, ANCHOR, {"anchor": mark.id})
        return self.pack()

    def bars(
        self, name: str, lines: list[Floats], radius: float, colour: Rgb, extras: dict[str, Any]
    ) -> None:
        if lines:
            self.add(name, bar_triangles(np.stack(lines), radius), colour, extras)

    def add(self, name: str, triangles: Floats, colour: Any, extras: dict[str, Any]) -> None:
        """One node; ``triangles`` (n, 3, 3) local, ``colour`` one or one for each triangle."""
        if not len(triangles):
            return
        points = triangles.reshape(-1, 3)
        turned = np.column_stack([points[:, 0], points[:, 2], -points[:, 1]]).astype("<f4")
        light = np.broadcast_to(linear(np.asarray(colour)), (len(triangles), 3))
        paint = np.ones((len(points), 4), dtype="<f4")
        paint[:, :3] = np.repeat(light, 3, axis=0)
        limits = {
            "min": [float(v) for v in turned.min(axis=0)],
            "max": [float(v) for v in turned.max(axis=0)],
        }
        position = self.accessor(turned.tobytes(), len(points), "VEC3", limits)
        colours = self.accessor(paint.tobytes(), len(points), "VEC4", {})
        primitive = {
            "attributes": {"POSITION": position, "COLOR_0": colours},
            "mode": TRIANGLES,
            "material": 0,
        }
        self.meshes.append({"name": name, "primitives": [primitive]})
        self.nodes.append({"name": name, "mesh": len(self.meshes) - 1, "extras": extras})

    def accessor(self, data: bytes, count: int, kind: str, more: dict[str, Any]) -> int:
        self.views.append(
            {"buffer": 0, "byteOffset": len(self.blob), "byteLength": len(data), "target": ARRAY_BUFFER}
        )
        self.blob += data
        view = len(self.views) - 1
        self.accessors.append(
            {"bufferView": view, "componentType": FLOAT, "count": count, "type": kind, **more}
        )
        return len(self.accessors) - 1

    def pack(self) -> bytes:
        scene = self.scene
        document = {
            "asset": {
                "version": "2.0",
                "generator": f"roof3d {__version__}",
                "extras": {"local_origin_m": [float(v) for v in scene.origin], "frame": "x, z, -y"},
            },
            # unlit where the program knows how, so that a heat colour is the legend's colour
            "extensionsUsed": ["KHR_materials_unlit"],
            "scene": 0,
            "scenes": [{"nodes": list(range(len(self.nodes)))}],
            "nodes": self.nodes,
            "meshes": self.meshes,
            "materials": [
                {
                    "name": "vertex colours",
                    "doubleSided": True,
                    "pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 1.0},
                    "extensions": {"KHR_materials_unlit": {}},
                }
            ],
            "accessors": self.accessors,
            "bufferViews": self.views,
            "buffers": [{"byteLength": len(self.blob)}],
        }
        text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
        text += b" " * (-len(text) % 4)
        blob = bytes(self.blob) + b"\0" * (-len(self.blob) % 4)
        size = 12 + 8 + len(text) + 8 + len(blob)
        head = struct.pack("<4sII", b"glTF", 2, size)
        return (
            head
            + struct.pack("<I4s", len(text), b"JSON")
            + text
            + struct.pack("<I4s", len(blob), b"BIN\0")
            + blob
        )
