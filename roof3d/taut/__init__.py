"""Taut length: the shortest path of a tight rope through the free space around the building."""

from roof3d.taut.field import Preparation, inside, measure, prepare, prepare_mesh, trace

__all__ = ["Preparation", "inside", "measure", "prepare", "prepare_mesh", "trace"]
