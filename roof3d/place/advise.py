"""What no place serves, why, and what would help: each piece of advice is backed by a trial on the model."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from roof3d.place.allowed import Judge, anchor_with
from roof3d.place.choose import LEAST_GAIN_M2, Placement
from roof3d.place.offer import longest_line
from roof3d.place.study import Study
from roof3d.records import Anchor, Floats, Ints, Protection

SAMPLES = 12  # unserved cells looked at for each plane
NEAREST = 3  # places tried for each piece of advice
FURTHER = 2.0  # times the longest line on offer: how far places are looked for
SHORTER_M = 0.5  # steps of shorter lines that are tried


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
    asker = _Asker(placement, stop)
    picks: list[tuple[str, float, Ints]] = []
    for number, plane in enumerate(cells.planes):
        rows = np.flatnonzero((cells.plane == number) & ~cells.any_served)
        area = float(cells.area[rows].sum())
        if area <= 1e-6:
            continue
        order = rows[np.argsort(-cells.area[rows], kind="stable")]
        picks.append(
            (plane, area, order[np.unique(np.linspace(0, len(order) - 1, SAMPLES).astype(np.int64))])
        )
    if not picks:
        return ()
    # all planes in one go: a place is dear to measure from, points are not
    needs = asker.needs(cells.at[np.concatenate([rows for _, _, rows in picks])])
    ends = np.cumsum([len(rows) for _, _, rows in picks])
    out: list[Gap] = []
    for (plane, area, rows), mine in zip(picks, np.split(needs, ends[:-1]), strict=True):
        reason, advice = asker.ask(mine, cells.area[rows], cells.size[rows])
        out.append(Gap(plane, area, reason, advice))
    return tuple(out)


class _Asker:
    """Asks about cells of one choice; what was tried at a place is tried once."""

    def __init__(self, placement: Placement, stop: Callable[[], bool]) -> None:
        self.study: Study = placement.study
        self.kind = placement.kind
        self.stop = stop
        kinds = {"points": ("point",), "lines": ("line",)}.get(self.kind, ("point", "line"))
        self.columns = [column for column in self.study.columns if column.kind in kinds]
        self.longest = np.array([longest_line(column, self.kind) for column in self.columns])
        self.tied: dict[int, float] = {}
        self.short: dict[int, float] = {}
        self.guarded: dict[tuple[str, ...], Judge] = {}
        self.kind_of = {edge.id: edge.kind for edge in self.study.roof.edges}

    def ask(self, needs: Floats, area: Floats, size: Floats) -> tuple[str, tuple[str, ...]]:
        """Reason and advice for cells that need lines of ``needs`` (cells, places)."""
        longest = max(self.study.lengths)
        whole = float(area.sum())
        # all of a cell lies within twice its side of its point, on slopes up to 45 degrees
        served = (needs + 2.0 * size[:, None] <= self.longest[None, :]).any(axis=1)
        if float(area[served].sum()) > 0.5 * whole:
            return (
                f"anchors for it would each add less than {LEAST_GAIN_M2:g} m2, and not all can be served",
                ("an anchor more, if the little that it adds is wanted",),
            )
        least = needs.min(axis=1, initial=np.inf)
        far = least > longest
        if float(area[far].sum()) > 0.5 * whole:
            known = least[np.isfinite(least)]
            if not known.size:
                return (
                    f"no place is within {FURTHER * longest:g} m of it",
                    ("more candidates: other edges, slopes, a list of places",),
                )
            return (
                f"it is out of reach of the longest line on offer, {longest:g} m",
                (
                    f"a line of up to {np.ceil(known.max() * 10) / 10:.1f} m would reach it, "
                    "if it holds every limit",
                    "more candidates nearby",
                ),
            )
        return self._blocked(needs, far, longest)

    def needs(self, at: Floats) -> Floats:
        """Line that each cell's point needs from each place, standing and kneeling, (cells, places)."""
        limit = FURTHER * max(self.study.lengths)
        worker = self.study.plan.worker
        needs = np.full((len(at), len(self.columns)), np.inf)
        for k, column in enumerate(self.columns):
            worst = np.zeros(len(at))
            for height in (worker.kneeling_height, worker.attachment_height):
                worst = np.maximum(worst, column.ruler.measure(at + np.array([0.0, 0.0, height]), limit).hi)
            needs[:, k] = worst
        return needs

    def _blocked(self, needs: Floats, far: np.ndarray, longest: float) -> tuple[str, tuple[str, ...]]:
        """In reach of a line on offer, but that line is not allowed there."""
        edges: Counter[str] = Counter()
        words: Counter[str] = Counter()
        nearest: list[int] = []
        for row in np.flatnonzero(~far):
            for k in np.argsort(needs[row], kind="stable")[:NEAREST]:
                if needs[row, k] <= longest:
                    allowed = self.columns[int(k)].allowed
                    edges.update(name for name in allowed.blocked_by if name in self.kind_of)
                    if self.kind == "restraint":
                        words["no longer line restrains there"] += 1
                    else:
                        words[allowed.reason or "the line of restraint there is shorter"] += 1
                    nearest.append(int(k))
        names = sorted(edges, key=lambda name: (-edges[name], name))
        cause = words.most_common(1)[0][0] if words else "no line there holds every limit"
        where = f" at {_few(names)}" if names and self.kind != "restraint" else ""
        reason = f"the lines that reach it do not hold every limit{where}: {cause}"
        if self.stop():
            return reason, ("nothing was tried out: stopped",)
        return reason, self._trials(needs, sorted(set(nearest)), names)

    def _trials(self, needs: Floats, nearest: list[int], edges: list[str]) -> tuple[str, ...]:
        """Advice that a trial on the model bears out, then what was not tried."""
        study, plan = self.study, self.study.plan
        advice: list[str] = []
        wanted = float(np.median(needs.min(axis=1)))
        fitting = [length for length in study.lengths if length >= wanted] or [max(study.lengths)]
        points = [k for k in nearest if self.columns[k].kind == "point"]
        tried = points[:: max(1, len(points) // NEAREST)][:NEAREST]
        if edges and tried:
            advice += self._protection(tried, edges, fitting[0])
        shorter = [x for x in self.longest if 0 < x < wanted]
        if not self.longest.any() and tried:
            held = max(self._shorter(k) for k in tried)
            if held > 0:
                advice.append(f"lines of up to {held:g} m hold every limit there, and serve what lies inward")
            lengths = [self._restrained(k) for k in tried]
            if max(lengths) > held:
                advice.append(
                    f"lines that restrain, of up to {max(lengths):.2f} m there, serve what lies inward"
                )
        elif shorter:
            advice.append(
                f"places nearer to it: lines of up to {max(shorter):g} m hold every limit at others"
            )
        if not any(column.kind == "line" for column in study.columns):
            advice.append("an anchor line along the ridge or parallel to the edge swings less (not tried)")
        elif not plan.anchor_lines:
            advice.append(
                "an [[anchor_line]] in the plan as a pattern, with its rope's data: the default rope "
                "may give too much (not tried)"
            )
        return tuple(advice)

    def _protection(self, tried: list[int], edges: list[str], length: float) -> list[str]:
        """The least edge protection, by kind of edge, with which a line holds at most of the places tried."""
        kinds = sorted({self.kind_of[name] for name in edges if name in self.kind_of})
        sets = [tuple(name for name in edges if self.kind_of.get(name) == kind) for kind in kinds]
        sets = [*sets, tuple(edges)] if len(sets) > 1 else [tuple(edges)]
        best: tuple[int, tuple[str, ...]] = (0, ())
        for names in sets:
            if self.stop():
                break
            held = sum(self._holds_guarded(k, names, length) for k in tried)
            if held > best[0]:
                best = (held, names)
        held, names = best
        if not held:
            return []
        metres = sum(edge.length_m for edge in self.study.roof.edges if edge.id in names)
        return [
            f"edge protection along {_few(list(names))} ({metres:.1f} m in all): with it a line of "
            f"{length:g} m holds every limit at {held} of {len(tried)} places tried"
        ]

    def _holds_guarded(self, k: int, names: tuple[str, ...], length: float) -> bool:
        plan = self.study.plan
        if names not in self.guarded:
            guard = Protection(edges=names, means="guardrail")
            self.guarded[names] = Judge(self.study.roof, replace(plan, protection=(*plan.protection, guard)))
        judge = self.guarded[names]
        anchor = self.columns[k].anchor
        assert isinstance(anchor, Anchor)
        allowed = judge.point(self.columns[k].points[0], [length], plan.line)
        return allowed.length >= length and not judge.dangers([anchor_with(anchor, plan.line, length)])

    def _shorter(self, k: int) -> float:
        """The longest line below those on offer that holds every limit at a place, in whole steps."""
        if k not in self.short:
            lengths = list(np.arange(SHORTER_M, min(self.study.lengths) - 1e-9, SHORTER_M).round(3))
            line = self.study.plan.line
            if not lengths or line.policy == "restraint":
                self.short[k] = 0.0
            else:
                self.short[k] = self.study.judge.point(self.columns[k].points[0], lengths, line).length
        return self.short[k]

    def _restrained(self, k: int) -> float:
        if k not in self.tied:
            line = self.study.plan.line
            if line.policy == "restraint":
                self.tied[k] = 0.0  # that is what was asked for in the first place
            else:
                tie = replace(line, policy="restraint", slack=0.0)
                at, longest = self.columns[k].points[0], max(self.study.lengths)
                self.tied[k] = self.study.judge.point(at, [longest], tie).length
        return self.tied[k]


def _few(names: list[str], most: int = 6) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
