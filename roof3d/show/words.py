"""The texts of pictures, drawings and reports: read from a file, so that a translation is a file."""

from __future__ import annotations

import string
import tomllib
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from roof3d.errors import InputError

DEFAULT_LANGUAGE = "en"


@dataclass(frozen=True)
class Texts:
    """Texts by dotted key. ``texts("state.short")`` gives one, with ``{names}`` filled in."""

    language: str
    table: dict[str, str] = field(repr=False)
    lists: dict[str, tuple[str, ...]] = field(repr=False)
    missing: tuple[str, ...] = ()  # keys that fell back to English
    own: bool = True  # not the English ones as they are

    def __call__(self, key: str, **values: Any) -> str:
        """The text of ``key``; KeyError for a key that English does not have either."""
        return self.table[key].format_map({name: str(value) for name, value in values.items()})

    def get(self, key: str, otherwise: str) -> str:
        """The plain text of ``key``, or ``otherwise`` (for words that come from data, such as kinds)."""
        return self.table.get(key, otherwise)

    def items(self, prefix: str) -> dict[str, str]:
        """All plain texts under ``prefix.``, keyed by the rest of their keys."""
        start = prefix + "."
        return {key[len(start) :]: text for key, text in self.table.items() if key.startswith(start)}


def load_texts(language: str | Path = DEFAULT_LANGUAGE) -> Texts:
    """Texts of a shipped language, or of a TOML file of one's own.

    Raises InputError for an unknown language, a broken file, an unknown key, or a text whose
    ``{names}`` differ from the English ones (it would fail or lie in the middle of a report).
    """
    english, english_lists = _shipped(DEFAULT_LANGUAGE)
    name = str(language)
    if name == DEFAULT_LANGUAGE:
        return Texts(name, dict(english), dict(english_lists), own=False)
    if name in shipped_languages():
        table, lists = _shipped(name)
    else:
        path = Path(name)
        if path.suffix != ".toml" or not path.is_file():
            accepted = "one of " + ", ".join(shipped_languages()) + ", or the path of a .toml file"
            raise InputError(name, "texts", "no such language or file", accepted)
        try:
            table, lists = _flatten(tomllib.loads(path.read_text(encoding="utf-8")), name)
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise InputError(name, "texts", str(error), "a TOML file in UTF-8") from error
    for key, text in table.items():
        if key not in english:
            raise InputError(name, key, "an unknown key", "the keys of the English texts")
        if _names(text) != _names(english[key]):
            wanted = ", ".join(sorted(_names(english[key]))) or "no names in braces"
            raise InputError(name, key, f"the text {text!r}", f"a text with {wanted}")
    for key in lists:
        if key not in english_lists:
            raise InputError(name, key, "an unknown key", "the keys of the English texts")
    missing = sorted((english.keys() - table.keys()) | (english_lists.keys() - lists.keys()))
    return Texts(
        table.get("common.language", name), {**english, **table}, {**english_lists, **lists}, tuple(missing)
    )


@lru_cache(maxsize=1)
def shipped_languages() -> tuple[str, ...]:
    """Names of the languages in the package."""
    folder = resources.files("roof3d.show") / "texts"
    return tuple(sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".toml")))


@lru_cache(maxsize=8)
def _shipped(name: str) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    source = resources.files("roof3d.show") / "texts" / f"{name}.toml"
    return _flatten(tomllib.loads(source.read_text(encoding="utf-8")), name)


def _flatten(data: dict[str, Any], file: str) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    table: dict[str, str] = {}
    lists: dict[str, tuple[str, ...]] = {}

    def walk(prefix: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(f"{prefix}.{key}" if prefix else key, inner)
        elif isinstance(value, str):
            table[prefix] = value
        elif isinstance(value, list) and all(isinstance(item, str) for item in value):
            lists[prefix] = tuple(value)
        else:
            raise InputError(file, prefix, repr(value), "a text, or a list of texts")

    walk("", data)
    return table, lists


def _names(text: str) -> set[str]:
    try:
        return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    except ValueError:
        return {"(unbalanced braces)"}
