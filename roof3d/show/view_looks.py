"""First looks at all anchors of a plan together, with what a full check has told of unchanged ones."""

from __future__ import annotations

import contextlib
import json
import time
from typing import Any

from roof3d.errors import InputError
from roof3d.records import Plan, Roof
from roof3d.show.view_plan import sources, without_anchors
from roof3d.show.view_quick import FirstPicture, Look, QuickLook, Told

Record = dict[str, Any]
NOTHING = Told({}, {})


class FirstLooks:
    """Pictures of plans while they are changed."""

    def __init__(self, roof: Roof) -> None:
        self._quick = QuickLook(roof)
        # of the last full check: what it told of each anchor, and from what it was computed
        self._checked: tuple[dict[str, Told], dict[str, Any]] = ({}, {})
        self._checks = 0

    def take(self, plan: Plan, text: str) -> None:
        """Keeps the segments of a full check of ``plan``; ``text``: the page's data as JSON."""
        by_anchor: dict[str, dict[str, list[Record]]] = {}
        for segment in json.loads(text)["segments"]:
            by_edge = by_anchor.setdefault(str(segment["anchor"]), {})
            by_edge.setdefault(str(segment["edge"]), []).append(segment)
        self._checks += 1
        told = {
            anchor: Told(
                {edge: tuple(found) for edge, found in by_edge.items()},
                dict.fromkeys(by_edge, (self._checks, anchor)),
            )
            for anchor, by_edge in by_anchor.items()
        }
        self._checked = (told, _origins(plan))

    def look(self, plan: Plan, name: str) -> Look:
        """A look at one anchor; see ``QuickLook.look``."""
        return self._quick.look(plan, name)

    def picture(self, plan: Plan, name: str, seconds: float) -> tuple[FirstPicture, bool] | None:
        """A picture of all anchors, or of ``name`` alone where others are not known within ``seconds``.

        With it comes whether it is of ``name`` alone. None where there is no name and not all are known:
        edges of some anchors would not do, for the worst of all counts.
        """
        looks: dict[str, Look] = {name: self.look(plan, name)} if name else {}
        now = _origins(plan)
        told, origins = self._checked
        precise = {
            other: told.get(other, NOTHING)
            for other, origin in now.items()
            if other != name and origins.get(other) == origin
        }
        end = time.monotonic() + seconds
        for other in now:
            known = self._quick.known(plan, other)
            if known is None and other not in precise and time.monotonic() < end:
                with contextlib.suppress(InputError):  # the check says it
                    known = self.look(plan, other)
            if known is not None:
                looks[other] = known
        if all(other in looks or other in precise for other in now):
            return self._quick.picture(plan, list(looks.values()), precise), False
        return (self._quick.picture(plan, [looks[name]]), True) if name else None


def _origins(plan: Plan) -> dict[str, Any]:
    """What the assessment of each anchor rests on, beside the roof."""
    rest = without_anchors(plan)
    return {source.id: (source, rest) for source in sources(plan)}
