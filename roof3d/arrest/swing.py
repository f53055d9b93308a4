"""Swing of a person on a line: speed, energy, and what it means to strike something on the way."""

from __future__ import annotations

from dataclasses import dataclass

from roof3d.formulas import STANDARD_GRAVITY, show_value, swing_speed


@dataclass(frozen=True)
class Swing:
    """A swing without friction: drop (m), speed (m/s) and energy (J) at its lowest place.

    A body that meets a wall there is hit as after a free fall of ``drop_m``.
    """

    drop_m: float
    speed_m_s: float
    energy_j: float

    def words(self) -> str:
        """The speed in words that a person can place."""
        speed = show_value(self.speed_m_s, "m/s")
        return f"up to {speed}, as after a free fall of {show_value(self.drop_m, 'm')}"


def swing(mass: float, drop: float) -> Swing:
    """Swing of ``mass`` kg through ``drop`` m of fall potential; a rise (drop < 0) is no swing."""
    drop = max(drop, 0.0)
    return Swing(drop, float(swing_speed(drop)), mass * STANDARD_GRAVITY * drop)
