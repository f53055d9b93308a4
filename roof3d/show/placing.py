"""What the commands ``place`` and ``takeoff`` show and write, behind the command line."""

from __future__ import annotations

import hashlib
import signal
import sys
import threading
import time
from argparse import Namespace
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.place import stronger
from roof3d.place.advise import Gap, explain_gaps
from roof3d.place.choose import Placement, alternatives, place, usual_kind
from roof3d.place.cover import USUAL
from roof3d.place.offer import KINDS
from roof3d.place.outcome import HEADINGS, placement_json, table_rows
from roof3d.plan import read_plan, write_plan
from roof3d.records import Plan, Prices, Roof
from roof3d.show.takeoff import make_takeoff, takeoff_table, write_takeoff
from roof3d.units import System, format_area, format_length

Step = Callable[[str, int, int], None]


def run_place(roof: Roof, plan: Plan, options: Namespace, step: Step) -> tuple[str, dict[str, Any], int]:
    """Choose anchors, write the plan, and say what came of it: text, plain values, exit status.

    The status is 0 where all work is served and the plan's check has no findings, else 1.
    """
    watch = _Watch(step)
    step = watch.step
    if options.tied:
        plan = replace(plan, candidates=replace(plan.candidates, tied=True))
    for name in ("seconds", "effort"):
        value = getattr(options, name)
        if value is not None and not value > 0:
            raise InputError("", f"--{name}", f"{value:g}", "a number above zero")
    aim = "cost" if options.cost else "fewest"
    kind = options.kind or usual_kind(plan)
    effort = replace(USUAL, solver=options.solver)
    if options.solver == "cp-sat":
        stronger.require()
    if options.effort is not None:
        effort = replace(effort, work=options.effort)
    with _stopping(options.seconds) as stop:
        if options.compare:
            found = alternatives(roof, plan, step, kinds=KINDS, aim=aim, effort=effort, stop=stop)
            chosen = next(one for one in found if one.kind == kind)
        else:
            chosen = place(roof, plan, step, kind=kind, aim=aim, effort=effort, stop=stop)
            found = (chosen,)
        gaps = []
        for one in found:
            step(f"asking why work is not served by {one.kind}", 0, 0)
            gaps.append(explain_gaps(one, stop))
        step("writing", 0, 0)
    out = Path(options.out) if options.out else _placed(plan)
    write_plan(chosen.plan, out)
    values = placement_json(chosen, gaps[found.index(chosen)])
    values["plan_file"] = str(out)
    if options.compare:
        values["alternatives"] = [placement_json(one, why) for one, why in zip(found, gaps, strict=True)]
    text = _text(chosen, found, gaps[found.index(chosen)], out, options.units) + f"\n{watch.told()}"
    if options.pictures:
        text += "\n" + "\n".join(_pictures(found, Path(options.pictures), options.units, step))
    return text, values, chosen.result.exit_status


PARTS = {"judging": "judging places", "measuring": "measuring reach", "solving": "solving"}
"""First words of what is told while each part of the work goes on, and how the part is called."""


class _Watch:
    """Passes on what is being done, and keeps how long each part of it took. For show only."""

    def __init__(self, step: Step) -> None:
        self._step = step
        self._now = "other"
        self._since = time.perf_counter()
        self._spent: dict[str, float] = {}

    def step(self, text: str, done: int = 0, steps: int = 0) -> None:
        self._turn(PARTS.get(text.split(" ")[0].rstrip(":"), "other"))
        self._step(text, done, steps)

    def _turn(self, part: str) -> None:
        now = time.perf_counter()
        self._spent[self._now] = self._spent.get(self._now, 0.0) + now - self._since
        self._now, self._since = part, now

    def told(self) -> str:
        """Seconds by part, solving told apart from measuring."""
        self._turn("other")
        names = [*PARTS.values(), "other"]
        times = [f"{name} {self._spent.get(name, 0.0):.1f} s" for name in names]
        return (
            "time: " + ", ".join(times[:-1]) + f", checks and the rest {self._spent.get('other', 0.0):.1f} s"
        )


@contextmanager
def _stopping(seconds: float | None) -> Iterator[Callable[[], bool]]:
    """A question that turns true after ``seconds`` or at the first Ctrl-C; a second one gives up."""
    asked = threading.Event()
    end = None if seconds is None else time.monotonic() + seconds

    def stop() -> bool:
        return asked.is_set() or (end is not None and time.monotonic() > end)

    def interrupt(number: int, frame: object) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()
        print("stopping: the best so far is checked and written; Ctrl-C again gives up", file=sys.stderr)

    main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, interrupt) if main else None
    try:
        yield stop
    finally:
        if main:
            signal.signal(signal.SIGINT, before)


def _pictures(found: tuple[Placement, ...], folder: Path, units: System, step: Step) -> list[str]:
    """One picture for each choice that has anchors; what was written, and what was not."""
    from roof3d.show.picture import draw_picture

    folder.mkdir(parents=True, exist_ok=True)
    said = []
    for one in found:
        step(f"drawing {one.kind}", 0, 0)
        path = folder / f"{one.kind}.png"
        lacking = draw_picture(one.result.to_json(), one.study.roof, path, units=units)
        said.append(f"wrote {path}" + (f" ({lacking})" if lacking else ""))
    return said


def _placed(plan: Plan) -> Path:
    if not plan.file:
        raise InputError("", "--out", "nothing", "a file to write the plan to")
    path = Path(plan.file)
    return path.with_name(f"{path.stem}-placed.toml")


def _text(
    chosen: Placement, found: tuple[Placement, ...], gaps: tuple[Gap, ...], out: Path, units: System
) -> str:
    rows = [HEADINGS, *table_rows(found, units)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(HEADINGS))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    lines += ["", *(f"{one.kind}: {one.proof}" for one in found)]
    lines += [_check_words(chosen)]
    for name, area in chosen.growth:
        anchor = next(one for one in chosen.result.anchors if one.id == name)
        length = format_length(anchor.line_length_m, units)
        lines.append(f"{name}: line {length}; served up to here {format_area(area, units)}")
    same: dict[tuple[str, tuple[str, ...]], list[Gap]] = {}
    for gap in gaps:
        same.setdefault((gap.reason, gap.advice), []).append(gap)
    for (reason, advice), group in same.items():
        shown = format_area(sum(gap.area_m2 for gap in group), units)
        lines.append(f"not served: {shown} of {', '.join(gap.plane for gap in group)}: {reason}")
        lines += [f"  would help: {one}" for one in advice]
    lines += [f"assumed: {text}" for text in chosen.assumptions]
    lines += [
        f"wrote {out}; a competent person verifies every place and its structure on site before use",
    ]
    return "\n".join(lines)


def _check_words(chosen: Placement) -> str:
    """What the check of the written plan finds, by kind."""
    if not chosen.named:
        return "the plan is written without anchors: nobody may be tied on by it"
    findings = [finding for finding in chosen.result.findings if finding.severity != "note"]
    if not findings:
        return "check of the plan: no findings"
    kinds = Counter((finding.severity, finding.code) for finding in findings)
    told = ", ".join(f"{number} x {severity} {code}" for (severity, code), number in sorted(kinds.items()))
    return f"check of the plan: {told} (roof3d check tells them)"


def run_takeoff(result: dict[str, Any], roof: Roof | None, options: Namespace) -> str:
    """Quantities and set-out of a result; prices and notes from its plan, where that is unchanged."""
    del roof  # quantities come from the result alone
    prices, notes, said = _from_plan(result, Path(options.result))
    takeoff = make_takeoff(result, prices, notes)
    text = takeoff_table(takeoff, options.units)
    if options.out:
        write_takeoff(takeoff, options.out, options.units)
        text += f"\nwrote {options.out}"
    return text + said


def _from_plan(result: dict[str, Any], where: Path) -> tuple[Prices, dict[str, str], str]:
    told = result.get("plan") or {}
    named = Path(str(told.get("file") or ""))
    for path in (named, where.parent / named, where.parent / named.name):
        if named.name and path.is_file():
            if hashlib.sha256(path.read_bytes()).hexdigest() != told.get("sha256"):
                return Prices(), {}, f"\n{path} has changed since the check: no prices are taken from it"
            plan = read_plan(path)
            notes = {one.id: one.note for one in plan.anchors if one.note}
            notes |= {one.id: one.note for one in plan.anchor_lines if one.note}
            return plan.prices, notes, ""
    return Prices(), {}, "\nplan not found beside the result: no prices"
