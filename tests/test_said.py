"""Sentences of a check in other languages: none is missing, none loses or changes a figure."""

from __future__ import annotations

import ast
import itertools
import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from roof3d.building import build
from roof3d.check import check
from roof3d.plan import model_path, read_plan
from roof3d.show.evidence import report_document
from roof3d.show.page import page_data
from roof3d.show.said import read_sentence, say
from roof3d.show.scene import make_scene
from roof3d.show.told import told
from roof3d.show.words import load_texts, shipped_languages
from tests.conftest import MODELS, PROJECT

NUMBER = re.compile(r"\d+(?:\.\d+)?")
STAGES = ("load", "building.py", "edges", "planes", "levels", "fall", "arrest", "check")
VALUES = (
    "7.5",
    "A1",
    "anchor line H1, span 2",
    "E1 from 0.10 m to 4.00 m",
    "Not flat: 2 polygons, up to 0.1 m off",
    "A surface of 12 m2 in plan at heights from 0 to 1 m",
    "",
)
LISTS = {"doubts", "assumptions", "repairs", "notes", "reasons"}
OTHERS = [language for language in shipped_languages() if language != "en"]


@pytest.fixture(scope="module", params=["gable", "dormers"])
def result(request: pytest.FixtureRequest) -> dict[str, Any]:
    plan = read_plan(MODELS / f"{request.param}.toml")
    roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    made: dict[str, Any] = json.loads(json.dumps(check(roof, plan).to_json()))
    return made


def sentences(result: dict[str, Any]) -> list[str]:
    """All that a result says in sentences."""
    found = [finding["text"] for finding in result["findings"]]
    found += [*result["assumptions"], *result["model"]["repairs"], *result["model"].get("doubts", [])]
    for record in (*result["edge_segments"], *result["edges"]):
        found += [record.get("strikes") or "", *(record.get("doubt") or "").split("; ")]
    return sorted({text for text in found if text})


def test_every_sentence_of_a_check_is_known(result: dict[str, Any]) -> None:
    assert [text for text in sentences(result) if read_sentence(text) is None] == []


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_keeps_every_figure(result: dict[str, Any], language: str) -> None:
    texts = load_texts(language)
    for text in sentences(result):
        shown = say(text, texts)
        assert Counter(NUMBER.findall(shown)) == Counter(NUMBER.findall(text)), (text, shown)
        assert shown != text, text
        assert say(text, load_texts()) == text


@pytest.mark.parametrize("language", OTHERS)
def test_page_and_report_say_findings_in_their_language(result: dict[str, Any], language: str) -> None:
    texts = load_texts(language)
    english = set(sentences(result))
    data = page_data(result, language=language, explained=2)
    said = [finding["text"] for finding in data["findings"]] + data["assumptions"] + data["repairs"]
    said += [str(s.get(key, "")) for s in data["segments"] for key in ("strikes", "doubt")]
    assert not english & set(said)
    for text in said:
        shown = told(text, "ft")
        assert shown == text or data["feet"][text] == shown
    document = json.dumps(report_document(make_scene(result), texts, "m", "", "a4"), ensure_ascii=False)
    assert [text for text in english if len(text) > 20 and json.dumps(text)[1:-1] in document] == []


def test_findings_tell_of_which_anchor_they_speak(result: dict[str, Any]) -> None:
    names = {anchor["id"] for anchor in result["anchors"]}
    for language in shipped_languages():
        for finding, shown in zip(
            sorted(f["text"] for f in result["findings"] if ", on " in f["text"]),
            sorted(
                (f for f in page_data(result, language=language, explained=0)["findings"] if f["anchor"]),
                key=lambda f: f["anchor"],
            ),
            strict=False,
        ):
            assert ", on " in finding and shown["anchor"] in names


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("A1: arrest force 6.10 kN over the limit of 6.00 kN", "arrest_force"),
        ("E1 from 0.10 m to 4.00 m, on A1: swing: strikes wall F3", "stretch"),
        ("the roof is green", None),
        ("free fall of many m, more than 1.83 m", None),
    ],
)
def test_a_sentence_is_known_by_all_of_its_words(text: str, name: str | None) -> None:
    said = read_sentence(text)
    assert (said.id if said else None) == name
    if name is None:
        assert say(text, load_texts("de")) == text, "what is not known is left as it is"


def test_a_file_of_own_texts_says_its_sentences_and_leaves_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[common]\nlanguage = "en"\n[said]\non_wall = "the wall called {name}"\n', encoding="utf-8"
    )
    texts = load_texts(path)
    assert say("strikes wall F3", texts) == "strikes the wall called F3"


def test_several_sentences_are_said_one_by_one() -> None:
    both = say("no ground in the model; taut length known to 0.21 m", load_texts("de"))
    assert both == "kein Gelände im Modell; gespannte Länge auf 0.21 m bekannt"


# ------------------------------------------------------------------------------ what the sources say


def stage_files() -> list[Path]:
    paths = [PROJECT / "roof3d" / name for name in STAGES]
    return sorted(q for p in paths for q in ([p] if p.is_file() else p.rglob("*.py")))


def stated(tree: ast.AST) -> Iterator[ast.expr]:
    """Texts of findings, and what is put on lists of doubts, assumptions and repairs."""
    for function in ast.walk(tree):
        if not isinstance(function, ast.FunctionDef):
            continue
        nodes = list(ast.walk(function))
        named = {
            call.args[2].id
            for call in nodes
            if isinstance(call, ast.Call)
            and isinstance(call.func, ast.Name)
            and call.func.id == "Finding"
            and len(call.args) > 2
            and isinstance(call.args[2], ast.Name)
        }
        for node in nodes:
            if isinstance(node, ast.Assign) and any(
                isinstance(t, ast.Name) and t.id in named for t in node.targets
            ):
                yield node.value
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Finding":
                yield from node.args[2:3]
            elif (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr == "append"
                and getattr(node.func.value, "id", getattr(node.func.value, "attr", "")) in LISTS
            ):
                yield from node.args


def examples(node: ast.expr) -> Iterator[str]:
    """The sentence with values of each kind that could stand in it."""
    if isinstance(node, ast.BinOp):
        yield from examples(node.left)
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.JoinedStr):
        parts: list[tuple[str, ...]] = []
        for k, value in enumerate(node.values):
            if isinstance(value, ast.Constant):
                parts.append((str(value.value),))
                continue
            after = node.values[k + 1] if k + 1 < len(node.values) else None
            glued = isinstance(after, ast.Constant) and str(after.value)[:1].isalpha()
            parts.append(("A1: ",) if glued else VALUES)
        for chosen in itertools.islice(itertools.product(*parts), 20_000):
            yield "".join(chosen)


def test_every_finding_in_the_sources_has_words_in_the_texts() -> None:
    """Whoever adds a finding adds its pattern: else a translation would fall back to English unseen."""
    unknown = []
    count = 0
    for path in stage_files():
        for node in stated(ast.parse(path.read_text(encoding="utf-8"))):
            first = next(examples(node), "")
            count += bool(first)
            if first and not any(read_sentence(text) for text in examples(node)):
                unknown.append(f"{path.relative_to(PROJECT)}:{node.lineno}: {first}")
    assert unknown == []
    assert count > 25
