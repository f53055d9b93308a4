"""Full checks for the designer's viewer, in a process of their own, so that dragging stays quick."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.records import Plan, Roof
from roof3d.units import System

# of the worker process: the roof, what is known of anchors that did not change, the last result
_kept: dict[str, Any] = {}


class Worker:
    """One process that checks plans on one roof, one after another."""

    def __init__(self, roof: Roof, model: Path, plan: Plan) -> None:
        # on Linux the child takes over the roof that is already there; it is made before any thread starts
        forked = sys.platform == "linux"
        context: Any = multiprocessing.get_context("fork" if forked else "spawn")
        self._pipe, other = context.Pipe()
        source = roof if forked else (str(model), plan.model.unit, plan.model.up, plan.model.grade)
        arguments = (other, self._pipe if forked else None, os.getpid(), source)
        self._process = context.Process(target=_work, args=arguments, daemon=True)
        self._process.start()
        other.close()
        self._turn = ThreadPoolExecutor(1)

    def check(self, plan: Plan, units: System, language: str = "en") -> Future[str]:
        """The page's data of a checked plan as JSON, or ``{"problem": text}``.

        The future raises EOFError or OSError where the process has ended.
        """
        return self._turn.submit(self._ask, "check", plan, units, language)

    def explain(self, segment: int, units: System) -> Future[str]:
        """The sums behind a segment of the last check, as JSON lines."""
        return self._turn.submit(self._ask, "explain", segment, units)

    def _ask(self, *what: Any) -> str:
        self._pipe.send(what)
        return str(self._pipe.recv())

    def close(self) -> None:
        """Ends the process; a check that runs is given up."""
        self._turn.shutdown(wait=False, cancel_futures=True)
        self._process.terminate()
        self._process.join(5.0)


def _work(pipe: Any, parents_end: Any, parent: int, source: Any) -> None:
    """What the process does: answers until nobody asks any more."""
    _stay(parent)
    with contextlib.suppress(OSError, AttributeError):  # dragging comes first; Windows has no such call
        os.nice(15)
    if parents_end is not None:
        parents_end.close()
    if isinstance(source, tuple):
        from roof3d.building import build

        file, unit, up, grade = source
        source = build(file, unit=unit, up=up, grade=grade)
    _kept["roof"] = source
    answers: dict[str, Callable[..., str]] = {"check": _check, "explain": _explain}
    while True:
        try:
            name, *rest = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send(answers[name](*rest))


def _stay(parent: int) -> None:
    """The worker leaves ending to its parent, and ends where the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(0)

    threading.Thread(target=watch, daemon=True).start()


def _check(plan: Plan, units: System, language: str) -> str:
    from roof3d.check import check
    from roof3d.show.page.data import page_data

    roof: Roof = _kept["roof"]
    try:
        result = check(roof, plan, memory=_kept.setdefault("memory", {})).to_json()
        _kept["result"], _kept["language"] = result, language
        # sums are asked for one by one
        data = page_data(result, roof, units=units, language=language, explained=0)
    except InputError as error:
        return json.dumps({"problem": str(error)})
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _explain(segment: int, units: System) -> str:
    from roof3d.explain import explain
    from roof3d.show.told import told_sums
    from roof3d.show.words import load_texts

    result = _kept.get("result")
    if result is None or not 0 <= segment < len(result["edge_segments"]):
        return "[]"
    texts = load_texts(_kept["language"])
    lines = told_sums(explain(result, f"edge_segments/{segment}", units=units), units, texts)
    return json.dumps(lines, ensure_ascii=False)
