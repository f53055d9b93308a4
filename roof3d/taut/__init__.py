"""Taut length: the shortest path of a tight rope through the free space around the building."""

from pathlib import Path

from roof3d.compiled import discard_stale

discard_stale(Path(__file__).parent)

from roof3d.taut.field import (  # noqa: E402 - compiled code must be fresh before it is loaded
    Preparation,
    decide,
    inside,
    measure,
    prepare,
    prepare_mesh,
    targets,
    trace,
)

__all__ = ["Preparation", "decide", "inside", "measure", "prepare", "prepare_mesh", "targets", "trace"]
