"""What the check of a written plan says against a choice: work missed, anchors that are dangerous."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from roof3d.check import Result
from roof3d.place.allowed import concerns
from roof3d.place.demand import Demand
from roof3d.place.offer import Option, line_of, options_of
from roof3d.place.study import Study, Tell


def withdraw(demand: Demand, asked: np.ndarray, chosen: list[Option], result: Result) -> tuple[Demand, float]:
    """The demand without the claims that the check of ``chosen`` does not bear out, and their area, m2.

    Where part of an asked cell is not served by the check, none of the chosen lines counts as serving
    that cell any longer; a longer line at the same place still may.
    """
    cells = result.cells
    open_cells = np.flatnonzero(~cells.any_served)
    if not open_cells.size or not chosen:
        return demand, 0.0
    is_asked = np.zeros(len(demand.area), dtype=bool)
    is_asked[asked] = True
    wrong: set[int] = set()
    area = 0.0
    for name in {cells.planes[k] for k in cells.plane[open_cells]}:
        if name not in demand.planes:
            continue
        rows = np.flatnonzero((demand.plane == demand.planes.index(name)) & is_asked)
        mine = open_cells[cells.plane[open_cells] == cells.planes.index(name)]
        half = (demand.size[rows][:, None] + cells.size[mine][None, :]) / 2
        apart = np.abs(demand.centre[rows][:, None] - cells.centre[mine][None]).max(axis=2)
        over = apart < half - 1e-6  # the squares share ground
        wrong |= set(rows[over.any(axis=1)].tolist())
        area += float(cells.area[mine[over.any(axis=0)]].sum())
    if not wrong:
        return demand, 0.0
    rows = np.array(sorted(wrong))
    need = demand.need.copy()
    for place, length in chosen:
        claimed = rows[need[rows, place] <= length]
        need[claimed, place] = np.nextafter(np.float32(length), np.float32(np.inf))
    return replace(demand, need=need), area


def dangerous(result: Result, named: dict[str, Option]) -> set[Option]:
    """Options at whose anchor the check of the whole plan finds a danger."""
    return {
        option
        for name, option in named.items()
        for finding in result.findings
        if finding.severity == "danger" and concerns(finding, name)
    }


def certify(
    study: Study, kind: str, aim: str, barred: set[Option], stop: Callable[[], bool], tell: Tell
) -> set[Option]:
    """Options that whole checks find dangerous, of all that are on offer and not barred yet."""
    options = options_of(study, kind, aim, barred)
    pairs = [(int(row), float(x)) for row, x in zip(options.place, options.length, strict=True)]
    ties, by_name = [], {}
    for number, option in enumerate(pairs, 1):
        source = study.columns[option[0]].anchor
        ties.append(replace(source, id=f"T{number}", line=line_of(study, kind, option)))
        by_name[ties[-1].id] = option
    found = study.judge.dangers(ties, stop, lambda step, steps: tell("checking all places", step, steps))
    return {by_name[name] for name in found}
