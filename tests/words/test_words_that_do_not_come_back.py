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
    "a hold would tell",
    "for the person at the bedside",
    "so there is no before",
    "is no clock time",
    "says nothing of now",
    "says nothing of the lung",
    "record says nothing of it",
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
        *[statement.note for statement in answer.statements],
        *[warning.text for warning in answer.warnings],
    ]

    assert [gone for gone in GONE for text in said if gone in text] == []


def sentences_in(room: str) -> dict[str, int]:
    """How many texts of three words or more the files of a room hold, beside those of refusals that they raise."""
    return {
        file.relative_to(SERVICE).as_posix(): count
        for file in sorted((SERVICE / room).rglob("*.py"))
        if (
            count := sum(
                text.count(" ") > 1 and "<" not in text and len(re.findall(r"[A-Za-z]{2,}", text)) > 2
                for text in texts_of(file, for_people=True)
            )
        )
    }


STILL: dict[str, int] = {
    "words/messages.py": 5,
    "views/drawing.py": 4,
    "use_cases/answer_builder.py": 12,
    "use_cases/candidate.py": 2,
    "use_cases/check_record.py": 46,
    "use_cases/check_writing.py": 41,
    "use_cases/from_record.py": 9,
    "use_cases/next_step.py": 14,
    "use_cases/inspection.py": 30,
    "use_cases/markers.py": 4,
    "use_cases/planning.py": 17,
    "use_cases/questions.py": 2,
    "use_cases/recording.py": 31,
    "use_cases/replay.py": 15,
    "use_cases/replay_exchange.py": 18,
    "use_cases/trial_and_patient.py": 1,
    "fhir/writing/entered.py": 1,
    "fhir/writing/identity.py": 1,
    "fhir/writing/normal_form.py": 1,
    "fhir/writing/provenance.py": 5,
    "fhir/writing/supersession.py": 4,
    "fhir/writing/transaction.py": 1,
    "fhir/writing/validate.py": 36,
    "web/hooks/call.py": 31,
    "web/hooks/documentation.py": 17,
    "web/hooks/feedback.py": 9,
    "web/hooks/orders.py": 3,
    "web/hooks/routes.py": 7,
    "web/page/before_pages.py": 2,
    "web/page/demo.py": 10,
    "web/page/decision.py": 1,
    "web/page/routes.py": 43,
    "web/page/running_view.py": 1,
    "web/page/source.py": 1,
    "web/page/words.py": 4,
}
"""What files still hold: refusals made before they are raised, displays of codes, what OpenAPI says of a route.
A count may fall and not rise."""


@pytest.mark.parametrize("room", ["physiology", "words", "views", "use_cases", "fhir/writing", "web/hooks", "web/page"])
def test_files_hold_no_more_sentences_than_are_left_in_them(room: str) -> None:
    assert {name: count for name, count in sentences_in(room).items() if count > STILL.get(name, 0)} == {}
