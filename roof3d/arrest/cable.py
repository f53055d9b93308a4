"""Equilibrium of a rope through supports and travellers: least potential energy, by Newton steps.

Nodes are fixed places, supports on springs, and free travellers. A *run* is a stretch of rope between
two grips that slides without friction through the nodes on its way, so that one pull acts in all of
it; the length of rope in a run is conserved. Between nodes the rope is a flat parabola under its own
weight (sag up to a tenth of the span; beyond, the result says so).

For a run with chords ``c_i``, length without tension ``R``, stiffness ``K`` and weight ``w`` the pull
``T`` solves ``sum(c_i) + sum(w^2 c_i^3) / (24 T^2) = R (1 + T / K)``, and the run's potential is
``T (sum(c_i) - R) - T^2 R / (2 K) - sum(w^2 c_i^3) / (24 T)``; without weight this is the strain
energy of the rope. It is convex in the places of the nodes where the weight is small beside the pull,
so Newton steps with a line search come to the one equilibrium from any start.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roof3d.errors import InputError
from roof3d.formulas import STANDARD_GRAVITY
from roof3d.records import Floats

ITERATIONS = 60
NIL = 1e-4  # m, below which a length is rounded off
SOFTER = (1.0, 0.3, 0.1, 0.03, 0.01, 3e-3, 1e-3, 3e-4, NIL)
FLAT = 0.1  # sag over span up to which the parabola stands for the catenary (textbook advice)


@dataclass(frozen=True)
class Run:
    """Rope between two grips: node indices in order, length without tension (m), stiffness (N per
    unit strain), mass per length (kg/m)."""

    nodes: tuple[int, ...]
    unstretched: float
    stiffness: float
    mass_per_length: float = 0.0

    @property
    def weight(self) -> float:
        """Weight per length, N/m."""
        return self.mass_per_length * STANDARD_GRAVITY


@dataclass(frozen=True, eq=False)
class Net:
    """Nodes with their places when nothing pulls (n, 3) and how firmly each is held, N/m (n,):
    inf is fixed, 0 is free, anything between is a spring."""

    places: Floats
    holds: Floats
    runs: tuple[Run, ...]


@dataclass(frozen=True, eq=False)
class Equilibrium:
    """Places of the nodes (n, 3), pull of each run (N), force of the rope on each node (n, 3), stored
    energy (J) and the largest force left unbalanced (N)."""

    places: Floats
    pulls: tuple[float, ...]
    forces: Floats
    energy: float
    residual: float


def _pull(run: Run, total: float, chords: Floats) -> tuple[float, float, float]:
    """Pull (N), its growth with length (N/m) and the weight term ``sum(w^2 c^3) / 24`` of a run."""
    load = run.weight**2 * float(np.sum(chords**3)) / 24
    if load == 0:
        pull = run.stiffness * max(0.0, total / run.unstretched - 1)
        return pull, run.stiffness / run.unstretched if pull > 0 else 0.0, 0.0
    # Newton on a decreasing convex function from its left side: rises to the root and stays below it
    per_newton = run.unstretched / run.stiffness
    surplus = total - run.unstretched
    if surplus > 0:
        pull = max(surplus / per_newton, (load / per_newton) ** (1 / 3))
    else:
        pull = math.sqrt(load / -surplus) if surplus < 0 else (load / per_newton) ** (1 / 3)
        pull = min(pull, (load / per_newton) ** (1 / 3))
    for _ in range(100):
        value = surplus + load / pull**2 - per_newton * pull
        slope = -2 * load / pull**3 - per_newton
        step = value / slope
        new = pull - step
        if new <= 0:
            new = pull / 2
        if abs(new - pull) <= 1e-15 * pull:
            pull = new
            break
        pull = new
    return pull, 1 / (per_newton + 2 * load / pull**3), load


def _segments(run: Run, places: Floats, nil: float = NIL) -> tuple[Floats, Floats]:
    """Chord lengths (k,) and directions (k, 3) of a run.

    The length is rounded off at nil (``sqrt(d^2 + nil^2)``), so that a traveller that slides right up
    to a support finds its balance there; its direction is then shorter than one.
    """
    steps = np.diff(places[list(run.nodes)], axis=0)
    chords = np.sqrt(np.sum(steps**2, axis=1) + nil**2)
    return chords, steps / chords[:, None]


def _potential(net: Net, places: Floats, loads: Floats, nil: float) -> float:
    total = -float(np.sum(loads * (places - net.places)))
    held = np.isfinite(net.holds)
    shift = places[held] - net.places[held]
    total += float(np.sum(net.holds[held] * np.sum(shift**2, axis=1))) / 2
    return total + sum(_stored(run, places, nil) for run in net.runs)


def _stored(run: Run, places: Floats, nil: float = NIL) -> float:
    chords, _ = _segments(run, places, nil)
    length = float(np.sum(chords))
    pull, _, load = _pull(run, length, chords)
    if load == 0:
        return pull * max(0.0, length - run.unstretched) / 2
    strain = pull**2 * run.unstretched / (2 * run.stiffness)
    return pull * (length - run.unstretched) - strain - load / pull


def _derivatives(net: Net, places: Floats, nil: float = NIL) -> tuple[Floats, Floats, Floats]:
    """Force of the rope on each node (n, 3), the stiffness matrix (3n, 3n), pulls of the runs."""
    count = len(places)
    forces = np.zeros((count, 3))
    stiff = np.zeros((count, 3, count, 3))
    pulls = np.zeros(len(net.runs))
    for index, run in enumerate(net.runs):
        chords, units = _segments(run, places, nil)
        pull, growth, _ = _pull(run, float(np.sum(chords)), chords)
        pulls[index] = pull
        lengthening = np.zeros((count, 3))
        for k, (a, b) in enumerate(zip(run.nodes[:-1], run.nodes[1:], strict=True)):
            along = pull - (run.weight * chords[k]) ** 2 / (8 * pull) if run.weight and pull > 0 else pull
            forces[a] += along * units[k]
            forces[b] -= along * units[k]
            lengthening[a] -= units[k]
            lengthening[b] += units[k]
            across = max(along, 0.0) * (np.eye(3) - np.outer(units[k], units[k])) / chords[k]
            stiff[a, :, a] += across
            stiff[b, :, b] += across
            stiff[a, :, b] -= across
            stiff[b, :, a] -= across
        stiff += growth * np.multiply.outer(lengthening, lengthening)
    return forces, stiff.reshape(3 * count, 3 * count), pulls


def solve(net: Net, loads: Floats) -> Equilibrium:
    """Equilibrium of the net under forces ``loads`` (n, 3) N on its nodes.

    Own weight of the rope acts on the nodes at the ends of each chord, half and half, besides the sag
    in between. Raises ``InputError`` where no equilibrium is found (a net that hangs on nothing).
    """
    loads = np.array(loads, dtype=np.float64)
    for run in net.runs:
        chords, _ = _segments(run, net.places)
        for k, (a, b) in enumerate(zip(run.nodes[:-1], run.nodes[1:], strict=True)):
            loads[[a, b], 2] -= run.weight * chords[k] / 2
    places, residual, good = _descend(net, net.places, loads, NIL)
    if not good:
        # a traveller that runs up to a support: come down to the sharp corner in steps
        places = net.places
        for nil in SOFTER:
            places, residual, good = _descend(net, places, loads, nil)
    if not good:
        found = f"no equilibrium ({residual:.3g} N unbalanced)"
        raise InputError("", "anchor line", found, "a line that can hold the load")
    return _result(net, places, residual)


def _descend(net: Net, start: Floats, loads: Floats, nil: float) -> tuple[Floats, float, bool]:
    """Newton steps with a line search: places, largest force left unbalanced, and whether it is nil."""
    free = np.repeat(net.holds < np.inf, 3)
    springs = np.where(np.isfinite(net.holds), net.holds, 0.0)[:, None]
    size = max(float(np.max(np.ptp(net.places, axis=0))), 1e-3)
    scale = max(float(np.max(np.linalg.norm(loads, axis=1))), 1e-6)
    places = start.copy()
    damping = 1e-6 * scale / size
    value = _potential(net, places, loads, nil)
    residual = greatest = math.inf

    def unbalanced(forces: Floats, where: Floats) -> Floats:
        out: Floats = (forces + loads - springs * (where - net.places)).ravel()[free]
        return out

    for _ in range(ITERATIONS):
        forces, stiff, pulls = _derivatives(net, places, nil)
        out = unbalanced(forces, places)
        residual = float(np.max(np.abs(out), initial=0.0))
        greatest = max(scale, float(np.max(pulls, initial=0.0)))
        if residual <= 1e-9 * greatest:
            break
        matrix = (stiff + np.diag(np.repeat(springs[:, 0], 3)))[np.ix_(free, free)]
        advanced = False
        for _ in range(60):
            step = np.linalg.solve(matrix + damping * np.eye(len(out)), out)
            longest = float(np.max(np.abs(step)))
            if longest > size / 2:
                step *= size / 2 / longest
            trial = places.copy()
            trial.ravel()[free] += step
            new = _potential(net, trial, loads, nil)
            # near the end the potential drowns in rounding: then a smaller imbalance counts
            advanced = new < value - 1e-5 * float(step @ out)
            if not advanced and new <= value + 1e-11 * max(abs(value), scale * size):
                left = unbalanced(_derivatives(net, trial, nil)[0], trial)
                advanced = float(np.max(np.abs(left), initial=0.0)) < residual * 0.9
            if advanced:
                places, value = trial, new
                damping = max(damping / 10, 1e-12 * scale / size)
                break
            damping *= 10
        if not advanced:
            break
    return places, residual, residual <= 1e-6 * max(greatest, 1.0)


def _result(net: Net, places: Floats, residual: float) -> Equilibrium:
    forces, _, pulls = _derivatives(net, places)
    held = np.isfinite(net.holds)
    energy = sum(_stored(run, places) for run in net.runs)
    energy += float(np.sum(net.holds[held] * np.sum((places[held] - net.places[held]) ** 2, axis=1))) / 2
    return Equilibrium(places, tuple(float(p) for p in pulls), forces, energy, residual)


def hanging(span: float, pull: float, weight: float) -> tuple[float, float, float]:
    """Level catenary: length (m), sag (m) and pull at the ends (N) from span (m), level pull (N) and
    weight per length (N/m). Source: statics textbooks, ``S = 2 c sinh(l / 2c)`` with ``c = H / w``."""
    if weight * span <= 1e-9 * pull:
        return span, 0.0, pull
    c = pull / weight
    half = span / (2 * c)
    return 2 * c * math.sinh(half), c * (math.cosh(half) - 1), pull * math.cosh(half)
