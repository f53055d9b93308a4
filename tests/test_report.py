"""Reports: content first, then PDF and HTML as other programs read them (poppler, an HTML parser)."""

from __future__ import annotations

import copy
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from lxml import html

from roof3d.errors import InputError
from roof3d.formulas import FORMULAS
from roof3d.show import glyphs, render3d
from roof3d.show.evidence import report_document
from roof3d.show.report import write_report
from roof3d.show.scene import as_written, make_scene
from roof3d.show.words import load_texts
from tests.sample_result import sample

SMALL = (900, 600)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The 3D view has its own tests."""
    monkeypatch.setattr(render3d, "render", lambda *_: "left out in this test")


def document(result: dict[str, Any] | None = None, units: Any = "m") -> dict[str, Any]:
    return report_document(make_scene(result or sample()), load_texts(), units, "", "a4")


def part(content: dict[str, Any], title: str) -> dict[str, Any]:
    (found,) = [p for p in [*content["first"], *content["sections"]] if p["title"] == title]
    return dict(found)


def every_text(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    items = value.values() if isinstance(value, dict) else value if isinstance(value, list) else []
    return [text for item in items for text in every_text(item)]


def pdf_text(path: Path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
    )
    return done.stdout


# ------------------------------------------------------------------------------------------ content


def test_the_page_that_decides_has_verdict_reasons_worst_and_anchors() -> None:
    content = document()
    assert content["verdict"] == load_texts()("verdict.danger")
    scene = make_scene(sample())
    short = sum(s.length for s in scene.stretches if s.state == "short")
    assert any(f"{short:.2f} m of edge" in reason for reason in content["reasons"])
    worst = part(content, "Worst places")["blocks"][0]["rows"]
    assert [row[0] for row in worst] == ["1", "2", "3", "4", "5"]
    margin = sample()["summary"]["worst_margin_m"]
    # rounded down: never better than computed
    shown = float(worst[0][-1].replace("−", "-").split()[0])
    assert margin - 0.01 <= shown <= margin
    anchors = part(content, "Anchors and line settings")["blocks"][0]["rows"]
    assert anchors[0][:3] == ["A1", "P1", "0.43 m ridge E7"] and anchors[0][-2:] == ["6.20 m", "fixed length"]


def test_evidence_lists_all_stretches_findings_hashes_and_cautions() -> None:
    content = document()
    texts = every_text(content)
    scene = make_scene(sample())
    rows = part(content, "Edges with a possible fall, worst case over all anchors")["blocks"][1]["rows"]
    assert len(rows) == len(scene.worst)
    for needed in ("ab" * 32, "cd" * 32, "us-construction", *load_texts().lists["report.cautions"]):
        assert any(needed in text for text in texts), needed
    assert sample()["findings"][0]["text"] in texts
    assert any("lowest point of the model" in text for text in texts)
    assert any("welded 24" in text for text in texts)


def test_cautions_cover_what_every_report_must_say() -> None:
    said = " ".join(load_texts().lists["report.cautions"]).lower()
    for word in (
        "on site",
        "makers' instructions",
        "local law and code",
        "licensed engineer",
        "rescue",
        "before each use",
    ):
        assert word in said, word


def test_rule_values_come_with_source_and_status() -> None:
    result = sample()
    result["rules"] = {
        "name": "x",
        "values": [
            {
                "name": "free_fall_limit",
                "value": 1.8,
                "unit": "m",
                "text": "6 ft",
                "document": "29 CFR 1926.502",
                "clause": "(d)(16)(iii)",
                "year": 1994,
                "status": "secondary",
            },
            {"name": "margin", "value": 0.6, "unit": "m", "document": "", "status": "memory"},
        ],
    }
    rows = part(document(result), "Values of the rule set, and where they come from")["blocks"][1]["rows"]
    assert rows[0] == [
        "free fall limit",
        "1.800 m",
        "6 ft",
        "29 CFR 1926.502, (d)(16)(iii), 1994",
        "secondary",
    ]
    assert rows[1][-1] == "memory"


def test_clearance_is_unfolded_only_if_its_terms_add_up() -> None:
    """The sample's own budget: 1.5 + s + 1.07 + 0.3 + 0.6, added up by hand."""
    lines = part(document(), "How the worst places add up")["blocks"][1]["items"]
    assert any(FORMULAS["clearance_required"].text in line for line in lines)
    shown = {m[1]: float(m[2]) for m in re.finditer(r"(\w) = (-?[\d.]+) m", "\n".join(lines))}
    assert shown["h"] + shown["s"] + shown["X"] + shown["k"] + shown["M"] == pytest.approx(
        shown["C"], abs=0.003
    )
    assert (shown["h"], shown["X"], shown["k"], shown["M"]) == (1.5, 1.07, 0.3, 0.6)
    assert shown["n"] == pytest.approx(sample()["summary"]["worst_margin_m"], abs=0.001)
    for change in ({"deceleration_m": 1.2}, {"margin_m": None}):
        result = sample()
        for anchor in result["anchors"]:
            anchor["clearance_terms"] |= change
        lines = part(document(result), "How the worst places add up")["blocks"][1]["items"]
        assert not any(FORMULAS["clearance_required"].text in line for line in lines)


def test_takeoff_counts_what_the_result_holds() -> None:
    rows = part(document(), "Takeoff")["blocks"][0]["rows"]
    assert [row[1] for row in rows if row[0].startswith("single anchor")] == ["2"]
    assert any(row[0].startswith("line from anchor") and row[1].endswith(" m") for row in rows)
    bare = {**sample(), "anchors": [], "edge_segments": []}
    assert "Takeoff" not in [p["title"] for p in document(bare)["sections"]]


def test_many_anchors_are_all_in_the_evidence() -> None:
    result = sample()
    result["anchors"] = [{**result["anchors"][0], "id": f"A{k}"} for k in range(30)]
    content = document(result)
    first = part(content, "Anchors and line settings")["blocks"]
    assert len(first[0]["rows"]) == 8 and "22" in first[1]["text"]
    assert len(part(content, "All anchors")["blocks"][0]["rows"]) == 30


def test_a_load_that_is_not_stated_is_not_a_nought() -> None:
    result = sample()
    del result["anchors"][0]["load_kN"]
    result["anchors"][1]["load_kN"] = float("nan")
    rows = part(document(result), "Loads")["blocks"][1]["rows"]
    assert rows[0][5] == rows[1][5] == "not stated"


def test_loads_round_up_and_ratings_down() -> None:
    result = sample()
    result["anchors"][0] |= {"load_kN": 5.401, "rating_kN": 11.999}
    row = part(document(result), "Loads")["blocks"][1]["rows"][0]
    assert row[5] == "5.41 kN" and row[6] == "11.99 kN"


def test_loads_and_spans_of_an_anchor_line_are_listed() -> None:
    result = sample()
    result["anchors"][0] |= {
        "id": "H1",
        "kind": "line",
        "points": [result["anchors"][0]["at"], result["anchors"][1]["at"]],
        "loads": [{"point": 1, "kind": "end", "load_kN": 12.001, "needs_kN": 24.0, "verdict": "short"}],
        "spans": [{"span": 1, "length_m": 5.6, "loaded_length_m": 5.9, "deflection_m": 0.6, "pull_kN": 11.0}],
    }
    blocks = part(document(result), "Loads")["blocks"]
    ends, spans = blocks[2]["rows"], blocks[3]["rows"]
    assert ends == [["H1.1", "end", "12.01 kN", "24.00 kN", "not stated", "rating does not suffice", ""]]
    assert spans == [["H1, 1", "5.60 m", "5.90 m", "0.60 m", "11.00 kN"]]


@pytest.mark.parametrize(
    ("path", "value", "place"),
    [
        (("anchors", 0, "loads"), [{"point": 1, "load_kN": "much"}], "anchors 1 (A1) loads 1 load_kN"),
        (("anchors", 0, "loads"), "none", "anchors 1 (A1) loads"),
        (("anchors", 1, "arrest"), [1], "anchors 2 (A2) arrest"),
        (("anchors", 1, "spans"), [{"length_m": [3]}], "anchors 2 (A2) spans 1 length_m"),
        (("rules",), {"entries": [{"name": "margin", "value": "2 ft"}]}, "rules entries 1 value"),
        (("rules",), {"entries": [7]}, "rules entries 1"),
        (("findings", 0, "at"), "E1", "findings 1 at"),
        (("findings", 0), None, "findings 1"),
        (("assumptions",), "none", "assumptions"),
        (("work",), [], "work"),
        (("edge_segments", 3, "margin_m"), "-0.2", "edge_segments 4 margin_m"),
    ],
)
def test_a_result_edited_out_of_shape_is_one_line_with_its_place(
    tmp_path: Path, path: tuple[Any, ...], value: Any, place: str
) -> None:
    result = sample()
    target: Any = result
    for key in path[:-1]:
        target = target[key]
    target[path[-1]] = value
    with pytest.raises(InputError) as caught:
        write_report(result, None, tmp_path / "x.html", picture_size=SMALL)
    assert caught.value.place == place
    assert "\n" not in str(caught.value) and "accepted" in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths to everything in a result; of long lists the first and last."""
    if isinstance(value, dict):
        inner: list[tuple[Any, Any]] = list(value.items())
    elif isinstance(value, list):
        inner = [(k, value[k]) for k in sorted({0, len(value) - 1})] if value else []
    else:
        return [path]
    return [path, *(found for key, item in inner for found in leaves(item, (*path, key)))]


@pytest.mark.parametrize("junk", ["x", -1, [], {}, [None], {"a": [1]}, True, 1e308, None])
def test_any_part_replaced_by_anything_is_drawn_or_refused(junk: Any) -> None:
    """Each part of the sample in turn, with loads, rules and takeoff added: content or InputError."""
    base = sample()
    base["anchors"][0] |= {
        "rating_kN": 24.0,
        "arrest": {"free_fall_m": 2.0, "peak_force_kN": 6.0, "stopped": True, "assumptions": ["a"]},
        "loads": [{"point": 1, "kind": "end", "load_kN": 5.0, "needs_kN": 10.0, "case": "c"}],
        "spans": [{"span": 1, "length_m": 3.0, "pull_kN": 4.0}],
    }
    base["rules"] = {
        "name": "x",
        "budget": {"text": "t", "document": "d"},
        "entries": [{"name": "margin", "value": 0.6, "unit": "m", "year": 1994, "clause": "c"}],
    }
    base["takeoff"] = [{"item": "anchor", "count": 2}]
    base["exposure"]["cells"] = base["exposure"]["cells"][:5]
    refused = 0
    for path in leaves(base)[1:]:
        result = copy.deepcopy(base)
        target: Any = result
        for key in path[:-1]:
            target = target[key]
        target[path[-1]] = junk
        try:
            scene = make_scene(result)
            with as_written(result):
                report_document(scene, load_texts(), "m", "", "a4")
        except InputError as error:
            assert "\n" not in str(error)
            refused += 1
    assert refused > (0 if junk is None else 20)


def test_feet_and_inches_throughout() -> None:
    content = document(units="ft")
    rows = part(content, "Worst places")["blocks"][0]["rows"]
    assert all("'" in row[4] for row in rows)
    assert not any(re.search(r"\d m\b", text) for row in rows for text in row)


# ---------------------------------------------------------------------------------------- documents


def test_pdf_decides_on_page_one_and_is_tagged(tmp_path: Path) -> None:
    path = tmp_path / "x.pdf"
    write_report(sample(), None, path, picture_size=SMALL)
    pages = pdf_text(path).split("\f")
    assert load_texts()("verdict.danger") in pages[0]
    assert "Anchors and line settings" in pages[0] and "The evidence" in pages[1]
    assert "Names and signatures" in "".join(pages[1:])
    done = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True)
    assert re.search(r"Tagged:\s+yes", done.stdout)
    # the standard's own mark in the metadata (ISO 14289-1, 5)
    data = path.read_bytes()
    assert b"pdfuaid:part" in data


def test_pdf_fits_page_one_with_eight_anchors(tmp_path: Path) -> None:
    result = sample()
    result["anchors"] = [{**result["anchors"][k % 2], "id": f"A{k + 1}"} for k in range(12)]
    write_report(result, None, tmp_path / "x.pdf", picture_size=SMALL)
    pages = pdf_text(tmp_path / "x.pdf").split("\f")
    assert "The evidence" in pages[1] and "More anchors in the evidence: 4" in pages[0]


def test_pdf_fits_page_one_where_every_limit_is_broken_and_names_are_long(tmp_path: Path) -> None:
    """The picture gives way, not the page."""
    result = sample()
    result["anchors"] = [{**result["anchors"][k % 2], "id": f"A{k + 1}"} for k in range(12)]
    result["plan"]["title"] = "A long name of a long house in a long lane of a long village, in two lines"
    for segment in result["edge_segments"]:
        if segment["state"] in ("short", "swing", "arrest"):
            segment["breaks"] = ["room", "free-fall", "force", "absorber", "swing"]
    write_report(result, None, tmp_path / "x.pdf", language="de", picture_size=SMALL)
    pages = pdf_text(tmp_path / "x.pdf").split("\f")
    german = load_texts("de")
    assert german("report.evidence") in pages[1]
    assert german("report.set_out_note").split()[0] in pages[0]


def test_doubts_stand_below_the_table_with_the_numbers_of_their_places() -> None:
    result = sample()
    worst = [s for s in result["edge_segments"] if s["state"] == "short"]
    for segment in worst:
        segment["doubt"] = "taut length known to 0.21 m"
    found = part(document(result), load_texts()("report.section_stretches"))
    doubts = [item for block in found["blocks"] for item in block.get("items", [])]
    assert len(doubts) == 1 and doubts[0].endswith(": taut length known to 0.21 m")
    rows = next(block["rows"] for block in found["blocks"] if "rows" in block)
    assert {row[0] for row in rows if row[3] == "short"} == set(re.findall(r"\d+(?=[,:])", doubts[0]))


def test_html_is_one_file_without_script_or_request(tmp_path: Path) -> None:
    path = tmp_path / "x.html"
    write_report(sample(), None, path, picture_size=SMALL)
    tree = html.parse(str(path))
    assert not tree.xpath("//script") and not tree.xpath("//link")
    (image,) = tree.xpath("//img")
    assert image.get("src").startswith("data:image/png;base64,") and len(image.get("alt")) > 40
    assert "default-src 'none'" in tree.xpath("//meta[@http-equiv]/@content")[0]
    assert tree.xpath("string(//h1)") == sample()["plan"]["title"]
    assert len(tree.xpath("//table[not(@class)]/thead")) >= 5


@pytest.mark.parametrize("suffix", ["pdf", "html"])
def test_same_input_same_bytes(tmp_path: Path, suffix: str) -> None:
    for name in ("a", "b"):
        write_report(sample(), None, tmp_path / f"{name}.{suffix}", picture_size=SMALL)
    assert (tmp_path / f"a.{suffix}").read_bytes() == (tmp_path / f"b.{suffix}").read_bytes()


HOSTILE = '#panic("x") *b* $x$ <script>alert(1)</script> =1+1 {page} @ref \\ "'


def hostile() -> dict[str, Any]:
    result = sample()
    result["plan"]["title"] = HOSTILE
    result["anchors"][0]["id"] = HOSTILE
    result["findings"][0] |= {"text": HOSTILE, "element": HOSTILE, "code": HOSTILE}
    result["assumptions"] = [HOSTILE + "\x00\n"]
    result["model"]["file"] = "<b>x</b>.obj"
    result["takeoff"] = [{HOSTILE: HOSTILE}]
    return result


def test_hostile_names_stay_text_in_pdf(tmp_path: Path) -> None:
    write_report(hostile(), None, tmp_path / "x.pdf", picture_size=SMALL)
    text = re.sub(r"\s+", "", pdf_text(tmp_path / "x.pdf"))
    assert re.sub(r"\s+", "", HOSTILE) in text


def test_hostile_names_stay_text_in_html(tmp_path: Path) -> None:
    write_report(hostile(), None, tmp_path / "x.html", picture_size=SMALL)
    tree = html.parse(str(tmp_path / "x.html"))
    assert not tree.xpath("//script") and not tree.xpath("//b")
    assert tree.xpath("string(//h1)") == HOSTILE


def test_a_roof_without_anchors_has_a_report_that_says_so(tmp_path: Path) -> None:
    bare = {key: sample()[key] for key in ("schema", "model", "planes", "edges")}
    write_report(bare, None, tmp_path / "x.pdf", picture_size=SMALL)
    text = pdf_text(tmp_path / "x.pdf")
    assert "Nothing was assessed" in text
    assert "All limits" not in text


def test_a_translation_reaches_the_page(tmp_path: Path) -> None:
    words = tmp_path / "xx.toml"
    words.write_text('[common]\nlanguage = "eo"\n[verdict]\ndanger = "Ne uzu tiel"\n', encoding="utf-8")
    write_report(sample(), None, tmp_path / "x.html", picture_size=SMALL, language=words)
    tree = html.parse(str(tmp_path / "x.html"))
    assert tree.getroot().get("lang") == "eo"
    assert "Ne uzu tiel" in tree.xpath("string(//p[@class='verdict'])")


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("x.doc", {}, r"\.pdf, \.html"),
        ("x.pdf", {"paper": "b5"}, "a4, letter"),
        ("no/x.html", {}, "can be written"),
    ],
)
def test_bad_options_are_refused(tmp_path: Path, name: str, options: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        write_report(sample(), None, tmp_path / name, picture_size=SMALL, **options)
    assert list(tmp_path.iterdir()) == []


# ------------------------------------------------------------------------------- names in any writing


def named_afar() -> dict[str, Any]:
    """A roof in a place that writes neither Latin nor Greek nor Cyrillic letters."""
    result = sample()
    result["plan"] = {"title": "屋根 крыша στέγη", "file": "計画.toml", "sha256": "0" * 64}
    result["anchors"][0]["id"] = "錨1"
    for segment in result["edge_segments"]:
        segment["anchor"] = "錨1" if segment["anchor"] == "A1" else segment["anchor"]
    return result


def test_names_that_no_font_has_are_spelt_by_their_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two anchors must not look alike as two rows of empty boxes."""
    monkeypatch.setattr(glyphs, "_of_system", lambda: ())
    glyphs.fonts_for.cache_clear()
    path = tmp_path / "x.pdf"
    write_report(named_afar(), None, path, picture_size=SMALL)
    text = pdf_text(path)
    assert "[U+5C4B][U+6839] крыша στέγη" in text and "[U+9328]1" in text
    fonts = subprocess.run(["pdffonts", str(path)], capture_output=True, text=True, check=True).stdout
    assert "DejaVuSans" in fonts and "LastResort" not in fonts
    glyphs.fonts_for.cache_clear()


def test_names_are_drawn_where_the_system_has_a_font(tmp_path: Path) -> None:
    wanted = frozenset(ord(c) for c in "屋根錨計画")
    found = glyphs.fonts_for(wanted)
    if not found or wanted - frozenset().union(*(glyphs.characters(font) for font in found)):
        pytest.skip("no font with these characters is installed")
    path = tmp_path / "x.pdf"
    write_report(named_afar(), None, path, picture_size=SMALL)
    text = pdf_text(path)
    assert "屋根 крыша στέγη" in text and "錨1" in text and "[U+" not in text
    fonts = subprocess.run(["pdffonts", str(path)], capture_output=True, text=True, check=True).stdout
    assert "LastResort" not in fonts


def test_plain_names_need_no_other_font() -> None:
    assert glyphs.readable(["Dach A1", {"x": "Größe ½ – …"}]) == (["Dach A1", {"x": "Größe ½ – …"}], ())
