"""Times the covering solver against a plain integer programme on the same problems, and prints ratios.

Usage: python scripts/bench/cover.py [--plain SECONDS]

Problems: houses laid out as rows of gables (candidates on rafters, line over the ridge, cells of work) and
random discs, which are harder than any roof. The plain programme is scipy.optimize.milp on the matrix as
it stands, stopped after SECONDS (default 60).
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import scipy.sparse as sparse
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.spatial import cKDTree

from roof3d.place.cover import gap, solve_cover


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


def house(line: float) -> sparse.csr_array:
    """The shipped model with 40 planes, true taut lengths, every place allowed; minutes to measure."""
    from dataclasses import replace
    from pathlib import Path

    from roof3d import taut
    from roof3d.building import build
    from roof3d.fall import AnchorRuler, work_shapes
    from roof3d.place.candidates import find_candidates
    from roof3d.place.demand import make_demand
    from roof3d.plan import model_path, read_plan

    plan = read_plan(Path(__file__).resolve().parents[2] / "models" / "forty-planes.toml")
    roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    wish = replace(plan.candidates, along=("ridge", "hip", "slope"), spacing=0.5, slope_step=1.0)
    plan = replace(plan, candidates=replace(wish, edge_setback=0.3))
    places, _ = find_candidates(roof, plan)
    rulers = [AnchorRuler(place.at, taut.prepare(roof)) for place in places]
    shapes = work_shapes(roof, plan)
    longest = np.full(len(places), line)
    demand = make_demand(roof.planes, shapes, rulers, longest, (0.9, 1.5), least_m=0.5)
    return sparse.csr_array((demand.need <= line).astype(np.int8))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plain", type=float, default=60.0, help="seconds for the plain programme")
    parser.add_argument("--only", default="", help="problems whose name contains this")
    parser.add_argument("--house", type=float, metavar="LINE", help="the shipped 40-plane model only")
    options = parser.parse_args()
    if options.house:
        PROBLEMS.clear()
        PROBLEMS[f"model with 40 planes, line {options.house:g} m"] = lambda: house(options.house)
    print("problem; places x cells; ours best/bound gap s; plain best/bound gap s; time ratio")
    for name, make in PROBLEMS.items():
        if options.only not in name:
            continue
        matrix = make()
        matrix = sparse.csr_array(matrix[np.flatnonzero(np.diff(matrix.indptr))])
        start = time.perf_counter()
        cover = solve_cover(matrix)
        ours = time.perf_counter() - start
        text = f"{name}; {matrix.shape[1]} x {matrix.shape[0]}; "
        text += f"{cover.best:.0f}/{cover.bound:.0f} {100 * cover.gap:.1f} % {ours:.1f} s"
        if options.plain > 0:
            start = time.perf_counter()
            answer = milp(
                np.ones(matrix.shape[1]),
                constraints=LinearConstraint(sparse.csr_array(matrix, dtype=float), 1.0, np.inf),
                bounds=Bounds(0, 1),
                integrality=np.ones(matrix.shape[1]),
                options={"time_limit": options.plain},
            )
            plain = time.perf_counter() - start
            best = np.inf if answer.fun is None else float(answer.fun)
            bound = 0.0 if answer.mip_dual_bound is None else float(np.ceil(answer.mip_dual_bound - 1e-6))
            text += (
                f"; {best:.0f}/{bound:.0f} {100 * gap(best, bound):.1f} % {plain:.1f} s; {plain / ours:.1f}"
            )
        print(text, flush=True)


if __name__ == "__main__":
    main()
