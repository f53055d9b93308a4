"""What may be said of a choice: best, bound and gap always; "fewest" only where nothing speaks against it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from roof3d.place.bound import SLACK
from roof3d.place.cover import Cover, gap
from roof3d.place.offer import longest_line
from roof3d.place.study import Study


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
    if aim == "cost":
        unit = currency or "in the plan's prices"
        shown = "{:.2f}"
        word = "least cost"
    else:
        unit = "anchor" if cover.best == 1 else "anchors"
        unit += ", ends and supports of anchor lines counted" if lines else ""
        shown = "{:.0f}"
        word = "fewest"
    best = f"{shown.format(cover.best)} {unit}"
    chain = " with workers tied at all times" if tied and not any("let go" in one for one in doubts) else ""
    frame = f"from the {places} places that hold every limit, over {cells} cells of work{chain}"
    if served is not None and served[0] < served[1] - SLACK:
        # part of the work: what is proven is proven of the cells that can be served, and no more
        text = f"serves {served[0]:.2f} of {served[1]:.2f} m2, not all: best {best}, "
        text += f"bound {shown.format(cover.bound)}, gap {_share(cover.best, cover.bound)}, {frame} "
        text += "that these places serve"
        return text + _but([doubt for doubt in doubts if "of the work are not served" not in doubt])
    share = _share(cover.best, bound)
    if not doubts and share == "nil":
        text = f"best {best}, bound {shown.format(bound)}, gap nil: the {word} {frame}"
        return f"{text}, and no finer cells would change that"
    reasons = list(doubts)
    if share != "nil" and cover.best > cover.bound + SLACK:
        reasons.append(f"the search {'was stopped' if cover.stopped else 'ended'} before proof")
    elif share != "nil":
        reasons.append(f"with cells cut finer {'less' if aim == 'cost' else 'fewer'} might do")
    text = f"best {best}, bound {shown.format(bound)}, gap {share}, {frame}"
    return f"{text}{_but(reasons)}"


def _share(best: float, bound: float) -> str:
    open_gap = gap(best, bound)
    return f"{100 * open_gap:.1f} %" if open_gap > 0.0 else "nil"


def _but(reasons: Sequence[str]) -> str:
    return f"; no proof that it is the least: {'; '.join(reasons)}" if reasons else ""


def prove_nothing(study: Study, kind: str, left_m2: float) -> str:
    """Why there is nothing to choose from: how many places of which kind, and what each of them breaks."""
    text = f"nothing is chosen: {_no_choice(study, kind, left_m2)}"
    return f"{text}; {study.cut}" if study.cut else text


def _no_choice(study: Study, kind: str, left_m2: float) -> str:
    columns = [
        column
        for column in study.columns
        if kind in ("mixed", "restraint") or (kind == "lines") == (column.kind == "line")
    ]
    if not columns:
        needs = " line: each needs two places 2 m apart on a straight edge or along a slope, nearly level"
        needs = needs if kind == "lines" else ""
        return f"there is no place for an anchor{needs}"
    if any(longest_line(column, kind) for column in columns):
        little = f"too little, {left_m2:.2f} m2 in all" if left_m2 > 0 else "no whole cell of the work"
        return f"the lines that hold every limit serve {little}"
    if kind == "restraint":
        return f"at none of {len(columns)} places does any line restrain"
    lengths = ", ".join(f"{length:g}" for length in study.lengths)
    breaks = Counter(word for column in columns for word in column.allowed.reason.split(", ") if word)
    told = ", ".join(f"{word} at {number}" for word, number in breaks.most_common(4))
    return f"at none of {len(columns)} places does a line of {lengths} m hold every limit" + (
        f" ({told})" if told else ""
    )
