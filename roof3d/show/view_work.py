"""Full checks for the designer's viewer, in a process of their own, so that dragging stays quick."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import sys
import threading
import time
from concurrent.futures import Future, ProcessPoolExecutor
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
        if sys.platform == "linux":
            # the child takes over the roof that is already there; made before any thread starts
            _kept["roof"] = roof
            context = multiprocessing.get_context("fork")
            self._pool = ProcessPoolExecutor(
                1, mp_context=context, initializer=_stay, initargs=(os.getpid(),)
            )
        else:
            choice = (os.getpid(), str(model), plan.model.unit, plan.model.up, plan.model.grade)
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=_load, initargs=choice)
        self._pool.submit(int).result()

    def check(self, plan: Plan, units: System) -> Future[str]:
        """The page's data of a checked plan as JSON, or ``{"problem": text}``."""
        return self._pool.submit(_check, plan, units)

    def explain(self, segment: int, units: System) -> Future[str]:
        """The sums behind a segment of the last check, as JSON lines."""
        return self._pool.submit(_explain, segment, units)

    def close(self) -> None:
        """Ends the process; a check that runs is given up."""
        processes = list(getattr(self._pool, "_processes", {}).values())
        self._pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()


def _stay(parent: int) -> None:
    """The worker leaves ending to its parent, and ends where the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(0)

    threading.Thread(target=watch, daemon=True).start()


def _load(parent: int, file: str, unit: str | None, up: str | None, grade: float | None) -> None:
    from roof3d.building import build

    _stay(parent)
    _kept["roof"] = build(file, unit=unit, up=up, grade=grade)


def _check(plan: Plan, units: System) -> str:
    from roof3d.check import check
    from roof3d.show.page.data import page_data

    roof: Roof = _kept["roof"]
    try:
        result = check(roof, plan, memory=_kept.setdefault("memory", {})).to_json()
        _kept["result"] = result
        # sums are asked for one by one
        data = page_data(result, roof, units=units, explained=0)
    except InputError as error:
        return json.dumps({"problem": str(error)})
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _explain(segment: int, units: System) -> str:
    from roof3d.explain import explain

    result = _kept.get("result")
    if result is None or not 0 <= segment < len(result["edge_segments"]):
        return "[]"
    return json.dumps(list(explain(result, f"edge_segments/{segment}", units=units)), ensure_ascii=False)
