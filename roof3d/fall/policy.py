"""Line policies: what length counts, and the longest line under which no boundary can be passed."""

from __future__ import annotations

import numpy as np

from roof3d.fall.boundary import Boundary
from roof3d.fall.pieces import Pieces
from roof3d.fall.ruler import Ruler, cone_low
from roof3d.fall.states import TOLERANCE_M
from roof3d.fall.stretch import Terms
from roof3d.records import Floats

ROUNDS = 60


def _longest(work: Pieces, terms: Terms, setback: float) -> Floats:
    """For each piece a line length that no place in it lets pass, whatever the place."""
    taut = work.least_taut()
    low = np.minimum(work.at[work.ia, 2], work.at[work.ib, 2])
    slide = np.maximum(work.starts[work.run] - low, 0.0)
    given = terms.drawn_out(terms.attachment + slide) + terms.activation + terms.harness + terms.extra
    passed = (taut - setback - given) / (1.0 + terms.elongation)
    ring = cone_low(work.lo_ring[work.ia], work.lo_ring[work.ib], work.b - work.a)
    longest = np.minimum(passed, ring - setback)
    # far pieces were not measured: no line of interest gets there
    return np.where((work.guard >= 0) | work.walked | work.far, np.inf, longest)


def restraint_length(
    boundary: Boundary,
    ruler: Ruler,
    terms: Terms,
    setback: float,
    guards: list[list[tuple[float, float, str]]],
    most: float = np.inf,
) -> float:
    """The longest line, in metres, with which no unguarded boundary can be passed.

    The D-ring stays ``setback`` short of every edge, standing and kneeling, and passes none even when
    a fall draws the system out as far as it goes. At most ``most``. 0 or less: there is none.
    """
    if not len(boundary.length):
        return most
    # an upper bound first, from the ends of all runs, so that far edges need no measuring
    ends = boundary.vertices
    span = float(np.linalg.norm(ends.max(axis=0) - ends.min(axis=0)))
    reach = float(ruler.floor(ends).min()) + 3 * span + 10.0
    if np.isfinite(most):
        # beyond this neither the edge nor the D-ring above it is in reach of ``most``, stretched
        reach = min(reach, most + terms.most_stretch(most) + setback + terms.attachment + 1.0)
    work = Pieces.cut(boundary, ruler, reach, terms, guards, 1.0)
    for _ in range(ROUNDS):
        longest = _longest(work, terms, setback)
        worst = longest.min()
        split = (longest <= worst + TOLERANCE_M / 4) & (work.b - work.a > TOLERANCE_M) & ~work.far
        if not split.any() or worst >= most:
            break
        work.split(split)
    return float(min(_longest(work, terms, setback).min(), most))
