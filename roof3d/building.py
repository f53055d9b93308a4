"""From a model file to a roof that is ready for checking: mesh, planes, ground, edges, drops."""

from __future__ import annotations

import os

import numpy as np
import shapely

from roof3d.edges import find_edges
from roof3d.errors import InputError
from roof3d.levels import fill_drops
from roof3d.load import read_mesh
from roof3d.planes import find_facets
from roof3d.planes.flat import with_few_triangles
from roof3d.records import Facet, Mesh, Roof

FLUSH = (
    "Every plane is taken to bear a person. Glass, plastic sheet and the like that lie flush in a plane "
    "cannot be told from geometry; only parts named so are left open."
)
AROUND = 2.0  # m that ground must reach past the roofs to be called complete


def build(
    path: str | os.PathLike[str],
    *,
    unit: str | None = None,
    up: str | None = None,
    grade: float | None = None,
) -> Roof:
    """Read a model and find its planes, ground, edges, and what lies below its edges.

    ``unit`` (m, cm, mm, ft, in) and ``up`` (z, y) are needed where the file's format does not fix them;
    ``grade`` is the height of the ground in the loaded frame, metres, for models without ground. Raises
    ``InputError`` where the file cannot be read or shows no roof to the sky.
    """
    return from_mesh(read_mesh(path, unit, up), grade=grade)


def from_mesh(mesh: Mesh, *, grade: float | None = None) -> Roof:
    """The same, from a mesh that is already there; ``grade`` in the loaded frame, metres."""
    local = None if grade is None else float(grade) - float(mesh.origin[2])
    if local is not None and not np.isfinite(local):
        raise InputError(mesh.file, "grade", f"{grade}", "a height in metres")
    mesh = with_few_triangles(mesh)
    facets, doubts = find_facets(mesh, grade=local)
    if not any(facet.kind == "roof" for facet in facets):
        raise InputError(
            mesh.file, "mesh", "no up-facing surface that the sky can see", "a building with a roof"
        )
    level, source, sentence = find_grade(mesh, facets, local)
    edges, graph = find_edges(mesh, facets, level)
    told = [*doubts, *([sentence] if sentence else []), FLUSH]
    roof = Roof(mesh, facets, edges, graph, level, source, tuple(told))
    return fill_drops(roof)


def find_grade(mesh: Mesh, facets: tuple[Facet, ...], grade: float | None) -> tuple[float, str, str]:
    """Local height of the ground, where it comes from, and what must be said about it.

    Ground in the model comes first, then ``grade`` (local), then the lowest point of the model. A model's
    ground may be uneven; the one level stands in only where the model has nothing below. Where the ground
    reaches ``AROUND`` past all roofs that never happens, and its lowest point is taken; else its highest,
    since higher ground leaves less room.
    """
    lowest = float(mesh.vertices[:, 2].min())
    ground = [facet for facet in facets if facet.kind == "ground"]
    if ground:
        z = np.concatenate([ring[:, 2] for facet in ground for ring in facet.rings])
        if _reaches_round(ground, [facet for facet in facets if facet.kind == "roof"]):
            return float(z.min()), "model", ""
        level = max(float(z.max()), grade if grade is not None else -np.inf)
        return (
            level,
            "model",
            f"The ground in the model does not reach {AROUND:.0f} m past all roofs: where it is missing, "
            f"level ground at {level + float(mesh.origin[2]):.2f} m is taken instead.",
        )
    if grade is not None:
        said = ""
        if grade < lowest - 0.5:
            said = (
                f"The stated grade of {grade + float(mesh.origin[2]):.2f} m lies {lowest - grade:.2f} m "
                "under the lowest point of the model."
            )
        return grade, "plan", said
    return (
        lowest,
        "assumed",
        "No ground in the model and no grade stated: the ground is taken to be level at the model's lowest "
        f"point, {lowest + float(mesh.origin[2]):.2f} m. Where the ground lies higher there is less room "
        "below than shown.",
    )


def _reaches_round(ground: list[Facet], roofs: list[Facet]) -> bool:
    plot = shapely.union_all([shapely.make_valid(shapely.Polygon(f.rings[0][:, :2])) for f in ground])
    need = shapely.union_all([shapely.make_valid(shapely.Polygon(f.rings[0][:, :2])) for f in roofs])
    return bool(plot.buffer(0.05).covers(need.buffer(AROUND)))
