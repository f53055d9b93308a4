"""A thousand anchors on one preparation: which of ten thousand targets does a line reach from each?

Usage: python scripts/bench/anchors.py [--models NAME ...] [--anchors N] [--points N] [--limits M ...]

Prints what the verdict takes (taut.decide) on one core and on as many as there are, beside brackets on
all targets (taut.measure) on one, for the first of the same anchors.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scale import on_roofs
from taut import MODELS, _first, machine

from roof3d import taut
from roof3d.load import read_mesh
from roof3d.records import Floats, Lengths

HEIGHTS = (0.9, 1.5)  # of a D-ring over the roof, kneeling and standing
SAMPLE = 12  # anchors for which all brackets are measured


def timed(anchors: Floats, workers: int, ask: Callable[[Floats], Lengths]) -> tuple[float, list[Lengths]]:
    """Seconds, and what was found."""
    start = time.perf_counter()
    with ThreadPoolExecutor(workers) as pool:
        found = list(pool.map(ask, anchors))
    return time.perf_counter() - start, found


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--models", nargs="*", default=["gable", "l-valley", "dormers"])
    parser.add_argument("--anchors", type=int, default=1000)
    parser.add_argument("--points", type=int, default=10_000)
    parser.add_argument("--limits", type=float, nargs="*", default=[5.0, 7.0, 10.0], help="lines, metres")
    options = parser.parse_args()
    os.environ["ROOF3D_CACHE"] = "off"  # preparations are made, not read
    print(machine())
    first, anchor, point = _first()
    taut.measure(first, anchor, point)  # compiled code is loaded before anything is timed
    taut.decide(first, anchor, taut.targets(first, point), 5.0)
    cores = os.cpu_count() or 1
    for name in options.models:
        mesh = read_mesh(MODELS / f"{name}.glb")
        preparation = taut.prepare_mesh(mesh, float(mesh.vertices[:, 2].min()))
        points = np.concatenate([on_roofs(mesh, options.points // 2, height, 0) for height in HEIGHTS])
        points = points[~taut.inside(preparation, points)]
        start = time.perf_counter()
        at = taut.targets(preparation, points)
        print(f"{name}: {len(points)} targets made ready in {time.perf_counter() - start:.2f} s")
        anchors = on_roofs(mesh, options.anchors, 0.3, 1)
        for limit in options.limits:
            times = []
            for workers in (1, cores):
                preparation.tied.clear()
                seconds, found = timed(
                    anchors, workers, lambda a, p=preparation, t=at, m=limit: taut.decide(p, a, t, m)
                )
                times.append(seconds)
            within = np.mean([(x.hi <= limit).mean() for x in found])
            open_ = sum(int(((x.hi > limit) & (x.lo <= limit)).sum()) for x in found)
            preparation.tied.clear()
            whole, full = timed(
                anchors[:SAMPLE], 1, lambda a, p=preparation, q=points, m=limit: taut.measure(p, a, q, m)
            )
            odd = sum(
                int(((x.hi <= limit) & (y.lo > limit)).sum() + ((x.lo > limit) & (y.hi <= limit)).sum())
                for x, y in zip(found, full, strict=False)
            )
            print(
                f"{name}: line {limit:g} m, {100 * within:.0f} % within: {len(anchors)} anchors "
                f"in {times[0]:.1f} s, "
                f"{1000 * times[0] / len(anchors):.1f} ms an anchor; {cores} at a time {times[1]:.1f} s "
                f"(x {times[0] / times[1]:.2f}); undecided {open_} of {len(anchors) * len(points)}; "
                f"all brackets {1000 * whole / SAMPLE:.0f} ms an anchor "
                f"(x {whole / SAMPLE * len(anchors) / times[0]:.0f}), verdicts against them: {odd}",
                flush=True,
            )


if __name__ == "__main__":
    main()
