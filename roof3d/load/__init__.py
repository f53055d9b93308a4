"""Reads a model file into one welded mesh: metres, z up, near a local origin, every repair named."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from roof3d.load.clean import clean
from roof3d.load.formats import FORMATS, Format, find_format
from roof3d.load.size import place
from roof3d.load.source import Soup, Source, many, open_source
from roof3d.records import Floats, Mesh

__all__ = ["FORMATS", "Format", "Soup", "Source", "read_mesh"]


def read_mesh(path: str | os.PathLike[str], unit: str | None = None, up: str | None = None) -> Mesh:
    """Read, check, recentre, weld and orient the model in a file.

    ``unit`` (m, cm, mm, ft, in) and ``up`` (z, y) are needed where the format has no standard for
    them; where it has, they overrule it, which is listed as a doubt. Raises ``InputError``.
    """
    source = open_source(Path(path))
    form = find_format(source)
    soup = form.read(source)
    if not len(soup.triangles):
        source.fail("", "no triangle", "a model with surfaces")
    source.need_finite(soup.vertices)  # readers check and name the place better; this holds for new ones too
    source.need_indices(soup.triangles, len(soup.vertices), "triangle")
    placed = place(source, soup, form.name, unit, up)
    triangles = soup.triangles[placed.keep]
    used = np.zeros(len(placed.vertices), dtype=bool)
    used[triangles] = True
    origin = _origin(placed.vertices[used])
    cleaned = clean(placed.vertices - origin, triangles, soup.parts[placed.keep], soup.names)
    if not len(cleaned.triangles):
        source.fail("", f"no triangle with an area among {len(soup.triangles)}", "a model with surfaces")
    empty = (f"Dropped {many(soup.empty, 'polygon')} without area.",) if soup.empty else ()
    return Mesh(
        vertices=cleaned.vertices,
        triangles=cleaned.triangles,
        parts=cleaned.parts,
        part_names=cleaned.part_names,
        oriented=cleaned.oriented,
        origin=origin,
        file=source.name,
        sha256=source.sha256,
        unit=placed.unit,
        up=placed.up,
        triangles_in_file=len(soup.triangles),
        repairs=(*soup.notes, *empty, *placed.repairs, *cleaned.repairs),
        doubts=(*soup.doubts, *placed.doubts, *cleaned.doubts),
    )


def _origin(points: Floats) -> Floats:
    """Middle of the bounding box in whole metres, so that taking it away is exact."""
    return np.asarray(np.round(0.5 * (points.min(axis=0) + points.max(axis=0))) + 0.0)
