"""PLY, STL, OFF, 3MF, CityJSON and IFC: the same shed from each, and what each refuses."""

from __future__ import annotations

import importlib.util
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from roof3d.errors import InputError
from roof3d.load import FORMATS, read_mesh
from roof3d.records import Mesh
from tests.conftest import shared_data
from tests.load_helpers import (
    L_SHAPE,
    SHED_AREA,
    SHED_FACES,
    SHED_POINTS,
    SHED_TRIANGLES,
    SHED_VOLUME,
    area,
    assert_same_mesh,
    loaded,
    volume,
    write_obj,
)


@pytest.fixture
def plain(tmp_path: Path) -> Mesh:
    """The shed in triangles, as OBJ."""
    return read_mesh(write_obj(tmp_path / "plain.obj", SHED_POINTS, SHED_TRIANGLES), unit="m", up="z")


def reference() -> trimesh.Trimesh:
    return trimesh.Trimesh(SHED_POINTS, SHED_TRIANGLES, process=False)


def check_shed(mesh: Mesh) -> None:
    assert area(mesh) == pytest.approx(SHED_AREA, rel=1e-7)
    assert volume(mesh) == pytest.approx(SHED_VOLUME, rel=1e-7)
    assert mesh.oriented.all()
    assert len(mesh.vertices) == 10
    np.testing.assert_array_equal(loaded(mesh)[[0, -1]], [[0, 0, 0], [10, 6, 3]])


def refuse(path: Path, data: bytes | str, found: str, **options: Any) -> None:
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    with pytest.raises(InputError, match=found) as caught:
        read_mesh(path, **options)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


# ------------------------------------------------- files written by trimesh 5, an independent writer


@pytest.mark.parametrize(
    ("suffix", "options"),
    [
        ("ply", {"encoding": "ascii"}),
        ("ply", {"encoding": "binary"}),
        ("stl", {}),
        ("stl_ascii", {}),
        ("off", {}),
    ],
)
def test_files_written_by_trimesh(tmp_path: Path, plain: Mesh, suffix: str, options: dict[str, Any]) -> None:
    data = reference().export(file_type=suffix, **options)
    path = tmp_path / f"shed.{suffix.partition('_')[0]}"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    mesh = read_mesh(path, unit="m", up="z")
    check_shed(mesh)
    assert_same_mesh(mesh, plain)


# --------------------------------------------------------------------------------------------- PLY


def ply(order: str, faces: Any, extra: bool = False) -> bytes:
    """Polygons as PLY with doubles; extra properties and an element behind, which are to be skipped."""
    head = f"ply\nformat {order} 1.0\ncomment made for a test\nelement vertex {len(SHED_POINTS)}\n"
    head += "property double x\nproperty double y\nproperty double z\n" + (
        "property uchar red\n" if extra else ""
    )
    head += f"element face {len(faces)}\n" + ("property float quality\n" if extra else "")
    head += "property list uchar int vertex_indices\n" + ("property list uchar float uv\n" if extra else "")
    head += ("element edge 1\nproperty int a\n" if extra else "") + "end_header\n"
    out = io.BytesIO()
    out.write(head.encode())
    sign = ">" if "big" in order else "<"

    def put(kind: str, *values: Any) -> None:
        if order == "ascii":
            out.write(" ".join(str(value) for value in values).encode() + b" ")
        else:
            out.write(np.array(values, dtype=sign + kind).tobytes())

    def end() -> None:
        out.write(b"\n" if order == "ascii" else b"")

    for point in SHED_POINTS:
        put("f8", *point)
        if extra:
            put("u1", 7)
        end()
    for face in faces:
        if extra:
            put("f4", 0.5)
        put("u1", len(face))
        put("i4", *face)
        if extra:
            put("u1", 2)
            put("f4", 0, 1)
        end()
    if extra:
        put("i4", 3)
        end()
    return out.getvalue()


@pytest.mark.parametrize("order", ["ascii", "binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("extra", [False, True])
@pytest.mark.parametrize("faces", [SHED_FACES, SHED_TRIANGLES])
def test_ply(tmp_path: Path, order: str, extra: bool, faces: Any) -> None:
    path = tmp_path / "shed.ply"
    path.write_bytes(ply(order, faces, extra))
    check_shed(read_mesh(path, unit="m", up="z"))


def test_hostile_ply(tmp_path: Path) -> None:
    path, good = tmp_path / "model.ply", {"unit": "m", "up": "z"}
    text, binary = ply("ascii", SHED_FACES), ply("binary_little_endian", SHED_FACES)
    refuse(path, "hello", "no PLY header", **good)
    refuse(path, text.replace(b"face 7", b"face 999999999"), "999999999 of face", **good)
    refuse(path, text.replace(b"vertex 10", b"vertex -1"), "-1 of vertex", **good)
    refuse(path, text.replace(b"face 7", b"face 8"), "7 of 8 rows", **good)
    refuse(path, text.replace(b"face 7", b"face 0"), "no face", **good)
    refuse(path, text.replace(b"list uchar int", b"list uchar string"), "string", **good)
    refuse(path, text.replace(b"property double x", b"property double q"), "x, y and z", **good)
    refuse(path, text.replace(b"10.0 6.0 3.0", b"10.0 nan 3.0"), "nan", **good)
    refuse(path, text.replace(b"10.0 6.0 3.0", b"10,0 6.0 3.0"), "10,0", **good)
    refuse(path, text.replace(b"4 0 3 2 1", b"4 0 3 2 99"), "vertex index 99", **good)
    refuse(path, text.replace(b"4 0 3 2 1", b"4 0 3 2 -1"), "vertex index -1", **good)
    refuse(path, text.replace(b"4 0 3 2 1", b"2 0 3"), "2 corners", **good)
    refuse(path, text.replace(b"4 0 3 2 1", b"-4 0 3 2 1"), "-4", **good)
    refuse(path, binary[:-5], "ends inside", **good)
    refuse(path, binary.replace(b"face 7", b"face 9000000"), "ends inside", **good)
    refuse(path, binary[: binary.find(b"end_header") + 5], "no PLY header", **good)
    refuse(
        path,
        binary.replace(b"element face 7\nproperty list uchar int vertex_indices\n", b""),
        "no face",
        **good,
    )


# --------------------------------------------------------------------------------------------- STL


def test_hostile_stl(tmp_path: Path) -> None:
    path, good = tmp_path / "model.stl", {"unit": "m", "up": "z"}
    binary, text = reference().export(file_type="stl"), reference().export(file_type="stl_ascii")
    refuse(path, b"short", "5 bytes", **good)
    refuse(
        path,
        binary[:80] + (10**9).to_bytes(4, "little") + binary[84:],
        "1000000000 triangles announced",
        **good,
    )
    refuse(path, binary[:-1], "16 triangles announced", **good)
    refuse(path, binary[:80] + b"\0\0\0\0", "no triangle", **good)
    refuse(path, binary[:96] + np.float32(np.nan).tobytes() + binary[100:], "nan", **good)
    refuse(path, "solid nothing\nendsolid\n", "no triangle", **good)
    refuse(path, text.replace("vertex", "vertex x", 1), "vertex x", **good)
    refuse(path, text.replace("vertex", "point", 1), "point", **good)
    refuse(path, text[: len(text) // 2], "found", **good)
    refuse(path, "solid a\nfacet\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nendloop\n", "2 corners", **good)
    refuse(
        path,
        "solid a\nfacet\nouter loop\nvertex 0 0 nan\nvertex 1 0 0\nvertex 0 1 0\nendloop\n",
        "nan",
        **good,
    )
    refuse(path, "facet\nouter loop\nvertex 0 0 0\n", "bytes", **good)


def test_solids_of_stl_text_are_parts(tmp_path: Path) -> None:
    lines = []
    for name, triangles in (("hall", SHED_TRIANGLES[:8]), ("annex", SHED_TRIANGLES[8:])):
        lines.append(f"solid {name}")
        for triangle in triangles:
            rows = "".join(f"vertex {x} {y} {z}\n" for x, y, z in SHED_POINTS[triangle])
            lines.append(f"facet normal 0 0 0\nouter loop\n{rows}endloop\nendfacet")
        lines.append("endsolid")
    path = tmp_path / "two.stl"
    path.write_text("\n".join(lines))
    mesh = read_mesh(path, unit="m", up="z")
    check_shed(mesh)
    assert mesh.part_names == ("annex", "hall")


# --------------------------------------------------------------------------------------------- OFF


def off(points: Any, faces: Any) -> str:
    lines = ["OFF # made for a test", f"{len(points)} {len(faces)} 0", ""]
    lines += [" ".join(map(str, point)) for point in points]
    lines += [f"{len(face)} {' '.join(map(str, face))} 255 0 0" for face in faces]
    return "\n".join(lines)


def test_off_polygons(tmp_path: Path) -> None:
    path = tmp_path / "shed.off"
    path.write_text(off(SHED_POINTS, SHED_FACES))
    check_shed(read_mesh(path, unit="m", up="z"))
    path.write_text(off(np.column_stack((L_SHAPE, np.zeros(6))), [range(6)]))
    assert area(read_mesh(path, unit="m", up="z")) == pytest.approx(7)


def test_hostile_off(tmp_path: Path) -> None:
    path, good = tmp_path / "model.off", {"unit": "m", "up": "z"}
    text = off(SHED_POINTS, SHED_FACES)
    refuse(path, "hello", "hello", **good)
    refuse(path, "OFF\n", "no counts", **good)
    refuse(path, "OFF\n3\n", "'3'", **good)
    refuse(path, text.replace("10 7 0", "10 999999999 0"), "999999999 faces", **good)
    refuse(path, text.replace("10 7 0", "-1 7 0"), "-1 vertices", **good)
    refuse(path, text.replace("10 7 0", "10 8 0"), "in 17 lines", **good)
    refuse(path, text.replace("10 7 0", "10 0 0"), "no face", **good)
    refuse(path, text.replace("4 0 3 2 1", "4 0 3 2 10"), "out of range", **good)
    refuse(path, text.replace("4 0 3 2 1", "4 0 3 2 -1"), "out of range", **good)
    refuse(path, text.replace("4 0 3 2 1", "9 0 3 2 1"), "9 0 3 2 1", **good)
    refuse(path, text.replace("10.0 6.0 3.0", "10.0 nan 3.0"), "nan", **good)
    refuse(path, text.replace("10.0 6.0 3.0", "10,0 6.0 3.0"), "10,0", **good)


# --------------------------------------------------------------------------------------------- 3MF


def three_mf(model: str, name: str = "3D/3dmodel.model") -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, model)
    return out.getvalue()


def three_mf_model(unit: str = "meter", components: str = "", items: str = '<item objectid="1"/>') -> str:
    space = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in SHED_POINTS)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in SHED_TRIANGLES)
    shed = f"<mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>"
    objects = f'<object id="1" type="model">{shed}</object>{components}'
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" xmlns="{space}">'
        f"<resources>{objects}</resources><build>{items}</build></model>"
    )


def test_3mf_says_its_unit(tmp_path: Path) -> None:
    path = tmp_path / "shed.3mf"
    path.write_bytes(three_mf(three_mf_model()))
    mesh = read_mesh(path)
    check_shed(mesh)
    assert (mesh.unit, mesh.up, mesh.doubts) == ("m", "z", ())
    path.write_bytes(three_mf(three_mf_model("foot")))
    assert area(read_mesh(path)) == pytest.approx(SHED_AREA * 0.3048**2)
    # a writer that leaves metres under the format's default of millimetres makes a shed of 10 mm
    refuse(path, three_mf(three_mf_model("millimeter")), "0.01 x 0.006 x 0.005 m")
    path.write_bytes(three_mf(three_mf_model("millimeter")))
    mesh = read_mesh(path, unit="m")
    check_shed(mesh)
    assert mesh.doubts == ("The unit was given as m against the 3MF file, which has mm.",)


def test_3mf_items_and_components(tmp_path: Path) -> None:
    group = '<object id="2" type="model"><components><component objectid="1"/>'
    group += '<component objectid="1" transform="-1 0 0 0 1 0 0 0 1 -20 0 0"/></components></object>'
    path = tmp_path / "shed.3mf"
    path.write_bytes(three_mf(three_mf_model(components=group, items='<item objectid="2"/>')))
    mesh = read_mesh(path)
    assert area(mesh) == pytest.approx(2 * SHED_AREA)
    assert volume(mesh) == pytest.approx(2 * SHED_VOLUME)
    np.testing.assert_allclose(loaded(mesh).min(0), [-30, 0, 0])


def test_hostile_3mf(tmp_path: Path) -> None:
    path, model = tmp_path / "model.3mf", three_mf_model()
    refuse(path, b"PK nothing", "no 3MF archive")
    refuse(path, three_mf(model)[:-40], "no 3MF archive")
    refuse(path, three_mf(model, "other.model"), "no 3D/3dmodel.model")
    refuse(path, three_mf(model.replace("meter", "cubit")), "cubit")
    refuse(path, three_mf(model.replace("<model", "<!DOCTYPE model><model")), "document type")
    refuse(path, three_mf(model[:-20]), "broken XML")
    refuse(path, three_mf(model.replace('x="10.0"', 'x="nan"', 1)), "found")
    refuse(path, three_mf(model.replace('v1="0"', 'v1="77"', 1)), "found")
    refuse(path, three_mf(three_mf_model(items="")), "found")
    refuse(path, three_mf(three_mf_model(items='<item objectid="9"/>')), "not there")
    loop = '<object id="2"><components><component objectid="2"/></components></object>'
    refuse(path, three_mf(three_mf_model(components=loop, items='<item objectid="2"/>')), "holds itself")
    # each object holds the one before it twice: 2^40 sheds in three kilobytes
    tower = ""
    for number in range(2, 42):
        pair = f'<component objectid="{number - 1}"/>' * 2
        tower += f'<object id="{number}"><components>{pair}</components></object>'
    refuse(path, three_mf(three_mf_model(components=tower, items='<item objectid="41"/>')), "instances")
    bomb = io.BytesIO()
    with (
        zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("3D/3dmodel.model", "w") as entry,
    ):
        for _ in range(600):
            entry.write(b" " * (1 << 20))
    assert len(bomb.getvalue()) < 1 << 20
    refuse(path, bomb.getvalue(), "bytes when inflated")


# ---------------------------------------------------------------------------------------- CityJSON


def city(**changes: Any) -> dict[str, Any]:
    """The shed as a solid, in whole millimetres with an offset."""
    shell = [[list(face)] for face in SHED_FACES]
    return {
        "type": "CityJSON",
        "version": "2.0",
        "transform": {"scale": [0.001] * 3, "translate": [85_000.5, 446_000, 2]},
        "metadata": {"referenceSystem": "https://www.opengis.net/def/crs/EPSG/0/7415"},
        "CityObjects": {
            "shed": {"type": "Building", "geometry": [{"type": "Solid", "lod": "2.2", "boundaries": [shell]}]}
        },
        "vertices": (SHED_POINTS * 1000).astype(int).tolist(),
    } | changes


def read_city(folder: Path, document: Any, name: str = "shed.city.json") -> Mesh:
    path = folder / name
    path.write_text(json.dumps(document))
    return read_mesh(path)


def test_cityjson_solid(tmp_path: Path) -> None:
    mesh = read_city(tmp_path, city())
    assert area(mesh) == pytest.approx(SHED_AREA, rel=1e-10)
    assert volume(mesh) == pytest.approx(SHED_VOLUME, rel=1e-10)
    np.testing.assert_allclose(loaded(mesh)[0], [85_000.5, 446_000, 2], atol=1e-9)
    assert (mesh.unit, mesh.up, mesh.part_names, mesh.doubts) == ("m", "z", ("shed",), ())


def test_cityjson_holes(tmp_path: Path) -> None:
    # a flat roof 10 m by 6 m with an opening of 2 m by 1 m
    hole = [[4, 2, 3], [4, 3, 3], [6, 3, 3], [6, 2, 3]]
    document = city(vertices=[*(SHED_POINTS * 1000).astype(int).tolist(), *(np.array(hole) * 1000).tolist()])
    document["CityObjects"]["shed"]["geometry"] = [
        {"type": "MultiSurface", "lod": 2, "boundaries": [[[4, 5, 6, 7], [10, 11, 12, 13]]]}
    ]
    assert area(read_city(tmp_path, document)) == pytest.approx(58)


def test_cityjson_highest_level_of_detail(tmp_path: Path) -> None:
    document = city()
    footprint = {"type": "MultiSurface", "lod": "0", "boundaries": [[[0, 3, 2, 1]]]}
    box = {"type": "MultiSurface", "lod": "1.2", "boundaries": [[[4, 5, 6, 7]], [[0, 1, 5, 4]]]}
    document["CityObjects"]["shed"]["geometry"] += [footprint, box]
    document["CityObjects"]["parent"] = {"type": "Building", "children": ["shed"], "geometry": [footprint]}
    document["CityObjects"]["tree"] = {
        "type": "PlantCover",
        "geometry": [{"type": "GeometryInstance", "lod": 2}],
    }
    mesh = read_city(tmp_path, document)
    assert area(mesh) == pytest.approx(SHED_AREA, rel=1e-10)
    assert mesh.repairs == ("Passed over 1 flat footprint of buildings.",)
    assert mesh.doubts == ("Missing: 1 object made from templates, which cannot be read.",)


def test_cityjson_same_surfaces_twice(tmp_path: Path) -> None:
    document = city()
    turned = [[list(np.roll(face, 1))] for face in SHED_FACES]  # starts elsewhere, so it is cut otherwise
    document["CityObjects"]["shed"]["geometry"].append(
        {"type": "MultiSurface", "lod": "2.2", "boundaries": json.loads(json.dumps(turned, default=int))}
    )
    mesh = read_city(tmp_path, document)
    assert area(mesh) == pytest.approx(SHED_AREA, rel=1e-10)
    assert mesh.repairs == ("Left out 7 repeated surfaces.",)


def test_cityjson_sequence(tmp_path: Path) -> None:
    whole = city()
    header = city(CityObjects={}, vertices=[])
    feature = {
        "type": "CityJSONFeature",
        "id": "shed",
        "CityObjects": whole["CityObjects"],
        "vertices": whole["vertices"],
    }
    path = tmp_path / "shed.city.jsonl"
    path.write_text(json.dumps(header) + "\n" + json.dumps(feature) + "\n")
    assert_same_mesh(read_mesh(path), read_city(tmp_path, whole))
    refuse(path, json.dumps(feature), "a feature before any header")
    refuse(path, json.dumps(header) + "\n{\n", "line 2: found no JSON")
    refuse(path, json.dumps(header) + "\n", "no surface")


def test_cityjson_unit_is_a_doubt_where_the_system_is_not_known(tmp_path: Path) -> None:
    # EPSG:2263 is in US survey feet
    document = city(metadata={"referenceSystem": "https://www.opengis.net/def/crs/EPSG/0/2263"})
    assert any("no reference system of known unit" in text for text in read_city(tmp_path, document).doubts)
    path = tmp_path / "shed.city.json"
    mesh = read_mesh(path, unit="ft")
    assert mesh.doubts == ()
    assert area(mesh) == pytest.approx(SHED_AREA * 0.3048**2)


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"type": "Feature"}, "no CityJSON"),
        ({"version": "0.9"}, "0.9"),
        ({"transform": {"scale": [1, 1]}}, "1, 1"),
        ({"transform": {"scale": [1, 1, "x"], "translate": [0, 0, 0]}}, "x"),
        ({"vertices": [[0, 0]]}, "0, 0"),
        ({"vertices": [[0, 0, 10**30]]}, "1000"),
        ({"vertices": {}}, "dict"),
        ({"vertices": []}, "the ring"),
        ({"CityObjects": []}, "list"),
        ({"CityObjects": {}}, "no surface"),
        ({"CityObjects": {"a": 1}}, "int"),
        ({"CityObjects": {"a": {"geometry": [1]}}}, "no list of objects"),
        ({"CityObjects": {"a": {"geometry": [{"type": "Solid", "lod": [], "boundaries": []}]}}}, "found"),
        (
            {"CityObjects": {"a": {"geometry": [{"type": "Solid", "lod": 2, "boundaries": [[[0, 1, 2]]]}]}}},
            "found",
        ),
        ({"CityObjects": {"a": {"geometry": [{"type": "Solid", "lod": 2, "boundaries": [1]}]}}}, "nested"),
        (
            {"CityObjects": {"a": {"geometry": [{"type": "MultiSurface", "boundaries": [[[0, 1, -1]]]}]}}},
            "the ring",
        ),
        (
            {"CityObjects": {"a": {"geometry": [{"type": "MultiSurface", "boundaries": [[[0, 1, 99]]]}]}}},
            "the ring",
        ),
        (
            {"CityObjects": {"a": {"geometry": [{"type": "MultiSurface", "boundaries": [[[0, 1]]]}]}}},
            "the ring",
        ),
        (
            {"CityObjects": {"a": {"geometry": [{"type": "MultiSurface", "boundaries": [[]]}]}}},
            "no list of rings",
        ),
    ],
)
def test_hostile_cityjson(tmp_path: Path, change: dict[str, Any], found: str) -> None:
    refuse(tmp_path / "bad.city.json", json.dumps(city(**change)), found)


def test_hostile_json_text(tmp_path: Path) -> None:
    path = tmp_path / "bad.city.json"
    refuse(path, "hello", "no JSON")
    refuse(path, "[" * 200_000, "nested too deeply")
    refuse(path, json.dumps(city()).replace("85000.5", "NaN"), "the number NaN")
    refuse(path, json.dumps(city()).replace("85000.5", "1e999"), "found")
    refuse(path, b"\xff\xfe{}", "not UTF-8")
    refuse(path, b"{}\0", "binary")


# --------------------------------------------------------------------------------------------- IFC


def test_ifc_without_its_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "ifcopenshell", None)
    refuse(tmp_path / "a.ifc", "ISO-10303-21;\nHEADER;\n", "ifcopenshell is missing.*roof3d.ifc")


def test_what_is_no_ifc(tmp_path: Path) -> None:
    refuse(tmp_path / "a.ifc", "hello", "no STEP header")
    if importlib.util.find_spec("ifcopenshell"):
        refuse(tmp_path / "a.ifc", "ISO-10303-21;\nHEADER;\n", "found")


def test_ifc_of_a_published_sample() -> None:
    pytest.importorskip("ifcopenshell", reason="the optional library for IFC is not installed")
    folder = shared_data("bsi_house_ifc")
    mesh = read_mesh(folder / "bsi_house_ifc.ifc")
    other = read_mesh(folder / "bsi_house_ifc.glb")
    assert (mesh.unit, mesh.up) == ("m", "z")
    np.testing.assert_allclose(np.ptp(mesh.vertices, axis=0), np.ptp(other.vertices, axis=0), atol=2e-3)
    assert area(mesh) == pytest.approx(area(other), rel=1e-3)


# ---------------------------------------------------------------------------------------- registry


def test_every_format_is_found_by_its_suffixes() -> None:
    suffixes = [suffix for one in FORMATS for suffix in one.suffixes]
    assert len(set(suffixes)) == len(suffixes)
    assert {".obj", ".gltf", ".glb", ".ply", ".stl", ".off", ".3mf", ".city.json", ".ifc"} <= set(suffixes)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for path, found in (
        (tmp_path / "missing.obj", "no such file"),
        (tmp_path, "a folder"),
        (Path("/dev/null"), "a device or pipe"),
        (Path("a\0b.obj"), "found"),
    ):
        with pytest.raises(InputError, match=found):
            read_mesh(path)
    refuse(tmp_path / "empty.obj", b"", "an empty file")
    refuse(tmp_path / "letter.docx", b"PK", r"\.docx.*accepted: .obj, .glb")
    refuse(tmp_path / "none", b"PK", "none")
    for suffix in ("obj", "glb", "gltf", "ply", "stl", "off", "3mf", "city.json", "city.jsonl", "ifc"):
        path = tmp_path / f"noise.{suffix}"
        refuse(path, bytes(np.random.default_rng(3).integers(0, 256, 2000, dtype=np.uint8)), "found")
        refuse(path, "Dear all,\nplease find attached the roof.\n", "found")


def test_size_limit_comes_before_reading(tmp_path: Path) -> None:
    path = tmp_path / "huge.obj"
    with path.open("wb") as file:
        file.truncate(2 << 30)  # sparse: takes no disk
    with pytest.raises(InputError, match="2147483648 bytes"):
        read_mesh(path)
