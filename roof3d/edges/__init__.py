"""Edges of roof planes: what they are called, and whether one can fall over them."""

from roof3d.edges.find import find_edges

__all__ = ["find_edges"]
