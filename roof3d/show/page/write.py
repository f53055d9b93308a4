"""Writes a page as one HTML file that asks for nothing from outside: script, style and data are inside."""

from __future__ import annotations

import base64
import hashlib
import json
from html import escape
from importlib import resources
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.records import Roof
from roof3d.show.page.data import page_data
from roof3d.tomlfile import replace_file
from roof3d.units import System


def write_page(
    result: dict[str, Any],
    roof: Roof | None,
    path: str | Path,
    *,
    units: System = "m",
    language: str = "en",
) -> None:
    """Writes the reviewer's file of a result. Same input, same bytes.

    ``roof`` adds walls, ground and traced ropes. Raises InputError where the result cannot be drawn or
    the file not be written.
    """
    path = Path(path)
    text = page_html(page_data(result, roof, units=units, language=language))
    try:
        replace_file(path, text)
    except OSError as error:
        raise InputError(str(path), "page", str(error), "a place that can be written") from error


def page_html(data: dict[str, Any], connect: str = "") -> str:
    """The page with its data. ``connect``: the one address that it may speak to, "" for none."""
    script, style = bundled("page.js"), bundled("page.css")
    policy = content_policy(script, style, connect)
    language = escape(str(data.get("language", "en")), quote=True)
    return "\n".join(
        (
            "<!DOCTYPE html>",
            f'<html lang="{language}">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{escape(policy, quote=True)}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="referrer" content="no-referrer">',
            '<link rel="icon" href="data:,">',
            f"<title>{escape(str(data.get('title', 'roof3d')))}</title>",
            f"<style>{style}</style>",
            "</head>",
            "<body>",
            f'<script type="application/json" id="data">{embedded(data)}</script>',
            f"<script>{script}</script>",
            "</body>",
            "</html>",
            "",
        )
    )


def content_policy(script: str, style: str, connect: str = "") -> str:
    """A policy under which only the page's own script and style run, and nothing else is fetched."""
    parts = [
        "default-src 'none'",
        f"script-src '{digest(script)}'",
        f"style-src '{digest(style)}'",
        "img-src data:",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    if connect:
        parts.append(f"connect-src {connect}")
    return "; ".join(parts)


def digest(text: str) -> str:
    """The hash of an inline script or style as a content policy names it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def embedded(data: dict[str, Any]) -> str:
    """JSON that can stand in a script element, whatever its texts hold."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def bundled(name: str) -> str:
    """A built file of the front end, as it lies in the package."""
    text = (resources.files("roof3d.show.page") / "built" / name).read_text(encoding="utf-8")
    if "</script" in text.lower() or "</style" in text.lower():
        raise ValueError(f"{name} would end its own element")
    return text
