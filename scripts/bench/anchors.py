"""A thousand anchors on one preparation: anchors a second, on one core and on as many as there are.

Usage: python scripts/bench/anchors.py [--models NAME ...] [--anchors N] [--points N] [--limit M]
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scale import on_roofs
from taut import MODELS, _first, machine

from roof3d import taut
from roof3d.load import read_mesh


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--models", nargs="*", default=["gable", "dormers"])
    parser.add_argument("--anchors", type=int, default=1000)
    parser.add_argument("--points", type=int, default=10_000)
    parser.add_argument("--limit", type=float, default=15.0, help="line length, metres")
    parser.add_argument("--most", type=float, default=60.0, help="seconds for each part, then a guess")
    options = parser.parse_args()
    os.environ["ROOF3D_CACHE"] = "off"  # preparations are made, not read
    print(machine())
    taut.measure(*_first())
    cores = os.cpu_count() or 1
    for name in options.models:
        mesh = read_mesh(MODELS / f"{name}.glb")
        preparation = taut.prepare_mesh(mesh, float(mesh.vertices[:, 2].min()))
        points, anchors = on_roofs(mesh, options.points, 1.5, 0), on_roofs(mesh, options.anchors, 0.3, 1)
        took = []
        for workers in (1, cores):
            done = 0
            start = time.perf_counter()
            with ThreadPoolExecutor(workers) as pool:
                for block in np.array_split(np.arange(len(anchors)), 50):
                    for _ in pool.map(
                        lambda row, p=preparation, a=anchors, q=points: taut.measure(
                            p, a[row], q, options.limit
                        ),
                        block,
                    ):
                        done += 1
                    if time.perf_counter() - start > options.most:
                        break
            seconds = (time.perf_counter() - start) * len(anchors) / done
            took.append(seconds)
            guess = "" if done == len(anchors) else f" (from {done})"
            print(
                f"{name}: {len(anchors)} anchors x {len(points)} points, line {options.limit:g} m, "
                f"{workers} at a time: {seconds:.1f} s{guess}, "
                f"{1000 * seconds / len(anchors):.1f} ms an anchor",
                flush=True,
            )
        print(f"{name}: {cores} cores against one: x {took[0] / took[1]:.2f}")


if __name__ == "__main__":
    main()
