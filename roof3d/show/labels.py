"""Placing labels so that they do not cover each other, and numbers as words for them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from roof3d.records import Floats
from roof3d.show.scene import Stretch
from roof3d.show.words import Texts
from roof3d.units import FOOT, System, format_length

Box = tuple[float, float, float, float]  # left, top, right, bottom

DASH = "–"


def length_text(value: float | None, units: System, direction: Literal["up", "down", "nearest"]) -> str:
    """A length rounded to the side that looks worse; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return DASH
    text = format_length(float(value), units, direction=direction)
    return text.replace("-", "−", 1) if text.startswith("-") else text


def needs_text(stretch: Stretch, texts: Texts, units: System) -> str:
    """``needs 4.85 m``: the clearance that the worst place of a stretch requires."""
    return texts("picture.needs", value=length_text(stretch.figures.get("clearance_required_m"), units, "up"))


def has_text(stretch: Stretch, texts: Texts, units: System) -> str:
    """``has 2.85 m``: the clearance that is there."""
    return texts(
        "picture.has", value=length_text(stretch.figures.get("clearance_available_m"), units, "down")
    )


def margin_text(stretch: Stretch, units: System) -> str:
    """The margin with its sign, rounded down."""
    return length_text(stretch.figures.get("margin_m"), units, "down")


def place_text(stretch: Stretch, texts: Texts, units: System) -> str:
    """``eave E4, 1.20 m to 3.40 m``."""
    return texts(
        "place.edge_piece",
        kind=texts.get(f"kind.{stretch.kind}", stretch.kind),
        edge=stretch.edge,
        from_=length_text(stretch.from_m, units, "nearest"),
        to=length_text(stretch.to_m, units, "nearest"),
    )


def place_words(point: Sequence[float], units: System) -> str:
    """Coordinates in metres or decimal feet, without a unit."""
    return ", ".join(f"{float(v) / (FOOT if units == 'ft' else 1.0) + 0.0:.2f}" for v in point)


def round_length(limit_m: float, units: System) -> float:
    """The greatest of 1, 2, 5 times a power of ten (metres or feet) up to ``limit_m``, in metres."""
    unit = 0.3048 if units == "ft" else 1.0
    value = max(limit_m / unit, 1e-6)
    power = 10.0 ** math.floor(math.log10(value))
    factor = 5 if value >= 5 * power else 2 if value >= 2 * power else 1
    return factor * power * unit


@dataclass
class Places:
    """Boxes already taken on a panel, and the panel's limits."""

    limits: Box
    taken: list[tuple[Box, float]] = field(default_factory=list)  # with the weight of covering it
    lines: list[tuple[Floats, Floats]] = field(default_factory=list)  # of dimensions, both ends

    def cost(self, box: Box) -> float:
        """Area of the box that is covered or outside."""
        left, top, right, bottom = box
        inside = overlap(box, self.limits)
        outside = (right - left) * (bottom - top) - inside
        return 4 * outside + sum(weight * overlap(box, other) for other, weight in self.taken)

    def take(self, box: Box, weight: float = 1.0) -> None:
        """Marks the box as used; more ``weight`` where covering it would hide words."""
        self.taken.append((box, weight))

    def take_line(self, start: Floats, end: Floats, half: float) -> None:
        """Marks a line as used, as a row of small boxes."""
        count = max(1, int(np.linalg.norm(end - start) / (2 * half)))
        for t in (np.arange(count) + 0.5) / count:
            x, y = start + (end - start) * t
            self.take((x - half, y - half, x + half, y + half))

    def find(
        self,
        at: Floats,
        along: Floats,
        outward: Floats,
        run: float,
        size: tuple[float, float],
        gap: float,
        outs: tuple[float, ...] = (1.0, 2.2, 3.6, 5.5, 8.0),
    ) -> tuple[Box, float]:
        """The cheapest box of ``size`` near ``at``, and its cost; ties: the nearest.

        ``outs`` are the distances tried, in gaps, on the outward side; on the inward one where negative.
        """
        w, h = size
        best: tuple[float, Box] | None = None
        # distance from the edge so that a box of this size clears it, whatever way the edge runs
        reach = (abs(outward[0]) * w + abs(outward[1]) * h) / 2
        for out in (gap * k for k in outs):
            for step in (0.0, 0.25, -0.25, 0.45, -0.45, 0.7, -0.7):
                middle = at + along * run * step + outward * (math.copysign(reach, out) + out)
                box = (middle[0] - w / 2, middle[1] - h / 2, middle[0] + w / 2, middle[1] + h / 2)
                cost = self.cost(box) + 0.2 * abs(out) + 0.5 * abs(step) * min(run, 40)
                if best is None or cost < best[0] - 1e-9:
                    best = (cost, box)
        assert best is not None
        return best[1], self.cost(best[1])


def overlap(a: Box, b: Box) -> float:
    """Area that two boxes share."""
    w = min(a[2], b[2]) - max(a[0], b[0])
    h = min(a[3], b[3]) - max(a[1], b[1])
    return w * h if w > 0 and h > 0 else 0.0
