"""Phrases that read strangely and were replaced do not come back; files of numbers hold no new sentence."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from words.test_every_question_in_short import NAMES, every

SERVICE = Path(__file__).parents[2] / "service" / "ebbmark"
GONE = (
    "No way down yet",
    "a word on ",
    "stand again",
    "makes it old",
    "would be borne",
    "whoever is at the bedside",
    "and so for whoever",
    "to be looked at before PEEP",
    "to be measured and sent",
    "to be read by a person",
    "is to be known before",
    "not taken as absent",
    "not taken as none",
    "What counts as high risk",
    "a level to stay at undecided",
    "What follows is a setting",
    "would all look so",
    "would look so",
    "no code stands for it",
    "Laid out although",
    "not the same as nothing having happened",
    "cannot be said",
    "may come to lie above",
    "held against its limit",
    "that was seen makes",
    "the readings wander",
    "In this trial closing",
    "closing could not be told",
)


def texts_of(file: Path, *, for_people: bool = False) -> Iterator[str]:
    """Every text of a source but its docstrings; a text that is put together of parts as one.

    For people: without what a programmer alone reads.
    """
    tree = ast.parse(file.read_text(encoding="utf-8"))
    if for_people:
        for node in ast.walk(tree):
            if isinstance(node, ast.Raise):
                node.exc = None
    told = {
        id(one.value)
        for node in ast.walk(tree)
        if isinstance(body := getattr(node, "body", None), list)
        for one in body
        if isinstance(one, ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield "".join(str(part.value) if isinstance(part, ast.Constant) else "…" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            yield node.value


def test_no_text_of_a_source_holds_one() -> None:
    files = [one for ending in ("html", "toml", "js", "typ") for one in SERVICE.rglob(f"*.{ending}")]
    plain = [(file.name, file.read_text(encoding="utf-8")) for file in files]
    sources = [(file.name, text) for file in SERVICE.rglob("*.py") for text in texts_of(file)]

    found = [(name, gone) for name, text in (*plain, *sources) for gone in GONE if gone in text]

    assert found == []


@pytest.mark.parametrize("name", NAMES)
def test_no_answer_holds_one(name: str) -> None:
    answer = every()[name]
    said = [
        answer.short.line,
        *answer.short.reasons,
        *answer.said,
        *[one.note for one in answer.statements],
        *[one.text for one in answer.warnings],
    ]

    assert [gone for gone in GONE for text in said if gone in text] == []


def test_files_of_physiology_hold_no_sentence() -> None:
    held = [
        (file.relative_to(SERVICE).as_posix(), text)
        for file in (SERVICE / "physiology").rglob("*.py")
        for text in texts_of(file, for_people=True)
        if text.count(" ") > 1 and len(re.findall(r"[A-Za-z]{2,}", text)) > 2
    ]

    assert held == []
