"""How one person is stopped: extension, travel and forces by energy balance, each on its worse side.

A mass falls freely for ``free_fall`` metres of D-ring travel, then pulls on an absorber of constant
force in line with an elastic rope (and, if there is one, an anchor line). The mass is rigid: a body
and its harness are softer, so forces come out on the high side. Elongation counts the least force
that the absorber may have and the softest rope; forces count the greatest and the stiffest, and only
the length of rope that friction at an edge leaves to stretch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from scipy.optimize import brentq

from roof3d import formulas
from roof3d.arrest.equipment import Connector, Values, friction_range, positive
from roof3d.formulas import STANDARD_GRAVITY, show_value
from roof3d.records import Finding


class Elastic(Protocol):
    """Something elastic in line with the absorber: travel (m) and stored energy (J) at a force (N)."""

    def travel(self, force: float) -> float: ...
    def energy(self, force: float) -> float: ...


@dataclass(frozen=True)
class Spring:
    """A rope of one stiffness: ``length`` m of ``stiffness`` N per unit strain."""

    length: float
    stiffness: float

    def travel(self, force: float) -> float:
        return float(formulas.line_elongation(force, self.length, self.stiffness))

    def energy(self, force: float) -> float:
        return force * self.travel(force) / 2


@dataclass(frozen=True)
class Stop:
    """One arrest. Lengths are travel of the D-ring, m; forces N; energies J.

    ``elongation_m`` is term X of the clearance: lock-on travel, deceleration and stretch of the line,
    without the harness and without the anchor line, whose deflection is ``anchor_line_m``. It and the
    forces are None where the person is not stopped within the equipment's length (``energy_left_j``
    says by how much) or where nothing is known of the force.
    """

    mass_kg: float
    free_fall_m: float
    stopped: bool
    activation_m: float
    absorber_m: float | None
    deceleration_m: float | None
    line_stretch_m: float | None
    anchor_line_m: float
    harness_stretch_m: float
    elongation_m: float | None
    average_force_n: float | None
    peak_force_n: float | None
    speed_m_s: float
    energy_j: float | None
    energy_left_j: float
    assumptions: tuple[str, ...]
    findings: tuple[Finding, ...]


def _balance(weight: float, fall: float, parts: tuple[Elastic, ...], limit: float) -> float:
    """Force at which elastic parts alone have taken up the fall, at most ``limit`` (N)."""

    def excess(force: float) -> float:
        travel = sum(part.travel(force) for part in parts)
        return sum(part.energy(force) for part in parts) - weight * (fall + travel)

    high = max(2 * weight, 1.0)
    while excess(high) < 0 and high < limit:
        high *= 2
    if high >= limit:
        if not math.isfinite(limit) or excess(limit) < 0:
            return limit
        high = limit
    # the trivial balance at zero force (no fall, no load) is no stop: start at the weight
    if excess(weight) >= 0:
        return weight
    return float(brentq(excess, weight, high, xtol=1e-9, rtol=1e-14))


def stop(
    mass: float,
    free_fall: float,
    connector: Connector,
    length: float,
    rules: Values,
    *,
    hanging: float | None = None,
    turned: float = 0.0,
    anchor_line: Elastic | None = None,
    element: str = "",
) -> Stop:
    """Arrest of ``mass`` kg after ``free_fall`` m on ``length`` m of line.

    ``hanging``: m of the line below the edge (all of it where no edge is touched). ``turned``: angle
    by which edges turn the line, radians. ``anchor_line``: deflection and energy of the anchor line.
    Raises ``InputError`` for a mass, fall or length that is not a number in its range.
    """
    positive("worker.mass", mass, "a mass above zero")
    positive("free fall", free_fall, "zero or more", zero=True)
    positive("line.length", length, "a length above zero")
    weight = mass * STANDARD_GRAVITY
    fall = free_fall + connector.activation_distance
    below = length if hanging is None else min(max(hanging, 0.0), length)
    findings: list[Finding] = []
    name = f"{element}: " if element else ""
    assumptions = list(connector.assumptions)
    soft = _soft_parts(connector, length, anchor_line)
    stiff_force = math.inf
    if connector.stiffness is not None:
        free = float(formulas.stretching_length(below, length - below, friction_range().greatest, turned))
        if free > 0:
            stiff_force = float(formulas.elastic_peak_force(weight, connector.stiffness.greatest, fall, free))
    peak: float | None = min(stiff_force, connector.peak_force)
    left = 0.0
    absorber: float | None = 0.0
    average: float | None
    if connector.absorbs:
        average = connector.average_force.greatest
        absorber, left = _extension(mass, fall, soft, connector)
        granted = mass <= connector.scope_mass * (1 + 1e-9) and free_fall <= connector.scope_fall * (1 + 1e-9)
        if absorber is None and granted and not connector.extension_known:
            # without the maker's data all that is known is what the class promises
            absorber, left = connector.maximum_extension, 0.0
            assumptions.append(
                f"absorber not known: that it stops {show_value(mass, 'kg')} within "
                f"{show_value(absorber, 'm')} is taken from its class and has to be shown"
            )
        if absorber is None:
            text = (
                f"{name}the absorber cannot stop {show_value(mass, 'kg')} after {show_value(fall, 'm')} "
                f"of fall within its {show_value(connector.maximum_extension, 'm')}: "
                f"{show_value(left, 'J')} are left over"
            )
            findings.append(Finding("absorber-exhausted", "danger", text, element))
            peak = average = None
    else:
        average = None
        if not math.isfinite(stiff_force):
            peak = None
            text = (
                f"{name}no absorber and no stiffness of the line, so nothing limits the force on the person"
            )
            findings.append(Finding("arrest-force-unknown", "danger", text, element))
    stretch = _line_stretch(weight, fall, soft, connector, length, peak)
    deflection = 0.0
    if anchor_line is not None:
        deflection = anchor_line.travel(peak) if peak is not None else 0.0
    deceleration = _deceleration(connector, absorber)
    total = None
    if deceleration is not None and stretch is not None:
        total = connector.activation_distance + deceleration + stretch
    limit = rules.value("arrest_force_limit")
    short_fall = rules.get("arrest_force_limit_short_fall")
    if short_fall is not None and free_fall <= rules.value("free_fall_limit") * (1 + 1e-9):
        limit = max(limit, short_fall)
    if peak is not None and peak > limit * (1 + 1e-9):
        text = f"{name}arrest force {show_value(peak, 'N')} over the limit of {show_value(limit, 'N')}"
        findings.append(Finding("arrest-force-over-limit", "danger", text, element))
    allowed = rules.value("deceleration")
    if deceleration is not None and deceleration > allowed * (1 + 1e-9):
        text = f"{name}deceleration distance {show_value(deceleration, 'm')} over {show_value(allowed, 'm')}"
        findings.append(Finding("deceleration-over-limit", "warning", text, element))
    return Stop(
        mass_kg=mass,
        free_fall_m=free_fall,
        stopped=absorber is not None,
        activation_m=connector.activation_distance,
        absorber_m=absorber,
        deceleration_m=deceleration,
        line_stretch_m=stretch,
        anchor_line_m=deflection,
        harness_stretch_m=connector.harness_stretch,
        elongation_m=total,
        average_force_n=average,
        peak_force_n=peak,
        speed_m_s=math.sqrt(2 * STANDARD_GRAVITY * fall),
        energy_j=None if total is None else weight * (free_fall + total + deflection),
        energy_left_j=left,
        assumptions=tuple(assumptions),
        findings=tuple(findings),
    )


def _soft_parts(connector: Connector, length: float, anchor_line: Elastic | None) -> tuple[Elastic, ...]:
    """The elastic parts in line with the absorber, as soft as they may be."""
    beyond = () if anchor_line is None else (anchor_line,)
    if connector.stiffness is None:
        return beyond
    return (Spring(length, connector.stiffness.least), *beyond)


def _extension(
    mass: float, fall: float, soft: tuple[Elastic, ...], connector: Connector
) -> tuple[float | None, float]:
    """Longest extension of the absorber and the energy left over: (None, J) where it runs out.

    Longest over two readings: with the elastic parts as soft as they may be, and with none at all,
    which leaves all energy to the absorber.
    """
    weight, force = mass * STANDARD_GRAVITY, connector.average_force.least
    longest = 0.0
    worst_left: float | None = None
    for parts in ((), soft):
        travel = sum(part.travel(force) for part in parts)
        stored = sum(part.energy(force) for part in parts)
        if stored >= weight * (fall + travel):
            continue  # stopped before the absorber begins to give
        left = float(formulas.energy_left(mass, fall, travel, connector.maximum_extension, stored, force))
        if force <= weight or left > 0:
            worst_left = max(worst_left or 0.0, left)
            continue
        longest = max(longest, float(formulas.absorber_extension_elastic(mass, fall, travel, stored, force)))
    return (longest, 0.0) if worst_left is None else (None, worst_left)


def _line_stretch(
    weight: float,
    fall: float,
    soft: tuple[Elastic, ...],
    connector: Connector,
    length: float,
    peak: float | None,
) -> float | None:
    """Stretch of the line, longest: at the peak force, on its softest reading."""
    if connector.stiffness is None:
        return connector.strain * length
    if peak is None:
        return None
    force = peak
    if not connector.absorbs:
        # the soft reading stops the fall at a lower force over a longer way
        force = _balance(weight, fall, soft, peak)
    return Spring(length, connector.stiffness.least).travel(force)


def _deceleration(connector: Connector, absorber: float | None) -> float | None:
    """Term for clearance: the extension, but the rule set's whole allowance where data are missing."""
    if absorber is None:
        return None
    return absorber if connector.extension_known else max(absorber, connector.deceleration)


def greatest_fall(
    mass: float, connector: Connector, length: float, anchor_line: Elastic | None = None
) -> float:
    """Free fall (m) up to which the absorber certainly stops ``mass`` kg within its extension.

    By the energy balance at its least force, the worse of a rigid and an elastic line of ``length`` m
    (and anchor line), or by its class's promise where that goes further and no maker's data are known.
    Infinite without an absorber, when the line alone stops the fall; below zero where not even a load
    put on gently is held.
    """
    if not connector.absorbs:
        return math.inf
    weight, force = mass * STANDARD_GRAVITY, connector.average_force.least
    fall = math.inf
    for parts in ((), _soft_parts(connector, length, anchor_line)):
        travel = sum(part.travel(force) for part in parts)
        stored = sum(part.energy(force) for part in parts)
        work = force * connector.maximum_extension + stored
        fall = min(fall, work / weight - connector.maximum_extension - travel)
    fall -= connector.activation_distance
    if not connector.extension_known and mass <= connector.scope_mass * (1 + 1e-9):
        fall = max(fall, connector.scope_fall)
    return fall


def edge_stretch(mass: float, height: float, connector: Connector, length: float) -> float:
    """Stretch (m) that a fall of the D-ring from ``height`` above an edge can draw out at most.

    The absorber gives what the energy asks of its least force, at most its whole extension (or the
    rule set's deceleration term, if that is longer and the absorber's data are not known).
    """
    weight, force = mass * STANDARD_GRAVITY, connector.average_force.least
    fall = height + connector.activation_distance
    cap = connector.maximum_extension if connector.absorbs else 0.0
    if not connector.extension_known:
        cap = max(cap, connector.deceleration)
    drawn = cap
    if connector.absorbs and force > weight:
        drawn = min(cap, float(formulas.absorber_extension(mass, fall, force)))
    stretch = connector.strain * length
    if connector.stiffness is not None:
        soft = Spring(length, connector.stiffness.least)
        peak = _balance(weight, fall, (soft,), connector.peak_force)
        stretch = soft.travel(peak)
    return connector.activation_distance + drawn + connector.harness_stretch + stretch


def anchor_pull(force: float, turned: float) -> tuple[float, float]:
    """Least and greatest pull (N) on the anchor behind an edge that turns the line by ``turned`` rad.

    Claims about the anchor's load take the greatest: friction is never credited.
    """
    friction = friction_range()
    ends = [float(formulas.pull_behind_edge(force, u, turned)) for u in (friction.greatest, friction.least)]
    return min(ends), max(ends)
