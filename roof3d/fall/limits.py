"""What a fall must keep to besides room below: limits on swing, free fall, force and absorber."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roof3d.formulas import elastic_peak_force
from roof3d.records import BREAKS, Floats

ROOM, FREE_FALL, FORCE, ABSORBER, SWINGS = range(len(BREAKS))
SHOWN_M = 1e-6  # lengths are compared with this much room for rounding
ROUNDING = 1e-9  # of forces, relative
LEAST_FREE_M = 1e-3  # m of line that stretches; less than that counts as this much


@dataclass(frozen=True)
class ForceLimit:
    """The limit on the force of an arrest, and what the force comes from. Forces N."""

    most: float
    absorber_peak: float  # inf without an absorber
    stiffness: float | None  # of the line, N per unit strain, at most; None: not known
    weight: float
    held: float  # share of the line behind the edge that stretches in spite of friction there
    activation: float = 0.0  # m, travel before a device locks
    short_fall: float | None = None  # the same where the free fall keeps its limit and one of both is asked

    def broken(
        self, free_fall: Floats, below: Floats, length: Floats, long: np.ndarray | None = None
    ) -> np.ndarray:
        """Whether falls of ``free_fall`` m can break the limit, on lines of at least ``length`` m that
        hang at least ``below`` m over the edge. ``long`` (n,) tells falls over the limit on free fall."""
        peak = np.full(np.shape(free_fall), self.absorber_peak)
        if self.stiffness is not None:
            under = np.clip(below, 0.0, length)
            free = np.maximum(under + self.held * (length - under), LEAST_FREE_M)
            fall = np.maximum(free_fall, 0.0) + self.activation
            peak = np.minimum(peak, elastic_peak_force(self.weight, self.stiffness, fall, free))
        most = np.full(np.shape(peak), self.most)
        if self.short_fall is not None and long is not None:
            most = np.where(long, most, max(self.most, self.short_fall))
        over: np.ndarray = peak > most * (1 + ROUNDING)
        return over


@dataclass(frozen=True)
class Limits:
    """Limits of the rule set on a fall. None: no limit."""

    swing_drop: float | None = None  # m
    swing_angle_deg: float | None = None
    swing_offset: float | None = None  # m, level, from the rest point to where the worker goes over
    free_fall: float | None = None  # m
    absorber_fall: float = np.inf  # m of free fall that the absorber stops within the way it may take
    force: ForceLimit | None = None

    def broken(self, free_fall: Floats, below: Floats, length: Floats) -> np.ndarray:
        """Which limits falls break, (n, words of ``records.BREAKS``); room and swing are left False."""
        out = np.zeros((len(free_fall), len(BREAKS)), dtype=bool)
        if self.free_fall is not None:
            out[:, FREE_FALL] = free_fall > self.free_fall + SHOWN_M
        out[:, ABSORBER] = free_fall > self.absorber_fall + SHOWN_M
        if self.force is not None:
            out[:, FORCE] = self.force.broken(free_fall, below, length, out[:, FREE_FALL])
            if self.force.short_fall is not None:
                # one of the two limits is enough: a long fall is one only with too much force
                out[:, FREE_FALL] &= out[:, FORCE]
        return out
