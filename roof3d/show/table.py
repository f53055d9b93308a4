"""Short tables for the terminal, from a result: what ``check`` and ``inspect`` print."""

from __future__ import annotations

from io import StringIO
from itertools import pairwise
from typing import Any, Literal

from rich.box import SIMPLE_HEAD
from rich.cells import cell_len
from rich.console import Console
from rich.measure import Measurement
from rich.table import Table

from roof3d.records import STATES
from roof3d.show.told import told
from roof3d.show.words import Texts, load_texts
from roof3d.units import (
    Direction,
    System,
    format_angle,
    format_area,
    format_force,
    format_length,
    format_pitch,
)

WIDTH = 110
MOST_FINDINGS = 12
MOST_SEGMENTS = 24
FALL = ("short", "swing", "arrest")


def check_table(result: dict[str, Any], units: System = "m", texts: Texts | None = None) -> str:
    """The tables of a check, from its result (design: result file); ``units``: "m" or "ft"."""
    words = texts or load_texts()
    console, out = _console()
    console.print(_model_line(result, units, words))
    console.print(_anchors(result, units, words))
    segments = _worst_first(result)
    if segments:
        worst: dict[str, dict[str, Any]] = {}  # of each edge
        for segment in segments:
            worst.setdefault(segment["edge"], segment)
        shown = list(worst.values())[:MOST_SEGMENTS]
        console.print(_segments(shown, units, words))
        if len(segments) > len(shown):
            console.print(words("common.and_more", count=len(segments) - len(shown)))
        console.print(words("common.heights_from_edge"))
    console.print(_lengths_by_state(result, units, words))
    _findings(console, result, units, words)
    console.print(_summary(result, units, words))
    return out.getvalue()


def inspect_table(result: dict[str, Any], units: System = "m", texts: Texts | None = None) -> str:
    """The tables of an inspection: planes, edges by kind, repairs, assumptions."""
    words = texts or load_texts()
    console, out = _console()
    console.print(_model_line(result, units, words))
    planes = _table(words, "plane", "pitch", "azimuth", "area")
    for plane in result["planes"]:
        azimuth = plane.get("azimuth_deg")
        planes.add_row(
            plane["id"],
            format_pitch(plane["pitch_deg"]),
            "-" if azimuth is None else format_angle(azimuth),
            format_area(plane["area_m2"], units),
        )
    console.print(planes)
    edges = _table(words, "edge", "kind", "length", "fall", "drop")
    for edge in result["edges"]:
        edges.add_row(
            edge["id"],
            words.get(f"kind.{edge['kind']}", edge["kind"]),
            _length(edge["length_m"], units),
            words("common.yes") if edge["fall"] else words("common.no"),
            _length(edge.get("drop_m"), units, "down") if edge["fall"] else "",
        )
    console.print(edges)
    for key, lines in (
        ("repairs", result["model"].get("repairs")),
        ("assumptions", result.get("assumptions")),
    ):
        for line in lines or []:
            console.print(f"{words(f'table.{key}')}: {told(line, units, words)}", markup=False)
    return out.getvalue()


def _console() -> tuple[Console, StringIO]:
    out = StringIO()
    return _Console(file=out, width=WIDTH, force_terminal=False, color_system=None, highlight=False), out


class _Console(Console):
    """Prints tables as wide as their figures need, however narrow the rest is: half a figure is a lie."""

    def print(self, *objects: Any, **options: Any) -> None:
        for shown in objects:
            least = 0
            if isinstance(shown, Table):
                for column in shown.columns:
                    if column.no_wrap:
                        cells = (str(cell) for cell in (column.header, *column.cells))
                        column.min_width = max(cell_len(cell) for cell in cells)
                least = Measurement.get(self, self.options.update(max_width=1000), shown).minimum
            self.width = max(WIDTH, least)
            super().print(shown, **options)


def _table(words: Texts, *columns: str) -> Table:
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for column in columns:
        left = column in ("plane", "edge", "kind", "state", "anchor", "policy", "below", "fall", "meaning")
        whole = column not in ("below", "meaning")
        justify: Literal["left", "right"] = "left" if left else "right"
        table.add_column(words(f"table.{column}"), justify=justify, overflow="fold", no_wrap=whole)
    return table


def _length(value: float | None, units: System, direction: Direction = "nearest") -> str:
    return "-" if value is None else format_length(value, units, direction=direction)


def _stretch(s: dict[str, Any], units: System) -> str:
    low, high = _length(s["from_m"], units), _length(s["to_m"], units)
    return f"{low.removesuffix(' m')} - {high}"


def _model_line(result: dict[str, Any], units: System, words: Texts) -> str:
    model = result["model"]
    area = sum(plane["area_m2"] for plane in result["planes"])
    return words(
        "table.model",
        file=model["file"].replace("[", "\\["),
        triangles=model["triangles"],
        planes=len(result["planes"]),
        area=format_area(area, units),
        edges=len(result["edges"]),
        fall=sum(bool(edge["fall"]) for edge in result["edges"]),
    )


def _anchors(result: dict[str, Any], units: System, words: Texts) -> Table:
    table = _table(words, "anchor", "line", "policy", "served", "load", "rating")
    for anchor in result["anchors"]:
        load, rating = anchor.get("load_kN"), anchor.get("rating_kN")
        unknown = words("common.unknown")
        table.add_row(
            anchor["id"],
            _length(anchor["line_length_m"], units),
            words.get(f"policy.{anchor['policy']}", anchor["policy"]),
            format_area(anchor["served_area_m2"], units),
            unknown if load is None else format_force(1000 * load, units, direction="up"),
            unknown if rating is None else format_force(1000 * rating, units, direction="down"),
        )
    return table


def _worst_first(result: dict[str, Any]) -> list[dict[str, Any]]:
    found = [s for s in result["edge_segments"] if s["state"] in FALL]

    def key(s: dict[str, Any]) -> tuple[int, float, str, float]:
        margin = s["margin_m"]
        # a margin that is not known is as bad as any
        return STATES.index(s["state"]), float("-inf") if margin is None else margin, s["edge"], s["from_m"]

    return sorted(found, key=key)


def _segments(segments: list[dict[str, Any]], units: System, words: Texts) -> Table:
    table = _table(
        words, "edge", "part", "anchor", "state", "free_fall", "swing", "needed", "there", "margin", "below"
    )
    for s in segments:
        table.add_row(
            s["edge"],
            _stretch(s, units),
            s["anchor"],
            words(f"state_name.{s['state']}"),
            _length(s["free_fall_m"], units, "up"),
            _length(s["swing_drop_m"], units, "up"),
            _length(s["clearance_required_m"], units, "up"),
            _length(s["clearance_available_m"], units, "down"),
            _length(s["margin_m"], units, "down"),
            told(s.get("strikes", ""), units, words),
        )
    return table


def _lengths_by_state(result: dict[str, Any], units: System, words: Texts) -> Table:
    """Metres of edge in each state, worst state over all anchors at each place."""
    table = _table(words, "state", "length", "meaning")
    for state, length in state_lengths(result).items():
        if length > 0:
            table.add_row(words(f"state_name.{state}"), _length(length, units), words(f"state.{state}"))
    return table


def state_lengths(result: dict[str, Any]) -> dict[str, float]:
    """Metres of fall edge by the worst state over all anchors at each place."""
    total = dict.fromkeys(STATES, 0.0)
    by_edge: dict[str, list[dict[str, Any]]] = {}
    for segment in result["edge_segments"]:
        by_edge.setdefault(segment["edge"], []).append(segment)
    for segments in by_edge.values():
        cuts = sorted({s[key] for s in segments for key in ("from_m", "to_m")})
        for low, high in pairwise(cuts):
            middle = (low + high) / 2
            states = [STATES.index(s["state"]) for s in segments if s["from_m"] <= middle <= s["to_m"]]
            if states:
                total[STATES[min(states)]] += high - low
    return total


def _findings(console: Console, result: dict[str, Any], units: System, words: Texts) -> None:
    rank = {"danger": 0, "warning": 1, "note": 2}
    found = sorted(result.get("findings") or [], key=lambda f: rank.get(f["severity"], 0))
    for finding in found[:MOST_FINDINGS]:
        label = words.get(f"severity.{finding['severity']}", finding["severity"])
        console.print(f"{label}: {told(finding['text'], units, words)}", markup=False)
    if len(found) > MOST_FINDINGS:
        console.print(words("common.and_more", count=len(found) - MOST_FINDINGS))


def _summary(result: dict[str, Any], units: System, words: Texts) -> str:
    summary, work = result["summary"], result["work"]
    return words(
        "table.summary",
        state=words(f"state.{summary['worst_state']}"),
        margin=_length(summary["worst_margin_m"], units, "down"),
        served=format_area(work["served_m2"], units),
        area=format_area(work["area_m2"], units),
        findings=summary["findings"],
    )
