"""How cost grows: one house cut into up to two million triangles, and up to thirty houses in one file.

Usage: python scripts/bench/scale.py [--triangles N ...] [--houses N ...] [--limit M]

The first table goes from a file to the lengths: reading, then planes, edges and drops, then the preparation
of the taut length, then anchors. All times are of the processor, so that what else runs counts little.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from taut import MODELS, _first, finer, machine

from roof3d import taut
from roof3d.building import from_mesh
from roof3d.load import read_mesh
from roof3d.records import Floats, Mesh


def cut_into(mesh: Mesh, wanted: int) -> Mesh:
    """About ``wanted`` triangles: each cut into four as often as fits, then some into three."""
    mesh = finer(mesh, max(0, int(np.log(wanted / len(mesh.triangles)) / np.log(4))))
    rows = np.arange(min(len(mesh.triangles), max(0, (wanted - len(mesh.triangles)) // 2)))
    a, b, c = mesh.triangles[rows].T
    middle = len(mesh.vertices) + rows
    whole = mesh.triangles[len(rows) :]
    pieces = [np.stack(corner, axis=1) for corner in ((a, b, middle), (b, c, middle), (c, a, middle))]
    return replace(
        mesh,
        vertices=np.concatenate([mesh.vertices, mesh.vertices[mesh.triangles[rows]].mean(axis=1)]),
        triangles=np.concatenate([*pieces, whole]),
        parts=np.concatenate([np.tile(mesh.parts[rows], 3), mesh.parts[len(rows) :]]),
        oriented=np.concatenate([np.tile(mesh.oriented[rows], 3), mesh.oriented[len(rows) :]]),
    )


def row_of(mesh: Mesh, houses: int) -> Mesh:
    """Houses side by side, six in a row."""
    size = mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0) + 6.0
    shift = [np.array([size[0] * (k % 6), size[1] * (k // 6), 0.0]) for k in range(houses)]
    count = len(mesh.vertices)
    return replace(
        mesh,
        vertices=np.concatenate([mesh.vertices + s for s in shift]),
        triangles=np.concatenate([mesh.triangles + k * count for k in range(houses)]),
        parts=np.tile(mesh.parts, houses),
        oriented=np.tile(mesh.oriented, houses),
    )


def on_roofs(mesh: Mesh, number: int, height: float, seed: int) -> Floats:
    """Places ``height`` above random up-facing triangles, by area."""
    rng = np.random.default_rng(seed)
    corner = mesh.vertices[mesh.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    weight = np.where(cross[:, 2] > 0.2 * np.linalg.norm(cross, axis=1), cross[:, 2], 0.0)
    chosen = rng.choice(len(corner), number, p=weight / weight.sum())
    share = rng.dirichlet(np.ones(3), number)
    places: Floats = np.einsum("nc,nck->nk", share, corner[chosen]) + np.array([0.0, 0.0, height])
    return places


def write_ply(mesh: Mesh, path: Path) -> None:
    """The mesh in its loaded frame as binary PLY, coordinates in double precision."""
    face = np.zeros(len(mesh.triangles), dtype=[("count", "u1"), ("rows", "<i4", 3)])
    face["count"], face["rows"] = 3, mesh.triangles
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(mesh.vertices)}\nproperty double x\n"
        f"property double y\nproperty double z\nelement face {len(face)}\n"
        "property list uchar int vertex_indices\nend_header\n"
    )
    path.write_bytes(head.encode() + (mesh.vertices + mesh.origin).astype("<f8").tobytes() + face.tobytes())


def from_file(path: Path, limit: float, points: Floats, anchors: Floats) -> tuple[list[float], Floats, str]:
    """Times of reading, building, preparing and each anchor; lengths; and what came out."""
    times = [time.process_time()]
    mesh = read_mesh(path, unit="m", up="z")
    times.append(time.process_time())
    roof = from_mesh(mesh)
    times.append(time.process_time())
    preparation = taut.prepare(roof)
    times.append(time.process_time())
    shift = roof.mesh.origin
    lengths = [taut.measure(preparation, a - shift, points - shift, limit).hi for a in anchors]
    times.append(time.process_time())
    spent = np.diff(times)
    spent[3] /= len(anchors)
    found = f"{len(roof.planes)} planes, {len(roof.edges)} edges, {len(preparation.contacts)} contacts"
    return spent.tolist(), np.concatenate(lengths), found


def run(mesh: Mesh, limit: float, points: Floats, anchors: Floats) -> tuple[float, float, float, int]:
    """Times of preparing, of all brackets and of the verdict alone for each anchor; contacts."""
    start = time.process_time()
    preparation = taut.prepare_mesh(mesh, float(mesh.vertices[:, 2].min()))
    ready = time.process_time()
    for anchor in anchors:
        taut.measure(preparation, anchor, points, limit)
    done = time.process_time()
    preparation.tied.clear()  # the verdict starts from nothing too
    at = taut.targets(preparation, points)
    made = time.process_time()
    for anchor in anchors:
        taut.decide(preparation, anchor, at, limit)
    each = (time.process_time() - made) / len(anchors)
    return ready - start, (done - ready) / len(anchors), each, len(preparation.contacts)


def triangles_table(sizes: list[int], limit: float, number: int) -> None:
    house = read_mesh(MODELS / "forty-planes.glb")
    points = on_roofs(house, number, 1.5, 0) + house.origin
    anchors = on_roofs(house, 3, 0.3, 1) + house.origin
    print(f"one house (forty-planes), {number} points, line {limit:g} m; processor time")
    first: list[float] = []
    same = np.zeros(0)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "house.ply"
        for wanted in (0, *sizes):
            mesh = cut_into(house, wanted) if wanted else house
            write_ply(mesh, path)
            times, lengths, found = from_file(path, limit, points, anchors)
            if not first:
                first, same = times, lengths
            both = np.isfinite(lengths) & np.isfinite(same) & (same <= limit)
            apart = 1000 * np.abs(lengths[both] - same[both]).max()
            added = sum(times[1:3]) - sum(first[1:3])
            print(
                f"  {len(mesh.triangles):9d} triangles: reading {times[0]:.2f} s, planes, edges, drops "
                f"{times[1]:.2f} s, preparation {times[2]:.2f} s ({added:+.2f} s in all), each anchor "
                f"{1000 * times[3]:.0f} ms; {found}; lengths within {apart:.3f} mm",
                flush=True,
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    sizes = [1_000, 10_000, 100_000, 1_000_000, 2_000_000]
    parser.add_argument("--triangles", nargs="*", type=int, default=sizes)
    parser.add_argument("--houses", nargs="*", type=int, default=[1, 5, 15, 30])
    parser.add_argument("--limit", type=float, default=25.0, help="line length, metres")
    parser.add_argument("--points", type=int, default=10_000)
    options = parser.parse_args()
    os.environ["ROOF3D_CACHE"] = "off"  # preparations are made, not read
    print(machine())
    first_made, anchor, point = _first()
    taut.measure(first_made, anchor, point)  # compiled code is loaded before anything is timed
    taut.decide(first_made, anchor, taut.targets(first_made, point), 5.0)
    triangles_table(options.triangles, options.limit, options.points)
    first = None
    where = f"{options.points} points over all of them, line {options.limit:g} m"
    print(f"houses in one file (gable), {where}; processor time")
    house = read_mesh(MODELS / "gable.glb")
    for houses in options.houses:
        mesh = row_of(house, houses)
        points, anchors = on_roofs(mesh, options.points, 1.5, 0), on_roofs(mesh, 5, 0.3, 1)
        ready, each, verdict, contacts = run(mesh, options.limit, points, anchors)
        first = first or (ready, each)
        print(
            f"  {houses:3d} houses: {contacts} contacts, preparation {ready:.2f} s "
            f"(x {ready / first[0]:.1f}), each anchor {1000 * each:.1f} ms (x {each / first[1]:.2f}), "
            f"verdict alone {1000 * verdict:.1f} ms",
            flush=True,
        )
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
