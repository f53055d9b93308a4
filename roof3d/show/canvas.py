"""Drawing with Pillow in floating point: lines with width, dash and marks, hatches, haloed text.

Everything is drawn at twice the size and reduced once at the end, so edges are smooth and the same
bytes come out on every run. Lengths are in pixels of the finished sheet.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np

from roof3d.records import Floats
from roof3d.show.colours import INK, PAPER, EdgeStyle, Rgb
from roof3d.show.glyphs import characters, fonts_for, lacking, own_fonts, spelt

OVER = 2


@lru_cache(maxsize=64)
def _font(size: int, file: str) -> Any:
    from PIL import ImageFont

    try:
        return ImageFont.truetype(file, size) if file else ImageFont.load_default(size)
    except OSError:
        return ImageFont.load_default(size)


def _drawable(text: str, size: float, bold: bool) -> tuple[str, Any]:
    """A text as it can be drawn, and its font: DejaVu Sans, or one of the system that has all of it."""
    text = clean(text)
    folder = own_fonts()
    own = "" if folder is None else str(folder / f"DejaVuSans{'-Bold' if bold else ''}.ttf")
    missing = lacking(text)
    if missing:
        for font in fonts_for(frozenset(ord(c) for c in text)):
            if all(ord(c) in characters(font) for c in text):
                return text, _font(round(size * OVER), str(font))
        text = spelt(text, missing)
    return text, _font(round(size * OVER), own)


class Canvas:
    """A sheet of ``width`` x ``height`` pixels."""

    def __init__(self, width: int, height: int, paper: Rgb = PAPER) -> None:
        from PIL import Image, ImageDraw

        self.width, self.height = width, height
        self.image = Image.new("RGB", (width * OVER, height * OVER), paper)
        self.draw = ImageDraw.Draw(self.image)

    def finish(self) -> Any:
        """The finished picture."""
        from PIL import Image

        return self.image.resize((self.width, self.height), Image.Resampling.BOX)

    # ------------------------------------------------------------------------------------- shapes

    def polygon(self, rings: list[Floats], fill: Rgb) -> None:
        """A filled area: outer ring first, then holes (n, 2)."""
        if len(rings) == 1:
            self.draw.polygon([tuple(p) for p in rings[0] * OVER], fill=fill)
            return
        from PIL import Image, ImageDraw

        low = np.floor(rings[0].min(axis=0) * OVER).astype(int) - 1
        high = np.ceil(rings[0].max(axis=0) * OVER).astype(int) + 2
        mask = Image.new("L", (int(high[0] - low[0]), int(high[1] - low[1])), 0)
        pen = ImageDraw.Draw(mask)
        for k, ring in enumerate(rings):
            pen.polygon([tuple(p) for p in ring * OVER - low], fill=0 if k else 255)
        self.image.paste(fill, (int(low[0]), int(low[1])), mask)

    def box(
        self, x: float, y: float, w: float, h: float, fill: Rgb | None, outline: Rgb | None = None
    ) -> None:
        """A rectangle with its upper left corner at (x, y)."""
        corners = [x * OVER, y * OVER, (x + w) * OVER - 1, (y + h) * OVER - 1]
        self.draw.rectangle(corners, fill=fill, outline=outline, width=OVER)

    def line(self, points: Floats, colour: Rgb, width: float, dash: tuple[float, ...] = ()) -> None:
        """A polyline (n, 2); ``dash`` in pixels on, off, ..."""
        for piece in dashes(points, dash):
            scaled = [tuple(p) for p in piece * OVER]
            self.draw.line(scaled, fill=colour, width=max(1, round(width * OVER)), joint="curve")

    def disc(
        self, at: Floats, radius: float, fill: Rgb | None, outline: Rgb | None = None, w: float = 1
    ) -> None:
        """A circle."""
        x, y, r = at[0] * OVER, at[1] * OVER, radius * OVER
        self.draw.ellipse(
            [x - r, y - r, x + r, y + r], fill=fill, outline=outline, width=max(1, round(w * OVER))
        )

    # ------------------------------------------------------------------------------------- edges

    def edge(self, start: Floats, end: Floats, outward: Floats, style: EdgeStyle, unit: float) -> None:
        """A fall edge in the style of its state: white casing, line, marks on its outer side."""
        points = np.array([start, end])
        width = style.width * unit
        self.line(points, PAPER, width + 4 * unit)
        self.line(points, style.colour, width, tuple(d * unit for d in style.dash))
        length = float(np.linalg.norm(end - start))
        if not style.mark or length < 1e-6:
            return
        along = (end - start) / length
        every = style.mark_every * unit
        count = max(1, int(length // every))
        for k in range(count):
            at = start + along * length * (k + 0.5) / count
            self._mark(at, along, outward, style, unit)

    def _mark(self, at: Floats, along: Floats, outward: Floats, style: EdgeStyle, unit: float) -> None:
        w = style.width * unit
        if style.mark == "tooth":
            tip = at + outward * (w / 2 + 20 * unit)
            foot = at + outward * (w / 2 - 1)
            shape = np.array([foot - along * 10 * unit, tip, foot + along * 10 * unit])
            self.polygon([shape], style.colour)
        elif style.mark == "chevron":
            tip = at + outward * (w / 2 + 18 * unit)
            foot = at + outward * (w / 2 + 5 * unit)
            shape = np.array([foot - along * 13 * unit, tip, foot + along * 13 * unit])
            self.line(shape, style.colour, 5 * unit)
        elif style.mark == "bar":
            self.line(np.array([at, at + outward * (w / 2 + 13 * unit)]), style.colour, 5 * unit)
        elif style.mark == "dot":
            self.disc(at + outward * (w / 2 + 9 * unit), 5 * unit, style.colour)

    # --------------------------------------------------------------------------------------- text

    def text_size(self, text: str, size: float, bold: bool = False) -> tuple[float, float]:
        """Width and height of a line of text."""
        text, font = _drawable(text, size, bold)
        box = font.getbbox(text)
        return (box[2] - box[0]) / OVER, size * 1.25

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        colour: Rgb = INK,
        bold: bool = False,
        anchor: str = "la",
        halo: Rgb | None = None,
    ) -> None:
        """A line of text at (x, y); ``anchor`` as in Pillow: l m r, then a (top) m (middle) s (base)."""
        text, font = _drawable(text, size, bold)
        options: dict[str, Any] = {"font": font, "fill": colour, "anchor": anchor}
        if halo is not None:
            options |= {"stroke_width": round(size * 0.18 * OVER), "stroke_fill": halo}
        self.draw.text((x * OVER, y * OVER), text, **options)

    def fit(self, text: str, size: float, width: float, bold: bool = False) -> str:
        """The text, cut with an ellipsis so that it is at most ``width`` wide."""
        text = clean(text)
        if self.text_size(text, size, bold)[0] <= width:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.text_size(text[:middle].rstrip() + "…", size, bold)[0] <= width:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + "…"

    def wrap(self, text: str, size: float, width: float, bold: bool = False) -> list[str]:
        """The text in lines of at most ``width``."""
        lines: list[str] = []
        current = ""
        for word in clean(text).split():
            trial = f"{current} {word}".strip()
            if current and self.text_size(trial, size, bold)[0] > width:
                lines.append(current)
                current = word
            else:
                current = trial
        return [self.fit(line, size, width, bold) for line in [*lines, current] if line]


def clean(text: str) -> str:
    """Text without control characters or line breaks, which would break a sheet's layout."""
    return "".join(c if c.isprintable() else " " for c in text)


def dashes(points: Floats, dash: tuple[float, ...]) -> list[Floats]:
    """A polyline cut into the pieces that a dash pattern leaves visible; any dimension."""
    points = np.asarray(points, dtype=np.float64)
    if not dash:
        return [points]
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    total, period = float(along[-1]), float(sum(dash))
    if total <= 0 or period <= 0 or total / period > 5000:
        return [points]

    def at(distance: float) -> list[float]:
        return [float(np.interp(distance, along, points[:, axis])) for axis in range(points.shape[1])]

    pieces = []
    for k in range(math.ceil(total / period)):
        place = k * period
        for index, length in enumerate(dash):
            if index % 2 == 0 and place < total:
                end = min(place + length, total)
                inside = [list(p) for a, p in zip(along, points, strict=True) if place < a < end]
                pieces.append(np.array([at(place), *inside, at(end)]))
            place += length
    return pieces
