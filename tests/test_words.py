"""Texts of pictures and reports: a translation is a file, and a bad one is refused by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from roof3d.errors import InputError
from roof3d.records import STATES
from roof3d.show.colours import EDGE_STYLES
from roof3d.show.evidence import report_document
from roof3d.show.scene import make_scene
from roof3d.show.table import check_table
from roof3d.show.words import load_texts, shipped_languages
from roof3d.units import format_length


def test_every_state_has_words_and_a_style() -> None:
    texts = load_texts()
    for state in STATES:
        assert texts(f"state.{state}")
        assert state in EDGE_STYLES


def test_a_translation_is_a_file_and_falls_back(tmp_path: Path) -> None:
    path = tmp_path / "xx.toml"
    path.write_text('[picture]\nneeds = "braucht {value}"\n', encoding="utf-8")
    texts = load_texts(path)
    assert texts("picture.needs", value="4.85 m") == "braucht 4.85 m"
    assert texts("picture.has", value="1 m") == load_texts()("picture.has", value="1 m")
    assert "picture.has" in texts.missing and "picture.needs" not in texts.missing


@pytest.mark.parametrize(
    ("content", "place"),
    [
        ('[picture]\nneeds = "braucht {wert}"\n', "picture.needs"),
        ('[picture]\nneeds = "braucht"\n', "picture.needs"),
        ('[picture]\nneeds = "{value"\n', "picture.needs"),
        ('[picture]\nnonsense = "x"\n', "picture.nonsense"),
        ("[picture]\nneeds = 3\n", "picture.needs"),
        ("not toml at all = = =", "texts"),
    ],
)
def test_a_bad_translation_is_refused_with_its_key(tmp_path: Path, content: str, place: str) -> None:
    path = tmp_path / "xx.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=place.replace(".", r"\.")):
        load_texts(path)


def test_unknown_language_names_the_known_ones() -> None:
    assert shipped_languages() == ("de", "en")
    with pytest.raises(InputError, match="one of de, en"):
        load_texts("tlh")


def test_shipped_languages_are_complete() -> None:
    """Each has every key of the English texts, the same {names}, and lists as long."""
    english = load_texts()
    for language in shipped_languages():
        texts = load_texts(language)
        assert texts.missing == () and texts.language == language
        assert texts.table.keys() == english.table.keys() and texts.lists.keys() == english.lists.keys()
        for key, items in english.lists.items():
            assert len(texts.lists[key]) == len(items), key
        if language != "en":
            same = [key for key, text in texts.table.items() if text == english.table[key]]
            assert len(same) < 10, same
        assert not [key for key, text in texts.table.items() if not text.strip()]


def test_no_text_of_a_table_is_cut() -> None:
    """Half a figure is a wrong figure: tables grow with languages and units."""
    from tests.sample_result import sample

    result = sample()
    result["anchors"][0]["line_length_m"] = 123.456
    for language in shipped_languages():
        for units in ("m", "ft"):
            shown = check_table(result, units, load_texts(language))
            short = [s for s in result["edge_segments"] if s["state"] == "short"]
            worst = min(short, key=lambda s: s["margin_m"])
            for key, way in (("clearance_required_m", "up"), ("clearance_available_m", "down")):
                assert format_length(worst[key], units, direction=way) in shown
            assert format_length(123.456, units) in shown
            for key in ("anchor", "policy", "free_fall", "margin", "served", "rating"):
                assert load_texts(language)(f"table.{key}") in shown


def test_a_report_in_another_language_says_nothing_in_english() -> None:
    """Not what the check itself or a rule set says: that is theirs."""
    from tests.sample_result import sample

    english, german = load_texts(), load_texts("de")
    document = report_document(make_scene(sample()), german, "m", "", "a4")
    titles = [part["title"] for part in (*document["first"], *document["sections"])]
    assert set(titles) <= set(german.table.values())
    assert document["language"] == "de" and document["verdict"] in german.table.values()
    heads = {head for part in document["sections"] for b in part["blocks"] for head in b.get("columns", [])}
    assert heads <= {*german.table.values(), *german.lists["report.name_columns"]}
    only_english = set(english.table.values()) - set(german.table.values())
    assert not {*titles, *heads} & only_english
