"""Where work is to be done: roof planes cut to the plan's work areas, in plan view."""

from __future__ import annotations

import numpy as np
import shapely

from roof3d.errors import InputError
from roof3d.records import Facet, Plan, Roof, WorkArea


def footprint(facet: Facet) -> shapely.Geometry:
    """A facet's outline in plan with its holes (local frame), made valid."""
    rings = [ring[:, :2] for ring in facet.rings]
    shape = shapely.Polygon(rings[0], rings[1:])
    return shape if shape.is_valid else shapely.make_valid(shape)


def work_shapes(roof: Roof, plan: Plan) -> dict[str, shapely.Geometry]:
    """Plan-view shape of the work on each roof plane; planes without work are left out.

    With no work area in the plan every roof plane counts whole. A strip along edges is measured level,
    which on a slope asks for a little more than its width. Raises InputError for unknown ids.
    """
    shapes = {facet.id: footprint(facet) for facet in roof.planes}
    if not plan.work:
        return shapes
    out: dict[str, shapely.Geometry] = {}
    for number, area in enumerate(plan.work, 1):
        place = f"work {area.id or number}"
        _known(roof, plan, area, place)
        found = False
        for name, shape in shapes.items():
            part = _part(roof, area, name, shape)
            if part is not None and part.area > 1e-9:
                out[name] = shapely.union(out[name], part) if name in out else part
                found = True
        if not found and area.polygon:
            corners = roof.to_loaded(roof.mesh.vertices)[:, :2]
            (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
            raise InputError(
                plan.file or "plan",
                f"{place}, polygon",
                "no place on any roof plane",
                f"a polygon over the roof, which lies between [{x0:.2f}, {y0:.2f}] and [{x1:.2f}, {y1:.2f}]",
            )
    return out


def _part(roof: Roof, area: WorkArea, name: str, shape: shapely.Geometry) -> shapely.Geometry | None:
    if area.planes and name not in area.planes:
        return None
    if area.polygon:
        ring = np.asarray(area.polygon, dtype=np.float64) - roof.mesh.origin[:2]
        shape = shapely.intersection(shape, shapely.make_valid(shapely.Polygon(ring)))
    if area.edges or area.edge_kinds:
        width = 1.0 if area.strip is None else area.strip
        strips = [
            shapely.LineString(edge.points[:, :2]).buffer(width, cap_style="flat")
            for edge in roof.edges
            if (edge.id in area.edges or edge.kind in area.edge_kinds) and name in edge.facets
        ]
        shape = shapely.intersection(shape, shapely.unary_union(strips)) if strips else None
    return shape


def _known(roof: Roof, plan: Plan, area: WorkArea, place: str) -> None:
    for kind, asked, have in (
        ("planes", area.planes, [facet.id for facet in roof.planes]),
        ("edges", area.edges, [edge.id for edge in roof.edges]),
    ):
        for name in asked:
            if name not in have:
                raise InputError(
                    plan.file or "plan", f"{place}, {kind}", repr(name), f"{have[0]} to {have[-1]}"
                )
