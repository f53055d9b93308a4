"""Scans: a mesh of many small creases is measured on a coarser stand-in, and the doubt is carried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roof3d import taut
from tests.taut_kit import finer, ground_of, made, strewn

NOISE_M = 0.02


def test_brackets_on_a_scan_contain_the_length_on_the_smooth_body() -> None:
    """A gable cut finely and scattered by up to 2 cm; the smooth gable is the truth."""
    smooth = made("gable")
    fine = finer(smooth, 4)
    rng = np.random.default_rng(5)
    scan = replace(fine, vertices=fine.vertices + rng.uniform(-NOISE_M, NOISE_M, fine.vertices.shape))
    exact = taut.prepare_mesh(smooth, ground_of(smooth))
    rough = taut.prepare_mesh(scan, ground_of(scan))
    assert rough.slack > 0.0
    assert len(rough.contacts) < len(fine.triangles)
    places = strewn(smooth, 12, seed=3, least=0.3)
    truth = taut.measure(exact, places[0], places[1:])
    found = taut.measure(rough, places[0], places[1:])
    assert (found.lo <= truth.hi + NOISE_M).all()
    assert (found.hi >= truth.lo - NOISE_M).all()
    assert np.isfinite(found.hi).all()
    # an unreached place is no proof that none gets there
    short = taut.measure(rough, places[0], places[1:], limit=0.5 * float(truth.lo.max()))
    assert (short.lo <= truth.hi + NOISE_M).all()
