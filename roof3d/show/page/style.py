"""The colour table of pictures, as the front end takes it: one source for all of them."""

from __future__ import annotations

from typing import Any

from roof3d.show import colours
from roof3d.show.colours import EDGE_STYLES, LACKING, LEFT, SEQUENCE, contrast, to_hex
from roof3d.show.picture import VERDICT_COLOURS

PLAIN = (
    "SAFE",
    "UNSERVED",
    "UNSURE",
    "OUTSIDE",
    "SOFT_HATCH",
    "PLAIN",
    "WALL",
    "GROUND",
    "HATCH",
    "INK",
    "SOFT_INK",
    "HAIR",
    "PAPER",
    "INNER",
    "ANCHOR",
    "ROPE",
)


def colour_table() -> dict[str, Any]:
    """Names to ``#rrggbb``, the ramps worst first, and how each edge state is drawn."""
    return {
        **{name.lower(): to_hex(getattr(colours, name)) for name in PLAIN},
        "bands": [to_hex(colour) for colour in (*reversed(LACKING), *LEFT)],
        "sequence": [to_hex(colour) for colour in SEQUENCE],
        "states": {
            state: {
                "colour": to_hex(style.colour),
                "ink": to_hex(contrast(style.colour)),
                "width": style.width,
                "dash": list(style.dash),
                "mark": style.mark,
                "every": style.mark_every,
            }
            for state, style in EDGE_STYLES.items()
        },
    }


def verdict_colour(word: str) -> str:
    """Colour of the verdict's band."""
    return to_hex(VERDICT_COLOURS.get(word, colours.SOFT_INK))
