"""Texts of pictures and reports: a translation is a file, and a bad one is refused by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from roof3d.errors import InputError
from roof3d.records import STATES
from roof3d.show.colours import EDGE_STYLES
from roof3d.show.words import load_texts, shipped_languages


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
    assert shipped_languages() == ("en",)
    with pytest.raises(InputError, match="one of en"):
        load_texts("tlh")
