"""How the clearance at a place adds up: formula, symbols and numbers, as far as the result has them."""

from __future__ import annotations

from typing import Any

from roof3d.formulas import FORMULAS, explain
from roof3d.show.labels import place_text
from roof3d.show.scene import Scene, Stretch
from roof3d.show.words import Texts
from roof3d.units import System


def clearance_sum(stretch: Stretch, scene: Scene, texts: Texts, units: System) -> list[str]:
    """Lines that unfold clearance required and margin of a stretch; empty where nothing can be told."""
    figures = stretch.figures
    required, available = figures.get("clearance_required_m"), figures.get("clearance_available_m")
    lines: list[str] = []
    terms = _terms(stretch, scene)
    if terms is not None:
        lines += explain("clearance_required", units=units, **terms)
    if required is not None and available is not None and "margin" in FORMULAS:
        lines += explain("margin", units=units, A=float(available), C=float(required))
    if not lines:
        return []
    return [f"({stretch.number}) {place_text(stretch, texts, units)}, {stretch.anchor}", *lines]


def _terms(stretch: Stretch, scene: Scene) -> dict[str, float] | None:
    """The terms of the sum, if the result states them and they add up to what it states."""
    del scene
    terms: Any = stretch.figures.get("clearance_terms")
    required = stretch.figures.get("clearance_required_m")
    if not isinstance(terms, dict) or set(terms) != {"h", "s", "X", "k", "M"} or required is None:
        return None
    values = {name: float(value) for name, value in terms.items()}
    # a sum that does not add up explains nothing
    return values if abs(sum(values.values()) - float(required)) < 1e-6 else None
