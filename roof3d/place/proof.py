"""What may be said of a choice: best, bound and gap always; "fewest" only where nothing speaks against it."""

from __future__ import annotations

from collections.abc import Sequence

from roof3d.place.bound import SLACK
from roof3d.place.cover import Cover, gap


def prove(
    cover: Cover,
    bound: float,
    *,
    aim: str,
    currency: str,
    places: int,
    lines: bool,
    cells: int,
    tied: bool,
    doubts: Sequence[str],
    served: tuple[float, float] | None,
) -> str:
    """Best, bound and gap in words, and the reasons why the best cannot be called the fewest.

    ``bound`` holds however finely the work is cut. ``doubts``: anything that leaves a better choice
    possible, or some of the work undone. ``served``: m2 served and m2 of work, None without work.
    """
    if not places:
        return "best nothing, bound nothing, gap open: no place serves any of the work with every limit held"
    if aim == "cost":
        unit = currency or "in the plan's prices"
        best, least = f"{cover.best:.2f} {unit}", f"{bound:.2f}"
        word = "least cost"
    else:
        unit = "anchor" if cover.best == 1 else "anchors"
        unit += ", ends and supports of anchor lines counted" if lines else ""
        best, least = f"{cover.best:.0f} {unit}", f"{bound:.0f}"
        word = "fewest"
    open_gap = gap(cover.best, bound) > 0.0
    share = f"{100 * gap(cover.best, bound):.1f} %" if open_gap else "nil"
    chain = " with workers tied at all times" if tied else ""
    frame = f"from the {places} places that hold every limit, over {cells} cells of work{chain}"
    if not doubts and not open_gap:
        text = f"best {best}, bound {least}, gap {share}: the {word} {frame}"
        return f"{text}, and no finer cells would change that"
    reasons = list(doubts)
    if open_gap and cover.best > cover.bound + SLACK:
        reasons.append(f"the search {'was stopped' if cover.stopped else 'ended'} before proof")
    elif open_gap:
        reasons.append(f"with cells cut finer {'less' if aim == 'cost' else 'fewer'} might do")
    text = f"best {best}, bound {least}, gap {share}, {frame}; no proof for all of the work: "
    text += "; ".join(reasons)
    if served is not None and served[0] < served[1] - SLACK:
        text += f" (best and bound are for the {served[0]:.2f} of {served[1]:.2f} m2 that these places serve)"
    return text
