"""Many plans at once: each checked in a process of its own, results in a folder, one table."""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.progress import Progress


def check_file(plan_file: str, out: str) -> dict[str, Any]:
    """Check one plan and write its result; what is needed for the table comes back."""
    from roof3d.building import build
    from roof3d.check.run import check
    from roof3d.plan import model_path, read_plan
    from roof3d.tomlfile import replace_file

    try:
        plan = read_plan(plan_file)
        roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
        found = check(roof, plan)
    except InputError as error:
        return {"plan": plan_file, "status": 2, "error": str(error)}
    result = found.to_json()
    replace_file(Path(out), json.dumps(result, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    return {
        "plan": plan_file,
        "status": found.exit_status,
        "result": out,
        **result["summary"],
        **result["work"],
    }


def run_batch(folder: Path, out: Path, jobs: int, units: str, quiet: bool) -> tuple[str, int]:
    """Check every plan (``*.toml``) of a folder; (table, exit status: the worst of all).

    Raises InputError where the folder holds no plan or ``jobs`` is not positive. A plan that ends its
    process is reported as unusable; the others go on.
    """
    if not folder.is_dir():
        raise InputError(str(folder), "", "no such folder", "a folder with plan files")
    plans = sorted(folder.glob("*.toml"))
    if not plans:
        raise InputError(str(folder), "", "no .toml file", "a folder with plan files")
    if jobs < 1:
        raise InputError("", "--jobs", str(jobs), "a number from 1")
    out.mkdir(parents=True, exist_ok=True)
    rows: dict[str, dict[str, Any]] = {}
    with Progress(f"checking {len(plans)} plans", quiet) as progress:
        waiting = {str(plan): str(out / f"{plan.stem}.json") for plan in plans}
        for alone in (False, True):  # those whose pool broke are tried once more, each by itself
            missing = [plan for plan in waiting if plan not in rows]
            groups = [[plan] for plan in missing] if alone else [missing]
            for group in groups:
                with ProcessPoolExecutor(min(jobs, len(group) or 1), mp_context=get_context("spawn")) as pool:
                    futures = {pool.submit(check_file, plan, waiting[plan]): plan for plan in group}
                    for future in as_completed(futures):
                        plan = futures[future]
                        try:
                            rows[plan] = future.result()
                        except BrokenProcessPool:
                            if alone:
                                rows[plan] = {"plan": plan, "status": 2, "error": f"{plan}: the check died"}
                        progress.step(f"checked {Path(plan).name}", len(rows) - 1, len(plans))
    table = [rows[str(plan)] for plan in plans]
    return _table(table, units), max(row["status"] for row in table)


def _table(rows: list[dict[str, Any]], units: str) -> str:
    from roof3d.units import format_length

    area = 1.0 if units == "m" else 0.3048**2
    unit = "m2" if units == "m" else "sq ft"
    lines = [
        f"{'plan':<28} {'worst state':<12} {'worst margin':>14} {'unserved, ' + unit:>16} {'findings':>9}"
    ]
    for row in rows:
        name = Path(row["plan"]).name
        if "error" in row:
            lines.append(f"{name:<28} {'unusable':<12} {row['error']}")
            continue
        margin = row["worst_margin_m"]
        shown = (
            "-" if margin is None else format_length(margin, "ft" if units == "ft" else "m", direction="down")
        )
        lines.append(
            f"{name:<28} {row['worst_state'] or '-':<12} {shown:>14} {row['unserved_m2'] / area:>16.1f} "
            f"{row['findings']:>9}"
        )
    return "\n".join(lines)
