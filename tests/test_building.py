"""From a file to a roof: where the ground comes from, what is said about it, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import roof3d.building
from roof3d.building import build, find_grade, from_mesh
from roof3d.errors import InputError
from roof3d.planes import find_facets
from tests.bodies import box, cut, gable, welded
from tests.conftest import MODELS


def test_the_lowest_point_stands_in_for_missing_ground_and_says_so() -> None:
    roof = build(MODELS / "gable.obj", unit="m", up="z")
    assert roof.grade_source == "assumed"
    assert roof.grade == pytest.approx(float(roof.mesh.vertices[:, 2].min()))
    assert any("No ground in the model" in text for text in roof.assumptions)


def test_a_stated_grade_is_in_the_loaded_frame() -> None:
    roof = build(MODELS / "mono-pitch.obj", unit="m", up="z", grade=211.5)
    assert roof.grade_source == "plan"
    assert roof.grade + roof.mesh.origin[2] == pytest.approx(211.5)
    assert not any("No ground" in text for text in roof.assumptions)


def test_a_grade_far_under_the_model_is_remarked() -> None:
    roof = build(MODELS / "gable.obj", unit="m", up="z", grade=-3.0)
    assert any("under the lowest point" in text for text in roof.assumptions)


def test_not_a_number_is_no_grade() -> None:
    with pytest.raises(InputError, match="height in metres"):
        build(MODELS / "gable.obj", unit="m", up="z", grade=float("nan"))


def test_a_file_without_unit_is_refused_and_nothing_is_guessed() -> None:
    with pytest.raises(InputError):
        build(MODELS / "gable.obj", up="z")


def test_missing_file() -> None:
    with pytest.raises(InputError, match=r"nowhere\.obj"):
        build(Path("nowhere.obj"), unit="m", up="z")


def test_ground_that_stops_short_counts_as_high_as_it_gets() -> None:
    """Ground modelled on one side only: elsewhere it is taken as high as it is anywhere."""
    strip = cut([(-20, -1, -2.0), (30, -1, -2.0), (30, 20, 0.0), (-20, 20, 0.0)])
    house = gable()
    mesh = welded([strip, *house, *box(0, 10, 0, 8, -3, 0)[2:]], oriented=False)
    facets, _ = find_facets(mesh)
    ground = [f for f in facets if f.kind == "ground"]
    assert ground
    level, source, said = find_grade(mesh, facets, None)
    assert source == "model"
    assert level == pytest.approx(max(float(ring[:, 2].max()) for f in ground for ring in f.rings))
    assert "does not reach" in said


def test_higher_grade_never_adds_room() -> None:
    """Drops shrink, or stay, as the ground is raised."""
    drops = []
    for grade in (0.0, 0.5, 1.0, 2.0):
        roof = from_mesh(welded(gable()), grade=grade)
        drops.append([edge.drop_m for edge in roof.edges if edge.fall])
    for before, after in pairwise(drops):
        assert all(b >= a - 1e-9 for b, a in zip(before, after, strict=True))


def test_a_site_offset_changes_nothing_but_the_loaded_frame() -> None:
    mesh = welded(gable())
    far = replace(mesh, origin=np.array([4.8e5, 5.3e6, 212.0]))
    one, two = from_mesh(mesh, grade=-1.0), from_mesh(far, grade=211.0)
    assert one.grade == pytest.approx(two.grade)
    for edge, other in zip(one.edges, two.edges, strict=True):
        assert edge.points.tobytes() == other.points.tobytes()
        assert edge.drop_m == other.drop_m


def test_flush_glass_is_named_as_what_geometry_cannot_tell() -> None:
    roof = from_mesh(welded(gable()))
    assert roof3d.building.FLUSH in roof.assumptions
