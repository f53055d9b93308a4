"""Colours, widths and dashes: one table for pictures, drawings, reports and coloured models.

The heat scale diverges at a margin of nil: orange to dark red-brown where room is lacking, pale to
dark blue where room is left. Blue against orange keeps apart in all common kinds of colour
blindness, lightness falls evenly from the middle outwards on both sides (steps are even in OKLab,
Ottosson 2020, https://bottosson.github.io/posts/oklab/), and the two sides do not meet in one pale
colour: a margin just under nil must not look like one just over it. Colour is never alone: states
have their own width, dash and mark, and unserved work is hatched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roof3d.records import Floats, Ints

Rgb = tuple[int, int, int]

BANDS_A_SIDE = 4


def oklch(lightness: float, chroma: float, hue_deg: float) -> Rgb:
    """An OKLCH colour as 8-bit sRGB; clipped to the gamut channel by channel."""
    a = chroma * math.cos(math.radians(hue_deg))
    b = chroma * math.sin(math.radians(hue_deg))
    l_ = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    m_ = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    s_ = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    linear = (
        4.0767416621 * l_ - 3.3077115913 * m_ + 0.2309699292 * s_,
        -1.2684380046 * l_ + 2.6097574011 * m_ - 0.3413193965 * s_,
        -0.0041960863 * l_ - 0.7034186147 * m_ + 1.7076147010 * s_,
    )
    red, green, blue = (_gamma(channel) for channel in linear)
    return red, green, blue


def _gamma(channel: float) -> int:
    channel = min(max(channel, 0.0), 1.0)
    value = 12.92 * channel if channel <= 0.0031308 else 1.055 * channel ** (1 / 2.4) - 0.055
    return round(255 * value)


def _ramp(
    first: tuple[float, float, float], last: tuple[float, float, float], count: int = BANDS_A_SIDE
) -> tuple[Rgb, ...]:
    steps = np.linspace(0.0, 1.0, count)
    return tuple(oklch(*(f + (l - f) * t for f, l in zip(first, last, strict=True))) for t in steps)  # noqa: E741


LACKING = _ramp((0.83, 0.125, 65.0), (0.44, 0.155, 32.0))  # from nil downwards
LEFT = _ramp((0.90, 0.050, 225.0), (0.44, 0.115, 258.0))  # from nil upwards
SEQUENCE = _ramp((0.95, 0.045, 125.0), (0.40, 0.085, 168.0), 6)  # lengths and counts, from nil upwards

SAFE: Rgb = oklch(0.945, 0.018, 130.0)
UNSERVED: Rgb = (255, 255, 255)
UNSURE: Rgb = oklch(0.80, 0.0, 0.0)
OUTSIDE: Rgb = oklch(0.89, 0.004, 80.0)
SOFT_HATCH: Rgb = (150, 152, 158)
PLAIN: Rgb = oklch(0.90, 0.006, 80.0)
WALL: Rgb = oklch(0.80, 0.008, 80.0)
GROUND: Rgb = oklch(0.915, 0.012, 110.0)
HATCH: Rgb = (58, 58, 66)
INK: Rgb = (27, 30, 38)
SOFT_INK: Rgb = (94, 99, 110)
HAIR: Rgb = (196, 199, 206)
PAPER: Rgb = (255, 255, 255)
INNER: Rgb = (112, 114, 122)
ANCHOR: Rgb = (16, 18, 24)
ROPE: Rgb = (16, 18, 24)


@dataclass(frozen=True)
class EdgeStyle:
    """How an edge state is drawn. Lengths are multiples of the sheet's base unit (1/2400 of width)."""

    colour: Rgb
    width: float
    dash: tuple[float, ...]  # on, off, ...; () solid
    mark: str  # tooth, chevron, bar, dot, "" : repeated along the edge
    mark_every: float


EDGE_STYLES: dict[str, EdgeStyle] = {
    "short": EdgeStyle((196, 30, 38), 13.0, (), "tooth", 46.0),
    "swing": EdgeStyle((126, 44, 150), 11.0, (44.0, 14.0), "chevron", 58.0),
    "arrest": EdgeStyle((222, 142, 0), 9.0, (22.0, 12.0), "bar", 34.0),
    "held": EdgeStyle((0, 118, 128), 6.0, (), "", 0.0),
    "beyond": EdgeStyle((104, 110, 122), 4.0, (4.0, 10.0), "", 0.0),
    "guarded": EdgeStyle((70, 84, 62), 6.0, (26.0, 8.0), "dot", 60.0),
    "unassessed": EdgeStyle((40, 40, 46), 9.0, (9.0, 7.0), "", 0.0),
}


@dataclass(frozen=True)
class Scale:
    """Bands of margin. ``step`` metres a band, ``BANDS_A_SIDE`` bands each side of nil, ends open."""

    step: float
    units: str  # m, ft: what the step is a round number of

    def bands(self, margins: Floats) -> Ints:
        """Band of each margin, 0 the worst; rounded down, so that no place looks better than it is."""
        with np.errstate(invalid="ignore"):
            index = np.floor(np.asarray(margins, dtype=np.float64) / self.step + 1e-9)
        index = np.where(np.isnan(index), -BANDS_A_SIDE, index)
        # the tolerance above must not lift a negative margin over nil
        index = np.where((np.asarray(margins) < 0) & (index >= 0), -1, index)
        clipped: Ints = np.clip(index, -BANDS_A_SIDE, BANDS_A_SIDE - 1).astype(np.int64) + BANDS_A_SIDE
        return clipped

    def colours(self) -> tuple[Rgb, ...]:
        """Colours of the bands, the worst first."""
        return (*reversed(LACKING), *LEFT)

    def bounds(self) -> tuple[float, ...]:
        """Inner bounds between neighbouring bands, metres; one fewer than there are bands."""
        return tuple(self.step * k for k in range(-BANDS_A_SIDE + 1, BANDS_A_SIDE))


def scale_for(margins: Floats, units: str = "m") -> Scale:
    """The finest round step that shows three quarters of the greatest margin before the open end."""
    finite = np.abs(margins[np.isfinite(margins)])
    # The lacking side decides where there is one: that is the side a reviewer reads first.
    lacking = -margins[np.isfinite(margins) & (margins < 0)]
    wanted = float(lacking.max()) if lacking.size else (float(finite.max()) if finite.size else 1.0)
    unit = 0.3048 if units == "ft" else 1.0
    for step in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0):
        if step * unit * BANDS_A_SIDE >= 0.95 * wanted:
            return Scale(step * unit, units)
    return Scale(100.0 * unit, units)


def contrast(colour: Rgb) -> Rgb:
    """Ink that reads on ``colour``: dark or white, by relative luminance (WCAG 2.1)."""
    channels = [c / 255 for c in colour]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return INK if luminance > 0.22 else PAPER


def to_hex(colour: Rgb) -> str:
    """``#rrggbb``."""
    return "#{:02x}{:02x}{:02x}".format(*colour)
