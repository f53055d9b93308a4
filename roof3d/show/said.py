"""Sentences of a check in other languages: which sentence it is, with its values, and how to say it.

A result states findings, doubts, assumptions and repairs in English. Each kind of sentence has an
id and a pattern under ``said`` in the English texts; a translation has a text of that id with the same
``{names}``. Names that end in a digit are numbers, ``status`` is a word; all others are texts, which may be
sentences themselves.
"""

from __future__ import annotations

import re
import string
from dataclasses import dataclass
from functools import lru_cache

from roof3d.show.words import Texts, load_texts

SECTION = "said"
_WORD = r"\w+"
_NUMBER = r"[-−]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"


@dataclass(frozen=True)
class Said:
    """What a sentence says: its id among the texts, and its values as they stand in it."""

    id: str
    values: tuple[tuple[str, str], ...]

    def value(self, name: str) -> str:
        """The value of a name, "" where the sentence has none."""
        return dict(self.values).get(name, "")


@lru_cache(maxsize=4096)
def read_sentence(text: str) -> Said | None:
    """The sentence that ``text`` is; None where no pattern fits."""
    for name, pattern in _patterns():
        found = pattern.fullmatch(text)
        if found:
            return Said(name, tuple(found.groupdict().items()))
    return None


def say(text: str, texts: Texts) -> str:
    """The sentence in the language of ``texts``; what no pattern fits is left as it is.

    Several sentences joined by "; " are said one by one.
    """
    if not texts.own or not text:
        return text
    said = read_sentence(text)
    if said is not None:
        return texts(f"{SECTION}.{said.id}", **{name: say(value, texts) for name, value in said.values})
    parts = text.split("; ")
    return "; ".join(say(part, texts) for part in parts) if len(parts) > 1 else text


@lru_cache(maxsize=1)
def _patterns() -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Ids with their patterns, those with most words of their own first."""
    english = load_texts().items(SECTION)
    ranked = sorted(english.items(), key=lambda row: (-sum(map(len, _own(row[1]))), row[0]))
    return tuple((name, re.compile(_expression(text))) for name, text in ranked)


def _own(text: str) -> list[str]:
    return [part for part, _, _, _ in string.Formatter().parse(text)]


def _expression(text: str) -> str:
    made = ""
    for part, name, _, _ in string.Formatter().parse(text):
        made += re.escape(part)
        if name:
            kind = _NUMBER if name[-1].isdigit() else _WORD if name == "status" else ".+?"
            made += f"(?P<{name}>{kind})"
    return made
