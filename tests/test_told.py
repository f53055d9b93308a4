"""What is shown in feet says nothing in metres: tables, report and page; quantities are turned rightly."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from roof3d.building import build
from roof3d.check import check
from roof3d.plan import model_path, read_plan
from roof3d.records import Roof
from roof3d.show.evidence import report_document
from roof3d.show.page import page_data, write_page
from roof3d.show.scene import make_scene
from roof3d.show.table import check_table, inspect_table
from roof3d.show.told import told
from roof3d.show.words import load_texts
from tests.browser import browser_page, needs_browser
from tests.conftest import MODELS

METRIC = re.compile(r"(?<![\w.])\d+(?:\.\d+)? ?(?:m|cm|mm|m2|m²|kN|N|kg|J|kJ|m/s)(?![\w²])")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        # 1 ft = 0.3048 m, 1 lb = 0.45359237 kg (both exact, 1959); 1 lbf = 4.4482216 N
        ("free fall of 1.83 m, more than 1.22 m", "free fall of 6' 0\", more than 4' 0\""),
        ("within 2 cm", "within 0' 3/4\""),
        ("a worker of 100 kg", "a worker of 220.5 lb"),
        ("hold 2 x 8.00 kN = 16.00 kN", "hold 2 x 1798 lbf = 3597 lbf"),
        ("10.00 m2 of 20.0 m²", "107.6 ft² of 215.3 ft²"),
        ("at up to 3.048 m/s", "at up to 10 ft/s"),
        ("size 3.048 x 6.096 x 9.144 m", "size 10' 0\" x 20' 0\" x 30' 0\""),
        ("from 3.048 to 6.096 m", "from 10' 0\" to 20' 0\""),
        ("margin = 0.6096 m: read", "margin = 2' 0\": read"),
        ("-0.3048 m", "-1' 0\""),
        ("energy of 1.355818 kJ", "energy of 1000 ft·lbf"),
    ],
)
def test_quantities_are_turned(text: str, shown: str) -> None:
    assert told(text, "ft") == shown
    assert told(text, "m") == text


@pytest.mark.parametrize(
    "text",
    ["29 CFR 1926.502, (d)(16)(iii)", "EN 795:2012", "edge E4 and P2", "30 degrees, 3 %", "A1 m", "2 mm2"],
)
def test_what_is_no_quantity_stays(text: str) -> None:
    assert told(text, "ft") == text


Made = tuple[dict[str, Any], Roof]


@pytest.fixture(scope="module", params=["gable", "mono-pitch"])
def made(request: pytest.FixtureRequest) -> Made:
    """A roof with single anchors and one with an anchor line: loads, spans, supports."""
    plan = read_plan(MODELS / f"{request.param}.toml")
    roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    return json.loads(json.dumps(check(roof, plan).to_json())), roof


def words(value: Any) -> list[str]:
    """Every text in nested data."""
    if isinstance(value, str):
        return [value]
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [text for part in parts for text in words(part)]


def test_tables_in_feet(made: Made) -> None:
    for table in (check_table, inspect_table):
        assert METRIC.search(table(made[0], "m"))
        assert not METRIC.findall(table(made[0], "ft"))


def test_report_in_feet(made: Made) -> None:
    scene = make_scene(*made)
    assert METRIC.search(" ".join(words(report_document(scene, load_texts(), "m", "", "a4"))))
    document = report_document(scene, load_texts(), "ft", "", "a4")
    texts = load_texts()
    for part in (*document["first"], *document["sections"]):
        for block in part["blocks"]:
            if part["title"] == texts("report.section_rules"):
                # not what a document prints, nor its title: they are quoted
                for row in block.get("rows", []):
                    assert not METRIC.search(row[1]), row
                continue
            assert not [text for text in words(block) if METRIC.search(text)], part["title"]
    assert not [text for text in document["reasons"] if METRIC.search(text)]


def test_report_holds_a_takeoff(made: Made) -> None:
    texts = load_texts()
    document = report_document(make_scene(*made), texts, "m", "", "a4")
    (part,) = [p for p in document["sections"] if p["title"] == texts("report.section_takeoff")]
    assert len(part["blocks"][0]["rows"]) >= 2


@needs_browser
def test_page_in_feet(made: Made, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    write_page(*made, path, units="ft")
    # what documents print, and remarks on them, stay in their own words
    entries = made[0]["rules"]["entries"]
    quoted = [str(entry[key]) for entry in entries for key in ("text", "note") if entry.get(key)]
    with browser_page(offline=True) as watched:
        page = watched.open(path.as_uri())
        page.locator("section#worst tbody tr").first.click()
        for system, wanted in (("ft", False), ("m", True)):
            page.locator(f"[data-units={system}]").click()
            for layer in ("margin", "taut", "free_fall", "swing"):
                page.locator(f"input[value={layer}]").check()
                shown = page.locator("body").inner_text()
                for text in quoted:
                    shown = shown.replace(text, "")
                found = METRIC.findall(shown)
                assert bool(found) == wanted, found
        assert watched.complaints == []


def test_sentences_of_the_page_are_those_of_told(made: Made) -> None:
    data = page_data(*made)
    assert data["feet"]
    for text, other in data["feet"].items():
        assert other == told(text, "ft") or "decimal feet" in other
