"""Planar facets of a building, found from geometry alone."""

from roof3d.planes.find import find_facets

__all__ = ["find_facets"]
