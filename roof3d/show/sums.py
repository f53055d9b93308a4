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
    """The terms of the sum, if the result states them and they add up to what it requires.

    The anchor states all terms but the surplus; the surplus is that of the place that governs. X is
    stated in parts (deceleration, travel before lock-on, elongation of the line), which have to
    account for it within a millimetre: a sum that does not add up explains nothing.
    """
    record = next((mark.record for mark in scene.anchors if mark.id == stretch.anchor), {})
    stated: Any = record.get("clearance_terms")
    required, length = stretch.figures.get("clearance_required_m"), record.get("line_length_m")
    keys = (
        "attachment_height_m",
        "harness_stretch_m",
        "margin_m",
        "deceleration_m",
        "activation_m",
        "line_elongation",
        "required_without_surplus_m",
    )
    if not isinstance(stated, dict) or required is None or length is None:
        return None
    if any(not isinstance(stated.get(key), int | float) for key in keys):
        return None
    h, k, m, deceleration, activation, strain, rest = (float(stated[key]) for key in keys)
    x = rest - h - k - m
    surplus = float(required) - rest
    if x < deceleration + activation + strain * float(length) - 1e-3:
        return None
    if record.get("policy") not in ("fixed", "restraint"):  # snug: each place has its own line length
        return None
    return {"h": h, "s": surplus, "X": x, "k": k, "M": m}
