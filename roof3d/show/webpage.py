"""The report as one HTML file: no script, nothing loaded from outside, readable in print and aloud."""

from __future__ import annotations

import base64
from html import escape
from typing import Any

STYLE = """
:root { --tint: %(colour)s; --soft: #5e636e; --hair: #c4c7ce; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 1.5rem; color: #1b1e26; background: #fff;
  font: 16px/1.45 system-ui, "Segoe UI", "Liberation Sans", Arial, sans-serif; }
h1 { margin: 0 0 .6rem; font-size: 1.7rem; }
h2 { margin: 2rem 0 .6rem; font-size: 1.2rem; }
.verdict { background: var(--tint); color: #fff; padding: .6rem .9rem; font-weight: 700; font-size: 1.25rem; }
.soft { color: var(--soft); }
img { max-width: 100%%; height: auto; border: 1px solid var(--hair); }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%%; font-size: .88rem; }
th { text-align: left; color: var(--soft); font-weight: 400; }
th, td { padding: .3rem .5rem; border-top: 1px solid var(--hair); vertical-align: top; }
td { overflow-wrap: anywhere; }
.right { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
table.form td, table.form th { border: 1px solid var(--hair); height: 3.2rem; vertical-align: middle; }
table.form th { height: auto; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .3rem 1rem; }
dt { color: var(--soft); } dd { margin: 0; overflow-wrap: anywhere; }
pre { border-left: 3px solid var(--hair); padding: .2rem .8rem; white-space: pre-wrap; font-size: .85rem; }
footer { margin-top: 3rem; color: var(--soft); font-size: .85rem; }
@media print { body { max-width: none; padding: 0; font-size: 10pt; }
  h2 { break-after: avoid; } tr { break-inside: avoid; } .evidence { break-before: page; } }
"""


def document_to_html(document: dict[str, Any], picture: bytes | None) -> bytes:
    """The report's content (``evidence.report_document``) as UTF-8; the picture is inside the file."""
    parts = [
        "<!DOCTYPE html>",
        f'<html lang="{escape(document["language"], quote=True)}">',
        "<head>",
        '<meta charset="utf-8">',
        # no script, no request, whatever a name in the data may hold
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src data:; style-src 'unsafe-inline'\">",
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(document['title'])}</title>",
        f"<style>{STYLE % {'colour': document['colour']}}</style>",
        "</head>",
        "<body>",
        "<main>",
        f"<h1>{escape(document['title'])}</h1>",
        f'<p class="soft">{escape(document["subtitle"])}</p>',
        f'<p class="verdict">{escape(document["verdict"])}</p>',
        _list(document["reasons"]),
    ]
    if picture is not None:
        data = base64.b64encode(picture).decode("ascii")
        alt = escape(document["picture_alt"], quote=True)
        parts.append(f'<p><img src="data:image/png;base64,{data}" alt="{alt}"></p>')
    for part in document["first"]:
        parts += _part(part)
    parts.append('<section class="evidence">')
    parts.append(f"<h1>{escape(document['evidence'])}</h1>")
    for part in document["sections"]:
        parts += _part(part)
    parts += [
        "</section>",
        "</main>",
        f"<footer>{escape(document['footer'])}</footer>",
        "</body>",
        "</html>",
        "",
    ]
    return "\n".join(parts).encode("utf-8")


def _part(part: dict[str, Any]) -> list[str]:
    return [f"<h2>{escape(part['title'])}</h2>", *(_block(block) for block in part["blocks"])]


def _block(block: dict[str, Any]) -> str:
    kind = block["kind"]
    if kind == "list":
        return _list(block["items"])
    if kind == "lines":
        return "<pre>" + "\n".join(escape(item) for item in block["items"]) + "</pre>"
    if kind == "pairs":
        rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in block["rows"])
        return f"<dl>{rows}</dl>"
    if kind in ("table", "form"):
        return _table(block)
    css = ' class="soft"' if block.get("soft") else ""
    return f"<p{css}>{escape(block['text'])}</p>"


def _list(items: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def _table(block: dict[str, Any]) -> str:
    align = block.get("align") or ["left"] * len(block["widths"])
    css = [' class="right"' if side == "right" else "" for side in align]
    head = "".join(
        f'<th scope="col"{css[k]}>{escape(title)}</th>' for k, title in enumerate(block["columns"])
    )
    body = "".join(
        "<tr>" + "".join(f"<td{c}>{escape(cell)}</td>" for cell, c in zip(row, css, strict=True)) + "</tr>"
        for row in block["rows"]
    )
    form = ' class="form"' if block["kind"] == "form" else ""
    if not block["columns"]:
        return f'<div class="wide"><table{form}><tbody>{body}</tbody></table></div>'
    return f'<div class="wide"><table{form}><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'
