"""Explain: any figure of a result unfolded into words, symbols, numbers with units, formula, source."""

from roof3d.explain.places import accepted_places, find
from roof3d.explain.unfold import explain

__all__ = ["accepted_places", "explain", "find"]
