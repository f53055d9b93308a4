"""What is on offer: which place with which line at what price, the cells each serves, and its plan.

A place is on offer with lines that arrest and with lines of restraint. A line longer than what was shown
to hold every limit in arrest is on offer only where it restrains.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
import scipy.sparse as sparse

from roof3d.place.demand import Demand
from roof3d.place.study import Column, Study
from roof3d.records import Anchor, AnchorLine, Floats, Line, Plan

Option = tuple[int, float]
"""Row of ``Study.columns`` and length of line, m."""

KINDS = ("points", "lines", "mixed", "restraint")
"""Single anchors, anchor lines, both of them with lines of arrest or restraint, restraint only."""

FRINGE_M = 0.25
"""Where some work is beyond every place, smaller cells at its fringe are left with it."""


@dataclass(frozen=True, eq=False)
class Options:
    """Columns of one covering problem: which place, which line, at what cost."""

    place: np.ndarray  # (m,) row of Study.columns
    length: Floats  # (m,)
    cost: Floats  # (m,)


def options_of(study: Study, kind: str, aim: str, barred: set[Option]) -> Options:
    """All that ``kind`` may choose from. By number only the longest line of each place matters: it serves
    all that shorter ones serve. ``barred`` options are left out."""
    place_rows: list[int] = []
    lengths: list[float] = []
    costs: list[float] = []
    for row, column in enumerate(study.columns):
        if kind in ("points", "lines") and (kind == "lines") != (column.kind == "line"):
            continue
        longest = longest_line(column, kind)
        on_offer = [length for length in study.lengths if length < longest] + [longest]
        usable = [x for x in on_offer if x > 0 and (row, x) not in barred]
        if aim == "fewest" or study.plan.prices.line_per_m in (None, 0.0):
            usable = usable[-1:]
        for length in usable:
            place_rows.append(row)
            lengths.append(length)
            if aim == "cost":
                costs.append(column_cost(column, length, study.plan))
            else:
                costs.append(float(len(column.points)))
    return Options(np.array(place_rows, dtype=np.int64), np.array(lengths), np.array(costs))


def longest_line(column: Column, kind: str) -> float:
    """The longest line that ``kind`` may use at a place, metres; 0: none."""
    if kind == "restraint":
        return column.restrained
    return max(column.allowed.length, column.restrained) if kind == "mixed" else column.allowed.length


def column_cost(column: Column, length: float, plan: Plan) -> float:
    """Price of one place with its line, visits left aside; what has no price counts as nil."""
    prices = plan.prices
    rope = length * (prices.line_per_m or 0.0)
    anchor = prices.anchor or 0.0
    if column.kind == "point":
        return anchor + rope
    supports = (len(column.points) - 2) * (prices.support or 0.0)
    return 2 * anchor + supports + column.run_m * (prices.anchor_line_per_m or 0.0) + rope


def unpriced(plan: Plan, columns: Sequence[tuple[Column, float]], aim: str) -> tuple[str, ...]:
    """What a choice by cost has to say where a price that it needs is lacking."""
    prices = plan.prices
    lines = any(column.kind == "line" for column, _ in columns)
    lacking = [
        name
        for name, price, used in (
            ("line_per_m", prices.line_per_m, True),
            ("anchor_line_per_m", prices.anchor_line_per_m, lines),
            ("support", prices.support, lines),
        )
        if used and price is None
    ]
    if aim != "cost" or not lacking:
        return ()
    return (f"counted as nil, for the plan gives no price: {', '.join(lacking)}",)


def serve_matrix(demand: Demand, options: Options) -> sparse.csr_array:
    """Cells by options: served whole, every limit held."""
    return sparse.csr_array((demand.need[:, options.place] <= options.length[None, :]).astype(np.int8))


def asked_rows(demand: Demand, matrix: sparse.csr_array) -> np.ndarray:
    """Rows that must be held: all that can be, less the fringe where not all can be."""
    can = np.diff(matrix.indptr) > 0
    return np.flatnonzero(can if can.all() else can & (demand.size >= FRINGE_M - 1e-9))


def line_of(study: Study, kind: str, option: Option) -> Line:
    """The line of an option: the plan's own, or one of restraint."""
    row, length = option
    line = replace(study.plan.line, length=length)
    if kind == "restraint" or length > study.columns[row].allowed.length:
        return replace(line, policy="restraint", slack=0.0)
    return line


def plan_with(
    study: Study, kind: str, chosen: Sequence[Option], names: dict[int, str]
) -> tuple[Plan, dict[str, Option]]:
    """The plan with the chosen anchors in place of its own, and which option each of them is.

    Anchors are numbered in the order of their places; those in ``names`` (by row) keep theirs, so that a
    check knows them again.
    """
    anchors: list[Anchor] = []
    lines: list[AnchorLine] = []
    named: dict[str, Option] = {}
    taken = {names[row] for row, _ in chosen if row in names}
    free = {letter: _free(letter, taken) for letter in "AH"}
    for row, length in sorted(chosen):
        source = study.columns[row].anchor
        tied = line_of(study, kind, (row, length))
        name = names.get(row) or next(free["A" if isinstance(source, Anchor) else "H"])
        named[name] = (row, length)
        if isinstance(source, Anchor):
            anchors.append(replace(source, id=name, line=tied))
        else:
            lines.append(replace(source, id=name, line=tied))
    return replace(study.plan, anchors=tuple(anchors), anchor_lines=tuple(lines)), named


def _free(letter: str, taken: set[str]) -> Iterator[str]:
    return (name for name in (f"{letter}{n}" for n in count(1)) if name not in taken)
