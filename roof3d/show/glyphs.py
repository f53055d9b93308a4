"""Which font has which characters, so that no name in a report or picture turns into empty boxes.

DejaVu Sans comes with a library that pictures need anyway; for what it lacks (Chinese, Japanese, Korean ...)
fonts of the system are asked. Characters that no font has are spelt by their code, so that two names never
look alike.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any

MOST_FONTS = 6


@lru_cache(maxsize=1)
def own_fonts() -> Path | None:
    """The folder of DejaVu Sans; None where it is not installed."""
    try:
        import matplotlib
    except ImportError:
        return None
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


@lru_cache(maxsize=64)
def characters(font: Path) -> frozenset[int]:
    """Code points that a font file draws; none where it cannot be read."""
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(font, fontNumber=0, lazy=True) as opened:
            return frozenset(opened.getBestCmap() or ())
    except (OSError, TTLibError, KeyError, AssertionError):
        return frozenset()


def family(font: Path) -> str:
    """The family name of a font file."""
    from fontTools.ttLib import TTFont

    with TTFont(font, fontNumber=0, lazy=True) as opened:
        return str(opened["name"].getBestFamilyName() or font.stem)


@lru_cache(maxsize=1)
def _of_system() -> tuple[Path, ...]:
    from matplotlib import font_manager

    return tuple(sorted(Path(name) for name in font_manager.findSystemFonts()))


@lru_cache(maxsize=256)
def lacking(text: str) -> frozenset[int]:
    """Characters of a text that DejaVu Sans does not have."""
    folder = own_fonts()
    if folder is None or text.isascii():
        return frozenset()
    return frozenset(ord(c) for c in text if not c.isspace()) - characters(folder / "DejaVuSans.ttf")


@lru_cache(maxsize=64)
def fonts_for(wanted: frozenset[int]) -> tuple[Path, ...]:
    """Fonts of the system that have the most of the characters between them."""
    found: list[Path] = []
    left = set(wanted)
    while left and len(found) < MOST_FONTS:
        best = max(_of_system(), key=lambda font: len(left & characters(font)), default=None)
        if best is None or not left & characters(best):
            break
        found.append(best)
        left -= characters(best)
    return tuple(found)


def spelt(text: str, missing: Iterable[int]) -> str:
    """The text with characters that cannot be drawn spelt by their code."""
    return text.translate({code: f"[U+{code:04X}]" for code in missing})


def readable(data: Any) -> tuple[Any, tuple[Path, ...]]:
    """Nested texts in which nothing is missing any more, and the fonts they need beside DejaVu Sans."""
    wanted: set[int] = set()

    def walk(value: Any, change: frozenset[int] | None) -> Any:
        if isinstance(value, str):
            if change is not None:
                return spelt(value, change)
            wanted.update(lacking(value))
        elif isinstance(value, dict):
            return {key: walk(part, change) for key, part in value.items()}
        elif isinstance(value, (list, tuple)):
            return [walk(part, change) for part in value]
        return value

    walk(data, None)
    if not wanted:
        return data, ()
    fonts = fonts_for(frozenset(wanted))
    known = frozenset().union(*(characters(font) for font in fonts))
    return walk(data, frozenset(wanted) - known), fonts
