"""Levels: what lies below every stretch of boundary, over the swept footprint of a falling body."""

from roof3d.levels.below import HALF_WIDTH_M, INSET_M, REACH_M, Below, Sweep, prepare
from roof3d.levels.covered import HEADROOM_M
from roof3d.levels.profile import Profile, fill_drops, profiles
from roof3d.levels.steps import find_steps, step_words
from roof3d.levels.surfaces import STEEP_ABOVE_DEG

__all__ = [
    "HALF_WIDTH_M",
    "HEADROOM_M",
    "INSET_M",
    "REACH_M",
    "STEEP_ABOVE_DEG",
    "Below",
    "Profile",
    "Sweep",
    "fill_drops",
    "find_steps",
    "prepare",
    "profiles",
    "step_words",
]
