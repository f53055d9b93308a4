"""What the names of a file's parts may say: that a part is ground, or glass.

Geometry decides without them; a name can only settle what geometry leaves open (ground) or take away
footing (glass). Names of people's own making are read leniently where that is the worse case, strictly where
it is the better one.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from roof3d.records import Mesh

GROUND = {"ground", "terrain", "grade", "site", "earth", "lawn", "soil", "topography"}
GLASS = ("glass", "glazing", "skylight", "rooflight", "roof light", "fragile")


def is_ground(name: str) -> bool:
    """Whether a name holds one of the words for ground as a word of its own."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return bool(GROUND & set(re.findall(r"[a-z]+", spaced.lower())))


def is_glass(name: str) -> bool:
    """Whether a name holds one of the words for what does not bear, anywhere in it."""
    return any(word in name.lower() for word in GLASS)


def fragile(mesh: Mesh) -> NDArray[np.bool_]:
    """Triangles (m,) of parts that are called glass or the like."""
    parts = np.array([is_glass(name) for name in mesh.part_names] or [False], dtype=bool)
    return np.asarray(parts[mesh.parts] if parts.any() else np.zeros(len(mesh.parts), dtype=bool))
