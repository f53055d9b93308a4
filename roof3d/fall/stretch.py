"""Clearance terms, and how far a fall can draw the system out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roof3d.records import Floats


@dataclass(frozen=True)
class Terms:
    """The terms of the clearance sum and of the stretch, SI units."""

    attachment: float  # h, D-ring above the soles, standing
    kneeling: float
    deceleration: float  # X without the line's own elongation and without lock-on travel
    harness: float  # k
    margin: float  # M
    elongation: float  # strain of the line
    weight: float  # N, of the worker
    least_force: float  # N, least average force of the absorber that its limits allow
    extension: float | None = None  # m, the absorber's greatest; None: ``deceleration``
    activation: float = 0.0  # m, travel before a device locks
    extra: float = 0.0  # m, further way in arrest (anchor line)
    run_up: float = 0.0  # m, height of the speed with which a body may go over, v^2 / 2g
    scope_fall: float = np.inf  # m, free fall up to which the absorber keeps to ``deceleration``

    def drawn_out(self, free_fall: Floats | float) -> Floats:
        """Way that the absorber gives to a fall of ``free_fall`` metres, at most its extension.

        Energy balance at constant force: ``F x = W (f + x)``; a force that does not exceed the weight
        never stops the body, so the whole way counts.
        """
        most = self.deceleration if self.extension is None else self.extension
        fall = np.maximum(np.asarray(free_fall, dtype=np.float64), 0.0) + self.activation
        if self.least_force <= self.weight:
            return np.full(fall.shape, most)
        way: Floats = np.minimum(self.weight * fall / (self.least_force - self.weight), most)
        return way

    def stretch(self, length: Floats | float, free_fall: Floats | float) -> Floats:
        """How far the D-ring can get beyond a line of ``length`` after falling ``free_fall``, metres."""
        stretched: Floats = (
            self.drawn_out(free_fall)
            + self.activation
            + self.harness
            + self.elongation * np.asarray(length)
            + self.extra
        )
        return stretched

    def most_stretch(self, length: float) -> float:
        """The same for any fall, metres."""
        most = self.deceleration if self.extension is None else self.extension
        return most + self.activation + self.harness + self.elongation * length + self.extra

    def carries(self, length: Floats, height: Floats) -> Floats:
        """Fall potential up to which its energy carries a body whose soles were at ``height``, metres.

        Nothing on the way adds energy: no rope, absorber or friction. A D-ring that starts ``h`` over the
        soles with speed ``v`` never gets higher than ``height + h + v^2 / 2g``. Hanging over a place of
        potential ``p`` it is at ``p - L`` at least, less what the line gives elastically; what tears out of
        an absorber takes more energy than it gives height, for its force exceeds the weight.
        """
        gives = self.activation + self.harness + self.elongation * length + self.extra
        if self.least_force <= self.weight:
            gives = gives + (self.deceleration if self.extension is None else self.extension)
        level: Floats = height + self.attachment + self.run_up + length + gives
        return level

    def way(self, free_fall: Floats | float) -> Floats:
        """Deceleration distance for clearance, metres: the budget, and beyond the absorber's scope the
        whole way that the fall asks of its least force, as if it had no end.

        A force that hardly carries the weight counts as a hundredth above it, so that a number stays.
        """
        fall = np.maximum(np.asarray(free_fall, dtype=np.float64), 0.0)
        spare = max(self.least_force - self.weight, 0.01 * self.weight)
        asked = np.maximum(self.deceleration, self.weight * (fall + self.activation) / spare)
        way: Floats = np.where(fall > self.scope_fall, asked, self.deceleration)
        return way

    def below_edge(self, length: Floats | float, free_fall: Floats | float = 0.0) -> Floats:
        """Clearance required below the edge less the surplus: ``h + X + k + M``, metres."""
        below: Floats = (
            self.attachment
            + self.way(free_fall)
            + self.activation
            + self.elongation * np.asarray(length)
            + self.extra
            + self.harness
            + self.margin
        )
        return below
