"""On a convex body the taut length is the exact geodesic on its surface: a general-purpose library's.

pygeodesic computes exact geodesics between vertices of a mesh (Mitchell, Mount and Papadimitriou, 1987). The
bodies are convex hulls of random points; the library gets them cut finely, the product as they are.
"""

from __future__ import annotations

import numpy as np
import pytest

from roof3d import taut
from roof3d.records import Floats, Mesh
from tests.bodies import gable, welded
from tests.taut_kit import finer, hulled

geodesic = pytest.importorskip("pygeodesic.geodesic")


def random_hull(seed: int) -> Mesh:
    """Hull of random points on an ellipsoid some metres wide, far above the ground."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(8, 15))
    points = rng.normal(size=(count, 3))
    points /= np.linalg.norm(points, axis=1)[:, None]
    return hulled(points * rng.uniform(2.0, 6.0, 3))


def errors(mesh: Mesh, seed: int, anchors: int = 2, targets: int = 60) -> tuple[Floats, Floats, Floats]:
    """Exact geodesics on a mesh, and the ends of the product's brackets, over random pairs of places."""
    rng = np.random.default_rng(seed)
    fine = finer(mesh, 3)
    preparation = taut.prepare_mesh(mesh, -100.0)
    solver = geodesic.PyGeodesicAlgorithmExact(fine.vertices, fine.triangles)
    rows = []
    for source in rng.choice(len(fine.vertices), anchors, replace=False):
        chosen = rng.choice(len(fine.vertices), targets, replace=False)
        exact, _ = solver.geodesicDistances(np.array([source]), None)
        found = taut.measure(preparation, fine.vertices[source], fine.vertices[chosen])
        rows.append(np.stack((np.asarray(exact)[chosen], found.lo, found.hi)))
    exact, lo, hi = np.concatenate(rows, axis=1)
    return exact, lo, hi


@pytest.mark.parametrize("seed", range(8))
def test_random_convex_bodies(seed: int) -> None:
    exact, lo, hi = errors(random_hull(seed), seed)
    assert (hi >= exact - 1e-4).all()
    assert (lo <= exact + 1e-6).all()
    # crowded narrow faces: the search is cut off at times, and says so by its lower end
    assert (hi - exact).max() < 0.05
    assert (hi - exact < 1e-4).mean() > 0.95
    assert (lo >= exact - 1e-3)[hi - lo < 1e-3].all()
    assert (hi - lo < 1e-3).mean() > 0.5


def test_a_gabled_house() -> None:
    """Its floor lies on the ground, where no geodesic of these has a reason to go."""
    house = welded(gable(length=6.0, width=8.0, eave=6.0, rise=3.0))
    rng = np.random.default_rng(3)
    fine = finer(house, 3)
    solver = geodesic.PyGeodesicAlgorithmExact(fine.vertices, fine.triangles)
    preparation = taut.prepare_mesh(house, 0.0)
    upper = np.flatnonzero(fine.vertices[:, 2] > 5.0)
    for source in rng.choice(upper, 2, replace=False):
        exact, _ = solver.geodesicDistances(np.array([source]), None)
        found = taut.measure(preparation, fine.vertices[source], fine.vertices[upper])
        exact = np.asarray(exact)[upper]
        assert (found.lo <= exact + 1e-6).all()
        assert found.hi == pytest.approx(exact, abs=1e-4)
