"""How low a body can hang beside a place of the boundary while its rope runs over another.

A rope that slides along an edge holds a body not straight below the place where it bends: the body can be
anywhere on the sphere round that place with the rest of the rope as radius. So straight below a place ``C``
the D-ring gets as low as ``z(C') - sqrt(s(C')^2 - u^2)`` over any place ``C'`` at level distance ``u``.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from roof3d.fall.beside import lower_beside
from roof3d.fall.boundary import Boundary
from roof3d.fall.pieces import Pieces
from roof3d.records import Floats, Ints

EVEN_M = 1e-3  # over ground as even as this the rest point is the lowest place of all
PARTS = 4  # of a piece that bounds others


def hanging_potential(
    work: Pieces, potential: Floats, taut: Floats, length: float, asked: Ints | None = None
) -> Floats:
    """Lower bound, for each piece, of ``length`` plus the least height of a D-ring straight below it.

    ``potential``, ``taut``: lower bounds over the pieces. Never above ``potential``. Other places count as
    far as the rest of the rope reaches along the boundary. ``asked``: pieces looked at, without it
    those where it matters to the room below.
    """
    out = potential.copy()
    spare = length - taut
    giving = np.flatnonzero((spare > 0) & ~work.far)
    if not len(giving):
        return out
    most = float(spare[giving].max())
    # on a run over even ground no place is worse than the rest point itself
    asked = _raised(work, giving) if asked is None else asked
    if not len(asked):
        return out
    at, spare, least = _parts(work, giving, potential, taut, length)
    run_of = np.repeat(work.run[giving], PARTS)
    along = np.linalg.norm(at - work.boundary.start[run_of], axis=1)
    reach = np.repeat((work.b - work.a)[giving] / PARTS / 2, PARTS)
    order = np.argsort(run_of, kind="stable")
    runs, first = np.unique(run_of[order], return_index=True)
    ways = _ways(work.boundary, np.union1d(runs, work.run[asked]), most)
    p, q = work.ends()
    lower_beside(
        asked,
        work.run[asked],
        (work.a + work.b)[asked] / 2,
        (work.b - work.a)[asked] / 2,
        ((p + q) / 2)[asked],
        order,
        runs,
        np.append(first, len(order)),
        along,
        reach,
        at,
        spare,
        least,
        work.boundary.length,
        *ways,
        out,
    )
    return out


def _raised(work: Pieces, giving: Ints) -> Ints:
    """Pieces with less room below than where the rope can run, somewhere on the boundary."""
    near = np.flatnonzero(~work.far)
    raised: Ints = near[work.top[near] > float(work.top[giving].min()) + EVEN_M]
    return raised


def _parts(
    work: Pieces, rows: Ints, potential: Floats, taut: Floats, length: float
) -> tuple[Floats, Floats, Floats]:
    """Parts of pieces: their middles, spare rope at most, and height plus taut length at least."""
    size = (work.b - work.a)[rows, None]
    d0, d1 = work.lo[work.ia[rows], None], work.lo[work.ib[rows], None]
    p, q = work.at[work.ia[rows]], work.at[work.ib[rows]]
    cut = np.arange(PARTS + 1) / PARTS
    # the taut length changes by a metre per metre at most, height by less: both are least at one place
    t = np.clip((d0 - d1 + size) / 2, size * cut[:-1], size * cut[1:])
    far = np.maximum(d0 - t, d1 - size + t)
    z = p[:, 2, None] + (q - p)[:, 2, None] * t / np.maximum(size, 1e-12)
    least = np.maximum(z + far, potential[rows, None])
    # where the ends differ by more than a rope can, the piece's own bound holds
    odd = np.abs(d0 - d1) > size
    least = np.where(odd, potential[rows, None], least)
    far = np.where(odd, taut[rows, None], np.maximum(far, taut[rows, None]))
    centre = p[:, None] + (q - p)[:, None] * ((cut[:-1] + cut[1:]) / 2)[None, :, None]
    return centre.reshape(-1, 3), (length - far).ravel(), least.ravel()


def _ways(boundary: Boundary, runs: Ints, most: float) -> tuple[Floats, Ints, Ints]:
    """Ways along the boundary between the ends of some of its runs, up to ``most`` metres, and the rows there
    of the tail and head of each run of the boundary (-1 for others)."""
    vertices, ends = np.unique(
        np.concatenate((boundary.tail[runs], boundary.head[runs])), return_inverse=True
    )
    n, k = len(vertices), len(runs)
    tail, head = ends.reshape(-1)[:k], ends.reshape(-1)[k:]
    # of several runs between the same two vertices one is enough, for all are straight
    _, one = np.unique(np.minimum(tail, head) * n + np.maximum(tail, head), return_index=True)
    size = np.maximum(boundary.length[runs][one], 1e-9)
    graph = coo_array((size, (tail[one], head[one])), shape=(n, n))
    apart: Floats = dijkstra(graph.tocsr(), directed=False, limit=most)
    tails, heads = (np.full(len(boundary.length), -1, dtype=np.int64) for _ in range(2))
    tails[runs], heads[runs] = tail, head
    return apart, tails, heads
