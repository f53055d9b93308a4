"""Times the covering solver against a plain integer programme on the same problems, and prints ratios.

Usage: python scripts/bench/cover.py [--plain SECONDS] [--only TEXT] [--model LINE [LINE ...]] [--places N]

Problems: houses laid out as rows of gables (candidates on rafters, line over the ridge, cells of work) and
random discs, which are harder than any roof. With --model: the shipped model with 40 planes, about 1,900
places on its ridges, hips and slopes, taut lengths as the check measures them; these are measured once for
the longest LINE (minutes, told apart from solving) and kept in the folder for temporary files; --places takes
every so many of them that N are left. The plain
programme is scipy.optimize.milp on the matrix as it stands, stopped after SECONDS (default 60; 0: left out).
Times are of the processor, all threads together.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import scipy.sparse as sparse
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.spatial import cKDTree

from roof3d.place.cover import Progress as Standing
from roof3d.place.cover import gap, solve_cover
from roof3d.progress import Progress


def discs(work: np.ndarray, places: np.ndarray, line: float) -> sparse.csr_array:
    """Cells served from places: straight distance within the line."""
    near = cKDTree(work).query_ball_point(places, line)
    rows = np.concatenate([np.asarray(sorted(rows), dtype=np.int64) for rows in near])
    columns = np.repeat(np.arange(len(places)), [len(rows) for rows in near])
    return sparse.csr_array((np.ones(rows.size, np.int8), (rows, columns)), shape=(len(work), len(places)))


def gables(wings: int, levels: int, line: float, *, apart: bool, cell: float = 0.4) -> sparse.csr_array:
    """Wings of 12 m with slopes of 6 m, unfolded over the ridge; ``apart``: no line passes between wings.

    ``levels`` rows of places on each wing: 1 is the ridge alone, more are up and down the slopes.
    """
    rng = np.random.default_rng(7)
    work, places = [], []
    for wing in range(wings):
        length = 9.0 + 6.0 * rng.random()
        half = 4.5 + 1.5 * rng.random()
        gap_between = 1000.0 if apart else 12.5
        corner = np.array([gap_between * (wing % 5), (1000.0 if apart else 11.5) * (wing // 5)])
        x = np.arange(0.3, length, 0.6)
        y = np.linspace(-half + 1.0, half - 1.0, levels) if levels > 1 else np.zeros(1)
        places.append(np.column_stack([v.ravel() for v in np.meshgrid(x, y)]) + corner)
        x, y = np.arange(cell / 2, length, cell), np.arange(cell / 2 - half, half, cell)
        work.append(np.column_stack([v.ravel() for v in np.meshgrid(x, y)]) + corner)
    return discs(np.concatenate(work), np.concatenate(places), line - 0.3)


def random_discs(places: int, cells: int) -> sparse.csr_array:
    """Places and cells at random over a square, 3.6 m2 for each place, radius 6 m."""
    rng = np.random.default_rng(0)
    side = np.sqrt(3.6 * places)
    return discs(rng.uniform(0, side, (cells, 2)), rng.uniform(0, side, (places, 2)), 6.0)


PROBLEMS = {
    "house, 10 planes, ridges": lambda: gables(5, 1, 7.5, apart=False),
    "house, 10 planes, ridges and slopes": lambda: gables(5, 5, 7.5, apart=False),
    "house, 40 planes, ridges": lambda: gables(20, 1, 7.5, apart=False),
    "house, 40 planes in parts": lambda: gables(20, 5, 7.5, apart=True),
    "house, 40 planes in one sheet": lambda: gables(20, 5, 7.5, apart=False),
    "random discs, 200": lambda: random_discs(200, 4000),
    "random discs, 500": lambda: random_discs(500, 6000),
    "random discs, 2000": lambda: random_discs(2000, 20000),
}


def measured(longest: float) -> np.ndarray:
    """Shortest line with which each place of the model with 40 planes serves each cell, (cells, places).

    Every place is allowed any line: whether edges let it is another question, and makes problems smaller.
    """
    from dataclasses import replace

    from roof3d import taut
    from roof3d.building import build
    from roof3d.fall import AnchorRuler, work_shapes
    from roof3d.place.candidates import find_candidates
    from roof3d.place.demand import make_demand
    from roof3d.plan import model_path, read_plan

    plan = read_plan(Path(__file__).resolve().parents[2] / "models" / "forty-planes.toml")
    model = model_path(plan)
    wish = replace(plan.candidates, along=("ridge", "hip", "slope"), spacing=0.6, slope_step=1.2)
    plan = replace(plan, candidates=replace(wish, edge_setback=0.3))
    digest = hashlib.sha256(model.read_bytes() + repr((plan.candidates, longest)).encode()).hexdigest()
    kept = Path(tempfile.gettempdir()) / f"roof3d-bench-{digest[:16]}.npy"
    if kept.is_file():
        print(f"taken from {kept}; delete it to measure anew", file=sys.stderr)
        return np.asarray(np.load(kept))
    start = time.process_time()
    with Progress("reading the model") as progress:
        roof = build(model, unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
        places, _ = find_candidates(roof, plan)
        demand = make_demand(
            roof.planes,
            work_shapes(roof, plan),
            [AnchorRuler(place.at, taut.prepare(roof)) for place in places],
            np.full(len(places), longest),
            (plan.worker.kneeling_height, plan.worker.attachment_height),
            least_m=0.5,
            tell=lambda step, steps: progress.step("measuring what each place serves", step, steps),
        )
    print(
        f"measuring {len(places)} places, {len(demand.area)} cells: {time.process_time() - start:.1f} s",
        flush=True,
    )
    np.save(kept, demand.need)
    return demand.need


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plain", type=float, default=60.0, help="seconds for the plain programme")
    parser.add_argument("--only", default="", help="problems whose name contains this")
    parser.add_argument(
        "--model", type=float, nargs="+", metavar="LINE", help="the shipped 40-plane model only"
    )
    parser.add_argument("--places", type=int, help="so many of the model's places, evenly")
    options = parser.parse_args()
    problems = dict(PROBLEMS)
    if options.model:
        need = measured(max(options.model))
        if options.places:
            need = need[:, np.unique(np.linspace(0, need.shape[1] - 1, options.places).round().astype(int))]
        problems = {
            f"model with 40 planes, line {line:g} m": partial(served, need, line) for line in options.model
        }
    print("problem; places x cells; ours best/bound gap s; plain best/bound gap s; time ratio")
    for name, make in problems.items():
        if options.only not in name:
            continue
        matrix = make()
        matrix = sparse.csr_array(matrix[np.flatnonzero(np.diff(matrix.indptr))])
        start = time.process_time()
        with Progress(name) as progress:
            cover = solve_cover(matrix, report=partial(tell, progress, name, start))
        ours = time.process_time() - start
        text = f"{name}; {matrix.shape[1]} x {matrix.shape[0]}; "
        text += f"{cover.best:.0f}/{cover.bound:.0f} {100 * cover.gap:.1f} % {ours:.1f} s"
        if options.plain > 0:
            start = time.process_time()
            answer = milp(
                np.ones(matrix.shape[1]),
                constraints=LinearConstraint(sparse.csr_array(matrix, dtype=float), 1.0, np.inf),
                bounds=Bounds(0, 1),
                integrality=np.ones(matrix.shape[1]),
                options={"time_limit": options.plain},
            )
            plain = time.process_time() - start
            best = np.inf if answer.fun is None else float(answer.fun)
            bound = 0.0 if answer.mip_dual_bound is None else float(np.ceil(answer.mip_dual_bound - 1e-6))
            text += (
                f"; {best:.0f}/{bound:.0f} {100 * gap(best, bound):.1f} % {plain:.1f} s; {plain / ours:.1f}"
            )
        print(text, flush=True)


def served(need: np.ndarray, line: float) -> sparse.csr_array:
    """Cells served by places with a line of ``line`` metres."""
    return sparse.csr_array((need <= line).astype(np.int8))


def tell(show: Progress, name: str, start: float, now: Standing) -> None:
    """Say where the search stands."""
    spent = time.process_time() - start
    show.step(f"{name}: {now.stage}, best {now.best:g}, bound {now.bound:g}, {spent:.0f} s")


if __name__ == "__main__":
    main()
