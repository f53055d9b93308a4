"""The hot loop of what hangs lower beside its place: each piece asked for against all parts that bound it."""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints


@njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def lower_beside(
    asked: Ints,  # (k,) rows of ``out``
    run: Ints,  # (k,) of the pieces
    here: Floats,  # (k,) middle of each, along its run
    half: Floats,  # (k,)
    middle: Floats,  # (k, 3)
    order: Ints,  # parts by run
    runs: Ints,  # runs that have parts
    first: Ints,  # where their parts begin in ``order``, and its length
    along: Floats,  # of the parts' middles along their runs
    reach: Floats,  # half the length of each part
    at: Floats,  # (parts, 3)
    spare: Floats,  # rope left at each part, at most
    least: Floats,  # potential, at least
    length: Floats,  # of all runs
    apart: Floats,  # ways between ends of runs
    tails: Ints,  # rows of ``apart`` by run
    heads: Ints,
    out: Floats,  # lowered here
) -> None:
    """Lowers ``out`` at the pieces asked for to what parts within their spare rope, along the boundary, let
    hang straight below them."""
    for k in range(len(asked)):
        row, mine = asked[k], run[k]
        to_tail, to_head = here[k], length[mine] - here[k]
        for g in range(len(runs)):
            other = runs[g]
            tail_tail, tail_head = apart[tails[mine], tails[other]], apart[tails[mine], heads[other]]
            head_tail, head_head = apart[heads[mine], tails[other]], apart[heads[mine], heads[other]]
            for m in range(first[g], first[g + 1]):
                part = order[m]
                room = half[k] + reach[part]
                if other == mine:
                    way = abs(here[k] - along[part])
                else:
                    from_head = length[other] - along[part]
                    way = min(
                        min(to_tail + tail_tail + along[part], to_tail + tail_head + from_head),
                        min(to_head + head_tail + along[part], to_head + head_head + from_head),
                    )
                if not way - room < spare[part]:
                    continue
                x, y = middle[k, 0] - at[part, 0], middle[k, 1] - at[part, 1]
                off = max(np.sqrt(x * x + y * y) - room, 0.0)
                if not off < spare[part]:
                    continue
                sag = spare[part] - np.sqrt(max(spare[part] ** 2 - off**2, 0.0))
                out[row] = min(out[row], least[part] + sag)
