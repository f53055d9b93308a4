"""The same arrest by integration over time: an independent check on the energy balance.

State: depth of the D-ring below its start (m, downward) and its speed. The rope (with an anchor line,
if any) is elastic, the absorber in line with it gives at a constant force and never springs back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from roof3d.formulas import STANDARD_GRAVITY
from roof3d.records import Floats

Force = Callable[[float], float]


@dataclass(frozen=True, eq=False)
class Motion:
    """Times (n,) s, depths (n,) m, speeds (n,) m/s, forces on the person (n,) N, extensions (n,) m of
    the absorber; whether the body came to rest within the equipment's length, and the energy (J) that
    it still had when the absorber ran out."""

    times: Floats
    depths: Floats
    speeds: Floats
    forces: Floats
    extensions: Floats
    stopped: bool
    energy_left: float

    @property
    def lowest(self) -> float:
        """Greatest depth, m."""
        return float(np.max(self.depths))

    @property
    def peak_force(self) -> float:
        """Greatest force, N."""
        return float(np.max(self.forces))


def integrate(
    mass: float,
    free_fall: float,
    force: Force,
    *,
    yield_force: float = np.inf,
    yield_at: float = np.inf,
    maximum_extension: float = np.inf,
    bounce: float = 0.0,
) -> Motion:
    """Motion of ``mass`` kg from rest until its first stop, or for ``bounce`` s more.

    ``force(x)`` N is the pull of the elastic parts lengthened by ``x`` m; it reaches ``yield_force`` of
    the absorber at ``yield_at`` m. Phases (free fall, elastic, absorber giving) meet at located events.
    """
    pieces: list[tuple[Floats, Floats, Floats, Floats, Floats]] = []
    time, depth, speed = 0.0, 0.0, 0.0
    if free_fall > 0:
        speed = float(np.sqrt(2 * STANDARD_GRAVITY * free_fall))
        time, depth = speed / STANDARD_GRAVITY, free_fall
        ts = np.linspace(0, time, 50)
        nil = np.zeros_like(ts)
        pieces.append((ts, STANDARD_GRAVITY * ts**2 / 2, STANDARD_GRAVITY * ts, nil, nil))

    def run(pull: Force, ends: list[Callable[[float, Floats], float]], until: float) -> Floats:
        nonlocal time, depth, speed
        for end in ends:
            end.terminal = True  # type: ignore[attr-defined]
        solution = solve_ivp(
            lambda _, y: [y[1], STANDARD_GRAVITY - pull(y[0]) / mass],
            (time, time + until),
            [depth, speed],
            events=ends,
            rtol=1e-11,
            atol=1e-12,
            method="DOP853",
            max_step=0.01,
        )
        pulls = np.array([pull(d) for d in solution.y[0]])
        time, (depth, speed) = float(solution.t[-1]), solution.y[:, -1]
        shape: Floats = np.column_stack([solution.t, solution.y.T, pulls])
        return shape

    def stops(_: float, y: Floats) -> float:
        return float(y[1])

    stops.direction = -1  # type: ignore[attr-defined]

    def yields(_: float, y: Floats) -> float:
        return float(y[0]) - free_fall - yield_at

    def empty(_: float, y: Floats) -> float:
        return float(y[0]) - free_fall - yield_at - maximum_extension

    def keep(part: Floats, extension: Floats) -> None:
        pieces.append((part[:, 0], part[:, 1], part[:, 2], part[:, 3], extension))

    ends: list[Callable[[float, Floats], float]] = [stops]
    if np.isfinite(yield_at) and yield_at > 0:
        ends.append(yields)
    gives = yield_at <= 0
    if not gives:
        part = run(lambda d: force(max(d - free_fall, 0.0)), ends, 60.0)
        keep(part, np.zeros(len(part)))
        gives = np.isfinite(yield_at) and speed > 1e-9
    left, stopped = 0.0, True
    if gives:
        part = run(lambda d: yield_force, [stops, empty], 60.0)
        keep(part, part[:, 1] - free_fall - yield_at)
        if speed > 1e-9:
            stopped, left = False, mass * speed**2 / 2
    if bounce > 0 and stopped and not gives:
        part = run(lambda d: force(max(d - free_fall, 0.0)), [], bounce)
        keep(part, np.zeros(len(part)))
    times, depths, speeds, forces, extensions = (np.concatenate(c) for c in zip(*pieces, strict=True))
    return Motion(times, depths, speeds, forces, extensions, stopped, left)
