"""What one example building is: blocks, place, plan file, and the answers worked out by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction

from .solid import Block, Plane, Point2, Point3, Polyhedron, Surface, build

METRES = {
    "m": Fraction(1),
    "cm": Fraction(1, 100),
    "mm": Fraction(1, 1000),
    "ft": Fraction(3048, 10000),
    "in": Fraction(254, 10000),
}
Number = int | str | Fraction


def fr(value: Number) -> Fraction:
    """An exact number from a decimal text."""
    return Fraction(value)


def rectangle(x0: Number, x1: Number, y0: Number, y1: Number) -> tuple[Point2, ...]:
    a, b, c, d = fr(x0), fr(x1), fr(y0), fr(y1)
    return (a, c), (b, c), (b, d), (a, d)


def level(z: Number) -> Surface:
    return Surface("least", ((Fraction(0), Fraction(0), fr(z)),))


def rising(towards: str, slope: Number, line: Number, z: Number) -> Plane:
    """A plane that rises towards +x, -x, +y or -y from height ``z`` at ``line`` (x or y)."""
    s = fr(slope) if towards[0] == "+" else -fr(slope)
    a, b = (s, Fraction(0)) if towards[1] == "x" else (Fraction(0), s)
    return a, b, fr(z) - s * fr(line)


def least(*planes: Plane) -> Surface:
    return Surface("least", planes)


def greatest(*planes: Plane) -> Surface:
    return Surface("greatest", planes)


def block(outline: tuple[Point2, ...], low: Surface, high: Surface) -> Block:
    return Block(outline, low, high)


def cut(outline: tuple[Point2, ...], low: Surface, high: Surface) -> Block:
    return Block(outline, low, high, cut=True)


@dataclass
class House:
    """One example building, in the unit and axes that its author thinks in (``unit``)."""

    name: str
    title: str
    address: str
    unit: str  # of the numbers below
    file_unit: str  # of the OBJ
    parts: dict[str, list[Block]]
    turn: tuple[Fraction, Fraction] = (Fraction(1), Fraction(0))  # cosine and sine, counter-clockwise
    offset: tuple[Fraction, Fraction, Fraction] = (Fraction(0),) * 3  # metres
    planes: list[dict[str, object]] = field(default_factory=list)
    edges: list[dict[str, object]] = field(default_factory=list)
    volumes: dict[str, float] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    plan: str = ""

    # ------------------------------------------------------------------------------------- answers

    def plane(
        self,
        name: str,
        slope: float | Fraction,
        falls_to: str,
        plan_area: float | Fraction,
        top: bool = False,
    ) -> None:
        """A roof plane: rise over run, the side that it falls to, its area seen in plan.

        ``top``: a narrow level top (chimney, parapet, curb), which is no place of work.
        """
        metres = float(METRES[self.unit])
        s = float(slope)
        answer: dict[str, object] = {
            "name": name,
            "narrow_top": top,
            "pitch_deg": round(math.degrees(math.atan(s)), 6),
            "azimuth_deg": None,
            "area_m2": round(float(plan_area) * math.sqrt(1 + s * s) * metres**2, 6),
        }
        if s:
            compass = {"+y": 0.0, "+x": 90.0, "-y": 180.0, "-x": 270.0}[falls_to]
            turned = math.degrees(math.atan2(self.turn[1], self.turn[0]))
            answer["azimuth_deg"] = round((compass - turned) % 360, 6)
        self.planes.append(answer)

    def edge(
        self,
        kind: str,
        length: float | Fraction,
        count: int = 1,
        where: str = "",
        drop: Number | None = None,
        top: bool = False,
    ) -> None:
        """``count`` edges of one kind and length; ``drop`` is the least height to what lies below.

        ``top``: an edge of a narrow level top, where the edge of the roof is the foot of the upstand.
        """
        metres = float(METRES[self.unit])
        answer: dict[str, object] = {
            "kind": kind,
            "length_m": round(float(length) * metres, 6),
            "count": count,
            "where": where,
            "narrow_top": top,
        }
        if drop is not None:
            answer["drop_m"] = round(float(fr(drop)) * metres, 6)
        self.edges.append(answer)

    def volume(self, part: str, value: float | Fraction) -> None:
        self.volumes[part] = round(float(value) * float(METRES[self.unit]) ** 3, 6)

    # --------------------------------------------------------------------------------------- place

    def solids(self) -> dict[str, Polyhedron]:
        """The parts built, turned and scaled to the OBJ's unit; not yet moved by ``offset``."""
        scale = METRES[self.unit] / METRES[self.file_unit]
        found = {}
        for name, blocks in self.parts.items():
            solid = build(blocks)
            found[name] = Polyhedron([self._turned(p, scale) for p in solid.vertices], solid.faces)
        return found

    def _turned(self, p: Point3, scale: Fraction) -> Point3:
        c, s = self.turn
        return (c * p[0] - s * p[1]) * scale, (s * p[0] + c * p[1]) * scale, p[2] * scale

    def loaded(self, x: Number, y: Number, z: Number) -> Point3:
        """A point in metres as plan files give it: turned, scaled, moved."""
        p = self._turned((fr(x), fr(y), fr(z)), METRES[self.unit])
        return p[0] + self.offset[0], p[1] + self.offset[1], p[2] + self.offset[2]

    def point(self, x: Number, y: Number, z: Number) -> str:
        """The same as TOML text, to the millimetre."""
        return "[" + ", ".join(f"{float(c):.3f}" for c in self.loaded(x, y, z)) + "]"
