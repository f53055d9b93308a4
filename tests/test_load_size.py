"""Unit, up axis and extent: told or by standard, never guessed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from roof3d.errors import InputError
from roof3d.load import read_mesh
from tests.load_helpers import SHED_AREA, SHED_FACES, SHED_POINTS, SHED_TRIANGLES, area, loaded, write_obj


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    return write_obj(tmp_path / "shed.obj", SHED_POINTS, SHED_FACES)


def test_neither_told(shed: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_mesh(shed)
    assert str(caught.value) == (
        f"{shed}: unit and up: found neither unit nor up axis; OBJ files state none; accepted: "
        "unit m (10 x 6 x 5 m), cm (0.1 x 0.06 x 0.05 m), mm (0.01 x 0.006 x 0.005 m), "
        "ft (3.048 x 1.829 x 1.524 m), in (0.254 x 0.1524 x 0.127 m); "
        "and up z (height 5 in that unit) or up y (height 6)"
    )


def test_one_told(shed: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_mesh(shed, unit="ft")
    assert str(caught.value) == (
        f"{shed}: up: found no up axis; OBJ files state none; accepted: "
        "z (3.048 x 1.829 x 1.524 m, the last being the height) or y (3.048 x 1.524 x 1.829 m)"
    )
    with pytest.raises(InputError) as caught:
        read_mesh(shed, up="y")
    assert caught.value.place == "unit"
    assert "m (10 x 5 x 6 m)" in caught.value.accepted


@pytest.mark.parametrize(
    ("unit", "up", "place"),
    [
        ("km", "z", "unit"),
        ("", "z", "unit"),
        (1, "z", "unit"),
        ("m", "x", "up"),
        ("m", "up", "up"),
        ("furlong", None, "unit"),
    ],
)
def test_wrong_words(shed: Path, unit: str, up: str, place: str) -> None:
    with pytest.raises(InputError) as caught:
        read_mesh(shed, unit=unit, up=up)
    assert caught.value.place == place
    assert caught.value.accepted in ("m, cm, mm, ft, in", "z, y")


def test_capitals_are_the_same_words(shed: Path) -> None:
    mesh = read_mesh(shed, unit=" M ", up="Z")
    assert (mesh.unit, mesh.up) == ("m", "z")


@pytest.mark.parametrize("unit", ["cm", "mm", "in"])
def test_a_building_of_a_hand_s_breadth_is_refused(shed: Path, unit: str) -> None:
    with pytest.raises(InputError, match="check the unit") as caught:
        read_mesh(shed, unit=unit, up="z")
    assert caught.value.place == "size"


def test_a_building_of_ten_kilometres_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="10000 x 6000 x 5000 m"):
        read_mesh(write_obj(tmp_path / "mm.obj", SHED_POINTS * 1000, SHED_FACES), unit="m", up="z")


def test_coordinates_beyond_double_precision_are_refused(tmp_path: Path) -> None:
    path = write_obj(tmp_path / "far.obj", SHED_POINTS + np.array([3e9, 0, 0]), SHED_FACES)
    with pytest.raises(InputError, match="coordinates up to 3e"):
        read_mesh(path, unit="m", up="z")


def test_helper_object_at_the_map_s_origin_is_left_out(tmp_path: Path) -> None:
    # the building at map coordinates, and a marker at zero: it must not take the digits away
    points = np.vstack((SHED_POINTS + np.array([446_000, 120_000, 0]), [[0, 0, 0], [1, 0, 0], [0, 1, 0]]))
    triangles = np.vstack((SHED_TRIANGLES, [[10, 11, 12]]))
    mesh = read_mesh(write_obj(tmp_path / "m.obj", points, triangles), unit="m", up="z")
    assert mesh.repairs == ("Left out 1 triangle farther than 5000 m from the rest.",)
    assert area(mesh) == pytest.approx(SHED_AREA)
    np.testing.assert_array_equal(loaded(mesh).min(0), [446_000, 120_000, 0])
    assert np.abs(mesh.vertices).max() < 10
    # without a unit, sizes are given without the marker too
    with pytest.raises(InputError, match=r"unit m \(10 x 6 x 5 m\)"):
        read_mesh(tmp_path / "m.obj")


def test_helper_object_near_by_is_kept(tmp_path: Path) -> None:
    # 30 m away it may be struck: it stays
    points = np.vstack((SHED_POINTS, [[40, 0, 0], [41, 0, 0], [40, 1, 0]]))
    triangles = np.vstack((SHED_TRIANGLES, [[10, 11, 12]]))
    mesh = read_mesh(write_obj(tmp_path / "m.obj", points, triangles), unit="m", up="z")
    assert len(mesh.triangles) == 17


def test_two_halves_far_apart_are_refused(tmp_path: Path) -> None:
    points = np.vstack((SHED_POINTS, SHED_POINTS + np.array([446_000, 0, 0])))
    faces = [*SHED_TRIANGLES, *(SHED_TRIANGLES + 10)]
    with pytest.raises(InputError, match="446010 x 6 x 5 m"):
        read_mesh(write_obj(tmp_path / "m.obj", points, faces), unit="m", up="z")
