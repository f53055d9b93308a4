"""Blocks of a report: text, list, lines, pairs, table and form, as plain data without markup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

Block = dict[str, Any]


def clean(text: str) -> str:
    """Text without control characters, which neither format takes."""
    return "".join(c if c.isprintable() else " " for c in text)


def part_of(title: str, *blocks: Block) -> dict[str, Any]:
    """A titled part of a report; blocks that are nothing fall away."""
    return {"title": title, "blocks": [block for block in blocks if block]}


def text_block(text: str, soft: bool = False) -> Block:
    """A paragraph."""
    return {"kind": "text", "text": clean(text), "soft": soft}


def list_block(items: Iterable[Any]) -> Block:
    """A list of sentences."""
    return {"kind": "list", "items": [clean(str(item)) for item in items]}


def pairs_block(rows: Iterable[tuple[str, str]]) -> Block:
    """Names and values."""
    return {"kind": "pairs", "rows": [[clean(name), clean(value)] for name, value in rows]}


def table_block(columns: Sequence[tuple[str, float, str]], rows: Iterable[Sequence[Any]]) -> Block:
    """A table; columns as (title, width: 0 as wide as needed or a share of the rest, left or right)."""
    return {
        "kind": "table",
        "columns": [column[0] for column in columns],
        "widths": [column[1] for column in columns],
        "align": [column[2] for column in columns],
        "rows": [[clean(str(cell)) for cell in row] for row in rows],
    }


def form_block(
    columns: Sequence[str], widths: Sequence[float], rows: Iterable[Sequence[str]], row_mm: float
) -> Block:
    """A table with empty cells to write in."""
    return {
        "kind": "form",
        "columns": list(columns),
        "widths": list(widths),
        "rows": [list(row) for row in rows],
        "row_mm": row_mm,
    }


def table_of(result: dict[str, Any], key: str) -> dict[str, Any]:
    """A part of a result, {} where it has none."""
    value = result.get(key)
    return value if isinstance(value, dict) else {}
