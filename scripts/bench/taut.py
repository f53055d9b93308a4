"""Taut length against general-purpose distances, one anchor and the same points, side by side in one run.

Usage: python scripts/bench/taut.py [--models NAME ...] [--points N]

For each model: preparation, time for each further anchor, memory, bracket widths; then the peers on the same
mesh cut finely: exact geodesics on the surface (pygeodesic), the heat method and fast marching on the surface
(potpourri3d), shortest ways along mesh edges (scipy), fast marching through free space on a grid
(scikit-fmm). The surface distances are too long across valleys, the last ones are rough; their errors
are told against the taut length. Peers that are not installed are left out.
"""

from __future__ import annotations

import argparse
import importlib
import os
import platform
import resource
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from roof3d import taut
from roof3d.load import read_mesh
from roof3d.records import Floats, Mesh

MODELS = Path(__file__).resolve().parents[2] / "models"
MOST = 120_000  # triangles of the finely cut mesh for the slow peers


def machine() -> str:
    """One line about the machine."""
    name = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.is_file():
        found = [
            line.split(":", 1)[1].strip() for line in info.read_text().splitlines() if "model name" in line
        ]
        name = found[0] if found else name
    return (
        f"{name}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, Python {platform.python_version()}"
    )


def finer(mesh: Mesh, times: int) -> Mesh:
    """Each triangle cut into four, ``times`` over."""
    vertices, triangles = mesh.vertices, mesh.triangles
    for _ in range(times):
        sides = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]))
        key = sides[:, 0] * np.int64(len(vertices)) + sides[:, 1]
        _, first, row = np.unique(key, return_index=True, return_inverse=True)
        unique = sides[first]
        ab, bc, ca = np.split(len(vertices) + row.reshape(-1), 3)
        a, b, c = triangles.T
        corners = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
        triangles = np.concatenate([np.stack(corner, axis=1) for corner in corners])
        vertices = np.concatenate([vertices, (vertices[unique[:, 0]] + vertices[unique[:, 1]]) / 2])
    count = len(triangles) // len(mesh.triangles)
    parts, oriented = np.tile(mesh.parts, count), np.tile(mesh.oriented, count)
    return replace(mesh, vertices=vertices, triangles=triangles, parts=parts, oriented=oriented)


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    start = time.perf_counter()
    made = work()
    return made, time.perf_counter() - start


def peer(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


def told(name: str, setup: float, each: float, found: Floats, true: Floats, ours: float) -> None:
    """One line: times, their ratio to ours for each further anchor, errors in percent of the taut length."""
    good = np.isfinite(found) & np.isfinite(true) & (true > 1.0)
    error = 100 * (found[good] / true[good] - 1)
    print(
        f"    {name:34s} {setup:8.3f} s + {1000 * each:9.2f} ms/anchor  x {each / ours:8.2f}  error "
        f"{error.min():+7.2f} .. {error.max():+7.2f} %, mean {error.mean():+6.2f} %",
        flush=True,
    )


def peers(mesh: Mesh, source: int, chosen: np.ndarray, true: Floats, ours: float) -> None:
    """The same source and points with each peer that is there."""
    vertices, triangles = mesh.vertices, mesh.triangles
    geodesic = peer("pygeodesic.geodesic")
    if geodesic:
        solver, setup = timed(lambda: geodesic.PyGeodesicAlgorithmExact(vertices, triangles))
        (found, _), each = timed(lambda: solver.geodesicDistances(np.array([source]), None))
        told("exact on the surface (pygeodesic)", setup, each, np.asarray(found)[chosen], true, ours)
    pp3d = peer("potpourri3d")
    if pp3d:
        solver, setup = timed(lambda: pp3d.MeshHeatMethodDistanceSolver(vertices, triangles))
        found, each = timed(lambda: solver.compute_distance(source))
        told("heat method (potpourri3d)", setup, each, found[chosen], true, ours)
        solver, setup = timed(lambda: pp3d.MeshFastMarchingDistanceSolver(vertices, triangles))
        found, each = timed(lambda: solver.compute_distance([[(source, [])]]))
        told("fast marching (potpourri3d)", setup, each, np.asarray(found)[chosen], true, ours)

    def edges() -> csr_array:
        pair = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
        size = np.linalg.norm(vertices[pair[:, 0]] - vertices[pair[:, 1]], axis=1)
        graph = csr_array((size, (pair[:, 0], pair[:, 1])), shape=(len(vertices),) * 2)
        return graph.maximum(graph.T)

    graph, setup = timed(edges)
    found, each = timed(lambda: dijkstra(graph, indices=source))
    told("along mesh edges (scipy)", setup, each, found[chosen], true, ours)
    skfmm = peer("skfmm")
    if skfmm:
        voxels(skfmm, mesh, source, chosen, true, ours)


def voxels(skfmm: Any, mesh: Mesh, source: int, chosen: np.ndarray, true: Floats, ours: float) -> None:
    """Fast marching through free space on a grid of 0.2 m."""
    import pyvista as pv

    size = 0.2
    low, high = mesh.vertices.min(axis=0) - 1.0, mesh.vertices.max(axis=0) + 1.0

    def make() -> tuple[Any, Any]:
        shape = np.ceil((high - low) / size).astype(int)
        axes = [low[k] + size * (np.arange(shape[k]) + 0.5) for k in range(3)]
        centre = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        surface = pv.PolyData.from_regular_faces(mesh.vertices, mesh.triangles)
        inside = pv.PolyData(centre).select_interior_points(surface, check_surface=False)["selected_points"]
        return axes, inside.reshape(shape).astype(bool)

    try:
        (axes, inside), setup = timed(make)
    except (AttributeError, KeyError, RuntimeError) as error:
        print(f"    free-space grid left out: {error}")
        return
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    start = np.linalg.norm(grid - mesh.vertices[source], axis=-1) - 0.3
    field, each = timed(lambda: skfmm.distance(np.ma.MaskedArray(start, inside & (start > 0)), dx=size))
    row = np.round((mesh.vertices[chosen] - low) / size - 0.5).astype(int)
    near = field.filled(np.nan)
    found = np.full(len(chosen), np.inf)
    for shift in np.ndindex(3, 3, 3):
        place = np.clip(row + np.array(shift) - 1, 0, np.array(near.shape) - 1)
        value = near[tuple(place.T)] + 0.3
        value += np.linalg.norm(grid[tuple(place.T)] - mesh.vertices[chosen], axis=1)
        found = np.fmin(found, value)
    told("free-space grid 0.2 m (scikit-fmm)", setup, each, found, true, ours)


def roof_tops(mesh: Mesh) -> np.ndarray:
    """Vertices of up-facing triangles."""
    corner = mesh.vertices[mesh.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return np.unique(mesh.triangles[cross[:, 2] > 0.2 * np.linalg.norm(cross, axis=1)])


def bench(name: str, count: int, limit: float) -> None:
    """One model: ours, then the peers."""
    mesh = read_mesh(MODELS / f"{name}.glb")
    fine = finer(mesh, max(0, int(np.log(15_000 / len(mesh.triangles)) / np.log(4) + 0.5)))
    ground = float(mesh.vertices[:, 2].min())
    preparation, setup = timed(lambda: taut.prepare_mesh(mesh, ground))
    top = roof_tops(fine)
    top = top[~taut.inside(preparation, fine.vertices[top])]
    chosen = top[np.random.default_rng(0).integers(0, len(top), count)]
    points = fine.vertices[chosen]
    sources = top[np.random.default_rng(1).integers(0, len(top), 6)]
    times, widths, upper = [], [], np.zeros(0)
    for source in sources:
        start = time.perf_counter()
        found = taut.measure(preparation, fine.vertices[source], points, limit)
        times.append(time.perf_counter() - start)
        # beyond the line the lower end stays at its length
        widths.append((found.hi - found.lo)[found.hi <= limit])
        upper = found.hi
    width = 1000 * np.concatenate(widths)
    print(
        f"{name}: {len(mesh.triangles)} triangles, {len(preparation.contacts)} contacts, {count} points on "
        f"roofs, line {limit:g} m"
    )
    print(
        f"    taut: preparation {setup:.3f} s, each anchor {1000 * np.median(times):.1f} ms "
        f"(least {1000 * min(times):.1f}, most {1000 * max(times):.1f})"
    )
    wide = f"{100 * (width > 1).mean():.2f} % over 1 mm, {100 * (width > 10).mean():.2f} % over 1 cm"
    print(
        f"    brackets within the line: median {np.median(width):.2f} mm, "
        f"99 % {np.quantile(width, 0.99):.2f} mm, widest {width.max():.2f} mm; {wide}"
    )
    if len(fine.triangles) <= MOST:
        peers(fine, int(sources[-1]), chosen, upper, times[-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--models", nargs="*", default=["gable", "l-valley", "dormers"])
    parser.add_argument("--points", type=int, default=10_000)
    parser.add_argument("--limit", type=float, default=15.0, help="line length, metres")
    options = parser.parse_args()
    os.environ["ROOF3D_CACHE"] = "off"  # preparations are made, not read
    print(machine())
    taut.measure(*_first())  # compiled code is loaded before anything is timed
    for name in options.models:
        bench(name, options.points, options.limit)
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB, peers included")


def _first() -> tuple[Any, Floats, Floats]:
    mesh = read_mesh(MODELS / "gable.glb")
    low = float(mesh.vertices[:, 2].min())
    at = np.array([0.0, 0.0, mesh.vertices[:, 2].max() + 1.0])
    return taut.prepare_mesh(mesh, low), at, np.array([[0.0, mesh.vertices[:, 1].max() + 1, low + 1]])


if __name__ == "__main__":
    main()
