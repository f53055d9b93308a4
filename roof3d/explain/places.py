"""Places in a result that people can name: an edge, a place on it, an anchor, a rule value, a path.

``E4`` the worst segment of an edge; ``E4@2.5`` the segment 2.5 m along it; ``E4@2.5:A1`` for one
anchor; ``A1`` an anchor or anchor line; ``P2`` a plane; ``margin`` a value of the rule set;
``summary``, ``work``. Each may be followed by ``/`` and a field: ``E4@2.5/margin_m``, ``A1/load_kN``.
Else a path of keys and numbers through the result file: ``edge_segments/3/surplus_m``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from roof3d.errors import InputError
from roof3d.records import STATES

PLACE = re.compile(r"(?P<name>[^@/:]+)(?:@(?P<along>[^/:]+))?(?::(?P<anchor>[^/]+))?(?:/(?P<field>.*))?")


@dataclass(frozen=True)
class Place:
    """What was found: ``kind`` segment, edge, anchor, plane, rule, part or value; the object; a field
    in it or ""; and the path to the object in the result file."""

    kind: str
    item: Any
    field: str
    path: str


def accepted_places(result: dict[str, Any]) -> str:
    """One line that says what can be asked for in this result."""
    edges = [edge["id"] for edge in result.get("edges", [])]
    anchors = [anchor["id"] for anchor in result.get("anchors", [])]
    parts = []
    if edges:
        parts.append(f"an edge ({edges[0]} to {edges[-1]}), with @METRES and :ANCHOR as wished")
    if anchors:
        parts.append(f"an anchor ({', '.join(anchors[:6])}{', ...' if len(anchors) > 6 else ''})")
    parts.append("a plane, a rule value, summary, work, or a path such as edge_segments/0/margin_m")
    return "; ".join(parts)


def find(result: dict[str, Any], place: str) -> Place:
    """The object that a person means; raises ``InputError`` saying what there is instead."""
    match = PLACE.fullmatch(place.strip())
    if match is None:
        raise _missing(result, place)
    name, field = match["name"].strip(), match["field"] or ""
    if name in {edge.get("id") for edge in result.get("edges", [])}:
        return _edge(result, place, name, match["along"], match["anchor"], field)
    if match["along"] is None and match["anchor"] is None:
        for key, kind in (("anchors", "anchor"), ("planes", "plane")):
            for index, item in enumerate(result.get(key, [])):
                if item.get("id") == name:
                    return _with_field(result, place, Place(kind, item, field, f"{key}/{index}"))
        for index, entry in enumerate(result.get("rules", {}).get("entries", [])):
            if entry.get("name") == name and not field:
                return Place("rule", entry, "", f"rules/entries/{index}")
        return _path(result, place)
    raise _missing(result, place)


def _missing(result: dict[str, Any], place: str) -> InputError:
    return InputError("", "place", repr(place), accepted_places(result))


def _edge(
    result: dict[str, Any], place: str, name: str, along: str | None, anchor: str | None, field: str
) -> Place:
    segments = [(k, s) for k, s in enumerate(result.get("edge_segments", [])) if s["edge"] == name]
    if along is not None:
        try:
            metres = float(along.strip().removesuffix("m"))
        except ValueError:
            metres = math.nan
        edge = next(edge for edge in result["edges"] if edge["id"] == name)
        if not 0 <= metres <= edge["length_m"] + 1e-6:
            accepted = f"metres along {name}, 0 to {edge['length_m']:.2f}"
            raise InputError("", "place", repr(place), accepted)
        segments = [(k, s) for k, s in segments if s["from_m"] - 1e-6 <= metres <= s["to_m"] + 1e-6]
    if anchor is not None:
        known = sorted({s["anchor"] for _, s in segments})
        segments = [(k, s) for k, s in segments if s["anchor"] == anchor.strip()]
        if not segments:
            raise InputError("", "place", repr(place), f"an anchor with a segment there: {', '.join(known)}")
    if not segments:
        index = next(k for k, edge in enumerate(result["edges"]) if edge["id"] == name)
        return _with_field(result, place, Place("edge", result["edges"][index], field, f"edges/{index}"))
    index, segment = min(segments, key=lambda pair: (*_badness(pair[1]), pair[0]))
    return _with_field(result, place, Place("segment", segment, field, f"edge_segments/{index}"))


def _badness(segment: dict[str, Any]) -> tuple[int, float]:
    margin = segment.get("margin_m")
    return STATES.index(segment["state"]), math.inf if margin is None else margin


def _with_field(result: dict[str, Any], place: str, found: Place) -> Place:
    if not found.field:
        return found
    item: Any = found.item
    for key in found.field.split("/"):
        item = _step(item, key, place, result)
    return found


def _step(item: Any, key: str, place: str, result: dict[str, Any]) -> Any:
    if isinstance(item, dict) and key in item:
        return item[key]
    if isinstance(item, list) and key.isdecimal() and int(key) < len(item):
        return item[int(key)]
    if isinstance(item, dict):
        raise InputError("", "place", f"{key!r} in {place!r}", f"one of {', '.join(item)}")
    if isinstance(item, list) and item:
        raise InputError("", "place", f"{key!r} in {place!r}", f"a number from 0 to {len(item) - 1}")
    if item is None:
        raise InputError(
            "", "place", repr(place), f"a part of what is known there: {key!r} is in something that is not"
        )
    raise _missing(result, place)


def _path(result: dict[str, Any], place: str) -> Place:
    keys = [key for key in place.strip().split("/") if key]
    if not keys or keys[0] not in result:
        raise _missing(result, place)
    kinds = {"edge_segments": "segment", "anchors": "anchor", "planes": "plane", "edges": "edge"}
    if keys[0] in kinds and len(keys) > 1:
        item = _step(result[keys[0]], keys[1], place, result)
        found = Place(kinds[keys[0]], item, "/".join(keys[2:]), "/".join(keys[:2]))
        return _with_field(result, place, found)
    if keys[:2] == ["rules", "entries"] and len(keys) > 2:
        item = _step(result["rules"]["entries"], keys[2], place, result)
        return _with_field(result, place, Place("rule", item, "/".join(keys[3:]), "/".join(keys[:3])))
    return _with_field(result, place, Place("part", result[keys[0]], "/".join(keys[1:]), keys[0]))
