"""Levels: what lies below every stretch of boundary, over the swept footprint of a falling body."""

from roof3d.levels.below import HALF_WIDTH_M, INSET_M, REACH_M, STEEP_ABOVE_DEG, Below, Sweep, prepare
from roof3d.levels.profile import Profile, fill_drops, profiles

__all__ = [
    "HALF_WIDTH_M",
    "INSET_M",
    "REACH_M",
    "STEEP_ABOVE_DEG",
    "Below",
    "Profile",
    "Sweep",
    "fill_drops",
    "prepare",
    "profiles",
]
