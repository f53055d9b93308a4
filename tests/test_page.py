"""The reviewer's page: data, one safe file, and what a browser makes of it."""

from __future__ import annotations

import base64
import copy
import io
import json
import math
import os
import re
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from roof3d.building import build
from roof3d.check import check
from roof3d.explain import explain
from roof3d.plan import model_path, read_plan
from roof3d.records import STATES, Roof
from roof3d.show.colours import EDGE_STYLES, LACKING, LEFT, to_hex
from roof3d.show.page import page_data, write_page
from roof3d.show.page.origin import FOLDER, RECORD, hashes
from roof3d.show.page.packed import CELL_STEP_M, NOTHING, UNBOUNDED
from roof3d.show.page.write import bundled, content_policy, digest, embedded, page_html
from roof3d.show.scene import FALL_STATES
from roof3d.show.words import load_texts
from roof3d.units import format_length
from tests.browser import browser_page, needs_browser
from tests.conftest import MODELS
from tests.sample_result import sample, sample_roof

Made = tuple[dict[str, Any], Roof]


@pytest.fixture(scope="module")
def gable() -> Made:
    plan = read_plan(MODELS / "gable.toml")
    roof = build(model_path(plan), grade=plan.model.grade)
    result: dict[str, Any] = json.loads(json.dumps(check(roof, plan).to_json()))
    return result, roof


@pytest.fixture(scope="module")
def file(gable: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "gable.html"
    write_page(*gable, path)
    return path


# ----------------------------------------------------------------------------------------- the bundle


def test_the_built_front_end_is_that_of_the_sources() -> None:
    """Fails where sources were changed without ``scripts/build_page``, or the built files by hand."""
    assert json.loads(RECORD.read_text()) == hashes()
    assert {"src/main.ts", "package-lock.json"} <= set(hashes()["sources"])


def test_the_lock_names_no_place_to_download_from() -> None:
    lock = json.loads((FOLDER / "package-lock.json").read_text())
    assert len(lock["packages"]) > 4
    for name, entry in lock["packages"].items():
        assert "resolved" not in entry, name
        assert name == "" or entry["integrity"].startswith("sha512-"), name


def test_the_bundle_tells_whose_work_is_in_it() -> None:
    """The MIT licence asks that the notice goes along with every copy."""
    assert re.search(r"@license[^/]*Three\.js Authors[^/]*MIT", bundled("page.js"), re.DOTALL)


def test_the_bundle_asks_for_nothing() -> None:
    script = bundled("page.js") + bundled("page.css")
    for word in ("import(", "importScripts", "eval(", "new Function", "@import", "url("):
        assert word not in script, word
    # names of XML namespaces and links in notes are no requests; all others would be
    hosts = set(re.findall(r"https?://([\w.-]+)", script))
    assert hosts <= {"www.w3.org", "github.com", "threejs.org", "jcgt.org", "www.khronos.org"}, hosts


# ------------------------------------------------------------------------------------------- the data


def unpacked(text: str, kind: str) -> Any:
    return np.frombuffer(base64.b64decode(text), dtype=kind).astype(np.int64)


def test_cells_are_those_of_the_result(gable: Made) -> None:
    """Each cell lies where the result has it; figures are rounded to the worse side, by a step at most."""
    result, roof = gable
    data = page_data(result, roof)
    cells, records = data["cells"], result["exposure"]["cells"]
    assert cells["count"] == len(records)
    x, y, size = (unpacked(cells[key], "<u2") for key in ("x", "y", "size"))
    state, served = unpacked(cells["state"], "u1"), unpacked(cells["served"], "u1")
    figures = {key: unpacked(cells[key], "<i2") for key in ("margin", "taut", "free_fall", "swing")}
    names = {
        "margin": "margin_m",
        "taut": "taut_length_m",
        "free_fall": "free_fall_m",
        "swing": "swing_drop_m",
    }
    by_place = {}
    for record in records:
        px, py = (round(record["at"][c] - data["origin"][c], 3) for c in (0, 1))
        by_place[record["plane"], px, py] = record
    seen = 0
    for plane in data["planes"]:
        grid = plane["grid"]
        for k in range(grid["first"], grid["first"] + grid["count"]):
            centre = (
                round(grid["x"] + (x[k] + size[k] / 2) * grid["unit"], 3),
                round(grid["y"] + (y[k] + size[k] / 2) * grid["unit"], 3),
            )
            record = by_place[plane["id"], *centre]
            seen += 1
            assert size[k] * grid["unit"] == pytest.approx(record["size_m"])
            assert served[k] == record["served_by"] and (served[k] > 0) == record["served"]
            assert state[k] == (STATES.index(record["state"]) if record["state"] else len(STATES))
            for key, values in figures.items():
                value = record[names[key]]
                if value is None:
                    assert values[k] in (NOTHING, UNBOUNDED)
                    continue
                shown = values[k] * CELL_STEP_M
                worse = value - shown if key == "margin" else shown - value
                assert -1e-6 <= worse <= CELL_STEP_M + 1e-6, (key, value, shown)
    assert seen == len(records)


def test_a_figure_without_a_bound_is_not_shown_as_none(gable: Made) -> None:
    """A fall whose swing or margin is not known must not look like a place without a fall."""
    result = copy.deepcopy(gable[0])
    cell = next(c for c in result["exposure"]["cells"] if c["state"] in FALL_STATES)
    cell["swing_drop_m"] = cell["margin_m"] = None
    data = page_data(result)
    assert UNBOUNDED in unpacked(data["cells"]["swing"], "<i2")
    assert UNBOUNDED in unpacked(data["cells"]["margin"], "<i2")


def test_planes_are_covered_by_their_triangles(gable: Made) -> None:
    for plane in page_data(*gable)["planes"]:
        corners = np.array(plane["triangles"]).reshape(-1, 3, 3)
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
        assert np.linalg.norm(normals, axis=1).sum() == pytest.approx(plane["area_m2"], rel=1e-3)
        assert (normals[:, 2] > 0).all()


def test_sums_in_the_page_are_those_of_explain(gable: Made) -> None:
    result, roof = gable
    data = page_data(result, roof)
    told = data["explained"]
    assert len(told["m"]) == len([s for s in data["stretches"] if s["number"]])
    for place, rows in list(told["ft"].items())[:3]:
        lines = [told["lines"][row] for row in rows]
        assert lines == list(explain(result, f"edge_segments/{place}", units="ft"))


def test_colours_come_from_the_one_table(gable: Made) -> None:
    colours = page_data(*gable)["colours"]
    assert colours["bands"] == [to_hex(c) for c in (*reversed(LACKING), *LEFT)]
    assert {k: v["colour"] for k, v in colours["states"].items()} == {
        k: to_hex(v.colour) for k, v in EDGE_STYLES.items()
    }
    script = bundled("page.js")
    assert not any(style["colour"] in script for style in colours["states"].values())


def test_ropes_end_at_rest_points_and_are_as_long_as_the_taut_length(gable: Made) -> None:
    data = page_data(*gable)
    assert data["ropes"]
    for stretch in data["stretches"]:
        rope = data["ropes"].get(str(stretch["number"]))
        if rope is None:
            continue
        segment = data["segments"][stretch["segment"]]
        assert rope[-1] == pytest.approx(segment["rest"], abs=1e-3)
        anchor = next(a for a in data["anchors"] if a["id"] == stretch["anchor"])
        assert rope[0] == pytest.approx(anchor["points"][0], abs=1e-3)
        length = float(np.linalg.norm(np.diff(np.array(rope), axis=0), axis=1).sum())
        assert length >= math.dist(rope[0], rope[-1]) - 1e-6


def test_a_result_with_less_in_it_still_makes_a_page() -> None:
    """Results of other makers may lack the newer figures: layers say so, and nothing fails."""
    data = page_data(sample())
    layers = {layer["id"]: layer for layer in data["layers"]["m"]}
    assert set(layers) == {"margin", "taut", "free_fall", "swing", "served"}
    assert layers["taut"]["missing"]
    assert not layers["margin"]["missing"]
    bare = {k: v for k, v in sample().items() if k not in ("exposure", "anchors", "edge_segments")}
    data = page_data(bare)
    assert data["cells"] is None
    assert all(layer["missing"] for layer in data["layers"]["m"])


# ------------------------------------------------------------------------------------------- the file


def test_same_input_same_bytes(gable: Made, file: Path, tmp_path: Path) -> None:
    write_page(*gable, tmp_path / "again.html")
    assert (tmp_path / "again.html").read_bytes() == file.read_bytes()


def test_the_file_is_small(file: Path) -> None:
    assert file.stat().st_size < 1_500_000


def test_policy_lets_run_what_is_in_the_file_and_nothing_else(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    script, style = bundled("page.js"), bundled("page.css")
    policy = content_policy(script, style)
    assert policy.startswith("default-src 'none'")
    assert "connect-src" not in policy and "unsafe" not in policy
    assert digest(script) in policy and digest(style) in policy
    assert "Content-Security-Policy" in text
    assert re.findall(r"<script[^>]*>", text) == ['<script type="application/json" id="data">', "<script>"]
    assert not re.search(r'(?:src|href)="(?!data:,")', text[: text.index("<script>")])
    assert not re.search(r"<[^>]+\son\w+=", text[: text.index("<script>")])


def test_data_cannot_end_its_element() -> None:
    hostile = {"title": "</script><script>alert(1)</script><!-- & \u2028\u2029"}
    text = embedded(hostile)
    assert not set(text) & set("<>&\u2028\u2029")
    assert json.loads(text) == hostile


# ---------------------------------------------------------------------------------------- in a browser


@needs_browser
def test_page_opens_from_disk_and_shows_what_the_result_says(gable: Made, file: Path) -> None:
    result, _ = gable
    with browser_page(offline=True) as watched:
        page = watched.open(file.as_uri())
        assert page.locator(".verdict").inner_text() == "Not fit for use as planned"
        assert page.locator("h1").inner_text() == result["plan"]["title"]
        assert page.locator("section#edges tbody tr").count() >= len(result["edge_segments"])
        assert page.locator("section#findings tbody tr").count() == len(result["findings"])
        for text in (*result["assumptions"], *result["model"]["repairs"], result["model"]["sha256"]):
            assert text in page.locator("main").inner_text()
        # the worst place: its number on the picture, its figures in the card, its sums below
        page.locator(".pin .badge", has_text=re.compile("^1$")).click()
        card = page.locator(".card").inner_text()
        data = page_data(*gable)
        worst = next(s for s in data["stretches"] if s["number"] == 1)
        segment = result["edge_segments"][worst["segment"]]
        for key, way in (
            ("clearance_required_m", "up"),
            ("clearance_available_m", "down"),
            ("margin_m", "down"),
            ("free_fall_m", "up"),
            ("swing_drop_m", "up"),
        ):
            shown = format_length(segment[key], "m", direction=way).replace("-", "−")
            assert shown in card, key
        assert explain(result, f"edge_segments/{worst['segment']}")[-1].strip() in card
        page.locator("[data-units=ft]").click()
        card = page.locator(".card").inner_text()
        wanted = format_length(segment["clearance_required_m"], "ft", direction="up")
        assert wanted in card
        assert watched.complaints == []
        assert watched.requests == [file.as_uri()]


def look_at(page: Any, what: str = ".stage canvas") -> Any:
    """The picture on the stage as pixels."""
    data = page.locator(what).screenshot()
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(np.int64)


def has_colour(pixels: Any, colour: str) -> int:
    wanted = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return int((np.abs(pixels - wanted).max(axis=2) <= 3).sum())


@needs_browser
def test_layers_paint_the_colours_of_their_legend(gable: Made, file: Path) -> None:
    data = page_data(*gable)
    colours, count = data["colours"], len(data["colours"]["bands"])
    step = next(layer["step_m"] for layer in data["layers"]["m"] if layer["id"] == "margin")
    bands = Counter(
        int(np.clip(np.floor(cell["margin_m"] / step), -count // 2, count // 2 - 1)) + count // 2
        for cell in gable[0]["exposure"]["cells"]
        if cell["margin_m"] is not None
    )
    with browser_page(offline=True) as watched:
        page = watched.open(file.as_uri())
        page.get_by_role("button", name="above").click()
        page.wait_for_timeout(400)
        margin = look_at(page)
        assert has_colour(margin, colours["bands"][bands.most_common(1)[0][0]]) > 2000
        for layer in ("taut", "free_fall", "swing", "served"):
            page.locator(f"input[value={layer}]").check()
            page.wait_for_timeout(400)
            pixels = look_at(page)
            assert np.abs(pixels - margin).max(axis=2).astype(bool).sum() > 5000, layer
            shown = colours["sequence"] if layer in ("taut", "served") else colours["bands"]
            assert max(has_colour(pixels, c) for c in shown) > 2000, layer
            # the legend's swatches are of those colours
            fills = page.locator(".maplegend rect").evaluate_all(
                "all => all.map(r => r.getAttribute('fill'))"
            )
            assert set(shown[:1]) <= {*fills, *colours["bands"]} and set(fills) & set(shown), layer
        assert watched.complaints == []


@needs_browser
@pytest.mark.parametrize("layer", ["margin", "served"])
def test_golden_pictures_of_the_page(tmp_path: Path, layer: str) -> None:
    """The stage under a fixed camera; few, small, with tolerance: drawing differs between browsers.

    The numbers under the picture are tested above; this guards what no number tells.
    """
    path = tmp_path / "page.html"
    write_page(sample(), sample_roof(), path)
    golden = Path(__file__).parent / "pictures" / f"page-{layer}.png"
    with browser_page(offline=True, size=(1000, 640)) as watched:
        page = watched.open(path.as_uri())
        page.locator(f"input[value={layer}]").check()
        page.evaluate("roof3d.stage.look(200, 40)")
        page.wait_for_timeout(500)
        assert watched.complaints == []
        if os.environ.get("ROOF3D_NEW_PICTURES"):
            page.locator(".stage").screenshot(path=str(golden))
        got = look_at(page, ".stage")
    wanted = np.asarray(Image.open(golden).convert("RGB")).astype(np.int64)
    assert wanted.shape == got.shape
    assert (np.abs(wanted - got).max(axis=2) > 60).mean() < 0.02


@needs_browser
def test_a_page_in_another_language(gable: Made, tmp_path: Path) -> None:
    """No word of the front end's own stays English; findings and rule texts are the check's."""
    path = tmp_path / "seite.html"
    write_page(*gable, path, language="de")
    english, german = load_texts(), load_texts("de")
    with browser_page(offline=True) as watched:
        page = watched.open(path.as_uri())
        assert page.locator("html").get_attribute("lang") == "de"
        assert page.locator(".verdict").inner_text() == german("verdict.danger")
        page.locator("section#worst tbody tr").first.click()
        for name in ("h2", "h3", "th", "legend", "button:not(.pin)", ".note"):
            for text in page.locator(name).all_inner_texts():
                own = {value for value in english.items("page").values() if value.strip()}
                assert text not in own - set(german.table.values()), text
        assert watched.complaints == []


@needs_browser
def test_click_on_an_edge_and_on_the_roof(gable: Made, file: Path) -> None:
    data = page_data(*gable)
    with browser_page(offline=True) as watched:
        page = watched.open(file.as_uri())
        page.get_by_role("button", name="above").click()
        page.wait_for_timeout(300)
        stretch = next(s for s in data["stretches"] if s["number"] and s["to_m"] - s["from_m"] > 2)
        (a, b) = (np.array(end) for end in stretch["ends"])
        middle = (a * 0.4 + b * 0.6).tolist()
        x, y = page.evaluate("at => roof3d.screen(at)", middle)
        page.mouse.click(x, y)
        assert stretch["edge"] in page.locator(".card h2").inner_text()
        # on the roof: the figures of the cell there
        cells = gable[0]["exposure"]["cells"]
        cell = max(cells, key=lambda c: c["size_m"] if c["margin_m"] is not None else -1.0)
        at = (np.array(cell["at"]) - data["origin"]).tolist()
        x, y = page.evaluate("at => roof3d.screen(at)", at)
        page.mouse.click(x, y)
        card = page.locator(".card").inner_text()
        assert f"on {cell['plane']}" in card
        page.mouse.move(x + 1, y)
        assert re.search(r"Room left.*\d\.\d\d m", page.locator(".readout").inner_text())
        assert watched.complaints == []


@needs_browser
def test_figures_read_as_in_tables_and_reports(file: Path) -> None:
    """The front end's rounding is that of ``format_length``, to the same side, in both systems."""
    values = [0.0, 1e-6, -1e-6, 0.005, 0.015, -0.004, 1.8288, 0.3048, 2.7432127, 12.34, 100.001, -3.05]
    values += [round(0.0317 * k - 1.0, 6) for k in range(80)]
    cases = [(v, u, d) for v in values for u in ("m", "ft") for d in ("up", "down", "nearest")]
    with browser_page(offline=True) as watched:
        page = watched.open(file.as_uri())
        shown = page.evaluate(
            "cases => cases.map(([v, u, d]) => "
            "{ roof3d.words.units = u; return roof3d.words.length(v, d); })",
            [list(case) for case in cases],
        )
    for (value, units, way), text in zip(cases, shown, strict=True):
        assert text.replace("−", "-") == format_length(value, units, direction=way), (value, units, way)


@needs_browser
def test_keys_turn_zoom_and_pick(file: Path) -> None:
    with browser_page(offline=True) as watched:
        page = watched.open(file.as_uri())
        where = "() => roof3d.stage.camera.position.toArray()"
        before = page.evaluate(where)
        page.locator(".stage canvas").focus()
        for key in ("ArrowLeft", "ArrowUp", "+"):
            page.keyboard.press(key)
            after = page.evaluate(where)
            assert math.dist(before, after) > 0.1, key
            before = after
        row = page.locator("section#worst tbody tr").nth(2)
        row.focus()
        page.keyboard.press("Enter")
        assert "chosen" in (row.get_attribute("class") or "")
        assert page.locator(".card .sums").count() == 1
        assert watched.complaints == []


@needs_browser
def test_everything_is_readable_without_3d(gable: Made, file: Path) -> None:
    with browser_page("--disable-3d-apis", offline=True) as watched:
        page = watched.open(file.as_uri())
        assert page.locator(".nowebgl").is_visible()
        assert page.locator("section#worst tbody tr").count() > 5
        page.locator("section#worst tbody tr").first.click()
        assert page.locator(".card .sums").count() == 1


@needs_browser
def test_names_in_the_data_stay_text(gable: Made, tmp_path: Path) -> None:
    result = copy.deepcopy(gable[0])
    evil = "<img src=x onerror=alert(1)></script><script>alert(2)</script>"
    result["plan"]["title"] = evil
    result["findings"][0]["text"] = evil
    result["assumptions"][0] = evil
    result["anchors"][0]["id"] = evil
    path = tmp_path / "evil.html"
    path.write_text(page_html(page_data(result)), encoding="utf-8")
    with browser_page(offline=True) as watched:
        page = watched.open(path.as_uri())
        assert page.locator("h1").inner_text() == evil
        assert page.locator("img").count() == 0
        assert page.locator("script").count() == 2
        assert watched.complaints == []
        assert watched.requests == [path.as_uri()]
