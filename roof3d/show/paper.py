"""Marks on a drawing, on named layers, in metres of the local frame: what SVG and DXF are made from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from roof3d.records import Floats
from roof3d.show.colours import INK, Rgb


@dataclass(frozen=True)
class Layer:
    """Name (upper case, also in the DXF), colour, pen in mm, dash in mm (on, off, ...)."""

    name: str
    colour: Rgb = INK
    pen: float = 0.25
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Line:
    """A polyline (n, 2), closed or open, filled or not."""

    layer: str
    points: Floats
    closed: bool = False
    fill: bool = False


@dataclass(frozen=True, eq=False)
class Circle:
    """A circle, filled or not."""

    layer: str
    at: Floats
    radius: float
    fill: bool = False


@dataclass(frozen=True, eq=False)
class Text:
    """A line of text; ``height`` of capitals in mm on paper; ``align`` left, middle, right."""

    layer: str
    at: Floats
    text: str
    height: float
    align: str = "left"
    angle_deg: float = 0.0
    bold: bool = False


@dataclass(frozen=True, eq=False)
class Dimension:
    """A dimension between two points, its line ``offset`` mm to the left of the way from a to b."""

    layer: str
    a: Floats
    b: Floats
    offset: float
    text: str

    @property
    def upright(self) -> Dimension:
        """The same dimension, its way turned so that the text on it reads from below or from the right."""
        along = self.b - self.a
        slack = 1e-6 * float(np.linalg.norm(along))
        if along[0] > slack or (abs(along[0]) <= slack and along[1] >= 0):
            return self
        return Dimension(self.layer, self.b, self.a, -self.offset, self.text)


def text_box(mark: Text, at: Floats) -> tuple[float, float, float, float]:
    """Roughly what a level text covers, mm, ``at`` being its place on paper: left, low, right, high."""
    wide = text_width(mark.text, mark.height, mark.bold)
    left = at[0] - {"left": 0.0, "middle": wide / 2, "right": wide}[mark.align]
    return left - 0.5, at[1] - 0.6, left + wide + 0.5, at[1] + mark.height + 0.6


Mark = Line | Circle | Text | Dimension


@dataclass
class Sheet:
    """A sheet of paper at 1 : ``scale``, its middle at ``centre`` (local metres)."""

    width: float  # mm
    height: float  # mm
    scale: float
    centre: Floats
    layers: dict[str, Layer]
    title: str
    marks: list[Mark] = field(default_factory=list)

    @property
    def mm(self) -> float:
        """Metres in the model for a millimetre on paper."""
        return self.scale / 1000.0

    def at(self, x: float, y: float) -> Floats:
        """Local place of a point on paper, mm from the lower left corner."""
        place: Floats = self.centre + (np.array([x, y]) - [self.width / 2, self.height / 2]) * self.mm
        return place

    def paper(self, point: Floats) -> Floats:
        """Where a local place lies on paper, mm from the lower left corner."""
        place: Floats = (point[:2] - self.centre) / self.mm + np.array([self.width, self.height]) / 2
        return place

    def add(self, *marks: Mark) -> None:
        """Adds marks, in drawing order."""
        self.marks.extend(marks)


def text_width(text: str, height: float, bold: bool = False) -> float:
    """Rough width in mm of a line of text with capitals of ``height`` mm, on the wide side."""
    return len(text) * height * (0.92 if bold else 0.86)


def fit(text: str, height: float, width: float, bold: bool = False) -> str:
    """The text cut with an ellipsis to ``width`` mm."""
    text = "".join(c if c.isprintable() else " " for c in text)
    room = max(1, int(width / (height * (0.92 if bold else 0.86))))
    return text if len(text) <= room else text[: room - 1].rstrip() + "…"


def wrap(text: str, height: float, width: float) -> list[str]:
    """The text in lines of at most ``width`` mm."""
    lines: list[str] = []
    current = ""
    for word in "".join(c if c.isprintable() else " " for c in text).split():
        trial = f"{current} {word}".strip()
        if current and text_width(trial, height) > width:
            lines.append(current)
            current = word
        else:
            current = trial
    return [fit(line, height, width) for line in [*lines, current] if line]
