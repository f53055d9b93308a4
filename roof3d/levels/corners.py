"""Corners: a body that goes over beside an outer corner may tip any way between its two edges.

The footprints of two edges leave a wedge open where they turn away from each other. What is found there
counts for both edges up to half a body's width from the corner.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from roof3d.levels.below import Below
from roof3d.records import Floats

LEAST_TURN = np.deg2rad(15.0)  # half of 30 degrees: two footprints leave no wedge at less than that
SLABS = 4


@dataclass(frozen=True, eq=False)
class RunEnd:
    """One end of a straight run of a fall edge."""

    run: int
    at_start: bool
    point: Floats  # (3,)
    away: Floats  # (3,) from the end into the run
    outward: Floats  # (3,) level unit vector
    own: str  # id of the edge's plane


@dataclass(frozen=True, eq=False)
class Found:
    """What lies below a corner and what is in the way there, for the runs that meet in it."""

    ends: tuple[RunEnd, RunEnd]
    top: float
    what: str
    in_the_way: str


def outer_corners(nodes: Sequence[Sequence[RunEnd]]) -> Iterator[tuple[RunEnd, RunEnd, Floats, float]]:
    """Pairs of run ends that form an outer corner, the direction midway, and half the turn in radians."""
    for ends in nodes:
        for a, b in combinations(ends, 2):
            if float(a.outward @ b.away) >= 0 or float(b.outward @ a.away) >= 0:
                continue
            half = float(np.arccos(np.clip(a.outward @ b.outward, -1.0, 1.0))) / 2
            way = a.outward + b.outward
            size = float(np.linalg.norm(way))
            if half < LEAST_TURN or size < 1e-6:
                continue
            yield a, b, way / size, half


def sweep_corners(
    below: Below, nodes: Sequence[Sequence[RunEnd]], reach_m: float, half_width_m: float, rise_m: float
) -> list[Found]:
    """The highest thing below each outer corner over its wedge, and something in the way there.

    The wedge begins where the sides of the two footprints meet and widens from there; it is covered by
    slabs square to the direction midway, each as wide as the wedge at its far side.
    """
    corners = list(outer_corners(nodes))
    if not corners:
        return []
    half_turn = np.array([half for *_, half in corners])
    begins = half_width_m / np.sin(half_turn)
    ends = np.hypot(reach_m, half_width_m)  # as far as the footprints' own corners
    cuts = begins[:, None] + np.maximum(ends - begins, 0.0)[:, None] * np.linspace(0.0, 1.0, SLABS + 1)
    wide = np.minimum((cuts[:, 1:] - begins[:, None]) * np.tan(half_turn)[:, None], ends)
    sweep = below.sweep(
        np.repeat([a.point for a, *_ in corners], SLABS, axis=0),
        np.repeat([way for _, _, way, _ in corners], SLABS, axis=0),
        cuts[:, 1:].ravel(),
        wide.ravel(),
        rise_m=rise_m,
        near_m=cuts[:, :-1].ravel(),
    )
    found = []
    for k, (a, b, *_) in enumerate(corners):
        rows = range(k * SLABS, (k + 1) * SLABS)
        highest = max(rows, key=lambda row: float(sweep.height[row]))
        in_the_way = next((sweep.in_the_way[row] for row in rows if sweep.in_the_way[row]), "")
        found.append(Found((a, b), float(sweep.height[highest]), sweep.what[highest], in_the_way))
    return found
