"""What no place serves, why, and what would help: each piece of advice is backed by a trial on the model."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from roof3d.place.allowed import Judge, anchor_with
from roof3d.place.choose import Placement
from roof3d.place.study import Column, Study
from roof3d.records import Anchor, Floats, Protection

SAMPLES = 12  # unserved cells looked at for each plane
NEAREST = 3  # places tried for each piece of advice
FURTHER = 2.0  # times the longest line on offer: how far places are looked for


@dataclass(frozen=True)
class Gap:
    """Work on one plane that nothing serves, the reason in words, and what would help."""

    plane: str
    area_m2: float
    reason: str
    advice: tuple[str, ...]


def explain_gaps(placement: Placement, stop: Callable[[], bool] = lambda: False) -> tuple[Gap, ...]:
    """For each plane with unserved work: how much, why, what would help. Empty where all is served.

    Once ``stop`` says so, nothing more is tried out: advice is then left to what needs no trial.
    """
    cells = placement.result.cells
    study = placement.study
    points = [column for column in study.columns if column.kind == "point"]
    out: list[Gap] = []
    tied: dict[int, float] = {}  # lines of restraint at places, tried once each
    for number, plane in enumerate(cells.planes):
        rows = np.flatnonzero((cells.plane == number) & ~cells.any_served)
        area = float(cells.area[rows].sum())
        if area <= 1e-6:
            continue
        order = rows[np.argsort(-cells.area[rows], kind="stable")]
        picked = order[np.unique(np.linspace(0, len(order) - 1, SAMPLES).astype(np.int64))]
        reason, advice = _reason(study, points, cells.at[picked], cells.area[picked], tied, stop)
        out.append(Gap(plane, area, reason, advice))
    return tuple(out)


def _reason(
    study: Study,
    points: list[Column],
    at: Floats,
    area: Floats,
    restrained: dict[int, float],
    stop: Callable[[], bool],
) -> tuple[str, tuple[str, ...]]:
    longest = max(study.lengths)
    needs = _needs(study, points, at, FURTHER * longest)
    least = needs.min(axis=1)
    far = least > longest
    if float(area[far].sum()) > 0.5 * float(area.sum()):
        known = least[np.isfinite(least)]
        if not known.size:
            return (
                f"no place is within {FURTHER * longest:g} m of it",
                ("more candidates: other edges, slopes, a list of places",),
            )
        return (
            f"it is out of reach of the longest line on offer, {longest:g} m",
            (
                f"a line of up to {np.ceil(known.max() * 10) / 10:.1f} m would reach it",
                "more candidates nearby",
            ),
        )
    # in reach of a line on offer, but that line is not allowed there
    edges: Counter[str] = Counter()
    words: Counter[str] = Counter()
    nearest: list[int] = []
    for row in np.flatnonzero(~far):
        for k in np.argsort(needs[row], kind="stable")[:NEAREST]:
            if needs[row, k] <= longest:
                allowed = points[int(k)].allowed
                edges.update(allowed.blocked_by)
                words[allowed.reason or "the line of restraint there is shorter"] += 1
                nearest.append(int(k))
    names = sorted(edges, key=lambda name: (-edges[name], name))
    cause = words.most_common(1)[0][0] if words else "no line there holds every limit"
    where = f" at {_few(names)}" if names else ""
    reason = f"the lines that reach it do not hold every limit{where}: {cause}"
    if stop():
        return reason, ("nothing was tried out: stopped",)
    return reason, _trials(study, points, needs, sorted(set(nearest)), names, restrained)


def _needs(study: Study, points: list[Column], at: Floats, limit: float) -> Floats:
    """Line that each cell's point needs from each place, standing and kneeling, (cells, places)."""
    plan = study.plan
    needs = np.full((len(at), len(points)), np.inf)
    for k, column in enumerate(points):
        worst = np.zeros(len(at))
        for height in (plan.worker.kneeling_height, plan.worker.attachment_height):
            worst = np.maximum(worst, column.ruler.measure(at + np.array([0.0, 0.0, height]), limit).hi)
        needs[:, k] = worst
    return needs


def _trials(
    study: Study,
    points: list[Column],
    needs: Floats,
    nearest: list[int],
    edges: list[str],
    restrained: dict[int, float],
) -> tuple[str, ...]:
    """Advice that a trial on the model bears out, then what was not tried."""
    advice: list[str] = []
    wanted = float(np.median(needs.min(axis=1)))
    fitting = [length for length in study.lengths if length >= wanted] or [max(study.lengths)]
    if edges and nearest:
        guarded = replace(
            study.plan, protection=(*study.plan.protection, Protection(edges=tuple(edges), means="guardrail"))
        )
        judge = Judge(study.roof, guarded)
        tried = nearest[:: max(1, len(nearest) // NEAREST)][:NEAREST]
        held = 0
        for k in tried:
            anchor = points[k].anchor
            assert isinstance(anchor, Anchor)
            allowed = judge.point(points[k].points[0], [fitting[0]], study.plan.line)
            sound = anchor_with(anchor, study.plan.line, fitting[0])
            held += allowed.length >= fitting[0] and not judge.dangers([sound])
        if held:
            advice.append(
                f"edge protection along {_few(edges)}: with it a line of {fitting[0]:g} m holds every limit "
                f"at {held} of {len(tried)} places tried"
            )
    shorter = [column.allowed.length for column in points if 0 < column.allowed.length < wanted]
    if not any(column.allowed.length for column in points) and study.plan.line.policy != "restraint":
        tie = replace(study.plan.line, policy="restraint", slack=0.0)
        lengths = []
        for k in nearest[:NEAREST]:
            if k not in restrained:
                restrained[k] = study.judge.point(points[k].points[0], [max(study.lengths)], tie).length
            lengths.append(restrained[k])
        if any(lengths):
            advice.append(
                f"lines short enough to restrain, up to {max(lengths):.2f} m there, serve what lies inward"
            )
    elif shorter:
        advice.append("places nearer to it, from which shorter lines reach it")
    if not any(column.kind == "line" for column in study.columns):
        advice.append("an anchor line along the ridge or parallel to the edge swings less (not tried)")
    return tuple(advice)


def _few(names: list[str], most: int = 6) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
