"""Swing of a person on a line: speed, energy, and what it means to strike something on the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roof3d.formulas import STANDARD_GRAVITY, show_value, swing_speed
from roof3d.records import Finding, Floats


@dataclass(frozen=True)
class Swing:
    """A swing without friction: drop (m), speed (m/s) and energy (J) at its lowest place.

    A body that meets a wall there is hit as after a free fall of ``drop_m``.
    """

    drop_m: float
    speed_m_s: float
    energy_j: float


def swing(mass: float, drop: float) -> Swing:
    """Swing of ``mass`` kg through ``drop`` m of fall potential; a rise (drop < 0) is no swing."""
    drop = max(drop, 0.0)
    return Swing(drop, float(swing_speed(drop)), mass * STANDARD_GRAVITY * drop)


def track_speeds(potentials: Floats, start: int = 0, *, free_fall: float = 0.0) -> Floats:
    """Greatest speed (n,) m/s of a body at each place of its track, from the fall potentials (n,) m.

    ``free_fall`` m is speed that the arrest has not yet taken away when the swing begins; 0 where the
    body is stopped first. Places that it cannot rise to have speed 0.
    """
    potentials = np.asarray(potentials, dtype=np.float64)
    speeds: Floats = np.sqrt(
        2 * STANDARD_GRAVITY * np.maximum(potentials[start] - potentials + free_fall, 0.0)
    )
    return speeds


def strikes(
    potentials: Floats,
    lowest: Floats,
    obstacles: Floats,
    what: tuple[str, ...],
    *,
    start: int = 0,
    element: str = "",
    places: Floats | None = None,
) -> tuple[Finding, ...]:
    """Findings where the swept body meets something on its track.

    ``potentials`` (n,) fall potentials along the track, ``lowest`` (n,) height of the body's lowest
    part, ``obstacles`` (n,) height of the highest thing in its way, ``what`` (n,) names of those
    things; all in track order from ``start``. One finding for each thing, at its worst speed.
    """
    speeds = track_speeds(potentials, start)
    met = np.asarray(lowest) < np.asarray(obstacles)
    worst: dict[str, int] = {}
    for index in np.flatnonzero(met).tolist():
        name = what[index]
        if name not in worst or speeds[index] > speeds[worst[name]]:
            worst[name] = index
    found = []
    for name, index in worst.items():
        speed = float(speeds[index])
        drop = speed**2 / (2 * STANDARD_GRAVITY)
        text = (
            f"a swinging body strikes {name or 'something'} at {show_value(speed, 'm/s')}, as after a "
            f"free fall of {show_value(drop, 'm')}"
        )
        found.append(
            Finding("swing-strike", "danger", text, element, None if places is None else places[index])
        )
    return tuple(found)
