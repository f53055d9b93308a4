"""First looks on their way to a page: one binary message with what the page does not have yet.

The message is a length (uint32), a head of that length (JSON, padded with blanks to a whole number of four
bytes), then the taut length (int16) and the count of anchors (uint8) of each cell. All little-endian.
"""

from __future__ import annotations

import json
from typing import Any

from roof3d.show.view_quick import FirstPicture

Record = dict[str, Any]


class Wire:
    """What one page has of first looks."""

    def __init__(self) -> None:
        self._cells: Record | None = None
        self._edges: dict[str, tuple[Record, ...]] = {}

    def pack(self, head: Record, picture: FirstPicture) -> bytes:
        """The message for a picture, with what ``head`` says of it; the page is taken to have it then."""
        made = {**head, "served_m2": picture.served_m2, "numbers": picture.numbers}
        if picture.cells is not self._cells:  # other rasters, and no edge is known
            made |= {"planes": picture.planes, "cells": picture.cells}
            self._cells, self._edges = picture.cells, {}
        made["edges"] = {
            edge: found for edge, found in picture.edges.items() if self._edges.get(edge) is not found
        }
        self._edges = picture.edges
        text = json.dumps(made, separators=(",", ":")).encode("utf-8")
        text += b" " * (-len(text) % 4)
        return b"".join(
            (len(text).to_bytes(4, "little"), text, picture.taut.tobytes(), picture.served.tobytes())
        )
