"""glTF and GLB: transforms, layouts and the hostile documents that a parser must survive."""

from __future__ import annotations

import base64
import copy
import hashlib
import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from roof3d.errors import InputError
from roof3d.load import read_mesh
from roof3d.records import Mesh
from tests.load_helpers import (
    SHED_AREA,
    SHED_FACES,
    SHED_POINTS,
    SHED_TRIANGLES,
    SHED_VOLUME,
    area,
    assert_same_mesh,
    gltf_document,
    loaded,
    volume,
    write_glb,
    write_obj,
    y_up,
)


def shed() -> tuple[dict[str, Any], bytes]:
    return gltf_document([(y_up(SHED_POINTS), SHED_TRIANGLES)])


def read(folder: Path, document: dict[str, Any], blob: bytes | None) -> Mesh:
    return read_mesh(write_glb(folder / "model.glb", document, blob))


@pytest.fixture
def plain(tmp_path: Path) -> Mesh:
    path = write_obj(tmp_path / "plain.obj", SHED_POINTS, SHED_TRIANGLES)
    return read_mesh(path, unit="m", up="z")


def test_metres_and_y_up_by_the_standard(tmp_path: Path, plain: Mesh) -> None:
    mesh = read(tmp_path, *shed())
    assert_same_mesh(mesh, plain)  # halves and thirds of metres: exact in 32 bits
    assert (mesh.unit, mesh.up, mesh.doubts) == ("m", "y", ())


def test_gltf_with_buffer_beside_or_inside(tmp_path: Path, plain: Mesh) -> None:
    document, blob = shed()
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "the buffer.bin").write_bytes(blob)
    inside = "data:application/octet-stream;base64," + base64.b64encode(blob).decode()
    for uri in ("sub/the%20buffer.bin", "./sub/the buffer.bin", inside):
        document["buffers"][0]["uri"] = uri
        path = tmp_path / "model.gltf"
        path.write_text(json.dumps(document))
        mesh = read_mesh(path)
        assert_same_mesh(mesh, plain)
        # the digest of the model does not cover the file beside it: its own is listed
        assert any(hashlib.sha256(blob).hexdigest() in text for text in mesh.repairs) == (uri != inside)


def test_node_transforms_against_trimesh(tmp_path: Path) -> None:
    # translation, rotation and scale on two levels, a matrix, and a mirror; reference: trimesh 5
    nodes: list[dict[str, Any]] = [
        {"name": "site", "translation": [100, 2, -40], "rotation": [0, 0.6, 0, 0.8], "children": [1, 2, 3]},
        {"name": "hall", "mesh": 0, "scale": [2, 1, 1]},
        {"name": "annex", "mesh": 0, "matrix": [0, 0, -1, 0, 0, 1, 0, 0, 1, 0, 0, 0, 30, 0, 0, 1]},
        {"name": "mirror", "mesh": 0, "scale": [-1, 1, 1], "translation": [-20, 0, 0]},
    ]
    document, blob = gltf_document([(y_up(SHED_POINTS), SHED_TRIANGLES)], nodes)
    path = write_glb(tmp_path / "scene.glb", document, blob)
    mesh = read_mesh(path)
    other = trimesh.load_scene(path).to_mesh()
    turned = np.stack((other.vertices[:, 0], -other.vertices[:, 2], other.vertices[:, 1]), axis=1)
    np.testing.assert_allclose(loaded(mesh).min(0), turned.min(0), atol=1e-9)
    np.testing.assert_allclose(loaded(mesh).max(0), turned.max(0), atol=1e-9)
    assert area(mesh) == pytest.approx(other.area, rel=1e-9)
    assert volume(mesh) == pytest.approx(4 * SHED_VOLUME, rel=1e-6)  # one is scaled by two
    assert mesh.part_names == ("annex", "hall", "mirror")
    assert not any("Turned" in text for text in mesh.repairs)  # the mirrored one was wound right too


def test_strips_fans_and_short_indices(tmp_path: Path) -> None:
    square = np.array([[0, 0, 0], [4, 0, 0], [0, 0, -4], [4, 0, -4]])
    expected = None
    for mode, order in ((4, [0, 1, 2, 1, 3, 2]), (5, [0, 1, 2, 3]), (6, [1, 3, 2, 0])):
        for component in (5121, 5123, 5125):
            document, blob = gltf_document([(square, order)])
            kind = {5121: "<u1", 5123: "<u2", 5125: "<u4"}[component]
            document["meshes"][0]["primitives"][0]["mode"] = mode
            document["accessors"][1] |= {"componentType": component}
            blob = blob[:48] + np.array(order, dtype=kind).tobytes()
            document["bufferViews"][1]["byteLength"] = document["buffers"][0]["byteLength"] = len(blob)
            document["bufferViews"][1]["byteLength"] -= 48
            document["buffers"][0]["byteLength"] = len(blob)
            mesh = read(tmp_path, document, blob)
            expected = expected or mesh
            assert_same_mesh(mesh, expected)
            assert area(mesh) == pytest.approx(16)


def test_no_indices_and_interleaved_positions(tmp_path: Path, plain: Mesh) -> None:
    corners = y_up(SHED_POINTS)[SHED_TRIANGLES].reshape(-1, 3)
    rows = np.zeros((len(corners), 5), dtype="<f4")
    rows[:, 1:4] = corners
    document, _ = shed()
    del document["meshes"][0]["primitives"][0]["indices"]
    document["accessors"][0] |= {"count": len(corners), "byteOffset": 4}
    document["bufferViews"][0] |= {"byteStride": 20, "byteLength": rows.nbytes}
    document["buffers"][0]["byteLength"] = rows.nbytes
    assert_same_mesh(read(tmp_path, document, rows.tobytes()), plain)


def test_quantised_positions(tmp_path: Path, plain: Mesh) -> None:
    # KHR_mesh_quantization: whole numbers, the node scales them to metres
    whole = y_up(SHED_POINTS).astype("<i2")
    document, blob = shed()
    index = np.asarray(SHED_TRIANGLES, dtype="<u4").tobytes()
    padded = np.zeros((len(whole), 4), dtype="<i2")
    padded[:, :3] = whole
    document["accessors"][0] |= {"componentType": 5122}
    document["bufferViews"] = [
        {"buffer": 0, "byteLength": padded.nbytes, "byteStride": 8},
        {"buffer": 0, "byteOffset": padded.nbytes, "byteLength": len(index)},
    ]
    blob = padded.tobytes() + index
    document["buffers"][0]["byteLength"] = len(blob)
    document["extensionsRequired"] = document["extensionsUsed"] = ["KHR_mesh_quantization"]
    assert_same_mesh(read(tmp_path, document, blob), plain)


def test_many_meshes_are_one_building(tmp_path: Path, plain: Mesh) -> None:
    pieces = [(y_up(SHED_POINTS), triangle) for triangle in SHED_TRIANGLES]
    mesh = read(tmp_path, *gltf_document(pieces))
    assert_same_mesh(mesh, plain)
    assert len(mesh.part_names) == len(SHED_TRIANGLES)


def test_what_is_passed_over_is_said(tmp_path: Path) -> None:
    document, blob = shed()
    document["nodes"].append({"mesh": 0, "translation": [50, 0, 0]})
    document["animations"] = [{}]
    document["extensionsUsed"] = ["EXT_mesh_gpu_instancing", "KHR_materials_unlit"]
    document["meshes"][0]["primitives"].append({"attributes": {"POSITION": 0}, "mode": 1})
    document["images"] = [{"uri": "http://example.invalid/roof.png"}, {"uri": "../../secret.png"}]
    mesh = read(tmp_path, document, blob)
    assert mesh.repairs == ("Passed over 1 primitive of points or lines.",)
    assert "Left out 1 node outside the scene that was read." in mesh.doubts
    assert "Animations are passed over; the model is read at rest." in mesh.doubts
    assert any("EXT_mesh_gpu_instancing" in text for text in mesh.doubts)
    assert not any("unlit" in text for text in mesh.doubts)
    assert area(mesh) == pytest.approx(SHED_AREA, rel=1e-6)


def test_steps_of_32_bits_that_no_edge_survives_are_refused(tmp_path: Path) -> None:
    """Northing 5.3 million metres: single precision has steps of half a metre there (IEEE 754)."""
    points = SHED_POINTS + np.array([446_000, 5_300_000, 0])
    document, blob = gltf_document([(y_up(points), SHED_TRIANGLES)])
    with pytest.raises(InputError, match=r"steps of up to 500 mm .* accepted: steps of at most 50 mm"):
        read(tmp_path, document, blob)
    assert not read(tmp_path, *gltf_document([(y_up(SHED_POINTS), SHED_TRIANGLES)])).doubts


def test_coarse_steps_of_32_bits_are_a_doubt(tmp_path: Path) -> None:
    document, blob = gltf_document([(y_up(SHED_POINTS + np.array([446_000, 120_000, 0])), SHED_TRIANGLES)])
    assert any("steps of up to 31.2 mm" in text for text in read(tmp_path, document, blob).doubts)
    # the same place by a node's translation, which JSON holds in double precision, is exact
    document, blob = shed()
    document["nodes"][0]["translation"] = [446_000.123, 0, -120_000.456]
    mesh = read(tmp_path, document, blob)
    assert mesh.doubts == ()
    np.testing.assert_allclose(loaded(mesh).min(0), [446_000.123, 120_000.456, 0], rtol=0, atol=1e-9)


def test_an_override_is_a_doubt(tmp_path: Path) -> None:
    path = write_glb(tmp_path / "mm.glb", *gltf_document([(SHED_POINTS * 1000, SHED_TRIANGLES)]))
    mesh = read_mesh(path, unit="mm", up="z")
    assert area(mesh) == pytest.approx(SHED_AREA)
    assert len(mesh.doubts) == 2
    assert "given as mm against the glTF standard, which has m" in mesh.doubts[0]
    assert "given as z against the glTF standard, which has y" in mesh.doubts[1]
    same = write_glb(tmp_path / "m.glb", *shed())
    assert read_mesh(same, unit="m", up="y").doubts == ()


# -------------------------------------------------------------------------------- hostile files

Change = Callable[[dict[str, Any]], Any]


def setting(*path: Any) -> Change:
    """A change that sets what lies at a path to the last item."""

    def change(document: dict[str, Any]) -> None:
        target: Any = document
        for key in path[:-2]:
            target = target[key]
        target[path[-2]] = path[-1]

    return change


def removing(*path: Any) -> Change:
    def change(document: dict[str, Any]) -> None:
        target: Any = document
        for key in path[:-1]:
            target = target[key]
        del target[path[-1]]

    return change


@pytest.mark.parametrize(
    ("change", "place", "found"),
    [
        (setting("asset", "version", "1.0"), "asset.version", "'1.0'"),
        (removing("asset"), "asset", "no glTF asset"),
        (setting("extensionsRequired", ["KHR_draco_mesh_compression"]), "extensionsRequired", "draco"),
        (setting("extensionsRequired", [3]), "extensionsRequired", "3"),
        (setting("scene", 7), "scene", "scenes index 7 of 1"),
        (setting("scene", True), "scene", "True"),
        (setting("scene", -1), "scene", "-1"),
        (setting("scenes", 0, "nodes", [5]), "scene", "nodes index 5 of 1"),
        (setting("scenes", 0, "nodes", []), "scene", "no triangles"),
        (setting("scenes", 0, "nodes", "all"), "scenes[0].nodes", "str"),
        (setting("nodes", 0, "children", [0]), "nodes[0]", "reached twice"),
        (setting("nodes", 0, "mesh", 3), "nodes[0].mesh", "meshes index 3 of 1"),
        (setting("nodes", 0, "scale", [1, 1]), "nodes[0].scale", "[1, 1]"),
        (setting("nodes", 0, "scale", [1, 1, 1e300]), "nodes[0].scale", "1e+300"),
        (setting("nodes", 0, "translation", [0, "1", 0]), "nodes[0].translation", "'1'"),
        (setting("nodes", 0, "rotation", [0, 0, 0, 0]), "nodes[0].rotation", "length 0"),
        (setting("nodes", 0, "matrix", [1] * 16), "nodes[0].matrix", "perspective"),
        (setting("nodes", 0, "matrix", [10**400] * 16), "nodes[0].matrix", "1000"),
        (setting("meshes", 0, "primitives", 0, "attributes", {}), "primitives[0].POSITION", "None"),
        (setting("meshes", 0, "primitives", 0, "mode", "4"), "primitives[0].mode", "'4'"),
        (setting("meshes", 0, "primitives", 0, "indices", 0), "accessors[0]", "'VEC3'"),
        (setting("accessors", 0, "count", -1), "accessors[0].count", "-1"),
        (setting("accessors", 0, "count", 300_000_000), "accessors[0]", "300000000 elements"),
        (setting("accessors", 0, "count", 10.0), "accessors[0].count", "10.0"),
        (setting("accessors", 0, "count", 2**60), "accessors[0].count", str(2**60)),
        (removing("accessors", 0, "bufferView"), "accessors[0]", "no bufferView"),
        (setting("accessors", 0, "sparse", {}), "accessors[0]", "sparse"),
        (setting("accessors", 0, "componentType", 5130), "accessors[0]", "5130"),
        (setting("accessors", 1, "componentType", 5126), "primitives[0].indices", "not whole numbers"),
        (setting("accessors", 0, "byteOffset", 8), "accessors[0]", "10 elements"),
        (setting("bufferViews", 0, "byteLength", 10**12), "bufferViews[0]", "1000000000000"),
        (setting("bufferViews", 1, "byteOffset", 10**12), "bufferViews[1]", "1000000000000"),
        (setting("bufferViews", 0, "byteStride", 1), "bufferViews[0].byteStride", "1"),
        (setting("bufferViews", 0, "byteStride", 2**40), "bufferViews[0].byteStride", str(2**40)),
        (setting("bufferViews", 0, "buffer", 1), "bufferViews[0].buffer", "buffers index 1 of 1"),
        (setting("buffers", 0, "byteLength", 10**12), "buffers[0]", "of 1000000000000 bytes"),
        (setting("buffers", 0, "byteLength", 8), "bufferViews[0]", "of a buffer of 8"),
        (setting("buffers", 0, "uri", "../secret.bin"), "buffers[0].uri", "outside the model's folder"),
        (setting("buffers", 0, "uri", "%2e%2e/secret.bin"), "buffers[0].uri", "outside the model's folder"),
        (setting("buffers", 0, "uri", "..\\secret.bin"), "buffers[0].uri", "outside the model's folder"),
        (setting("buffers", 0, "uri", "link/secret.bin"), "buffers[0].uri", "outside the model's folder"),
        (setting("buffers", 0, "uri", "/etc/passwd"), "buffers[0].uri", "/etc/passwd"),
        (setting("buffers", 0, "uri", "file:///etc/passwd"), "buffers[0].uri", "file:"),
        (setting("buffers", 0, "uri", "http://127.0.0.1/x.bin"), "buffers[0].uri", "http:"),
        (setting("buffers", 0, "uri", "C:\\x.bin"), "buffers[0].uri", "C:"),
        (setting("buffers", 0, "uri", "a\0b"), "buffers[0].uri", "a"),
        (setting("buffers", 0, "uri", "missing.bin"), "buffers[0].uri", "not there"),
        (setting("buffers", 0, "uri", "data:text/plain,hello"), "buffers[0].uri", "data:"),
        (setting("buffers", 0, "uri", "data:;base64,!!!"), "buffers[0].uri", "not base64"),
        (setting("buffers", 0, "uri", 5), "buffers[0].uri", "5"),
        (setting("nodes", {"mesh": 0}), "nodes", "dict"),
        (setting("nodes", 0, None), "nodes[0]", "NoneType"),
    ],
)
def test_hostile_documents(tmp_path: Path, change: Change, place: str, found: str) -> None:
    folder = tmp_path / "models"
    folder.mkdir()
    (tmp_path / "secret.bin").write_bytes(b"\0" * 4096)
    (folder / "link").symlink_to(tmp_path)
    document, blob = shed()
    document = copy.deepcopy(document)
    change(document)
    with pytest.raises(InputError) as caught:
        read(folder, document, blob)
    assert place in caught.value.place
    assert found in caught.value.found
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("points", "triangles", "found"),
    [
        ([[0, 0, 0], [4, 0, 0], [0, np.nan, 4]], [[0, 1, 2]], "nan"),
        ([[0, 0, 0], [4, 0, 0], [0, np.inf, 4]], [[0, 1, 2]], "inf"),
        ([[0, 0, 0], [4, 0, 0], [0, 0, 4], [np.nan, 0, 0]], [[0, 1, 2]], "nan"),  # even where unused
        ([[0, 0, 0], [4, 0, 0], [0, 0, 4]], [[0, 1, 3]], "out of range"),
        ([[0, 0, 0], [4, 0, 0], [0, 0, 4]], [[0, 1, 2**32 - 1]], "out of range"),
        ([[0, 0, 0], [4, 0, 0], [0, 0, 4]], [[0, 1, 1]], "no triangle with an area"),
        ([[0, 0, 0], [4, 0, 0], [0, 0, 4]], np.zeros((0, 3)), "no triangle"),
    ],
)
def test_hostile_numbers(tmp_path: Path, points: Any, triangles: Any, found: str) -> None:
    with pytest.raises(InputError, match=found):
        read(tmp_path, *gltf_document([(points, triangles)]))


def test_instances_are_counted_before_memory_is_taken(tmp_path: Path) -> None:
    # 12 000 nodes that all show one mesh of 1 000 triangles, in a file of half a megabyte
    triangles = np.tile([[0, 1, 2]], (1000, 1))
    nodes = [{"mesh": 0}] * 12_000
    document, blob = gltf_document([([[0, 0, 0], [4, 0, 0], [0, 0, 4]], triangles)], nodes)
    with pytest.raises(InputError, match="triangles"):
        read(tmp_path, document, blob)


def test_deep_and_doubled_nodes(tmp_path: Path) -> None:
    document, blob = gltf_document(
        [([[0, 0, 0], [4, 0, 0], [0, 0, 4]], [[0, 1, 2]])],
        [{"children": [i + 1]} for i in range(400)] + [{"mesh": 0}],
    )
    with pytest.raises(InputError, match="too deep"):
        read(tmp_path, document, blob)
    document, blob = gltf_document(
        [([[0, 0, 0], [4, 0, 0], [0, 0, 4]], [[0, 1, 2]])], [{"children": [1, 1]}, {"mesh": 0}]
    )
    with pytest.raises(InputError, match="reached twice"):
        read(tmp_path, document, blob)


def test_every_way_to_cut_a_glb_off(tmp_path: Path) -> None:
    whole = write_glb(tmp_path / "whole.glb", *shed()).read_bytes()
    path = tmp_path / "cut.glb"
    for length in [*range(1, 24), len(whole) // 3, len(whole) // 2, len(whole) - 100, len(whole) - 1]:
        path.write_bytes(whole[:length])
        with pytest.raises(InputError):
            read_mesh(path)


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"glTF" + struct.pack("<II", 1, 20) + b"\0" * 8, "GLB version 1"),
        (b"glTF" + struct.pack("<II", 2, 12) + b"\0" * 8, "no JSON chunk"),
        (b"glTF" + struct.pack("<IIII", 2, 20, 0, 0x004E4942), "not JSON"),
        (b"glTF" + struct.pack("<IIII", 2, 24, 2**31, 0x4E4F534A) + b"{}  ", "cut off"),
        (b"hello world", "no JSON"),
        (b"[" * 100_000, "nested too deeply"),
        (b"\0\1\2\3", "binary data"),
        (b'{"asset": {"version": "2.0"}, "x": NaN}', "the number NaN"),
        (b'{"asset": {"version": "2.0"}}', "no scene and no node"),
        (b'{"asset": {"version": "2.0"}, "nodes": [{}]}', "no triangles"),
        (b"[]", "no glTF asset"),
        (b'\xff\xfe{"asset"', "no"),
    ],
)
def test_hostile_bytes(tmp_path: Path, data: bytes, found: str) -> None:
    path = tmp_path / "model.glb"
    path.write_bytes(data)
    with pytest.raises(InputError, match=found):
        read_mesh(path)


def test_random_damage_never_escapes(tmp_path: Path) -> None:
    whole = bytearray(write_glb(tmp_path / "whole.glb", *shed()).read_bytes())
    rng = np.random.default_rng(7)
    path = tmp_path / "damaged.glb"
    for _ in range(300):
        damaged = bytearray(whole)
        for place in rng.integers(0, len(whole), size=3):
            damaged[place] = rng.integers(0, 256)
        path.write_bytes(damaged)
        try:
            mesh = read_mesh(path)
        except InputError as error:
            assert "\n" not in str(error)
        else:
            assert np.isfinite(mesh.vertices).all()
            assert mesh.triangles.min() >= 0
            assert mesh.triangles.max() < len(mesh.vertices)


def test_obj_and_glb_of_one_polygon_model_agree(tmp_path: Path) -> None:
    polygons = read_mesh(write_obj(tmp_path / "p.obj", SHED_POINTS, SHED_FACES), unit="m", up="z")
    mesh = read(tmp_path, *shed())
    np.testing.assert_array_equal(loaded(mesh), loaded(polygons))
    assert area(mesh) == pytest.approx(area(polygons), rel=1e-12)
