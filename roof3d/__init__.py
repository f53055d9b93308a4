"""roof3d: checks rope fall protection on 3D roof models.

The steps of the command line as calls, each returning plain data classes and numpy arrays. Heavy
parts are imported on first use, so that ``import roof3d`` stays quick.
"""

from __future__ import annotations

import os
import sys
import types
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from roof3d.check import Result
    from roof3d.records import Floats, Plan, Roof

__all__ = ["check", "load", "place", "taut_length"]


def load(
    path: str | os.PathLike[str],
    unit: str | None = None,
    up: str | None = None,
    grade: float | None = None,
) -> Roof:
    """Read a model and find its planes, edges, ground and levels; see ``roof3d.building.build``."""
    from roof3d.building import build

    return build(path, unit=unit, up=up, grade=grade)


def taut_length(roof: Roof, a: Any, points: Any) -> tuple[Floats, Floats]:
    """Bracket of the taut length from ``a`` (3,) to ``points`` (n, 3): arrays (lo, hi), metres.

    Coordinates are in the loaded frame (metres, z up, the file's own origin). ``hi`` is infinite where
    no way round the building was found. Raises ``InputError`` where ``a`` is not a point outside the
    building or a coordinate is not finite.
    """
    import numpy as np

    from roof3d import taut
    from roof3d.errors import InputError

    start = np.asarray(a, dtype=np.float64)
    ends = np.asarray(points, dtype=np.float64)
    if start.shape != (3,) or not np.isfinite(start).all():
        raise InputError(roof.mesh.file, "a", f"{a!r}", "three finite coordinates in metres")
    ends = ends.reshape(-1, 3) if ends.size else np.zeros((0, 3))
    if not np.isfinite(ends).all():
        raise InputError(roof.mesh.file, "points", "a coordinate that is not finite", "finite metres")
    local = roof.to_local(start)
    preparation = taut.prepare(roof)
    if taut.inside(preparation, local[None])[0]:
        raise InputError(roof.mesh.file, "a", f"{start.tolist()} inside the building", "a point outside it")
    lengths = taut.measure(preparation, local, roof.to_local(ends))
    return lengths.lo, lengths.hi


def check(roof: Roof, plan: Plan) -> Result:
    """Check a plan on a roof; see ``roof3d.check.check``."""
    from roof3d.check.run import check as run

    return run(roof, plan)


def place(roof: Roof, plan: Plan) -> Plan:
    """The plan with the fewest anchors (or least cost) that serve the work; see ``roof3d.place``."""
    from roof3d.place import place as run

    return run(roof, plan).plan


class _Package(types.ModuleType):
    """Keeps the steps' functions under their names: importing the folder behind one would hide it."""

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in __all__ and isinstance(value, types.ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
